"""Ground whose heights are moved: to another vertical datum, or by what stable ground says that it is off by."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import shapely

from gradecheck.probability import Bools, Floats
from gradecheck.surfaces import UNMOVED, Grain, Heights, Layered, Surface, Telling, Told, files_changed, grain


class Move(Protocol):
    """A move of heights: (n,) metres at points (n,) of the working system; NaN where it is not known."""

    def heights(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """Where heights go."""
        ...


@dataclass(frozen=True, slots=True)
class By:
    """By one amount everywhere, metres."""

    amount: float

    def heights(self, x: Floats, y: Floats, z: Floats) -> Floats:  # noqa: ARG002
        """Where heights go."""
        return z + self.amount


@dataclass(frozen=True, slots=True)
class Back:
    """The other way."""

    move: Reversible

    def heights(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """Where heights go."""
        return self.move.back(x, y, z)


class Reversible(Move, Protocol):
    """A move that can be undone."""

    def back(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """Where heights came from."""
        ...


@dataclass(frozen=True, slots=True)
class Shifted:
    """A surface with its heights moved; its errors, sources and extent stay."""

    surface: Surface
    move: Move

    @property
    def extent(self) -> shapely.Geometry:
        """As of the surface."""
        return self.surface.extent

    @property
    def names(self) -> tuple[str, ...]:
        """As of the surface."""
        return self.surface.names

    @property
    def grain(self) -> Grain | None:
        """As of the surface."""
        return grain(self.surface)

    def changed(self) -> list[str]:
        """As of the surface."""
        return files_changed(self.surface)

    def heights(self, x: Floats, y: Floats) -> Heights:
        """See `Surface.heights`; missing, and why, where the move is not known."""
        found = self.surface.heights(x, y)
        z = self.move.heights(x, y, found.z)
        lost = np.isfinite(found.z) & ~np.isfinite(z)
        return replace(
            found,
            z=np.where(np.isfinite(z), z, np.nan),
            sd=np.where(lost, np.nan, found.sd),
            source=np.where(lost, UNMOVED, found.source).astype(np.int32),
        )


@dataclass(frozen=True, slots=True)
class ShiftedRoads(Shifted):
    """Roads with their heights moved: they have as much to say as before."""

    surface: Telling

    def preferring(self, road: str | None, existing: str | None = None) -> Surface:
        """See `Telling.preferring`."""
        return shifted(self.surface.preferring(road, existing), self.move)

    def contested(self, x: Floats, y: Floats) -> Bools:
        """See `Telling.contested`."""
        return self.surface.contested(x, y)

    def ground_within(self, x: Floats, y: Floats, distance: float) -> Bools:
        """See `Telling.ground_within`."""
        return self.surface.ground_within(x, y, distance)

    def tell(self, x: Floats, y: Floats) -> Told:
        """See `Telling.tell`."""
        return self.surface.tell(x, y)


def shifted(surface: Surface, move: Move | None) -> Surface:
    """The same ground with its heights moved, layer by layer; itself where there is nothing to move."""
    if move is None:
        return surface
    if isinstance(surface, Layered):
        return Layered(tuple(shifted(layer, move) for layer in surface.layers))
    return ShiftedRoads(surface, move) if isinstance(surface, Telling) else Shifted(surface, move)
