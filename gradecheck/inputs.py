"""Everything that a run reads, opened and checked together: one list of findings, not one at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from pyproj import CRS

from gradecheck import hydrants as hydrant_layer
from gradecheck import paving, reference
from gradecheck.catalog import GENERIC, GENERIC_FAMILY, Catalog
from gradecheck.errors import Finding, GradecheckError, InputError
from gradecheck.formats.tables import read_catalog
from gradecheck.hydrants import Hydrants
from gradecheck.paving import Jobs
from gradecheck.plan import Plan, SurfaceSource
from gradecheck.probability import Ints
from gradecheck.surfaces import Layered, Surface
from gradecheck.surfaces.design import Design
from gradecheck.surfaces.raster import mosaic
from gradecheck.surfaces.tiles import Tile, find, open_tile

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Inputs:
    """What a run works on. `notes` are warnings from reading; `assumed` what stands for a fact and was not stated.

    families: for each index in `family` (H,) its name and whether the catalogue has it.
    """

    plan: Plan
    catalog: Catalog
    hydrants: Hydrants
    family: Ints
    families: tuple[tuple[str, bool], ...]
    work: CRS
    jobs: Jobs
    before: Surface
    after: Design
    before_tiles: tuple[Tile, ...]
    after_tiles: tuple[Tile, ...]
    notes: tuple[str, ...]
    assumed: tuple[str, ...]

    def lengths(self) -> tuple[tuple[float, ...], ...]:
        """For each family the lengths to choose from, metres, rising."""
        return tuple(
            tuple(
                e.length.metres
                for e in (self.catalog.extensions(name) if known else GENERIC.extensions(GENERIC_FAMILY))
            )
            for name, known in self.families
        )


def open_inputs(plan: Plan) -> Inputs:
    """Open all that the plan names. Raises InputError with every finding of every input."""
    findings: list[Finding] = []
    notes: list[str] = []
    assumed = plan.assumed()

    def attempt(read: Callable[[], T]) -> T | None:
        try:
            return read()
        except GradecheckError as error:
            findings.extend(error.findings)
            return None

    catalog = attempt(lambda: _catalog(plan, assumed))
    read = attempt(lambda: hydrant_layer.read_hydrants(plan))
    if read is not None and not len(read):
        findings.append(_none_usable(read))
        read = None
    before_tiles = attempt(lambda: _tiles(plan, plan.before, "before", notes))
    after_tiles = attempt(lambda: _tiles(plan, plan.after, "after", notes))
    if before_tiles is not None and after_tiles is not None:
        attempt(lambda: _one_datum(before_tiles, after_tiles, assumed))
    work = None
    if read is not None and after_tiles:
        work = attempt(lambda: _work(plan, read, after_tiles, notes))
    jobs = limits = None
    if work is not None:
        jobs = attempt(lambda: _noted(paving.read_jobs(plan, work), notes))
        if plan.after.limits is not None:
            limits = attempt(lambda: _noted(paving.read_limits(plan, work), notes))
    if findings or catalog is None or read is None or work is None or jobs is None or not after_tiles:
        raise InputError(findings)
    if limits is None:
        limits = jobs.limits
    hydrants = hydrant_layer.placed(read, work)
    if not len(hydrants):
        raise InputError(_none_usable(hydrants))
    family, families = _families(plan, hydrants, catalog, assumed, notes)
    if plan.hydrants.id is None:
        assumed.append("hydrants.id is not mapped: ids are made up from the place in the layer")
    past = plan.after.unchanged_past.metres / reference.metres_per_unit(work)
    return Inputs(
        plan=plan,
        catalog=catalog,
        hydrants=hydrants,
        family=family,
        families=families,
        work=work,
        jobs=jobs,
        before=_surface(plan.before, before_tiles or (), work, read, notes),
        after=Design(
            _surface(plan.after, after_tiles, work, read, notes),
            limits,
            past if plan.after.beyond == "unchanged" else None,
        ),
        before_tiles=tuple(before_tiles or ()),
        after_tiles=tuple(after_tiles),
        notes=tuple(dict.fromkeys(notes)),
        assumed=tuple(assumed),
    )


def _noted(found: tuple[T, list[str]], notes: list[str]) -> T:
    notes.extend(found[1])
    return found[0]


def _none_usable(read: Hydrants) -> Finding:
    if not read.read:
        left = f" ({read.total} left out by `where`)" if read.total else ""
        return Finding("hydrants", f"{read.shown} gives no rows{left}", "check the layer and `where`")
    example = read.rejected.reason[0]
    return Finding("hydrants", f"none of {read.read} rows of {read.shown} is usable: {example}", "mend the layer")


def _catalog(plan: Plan, assumed: list[str]) -> Catalog:
    if plan.catalog.path is None:
        assumed.append("no catalogue: generic lengths 6 to 60 in by 6 in, not orderable")
        return GENERIC
    return read_catalog(plan.resolve(plan.catalog.path), plan.catalog.path)


def _tiles(plan: Plan, source: SurfaceSource | None, where: str, notes: list[str]) -> tuple[Tile, ...]:
    if source is None:
        return ()
    findings: list[Finding] = []
    vertical = crs = None
    unit = source.unit
    if source.vertical is not None:
        stated = reference.crs_named(source.vertical, f"{where}.vertical")
        vertical = reference.split(stated)[1]
        if vertical is None:
            what = f"{source.vertical!r} is not a vertical reference system"
            raise InputError(Finding(f"{where}.vertical", what, 'such as "EPSG:5703"'))
        reference.vertical_unit(vertical, f"{where}.vertical")
    if source.crs is not None:
        crs = reference.split(reference.crs_named(source.crs, f"{where}.crs"))[0]
    tiles = []
    for path, shown in find(source.raster, plan.folder, f"{where}.raster"):
        tile, found, said = open_tile(path, shown, unit, vertical, crs)
        findings.extend(found)
        notes.extend(said)
        if tile is not None:
            tiles.append(tile)
    if findings:
        raise InputError(findings)
    return tuple(tiles)


def _one_datum(before: Sequence[Tile], after: Sequence[Tile], assumed: list[str]) -> None:
    """Heights are not moved between vertical datums: refuse a mixture, say aloud where one is not stated."""
    stated: dict[str, str] = {}
    silent = []
    for side, tiles in (("before", before), ("after", after)):
        for tile in tiles:
            if tile.vertical is None:
                silent.append(side)
            else:
                datum = tile.vertical.datum.name if tile.vertical.datum else tile.vertical.name
                stated.setdefault(datum, f"{side} ({tile.shown}) is {tile.vertical.name}")
    if len(stated) > 1:
        what = f"heights on different vertical datums: {'; '.join(stated.values())}"
        raise InputError(Finding("before and after", what, "bring all ground onto one vertical datum first"))
    if stated and silent:
        sides = " and ".join(dict.fromkeys(silent))
        assumed.append(f"{sides}: vertical reference not stated everywhere, taken as {next(iter(stated))}")
    elif silent and before:
        assumed.append("vertical reference of before and after is not stated: taken as one and the same")


def _work(plan: Plan, read: Hydrants, after: Sequence[Tile], notes: list[str]) -> CRS:
    named = None if plan.project.crs is None else reference.crs_named(plan.project.crs, "project.crs")
    layer = reference.split(read.crs)[0] or read.crs
    if named is not None:
        named = reference.split(named)[0] or named
    work, why = reference.working_crs(named, layer, after[0].crs, read.x, read.y)
    if why:
        notes.append(why)
    caveat = reference.Path.between(layer, work).caveat(read.x, read.y)
    if caveat:
        notes.append(f"hydrants: {caveat}")
    return work


def _surface(
    source: SurfaceSource | None, tiles: Sequence[Tile], work: CRS, read: Hydrants, notes: list[str]
) -> Surface:
    if source is None or not tiles:
        return Layered(())
    paths: dict[str, reference.Path] = {}
    middle = reference.Path.between(reference.split(read.crs)[0] or read.crs, work).there(
        np.array([np.median(read.x)]), np.array([np.median(read.y)])
    )
    for tile in tiles:
        path = paths[tile.path] = reference.Path.between(work, tile.crs)
        caveat = path.caveat(*middle)
        if caveat:
            notes.append(f"{tile.shown}: {caveat}")
    return mosaic(tiles, paths, source.sd.metres)


def _families(
    plan: Plan, hydrants: Hydrants, catalog: Catalog, assumed: list[str], notes: list[str]
) -> tuple[Ints, tuple[tuple[str, bool], ...]]:
    """Which family each hydrant is of; unknown ones get the generic lengths and are not orderable."""
    only = catalog.families[0] if len(catalog.families) == 1 and not catalog.generic else None
    if plan.hydrants.family is None and only is not None:
        assumed.append(f"hydrants.family is not mapped: every hydrant is taken as family '{only}', the only one sold")
        return np.zeros(len(hydrants), dtype=np.int64), ((only, True),)
    named = [name or "" for name in hydrants.family]
    names = tuple(sorted(set(named)))
    index = {name: i for i, name in enumerate(names)}
    known = tuple((name, not catalog.generic and name in catalog.families) for name in names)
    lost = [name or "(blank)" for name, have in known if not have]
    if lost and not catalog.generic:
        n = sum(not known[index[name]][1] for name in named)
        notes.append(f"{n} hydrants of families that the catalogue does not have: {', '.join(lost)}; not orderable")
    return np.array([index[name] for name in named], dtype=np.int64), known
