"""Grounds made into surfaces: one source over another, all heights in one vertical system, in metres."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from pyproj import CRS

from gradecheck import reference, vertical
from gradecheck.designs.parts import DesignFile
from gradecheck.designs.settle import misplaced
from gradecheck.errors import Finding, InputError, listed
from gradecheck.grounds import Ground, Source
from gradecheck.probability import Floats
from gradecheck.roads.locate import Locator
from gradecheck.sources import DesignLayer, SurfaceSource
from gradecheck.surfaces import Layered, Surface
from gradecheck.surfaces.corridor import CHANGE, LEVEL, Carrying, Corridor, Road
from gradecheck.surfaces.joined import lattices
from gradecheck.surfaces.shifted import Back, shifted
from gradecheck.surfaces.tin import Tin
from gradecheck.units import METRES, show
from gradecheck.vertical import Lift, Moved


@dataclass(frozen=True, slots=True)
class Way:
    """From the working system to that of some parts. accuracy: metres to which hydrants are known in that.

    caveat: what must be said of it. shown: the parts, added to; its values mean nothing.
    """

    path: reference.Path
    accuracy: float
    caveat: str
    shown: dict[str, None] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The caveat, and of whom."""
        return f"{listed(self.shown, most=1)}: {self.caveat}"


@dataclass(frozen=True, slots=True)
class Setting:
    """What surfaces are built into: the working system, hydrants (n,) in the layer's own, metres of the window.

    upward: the vertical system that heights are brought to, None where none is stated. moved: what was, added to.
    ways: by the system of the parts, added to.
    """

    work: CRS
    layer: CRS
    x: Floats
    y: Floats
    window: float
    notes: list[str]
    upward: CRS | None = None
    moved: list[Moved] = field(default_factory=list)
    ways: dict[str, Way] = field(default_factory=dict)

    @property
    def told(self) -> list[str]:
        """What must be said of how positions and heights were brought over."""
        return [way.text for way in self.ways.values() if way.caveat] + [m.text for m in self.moved]

    @property
    def astray(self) -> float:
        """Metres to which hydrants and grounds are known in one reference system; 0 where that is exact.

        The error is common to all hydrants, but what it does to heights is as their slopes are: it is counted one by
        one. Each ground is off by itself, the greatest stands for all.
        """
        return max((way.accuracy for way in self.ways.values()), default=0.0)

    def lift(self, where: str, shown: str, crs: CRS, stated: CRS | None, extent: shapely.Geometry) -> Lift | None:
        """The way of a part's heights to the common system; None where it is in it. Raises InputError."""
        if stated is None or self.upward is None:
            return None
        x, y = reference.Path.between(self.layer, self.work).there(self.x, self.y)
        near = shapely.intersects(extent, shapely.points(x, y))
        found = vertical.lift(stated, self.upward, crs, self.work, x[near], y[near], shown)
        if found is not None and near.any():
            told = vertical.moved(found, stated, self.upward, x[near], y[near], where, shown)
            alike = [k for k, m in enumerate(self.moved) if replace(told, shown=m.shown, others=m.others) == m]
            if not alike:
                self.moved.append(told)
            elif shown not in (self.moved[alike[0]].shown, *self.moved[alike[0]].others):
                first = self.moved[alike[0]]
                self.moved[alike[0]] = replace(first, others=(*first.others, shown))
        return found


def surface_of(ground: Ground, setting: Setting, old: Surface | None = None, change_only: bool = False) -> Surface:
    """The ground as one surface. Raises InputError where a file's axes or unit are plainly mistaken.

    old: the existing ground, for designs to tie into. change_only: both grounds are profiles alone, so that only their
    change is carried.
    """
    layers: list[Surface] = []
    findings: list[Finding] = []
    for source in ground.sources:
        for found in _built(source, ground.where, setting, old, change_only):
            if isinstance(found, InputError):
                findings.extend(found.findings)
            else:
                layers += found
    if findings:
        raise InputError(findings)
    return layers[0] if len(layers) == 1 else Layered(tuple(layers))


def _wrong_place(design: DesignFile, setting: Setting) -> Finding | None:
    if not design.meshes and not design.roads:
        return None
    path = reference.Path.between(setting.layer, design.crs)
    return misplaced(design, *path.there(setting.x, setting.y))


def _built(
    source: Source, where: str, setting: Setting, old: Surface | None, change_only: bool
) -> Iterator[list[Surface] | InputError]:
    """The surfaces of one source, kind by kind, or what stands in their way."""
    kinds: tuple[Callable[[], list[Surface]], ...] = (
        lambda: _mosaic(source, where, setting),
        lambda: _meshes(source, where, setting),
        lambda: _corridors(source, where, setting, old, change_only),
    )
    for build in kinds:
        try:
            yield build()
        except InputError as error:
            yield error


def _mosaic(source: Source, where: str, setting: Setting) -> list[Surface]:
    """Rasters as one surface, tiles of one vertical system together."""
    if not source.tiles:
        return []
    paths = {tile.path: _path(tile.crs, tile.shown, setting) for tile in source.tiles}
    layers = [
        shifted(part, setting.lift(where, first.shown, first.crs, first.vertical, part.extent))
        for part in lattices(source.tiles, paths, source.settings.sd.metres)
        for first in part.tiles[:1]
    ]
    return [layers[0] if len(layers) == 1 else Layered(tuple(layers))]


def _meshes(source: Source, where: str, setting: Setting) -> list[Surface]:
    """Triangulated surfaces. Raises InputError where a file's axes or unit are plainly mistaken."""
    layers: list[Surface] = []
    findings = []
    for design in source.designs:
        wrong = _wrong_place(design, setting)
        if wrong:
            findings.append(wrong)
        if not design.meshes and not design.roads:
            setting.notes.append(f"{design.shown}: nothing of it is asked for")
        for mesh in design.meshes:
            shown = f"{design.shown}: {mesh.name}" if mesh.name else design.shown
            path = _path(design.crs, design.shown, setting)
            tin = Tin(mesh, path, METRES[design.height_unit], source.settings.sd.metres, shown)
            layers.append(shifted(tin, setting.lift(where, design.shown, design.crs, design.vertical, tin.extent)))
    if findings:
        raise InputError(findings)
    return layers


def _path(crs: CRS, shown: str, setting: Setting) -> reference.Path:
    """The way from the working system, looked at once for each system. Raises InputError where PROJ only guesses."""
    key = crs.to_wkt()
    if key not in setting.ways:
        setting.ways[key] = _way(crs, shown, setting)
    way = setting.ways[key]
    way.shown[shown] = None
    return way.path


def _way(crs: CRS, shown: str, setting: Setting) -> Way:
    path = reference.Path.between(setting.work, crs)
    middle = reference.Path.between(setting.layer, setting.work).there(
        np.array([np.median(setting.x)]), np.array([np.median(setting.y)])
    )
    trouble = path.trouble(*middle)
    if trouble is not None:
        raise InputError(Finding(shown, *trouble))
    # From the hydrants' own system: what the way by the working system adds, the way on from there takes back.
    accuracy = reference.Path.between(setting.layer, crs).accuracy(setting.x, setting.y)
    return Way(path, accuracy, path.caveat(*middle))


def _corridors(source: Source, where: str, setting: Setting, old: Surface | None, change_only: bool) -> list[Surface]:
    """All roads of one reference system and unit as one surface, so that they know of one another at crossings."""
    groups: dict[tuple[str, str, str, str], list[DesignFile]] = {}
    for design in source.designs:
        if design.roads:
            upward = "" if design.vertical is None else vertical.datum_of(design.vertical)
            groups.setdefault((design.crs.to_wkt(), design.unit, design.height_unit, upward), []).append(design)
    settings = source.settings
    corridors: list[Surface] = []
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
        lift = setting.lift(where, first.shown, first.crs, first.vertical, corridor.extent)
        if lift is not None and old is not None:  # a road ties into existing ground in its own vertical system
            corridor = replace(corridor, old=shifted(old, Back(lift)))
        if corridor.reach > carrying.reach:
            setting.notes.append(
                f"{source.name}.reach of {settings.reach} is less than section and tie-in go: hydrants are spoken for "
                f"to {corridor.reach:.1f} m from a road's line"
            )
        corridors.append(shifted(corridor, lift))
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
