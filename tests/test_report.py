"""report.html judged from outside: parsed as HTML, its numbers against the other outputs, grounds and SciPy."""

from __future__ import annotations

import base64
import csv
import hashlib
import json
import re
import sqlite3
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import pytest
import rasterio
import shapely
from lxml import html as lxml_html
from rasterio.io import MemoryFile
from scipy import ndimage, stats

from gradecheck import Plan, compute, run
from gradecheck.outputs import manifest
from gradecheck.outputs.layer import _add_functions
from gradecheck.outputs.summary import summary_of
from gradecheck.pipeline import Result
from gradecheck.report.page import report
from tests.cases import FT, Site, assessed, exact_plan
from tests.conftest import Sample
from tests.projects import CRS, EAST, NORTH, hydrants, plan_values, three, tiny_plan, write_grounds
from tests.test_order import SIX, catalog

pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")  # pictures have no place

TODAY = date(2027, 2, 1)
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
HOSTILE = [
    "<script>alert(1)</script>", "</script><img src=x onerror=alert(1)>", "=cmd|' /C calc'!A0", "\"quoted\" & 'so'",
    "<!-- <script>", "]]></style><b>", "🚒🔥", "مأخذ ١٢", "\u202eright to left", "line\u2028sep\u2029par", "{{ 7*7 }}",
    "&amp;&lt;", "L" * 300, "${alert(1)}", "a\\b\\u003c", "javascript:alert(1)",
]  # fmt: skip


# --- reading a page back ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Page:
    """A report as others see it: the text, the tree that lxml makes of it, the data in it."""

    text: str

    @cached_property
    def tree(self) -> Any:
        return lxml_html.document_fromstring(self.text)

    @cached_property
    def data(self) -> dict[str, Any]:
        return json.loads(self.tree.get_element_by_id("data").text)

    @property
    def hydrants(self) -> dict[str, Any]:
        return self.data["hydrants"]

    def column(self, name: str) -> list[Any]:
        """A column as long as there are hydrants: blanks at its end are left out in the page."""
        found = self.hydrants[name]
        return [*found, *[None] * (len(self.hydrants["id"]) - len(found))]

    def coded(self, name: str, table: Sequence[str]) -> list[str]:
        return [table[k] for k in self.hydrants[name]]

    def by_id(self, name: str) -> dict[str, Any]:
        return dict(zip(self.hydrants["id"], self.column(name), strict=True))

    @property
    def actions(self) -> list[str]:
        return [self.data["actions"][k][0] for k in self.hydrants["action"]]

    def words(self, path: str) -> str:
        """The text of what an XPath finds first, blanks run together."""
        return " ".join(self.tree.xpath(path)[0].text_content().split())

    def figures(self) -> dict[str, tuple[str, str]]:
        """The large figures of the answer: name to value and remark."""
        found = {}
        for box in self.tree.xpath('//section[@id="answer"]//dl[@class="figures"]/div'):
            more = box.xpath("dd/span")
            found[box.xpath("dt")[0].text] = (box.xpath("dd/strong")[0].text, more[0].text if more else "")
        return found

    def tables(self, part: str) -> list[tuple[str, list[dict[str, Any]]]]:
        """Captions and rows, by heading, of the tables of a part; cells as elements."""
        found = []
        for table in self.tree.xpath(f'//section[@id="{part}"]//table'):
            heads = [th.text_content().strip() for th in table.xpath("thead/tr/th")]
            rows = [dict(zip(heads, tr.xpath("th|td"), strict=True)) for tr in table.xpath("tbody/tr")]
            caption = table.xpath("caption")
            found.append((caption[0].text_content() if caption else "", rows))
        return found


def page_of(result: Result) -> Page:
    a = result.assessment
    return Page(report(a, result.summary, manifest.input_files(a.inputs)))


def made(plan: Plan) -> Page:
    return page_of(compute(plan, today=TODAY))


@pytest.fixture(scope="module")
def page(sample: Sample) -> Page:
    return Page((sample.out / "report.html").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def layer(sample: Sample) -> dict[str, dict[str, Any]]:
    """The layer `hydrants` read back with pyogrio, by id, None where it is null."""
    table = pyogrio.read_dataframe(sample.package, layer="hydrants")
    frame = table.astype(object).where(table.notna(), None)
    return {r["hydrant_id"]: r for r in frame.to_dict("records")}


class Nesting(HTMLParser):
    """Every element closed in its order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.faults: list[str] = []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: Any) -> None: ...

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"{tag} at {self.getpos()}")


def faults(page: Page) -> list[str]:
    """What is wrong with a page as a document: nesting, ids, links that lead nowhere, markup from outside."""
    nesting = Nesting()
    nesting.feed(page.text)
    nesting.close()
    ids = page.tree.xpath("//@id")
    told = [*nesting.faults, *nesting.open, *(f"id {i} twice" for i, n in Counter(ids).items() if n > 1)]
    named = [
        w for a in ("aria-labelledby", "aria-describedby", "for") for v in page.tree.xpath(f"//@{a}") for w in v.split()
    ]
    links = page.tree.xpath("//@href")
    told += [f"no {name}" for name in [*named, *(link[1:] for link in links)] if name not in ids]
    told += [f"link {link}" for link in links if not link.startswith("#")]
    told += [f"handler {a}" for a in page.tree.xpath("//@*[starts-with(name(), 'on')]")]
    told += [f"style {a}" for a in page.tree.xpath("//@style")]  # the policy would not let them work
    kinds = Counter(e.tag for e in page.tree.iter() if isinstance(e.tag, str))
    wanted = {
        "script": 2,
        "style": 1,
        "h1": 1,
        "main": 1,
        "img": 0,
        "iframe": 0,
        "link": 0,
        "object": 0,
        "base": 0,
        "b": None,
    }
    told += [f"{kinds[k]} {k}" for k, n in wanted.items() if n is not None and kinds[k] != n]
    return told


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


def policy_line(page: Page) -> dict[str, str]:
    line = page.tree.xpath('//meta[@http-equiv="Content-Security-Policy"]/@content')[0]
    return {k: v for k, _, v in (part.strip().partition(" ") for part in line.split(";"))}


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


def addresses(text: str) -> list[str]:
    """http addresses, but for those of licences, remarks and namespaces."""
    bare = re.sub(r"/\*!.*?\*/", "", text, flags=re.S)
    bare = re.sub(r"^// .*$", "", bare, flags=re.M)
    return [a for a in re.findall(r"https?://[^\s\"'`<>)]+", bare) if not a.startswith("http://www.w3.org/")]


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


def many(count: int) -> gpd.GeoDataFrame:
    """Hydrants all over the square, no two alike, on forty streets."""
    rng = np.random.default_rng(20270201)
    places = rng.uniform(0, 100, (count, 2)).round(2)
    columns = {
        "asset_id": [f"HYD-{k:06d}" for k in range(count)],
        "flange_in": np.where(rng.random(count) < 0.7, rng.normal(4, 1.5, count).round(2), np.nan),
        "street": [f"Street of the {k % 40}th regiment" for k in range(count)],
    }
    return hydrants(columns, [tuple(p) for p in places])


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
    return Page(report(a, summary_of(a), []))


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


# --- long sections ------------------------------------------------------------------------------------------------


def places(page: Page, section: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """x and y of a section's hydrants on the map, in its order."""
    return np.array(page.hydrants["x"])[section["rows"]], np.array(page.hydrants["y"])[section["rows"]]


def test_every_hydrant_of_a_job_is_on_one_section_or_named_as_not_drawn(page: Page, layer: Mapping[str, Any]) -> None:
    sections = page.data["sections"]
    drawn = [row for s in sections for row in s["rows"]]
    assert len(set(drawn)) == len(drawn)
    note = page.words('//section[@id="sections"]//p[@class="note"]')
    left_out = sum(int(n) for n in re.findall(r", (\d+)\)", note))
    reached = [i for i, r in layer.items() if r["job"] is not None]
    assert len(drawn) + left_out == len(reached)
    ids = page.hydrants["id"]
    missing = set(reached) - {ids[row] for row in drawn}
    assert all(layer[i]["street"] in note for i in missing)
    for s in sections:
        assert {layer[ids[row]]["street"] for row in s["rows"]} == {s["name"]}
        assert s["at"] == sorted(s["at"])
        assert 0 <= s["at"][0] <= s["at"][-1] <= s["length"]
        assert (len(s["before"]), len(s["rows"])) == (len(s["after"]), len(s["at"]))


def test_captions_name_the_sections_in_the_order_of_the_data(page: Page) -> None:
    captions = [" ".join(c.text_content().split()) for c in page.tree.xpath("//figure/figcaption")]
    assert len(captions) == len(page.data["sections"]) > 2
    for caption, s in zip(captions, page.data["sections"], strict=True):
        assert all(s[k] in caption for k in ("name", "job", "how"))


class Tile:
    """A raster asked by SciPy: bilinear between the middles of cells, nothing where one of the four is missing."""

    def __init__(self, *paths: Path) -> None:
        parts = []
        for path in paths:
            with rasterio.open(path) as file:
                parts.append((file.transform, file.read(1, masked=True).filled(np.nan).astype(float)))
        self.transform = parts[0][0]
        self.z = np.hstack([z for _, z in parts])  # the sample's tiles stand side by side

    def at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        column, row = ~self.transform @ (x, y)
        return ndimage.map_coordinates(self.z, [row - 0.5, column - 0.5], order=1, cval=np.nan)


def straight(x: np.ndarray, y: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Points along the line of least squared distances, from 10 m before the first to 10 m past the last."""
    middle = np.array([x.mean(), y.mean()])
    values, ways = np.linalg.eigh(np.cov(x, y))
    way = ways[:, values.argmax()]
    along = np.stack([x - middle[0], y - middle[1]], axis=1) @ way
    if along[0] > along[-1]:
        way, along = -way, -along
    t = np.linspace(along[0] - 10, along[-1] + 10, count)
    return middle[0] + t * way[0], middle[1] + t * way[1], float(t[-1] - t[0])


def test_ground_along_the_samples_sections_is_what_scipy_reads_from_the_rasters(page: Page, sample: Sample) -> None:
    old = Tile(sample.folder / "existing" / "west.tif", sample.folder / "existing" / "east.tif")
    new = Tile(sample.folder / "design.tif")
    for s in page.data["sections"]:
        assert s["how"] == "along a straight line through its hydrants"
        x, y, length = straight(*places(page, s), len(s["before"]))
        assert s["length"] == pytest.approx(length / FT, abs=0.02)
        before, after = np.array(s["before"], dtype=float), np.array(s["after"], dtype=float)
        assert before == pytest.approx(old.at(x, y), abs=0.02, nan_ok=True)
        designed = np.isfinite(new.at(x, y)) & np.isfinite(after)  # past the design the ground is unchanged, or unknown
        assert designed.sum() > 150
        assert after[designed] == pytest.approx(new.at(x, y)[designed], abs=0.02)


def paved(folder: Path, rows: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    """A paving plan of (job, shape) in metres of the square, and what a plan says of it."""
    moved = [shapely.transform(shape, lambda c: c + np.array([EAST, NORTH])) for _, shape in rows]
    gpd.GeoDataFrame({"job_id": [j for j, _ in rows]}, geometry=moved, crs=CRS).to_file(folder / "paving.gpkg")
    return {"path": "paving.gpkg", "job": "job_id", "reach": "30 m"}


def standing(places_: Sequence[tuple[float, float]], **columns: Sequence[Any]) -> gpd.GeoDataFrame:
    n = len(places_)
    given = {"asset_id": [f"H{k}" for k in range(n)], "flange_in": [4.0] * n} | columns
    return hydrants(given, list(places_))


def old_plane(x: Any, y: Any) -> Any:
    return 100 + 0.021 * x - 0.034 * y


def new_plane(x: Any, y: Any) -> Any:
    return 100.4 + 0.035 * x - 0.029 * y


def test_a_section_along_the_paving_plans_line_has_the_planes_heights_and_places_known_by_head(tmp_path: Path) -> None:
    # From (10, 20) 100 m on in the direction (0.6, 0.8), in feet; hydrants beside it, left and right, in no order.
    along, aside = (70.0, 5.0, 91.0, 33.0), (4.0, -3.0, -6.0, 8.0)
    layer = standing([(10 + 0.6 * t + 0.8 * o, 20 + 0.8 * t - 0.6 * o) for t, o in zip(along, aside, strict=True)])
    paving = paved(tmp_path, [("Q", shapely.LineString([(10, 20), (70, 100)]))])
    (s,) = made(tiny_plan(tmp_path, layer, old_plane, new_plane, paving=paving)).data["sections"]
    assert s["how"] == "along the line of the paving plan"
    assert s["length"] == pytest.approx(100 / FT, abs=0.006)
    assert s["at"] == pytest.approx([5 / FT, 33 / FT, 70 / FT, 91 / FT], abs=0.06)
    t = np.linspace(0, 100, len(s["before"]))
    assert s["before"] == pytest.approx(old_plane(10 + 0.6 * t, 20 + 0.8 * t), abs=0.006)
    assert s["after"] == pytest.approx(new_plane(10 + 0.6 * t, 20 + 0.8 * t), abs=0.006)


def ring(count: int, radius: float) -> list[tuple[float, float]]:
    """Places on most of a circle, which no straight line follows."""
    turn = np.linspace(0.3, 5.4, count)
    return [(50 + radius * float(np.cos(t)), 50 + radius * float(np.sin(t))) for t in turn]


def test_hydrants_on_no_line_are_joined_from_one_to_the_next(tmp_path: Path) -> None:
    page = made(tiny_plan(tmp_path, standing(ring(12, 48.0)), old_plane, new_plane))
    (s,) = page.data["sections"]
    assert s["how"] == "from hydrant to hydrant"
    x, y = places(page, s)
    steps = np.hypot(np.diff(x), np.diff(y)) / FT
    assert np.diff(s["at"]) == pytest.approx(steps, abs=0.16)
    assert s["length"] == pytest.approx(steps.sum(), abs=0.2)


def test_too_many_hydrants_on_no_line_are_named_as_not_drawn(tmp_path: Path) -> None:
    page = made(tiny_plan(tmp_path, standing(ring(61, 48.0)), old_plane, new_plane))
    assert page.data["sections"] == []
    assert "Street not stated (all, 61)" in page.words('//section[@id="sections"]//p[@class="note"]')


def test_a_road_of_a_design_file_is_a_section_with_the_stations_that_sources_name(sample: Sample) -> None:
    page = made(Plan.load(sample.folder / "yarrow.toml"))
    (s,) = page.data["sections"]
    assert (s["name"], s["how"]) == ("Yarrow Street", "along the road's line")
    sources = page.coded("source", page.hydrants["sources"])
    compared = 0
    for row, at in zip(s["rows"], s["at"], strict=True):
        if station := re.match(r"Yarrow Street (\d+)\+(\d+\.\d)", sources[row]):
            metres = int(station[1]) * 1000 + float(station[2])
            assert s["first"] + at == pytest.approx(metres / FT, abs=0.25)
            compared += 1
    assert compared > 5


# --- the picture --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Seen:
    """The picture as decoded: rgba (h, w, 4), middles of its cells on the map, what the key says of its colours."""

    rgba: np.ndarray
    x: np.ndarray
    y: np.ndarray
    key: dict[tuple[int, int, int], str]

    @property
    def painted(self) -> np.ndarray:
        return self.rgba[..., 3] == 255

    def words(self) -> np.ndarray:
        """What the key says of each cell; empty where it is clear."""
        found = np.full(self.painted.shape, "", dtype=object)
        for colour, words in self.key.items():
            found[self.painted & (self.rgba[..., :3] == colour).all(axis=2)] = words
        return found


def seen(page: Page) -> Seen:
    content = base64.b64decode(page.data["picture"]["url"].removeprefix("data:image/png;base64,"))
    with MemoryFile(content) as memory, memory.open() as file:
        table, classes = file.colormap(1), file.read(1)
    rgba = np.array([table.get(k, (0, 0, 0, 0)) for k in range(256)], dtype=np.uint8)[classes]
    west, south, east, north = page.data["picture"]["box"]
    height, width = classes.shape
    x = west + (np.arange(width) + 0.5) * (east - west) / width
    y = north - (np.arange(height) + 0.5) * (north - south) / height
    key = {}
    for swatch in page.tree.xpath('//section[@id="map"]//span[@class="swatch"][svg/rect]'):
        colour = swatch.xpath(".//rect")[0].get("fill")
        key[tuple(bytes.fromhex(colour[1:]))] = " ".join(swatch.text_content().split())
    return Seen(rgba, *np.meshgrid(x, y), key)


def expected_words(change: np.ndarray) -> np.ndarray:
    """What the key must say of changes in inches, dressing 1 in."""
    size = np.abs(change)
    sizes = np.select(
        [size <= 1, size <= 6, size <= 12, size <= 24],
        ["", "1 in to 6 in", "6 in to 12 in", "12 in to 24 in"],
        "over 24 in",
    )
    way = np.where(change > 0, "rises ", "falls ")
    return np.where(size <= 1, "no more than the dressing of 1 in", np.char.add(way, sizes.astype(str)))


def tilted(x: Any, y: Any) -> Any:
    """Inches of change: a plane that is its own mirror image in no way; both signs, every class."""
    return 0.41 * (x - 44) + 0.13 * (y - 61)


def tilted_plan(folder: Path, **sections: Any) -> Plan:
    return tiny_plan(folder, None, old_plane, lambda x, y: old_plane(x, y) + tilted(x, y) / 12, **sections)


def judged(picture: Seen, change: np.ndarray, where: np.ndarray) -> int:
    """Every cell in `where` is as the change says, falls with gaps; how many different words that took."""
    words, wanted = picture.words(), expected_words(change)
    clear = np.min([np.abs(np.abs(change) - bound) for bound in (1, 6, 12, 24)], axis=0) > 0.01
    falls = np.char.startswith(wanted.astype(str), "falls")
    held = where & clear
    assert (words == wanted)[held & ~falls].all()
    assert ((words == wanted) | (words == ""))[held & falls].all()
    gaps = (words == "")[held & falls].mean()
    assert 0.3 < gaps < 0.37
    return len(set(words[held]) - {""})


def test_the_picture_has_the_class_of_the_planes_change_in_every_cell_the_right_way_round(tmp_path: Path) -> None:
    picture = seen(made(tilted_plan(tmp_path)))
    x, y = picture.x - EAST, picture.y - NORTH
    inside = (x > -37.4) & (x < 137.4) & (y > -37.4) & (y < 137.4)  # middles of the raster's outermost cells
    assert inside.mean() > 0.8
    assert judged(picture, tilted(x, y), inside) == 9
    outside = (x < -37.6) | (x > 137.6) | (y < -37.6) | (y > 137.6)
    assert not picture.painted[outside].any()


def test_falls_are_stippled_both_ways_so_that_grey_print_tells_them(tmp_path: Path) -> None:
    picture = seen(made(tilted_plan(tmp_path)))
    words = picture.words()
    falls = np.char.startswith(words.astype(str), "falls")
    solid = np.char.startswith(words.astype(str), "rises")
    for axis in (0, 1):  # no three painted cells of a fall in a row; rises are without gaps
        run_of = [np.roll(falls, k, axis=axis) for k in range(3)]
        assert not np.logical_and.reduce(run_of)[3:, 3:].any()
    assert ndimage.binary_fill_holes(solid).sum() == solid.sum()


def test_nothing_is_painted_beyond_the_reach_of_the_limits(tmp_path: Path) -> None:
    limits = shapely.Polygon([(12, 8), (80, 20), (61, 74), (20, 55)])
    paving = paved(tmp_path, [("Q", limits)]) | {"reach": "9 m"}
    picture = seen(made(tilted_plan(tmp_path, paving=paving)))
    x, y = picture.x - EAST, picture.y - NORTH
    away = shapely.distance(shapely.points(x, y), limits)
    assert not picture.painted[away > 9.01].any()
    assert judged(picture, tilted(x, y), away < 8.8) > 4
    west, south, east, north = limits.bounds
    step = picture.x[0, 1] - picture.x[0, 0]
    assert (picture.x[0, 0] - EAST, picture.y[0, 0] - NORTH) == pytest.approx(
        (west - 9 + step / 2, north + 9 - step / 2), abs=0.05
    )
    assert picture.x[0, -1] - EAST == pytest.approx(east + 9, abs=1.5 * step)
    assert picture.y[-1, 0] - NORTH == pytest.approx(south - 9, abs=1.5 * step)


TILES = {"basemap": "https://tiles.example.org/{z}/{x}/{y}.png", "basemap_credit": "Tiles & map <b>by</b> nobody"}


def test_under_a_basemap_picture_and_hydrants_lie_in_its_system_by_pyproj(tmp_path: Path) -> None:
    page = made(tilted_plan(tmp_path, output=TILES))
    to_web = pyproj.Transformer.from_crs(CRS, "EPSG:3857", always_xy=True)
    picture = seen(page)
    x, y = (
        v - o for v, o in zip(to_web.transform(picture.x, picture.y, direction="INVERSE"), (EAST, NORTH), strict=True)
    )
    inside = (x > -37.4) & (x < 137.4) & (y > -37.4) & (y < 137.4)
    assert judged(picture, tilted(x, y), inside) == 9
    wanted = [to_web.transform(g.x, g.y) for g in three().geometry]
    assert list(zip(page.hydrants["x"], page.hydrants["y"], strict=True)) == [
        pytest.approx(w, abs=0.006) for w in wanted
    ]
    factor = pyproj.Proj("EPSG:3857").get_factors(
        *pyproj.Transformer.from_crs(CRS, 4326, always_xy=True).transform(EAST, NORTH)
    )
    assert page.data["metre"] == pytest.approx(factor.meridional_scale, rel=0.01)


def test_a_basemap_opens_the_policy_for_its_host_alone_and_is_credited(tmp_path: Path) -> None:
    page = made(tiny_plan(tmp_path, output=TILES))
    assert policy_line(page)["img-src"] == "data: https://tiles.example.org"
    assert set(addresses(page.text.split("</head>")[1])) == {"https://tiles.example.org/{z}/{x}/{y}.png"}
    assert "Tiles & map <b>by</b> nobody" in page.words('//section[@id="map"]')
    assert "tiles.example.org" in page.words("//footer")
    assert faults(page) == []


# --- texts from outside -------------------------------------------------------------------------------------------


def hostile_plan(folder: Path) -> Plan:
    """Every text that a plan takes from outside is one that would like to be something else."""
    n = len(HOSTILE)
    layer = standing(
        [(4 + 5.5 * k, 8 + 31 * (k % 3)) for k in range(n + 1)],
        asset_id=[*HOSTILE, ""], street=[*HOSTILE[::-1], None], kind=[HOSTILE[0]] * n + [None],
    )  # fmt: skip
    jobs = [(text, shapely.box(33 * k, 0, 33 * k + 30, 100)) for k, text in enumerate(HOSTILE[:3])]
    paving = paved(folder, jobs) | {"reach": "3 m"}
    name = "a <img src=x onerror=alert(1)> & \"b\" 'c'.gpkg"
    layer.to_file(folder / name, layer="hydrants")
    write_grounds(folder)
    text = json.dumps(HOSTILE[1], ensure_ascii=False)
    (folder / "parts.toml").write_text(
        f"currency = '<i>'\n[[extension]]\nfamily = '{HOSTILE[0]}'\nlength = '6 in'\npart_number = {text}\n"
        f"unit_cost = 10.0\n[[item]]\nfamily = '{HOSTILE[0]}'\npart_number = '<u>'\ndescription = {text}\n"
        "quantity = 2\nper = 'piece'\n",
        encoding="utf-8",
    )
    more = {"street": "street", "family": "kind", "extension_fitted": "0 in"}
    title = {"name": f"{HOSTILE[1]} & {HOSTILE[0]}"}
    values = plan_values(name, paving=paving, project=title, catalog={"path": "parts.toml"}, hydrants=more)
    return Plan.parse(values, folder)


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
    assert set(HOSTILE) - {"L" * 300} <= set(json.loads(raw[1])["hydrants"]["id"])


def review(folder: Path, hydrant: str, **values: Any) -> None:
    """What an analyst writes into the layer of a former run."""
    db = sqlite3.connect(folder / "out" / "gradecheck.gpkg")
    _add_functions(db)
    with db:
        columns = ", ".join(f"review_{name} = ?" for name in values)
        db.execute(f"UPDATE hydrants SET {columns} WHERE hydrant_id = ?", [*values.values(), hydrant])
    db.close()


def test_a_reviewed_hydrant_shows_the_choice_of_the_review(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, hydrants={"extension_fitted": "0 in"})
    first = page_text(run(plan, today=TODAY), tmp_path)
    assert dict(zip(first.hydrants["id"], first.actions, strict=True)) == {
        "H-1": "extend",
        "H-2": "extend",
        "H-3": "keep",
    }
    review(tmp_path, "H-1", action="keep", note=HOSTILE[1])
    review(tmp_path, "H-2", extension_in=12.0)
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
    assert faults(page) == []


def page_text(result: Result, folder: Path) -> Page:
    return Page((folder / "out" / "report.html").read_text(encoding="utf-8"))


# --- plans of every kind ------------------------------------------------------------------------------------------


def far(folder: Path) -> dict[str, Any]:
    """A paving plan that reaches no hydrant."""
    return paved(folder, [("Q", shapely.box(90, 90, 99, 99))]) | {"reach": "1 m"}


def surveyed(folder: Path) -> Plan:
    layer = hydrants({"asset_id": ["A", "B"], "z": [100.9, 101.4]}, [(11, 23), (37, 5)])
    layer.to_file(folder / "hydrants.gpkg", layer="hydrants")
    write_grounds(folder)
    values = plan_values(
        hydrants={"flange_elevation": {"column": "z", "unit": "ft", "sd": "0.01 ft"}, "clearance": None}
    )
    return Plan.parse({k: v for k, v in values.items() if k != "before"}, folder)


def hole(x: Any, y: Any) -> Any:
    return np.where((x > 5) & (x < 45) & (y > 0) & (y < 30), np.nan, 100.5)


def nameless() -> gpd.GeoDataFrame:
    return standing([(5, 5), (9, 60)], street=[None, ""])


KINDS = {
    "no paving, no catalogue, no streets": tiny_plan,
    "one hydrant": lambda f: tiny_plan(f, standing([(50, 50)])),
    "streets all blank": lambda f: tiny_plan(f, nameless(), hydrants={"street": "street"}),
    "all outside": lambda f: tiny_plan(f, paving=far(f)),
    "in degrees": lambda f: tiny_plan(f, three().to_crs(4326)),
    "in degrees under a basemap": lambda f: tiny_plan(f, three().to_crs(4326), output=TILES),
    "millimetres": lambda f: tiny_plan(f, output={"unit": "mm"}),
    "metres": lambda f: tiny_plan(f, output={"unit": "m"}),
    "feet": lambda f: tiny_plan(f, output={"unit": "ft"}),
    "every flange surveyed, no ground today": surveyed,
    "nothing known of the design": lambda f: tiny_plan(f, after=hole),
    "all in one place": lambda f: tiny_plan(f, standing([(50, 50), (50, 50.01)])),
    "nothing changes": lambda f: tiny_plan(f, after=100.0),
}  # fmt: skip


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
