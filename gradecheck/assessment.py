"""The job on one screen: inputs to grade change to clearance to decision to cautions to order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np

from gradecheck import cautions, checks, reference, surfaces
from gradecheck.cases import Cases
from gradecheck.cautions import flag
from gradecheck.change import GradeChange, grade_change
from gradecheck.clearance import Basis, Clearance, Errors, clearances
from gradecheck.decision import DECIDED, OPEN, Action, Decision, RightChoice, decide, right_choices
from gradecheck.errors import Finding, InputError
from gradecheck.inputs import Inputs
from gradecheck.order import OrderLine, Work, total_order
from gradecheck.paving import Jobs
from gradecheck.plan import MEASURING_SD, Plan
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.provenance import why_missing
from gradecheck.reasons import reasons
from gradecheck.surfaces import Heights

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many hydrants more are done, and of how many."""


def silent(what: str, done: int, of: int) -> None:
    """Progress for nobody."""


_ENOUGH = 12
"""Hydrants (and points a side of the grid) that suffice to tell whether two grounds are of one unit."""


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
    firm: Bools
    reasons: tuple[str, ...]
    order: tuple[OrderLine, ...]
    options: tuple[RightChoice, ...]
    warnings: tuple[str, ...]
    today: date

    def __len__(self) -> int:
        return len(self.job)


def assess(inputs: Inputs, today: date, progress: Progress = silent) -> Assessment:
    """Decide every hydrant and total the order. Raises InputError where the two grounds cannot be of one unit."""
    plan, hydrants = inputs.plan, inputs.hydrants
    job, distance = inputs.jobs.assign(hydrants.x, hydrants.y)
    rows = np.flatnonzero(distance <= 2 * inputs.jobs.reach) if inputs.jobs.planned else np.arange(len(hydrants))
    change = measure(inputs, rows.astype(np.int64), progress)
    mistaken = units_mistaken(inputs, change)
    if mistaken:
        raise InputError(mistaken)
    errors = _errors(plan)
    before_sd = plan.before.sd.metres if plan.before else 0.0
    clearance = clearances(
        change, hydrants.clearance, hydrants.flange, np.full(len(hydrants), before_sd), plan.policy, errors
    )
    cases = Cases(
        clearance_after=clearance.after,
        change=change.change,
        ground=change.ground,
        shared=clearance.shared,
        clearance_sd=clearance.sd,
        spread=clearance.spread,
        family=inputs.family,
        lengths=inputs.lengths(),
        fitted=hydrants.fitted,
        outlet=hydrants.outlet,
        outside=job < 0,
        measure_sd=errors.measured,
    )
    decision = decide(cases, plan.policy)
    sampled = np.zeros(len(hydrants), dtype=bool)
    sampled[rows] = True
    bits = _cautions(inputs, sampled, change, clearance, cases, decision)
    firm = (
        np.isin(decision.action, DECIDED)
        & (clearance.basis != Basis.assumed)
        & ~cautions.any_of(bits, cautions.HOLDING)
    )
    unit = plan.output.unit
    missing = [
        why_missing(change, i) if a == Action.no_elevation else "" for i, a in enumerate(decision.action.tolist())
    ]
    work = Work(job, inputs.family, firm, inputs.jobs.names, inputs.jobs.starts, inputs.families, unit)
    open_rows = np.flatnonzero(np.isin(decision.action, OPEN)).astype(np.int64)
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
        firm=firm,
        reasons=tuple(reasons(cases, clearance, decision, plan.policy, unit, missing)),
        order=tuple(
            total_order(cases, decision, work, inputs.catalog, plan.policy, today, plan.project.work_days_before)
        ),
        options=tuple(right_choices(cases, plan.policy, open_rows)),
        warnings=(*inputs.notes, *_warnings(inputs.jobs, job, hydrants.flange, change, decision)),
        today=today,
    )


def measure(inputs: Inputs, rows: Ints, progress: Progress = silent) -> GradeChange:
    """The grade change at some hydrants, NaN at the others: what no job reaches is not looked at."""
    hydrants, plan = inputs.hydrants, inputs.plan
    change = grade_change(
        inputs.before,
        inputs.after,
        hydrants.x[rows],
        hydrants.y[rows],
        plan.hydrants.position_sd.metres / reference.metres_per_unit(inputs.work),
        np.isfinite(hydrants.flange[rows]),
        lambda n: progress("grade change", n, len(rows)),
    )
    return change.scattered(rows, len(hydrants))


def _errors(plan: Plan) -> Errors:
    source = plan.hydrants
    return Errors(
        measured=(source.clearance.sd if source.clearance else MEASURING_SD).metres,
        surveyed=source.flange_elevation.sd.metres if source.flange_elevation else 0.0,
        before_shared=plan.before.sd_shared.metres if plan.before else 0.0,
        after_shared=plan.after.sd_shared.metres,
    )


def _shared_change_sd(change: GradeChange, errors: Errors) -> Floats:
    return np.where(change.unchanged, 0.0, np.hypot(errors.before_shared, errors.after_shared))


def units_mistaken(inputs: Inputs, change: GradeChange) -> list[Finding]:
    """Where both grounds stand in one place but not in one unit, over all and tile by tile."""
    findings = [
        Finding(
            name,
            "most elevations at the hydrants lie outside -500 to 9000 m",
            f"state the true vertical `unit` of [{name}]",
        )
        for name, z, source in (
            ("before", change.before, change.before_source),
            ("after", change.after, change.after_source),
        )
        if (source == surfaces.OUT_OF_RANGE).sum() > np.isfinite(z).sum()
    ]
    if findings:
        return findings
    before, after = _compared(inputs, change)
    found = checks.unit_mistaken(before.z, after.z)
    if found:
        return [found]
    for side in (before, after):
        for code in np.unique(side.source).tolist() if len(side.names) > 1 else ():
            mine = side.source == code
            one = checks.unit_mistaken(before.z[mine], after.z[mine])
            if one:
                findings.append(Finding(f"before and after in {side.names[code]}", one.what, one.mend))
    return findings


def _compared(inputs: Inputs, change: GradeChange) -> tuple[Heights, Heights]:
    """Both grounds in the same places: at hydrants, and on a coarse grid where there are too few of those."""
    use = np.isfinite(change.before) & np.isfinite(change.after) & ~change.unchanged
    blank = np.zeros(int(use.sum()))
    before = Heights(change.before[use], blank, change.before_source[use], change.before_names)
    after = Heights(change.after[use], blank, change.after_source[use], change.after_names)
    shared = inputs.before.extent.intersection(inputs.after.surface.extent)
    if len(before) >= _ENOUGH or shared.is_empty:
        return before, after
    left, bottom, right, top = shared.bounds
    steps = (np.arange(_ENOUGH) + 0.5) / _ENOUGH
    x, y = (g.ravel() for g in np.meshgrid(left + steps * (right - left), bottom + steps * (top - bottom)))
    new = inputs.after.surface.heights(x, y)
    known = np.isfinite(new.z)
    old = inputs.before.heights(x[known], y[known])
    new = Heights(new.z[known], new.sd[known], new.source[known], new.names)
    both = np.isfinite(old.z)
    return _joined(before, old, both), _joined(after, new, both)


def _joined(a: Heights, b: Heights, keep: Bools) -> Heights:
    return Heights(
        np.concatenate([a.z, b.z[keep]]),
        np.concatenate([a.sd, b.sd[keep]]),
        np.concatenate([a.source, b.source[keep]]),
        b.names or a.names,
    )


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
    off = checks.flanges_off(flange - change.before)
    if off:
        found.append(off)
    far = checks.far_apart(change.change)
    if far:
        found.append(far)
    reached = decision.action != Action.outside
    if not reached.any():
        found.append("no job of the paving plan reaches any hydrant: check the reference systems and the reach")
    elif (decision.action[reached] == Action.no_elevation).all():
        found.append("no hydrant has both grounds: check that the surfaces cover the hydrants")
    else:
        designed = job[reached & np.isfinite(change.after) & ~change.unchanged]
        bare = [jobs.names[j] for j in np.setdiff1d(job[reached], designed).tolist()]
        if bare:
            found.append(
                f"the design has ground at no hydrant of {', '.join(bare)}: is its file there, and the reference "
                "system right? 'keep' means nothing until that is sure"
            )
    return found
