"""The grade change at each hydrant: after less before, with what the hydrant's uncertain position does to it.

Pure: surfaces are asked for heights and nothing else. Around each point the ground is looked at on a
weighted set of nodes of a two-dimensional normal; where it is flat beside its own error one normal says it
all, where it is not (a curb, a wall) many more nodes are asked and kept as a mixture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradecheck import surfaces
from gradecheck.nodes import coarse_nodes, fine_nodes
from gradecheck.probability import Bools, Floats, Ints, Mixture
from gradecheck.surfaces import Heights, Surface, design
from gradecheck.surfaces.design import Design

_FINE_POINTS = 120_000
_BINS = 32
_LEVEL = 1e-3
"""A millimetre: what the nodes stand off a plane by less than this is flat, whatever the ground's own error."""
_SMOOTH = 0.7
"""Up to here, in the same sds, one normal with the nodes' mean and variance stands for all of them: the skew that it
leaves out, at most 0.033, moves either end of an interval by at most 0.0023 (first term of an Edgeworth series)."""
_FINE = ((0.1, 0), (0.44, 61), (1.0, 199), (2.0, 397), (np.inf, 987))
"""Nodes by how far the coarse ones stand off a plane, in sds of the ground's own error.

N nodes put the probability behind a straight step off by at most 0.057 (61), 0.025 (199), 0.016 (397) and 0.009
(987), and a step of h sds moves the probability of an interval by at most 2 Phi(h/2) - 1 of that: in every tier the
mixture is right within about 0.01, and the sd beside a step within a tenth of the step.
"""


@dataclass(frozen=True, slots=True)
class GradeChange:
    """Heights in metres at H hydrants and how they move.

    before, after: (H,) ground at the point, NaN where unknown; where the design leaves the ground unchanged
        `after` equals `before` (both NaN where nobody needed to know).
    change: (H,) after less before; exactly 0 where unchanged.
    unchanged: (H,) beyond the design, where the plan says the ground stays.
    before_source, after_source: (H,) index into the names, or a negative code of `surfaces.WHY`.
    silence: (H,) where the design says nothing, the code of `design.WHY` that tells why; else 0.
    about_after: (H,) `ground` is of the after height (surveyed flange) and not of the change.
    position_sd: (H,) how much the position error alone moves the change (the after ground where the change is
        unknown): root of the mean square about the value at the point.
    own_sd: (H,) the surfaces' own independent error in the change. before_sd, after_sd: (H,) those of the grounds; of
        the after ground where it is unchanged, the old one's.
    mover_sd: (H,) the same in what `ground` is of: the change, or the after height.
    ground: mixture about the point.
    """

    before: Floats
    after: Floats
    change: Floats
    unchanged: Bools
    before_source: NDArray[np.int32]
    after_source: NDArray[np.int32]
    silence: NDArray[np.int8]
    about_after: Bools
    position_sd: Floats
    own_sd: Floats
    before_sd: Floats
    after_sd: Floats
    mover_sd: Floats
    ground: Mixture
    before_names: tuple[str, ...]
    after_names: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.change)

    def sd(self, shared: Floats) -> Floats:
        """(H,) metres: standard deviation of the change for reporting; `shared` (H,) is the surfaces' common error."""
        total = np.sqrt(np.square(self.own_sd) + np.square(self.position_sd) + np.square(shared))
        return np.where(np.isfinite(self.change), total, np.nan)

    def taken(self, rows: Ints) -> GradeChange:
        """Some of the hydrants, in the order given."""
        columns: dict[str, Any] = {name: getattr(self, name)[rows] for name in _BLANK}
        return replace(self, ground=self.ground.take(rows), **columns)


_BLANK: dict[str, object] = {
    "before": np.nan,
    "after": np.nan,
    "change": np.nan,
    "unchanged": False,
    "before_source": surfaces.OUTSIDE,
    "after_source": surfaces.OUTSIDE,
    "silence": 0,
    "about_after": False,
    "position_sd": 0.0,
    "own_sd": np.nan,
    "before_sd": np.nan,
    "after_sd": np.nan,
    "mover_sd": np.nan,
}


def grade_change(
    before: Surface, after: Design, x: Floats, y: Floats, position_sd: float, surveyed: Bools
) -> GradeChange:
    """The change at points (H,), in working units; `position_sd` per axis, in the same.

    surveyed: (H,) the flange elevation is known, so that only the after ground decides there. What is said of a point
    does not depend on the others; memory grows with their number, so that many are asked in batches.
    """
    nodes, weights = coarse_nodes() if position_sd > 0 else (np.zeros((1, 2)), np.ones(1))
    seen = _look(before, after, x, y, nodes * position_sd, surveyed)
    about = surveyed & np.isfinite(seen.after.z[:, 0])
    value, sd = seen.mover(about)
    own = np.where(np.isfinite(value), sd, 0.0).max(axis=1)
    off = _off_plane(value, nodes, weights)
    ratio = np.where(np.isfinite(value[:, 0]) & (off > _LEVEL), off / np.maximum(own, 1e-9), 0.0)
    change, change_sd = seen.change, seen.change_sd
    moved = _moved(seen, value[:, 0], change[:, 0], about, weights)
    mean, spread = _one_normal(value, sd, weights)
    levels: list[_Levels] = []
    least = _FINE[0][0]
    for most, count in _FINE[1:]:
        fine, fine_weights = fine_nodes(count)
        tier = np.flatnonzero((ratio > least) & (ratio <= most))
        for start in range(0, len(tier), _FINE_POINTS // count):
            rows = tier[start : start + _FINE_POINTS // count]
            close = _look(before, after, x[rows], y[rows], fine * position_sd, surveyed[rows], seen.silence[rows, 0])
            v, s = close.mover(about[rows])
            v -= value[rows, :1]
            moved[rows] = _moved(close, value[rows, 0], change[rows, 0], about[rows], fine_weights)
            smooth = ratio[rows] <= _SMOOTH
            some = rows[smooth]
            mean[some], spread[some] = _one_normal(v[smooth], s[smooth], fine_weights, 0.0)
            rough = ~smooth
            if rough.any():
                levels.append(_Levels.of(rows[rough], v[rough], s[rough], fine_weights, close.unchanged[rough]))
        least = most
    ground = _joined(mean, spread, levels)

    def point(nodes: NDArray[Any]) -> NDArray[Any]:
        # A copy: a view would keep what was seen at all the nodes.
        return nodes[:, 0].copy()

    return GradeChange(
        before=point(seen.before.z),
        after=point(seen.after.z),
        change=point(change),
        unchanged=point(seen.unchanged),
        before_source=point(seen.before.source),
        after_source=point(seen.after.source),
        silence=point(seen.silence),
        about_after=about,
        position_sd=moved,
        own_sd=point(change_sd),
        before_sd=point(seen.before.sd),
        after_sd=point(seen.after.sd),
        mover_sd=point(sd),
        ground=ground,
        before_names=seen.before.names,
        after_names=seen.after.names,
    )


def _moved(seen: _Looked, value: Floats, change: Floats, about: Bools, weights: Floats) -> Floats:
    """(n,) root of the weighted mean square of the nodes about the value at the point."""
    nodes, point = seen.change, change
    unknown = np.isnan(change) & about
    if unknown.any():
        nodes = np.where(unknown[:, None], seen.mover(about)[0], nodes)
        point = np.where(unknown, value, change)
    known = np.isfinite(nodes)
    w = np.where(known, weights, 0.0)
    square = np.where(known, np.square(nodes - point[:, None]), 0.0)
    total = w.sum(axis=1)
    return np.asarray(np.sqrt((w * square).sum(axis=1) / np.where(total > 0, total, 1.0)))


@dataclass(frozen=True, slots=True)
class _Looked:
    """Before and after at K nodes of n hydrants, (n, K) each; node 0 of the coarse rule is the point."""

    before: Heights
    after: Heights
    unchanged: Bools
    silence: NDArray[np.int8]
    change: Floats
    change_sd: Floats

    @classmethod
    def of(
        cls, before: Heights, after: Heights, unchanged: Bools, silence: NDArray[np.int8], correlation: float
    ) -> _Looked:
        """With the change at each node and its own sd, (n, K); exactly 0 where the ground is unchanged."""
        value = np.where(unchanged, 0.0, after.z - before.z)
        both = np.square(after.sd) + np.square(before.sd)
        if correlation:
            both = np.maximum(both - 2 * correlation * after.sd * before.sd, 0.0)
        return cls(before, after, unchanged, silence, value, np.where(unchanged, 0.0, np.sqrt(both)))

    def mover(self, about_after: Bools) -> tuple[Floats, Floats]:
        """What moves the clearance at each node and its sd, (n, K): the after height or the change."""
        value, sd = self.change, self.change_sd
        about = about_after[:, None]
        own = self.after.sd if self.after.borrowed is None else np.hypot(self.after.sd, self.after.borrowed)
        return np.where(about, self.after.z, value), np.where(about, own, sd)


def _look(
    before: Surface,
    after: Design,
    x: Floats,
    y: Floats,
    nodes: Floats,
    surveyed: Bools,
    at_point: NDArray[np.int8] | None = None,
) -> _Looked:
    """Ask for no more than is needed: the design first, the old ground only where the design has an answer.

    at_point: (n,) the design's silence at the points themselves where it is known; else node 0 is the point.
    """
    shape = len(x), len(nodes)
    px, py = x[:, None] + nodes[:, 0], y[:, None] + nodes[:, 1]
    new = _shaped(after.surface.heights(px.ravel(), py.ravel()), shape)
    has = np.isfinite(new.z)
    if at_point is None:
        at_point = np.zeros(len(x), dtype=np.int8)
        silent = np.flatnonzero(~has[:, 0])
        at_point[silent] = after.silence(x[silent], y[silent])
    silence = _silence(after, px, py, has, nodes, at_point)
    # Followed out to where it meets the old ground, a design needs no search for its end.
    known = (at_point == 0) | (at_point == design.UNCHANGED)
    tied = (new.source == surfaces.TIED_IN) & known[:, None]
    tied[tied] = after.tied(px[tied], py[tied], new.source[tied])
    silence[tied] = design.UNCHANGED
    unchanged = silence == design.UNCHANGED
    asked = np.flatnonzero(has | (unchanged & surveyed[:, None]))
    old = Heights.nowhere(px.size)
    if len(asked):
        old = _spread_out(old, asked, before.heights(px.ravel()[asked], py.ravel()[asked]))
    old = _shaped(old, shape)
    z, sd = np.where(unchanged, old.z, new.z), np.where(unchanged, old.sd, new.sd)
    return _Looked.of(old, Heights(z, sd, new.source, new.names, new.borrowed), unchanged, silence, after.correlation)


def _silence(
    after: Design, px: Floats, py: Floats, has: Bools, nodes: Floats, at_point: NDArray[np.int8]
) -> NDArray[np.int8]:
    """(n, K) why the design is silent, 0 where it is not. A hydrant whose own point is unknown needs no search
    at its nodes; nor does a node that is nearer than `past` to one with ground."""
    code = np.where(has, 0, design.SHORT).astype(np.int8)
    lost = (at_point != 0) & (at_point != design.UNCHANGED)
    code[lost] = np.where(has[lost], 0, at_point[lost, None])
    if after.past is None or not (~has[~lost]).any():
        return code
    reach = float(np.sqrt(np.square(nodes).sum(axis=1).max()))
    alone = np.flatnonzero(~lost & ~has.any(axis=1))
    middle_x, middle_y = px[alone].mean(axis=1), py[alone].mean(axis=1)
    clear = alone[after.silence(middle_x, middle_y, margin=reach) == design.UNCHANGED]
    code[clear] = design.UNCHANGED
    ask = ~has & ~lost[:, None]
    ask[clear] = False
    if 2 * reach <= after.past:
        ask[has.any(axis=1)] = False
    code[ask] = after.silence(px[ask], py[ask])
    return code


def _shaped(flat: Heights, shape: tuple[int, int]) -> Heights:
    borrowed = None if flat.borrowed is None else flat.borrowed.reshape(shape)
    return Heights(flat.z.reshape(shape), flat.sd.reshape(shape), flat.source.reshape(shape), flat.names, borrowed)


def _spread_out(blank: Heights, rows: NDArray[np.intp], found: Heights) -> Heights:
    z, sd, source = blank.z.copy(), blank.sd.copy(), blank.source.copy()
    z[rows], sd[rows], source[rows] = found.z, found.sd, found.source
    return Heights(z, sd, source, found.names)


def _off_plane(value: Floats, nodes: Floats, weights: Floats) -> Floats:
    """(n,) range of the nodes' values about the plane through them: on a plane one normal is exact.

    Where a node is missing the plane cannot be told, and the range of the values themselves counts.
    """
    known = np.isfinite(value)
    whole = known.all(axis=1)
    left = value.copy()
    for axis in nodes.T:
        power = float(weights @ np.square(axis))
        if power > 0:
            # No matrix product: its rounding depends on how many rows there are.
            left[whole] -= ((value[whole] * (weights * axis)).sum(axis=1) / power)[:, None] * axis
    top = np.where(known, left, -np.inf).max(axis=1)
    low = np.where(known, left, np.inf).min(axis=1)
    return np.where(known.any(axis=1), top - low, 0.0)


def _one_normal(
    value: Floats, sd: Floats, weights: Floats, point: Floats | float | None = None
) -> tuple[Floats, Floats]:
    """Each hydrant's nodes as one normal about the point: (offset, sd), (n,) each; the point is node 0 by default."""
    known = np.isfinite(value)
    w = np.where(known, weights, 0.0)
    total = w.sum(axis=1, keepdims=True)
    w = w / np.where(total > 0, total, 1.0)
    offset = np.where(known, value - (value[:, :1] if point is None else point), 0.0)
    mean = (w * offset).sum(axis=1)
    variance = (w * (np.where(known, np.square(sd), 0.0) + np.square(offset))).sum(axis=1) - np.square(mean)
    return mean, np.sqrt(np.maximum(variance, 0.0))


@dataclass(frozen=True, slots=True)
class _Levels:
    """Several atoms for each of some hydrants: rows (m,), how many each (m,), and the atoms (a,) laid end to end."""

    rows: Ints
    counts: Ints
    mean: Floats
    weight: Floats
    sd: Floats

    @classmethod
    def of(cls, rows: Ints, offset: Floats, sd: Floats, weights: Floats, unchanged: Bools) -> _Levels:
        """Nodes (m, K) in at most `_BINS` levels a hydrant, mean and variance kept; unchanged ground apart."""
        known = np.isfinite(offset)
        w = np.where(known, weights, 0.0)
        w /= w.sum(axis=1, keepdims=True)
        low = np.where(known, offset, np.inf).min(axis=1, keepdims=True)
        width = np.maximum(np.where(known, offset, -np.inf).max(axis=1, keepdims=True) - low, 1e-12)
        with np.errstate(invalid="ignore"):
            level = np.minimum((offset - low) / width * _BINS, _BINS - 1)
        level = np.where(unchanged, _BINS, np.where(known, level, 0)).astype(np.int64)
        level += np.arange(len(rows))[:, None] * (_BINS + 1)
        size = len(rows) * (_BINS + 1)
        level, v, s, w = level[known], offset[known], sd[known], w[known]
        mass: Floats = np.bincount(level, w, size).astype(np.float64)
        kept = mass > 0
        safe = np.where(kept, mass, 1.0)
        mean = np.bincount(level, w * v, size) / safe
        variance = np.bincount(level, w * (np.square(s) + np.square(v - mean[level])), size) / safe
        counts = kept.reshape(-1, _BINS + 1).sum(axis=1)
        return cls(rows, counts, mean[kept], mass[kept], np.sqrt(variance[kept]))


def _joined(offset: Floats, sd: Floats, levels: Sequence[_Levels]) -> Mixture:
    """One atom each, but for the rows that have levels."""
    counts = np.ones(len(offset), dtype=np.int64)
    for part in levels:
        counts[part.rows] = part.counts
    start = np.concatenate(([0], np.cumsum(counts)))
    columns = [np.repeat(v, counts) for v in (offset, np.ones(len(offset)), sd)]
    for part in levels:
        first = np.cumsum(part.counts) - part.counts
        at = np.arange(len(part.mean)) + np.repeat(start[part.rows] - first, part.counts)
        for column, values in zip(columns, (part.mean, part.weight, part.sd), strict=True):
            column[at] = values
    return Mixture(start, *columns)


def joined(parts: list[tuple[Ints, GradeChange]], n: int) -> GradeChange:
    """Parts as one of n hydrants, each with the rows that it is of; the others are unknown and were not asked for.

    At least one part; all parts of a surface know the same names. `parts` is emptied on the way: the ground about many
    hydrants is large, and is never held twice.
    """
    first = parts[0][1]
    columns: dict[str, Any] = {
        name: np.full(n, blank, dtype=getattr(first, name).dtype) for name, blank in _BLANK.items()
    }
    names: dict[str, Any] = {
        name: max((getattr(part, name) for _, part in parts), key=len) for name in ("before_names", "after_names")
    }
    counts = np.ones(n, dtype=np.int64)
    for rows, part in parts:
        counts[rows] = part.ground.counts
    ground = Mixture.blank(counts)
    while parts:
        rows, part = parts.pop()
        for name, values in columns.items():
            values[rows] = getattr(part, name)
        ground.put(rows, part.ground)
    return GradeChange(**columns, ground=ground, **names)
