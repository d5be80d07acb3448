"""Hydrants a second through `decide`, one extension allowed, generic lengths: `python -m tests.bench.decide`.

Cases: clearance measured (one normal), assumed (uniform plus normal), and measured beside a curb (two humps).
Each is run five times in turn; the medians are printed with the machine.
"""

from __future__ import annotations

import os
import platform
import statistics
import time

import numpy as np

from gradecheck.decision import Cases, decide
from gradecheck.policy import Policy
from gradecheck.probability import Mixture

INCH = 0.0254
LENGTHS = tuple(n * INCH for n in range(6, 61, 6))


def cases(n: int, *, assumed: bool, humps: bool) -> Cases:
    """n invented hydrants with changes of 6 in, sd 6 in."""
    rng = np.random.default_rng(7)
    change = rng.normal(6, 6, n) * INCH
    ground = Mixture.single(np.full(n, 0.02))
    if humps:
        offset = np.tile([0.0, -0.15], n)
        ground = Mixture(np.arange(0, 2 * n + 1, 2), offset, np.tile([0.8, 0.2], n), np.full(2 * n, 0.02))
    return Cases(
        clearance_after=4 * INCH - change,
        change=change,
        ground=ground,
        shared=np.zeros((n, 2)),
        clearance_sd=np.full(n, 0.0 if assumed else 0.25 * INCH),
        spread=np.full(n, 3 * INCH if assumed else 0.0),
        family=np.zeros(n, dtype=np.int64),
        lengths=(LENGTHS,),
        fitted=np.zeros(n),
        outlet=np.full(n, np.nan),
        outside=np.zeros(n, dtype=bool),
        measure_sd=0.25 * INCH,
    )


def main(n: int = 200_000, rounds: int = 5) -> None:
    """Print the table."""
    kinds = {
        "measured": cases(n, assumed=False, humps=False),
        "assumed": cases(n, assumed=True, humps=False),
        "measured, beside a curb": cases(n, assumed=False, humps=True),
    }
    seconds: dict[str, list[float]] = {name: [] for name in kinds}
    for _ in range(rounds):
        for name, these in kinds.items():
            started = time.perf_counter()
            decide(these, Policy())
            seconds[name].append(time.perf_counter() - started)
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, numpy {np.__version__}")
    for name, taken in seconds.items():
        print(f"{name:<26}{n / statistics.median(taken):>12,.0f} hydrants/s")


if __name__ == "__main__":
    main()
