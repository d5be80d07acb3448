"""Long sections and the picture of the change in report.html: against SciPy, planes and the pictures decoded."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from rasterio.io import MemoryFile
from scipy import ndimage

from gradecheck import Plan
from tests.cases import FT
from tests.conftest import Sample
from tests.projects import CRS, EAST, NORTH, three, tiny_plan
from tests.report_pages import (
    TILES,
    Page,
    addresses,
    faults,
    made,
    new_plane,
    old_plane,
    paved,
    policy_line,
    standing,
)
from tests.report_pages import layer as layer  # a fixture
from tests.report_pages import page as page  # a fixture

pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")  # pictures have no place


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
