"""Hydrants judged batch by batch: which there are, what they share, which road gave it, whether units can be one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

import numpy as np

from gradecheck import checks, engine, reference, surfaces
from gradecheck.change import GradeChange
from gradecheck.errors import Finding
from gradecheck.inputs import Inputs
from gradecheck.judging import Batch, Judged, Site, gathered, judge, some
from gradecheck.probability import Bools, Ints
from gradecheck.surfaces import Heights, contested, preferring, tell

BATCH = 8192
"""Hydrants of a batch at most."""
ROOM = 11 * 2**20
"""Bytes of blocks of one ground that a batch touches, about: both grounds, and what lies about the batch, have room on
the shelf of blocks (`surfaces.blocks`) until all of it has been looked at closely."""


class Progress(Protocol):
    """Told what is being done, how many hydrants and blocks of ground more are done, and of how many."""

    def __call__(self, what: str, done: int, of: int, blocks: int = 0, of_blocks: int = 0) -> None:
        """Take note."""
        ...


def silent(what: str, done: int, of: int, blocks: int = 0, of_blocks: int = 0) -> None:
    """Progress for nobody."""


class Spread(Protocol):
    """How batches are worked: here, or on a cluster. Results come in the order of the batches."""

    def judge(self, site: Site, batches: list[Batch], done: Callable[[int, Judged], None]) -> list[Judged]:
        """Judge all batches; `done` is given each that is finished, with its number."""
        ...


class Here:
    """One batch after another in this process, its blocks read on several threads."""

    def judge(self, site: Site, batches: list[Batch], done: Callable[[int, Judged], None]) -> list[Judged]:
        """See `Spread.judge`."""
        found = []
        for number, batch in enumerate(batches):
            found.append(judge(site, batch))
            done(number, found[-1])
        return found


_ENOUGH = 12
"""Hydrants (and points a side of the grid) that suffice to tell whether two grounds are of one unit."""


def measure(
    inputs: Inputs,
    rows: Ints,
    outside: Bools,
    progress: Progress = silent,
    spread: Spread | None = None,
    size: int = BATCH,
) -> Judged:
    """Grade change and decision of some hydrants; the others are outside: what no job reaches is not looked at.

    outside: (H,) no job reaches it. size: hydrants of a batch at most; changes no result.
    """
    site, everyone = site_of(inputs), everyone_of(inputs, outside)
    grain = surfaces.grain(site.before, site.after.surface)
    cells = size if grain is None else max(1, ROOM // grain.size)
    batches, blocks = [], []
    for roads, members in _by_road(inputs, rows):
        shape = None if grain is None else (grain.width, grain.height)
        order, cell = engine.sweep(everyone.x[members], everyone.y[members], shape)
        for part, fresh in engine.batches(order, cell, size, cells):
            batches.append(some(everyone, members[part], roads))
            blocks.append(fresh)

    def done(number: int, _: Judged) -> None:
        progress("grade change", len(batches[number]), len(rows), blocks[number], sum(blocks))

    found = gathered(site, everyone, (spread or Here()).judge(site, batches, done))
    engine.give_back()  # what lay about the batches
    return found


def site_of(inputs: Inputs) -> Site:
    """What all hydrants of a run share."""
    unit, least = reference.metres_per_unit(inputs.work), inputs.plan.policy.setback_min
    return Site(
        before=inputs.before,
        after=inputs.after,
        pavement=inputs.pavement,
        setback=0.0 if least is None else least.metres / unit,
        unit=unit,
        policy=inputs.plan.policy,
        errors=replace(inputs.errors, measured=0.0, surveyed=0.0),
        lengths=inputs.lengths(),
        measure_sd=inputs.plan.measuring_sd.metres,
    )


def everyone_of(inputs: Inputs, outside: Bools) -> Batch:
    """All hydrants of the layer as one batch; outside: (H,) no job reaches them."""
    h, n = inputs.hydrants, len(inputs.hydrants)
    return Batch(
        rows=np.arange(n),
        x=h.x,
        y=h.y,
        clearance=h.clearance,
        flange=h.flange,
        fitted=h.fitted,
        outlet=h.outlet,
        family=inputs.family,
        outside=outside,
        measured_sd=np.broadcast_to(inputs.errors.measured, n),
        surveyed_sd=np.broadcast_to(inputs.errors.surveyed, n),
    )


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
