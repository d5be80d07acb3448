"""What is said of hydrants, in the cases that a whole town seldom has."""

from __future__ import annotations

import numpy as np
import pytest

from gradecheck import surfaces
from gradecheck.change import GradeChange, grade_change
from gradecheck.clearance import Errors, clearances
from gradecheck.decision import Action, decide
from gradecheck.provenance import after_sources, before_sources, why_missing
from gradecheck.reasons import reasons, setback_text
from gradecheck.surfaces import design
from tests.cases import atoms, flat, hydrants, open_design, policy


def test_a_hydrant_across_a_strip_that_is_narrower_than_its_place_is_known_to() -> None:
    # Farther from the edge than is asked for, and yet the pavement on either side may well hold it.
    assert setback_text(1.0, 0.6096, "ft", sure=True) == (
        "3.28 ft from the new pavement's edge, too near for how well its place is known"
    )
    assert setback_text(0.3048, 0.3048 * 1.5, "ft", sure=True).endswith("1.5 ft are needed")
    assert setback_text(0.1, 0.3048, "ft").endswith("1 ft is needed")


def change_of(n: int) -> GradeChange:
    x = np.arange(n, dtype=float)
    return grade_change(flat(10.0), open_design(flat(11.0)), x, x, 0.0, np.zeros(n, dtype=bool))


def test_no_length_fits_where_the_place_itself_is_too_high_and_its_surroundings_fall_between_lengths() -> None:
    # Sold 12. At the point 8 in; 0.95 of the places about it lie at -3, in the gap from -5 to 1.
    rules = policy()
    cases = hydrants([8.0], lengths=(12,), ground=atoms([(0, 0.05, 0.01), (11, 0.95, 0.01)]))
    decision = decide(cases, rules)
    assert Action(int(decision.action[0])) == Action.between_lengths
    change = change_of(1)
    none = np.full(1, np.nan)
    clearance = clearances(change, none, none, np.zeros(1), rules, Errors(0.0, 0.0, 0.0, 0.0, 0.0))
    (said,) = reasons(cases, clearance, decision, rules, "in", [""], [""])
    assert "it falls between two lengths: one leaves it too low, the next too high" in said


@pytest.mark.parametrize(
    ("source", "code", "words"),
    [
        (surfaces.PAST_END, design.SHORT, f"{design.WHY[design.SHORT]}: {surfaces.WHY[surfaces.PAST_END]}"),
        (surfaces.OFF_SECTION, design.SHORT, f"{design.WHY[design.SHORT]}: {surfaces.WHY[surfaces.OFF_SECTION]}"),
        (surfaces.PAST_END, design.UNCHANGED, design.WHY[design.UNCHANGED]),
        (surfaces.OUTSIDE, design.SHORT, design.WHY[design.SHORT]),
        (surfaces.IMPLAUSIBLE, design.SHORT, surfaces.WHY[surfaces.IMPLAUSIBLE]),
        (surfaces.UNREADABLE, design.SHORT, surfaces.WHY[surfaces.UNREADABLE]),
    ],
)
def test_why_a_design_is_silent_names_its_end_and_what_ended_it(source: int, code: int, words: str) -> None:
    change = change_of(2)
    change.after_source[0], change.silence[0], change.after[0], change.change[0] = source, code, np.nan, np.nan
    rows = np.array([1, 0])
    known = change.after_names[0]
    assert after_sources(change, np.ones(2, dtype=bool), rows) == [known, words]
    assert after_sources(change, np.zeros(2, dtype=bool), rows) == [None, None]
    assert before_sources(change, np.ones(2, dtype=bool), rows) == [change.before_names[0], None]
    assert why_missing(change, 0).endswith(words)
    assert why_missing(change, 1) == ""
