"""What the inputs are, before anything is decided: counts, systems, units, extents, overlap, catalogue gaps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np
import shapely

from gradecheck import checks
from gradecheck.assessment import assessed, sampled_of
from gradecheck.change import GradeChange
from gradecheck.choices import choices
from gradecheck.errors import Finding, GradecheckError, listed
from gradecheck.hydrants import Hydrants, read_hydrants
from gradecheck.inputs import Inputs, open_inputs
from gradecheck.inventory import ground_facts, readable_facts, span
from gradecheck.measurement import measure, units_mistaken
from gradecheck.plan import Plan
from gradecheck.policy import Policy
from gradecheck.probability import Ints
from gradecheck.reference import Path, name_of, split
from gradecheck.steady import lines as stable_lines
from gradecheck.units import elevation_unit, show

_MANY = 6


@dataclass(frozen=True, slots=True)
class Inspection:
    """facts: (heading, lines) in the order of the data. stops: what would stop a run. notes: to be aware of."""

    facts: tuple[tuple[str, tuple[str, ...]], ...]
    stops: tuple[Finding, ...]
    notes: tuple[str, ...]
    assumed: tuple[str, ...]


def inspect(plan: Plan, place: Callable[[], None]) -> Inspection:
    """Look at everything that a run would read; `place` checks where it would write."""
    stops: list[Finding] = []
    facts: list[tuple[str, tuple[str, ...]]] = []
    notes: list[str] = []
    assumed: tuple[str, ...] = tuple(plan.assumed())
    try:
        place()
    except GradecheckError as error:
        stops.extend(error.findings)
    try:
        inputs = open_inputs(plan)
    except GradecheckError as error:
        return Inspection(tuple(_readable(plan)), (*error.findings, *stops), (), assumed)
    facts += [
        ("hydrants", (*_hydrants(inputs.hydrants), f"work is done in {name_of(inputs.work)}")),
        *([("measurements", inputs.field.facts)] if inputs.field is not None and plan.measurements else []),
        ("paving", _paving(inputs)),
        ("before", ground_facts(inputs.before_ground)),
        ("after", ground_facts(inputs.after_ground)),
    ]
    facts.append(("reference", _references(inputs)))
    if inputs.steady is not None:
        facts.append(("stable", stable_lines(inputs.steady, elevation_unit(plan.output.unit))))
    notes.extend(inputs.notes)
    job, sampled = sampled_of(inputs)
    judged = measure(inputs, np.flatnonzero(sampled).astype(np.int64), job < 0)
    overlap, mistaken = _overlap(inputs, job, judged.change)
    facts.append(("overlap", overlap))
    if not mistaken and (inputs.errors.before_shared or inputs.errors.after_shared or plan.after.correlation):
        common = assessed(inputs, date.today(), judged).effect
        facts.append(("common errors", (common.text,) if common is not None else ()))
    stops.extend(mistaken)
    facts.append(("catalogue", _gaps(inputs)))
    return Inspection(tuple(facts), tuple(stops), tuple(dict.fromkeys(notes)), inputs.assumed)


def _readable(plan: Plan) -> list[tuple[str, tuple[str, ...]]]:
    """What can be told although something stops the run: the hydrants, and the rasters that are in order."""
    facts = []
    with suppress(GradecheckError):
        facts.append(("hydrants", _hydrants(read_hydrants(plan))))
    for where, source in (("before", plan.before), ("after", plan.after)):
        if source is None:
            continue
        lines = [line for settings in source.layers_down for line in readable_facts(plan, settings, where)]
        if lines:
            facts.append((where, tuple(lines)))
    return facts


def _hydrants(h: Hydrants) -> tuple[str, ...]:
    lines = [f"{h.shown}: {h.total} rows, {h.read} read, {len(h)} usable, {len(h.rejected)} rejected"]
    rejected = list(zip(h.rejected.place.tolist(), h.rejected.reason, strict=True))
    lines += [f"  row {place}: {reason}" for place, reason in rejected[:_MANY]]
    if len(rejected) > _MANY:
        lines.append(f"  ... and {len(rejected) - _MANY} more rejected")
    lines.append(f"reference system {name_of(h.crs)}")
    if len(h):
        x, y = shapely.get_x(h.geometry), shapely.get_y(h.geometry)
        lines.append(f"extent {span('x', x.min(), x.max())}, {span('y', y.min(), y.max())}")
    known = {
        "clearance measured": h.clearance,
        "flange surveyed": h.flange,
        "extension fitted known": h.fitted,
        "bury known": h.bury,
        "outlet height known": h.outlet,
    }
    lines += [f"{name:<23}{int(np.isfinite(v).sum()):>7}" for name, v in known.items()]
    return tuple(lines)


def _paving(inputs: Inputs) -> tuple[str, ...]:
    jobs = inputs.jobs
    if not jobs.planned:
        return ("no paving plan: every hydrant belongs to one job",)
    job, _ = jobs.assign(inputs.hydrants.x, inputs.hydrants.y)
    lines = []
    for i, name in enumerate(jobs.names):
        start = jobs.starts.get(name)
        lines.append(f"{name}: starts {start or 'unknown'}, reaches {int((job == i).sum())} hydrants")
    lines.append(f"no job reaches {int((job < 0).sum())} hydrants")
    return tuple(lines)


def _references(inputs: Inputs) -> tuple[str, ...]:
    """How positions and heights of every input come to be comparable, each operation with its accuracy."""
    lines = []
    h = inputs.hydrants
    layer = split(h.crs)[0] or h.crs
    x, y = shapely.get_x(h.geometry), shapely.get_y(h.geometry)
    ways = {"hydrants": (Path.between(layer, inputs.work), x, y)}
    for ground in (inputs.before_ground, inputs.after_ground):
        for source in ground.sources:
            for part in source.parts[:_MANY]:
                ways.setdefault(part.shown, (Path.between(inputs.work, part.crs), h.x, h.y))
    for shown, (path, px, py) in ways.items():
        used = path.operation(px, py)
        if used is not None:
            accuracy = "accuracy not stated" if used.accuracy is None else f"accuracy {used.accuracy:g} m"
            lines.append(f"{shown}: positions by {used.name}, {accuracy}")
    lines += [m.text for m in inputs.moved]
    if not inputs.moved:
        lines.append("heights: all in one vertical system, none is moved")
    e = inputs.errors
    unit = inputs.plan.output.unit
    lines.append(
        f"errors common to a surface: before {show(e.before_shared, unit, 2)}, after {show(e.after_shared, unit, 2)}; "
        f"correlation of own errors {inputs.plan.after.correlation:g}"
    )
    return tuple(lines)


def _overlap(inputs: Inputs, job: Ints, change: GradeChange) -> tuple[tuple[str, ...], list[Finding]]:
    rows = np.flatnonzero(job >= 0)
    after, before = np.isfinite(change.after[rows]), np.isfinite(change.before[rows])
    same = change.unchanged[rows]
    lines = [
        f"of {len(rows)} hydrants that a job reaches: design ground at {int((after & ~same).sum())}, "
        f"beyond the design {int(same.sum())}, unknown {int((~after & ~same).sum())}",
        f"existing ground at {int(before.sum())} of those that need it",
    ]
    stops = units_mistaken(inputs, change)
    far = checks.far_apart(change.change[rows])
    if far:
        lines.append(far)
    return tuple(lines), stops


def _gaps(inputs: Inputs) -> tuple[str, ...]:
    """Clearances that no length of a family can mend, by family, for hydrants with nothing fitted."""
    policy, unit = inputs.plan.policy, inputs.plan.output.unit
    lines = []
    for (name, known), lengths in zip(inputs.families, inputs.lengths(), strict=True):
        label = f"family {name or '(not stated)'}" + ("" if known else " (generic lengths, not orderable)")
        lines.append(f"{label}: {len(lengths)} lengths, {show(min(lengths), unit)} to {show(max(lengths), unit)}")
        gaps, share = catalogue_gaps(lengths, policy)
        if gaps:
            shown = listed((f"{show(-high, unit)} to {show(-low, unit)}" for low, high in gaps), most=4)
            lines.append(f"  no length mends a flange this far below ground: {shown} ({share:.0%} of the range)")
    return tuple(lines)


def catalogue_gaps(lengths: Sequence[float], policy: Policy) -> tuple[list[tuple[float, float]], float]:
    """Clearances (low, high) in metres below the window that no choice brings into it, and their share of the range."""
    longest = None if policy.max_extension is None else policy.max_extension.metres
    rise = choices(lengths, 0.0, policy.max_extensions, longest).rise
    dressing = policy.dressing.metres
    low, high = policy.clearance_min.metres - dressing, policy.clearance_max.metres + dressing
    gaps = [
        (float(high - upper), float(low - lower))
        for lower, upper in pairwise(rise.tolist())
        if upper - lower > high - low + 1e-9
    ]
    total = sum(b - a for a, b in gaps)
    return gaps, total / float(rise.max()) if rise.max() > 0 else 0.0
