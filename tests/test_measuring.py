"""The measuring list against Bayes' rule summed on a fine grid, and walks against permutations and SciPy's clusters."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, permutations
from typing import Any

import numpy as np
import pytest
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.stats import norm

from gradecheck.decision import DECIDED, OPEN, Cases, decide
from gradecheck.measuring import MeasuringList, measuring_list, walks, with_choice
from tests.bench.measuring_list import cuts
from tests.bench.measuring_list import town as bench_town
from tests.cases import IN, NAN, atoms, hydrants, policy, possible

RULES = policy()
LENGTHS = (6, 12, 18, 30)


def mixed(**changes: Any) -> Cases:
    """Eight hydrants: five assumed, of one atom or several; one measured; one outside; one too high for any choice."""
    ground = atoms(
        [(0, 1, 1.0)],
        [(0, 0.6, 0.8), (6, 0.4, 0.8)],
        [(0, 1, 2.5)],
        [(0, 0.5, 0.4), (-3, 0.3, 0.6), (2, 0.2, 0.0)],
        [(0, 1, 0.3)],
        [(0, 1, 1.0)],
        [(0, 1, 1.0)],
        [(0, 1, 1.0)],
    )
    change = np.array([5.0, 7.5, 3.0, 9.0, 2.0, 5.0, 5.0, -30.0])
    cases = hydrants(
        4.0 - change,
        change=change,
        ground=ground,
        clearance_sd=[0, 0, 0, 0, 0, 0.25, 0, 0],
        spread=[3, 3, 3, 4, 3, 0, 3, 3],
        fitted=[0, 0, 6, 0, 0, 0, 0, 0],
        outlet=[NAN, 15, NAN, NAN, 32, NAN, NAN, NAN],
        outside=[False] * 6 + [True, False],
        lengths=LENGTHS,
        shared=(0.3, -0.2),
    )
    return replace(cases, **changes)


def ranked(cases: Cases, stake: Any = None) -> MeasuringList:
    return measuring_list(cases, RULES, decide(cases, RULES), stake)


def by_grid(cases: Cases, i: int, sd: float, steps: int = 1200) -> tuple[float, float]:
    """P(best choice ends in the window) now and expected after measuring: the possible clearances and readings on a
    grid, Bayes' rule for each reading, the contract's list of choices."""
    half = cases.spread[i]
    c = (np.arange(steps) + 0.5) / steps * 2 * half - half
    ground = cases.ground.take(np.array([i]))
    strict = decide(cases, RULES).window
    low, high = strict.low[i] - RULES.dressing.metres, strict.high[i] + RULES.dressing.metres
    spread = np.sqrt(ground.sd**2 + (cases.shared[i] ** 2).sum())
    good = []
    for option in possible(LENGTHS, cases.fitted[i] / IN, 1):
        centre = cases.clearance_after[i] + option.rise * IN + c[:, None] - ground.offset
        good.append((norm.cdf(high, centre, spread) - norm.cdf(low, centre, spread)) @ ground.weight)
    given = np.array(good)
    reading = np.linspace(-half - 6 * sd, half + 6 * sd, steps)
    like = norm.pdf(reading[:, None], c, sd) / steps
    best = (given @ like.T).max(axis=0)
    return float(given.mean(axis=1).max()), float(np.trapezoid(best, reading))


def test_the_value_is_what_bayes_rule_gives_on_a_fine_grid() -> None:
    cases = mixed()
    found = ranked(cases)
    assert set(found.index) == {0, 1, 2, 3, 4}
    for i, value, now, after in zip(found.index, found.value, found.wrong_now, found.wrong_after, strict=True):
        expected_now, expected_after = by_grid(cases, i, cases.measure_sd)
        assert 1 - now == pytest.approx(expected_now, abs=1e-5)
        assert 1 - after == pytest.approx(expected_after, abs=0.002)
        assert value == pytest.approx(expected_after - expected_now, abs=0.002)
    assert found.value[0] > 0.1


def test_only_assumed_clearances_with_a_choice_are_listed_once() -> None:
    cases = mixed()
    action = decide(cases, RULES).action
    has = np.isin(action, (*DECIDED, *OPEN)) & (cases.spread > 0)
    assert sorted(ranked(cases).index.tolist()) == np.flatnonzero(has).tolist()
    assert with_choice(decide(cases, RULES)).tolist() == [0, 1, 2, 3, 4, 5]
    way = replace(cases, in_the_way=np.array([0.95, 0, 0, 0, 0, 0, 0, 0]))
    assert 0 not in ranked(way).index


def test_the_most_valuable_comes_first_and_ties_go_by_index() -> None:
    cases = mixed()
    twice = hydrants([-1.0, 1.0, -1.0, 1.0], change=[5, 3, 5, 3], ground_sd=0.5, spread=3)
    found = ranked(twice)
    assert found.index.tolist() in ([0, 2, 1, 3], [1, 3, 0, 2])
    assert (np.diff(ranked(cases).value) <= 0).all()


def test_a_stake_multiplies_and_an_unknown_one_counts_as_the_mean_of_the_known() -> None:
    cases = mixed()
    plain, scaled = ranked(cases), ranked(cases, np.full(8, 700.0))
    assert not plain.priced.any()
    assert scaled.priced.all()
    assert scaled.value == pytest.approx(700 * plain.value)
    some = np.array([100.0, NAN, 300.0, NAN, 200.0, 9e9, 9e9, 9e9])  # the last three are not on the list
    found = ranked(cases, some)
    each = dict(zip(plain.index.tolist(), plain.value.tolist(), strict=True))
    cost = {0: 100, 1: 200, 2: 300, 3: 200, 4: 200}
    assert found.value == pytest.approx([cost[i] * each[i] for i in found.index.tolist()])
    assert found.priced.tolist() == [i not in (1, 3) for i in found.index.tolist()]


@pytest.mark.parametrize("sd", [0.0, 0.01, 0.25, 1.0, 3.0, 20.0])
def test_no_measurement_is_worth_less_than_nothing_nor_a_worse_one_more(sd: float) -> None:
    def values(measure_sd: float) -> Any:
        found = ranked(mixed(measure_sd=measure_sd * IN))
        return found.value[np.argsort(found.index)]

    assert (values(sd) >= -1e-12).all()
    assert (values(sd) <= values(sd / 2) + 1e-3).all()


def test_a_ruler_that_tells_nothing_is_worth_nothing() -> None:
    for sd in (1e3, 1e9, np.inf):
        assert ranked(mixed(measure_sd=sd * IN)).value == pytest.approx(np.zeros(5), abs=2e-3)
    assert ranked(mixed(measure_sd=np.inf)).value == pytest.approx(np.zeros(5), abs=2e-3)


def test_a_perfect_ruler_is_worth_knowing_the_clearance() -> None:
    cases = mixed(measure_sd=0.0)
    found = ranked(cases)
    for i, after in zip(found.index, found.wrong_after, strict=True):
        # A grid with a ruler of a thousandth of an inch.
        assert 1 - after == pytest.approx(by_grid(cases, i, 0.02 * IN)[1], abs=0.005)


def test_a_town_with_nothing_assumed_has_an_empty_list() -> None:
    found = ranked(hydrants([1.0, -3.0], clearance_sd=0.25))
    assert len(found) == 0
    assert walks(np.zeros(0), np.zeros(0), found.value, []) == []


def test_measuring_by_the_list_saves_more_than_as_many_at_random() -> None:
    # The short form of tests/bench/measuring_list.py.
    total = np.array([cuts(bench_town(seed, 150), 60, 50 + seed) for seed in range(3)]).mean(axis=0)
    assert (total[:, 0] > 1.5 * total[:, 2]).all()


# --- walks --------------------------------------------------------------------------------------------------------

STREETS = ("Elm", "Oak", None, "")


def scattered(n: int, seed: int) -> tuple[Any, Any, Any, list[str | None]]:
    rng = np.random.default_rng(seed)
    street = [STREETS[k] for k in rng.integers(0, 4, n)]
    return rng.uniform(0, 1500, n), rng.uniform(0, 700, n), rng.uniform(0, 50, n), street


def test_groups_are_those_of_single_linkage_within_a_street() -> None:
    x, y, value, street = scattered(120, seed=2)
    found = walks(x, y, value, street, reach=110.0, most=1000)
    assert sorted(np.concatenate([w.rows for w in found]).tolist()) == list(range(120))
    for name in ("Elm", "Oak", None):
        members = np.array([i for i, s in enumerate(street) if (s or None) == name])
        label = fcluster(linkage(np.stack([x, y], axis=1)[members], "single"), 110.0, "distance")
        expected = {frozenset(members[label == k].tolist()) for k in np.unique(label)}
        assert {frozenset(w.rows.tolist()) for w in found if w.street == name} == expected
        assert any(len(group) > 1 for group in expected)


def test_just_within_reach_belongs_together_and_just_beyond_does_not() -> None:
    x = np.array([0.0, 149.9, 300.1, 449.9])
    found = walks(x, np.zeros(4), np.ones(4), ["Elm"] * 4)
    assert sorted(sorted(w.rows.tolist()) for w in found) == [[0, 1], [2, 3]]
    apart = walks(x[:2], np.zeros(2), np.ones(2), ["Elm", None])
    assert len(apart) == 2


def test_long_groups_are_split_along_their_longer_axis_into_pieces_of_a_kind() -> None:
    # Thirty hydrants up a street from south to north, 20 m apart: three walks of ten, one after the other.
    y = np.random.default_rng(4).permutation(np.arange(30) * 20.0)
    found = walks(np.where(y % 40 == 0, 5.0, 0.0), y, np.ones(30), ["Elm"] * 30)
    assert [len(w.rows) for w in found] == [10, 10, 10]
    spans = sorted((y[w.rows].min(), y[w.rows].max()) for w in found)
    assert spans == [(0, 180), (200, 380), (400, 580)]
    sizes = [len(w.rows) for w in walks(*scattered(300, seed=6)[:3], [None] * 300)]
    assert max(sizes) <= 12
    assert sum(sizes) == 300


def test_a_walk_is_close_to_the_shortest_and_its_length_is_what_is_walked() -> None:
    rng = np.random.default_rng(8)
    for _ in range(6):
        x, y = rng.uniform(0, 100, 7), rng.uniform(0, 60, 7)
        (found,) = walks(x, y, np.ones(7), ["Elm"] * 7)

        def walked(order: Any, x: Any = x, y: Any = y) -> float:
            return sum(float(np.hypot(x[b] - x[a], y[b] - y[a])) for a, b in pairwise(order))

        assert found.length == pytest.approx(walked(found.rows))
        assert found.length <= 1.05 * min(walked(p) for p in permutations(range(7)))


def test_the_walk_worth_most_comes_first() -> None:
    x, y, value, street = scattered(80, seed=5)
    found = walks(x, y, value, street)
    assert [w.value for w in found] == sorted((w.value for w in found), reverse=True)
    for w in found:
        assert w.value == pytest.approx(value[w.rows].sum())
    even = walks(np.array([0.0, 1e4, 2e4]), np.zeros(3), np.ones(3), [None] * 3)
    assert [w.rows.tolist() for w in even] == [[0], [1], [2]]


def test_walks_do_not_depend_on_the_order_that_hydrants_come_in() -> None:
    x, y, value, street = scattered(90, seed=9)
    order = np.random.default_rng(1).permutation(90)
    straight = walks(x, y, value, street)
    mixed_up = walks(x[order], y[order], value[order], [street[i] for i in order])
    assert [w.rows.tolist() for w in straight] == [order[w.rows].tolist() for w in mixed_up]


@pytest.mark.parametrize(("reach", "most"), [(-1.0, 12), (NAN, 12), (150.0, 0)])
def test_walks_of_nobody_or_of_negative_reach_are_refused(reach: float, most: int) -> None:
    with pytest.raises(ValueError, match="at least one hydrant"):
        walks(np.zeros(2), np.zeros(2), np.ones(2), [None, None], reach, most)
