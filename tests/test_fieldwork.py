"""Field measurements taken in: hand-worked cases over a flat town, through to the layer, run.json and `inspect`."""

from __future__ import annotations

import hashlib
import json
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest

from gradecheck import Plan, PlanError, compute, inspect, run
from gradecheck.errors import InputError
from gradecheck.formats.field_rows import COLUMNS
from tests.projects import hydrants, plan_values, tiny_plan

TODAY = date(2027, 6, 1)
UNITS = ",YYYY-MM-DD,in,ft,in,in,in,,yes/no,yes/no,,,"


def form(folder: Path, *rows: dict[str, Any], name: str = "m.csv") -> None:
    """A filled-in form of our own."""
    lines = [",".join(COLUMNS), UNITS]
    lines += [",".join(str(row.get(c, "")) for c in COLUMNS) for row in rows]
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def row(name: str, day: str = "", **cells: Any) -> dict[str, Any]:
    return {"hydrant_id": name, "date": day, **cells}


def layer(**more: Any) -> gpd.GeoDataFrame:
    """H-1 measured 4 in, H-2 never, H-3 measured 10.25 in, its outlet 20 in above the flange."""
    columns = {"asset_id": ["H-1", "H-2", "H-3"], "flange_in": [4.0, None, 10.25], **more}
    return hydrants(columns, [(11, 23), (37, 5), (71, 62)])


def computed(folder: Path, *rows: dict[str, Any], frame: gpd.GeoDataFrame | None = None, **sections: Any) -> Any:
    form(folder, *rows)
    sections = {"measurements": {"path": "m.csv", **sections.pop("measurements", {})}, **sections}
    plan = tiny_plan(folder, layer() if frame is None else frame, **sections)
    return compute(plan, today=TODAY)


def surveyed_in_april(folder: Path, **sections: Any) -> Plan:
    """The plan over files that are there, its existing ground of 1 April 2025."""
    return Plan.parse(plan_values(before={"date": date(2025, 4, 1)}, **sections), folder)


def codes(result: Any, name: str) -> set[str]:
    found = result.hydrants.set_index("hydrant_id").cautions[name]
    return set() if pd.isna(found) else set(found.split(";"))


def test_a_measurement_stands_in_for_an_assumed_clearance_and_shows_its_day(tmp_path: Path) -> None:
    found = computed(tmp_path, row("H-2", "2027-04-03", clearance=4.5, length_fitted=0)).hydrants.set_index(
        "hydrant_id"
    )
    # The ground rises 100 to 100.5 ft = 6 in: a flange 4.5 in above it ends 1.5 in below; 6 in put it to 4.5.
    h = found.loc["H-2"]
    assert (h.clearance_basis, h.clearance_before_in, h.measured_on) == ("measured", 4.5, "2027-04-03")
    assert (h.action, h.extension_in) == ("extend", 6)
    assert h.clearance_after_in == pytest.approx(-1.5)
    assert "extension_unknown" not in (h.cautions or "")
    assert pd.isna(found.measured_on["H-1"])


def test_there_is_no_such_column_where_no_file_is_given(tmp_path: Path) -> None:
    assert "measured_on" not in compute(tiny_plan(tmp_path), today=TODAY).hydrants.columns


def test_the_newest_day_counts_per_quantity_and_undated_rows_as_oldest(tmp_path: Path) -> None:
    result = computed(
        tmp_path,
        row("H-2", "2027-04-05", clearance=5),
        row("H-2", "2027-04-03", clearance=3, flange_elevation=100.25),
        row("H-2", "", clearance=2, length_fitted=6),
    )
    h = result.assessment.inputs.hydrants
    assert h.clearance[1] / 0.0254 == pytest.approx(5)
    assert h.flange[1] / 0.3048 == pytest.approx(100.25)
    assert h.fitted[1] / 0.0254 == pytest.approx(6)
    assert "1 row says no date and counts as oldest: H-2 (line 5)" in " ".join(result.assessment.warnings)
    # Flange 100.25 ft over ground of 100.00 ft: 3 in, against 5 in measured: off by far more than 3 sd.
    assert "heights_disagree" in codes(result, "H-2")
    assert result.hydrants.clearance_basis[1] == "surveyed"
    assert result.hydrants.measured_on[1] == "2027-04-03"


@pytest.mark.parametrize(
    ("layer_day", "field_day", "counts"),
    [
        (None, "", 6.0),  # the layer dates nothing: the field is newer
        ("2027-04-01", "2027-04-03", 6.0),
        ("2027-04-04", "2027-04-03", 4.0),
        ("2027-04-04", "", 4.0),
        ("", "2027-04-03", 6.0),
        ("2027-04-03", "2027-04-03", 6.0),  # one day: the later row, flagged
    ],
)
def test_against_the_layer_the_newer_counts(
    layer_day: str | None, field_day: str, counts: float, tmp_path: Path
) -> None:
    frame = layer() if layer_day is None else layer(seen=[layer_day or None, None, None])
    sections: dict[str, Any] = {} if layer_day is None else {"hydrants": {"measured_on": "seen"}}
    result = computed(tmp_path, row("H-1", field_day, clearance=6), frame=frame, **sections)
    assert result.hydrants.clearance_before_in[0] == pytest.approx(counts)
    # 4 against 6 in, sd 0.1 in each: beyond 3 * 0.14 in.
    assert "measured_otherwise" in codes(result, "H-1")
    assert ("measured_twice" in codes(result, "H-1")) == (layer_day == field_day)


def test_a_small_difference_is_no_contradiction(tmp_path: Path) -> None:
    # 3 * hypot(0.1, 0.1) = 0.42 in
    assert "measured_otherwise" not in codes(computed(tmp_path, row("H-1", "2027-04-03", clearance=4.4)), "H-1")
    assert "measured_otherwise" in codes(computed(tmp_path, row("H-1", "2027-04-03", clearance=4.45)), "H-1")


def test_two_values_of_one_day_are_flagged_and_the_later_row_counts(tmp_path: Path) -> None:
    result = computed(tmp_path, row("H-2", "2027-04-03", clearance=3), row("H-2", "2027-04-03", clearance=5))
    assert result.hydrants.clearance_before_in[1] == pytest.approx(5)
    assert "measured_twice" in codes(result, "H-2")
    same = computed(tmp_path, row("H-2", "2027-04-03", clearance=3), row("H-2", "2027-04-03", clearance=3))
    assert "measured_twice" not in codes(same, "H-2")


def test_what_was_measured_before_the_ground_was_surveyed_is_flagged_and_counts(tmp_path: Path) -> None:
    rows = row("H-1", "2025-03-31", clearance=4), row("H-2", "2025-04-01", clearance=4)
    computed(tmp_path, *rows)
    result = compute(surveyed_in_april(tmp_path, measurements={"path": "m.csv"}), today=TODAY)
    assert "measured_before_ground" in codes(result, "H-1")
    assert "measured_before_ground" not in codes(result, "H-2")
    assert list(result.hydrants.clearance_basis[:2]) == ["measured", "measured"]


def test_a_layer_that_dates_its_own_heights_is_held_against_the_ground_too(tmp_path: Path) -> None:
    tiny_plan(tmp_path, layer(seen=["2024-12-31", "spring", "2026-01-01"]))
    result = compute(surveyed_in_april(tmp_path, hydrants={"measured_on": "seen"}), today=TODAY)
    assert "measured_before_ground" in codes(result, "H-1")
    assert "measured_before_ground" not in codes(result, "H-3")
    assert "unreadable_value" in codes(result, "H-2")
    assert "H-2 ('spring')" in " ".join(result.assessment.warnings)


def test_rows_of_work_are_passed_over_by_a_run_and_said_aloud(tmp_path: Path) -> None:
    result = computed(tmp_path, row("H-2", "2027-04-03", clearance=4, length_fitted=6, part_number="Q-6"))
    assert result.hydrants.clearance_basis[1] == "assumed"
    told = " ".join(result.assessment.warnings)
    assert "1 row tells of work done and is passed over" in told
    assert "gradecheck confirm" in told


def test_an_outlet_above_ground_gives_its_height_above_the_flange_beside_a_clearance(tmp_path: Path) -> None:
    result = computed(tmp_path, row("H-1", clearance=4, outlet_height=24), row("H-2", outlet_height=24))
    assert result.assessment.inputs.hydrants.outlet[0] / 0.0254 == pytest.approx(20)  # 24 - 4
    assert "1 outlet height without a clearance beside it" in " ".join(result.assessment.warnings)


def test_ids_of_nobody_and_days_to_come_are_warned_of(tmp_path: Path) -> None:
    rows = [row(f"X-{n}", "2027-04-03", clearance=4) for n in range(7)]
    result = computed(tmp_path, *rows, row("H-2", "2072-04-03", clearance=4))
    told = " ".join(result.assessment.warnings)
    assert "7 rows are of ids that no hydrant has: X-0, X-1, X-2, X-3, X-4 and 2 more" in told
    assert "1 row is dated after today: H-2 (line 10)" in told


def test_the_stated_sd_is_that_of_the_measured_rows_alone(tmp_path: Path) -> None:
    result = computed(tmp_path, row("H-2", clearance=4), measurements={"clearance_sd": "1 in"})
    a = result.assessment
    assert (a.cases.clearance_sd / 0.0254).round(6).tolist() == [0.1, 1.0, 0.1]
    assert a.cases.measure_sd == pytest.approx(0.0254)


def test_flanges_surveyed_in_the_field_do_without_existing_ground(tmp_path: Path) -> None:
    form(tmp_path, *(row(f"H-{n}", "2027-04-03", flange_elevation=100.25) for n in (1, 2, 3)))
    tiny_plan(tmp_path, layer())
    values = plan_values(measurements={"path": "m.csv"})
    del values["before"]
    found = compute(Plan.parse(values, tmp_path), today=TODAY).hydrants
    assert set(found.clearance_basis) == {"surveyed"}
    assert found.clearance_after_in.tolist() == pytest.approx([-3, -3, -3])  # 100.25 less 100.50 ft


def test_run_json_names_the_file_and_the_layer_shows_the_day_with_its_meaning(tmp_path: Path) -> None:
    form(tmp_path, row("H-2", "2027-04-03", clearance=4))
    run(tiny_plan(tmp_path, layer(), measurements={"path": ["m.csv"]}), today=TODAY)
    inputs = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))["inputs"]
    (entry,) = [i for i in inputs if i["role"] == "measurements"]
    assert entry["sha256"] == hashlib.sha256((tmp_path / "m.csv").read_bytes()).hexdigest()
    frame = pyogrio.read_dataframe(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants")
    assert frame.measured_on.fillna("").tolist() == ["", "2027-04-03", ""]


def test_inspect_counts_rows_by_what_becomes_of_them(tmp_path: Path) -> None:
    form(
        tmp_path, row("H-1"), row("H-1", "2027-04-03", clearance=4), row("H-2", "03/04/2027", clearance=4),
        row("H-3", "2027-04-09", back_at="2027-04-09"), row("X", clearance=4),
    )  # fmt: skip
    found = inspect(tiny_plan(tmp_path, layer(), measurements={"path": "m.csv"}))
    facts = dict(found.facts)["measurements"]
    assert facts[0] == "m.csv: 4 rows filled in, 1 not filled in"
    assert [line.split()[-1] for line in facts[1:5]] == ["1", "1", "1", "1"]
    assert facts[-1] == "newest date 2027-04-09"


def test_several_files_are_read_and_what_is_wrong_with_them_is_told_at_once(tmp_path: Path) -> None:
    form(tmp_path, row("H-1", "2027-04-03", clearance=5))
    form(tmp_path, row("H-1", "2027-04-04", clearance=6), name="n.csv")
    plan = tiny_plan(tmp_path, layer(), measurements={"path": ["m.csv", "n.csv"]})
    assert compute(plan, today=TODAY).hydrants.clearance_before_in[0] == pytest.approx(6)
    for name in ("m.csv", "n.csv"):
        (tmp_path / name).write_text("hydrant_id,clearance\nH-1,4\n", encoding="utf-8")
    with pytest.raises(InputError) as error:
        compute(plan, today=TODAY)
    assert [f.what for f in error.value.findings] == [
        f"{name} does not say the unit of clearance" for name in ("m.csv", "n.csv")
    ]


def test_keys_that_cannot_be_are_refused() -> None:
    with pytest.raises(PlanError, match="the design is not surveyed ground"):
        Plan.parse(plan_values(after={"date": date(2027, 1, 1)}))
    with pytest.raises(PlanError, match=r"measurements\.path"):
        Plan.parse(plan_values(measurements={"unit": "in"}))
    with pytest.raises(PlanError, match="did you mean 'date_order'"):
        Plan.parse(plan_values(measurements={"path": "m.csv", "dateorder": "mdy"}))


def test_a_file_that_is_not_there_or_a_column_that_is_not_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"measurements\.path"):
        compute(tiny_plan(tmp_path, measurements={"path": "gone.csv"}), today=TODAY)
    with pytest.raises(InputError, match=r"hydrants\.measured_on = 'day'"):
        compute(tiny_plan(tmp_path, hydrants={"measured_on": "day"}), today=TODAY)


def test_a_quotation_mark_that_is_not_closed_swallows_no_rows_in_silence(tmp_path: Path) -> None:
    path = tmp_path / "form.csv"
    path.write_text(
        'hydrant_id,date,clearance,drain_ok,note\n,,in,,\nH-1,2027-01-05,3,,"ok\nH-2,2027-01-05,4,no,x\n',
        encoding="utf-8",
    )
    with pytest.raises(InputError, match="quotation mark of line 3 is not closed"):
        compute(tiny_plan(tmp_path, measurements={"path": "form.csv"}))
    path.write_text(
        'hydrant_id,date,clearance,note\n,,in,\nH-1,2027-01-05,3,"two\nlines, as spreadsheets write"\n',
        encoding="utf-8",
    )
    assert compute(tiny_plan(tmp_path, measurements={"path": "form.csv"})).hydrants["clearance_before_in"][0] == 3


def test_nothing_taken_out_makes_no_work_of_a_measurement(tmp_path: Path) -> None:
    (tmp_path / "form.csv").write_text(
        "hydrant_id,date,clearance,length_taken_out\n,,in,in\nH-1,2027-01-05,3,0\n", encoding="utf-8"
    )
    result = compute(tiny_plan(tmp_path, measurements={"path": "form.csv"}), today=date(2027, 2, 1))
    assert result.hydrants["clearance_before_in"][0] == 3
