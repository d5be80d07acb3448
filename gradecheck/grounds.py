"""The two grounds of a plan: every source opened and checked, before any of it is asked for a height."""

from __future__ import annotations

import glob
from dataclasses import dataclass
from pathlib import Path

from pyproj import CRS

from gradecheck import locations, reference
from gradecheck.designs import read_design
from gradecheck.designs.landxml import matches
from gradecheck.designs.parts import DesignFile, Reading, read_section
from gradecheck.errors import Finding, GradecheckError, InputError
from gradecheck.plan import Plan
from gradecheck.roads.crosssections import CrossSections
from gradecheck.sources import GroundSource, SurfaceSource
from gradecheck.surfaces.answers import base_name
from gradecheck.surfaces.collection import Found, find_rasters, open_rasters
from gradecheck.surfaces.named import find
from gradecheck.surfaces.remote import Said
from gradecheck.surfaces.tiles import Tile
from gradecheck.validation import nearest

_SUFFIXES = {
    "landxml": (".xml", ".landxml"),
    "dxf": (".dxf",),
    "profile": (".gpkg", ".geojson", ".json", ".shp", ".fgb", ".gml", ".kml", ".parquet", ".sqlite"),
}


@dataclass(frozen=True, slots=True)
class Source:
    """One source of the plan, opened: tiles of rasters, or design files. name: its place in the plan."""

    settings: SurfaceSource
    name: str
    tiles: tuple[Tile, ...] = ()
    designs: tuple[DesignFile, ...] = ()

    @property
    def parts(self) -> list[Tile | DesignFile]:
        """All that was opened."""
        return [*self.tiles, *self.designs]

    @property
    def roads(self) -> list[str]:
        """The names of its roads."""
        return [road.alignment.name for design in self.designs for road in design.roads]

    @property
    def bare(self) -> bool:
        """Whether it is profiles alone, with nothing said of the ground beside them."""
        roads = [road for design in self.designs for road in design.roads]
        solid = self.tiles or any(design.meshes for design in self.designs)
        return not solid and all(r.section is None and not isinstance(r.ground, CrossSections) for r in roads)


@dataclass(frozen=True, slots=True)
class Ground:
    """One side of the job, the uppermost source first; no sources where nothing is given."""

    where: str
    sources: tuple[Source, ...] = ()

    @property
    def crs(self) -> CRS | None:
        """The horizontal system of the uppermost source."""
        return next((part.crs for source in self.sources for part in source.parts), None)

    @property
    def systems(self) -> list[tuple[str, CRS | None]]:
        """What was opened, and the vertical system of each, None not stated."""
        return [(p.shown, p.vertical) for s in self.sources for p in s.parts]

    @property
    def files(self) -> tuple[str, ...]:
        """Every file that was read, once."""
        return tuple(dict.fromkeys(f for s in self.sources for p in s.parts for f in p.files))

    @property
    def said(self) -> dict[str, Said]:
        """Of the files that are on a network: what their servers say."""
        return {one.name: one for s in self.sources for tile in s.tiles for one in tile.said}

    @property
    def bare(self) -> bool:
        """Whether all of it is profiles with nothing said of the ground beside them."""
        return bool(self.sources) and all(source.bare for source in self.sources)


def open_ground(plan: Plan, ground: GroundSource | None, where: str, notes: list[str]) -> Ground:
    """Open every source. Raises InputError with the findings of all of them."""
    if ground is None:
        return Ground(where)
    findings: list[Finding] = []
    sources = []
    for number, settings in enumerate(ground.layers_down, start=1):
        name = where if len(ground.layers_down) == 1 else f"{where}[{number}]"
        try:
            sources.append(_open(plan, settings, name, where, notes, findings))
        except GradecheckError as error:
            findings.extend(error.findings)
    if findings:
        raise InputError(findings)
    return Ground(where, tuple(sources))


def _open(
    plan: Plan, settings: SurfaceSource, name: str, where: str, notes: list[str], findings: list[Finding]
) -> Source:
    crs, vertical = _stated(settings, name)
    if settings.kind != "raster":
        found = find_files(plan, settings, name)
        sections = read_section(plan, settings.section, name, notes)
        reading = Reading(plan, settings, name, where == "after", crs, vertical, notes, sections, len(found) == 1)
        designs = []
        for path, shown in found:
            try:
                designs.append(read_design(reading, path, shown))
            except InputError as error:
                findings.extend(error.findings)
        source = Source(settings, name, designs=tuple(designs))
        lost = [w for w in settings.alignment or () if not any(matches(road, w) for road in source.roads)]
        if lost and len(found) > 1 and not findings:
            what = f"none of the {len(found)} files has an alignment '{lost[0]}'"
            raise InputError(Finding(f"{name}.alignment", what, nearest(lost[0], source.roads)))
        if sections is not None and not findings:
            known = {*source.roads, *map(base_name, source.roads)}
            lost = [road for road in sections.named if road not in known]
            if lost:
                notes.append(f"{settings.section}: sections for roads that are not there: {', '.join(lost)}")
        return source
    rasters = raster_files(plan, settings, name)
    away = plan.project.allow_remote
    within = reach(plan, settings)
    tiles = open_rasters(rasters, settings.unit, vertical, crs, away, notes, findings, within)
    return Source(settings, name, tiles=tuple(tiles))


def raster_files(plan: Plan, settings: SurfaceSource, name: str) -> list[Found]:
    """The rasters of a source, files and addresses. Raises InputError naming what leads nowhere."""
    return find_rasters(settings.paths, plan.folder, f"{name}.raster", plan.project.allow_remote)


def reach(plan: Plan, settings: SurfaceSource) -> list[Path]:
    """Where virtual rasters may lead: the plan's folder, and the folders of all that it names as ground."""
    layers = [settings, *(plan.before.layers_down if plan.before else ()), *plan.after.layers_down]
    named = [plan.resolve(p) for layer in layers for p in layer.paths if not locations.is_remote(p)]
    return [*dict.fromkeys([plan.folder, *(path if path.is_dir() else _folder_of(path) for path in named)])]


def _folder_of(path: Path) -> Path:
    """The folder of a path, of a pattern as far as it is none."""
    return next((p for p in path.parents if not glob.has_magic(str(p))), path.parent)


def find_files(plan: Plan, settings: SurfaceSource, name: str) -> list[tuple[Path, str]]:
    """The design files that a source names: (path, as shown). Raises InputError naming what leads nowhere."""
    return find(settings.paths, plan.folder, f"{name}.{settings.kind}", _SUFFIXES[settings.kind], settings.kind)


def _stated(settings: SurfaceSource, name: str) -> tuple[CRS | None, CRS | None]:
    """The horizontal and the vertical system that the plan states."""
    crs = vertical = None
    if settings.vertical is not None:
        stated = reference.crs_named(settings.vertical, f"{name}.vertical")
        vertical = reference.split(stated)[1]
        if vertical is None:
            what = f"{settings.vertical!r} is not a vertical reference system"
            raise InputError(Finding(f"{name}.vertical", what, 'such as "EPSG:5703"'))
        reference.vertical_unit(vertical, f"{name}.vertical")
    if settings.crs is not None:
        crs, upward = reference.split(reference.crs_named(settings.crs, f"{name}.crs"))
        if crs is None:
            what = f"{settings.crs!r} is no reference system of places"
            raise InputError(
                Finding(f"{name}.crs", what, 'such as "EPSG:26915"; a system of heights is stated as `vertical`')
            )
        if (
            upward is not None
            and vertical is not None
            and not (upward.equals(vertical) or upward.name == vertical.name)
        ):
            what = f"crs says heights are {reference.name_of(upward)}, vertical {reference.name_of(vertical)}"
            raise InputError(Finding(f"{name}.vertical", what, "state one of them"))
        vertical = vertical or upward
    return crs, vertical
