"""Reference systems: read, checked, put to use; what cannot be done exactly is refused or said aloud.

Horizontal positions are transformed through PROJ, points only. Heights are brought over in `vertical`.
"""

from __future__ import annotations

import warnings
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from gradecheck.errors import Finding, InputError
from gradecheck.probability import Bools, Floats
from gradecheck.units import unit_of_factor

_STRETCH = 0.01
"""A working system may be off by 1 % in length; web Mercator is off by 37 % at 43 degrees."""
_SAID = 1.0
"""Metres of accuracy beyond which a change of datum is told."""
_POOR = 5.0
"""Metres of accuracy from which on a better grid is waited for: NAD27 to NAD83 without one is 11."""
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

    def operation(self, x: Floats, y: Floats) -> Operation | None:
        """What PROJ does in the middle of points (n,) of the source; None where there is nothing to do, or no point."""
        way = _transformer(self.source, self.target)
        good = np.isfinite(x) & np.isfinite(y)
        if way is None or not good.any():
            return None
        way.transform(np.array([np.median(x[good])]), np.array([np.median(y[good])]))
        return Operation.last(way)

    def accuracy(self, x: Floats, y: Floats) -> float:
        """Metres to which PROJ knows this path near points; 0 where it is exact, or where it states none."""
        used = self.operation(x, y)
        return 0.0 if used is None else used.accuracy or 0.0

    def caveat(self, x: Floats, y: Floats) -> str:
        """What must be said of this path near points, or nothing: an accuracy of metres, a shift that is left out."""
        used = self.operation(x, y)
        if used is None or self.trouble(x, y) is not None:
            return ""
        ends = f"from {_named(self.source)} to {_named(self.target)}"
        if used.ballpark:
            return (
                f"{ends} PROJ knows only a ballpark change of datum (no shift applied; within about 2 m between these)"
            )
        if used.accuracy is not None and used.accuracy > _SAID:
            return f"positions are brought {ends} with an accuracy of {used.accuracy:g} m ({used.name})"
        return ""

    def trouble(self, x: Floats, y: Floats) -> tuple[str, str] | None:
        """Why positions cannot be brought over near points, and how to mend it; None where they can.

        A guess of PROJ (ballpark), but between realisations of one frame; a change for which a better grid is not at
        hand; a frame that moves with time, since no epoch is known.
        """
        used = self.operation(x, y)
        if used is None:
            return None
        source, target = CRS.from_user_input(self.source), CRS.from_user_input(self.target)
        ends = f"from {_named(self.source)} to {_named(self.target)}"
        moves = moving(source, target)
        if moves and _datum(source) != _datum(target):
            what = f"positions {ends} depend on their epoch, which is not known: {moves[0].name} moves with time"
            return what, "bring them to the other system at their epoch before"
        if used.ballpark and all("NAD83" in c.name for c in (source, target)):
            return None
        good = np.isfinite(x) & np.isfinite(y)
        at = self._degrees(float(np.median(x[good])), float(np.median(y[good])))
        lacking = missing_grids(self.source, self.target, at, used.accuracy)
        if used.ballpark or (lacking and (used.accuracy or 0) >= _POOR):
            how = "PROJ only guesses (ballpark)" if used.ballpark else f"the accuracy is {used.accuracy:g} m"
            mend = grids_mend(lacking) if lacking else "state the true reference system, or transform the data before"
            return f"positions {ends}: {how}{', for want of a grid' if lacking else ''}", mend
        return None

    def _degrees(self, x: float, y: float) -> tuple[float, float] | None:
        """Longitude and latitude of a point of the source, about."""
        geographic = CRS.from_user_input(self.source).geodetic_crs
        if geographic is None:
            return None
        lon, lat = Path(self.source, geographic.to_wkt()).there(np.array([x]), np.array([y]))
        return float(lon[0]), float(lat[0])


@dataclass(frozen=True, slots=True)
class Operation:
    """What PROJ does. accuracy: metres, None where it states none. ballpark: it only guesses."""

    name: str
    accuracy: float | None
    ballpark: bool

    @classmethod
    def last(cls, way: Transformer) -> Operation:
        """The one used for the last point, without the changes of axis order about it."""
        used = way
        with suppress(ProjError):  # a single operation is not remembered
            used = way.get_last_used_operation()
        parts = [p for p in used.description.split(" + ") if "axis order change" not in p]
        accuracy = used.accuracy
        known = float(accuracy) if accuracy is not None and accuracy >= 0 else None
        return cls(" + ".join(parts) or used.description, known, "ballpark" in used.description.lower())


def moving(*systems: CRS) -> list[CRS]:
    """Those whose frame moves with time."""
    return [c for c in systems if c.datum is not None and "Dynamic" in str(c.datum.type_name)]


def missing_grids(
    source: str, target: str, at: tuple[float, float] | None = None, better_than: float | None = None
) -> list[tuple[str, str]]:
    """(file, address) of the grids that PROJ's best operation lacks about a place (longitude, latitude); none for none.

    better_than: metres of accuracy that it must improve on.
    """
    area = None if at is None else AreaOfInterest(at[0] - 0.01, at[1] - 0.01, at[0] + 0.01, at[1] + 0.01)
    with warnings.catch_warnings(action="ignore"):
        group = TransformerGroup(source, target, always_xy=True, area_of_interest=area)  # type: ignore[arg-type]
    for operation in group.unavailable_operations:
        lacking = [(g.short_name, g.url) for g in operation.grids if not g.available]
        if lacking and (better_than is None or 0 <= operation.accuracy < better_than):
            return lacking
    return []


def grids_mend(lacking: list[tuple[str, str]]) -> str:
    """How grids that are lacking are had."""
    files = " and ".join(f"{name} ({url})" if url else name for name, url in lacking)
    return f"get {files} into a folder and name that folder as `grids` under [project]"


def _named(text: str) -> str:
    return CRS.from_user_input(text).name


def _datum(crs: CRS) -> str:
    return crs.datum.name if crs.datum is not None else crs.name


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
