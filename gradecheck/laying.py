"""Both grounds laid out: in one vertical system, held against one another where nothing is built, errors told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from pyproj import CRS

from gradecheck import nets, reference, steady, vertical
from gradecheck.clearance import Errors
from gradecheck.errors import Finding, InputError
from gradecheck.fieldwork import Fieldwork
from gradecheck.grounds import Ground
from gradecheck.groundwork import Setting, carried, surface_of
from gradecheck.hydrants import Hydrants
from gradecheck.plan import MEASURING_SD, Plan
from gradecheck.probability import Floats
from gradecheck.stable import verdicts
from gradecheck.steady import Steady
from gradecheck.surfaces import Surface
from gradecheck.surfaces.shifted import By, shifted
from gradecheck.units import elevation_unit, show
from gradecheck.vertical import Moved

_SIDES = ("before", "after", "flange")


@dataclass(frozen=True, slots=True)
class Place:
    """Where it is: the working system, the hydrants as read, polygons of the limits of work where there are any.

    built: all that is known to be built on, lines of roads with the reach about them.
    """

    work: CRS
    read: Hydrants
    limits: shapely.Geometry | None
    built: shapely.Geometry | None


@dataclass(frozen=True, slots=True)
class Laid:
    """Both grounds as surfaces in one vertical system, `upward` where it is known, and what was done for that.

    grounds: before and after as opened, with the sds that the surfaces were laid with. astray: metres to which hydrants
    and ground are known in one reference system, beyond how well points are located; 0 where that is exact.
    """

    before: Surface
    after: Surface
    grounds: tuple[Ground, Ground]
    upward: CRS | None
    moved: tuple[Moved, ...]
    steady: Steady | None
    astray: float


def lay(plan: Plan, before: Ground, after: Ground, place: Place, notes: list[str], assumed: list[str]) -> Laid:
    """Surfaces of both grounds; designs tie into the old one. Raises InputError.

    notes, assumed: what must be said aloud, added to.
    """
    change_only = before.bare and after.bare
    window = plan.policy.clearance_max.metres - plan.policy.clearance_min.metres
    upward = _upward(before, after, assumed)
    read = place.read
    layer = reference.split(read.crs)[0] or read.crs
    setting = Setting(place.work, layer, read.x, read.y, window, notes, upward)

    def both(old_ground: Ground, new_ground: Ground, raised: float) -> tuple[Surface, Surface]:
        old = shifted(surface_of(old_ground, setting, change_only=change_only), By(raised) if raised else None)
        return old, surface_of(new_ground, setting, old, change_only)

    old, new = both(before, after, 0.0)
    seen, closer = None, (before, after)
    if plan.stable is not None:
        seen = steady.look(plan, plan.stable, steady.Site(place.work, place.limits, place.built), old, new, notes)
        closer = steady.with_spread(before, after, seen)
        if seen.estimated or seen.corrected:
            old, new = both(*closer, seen.corrected)
        gone = tuple(f"{side}.sd =" for side in seen.estimated)
        assumed[:] = [text for text in assumed if not (gone and text.startswith(gone))]
        assumed.extend(steady.assumed(seen, *closer))
        notes.extend(_told(plan, seen))
    elif not change_only:
        notes.extend(nets.near_constant(old, new, place.limits, place.work, elevation_unit(plan.output.unit)))
    own = [g.crs for g in (after, before) if g.crs is not None]
    notes.extend(nets.elsewhere(read, place.work, (old, new), own))
    assumed.extend(carried(before, after, change_only))
    for ground, source in ((before, plan.before), (after, plan.after)):
        if source is not None and len({s.sd_shared.metres for s in source.layers_down}) > 1:
            notes.append(f"{ground.where}: sd_shared of {source.shared} is taken for all of its sources")
    notes.extend(setting.told)
    astray = setting.astray
    if astray:
        notes.append(
            f"hydrants.position_sd = {plan.hydrants.position_sd} is counted as {_located(plan, astray):.3g} m: "
            f"positions are known in one reference system to {astray:.3g} m, which is added; "
            "where hydrants and ground are really in one, correct the system that their files state"
        )
    return Laid(old, new, closer, upward, tuple(setting.moved), seen, astray)


def _located(plan: Plan, astray: float) -> float:
    """Metres, per axis: how well hydrants are located against the ground."""
    return float(np.hypot(plan.hydrants.position_sd.metres, astray))


def _upward(before: Ground, after: Ground, assumed: list[str]) -> CRS | None:
    """The vertical system that all heights are brought to: the design's, else the existing ground's.

    What is silent is taken as in it, said aloud; None where no part states one.
    """
    parts = [(ground.where, system) for ground in (after, before) for _, system in ground.systems]
    stated = next((system for _, system in parts if system is not None), None)
    silent = [where for where, system in parts if system is None]
    if stated is not None:
        odd = [p for g in (before, after) for s in g.sources for p in s.designs if p.named]
        if odd:
            beside = reference.name_of(stated)
            what = f"names its vertical datum '{odd[0].named}', which is not understood, beside {beside}"
            raise InputError(Finding(odd[0].shown, what, "state its `vertical` in the plan"))
    if stated is not None and silent:
        sides = " and ".join(dict.fromkeys(silent[::-1]))
        assumed.append(f"{sides}: vertical reference not stated everywhere, taken as {reference.name_of(stated)}")
    elif silent and before.sources:
        assumed.append("vertical reference of before and after is not stated: taken as one and the same")
    return stated


def _told(plan: Plan, seen: Steady) -> list[str]:
    """What stable ground says to the engineer."""
    unit = elevation_unit(plan.output.unit)

    def in_unit(metres: float) -> str:
        return show(metres, unit, 3)

    shared = float(np.hypot(plan.before.shared.metres if plan.before else 0.0, plan.after.shared.metres))
    own = seen.ground.summary.nmad if seen.estimated else seen.own_sd
    told = verdicts(seen.ground, own, np.inf if seen.corrected else shared, in_unit)
    if seen.corrected:
        raised = "raised" if seen.corrected > 0 else "lowered"
        told.insert(
            0,
            f"the before surface is {raised} by {in_unit(abs(seen.corrected))}, the median difference at "
            f"{seen.ground.summary.count} points of stable ground ([stable] correct = true); its standard error, "
            f"{in_unit(seen.error)}, is counted as common to all heights",
        )
    told += seen.doubts
    if seen.built:
        told.append(f"{seen.built} points inside the limits of work are left out: they are no stable ground")
    return [f"stable ground: {text}" for text in told]


def errors_of(
    plan: Plan,
    moved: Sequence[Moved] = (),
    seen: Steady | None = None,
    field: Fieldwork | None = None,
    astray: float = 0.0,
) -> Errors:
    """Standard deviations that the plan states, with what bringing heights over and stable ground add. Metres.

    An error of a transformation between datums is common to all heights that it moved. Of stable ground the standard
    error of the median is common to all changes: in place of the plan's sd_shared where the median was corrected, and
    otherwise where it is the greater.
    """
    source = plan.hydrants
    doubt = {side: max((m.accuracy or 0.0 for m in moved if m.where == side), default=0.0) for side in _SIDES}
    before = plan.before.shared.metres if plan.before else 0.0
    if seen is not None and seen.corrected:
        before = seen.error
    elif seen is not None and not seen.ground.few:
        before = max(before, seen.error)
    surveyed: Floats | float = source.flange_elevation.sd.metres if source.flange_elevation else 0.0
    measured: Floats | float = (source.clearance.sd if source.clearance else MEASURING_SD).metres
    if field is not None:
        measured, surveyed = field.clearance_sd, field.flange_sd
    return Errors(
        measured=measured,
        surveyed=np.hypot(surveyed, doubt["flange"]) if doubt["flange"] else surveyed,
        before_shared=float(np.hypot(before, doubt["before"])),
        after_shared=float(np.hypot(plan.after.shared.metres, doubt["after"])),
        position=_located(plan, astray),
    )


def flanges_moved(plan: Plan, hydrants: Hydrants, upward: CRS | None, work: CRS) -> tuple[Hydrants, tuple[Moved, ...]]:
    """Surveyed flanges in the design's vertical system, where the plan says that theirs is another.

    Raises InputError where it cannot be done.
    """
    source = plan.hydrants.flange_elevation
    if source is None or source.vertical is None:
        return hydrants, ()
    where = "hydrants.flange_elevation.vertical"
    stated = reference.split(reference.crs_named(source.vertical, where))[1]
    if stated is None:
        what = f"{source.vertical!r} is not a vertical reference system"
        raise InputError(Finding(where, what, 'such as "EPSG:5703"'))
    unit = reference.vertical_unit(stated, where)
    if unit != source.unit:
        what = f"{reference.name_of(stated)} is in {unit}, the column in {source.unit}"
        raise InputError(Finding(where, what, "state the system that is in the column's unit"))
    if upward is None:
        raise InputError(Finding(where, "the grounds' vertical system is not known", "state `vertical` in [after]"))
    rows = np.flatnonzero(np.isfinite(hydrants.flange))
    x, y = hydrants.x[rows], hydrants.y[rows]
    horizontal = reference.split(hydrants.crs)[0] or hydrants.crs
    found = vertical.lift(stated, upward, horizontal, work, x, y, where) if len(rows) else None
    if found is None:
        return hydrants, ()
    flange = hydrants.flange.copy()
    flange[rows] = found.heights(x, y, flange[rows])
    told = vertical.moved(found, stated, upward, x, y, "flange", f"{hydrants.shown}, surveyed flanges")
    return replace(hydrants, flange=flange), (told,)
