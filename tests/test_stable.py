"""Stable ground: offset, spread, variogram, standard error, tilt and words, against published numbers, SciPy and
simulated errors whose truth is known. The full coverage table: `python -m tests.bench.stable_coverage`."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.distance import cdist

from gradecheck.stable import FEW, StableGround, stable_ground, verdicts
from gradecheck.variogram import Model, Pairs, dowd, median_error, spherical, variogram
from tests.bench.stable_coverage import OFFSET, SD, Field

# Höhle & Höhle (2009): seven differences with one gross error; 1.4826 * 0.01 by hand.
SEVEN = np.array([0.02, 0.05, 0.03, -0.01, 0.04, 0.90, 0.03])


def show(metres: float) -> str:
    return f"{metres * 100:.1f} cm"


def square(side: int, spacing: float = 10.0) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(500_000 + spacing * np.arange(side), 4_600_000 + spacing * np.arange(side))
    return x.ravel(), y.ravel()


def noise(n: int, seed: int = 3, sd: float = 0.03) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sd, n)


# --- summary


def test_median_and_nmad_of_seven_differences_with_one_gross_error_are_the_published() -> None:
    summary = stable_ground(np.arange(7.0), np.zeros(7), SEVEN).summary
    assert summary.median == 0.03
    assert summary.nmad == pytest.approx(0.014826, abs=1e-15)


def test_the_summary_is_scipys() -> None:
    dz = stats.skewnorm.rvs(4, size=501, random_state=8) / 20 + 0.01
    summary = stable_ground(*np.random.default_rng(1).uniform(0, 300, (2, 501)), dz).summary
    assert summary.count == 501
    assert summary.median == pytest.approx(stats.scoreatpercentile(dz, 50), abs=1e-15)
    # SciPy's factor is 1.482602..., the published one 1.4826.
    assert summary.nmad == pytest.approx(stats.median_abs_deviation(dz, scale="normal"), rel=2e-6)
    assert summary.rmse == pytest.approx(np.linalg.norm(dz) / np.sqrt(501), abs=1e-15)
    expected = stats.mstats.mquantiles(dz, [0.05, 0.95], alphap=1, betap=1)
    assert [summary.p05, summary.p95] == pytest.approx(list(expected), abs=1e-14)


# --- variogram


def test_dowds_value_of_three_differences_is_worked_by_hand() -> None:
    # median(|-4|, |1|, |3|) = 3; 2.198 * 9 / 2 = 9.891 (Dowd 1984).
    assert dowd(np.array([-4.0, 1.0, 3.0])) == pytest.approx(9.891)


def test_the_spherical_model_has_the_textbooks_values() -> None:
    # Cressie (1993), 2.3: 1.5 h - 0.5 h³ at a half is 0.6875, at the range and beyond 1.
    assert spherical(np.array([0.0, 5.0, 10.0, 50.0]), 10.0).tolist() == [0.0, 0.6875, 1.0, 1.0]


def test_each_lag_is_dowds_value_of_the_pairs_counted_one_by_one() -> None:
    rng = np.random.default_rng(5)
    x, y, dz = rng.uniform(0, 90, 80), rng.uniform(0, 60, 80), rng.normal(0, 0.02, 80)
    found = variogram(Pairs(x, y), dz)
    edges = Pairs(x, y).edges
    assert edges[-1] == pytest.approx(np.ptp(x) / 2)
    lags: dict[int, list[tuple[float, float]]] = {}
    for i in range(80):
        for j in range(i):
            away = float(np.hypot(x[i] - x[j], y[i] - y[j]))
            lag = next((k for k, edge in enumerate(edges) if away <= edge), None)
            if lag is not None:
                lags.setdefault(lag, []).append((away, abs(dz[i] - dz[j])))
    kept = [np.array(lags[k]) for k in sorted(lags) if len(lags[k]) >= 30]
    assert found.pairs.tolist() == [len(rows) for rows in kept]
    assert found.lag == pytest.approx([rows[:, 0].mean() for rows in kept])
    assert found.gamma == pytest.approx([1.099 * np.quantile(rows[:, 1], 0.5) ** 2 for rows in kept])


def test_errors_of_independent_points_have_range_0_and_the_sill_of_their_variance() -> None:
    x, y = square(25)
    found = [stable_ground(x, y, noise(625, seed)).variogram for seed in range(20)]
    assert sum(v.model.range == 0 for v in found) >= 17
    assert np.median([v.model.sill for v in found]) == pytest.approx(0.03**2, rel=0.05)


def test_sill_nugget_and_range_of_simulated_errors_are_found_in_the_middle() -> None:
    field = Field(1 / 6, 0.7)
    models = [g.variogram.model for g in field.grounds(60, seed=9)]
    assert np.median([m.sill for m in models]) == pytest.approx(SD**2, rel=0.1)
    assert np.median([m.nugget for m in models]) == pytest.approx(0.3 * SD**2, rel=0.25)
    assert np.median([m.range for m in models]) == pytest.approx(240 / 6, rel=0.2)


def test_a_range_beyond_a_third_of_the_extent_is_unresolved_and_the_error_does_not_fall_short_for_it() -> None:
    field = Field(1.2, 0.9, side=20)
    grounds = field.grounds(40, seed=4)
    unresolved = [g for g in grounds if g.unresolved]
    assert len(unresolved) >= 30
    pairs, still = Pairs(*field.points()), np.zeros(400)
    for ground in unresolved:
        assert ground.variogram.model.range > 190 / 3
        assert ground.variogram.widest.range == pytest.approx(190)
        for model in (ground.variogram.model, ground.variogram.widest):
            assert ground.standard_error >= median_error(pairs, model, still) - 1e-15


def test_lorries_on_three_points_of_a_hundred_hardly_move_the_variogram() -> None:
    x, y = square(25)
    clean = noise(625, 11)
    lorries = clean + np.where(np.random.default_rng(2).random(625) < 0.03, 3.0, 0.0)
    with_them, without = stable_ground(x, y, lorries).variogram, stable_ground(x, y, clean).variogram
    assert with_them.model.sill == pytest.approx(without.model.sill, rel=0.05)
    assert with_them.set_aside >= (lorries > 2).sum()
    assert with_them.set_aside + with_them.points == 625


def test_of_many_points_1500_make_pairs_and_always_the_same() -> None:
    x, y = np.random.default_rng(6).uniform(0, 400, (2, 4000))
    dz = noise(4000)
    first, second = stable_ground(x, y, dz), stable_ground(x, y, dz)
    assert first.variogram.points + first.variogram.set_aside == 1500
    assert first.standard_error == second.standard_error
    assert first.standard_error == pytest.approx(np.sqrt(np.pi / 2 / 4000) * 0.03, rel=0.1)


# --- standard error


@pytest.mark.parametrize(("slope", "reach"), [(0.0, 60.0), (0.0, 25.0), (0.0008, 60.0)])
def test_the_standard_error_under_a_known_covariance_is_the_spread_of_simulated_medians(
    slope: float, reach: float
) -> None:
    x, y = square(18)
    xy = np.column_stack([x, y])
    h = cdist(xy, xy) / reach
    like = np.where(h < 1, 1 - 1.5 * h + 0.5 * h**3, 0.0)
    root = np.linalg.cholesky(0.0004 * like + 0.0003 * np.eye(len(x)))
    plane = slope * (x - x.mean())
    medians = np.median(plane + np.random.default_rng(12).standard_normal((6000, len(x))) @ root.T, axis=1)
    stated = median_error(Pairs(x, y), Model(0.0003, (0.0004,), (reach,)), -plane)
    # The spread of 6,000 medians is known to 1 / sqrt(12000) = 0.9 %; three of that, and the formula is asymptotic.
    assert stated == pytest.approx(medians.std(), rel=0.035)


def test_without_correlation_it_is_the_textbooks_pi_half() -> None:
    x, y = square(10)
    # Var(median) = pi/2 s²/n of a normal sample (Cramér 1946): s 0.02, n 100.
    assert median_error(Pairs(x, y), Model(0.0004), np.zeros(100)) == pytest.approx(0.02 * 1.2533141 / 10, rel=1e-6)


def test_points_of_one_error_count_as_one_point() -> None:
    x, y = square(10)
    together = median_error(Pairs(x, y), Model(0.0, (0.0004,), (1e9,)), np.zeros(100))
    assert together == pytest.approx(0.02 * 1.2533141, rel=0.001)


@pytest.fixture(scope="module")
def simulated() -> dict[str, list[StableGround]]:
    """What is made of 150 error fields each, with 3 % gross outliers: white, and of ranges well within the area."""
    fields = {"white": Field(0.01, 0.0, side=20), "1/10": Field(0.1, 0.5, side=20), "1/6": Field(1 / 6, 0.8, side=20)}
    return {name: field.grounds(150, seed=21) for name, field in fields.items()}


@pytest.mark.parametrize("name", ["white", "1/10", "1/6"])
def test_one_and_two_standard_errors_cover_the_true_offset_as_often_as_they_say(name: str, simulated: dict) -> None:
    off = np.array([g.summary.median - OFFSET for g in simulated[name]])
    error = np.array([g.standard_error for g in simulated[name]])
    # 150 draws: the count that a true 65 to 71 % or 92 to 98 % would give but for 1 of 200.
    for sds, low, high in ((1, 0.653, 0.713), (1.96, 0.92, 0.98)):
        covered = (np.abs(off) <= sds * error).sum()
        assert stats.binom.ppf(0.005, 150, low) <= covered <= stats.binom.ppf(0.995, 150, high)


def test_lorries_on_one_side_widen_the_error_by_what_they_pull_the_median() -> None:
    grounds = Field(0.01, 0.0, side=20, one_sided=True).grounds(100, seed=22)
    off = np.array([g.summary.median - OFFSET for g in grounds])
    error = np.array([g.standard_error for g in grounds])
    # 3 of 100 above all others: the middle of the rest is their 51.5th of 100, 0.039 sd too high.
    assert np.median(off) == pytest.approx(SD * stats.norm.ppf(0.5 / 0.97), rel=0.35)
    for sds, low in ((1, 0.653), (1.96, 0.92)):
        assert (np.abs(off) <= sds * error).sum() >= stats.binom.ppf(0.005, 100, low)


def test_treating_the_points_as_independent_would_not_cover_it(simulated: dict) -> None:
    off = np.array([g.summary.median - OFFSET for g in simulated["1/6"]])
    naive = np.array([np.sqrt(np.pi / 2 / 400) * g.summary.nmad for g in simulated["1/6"]])
    assert np.mean(np.abs(off) <= 1.96 * naive) < 0.75


@pytest.mark.parametrize("name", ["white", "1/10", "1/6"])
def test_correlated_errors_are_not_taken_for_a_tilt(name: str, simulated: dict) -> None:
    # A true rate of 2 % gives more than 8 of 150 in fewer than 1 of 100 cases.
    assert sum(g.tilt.shows for g in simulated[name]) <= stats.binom.ppf(0.99, 150, 0.02)


# --- tilt


@pytest.mark.parametrize(("east", "north"), [(0.001, -0.002), (-0.0003, 0.0), (0.0, 0.0), (2e-5, 4e-5)])
def test_known_planes_are_recovered(east: float, north: float) -> None:
    x, y = np.random.default_rng(14).uniform(0, 1, (2, 200)) * [[700], [300]] + [[500_000], [4_600_000]]
    ground = stable_ground(x, y, 0.3 + east * (x - 500_000) + north * (y - 4_600_000))
    tilt = ground.tilt
    assert 0 <= ground.standard_error < 1e-9
    assert tilt.east == pytest.approx(east, abs=1e-9)
    assert tilt.north == pytest.approx(north, abs=1e-9)


def test_across_and_azimuth_of_a_plane_are_worked_by_hand() -> None:
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, 100, 11), np.linspace(0, 50, 6)))
    tilt = stable_ground(x, y, 0.001 * x - 0.002 * y).tilt
    assert tilt.across == pytest.approx(0.2)  # 0.1 over 100 m east, 0.1 over 50 m south
    assert tilt.azimuth == pytest.approx(180 - np.degrees(np.arctan(0.5)))
    assert tilt.shows


def test_a_plane_under_noise_and_gross_errors_on_one_side_is_found_within_its_error() -> None:
    x, y = square(25)
    dz = noise(625, 15) + 0.0005 * (x - x.mean())
    dz[(x > x.mean() + 80) & (np.arange(625) % 9 == 0)] += 2.0
    ground = stable_ground(x, y, dz)
    assert ground.tilt.shows
    assert ground.tilt.across == pytest.approx(0.12, abs=3 * ground.tilt.standard_error)
    assert ground.tilt.standard_error < 0.02
    assert ground.variogram.model.sill == pytest.approx(0.03**2, rel=0.15)


def test_the_tilts_standard_error_is_that_of_least_squares_on_simulated_errors_or_a_little_more() -> None:
    field = Field(0.1, 0.5, side=20)
    x, y = field.points()
    design = np.column_stack([np.ones(400), x, y])
    clean = np.random.default_rng(31).standard_normal((4000, 400)) @ np.linalg.cholesky(field.covariance()).T
    slopes = np.linalg.lstsq(design, clean.T, rcond=None)[0][1:]
    spread = np.std(190 * (slopes[0] + slopes[1]))  # a corner to the corner opposite
    stated = [g.tilt.standard_error for g in field.grounds(60, seed=32)]
    # Widened for what few patches leave unknown of the correlation: to the safe side, by a third at most.
    assert 0.95 < np.median(stated) / spread < 1.33


def test_a_tilt_of_a_centimetre_does_not_show_however_sure() -> None:
    x, y = square(25)
    tilt = stable_ground(x, y, noise(625, 16, 1e-4) + 0.01 * (x - x.min()) / np.ptp(x)).tilt
    assert tilt.across > 50 * tilt.standard_error
    assert not tilt.shows


def test_points_along_a_line_tell_the_slope_along_it_and_none_across() -> None:
    s = np.linspace(0, 500, 60)
    tilt = stable_ground(0.6 * s, 0.8 * s, 0.001 * s).tilt
    assert [tilt.east, tilt.north] == pytest.approx([0.0006, 0.0008], abs=1e-9)
    assert tilt.across == pytest.approx(0.5)


# --- parts


def test_parts_are_a_grid_of_medians_with_cells_of_five_points_or_more() -> None:
    x, y = (a.ravel() for a in np.meshgrid(np.arange(40) + 0.5, np.arange(20) + 0.5))
    keep = ~((x > 30) & (y > 10)) | ((x > 39) & (y > 17))  # of the last cell 3 points are left
    ground = stable_ground(x[keep], y[keep], np.floor(x / 10)[keep] + 0.1 * np.floor(y / 10)[keep])
    assert len(ground.parts) == 7
    assert [p.count for p in ground.parts[:3]] == [100, 100, 100]
    assert [round(p.median, 9) for p in ground.parts] == [0.0, 1.0, 2.0, 3.0, 0.1, 1.1, 2.1]
    assert (ground.parts[0].x, ground.parts[0].y) == pytest.approx((0.5 + 39 / 8, 0.5 + 19 / 4))
    assert (ground.parts[6].x, ground.parts[6].y) == pytest.approx((0.5 + 39 * 5 / 8, 0.5 + 19 * 3 / 4))


def test_parts_are_at_most_four_by_four() -> None:
    assert len(stable_ground(*square(40), noise(1600)).parts) == 16


# --- few points, odd points


def test_no_point_is_refused() -> None:
    with pytest.raises(ValueError, match="no points"):
        stable_ground(np.zeros(0), np.zeros(0), np.zeros(0))


@pytest.mark.parametrize("n", range(1, 45))
def test_any_number_of_points_gives_finite_answers(n: int) -> None:
    x, y = np.random.default_rng(n).uniform(0, 50, (2, n))
    ground = stable_ground(x, y, noise(n, n))
    assert ground.few == (n < FEW)
    assert (ground.variogram is None) == ground.few
    assert np.isfinite([ground.standard_error, ground.tilt.across, ground.tilt.standard_error]).all()
    if n < FEW:
        assert ground.standard_error == pytest.approx(np.sqrt(1.5707963 / n) * ground.summary.nmad)
        assert not ground.tilt.shows
    assert verdicts(ground, 0.03, 0.0, show) is not None


@pytest.mark.parametrize("n", [1, 2, 29, 30, 400])
def test_equal_differences_and_points_on_one_spot_give_no_error_and_no_range(n: int) -> None:
    line = np.arange(float(n))
    for x, dz in ((line, np.zeros(n)), (line, np.full(n, 0.25)), (np.zeros(n), np.full(n, 0.25))):
        ground = stable_ground(x, np.zeros(n), dz)
        assert ground.standard_error == 0
        assert ground.summary.median == dz[0]
        assert not ground.tilt.shows
        assert not ground.unresolved


def test_many_points_on_one_spot_are_independent_at_best() -> None:
    dz = noise(200)
    ground = stable_ground(np.zeros(200), np.zeros(200), dz)
    assert ground.standard_error == pytest.approx(np.sqrt(np.pi / 2 / 200) * ground.summary.nmad)


def test_a_shift_a_scale_and_a_sign_change_the_answers_as_they_must() -> None:
    field = Field(0.1, 0.5, side=20)
    x, y = field.points()
    dz = field.draws(1, seed=41)[0]
    one, other = stable_ground(x, y, dz), stable_ground(x + 7e5, y + 5e6, 5 - 2 * dz)
    assert other.summary.median == pytest.approx(5 - 2 * one.summary.median)
    assert other.standard_error == pytest.approx(2 * one.standard_error)
    assert other.tilt.east == pytest.approx(-2 * one.tilt.east, rel=1e-4)
    assert other.variogram.gamma == pytest.approx(4 * one.variogram.gamma)
    assert other.variogram.model.range == pytest.approx(one.variogram.model.range)


# --- words


def ground_of(dz: np.ndarray) -> StableGround:
    return stable_ground(*square(round(len(dz) ** 0.5)), dz)


def test_ground_that_agrees_with_what_is_stated_says_nothing() -> None:
    assert verdicts(ground_of(noise(625)), 0.03, 0.0, show) == []
    assert verdicts(ground_of(noise(625) + 0.05), 0.03, 0.03, show) == []


def test_an_offset_beyond_the_stated_errors_is_told_with_its_way_out() -> None:
    dz = noise(625)
    told = verdicts(ground_of(dz - np.median(dz) - 0.05), 0.03, 0.01, show)
    assert len(told) == 1
    for word in ("after lies 5.0 cm below before", "625 points", "datum", "control", "correct = true", "sd_shared"):
        assert word in told[0]
    # 1.96 * hypot(1 cm, sqrt(pi/2/625) * 3 cm = 0.15 cm) = 1.98 cm
    assert "the stated errors allow 2.0 cm" in told[0]


def test_an_offset_that_the_stated_shared_error_explains_is_not_told() -> None:
    dz = noise(625)
    ground = ground_of(dz - np.median(dz) + 0.05)
    assert len(verdicts(ground, 0.03, 0.025, show)) == 1
    assert verdicts(ground, 0.03, 0.027, show) == []


@pytest.mark.parametrize(("own", "word"), [(0.019, "too hopeful"), (0.021, ""), (0.058, ""), (0.065, "too cautious")])
def test_a_spread_more_than_half_again_or_less_than_half_of_the_stated_is_told(own: float, word: str) -> None:
    dz = noise(2500, 17)
    dz *= 0.03 / stable_ground(*square(50), dz).summary.nmad
    told = verdicts(ground_of(dz), own, 1.0, show)
    assert len(told) == bool(word)
    assert not word or (word in told[0] and "3.0 cm" in told[0] and show(own) in told[0])


def test_a_spread_of_few_points_is_told_only_beyond_chance() -> None:
    told = []
    for seed in range(200):
        x, y = np.random.default_rng(seed).uniform(0, 90, (2, 12))
        told += verdicts(stable_ground(x, y, noise(12, seed)), 0.03, 1.0, show)
    assert sum("scatter" in text for text in told) <= 14  # 7 of 100; half again alone is passed by 1 of 6
    far = verdicts(stable_ground(x, y, 10 * noise(12, 1)), 0.03, 1.0, show)
    assert any("too hopeful" in text for text in far)


def test_one_survey_on_both_sides_is_named_as_what_no_spread_may_mean() -> None:
    told = verdicts(ground_of(np.zeros(625)), 0.03, 0.0, show)
    assert len(told) == 1
    assert "the same survey" in told[0]


def test_exact_surfaces_that_agree_say_nothing() -> None:
    assert verdicts(ground_of(np.full(625, 1e-7)), 0.0, 0.0, show) == []


def test_a_tilt_is_told_with_its_way_and_what_one_offset_leaves() -> None:
    x, y = square(25)
    told = verdicts(stable_ground(x, y, noise(625) + 0.0005 * (x - x.mean())), 0.03, 0.0, show)
    assert len(told) == 1
    for word in ("towards the east", "tilted or warped", "half of that", "control"):
        assert word in told[0]


def test_few_points_that_happen_to_agree_do_not_make_an_offset_sure() -> None:
    three = stable_ground(np.arange(3.0), np.zeros(3), np.array([0.04, 0.04, 0.04]))
    told = verdicts(three, 0.05, 0.0, show)
    assert len(told) == 1
    assert told[0].startswith("Only 3 points lie on stable ground")


def test_an_unresolved_range_is_told() -> None:
    unresolved = next(g for g in Field(1.2, 0.9, side=20).grounds(10, seed=4) if g.unresolved)
    told = verdicts(unresolved, SD, 1.0, show)
    assert any("farther apart" in text and show(unresolved.standard_error) in text for text in told)


def test_no_points_are_no_stable_ground() -> None:
    with pytest.raises(ValueError, match="no points on stable ground"):
        stable_ground(np.zeros(0), np.zeros(0), np.zeros(0))


def test_a_tilt_amid_white_noise_shows_though_long_waves_could_not_be_told_from_it() -> None:
    # 0.109 m over 1,000 m to the east under white noise of 0.03 m: what numpy's least squares finds, and shows.
    rng = np.random.default_rng(4)
    n = int(rng.choice([60, 90, 150, 250]))
    x, y = rng.uniform(0, 1000, (2, n))
    across = rng.uniform(3, 14) * 0.03 * np.sqrt(12 / n)
    dz = across * x / 1000 + rng.normal(0, 0.03, n)
    found = stable_ground(x, y, dz)
    plane = np.linalg.lstsq(np.stack([x, y, np.ones(n)], axis=1), dz, rcond=None)[0]
    assert (n, round(across, 3)) == (150, 0.109)
    assert found.tilt.shows
    assert not found.unresolved
    assert found.tilt.east == pytest.approx(plane[0], abs=2 * found.tilt.standard_error / 1000)
    assert found.tilt.across == pytest.approx(across, abs=3 * found.tilt.standard_error)
