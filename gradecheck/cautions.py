"""Cautions: codes with what each means to the engineer and the crew. Pure."""

from __future__ import annotations

import numpy as np

from gradecheck.probability import Bools, Ints

MEANING: dict[str, str] = {
    "fill_over_review": "The ground rises more than fill_review: no longer an extension job only; "
    "mains and lateral to be reviewed.",
    "cut_over_review": "The ground falls more than cut_review: loss of cover over lateral and main to be reviewed.",
    "cover_below_min": "Cover over the branch pipe would be less than cover_min.",
    "extension_unknown": "What extension is fitted already is not known; taken as none. Look before ordering.",
    "cover_not_checked": "The ground falls, and cover over the branch pipe could not be checked.",
    "clearance_assumed": "Clearance today was not measured; it is taken as anywhere in the owner's window.",
    "beyond_design": "Beyond the design: the ground is taken as unchanged.",
    "missed_by_reach": "No job reaches it, yet the ground changes here by more than the dressing: is the reach right?",
    "dress": "Ends outside the window but within the dressing: dress the ground at the hydrant by hand.",
    "off_before": "Outside the window already today, before the job: whose cost is it?",
    "outlet_low": "An outlet ends lower than outlet_min.",
    "outlet_high": "An outlet ends higher than outlet_max.",
    "second_extension": "Two or more extensions would stand on this hydrant.",
    "curb_near": "The position error alone moves the change by more than the dressing: a curb or wall is near.",
    "valve_box": "The branch valve's box moves with the ground too: adjust it.",
    "heights_disagree": "Surveyed flange elevation and measured clearance differ by more than 3 sd.",
    "setback_doubt": "It may stand in the new pavement or too near its edge: measure the offset named in the reason.",
    "roads_disagree": "Two roads of the design give heights here that differ by more than the window: see the source.",
    "window_empty": "The clearance window and the outlet rule have nothing in common; the outlet rule was set aside.",
    "no_id": "The row has no id; one was made up from its place in the layer.",
    "repeated_id": "The id stands on several hydrants; '#2', '#3' was added to tell them apart.",
    "unreadable_value": "A value in a mapped column could not be read and is taken as unknown.",
    "measured_before_ground": "Its height was measured before the existing ground was surveyed: measure again.",
    "measured_otherwise": "A field measurement contradicts the layer (heights by more than 3 sd, or the length "
    "fitted); the newer counts.",
    "measured_twice": "Measured differently on one day; the later row counts.",
}

CODES = tuple(MEANING)
HOLDING = ("fill_over_review", "cut_over_review", "cover_below_min", "extension_unknown")
"""Cautions under which nothing is firm."""
TO_REVIEW = ("fill_over_review", "cut_over_review", "cover_below_min")
"""Those of them that no look at the hydrant settles: an engineer must agree before a crew starts."""


def flag(code: str, rows: Bools) -> Ints:
    """The bit of one caution on the rows that have it."""
    return np.where(rows, 1 << CODES.index(code), 0).astype(np.int64)


def any_of(bits: Ints, wanted: tuple[str, ...]) -> Bools:
    """(H,) rows with at least one of the codes."""
    mask = sum(1 << CODES.index(c) for c in wanted)
    return np.asarray((bits & mask) != 0)


def places(bits: int) -> list[int]:
    """Where in `CODES` the cautions of one row stand."""
    return [i for i in range(len(CODES)) if bits >> i & 1]


def codes(bits: int) -> list[str]:
    """The cautions of one row.

    >>> codes(0b101)
    ['fill_over_review', 'cover_below_min']
    """
    return [CODES[i] for i in places(bits)]


def as_text(bits: Ints) -> list[str | None]:
    """Codes joined by ';', None for none."""
    unique, inverse = np.unique(bits, return_inverse=True)
    texts = [";".join(codes(b)) or None for b in unique.tolist()]
    return [texts[i] for i in inverse.tolist()]


def counts(bits: Ints) -> dict[str, int]:
    """How many rows have each caution, those that occur."""
    found: dict[str, int] = {}
    for i, code in enumerate(CODES):
        n = int(((bits >> i) & 1).sum())
        if n:
            found[code] = n
    return found
