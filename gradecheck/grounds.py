"""The two grounds of a plan: every source opened and checked, then made into surfaces, one over another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from pyproj import CRS

from gradecheck import reference
from gradecheck.designs import read_design
from gradecheck.designs.landxml import matches
from gradecheck.designs.parts import DesignFile, Reading, read_section
from gradecheck.designs.settle import misplaced
from gradecheck.errors import Finding, GradecheckError, InputError
from gradecheck.plan import Plan
from gradecheck.probability import Floats
from gradecheck.roads.crosssections import CrossSections
from gradecheck.roads.locate import Locator
from gradecheck.sources import DesignLayer, GroundSource, SurfaceSource
from gradecheck.surfaces import Layered, Surface
from gradecheck.surfaces.answers import base_name
from gradecheck.surfaces.corridor import CHANGE, LEVEL, Carrying, Corridor, Road
from gradecheck.surfaces.raster import mosaic
from gradecheck.surfaces.tiles import SUFFIXES, Tile, find, open_tile
from gradecheck.surfaces.tin import Tin
from gradecheck.units import METRES, show
from gradecheck.validation import nearest

_SUFFIXES = {
    "raster": SUFFIXES,
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
    found = find_files(plan, settings, name)
    if settings.kind != "raster":
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
    tiles = []
    for path, shown in found:
        tile, wrong, said = open_tile(path, shown, settings.unit, vertical, crs)
        findings.extend(wrong)
        notes.extend(said)
        if tile is not None:
            tiles.append(tile)
    return Source(settings, name, tiles=tuple(tiles))


def find_files(plan: Plan, settings: SurfaceSource, name: str) -> list[tuple[Path, str]]:
    """The files that a source names: (path, as shown). Raises InputError naming what leads nowhere."""
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
        if (
            upward is not None
            and vertical is not None
            and not (upward.equals(vertical) or upward.name == vertical.name)
        ):
            what = f"crs says heights are {reference.name_of(upward)}, vertical {reference.name_of(vertical)}"
            raise InputError(Finding(f"{name}.vertical", what, "state one of them"))
        vertical = vertical or upward
    return crs, vertical


@dataclass(frozen=True, slots=True)
class Setting:
    """What surfaces are built into: the working system, hydrants (n,) in the layer's own, metres of the window."""

    work: CRS
    layer: CRS
    x: Floats
    y: Floats
    window: float
    notes: list[str]


def surface_of(ground: Ground, setting: Setting, old: Surface | None = None, change_only: bool = False) -> Surface:
    """The ground as one surface. Raises InputError where a file's axes or unit are plainly mistaken.

    old: the existing ground, for designs to tie into. change_only: both grounds are profiles alone, so that only their
    change is carried.
    """
    layers: list[Surface] = []
    findings: list[Finding] = []
    for source in ground.sources:
        if source.tiles:
            layers.append(_mosaic(source, setting))
        for design in source.designs:
            wrong = _wrong_place(design, setting)
            if wrong:
                findings.append(wrong)
            if not design.meshes and not design.roads:
                setting.notes.append(f"{design.shown}: nothing of it is asked for")
            for mesh in design.meshes:
                shown = f"{design.shown}: {mesh.name}" if mesh.name else design.shown
                path = _path(design.crs, design.shown, setting)
                layers.append(Tin(mesh, path, METRES[design.height_unit], source.settings.sd.metres, shown))
        layers += _corridors(source, setting, old, change_only)
    if findings:
        raise InputError(findings)
    return layers[0] if len(layers) == 1 else Layered(tuple(layers))


def _wrong_place(design: DesignFile, setting: Setting) -> Finding | None:
    if not design.meshes and not design.roads:
        return None
    path = reference.Path.between(setting.layer, design.crs)
    return misplaced(design, *path.there(setting.x, setting.y))


def _mosaic(source: Source, setting: Setting) -> Surface:
    paths = {tile.path: _path(tile.crs, tile.shown, setting) for tile in source.tiles}
    return mosaic(source.tiles, paths, source.settings.sd.metres)


def _path(crs: CRS, shown: str, setting: Setting) -> reference.Path:
    """The way from the working system, what PROJ only guesses of it said aloud."""
    path = reference.Path.between(setting.work, crs)
    middle = reference.Path.between(setting.layer, setting.work).there(
        np.array([np.median(setting.x)]), np.array([np.median(setting.y)])
    )
    caveat = path.caveat(*middle)
    if caveat:
        setting.notes.append(f"{shown}: {caveat}")
    return path


def _corridors(source: Source, setting: Setting, old: Surface | None, change_only: bool) -> list[Corridor]:
    """All roads of one reference system and unit as one surface, so that they know of one another at crossings."""
    groups: dict[tuple[str, str, str], list[DesignFile]] = {}
    for design in source.designs:
        if design.roads:
            groups.setdefault((design.crs.to_wkt(), design.unit, design.height_unit), []).append(design)
    settings = source.settings
    corridors = []
    for designs in groups.values():
        first = designs[0]
        roads = _named_apart([road for design in designs for road in design.roads], setting.notes)
        bare = change_only and source.bare
        stated = _carry(settings)
        carry = (stated or (CHANGE if bare else LEVEL)) if old is not None else LEVEL
        carrying = Carrying(
            reach=settings.reach.metres,
            tie_in=_tie_in(settings),
            carry=carry,
            sd=settings.sd.metres,
            slope_sd=0.0 if bare and old is None else growth(settings, carry),
            window=setting.window,
        )
        if carrying.tie_in is not None and carry == LEVEL and any(road.section is None for road in roads):
            setting.notes.append(
                f"{source.name}.tie_in is passed over where a profile without a section is carried level: "
                'give a section, or state carry = "change"'
            )
        locator = Locator(tuple(road.alignment for road in roads))
        path = _path(first.crs, first.shown, setting)
        corridor = Corridor(roads, locator, path, first.unit, METRES[first.height_unit], carrying, old)
        if corridor.reach > carrying.reach:
            setting.notes.append(
                f"{source.name}.reach of {settings.reach} is less than section and tie-in go: hydrants are spoken for "
                f"to {corridor.reach:.1f} m from a road's line"
            )
        corridors.append(corridor)
    return corridors


def _named_apart(roads: Sequence[Road], notes: list[str]) -> tuple[Road, ...]:
    """Roads of one name from several files get "(2)", "(3)", said aloud."""
    seen: dict[str, int] = {}
    out = []
    for road in roads:
        name = road.alignment.name
        seen[name] = seen.get(name, 0) + 1
        if seen[name] > 1:
            notes.append(f"several roads are named '{name}': the later ones are told as '{name} (2)' and so on")
            road = replace(road, alignment=replace(road.alignment, name=f"{name} ({seen[name]})"))
        out.append(road)
    return tuple(out)


def _tie_in(settings: SurfaceSource) -> float | None:
    """Metres over which a design fades; existing ground has none."""
    width = settings.tie_in if isinstance(settings, DesignLayer) else None
    return None if width is None else width.metres


def _carry(settings: SurfaceSource) -> str | None:
    """What of a bare profile a design says to carry; existing ground is carried level."""
    return settings.carry if isinstance(settings, DesignLayer) else None


def growth(settings: SurfaceSource, carry: str) -> float:
    """How the error of a carried height grows with the distance: as stated, else by common practice, no source.

    A street falls outward by some 2 %; a change of that fall by half of one per cent is a usual regrade.
    """
    return settings.offset_sd if settings.offset_sd is not None else 0.005 if carry == CHANGE else 0.02


def carried(before: Ground, after: Ground, change_only: bool) -> list[str]:
    """What stands for a fact where a road's heights are carried to hydrants, in words."""
    notes = []
    for ground in (before, after):
        for source in ground.sources:
            roads = [road for design in source.designs for road in design.roads]
            if not roads:
                continue
            s = source.settings
            if "reach" not in s.model_fields_set:
                notes.append(f"{source.name}.reach = {s.reach}: how far from a road hydrants are spoken for is assumed")
            if source.bare and not change_only:
                carry = _carry(s) or LEVEL
                how = "their change carried" if carry == CHANGE else "carried level"
                notes.append(
                    f"{source.name}: profiles without a section, {how} to the hydrants; "
                    f"their error grows by {100 * growth(s, carry):g} % of the distance (offset_sd)"
                )
    if change_only:
        s = after.sources[0].settings
        width = _tie_in(s)
        fades = f"fading over {show(width, 'ft', 1)} (tie_in)" if width is not None else "not fading (no tie_in stated)"
        notes.append(
            f"profiles alone, before and after: their change is carried to the hydrants, {fades}; its error grows by "
            f"{100 * growth(s, CHANGE):g} % of the distance; elevations are the profiles', not the ground's there"
        )
    return notes
