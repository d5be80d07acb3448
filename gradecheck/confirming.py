"""The plan computed again, the survey and the crews' rows, brought to one confirmation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np

from gradecheck.asbuilt import AsBuilt, Given, open_asbuilt
from gradecheck.assessment import Assessment
from gradecheck.confirmation import SAME, Confirmed, Found, Planned, confirm
from gradecheck.crews import FIELD, NOTHING, Crews, crews, sold, visits
from gradecheck.decision import OPEN, Action
from gradecheck.errors import Finding, InputError
from gradecheck.fieldbook import Book
from gradecheck.fieldwork import row_reading
from gradecheck.formats.field_rows import read_field_rows
from gradecheck.plan import Plan
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.sifting import Sifted, idle, sift
from gradecheck.units import show
from gradecheck.validation import nearest
from gradecheck.workdone import Kit, Meant, Visit, kits, visit

_HOW = "by --date-order mdy or --date-order dmy"


@dataclass(frozen=True, slots=True)
class Confirmation:
    """What stands against what was planned, (H,) each where not said otherwise.

    found: without what is not final. rows: hydrants that a job reaches or that crews wrote of, dangers first, then in
    the layer's order. visits: by hydrant. remarks: in words, what crews wrote that does not fit together, or what was
    computed. astray: dangers at ids that no hydrant has, or in rows without one. kits: parts ordered and used. files:
    role and path of what was read beside the plan's inputs. notes, assumed: what must be said aloud.
    """

    assessment: Assessment
    asbuilt: AsBuilt
    planned: Planned
    found: Found
    confirmed: Confirmed
    visits: tuple[Visit, ...]
    rows: Ints
    remarks: tuple[tuple[str, ...], ...]
    astray: tuple[tuple[str, str], ...]
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
        return [*mine, *self.astray]


def read_rows(plan: Plan, paths: Sequence[str], date_order: str | None = None) -> tuple[Book, ...]:
    """The crews' files that the command names; date_order: "mdy" or "dmy", None as the plan says.

    Raises InputError with the findings of all of them.
    """
    if date_order not in (None, "mdy", "dmy"):
        what = f"{date_order!r} is no order of month, day and year"
        raise InputError(Finding("--date-order", what, "mdy where 03/04/2027 is in March, dmy where it is in April"))
    reading = row_reading(plan, FIELD)
    reading = replace(reading, order=date_order or reading.order, how=_HOW)
    books: list[Book] = []
    findings: list[Finding] = []
    for path in paths:
        try:
            books.append(read_field_rows(Path(path), Path(path).as_posix(), reading))
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
    wrote = crews(a, books)
    notes.extend(wrote.notes)
    near = asked if jobs else asked | np.isin(np.arange(len(a)), list(wrote.wrote))
    asbuilt = open_asbuilt(inputs, given, np.flatnonzero(near).astype(np.int64), a.change.after)
    said = visits(a, wrote, _meant(a), asbuilt.days, notes)
    told = np.array([v is not NOTHING for v in said], dtype=bool)
    rows = np.flatnonzero(asked if jobs else asked | told).astype(np.int64)
    planned = _planned(a, rows)
    sifted, stale = _sifted(planned, asbuilt, said, _found(a, planned, asbuilt, said))
    confirmed = confirm(planned, sifted.found, inputs.plan.policy)
    words = _disagreements(sifted, stale, inputs.plan.output.unit)
    remarks = tuple((*v.said, *more) for v, more in zip(said, words, strict=True))
    notes += [f"{inputs.hydrants.id[r]}: {text}" for r in rows.tolist() for text in remarks[r]]
    danger = np.array([not v.dangers for v in said], dtype=bool)
    return Confirmation(
        assessment=a,
        asbuilt=asbuilt,
        planned=planned,
        found=sifted.found,
        confirmed=confirmed,
        visits=said,
        rows=rows[np.argsort(danger[rows], kind="stable")],
        remarks=remarks,
        astray=tuple(wrote.dangers_of_nobody()),
        kits=_kits(a, jobs, [said[r] for r in rows.tolist()], wrote),
        files=(*(("asbuilt", f) for f in asbuilt.files), *(("field", book.shown) for book in books)),
        notes=tuple(dict.fromkeys([*asbuilt.notes, *notes])),
        assumed=tuple(asbuilt.assumed),
    )


def _asked(a: Assessment, jobs: Sequence[str]) -> Bools:
    """(H,) hydrants that the jobs reach; all jobs where none is named. Raises InputError on a name that is none."""
    names = a.inputs.jobs.names
    lost = [job for job in jobs if job not in names]
    if lost:
        raise InputError([Finding("--job", f"no such job: {job!r}", nearest(job, names)) for job in lost])
    wanted = [j for j, name in enumerate(names) if not jobs or name in jobs]
    return np.isin(a.job, wanted)


def _kits(a: Assessment, jobs: Sequence[str], said: Sequence[Visit], wrote: Crews) -> tuple[Kit, ...]:
    parts = sold(a)
    return kits(_ordered(a, jobs), [*said, *(visit([e], "", parts) for e in wrote.lost)])


def _ordered(a: Assessment, jobs: Sequence[str]) -> dict[str, tuple[str, int, int]]:
    """By part: description, pieces to have and to buy over the jobs; extensions only, as crews write nothing else."""
    found: dict[str, tuple[str, int, int]] = {}
    for line in a.order:
        if line.length is not None and line.part_number is not None and (not jobs or line.job in jobs):
            text, have, buy = found.get(line.part_number, (line.description, 0, 0))
            found[line.part_number] = text, have + line.quantity_order, buy + (line.quantity_buy or 0)
    return found


# -- what was planned -------------------------------------------------------------------------------------------


def _lengths(a: Assessment) -> tuple[Floats, Floats, Floats]:
    """(H,) lengths put in and taken out, and the raise, of the best choice; 0 for none."""
    d = a.counted.decision
    return np.nan_to_num(d.new), np.nan_to_num(d.out), np.nan_to_num(d.rise)


def _meant(a: Assessment) -> list[Meant]:
    """(H,) the work that was planned."""
    new, out, _ = _lengths(a)
    is_open = np.isin(a.counted.decision.action, OPEN).tolist()
    return [
        Meant(left=True) if left else Meant(n, o)
        for n, o, left in zip(new.tolist(), out.tolist(), is_open, strict=True)
    ]


def _planned(a: Assessment, rows: Ints) -> Planned:
    d, change, h = a.counted.decision, a.change, a.inputs.hydrants
    flange, flange_sd = _flange(a, rows)
    new, out, rise = _lengths(a)
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
    c, errors = a.clearance, inputs.errors
    surveyed = np.isfinite(h.flange)
    by_ground = np.sqrt(
        np.square(c.sd) + np.square(c.spread) / 3 + np.square(np.nan_to_num(before_sd)) + errors.before_shared**2
    )
    return np.where(surveyed, h.flange, before + c.before), np.where(surveyed, errors.surveyed, by_ground)


def _design_sd(a: Assessment) -> Floats:
    """(H,) error of the design ground: its own, and the shared one; the old ground's where that is left as it is."""
    change, errors = a.change, a.inputs.errors
    shared = np.where(change.unchanged, errors.before_shared, errors.after_shared)
    return np.asarray(np.hypot(np.nan_to_num(change.after_sd), shared))


# -- what was found --------------------------------------------------------------------------------------------


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
        flange_sd=np.full(n, plan.surveying_sd.metres),
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


def _sifted(planned: Planned, asbuilt: AsBuilt, said: Sequence[Visit], found: Found) -> tuple[Sifted, list[str]]:
    """What is final, and in words (H,) flanges of the survey that the work came after."""
    surveyed = np.isfinite(asbuilt.flange)
    stale = [""] * len(said)
    flange = found.flange.copy()
    for i in np.flatnonzero(surveyed).tolist():
        day, work = asbuilt.days[i], said[i].work_on
        if day is not None and work is not None and day < work:
            stale[i] = f"flange surveyed {day.isoformat()}, before the work of {work.isoformat()}, is not final"
            flange[i] = said[i].flange
    surveyed &= np.array([not text for text in stale], dtype=bool)
    found = replace(found, flange=flange)
    waits = idle(planned, found)
    by_fitted = found.done & ~np.array([v.done for v in said], dtype=bool)
    pairs = list(zip(said, by_fitted.tolist(), strict=True))
    rule = np.array(["clearance" in v.doubtful or (by and _before(v.clearance_on, v)) for v, by in pairs], dtype=bool)
    level = np.array(["flange" in v.doubtful or (by and _before(v.flange_on, v)) for v, by in pairs], dtype=bool)
    return sift(planned, found, (waits | level) & ~surveyed, waits | rule), stale


def _before(day: date | None, v: Visit) -> bool:
    """Whether a height is older than the measurement that first shows the length fitted."""
    return day is not None and v.fitted_on is not None and day < v.fitted_on


def _disagreements(s: Sifted, stale: Sequence[str], unit: str) -> list[list[str]]:
    """(H,) in words, heights that contradict the computed ones, and which of the two counts."""
    texts = [[f"heights_disagree: {text}: survey it again"] if text else [] for text in stale]
    for i in np.flatnonzero(s.clearance_off).tolist():
        was, computed = (show(float(v[i]), unit) for v in (s.given.clearance, s.clearance))
        what = f"clearance measured {was}, computed {computed}"
        texts[i].append(f"heights_disagree: {what}{_verdict(bool(s.clearance_dropped[i]))}")
    for i in np.flatnonzero(s.flange_off).tolist():
        off = float(s.given.flange[i] - s.flange[i])
        what = f"flange found {show(abs(off), unit)} {'above' if off > 0 else 'below'} where it is computed to be"
        texts[i].append(f"heights_disagree: {what}{_verdict(bool(s.flange_dropped[i]))}")
    return texts


def _verdict(dropped: bool) -> str:
    if dropped:
        return ", and maybe before the work or the paving: not final; measure again, or write the work that was done"
    return "; what was found counts: check both"
