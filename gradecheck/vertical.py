"""Vertical reference systems: heights brought from one datum to another through PROJ, exactly or not at all.

What PROJ would only guess at is refused: a ballpark (no-op) transformation is a silent error of up to two metres. So
positions and heights are kept apart: both ends of a transformation have one geographic system, so that only heights
move; both count in metres, upward, so that units are ours to convert (PROJ knows its grids between metric systems
only); ballpark operations are not allowed; and afterwards PROJ is asked which operation it used.
"""

from __future__ import annotations

import os
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path as FilePath

import numpy as np
from pyproj import CRS, Transformer, datadir, network
from pyproj.crs import CompoundCRS
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError

from gradecheck.errors import Finding, InputError, listed
from gradecheck.probability import Floats
from gradecheck.reference import Operation, Path, grids_mend, missing_grids, moving, name_of, split
from gradecheck.units import METRES

_CODE = re.compile(r"(?:EPSG:{1,2})?(\d{4,6})", re.I)
_ANY = "EPSG:4326"
"""Where the geographic system of a layer leads to no grid this one may: a hundred metres move no height."""

network.set_network_enabled(active=False)  # type: ignore[attr-defined]


def named(text: str, unit: str) -> CRS | None:
    """The vertical system that a file calls by a code or by the name of its datum, in the file's unit; None for none.

    >>> named("NAVD88 - Geoid03 (Meters)", "m").to_epsg(), named("ngvd 29", "ftUS").to_epsg()
    (5703, 5702)
    >>> named("Site datum", "m") is None
    True
    """
    number = _CODE.fullmatch(text.strip())
    try:
        found = CRS.from_epsg(int(number[1])) if number else CRS.from_user_input(text)
        return split(found)[1]
    except CRSError:
        pass
    head = re.split(r"[-(_,;/]| height", text, maxsplit=1)[0]
    for key in (_key(text), _key(head)):
        alike = _by_name().get(key, ())
        for crs in alike:
            if abs(crs.axis_info[-1].unit_conversion_factor / METRES[unit] - 1) < 1e-5:
                return crs
        if alike:
            return alike[0]
    return None


def _key(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.lower())


@lru_cache(maxsize=1)
def _by_name() -> dict[str, tuple[CRS, ...]]:
    """Upward systems by the short and by the long name of their datum, small letters and digits alone."""
    found: dict[str, list[CRS]] = {}
    for info in query_crs_info(auth_name="EPSG", pj_types=[PJType.VERTICAL_CRS]):
        crs = CRS.from_epsg(int(info.code))
        if crs.axis_info[-1].direction == "up":
            for key in {_key(crs.name.split(" height")[0]), _key(datum_of(crs))}:
                found.setdefault(key, []).append(crs)
    return {key: tuple(systems) for key, systems in found.items()}


def use_grids(folders: Sequence[FilePath]) -> None:
    """Let PROJ look for grids in these folders too. Raises InputError where one is not there."""
    for folder in folders:
        if not folder.is_dir():
            raise InputError(Finding("project.grids", f"no such folder: {folder.as_posix()}", "check the path"))
        if str(folder) not in datadir.get_data_dir().split(os.pathsep):
            datadir.append_data_dir(str(folder))
            _transformer.cache_clear()


def datum_of(vertical: CRS) -> str:
    """The name of what heights of a system are counted from; of a three-dimensional one, its ellipsoid's datum."""
    return vertical.datum.name if vertical.datum is not None else vertical.name


@dataclass(frozen=True, slots=True)
class Moved:
    """Heights of one input that are brought to the design's vertical system.

    where: the side or column of the plan; shown: the input, others: inputs alike. accuracy: metres, None where
    PROJ states none.
    """

    where: str
    shown: str
    source: str
    target: str
    operation: str
    accuracy: float | None
    others: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """In words."""
        who = listed((self.shown, *self.others), most=1)
        known = "accuracy not stated" if self.accuracy is None else f"accuracy {self.accuracy:g} m"
        return f"{who}: heights brought from {self.source} to {self.target} by '{self.operation}', {known}"


@dataclass(frozen=True, slots=True)
class Lift:
    """From heights of one vertical system to those of another, both in metres; picklable.

    source, target: the systems in full. path: from the working system to their common geographic one.
    """

    source: str
    target: str
    path: Path

    def heights(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """(n,) heights in the target system at points (n,) of the working system; NaN where there is no answer."""
        return self._moved(x, y, z, self.source, self.target)

    def back(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """(n,) heights of the target system in the source system."""
        return self._moved(x, y, z, self.target, self.source)

    def _moved(self, x: Floats, y: Floats, z: Floats, source: str, target: str) -> Floats:
        out = np.full(len(z), np.nan)
        rows = np.flatnonzero(np.isfinite(z))
        if len(rows):
            lon, lat = self.path.there(x[rows], y[rows])
            found = _transformer(source, target).transform(lon, lat, z[rows])[2]
            out[rows] = np.where(np.isfinite(found), found, np.nan)
        return out

    def operation(self, x: Floats, y: Floats) -> Operation:
        """What PROJ uses in the middle of points (n,) of the working system."""
        lon, lat = self.path.there(np.array([np.median(x)]), np.array([np.median(y)]))
        way = _transformer(self.source, self.target)
        way.transform(lon, lat, np.zeros(1))
        return Operation.last(way)


@lru_cache(maxsize=64)
def _transformer(source: str, target: str) -> Transformer:
    with warnings.catch_warnings(action="ignore"):
        return Transformer.from_crs(source, target, always_xy=True, allow_ballpark=False)


def lift(source: CRS, target: CRS, horizontal: CRS, work: CRS, x: Floats, y: Floats, where: str) -> Lift | None:
    """The way of heights from one vertical system to another; None where both count from one datum.

    horizontal: the system of the data, whose geographic base looks up the grids. x, y: (n,) points of the working
    system that it must answer at. Raises InputError naming what PROJ lacks: a grid, or any knowledge of such a
    transformation.
    """
    if datum_of(source) == datum_of(target) and len(source.axis_info) == len(target.axis_info):
        return None
    moves = moving(source, target)
    if moves:
        what = (
            f"heights from {name_of(source)} to {name_of(target)} depend on their epoch, which is not known: "
            f"{moves[0].name} moves with time"
        )
        raise InputError(Finding(where, what, "bring them to the other system at their epoch before"))
    bases = _bases(source, target, horizontal)
    ways: list[tuple[float, Lift]] = []
    short: Finding | None = None
    for geographic in bases:
        a, b = _full(source, geographic), _full(target, geographic)
        try:
            _transformer(a, b)
        except (ProjError, CRSError):
            continue
        found = Lift(a, b, Path.between(work, geographic))
        lost = np.flatnonzero(np.isnan(found.heights(x, y, np.zeros(len(x)))))
        if not len(x):
            return found
        if len(lost):
            short = short or _unreached(found, source, target, x[lost], y[lost], where)
            continue
        accuracy = found.operation(x, y).accuracy
        ways.append((np.inf if accuracy is None else accuracy, found))
    if ways:
        return min(ways, key=lambda way: way[0])[1]
    if short is not None:
        raise InputError(short)
    lon, lat = Path.between(work, bases[0]).there(x, y)
    at = (float(np.median(lon)), float(np.median(lat))) if len(x) else None
    raise InputError(_unknown(source, target, bases[0], at, where))


def _bases(source: CRS, target: CRS, horizontal: CRS) -> list[CRS]:
    """Geographic systems that grids may be looked up in: those of three-dimensional ends first, then the data's own."""
    found: list[CRS] = []
    for crs in (source, target, horizontal):
        base = crs.geodetic_crs
        if base is not None and not any(base.to_2d().equals(b) for b in found):
            found.append(base.to_2d())
    return [*found, CRS(_ANY)]


def moved(found: Lift, source: CRS, target: CRS, x: Floats, y: Floats, where: str, shown: str) -> Moved:
    """What is to be said of a lift, from what PROJ uses in the middle of points (n,) of the working system."""
    used = found.operation(x, y)
    return Moved(where, shown, name_of(source), name_of(target), used.name, used.accuracy)


def _full(vertical: CRS, geographic: CRS) -> str:
    """A vertical system, in metres, over a geographic one; a three-dimensional system as it is."""
    if len(vertical.axis_info) == 3:
        base = vertical.geodetic_crs if vertical.is_projected else None
        return str(vertical.to_wkt() if base is None else base.to_3d().to_wkt())
    metric = metric_twin(vertical)
    return str(CompoundCRS(f"{geographic.name} + {metric.name}", [geographic, metric]).to_wkt())


def metric_twin(vertical: CRS) -> CRS:
    """The system of the same datum in metres, upward.

    >>> metric_twin(CRS("EPSG:5702")).to_epsg(), metric_twin(CRS("EPSG:8228")).to_epsg()
    (7968, 5703)
    """
    axis = vertical.axis_info[-1]
    if axis.unit_conversion_factor == 1.0 and axis.direction == "up" and vertical.to_epsg() is not None:
        return vertical
    code = _twins().get(datum_of(vertical))
    if code is not None:
        return CRS.from_epsg(int(code))
    described = vertical.to_json_dict()
    described["coordinate_system"]["axis"][0] |= {"unit": "metre", "direction": "up"}
    described.pop("id", None)
    return CRS.from_json_dict(described)


@lru_cache(maxsize=1)
def _twins() -> dict[str, str]:
    """Codes of upward metric systems by the name of their datum."""
    found: dict[str, str] = {}
    for info in query_crs_info(auth_name="EPSG", pj_types=[PJType.VERTICAL_CRS]):
        crs = CRS.from_epsg(int(info.code))
        axis = crs.axis_info[-1]
        if axis.unit_conversion_factor == 1.0 and axis.direction == "up":
            found.setdefault(datum_of(crs), info.code)
    return found


def _unreached(found: Lift, source: CRS, target: CRS, x: Floats, y: Floats, where: str) -> Finding:
    """The transformation is there, and its grids do not reach the place."""
    lon, lat = found.path.there(np.array([np.median(x)]), np.array([np.median(y)]))
    place = f"latitude {lat[0]:.4f}, longitude {lon[0]:.4f}"
    what = f"heights are {name_of(source)}, needed as {name_of(target)}: no grid at hand reaches {place}"
    return Finding(where, what, _mend(missing_grids(found.source, found.target, (float(lon[0]), float(lat[0])))))


def _unknown(source: CRS, target: CRS, geographic: CRS, at: tuple[float, float] | None, where: str) -> Finding:
    what = f"heights are {name_of(source)}, needed as {name_of(target)}: "
    a, b = _full(source, geographic), _full(target, geographic)
    lacking = missing_grids(a, b, at)
    what += "a grid is not at hand" if lacking else "PROJ knows no transformation but a guess (ballpark)"
    return Finding(where, what, _mend(lacking))


def _mend(lacking: list[tuple[str, str]]) -> str:
    if not lacking:
        return "state the true `vertical` of each ground, or bring them onto one datum before"
    return grids_mend(lacking)
