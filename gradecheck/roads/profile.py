"""Vertical profiles: heights along a road from tangents, parabolas, circular curves, or a plain table.

Any linear unit, the same for stations, heights, lengths and radii. Every piece of a profile has one form: at `u`
past its start a parabola says `z + g u + b u²/2`; a circle of curvature `k`, whose angle is `a` there,
`sin a = sin a0 + k u` and `z + u (sin a + sin a0) / (cos a + cos a0)`: no difference of nearly equal numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from gradecheck.errors import Finding, InputError
from gradecheck.probability import Bools, Floats, Ints

_ROUNDING = 1e-8
"""Stations this near are one: the rounding of doubles."""
_TOUCH = 1e-6
_THREE_DECIMALS = 0.002
"""Curves may overlap by a millionth of the way between their vertices, or by what stations and lengths rounded to
three decimals add up to; the later curve then begins a little early, which moves no height by more than
`curvature * overlap² / 2`."""
_ARC_SHARE = 0.01
_HEIGHT_ROUNDING = 0.001
"""An arc length may differ from radius times turn by 1 %, or by what heights rounded to three decimals make of it."""
_NAMED = 5
"""Places that one finding about a table names."""


@dataclass(frozen=True, slots=True)
class Bend:
    """One vertex of a profile: where two grades meet, with the curve that rounds it.

    station: of the vertex, where the tangents meet. height: of the tangents there, not of the curve.
    length: horizontal length of a parabola, half of it on either side; the arc's own length where `radius` is given
        (0 there: not stated, the radius alone decides); 0 for no curve.
    length_out: makes the parabola unsymmetric: `length` is before the vertex, this after it.
    radius: of a circular curve. Its sign is of no account: the grades tell a sag from a crest.
    """

    station: float
    height: float
    length: float = 0.0
    length_out: float | None = None
    radius: float | None = None

    @property
    def curved(self) -> bool:
        """Whether anything is said of a curve."""
        return self.length != 0 or self.radius is not None or bool(self.length_out)


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """Heights along a road, piece by piece without gaps. P pieces; any linear unit.

    name: what people call it.
    start: (P,) station where each piece begins, rising; the first is the profile's.
    end: (P,) station where each ends: the start of the next.
    height: (P,) at the start.
    grade: (P,) rise per unit of station at the start, + up.
    bending: (P,) change of grade per unit of station along a parabola, + in a sag; 0 elsewhere.
    curvature: (P,) 1 / radius of a circle, + in a sag; 0 elsewhere.

    >>> crest = Profile.of("textbook", [Bend(5000, 1292.5), Bend(5650, 1325, length=500), Bend(6000, 1312.75)])
    >>> crest.heights(np.array([5400.0, 5700.0, 7000.0]))
    array([1312.5 , 1319.85,     nan])
    >>> crest.turning_points().round(3)
    array([[5694.118, 1319.853]])
    """

    name: str
    start: Floats
    end: Floats
    height: Floats
    grade: Floats
    bending: Floats
    curvature: Floats

    @classmethod
    def of(cls, name: str, bends: Sequence[Bend], shown: str = "") -> Profile:
        """Tangents from vertex to vertex, rounded by their curves.

        A parabola: z(u) = z0 + g1 u + (g2 - g1) / (2 L) u²; an unsymmetric one is two that meet below the vertex
        at e = (g2 - g1) L1 L2 / (2 (L1 + L2)) with grade (g1 L1 + g2 L2) / (L1 + L2). A circle: tangents of
        T = R tan(|a2 - a1| / 2) along the slopes a = atan g; where its length is stated it is a check only.

        `shown` is what findings begin with (by default the name). Raises InputError with every finding: too few
        vertices, no numbers, stations that do not rise, grades steeper than 1:1, curves at the ends or past them,
        curves that overlap, arcs that contradict their radius.
        """
        corners = _Corners.of(bends)
        findings = _findings(shown or f"profile {name!r}", corners)
        if findings:
            raise InputError(findings)
        return cls._joined(name, corners.pieces(), bends[0].station, bends[-1].station)

    @classmethod
    def table(cls, name: str, stations: Floats, heights: Floats, shown: str = "") -> Profile:
        """Straight pieces through (n,) stations and heights, as a survey or a 3D line gives them.

        A repeated station of the same height (both within 1e-8) is dropped. Steps and walls steeper than 1:1 are
        ground like any other. Raises InputError with every finding: fewer than two
        stations, no numbers, stations that do not rise, one station of two heights.

        >>> Profile.table("ground", np.array([0.0, 10.0, 10.0, 30.0]), np.array([5.0, 6.0, 6.0, 4.0])).grade
        array([ 0.1, -0.1])
        """
        s, z = np.asarray(stations, dtype=np.float64), np.asarray(heights, dtype=np.float64)
        findings = _table_findings(shown or f"profile {name!r}", s, z)
        if findings:
            raise InputError(findings)
        kept = np.concatenate(([True], np.diff(s) > _ROUNDING))
        s, z = s[kept], z[kept]
        none = np.zeros(len(s) - 1)
        return cls(name, s[:-1], s[1:], z[:-1], np.diff(z) / np.diff(s), none, none)

    @classmethod
    def _joined(cls, name: str, pieces: Sequence[_Piece], first: float, last: float) -> Profile:
        """Pieces laid end to end; one that begins before `first` or the piece before it is cut there."""
        raw, z, grade, bending, curvature = np.array(pieces, dtype=np.float64).T
        start = np.minimum(np.maximum.accumulate(np.maximum(raw, first)), last)
        start[0] = first
        end = np.append(start[1:], last)
        z, grade = _form(start - raw, z, grade, bending, curvature)
        keep = end > start
        return cls(name, *(a[keep] for a in (start, end, z, grade, bending, curvature)))

    @property
    def first(self) -> float:
        """The station where it begins."""
        return float(self.start[0])

    @property
    def last(self) -> float:
        """The station where it ends."""
        return float(self.end[-1])

    def heights(self, station: Floats) -> Floats:
        """(n,) heights at (n,) stations; NaN outside first..last (ends met within 1e-8)."""
        return self._at(station)[0]

    def grades(self, station: Floats) -> Floats:
        """(n,) rise per unit of station, that of the piece ahead at a break; NaN outside first..last."""
        return self._at(station)[1]

    def curvatures(self, station: Floats) -> Floats:
        """(n,) change of grade per unit of station, that of the piece ahead at a joint; NaN outside first..last.

        0 on straight pieces; `curvature / cos³` of the slope on a circle.
        """
        k, inside = self._pieces(station)
        grade = self._at(station)[1]
        return np.where(inside, self.bending[k] + self.curvature[k] * (1 + grade**2) ** 1.5, np.nan)

    def turning_points(self) -> Floats:
        """(k, 2) station and height of the highs and lows inside curves, in order; level stretches are none."""
        bending, curvature, grade = self.bending, self.curvature, self.grade
        last = _form(self.end[-1:] - self.start[-1:], *(a[-1:] for a in self._shape()))[1]
        after = np.append(grade[1:], last)
        curved = (bending != 0) | (curvature != 0)
        # A parabola may turn just where its two halves meet: there the sign changes in the next piece only.
        beyond = np.where(np.append(curved[1:], False), np.append(after[1:], 0.0), 0.0)
        turns = curved & ((grade * after < 0) | ((after == 0) & (grade * beyond < 0)))
        sine = grade / np.sqrt(1 + grade**2)
        with np.errstate(divide="ignore", invalid="ignore"):
            u = np.where(curvature != 0, -sine / curvature, -grade / bending)[turns]
        z = _form(u, *(a[turns] for a in self._shape()))[0]
        return np.stack([self.start[turns] + u, z], axis=1)

    def _shape(self) -> tuple[Floats, Floats, Floats, Floats]:
        return self.height, self.grade, self.bending, self.curvature

    def _pieces(self, station: Floats) -> tuple[Ints, Bools]:
        """The piece of each station (0 where there is none), and whether there is one."""
        s = np.asarray(station, dtype=np.float64)
        inside = (s >= self.first - _ROUNDING) & (s <= self.last + _ROUNDING)
        k = np.searchsorted(self.start, s, side="right") - 1
        return np.where(inside, np.clip(k, 0, len(self.start) - 1), 0).astype(np.int64), inside

    def _at(self, station: Floats) -> tuple[Floats, Floats]:
        k, inside = self._pieces(station)
        u = np.where(inside, np.clip(station, self.first, self.last) - self.start[k], 0.0)
        z, grade = _form(u, *(a[k] for a in self._shape()))
        return np.where(inside, z, np.nan), np.where(inside, grade, np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Broken:
    """A profile with gaps: its parts in the order of the road. Nothing is known between them."""

    name: str
    parts: tuple[Profile, ...]

    def heights(self, station: Floats) -> Floats:
        """(n,) heights, NaN outside every part."""
        z = np.full(len(station), np.nan)
        for part in self.parts:
            z = np.where(np.isnan(z), part.heights(station), z)
        return z


class _Piece(NamedTuple):
    """A row of `Profile`; it ends where the next one starts."""

    start: float
    height: float
    grade: float
    bending: float = 0.0
    curvature: float = 0.0


def _form(u: Floats, z: Floats, grade: Floats, bending: Floats, curvature: Floats) -> tuple[Floats, Floats]:
    """Height and grade at `u` past the start of pieces, element by element."""
    round_ = curvature != 0
    cosine0 = 1 / np.sqrt(1 + grade**2)
    sine0 = grade * cosine0
    sine = np.where(round_, sine0 + curvature * u, 0.0)
    cosine = np.sqrt(1 - sine**2)
    on_circle = u * (sine + sine0) / (cosine + cosine0)
    rise = np.where(round_, on_circle, u * (grade + bending * u / 2))
    return z + rise, np.where(round_, sine / cosine, grade + bending * u)


@dataclass(frozen=True, slots=True)
class _Corners:
    """Vertices with what lies between them. NaN where it cannot be told, which raises no second finding.

    bends: V of them. grade: V-1, of the tangents. reach: V, horizontal, of the curve before and after its vertex.
    """

    bends: tuple[Bend, ...]
    grade: tuple[float, ...]
    reach: tuple[tuple[float, float], ...]

    @classmethod
    def of(cls, bends: Sequence[Bend]) -> _Corners:
        grade = tuple(_grade(a, b) for a, b in pairwise(bends))
        inner = [_reach(b, g1, g2) for b, (g1, g2) in zip(bends[1:-1], pairwise(grade), strict=True)]
        return cls(tuple(bends), grade, ((0.0, 0.0), *inner, (0.0, 0.0)))

    def pieces(self) -> list[_Piece]:
        """Curves and what is left of the tangents between them, in order."""
        pieces = self._tangent(0)
        for i in range(1, len(self.grade)):
            if self.reach[i][0] > 0:
                radius = self.bends[i].radius
                pieces += self._parabolas(i) if radius is None else self._circle(i, abs(radius))
            pieces += self._tangent(i)
        return pieces

    def overlap(self, i: int) -> float:
        """By how much the curves at the two ends of tangent `i` are too long for it; negative where they are not."""
        return self.reach[i][1] + self.reach[i + 1][0] - (self.bends[i + 1].station - self.bends[i].station)

    def _tangent(self, i: int) -> list[_Piece]:
        if self.overlap(i) >= -_ROUNDING:
            return []
        bend, after = self.bends[i], self.reach[i][1]
        return [_Piece(bend.station + after, bend.height + self.grade[i] * after, self.grade[i])]

    def _parabolas(self, i: int) -> list[_Piece]:
        g1, g2, (l1, l2), bend = self.grade[i - 1], self.grade[i], self.reach[i], self.bends[i]
        middle = (g1 * l1 + g2 * l2) / (l1 + l2)
        e = (g2 - g1) * l1 * l2 / (2 * (l1 + l2))
        before = _Piece(bend.station - l1, bend.height - g1 * l1, g1, (middle - g1) / l1)
        return [before, _Piece(bend.station, bend.height + e, middle, (g2 - middle) / l2)]

    def _circle(self, i: int, radius: float) -> list[_Piece]:
        grade, reach, bend = self.grade[i - 1], self.reach[i][0], self.bends[i]
        curvature = math.copysign(1 / radius, self.grade[i] - grade)
        return [_Piece(bend.station - reach, bend.height - grade * reach, grade, 0.0, curvature)]


def _grade(a: Bend, b: Bend) -> float:
    run, rise = b.station - a.station, b.height - a.height
    known = all(math.isfinite(n) for n in (a.station, a.height, b.station, b.height))
    return rise / run if known and run > 0 else math.nan


def _reach(bend: Bend, grade: float, grade_out: float) -> tuple[float, float]:
    if _faults(bend):
        return math.nan, math.nan
    if bend.radius is None:
        return (bend.length / 2, bend.length / 2) if bend.length_out is None else (bend.length, bend.length_out)
    a1, a2 = math.atan(grade), math.atan(grade_out)
    tangent = abs(bend.radius) * math.tan(abs(a2 - a1) / 2)
    return tangent * math.cos(a1), tangent * math.cos(a2)


def _faults(bend: Bend) -> list[str]:
    """What is wrong with a vertex by itself."""
    faults = []
    if not (math.isfinite(bend.station) and math.isfinite(bend.height)):
        faults.append(f"station {bend.station} with height {bend.height} is no place")
    if not all(math.isfinite(n) and n >= 0 for n in (bend.length, bend.length_out or 0.0)):
        faults.append("the length of its curve is negative or no number")
    if bend.radius is not None and not (math.isfinite(bend.radius) and bend.radius != 0):
        faults.append(f"a radius of {bend.radius} makes no curve")
    if bend.radius is not None and bend.length_out is not None:
        faults.append("a curve is either a circle with a radius or two parabolas with two lengths, not both")
    if bend.radius is None and bend.length_out is not None and (bend.length == 0) != (bend.length_out == 0):
        faults.append("one of the two lengths of its unsymmetric curve is 0")
    return faults


def _findings(where: str, corners: _Corners) -> list[Finding]:
    bends, ends = corners.bends, {len(corners.bends) - 1: "last", 0: "first"}
    told = [] if len(bends) > 1 else [("it has fewer than two vertices", "a profile needs at least two")]
    for i, bend in enumerate(bends):
        told += [(f"{_vertex(bends, i)}: {fault}", "mend that vertex") for fault in _faults(bend)]
        if i in ends and bend.curved:
            what = f"{_vertex(bends, i)}: a curve at the {ends[i]} vertex has a tangent on one side only"
            told.append((what, "add the vertex beyond it or take out the curve"))
    for i in range(len(corners.grade)):
        told += _between(corners, i)
    for i in range(1, len(corners.grade)):
        told += _contradiction(corners, i)
    return [Finding(where, what, mend) for what, mend in told]


def _between(corners: _Corners, i: int) -> list[tuple[str, str]]:
    """What is wrong between vertex `i` and the next, and how to mend it."""
    bends, overlap = corners.bends, corners.overlap(i)
    a, b = _vertex(bends, i), _vertex(bends, i + 1)
    run = bends[i + 1].station - bends[i].station
    if run <= 0:
        return [(f"{b} does not come after {a}", "put the vertices in rising order, each station once")]
    told = []
    if abs(corners.grade[i]) > 1:
        what = f"the grade from {a} to {b} is {corners.grade[i]:.4g}, steeper than 1:1"
        told.append((what, "check that stations and heights are in one unit"))
    if overlap > max(_TOUCH * run, _THREE_DECIMALS):
        at_end = {
            0: f"the curve at {b} begins {overlap:.6g} before the first vertex",
            len(bends) - 2: f"the curve at {a} ends {overlap:.6g} past the last vertex",
        }
        told.append((at_end.get(i, f"the curves at {a} and {b} overlap by {overlap:.6g}"), "check their lengths"))
    return told


def _contradiction(corners: _Corners, i: int) -> list[tuple[str, str]]:
    """Whether the stated length of the arc at vertex `i` contradicts its radius and the grades."""
    before, bend, after = corners.bends[i - 1 : i + 2]
    if bend.radius is None or bend.length == 0 or math.isnan(corners.reach[i][0]):
        return []
    radius, (g1, g2) = abs(bend.radius), corners.grade[i - 1 : i + 1]
    made = radius * abs(math.atan(g2) - math.atan(g1))
    rounding = radius * _HEIGHT_ROUNDING * (1 / (bend.station - before.station) + 1 / (after.station - bend.station))
    if abs(made - bend.length) <= max(_ARC_SHARE * bend.length, rounding):
        return []
    what = (
        f"{_vertex(corners.bends, i)}: its arc is {bend.length:.6g} long, but a radius of {radius:.6g} "
        f"between grades of {100 * g1:.4g} % and {100 * g2:.4g} % makes {made:.6g}"
    )
    return [(what, "check the length, the radius and the vertices beside it")]


def _table_findings(where: str, s: Floats, z: Floats) -> list[Finding]:
    step, same = np.diff(s), np.abs(np.diff(z)) <= _ROUNDING
    lost = np.flatnonzero(~(np.isfinite(s) & np.isfinite(z)))
    back = np.flatnonzero(step < -_ROUNDING) + 1
    torn = np.flatnonzero((np.abs(step) <= _ROUNDING) & ~same & np.isfinite(z[1:] - z[:-1])) + 1
    told = [
        (lost, lambda i: f"row {i + 1} has station {s[i]} and height {z[i]}", "every row needs two numbers"),
        (back, lambda i: f"station {s[i]:.10g} (row {i + 1}) follows {s[i - 1]:.10g}", "put the rows in rising order"),
        (torn, lambda i: f"station {s[i]:.10g} (row {i + 1}) has heights {z[i - 1]:.10g} and {z[i]:.10g}", "keep one"),
    ]
    found = [Finding(where, _listed(rows, words), mend) for rows, words, mend in told if len(rows)]
    if not found and not (step > _ROUNDING).any():
        found = [Finding(where, "it has fewer than two stations", "a profile needs at least two")]
    return found


def _listed(rows: NDArray[np.intp], words: Callable[[int], str]) -> str:
    """The first few places in words, and how many more there are."""
    text = "; ".join(words(i) for i in rows[:_NAMED].tolist())
    return text if len(rows) <= _NAMED else f"{text}; and {len(rows) - _NAMED} more"


def _vertex(bends: Sequence[Bend], i: int) -> str:
    return f"vertex {i + 1} (station {bends[i].station:.10g})"
