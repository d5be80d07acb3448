"""One batch of hydrants from ground to decision: what a thread, or a worker elsewhere, does on its own. Pure.

What is said of a hydrant does not depend on the batch that it is in, to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gradecheck.cases import Cases
from gradecheck.change import GradeChange, grade_change, joined
from gradecheck.clearance import Clearance, Errors, clearances
from gradecheck.decision import Decision, decide, together
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.setback import Pavement, Setback
from gradecheck.surfaces import Surface, preferring
from gradecheck.surfaces.design import Design


@dataclass(frozen=True)
class Site:
    """What all hydrants of a run share.

    unit: metres in a working unit; setback: working units from the new pavement's edge that must be kept.
    errors: with one sd for all, since those of each hydrant are in its batch.
    """

    before: Surface
    after: Design
    pavement: Pavement | None
    setback: float
    unit: float
    policy: Policy
    errors: Errors
    lengths: tuple[tuple[float, ...], ...]
    measure_sd: float


@dataclass(frozen=True, slots=True)
class Batch:
    """What is known of n hydrants, (n,) each; see `hydrants.Hydrants`.

    rows: which of the layer's they are. measured_sd, surveyed_sd: metres. roads: the road of each ground that all of
    them name where several reach them.
    """

    rows: Ints
    x: Floats
    y: Floats
    clearance: Floats
    flange: Floats
    fitted: Floats
    outlet: Floats
    family: Ints
    outside: Bools
    measured_sd: Floats
    surveyed_sd: Floats
    roads: tuple[str | None, str | None] = (None, None)

    def __len__(self) -> int:
        return len(self.rows)


@dataclass(frozen=True, slots=True)
class Judged:
    """What was found of hydrants `rows` (n,). setback: distances in metres."""

    rows: Ints
    change: GradeChange
    setback: Setback
    decision: Decision


def judge(site: Site, batch: Batch) -> Judged:
    """Ask the ground at every hydrant of a batch, and decide."""
    before = preferring(site.before, batch.roads[0])
    after = replace(site.after, surface=preferring(site.after.surface, batch.roads[1], batch.roads[0]))
    position = site.errors.position / site.unit
    change = grade_change(before, after, batch.x, batch.y, position, np.isfinite(batch.flange))
    setback = Setback.none(len(batch))
    if site.pavement is not None and len(batch):
        setback = Setback(
            site.pavement.distance(batch.x, batch.y) * site.unit,
            site.pavement.chance_nearer(batch.x, batch.y, position, site.setback),
        )
    cases = cases_of(site, batch, change, clearance_of(site, batch, change), setback)
    return Judged(batch.rows, change, setback, decide(cases, site.policy))


def clearance_of(site: Site, batch: Batch, change: GradeChange) -> Clearance:
    """The clearance of every hydrant of a batch, before and after."""
    errors = replace(site.errors, measured=batch.measured_sd, surveyed=batch.surveyed_sd)
    return clearances(change, batch.clearance, batch.flange, change.before_sd, site.policy, errors)


def cases_of(site: Site, batch: Batch, change: GradeChange, clearance: Clearance, setback: Setback) -> Cases:
    """What is decided on."""
    return Cases(
        clearance_after=clearance.after,
        change=change.change,
        ground=change.ground,
        shared=clearance.shared,
        clearance_sd=clearance.sd,
        spread=clearance.spread,
        family=batch.family,
        lengths=site.lengths,
        fitted=batch.fitted,
        outlet=batch.outlet,
        outside=batch.outside,
        measure_sd=site.measure_sd,
        in_the_way=setback.chance,
    )


def gathered(site: Site, everyone: Batch, parts: list[Judged]) -> Judged:
    """Parts put together in the order of the layer; hydrants of no part are outside and were not looked at.

    At least one part, of no hydrants if there are none. `parts` is emptied on the way, see `change.joined`.
    """
    n = len(everyone)
    setback = Setback.none(n)
    for part in parts:
        setback.distance[part.rows], setback.chance[part.rows] = part.setback.distance, part.setback.chance
    decisions = [(p.rows, p.decision) for p in parts]
    changes = [(p.rows, p.change) for p in parts]
    parts.clear()
    rest = np.setdiff1d(np.arange(n), np.concatenate([rows for rows, _ in decisions]))
    change = joined(changes, n)
    if len(rest):
        left = some(everyone, rest)
        blank = change.taken(rest)
        idle = cases_of(site, left, blank, clearance_of(site, left, blank), Setback.none(len(rest)))
        decisions.append((rest, decide(idle, site.policy)))
    return Judged(np.arange(n), change, setback, together(decisions, everyone.family))


def some(batch: Batch, rows: Ints, roads: tuple[str | None, str | None] = (None, None)) -> Batch:
    """Some hydrants of a batch, by their place in it."""
    columns = {name: getattr(batch, name)[rows] for name in Batch.__dataclass_fields__ if name != "roads"}
    return Batch(**columns, roads=roads)
