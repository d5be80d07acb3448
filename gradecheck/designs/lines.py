"""Ground from profile lines: 3D lines, or lines with a table of stations and elevations."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS

from gradecheck import reference
from gradecheck.designs.parts import DesignFile, Reading, build_road
from gradecheck.designs.settle import one_system, one_unit, one_vertical, plane_unit
from gradecheck.designs.tables import columns_of, read_table, table_file
from gradecheck.errors import Finding, InputError
from gradecheck.formats import profile_lines
from gradecheck.layers import VectorLayer, read_named
from gradecheck.probability import Floats
from gradecheck.surfaces.corridor import Road
from gradecheck.units import METRES

_NAMED = 12
"""Lines that are named."""


def read(reading: Reading, path: Path, shown: str) -> DesignFile:
    """The lines as ground. Raises InputError."""
    layer = read_named(path, shown, f"{reading.where}.profile", reading.source.layer)
    if not len(layer.geometry):
        raise InputError(Finding(f"{reading.where}.profile", f"{shown} has no rows", "export the lines again"))
    if all(shape is None for shape in layer.geometry):
        mend = "`profile` is the lines; a table of stations and elevations beside them goes in `table`"
        raise InputError(Finding(f"{reading.where}.profile", f"{shown} has no lines, it is a table", mend))
    crs, compound = one_system(reading, shown, None, "", layer.crs)
    layer = _true_to_length(reading, layer, crs)
    crs = layer.crs or crs
    said = None if compound is None else reference.vertical_unit(CRS.from_user_input(compound), shown)
    table = reading.source.table
    unit = (table.elevation_unit if table else None) or one_unit(reading, shown, said, "its vertical system")
    vertical = one_vertical(reading, shown, compound, unit)
    plane = plane_unit(crs, shown)
    where = f"{reading.where}.profile"
    if table is None:
        found = profile_lines.lines_with_heights(layer, reading.source.road, where)
    elif reading.source.road is None:
        what = "which column of the lines names the road that the table speaks of?"
        raise InputError(Finding(f"{reading.where}.road", what, 'add it, such as road = "name"'))
    else:
        rows = read_table(reading, table)
        scale = METRES[table.station_unit or unit] / METRES[plane]
        road, start = reading.source.road, reading.source.start
        found = profile_lines.lines_with_table(layer, road, start, rows, columns_of(table), scale, where)
    reading.notes.extend(f"{shown}: {note}" for note in found.notes)
    roads = _roads(reading, found, plane)
    facts = _facts(f"{shown}: {len(roads)} profile lines in {reference.name_of(crs)}, heights in {unit}", roads)
    files = str(path), *table_file(reading)
    return DesignFile(shown, "profile", files, crs, vertical, plane, unit, (), roads, facts)


def _roads(reading: Reading, found: profile_lines.ProfileLines, unit: str) -> tuple[Road, ...]:
    """Raises InputError with the findings of all."""
    roads: list[Road] = []
    findings: list[Finding] = []
    for line in found.lines:
        try:
            roads.append(build_road(reading, line.alignment, line.profile, unit))
        except InputError as error:
            findings.extend(error.findings)
    if findings:
        raise InputError(findings)
    return tuple(roads)


def _facts(first: str, roads: tuple[Road, ...]) -> tuple[str, ...]:
    lines = [first]
    for road in roads[:_NAMED]:
        line = road.alignment
        lines.append(f"  '{line.name}': stations {line.first:.2f} to {line.last:.2f}")
    if len(roads) > _NAMED:
        lines.append(f"  ... and {len(roads) - _NAMED} more")
    return tuple(lines)


def _true_to_length(reading: Reading, layer: VectorLayer, horizontal: CRS) -> VectorLayer:
    """The layer in a system in which lengths are lengths: its own, or the local UTM zone, said aloud.

    Raises InputError where lines lie outside the area that their system is for.
    """
    shapes = [g for g in layer.geometry if g is not None and not g.is_empty]
    if not shapes:
        return replace(layer, crs=horizontal)
    xy = shapely.get_coordinates(np.array(shapes, dtype=object))
    if not reference.in_area_of_use(horizontal, xy[:, 0], xy[:, 1]).any():
        what = f"its lines lie outside the area of use of {reference.name_of(horizontal)}"
        raise InputError(Finding(layer.shown, what, "are x and y swapped, or is the system another? mend the file"))
    work, _ = reference.working_crs(None, horizontal, horizontal, xy[:, 0], xy[:, 1])
    if work.equals(horizontal, ignore_axis_order=True):
        return replace(layer, crs=horizontal)
    reading.notes.append(f"{layer.shown}: lengths along its lines are taken in {reference.name_of(work)}")
    path = reference.Path.between(horizontal, work)

    def moved(c: Floats) -> Floats:
        x, y = path.there(c[:, 0], c[:, 1])
        return np.concatenate([np.stack([x, y], axis=1), c[:, 2:]], axis=1)

    geometry = layer.geometry.copy()
    for i, shape in enumerate(geometry):
        if shape is not None and not shape.is_empty:
            geometry[i] = shapely.transform(shape, moved, include_z=bool(shapely.has_z(shape)))
    return replace(layer, geometry=geometry, crs=work)
