"""Ground as something to ask: `heights(x, y)`, with where each answer came from.

A surface is anything with `heights` and `extent`; one surface over another is a surface. Outside its data a
surface says NaN and why: never 0, never the nearest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import shapely
from numpy.typing import NDArray

from gradecheck.probability import Floats

# Why there is no height, worst last: where several surfaces lack one, the worst reason is told.
OUTSIDE = -1
EDGE_CELL = -2
HOLE = -3
IMPLAUSIBLE = -4
OUT_OF_RANGE = -5
UNREADABLE = -6
WHY: dict[int, str] = {
    OUTSIDE: "outside the surface",
    EDGE_CELL: "in the outermost half cell of the surface",
    HOLE: "no data in the surface there",
    IMPLAUSIBLE: "a marker for no data that the file does not declare",
    OUT_OF_RANGE: "the value there is no elevation on Earth",
    UNREADABLE: "the file cannot be read there",
}


@dataclass(frozen=True, slots=True)
class Heights:
    """What a surface says at n points.

    z: (n,) metres in the surface's vertical reference, NaN where it has no ground.
    sd: (n,) metres, independent standard error of z; NaN with z.
    source: (n,) index into `names`, or one of the negative codes in `WHY`.
    names: what can be a source (a tile, a surface, a road).
    """

    z: Floats
    sd: Floats
    source: NDArray[np.int32]
    names: tuple[str, ...]

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

    def heights(self, x: Floats, y: Floats) -> Heights:
        """Heights at points (n,), (n,) -> n, in the order given, whatever that order is."""
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
    def extent(self) -> shapely.Geometry:
        """All the layers' extents together."""
        return shapely.union_all([layer.extent for layer in self.layers])

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
    moved = np.where(lower.source >= 0, lower.source + len(top.names), lower.source)
    source[rows] = np.where(lower.source >= 0, moved, np.minimum(source[rows], moved))
    return Heights(z, sd, source.astype(np.int32), top.names + lower.names)


def words(codes: NDArray[np.int32], names: Sequence[str]) -> list[str]:
    """Source codes as text for people."""
    table = {**WHY, **dict(enumerate(names))}
    return [table[c] for c in codes.tolist()]
