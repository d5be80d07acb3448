"""Where a slope meets the existing ground, against equations solved by hand and SciPy's root finder."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from gradecheck.roads.ties import meeting, meeting_bracket


def found(gap, far, spacing=0.5):
    def of(rows, away):
        return gap(away)

    return meeting(of, *meeting_bracket(of, np.array([float(far)]), spacing))[0]


def test_a_slope_over_level_ground_ends_where_the_height_is_used_up() -> None:
    # 1.2 m of fill at 1 in 3: 3.6 m out.
    assert found(lambda t: 1.2 - t / 3, 10) == pytest.approx(3.6, abs=1e-4)
    assert np.isinf(found(lambda t: 1.2 - t / 3, 3.5))


def test_the_first_of_several_meetings_counts() -> None:
    def gap(t):
        return np.cos(t) + 0.1 * t

    assert found(gap, 30) == pytest.approx(brentq(gap, 1, 2.5), abs=1e-4)


def test_where_there_is_no_gap_at_all_it_ends_at_once() -> None:
    assert found(lambda t: t * 0.0, 10) == 0.0


def test_unknown_ground_before_the_meeting_leaves_it_unknown_and_after_it_does_not() -> None:
    assert np.isnan(found(lambda t: np.where(t > 2, np.nan, 1.2 - t / 3), 10))
    assert found(lambda t: np.where(t > 5, np.nan, 1.2 - t / 3), 10) == pytest.approx(3.6, abs=1e-4)
    assert np.isnan(found(lambda t: t * np.nan, 10))


def test_rays_of_many_lengths_are_each_followed_to_their_own_end() -> None:
    random = np.random.default_rng(4)
    height, slope, far = random.uniform(-2, 2, 500), random.uniform(0.1, 1, 500), random.uniform(0.0, 12, 500)

    def gap(rows, away):
        return height[rows] - np.sign(height[rows]) * slope[rows] * away

    expected = np.where(np.abs(height) / slope <= far, np.abs(height) / slope, np.inf)
    got = meeting(gap, *meeting_bracket(gap, far, 0.5))
    assert (np.isinf(got) == np.isinf(expected)).all()
    assert got[np.isfinite(got)] == pytest.approx(expected[np.isfinite(expected)], abs=1e-4)


def test_no_rays_meet_nothing() -> None:
    low, high = meeting_bracket(lambda rows, away: away, np.zeros(0), 0.5)
    assert len(low) == len(high) == len(meeting(lambda rows, away: away, low, high)) == 0
