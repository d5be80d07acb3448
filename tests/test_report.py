"""report.html as a document, and its numbers against the other outputs and SciPy."""

from __future__ import annotations

import base64
import csv
import hashlib
import json
import re
from collections import Counter
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
from scipy import stats

from gradecheck import run
from gradecheck.outputs.summary import summary_of
from gradecheck.report.page import report
from gradecheck.surroundings import surroundings
from tests.cases import Site, assessed, exact_plan
from tests.conftest import Sample
from tests.projects import tiny_plan
from tests.report_pages import TODAY, Page, addresses, faults, made, many, page_of, policy_line
from tests.report_pages import layer as layer  # a fixture
from tests.report_pages import page as page  # a fixture
from tests.test_order import SIX, catalog

pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")  # pictures have no place


# --- the page as a document ---------------------------------------------------------------------------------------


def test_the_page_is_a_document_without_faults(page: Page) -> None:
    assert page.text.startswith("<!doctype html>\n")
    assert faults(page) == []
    assert page.tree.get("lang") == "en"
    assert page.tree.xpath("//meta/@charset") == ["utf-8"]
    assert page.tree.xpath("//title")[0].text.startswith("Quillhaven paving 2027")


def test_headings_go_down_one_step_at_a_time(page: Page) -> None:
    levels = [int(e.tag[1]) for e in page.tree.iter("h1", "h2", "h3", "h4", "h5", "h6")]
    assert levels[0] == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))


def test_every_part_has_a_link_and_a_heading(page: Page) -> None:
    links = {a.get("href")[1:]: a.text for a in page.tree.xpath("//nav//a")}
    parts = {s.get("id"): s.xpath("h2")[0].text for s in page.tree.xpath("//main/section")}
    assert list(links.items()) == list(parts.items())
    assert len(links) > 4


def test_the_policy_lets_nothing_in_but_the_pages_own_script_and_style(page: Page) -> None:
    def digest(text: str) -> str:
        return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"

    # taken out of the text by hand: a browser hashes what stands between the tags, to the letter
    style = re.findall(r"<style>(.*?)</style>", page.text, re.S)
    script = re.findall(r"<script>(.*?)</script>", page.text, re.S)
    assert (len(style), len(script)) == (1, 1)
    rules = policy_line(page)
    assert rules.pop("default-src") == "'none'"
    assert rules.pop("script-src") == digest(script[0])
    assert rules.pop("style-src") == digest(style[0])
    assert rules.pop("img-src") == "data:"
    assert set(rules.values()) == {"'none'"}
    assert "unsafe" not in page.text.split("</head>")[0].split("<style>")[0]


def test_the_page_names_no_address(page: Page) -> None:
    assert addresses(page.text) == []
    style = page.tree.xpath("//style")[0].text
    assert "url(" not in style
    assert "@import" not in style


def test_two_reports_of_one_assessment_are_the_same_bytes(sample: Sample, page: Page) -> None:
    assert page_of(sample.result).text == page_of(sample.result).text == page.text


def test_two_runs_make_the_same_report(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    run(plan, today=TODAY)
    first = (tmp_path / "out" / "report.html").read_bytes()
    run(plan, today=TODAY)
    assert (tmp_path / "out" / "report.html").read_bytes() == first


def test_two_thousand_hydrants_take_less_than_three_megabytes_without_the_picture(tmp_path: Path) -> None:
    def after(x: Any, y: Any) -> Any:
        return 100 + 0.031 * x - 0.012 * y

    page = made(tiny_plan(tmp_path, many(2000), after=after, hydrants={"street": "street"}))
    assert len(page.hydrants["id"]) == 2000
    assert len(set(page.hydrants["reasons"])) > 800  # what takes room is there
    assert len(page.text.encode()) - len(page.data["picture"]["url"]) < 3_000_000


# --- the same numbers as everywhere else --------------------------------------------------------------------------

ENGINEER = ("too_high", "between_lengths", "relocate", "no_elevation")
NUMBERS = {
    "change": ("grade_change_in", 0.05), "change_sd": ("grade_change_sd_in", 0.05),
    "before": ("grade_before_ft", 0.005), "after": ("grade_after_ft", 0.005), "now": ("clearance_before_in", 0.05),
    "undone": ("clearance_after_in", 0.05), "undone_sd": ("clearance_after_sd_in", 0.05),
    "final": ("clearance_final_in", 0.05), "sure": ("confidence", 0.0005),
}  # fmt: skip


def test_the_page_has_every_hydrant_of_the_layer_once_those_of_jobs_first(page: Page, layer: Mapping[str, Any]) -> None:
    ids = page.hydrants["id"]
    assert sorted(ids) == sorted(layer)
    jobs = [layer[i]["job"] for i in ids]
    assert jobs == sorted(jobs, key=lambda j: j is None)
    names = [None if k < 0 else page.data["jobs"][k] for k in page.hydrants["job"]]
    assert names == jobs


def test_words_of_a_hydrant_are_those_of_the_layer(page: Page, layer: Mapping[str, Any]) -> None:
    h = page.hydrants
    wanted = [layer[i] for i in h["id"]]
    assert page.actions == [r["action"] for r in wanted]
    assert page.coded("street", h["streets"]) == [r["street"] or "" for r in wanted]
    assert page.coded("reason", h["reasons"]) == [r["reason"] for r in wanted]
    assert page.coded("source", h["sources"]) == [r["after_source"] or "" for r in wanted]
    assert page.column("basis") == [r["clearance_basis"] for r in wanted]
    assert [bool(f) for f in page.column("firm")] == [bool(r["firm"]) for r in wanted]
    codes = [";".join(page.data["cautions"][k][0] for k in c or []) for c in page.column("cautions")]
    assert codes == [r["cautions"] or "" for r in wanted]


@pytest.mark.parametrize("name", NUMBERS)
def test_numbers_of_a_hydrant_are_those_of_the_layer_within_rounding(
    name: str, page: Page, layer: Mapping[str, Any]
) -> None:
    column, half = NUMBERS[name]
    compared = 0
    for hydrant, value in page.by_id(name).items():
        wanted = layer[hydrant][column]
        chosen = name != "final" or layer[hydrant]["action"] not in ENGINEER
        if wanted is None or not chosen:  # an engineer's rows have no choice, and so no end of the work
            assert value is None, hydrant
            continue
        assert value == pytest.approx(wanted, abs=half + 1e-6), hydrant
        compared += 1
    assert compared > 30


def test_a_choice_says_what_the_layer_says_in_columns(page: Page, layer: Mapping[str, Any]) -> None:
    h = page.hydrants
    said = dict(zip(h["id"], page.coded("choice", h["choices"]), strict=True))
    compared = 0
    for hydrant, row in layer.items():
        if row["action"] not in ("extend", "shorten"):
            continue
        new, out = row["extension_in"], row["extension_out_in"]
        words = (
            f"exchange {out:g} in for {new:g} in"
            if new and out
            else f"add {new:g} in"
            if new
            else f"take out {out:g} in"
        )
        assert said[hydrant] == words
        compared += 1
    assert compared == 22


def test_hydrants_stand_where_the_layer_has_them(page: Page, sample: Sample) -> None:
    table = pyogrio.read_dataframe(sample.package, layer="hydrants").set_index("hydrant_id").geometry
    place = table.loc[page.hydrants["id"]]
    assert np.allclose(page.hydrants["x"], place.x, atol=0.0051)
    assert np.allclose(page.hydrants["y"], place.y, atol=0.0051)


def manifest_of(out: Path) -> dict[str, Any]:
    return json.loads((out / "run.json").read_text(encoding="utf-8"))


def test_the_answers_figures_are_those_of_the_manifest(page: Page, sample: Sample) -> None:
    told = manifest_of(sample.out)
    n, f = Counter(told["actions"]), page.figures()
    values = [value for value, _ in f.values()]
    assert values[0] == str(n["extend"] + n["shorten"])
    assert values[1] == str(n["measure"] + n["on_site"])
    assert values[2] == str(n["too_high"] + n["between_lengths"] + n["relocate"] + n["no_elevation"])
    assert values[3] == str(n["keep"])
    assert values[4] == f"{told['cost']:,.0f} {told['currency']}"
    numbers = {int(v) for v in re.findall(r"\d+", page.words('//p[@class="headline"]'))}
    assert {sum(n.values()) - n["outside"], int(values[0]), int(values[1]), int(values[2])} <= numbers
    assert f"{told['counts']['rejected']} rows" in page.words('//section[@id="answer"]')
    for text in (*told["assumed"], *told["warnings"]):
        assert text in page.words('//section[@id="answer"]')


def test_counts_of_actions_cautions_and_files_are_those_of_the_manifest(page: Page, sample: Sample) -> None:
    told = manifest_of(sample.out)
    chips = {c.get("data-action"): int(c.xpath("b")[0].text) for c in page.tree.xpath('//button[@class="chip"]')}
    assert chips == {k: v for k, v in told["actions"].items() if v}
    ((_, sure),) = page.tables("sure")
    assert sorted(int(r["Hydrants"].text) for r in sure) == sorted(v for v in told["actions"].values() if v)
    assert sum(int(r["Firm"].text) for r in sure) == told["counts"]["firm"]
    ((_, cautions),) = page.tables("cautions")
    assert {r["Code"].text_content(): int(r["Hydrants"].text) for r in cautions} == {
        k: v for k, v in told["cautions"].items() if v
    }
    ((_, files),) = page.tables("sources")
    digests = [r["SHA-256, its start"].text_content() for r in files]
    assert all(f["sha256"].startswith(d) and len(d) >= 8 for f, d in zip(told["inputs"], digests, strict=True))
    assert [r["File"].text for r in files] == [f["path"] for f in told["inputs"]]


def test_expected_wrong_decisions_are_what_is_lacking_to_one(page: Page, layer: Mapping[str, Any]) -> None:
    ((_, sure),) = page.tables("sure")
    labels = {mark["label"]: name for name, mark in page.data["actions"]}
    compared = 0
    for row in sure:
        if not (shown := row["Wrong"].text):
            continue
        action = labels[row["Action"].text_content().strip()]
        lacking = [1 - r["confidence"] for r in layer.values() if r["action"] == action and r["confidence"] is not None]
        assert float(shown) == pytest.approx(sum(lacking), abs=0.0051)
        compared += 1
    assert compared >= 3


def test_those_that_an_engineer_has_to_agree_to_are_named_with_why(page: Page, layer: Mapping[str, Any]) -> None:
    codes = {"fill_over_review", "cut_over_review", "cover_below_min"}
    had = {i: codes & set((r["cautions"] or "").split(";")) for i, r in layer.items() if r["action"] != "outside"}
    wanted = {i: found for i, found in had.items() if found}
    assert 1 < len(wanted) <= 8
    (text,) = [li.text for li in page.tree.xpath('//section[@id="answer"]//li') if "has to agree" in (li.text or "")]
    told, named = re.fullmatch(r"An engineer has to agree \((.*)\): (.*)\.", text).groups()
    assert set(told.split(", ")) == set.union(*wanted.values())
    assert set(named.split(", ")) == set(wanted)


def test_the_orders_figures_are_those_of_the_csv(page: Page, sample: Sample) -> None:
    with (sample.out / "order.csv").open(encoding="utf-8-sig", newline="") as file:
        wanted = list(csv.DictReader(file))
    shown = [(caption, row) for caption, rows in page.tables("order") for row in rows]
    assert len(shown) == len(wanted) > 10
    by_part = {(w["job"], w["part_number"]): w for w in wanted}
    for caption, cells in shown:
        text = {k: v.text_content().strip() for k, v in cells.items()}
        line = by_part.pop((caption.split(" ")[0], text["Number"]))
        assert text["Family"] == line["family"]
        assert int(text["Firm"]) == int(line["quantity_firm"])
        assert float(text["Expected"]) == pytest.approx(float(line["quantity_expected"]), abs=0.0501)
        assert (text["To have"], text["On hand"], text["To buy"]) == tuple(
            line[k] for k in ("quantity_order", "on_hand", "quantity_buy")
        )
        assert float(text["Cost"].replace(",", "")) == pytest.approx(float(line["cost"]))
        low, _, high = text["Range"].partition(" to ")
        assert int(line["quantity_firm"]) <= int(low) <= int(high or low)
        assert float(text["Short"]) <= 0.1
    assert by_part == {}


def test_captions_of_the_order_total_each_job(page: Page, sample: Sample) -> None:
    with (sample.out / "order.csv").open(encoding="utf-8-sig", newline="") as file:
        wanted = list(csv.DictReader(file))
    for caption, _ in page.tables("order"):
        mine = [w for w in wanted if caption.startswith(w["job"])]
        assert f"{sum(float(w['cost']) for w in mine):,.2f} USD" in caption
        assert min(w["order_by"] for w in mine if int(w["quantity_buy"])) in caption


# --- how many may be needed, by SciPy -----------------------------------------------------------------------------


def alike(count: int, after: float, sd: float) -> Page:
    """So many hydrants whose flange ends `after` inches above ground with that sd; 6 in is all that is sold."""
    plan = exact_plan(hydrants__clearance={"column": "c", "unit": "in", "sd": f"{sd} in"})
    a = assessed([Site(measured=after)] * count, plan, catalog=catalog(SIX))
    return Page(report(a, surroundings(a.inputs), summary_of(a), []))


def test_ranges_and_chances_of_running_short_are_the_binomials() -> None:
    n, after, sd = 40, 0.6, 1.4
    # The window 2 to 6 in, dressing 1: 6 in are right where the flange ends from 5 in below ground to 1 in above.
    need = stats.binom(n, stats.norm.cdf((1 - after) / sd) - stats.norm.cdf((-5 - after) / sd))
    ((_, (row,)),) = alike(n, after, sd).tables("order")
    have = int(row["To have"].text_content())
    assert row["Range"].text == f"{need.ppf(0.1):.0f} to {need.ppf(0.9):.0f}"
    assert have == need.ppf(0.9)
    assert float(row["Short"].text) == pytest.approx(need.sf(have), abs=0.0051)
    assert float(row["Expected"].text) == pytest.approx(need.mean(), abs=0.051)


def test_columns_of_chances_are_as_high_as_the_binomial_and_full_up_to_what_is_to_have() -> None:
    n, after, sd = 40, 0.6, 1.4
    need = stats.binom(n, stats.norm.cdf((1 - after) / sd) - stats.norm.cdf((-5 - after) / sd))
    ((_, (row,)),) = alike(n, after, sd).tables("order")
    bars = row["Chances"].xpath(".//rect")
    heights = np.array([float(b.get("height")) for b in bars])
    feet = [float(b.get("y")) + float(b.get("height")) for b in bars]
    assert feet == pytest.approx([100] * len(bars), abs=0.011)
    first = int(need.ppf(0.005))
    chance = need.pmf(np.arange(first, first + len(bars)))
    assert heights == pytest.approx(100 * chance / chance.max(), abs=0.011)
    assert first + len(bars) - 1 == need.ppf(0.995)
    full = [b.get("class") != "lacking" for b in bars]
    have = int(row["To have"].text_content())
    assert full == [k <= have for k in range(first, first + len(bars))]
    assert [float(b.get("x")) for b in bars] == sorted(float(b.get("x")) for b in bars)


def test_a_need_that_is_certain_has_no_chart() -> None:
    ((_, (row,)),) = alike(3, -2.0, 0.01).tables("order")
    assert row["Range"].text == "3"
    assert not row["Chances"].xpath(".//svg")
