"""Which choices a hydrant has: judged by hand and by an enumeration written from the contract (tests/cases.py)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gradecheck.choices import Choices, choices
from tests.cases import IN, Option, possible


def in_inches(found: Choices) -> dict[float, Option]:
    """The package's choices by raise, as the judge's options."""
    lengths = [round(v / IN, 6) for v in found.lengths]
    return {
        round(float(found.rise[j]) / IN, 6): Option(
            tuple(lengths[i] for i in found.pieces[j]), round(float(found.out[j]) / IN, 6), int(found.left[j])
        )
        for j in range(len(found))
    }


def of(lengths: list[float], fitted: float, most: int, longest: float | None = None) -> dict[float, Option]:
    metres = None if longest is None else longest * IN
    return in_inches(choices([v * IN for v in lengths], fitted * IN, most, metres))


def test_a_bare_hydrant_may_be_left_or_get_one_length() -> None:
    assert of([6, 12, 30], 0, 1) == {
        0: Option((), 0, 0),
        6: Option((6,), 0, 1),
        12: Option((12,), 0, 1),
        30: Option((30,), 0, 1),
    }


def test_with_one_extension_allowed_a_fitted_one_can_only_be_exchanged_or_taken_out() -> None:
    assert of([6, 18], 12, 1) == {
        -12: Option((), 12, 0),
        -6: Option((6,), 12, 1),
        0: Option((), 0, 1),
        6: Option((18,), 12, 1),
    }


def test_a_fitted_length_leaves_room_for_one_less() -> None:
    # Two allowed, one fitted: one more of 6 or 10, no stack of two.
    assert of([6, 10], 16, 2) == {
        -16: Option((), 16, 0),
        -10: Option((6,), 16, 1),
        -6: Option((10,), 16, 1),
        0: Option((), 0, 1),
        6: Option((6,), 0, 2),
        10: Option((10,), 0, 2),
    }


def test_a_length_may_repeat_in_a_stack() -> None:
    found = of([5, 8], 0, 3)
    assert found[10].pieces == (5, 5)
    assert found[18].pieces == (8, 5, 5)
    assert found[24].pieces == (8, 8, 8)
    assert sorted(found) == [0, 5, 8, 10, 13, 15, 16, 18, 21, 24]


def test_one_piece_is_preferred_to_a_stack_of_the_same_raise() -> None:
    assert of([6, 12, 18, 24], 0, 2)[24].pieces == (24,)


def test_of_two_stacks_of_the_same_raise_the_longer_first_piece_is_preferred() -> None:
    assert of([6, 12, 18], 0, 2)[24].pieces == (18, 6)


def test_an_exchange_is_preferred_to_a_second_extension_of_the_same_raise() -> None:
    # Fitted 12, raise 6: add 6 leaves two, exchange for 18 leaves one.
    assert of([6, 18], 12, 2)[6] == Option((18,), 12, 1)


def test_leaving_it_is_preferred_to_exchanging_it_for_the_same_length() -> None:
    assert of([6, 12], 12, 1)[0] == Option((), 0, 1)


def test_new_length_stays_within_the_most_that_may_be_added() -> None:
    assert sorted(of([6, 12, 18], 0, 2, longest=18)) == [0, 6, 12, 18]
    assert sorted(of([6, 12, 18], 0, 2, longest=17.9)) == [0, 6, 12]


def test_pieces_are_listed_longest_first() -> None:
    assert of([4, 9, 7], 0, 3)[20].pieces == (9, 7, 4)


@given(
    lengths=st.lists(st.integers(8, 400), min_size=1, max_size=5, unique=True),
    fitted=st.one_of(st.just(0), st.integers(8, 400)),
    most=st.integers(1, 4),
    longest=st.one_of(st.none(), st.integers(8, 900)),
)
@settings(max_examples=250, deadline=None)
def test_every_choice_is_there_once_and_the_preferred_one_stands_for_its_raise(
    lengths: list[int], fitted: int, most: int, longest: int | None
) -> None:
    """Lengths in whole eighths of an inch against plain enumeration."""
    eighths = [v / 8 for v in sorted(lengths)]
    limit = np.inf if longest is None else longest / 8
    expected: dict[float, Option] = {}
    for option in possible(eighths, fitted / 8, most, limit):
        best = expected.get(option.rise)
        if best is None or option.preference < best.preference:
            expected[option.rise] = option
    found = choices([v * IN for v in eighths], fitted / 8 * IN, most, None if longest is None else longest / 8 * IN)
    shown = in_inches(found)
    assert sorted(shown) == sorted(expected)
    assert np.all(np.diff(found.rise) > 0)
    for rise, option in expected.items():
        assert shown[rise].preference == option.preference
        assert shown[rise].rise == pytest.approx(rise, abs=1e-5)
        assert shown[rise].out == option.out
    assert np.allclose(found.new - found.out, found.rise, atol=1e-12)
    ranked = [list(shown.values())[j].preference for j in np.argsort(found.rank)]
    assert ranked == sorted(ranked)


@pytest.mark.parametrize("parts_of_an_inch", [8, 16, 32])
def test_a_single_piece_wins_over_its_equal_stack_whatever_the_fraction_of_an_inch(parts_of_an_inch: int) -> None:
    # 1/16 in is 1.5875 mm, so that a raise may fall halfway between two micrometres.
    for a in range(1, 60):
        step = 1 / parts_of_an_inch
        first, second = 6 + a * step, 11 + 2 * a * step
        found = of([first, second, first + second], 0, 2)
        assert found[round(first + second, 6)].pieces == (round(first + second, 6),)
