"""What a design file gives as ground, and what of the plan goes with its reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pyproj import CRS

from gradecheck.errors import Finding, InputError
from gradecheck.formats.sections import Sections, Stationed, read_sections
from gradecheck.plan import Plan
from gradecheck.probability import Floats
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.crosssections import CrossSections
from gradecheck.roads.mesh import Mesh, faults
from gradecheck.roads.profile import Broken, Profile
from gradecheck.roads.section import BUILT_IN
from gradecheck.sources import SurfaceSource
from gradecheck.surfaces.corridor import Road
from gradecheck.units import METRES

Ground = Profile | Broken | CrossSections
"""What is known along a road."""


@dataclass(frozen=True, slots=True)
class DesignFile:
    """What of one file is ground, in the file's own coordinates.

    shown: its name for people. kind: landxml, dxf or profile. files: all that was read.
    crs: horizontal; vertical: None where not stated.
    unit: of plan coordinates and stations; height_unit: of heights.
    facts: what the file is and holds, for people. named: what it calls its vertical datum where that is not understood.
    """

    shown: str
    kind: str
    files: tuple[str, ...]
    crs: CRS
    vertical: CRS | None
    unit: str
    height_unit: str
    meshes: tuple[Mesh, ...]
    roads: tuple[Road, ...]
    facts: tuple[str, ...]
    named: str = ""

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north of all that it holds, in its own coordinates."""
        ends = [np.array([m.x.min(), m.y.min(), m.x.max(), m.y.max()]) for m in self.meshes if len(m.x)]
        for road in self.roads:
            xy = road.alignment.densified(1.0 / METRES[self.unit])[0]
            ends.append(np.concatenate([xy.min(axis=0), xy.max(axis=0)]))
        every = np.array(ends)
        low, high = every[:, :2].min(axis=0), every[:, 2:].max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


@dataclass(frozen=True, slots=True)
class Reading:
    """Where one source of the plan is read.

    where: its place in the plan. design: after, not before. crs, vertical: as the plan states them. notes: what must be
    said aloud, added to by readers. sections: of its roads, where it asks for them. alone: the source is one file.
    """

    plan: Plan
    source: SurfaceSource
    where: str
    design: bool
    crs: CRS | None
    vertical: CRS | None
    notes: list[str]
    sections: Sections | None
    alone: bool


def read_section(plan: Plan, name: str | None, where: str, notes: list[str]) -> Sections | None:
    """The cross-sections that a source asks for. Raises InputError."""
    if name is None:
        return None
    if name in BUILT_IN:
        notes.append(f"{where}.section = '{name}': a common section, not that of your road")
        return Sections({}, Stationed(BUILT_IN[name](), None, False))
    return read_sections(plan.resolve(name), name)


def build_road(reading: Reading, alignment: Alignment, ground: Ground, unit: str) -> Road:
    """A road with the section that the source gives it; `unit` is that of its line.

    Raises InputError where the source gives none, or one whose stations cannot be this road's.
    """
    if reading.sections is None or isinstance(ground, CrossSections):
        return Road(alignment, ground)
    where = f"{reading.where}.section = {reading.source.section!r}"
    try:
        section = reading.sections.of(alignment.name, unit)
    except ValueError as error:
        mend = 'state station_unit = "ft" in the section, or write metres as 1+250'
        raise InputError(Finding(where, f"road '{alignment.name}': {error}", mend)) from None
    if section is None:
        named = ", ".join(f"'{n}'" for n in list(reading.sections.named)[:6])
        what = f"no section is given for road '{alignment.name}'"
        raise InputError(Finding(where, what, f"sections are there for {named}; one without `roads` is for all others"))
    changes = section.stations
    if changes is not None and alignment.equations:
        section = section.at(lambda stations: internal(alignment, stations, where))
        changes = section.stations
    if changes is not None and (changes[1] < alignment.first or changes[0] > alignment.last):
        what = (
            f"its stations, {changes[0]:g} to {changes[1]:g}, lie off road '{alignment.name}', "
            f"{alignment.first:g} to {alignment.last:g}"
        )
        raise InputError(Finding(where, what, "check them, and state station_unit where it is not the line's"))
    return Road(alignment, ground, section)


def internal(alignment: Alignment, labels: Floats, where: str) -> Floats:
    """Stations (n,) along a road from what they are called there. Raises InputError where one is none or several."""
    if not alignment.equations:
        return labels
    found = [alignment.stations_of(float(label)) for label in labels]
    odd = [f"{label:g}" for label, stations in zip(labels, found, strict=True) if len(stations) != 1]
    if odd:
        what = f"station equations leave {', '.join(odd[:5])} of road '{alignment.name}' off the road, or in two places"
        raise InputError(Finding(where, what, "choose stations that stand once on the road"))
    return np.array([stations[0] for stations in found])


def checked(reading: Reading, shown: str, meshes: list[Mesh]) -> list[Mesh]:
    """The meshes, their faults said aloud. Raises InputError where one has no triangles."""
    for mesh in meshes:
        if not len(mesh):
            raise InputError(Finding(shown, f"surface '{mesh.name}' has no triangles", "export it triangulated"))
        reading.notes.extend(f"{shown}: {text}" for text in faults(mesh).said(mesh))
    return meshes


def extent_line(x: Floats, y: Floats, z: Floats | None = None) -> list[str]:
    """Where points lie, for people; nothing for none."""
    if not len(x):
        return []
    text = f"    x {x.min():.1f} to {x.max():.1f}, y {y.min():.1f} to {y.max():.1f}"
    return [text if z is None else f"{text}, heights {z.min():.2f} to {z.max():.2f}"]
