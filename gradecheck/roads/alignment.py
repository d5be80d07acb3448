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
from math import dist, hypot, inf, isfinite

import numpy as np
from numpy.typing import ArrayLike

from gradecheck.errors import Finding, InputError
from gradecheck.probability import Floats, Ints
from gradecheck.roads.pieces import ENDLESS, Piece, Spans

GAP = 0.01
"""How far the end of one piece may lie from the start of the next, unless the caller says; in the alignment's unit."""
_SLACK = 1e-9
"""Stations this near an end, relative to the largest station, are at it."""


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
