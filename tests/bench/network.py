"""Ground on a network: requests and bytes beside the touched blocks, and a run's time beside its forecast.

The forecast is the one that DEVELOPERS.md makes for ten million hydrants, from unit costs measured here: seconds that a
block takes on one line, and that a hydrant takes to be looked at.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from gradecheck import engine
from gradecheck.surfaces import blocks
from tests.bench import peers, sampling, towns
from tests.bench.measured import Row, Table, in_turn
from tests.range_server import RangeServer

PART = "network"
LATENCY = 0.02
"""Seconds that each request waits before it is answered: a store in the same region, generously."""


def measure(table: Table, folder: Path, short: bool = False) -> None:
    """Requests, bytes, and how far off the forecast is."""
    size, count = (1_500, 300) if short else (8_000, 4_000)
    files = [
        towns.terrain(folder / f"{name}-{size}.tif", size, number, name == "after")
        for number, name in ((3, "before"), (4, "after"))
    ]
    x, y = towns.streets(count, (towns.WEST, towns.NORTH - size, towns.WEST + size, towns.NORTH), 1)
    touched = 2 * len(peers.touched(x, y))
    local = [replace(sampling.opened(file), sd=1.0) for file in files]

    def here() -> None:
        blocks.clear()
        with sampling.threads(1):
            sampling.change(local[0], local[1], x, y, 1.0)

    found = in_turn({"here": here, "decode": lambda: [peers.decode(file, x, y) for file in files]}, 1 if short else 3)
    a_hydrant = max(found["here"] - found["decode"], 0.0) / count
    with RangeServer(folder) as server:
        a_block = _a_block(server, folder, files[0], size)
        names = [f"/vsicurl/{server.url(file.name)}" for file in files]
        away = [replace(sampling.opened_by_name(name), sd=1.0) for name in names]
        server.forget()
        server.set(latency=LATENCY)
        blocks.clear()
        started = time.perf_counter()
        sampling.change(away[0], away[1], x, y, 1.0)
        took = time.perf_counter() - started
        gets = server.gets
    threads = engine.threads()
    forecast = touched * a_block / threads + count * a_hydrant
    sent = sum(one.sent for one in gets)
    stored = sum(peers.stored(file, x, y) for file in files)
    what = f"{count:,} hydrants, {size}², {1000 * LATENCY:.0f} ms a request"
    table.add(
        Row(PART, f"{what}: requests", len(gets), touched, "blocks touched", unit="GET", asked="about 1"),
        Row(PART, f"{what}: megabytes", sent / 1e6, stored / 1e6, "those blocks as stored", unit="MB", asked="about 1"),
        Row(PART, f"{what}: seconds", took, forecast, "the forecast", asked="0.8 to 1.25",
            note=f"{1e3 * a_block:.1f} ms a block on one line, {1e6 * a_hydrant:.0f} us a hydrant, {threads} threads"),
    )  # fmt: skip


def _a_block(server: RangeServer, folder: Path, file: Path, size: int) -> float:
    """Seconds that a block takes on one line, waiting and decoding: of a copy that nobody asks afterwards."""
    copy = folder / "calibrate.tif"
    copy.unlink(missing_ok=True)
    copy.hardlink_to(file)
    ground = sampling.opened_by_name(f"/vsicurl/{server.url(copy.name)}")
    server.set(latency=LATENCY)
    middles = np.arange(towns.TILE // 2, min(size, 8 * towns.TILE), towns.TILE)
    x, y = (v.ravel() for v in np.meshgrid(towns.WEST + middles, towns.NORTH - middles))
    blocks.clear()
    started = time.perf_counter()
    with sampling.threads(1):
        ground.heights(x, y)
    return (time.perf_counter() - started) / len(x)
