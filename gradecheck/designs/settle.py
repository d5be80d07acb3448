"""Units and reference systems of design files: what file and plan say must agree, and fit the hydrants."""

from __future__ import annotations

from pyproj import CRS
from pyproj.exceptions import CRSError

from gradecheck import reference
from gradecheck.designs.parts import Reading
from gradecheck.errors import Finding, InputError
from gradecheck.probability import Floats
from gradecheck.units import METRES, unit_of_factor


def short(text: str) -> str:
    """A text cut to 60 characters."""
    return text if len(text) <= 60 else f"{text[:57]}..."


def one_unit(reading: Reading, shown: str, said: str | None, who: str) -> str:
    """The unit that the file and the plan agree on."""
    stated = reading.source.unit
    if said is not None and stated is not None and said != stated:
        what = f"says {said} by {who}, the plan says {stated}"
        raise InputError(Finding(shown, what, "take `unit` out of the plan or mend the file"))
    unit = said or stated
    if unit is None:
        mend = f'state it in the plan, such as unit = "ft" beside `{reading.source.kind}`'
        raise InputError(Finding(shown, "does not say its unit", mend))
    return unit


def one_system(reading: Reading, shown: str, said: str | None, named: str, found: CRS | None = None) -> CRS:
    """The horizontal system that the file and the plan agree on."""
    if found is None and said is not None:
        try:
            found = CRS.from_user_input(said)
        except CRSError:
            reading.notes.append(f"{shown}: its reference system {short(said)!r} is not understood")
    whole, found = found, None if found is None else reference.split(found)[0]
    if found is not None and reading.crs is not None and not found.equals(reading.crs, ignore_axis_order=True):
        what = f"says it is in {reference.name_of(found)}, the plan says {reference.name_of(reading.crs)}"
        raise InputError(Finding(shown, what, "take `crs` out of the plan or mend the file"))
    crs = reading.crs or found
    if crs is None:
        hint = f" (it names '{short(named)}')" if named else ""
        mend = f"state it as `crs` beside `{reading.source.kind}` in the plan"
        raise InputError(Finding(shown, f"does not say its reference system by a code{hint}", mend))
    if reading.source.kind != "profile" and not crs.is_projected:
        what = f"{reference.name_of(crs)} is not projected, and a design is drawn in lengths"
        raise InputError(Finding(shown, what, "state the projected system that it was drawn in as `crs`"))
    return whole if whole is not None and reading.crs is None else crs


def one_vertical(reading: Reading, shown: str, said: str | None, unit: str) -> CRS | None:
    """The vertical system that file and plan agree on and whose unit is the heights'; None where neither says."""
    found = None
    if said is not None:
        try:
            found = reference.split(CRS.from_user_input(said))[1]
        except CRSError:
            reading.notes.append(f"{shown}: its vertical system {short(said)!r} is not understood")
    stated = reading.vertical
    if found is not None and stated is not None and not (found.equals(stated) or found.name == stated.name):
        what = f"says its heights are {reference.name_of(found)}, the plan says {reference.name_of(stated)}"
        raise InputError(Finding(shown, what, "take `vertical` out of the plan or mend the file"))
    vertical = found or stated
    if vertical is not None:
        axis = reference.vertical_unit(vertical, shown)
        if abs(METRES[axis] / METRES[unit] - 1) > 1e-5:  # ft and ftUS are one in heights
            what = f"its heights are in {unit}, {reference.name_of(vertical)} is in {axis}"
            raise InputError(Finding(shown, what, "state the vertical system that is in the file's unit"))
    return vertical


def same_units(shown: str, unit: str, crs: CRS) -> None:
    """Coordinates must be in the unit of their reference system, ft and ftUS told apart."""
    factor = reference.metres_per_unit(reference.split(crs)[0] or crs)
    if abs(METRES[unit] / factor - 1) <= 1e-9:
        return
    axis = unit_of_factor(factor) or f"{factor:g} m"
    what = f"its coordinates are in {unit}, {reference.name_of(crs)} is in {axis}"
    if {unit, axis} == {"ft", "ftUS"}:
        what += " (4 ft apart at an easting of 2,000,000)"
    raise InputError(Finding(shown, what, "name the system whose unit is the file's, or mend the unit in the file"))


def swapped_or_scaled(
    bounds: tuple[float, float, float, float], unit: str, x: Floats, y: Floats, shown: str
) -> Finding | None:
    """Whether a file that lies nowhere near the hydrants would do so with its axes swapped or in another unit.

    bounds: of the file; x, y: hydrants in the file's reference system; both in `unit`.
    """
    margin = 2000 / METRES[unit]

    def near(west: float, south: float, east: float, north: float) -> bool:
        inside = (x >= west - margin) & (x <= east + margin) & (y >= south - margin) & (y <= north + margin)
        return bool(inside.any())

    west, south, east, north = bounds
    if near(*bounds):
        return None
    if near(south, west, north, east):
        what = "lies nowhere near the hydrants, but would with northing and easting swapped"
        return Finding(shown, what, 'state axes = "easting, northing" or mend the file')
    for other in ("ft", "m"):
        factor = METRES[other] / METRES[unit]
        if abs(factor - 1) > 0.1 and near(*(factor * v for v in bounds)):
            what = f"lies nowhere near the hydrants, but would if its coordinates were {other} and not {unit}"
            return Finding(shown, what, "state the right unit or reference system")
    return None
