"""Small roads for tests: a line in plan, a profile, a section, over ground in closed form."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from pyproj import CRS

from gradecheck.reference import Path
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.locate import Locator
from gradecheck.roads.profile import Bend, Profile
from gradecheck.roads.section import Section, Strip
from gradecheck.surfaces.corridor import Carrying, Corridor, Road

FT = 0.3048
EAST, NORTH = 500_000.0, 4_600_000.0
HERE = Path.between(CRS("EPSG:32615"), CRS("EPSG:32615"))


def carrying(**settings: Any) -> Carrying:
    """Metres; everything stated."""
    usual = {"reach": 30.0, "tie_in": None, "carry": "level", "sd": 0.02, "slope_sd": 0.02, "window": 0.1}
    return Carrying(**(usual | settings))


def worked(tie_slope: float | None = None) -> Section:
    """The worked section of the trade's handbook example: 17.0 ft out it stands 0.24 ft above the centreline."""
    side = (
        Strip.plain("lane", 12 * FT, slope=-0.02),
        Strip.plain("gutter", 1.5 * FT, slope=-0.06),
        Strip.plain("curb", 0.0, rise=0.5 * FT),
        Strip.plain("verge", 3.5 * FT, slope=0.02),
    )
    return Section(side, side, tie_slope=tie_slope)


def plane_road(slope: float, half: float, tie_slope: float | None = None) -> Section:
    """A section that falls evenly to the right by `slope`, `half` metres to each side."""
    left, right = (Strip.plain("lane", half, slope=s) for s in (slope, -slope))
    return Section((left,), (right,), tie_slope=tie_slope)


def road(
    points: Sequence[tuple[float, float]],
    heights: Sequence[float],
    section: Section | None = None,
    name: str = "Sorrel St",
    station: float = 0.0,
) -> Road:
    """A polyline (metres in the square) with even grades between heights at its vertices."""
    xy = np.array(points, dtype=float) + np.array([EAST, NORTH])
    alignment = Alignment.polyline(name, xy, station)
    along = station + np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    profile = Profile.of(name, [Bend(float(s), float(z)) for s, z in zip(along, heights, strict=True)])
    return Road(alignment, profile, section)


def corridor(*roads: Road, old: Any = None, unit: str = "m", to_metres: float = 1.0, **settings: Any) -> Corridor:
    """Roads as a surface, in their own system."""
    locator = Locator(tuple(r.alignment for r in roads))
    return Corridor(roads, locator, HERE, unit, to_metres, carrying(**settings), old)


def ask(surface: Any, *places: tuple[float, float]) -> Any:
    """Heights at metres in the square."""
    x, y = np.array(places, dtype=float).T
    return surface.heights(EAST + x, NORTH + y)


def tell(surface: Any, *places: tuple[float, float]) -> Any:
    """What is told of points at metres in the square."""
    x, y = np.array(places, dtype=float).T
    return surface.tell(EAST + x, NORTH + y)
