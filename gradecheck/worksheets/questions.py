"""What is left to an engineer: hydrants without a sheet until it is decided, and sheets that wait for a word. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from gradecheck import cautions
from gradecheck.assessment import Assessment
from gradecheck.decision import Action
from gradecheck.worksheets import words


@dataclass(frozen=True, slots=True)
class Question:
    """A row of the engineer's list. reason: what was found; decide: what must be decided.

    sheet: the number of its sheet, where it has one that waits for this; else 0.
    """

    row: int
    hydrant_id: str
    job: str
    street: str
    action: str
    reason: str
    decide: str
    note: str
    sheet: int = 0


def waits(a: Assessment, row: int, kind: str) -> bool:
    """Work on the barrel or the ground that an engineer has not agreed to: not measuring, nor what was reviewed."""
    asks = bool(cautions.any_of(a.cautions[row : row + 1], cautions.TO_REVIEW)[0])
    return asks and kind != Action.measure.name and not bool(a.counted.reviewed[row])


def job_name(a: Assessment, row: int) -> str:
    """The job's name; a reviewer may want something done where no job is."""
    number = int(a.job[row])
    return a.inputs.jobs.names[number] if number >= 0 else "none"


def question(a: Assessment, row: int) -> Question:
    """A hydrant that has no sheet until somebody decides."""
    action = Action(int(a.counted.decision.action[row]))
    edit = a.review.at[row]
    reviewed = bool(a.counted.reviewed[row])
    reason = a.reasons[row].replace("clearance", "flange height")
    if more := _to_review(a, row):
        reason += " Also: " + " ".join(cautions.MEANING[code] for code in more)
    return Question(
        row=row,
        hydrant_id=a.inputs.hydrants.id[row],
        job=job_name(a, row),
        street=a.inputs.hydrants.street[row] or "",
        action=action.name,
        reason=f"By review. Computed: {reason}" if reviewed else reason,
        decide=words.TO_DECIDE[action],
        note=(edit.note or "") if edit is not None else "",
    )


def _to_review(a: Assessment, row: int) -> list[str]:
    """The cautions of a hydrant that an engineer must agree to."""
    return [c for c in cautions.codes(int(a.cautions[row])) if c in cautions.TO_REVIEW]


def held(a: Assessment, row: int, kind: str, number: int) -> Question:
    """A hydrant whose sheet, of that kind and number, waits for an engineer."""
    edit = a.review.at[row]
    codes = _to_review(a, row)
    return Question(
        row=row,
        hydrant_id=a.inputs.hydrants.id[row],
        job=job_name(a, row),
        street=a.inputs.hydrants.street[row] or "",
        action=kind,
        reason=a.reasons[row].replace("clearance", "flange height"),
        decide=" ".join(words.HELD[code] for code in codes),
        note=(edit.note or "") if edit is not None else "",
        sheet=number,
    )
