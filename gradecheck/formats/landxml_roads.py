"""Alignments of LandXML: lines, curves and spirals in plan, and the profiles along them.

Coordinates decide; directions, lengths and stations of single elements are not relied on. Stations are internal
ones throughout, station equations only change what they are called. Spirals other than clothoids are refused.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import atan2, hypot, pi

from gradecheck.errors import InputError
from gradecheck.formats.landxml_numbers import brief, numbers
from gradecheck.formats.landxml_profiles import NamedProfile, profiles
from gradecheck.formats.landxml_sections import cross_sections
from gradecheck.formats.landxml_stream import Node, Said
from gradecheck.roads.alignment import Alignment, Equation
from gradecheck.roads.crosssections import CrossSections
from gradecheck.roads.pieces import Piece, Point, arc, clothoid, line

_SHARE = 1e-3
"""Of its length, by which an element's computed end may miss the one stated."""
_SAME = 1e-6
"""Points this near are one."""
_ELEMENTS = ("Line", "Curve", "Spiral", "IrregularLine", "Chain")


@dataclass(frozen=True, slots=True)
class Road:
    """An alignment with what the file gives along it, stations internal."""

    alignment: Alignment
    profiles: tuple[NamedProfile, ...]
    sections: tuple[CrossSections, ...]


@dataclass(slots=True)
class Places:
    """Survey points by name, for elements that name a point instead of giving its coordinates."""

    points: dict[str, tuple[str, str]] = field(default_factory=dict)
    several: set[str] = field(default_factory=set)

    def add(self, node: Node) -> None:
        """A CgPoint."""
        name, point = node.said("name"), (" ".join(node.text.split()), node.said("pntRef"))
        if self.points.setdefault(name, point) != point:
            self.several.add(name)

    def at(self, node: Node, name: str) -> Point:
        """Easting and northing of the point `name` of an element. Raises ValueError in words."""
        point = node.first(name)
        if point is None:
            raise ValueError(f"has no {name}")
        text, ref = point.text, point.said("pntRef")
        passed: set[str] = set()
        while not text.strip() and ref:
            if ref not in self.points or ref in self.several or ref in passed:
                why = "is defined several times" if ref in self.several else "is not there"
                raise ValueError(f"its {name} is the point {brief(ref)!r}, which {why}")
            passed.add(ref)
            text, ref = self.points[ref]
        try:
            values = numbers(text)
        except ValueError as error:
            raise ValueError(f"its {name} {error}") from None
        if len(values) not in (2, 3):
            raise ValueError(f"its {name} has {len(values)} numbers, not northing and easting")
        return float(values[1]), float(values[0])


@dataclass(frozen=True, slots=True)
class _Element:
    """An element of an alignment: where the file says that it starts and ends, and the pieces it is made of."""

    start: Point
    end: Point
    pieces: tuple[Piece, ...]

    def missed(self) -> float:
        """How far its last piece ends from where it should."""
        return _apart(self.pieces[-1].end, self.end)


def _apart(a: Point, b: Point) -> float:
    return hypot(b[0] - a[0], b[1] - a[1])


def read_road(node: Node, places: Places, gap: float, said: Said) -> Road | None:
    """An alignment; None where it has no geometry or what is wrong with it has been said.

    gap: how far one element may start from the end of the one before, in the file's unit.
    """
    name = node.said("name") or f"unnamed (line {node.line})"
    begun = len(said.findings)
    station = _start_station(node, name, said)
    elements = _elements(node, name, places, gap, said)
    equations = _equations(node, name, said)
    drawn = tuple(profiles(node, name, said))
    sections = cross_sections(node, name, said)
    if not elements or len(said.findings) > begun:
        if len(said.findings) == begun:
            said.notes.append(f"alignment '{name}' has no geometry and was passed over")
        return None
    pieces = [piece for element in elements for piece in element.pieces]
    slack = gap + max(element.missed() for element in elements)
    try:
        alignment = Alignment.joined(name, pieces, station, equations, slack)
    except InputError as error:
        said.retell(error, node.line, f"alignment '{name}'")
        return None
    _compared(node, alignment, drawn, gap, said)
    return Road(alignment, drawn, sections)


def _start_station(node: Node, name: str, said: Said) -> float:
    if not node.said("staStart"):
        said.notes.append(f"alignment '{name}' does not say where its stations start: taken as 0")
        return 0.0
    try:
        return node.number("staStart")
    except ValueError as error:
        said.wrong(node.line, f"alignment '{name}': {error}", "correct it")
        return 0.0


def _elements(node: Node, name: str, places: Places, gap: float, said: Said) -> list[_Element]:
    elements: list[_Element] = []
    before: _Element | None = None
    drawn = [child for geometry in node.all("CoordGeom") for child in geometry.all(*_ELEMENTS)]
    for i, child in enumerate(drawn, start=1):
        where = f"alignment '{name}', element {i} ({child.name})"
        try:
            element = _element(child, places, gap)
        except ValueError as error:
            said.wrong(child.line, f"{where}: {error}", _mend(child))
            before = None
            continue
        if not element.pieces:
            continue
        if before and _apart(before.end, element.start) > gap:
            what = f"starts {_apart(before.end, element.start):.6g} from the end of the one before"
            said.wrong(child.line, f"{where} {what}", "correct their coordinates")
        elements.append(element)
        before = element
    return elements


def _mend(node: Node) -> str:
    if node.name == "Spiral":
        return "export the alignment with clothoids, or as short lines"
    return "export the alignment as lines, arcs and clothoids" if node.name == "Chain" else "correct the element"


def _element(node: Node, places: Places, gap: float) -> _Element:
    """One element. Raises ValueError in words for what is wrong with it."""
    if node.name == "Chain":
        raise ValueError("a Chain of points is not read")
    start, end = places.at(node, "Start"), places.at(node, "End")
    if node.name == "Curve":
        return _curve(node, start, places.at(node, "Center"), end, gap)
    if node.name == "Spiral":
        return _spiral(node, start, end, places, gap)
    vertices = [start, *(_vertices(node) if node.name == "IrregularLine" else ()), end]
    return _Element(start, end, tuple(line(a, b) for a, b in pairwise(vertices)))


def _vertices(node: Node) -> Iterator[Point]:
    for points in node.all("PntList2D", "PntList3D"):
        size = 2 if points.name == "PntList2D" else 3
        values = numbers(points.text)
        if len(values) % size:
            raise ValueError(f"its {points.name} has {len(values)} numbers, which is no multiple of {size}")
        yield from ((float(row[1]), float(row[0])) for row in values.reshape(-1, size))


def _clockwise(node: Node) -> bool:
    rot = node.said("rot").lower()
    if rot not in ("cw", "ccw"):
        raise ValueError(f"its rot is {brief(rot)!r}, not cw or ccw")
    return rot == "cw"


def _curve(node: Node, start: Point, centre: Point, end: Point, gap: float) -> _Element:
    kind = node.said("crvType").lower() or "arc"
    if kind != "arc":
        raise ValueError(f"a curve of type {brief(kind)!r} is not read, only arcs")
    piece = arc(start, centre, end, _clockwise(node))
    if fault := piece.fault():
        raise ValueError(fault)
    stated = node.number("length") if node.said("length") else None
    slack = gap / 5 + _SHARE * piece.length
    other = 2 * pi * _apart(start, centre) - piece.length
    if stated is None and other <= gap:
        raise ValueError("starts where it ends and states no length: a full circle or nothing")
    if stated is not None and abs(stated - piece.length) > slack >= abs(stated - other):
        if other <= gap:
            return _Element(start, end, ())
        raise ValueError(
            f"turning {node.said('rot')} it is {piece.length:.6g} long, the other way {other:.6g} as stated"
        )
    element = _Element(start, end, (piece,))
    if element.missed() > slack:
        raise ValueError(f"its End is {element.missed():.6g} off the arc from its Start around its Center")
    return element


def _curvature(node: Node, key: str) -> float:
    said = node.said(key)
    if said.lower() in ("inf", "+inf", "infinity"):
        return 0.0
    radius = node.number(key)
    if radius <= 0:
        raise ValueError(f"its {key} is {said}")
    return 1 / radius


def _spiral(node: Node, start: Point, end: Point, places: Places, gap: float) -> _Element:
    kind = node.said("spiType")
    if kind.lower() != "clothoid":
        raise ValueError(f"a spiral of type {brief(kind)!r} is not read, only clothoids" if kind else "has no spiType")
    length = node.number("length")
    if length <= 0:
        raise ValueError(f"its length is {length:.6g}")
    left = -1.0 if _clockwise(node) else 1.0
    bends = left * _curvature(node, "radiusStart"), left * _curvature(node, "radiusEnd")
    corner = places.at(node, "PI") if node.first("PI") else start
    if _apart(start, corner) > _SHARE * length:
        heading = atan2(corner[1] - start[1], corner[0] - start[0])
    else:
        x, y = clothoid((0.0, 0.0), 0.0, length, *bends).end
        heading = atan2(end[1] - start[1], end[0] - start[0]) - atan2(y, x)
    piece = clothoid(start, heading, length, *bends)
    if fault := piece.fault():
        raise ValueError(fault)
    element = _Element(start, end, (piece,))
    if element.missed() > gap / 5 + _SHARE * length:
        raise ValueError(f"the spiral's end misses the End stated by {element.missed():.6g}: is it a clothoid?")
    return element


def _equations(node: Node, name: str, said: Said) -> list[Equation]:
    equations = []
    for i, child in enumerate(node.all("StaEquation")):
        # Before the first equation labels are internal stations, so that its staBack will do.
        key = "staBack" if not i and not child.said("staInternal") and child.said("staBack") else "staInternal"
        down = child.said("staIncrement").lower() == "decreasing"
        try:
            equations.append(Equation(child.number(key), child.number("staAhead"), down))
        except ValueError as error:
            what = f"alignment '{name}', station equation {i + 1}: {error}"
            said.wrong(child.line, what, "give it staInternal and staAhead")
    return equations


def _compared(node: Node, line: Alignment, profiles: Sequence[NamedProfile], gap: float, said: Said) -> None:
    """Say aloud where the file states another length, and which profiles leave the alignment."""
    made = line.last - line.first
    try:
        stated = node.number("length") if node.said("length") else made
    except ValueError:
        stated = made
    if abs(stated - made) > gap + _SHARE * made:
        said.notes.append(f"alignment '{line.name}' is stated to be {stated:.2f} long, its elements make {made:.2f}")
    for named in profiles:
        p = named.profile
        if p.first < line.first - gap or p.last > line.last + gap:
            extent = f"stations {p.first:.2f} to {p.last:.2f}"
            what = f"profile '{p.name}' ({extent}) reaches outside alignment '{line.name}'"
            said.notes.append(f"{what} ({line.first:.2f} to {line.last:.2f})")
