"""The elements of a road in plan: lines, circular arcs and clothoids, and what they are cut into.

x is east and y north, in any linear unit, the same for all. Headings are radians counter-clockwise from east;
curvature is 1/unit, positive where the road turns left (counter-clockwise).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, hypot, inf, isinf, nan, pi
from typing import Any, Protocol

import numpy as np

from gradecheck.probability import Floats, Ints

ENDLESS = 1e100
"""Numbers from here on, infinity and not-a-number are no coordinates."""
MOST_TURN = pi / 6
"""Radians that a span turns by at most."""
_MOST_TURNS = 100
"""Full turns that one piece may make: beyond them a length or a radius is in another unit."""
# Over a turn of 30 degrees the error of 8 nodes is far below rounding.
_NODES, _WEIGHTS = (np.asarray(a, dtype=np.float64) / 2 for a in np.polynomial.legendre.leggauss(8))

NUMBERS = ("x", "y", "heading", "curvature", "sharpening", "length")

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


class Numbered(Protocol):
    """A piece, or all those of an alignment: what each name of `NUMBERS` gives is one number or an array of them."""

    @property
    def length(self) -> Any:
        """Along it."""
        ...


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
    def whole(cls, pieces: Sequence[Numbered]) -> Spans:
        """Pieces, or those of several alignments one after the other, not cut."""
        x, y, heading, curvature, sharpening, length = (
            np.concatenate([np.array(getattr(p, name), dtype=np.float64, ndmin=1) for p in pieces]) for name in NUMBERS
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
        return self._cut_at(piece, np.repeat(at, count) + turns(count) * length, length)

    def _one_handed(self) -> tuple[Ints, Floats, Floats]:
        """Piece, start and length of parts without a change from left to right inside."""
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            change = -self.curvature / self.sharpening
        inside = (change > 0) & (change < self.length)
        count = np.where(inside, 2, 1)
        piece, second = np.repeat(np.arange(len(count)), count), turns(count) == 1
        at = np.where(second, change[piece], 0.0)
        return piece, at, np.where(inside[piece] & ~second, change[piece], self.length[piece] - at)

    def _cut_at(self, piece: Ints, at: Floats, length: Floats) -> Spans:
        sharpening = self.sharpening[piece]
        curvature = self.curvature[piece] + sharpening * at
        heading = self.heading[piece] + at * (self.curvature[piece] + 0.5 * sharpening * at)
        run = np.stack(along(heading, curvature, sharpening, length))
        way, turn = np.zeros_like(run), turns(np.bincount(piece, minlength=len(self.x)))
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


def turns(count: Ints) -> Ints:
    """0, 1, ... within each of so many."""
    ends = np.cumsum(count)
    return np.arange(count.sum(), dtype=np.int64) - np.repeat(ends - count, count)
