"""LandXML 1.0 to 2.0: triangulated surfaces, and alignments with their profiles and cross-sections.

An open schema for land and road design. Files are read as a stream, so that memory stays with what is wanted of
them. Coordinates, stations and heights stay in the file's own unit and systems, and systems stay text. Everything
that is wrong is told at once; what is passed over is said in `LandXml.notes`.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from gradecheck.errors import Finding, InputError
from gradecheck.formats.landxml_numbers import brief
from gradecheck.formats.landxml_profiles import NamedProfile
from gradecheck.formats.landxml_roads import Places, Road, read_road
from gradecheck.formats.landxml_stream import Action, Keep, Node, Said, stream
from gradecheck.formats.landxml_tin import RawSurface
from gradecheck.roads.crosssections import CrossSections
from gradecheck.roads.mesh import Mesh
from gradecheck.units import METRES, unit_named

__all__ = ["CrossSections", "LandXml", "NamedProfile", "Road", "read_landxml"]

_VERSIONS = ("1.0", "1.1", "1.2", "2.0")
_GAP = 0.05
"""Metres (units of the file where it names none) that one element may start from the end of the one before."""
_PASSED_OVER = frozenset({"Feature", "SourceData", "Watersheds", "DocFileRef", "FieldNote"})
_NOT_OF_ROADS = frozenset({"Feature", "DocFileRef", "FieldNote", "AlignPIs", "Cant", "Superelevation"})
_WKT = re.compile(
    r"\s*(?:PROJ|GEOG|GEOD|COMPD|COMPOUND|BOUND|LOCAL|ENG|VERT)_?(?:CS|CRS|ETICCRS)\s*[\[(].*[\])]\s*", re.DOTALL
)
_EPSG = re.compile(r"((?:urn:ogc:def:crs:)?EPSG\s*::?\s*)?([1-9][0-9]{3,5})", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class LandXml:
    """What a file holds, in its own unit and systems; x east, y north.

    shown: its name for people. version: "1.2", "" where not stated.
    unit: of coordinates, stations and heights ("ft", "ftUS", "m", "mm", "cm", "in"); None where the file names none.
    system: the horizontal reference system as text for PROJ ("EPSG:3878", a WKT), None where unknown;
    system_said: whatever the file says of it when it gives no code, for messages. vertical: of heights, likewise;
    vertical_said: all that the file says of it, codes, names and the text of a compound system.
    surfaces, roads: in the file's order; surfaces without a triangle are there, empty.
    notes: what was passed over or is odd, to be said aloud.
    """

    shown: str
    version: str
    unit: str | None
    system: str | None
    system_said: str
    vertical: str | None
    vertical_said: tuple[str, ...]
    surfaces: tuple[Mesh, ...]
    roads: tuple[Road, ...]
    notes: tuple[str, ...]


Wanted = Callable[[str, str], bool]
"""Whether an element matters, by its kind ("surface", "alignment") and name."""


def read_landxml(path: Path, shown: str, surfaces: bool = True, wanted: Wanted | None = None) -> LandXml:
    """Read a file; `shown` is its name as the user wrote it. Without `surfaces`, their points are passed over.

    What is not `wanted` is read too, but left out with a note where something is wrong with it.

    Raises InputError with every finding: broken or foreign XML (then that alone), numbers that are none, faces
    that name no points, geometry that is not read.
    """
    said = Said(shown)
    contents = _Contents(said, surfaces)
    stream(path, said, contents.begin)
    return contents.settled(wanted or _all)


def _all(_kind: str, _name: str) -> bool:
    return True


@dataclass(slots=True)
class _Contents:
    """What has been met so far. inside: the surface being read, which began at `level`."""

    said: Said
    wanted: bool
    version: str = ""
    units: list[Node] = field(default_factory=list)
    systems: list[Node] = field(default_factory=list)
    surfaces: list[RawSurface] = field(default_factory=list)
    inside: RawSurface | None = None
    level: int = 0
    alignments: list[Node] = field(default_factory=list)
    places: Places = field(default_factory=Places)

    def begin(self, node: Node, level: int) -> Action:
        """What to do with an element; see `landxml_stream.Begin`."""
        if level == 1:
            return self._root(node)
        if node.name in _PASSED_OVER:
            return "skip"
        if level == 2 and node.name in ("Units", "CoordinateSystem"):
            return Keep((self.units if node.name == "Units" else self.systems).append, _PASSED_OVER)
        if node.name == "Alignment":
            return Keep(self.alignments.append, _NOT_OF_ROADS)
        if node.name == "CgPoint":
            return Keep(self.places.add, _PASSED_OVER)
        return self._of_surfaces(node, level)

    def _root(self, node: Node) -> Action:
        if node.name.lower() != "landxml":
            what = f"is not LandXML: its root element is <{brief(node.name)}>"
            raise InputError(Finding(self.said.shown, what, "export the design as LandXML"))
        schema = re.search(r"LandXML-(\d\.\d)", node.said("xmlns"))
        self.version = brief(node.said("version")) or (schema[1] if schema else "")
        if self.version not in _VERSIONS:
            self.said.notes.append(f"is of LandXML version '{self.version}'; read as {_VERSIONS[-1]}")
        return "enter"

    def _of_surfaces(self, node: Node, level: int) -> Action:
        if level <= self.level:
            self.inside, self.level = None, 0
        if node.name == "Surface" and self.wanted:
            self.inside, self.level = RawSurface(node.said("name"), node.line), level
            self.surfaces.append(self.inside)
        if node.name == "Definition" and self.inside:
            self.inside.kind = node.said("surfType")
        if node.name in ("Pnts", "Faces"):
            if self.inside is None or not self.inside.triangulated:
                return "skip"
            return self.inside.points() if node.name == "Pnts" else self.inside.triangles()
        return "skip" if node.name == "Surface" and not self.wanted else "enter"

    def settled(self, wanted: Wanted) -> LandXml:
        """All of it. Raises InputError with every finding."""
        said = self.said
        unit = _unit(self.units, said)
        system, system_said, vertical, heights = _systems(self.systems, said)
        meshes = []
        while self.surfaces and self.wanted:
            surface = self.surfaces.pop(0)
            with said.unless(wanted("surface", surface.name), f"surface '{surface.name}'") as good:
                meshes += [mesh for mesh in [surface.mesh(said)] if good()]
        gap = _GAP / METRES[unit or "m"]
        roads: list[Road] = []
        for node in self.alignments:
            name = node.said("name")
            with said.unless(wanted("alignment", name), f"alignment '{brief(name)}'") as good:
                roads += [road for road in [read_road(node, self.places, gap, said)] if road is not None and good()]
        for kind, names in (("surfaces", [m.name for m in meshes]), ("alignments", [r.alignment.name for r in roads])):
            repeated = [f"'{name}'" for name, count in Counter(names).items() if count > 1]
            if repeated:
                said.notes.append(f"several {kind} have one name: {', '.join(repeated)}")
        if said.findings:
            raise InputError(said.findings)
        read = tuple(meshes), tuple(roads), tuple(said.notes)
        return LandXml(said.shown, self.version, unit, system, system_said, vertical, heights, *read)


def _unit(nodes: list[Node], said: Said) -> str | None:
    """The unit of lengths, which governs coordinates and heights; `elevationUnit` is about neither."""
    names = {child.said("linearUnit"): child.line for node in nodes for child in node.all("Metric", "Imperial")}
    names.pop("", None)
    if len(names) > 1:
        what = f"has several linear units: {', '.join(map(brief, names))}"
        said.wrong(max(names.values()), what, "leave one")
    for name, line in names.items():
        unit = unit_named(name)
        if unit is None:
            said.wrong(line, f"its linearUnit is {brief(name)!r}", f"export it in one of {', '.join(METRES)}")
        return unit
    return None


def _systems(nodes: list[Node], said: Said) -> tuple[str | None, str, str | None, tuple[str, ...]]:
    """Horizontal system, what is said of it where it has no code, the vertical one, all that is said of that."""
    node = nodes[0] if nodes else Node("CoordinateSystem", {}, 0)
    if len(nodes) > 1:
        said.notes.append(f"has {len(nodes)} coordinate systems; the first is taken")
    wkt = node.attributes.get("ogcWktCode", "")
    codes = [_code(node.said("epsgCode"), bare=True), _code(wkt) or (wkt.strip() if _WKT.fullmatch(wkt) else None)]
    codes.append(_code(node.said("horizontalDatum")))
    system = next((code for code in codes if code), None)
    if codes[2] not in (None, system) and system == codes[0]:
        said.notes.append(f"states {system}, but also {codes[2]} as its horizontal datum; the former is taken")
    keys = ("name", "desc", "horizontalCoordinateSystemName", "projectedCoordinateSystemName", "horizontalDatum")
    words = dict.fromkeys(node.said(key) for key in (*keys, "epsgCode"))
    named = "" if system else ", ".join(word[:200] for word in words if word.strip("0"))
    heights = [node.said(key) for key in ("verticalDatum", "verticalCoordinateSystemName")]
    vertical = next((code for text in heights if (code := _code(text))), None)
    if vertical is None and any(heights):
        said.notes.append(f"names its vertical datum, '{brief(next(filter(None, heights)))}', without a code")
    _moved(node, said)
    compound = [wkt.strip()] if "VERT" in wkt.upper() and _WKT.fullmatch(wkt) else []
    return system, named, vertical, tuple(text.strip() for text in (*heights, *compound) if text.strip("0 "))


def _code(text: str, bare: bool = False) -> str | None:
    """ "EPSG:n" where a text is that, or with `bare` the number alone."""
    match = _EPSG.fullmatch(text.strip())
    return f"EPSG:{match[2]}" if match and (match[1] or bare) else None


def _moved(node: Node, said: Said) -> None:
    turn = node.said("rotationAngle")
    if turn.strip("+-0.") or node.first("Start"):
        said.notes.append("states a rotation or an origin of its coordinates, which is not applied")
