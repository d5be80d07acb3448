"""Sanity nets over where grounds lie: a constant between them, hydrants that none of them reaches."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

import numpy as np
import shapely
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError

from gradecheck import reference
from gradecheck.hydrants import Hydrants
from gradecheck.probability import Floats
from gradecheck.surfaces import Surface
from gradecheck.units import show
from gradecheck.variogram import nmad

_SIDE = 12
"""Points along each side of the shared area that are asked."""
_ENOUGH = 20
_AWAY = 30.0
"""Metres from the limits of work beyond which nothing is built."""
_OFF, _OFF_INSIDE = 0.06, 0.15
"""Metres of near-constant difference that are told: away from the limits of work, and where those are not known."""
_ALIKE = 0.25
"""Of the median: a spread that is less makes a difference near-constant."""
_NEAR = 500.0
"""Metres from a ground within which hydrants may be its."""
_MANY = 120


def near_constant(old: Surface, new: Surface, limits: shapely.Geometry | None, work: CRS, unit: str) -> Iterator[str]:
    """A warning where after lies by about one amount off before, looked at where nothing is built if that is known."""
    shared = shapely.intersection(old.extent, new.extent)
    if shared.is_empty or not shapely.area(shared) > 0:
        return
    left, bottom, right, top = shared.bounds
    steps = (np.arange(_SIDE) + 0.5) / _SIDE
    x, y = (g.ravel() for g in np.meshgrid(left + steps * (right - left), bottom + steps * (top - bottom)))
    inside = shapely.contains_xy(shared, x, y)
    if limits is not None:  # asked point by point: a million corners are not to be buffered
        shapely.prepare(limits)
        inside &= ~shapely.dwithin(limits, shapely.points(x, y), _AWAY / reference.metres_per_unit(work))
    x, y = x[inside], y[inside]
    change = new.heights(x, y).z
    known = np.isfinite(change)
    change[known] -= old.heights(x[known], y[known]).z
    found = change[np.isfinite(change)]
    if len(found) < _ENOUGH:
        return
    middle, spread = float(np.median(found)), nmad(found)
    if abs(middle) < (_OFF if limits is not None else _OFF_INSIDE) or spread > _ALIKE * abs(middle):
        return
    where = "away from the limits of work" if limits is not None else "where both have ground"
    yield (
        f"before and after differ by almost one amount {where}: {show(middle, unit, 3)}, give or take "
        f"{show(spread, unit, 3)} at {len(found)} points. Two vertical datums, epochs or controls look like that"
        f"{'' if limits is not None else ', and so does an overlay of one thickness'}: ask what each surface rests on, "
        "and hold them against one another with [stable]"
    )


def elsewhere(read: Hydrants, work: CRS, grounds: Sequence[Surface], own: Sequence[CRS]) -> Iterator[str]:
    """A warning where no hydrant comes near any ground, with the systems that would place them there.

    own: the grounds' systems.
    """
    extents = [s.extent for s in grounds if not s.extent.is_empty]
    if not extents or not len(read):
        return
    area = shapely.union_all(extents)
    shapely.prepare(area)
    layer = reference.split(read.crs)[0] or read.crs
    near = _NEAR / reference.metres_per_unit(work)
    if _touch(area, *reference.Path.between(layer, work).there(read.x, read.y), near) > 0:
        return
    likely = list(islice(_likely(read.x, read.y, layer, work, (area, near), own), 3))
    text = "no hydrant lies within 500 m of any ground, before or after"
    if likely:
        text += f"; they would if {' or if '.join(likely)}"
    yield f"{text}: check the reference systems of the hydrants and of the surfaces"


def _touch(area: shapely.Geometry, x: Floats, y: Floats, near: float) -> float:
    """The share of points (n,) that lie near an area."""
    with np.errstate(invalid="ignore"):
        good = np.isfinite(x) & np.isfinite(y)
    if not good.any():
        return 0.0
    return float(shapely.dwithin(area, shapely.points(x[good], y[good]), near).sum()) / len(x)


def _likely(
    x: Floats, y: Floats, layer: CRS, work: CRS, about: tuple[shapely.Geometry, float], own: Sequence[CRS]
) -> Iterator[str]:
    """Readings of the same coordinates under which most of them would lie near the ground; the grounds' own first."""
    area, near = about
    step = max(1, len(x) // 200)
    x, y = x[::step], y[::step]
    if _touch(area, *reference.Path.between(layer, work).there(y, x), near) > 0.5:
        yield "their x and y were swapped"
    told = {layer.to_wkt()}
    for crs in own:
        if crs.to_wkt() not in told and _touch(area, *reference.Path.between(crs, work).there(x, y), near) > 0.5:
            yield f"the layer were in {reference.name_of(crs)}"
        told.add(crs.to_wkt())
    middle = shapely.centroid(area)
    geographic = CRS("EPSG:4326")
    lon, lat = reference.Path.between(work, geographic).there(np.array([middle.x]), np.array([middle.y]))
    if np.abs(x).max() <= 180 and np.abs(y).max() <= 180:
        for swapped, text in ((False, "the layer were in degrees"), (True, "the layer were in degrees, y before x")):
            a, b = (y, x) if swapped else (x, y)
            if layer != geographic and _touch(area, *reference.Path.between(geographic, work).there(a, b), near) > 0.5:
                yield text
        return
    around = AreaOfInterest(float(lon[0]) - 0.01, float(lat[0]) - 0.01, float(lon[0]) + 0.01, float(lat[0]) + 0.01)
    for info in query_crs_info(pj_types=[PJType.PROJECTED_CRS], area_of_interest=around, contains=True)[:_MANY]:
        try:
            crs = CRS.from_authority(info.auth_name, info.code)
            if crs.to_wkt() in told:
                continue
            if _touch(area, *reference.Path.between(crs, work).there(x, y), near) > 0.5:
                yield f"the layer were in {info.auth_name}:{info.code} ({info.name})"
        except (CRSError, ProjError):
            continue
