"""From points to stations and offsets: the feet of perpendicular that points have on roads.

Roads are cut into short spans; an index of their chords names the spans that may be near, exact geometry
answers on each: lines by projection, arcs by their centre, clothoids by Newton's method on the condition that the
way to the point is square to the road. The nearest spot of a road is such a foot, a kink that the point lies
outside of, or an end of the road.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from gradecheck.probability import Bools, Floats, Ints
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.pieces import ENDLESS, Spans, along

ALONGSIDE, BEFORE, PAST = 0, -1, 1

AS_NEAR = 1e-6
"""Feet are as near as one another within so much of the distance, or of a unit where that is more."""
_ELSEWHERE = 1e-3
"""Feet closer along the road than so much of their distance (and `AS_NEAR`) are one place."""
_ROUNDING = 1e-12
"""Of the lengths at hand: a foot this little past the end of its span is on it, so that none falls between two."""
_PAIRS, _POINTS, _SAMPLE = 400_000, 100_000, 200
"""Pairs of point and span, and points, worked on at once, which bounds the memory; points by which that is judged."""
_STEPS, _FINE = 60, 1e-11
"""Steps of Newton's method at most; its last step, of the bracket: the error left is the square of it."""
_CUTS = 3
"""Spans that curved pieces are cut into, about, for chords to lie close."""


@dataclass(frozen=True, slots=True, eq=False)
class Feet:
    """Where points lie on roads: k rows by point, then road; at most one for each point and road.

    point, road: (k,) numbers from 0.
    station: (k,) internal station of the road's spot nearest to the point.
    offset: (k,) the distance to that spot, positive right of the road looking up-station.
    place: (k,) ALONGSIDE; BEFORE or PAST where that spot is an end of the road and the point is not square beside it.
    tied: (k,) another foot of this road, elsewhere along it (by a thousandth of the distance), is as near (to
        `AS_NEAR` of the distance, or of a unit where that is more); the lower station is told.
    """

    point: Ints
    road: Ints
    station: Floats
    offset: Floats
    place: NDArray[np.int8]
    tied: Bools

    def __len__(self) -> int:
        return len(self.point)

    def take(self, rows: Ints) -> Feet:
        """Some rows, in the order given."""
        return Feet(*(getattr(self, name)[rows] for name in self.__slots__))

    @classmethod
    def laid(cls, parts: list[Feet]) -> Feet:
        """Rows of several one after the other; at least one part."""
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in cls.__slots__))

    @classmethod
    def none(cls) -> Feet:
        """No rows."""
        number, length = np.zeros(0, dtype=np.int64), np.zeros(0)
        return cls(number, number, length, length, np.zeros(0, dtype=np.int8), np.zeros(0, dtype=bool))


@dataclass(frozen=True, eq=False)
class Locator:
    """Roads to be asked where points lie on them; all in one plane system and unit.

    >>> road = Alignment.polyline("A", [(0, 0), (100, 0)], station=1000)
    >>> feet = Locator((road,)).feet(np.array([30.0, 50.0, 103.0]), np.array([-2.0, 60.0, 4.0]), reach=20)
    >>> feet.point.tolist(), feet.station.tolist(), feet.offset.tolist(), feet.place.tolist()
    ([0, 2], [1030.0, 1100.0], [2.0, -5.0], [0, 1])
    """

    roads: tuple[Alignment, ...]

    def feet(self, x: Floats, y: Floats, reach: float) -> Feet:
        """All roads within `reach` of points (n,): a row each. Points that are not finite have none.

        Raises ValueError where `reach` is below 0 or no number.
        """
        if not reach >= 0:
            raise ValueError(f"a reach is 0 or more, not {reach}")
        return self._feet(x, y, reach)

    def nearest(self, x: Floats, y: Floats) -> Feet:
        """The nearest road of each finite point (n,), at any distance: a row each, none where there are no roads.

        Of roads as near as one another the earlier is told; `tied` speaks of feet of one road only.
        """
        feet = self._feet(x, y, None)
        rows = np.flatnonzero(_as_near(feet, _firsts(feet.point)))
        return feet.take(rows[_firsts(feet.point[rows])])

    @cached_property
    def _index(self) -> _Index:
        return _Index.of(self.roads)

    def _feet(self, x: ArrayLike, y: ArrayLike, reach: float | None) -> Feet:
        x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        rows = np.flatnonzero((np.abs(x) < ENDLESS) & (np.abs(y) < ENDLESS))
        if not (len(rows) and self.roads):
            return Feet.none()
        parts = []
        for some in self._index.chunks(x[rows], y[rows], reach):
            feet = self._index.feet(x[rows[some]], y[rows[some]], reach)
            parts.append(replace(feet, point=rows[some][feet.point]))
        return Feet.laid(parts)


@dataclass(frozen=True, slots=True, eq=False)
class _Index:
    """Spans of R roads, S in all, each in its own frame: ahead and to the left from its start.

    tree: of the spans' chords. slack: how far a span may stand off its chord, rounding included.
    road: (S,). station: (S,) internal, at the start.
    before: (4, S) way from the end of the span before (a gap); cosine and sine of the turn from its heading.
    corner: (S,) it begins a piece, so that the road may turn there.
    opens, shuts: (S,) it begins at the start, ends at the end, of a road that is not closed.
    last: (R,) stations where roads end. around: (R,) length of closed roads, infinite for others.
    """

    tree: shapely.STRtree
    slack: float
    spans: Spans
    road: Ints
    station: Floats
    before: Floats
    corner: Bools
    opens: Bools
    shuts: Bools
    last: Floats
    around: Floats

    @classmethod
    def of(cls, roads: Sequence[Alignment]) -> _Index:
        """The spans of at least one road."""
        whole = Spans.whole(roads)
        sagitta = _sagitta(whole)
        spans = whole.cut(sagitta)
        pieces = np.array([len(road.x) for road in roads])
        road = np.repeat(np.arange(len(roads)), pieces)[spans.piece]
        station = np.concatenate([r.starts[:-1] for r in roads])[spans.piece] + spans.at
        first = _firsts(road)
        last = np.append(first[1:], len(road)) - 1
        closed = np.array([r.closed for r in roads])
        previous = np.arange(len(road)) - 1
        previous[first] = np.where(closed, last, first)
        opens, shuts = np.zeros(len(road), dtype=bool), np.zeros(len(road), dtype=bool)
        opens[first], shuts[last] = ~closed, ~closed
        dx, dy, heading = spans.run(np.arange(len(road)), spans.length)
        x, y, own = spans.x + spans.dx, spans.y + spans.dy, spans.heading
        chords = np.stack((x, y, x + dx, y + dy), axis=1).reshape(-1, 2, 2)
        gap_x = (spans.x - spans.x[previous]) + (spans.dx - spans.dx[previous] - dx[previous])
        gap_y = (spans.y - spans.y[previous]) + (spans.dy - spans.dy[previous] - dy[previous])
        before = np.stack((*_turned(gap_x, gap_y, *_direction(own)), *_direction(own - heading[previous])))
        before[:, opens] = np.array([[0.0], [0.0], [1.0], [0.0]])
        ends = np.array([r.last for r in roads])
        around = np.where(closed, ends - [r.first for r in roads], np.inf)
        tree, slack = (
            shapely.STRtree(shapely.linestrings(chords)),
            sagitta + 8 * float(np.spacing(np.abs(chords).max())),
        )
        return cls(tree, slack, spans, road, station, before, spans.at == 0, opens, shuts, ends, around)

    def chunks(self, x: Floats, y: Floats, reach: float | None) -> Iterator[slice]:
        """Slices of the points with about `_PAIRS` pairs each, judged by a sample."""
        sample = np.arange(0, len(x), max(1, len(x) // _SAMPLE))
        pairs = len(self._pairs(shapely.points(x[sample], y[sample]), reach)[0]) / len(sample)
        step = int(np.clip(_PAIRS / max(pairs, 1e-9), 1, _POINTS))
        return (slice(a, a + step) for a in range(0, len(x), step))

    def _pairs(self, points: NDArray[np.object_], reach: float | None) -> tuple[Ints, Ints, Floats]:
        """Points and spans perhaps within `reach` (None: perhaps the nearest), and (n,) that reach, with tolerance."""
        if reach is None:
            far = self.tree.query_nearest(points, all_matches=False, return_distance=True)[1] + self.slack
        else:
            far = np.full(len(points), float(reach))
        far = far + AS_NEAR * np.maximum(far, 1)
        point, span = self.tree.query(points, predicate="dwithin", distance=far + self.slack)
        return point, span, far

    def feet(self, x: Floats, y: Floats, reach: float | None) -> Feet:
        """Feet of finite points (n,)."""
        point, span, far = self._pairs(shapely.points(x, y), reach)
        dx = (x[point] - self.spans.x[span]) - self.spans.dx[span]
        dy = (y[point] - self.spans.y[span]) - self.spans.dy[span]
        u, v = _turned(dx, dy, *_direction(self.spans.heading[span]))
        spots = Feet.laid([f(point, span, u, v) for f in (self._inside, self._at_corners, self._at_ends)])
        feet = self._one_each(spots)
        return feet.take(np.flatnonzero(np.abs(feet.offset) <= far[feet.point]))

    def _inside(self, point: Ints, span: Ints, u: Floats, v: Floats) -> Feet:
        """Feet of perpendicular within spans, the points being `u` ahead and `v` to the left of their starts."""
        length = self.spans.length[span]
        s, n, level = _on_arc(self.spans.curvature[span], u, v)
        bent = np.flatnonzero(self.spans.sharpening[span])
        if len(bent):
            s[bent], n[bent] = self._on_clothoid(span[bent], u[bent], v[bent])
            level[bent] = False
        margin = _margin(length, u, v)
        rows = np.flatnonzero((s >= -margin) & (s <= length + margin))
        station = self.station[span[rows]] + np.clip(s[rows], 0.0, length[rows])
        place = np.zeros(len(rows), dtype=np.int8)
        return Feet(point[rows], self.road[span[rows]], station, -n[rows], place, level[rows])

    def _on_clothoid(self, span: Ints, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """(k,) lengths along clothoids to the feet nearest to points, and how far left these are; NaN without foot."""
        way, length = _Way(self.spans.curvature[span], self.spans.sharpening[span], u, v), self.spans.length[span]
        low, high = _brackets(way, length, _margin(length, u, v))
        there = np.flatnonzero(low <= high)
        s, n = np.full(len(span), np.nan), np.full(len(span), np.nan)
        s[there] = _falling_root(lambda k, at: way.ahead(there[k], at), low[there], high[there])
        n[there] = way.seen(there, s[there])[1]
        return s, n

    def _at_corners(self, point: Ints, span: Ints, u: Floats, v: Floats) -> Feet:
        """Starts of spans that are the nearest spot around: ends of roads, and kinks seen from outside."""
        margin = _margin(self.spans.length[span], u, v)
        rows = np.flatnonzero(self.corner[span] & (u <= margin))
        point, span, u, v, margin = point[rows], span[rows], u[rows], v[rows], margin[rows]
        gap_u, gap_v, c, s = self.before[:, span]
        opens, away = self.opens[span], np.hypot(u, v)
        # The heading before is (c, -s) as seen from the span; how far the point is ahead along it, from its end:
        since = (u + gap_u) * c - (v + gap_v) * s
        # Left or right of the way between the two headings; where the road turns back, of the heading before.
        left = np.where(c > -1 + AS_NEAR**2, v + c * v + s * u, c * v + s * u) > 0
        place = np.where(opens & (-u > AS_NEAR * np.maximum(away, 1)), BEFORE, ALONGSIDE).astype(np.int8)
        offset, tied = np.where(left, -away, away), np.zeros(len(rows), dtype=bool)
        spots = Feet(point, self.road[span], self.station[span], offset, place, tied)
        return spots.take(np.flatnonzero(opens | (since >= -margin)))

    def _at_ends(self, point: Ints, span: Ints, u: Floats, v: Floats) -> Feet:
        """Ends of roads that are the nearest spot around."""
        rows = np.flatnonzero(self.shuts[span])
        point, span, u, v = point[rows], span[rows], u[rows], v[rows]
        way, length = _Way(self.spans.curvature[span], self.spans.sharpening[span], u, v), self.spans.length[span]
        past, left, _ = way.seen(np.arange(len(rows)), length)
        away = np.hypot(past, left)
        place = np.where(past > AS_NEAR * np.maximum(away, 1), PAST, ALONGSIDE).astype(np.int8)
        offset, tied = np.where(left > 0, -away, away), np.zeros(len(rows), dtype=bool)
        spots = Feet(point, self.road[span], self.last[self.road[span]], offset, place, tied)
        return spots.take(np.flatnonzero(past >= -_margin(length, past, left)))

    def _one_each(self, spots: Feet) -> Feet:
        """The nearest spot of each road to each point; of those as near, the lowest station."""
        key = spots.point * len(self.around) + spots.road
        order = np.argsort(key, kind="stable")
        spots, key = spots.take(order), key[order]
        start = _firsts(key)
        group = np.repeat(np.arange(len(start)), np.diff(np.append(start, len(key))))
        as_near = _as_near(spots, start)
        lowest = np.minimum.reduceat(np.where(as_near, spots.station, np.inf), start)[group]
        apart = np.abs(spots.station - lowest)
        apart = np.minimum(apart, np.abs(self.around[spots.road] - apart))
        elsewhere = apart > _ELSEWHERE * np.abs(spots.offset) + AS_NEAR
        tied = np.logical_or.reduceat(as_near & (spots.tied | elsewhere), start)
        told = np.flatnonzero(as_near & (spots.station == lowest))
        feet = spots.take(told[_firsts(group[told])])
        return replace(feet, station=np.minimum(feet.station, self.last[feet.road]), tied=tied)


@dataclass(frozen=True, slots=True, eq=False)
class _Way:
    """Clothoids (k,) in their own frames, and points `u` ahead and `v` to the left of their starts."""

    curvature: Floats
    sharpening: Floats
    u: Floats
    v: Floats

    def seen(self, rows: Ints, s: Floats) -> tuple[Floats, Floats, Floats]:
        """From lengths along some of them: the point ahead and to the left, and the curvature there."""
        curvature, sharpening = self.curvature[rows], self.sharpening[rows]
        dx, dy = along(np.zeros(len(s)), curvature, sharpening, s)
        turn = _direction(s * (curvature + 0.5 * sharpening * s))
        return *_turned(self.u[rows] - dx, self.v[rows] - dy, *turn), curvature + sharpening * s

    def ahead(self, rows: Ints, s: Floats) -> tuple[Floats, Floats]:
        """How far ahead the point is, 0 at a foot, and how that changes: at -1, more by curvature times left."""
        ahead, left, curvature = self.seen(rows, s)
        return ahead, curvature * left - 1

    def change(self, rows: Ints, s: Floats) -> tuple[Floats, Floats]:
        """The change of `ahead`, and its own change."""
        ahead, left, curvature = self.seen(rows, s)
        return curvature * left - 1, self.sharpening[rows] * left - curvature**2 * ahead


def _brackets(way: _Way, length: Floats, margin: Floats) -> tuple[Floats, Floats]:
    """Lengths (k,) between which the point, ahead at first, falls behind: there is the foot. (0, -1) without foot.

    On a span that turns one way and little there are at most two places square to a point, a nearest and a
    farthest: the evolute is an arc without inflection, to which a point has at most two tangents. One of each
    leaves the signs at both ends alike, and the change of `ahead` then has a single root, between them.
    """
    rows = np.arange(len(length))
    first, slope = way.ahead(rows, np.zeros(len(rows)))
    last, slope_last = way.ahead(rows, length)
    dip = (first > 0) & (last >= -margin) & (slope < 0) & (slope_last > 0)
    rise = (first <= margin) & (last < 0) & (slope > 0) & (slope_last < 0)
    plain = (first >= -margin) & (last <= margin) & ~dip & ~rise
    low = np.where(plain & (first > 0) & (last >= 0), length, 0.0)
    high = np.where(plain, np.where(first > 0, length, 0.0), -1.0)
    fold = np.flatnonzero(dip | rise)
    sign = np.where(dip[fold], -1.0, 1.0)

    def rising(k: Ints, s: Floats) -> tuple[Floats, Floats]:
        value, change = way.change(fold[k], s)
        return sign[k] * value, sign[k] * change

    turn = _falling_root(rising, np.zeros(len(fold)), length[fold])
    met = sign * way.ahead(fold, turn)[0] > 0
    fold, turn, foot_first = fold[met], turn[met], sign[met] < 0
    low[fold], high[fold] = np.where(foot_first, 0.0, turn), np.where(foot_first, turn, length[fold])
    return low, high


def _falling_root(value: Callable[[Ints, Floats], tuple[Floats, Floats]], low: Floats, high: Floats) -> Floats:
    """Where values fall through 0 between `low` and `high` (k,), by Newton's method, halving where it would leave.

    value: rows and places -> values and slopes.
    """
    low, high, fine = low.copy(), high.copy(), _FINE * (high - low)
    s = 0.5 * (low + high)
    rows = np.arange(len(s))
    for _ in range(_STEPS):
        if not len(rows):
            break
        at, (ahead, slope) = s[rows], value(rows, s[rows])
        low[rows], high[rows] = np.where(ahead > 0, at, low[rows]), np.where(ahead > 0, high[rows], at)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = at - ahead / slope
        good = (slope < 0) & (step >= low[rows]) & (step <= high[rows])
        s[rows] = np.where(good, step, 0.5 * (low[rows] + high[rows]))
        rows = rows[np.abs(s[rows] - at) > fine[rows]]
    return s


def _on_arc(curvature: Floats, u: Floats, v: Floats) -> tuple[Floats, Floats, Bools]:
    """(k,) lengths along lines and arcs to the feet of points, how far left these are, and which are at the centre.

    At the centre, to half of `AS_NEAR` of the radius, every place is as near: the start is told.
    """
    across = 1 - curvature * v
    radii = np.hypot(curvature * u, across)
    centre = radii <= AS_NEAR / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.where(curvature == 0, u, np.arctan2(curvature * u, across) / curvature)
    # (1 - radii) / curvature, without its loss of digits on gentle curves.
    n = 2 * v / (1 + radii) - curvature * u / (1 + radii) * u - curvature * v / (1 + radii) * v
    return np.where(centre, 0.0, s), n, centre


def _firsts(numbers: Ints) -> Ints:
    """Rows where a new number begins, from 0 up."""
    return np.flatnonzero(np.diff(numbers, prepend=-1))


def _as_near(feet: Feet, start: Ints) -> Bools:
    """(k,) which are as near as the nearest of their group; groups begin at rows `start`."""
    away = np.abs(feet.offset)
    least = np.minimum.reduceat(away, start)
    return away <= np.repeat(least + AS_NEAR * np.maximum(least, 1), np.diff(np.append(start, len(away))))


def _margin(length: Floats, u: Floats, v: Floats) -> Floats:
    return _ROUNDING * (length + np.abs(u) + np.abs(v))


def _direction(heading: Floats) -> tuple[Floats, Floats]:
    return np.cos(heading), np.sin(heading)


def _turned(dx: Floats, dy: Floats, c: Floats, s: Floats) -> tuple[Floats, Floats]:
    """Ways as seen along directions (c, s): ahead and to the left."""
    return dx * c + dy * s, dy * c - dx * s


def _sagitta(whole: Spans) -> float:
    """That which cuts curved pieces into about `_CUTS` spans on average, the long and the sharp into more."""
    tightest = np.maximum(np.abs(whole.curvature), np.abs(whole.curvature + whole.sharpening * whole.length))
    cuts = whole.length * np.sqrt(tightest / 8)
    # Never 0, not even where nothing is curved: lines are not cut.
    return max(float(cuts.sum()) / (_CUTS * max(int(np.count_nonzero(cuts)), 1)), 1e-5) ** 2
