"""The job on one screen: inputs to grade change to clearance to decision to cautions to order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from pyproj import CRS

from gradecheck import cautions, checks, reference, surfaces
from gradecheck.cases import Cases
from gradecheck.cautions import flag
from gradecheck.change import GradeChange
from gradecheck.clearance import Basis, Clearance, Errors
from gradecheck.decision import DECIDED, OPEN, Action, Decision, RightChoice, right_choices
from gradecheck.errors import InputError
from gradecheck.inputs import Inputs
from gradecheck.judging import Judged, cases_of, clearance_of
from gradecheck.measurement import (
    Progress,
    Spread,
    everyone_of,
    measure,
    silent,
    site_of,
    units_mistaken,
    with_places,
)
from gradecheck.order import OrderLine, Work, total_order
from gradecheck.paving import Jobs
from gradecheck.plan import Plan
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.prospect import Known, Prospect, prospect
from gradecheck.provenance import after_sources, why_missing
from gradecheck.reasons import reasons, setback_text
from gradecheck.review import Counted, Edit, Review, carried, changed, changed_text, counted
from gradecheck.setback import Setback
from gradecheck.sharing import Effect, effect
from gradecheck.units import elevation_unit


@dataclass(frozen=True, slots=True)
class Assessment:
    """All that was found out, (H,) each where not said otherwise; what the outputs are made from."""

    inputs: Inputs
    job: Ints
    sampled: Bools
    change: GradeChange
    change_sd: Floats
    clearance: Clearance
    cases: Cases
    decision: Decision
    cautions: Ints
    computed_firm: Bools
    review: Review
    counted: Counted
    reasons: tuple[str, ...]
    order: tuple[OrderLine, ...]
    options: tuple[RightChoice, ...]
    prospect: Prospect
    effect: Effect | None
    warnings: tuple[str, ...]
    today: date

    def __len__(self) -> int:
        return len(self.job)

    @property
    def firm(self) -> Bools:
        """(H,) counts in the firm quantities: decided on what is known, or by review."""
        return self.counted.firm(self.computed_firm)

    @property
    def work(self) -> Work:
        """What the order needs to know beside the decision, as it counts now."""
        i = self.inputs
        return Work(self.job, i.family, self.firm, i.jobs.names, i.jobs.starts, i.families, i.plan.output.unit)


def assess(
    inputs: Inputs,
    today: date,
    progress: Progress = silent,
    edits: Sequence[Edit] = (),
    edits_crs: CRS | None = None,
    spread: Spread | None = None,
) -> Assessment:
    """Decide every hydrant and total the order. Raises InputError where the two grounds cannot be of one unit.

    edits: of a former run's layer, their places in `edits_crs`. spread: how batches are worked.
    """
    job, sampled = sampled_of(inputs)
    judged = measure(inputs, np.flatnonzero(sampled).astype(np.int64), job < 0, progress, spread)
    mistaken = units_mistaken(inputs, judged.change)
    if mistaken:
        raise InputError(mistaken)
    return assessed(inputs, today, judged, edits, edits_crs)


def assessed(
    inputs: Inputs, today: date, judged: Judged, edits: Sequence[Edit] = (), edits_crs: CRS | None = None
) -> Assessment:
    """What follows from the decisions, all hydrants together: the order above all."""
    plan, hydrants, errors = inputs.plan, inputs.hydrants, inputs.errors
    job, sampled = sampled_of(inputs)
    site, everyone = site_of(inputs), everyone_of(inputs, job < 0)
    change, setback, decision = judged.change, judged.setback, judged.decision
    clearance = clearance_of(site, everyone, change)
    cases = cases_of(site, everyone, change, clearance, setback)
    change, disagree = with_places(inputs, change, sampled)
    bits = _cautions(inputs, sampled, change, clearance, cases, decision)
    bits |= flag("setback_doubt", _in_doubt(cases, plan.policy)) | flag("roads_disagree", disagree & (job >= 0))
    decided = np.isin(decision.action, DECIDED) & (clearance.basis != Basis.assumed)
    firm = decided & ~cautions.any_of(bits, cautions.HOLDING)
    unit = plan.output.unit
    missing = [
        why_missing(change, i) if a == Action.no_elevation else "" for i, a in enumerate(decision.action.tolist())
    ]
    review = _carried(inputs, edits, edits_crs)
    taken = counted(review, cases, decision, plan.policy, unit)
    firm_now = taken.firm(firm)
    work = Work(job, inputs.family, firm_now, inputs.jobs.names, inputs.jobs.starts, inputs.families, unit)
    open_rows = np.flatnonzero(np.isin(decision.action, OPEN)).astype(np.int64)
    order = total_order(cases, taken.decision, work, inputs.catalog, plan.policy, today, plan.project.work_days_before)
    common = effect(
        cases, change, taken.decision, order, work, inputs.catalog, plan.policy, plan.after.correlation, today
    )
    return Assessment(
        inputs=inputs,
        job=job,
        sampled=sampled,
        change=change,
        change_sd=change.sd(_shared_change_sd(change, errors)),
        clearance=clearance,
        cases=cases,
        decision=decision,
        cautions=bits,
        computed_firm=firm,
        review=review,
        counted=taken,
        reasons=tuple(
            reasons(cases, clearance, decision, plan.policy, unit, missing, _setback_texts(inputs, setback, cases))
        ),
        order=tuple(order),
        options=tuple(right_choices(cases, plan.policy, open_rows)),
        prospect=_prospect(inputs, change, clearance, cases, decision),
        effect=common,
        warnings=(
            *inputs.notes,
            *(inputs.field.later_than(today) if inputs.field is not None else ()),
            *_warnings(inputs.jobs, job, hydrants.flange, change, decision),
            *_unreached(cases, setback, plan.policy),
            *(f"review: {text}" for text in taken.told),
            *_vanished(review),
            *_without_sheet(plan, taken.decision),
            *changed_text(changed(review, decision, unit), hydrants.id),
        ),
        today=today,
    )


def sampled_of(inputs: Inputs) -> tuple[Ints, Bools]:
    """(H,) the job of each hydrant, -1 for none, and whether it is looked at: within twice the reach of one."""
    job, distance = inputs.jobs.assign(inputs.hydrants.x, inputs.hydrants.y)
    if not inputs.jobs.planned:
        return job, np.ones(len(job), dtype=bool)
    return job, np.asarray(distance <= 2 * inputs.jobs.reach)


def _prospect(inputs: Inputs, change: GradeChange, clearance: Clearance, cases: Cases, decision: Decision) -> Prospect:
    """What would settle the open ones."""
    h, unit = inputs.hydrants, reference.metres_per_unit(inputs.work)
    known = Known(
        own_sd=np.nan_to_num(change.mover_sd),
        surveyed=clearance.basis == Basis.surveyed,
        family=inputs.family,
        families=inputs.families,
        x=h.x * unit,
        y=h.y * unit,
        streets=h.street,
    )
    return prospect(cases, inputs.plan.policy, decision, known, inputs.catalog, inputs.plan.settle)


def _in_doubt(cases: Cases, policy: Policy) -> Bools:
    """Hydrants that may stand in the way of the new pavement, and may not."""
    if cases.in_the_way is None:
        return np.zeros(len(cases), dtype=bool)
    way = cases.in_the_way
    return ~cases.outside & (way > 1 - policy.confidence + 1e-12) & (way < policy.confidence - 1e-12)


def _carried(inputs: Inputs, edits: Sequence[Edit], crs: CRS | None) -> Review:
    """Edits beside the hydrants that they were written for; places in the working system."""
    hydrants = inputs.hydrants
    if not edits:
        return Review.none(len(hydrants))
    if crs is not None:
        path = reference.Path.between(reference.split(crs)[0] or crs, inputs.work)
        x, y = path.there(np.array([e.x for e in edits]), np.array([e.y for e in edits]))
        edits = [replace(e, x=float(px), y=float(py)) for e, px, py in zip(edits, x, y, strict=True)]
    own = ~cautions.any_of(hydrants.cautions, ("no_id", "repeated_id"))
    return carried(edits, hydrants.id, own, hydrants.x, hydrants.y, 1 / reference.metres_per_unit(inputs.work))


def _vanished(review: Review) -> list[str]:
    """A warning of edits whose hydrants are gone."""
    if not review.kept:
        return []
    names = ", ".join(edit.hydrant_id for edit in review.kept[:5]) + (" ..." if len(review.kept) > 5 else "")
    count = f"{len(review.kept)} edit{'' if len(review.kept) == 1 else 's'}"
    return [f"review: kept in 'review_kept', since their hydrants are no longer there: {count} ({names})"]


def _without_sheet(plan: Plan, decision: Decision) -> list[str]:
    """A note of what the plan takes off the work sheets."""
    found = []
    for action in (Action.extend, Action.shorten, *OPEN):
        count = int((decision.action == action).sum())
        if count and action.name not in plan.output.sheets:
            found.append(f"{count} '{action.name}' have no work sheet and no row in the forms: [output] sheets says so")
    return found


def _unreached(cases: Cases, setback: Setback, policy: Policy) -> list[str]:
    """A warning of hydrants in the way of the pavement that no job reaches."""
    count = int((cases.outside & (setback.chance >= policy.confidence - 1e-12)).sum())
    return (
        [f"{count} hydrants that no job reaches stand in the way of the new pavement: is the reach right?"]
        if count
        else []
    )


def _setback_texts(inputs: Inputs, setback: Setback, cases: Cases) -> list[str]:
    policy, unit = inputs.plan.policy, elevation_unit(inputs.plan.output.unit)
    least = 0.0 if policy.setback_min is None else policy.setback_min.metres
    sure = ~cases.outside & (setback.chance >= policy.confidence - 1e-12)
    told = _in_doubt(cases, policy) | sure
    return [
        setback_text(away, least, unit, certain) if tell_it else ""
        for away, tell_it, certain in zip(setback.distance.tolist(), told.tolist(), sure.tolist(), strict=True)
    ]


def _shared_change_sd(change: GradeChange, errors: Errors) -> Floats:
    return np.where(change.unchanged, 0.0, np.hypot(errors.before_shared, errors.after_shared))


def _cautions(
    inputs: Inputs, sampled: Bools, change: GradeChange, clearance: Clearance, cases: Cases, decision: Decision
) -> Ints:
    policy, hydrants = inputs.plan.policy, inputs.hydrants
    dressing = policy.dressing.metres
    active = ~cases.outside
    # Over a surveyed flange the old ground may be unknown: the raise then stands for the change.
    moved = np.where(np.isnan(change.change), decision.rise, change.change)
    cover = _cover(hydrants.bury, hydrants.fitted, clearance, moved, policy)
    final, outlet = decision.clearance_final, hydrants.outlet
    above_ground = outlet if policy.outlet_from == "flange" else final + outlet
    slack = 0.0 if policy.outlet_from == "flange" else dressing
    miss = decision.window_miss
    known = clearance.basis != Basis.assumed
    tolerance = 1e-9
    with np.errstate(invalid="ignore"):
        found = {
            "fill_over_review": moved > policy.fill_review.metres + tolerance,
            "cut_over_review": -moved > policy.cut_review.metres + tolerance,
            "cover_below_min": cover < (policy.cover_min.metres if policy.cover_min else -np.inf) - tolerance,
            "extension_unknown": np.isnan(hydrants.fitted),
            "cover_not_checked": (moved < -1e-3) & (np.isnan(cover) | (policy.cover_min is None)),
            "clearance_assumed": ~known,
            "beyond_design": change.unchanged,
            "dress": (np.abs(miss) > tolerance) & (np.abs(miss) <= dressing + tolerance),
            "off_before": known
            & (
                (clearance.before < decision.window.low - tolerance)
                | (clearance.before > decision.window.high + tolerance)
            ),
            "outlet_low": above_ground < policy.outlet_min.metres - slack - tolerance,
            "outlet_high": above_ground > policy.outlet_max.metres + slack + tolerance,
            "second_extension": decision.left >= 2,
            "curb_near": change.position_sd > dressing + tolerance,
            "valve_box": np.abs(moved) > dressing + tolerance,
            "heights_disagree": clearance.disagree,
            "window_empty": decision.window.empty,
        }
        missed = cases.outside & sampled & (np.abs(change.change) > dressing + tolerance)
    bits = hydrants.cautions | flag("missed_by_reach", missed)
    for code, where in found.items():
        bits |= flag(code, active & where)
    return bits


def _cover(bury: Floats, fitted: Floats, clearance: Clearance, moved: Floats, policy: Policy) -> Floats:
    """(H,) cover over the branch pipe after the job; NaN where something is unknown."""
    line: Floats = np.zeros(len(bury))
    if policy.clearance_as_made is not None:
        line = np.where(clearance.basis == Basis.assumed, 0.0, policy.clearance_as_made.metres - clearance.before)
    return bury + fitted + line + moved - policy.branch_diameter.metres


def _warnings(jobs: Jobs, job: Ints, flange: Floats, change: GradeChange, decision: Decision) -> list[str]:
    found = []
    for name, sources in (("before", change.before_source), ("after", change.after_source)):
        count = Counter(sources.tolist())
        for code in (surfaces.IMPLAUSIBLE, surfaces.OUT_OF_RANGE):
            if count[code]:
                found.append(f"{name}: missing at {count[code]} hydrants: {surfaces.WHY[code]}")
        if count[surfaces.UNREADABLE]:
            found.append(f"{name}: at {count[surfaces.UNREADABLE]} hydrants the file could not be read; missing")
    found += [checks.filled_with_zero("before", change.before), checks.filled_with_zero("after", change.after)]
    found += [checks.flanges_off(flange - change.before), checks.far_apart(change.change)]
    reached = decision.action != Action.outside
    both = np.isfinite(change.before) & np.isfinite(change.after)
    found = [text for text in [*found, checks.one_height(change.change[reached & both & ~change.unchanged])] if text]
    if not reached.any():
        found.append("no job of the paving plan reaches any hydrant: check the reference systems and the reach")
    elif (decision.action[reached] == Action.no_elevation).all():
        found.append("no hydrant has both grounds: check that the surfaces cover the hydrants")
    else:
        tied = change.after_source == surfaces.TIED_IN
        designed = job[reached & ((np.isfinite(change.after) & ~change.unchanged) | tied)]
        numbers = np.setdiff1d(job[reached], designed)
        if len(numbers):
            names = ", ".join(jobs.names[j] for j in numbers.tolist())
            rows = np.flatnonzero(reached & np.isin(job, numbers)).astype(np.int64)
            texts = after_sources(change, reached, rows)
            why = Counter(text for text in texts if text is not None).most_common(1)[0][0]
            found.append(
                f"the design has ground at no hydrant of {names} (mostly: {why}): is its file there, the reference "
                "system right, does it go far enough? 'keep' means nothing until that is sure"
            )
    return found
