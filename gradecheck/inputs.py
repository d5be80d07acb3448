"""Everything that a run reads, opened and checked together: one list of findings, not one at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
import shapely
from pyproj import CRS

from gradecheck import engine, paving, reference
from gradecheck import hydrants as hydrant_layer
from gradecheck.catalog import GENERIC, Catalog
from gradecheck.clearance import Errors
from gradecheck.doubts import doubts
from gradecheck.errors import Finding, GradecheckError, InputError, listed
from gradecheck.fieldbook import Book
from gradecheck.fieldwork import Fieldwork, read_books, taken_in
from gradecheck.formats.tables import read_catalog
from gradecheck.grounds import Ground, open_ground
from gradecheck.hydrants import Hydrants
from gradecheck.laying import Laid, Place, errors_of, flanges_moved, lay
from gradecheck.paving import Jobs, read_pavement
from gradecheck.plan import Plan
from gradecheck.probability import Ints
from gradecheck.setback import Pavement
from gradecheck.sources import GroundSource
from gradecheck.steady import Steady
from gradecheck.surfaces import Surface
from gradecheck.surfaces.answers import base_name
from gradecheck.surfaces.design import Design
from gradecheck.validation import nearest
from gradecheck.vertical import Moved, use_grids

T = TypeVar("T")
Texts = tuple[str | None, ...]
_LONG_EXTENSION = 1.0
"""Metres; the shortest extension of a family is commonly a tenth or two of that."""
_FAR_PAVEMENT = 200.0
"""Metres from the nearest hydrant beyond which a pavement is hardly the job's."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """What a run works on. `notes` are warnings from reading; `assumed` what stands for a fact and was not stated.

    families: for each index in `family` (H,) its name and whether the catalogue has it.
    before_ground, after_ground: the sources that the surfaces were made of. pavement: the design's, where given.
    roads: for each ground, the road that each hydrant names (H,), or None where no column does.
    errors: sds of what was measured, and of what the surfaces' heights have in common.
    upward: the vertical system that heights are worked in, None where none is stated.
    moved: heights that were brought to another vertical system. steady: what stable ground says, where it was asked.
    field: where measured heights are from; None where nothing measured in the field is given or dated.
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
    before_ground: Ground
    after_ground: Ground
    pavement: Pavement | None
    roads: tuple[Texts | None, Texts | None]
    notes: tuple[str, ...]
    assumed: tuple[str, ...]
    errors: Errors
    upward: CRS | None = None
    moved: tuple[Moved, ...] = ()
    steady: Steady | None = None
    field: Fieldwork | None = None

    def lengths(self) -> tuple[tuple[float, ...], ...]:
        """For each family the lengths to choose from, metres, rising."""
        return self.catalog.lengths(self.families)


@dataclass(slots=True)
class _Told:
    """What is found while inputs are opened: what stands in the way, what must be said, what was assumed."""

    assumed: list[str]
    findings: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def attempt(self, read: Callable[[], T]) -> T | None:
        """What `read` gives, or None and its findings."""
        try:
            return read()
        except GradecheckError as error:
            self.findings.extend(error.findings)
            return None


@dataclass(frozen=True, slots=True)
class _Opened:
    """All inputs, each in order by itself."""

    catalog: Catalog
    read: Hydrants
    before: Ground
    after: Ground
    work: CRS
    jobs: Jobs
    limits: shapely.Geometry | None
    pavement: Pavement | None
    laid: Laid
    books: tuple[Book, ...]


def open_inputs(plan: Plan) -> Inputs:
    """Open all that the plan names. Raises InputError with every finding of every input."""
    told = _Told(plan.assumed(), notes=doubts(plan))
    told.attempt(lambda: use_grids([plan.resolve(folder) for folder in plan.project.grids or ()]))
    opened = _opened(plan, told)
    if opened is None or told.findings:
        raise InputError(told.findings)
    found = _assembled(plan, opened, told)
    engine.give_back()  # reading holds several times what is kept of it
    return found


def _opened(plan: Plan, told: _Told) -> _Opened | None:
    """Every input, or None where one of them cannot be had."""
    catalog = told.attempt(lambda: _catalog(plan, told.assumed, told.notes))
    read = told.attempt(lambda: _hydrants(plan, told.notes))
    books = told.attempt(lambda: read_books(plan))
    before = told.attempt(lambda: open_ground(plan, plan.before, "before", told.notes))
    after = told.attempt(lambda: open_ground(plan, plan.after, "after", told.notes))
    if read is None or after is None:
        return None
    work = told.attempt(lambda: _work(plan, read, after, told.notes))
    if work is None:
        return None
    jobs = told.attempt(lambda: _noted(paving.read_jobs(plan, work), told.notes))
    limits = pavement = laid = None
    if plan.after.limits is not None:
        limits = told.attempt(lambda: _noted(paving.read_limits(plan, work), told.notes))
    if plan.after.pavement is not None:
        pavement = told.attempt(lambda: _noted(read_pavement(plan, work), told.notes))
    for ground in (plan.before, plan.after):
        told.attempt(lambda ground=ground: _road_column(read, ground))  # type: ignore[misc]
    if before is not None and jobs is not None:
        known = jobs.limits if limits is None else limits
        place = Place(work, read, known, _built(jobs, known, pavement))
        laid = told.attempt(lambda: lay(plan, before, after, place, told.notes, told.assumed))
    if catalog is None or jobs is None or before is None or laid is None or books is None:
        return None
    return _Opened(catalog, read, before, after, work, jobs, limits, pavement, laid, books)


def _assembled(plan: Plan, opened: _Opened, told: _Told) -> Inputs:
    """Inputs that fit one another. Raises InputError where no hydrant is left."""
    hydrants = hydrant_layer.placed(opened.read, opened.work)
    if not len(hydrants):
        raise InputError(_none_usable(hydrants))
    told.notes.extend(hydrant_layer.shared_places(hydrants))
    hydrants, field = taken_in(plan, hydrants, opened.books, told.notes)
    hydrants, lifted = flanges_moved(plan, hydrants, opened.laid.upward, opened.work)
    moved = (*opened.laid.moved, *lifted)
    told.notes.extend(m.text for m in lifted)
    family, families = _families(plan, hydrants, opened.catalog, told.assumed, told.notes)
    if plan.hydrants.id is None:
        told.assumed.append("hydrants.id is not mapped: ids are made up from the place in the layer")
    if opened.before.bare and opened.after.bare:
        hydrants = _without_flanges(hydrants, told.notes)
    _pavement_notes(plan, opened.pavement, hydrants, opened.work, told)
    _limits_notes(opened.limits, hydrants, opened.work, told)
    if plan.before is not None and _same_ground(plan.before, plan.after):
        told.notes.append("[before] and [after] name one and the same ground: nothing changes between them")
    roads = tuple(
        _roads_named(hydrants, settings, ground, told.notes)
        for settings, ground in ((plan.before, opened.before), (plan.after, opened.after))
    )
    past = plan.after.unchanged_past.metres / reference.metres_per_unit(opened.work)
    limits = opened.jobs.limits if opened.limits is None else opened.limits
    unchanged = past if plan.after.beyond == "unchanged" else None
    design = Design(opened.laid.after, limits, unchanged, past, plan.after.correlation)
    if design.too_wide:
        told.notes.append(
            "the design spans too much ground to look for what it encloses: hydrants within its extent that it has no "
            "ground for are left undecided; state its limits as after.limits"
        )
    return Inputs(
        plan=plan,
        catalog=opened.catalog,
        hydrants=hydrants,
        family=family,
        families=families,
        work=opened.work,
        jobs=opened.jobs,
        before=opened.laid.before,
        after=design,
        before_ground=opened.laid.grounds[0],
        after_ground=opened.laid.grounds[1],
        pavement=opened.pavement,
        roads=(roads[0], roads[1]),
        notes=tuple(dict.fromkeys(told.notes)),
        assumed=tuple(told.assumed),
        errors=errors_of(plan, moved, opened.laid.steady, field, opened.laid.astray),
        upward=opened.laid.upward,
        moved=moved,
        steady=opened.laid.steady,
        field=field,
    )


def _hydrants(plan: Plan, notes: list[str]) -> Hydrants:
    """The hydrants. Raises InputError where none is usable."""
    read = hydrant_layer.read_hydrants(plan)
    notes.extend(read.notes)
    if not len(read):
        raise InputError(_none_usable(read))
    return read


def _built(jobs: Jobs, limits: shapely.Geometry | None, pavement: Pavement | None) -> shapely.Geometry | None:
    """Where something is built: limits of work, else the plan's lines with the reach about them; the new pavement."""
    parts = [limits] if limits is not None else [paving.within_reach(part, jobs.reach) for part in jobs.parts]
    if pavement is not None and pavement.areas is not None:
        parts.append(pavement.areas)
    return shapely.union_all(parts) if parts else None


def _noted(found: tuple[T, list[str]], notes: list[str]) -> T:
    notes.extend(found[1])
    return found[0]


def _none_usable(read: Hydrants) -> Finding:
    if not read.read:
        left = f" ({read.total} left out by `where`)" if read.total else ""
        return Finding("hydrants", f"{read.shown} gives no rows{left}", "check the layer and `where`")
    example = read.rejected.reason[0]
    mends = {
        "outside the area of use": "state the system that the coordinates are in, x before y",
        "'": "name the columns of x and y; write numbers plainly, with a decimal point, such as 500011.25",
    }
    mend = next((m for start, m in mends.items() if example.startswith(start)), "give a layer of single points")
    return Finding("hydrants", f"none of {read.read} rows of {read.shown} is usable: {example}", mend)


def _catalog(plan: Plan, assumed: list[str], notes: list[str]) -> Catalog:
    if plan.catalog.path is None:
        assumed.append("no catalogue: generic lengths 6 to 60 in by 6 in, not orderable")
        return GENERIC
    catalog = read_catalog(plan.resolve(plan.catalog.path), plan.catalog.path)
    for family in catalog.families:
        shortest = catalog.extensions(family)[0].length
        if shortest.metres > _LONG_EXTENSION:
            notes.append(
                f"{plan.catalog.path}: the shortest length of family '{family}' is {shortest}: is its unit right?"
            )
    return catalog


def _work(plan: Plan, read: Hydrants, after: Ground, notes: list[str]) -> CRS:
    named = None if plan.project.crs is None else reference.crs_named(plan.project.crs, "project.crs")
    layer = reference.split(read.crs)[0] or read.crs
    if named is not None:
        named = reference.split(named)[0] or named
    work, why = reference.working_crs(named, layer, after.crs or layer, read.x, read.y)
    if why:
        notes.append(why)
    path = reference.Path.between(layer, work)
    trouble = path.trouble(read.x, read.y)
    if trouble is not None:
        raise InputError(Finding("hydrants", *trouble))
    caveat = path.caveat(read.x, read.y)
    if caveat:
        notes.append(f"hydrants: {caveat}")
    return work


def _pavement_notes(plan: Plan, pavement: Pavement | None, hydrants: Hydrants, work: CRS, told: _Told) -> None:
    """What must be said of the new pavement and of who may stand in its way."""
    if pavement is None:
        if plan.policy.setback_min is not None:
            told.notes.append("policy.setback_min is stated, but no [after] pavement: nobody is looked for in its way")
        return
    if plan.policy.setback_min is None:
        told.assumed.append("policy.setback_min is not stated: only hydrants inside the new pavement are in its way")
    far = pavement.distance(hydrants.x, hydrants.y).min() * reference.metres_per_unit(work)
    if far > _FAR_PAVEMENT:
        told.notes.append(
            f"the new pavement lies {far:.0f} m and more from every hydrant: is its file the right one, and its system?"
        )


def _limits_notes(limits: shapely.Geometry | None, hydrants: Hydrants, work: CRS, told: _Told) -> None:
    """What must be said of limits of work that are hardly this job's."""
    if limits is None:
        return
    away = shapely.distance(limits, shapely.points(hydrants.x, hydrants.y)).min() * reference.metres_per_unit(work)
    if away > _FAR_PAVEMENT:
        told.notes.append(
            f"the limits of work lie {away:.0f} m and more from every hydrant: is their file the right one, and its "
            "system?"
        )


def _same_ground(before: GroundSource, after: GroundSource) -> bool:
    """Whether both sides are read from the same places in the same way."""
    keys = ("kind", "paths", "surface", "alignment", "profile_name", "cross_sections", "layers", "layer", "table")
    sides = zip(before.layers_down, after.layers_down, strict=False)
    same = all(getattr(a, key) == getattr(b, key) for a, b in sides for key in keys)
    return same and len(before.layers_down) == len(after.layers_down)


def _without_flanges(hydrants: Hydrants, notes: list[str]) -> Hydrants:
    """Where only the change of profiles is known, a surveyed flange has no ground to be held against."""
    count = int(np.isfinite(hydrants.flange).sum())
    if count:
        notes.append(
            f"{count} surveyed flanges are passed over: profiles alone say how the ground changes, not how high it is "
            "at a hydrant; give a section or a surface to use them"
        )
    return replace(hydrants, flange=np.full(len(hydrants), np.nan))


def _road_column(hydrants: Hydrants, settings: GroundSource | None) -> str | None:
    """The column that names the roads of a ground. Raises InputError where it is not there, or there are several."""
    layers = settings.layers_down if settings is not None else ()
    columns = list(dict.fromkeys(s.roads for s in layers if s.roads is not None))
    if len(columns) > 1:
        what = f"several columns of the hydrants name roads: {', '.join(columns)}"
        raise InputError(Finding("roads", what, "give all sources of one ground the same"))
    if columns and columns[0] not in hydrants.table.column_names:
        mend = nearest(columns[0], hydrants.table.column_names)
        raise InputError(Finding(f"roads = {columns[0]!r}", f"{hydrants.shown} has no such column", mend))
    return columns[0] if columns else None


def _roads_named(hydrants: Hydrants, settings: GroundSource | None, ground: Ground, notes: list[str]) -> Texts | None:
    """The road that each hydrant names for a ground; names that no road has are said aloud."""
    column = _road_column(hydrants, settings)
    if column is None:
        return None
    said = tuple(None if v is None else str(v).strip() or None for v in hydrants.table.column(column).to_pylist())
    known = [road for source in ground.sources for road in source.roads]
    there = {*known, *map(base_name, known)}
    lost = sorted({road for road in said if road is not None and road not in there})
    if lost:
        count = sum(road in lost for road in said)
        notes.append(
            f"{count} hydrants name roads that are not there ({listed(lost)}): the nearest road answers for them"
        )
    return said


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
