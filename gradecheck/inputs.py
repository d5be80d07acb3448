"""Everything that a run reads, opened and checked together: one list of findings, not one at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from pyproj import CRS

from gradecheck import hydrants as hydrant_layer
from gradecheck import paving, reference
from gradecheck.catalog import GENERIC, GENERIC_FAMILY, Catalog
from gradecheck.errors import Finding, GradecheckError, InputError
from gradecheck.formats.tables import read_catalog
from gradecheck.grounds import Ground, Setting, carried, open_ground, surface_of
from gradecheck.hydrants import Hydrants
from gradecheck.paving import Jobs, read_pavement
from gradecheck.plan import Plan
from gradecheck.probability import Ints
from gradecheck.setback import Pavement
from gradecheck.sources import GroundSource
from gradecheck.surfaces import Surface
from gradecheck.surfaces.answers import base_name
from gradecheck.surfaces.design import Design
from gradecheck.validation import nearest

T = TypeVar("T")
Texts = tuple[str | None, ...]
_FAR_PAVEMENT = 200.0
"""Metres from the nearest hydrant beyond which a pavement is hardly the job's."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """What a run works on. `notes` are warnings from reading; `assumed` what stands for a fact and was not stated.

    families: for each index in `family` (H,) its name and whether the catalogue has it.
    before_ground, after_ground: the sources that the surfaces were made of. pavement: the design's, where given.
    roads: for each ground, the road that each hydrant names (H,), or None where no column does.
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
    before = attempt(lambda: open_ground(plan, plan.before, "before", notes))
    after = attempt(lambda: open_ground(plan, plan.after, "after", notes))
    if before is not None and after is not None:
        attempt(lambda: _one_datum(before, after, assumed))
    work = None
    if read is not None and after is not None:
        work = attempt(lambda: _work(plan, read, after, notes))
    jobs = limits = pavement = None
    if work is not None:
        jobs = attempt(lambda: _noted(paving.read_jobs(plan, work), notes))
        if plan.after.limits is not None:
            limits = attempt(lambda: _noted(paving.read_limits(plan, work), notes))
        if plan.after.pavement is not None:
            pavement = attempt(lambda: _noted(read_pavement(plan, work), notes))
    grounds = None
    if work is not None and read is not None and before is not None and after is not None:
        grounds = attempt(lambda: _surfaces(plan, before, after, work, read, notes, assumed))
    if findings or catalog is None or read is None or work is None or jobs is None or grounds is None:
        raise InputError(findings)
    if before is None or after is None:  # told above
        raise InputError(findings)
    if limits is None:
        limits = jobs.limits
    hydrants = hydrant_layer.placed(read, work)
    if not len(hydrants):
        raise InputError(_none_usable(hydrants))
    family, families = _families(plan, hydrants, catalog, assumed, notes)
    if plan.hydrants.id is None:
        assumed.append("hydrants.id is not mapped: ids are made up from the place in the layer")
    if before.bare and after.bare:
        hydrants = _without_flanges(hydrants, notes)
    _pavement_notes(plan, pavement, hydrants, work, notes, assumed)
    roads = attempt(
        lambda: tuple(
            _roads_named(hydrants, settings, [r for s in ground.sources for r in s.roads], notes)
            for settings, ground in ((plan.before, before), (plan.after, after))
        )
    )
    if roads is None:
        raise InputError(findings)
    past = plan.after.unchanged_past.metres / reference.metres_per_unit(work)
    return Inputs(
        plan=plan,
        catalog=catalog,
        hydrants=hydrants,
        family=family,
        families=families,
        work=work,
        jobs=jobs,
        before=grounds[0],
        after=Design(grounds[1], limits, past if plan.after.beyond == "unchanged" else None, past),
        before_ground=before,
        after_ground=after,
        pavement=pavement,
        roads=(roads[0], roads[1]),
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


def _one_datum(before: Ground, after: Ground, assumed: list[str]) -> None:
    """Heights are not moved between vertical datums: refuse a mixture, say aloud where one is not stated."""
    stated: dict[str, str] = {}
    silent = []
    for ground in (before, after):
        for shown, vertical in ground.systems:
            if vertical is None:
                silent.append(ground.where)
            else:
                datum = vertical.datum.name if vertical.datum else vertical.name
                stated.setdefault(datum, f"{ground.where} ({shown}) is {vertical.name}")
    if len(stated) > 1:
        what = f"heights on different vertical datums: {'; '.join(stated.values())}"
        raise InputError(Finding("before and after", what, "bring all ground onto one vertical datum first"))
    if stated and silent:
        sides = " and ".join(dict.fromkeys(silent))
        assumed.append(f"{sides}: vertical reference not stated everywhere, taken as {next(iter(stated))}")
    elif silent and before.sources:
        assumed.append("vertical reference of before and after is not stated: taken as one and the same")


def _work(plan: Plan, read: Hydrants, after: Ground, notes: list[str]) -> CRS:
    named = None if plan.project.crs is None else reference.crs_named(plan.project.crs, "project.crs")
    layer = reference.split(read.crs)[0] or read.crs
    if named is not None:
        named = reference.split(named)[0] or named
    work, why = reference.working_crs(named, layer, after.crs or layer, read.x, read.y)
    if why:
        notes.append(why)
    caveat = reference.Path.between(layer, work).caveat(read.x, read.y)
    if caveat:
        notes.append(f"hydrants: {caveat}")
    return work


def _surfaces(
    plan: Plan, before: Ground, after: Ground, work: CRS, read: Hydrants, notes: list[str], assumed: list[str]
) -> tuple[Surface, Surface]:
    """Both grounds; designs tie into the existing one."""
    change_only = before.bare and after.bare
    window = plan.policy.clearance_max.metres - plan.policy.clearance_min.metres
    setting = Setting(work, reference.split(read.crs)[0] or read.crs, read.x, read.y, window, notes)
    old = surface_of(before, setting, change_only=change_only)
    new = surface_of(after, setting, old, change_only)
    assumed.extend(carried(before, after, change_only))
    for ground, source in ((before, plan.before), (after, plan.after)):
        if source is not None and len({s.sd_shared.metres for s in source.layers_down}) > 1:
            notes.append(f"{ground.where}: sd_shared of {source.shared} is taken for all of its sources")
    return old, new


def _pavement_notes(
    plan: Plan, pavement: Pavement | None, hydrants: Hydrants, work: CRS, notes: list[str], assumed: list[str]
) -> None:
    """What must be said of the new pavement and of who may stand in its way."""
    if pavement is None:
        if plan.policy.setback_min is not None:
            notes.append("policy.setback_min is stated, but no [after] pavement: nobody is looked for in its way")
        return
    if plan.policy.setback_min is None:
        assumed.append("policy.setback_min is not stated: only hydrants inside the new pavement are in its way")
    far = pavement.distance(hydrants.x, hydrants.y).min() * reference.metres_per_unit(work)
    if far > _FAR_PAVEMENT:
        notes.append(
            f"the new pavement lies {far:.0f} m and more from every hydrant: is its file the right one, and its system?"
        )


def _without_flanges(hydrants: Hydrants, notes: list[str]) -> Hydrants:
    """Where only the change of profiles is known, a surveyed flange has no ground to be held against."""
    count = int(np.isfinite(hydrants.flange).sum())
    if count:
        notes.append(
            f"{count} surveyed flanges are passed over: profiles alone say how the ground changes, not how high it is "
            "at a hydrant; give a section or a surface to use them"
        )
    return replace(hydrants, flange=np.full(len(hydrants), np.nan))


def _roads_named(hydrants: Hydrants, ground: GroundSource | None, known: list[str], notes: list[str]) -> Texts | None:
    """The road that each hydrant names for a ground whose roads are `known`. Raises InputError."""
    columns = dict.fromkeys(s.roads for s in ground.layers_down if s.roads is not None) if ground is not None else {}
    if len(columns) > 1:
        what = f"several columns of the hydrants name roads: {', '.join(columns)}"
        raise InputError(Finding("roads", what, "give all sources of one ground the same"))
    for name in columns:
        if name not in hydrants.table.column_names:
            mend = nearest(name, hydrants.table.column_names)
            raise InputError(Finding(f"roads = {name!r}", f"{hydrants.shown} has no such column", mend))
        said = tuple(None if v is None else str(v).strip() or None for v in hydrants.table.column(name).to_pylist())
        there = {*known, *map(base_name, known)}
        lost = sorted({road for road in said if road is not None and road not in there})
        if lost:
            count = sum(road in lost for road in said)
            shown = ", ".join(lost[:5]) + (f" and {len(lost) - 5} more" if len(lost) > 5 else "")
            notes.append(f"{count} hydrants name roads that are not there ({shown}): the nearest road answers for them")
        return said
    return None


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
