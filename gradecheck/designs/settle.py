"""Units and reference systems of design files: what file and plan say must agree, and fit the hydrants."""

from __future__ import annotations

from pyproj import CRS
from pyproj.exceptions import CRSError

from gradecheck import reference
from gradecheck.designs.parts import DesignFile, Reading
from gradecheck.errors import Finding, InputError
from gradecheck.probability import Floats
from gradecheck.units import METRES, unit_of_factor

_NEAR, _FAR = 2000.0, 50_000.0
"""Metres within which a design may be some hydrant's, and beyond which it can be none's."""


def short(text: str) -> str:
    """A text cut to 60 characters."""
    return text if len(text) <= 60 else f"{text[:57]}..."


def one_unit(reading: Reading, shown: str, said: str | None, who: str) -> str:
    """The unit that the file and the plan agree on; `who` says it in the file. Raises InputError."""
    stated = reading.source.unit
    if said is not None and stated is not None and said != stated:
        what = f"says {said} by {who}, the plan says {stated}"
        raise InputError(Finding(shown, what, "take `unit` out of the plan or mend the file"))
    unit = said or stated
    if unit is None:
        mend = f'state it in the plan, such as unit = "ft" beside `{reading.source.kind}`'
        raise InputError(Finding(shown, "does not say its unit", mend))
    return unit


def one_system(
    reading: Reading, shown: str, said: str | None, named: str, found: CRS | None = None
) -> tuple[CRS, str | None]:
    """The horizontal system that the file and the plan agree on, and the vertical half of the file's, as text.

    said: the file's as text, `found` where it is known already; named: what it is called where there is no code.
    Raises InputError.
    """
    if found is None and said is not None:
        try:
            found = CRS.from_user_input(said)
        except CRSError:
            reading.notes.append(f"{shown}: its reference system {short(said)!r} is not understood")
    found, upward = (None, None) if found is None else reference.split(found)
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
    return crs, None if upward is None else upward.to_wkt()


def plane_unit(crs: CRS, shown: str) -> str:
    """The unit of a projected system's axes. Raises InputError where it is none that is known."""
    unit = unit_of_factor(reference.metres_per_unit(crs))
    if unit is None:
        what = f"{reference.name_of(crs)} is in {crs.axis_info[0].unit_name}, which is not a known unit"
        raise InputError(Finding(shown, what, "bring it to a system in metres or feet"))
    return unit


def one_vertical(reading: Reading, shown: str, said: str | None, unit: str) -> CRS | None:
    """The vertical system that file and plan agree on and whose unit is the heights'; None where neither says.

    Raises InputError.
    """
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
    """Raises InputError where coordinates are not in the unit of their reference system, ft and ftUS told apart."""
    factor = reference.metres_per_unit(crs)
    if abs(METRES[unit] / factor - 1) <= 1e-9:
        return
    axis = unit_of_factor(factor) or f"{factor:g} m"
    what = f"its coordinates are in {unit}, {reference.name_of(crs)} is in {axis}"
    if {unit, axis} == {"ft", "ftUS"}:
        what += " (4 ft apart at an easting of 2,000,000)"
    raise InputError(Finding(shown, what, "name the system whose unit is the file's, or mend the unit in the file"))


def misplaced(design: DesignFile, x: Floats, y: Floats) -> Finding | None:
    """What must be wrong with a file that lies nowhere near the hydrants: axes, unit, or the reference system.

    x, y: (n,) hydrants in the file's reference system and unit.
    """
    metre = 1 / METRES[design.unit]

    def near(west: float, south: float, east: float, north: float, margin: float = _NEAR) -> bool:
        m = margin * metre
        return bool(((x >= west - m) & (x <= east + m) & (y >= south - m) & (y <= north + m)).any())

    west, south, east, north = design.bounds
    if near(west, south, east, north):
        return None
    shown = design.shown
    if near(south, west, north, east):
        what = "lies nowhere near the hydrants, but would with northing and easting swapped"
        return Finding(shown, what, _turn(design))
    for other in ("ft", "m"):
        factor = METRES[other] / METRES[design.unit]
        if abs(factor - 1) > 0.1 and near(*(factor * v for v in (west, south, east, north))):
            what = f"lies nowhere near the hydrants, but would if its coordinates were {other} and not {design.unit}"
            return Finding(shown, what, "state the right unit or reference system")
    if not near(west, south, east, north, _FAR):
        what = f"lies more than {_FAR / 1000:g} km from every hydrant, in {reference.name_of(design.crs)}"
        return Finding(shown, what, "state the right reference system, or leave the file out")
    return None


def _turn(design: DesignFile) -> str:
    if design.kind == "dxf":
        return 'state axes = "northing, easting" or mend the file'
    if design.kind == "landxml" and not design.roads:
        return 'state axes = "easting, northing" or mend the file'
    return "mend the file: roads cannot be turned by a setting" if design.roads else "mend the file"
