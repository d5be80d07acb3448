"""Ground from LandXML: the surface that the plan means, or its roads with the profiles along them."""

from __future__ import annotations

from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path

from gradecheck import vertical as datums
from gradecheck.designs.parts import DesignFile, Ground, Reading, build_road, checked, extent_line
from gradecheck.designs.settle import one_system, one_unit, one_vertical, same_units, short
from gradecheck.designs.tables import station_profiles, table_file
from gradecheck.errors import Finding, InputError
from gradecheck.formats.landxml import LandXml, read_landxml
from gradecheck.formats.landxml import Road as DrawnRoad
from gradecheck.roads.mesh import Mesh
from gradecheck.roads.profile import Broken, Profile
from gradecheck.sources import SurfaceSource
from gradecheck.surfaces.answers import base_name
from gradecheck.surfaces.corridor import Road
from gradecheck.validation import nearest


def read(reading: Reading, path: Path, shown: str) -> DesignFile:
    """The document as ground. Raises InputError."""
    source = reading.source
    surface, roads_too = asked_for(source)
    document = read_landxml(path, shown, surface, lambda kind, name: _wanted(source, kind, name))
    reading.notes.extend(f"{shown}: {note}" for note in document.notes)
    unit = one_unit(reading, shown, document.unit, "the file")
    crs, compound = one_system(reading, shown, document.system, document.system_said)
    said, unknown = _vertical(document, shown, unit)
    vertical = one_vertical(reading, shown, document.vertical or said or compound, unit)
    same_units(shown, unit, crs)
    meshes = _surfaces(reading, document) if surface else []
    roads = _drawn_roads(reading, document, unit) if roads_too or not meshes else []
    if source.axes == "easting, northing":
        meshes = [replace(m, x=m.y, y=m.x) for m in meshes]
        if roads:
            what = "`axes` turns the points of triangles only, and this file's roads are drawn by them too"
            raise InputError(Finding(f"{reading.where}.axes", what, "mend the file: northing comes before easting"))
    files = str(path), *table_file(reading)
    facts = landxml_facts(document)
    named = "" if vertical is not None else unknown
    return DesignFile(shown, "landxml", files, crs, vertical, unit, unit, tuple(meshes), tuple(roads), facts, named)


def _vertical(document: LandXml, shown: str, unit: str) -> tuple[str | None, str]:
    """The vertical system that the file names, as text, and a name of it that is not understood.

    Raises InputError where it names several datums.
    """
    found = {text: datums.named(text, unit) for text in document.vertical_said}
    known = {datums.datum_of(crs): crs for crs in found.values() if crs is not None}
    if len(known) > 1:
        what = f"names several vertical datums: {', '.join(known)}"
        raise InputError(Finding(shown, what, "mend the file, so that it names the one that its heights are of"))
    unknown = next((short(text) for text, crs in found.items() if crs is None), "")
    return (next(iter(known.values())).to_wkt(), "") if known else (None, unknown)


_OF_ROADS = ("alignment", "profile_name", "cross_sections", "table", "section", "tie_in", "carry")


def asked_for(source: SurfaceSource) -> tuple[bool, bool]:
    """Whether a plan asks for a surface, and for roads; where it speaks of neither, roads count if there is no surface.

    >>> asked_for(SurfaceSource(landxml="a.xml")), asked_for(SurfaceSource(landxml="a.xml", section="street"))
    ((True, False), (False, True))
    """
    roads = any(getattr(source, key, None) is not None for key in _OF_ROADS)
    return source.surface is not None or not roads, roads


def matches(name: str, wanted: str) -> bool:
    """Whether a name is the one wanted, or fits it as a pattern."""
    return name == wanted or fnmatchcase(name, wanted)


def _wanted(source: SurfaceSource, kind: str, name: str) -> bool:
    """Whether the plan asks for a surface or an alignment; where it names neither, for all."""
    if kind == "alignment":
        return any(matches(name, w) for w in source.alignment or (() if source.surface else ("*",)))
    return source.surface in (None, name) and not source.alignment


def landxml_facts(document: LandXml) -> tuple[str, ...]:
    """What is in the file: version, unit, systems, surfaces and roads."""
    system = document.system or document.system_said or "not stated"
    lines = [
        f"{document.shown}: LandXML {document.version}, unit {document.unit or 'not stated'}",
        f"  reference system {short(system)}, vertical {document.vertical or 'not stated'}",
    ]
    for mesh in document.surfaces:
        lines.append(f"  surface '{mesh.name}': {len(mesh.x)} points, {len(mesh)} triangles")
        lines += extent_line(mesh.x, mesh.y, mesh.z)
    for road in document.roads:
        line = road.alignment
        count = "1 piece" if len(line.x) == 1 else f"{len(line.x)} pieces"
        lines.append(f"  alignment '{line.name}': {count}, stations {line.first:.2f} to {line.last:.2f}")
        lines += extent_line(*line.densified((line.last - line.first) / 1000)[0].T)
        for named in road.profiles:
            kind = "ground" if named.ground else "design"
            p = named.profile
            lines.append(f"    {kind} profile '{p.name}': stations {p.first:.2f} to {p.last:.2f}")
        for cross in road.sections:
            lines.append(f"    cross-sections '{cross.name}': {len(cross.stations)}")
    return tuple(lines)


def _surfaces(reading: Reading, document: LandXml) -> list[Mesh]:
    """The surface that the plan names, or the only one; none where the plan asks for roads."""
    source, shown = reading.source, document.shown
    names = [m.name for m in document.surfaces]
    if source.surface is not None:
        found = [m for m in document.surfaces if m.name == source.surface]
        if not found:
            mend = nearest(source.surface, names) if names else "the file holds no surface"
            raise InputError(Finding(f"{reading.where}.surface", f"{shown} has no surface '{source.surface}'", mend))
        return checked(reading, shown, found[:1])
    if not names:
        return []
    if len(names) > 1:
        what = f"{shown} has {len(names)} surfaces: {', '.join(names[:8])}"
        raise InputError(Finding(f"{reading.where}.surface", what, "name one as `surface`"))
    return checked(reading, shown, list(document.surfaces))


def _drawn_roads(reading: Reading, document: LandXml, unit: str) -> list[Road]:
    """Alignments with the ground along them. Raises InputError where a named one has none."""
    source, shown = reading.source, document.shown
    names = [r.alignment.name for r in document.roads]
    wanted = source.alignment or ("*",)
    chosen = [r for r in document.roads if any(matches(r.alignment.name, w) for w in wanted)]
    missing = [w for w in wanted if not any(matches(n, w) for n in names)]
    if missing and source.alignment is None:
        mend = "export its surfaces or alignments"
        raise InputError(Finding(shown, "has no surface and no alignment", mend))
    if missing and reading.alone:
        mend = nearest(missing[0], names) if names else "the file holds no alignment with geometry"
        what = f"{shown} has no alignment '{missing[0]}'"
        raise InputError(Finding(f"{reading.where}.alignment", what, mend))
    if not chosen:  # of several files, another has them
        return []
    heights = station_profiles(reading, unit, [r.alignment for r in document.roads], shown)
    findings: list[Finding] = []
    roads: list[Road] = []
    for drawn in chosen:
        try:
            ground = _ground_of(reading, drawn, heights, shown)
            if ground is not None:
                roads.append(build_road(reading, drawn.alignment, ground, unit))
        except InputError as error:
            findings.extend(error.findings)
            continue
        if ground is None:
            reading.notes.append(f"{shown}: alignment '{drawn.alignment.name}' has no profile and was passed over")
    if not roads and not findings:
        short = next((f" that can be read: {note}" for note in document.notes if "fewer than two" in note), "")
        findings.append(
            Finding(shown, f"no alignment has a profile{short}", "give a file with profiles, or a `table` of them")
        )
    if findings:
        raise InputError(findings)
    return roads


def _ground_of(reading: Reading, drawn: DrawnRoad, heights: dict[str, Profile], shown: str) -> Ground | None:
    """The profile (or cross-sections) of a road that the plan means: existing ground before, design after."""
    source, name = reading.source, drawn.alignment.name
    if source.cross_sections is not None:
        for cross in drawn.sections:
            if cross.name == source.cross_sections:
                return cross
        known = [c.name for c in drawn.sections]
        what = f"alignment '{name}' of {shown} has no cross-sections '{source.cross_sections}'"
        raise InputError(Finding(f"{reading.where}.cross_sections", what, nearest(source.cross_sections, known)))
    if name in heights:
        return heights[name]
    if source.profile_name is not None:
        found = [p.profile for p in drawn.profiles if p.profile.name == source.profile_name]
        if not found:
            known = [p.profile.name for p in drawn.profiles]
            what = f"alignment '{name}' of {shown} has no profile '{source.profile_name}'"
            raise InputError(Finding(f"{reading.where}.profile_name", what, nearest(source.profile_name, known)))
        return found[0]
    fitting = [p.profile for p in drawn.profiles if p.ground != reading.design]
    other = [p.profile for p in drawn.profiles if p.ground == reading.design]
    if len({base_name(p.name) for p in fitting or other}) > 1:
        several = ", ".join(f"'{p.name}'" for p in fitting or other)
        what = f"alignment '{name}' of {shown} has several profiles: {several}"
        raise InputError(Finding(f"{reading.where}.profile_name", what, "name one as `profile_name`"))
    if not fitting and other:
        kind = "existing ground" if reading.design else "design"
        reading.notes.append(f"{shown}: for '{name}' the only profile is taken, though it is marked as {kind}")
    chosen = fitting or other
    if len(chosen) > 1:
        return Broken(base_name(chosen[0].name), tuple(chosen))
    return chosen[0] if chosen else None
