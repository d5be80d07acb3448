"""Both grounds asked at the hydrants: the change, which road gave it, whether their units can be one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from gradecheck import checks, reference, surfaces
from gradecheck.change import GradeChange, grade_change, joined
from gradecheck.errors import Finding
from gradecheck.inputs import Inputs
from gradecheck.probability import Bools, Ints
from gradecheck.surfaces import Heights, contested, preferring, tell

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many hydrants more are done, and of how many."""


def silent(what: str, done: int, of: int) -> None:
    """Progress for nobody."""


_ENOUGH = 12
"""Hydrants (and points a side of the grid) that suffice to tell whether two grounds are of one unit."""


def measure(inputs: Inputs, rows: Ints, progress: Progress = silent) -> GradeChange:
    """The grade change at some hydrants, NaN at the others: what no job reaches is not looked at."""
    hydrants = inputs.hydrants
    parts, done = [], []
    for roads, members in _by_road(inputs, rows):
        before = preferring(inputs.before, roads[0])
        after = preferring(inputs.after.surface, roads[1], roads[0])
        parts.append(
            grade_change(
                before,
                replace(inputs.after, surface=after),
                hydrants.x[members],
                hydrants.y[members],
                inputs.errors.position / reference.metres_per_unit(inputs.work),
                np.isfinite(hydrants.flange[members]),
                lambda n: progress("grade change", n, len(rows)),
            )
        )
        done.append(members)
    return joined(parts, _ranks(np.concatenate(done))).scattered(np.sort(rows), len(hydrants))


def _by_road(inputs: Inputs, rows: Ints) -> list[tuple[tuple[str | None, str | None], Ints]]:
    """Rows by the road of each ground that they name, where more than one reaches them; all else together."""
    x, y = inputs.hydrants.x[rows], inputs.hydrants.y[rows]
    named = []
    for names, surface in zip(inputs.roads, (inputs.before, inputs.after.surface), strict=True):
        several = contested(surface, x, y) if names is not None else np.zeros(len(rows), dtype=bool)
        named.append(
            [names[r] if s and names is not None else None for r, s in zip(rows.tolist(), several, strict=True)]
        )
    groups: dict[tuple[str | None, str | None], list[int]] = {(None, None): []} if not len(rows) else {}
    for row, key in zip(rows.tolist(), zip(*named, strict=True), strict=True):
        groups.setdefault(key, []).append(row)
    return [(key, np.array(members, dtype=np.int64)) for key, members in groups.items()]


def _ranks(rows: Ints) -> Ints:
    """(n,) the place of each row among all of them in rising order."""
    ranks = np.empty(len(rows), dtype=np.int64)
    ranks[np.argsort(rows, kind="stable")] = np.arange(len(rows))
    return ranks


def with_places(inputs: Inputs, change: GradeChange, sampled: Bools) -> tuple[GradeChange, Bools]:
    """The change with road, station and offset as sources, and where two roads of a ground disagree."""
    disagree = np.zeros(len(change), dtype=bool)
    x, y = inputs.hydrants.x, inputs.hydrants.y
    columns: dict[str, Any] = {}
    for side, surface in (("before", inputs.before), ("after", inputs.after.surface)):
        source, names = getattr(change, f"{side}_source"), getattr(change, f"{side}_names")
        for roads, rows in _by_road(inputs, np.flatnonzero(sampled & (source >= 0)).astype(np.int64)):
            at = preferring(surface, roads[0]) if side == "before" else preferring(surface, roads[1], roads[0])
            told = tell(at, x[rows], y[rows], source[rows], names)
            disagree[rows] |= told.disagree
            places = {text: len(names) + k for k, text in enumerate(dict.fromkeys(told.text))}
            source = source.copy()
            source[rows] = [places[text] for text in told.text]
            names = (*names, *places)
        columns[f"{side}_source"], columns[f"{side}_names"] = source, names
    return replace(change, **columns), disagree


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
        max(a.names, b.names, key=len),
    )
