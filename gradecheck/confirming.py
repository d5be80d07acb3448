"""The plan computed again, the survey and the crews' rows, brought to one confirmation."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from gradecheck.asbuilt import AsBuilt, Given, open_asbuilt
from gradecheck.assessment import Assessment
from gradecheck.confirmation import SAME, Confirmed, Found, Planned, confirm
from gradecheck.decision import OPEN, Action
from gradecheck.errors import Finding, InputError
from gradecheck.fieldbook import Book, Entry, listed, owners
from gradecheck.fieldwork import owner_notes, row_reading
from gradecheck.formats.field_rows import read_field_rows
from gradecheck.plan import Plan
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.validation import nearest
from gradecheck.workdone import Kit, Sold, Visit, distinct, kits, visit

FIELD = "--field"
_NOTHING = Visit()


@dataclass(frozen=True, slots=True)
class Confirmation:
    """What stands against what was planned, (H,) each where not said otherwise.

    rows: hydrants that a job reaches or that crews wrote of, dangers first, then in the layer's order. visits: by
    hydrant. lost: rows of work at ids that no hydrant has. kits: parts ordered and used. files: role and path of what
    was read beside the plan's inputs. notes, assumed: what must be said aloud.
    """

    assessment: Assessment
    asbuilt: AsBuilt
    planned: Planned
    found: Found
    confirmed: Confirmed
    visits: tuple[Visit, ...]
    rows: Ints
    lost: tuple[Entry, ...]
    kits: tuple[Kit, ...]
    files: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    assumed: tuple[str, ...]

    @property
    def dangers(self) -> list[tuple[str, str]]:
        """Hydrants to be seen to at once, and why; what no hydrant's row says too."""
        ids = self.assessment.inputs.hydrants.id
        everywhere = [*self.rows.tolist(), *np.setdiff1d(np.arange(len(ids)), self.rows).tolist()]
        mine = [(ids[r], text) for r in everywhere for text in self.visits[r].dangers]
        by_id: dict[str, list[Entry]] = defaultdict(list)
        for entry in self.lost:
            by_id[entry.hydrant_id].append(entry)
        theirs = [
            (name, f"{t} (no hydrant has this id)") for name, e in by_id.items() for t in visit(e, "", ()).dangers
        ]
        return mine + theirs


def read_rows(plan: Plan, paths: Sequence[str]) -> tuple[Book, ...]:
    """The crews' files that the command names. Raises InputError with the findings of all of them."""
    books: list[Book] = []
    findings: list[Finding] = []
    for path in paths:
        try:
            books.append(read_field_rows(Path(path), Path(path).as_posix(), row_reading(plan, FIELD)))
        except InputError as error:
            findings.extend(error.findings)
    if findings:
        raise InputError(findings)
    return tuple(books)


def confirmed_by(a: Assessment, given: Given, books: Sequence[Book], jobs: Sequence[str] = ()) -> Confirmation:
    """How every hydrant stands by a survey and by what crews wrote; jobs: only these, as they end one by one.

    Raises InputError.
    """
    inputs = a.inputs
    notes = [note for book in books for note in book.notes]
    asked = _asked(a, jobs)
    visits, lost = _visits(a, books, notes)
    told = np.array([v is not _NOTHING for v in visits], dtype=bool)
    rows = np.flatnonzero(asked | told if not jobs else asked).astype(np.int64)
    asbuilt = open_asbuilt(inputs, given, rows, a.change.after)
    planned = _planned(a, rows)
    found = _found(a, planned, asbuilt, visits)
    confirmed = confirm(planned, found, inputs.plan.policy)
    danger = np.array([not v.dangers for v in visits], dtype=bool)
    notes += [f"{inputs.hydrants.id[r]}: {text}" for r in rows.tolist() for text in visits[r].said]
    return Confirmation(
        assessment=a,
        asbuilt=asbuilt,
        planned=planned,
        found=found,
        confirmed=confirmed,
        visits=visits,
        rows=rows[np.argsort(danger[rows], kind="stable")],
        lost=lost,
        kits=kits(_ordered(a, jobs), [*_of(visits, rows), *(visit([e], "", _sold(a)) for e in lost)]),
        files=(*(("asbuilt", f) for f in asbuilt.files), *(("field", book.shown) for book in books)),
        notes=tuple(dict.fromkeys([*asbuilt.notes, *notes])),
        assumed=tuple(asbuilt.assumed),
    )


def _of(visits: Sequence[Visit], rows: Ints) -> list[Visit]:
    return [visits[r] for r in rows.tolist()]


def _asked(a: Assessment, jobs: Sequence[str]) -> Bools:
    """(H,) hydrants that the jobs reach; all jobs where none is named. Raises InputError on a name that is none."""
    names = a.inputs.jobs.names
    lost = [job for job in jobs if job not in names]
    if lost:
        raise InputError([Finding("--job", f"no such job: {job!r}", nearest(job, names)) for job in lost])
    wanted = [j for j, name in enumerate(names) if not jobs or name in jobs]
    return np.isin(a.job, wanted)


# -- what crews wrote -------------------------------------------------------------------------------------------


def _visits(a: Assessment, books: Sequence[Book], notes: list[str]) -> tuple[tuple[Visit, ...], tuple[Entry, ...]]:
    """(H,) what was written of each hydrant since its job began, and the rows of work of nobody's."""
    field = a.inputs.field
    planned = field.entries if field is not None else ()
    given = [entry for book in books for entry in book.entries]
    entries, again = distinct([*planned, *given])
    if again:
        notes.append(f"{FIELD}: {again} rows say again what another says; they count once")
    whose = owners([e.hydrant_id for e in entries], a.inputs.hydrants.id)
    notes.extend(owner_notes(whose, FIELD))
    mine = _since_the_job(a, list(zip(entries, whose.rows, strict=True)), {id(e) for e in planned}, notes)
    sold = _sold(a)
    families = a.inputs.families
    visits = tuple(
        visit(mine[row], families[int(a.inputs.family[row])][0], sold) if row in mine else _NOTHING
        for row in range(len(a))
    )
    lost = tuple(e for e, row in zip(entries, whose.rows, strict=True) if row < 0 and e.work)
    return visits, lost


def _since_the_job(
    a: Assessment, entries: Sequence[tuple[Entry, int]], of_the_plan: set[int], notes: list[str]
) -> dict[int, list[Entry]]:
    """By hydrant the rows of work and what was measured after its job began.

    entries: with whose each is, -1 for nobody's. of_the_plan: the identity of those that a run takes in already.
    """
    mine: dict[int, list[Entry]] = defaultdict(list)
    early: list[str] = []
    late: list[str] = []
    for entry, row in entries:
        if row < 0:
            continue
        start = _starts(a, row)
        if entry.work or (id(entry) not in of_the_plan and _since(entry, start)):
            mine[row].append(entry)
        elif id(entry) not in of_the_plan:
            early.append(entry.name)
        elif start is not None and _since(entry, start):
            late.append(entry.name)
    if early:
        notes.append(
            f"{FIELD}: {_counted(early)} made before the work, having no date since the job's start, and "
            f"{'is' if len(early) == 1 else 'are'} passed over here: {listed(early)}; date them, or give the file as "
            "[measurements] path"
        )
    if late:
        notes.append(
            f"[measurements]: {_counted(late)} made before the work, in spite of a date since the job's start: "
            f"{listed(late)}; keep what was measured after it in a file of its own, and give that by {FIELD}"
        )
    return mine


def _counted(names: Sequence[str]) -> str:
    return "1 measurement counts as" if len(names) == 1 else f"{len(names)} measurements count as"


def _starts(a: Assessment, row: int) -> date | None:
    job = int(a.job[row])
    return a.inputs.jobs.starts.get(a.inputs.jobs.names[job]) if job >= 0 else None


def _since(entry: Entry, start: date | None) -> bool:
    """Whether a measurement was made after the job began, as far as that can be told."""
    return entry.on is not None and (start is None or entry.on >= start)


def _sold(a: Assessment) -> list[Sold]:
    catalog = a.inputs.catalog
    return [] if catalog.generic else [Sold(e.part_number, e.family, e.length.metres) for e in catalog.extension]


def _ordered(a: Assessment, jobs: Sequence[str]) -> dict[str, tuple[str, int, int]]:
    """By part: description, pieces to have and to buy over the jobs; extensions only, as crews write nothing else."""
    found: dict[str, tuple[str, int, int]] = {}
    for line in a.order:
        if line.length is not None and line.part_number is not None and (not jobs or line.job in jobs):
            text, have, buy = found.get(line.part_number, (line.description, 0, 0))
            found[line.part_number] = text, have + line.quantity_order, buy + (line.quantity_buy or 0)
    return found


# -- what was planned -------------------------------------------------------------------------------------------


def _planned(a: Assessment, rows: Ints) -> Planned:
    d, change, h = a.counted.decision, a.change, a.inputs.hydrants
    flange, flange_sd = _flange(a, rows)
    new, out, rise = (np.zeros(len(a)) for _ in range(3))
    for i in np.flatnonzero((d.best >= 0) & (d.table >= 0)).tolist():
        table, best = d.tables[int(d.table[i])], int(d.best[i])
        new[i], out[i], rise[i] = table.new[best], table.out[best], table.rise[best]
    is_open = np.isin(d.action, OPEN)
    bare = a.inputs.before_ground.bare and a.inputs.after_ground.bare
    return Planned(
        flange=flange,
        flange_sd=flange_sd,
        assumed=np.isnan(h.flange) & np.isnan(h.clearance),
        rise=np.where(is_open, 0.0, rise),
        new=np.where(is_open, 0.0, new),
        out=np.where(is_open, 0.0, out),
        open=is_open,
        relocate=np.asarray(d.action == Action.relocate),
        ground=np.full(len(a), np.nan) if bare else change.after,
        ground_sd=_design_sd(a),
        outlet=h.outlet,
        low=d.window.low,
        high=d.window.high,
    )


def _flange(a: Assessment, rows: Ints) -> tuple[Floats, Floats]:
    """(H,) elevation of each flange before the job, and its error; where only profiles are known, there is none."""
    h, inputs = a.inputs.hydrants, a.inputs
    before, before_sd = a.change.before.copy(), a.change.before_sd.copy()
    ask = rows[np.isnan(before[rows])]
    if len(ask):  # nobody needed it where the design leaves the ground as it is
        heights = inputs.before.heights(h.x[ask], h.y[ask])
        before[ask], before_sd[ask] = heights.z, heights.sd
    if inputs.before_ground.bare:
        before[:] = np.nan
    measured = inputs.field.clearance_sd if inputs.field is not None else _measured_sd(inputs.plan)
    middle = np.where(np.isfinite(h.clearance), h.clearance, _middle(inputs.plan))
    own = np.where(np.isfinite(h.clearance), measured, _spread(inputs.plan))
    surveyed = np.isfinite(h.flange)
    flange_sd = inputs.field.flange_sd if inputs.field is not None else _flange_sd(inputs.plan)
    shared = inputs.plan.before.shared.metres if inputs.plan.before else 0.0
    by_ground = np.sqrt(np.square(own) + np.square(np.nan_to_num(before_sd)) + shared**2)
    return np.where(surveyed, h.flange, before + middle), np.where(surveyed, flange_sd, by_ground)


def _middle(plan: Plan) -> float:
    return (plan.policy.clearance_min.metres + plan.policy.clearance_max.metres) / 2


def _spread(plan: Plan) -> float:
    """Standard deviation of a clearance that is only assumed: uniform over the window and its spread."""
    half = (plan.policy.clearance_max.metres - plan.policy.clearance_min.metres) / 2
    return float((half + plan.policy.clearance_spread.metres) / np.sqrt(3))


def _measured_sd(plan: Plan) -> float:
    return (plan.hydrants.clearance.sd if plan.hydrants.clearance else plan.measuring_sd).metres


def _flange_sd(plan: Plan) -> float:
    """How well flanges are surveyed."""
    if plan.measurements is not None:
        return plan.measurements.flange_sd.metres
    return plan.hydrants.flange_elevation.sd.metres if plan.hydrants.flange_elevation else 0.02 * 0.3048


def _design_sd(a: Assessment) -> Floats:
    """(H,) error of the design ground: what of the change's error is not the old ground's, and the shared one."""
    plan, change = a.inputs.plan, a.change
    own = np.sqrt(np.maximum(np.square(change.own_sd) - np.square(change.before_sd), 0.0))
    own = np.where(np.isfinite(own), own, plan.after.sd.metres)
    shared = plan.before.shared.metres if plan.before else 0.0
    before = np.hypot(np.nan_to_num(change.before_sd), shared)
    return np.where(change.unchanged, before, np.hypot(own, plan.after.shared.metres))


def _found(a: Assessment, planned: Planned, asbuilt: AsBuilt, visits: Sequence[Visit]) -> Found:
    plan = a.inputs.plan
    n = len(a)

    def column(name: str) -> Floats:
        return np.array([getattr(v, name) for v in visits], dtype=np.float64)

    flange = np.where(np.isfinite(asbuilt.flange), asbuilt.flange, column("flange"))
    done: Bools = np.array([v.done for v in visits], dtype=bool)
    put_in, taken_out = column("put_in"), column("taken_out")
    seen, now_in, now_out = _seen_fitted(a.inputs.hydrants.fitted, planned, column("fitted"))
    seen &= ~done
    return Found(
        ground=asbuilt.ground,
        ground_sd=asbuilt.ground_sd,
        flange=flange,
        flange_sd=np.full(n, _flange_sd(plan)),
        clearance=column("clearance"),
        clearance_sd=np.full(n, plan.measuring_sd.metres),
        height=column("height"),
        done=done | seen,
        put_in=np.where(seen, now_in, put_in),
        taken_out=np.where(seen, now_out, taken_out),
    )


def _seen_fitted(before: Floats, planned: Planned, now: Floats) -> tuple[Bools, Floats, Floats]:
    """(H,) whether a measurement since the job began shows that work was done, and the lengths put in and taken out.

    before, now: the whole length fitted, NaN unknown. It does where another length is fitted than was; where nobody
    knew what was fitted, only the very length that was to be put in does.
    """
    raised = now - before
    with np.errstate(invalid="ignore"):
        as_planned = np.abs(raised - (planned.new - planned.out)) <= SAME
        other = np.abs(raised) > SAME
        alone = np.isnan(before) & (planned.new > SAME) & (np.abs(now - planned.new) <= SAME)
    seen = other | alone
    exchanged = before > SAME
    put_in = np.where(alone | as_planned, planned.new, np.where(exchanged, now, raised))
    taken_out = np.where(alone | as_planned, planned.out, np.where(exchanged, before, 0.0))
    return seen, put_in, taken_out
