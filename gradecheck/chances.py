"""How likely the clearance after a job ends where: over the ground's mixture, in closed form. Pure.

Lengths are metres, heights positive up. `C` is the clearance after the job if nothing is done.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from gradecheck import engine
from gradecheck.cases import Cases, Window
from gradecheck.policy import Policy
from gradecheck.probability import (
    EDGE,
    Floats,
    Ints,
    Mixture,
    blurred_cells_cdf,
    blurred_uniform_cdf,
    normal_cdf,
)

PIECE = 60_000
"""Probabilities reckoned at a time: what stays in a core's cache."""


def clearance_cdf(cases: Cases, rows: Ints, x: Floats, at: tuple[float, float] | None = None) -> Floats:
    """P(C <= x) for x (n, J) -> (n, J); `at` fixes the two shared errors, in sds, else they are part of the spread."""

    def work(ground: Mixture, some: slice) -> Floats:
        counts = ground.counts
        centre, sd = (v[:, None] for v in _normals(cases, rows[some], ground, at))
        ends = x[some] if len(centre) == len(counts) else np.repeat(x[some], counts, axis=0)
        spread = cases.spread[rows[some]]
        if spread[0] > 0:
            return blurred_uniform_cdf(ends, centre, np.repeat(spread, counts)[:, None], sd)
        return normal_cdf(ends, centre, sd)

    return _by_pieces(cases, rows, x.shape[1], work)


def cells_cdf(cases: Cases, rows: Ints, x: Floats, cells: int) -> Floats:
    """P(C <= x) for x (n,) where the clearance lies in each of `cells` equal parts of what is assumed: (n, cells)."""

    def work(ground: Mixture, some: slice) -> Floats:
        centre, sd = _normals(cases, rows[some], ground, None)
        ends, half = (np.repeat(v, ground.counts) for v in (x[some], cases.spread[rows[some]]))
        return blurred_cells_cdf(ends, centre, half, sd, cells)

    return _by_pieces(cases, rows, cells, work)


def _by_pieces(cases: Cases, rows: Ints, width: int, of: Callable[[Mixture, slice], Floats]) -> Floats:
    """(n, width) the means of what `of` says of atoms, (A, width), for rows in pieces.

    Pieces stay in a core's cache and are worked on several threads: no row depends on another.
    """
    out = np.empty((len(rows), width))

    def work(some: slice) -> None:
        ground = cases.ground.take(rows[some])
        out[some] = ground.mean(of(ground, some))

    total = int(cases.ground.counts[rows].sum()) * width
    engine.each(work, engine.spans(len(rows), max(1, PIECE * len(rows) // max(total, 1))))
    return out


def _normals(cases: Cases, rows: Ints, ground: Mixture, at: tuple[float, float] | None) -> tuple[Floats, Floats]:
    """Centre and sd of C, (A,) metres, about each atom of `ground`, which is that of `rows`."""
    shift = 0.0 if at is None else cases.shared[rows, 0] * at[0] + cases.shared[rows, 1] * at[1]
    centre = np.repeat(cases.clearance_after[rows] + shift, ground.counts) - ground.offset
    extra = np.square(cases.clearance_sd[rows])
    if at is None:
        extra = extra + cases.shared_variance(rows)
    return centre, np.sqrt(np.square(ground.sd) + np.repeat(extra, ground.counts))


def widened(strict: Window, rows: Ints, policy: Policy) -> tuple[Floats, Floats]:
    """The ends of W, (n, 1) each: the window of each row widened by the dressing; rounding counts as inside."""
    dressing = policy.dressing.metres
    return (strict.low[rows] - dressing - EDGE)[:, None], (strict.high[rows] + dressing + EDGE)[:, None]


def within_dressing(cases: Cases, rows: Ints, policy: Policy) -> Floats:
    """P(|change| <= dressing): the job does not alter the hydrant."""
    ground = cases.ground.take(rows)
    shared = np.repeat(cases.shared_variance(rows), ground.counts)
    sd = np.sqrt(np.square(ground.sd) + shared)
    centre = np.repeat(cases.change[rows], ground.counts) + ground.offset
    reach = np.asarray(policy.dressing.metres + EDGE)
    return ground.mean(normal_cdf(reach, centre, sd) - normal_cdf(-reach, centre, sd))
