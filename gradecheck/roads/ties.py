"""Where a slope from the edge of a design meets the existing ground, going straight outward."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from gradecheck.probability import Floats, Ints

Gap = Callable[[Ints, Floats], Floats]
"""Given rows (k,) and distances (k,) outward: the slope's height less the existing ground's, NaN unknown."""


def meeting_bracket(gap: Gap, far: Floats, spacing: float) -> tuple[Floats, Floats]:
    """The first stretch, for each of n rays of length `far` (n,), in which the gap closes: its two ends.

    Looked for every `spacing` and at `far` itself, so that what closes and opens again within one spacing may
    be passed over. (inf, inf) where it stays open; NaN where the existing ground is unknown on the way.
    """
    n = len(far)
    low, high = np.full(n, np.inf), np.full(n, np.inf)
    start = gap(np.arange(n), np.zeros(n))
    side = np.sign(start)
    closed = side == 0
    low[closed] = high[closed] = 0.0
    unknown = np.isnan(start)
    open_ = np.flatnonzero(~closed & ~unknown)
    steps = int(np.ceil(far.max(initial=0.0) / spacing))
    last = np.zeros(n)
    for k in range(1, steps + 1):
        open_ = open_[last[open_] < far[open_]]
        if not len(open_):
            break
        at = np.minimum(k * spacing, far[open_])
        value = gap(open_, at)
        lost, met = np.isnan(value), side[open_] * value <= 0
        unknown[open_[lost]] = True
        low[open_[met]], high[open_[met]] = last[open_[met]], at[met]
        last[open_] = at
        open_ = open_[~lost & ~met]
    low[unknown] = high[unknown] = np.nan
    return low, high


def meeting(gap: Gap, low: Floats, high: Floats, tolerance: float = 1e-4) -> Floats:
    """The distance (n,) at which the gap closes within brackets that `meeting_bracket` gave, by halving them."""
    low, high = low.copy(), high.copy()
    rows = np.flatnonzero(np.isfinite(high) & (high > low))
    side = np.sign(gap(rows, low[rows]))
    while len(rows) and float((high[rows] - low[rows]).max()) > tolerance:
        middle = (low[rows] + high[rows]) / 2
        value = gap(rows, middle)
        past = ~(side * value > 0)  # unknown in between counts as met: nearer is the cautious side
        high[rows] = np.where(past, middle, high[rows])
        low[rows] = np.where(past, low[rows], middle)
    return high
