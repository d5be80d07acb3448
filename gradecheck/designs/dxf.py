"""Ground from DXF: faces and meshes as triangles, lines as breaklines or as profiles along roads."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from gradecheck.designs.parts import DesignFile, Reading, build_road, checked, extent_line
from gradecheck.designs.settle import one_system, one_vertical, plane_unit
from gradecheck.errors import Finding, InputError, listed
from gradecheck.formats.dxf import Dxf, read_dxf
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.breaklines import triangulated
from gradecheck.roads.mesh import Mesh
from gradecheck.roads.profile import Profile
from gradecheck.surfaces.corridor import Road
from gradecheck.units import METRES

_NAMED = 8
"""Lines that are named."""


def read(reading: Reading, path: Path, shown: str) -> DesignFile:
    """The drawing as ground. Raises InputError."""
    source = reading.source
    drawing = read_dxf(path, shown, source.layers)
    if source.axes == "northing, easting":
        drawing = _turned(drawing)
    reading.notes.extend(f"{shown}: {note}" for note in drawing.notes)
    crs, _ = one_system(reading, shown, None, "")
    plane = plane_unit(crs, shown)
    unit: str | None = source.unit
    if drawing.unit is not None and drawing.unit != (unit or plane):
        reading.notes.append(
            f"{shown}: its header says {drawing.unit}; a hint only: heights are taken in {unit or plane}, "
            f"coordinates in the {plane} of the reference system"
        )
    if unit is None:
        if drawing.unit != plane:
            what = f"does not say the unit of its heights for certain (header: {drawing.unit or 'none'})"
            raise InputError(Finding(shown, what, f'state it, such as unit = "{plane}" beside `dxf`'))
        unit = plane
        reading.notes.append(f"{shown}: heights are taken in {unit}, as the header and the reference system say")
    vertical = one_vertical(reading, shown, None, unit)
    meshes: list[Mesh] = []
    roads: list[Road] = []
    if len(drawing.mesh):
        meshes += checked(reading, shown, [replace(drawing.mesh, name="faces")])
    if source.lines == "breaklines":
        lines, names = [line.xyz for line in drawing.lines], [line.name for line in drawing.lines]
        side = source.longest_side.metres / METRES[plane]
        meshes.append(replace(triangulated(lines, drawing.points, side, names, shown), name="breaklines"))
    elif source.lines == "profiles":
        roads = _roads(reading, drawing, plane)
    elif meshes and drawing.lines:
        reading.notes.append(
            f"{shown}: its {len(drawing.lines)} lines are passed over: `lines` does not say what they are"
        )
    elif not meshes:
        what = f"{shown} has {len(drawing.lines)} lines and no triangles: what are they?"
        mend = 'state lines = "profiles" (along roads) or lines = "breaklines" (edges of ground between them)'
        raise InputError(Finding(f"{reading.where}.lines", what, mend))
    return DesignFile(
        shown, "dxf", (str(path),), crs, vertical, plane, unit, tuple(meshes), tuple(roads), dxf_facts(drawing)
    )  # fmt: skip


def _roads(reading: Reading, drawing: Dxf, unit: str) -> list[Road]:
    """Each line as a road with its own heights along it. Raises InputError with the findings of all."""
    findings: list[Finding] = []
    roads: list[Road] = []
    for line in drawing.lines:
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line.xyz[:, :2], axis=0).T))])
        try:
            alignment = Alignment.polyline(line.name, line.xyz[:, :2])
            profile = Profile.table(line.name, along, line.xyz[:, 2], f"{drawing.shown}: {line.name}")
            roads.append(build_road(reading, alignment, profile, unit))
        except InputError as error:
            findings.extend(error.findings)
    if findings:
        raise InputError(findings)
    return roads


def _turned(drawing: Dxf) -> Dxf:
    """The same with x and y in each other's place, as a drawing is that has northings first."""
    mesh = replace(drawing.mesh, x=drawing.mesh.y, y=drawing.mesh.x)
    lines = tuple(replace(line, xyz=line.xyz[:, [1, 0, 2]]) for line in drawing.lines)
    return replace(drawing, mesh=mesh, lines=lines, points=drawing.points[:, [1, 0, 2]])


def dxf_facts(drawing: Dxf) -> tuple[str, ...]:
    """What is in the drawing."""
    unit = drawing.unit or "not stated"
    lines = [f"{drawing.shown}: DXF, header unit {unit}", f"  layers {', '.join(drawing.layers)}"]
    if len(drawing.mesh):
        mesh = drawing.mesh
        lines += [f"  {len(mesh)} triangles", *extent_line(mesh.x, mesh.y, mesh.z)]
    if drawing.lines:
        xyz = np.concatenate([line.xyz for line in drawing.lines])
        names = [line.name for line in drawing.lines]
        lines += [f"  {len(names)} lines: {listed(names, most=_NAMED)}", *extent_line(*xyz.T)]
    return tuple(lines)
