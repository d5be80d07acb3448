"""Reports as tests read them: the page as text, tree and data; plans to make pages of."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from lxml import html as lxml_html

from gradecheck import Plan, compute
from gradecheck.outputs import manifest
from gradecheck.pipeline import Result
from gradecheck.report.page import report
from gradecheck.surroundings import surroundings
from tests.conftest import Sample
from tests.projects import CRS, EAST, NORTH, hydrants, plan_values, three, tiny_plan, write_grounds

TODAY = date(2027, 2, 1)
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
HOSTILE = [
    "<script>alert(1)</script>", "</script><img src=x onerror=alert(1)>", "=cmd|' /C calc'!A0", "\"quoted\" & 'so'",
    "<!-- <script>", "]]></style><b>", "🚒🔥", "مأخذ ١٢", "\u202eright to left", "line\u2028sep\u2029par", "{{ 7*7 }}",
    "&amp;&lt;", "L" * 240, "${alert(1)}", "a\\b\\u003c", "javascript:alert(1)",
]  # fmt: skip


# --- reading a page back --------------------------------------------------------------------------------


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
    return Page(report(a, surroundings(a.inputs), result.summary, manifest.input_files(a.inputs)))


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


def policy_line(page: Page) -> dict[str, str]:
    line = page.tree.xpath('//meta[@http-equiv="Content-Security-Policy"]/@content')[0]
    return {k: v for k, _, v in (part.strip().partition(" ") for part in line.split(";"))}


def addresses(text: str) -> list[str]:
    """http addresses, but for those of licences, remarks and namespaces."""
    bare = re.sub(r"/\*!.*?\*/", "", text, flags=re.S)
    bare = re.sub(r"^// .*$", "", bare, flags=re.M)
    return [a for a in re.findall(r"https?://[^\s\"'`<>)]+", bare) if not a.startswith("http://www.w3.org/")]


# --- plans to make pages of --------------------------------------------------------------------------------


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


TILES = {"basemap": "https://tiles.example.org/{z}/{x}/{y}.png", "basemap_credit": "Tiles & map <b>by</b> nobody"}


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
