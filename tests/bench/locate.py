"""Points a second through `Locator.feet`, beside Shapely on densified lines: `python -m tests.bench.locate`.

1,000,000 points within 40 m of roads of 2,000 pieces (lines, arcs, clothoids; metres), reach 15 m. Shapely's way:
the roads, or their pieces, as chords within 1 mm, `STRtree.query_nearest` for the nearest within reach, then
`line_locate_point`; it gives one road a point, a measure along chords and no side. All are built and asked anew, in
turn, three times in one process; medians are printed. Memory: by how much one run, in a process of its own, raises
the peak that making the points left.
"""

from __future__ import annotations

import multiprocessing
import os
import platform
import resource
import statistics
import time
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import shapely

from gradecheck.probability import Floats
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.locate import Locator
from gradecheck.roads.pieces import clothoid

POINTS, PIECES, REACH, SAGITTA = 1_000_000, 2_000, 15.0, 0.001


def roads() -> tuple[Alignment, ...]:
    """Line, clothoid, arc, clothoid, over and over; 10 pieces a road, smooth, 20 km by 20 km."""
    rng = np.random.default_rng(1)
    made = []
    for number in range(PIECES // 10):
        at = 500_000 + rng.uniform(0, 20_000), 4_000_000 + rng.uniform(0, 20_000)
        heading, k = rng.uniform(-3, 3), 0.0
        pieces = []
        for i in range(10):
            after = (0.0, rng.choice([-1, 1]) / rng.uniform(60, 600), k, 0.0)[i % 4]
            length = rng.uniform(40, 200) if i % 4 == 0 else rng.uniform(20, 90)
            pieces.append(clothoid(at, heading, length, k, after))
            at, heading, k = pieces[-1].end, heading + length * (k + after) / 2, after
        made.append(Alignment.joined(str(number), pieces))
    return tuple(made)


def points(lines: tuple[Alignment, ...]) -> tuple[Floats, Floats]:
    """Evenly along the roads, up to 40 m to either side, in no order."""
    rng = np.random.default_rng(2)
    each = POINTS // len(lines)
    beside = [r.points(rng.uniform(r.first, r.last, each), rng.uniform(-40, 40, each)) for r in lines]
    order = rng.permutation(each * len(lines))
    return np.concatenate([p[0] for p in beside])[order], np.concatenate([p[1] for p in beside])[order]


def ours(lines: tuple[Alignment, ...], x: Floats, y: Floats) -> int:
    """Rows found."""
    return len(Locator(lines).feet(x, y, REACH))


def whole_lines(lines: tuple[Alignment, ...], x: Floats, y: Floats) -> int:
    """Rows found."""
    return _by_shapely([shapely.linestrings(r.densified(SAGITTA)[0]) for r in lines], x, y)


def lines_of_pieces(lines: tuple[Alignment, ...], x: Floats, y: Floats) -> int:
    """Rows found."""
    chords = []
    for road in lines:
        xy, stations = road.densified(SAGITTA)
        cuts = np.searchsorted(stations, road.starts - 1e-6)
        chords += [shapely.linestrings(xy[a : b + 1]) for a, b in pairwise(cuts.tolist())]
    return _by_shapely(chords, x, y)


def _by_shapely(chords: list[shapely.Geometry], x: Floats, y: Floats) -> int:
    lines, where = np.array(chords), shapely.points(x, y)
    point, line = shapely.STRtree(lines).query_nearest(where, max_distance=REACH, all_matches=False)
    return len(shapely.line_locate_point(lines[line], where[point]))


WAYS: dict[str, Callable[[tuple[Alignment, ...], Floats, Floats], int]] = {
    "feet": ours,
    "shapely, roads": whole_lines,
    "shapely, pieces": lines_of_pieces,
}


def peak(name: str) -> float:
    """MB by which one run raises the process's peak."""
    lines = roads()
    x, y = points(lines)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    WAYS[name](lines, x, y)
    return (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024


def main(rounds: int = 3) -> None:
    """Print the table."""
    memory = {}
    for name in WAYS:  # first of all: a child starts with the peak of its parent
        with multiprocessing.get_context("spawn").Pool(1) as pool:
            memory[name] = pool.apply(peak, (name,))
    lines = roads()
    x, y = points(lines)
    seconds: dict[str, list[float]] = {name: [] for name in WAYS}
    rows: dict[str, int] = {}
    for _ in range(rounds):
        for name, way in WAYS.items():
            started = time.perf_counter()
            rows[name] = way(lines, x, y)
            seconds[name].append(time.perf_counter() - started)
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, numpy {np.__version__}")
    print(f"{len(x):,} points, {sum(len(r.x) for r in lines):,} pieces, reach {REACH:g} m")
    least = statistics.median(seconds["feet"])
    for name, taken in seconds.items():
        median = statistics.median(taken)
        print(f"{name:<16}{median:>8.2f} s {median / least:>7.2f} {memory[name]:>8.0f} MB {rows[name]:>10,} rows")


if __name__ == "__main__":
    main()
