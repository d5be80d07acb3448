"""What roads say of points: a row per point and road within reach, and how the row's height came there."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradecheck.probability import Floats, Ints
from gradecheck.roads.locate import ALONGSIDE, Feet
from gradecheck.surfaces import HIGHEST, LOWEST, OUT_OF_RANGE, PAST_END

_PIECE = re.compile(r" \(\d+\)$")
ON_SECTION, CARRIED_LEVEL, CHANGE_CARRIED, FADING, ON_TIE = range(5)
HOW = (
    "",
    "profile carried level, no section",
    "profile's change carried, no section",
    "fading into the existing ground",
    "on the slope to the existing ground",
)
PASSING = (FADING, ON_TIE)
"""Ways of being past a section."""


@dataclass(frozen=True, slots=True)
class Answers:
    """What roads say of points, (k,) each: a row per point and road within reach.

    station, offset: in the roads' unit.
    z, sd: metres, NaN for none; why: then the reason. borrowed: as in `Heights`.
    beside: metres outside the road's edge. how: index into `HOW`.
    toe: metres from a point on a tie-in slope outward to where the slope meets the existing ground, inf for nowhere
        within reach; None where nobody asks.
    """

    point: Ints
    road: Ints
    station: Floats
    offset: Floats
    z: Floats
    sd: Floats
    beside: Floats
    how: NDArray[np.int8]
    why: NDArray[np.int32]
    borrowed: Floats
    toe: Floats | None

    @classmethod
    def blank(cls, feet: Feet, toes: bool = False) -> Answers:
        """No answers yet: what is not alongside a road is past its end."""
        k = len(feet.point)
        return cls(
            point=feet.point,
            road=feet.road,
            station=feet.station,
            offset=feet.offset,
            z=np.full(k, np.nan),
            sd=np.full(k, np.nan),
            beside=np.full(k, np.nan),
            how=np.zeros(k, dtype=np.int8),
            why=np.full(k, PAST_END, dtype=np.int32),
            borrowed=np.zeros(k),
            toe=np.full(k, np.inf) if toes else None,
        )

    def fill(
        self, rows: Ints, z: Floats, sd: Floats | float, beside: Floats | None, how: int, why: NDArray[np.integer] | int
    ) -> None:
        """Write answers into rows; `why` stands where z is NaN."""
        with np.errstate(invalid="ignore"):
            possible = (z >= LOWEST) & (z <= HIGHEST)
        self.z[rows] = np.where(possible, z, np.nan)
        self.sd[rows] = np.where(possible, sd, np.nan)
        self.how[rows], self.why[rows] = how, np.where(np.isfinite(z) & ~possible, OUT_OF_RANGE, why)
        if beside is not None:
            self.beside[rows] = beside

    def take(self, rows: Ints) -> Answers:
        """Some of them."""
        columns = ((f.name, getattr(self, f.name)) for f in fields(self))
        taken: dict[str, Any] = {name: None if values is None else values[rows] for name, values in columns}
        return Answers(**taken)

    def ranked(self) -> Ints:
        """An order by point: ground first, of it the nearest edge, then the earlier road."""
        order: Ints = np.lexsort((self.road, np.nan_to_num(self.beside, nan=np.inf), np.isnan(self.z), self.point))
        return order


def only_preferred(feet: Feet, roads: list[int]) -> Feet:
    """Where one of the preferred roads reaches a point alongside, no other has a say."""
    mine = np.isin(feet.road, roads) & (feet.place == ALONGSIDE)
    return feet.take(np.flatnonzero(mine | ~np.isin(feet.point, feet.point[mine])))


def base_name(name: str) -> str:
    """The name of a road of which this is a piece.

    >>> base_name("Sorrel St (2)"), base_name("Sorrel St")
    ('Sorrel St', 'Sorrel St')
    """
    return _PIECE.sub("", name)


def by_road(road: Ints, rows: Ints) -> list[tuple[int, Ints]]:
    """Rows (k,) by the number of their road."""
    order = rows[np.argsort(road[rows], kind="stable")]
    found, first = np.unique(road[order], return_index=True)
    return list(zip(found.tolist(), np.split(order, first)[1:], strict=True))
