"""report.html of plans of every kind: hostile texts, reviews, units, roads, nothing to say."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from gradecheck import Plan, run
from gradecheck.pipeline import Result
from tests.cases import FT
from tests.conftest import Sample
from tests.edits import edit
from tests.projects import tiny_plan
from tests.report_pages import HOSTILE, KINDS, TODAY, Page, far, faults, hostile_plan, made, standing

pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")  # pictures have no place


# --- texts from outside -------------------------------------------------------------------------------------------


def test_hostile_texts_stay_text(tmp_path: Path) -> None:
    plan = hostile_plan(tmp_path)
    page = made(plan)
    assert faults(page) == []
    assert [e.tag for e in page.tree.iter("i", "u", "img", "s")] == []
    assert page.words("//h1") == plan.project.name
    ids = set(page.hydrants["id"])
    assert {text.strip() for text in HOSTILE} <= ids
    assert len(ids) == len(HOSTILE) + 1
    assert {text.strip() for text in HOSTILE} <= {s.strip() for s in page.hydrants["streets"]}
    assert sorted(page.data["jobs"]) == sorted(HOSTILE[:3])
    assert "a <img src=x onerror=alert(1)> & \"b\" 'c'.gpkg" in page.words('//section[@id="sources"]')
    shown = page.words('//section[@id="order"]')
    assert HOSTILE[0] in shown
    assert HOSTILE[1] in shown
    assert "<u>" in shown
    assert any(s["name"] in page.words("//figure/figcaption") for s in page.data["sections"])


def test_data_cannot_end_the_element_that_it_stands_in(tmp_path: Path) -> None:
    raw = re.search(
        r'<script type="application/json" id="data">(.*?)</script>', made(hostile_plan(tmp_path)).text, re.S
    )
    assert raw is not None
    assert not set("<>&\u2028\u2029") & set(raw[1])
    assert set(HOSTILE) - {"L" * 240} <= set(json.loads(raw[1])["hydrants"]["id"])


def test_a_reviewed_hydrant_shows_the_choice_of_the_review(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, hydrants={"extension_fitted": "0 in"})
    first = page_text(run(plan, today=TODAY), tmp_path)
    assert dict(zip(first.hydrants["id"], first.actions, strict=True)) == {
        "H-1": "extend",
        "H-2": "extend",
        "H-3": "keep",
    }
    edit(tmp_path / "out" / "gradecheck.gpkg", "H-1", action="keep", note=HOSTILE[1])
    edit(tmp_path / "out" / "gradecheck.gpkg", "H-2", length=12.0)
    page = page_text(run(plan, today=TODAY), tmp_path)
    h = page.hydrants
    assert dict(zip(h["id"], page.actions, strict=True)) == {"H-1": "keep", "H-2": "extend", "H-3": "keep"}
    assert dict(zip(h["id"], page.coded("choice", h["choices"]), strict=True))["H-2"] == "add 12 in"
    # 4.5 in above ground today, 6 in lower once the ground has risen, 12 in higher with the extension.
    assert page.by_id("final")["H-2"] == pytest.approx(10.5, abs=0.06)
    assert page.by_id("final")["H-1"] == pytest.approx(-2.0, abs=0.06)
    assert page.by_id("reviewed") == {"H-1": 1, "H-2": 1, "H-3": None}
    assert page.by_id("note")["H-1"] == HOSTILE[1]
    assert "2 of these were set in review" in page.words('//section[@id="answer"]')
    assert page.figures()["left as they are"][0] == "2"
    # What was computed is told as that, and no probability stands beside a choice that it is not of.
    reasons = dict(zip(h["id"], page.coded("reason", h["reasons"]), strict=True))
    assert reasons["H-2"].startswith("Set in review. Computed: ")
    assert not reasons["H-3"].startswith("Set")
    sure = page.by_id("sure")
    assert (sure["H-1"], sure["H-2"]) == (None, None)
    assert sure["H-3"] is not None
    ((_, found),) = page.tables("sure")
    counts = {r["Action"].text_content().strip(): r["Hydrants"].text for r in found}
    assert counts == {"keep": "1", "set in review": "2"}
    assert "the flange then ends 10.5 in above ground, 4.5 in above the window" in page.words('//section[@id="answer"]')
    assert faults(page) == []


def page_text(result: Result, folder: Path) -> Page:
    return Page((folder / "out" / "report.html").read_text(encoding="utf-8"))


# --- plans of every kind ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_a_plan_of_any_kind_makes_a_page(kind: str, tmp_path: Path) -> None:
    page = made(KINDS[kind](tmp_path))
    assert faults(page) == []
    assert len(page.hydrants["id"]) == sum(len(s["rows"]) for s in page.data["sections"]) + (
        0 if page.data["sections"] else len(page.hydrants["id"])
    )
    for name in ("x", "y", "action", "job", "street", "reason", "choice", "source"):
        assert len(page.hydrants[name]) == len(page.hydrants["id"]), name
    assert not re.search(r"\bNone\b|\bnan\b|\{\{|\{%", re.sub(r"(?s)<(script|style)\b.*?</\1>", "", page.text))


@pytest.mark.parametrize("name", ["bramble", "quince", "yarrow"])
def test_roads_and_faces_make_a_page(name: str, sample: Sample) -> None:
    page = made(Plan.load(sample.folder / f"{name}.toml"))
    assert faults(page) == []
    assert len(page.data["sections"]) == 1


@pytest.mark.parametrize(("unit", "factor", "half"), [("mm", 1.0, 0.5), ("cm", 10.0, 0.05), ("m", 1000.0, 0.0005)])
def test_metric_pages_have_the_same_heights_in_their_unit(
    unit: str, factor: float, half: float, tmp_path: Path
) -> None:
    page = made(tiny_plan(tmp_path, output={"unit": unit}))
    # flanges of 4, 4.5 and 10.25 in; the ground rises half a foot
    wanted = {"H-1": 4.0, "H-2": 4.5, "H-3": 10.25}
    for hydrant, now in page.by_id("now").items():
        assert now == pytest.approx(wanted[hydrant] * 25.4 / factor, abs=half + 1e-9)
        assert page.by_id("change")[hydrant] == pytest.approx(152.4 / factor, abs=half + 1e-9)
        assert page.by_id("after")[hydrant] == pytest.approx(100.5 * FT, abs=0.0051)
    assert [v * factor for v in page.data["window"]] == pytest.approx([50.8, 101.6, 152.4], abs=0.1)
    assert (page.data["elevation_unit"], page.data["imperial"]) == ("m", False)
    assert page.data["to_elevation"] * 1000 == pytest.approx(factor)
    assert "rises 150 mm to 300 mm" in page.words('//section[@id="map"]')


def test_one_hydrant_is_spoken_of_in_the_singular(tmp_path: Path) -> None:
    headline = made(tiny_plan(tmp_path, standing([(50, 50)]))).words('//p[@class="headline"]')
    assert "1 hydrants" not in headline


def test_where_no_job_reaches_a_hydrant_that_is_the_headline(tmp_path: Path) -> None:
    page = made(tiny_plan(tmp_path, paving=far(tmp_path)))
    assert page.words('//p[@class="headline"]') == "No job reaches any hydrant: nothing is said of any of them."
    assert page.words('//section[@id="order"]/p') == "Nothing to order."
