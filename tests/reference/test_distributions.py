"""The closed forms against SciPy: its distributions, and its numerical integration of them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm, uniform

from gradecheck.probability import Mixture, blurred_cells_cdf, blurred_uniform_cdf, normal_cdf


def blurred(x: float, centre: float, half: float, sd: float) -> float:
    return float(blurred_uniform_cdf(*(np.array([v]) for v in (x, centre, half, sd)))[0])


def integrated(x: float, centre: float, half: float, sd: float) -> float:
    """P(U + N <= x), the normal's distribution averaged over the uniform by SciPy's quad, in pieces about x."""
    ends = (centre - half, centre + half)
    knots = sorted({*ends, *(float(np.clip(x + k * sd, *ends)) for k in (-9, -4, -1, 0, 1, 4, 9))})
    pieces = [quad(lambda u: norm.cdf(x, u, sd), a, b, epsabs=1e-13, epsrel=1e-12)[0] for a, b in pairwise(knots)]
    return sum(pieces) / (2 * half)


@pytest.mark.parametrize("ratio", [1e-6, 1e-3, 0.03, 0.3, 1, 4, 30, 1e3])
def test_uniform_plus_normal_agrees_with_numerical_integration(ratio: float) -> None:
    # An uneven set of places in and about the uniform, whose half width is 3 in and centre off zero.
    half, centre = 0.0762, -0.31
    sd = ratio * half
    for z in (-6.0, -2.3, -1.001, -0.999, -0.4, 0.0, 0.17, 0.83, 1.0, 1.6, 5.1):
        x = centre + z * max(half, sd)
        assert blurred(x, centre, half, sd) == pytest.approx(integrated(x, centre, half, sd), abs=1e-10)


@pytest.mark.parametrize("ratio", [1e-3, 0.03, 0.3, 1, 4])
def test_parts_of_a_uniform_agree_with_numerical_integration_over_each(ratio: float) -> None:
    half, centre, cells = 0.0762, -0.31, 6
    sd, part = ratio * half, half / cells
    for z in (-2.3, -0.999, -0.4, 0.17, 0.83, 1.6):
        x = centre + z * max(half, sd)
        found = blurred_cells_cdf(*(np.array([v]) for v in (x, centre, half, sd)), cells)[0]
        middles = [centre - half + (2 * k + 1) * part for k in range(cells)]
        assert found == pytest.approx([integrated(x, m, part, sd) for m in middles], abs=1e-10)


@pytest.mark.parametrize("ratio", [1e5, 1e7])
def test_under_an_enormous_normal_the_uniform_hardly_counts(ratio: float) -> None:
    # SciPy's normal alone: the uniform adds a third of its half width squared to the variance, 1e-10 and less of it.
    for z in (-3.0, -0.5, 0.0, 1.2):
        assert blurred(z * ratio, 0.0, 1.0, ratio) == pytest.approx(norm.cdf(z), abs=1e-8)


@pytest.mark.parametrize("sd", [0.0, 1e-15, 1e-12, 1e-10])
def test_without_error_it_is_scipys_uniform(sd: float) -> None:
    a, width = -1.7, 0.42
    x = np.array([-1e6, -2.0, a - 1e-6, a, a + 1e-6, -1.6, -1.3, a + width, 0.0, 1e6])
    found = blurred_uniform_cdf(x, np.array(a + width / 2), np.array(width / 2), np.array(sd))
    assert found == pytest.approx(uniform.cdf(x, a, width), abs=1e-9)


def test_sixty_uneven_distributions_at_once_agree_with_a_fine_sum() -> None:
    # Each the mean of SciPy's normal over 20,000 even places of the uniform (midpoints): right to about 1e-6.
    rng = np.random.default_rng(17)
    centre, half, sd = rng.normal(0, 0.3, 60), rng.uniform(0.02, 0.4, 60), 10 ** rng.uniform(-2.5, 0.5, 60)
    x = centre + rng.normal(0, 1, 60) * np.hypot(half, sd)
    places = (np.arange(20_000) + 0.5) / 20_000 * 2 - 1
    expected = norm.cdf(x[:, None], centre[:, None] + half[:, None] * places, sd[:, None]).mean(axis=1)
    assert blurred_uniform_cdf(x, centre, half, sd) == pytest.approx(expected, abs=2e-6)


def test_normal_agrees_with_scipys() -> None:
    x = np.array([-40.0, -3.1, -0.2, 0.0, 0.7, 2.0, 9.0, 60.0])
    for centre, sd in ((0.4, 0.01), (-2.0, 1.0), (0.3, 25.0)):
        assert normal_cdf(x, np.array(centre), np.array(sd)) == pytest.approx(norm.cdf(x, centre, sd), abs=1e-14)


def test_a_normal_without_error_is_a_step_at_its_centre() -> None:
    x = np.array([-1e4, 0.25 - 1e-10, 0.25 + 1e-10, 1e4])
    for sd in (0.0, 1e-14):
        assert normal_cdf(x, np.array(0.25), np.array(sd)).tolist() == [0, 0, 1, 1]


@given(
    centre=st.floats(-2, 2),
    half=st.floats(1e-3, 2),
    sd=st.one_of(st.just(0.0), st.floats(1e-9, 50)),
    x=st.lists(st.floats(-300, 300), min_size=2, max_size=6, unique=True),
)
@settings(max_examples=300, deadline=None)
def test_it_rises_from_0_to_1_and_mirrors_about_its_centre(
    centre: float, half: float, sd: float, x: list[float]
) -> None:
    """What every distribution that is symmetric about `centre` must do."""
    at = np.array(sorted(x))
    up = blurred_uniform_cdf(at, np.array(centre), np.array(half), np.array(sd))
    down = blurred_uniform_cdf(2 * centre - at, np.array(centre), np.array(half), np.array(sd))
    assert ((up >= 0) & (up <= 1)).all()
    # Under a normal 50,000 times as wide as the uniform the difference of two large numbers keeps ten digits.
    assert (np.diff(up) >= -1e-9).all()
    assert up + down == pytest.approx(1, abs=1e-9)


def mixtures() -> Mixture:
    """Three hydrants: two atoms, one, three; no two weights or offsets alike."""
    return Mixture(
        np.array([0, 2, 3, 6]),
        np.array([0.0, -0.2, 0.05, 0.1, 0.3, -0.7]),
        np.array([0.75, 0.25, 1.0, 0.5, 0.3, 0.2]),
        np.array([0.01, 0.02, 0.03, 0.04, 0.05, 0.06]),
    )


def test_picked_mixtures_keep_their_atoms_in_the_order_asked_for() -> None:
    picked = mixtures().take(np.array([2, 0, 2]))
    assert picked.start.tolist() == [0, 3, 5, 8]
    assert picked.offset.tolist() == [0.1, 0.3, -0.7, 0.0, -0.2, 0.1, 0.3, -0.7]
    assert picked.sd.tolist() == [0.04, 0.05, 0.06, 0.01, 0.02, 0.04, 0.05, 0.06]
    assert picked.owner().tolist() == [0, 0, 0, 1, 1, 2, 2, 2]


def test_the_mean_over_atoms_is_numpys_weighted_average() -> None:
    values = np.array([[1.0, 10], [2, 20], [3, 30], [5, 50], [7, 70], [11, 110]])
    m = mixtures()
    groups = ([0, 1], [2], [3, 4, 5])
    expected = [np.average(values[g], axis=0, weights=m.weight[g]) for g in groups]
    assert m.mean(values) == pytest.approx(np.array(expected))


def test_parts_of_a_mixture_are_put_in_their_places() -> None:
    m = mixtures()
    found = Mixture.blank(np.array([3, 1, 2, 1]))
    found.put(np.array([0, 3]), m.take(np.array([2, 1])))
    found.put(np.array([2]), m.take(np.array([0])))
    rest = Mixture.single(np.zeros(1))  # nothing was put there: at the point, without an error
    expected = [m.take(np.array([2])), rest, m.take(np.array([0])), m.take(np.array([1]))]
    assert found.start.tolist() == [0, 3, 4, 6, 7]
    for name in ("offset", "weight", "sd"):
        assert getattr(found, name).tolist() == [v for part in expected for v in getattr(part, name).tolist()]
    assert len(Mixture.blank(np.zeros(0, dtype=np.int64))) == 0
