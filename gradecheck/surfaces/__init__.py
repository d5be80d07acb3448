"""Ground as something to ask: `heights(x, y)`, with where each answer came from.

A surface is anything with `heights` and `extent`; one surface over another is a surface. Outside its data a
surface says NaN and why: never 0, never the nearest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
import shapely
from numpy.typing import NDArray

from gradecheck.probability import Bools, Floats

# Why there is no height, worst last: where several surfaces lack one, the worst reason is told.
OUTSIDE = -1
TIED_IN = -2
PAST_END = -3
OFF_SECTION = -4
EDGE_CELL = -5
HOLE = -6
IMPLAUSIBLE = -7
UNMET = -8
OUT_OF_RANGE = -9
UNREADABLE = -10
UNMOVED = -11
WHY: dict[int, str] = {
    OUTSIDE: "outside the surface",
    TIED_IN: "past where the design ties into the existing ground: unchanged",
    PAST_END: "past the end of the road's profile",
    OFF_SECTION: "beyond the road's section, and not known how it ties into the existing ground",
    EDGE_CELL: "in the outermost half cell of the surface",
    HOLE: "no data in the surface there",
    IMPLAUSIBLE: "a marker for no data that the file does not declare",
    UNMET: "how the road meets the existing ground here is not known",
    OUT_OF_RANGE: "the value there is no elevation on Earth",
    UNREADABLE: "the file cannot be read there",
    UNMOVED: "its heights cannot be brought to the design's vertical system there",
}

LOWEST, HIGHEST = -500.0, 9000.0
"""Metres between which ground on Earth lies."""


@dataclass(frozen=True, slots=True)
class Heights:
    """What a surface says at n points.

    z: (n,) metres in the surface's vertical reference, NaN where it has no ground.
    sd: (n,) metres, independent standard error of z; NaN with z.
    source: (n,) index into `names`, or one of the negative codes in `WHY`.
    names: what can be a source (a tile, a surface, a road).
    borrowed: (n,) metres, the error of the existing ground that z rests on, which `sd` leaves out because the change
        does not have it; None for none.
    """

    z: Floats
    sd: Floats
    source: NDArray[np.int32]
    names: tuple[str, ...]
    borrowed: Floats | None = None

    def __len__(self) -> int:
        return len(self.z)

    @classmethod
    def nowhere(cls, n: int) -> Heights:
        """No ground at n points.

        >>> Heights.nowhere(1).z
        array([nan])
        """
        return cls(np.full(n, np.nan), np.full(n, np.nan), np.full(n, OUTSIDE, dtype=np.int32), ())


class Surface(Protocol):
    """Ground. Points are in the working reference system that the surface was opened for."""

    @property
    def extent(self) -> shapely.Geometry:
        """An area outside of which there is surely no ground (empty for none); working reference system."""
        ...

    @property
    def names(self) -> tuple[str, ...]:
        """What can be a source: the table that the codes of `heights` point into."""
        ...

    def heights(self, x: Floats, y: Floats) -> Heights:
        """Heights at points (n,), (n,) -> n, in the order given, whatever that order is."""
        ...


@dataclass(frozen=True, slots=True)
class Grain:
    """What is fetched at once. width, height: working units; size: bytes in memory."""

    width: float
    height: float
    size: int


@runtime_checkable
class Blocked(Surface, Protocol):
    """Ground that is fetched block by block."""

    @property
    def grain(self) -> Grain | None:
        """The largest block; None where nothing is fetched so."""
        ...

    def changed(self) -> list[str]:
        """Files that are not there, or are not as they were when they were opened."""
        ...


def grain(*grounds: Surface) -> Grain | None:
    """The largest block of some grounds, None where none has any."""
    found = [g.grain for g in grounds if isinstance(g, Blocked)]
    return max((g for g in found if g is not None), key=lambda g: g.size, default=None)


def files_changed(*grounds: Surface) -> list[str]:
    """Files of some grounds that are not there, or are not as they were when they were opened."""
    return [file for g in grounds if isinstance(g, Blocked) for file in g.changed()]


@dataclass(frozen=True, slots=True)
class Told:
    """What people are told of n answers: a text each, and where two roads say different things."""

    text: list[str]
    disagree: Bools


@runtime_checkable
class Telling(Surface, Protocol):
    """Roads: a surface that has more to say of each point than a name, and may have several answers."""

    def preferring(self, road: str | None, existing: str | None = None) -> Surface:
        """The same with one road that answers where several could, there and in the ground it ties into."""
        ...

    def contested(self, x: Floats, y: Floats) -> Bools:
        """Points (n,) that more than one road reaches."""
        ...

    def ground_within(self, x: Floats, y: Floats, distance: float) -> Bools:
        """Whether there is ground within a distance of points (n,), working units."""
        ...

    def tell(self, x: Floats, y: Floats) -> Told:
        """Of points (n,), (n,) that it answers."""
        ...


@dataclass(frozen=True, slots=True)
class Layered:
    """One surface over another: the first that has ground at a point answers there.

    Where one cannot be read, none below it answers: nobody knows what it would have said.

    >>> Layered(()).heights(np.zeros(2), np.zeros(2)).z
    array([nan, nan])
    """

    layers: tuple[Surface, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """All the layers' names, in their order."""
        return tuple(name for layer in self.layers for name in layer.names)

    @property
    def extent(self) -> shapely.Geometry:
        """All the layers' extents together."""
        return shapely.union_all([layer.extent for layer in self.layers])

    @property
    def grain(self) -> Grain | None:
        """See `Blocked`."""
        return grain(*self.layers)

    def changed(self) -> list[str]:
        """See `Blocked`."""
        return files_changed(*self.layers)

    def heights(self, x: Floats, y: Floats) -> Heights:
        """The first layer's answer that is one; where none is, the worst of their reasons."""
        result = Heights.nowhere(len(x))
        for layer in self.layers:
            missing = np.flatnonzero(np.isnan(result.z) & (result.source != UNREADABLE))
            if not len(missing):
                break
            result = _laid_under(result, missing, layer.heights(x[missing], y[missing]))
        return result


def _laid_under(top: Heights, rows: NDArray[np.intp], lower: Heights) -> Heights:
    z, sd, source = top.z.copy(), top.sd.copy(), top.source.copy()
    z[rows], sd[rows] = lower.z, lower.sd
    borrowed = top.borrowed
    if lower.borrowed is not None:
        borrowed = np.zeros(len(top)) if borrowed is None else borrowed.copy()
        borrowed[rows] = np.where(np.isnan(lower.z), borrowed[rows], lower.borrowed)
    moved = np.where(lower.source >= 0, lower.source + len(top.names), lower.source)
    source[rows] = np.where(lower.source >= 0, moved, np.minimum(source[rows], moved))
    return Heights(z, sd, source.astype(np.int32), top.names + lower.names, borrowed)


def tell(surface: Surface, x: Floats, y: Floats, source: NDArray[np.int32], names: Sequence[str]) -> Told:
    """What people are told of points (n,) with the source codes and names that `surface` gave for them."""
    told = Told(words(source, names), np.zeros(len(x), dtype=bool))
    _tell_into(told, surface, x, y, source, 0)
    return told


def _tell_into(told: Told, surface: Surface, x: Floats, y: Floats, source: NDArray[np.int32], first: int) -> int:
    """Fill in what one surface has to say, whose codes begin at `first`; returns how many codes it has."""
    if isinstance(surface, Layered):
        count = 0
        for layer in surface.layers:
            count += _tell_into(told, layer, x, y, source, first + count)
        return count
    if isinstance(surface, Telling):
        rows = np.flatnonzero((source >= first) & (source < first + len(surface.names)))
        more = surface.tell(x[rows], y[rows])
        told.disagree[rows] = more.disagree
        for row, text in zip(rows.tolist(), more.text, strict=True):
            told.text[row] = text
    return len(surface.names)


def preferring(surface: Surface, road: str | None, existing: str | None = None) -> Surface:
    """The same ground where one of its roads answers before its neighbours; it itself where it has no such road.

    existing: likewise, the road of the existing ground that a design ties into.
    """
    if road is None and existing is None:
        return surface
    if isinstance(surface, Layered):
        return Layered(tuple(preferring(layer, road, existing) for layer in surface.layers))
    return surface.preferring(road, existing) if isinstance(surface, Telling) else surface


def contested(surface: Surface, x: Floats, y: Floats) -> Bools:
    """Points (n,) that more than one road of one layer reaches."""
    found = np.zeros(len(x), dtype=bool)
    for layer in surface.layers if isinstance(surface, Layered) else (surface,):
        if isinstance(layer, Layered):
            found |= contested(layer, x, y)
        elif isinstance(layer, Telling):
            found |= layer.contested(x, y)
    return found


def words(codes: NDArray[np.int32], names: Sequence[str]) -> list[str]:
    """Source codes as text for people."""
    table = {**WHY, **dict(enumerate(names))}
    return [table[c] for c in codes.tolist()]
