"""Sampling two rasters beside its floor and its peers."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS

from gradecheck import engine, measurement, surfaces
from gradecheck.change import grade_change, joined
from gradecheck.probability import Floats
from gradecheck.reference import Path as Way
from gradecheck.surfaces import blocks
from gradecheck.surfaces.design import Design
from gradecheck.surfaces.joined import lattices
from gradecheck.surfaces.raster import Lattice
from gradecheck.surfaces.tiles import open_tile
from tests.bench import peers, towns
from tests.bench.measured import Row, Table, in_turn

PART = "sampling"
CASES = ((20_000, 10_000, 5_700.0, "one town"), (5_000, 100_000, 5_000.0, "dense"), (20_000, 1_000, 20_000.0, "spread"))
SHORT = ((1_500, 2_000, 1_500.0, "dense"),)
ASKED = {"a window per point": {"one town": ">= 3.5", "dense": ">= 20"}, "GDAL's points, compiled": {"dense": ">= 7"},
         "SciPy, whole array": {"dense": ">= 1.5"}}  # fmt: skip
_QUICK = {peers.windows: 20_000, peers.nearest: 20_000, peers.rasterstats_points: 500}
"""Points beyond which peers that go point by point are asked fewer, and their time is multiplied."""


def opened(path: Path, sd: float = 0.03) -> Lattice:
    """A raster of ours as ground."""
    crs = CRS(towns.CRS)
    tile, wrong, _ = open_tile(path, path.name, "m", None, None)
    if tile is None:
        raise RuntimeError(str(wrong))
    return lattices([tile], {tile.path: Way.between(crs, crs)}, sd)[0]


def opened_by_name(name: str, sd: float = 0.03) -> Lattice:
    """A raster on a network, by GDAL's name of it."""
    crs = CRS(towns.CRS)
    tile, wrong, _ = open_tile(name, name, "m", None, None, True)  # type: ignore[arg-type]
    if tile is None:
        raise RuntimeError(str(wrong))
    return lattices([tile], {tile.path: Way.between(crs, crs)}, sd)[0]


@contextmanager
def threads(count: int) -> Iterator[None]:
    """With so many threads."""
    former = engine.threads
    engine.threads = lambda: count  # type: ignore[assignment]
    try:
        yield
    finally:
        engine.threads = former  # type: ignore[assignment]


@contextmanager
def reads() -> Iterator[list[int]]:
    """How many blocks are read from files."""
    count = [0]
    former = blocks.Blocks._read

    def counted(self: blocks.Blocks, *rest: Any) -> blocks.Block:
        count[0] += 1
        return former(self, *rest)

    blocks.Blocks._read = counted  # type: ignore[method-assign]
    try:
        yield count
    finally:
        blocks.Blocks._read = former  # type: ignore[method-assign]


def change(before: Lattice, after: Lattice, x: Floats, y: Floats, position_sd: float) -> None:
    """The grade change with its position error, batch by batch as a run does it."""
    grain = surfaces.grain(before, after)
    order, cell = engine.sweep(x, y, None if grain is None else (grain.width, grain.height))
    room = 10_000 if grain is None else max(1, measurement.ROOM // grain.size)
    design = Design(after, None, None)
    parts = [
        (rows, grade_change(before, design, x[rows], y[rows], position_sd, np.zeros(len(rows), dtype=bool)))
        for rows, _ in engine.batches(order, cell, measurement.BATCH, room)
    ]
    joined(parts, len(x))


def measure(table: Table, folder: Path, short: bool = False) -> None:
    """All cases."""
    for size, count, side, name in SHORT if short else CASES:
        before = towns.terrain(folder / f"before-{size}.tif", size, 3)
        after = towns.terrain(folder / f"after-{size}.tif", size, 4, design=True)
        x, y = towns.streets(count, (towns.WEST, towns.NORTH - side, towns.WEST + side, towns.NORTH), 1)
        _case(table, f"{count:,} points, {size}², {name}", name, (before, after), x, y, 1 if short else 3)


def _case(table: Table, what: str, name: str, files: tuple[Path, Path], x: Floats, y: Floats, times: int) -> None:
    grounds = [opened(file) for file in files]

    def ours(count: int) -> None:
        blocks.clear()
        with threads(count):
            for ground in grounds:
                ground.heights(x, y)

    def quadrature(count: int, sd: float) -> None:
        blocks.clear()
        with threads(count):
            change(replace(grounds[0], sd=sd), grounds[1], x, y, 1.0)

    found = in_turn(
        {
            "one": lambda: ours(1),
            "decode": lambda: [peers.decode(file, x, y) for file in files],
            "two": lambda: ours(2),
            "nodes": lambda: quadrature(1, 1.0),
            "nodes, two": lambda: quadrature(2, 1.0),
            "closer": lambda: quadrature(2, 0.03),
        },
        times,
    )
    blocks_ = 2 * len(peers.touched(x, y))
    with reads() as read:
        quadrature(1, 0.03)
    table.add(
        Row(PART, f"{what}, 1 thread", found["one"], found["decode"], "decode of the touched blocks", asked=">= 0.91",
            note=f"{blocks_} blocks"),
        Row(PART, f"{what}, 2 threads", found["two"], found["one"], "1 thread", asked=">= 1.5"),
        Row(PART, f"{what}, 19 nodes, 1 thread", found["nodes"], found["one"], "the points alone", asked=">= 0.5"),
        Row(PART, f"{what}, looked at closely: reads", read[0], blocks_, "blocks touched by the points", unit="blocks"),
        Row(PART, f"{what}, 19 nodes, 2 threads", found["nodes, two"], found["nodes"], "1 thread"),
        Row(PART, f"{what}, looked at closely, 2 threads", found["closer"], found["two"], "the points alone",
            note="noise of 2 cm beside an error of 3 cm: up to 987 nodes a hydrant"),
    )  # fmt: skip
    _beside(table, what, name, files, x, y, found["two"])


def _beside(table: Table, what: str, name: str, files: tuple[Path, Path], x: Floats, y: Floats, ours: float) -> None:
    """Peers, each as far as it is here; what takes a minute is timed once, and with fewer points."""
    ways: dict[str, tuple[peers.Way, str | None]] = {
        "a window per point": (peers.windows, None),
        "GDAL's points, compiled": (peers.gdal_points, None),
        "rasterio's sample (nearest)": (peers.nearest, None),
        "SciPy, whole array": (peers.scipy_whole, None),
        "rioxarray": (peers.rioxarray_interp, "rioxarray"),
        "rasterstats": (peers.rasterstats_points, "rasterstats"),
        "geoutils": (peers.geoutils_points, "geoutils"),
    }
    truth = peers.windows(files[0], x[:200], y[:200])
    for label, (way, library) in ways.items():
        if library is not None and (find_spec(library) is None or (library == "geoutils" and len(x) > 50_000)):
            continue
        some = slice(None, None, max(1, len(x) // _QUICK.get(way, len(x))))
        px, py = x[some], y[some]
        try:
            found = in_turn({label: lambda way=way, px=px, py=py: [way(file, px, py) for file in files]}, 1)[label]
        except NotImplementedError as error:
            print(f"{label}: {error}", flush=True)
            continue
        off = np.abs(way(files[0], x[:200], y[:200]) - truth).max()
        scale = len(x) / len(px)
        note = f"off by up to {off:.2g} m" + (f"; asked 1 of {scale:.0f} points, time multiplied" if scale > 1 else "")
        table.add(Row(PART, what, ours, found * scale, label, asked=ASKED.get(label, {}).get(name, ""), note=note))
