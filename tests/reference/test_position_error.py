"""What an uncertain position does to the grade change, against large random samples of places with a fixed seed.

The grounds are drawn in closed form, so that a sample asks the same ground in a million places. The probability
of an interval is read from the confidence that `decide` states for leaving a hydrant as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from gradecheck.change import GradeChange, grade_change
from gradecheck.decision import Action, Cases, decide
from gradecheck.probability import Mixture
from gradecheck.surfaces.design import UNCHANGED, Design
from tests.cases import IN, NAN, Ground, open_design, policy

Z = Callable[[Any, Any], Any]
CURB = 6 * IN
SAMPLE = 1_000_000


@pytest.fixture(scope="module")
def places() -> np.ndarray[Any, Any]:
    """A million places about a point, (2, n), in sds of the position error."""
    return np.random.default_rng(20270503).standard_normal((2, SAMPLE))


@pytest.fixture(scope="module")
def errors() -> np.ndarray[Any, Any]:
    """A million errors of the surfaces, in their sds."""
    return np.random.default_rng(771).standard_normal(SAMPLE)


def change_about(
    after: Z, points: Any, sd: float, position_sd: float = 1.0, *, before: Z | None = None, design: Design | None = None
) -> GradeChange:
    """The change at points (n, 2); the surfaces' errors are shared out so that together they have `sd`."""
    old = before or (lambda x, y: np.full(len(x), 100.0))
    new = design or open_design(Ground(after, 0.8 * sd))
    x, y = np.asarray(points, dtype=float).T
    return grade_change(Ground(old, 0.6 * sd), new, x, y, position_sd, np.zeros(len(x), dtype=bool))


def states(change: GradeChange, low: float, high: float) -> Any:
    """P(low <= change <= high) for each hydrant, as the confidence that `decide` states; metres.

    A hydrant at clearance 0 with the window -high to -low and nothing that could be done to it but an absurd
    thirty feet: whether decided or not, the confidence is that of leaving it. Nearly certain misses, which get
    another action, are left out as NaN.
    """
    n = len(change)
    cases = Cases(
        clearance_after=-change.change,
        change=change.change,
        ground=change.ground,
        shared=np.zeros((n, 2)),
        clearance_sd=np.zeros(n),
        spread=np.zeros(n),
        family=np.zeros(n, dtype=np.int64),
        lengths=((360 * IN,),),
        fitted=np.zeros(n),
        outlet=np.full(n, NAN),
        outside=np.zeros(n, dtype=bool),
        measure_sd=0.0,
    )
    # Only lengths above zero can be written as a window: everything is lifted by 30 in.
    lift = 30 * IN
    lifted = Cases(
        **{f: getattr(cases, f) for f in cases.__slots__} | {"clearance_after": cases.clearance_after + lift}
    )
    ends = {"clearance_min": f"{lift - high!r} m", "clearance_max": f"{lift - low!r} m"}
    rules = policy(**ends, clearance_target=f"{lift - (low + high) / 2!r} m", dressing=0, confidence=0.999)
    found = decide(lifted, rules)
    stays = np.isin(found.action, (Action.keep, Action.on_site)) & (found.rise == 0)
    return np.where(stays, found.confidence, NAN)


def straight(direction: float, height: float = CURB) -> Z:
    """Ground at 100 m that rises by a step along the line through the origin across `direction`, in radians."""
    cos, sin = np.cos(direction), np.sin(direction)
    return lambda x, y: 100 + np.where(cos * x + sin * y > 0, height, 0.0)


def along(direction: float, offsets: Any) -> Any:
    """Points (n, 2) so far across the step."""
    return np.outer(offsets, [np.cos(direction), np.sin(direction)])


# Uneven, so that no step lies on a line of nodes or mirrors another.
DIRECTIONS = [0.0, 0.11, 0.37, np.pi / 6, 0.83, np.pi / 3, 1.31, np.pi / 2, 2.05, 2.6, 3.03, 3.9, 5.2]
OFFSETS = np.concatenate([np.linspace(-4, 4, 161), [-0.02, -1e-6, 1e-6, 0.02]])


# Metres of change: around either hump, both, the gap between them, half a hump, and the two wide ones of a real
# window (6 in, widened).
WINDOWS = (
    (-0.05, 0.05),
    (0.10, 0.20),
    (-0.06, 0.21),
    (0.03, 0.12),
    (-0.002, 0.16),
    (-0.09, 0.0624),
    (0.0701, 0.2225),
)


@pytest.mark.parametrize("sd", [0.0, 0.05])
@pytest.mark.parametrize("position_sd", [0.3, 1.0, 4.0])
def test_on_a_plane_the_sd_of_the_change_is_the_slope_times_the_position_error(
    places: Any, sd: float, position_sd: float
) -> None:
    # The new ground falls by 3 and 7 %, the old one by 1 and -2 %: they part by 2 and 9 %.
    change = change_about(
        lambda x, y: 100.2 + 0.03 * x + 0.07 * y,
        [[12.0, -5.0], [250.0, 40.0]],
        sd,
        position_sd,
        before=lambda x, y: 100 + 0.01 * x - 0.02 * y,
    )
    sampled = np.std(0.02 * places[0] * position_sd + 0.09 * places[1] * position_sd)
    assert change.position_sd == pytest.approx([sampled] * 2, rel=0.01)
    assert sampled == pytest.approx(np.hypot(0.02, 0.09) * position_sd, rel=0.002)
    assert change.sd(np.zeros(2)) == pytest.approx([np.hypot(sampled, sd)] * 2, rel=0.01)


@pytest.mark.parametrize("height", [CURB, 0.05, 0.6])
@pytest.mark.parametrize("sd", [0.0, 0.01, 0.05, 0.1])
def test_beside_a_straight_step_the_sd_is_within_a_tenth_of_the_step(places: Any, sd: float, height: float) -> None:
    # Whatever the direction, the places' distance across the step is one and the same normal.
    across = np.sort(places[0])
    beyond = 1 - np.searchsorted(across, -OFFSETS, side="right") / SAMPLE
    sampled = height * np.sqrt(np.where(OFFSETS > 0, 1 - beyond, beyond))
    for direction in DIRECTIONS:
        found = change_about(straight(direction, height), along(direction, OFFSETS), sd).position_sd
        worst = int(np.argmax(np.abs(found - sampled)))
        off = abs(found[worst] - sampled[worst]) / height
        assert off <= 0.1, f"direction {direction:.2f}, offset {OFFSETS[worst]:.3f}: off by {off:.3f} of the step"


@pytest.mark.parametrize("sd", [0.0, 0.05])
def test_beside_the_corner_of_a_step_the_sd_is_within_a_tenth_of_the_step(places: Any, sd: float) -> None:
    def corner(x: Any, y: Any) -> Any:
        return 100 + np.where((x > 0.2) & (0.6 * x + 0.8 * y > -0.3), CURB, 0.0)

    points = np.random.default_rng(8).uniform(-2.5, 2.5, (25, 2))
    found = change_about(corner, points, sd).position_sd
    for point, value in zip(points, found, strict=True):
        there = corner(*(point[:, None] + places[:, :250_000]))
        sampled = np.sqrt(np.mean(np.square(there - corner(*point))))
        assert abs(value - sampled) <= 0.1 * CURB


@pytest.mark.parametrize("sd", [0.0, 0.01, 0.05, 0.1])
@pytest.mark.parametrize("direction", [0.0, 0.37, 1.31, 2.6])
def test_beside_a_curb_the_probability_of_an_interval_is_that_of_a_large_sample(
    places: Any, errors: Any, sd: float, direction: float
) -> None:
    offsets = np.array([-3.1, -2.4, -1.7, -1.0, -0.45, -0.1, 0.0, 0.2, 0.6, 1.3, 2.2, 3.4])
    change = change_about(straight(direction), along(direction, offsets), sd)
    stated = {window: states(change, *window) for window in WINDOWS}
    checked = 0
    for i, offset in enumerate(offsets):
        sampled = np.sort(np.where(places[0] + offset > 0, CURB, 0.0) - (CURB if offset > 0 else 0.0) + sd * errors)
        sampled += change.change[i]
        for low, high in WINDOWS:
            share = (np.searchsorted(sampled, high, "right") - np.searchsorted(sampled, low, "left")) / SAMPLE
            value = stated[low, high][i]
            if np.isfinite(value):
                assert value == pytest.approx(share, abs=0.01), f"offset {offset}, {low} to {high} m"
                checked += 1
    assert checked >= 0.6 * len(offsets) * len(WINDOWS)


def test_one_normal_of_the_same_mean_and_sd_would_be_wrong_by_more_than_a_tenth() -> None:
    # Why it is a mixture: at the curb itself, with surfaces good to 1 cm.
    change = change_about(straight(0.37), along(0.37, [0.0]), 0.01)
    two_humps = states(change, -0.05, 0.05)[0]
    middle, sd = CURB / 2, np.hypot(CURB / 2, 0.01)
    one_normal = norm.cdf(0.05, middle, sd) - norm.cdf(-0.05, middle, sd)
    assert two_humps == pytest.approx(0.5, abs=0.01)
    assert abs(two_humps - one_normal) > 0.1


def uneven(x: Any, y: Any) -> Any:
    """A curb with a footway that rises behind it and a gutter that falls to it: no two slopes alike."""
    across = 0.8 * x + 0.6 * y
    return 100 + np.where(across > 0, CURB + 0.03 * across, -0.05 * across) + 0.02 * (0.6 * x - 0.8 * y)


@pytest.mark.parametrize("sd", [0.0, 0.01, 0.05, 0.1])
def test_beside_a_curb_with_slopes_too_the_probability_is_that_of_a_large_sample(
    places: Any, errors: Any, sd: float
) -> None:
    points = np.array([[0.3, -0.9], [-0.8, 0.1], [1.4, 0.6], [-1.9, -0.7]])
    change = change_about(uneven, points, sd)
    for i, point in enumerate(points):
        sampled = uneven(*(point[:, None] + places)) - 100 + sd * errors
        for low, high in ((-0.05, 0.10), (0.02, 0.17), (0.10, 0.2524)):
            share = np.mean((sampled >= low) & (sampled <= high))
            value = states(change, low, high)[i]
            assert np.isnan(value) or value == pytest.approx(share, abs=0.01)


def sampled_shares(values: Any, windows: Any) -> list[float]:
    known = values[np.isfinite(values)]
    return [float(np.mean((known >= low) & (known <= high))) for low, high in windows]


@pytest.mark.parametrize("sd", [0.0, 0.03])
def test_places_without_ground_are_left_out_and_the_others_count_for_them(places: Any, errors: Any, sd: float) -> None:
    # A hole in the design from 0.7 m east on, a curb half a metre to the north-west.
    def holed(x: Any, y: Any) -> Any:
        return np.where(x > 0.7, NAN, 100 + np.where(0.6 * y - 0.8 * x > 0.5, CURB, 0.0))

    limits = shapely.box(-500, -500, 500, 500)
    design = Design(Ground(holed, 0.8 * sd, limits), limits, 9.0)
    change = change_about(holed, [[0.0, 0.0], [0.5, 0.2]], sd, design=design)
    windows = ((-0.08, 0.08), (0.08, 0.22))
    for i, point in enumerate(((0.0, 0.0), (0.5, 0.2))):
        ground = holed(*(np.array(point)[:, None] + places)) - 100
        assert 0.2 < np.mean(np.isnan(ground)) < 0.5
        root = np.sqrt(np.nanmean(np.square(ground)))
        assert abs(change.position_sd[i] - root) <= 0.1 * CURB
        stated = [states(change, *w)[i] for w in windows]
        assert stated == pytest.approx(sampled_shares(ground + sd * errors, windows), abs=0.01)
    assert change.ground.mean(np.ones(len(change.ground.weight))) == pytest.approx(1)


def test_a_hole_on_flat_ground_changes_nothing() -> None:
    def holed(x: Any, y: Any) -> Any:
        return np.where(x + 0.3 * y > 0.4, NAN, 100.25)

    change = change_about(holed, [[0.0, 0.0]], 0.02)
    assert change.position_sd[0] == 0
    assert states(change, 0.25 - 0.02, 0.25 + 0.04)[0] == pytest.approx(norm.cdf(2) - norm.cdf(-1), abs=1e-6)


@pytest.mark.parametrize("sd", [0.0, 0.03, 0.1])
def test_places_beyond_the_design_have_not_changed_at_all(places: Any, errors: Any, sd: float) -> None:
    # The design rises by 8 in and ends at x = 0.3; for a foot beyond nothing is known, farther the ground is as it was.
    past, rise = 0.3, 8 * IN
    limits = shapely.box(-500, -500, 0.3, 500)
    surface = Ground(lambda x, y: np.where(x <= 0.3, 100 + rise, NAN), 0.8 * sd, limits)
    change = change_about(surface.z, [[0.0, 0.0], [-0.9, 7.0]], sd, design=Design(surface, limits, past))
    windows = ((-0.001, 0.001), (-0.05, 0.05), (0.12, 0.22), (0.16, 0.2))
    for i, x in enumerate((0.0, -0.9)):
        east = x + places[0]
        ground = np.select([east <= 0.3, east <= 0.3 + past], [rise + sd * errors, NAN], 0.0)
        stated = [states(change, *w)[i] for w in windows]
        assert stated == pytest.approx(sampled_shares(ground, windows), abs=0.01)
        exact = np.select([east <= 0.3, east <= 0.3 + past], [rise, NAN], 0.0)
        assert abs(change.position_sd[i] - np.sqrt(np.nanmean(np.square(exact - rise)))) <= 0.1 * rise


def test_unchanged_places_stay_exact_among_uncertain_ones_of_about_the_same_change(places: Any, errors: Any) -> None:
    # The design crosses the old ground at the hydrant, falling to the south, and ends 0.3 m to the east.
    limits = shapely.box(-500, -500, 0.3, 500)
    surface = Ground(lambda x, y: np.where(x <= 0.3, 100 + 0.1 * y, NAN), 0.04, limits)
    change = change_about(surface.z, [[0.0, 0.0]], 0.05, design=Design(surface, limits, 0.2))
    ground = np.select([places[0] <= 0.3, places[0] <= 0.5], [0.1 * places[1] + 0.05 * errors, NAN], 0.0)
    windows = ((-0.001, 0.001), (-0.02, 0.03), (-0.2, -0.001))
    stated = [states(change, *w)[0] for w in windows]
    assert stated == pytest.approx(sampled_shares(ground, windows), abs=0.01)


def test_beyond_the_design_change_and_sd_are_exactly_nothing() -> None:
    limits = shapely.box(-500, -500, 0, 500)
    surface = Ground(lambda x, y: np.where(x <= 0, 100.3, NAN), 0.02, limits)
    design = Design(surface, limits, 9.0)
    change = change_about(surface.z, [[15.0, 3.0], [8.9, 3.0]], 0.05, design=design)
    assert change.unchanged.tolist() == [True, False]
    assert change.change[0] == 0
    assert change.sd(np.zeros(2))[0] == 0
    assert change.silence[0] == UNCHANGED
    assert states(change, -1e-6, 1e-6)[0] == pytest.approx(1, abs=1e-9)
    assert np.isnan(change.change[1])


def test_a_surveyed_flange_is_moved_by_the_new_ground_alone(places: Any) -> None:
    # The old ground has the curb, the new one a slope of 4 % north: only that and its own 2 cm count.
    x = y = np.array([0.0])
    old, new = Ground(straight(0.37), 0.5), open_design(Ground(lambda x, y: 100.1 + 0.04 * y, 0.02))
    change = grade_change(old, new, x, y, 1.0, np.array([True]))
    assert change.about_after.tolist() == [True]
    variance = change.ground.mean(np.square(change.ground.sd) + np.square(change.ground.offset))
    assert np.sqrt(variance)[0] == pytest.approx(np.hypot(np.std(0.04 * places[1]), 0.02), rel=0.01)


def test_without_position_error_only_the_point_counts() -> None:
    change = change_about(straight(0.37), along(0.37, [-1e-6, 1e-6]), 0.02, 0.0)
    assert change.position_sd.tolist() == [0, 0]
    assert change.ground.counts.tolist() == [1, 1]
    assert change.change == pytest.approx([0, CURB], abs=1e-9)


def test_what_is_said_of_a_hydrant_does_not_depend_on_its_company() -> None:
    points = along(0.83, np.linspace(-3, 3, 31))
    together = change_about(uneven, points, 0.02)
    mixed = np.random.default_rng(3).permutation(len(points))
    shuffled = change_about(uneven, points[mixed], 0.02)
    alone: list[Mixture] = [change_about(uneven, points[i : i + 1], 0.02).ground for i in range(len(points))]
    for name in ("change", "position_sd", "own_sd"):
        assert getattr(shuffled, name).tolist() == getattr(together, name)[mixed].tolist()
    counts = [part.counts[0] for part in alone]
    for name in ("start", "offset", "weight", "sd"):
        one_by_one = np.concatenate(
            [getattr(part, name) for part in alone] if name != "start" else [[0], np.cumsum(counts)]
        )
        assert one_by_one == pytest.approx(getattr(together.ground, name), abs=1e-12)
        assert getattr(shuffled.ground, name).tolist() == getattr(together.ground.take(mixed), name).tolist()
