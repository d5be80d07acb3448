"""Road alignments in plan: lines, circular arcs and clothoids laid end to end, with stations along them.

x is east and y north, in any linear unit, the same for all. A station is the length along the road, counted from
`Alignment.station` at its start. Offsets are positive to the right looking up-station. Headings are radians
counter-clockwise from east; curvature is 1/unit, positive where the road turns left (counter-clockwise).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import atan2, dist, hypot, inf, isfinite, isinf, nan, pi

import numpy as np
from numpy.typing import ArrayLike

from gradecheck.errors import Finding, InputError
from gradecheck.probability import Floats, Ints

GAP = 0.01
"""How far the end of one piece may lie from the start of the next, unless the caller says; in the alignment's unit."""
ENDLESS = 1e100
"""Numbers from here on, infinity and not-a-number are no coordinates."""
MOST_TURN = pi / 6
"""Radians that a span turns by at most."""
_MOST_TURNS = 100
"""Full turns that one piece may make: beyond them a length or a radius is in another unit."""
_SLACK = 1e-9
"""Stations this near an end, relative to the largest station, are at it."""
# Over a turn of 30 degrees the error of 8 nodes is far below rounding.
_NODES, _WEIGHTS = (np.asarray(a, dtype=np.float64) / 2 for a in np.polynomial.legendre.leggauss(8))

_NUMBERS = ("x", "y", "heading", "curvature", "sharpening", "length")

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Piece:
    """One element of an alignment: a line, a circular arc or a clothoid.

    x, y: its start. heading: at its start, radians counter-clockwise from east.
    curvature: at its start, 1/unit, positive to the left, 0 for a line.
    sharpening: change of curvature per unit of length, 0 for lines and arcs.
    length: along it.
    """

    x: float
    y: float
    heading: float
    curvature: float
    sharpening: float
    length: float

    @property
    def end(self) -> Point:
        """Where it ends; NaN where its numbers make no piece of a road."""
        if self.fault():
            return nan, nan
        x, y = Spans.whole([self]).cut().ends()
        return float(x[0]), float(y[0])

    def fault(self) -> str:
        """What makes it no piece of a road, in words; empty where nothing does."""
        if isinf(self.curvature):
            return "has a radius of 0"
        values = self.x, self.y, self.heading, self.curvature, self.sharpening, self.length
        if not all(abs(value) < ENDLESS for value in values):
            return "has a value that is not a number"
        if self.length < 0:
            return f"has a negative length, {self.length:.12g}"
        tightest = max(abs(self.curvature), abs(self.curvature + self.sharpening * self.length))
        return f"turns more than {_MOST_TURNS} times" if tightest * self.length > _MOST_TURNS * 2 * pi else ""


def line(start: Point, end: Point) -> Piece:
    """A straight line."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    return Piece(start[0], start[1], atan2(dy, dx), 0.0, 0.0, hypot(dx, dy))


def arc(start: Point, centre: Point, end: Point, clockwise: bool) -> Piece:
    """A circular arc with the radius from `start` to `centre`; a full turn where start and end are the same.

    It ends abreast of `end` as seen from the centre; compare its `end` with the one given to see that the three
    points agree. Where start and centre are the same it has no radius, which `Alignment.joined` will say.

    >>> round(arc((0, 0), (0, -500), (433.012702, -250), clockwise=True).length, 5)
    523.59878
    """
    ax, ay = start[0] - centre[0], start[1] - centre[1]
    bx, by = end[0] - centre[0], end[1] - centre[1]
    left = -1.0 if clockwise else 1.0
    radius = hypot(ax, ay)
    sweep = left * atan2(ax * by - ay * bx, ax * bx + ay * by)
    length = radius * (sweep if not sweep <= 0 else sweep + 2 * pi)
    return Piece(start[0], start[1], atan2(left * ax, -left * ay), left / radius if radius else inf, 0.0, length)


def clothoid(start: Point, heading: float, length: float, curvature_start: float, curvature_end: float) -> Piece:
    """A clothoid: its curvature changes evenly, from or to 0, between two radii or from one hand to the other."""
    sharpening = (curvature_end - curvature_start) / length if length else 0.0
    return Piece(start[0], start[1], heading, curvature_start, sharpening, length)


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """Pieces, or what they are cut into, S in all and in order.

    piece: (S,) which piece, from 0.
    x, y: (S,) the start of that piece.
    dx, dy: (S,) from there to the start of the span; apart, so that large coordinates take no digits away.
    at: (S,) length from the start of the piece to the span.
    heading, curvature, sharpening, length: (S,) as in `Piece`, at the start of the span.
    """

    piece: Ints
    x: Floats
    y: Floats
    dx: Floats
    dy: Floats
    at: Floats
    heading: Floats
    curvature: Floats
    sharpening: Floats
    length: Floats

    @classmethod
    def whole(cls, pieces: Sequence[Piece | Alignment]) -> Spans:
        """Pieces, or those of several alignments one after the other, not cut."""
        x, y, heading, curvature, sharpening, length = (
            np.concatenate([np.array(getattr(p, name), dtype=np.float64, ndmin=1) for p in pieces]) for name in _NUMBERS
        )
        none = np.zeros(len(x))
        return cls(np.arange(len(x)), x, y, none, none, none, heading, curvature, sharpening, length)

    def run(self, rows: Ints, s: Floats) -> tuple[Floats, Floats, Floats]:
        """(k,) way in x and y from the start of spans `rows` to a length `s` along them, and the heading there."""
        heading, curvature, sharpening = self.heading[rows], self.curvature[rows], self.sharpening[rows]
        return *along(heading, curvature, sharpening, s), heading + s * (curvature + 0.5 * sharpening * s)

    def ends(self) -> tuple[Floats, Floats]:
        """(P,) x and y where each piece ends."""
        rows = np.flatnonzero(np.diff(self.piece, append=-1))
        dx, dy, _ = self.run(rows, self.length[rows])
        return self.x[rows] + (self.dx[rows] + dx), self.y[rows] + (self.dy[rows] + dy)

    def cut(self, sagitta: float = inf) -> Spans:
        """Whole pieces cut so that each span turns one way, by at most `MOST_TURN`.

        No span stands off its chord by more than `sagitta`: r'' of a curve by length is its curvature, so that the
        chord over h is within h²/8 times the greatest of it.
        """
        piece, at, length = self._one_handed()
        ends = (np.abs(self.curvature[piece] + self.sharpening[piece] * s) for s in (at, at + length))
        tightest = np.maximum(*ends)
        least = np.maximum(tightest / MOST_TURN, np.sqrt(tightest / (8 * sagitta))) * length
        count = np.maximum(np.ceil(least - 1e-9), 1).astype(np.int64)
        piece, length = np.repeat(piece, count), np.repeat(length / count, count)
        return self._cut_at(piece, np.repeat(at, count) + _turns(count) * length, length)

    def _one_handed(self) -> tuple[Ints, Floats, Floats]:
        """Piece, start and length of parts without a change from left to right inside."""
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            change = -self.curvature / self.sharpening
        inside = (change > 0) & (change < self.length)
        count = np.where(inside, 2, 1)
        piece, second = np.repeat(np.arange(len(count)), count), _turns(count) == 1
        at = np.where(second, change[piece], 0.0)
        return piece, at, np.where(inside[piece] & ~second, change[piece], self.length[piece] - at)

    def _cut_at(self, piece: Ints, at: Floats, length: Floats) -> Spans:
        sharpening = self.sharpening[piece]
        curvature = self.curvature[piece] + sharpening * at
        heading = self.heading[piece] + at * (self.curvature[piece] + 0.5 * sharpening * at)
        run = np.stack(along(heading, curvature, sharpening, length))
        way, turn = np.zeros_like(run), _turns(np.bincount(piece, minlength=len(self.x)))
        # Piece by piece, not as one running sum: its rounding would grow with all the roads before.
        order = np.argsort(turn, kind="stable")
        for rows in np.split(order, np.flatnonzero(np.diff(turn[order])) + 1)[1:]:
            way[:, rows] = way[:, rows - 1] + run[:, rows - 1]
        return Spans(piece, self.x[piece], self.y[piece], way[0], way[1], at, heading, curvature, sharpening, length)


def along(heading: Floats, curvature: Floats, sharpening: Floats, s: Floats) -> tuple[Floats, Floats]:
    """(k,) way in x and y along curves that begin so, over lengths `s` in which they turn by at most `MOST_TURN`.

    Lines and arcs in closed form, whatever they turn by; clothoids by Gauss-Legendre quadrature of cos and sin
    of the heading, heading + curvature s + sharpening s²/2.
    """
    chord = s * np.sinc(curvature * s / (2 * pi))
    middle = heading + 0.5 * curvature * s
    dx, dy = chord * np.cos(middle), chord * np.sin(middle)
    bent = np.flatnonzero(sharpening)
    if len(bent):
        t = s[bent, None] * (0.5 + _NODES)
        angle = heading[bent, None] + t * (curvature[bent, None] + 0.5 * sharpening[bent, None] * t)
        dx[bent] = s[bent] * (np.cos(angle) @ _WEIGHTS)
        dy[bent] = s[bent] * (np.sin(angle) @ _WEIGHTS)
    return dx, dy


def _turns(count: Ints) -> Ints:
    """0, 1, ... within each of so many."""
    ends = np.cumsum(count)
    return np.arange(count.sum(), dtype=np.int64) - np.repeat(ends - count, count)


@dataclass(frozen=True, slots=True)
class Equation:
    """A station equation: from the internal station `at` on, labels begin at `ahead`.

    decreasing: they count down from there.
    """

    at: float
    ahead: float
    decreasing: bool = False


@dataclass(frozen=True, eq=False)
class Alignment:
    """A road's line in plan: P pieces end to end. Made by `joined` or `polyline`, which check it.

    name: for people. station: internal station of the start; may be negative.
    x, y, heading, curvature, sharpening, length: (P,) as in `Piece`; read only.
    equations: by rising `at`; they change what stations are called, nothing else.
    closed: it ends where it starts (within the gap allowed), so that there is no before and no past.
    """

    name: str
    x: Floats
    y: Floats
    heading: Floats
    curvature: Floats
    sharpening: Floats
    length: Floats
    station: float = 0.0
    equations: tuple[Equation, ...] = ()
    closed: bool = False

    @classmethod
    def joined(
        cls,
        name: str,
        pieces: Sequence[Piece],
        station: float = 0.0,
        equations: Sequence[Equation] = (),
        gap: float = GAP,
    ) -> Alignment:
        """Pieces one after the other; those without length are dropped, kinks between them are allowed.

        Raises InputError with a finding for each piece and equation that cannot be, each pair further apart than `gap`.
        """
        numbered = [(i, p) for i, p in enumerate(pieces, start=1) if p.fault() or p.length > _least((p.x, p.y))]
        found = [Finding(name, f"piece {i} {p.fault()}", "correct it in the file") for i, p in numbered if p.fault()]
        found += [
            Finding(name, f"piece {j} starts {apart:.6g} from the end of piece {i}, more than {gap:g}", "correct them")
            for (i, before), (j, after) in pairwise(numbered)
            if (apart := dist(before.end, (after.x, after.y))) > gap
        ]
        found += _misplaced(name, station, equations)
        if not numbered:
            found.append(Finding(name, "has no piece with a length", "give it at least one line, arc or clothoid"))
        if found:
            raise InputError(found)
        return cls._of(name, Spans.whole([p for _, p in numbered]), station, equations, gap)

    @classmethod
    def polyline(cls, name: str, xy: ArrayLike, station: float = 0.0, equations: Sequence[Equation] = ()) -> Alignment:
        """Straight lines through vertices (n, 2); repeated ones are dropped. Raises InputError."""
        vertices = np.array(xy, dtype=np.float64)
        vertices = vertices.reshape(len(vertices), 2)
        found = _misplaced(name, station, equations)
        lost = np.flatnonzero(~(np.abs(vertices) < ENDLESS).all(axis=1))
        if len(lost):
            what = f"{len(lost)} of its {len(vertices)} vertices have no place in plan, first vertex {lost[0] + 1}"
            raise InputError([*found, Finding(name, what, "correct their coordinates")])
        step = np.hypot(*np.diff(vertices, axis=0).T)
        vertices = vertices[np.append(step > _least(vertices), True)[: len(vertices)]]
        if len(vertices) < 2:
            found.append(Finding(name, "has no two different vertices", "give it at least two"))
        if found:
            raise InputError(found)
        (x, y), (dx, dy) = vertices[:-1].T, np.diff(vertices, axis=0).T
        none, number = np.zeros(len(x)), np.arange(len(x))
        lines = Spans(number, x, y, none, none, none, np.arctan2(dy, dx), none, none, np.hypot(dx, dy))
        return cls._of(name, lines, station, equations, GAP)

    @classmethod
    def _of(cls, name: str, whole: Spans, station: float, equations: Sequence[Equation], gap: float) -> Alignment:
        x, y = whole.cut().ends()
        closed = hypot(x[-1] - whole.x[0], y[-1] - whole.y[0]) <= min(gap, whole.length.sum() / 4)
        arrays = whole.x, whole.y, whole.heading, whole.curvature, whole.sharpening, whole.length
        for array in arrays:
            array.flags.writeable = False
        return cls(name, *arrays, float(station), tuple(sorted(equations, key=lambda e: e.at)), bool(closed))

    @cached_property
    def spans(self) -> Spans:
        """The pieces cut so that each span turns one way and little."""
        return Spans.whole([self]).cut()

    @cached_property
    def starts(self) -> Floats:
        """(P + 1,) internal stations where pieces start, and of the end."""
        return self.station + np.concatenate(([0.0], np.cumsum(self.length)))

    @property
    def first(self) -> float:
        """Internal station of the start."""
        return self.station

    @property
    def last(self) -> float:
        """Internal station of the end."""
        return float(self.starts[-1])

    def points(self, station: ArrayLike, offset: ArrayLike = 0.0) -> tuple[Floats, Floats]:
        """(n,) x and y at internal stations and offsets (n,) or one for all; NaN outside `first` to `last`.

        At a kink the offset is square to the piece that begins there.

        >>> x, y = Alignment.polyline("A", [(0, 0), (10, 0), (10, 10)]).points([4, 12], [1, -1])
        >>> x.round(9).tolist(), y.round(9).tolist()
        ([4.0, 9.0], [-1.0, 2.0])
        """
        spans, away, (row, rest) = self.spans, np.asarray(offset, dtype=np.float64), self._spot(station)
        dx, dy, heading = spans.run(row, rest)
        x = spans.x[row] + (spans.dx[row] + dx + away * np.sin(heading))
        return x, spans.y[row] + (spans.dy[row] + dy - away * np.cos(heading))

    def heading_at(self, station: ArrayLike) -> Floats:
        """(n,) headings at internal stations, -pi to pi; at a kink that of the piece that begins; NaN outside."""
        heading = self.spans.run(*self._spot(station))[2]
        return np.arctan2(np.sin(heading), np.cos(heading))

    def _spot(self, station: ArrayLike) -> tuple[Ints, Floats]:
        """The span of each station and the length along it, NaN outside."""
        s = np.atleast_1d(np.asarray(station, dtype=np.float64))
        slack = _SLACK * max(abs(self.first), abs(self.last))
        s = np.where((s >= self.first - slack) & (s <= self.last + slack), np.clip(s, self.first, self.last), np.nan)
        starts = self.starts[self.spans.piece] + self.spans.at
        row = np.clip(np.searchsorted(starts, s, side="right") - 1, 0, len(starts) - 1)
        return row, s - starts[row]

    def label(self, station: float) -> float:
        """The number that an internal station goes by; where numbers begin anew, the new one.

        >>> road = Alignment.polyline("A", [(0, 0), (900, 0)], 0, [Equation(500, 2000), Equation(800, 100, True)])
        >>> [road.label(s) for s in (499, 500, 600, 810)]
        [499.0, 2000.0, 2100.0, 90.0]
        """
        e = [Equation(0.0, 0.0), *(e for e in self.equations if e.at <= station)][-1]
        return float(e.ahead + (e.at - station if e.decreasing else station - e.at))

    def stations_of(self, label: float) -> list[float]:
        """Internal stations that go by a label, rising; none, one or several. Where they begin anew both count.

        >>> road = Alignment.polyline("A", [(0, 0), (900, 0)], 0, [Equation(500, 450)])
        >>> road.stations_of(480), road.stations_of(500), road.stations_of(1000)
        ([480.0, 530.0], [500.0, 550.0], [])
        """
        slack = _SLACK * max(abs(self.first), abs(self.last), abs(label))
        ends = [e.at for e in self.equations] + [inf]
        found: list[float] = []
        for e, begin, end in zip((Equation(0.0, 0.0), *self.equations), (-inf, *ends), ends, strict=False):
            low, high = max(begin, self.first), min(end, self.last)
            s = e.at + (e.ahead - label if e.decreasing else label - e.ahead)
            if low <= high and low - slack <= s <= high + slack:
                found.append(float(min(max(s, low), high)))
        return [s for i, s in enumerate(found) if not i or s - found[i - 1] > slack]

    def densified(self, sagitta: float) -> tuple[Floats, Floats]:
        """Vertices (k, 2) of chords within `sagitta` (> 0, else ValueError) of the line, and their stations (k,)."""
        if not sagitta > 0:
            raise ValueError(f"a sagitta is above 0, not {sagitta}")
        spans = Spans.whole([self]).cut(sagitta)
        stations = np.append(self.starts[spans.piece] + spans.at, self.last)
        x, y = spans.ends()
        return np.stack((np.append(spans.x + spans.dx, x[-1]), np.append(spans.y + spans.dy, y[-1])), axis=1), stations


def _least(xy: ArrayLike) -> float:
    """The shortest step that coordinates of this size can tell."""
    return 4 * float(np.spacing(np.abs(xy).max(initial=0.0)))


def _misplaced(name: str, station: float, equations: Sequence[Equation]) -> list[Finding]:
    """Stations that are no numbers, equations that begin at the same place."""
    found = [] if isfinite(station) else [Finding(name, "its start station is not a number", "correct it")]
    for i, e in enumerate(equations, start=1):
        if not (isfinite(e.at) and isfinite(e.ahead)):
            found.append(Finding(name, f"station equation {i} has a value that is not a number", "correct it"))
        elif any(e.at == other.at for other in equations[: i - 1]):
            found.append(Finding(name, f"two station equations begin at {e.at:g}", "keep one of them"))
    return found
