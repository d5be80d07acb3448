"""Ground from profile lines: 3D lines, or lines with a table of stations and elevations."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from gradecheck import reference
from gradecheck.designs.parts import DesignFile, Reading, build_road
from gradecheck.designs.settle import one_system, one_unit
from gradecheck.errors import Finding, InputError
from gradecheck.formats import profile_lines
from gradecheck.layers import VectorLayer, read_named
from gradecheck.probability import Floats as Rows
from gradecheck.units import METRES, unit_of_factor


def read(reading: Reading, path: Path, shown: str) -> DesignFile:
    """The lines as ground. Raises InputError."""
    source = reading.source
    layer = read_named(path, shown, reading.where, "profile", source.layer)
    layer = replace(layer, crs=one_system(reading, shown, None, "", layer.crs))
    said = reference.split(layer.crs)[1] if layer.crs is not None else None
    layer = _true_to_length(reading, layer)
    crs = layer.crs
    if crs is None:
        raise InputError(Finding(shown, "has no reference system", "state it as `crs` beside `profile`"))
    horizontal = reference.split(crs)[0] or crs
    plane = unit_of_factor(reference.metres_per_unit(horizontal))
    if plane is None:
        raise InputError(Finding(shown, f"{reference.name_of(horizontal)} is in no known unit", "bring it to another"))
    stated = reading.vertical or said
    unit = one_unit(reading, shown, reference.vertical_unit(stated, shown) if stated else None, "its vertical system")
    files = [str(path)]
    if source.table is None:
        found = profile_lines.lines_with_heights(layer, source.road, f"{reading.where}.profile")
    else:
        if source.road is None:
            what = "which column of the lines names the road that the table speaks of?"
            raise InputError(Finding(f"{reading.where}.road", what, 'add it, such as road = "name"'))
        stated_table = source.table
        table_path = reading.plan.resolve(stated_table.path)
        table = read_named(table_path, stated_table.path, f"{reading.where}.table", "path", stated_table.layer)
        files.append(str(table_path))
        columns = source.table.road, source.table.station, source.table.elevation
        scale = METRES[source.table.unit or unit] / METRES[plane]
        found = profile_lines.lines_with_table(
            layer, source.road, source.start, table, columns, scale, f"{reading.where}.profile"
        )
    reading.notes.extend(f"{shown}: {note}" for note in found.notes)
    sections = reading.sections()
    roads = tuple(build_road(reading, line.alignment, line.profile, sections) for line in found.lines)
    facts = [f"{shown}: {len(roads)} profile lines in {reference.name_of(horizontal)}, heights in {unit}"]
    for road in roads[:12]:
        line = road.alignment
        facts.append(f"  '{line.name}': stations {line.first:.2f} to {line.last:.2f}")
    if len(roads) > 12:
        facts.append(f"  ... and {len(roads) - 12} more")
    return DesignFile(shown, tuple(files), horizontal, stated, plane, unit, (), roads, tuple(facts))


def _true_to_length(reading: Reading, layer: VectorLayer) -> VectorLayer:
    """The layer in a system in which lengths are lengths: its own, or the local UTM zone, said aloud."""
    if layer.crs is None:
        return layer
    horizontal = reference.split(layer.crs)[0] or layer.crs
    shapes = [g for g in layer.geometry if g is not None and not g.is_empty]
    if not shapes:
        return layer
    xy = shapely.get_coordinates(np.array(shapes, dtype=object))
    work, _ = reference.working_crs(None, horizontal, horizontal, xy[:, 0], xy[:, 1])
    if work.equals(horizontal, ignore_axis_order=True):
        return layer
    reading.notes.append(f"{layer.shown}: lengths along its lines are taken in {reference.name_of(work)}")
    path = reference.Path.between(horizontal, work)

    def moved(c: Rows) -> Rows:
        x, y = path.there(c[:, 0], c[:, 1])
        return np.concatenate([np.stack([x, y], axis=1), c[:, 2:]], axis=1)

    geometry = layer.geometry.copy()
    for i, shape in enumerate(geometry):
        if shape is not None and not shape.is_empty:
            geometry[i] = shapely.transform(shape, moved, include_z=bool(shapely.has_z(shape)))
    return replace(layer, geometry=geometry, crs=work)
