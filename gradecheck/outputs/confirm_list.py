"""`acceptance.xlsx`: a list to sign, a sheet a job: what was planned, what stands, in the window or not."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from gradecheck.confirmation import Rests, State
from gradecheck.confirming import Confirmation
from gradecheck.outputs.confirm_rows import STATE_WORDS, differs_words, done_words, planned_words, why_words
from gradecheck.outputs.order_files import FORMATS, HEAD, Column, Sheet, workbook_at
from gradecheck.units import METRES, paper_of, show

_COLUMNS: tuple[Column, ...] = (
    ("number", "No.", 5, "count"),
    ("hydrant_id", "Hydrant", 13, "text"),
    ("street", "Street", 15, "text"),
    ("planned", "Planned", 17, "text"),
    ("done", "Done", 19, "text"),
    ("clearance", "Clearance ({u})", 10, "height"),
    ("rests", "Known by", 10, "text"),
    ("verdict", "In the window?", 15, "text"),
    ("remarks", "Remarks", 33, "text"),
    ("initials", "Initials", 10, "box"),
)
_BOX = {"border": 1, "valign": "top"}
_HEIGHTS = {"in": "0.00", "ft": "0.00", "mm": "0", "cm": "0.0", "m": "0.000"}
_ROW = 22
"""Points of a row at least: room to write initials."""
_NOT_IN_A_NAME = re.compile(r"[\[\]:*?/\\\x00-\x1f]")


@dataclass(frozen=True, slots=True)
class _Texts:
    """Words of every hydrant, (H,) each."""

    planned: Sequence[str]
    done: Sequence[str]
    differs: Sequence[str]
    why: Sequence[str]


def write_acceptance(c: Confirmation, path: Path, today: date, paper: str | None = None) -> None:
    """Write the workbook. paper: "letter" or "a4"; None: Letter with inches and feet, else A4. Raises OSError."""
    unit = c.assessment.inputs.plan.output.unit
    kinds = {**FORMATS, "box": _BOX, "plain": {}, "height": {"num_format": _HEIGHTS[unit], "valign": "top"}}
    texts = _Texts(planned_words(c), done_words(c), differs_words(c), why_words(c))
    taken: set[str] = set()
    with workbook_at(path, _title(c), today) as out:
        formats = {name: out.add_format(kind) for name, kind in kinds.items()}
        for job, rows in _by_job(c):
            sheet = Sheet(out.add_worksheet(_sheet_name(job, taken)), formats, unit, paper_of(unit, paper))
            _job_sheet(sheet, c, job, rows, texts, today)


def _title(c: Confirmation) -> str:
    name = c.assessment.inputs.plan.project.name
    return f"Hydrants for acceptance: {name}" if name else "Hydrants for acceptance"


def _by_job(c: Confirmation) -> list[tuple[str, list[int]]]:
    """Rows of every job in the plan's order, those that no job reaches last; one empty sheet where there is none."""
    job = c.assessment.job
    names = c.assessment.inputs.jobs.names
    found = [(name, [r for r in c.rows.tolist() if job[r] == j]) for j, name in enumerate(names)]
    found.append(("no job", [r for r in c.rows.tolist() if job[r] < 0]))
    return [(name, rows) for name, rows in found if rows] or [("no hydrants", [])]


def _sheet_name(job: str, taken: set[str]) -> str:
    """A name that a spreadsheet takes: 31 characters, some not allowed, none twice.

    >>> taken = set()
    >>> [_sheet_name(job, taken) for job in ("A/B: 1", "a_b_ 1", "'", "History")]
    ['A_B_ 1', 'a_b_ 1 (2)', 'job', 'History_']
    """
    stem = _NOT_IN_A_NAME.sub("_", job).strip("' ")[:31].strip("' ") or "job"
    stem = f"{stem}_" if stem.lower() == "history" else stem
    name, n = stem, 1
    while name.lower() in taken:
        n += 1
        name = f"{stem[: 31 - len(f' ({n})')]} ({n})"
    taken.add(name.lower())
    return name


def _job_sheet(sheet: Sheet, c: Confirmation, job: str, rows: list[int], texts: _Texts, today: date) -> None:
    a = c.assessment
    policy, unit = a.inputs.plan.policy, a.inputs.plan.output.unit
    start = a.inputs.jobs.starts.get(job)
    low, high = show(policy.clearance_min.metres, unit), show(policy.clearance_max.metres, unit)
    sheet.notes([
        f"{_title(c)}, job {job}",
        f"Confirmed {today.isoformat()}" + (f"; the job was to start {start.isoformat()}." if start else "."),
        f"Window: break flange {low} to {high} above the ground as built, less where the outlet rule asks for it; "
        f"{show(policy.dressing.metres, unit)} more may be dressed by hand.",
        "Known by: measured in the field; surveyed (flange and ground as built); planned (flange as planned over the "
        "ground as built); assumed (flange never measured).",
        "Initial each row in the field. Rows that need work first are not to be signed.",
    ])  # fmt: skip
    sheet.head(_COLUMNS)
    sheet.put(HEAD, len(_COLUMNS) - 1, "Initials", "head")
    row = HEAD
    for number, i in enumerate(rows, start=1):
        row += 1
        sheet.sheet.set_row(row, _ROW)
        styles = [style for _, _, _, style in _COLUMNS]
        urgent = bool(c.visits[i].dangers) or State(int(c.confirmed.state[i])) not in (State.stands, State.dress)
        if urgent:
            styles[7] = "late"
        sheet.row(row, 0, _values(c, i, number, texts), styles)
    row = _total(sheet, c, rows, row + 2)
    _sign(sheet, row + 2)
    sheet.for_print(len(_COLUMNS))


def _values(c: Confirmation, i: int, number: int, texts: _Texts) -> list[object]:
    h, k = c.assessment.inputs.hydrants, c.confirmed
    unit = c.assessment.inputs.plan.output.unit
    clearance = float(k.clearance[i])
    rests = Rests(int(k.rests[i]))
    return [
        number,
        h.id[i],
        h.street[i],
        texts.planned[i],
        texts.done[i],
        round(clearance / METRES[unit], 4) if np.isfinite(clearance) else None,
        None if rests is Rests.nothing else rests.name,
        _verdict(c, i, unit),
        _remarks(c, i, texts, unit),
        None,
    ]


def _verdict(c: Confirmation, i: int, unit: str) -> str:
    state, miss = State(int(c.confirmed.state[i])), float(c.confirmed.miss[i])
    if c.visits[i].dangers:
        return "DANGER"
    if state is State.to_do:
        return "NO: to do"
    if state is State.unknown:
        return "not known"
    if state is State.stands:
        return "yes"
    word = "high" if miss > 0 else "low"
    return f"{'dress' if state is State.dress else 'NO'}: {show(abs(miss), unit)} {word}"


def _remarks(c: Confirmation, i: int, texts: _Texts, unit: str) -> str:
    k = c.confirmed
    outlet = {-1: "outlet too low", 0: "", 1: "outlet too high"}[int(k.outlet_off[i])]
    off = float(k.off[i])
    ground = f"ground {show(abs(off), unit)} {'above' if off > 0 else 'below'} design" if k.off_design[i] else ""
    parts = ("; ".join(c.visits[i].dangers), texts.why[i], texts.differs[i], outlet, ground)
    return "; ".join(text for text in (*parts, *c.remarks[i], c.visits[i].note) if text)


def _total(sheet: Sheet, c: Confirmation, rows: list[int], row: int) -> int:
    """How many stand how; returns the last row."""
    count = Counter(State(int(c.confirmed.state[i])) for i in rows)
    sheet.band(row, len(_COLUMNS), "sum_label", f"Total: {len(rows)} hydrant{'' if len(rows) == 1 else 's'}")
    for state, words in STATE_WORDS.items():
        if count[state]:
            row += 1
            sheet.put(row, 0, count[state], "count")
            sheet.put(row, 1, f"  {state.name.replace('_', ' ')}: {words}", "plain")
    return row


def _sign(sheet: Sheet, row: int) -> None:
    """Two lines to sign on: name, signature, date."""
    for k, who in enumerate(("Checked in the field", "Accepted for the owner")):
        at = row + 2 * k
        sheet.sheet.set_row(at, 24)
        sheet.put(at, 0, who, "plain")
        for first, last, label in ((3, 4, "Name"), (5, 7, "Signature"), (8, 9, "Date")):
            for column in range(first, last + 1):
                sheet.put(at, column, label if column == first else None, "line")
