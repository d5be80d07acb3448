"""Which flanges to measure first, and the short walks that take them in. Pure; metres.

What a measurement is worth is the expected value of sample information (Raiffa & Schlaifer 1961, Applied
Statistical Decision Theory): how much more often the best choice is right, in the mean over all that may be
measured, given what is believed today.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.special import ndtri

from gradecheck.cases import Cases, window
from gradecheck.chances import cells_cdf, clearance_cdf, widened
from gradecheck.choices import Choices
from gradecheck.decision import DECIDED, OPEN, Decision, blocks, groups
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats, Ints, blurred_uniform_cdf
from gradecheck.walk import length, walk

_CELLS = 24
"""Equal parts of the clearances that are assumed possible: a quarter of an inch each by default."""
_READINGS = 48
"""Steps between the readings at which it is asked whether they would decide."""
_TAIL_SDS = 4.5
_WIDTH = 96
"""Columns reckoned for each hydrant when rows are split into blocks."""
_LARGEST_SD = 1e3
"""Half widths: a reading with a larger sd tells nothing."""


@dataclass(frozen=True, slots=True)
class MeasuringList:
    """The hydrants worth measuring, (n,) each, most valuable first, ties by index.

    index: the hydrant. value: what measuring it saves in expectation, in the stake's unit.
    wrong_now, wrong_after: probability that its best choice does not end in the window, now and expected after.
    priced: its own stake is known; else the mean of the known ones stands for it, or 1 where there are none.
    """

    index: Ints
    value: Floats
    wrong_now: Floats
    wrong_after: Floats
    priced: Bools

    def __len__(self) -> int:
        return len(self.index)


@dataclass(frozen=True, slots=True)
class Walk:
    """One short walk. rows: (n,) indices into what was given, as one walks. length: metres. value: sum of theirs."""

    rows: Ints
    length: float
    value: float
    street: str | None


def measuring_list(cases: Cases, policy: Policy, decision: Decision, stake: Floats | None = None) -> MeasuringList:
    """Every hydrant that has a choice and a clearance that is only assumed, by what measuring it is worth.

    decision: of these cases. stake: (H,) expected cost of a wrong length, NaN unknown; None: the value is in
    wrong lengths avoided. Where some stakes are unknown the mean of the known ones stands for them.
    """
    assumed = with_choice(decision)
    assumed = assumed[cases.spread[assumed] > 0]
    now, after = np.zeros(len(assumed)), np.zeros(len(assumed))
    for options, part in alike(cases, policy, assumed):
        local, at = taken(cases, part), np.searchsorted(assumed, part)
        now[at] = best_chance(local, options, policy, np.zeros((len(part), 1)))[:, 0]
        after[at] = right_when_measured(local, options, policy)
    cost, priced = _costs(np.full(len(cases), np.nan) if stake is None else stake, assumed)
    value = cost * (after - now)
    scale = np.abs(value).max(initial=0.0) or 1.0
    order = np.lexsort((assumed, -np.round(value / scale, 12)))
    return MeasuringList(assumed[order], value[order], 1 - now[order], 1 - after[order], priced[order])


def with_choice(decision: Decision) -> Ints:
    """The hydrants that have a choice today: decided or open."""
    return np.flatnonzero(np.isin(decision.action, (*DECIDED, *OPEN))).astype(np.int64)


def _costs(stake: Floats, rows: Ints) -> tuple[Floats, Bools]:
    cost = stake[rows]
    known = np.isfinite(cost)
    return np.where(known, cost, cost[known].mean() if known.any() else 1.0), known


# --- what is expected of a measurement -----------------------------------------------------------------------------


def taken(cases: Cases, rows: Ints) -> Cases:
    """Some of the cases, in the order given, repeats allowed; nothing stands in their way."""
    return replace(
        cases,
        clearance_after=cases.clearance_after[rows],
        change=cases.change[rows],
        ground=cases.ground.take(rows),
        shared=cases.shared[rows],
        clearance_sd=cases.clearance_sd[rows],
        spread=cases.spread[rows],
        family=cases.family[rows],
        fitted=cases.fitted[rows],
        outlet=cases.outlet[rows],
        outside=cases.outside[rows],
        in_the_way=None,
    )


def alike(cases: Cases, policy: Policy, rows: Ints, width: int = _WIDTH) -> Iterator[tuple[Choices, Ints]]:
    """Rows in pieces of one table and one kind, so small that `width` columns of each fit in memory."""
    for options, group in groups(cases, policy, rows):
        for part in blocks(cases, group, width):
            yield options, part


def best_chance(cases: Cases, options: Choices, policy: Policy, shift: Floats) -> Floats:
    """P(the best choice ends in W) if C were higher by `shift`, (n, K) -> (n, K). Cases of one table and one kind."""
    low, high = widened(window(cases.outlet, policy), np.arange(len(cases)), policy)
    first, last = _in_play(cases, options, (low + high) / 2 - shift, (low + high) / 2 - shift)
    best = np.zeros(shift.shape)
    for k in range(int((last - first).max(initial=-1)) + 1):
        some = np.flatnonzero((first + k <= last).any(axis=1))
        moved = options.rise[np.minimum(first[some] + k, last[some])] + shift[some]
        best[some] = np.maximum(best[some], _inside(cases, some, low[some] - moved, high[some] - moved))
    return best


def _in_play(cases: Cases, options: Choices, least: Floats, most: Floats) -> tuple[Ints, Ints]:
    """First and last choice that may be the best where C + rise is wanted between `least` and `most`, (n, K).

    C is a mixture of bells, each symmetric: beyond the choice nearest to the outermost, all of them fall.
    """
    centre = np.repeat(cases.clearance_after, cases.ground.counts) - cases.ground.offset
    bottom = np.minimum.reduceat(centre, cases.ground.start[:-1])[:, None]
    top = np.maximum.reduceat(centre, cases.ground.start[:-1])[:, None]
    meet = (options.rise[1:] + options.rise[:-1]) / 2
    return np.searchsorted(meet, least - top), np.searchsorted(meet, most - bottom)


def _inside(cases: Cases, rows: Ints, low: Floats, high: Floats) -> Floats:
    return np.maximum(clearance_cdf(cases, rows, high) - clearance_cdf(cases, rows, low), 0.0)


def margin(chance: Floats, policy: Policy) -> Floats:
    """How far a chance is above the confidence that is asked for, in normal scores: nearly straight in a shift of C."""
    asked = policy.confidence - 1e-12
    return np.asarray(ndtri(np.clip(chance, 1e-12, 1 - 1e-12)) - ndtri(asked), dtype=np.float64)


def share_above(heights: Floats, mass: Floats) -> Floats:
    """(n,) the share of the mass between K outcomes that lies where heights (n, K), joined straight, are >= 0.

    mass: (n, K-1) of each, or (K-1,) of all.

    >>> share_above(np.array([[-1.0, 1.0, 3.0]]), np.array([0.2, 0.2]))
    array([0.75])
    """
    up, size = np.maximum(heights, 0.0), np.abs(heights)
    total = size[:, 1:] + size[:, :-1]
    share = np.where(total > 0, (up[:, 1:] + up[:, :-1]) / np.where(total > 0, total, 1.0), 1.0)
    out: Floats = (share * mass).sum(axis=1) / mass.sum(axis=-1)
    return out


def decided_when_measured(cases: Cases, options: Choices, policy: Policy) -> Floats:
    """(n,) P(the measured clearance decides). Assumed clearances of one table and one kind.

    The measured clearance is the true one, uniform within the spread, plus its error; what it then says is
    what `decide` would say of it.
    """
    half = cases.spread[:, None]
    sd = min(cases.measure_sd, _LARGEST_SD * float(cases.spread.max()))
    reading = (half + _TAIL_SDS * sd) * np.linspace(-1, 1, _READINGS + 1)
    mass = np.diff(blurred_uniform_cdf(reading, np.zeros_like(half), half, np.asarray(sd)), axis=1)
    known = replace(cases, spread=np.zeros(len(cases)), clearance_sd=np.full(len(cases), sd))
    return share_above(margin(best_chance(known, options, policy, reading), policy), mass)


def right_when_measured(cases: Cases, options: Choices, policy: Policy) -> Floats:
    """(n,) expected P(the best choice ends in W) after measuring. Assumed clearances of one table and one kind.

    The clearances that are possible are cut into equal cells and what is measured into as many readings; within a
    cell all is closed form. The best choice is best under Bayes' rule, so that no measurement, however poor,
    makes it worse: exactly, whatever the number of cells.
    """
    half = cases.spread[:, None]
    low, high = widened(window(cases.outlet, policy), np.arange(len(cases)), policy)
    middle = (low + high) / 2
    first, last = (v[:, 0] for v in _in_play(cases, options, middle - half, middle + half))
    ends_well = np.zeros((len(cases), _CELLS, int((last - first).max(initial=-1)) + 1))
    for k in range(ends_well.shape[2]):
        some = np.flatnonzero(first + k <= last)
        floor, ceiling = (v[some, 0] - options.rise[first[some] + k] for v in (low, high))
        inside = cells_cdf(cases, some, ceiling, _CELLS) - cells_cdf(cases, some, floor, _CELLS)
        ends_well[some, :, k] = np.maximum(inside, 0.0)
    right = np.zeros(len(cases))
    for width in np.unique(cases.spread):
        rows = np.flatnonzero(cases.spread == width)
        right[rows] = (_readings(float(width), cases.measure_sd) @ ends_well[rows]).max(axis=2).sum(axis=1)
    return right


def _readings(half: float, sd: float) -> Floats:
    """(readings, cells) P(the clearance is in the cell and what is measured in the reading); sums to 1."""
    step = 2 * half / _CELLS
    sd = min(sd, _LARGEST_SD * half)
    beyond = min(int(np.ceil(_TAIL_SDS * sd / step)), _CELLS)
    edges: Floats = np.arange(-beyond, _CELLS + beyond + 1, dtype=np.float64) * step
    middles: Floats = (np.arange(_CELLS, dtype=np.float64) + 0.5) * step
    upto = blurred_uniform_cdf(edges[:, None], middles, np.asarray(step / 2), np.asarray(sd))
    whole = np.concatenate([np.zeros((1, _CELLS)), upto, np.ones((1, _CELLS))])
    out: Floats = np.diff(whole, axis=0) / _CELLS
    return out


# --- walks ------------------------------------------------------------------------------------------------------------


def walks(
    x: Floats, y: Floats, value: Floats, street: Sequence[str | None], reach: float = 150.0, most: int = 12
) -> list[Walk]:
    """Hydrants in short walks, most valuable first, ties by the first of their rows.

    x, y, value: (n,) metres and what visiting each is worth. street: of each, None or blank where unknown.
    Hydrants of one street (those without one count as of one) belong together where one reaches the next within
    `reach`; a group of more than `most` is split along its longer axis until none is.

    >>> found = walks(np.array([0.0, 400.0, 100.0]), np.zeros(3), np.ones(3), ["Elm"] * 3)
    >>> [(w.rows.tolist(), w.length, w.value) for w in found]
    [([0, 2], 100.0, 2.0), ([1], 0.0, 1.0)]
    """
    if most < 1 or not reach >= 0:
        raise ValueError(f"a walk holds at least one hydrant and reaches no less than 0 m: most={most}, reach={reach}")
    streets: dict[str, list[int]] = {}
    for i, name in enumerate(street):
        streets.setdefault((name or "").strip(), []).append(i)
    found = []
    for name, members in streets.items():
        for rows in _near(x, y, np.array(members, dtype=np.int64), reach, most):
            order = rows[walk(x[rows], y[rows])]
            found.append(Walk(order, length(x, y, order), float(value[order].sum()), name or None))
    return sorted(found, key=lambda w: (-w.value, int(w.rows.min())))


def _near(x: Floats, y: Floats, rows: Ints, reach: float, most: int) -> Iterator[Ints]:
    """Groups of rows that reach one another from one to the next, none larger than `most`."""
    pairs = cKDTree(np.stack([x[rows], y[rows]], axis=1)).query_pairs(reach, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(rows), len(rows)))
    count, label = connected_components(links, directed=False)
    order = np.argsort(label, kind="stable")
    for group in np.split(rows[order], np.searchsorted(label[order], np.arange(1, count))):
        if len(group) <= most:
            yield group
            continue
        along, across = (x, y) if np.ptp(x[group]) >= np.ptp(y[group]) else (y, x)
        line = group[np.lexsort((across[group], along[group]))]
        parts = -(-len(line) // most)
        cut = len(line) * (parts // 2) // parts
        for half in (line[:cut], line[cut:]):
            yield from _near(x, y, half, reach, most)
