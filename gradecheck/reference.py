"""Reference systems: read, checked, put to use; what cannot be done exactly is refused or said aloud.

Horizontal positions are transformed through PROJ, points only. Vertical systems are read for their unit and
compared; heights are not moved between vertical datums here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError, ProjError

from gradecheck.errors import Finding, InputError
from gradecheck.probability import Bools, Floats
from gradecheck.units import unit_of_factor

_STRETCH = 0.01
"""A working system may be off by 1 % in length; web Mercator is off by 37 % at 43 degrees."""
_AREA_MARGIN = 1.0
"""Degrees that a point may lie outside an area of use: towns at a zone's edge keep to one zone."""


def crs_named(text: str, where: str) -> CRS:
    """The reference system of a plan key. Raises InputError."""
    try:
        return CRS.from_user_input(text)
    except CRSError:
        raise InputError(Finding(where, f"{text!r} is no reference system", 'write it as "EPSG:32615"')) from None


def name_of(crs: CRS | None) -> str:
    """ "EPSG:32615 (WGS 84 / UTM zone 15N)", or the name alone where there is no code."""
    if crs is None:
        return "unknown"
    code = crs.to_authority(min_confidence=70)
    return f"{code[0]}:{code[1]} ({crs.name})" if code else crs.name


def split(crs: CRS) -> tuple[CRS | None, CRS | None]:
    """The horizontal and the vertical part; a three-dimensional geographic system gives itself as both.

    >>> h, v = split(CRS("EPSG:26915+6360"))
    >>> h.to_epsg(), v.to_epsg()
    (26915, 6360)
    """
    if crs.is_compound:
        parts = [split(sub) for sub in crs.sub_crs_list]
        return next((h for h, _ in parts if h), None), next((v for _, v in parts if v), None)
    if crs.is_bound and crs.source_crs is not None:
        return crs, split(crs.source_crs)[1]
    if crs.is_vertical:
        return None, crs
    if (crs.is_projected or crs.is_geographic) and len(crs.axis_info) == 3:
        return crs.to_2d(), crs
    return (crs, None) if crs.is_projected or crs.is_geographic else (None, None)


def vertical_unit(vertical: CRS, where: str) -> str:
    """The unit of a vertical system's axis. Raises InputError on a depth or an unknown unit."""
    axis = vertical.axis_info[-1]
    if axis.direction == "down":
        what = f"{name_of(vertical)} counts downward (a depth)"
        raise InputError(Finding(where, what, "give heights, positive up"))
    unit = unit_of_factor(axis.unit_conversion_factor)
    if unit is None:
        raise InputError(Finding(where, f"{name_of(vertical)} is in {axis.unit_name}, which is not a known unit"))
    return unit


def metres_per_unit(crs: CRS) -> float:
    """Metres in one unit of a projected system's axes."""
    return float(crs.axis_info[0].unit_conversion_factor)


@lru_cache(maxsize=256)
def _transformer(source: str, target: str) -> Transformer | None:
    a, b = CRS.from_user_input(source), CRS.from_user_input(target)
    if a.equals(b, ignore_axis_order=True):
        return None
    return Transformer.from_crs(a, b, always_xy=True)


@dataclass(frozen=True, slots=True)
class Path:
    """The way from one horizontal system to another, x before y always; picklable."""

    source: str
    target: str

    @classmethod
    def between(cls, source: CRS, target: CRS) -> Path:
        """The path; nothing is computed yet."""
        return cls(source.to_wkt(), target.to_wkt())

    def there(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Points (n,), (n,) in the target system; inf where there is no answer."""
        way = _transformer(self.source, self.target)
        return (x, y) if way is None else way.transform(x, y)

    def back(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Points of the target system in the source system."""
        return Path(self.target, self.source).there(x, y)

    def caveat(self, x: Floats, y: Floats) -> str:
        """What must be said of this path near a point, or nothing: a change of datum that PROJ only guesses at."""
        way = _transformer(self.source, self.target)
        if way is None or not len(x):
            return ""
        way.transform(x[:1], y[:1])
        try:
            used = way.get_last_used_operation().description
        except ProjError:  # a single operation is not remembered
            used = way.description
        if "ballpark" not in used.lower():
            return ""
        names = (CRS.from_user_input(self.source).name, CRS.from_user_input(self.target).name)
        return f"from {names[0]} to {names[1]} PROJ knows only a ballpark change of datum (no shift applied)"


def working_crs(named: CRS | None, layer: CRS, after: CRS, x: Floats, y: Floats) -> tuple[CRS, str]:
    """The projected system that distances are taken in, and why it was chosen (empty where it was plain).

    named: [project] crs; layer: the hydrants' system; after: the design's; x, y: hydrants in the layer's.
    """
    if named is not None and not named.is_projected:
        raise InputError(Finding("project.crs", f"{name_of(named)} is not projected", "name a projected one"))
    lon, lat = _middle(layer, x, y)
    if named is not None:
        stretch = _stretch(named, lon, lat)
        if not abs(stretch - 1) <= _STRETCH:
            what = f"{name_of(named)} stretches lengths by {stretch:.2f} at the hydrants"
            raise InputError(Finding("project.crs", what, f"name another, such as {name_of(_local_utm(lon, lat))}"))
        return named, ""
    if layer.is_projected:
        stretch = _stretch(layer, lon, lat)
        if abs(stretch - 1) <= _STRETCH:
            return layer, ""
        utm = _local_utm(lon, lat)
        return utm, (
            f"the hydrant layer's {name_of(layer)} stretches lengths by {stretch:.2f} here; "
            f"distances are taken in {name_of(utm)}"
        )
    if after.is_projected and abs(_stretch(after, lon, lat) - 1) <= _STRETCH:
        return after, f"the hydrants are in degrees; distances are taken in the design's {name_of(after)}"
    utm = _local_utm(lon, lat)
    return utm, f"the hydrants are in degrees; distances are taken in {name_of(utm)}"


def _middle(crs: CRS, x: Floats, y: Floats) -> tuple[float, float]:
    geographic = crs.geodetic_crs
    if geographic is None:
        raise InputError(Finding("hydrants", f"{name_of(crs)} is not tied to the Earth", "set [project] crs"))
    lon, lat = Path.between(crs, geographic).there(np.array([np.median(x)]), np.array([np.median(y)]))
    return float(lon[0]), float(lat[0])


def _stretch(crs: CRS, lon: float, lat: float) -> float:
    try:
        factors = Proj(crs).get_factors(lon, lat)
    except (ProjError, CRSError):
        return 1.0
    return float(np.sqrt(factors.areal_scale))


def _local_utm(lon: float, lat: float) -> CRS:
    found = query_utm_crs_info("WGS 84", AreaOfInterest(lon, lat, lon, lat))
    if not found:
        raise InputError(Finding("hydrants", f"no UTM zone at {lon:.3f}, {lat:.3f}", "set [project] crs"))
    return CRS.from_epsg(int(found[0].code))


def in_area_of_use(crs: CRS, x: Floats, y: Floats) -> Bools:
    """(n,) whether points lie in the system's area of use, give or take a degree; True where it states none."""
    area, geographic = crs.area_of_use, crs.geodetic_crs
    if area is None or geographic is None:
        return np.ones(len(x), dtype=bool)
    lon, lat = Path.between(crs, geographic).there(x, y)
    m = _AREA_MARGIN
    tall = (lat >= area.south - m) & (lat <= area.north + m)
    if area.west <= area.east:
        wide = (lon >= area.west - m) & (lon <= area.east + m)
    else:
        wide = (lon >= area.west - m) | (lon <= area.east + m)
    finite = np.isfinite(lon) & np.isfinite(lat)
    return np.asarray(finite & tall & wide)
