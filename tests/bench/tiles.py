"""Rasters by address and collections of tiles: `python -m tests.bench.tiles [ACROSS]`.

First a cloud-optimised GeoTIFF of 8,000 by 8,000 cells (float32, blocks of 512, deflate) on a counting server of this
machine, 20 ms slow: hydrants in one part, hydrants all over; requests and bytes with GDAL's own settings and with ours,
each in a process of its own, beside the bytes of the blocks that hold the cells. Then ACROSS by ACROSS tiles (100 for
10,000) of 16 by 16 cells: opened, opened again through the index, joined, asked; heights held against SciPy, open files
against what threads may keep. How long SHA-256 takes, of the tiles and of the large file.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np
import rasterio
import rasterio.shutil
from scipy import ndimage

from gradecheck import engine
from gradecheck.surfaces import raster, remote
from gradecheck.surfaces.collection import find_rasters, open_rasters
from gradecheck.surfaces.tiles import Tile, open_tile
from tests.range_server import RangeServer
from tests.rasters import EAST, NORTH, assert_heights, grid, join, scipy_heights, write
from tests.tile_fields import SIDE, cut, field

T = TypeVar("T")
CELLS, BLOCK, CELL = 8000, 512, 0.5


def cog(folder: Path) -> Path:
    """Hills and noise."""
    random = np.random.default_rng(3)
    hills = ndimage.zoom(random.normal(0, 20, (33, 33)), CELLS / 33 + 0.1, order=1)[:CELLS, :CELLS]
    values = (100 + hills + random.normal(0, 0.02, (CELLS, CELLS))).astype("float32")
    plain = write(folder / "plain.tif", values, grid(CELL, -CELL), unit="m", nodata=-9999.0)
    made = folder / "cog.tif"
    rasterio.shutil.copy(plain, made, driver="COG", compress="deflate", predictor=3, blocksize=BLOCK)
    plain.unlink()
    return made


def blocks_under(path: Path, x: np.ndarray, y: np.ndarray) -> list[int]:
    """Bytes of each block that holds one of the four cells around a point, as GDAL tells them."""
    corner = np.stack([(x - EAST) / CELL - 0.5, (NORTH - y) / CELL - 0.5])
    cells = [np.floor(corner).astype(int) + np.array([[dc], [dr]]) for dc in (0, 1) for dr in (0, 1)]
    touched = {tuple(pair) for pair in (np.concatenate(cells, axis=1) // BLOCK).T.tolist()}
    with rasterio.open(path) as data:
        return [int(data.get_tag_item(f"BLOCK_SIZE_{c}_{r}", "TIFF", bidx=1)) for c, r in sorted(touched)]


def asked_with(values: dict[str, str], url: str, x: np.ndarray, y: np.ndarray) -> tuple[bytes, float]:
    """The heights, as they are in memory, and seconds; with these settings of GDAL."""
    remote._OPTIONS.clear()
    remote._OPTIONS.update(values)
    started = time.perf_counter()
    found = join([_opened(f"/vsicurl/{url}")]).heights(x, y)
    return found.z.tobytes(), time.perf_counter() - started


def by_address(folder: Path) -> None:
    """Requests and bytes."""
    path = cog(folder)
    random = np.random.default_rng(1)
    places = {"one part, 800 m": (1200.0, 2000.0, 2000), "all over": (5.0, 3990.0, 60)}
    ways = {"GDAL's own": {}, "ours": dict(remote._OPTIONS)}
    print(f"{path.stat().st_size / 1e6:.0f} MB, {CELLS} x {CELLS}, float32, blocks of {BLOCK}, deflate, predictor 3")
    print(f"{'hydrants':<18}{'settings':<12}{'blocks':>8}{'GET':>6}{'HEAD':>6}{'MB':>8}{'of the blocks':>15}{'s':>7}")
    with RangeServer(folder, latency=0.02) as server:
        for where, (low, high, count) in places.items():
            x, y = EAST + random.uniform(low, high, count), NORTH - random.uniform(low, high, count)
            sizes = blocks_under(path, x, y)
            local = join([_opened(path)]).heights(x, y)
            for way, values in ways.items():
                server.forget()
                with multiprocessing.get_context("spawn").Pool(1) as pool:
                    found, seconds = pool.apply(asked_with, (values, server.url("cog.tif"), x, y))
                if found != local.z.tobytes():
                    raise SystemExit("other heights than from the file")
                asked = server.asked
                heads, sent = sum(a.method == "HEAD" for a in asked), sum(a.sent for a in asked)
                share = f"{sent / sum(sizes):.3f}"
                print(
                    f"{where:<18}{way:<12}{len(sizes):>8}{len(asked) - heads:>6}{heads:>6}{sent / 1e6:>8.1f}"
                    f"{share:>15}{seconds:>7.2f}"
                )


def _opened(file: Path | str) -> Tile:
    tile, findings, _ = open_tile(file, "dem", None, None, None, allow_remote=True)
    if tile is None:
        raise SystemExit(str(findings[0]))
    return tile


def timed(what: str, work: Callable[[], T]) -> T:
    """Print what it takes: by the clock, and of the processor."""
    started, spent = time.perf_counter(), time.process_time()
    done = work()
    print(f"{what:<44}{time.perf_counter() - started:>8.2f} s{time.process_time() - spent:>8.2f} s")
    return done


def collections(folder: Path, across: int) -> None:
    """Many tiles."""
    values = field(across, across)
    cut(folder / "tiles", values, 2.0)
    files = find_rasters([str(folder / "tiles")], folder, "before.raster", False)
    print(f"\n{len(files):,} tiles{'by the clock':>36}  processor")

    def opened() -> list[Tile]:
        findings: list[object] = []
        tiles = open_rasters(files, None, None, None, False, [], findings)  # type: ignore[arg-type]
        if findings:
            raise SystemExit(str(findings[0]))
        return tiles

    first = timed("opened, no index yet", opened)
    tiles = timed("opened through the index", opened)
    if tiles != first:
        raise SystemExit("the index says otherwise")
    ground = timed("joined to one raster", lambda: join(tiles))
    random = np.random.default_rng(2)
    x, y = (o + s * random.uniform(0, across * SIDE * 2.0, 5000) for o, s in ((EAST, 1), (NORTH, -1)))
    before = len(list(Path("/proc/self/fd").iterdir()))
    heights = timed("5,000 hydrants asked", lambda: ground.heights(x, y))
    kept = len(list(Path("/proc/self/fd").iterdir())) - before
    assert_heights(heights, scipy_heights(values, grid(2.0, -2.0), x, y), within=1e-4)
    print(f"files kept open: {kept}, allowed {engine.threads() * raster._OPEN}")
    timed("SHA-256 of all tiles", lambda: [_digest(file) for file, _ in files if isinstance(file, Path)])


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def main() -> None:
    """Print the tables."""
    across = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(f"{platform.machine()}, {engine.threads()} cores, GDAL {rasterio.__gdal_version__}, numpy {np.__version__}")
    with tempfile.TemporaryDirectory() as name:
        os.environ["GRADECHECK_CACHE"] = str(Path(name) / "cache")
        by_address(Path(name))
        started = time.perf_counter()
        _digest(Path(name) / "cog.tif")
        size = (Path(name) / "cog.tif").stat().st_size
        print(f"SHA-256 of that file: {size / (time.perf_counter() - started) / 1e6:.0f} MB/s")
        collections(Path(name), across)


if __name__ == "__main__":
    main()
