"""What a design file gives as ground, and what of the plan goes with its reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pyproj import CRS

from gradecheck.errors import Finding, InputError
from gradecheck.formats.sections import Sections, read_sections
from gradecheck.plan import Plan
from gradecheck.probability import Floats
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.crosssections import CrossSections
from gradecheck.roads.mesh import Mesh, faults
from gradecheck.roads.profile import Profile
from gradecheck.roads.section import BUILT_IN
from gradecheck.sources import SurfaceSource
from gradecheck.surfaces.corridor import Road
from gradecheck.units import METRES


@dataclass(frozen=True, slots=True)
class DesignFile:
    """What of one file is ground, in the file's own coordinates.

    crs: horizontal; vertical: None where not stated. unit: of plan coordinates and stations; height_unit: of heights.
    files: all that was read. facts: what the file is and holds, for people.
    """

    shown: str
    files: tuple[str, ...]
    crs: CRS
    vertical: CRS | None
    unit: str
    height_unit: str
    meshes: tuple[Mesh, ...]
    roads: tuple[Road, ...]
    facts: tuple[str, ...]

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
    """Where one source of the plan is read: its settings, its place in the plan, and what must be said aloud."""

    plan: Plan
    source: SurfaceSource
    where: str
    design: bool
    crs: CRS | None
    vertical: CRS | None
    notes: list[str]

    def sections(self) -> Sections | None:
        """The cross-sections that the source asks for."""
        name = self.source.section
        if name is None:
            return None
        if name in BUILT_IN:
            self.notes.append(f"{self.where}.section = '{name}': a common section, not that of your road")
            return Sections({}, BUILT_IN[name]())
        return read_sections(self.plan.resolve(name), name)


def build_road(
    reading: Reading, alignment: Alignment, ground: Profile | CrossSections, sections: Sections | None
) -> Road:
    """A road with the section that the source gives it. Raises InputError where it gives none."""
    section = None
    if sections is not None and not isinstance(ground, CrossSections):
        section = sections.of(alignment.name)
        if section is None:
            what = f"no section is given for road '{alignment.name}'"
            mend = "name it in `roads`, or give one without `roads` for all others"
            raise InputError(Finding(f"{reading.where}.section = {reading.source.section!r}", what, mend))
    return Road(alignment, ground, section)


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
    text = f"      x {x.min():.1f} to {x.max():.1f}, y {y.min():.1f} to {y.max():.1f}"
    return [text if z is None else f"{text}, heights {z.min():.2f} to {z.max():.2f}"]
