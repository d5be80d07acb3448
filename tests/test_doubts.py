"""Lengths that nobody means: told wherever they stand in a plan, and those that people do mean are not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from gradecheck import Plan
from gradecheck.doubts import MOST, doubts
from gradecheck.plan import MEASURING_SD
from tests.projects import plan_values

SAMPLES = Path(__file__).parent.parent / "sample_data"


def parsed(**sections: Any) -> Plan:
    return Plan.parse(plan_values(**sections))


@pytest.mark.parametrize("name", ["plan.toml", "yarrow.toml", "bramble.toml", "quince.toml"])
def test_the_samples_and_the_defaults_raise_no_doubt(name: str) -> None:
    assert doubts(Plan.load(SAMPLES / name)) == []
    assert MEASURING_SD.metres < MOST["sd"].metres


@pytest.mark.parametrize(
    ("sections", "said"),
    [
        ({"before": {"sd": "330 m"}}, "before.sd = 330 m: more than 10 ft, is that meant?"),
        ({"after": {"sd_shared": "12 ft"}}, "after.sd_shared = 12 ft: more than 10 ft, is that meant?"),
        ({"hydrants": {"position_sd": "101 ft"}}, "hydrants.position_sd = 101 ft: more than 100 ft, is that meant?"),
        (
            {"hydrants": {"clearance": {"column": "c", "unit": "in", "sd": "25 ft"}}},
            "hydrants.clearance.sd = 25 ft: more than 10 ft, is that meant?",
        ),
        ({"policy": {"clearance_max": "6 ft"}}, "policy.clearance_max = 6 ft: more than 5 ft, is that meant?"),
        ({"policy": {"dressing": "13 in"}}, "policy.dressing = 13 in: more than 1 ft, is that meant?"),
        ({"policy": {"branch_diameter": "6.9 ft"}}, "policy.branch_diameter = 6.9 ft: more than 4 ft, is that meant?"),
        (
            {"paving": {"path": "p.gpkg", "job": "j", "reach": "1000 m"}},
            "paving.reach = 1000 m: more than 1000 ft, is that meant?",
        ),
    ],
)
def test_a_slip_of_a_unit_is_told_where_it_stands(sections: dict[str, Any], said: str) -> None:
    assert doubts(parsed(**sections)) == [said]


def test_one_of_several_grounds_is_told_by_its_number() -> None:
    values = plan_values()
    values["after"] = [
        {"raster": "a.tif", "unit": "ft", "sd": "0.1 ft"},
        {"raster": "b.tif", "unit": "ft", "sd": "11 ft"},
    ]
    assert doubts(Plan.parse(values)) == ["after[2].sd = 11 ft: more than 10 ft, is that meant?"]


def test_the_most_itself_is_no_doubt() -> None:
    assert doubts(parsed(policy={"clearance_max": "5 ft", "dressing": "12 in"}, before={"sd": "120 in"})) == []
