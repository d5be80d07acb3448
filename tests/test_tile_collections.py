"""A thousand tiles as one ground: SciPy judges heights, the system tells open files, GDAL's opens are counted.

The same over 10,000 tiles, with times: `python -m tests.bench.tiles`.
"""

from __future__ import annotations

import hashlib
import json
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from pyproj import CRS

from gradecheck import engine
from gradecheck.surfaces import blocks, tiles
from gradecheck.surfaces.collection import MANY, find_rasters, open_rasters
from gradecheck.surfaces.tiles import Tile
from tests.range_server import RangeServer
from tests.rasters import EAST, NORTH, WORK, assert_heights, grid, join, scipy_heights, write
from tests.tile_fields import SIDE, cut, field

ACROSS = DOWN = 32
CELL = 2.0


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An index folder of the test's own."""
    monkeypatch.setenv("GRADECHECK_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


@pytest.fixture(scope="module")
def values() -> np.ndarray:
    return field(ACROSS, DOWN)


@pytest.fixture(scope="module")
def thousand(tmp_path_factory: pytest.TempPathFactory, values: np.ndarray) -> Path:
    """1,024 tiles. Not to be changed."""
    folder = tmp_path_factory.mktemp("thousand")
    cut(folder, values, CELL)
    return folder


@pytest.fixture
def some(tmp_path: Path) -> Path:
    """A few more tiles than it takes to keep an index, to change."""
    folder = tmp_path / "some"
    cut(folder, field(13, 9), CELL)
    assert len(list(folder.iterdir())) >= MANY
    return folder


@pytest.fixture
def opens(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of tiles that are opened to be described, one by one."""
    names: list[str] = []
    own = rasterio.open

    def counted(path: Any, *more: Any, **options: Any) -> Any:
        names.append(Path(str(path)).name)
        return own(path, *more, **options)

    monkeypatch.setattr(tiles.rasterio, "open", counted)
    return names


def described(folder: Path, unit: str | None = None, crs: str | None = None) -> tuple[list[Tile], list[str]]:
    """All tiles of a folder, and what is said; the test fails here where anything stands in the way."""
    notes: list[str] = []
    findings: list[Any] = []
    files = find_rasters([str(folder)], folder, "before.raster", allow_remote=False)
    stated = None if crs is None else CRS.from_user_input(crs)
    found = open_rasters(files, unit, None, stated, False, notes, findings)
    assert not findings, [str(f) for f in findings]
    return found, notes


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


needs_proc = pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="open files are counted in /proc")


@needs_proc
def test_a_thousand_tiles_are_one_raster_and_few_files_stay_open(thousand, values):
    found, notes = described(thousand)
    assert not notes
    ground = join(found)
    assert len(ground.names) == ACROSS * DOWN
    random = np.random.default_rng(11)
    x = EAST + random.uniform(-1, ACROSS * SIDE + 1, 6000) * CELL
    y = NORTH - random.uniform(-1, DOWN * SIDE + 1, 6000) * CELL
    before, most, over = open_files(), [0], threading.Event()

    def watch() -> None:
        while not over.is_set():
            most[0] = max(most[0], open_files())
            time.sleep(0.002)

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        heights = ground.heights(x, y)
    finally:
        over.set()
        watcher.join()
    assert_heights(heights, scipy_heights(values, grid(CELL, -CELL), x, y), within=1e-4)
    allowed = (engine.threads() + 1) * blocks._OPEN
    assert before + 1 < most[0] <= before + allowed + 10
    first = open_files()
    ground.heights(x, y)
    assert open_files() <= first + allowed


def test_what_is_found_by_the_index_is_what_opening_finds_and_nothing_is_opened(thousand, opens):
    first, _ = described(thousand)
    assert len(set(opens)) == ACROSS * DOWN
    opens.clear()
    second, notes = described(thousand)
    assert not opens
    assert not notes
    assert second == first


def test_another_unit_in_the_plan_is_another_index(some, opens):
    described(some)
    opens.clear()
    assert described(some, unit="m")[0]
    assert opens


def rewritten(path: Path) -> None:
    """Another height, the same size, a later time of change."""
    write(path, np.full((SIDE, SIDE), 7, dtype="float32"), grid(CELL, -CELL), unit="m", nodata=-1.0)


def touched(path: Path) -> None:
    stat = path.stat()
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns + 1))


def given_a_unit_beside(path: Path) -> None:
    """What GDAL keeps beside a file counts as of it."""
    path.with_name(path.name + ".aux.xml").write_text(
        '<PAMDataset><PAMRasterBand band="1"><Offset>5</Offset><Scale>2</Scale></PAMRasterBand></PAMDataset>'
    )


@pytest.mark.parametrize("change", [rewritten, touched, given_a_unit_beside])
def test_a_tile_that_changed_is_opened_anew_and_only_that_one(some, opens, change):
    described(some)
    path = some / "t000_000.tif"
    change(path)
    opens.clear()
    found, _ = described(some)
    assert set(opens) == {path.name}
    assert found[0] == tiles.open_tile(path, path.name, None, None, None)[0]
    opens.clear()
    assert described(some)[0] == found
    assert not opens


def test_a_tile_that_is_gone_or_new_makes_another_index(some, opens):
    described(some)
    (some / "t000_000.tif").unlink()
    found, _ = described(some)
    assert "t000_000.tif" not in [t.shown for t in found]
    cut(some, field(13, 9), CELL)
    assert described(some)[0][0].shown == "t000_000.tif"


def resealed(index: Path, change: Any) -> None:
    """An index that is whole by its digest, and wrong inside."""
    values = json.loads(index.read_bytes().partition(b"\n")[2])
    change(values)
    content = json.dumps(values).encode()
    index.write_bytes(hashlib.sha256(content).hexdigest().encode() + b"\n" + content)


def flipped(index: Path) -> None:
    content = bytearray(index.read_bytes())
    content[len(content) // 2] ^= 1
    index.write_bytes(content)


def another_digit(index: Path) -> None:
    """Well formed and wrong: heights of that tile would be off by nine metres."""
    content = index.read_bytes()
    index.write_bytes(content.replace(b'"offset": 0.0', b'"offset": 9.0', 1))
    assert index.read_bytes() != content


DAMAGES = {
    "one bit": flipped,
    "one digit": another_digit,
    "cut off": lambda index: index.write_bytes(index.read_bytes()[:-100]),
    "empty": lambda index: index.write_bytes(b""),
    "no system": lambda index: resealed(index, lambda v: v.update(systems=["nothing"])),
    "no grid": lambda index: resealed(index, lambda v: v["rows"][3].pop("grid")),
    "a system that is not there": lambda index: resealed(index, lambda v: v["rows"][3].update(crs=9)),
    "words for numbers": lambda index: resealed(index, lambda v: v["rows"][3].update(width="wide")),
    "a list": lambda index: resealed(index, lambda v: v.update(rows=7)),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_index_is_told_and_made_anew(some, cache, opens, damage):
    first, _ = described(some)
    (index,) = cache.glob("tiles-*.json")
    DAMAGES[damage](index)
    opens.clear()
    found, notes = described(some)
    assert found == first
    assert len(set(opens)) == len(found)
    assert "damaged" in "".join(notes)
    opens.clear()
    assert described(some) == (first, [])
    assert not opens
    assert [p.name for p in cache.iterdir()] == [index.name]


def test_rows_that_were_swapped_are_not_taken_for_one_another(some, cache):
    first, _ = described(some)
    (index,) = cache.glob("tiles-*.json")
    resealed(index, lambda v: v["rows"].reverse())
    assert described(some)[0] == first


def test_where_no_index_can_be_kept_that_is_said_and_nothing_stops(some, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("GRADECHECK_CACHE", str(tmp_path / "file" / "cache"))
    found, notes = described(some)
    assert len(found) == 117
    assert [n for n in notes if "could not be kept" in n and "each run opens all" in n]


def test_few_tiles_leave_no_trace(tmp_path, cache):
    folder = tmp_path / "few"
    cut(folder, field(4, 3), CELL)
    described(folder)
    assert not cache.exists()


def test_what_was_said_of_a_tile_is_said_from_the_index_too(some):
    two = np.stack([np.full((SIDE, SIDE), 3.0)] * 2)
    with rasterio.open(
        some / "two.tif", "w", driver="GTiff", width=SIDE, height=SIDE, count=2, dtype="float32", crs=WORK,
        transform=grid(CELL, -CELL),
    ) as out:  # fmt: skip
        out.write(two)
        out.set_band_unit(1, "m")
    first = described(some)[1]
    assert "two.tif has 2 bands; band 1 is taken as the ground" in first
    assert described(some)[1] == first


def test_what_stands_in_the_way_of_many_is_told_of_the_first_few_with_their_number(some):
    findings: list[Any] = []
    for path in some.iterdir():
        path.write_text("no raster")
    files = find_rasters([str(some)], some, "before.raster", False)
    assert not open_rasters(files, None, None, None, False, [], findings)
    assert len(findings) == 6
    assert "t000_005.tif" in str(findings[-1])
    assert "and 109 more" in str(findings[-1])


# On a network


@pytest.fixture
def served(some: Path) -> Iterator[RangeServer]:
    with RangeServer(some) as server:
        yield server


def away(server: RangeServer, folder: Path, secret: str) -> tuple[list[Tile], list[str]]:
    notes: list[str] = []
    findings: list[Any] = []
    addresses = [f"{server.url(p.name)}?sig={secret}" for p in sorted(folder.glob("*.tif"))]
    files = find_rasters(addresses, folder, "before.raster", True)
    found = open_rasters(files, None, None, None, True, notes, findings)
    assert not findings, [str(f) for f in findings]
    return found, notes


def test_tiles_on_a_network_are_asked_once_each_and_known_by_the_servers_word(some, served, cache, opens):
    first, _ = away(served, some, "5ec2e7")
    opens.clear()
    served.forget()
    second, _ = away(served, some, "another")
    assert not opens
    assert len(served.asked) == len(first)
    assert sum(a.sent for a in served.asked) == len(first)
    assert [t.shown for t in second] == [t.shown for t in first]
    assert b"5ec2e7" not in next(cache.iterdir()).read_bytes()
    path = some / "t000_000.tif"
    rewritten(path)
    opens.clear()
    found, _ = away(served, some, "another")
    assert len(opens) <= 3  # what GDAL kept of it is dropped, it is opened, and asked for a vertical system
    assert found[0].nodata == -1.0
    x, y = np.array([EAST + 15.0]), np.array([NORTH - 15.0])
    assert join([found[0]]).heights(x, y).z == pytest.approx([7.0])


def test_tiles_whose_server_says_no_version_are_opened_each_time(some, served, opens):
    served.set(etags=False, dates=False)
    first, _ = away(served, some, "a")
    opens.clear()
    away(served, some, "a")
    assert len(opens) >= len(first)
