"""What would settle the open hydrants, against `decide`, limits that are known, and surveys drawn one by one.

The judge draws what the ground and the clearance truly are, draws what a survey and a ruler would say, decides on
that as a run would, and looks whether the length chosen ends in the window.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm, uniform

from gradecheck.catalog import Catalog
from gradecheck.decision import DECIDED, OPEN, Action, decide, right_choices
from gradecheck.measuring import measuring_list, with_choice
from gradecheck.outlook import Today, expected, outlook, stakes
from gradecheck.policy import Policy
from gradecheck.probability import Mixture
from tests.cases import IN, NAN, hydrants, policy, possible

LENGTHS = ((6, 12, 18, 24, 30), (5, 8, 16))


def town(n: int, seed: int, *, assumed: float = 0.5, exact: bool = False, calm: float = 0.0) -> Today:
    """n hydrants of every kind: atoms, some of unchanged ground, shared errors or none, fitted lengths, outlets.

    calm: the share of them whose ground hardly changes, and whose clearance may be anything.
    """
    rng = np.random.default_rng(seed)
    still = np.random.default_rng((seed, 1)).random(n) < calm
    own = np.where(rng.random(n) < 0.1, 0.0, rng.uniform(0.5, 4, n))
    own = np.where(still, 0.1, own)
    counts = rng.choice([1, 1, 2, 3], n)
    start = np.concatenate(([0], np.cumsum(counts)))
    of = np.repeat(np.arange(n), counts)
    first = np.arange(len(of)) == start[of]
    weight = rng.uniform(0.2, 1, len(of))
    weight /= np.bincount(of, weight)[of]
    more = 0.0 if exact else 1.0
    sd = np.hypot(own[of], more * rng.uniform(0, 1.5, len(of)))
    sd = np.where(~first & (rng.random(len(of)) < 0.3), 0.0, sd)
    ground = Mixture(start, np.where(first, 0.0, more * rng.uniform(-6, 6, len(of))) * IN, weight, sd * IN)
    change = np.where(still, 0.0, rng.normal(5, 4, n))
    unknown = (rng.random(n) < assumed) | still
    surveyed = ~unknown & (rng.random(n) < 0.3)
    cases = hydrants(
        np.where(unknown, 4.0, rng.uniform(1, 7, n)) - change,
        change=change,
        clearance_sd=np.where(unknown | exact, 0.0, 0.25),
        spread=np.where(still, 6.0, np.where(unknown, 3.0, 0.0)),
        fitted=rng.choice([0.0, 0.0, 6.0, NAN], n),
        outlet=rng.choice([NAN, NAN, 15.0, 32.0], n),
        lengths=LENGTHS,
        family=rng.integers(0, 2, n),
        ground=ground,
    )
    shared = np.where(rng.random((n, 1)) < 0.5, 0.0, [[0.4, -0.3]]) * IN * more
    stake = np.where(rng.random(n) < 0.2, NAN, rng.uniform(300, 900, n))
    return Today(replace(cases, shared=shared), policy(), own * IN, surveyed, stake)


# --- drawn, not computed ----------------------------------------------------------------------------------------


def some(cases: Any, who: Any) -> Any:
    """Some of the cases, or each many times over."""
    columns = ("clearance_after", "change", "shared", "clearance_sd", "spread", "family", "fitted", "outlet", "outside")
    return replace(cases, ground=cases.ground.take(who), **{c: getattr(cases, c)[who] for c in columns})


def outcomes(today: Today, sd: float | None, measured: Any, times: int, seed: int) -> tuple[Any, Any]:
    """(H,) shares of `times` draws in which the run decides, and in which the best choice truly ends in the window."""
    rng = np.random.default_rng(seed)
    cases, h = today.cases, len(today.cases)
    who = np.tile(np.arange(h), times)
    many = len(who)

    # What is true: which atom, its errors, the errors of whole surfaces, the clearance.
    ground = cases.ground.take(who)
    summed = np.cumsum(ground.weight)
    before = (summed - ground.weight)[ground.start[:-1]]
    passed = summed - np.repeat(before, ground.counts) < np.repeat(rng.random(many), ground.counts)
    atom = ground.start[:-1] + np.minimum(np.add.reduceat(passed, ground.start[:-1]), ground.counts - 1)
    own = today.own_sd[who]
    alive = ground.sd[atom] > 0
    error = rng.normal(size=many) * own
    rest = rng.normal(size=many) * np.sqrt(np.maximum(ground.sd[atom] ** 2 - own**2, 0.0))
    moved = ground.offset[atom] + np.where(alive, error + rest, 0.0)
    common = (cases.shared[who] * rng.normal(size=(many, 2))).sum(axis=1)
    off = rng.uniform(-1, 1, many) * cases.spread[who] + rng.normal(size=many) * cases.clearance_sd[who]
    truth = cases.clearance_after[who] + off - moved + common

    # What the survey and the ruler say, and what is believed then.
    t = np.inf if sd is None else np.where(today.surveyed[who], sd, np.sqrt(2) * sd)
    seen = error + rng.normal(size=many) * np.where(np.isfinite(t), t, 0.0)
    gain = np.where(np.isfinite(t), own**2 / np.maximum(own**2 + t**2, 1e-30), 0.0)
    kept = np.repeat(np.where(gain > 0, gain, 0.0) * own**2, ground.counts)
    living = ground.sd > 0
    offset = ground.offset + np.where(living, np.repeat(gain * seen, ground.counts), 0.0)
    left = np.sqrt(np.maximum(ground.sd**2 - kept, 0.0) * living)
    after = replace(some(cases, who), ground=Mixture(ground.start, offset, ground.weight, left))
    ruled = measured[who] & (cases.spread[who] > 0)
    reading = off + rng.normal(size=many) * cases.measure_sd
    after = replace(
        after,
        clearance_after=np.where(ruled, after.clearance_after + reading, after.clearance_after),
        clearance_sd=np.where(ruled, cases.measure_sd, after.clearance_sd),
        spread=np.where(ruled, 0.0, after.spread),
    )
    decision = decide(after, today.policy)
    decided = np.isin(decision.action, DECIDED)
    # Asked for certainty, a run writes the best choice whatever its chance.
    rise = decision.rise.copy()
    hidden = np.flatnonzero(decision.best < 0)
    bold = today.policy.model_copy(update={"confidence": 1 - 1e-9})
    rise[hidden] = decide(some(after, hidden), bold).rise
    dressing = today.policy.dressing.metres
    final = truth + rise
    right = (final >= decision.window.low - dressing) & (final <= decision.window.high + dressing)
    return decided.reshape(times, h).mean(axis=0), right.reshape(times, h).mean(axis=0)


@pytest.mark.parametrize(
    ("sd", "measured"), [(None, 0.0), (0.8, 0.0), (0.2, 0.0), (None, 1.0), (None, 0.4), (0.4, 1.0)]
)
def test_shares_and_wrong_lengths_are_those_of_surveys_drawn_and_decided_on(sd: float | None, measured: float) -> None:
    today = town(200, seed=11)
    sd = None if sd is None else sd * IN
    rows = with_choice(decide(today.cases, today.policy))
    ruled = np.random.default_rng(5).random(200) < measured
    decided, right = expected(today, rows, sd, ruled)
    drawn_decided, drawn_right = outcomes(today, sd, ruled, 500, seed=12)
    assert decided.mean() == pytest.approx(drawn_decided[rows].mean(), abs=0.005)
    assert right.mean() == pytest.approx(drawn_right[rows].mean(), abs=0.005)
    # Hydrant by hydrant: no more than chance allows in 500 draws of an even chance, once in ten such towns.
    assert np.abs(right - drawn_right[rows]).max() < 3.5 * np.sqrt(0.25 / 500)


# --- today ------------------------------------------------------------------------------------------------------


def best_by_enumeration(today: Today, i: int) -> float:
    """P(the best choice ends in the window), by SciPy's distributions and the contract's list of choices."""
    cases, rules = today.cases, today.policy
    ground = cases.ground.take(np.array([i]))
    strict = decide(cases, rules).window
    low, high = strict.low[i] - rules.dressing.metres, strict.high[i] + rules.dressing.metres
    extra = cases.clearance_sd[i] ** 2 + (cases.shared[i] ** 2).sum()
    fitted = np.nan_to_num(cases.fitted[i]) / IN
    # The assumed clearance in 4,000 equal parts.
    part = (
        uniform.ppf((np.arange(4000) + 0.5) / 4000, -cases.spread[i], 2 * cases.spread[i]) if cases.spread[i] else [0.0]
    )
    chances = []
    for option in possible(LENGTHS[cases.family[i]], fitted, 1):
        centre = cases.clearance_after[i] + option.rise * IN - ground.offset[:, None] + np.asarray(part)
        sd = np.maximum(np.sqrt(ground.sd**2 + extra), 1e-12)[:, None]
        inside = (norm.cdf(high, centre, sd) - norm.cdf(low, centre, sd)).mean(axis=1)
        chances.append(float(inside @ ground.weight))
    return max(chances)


@pytest.mark.parametrize(("seed", "calm"), [(1, 0.0), (2, 0.0), (3, 0.3)])
def test_todays_row_is_what_decide_says(seed: int, calm: float) -> None:
    today = town(300, seed, calm=calm)
    decision = decide(today.cases, today.policy)
    row = outlook(today, [0.01], 5)[0]
    has = np.isin(decision.action, (*DECIDED, *OPEN))
    assert (row.name, row.surface_sd, row.measured, row.hydrants) == ("today", None, 0, has.sum())
    assert row.decided == pytest.approx(np.isin(decision.action[has], DECIDED).mean(), abs=1e-12)
    # Where the hydrant is kept because the job does not alter it, its confidence is of that.
    chance = decision.confidence.copy()
    unaltered = has & (decision.best < 0)
    assert unaltered.any() == (calm > 0)
    for i in np.flatnonzero(unaltered):
        assert decision.action[i] == Action.keep
        chance[i] = best_by_enumeration(today, i)
    assert row.wrong == pytest.approx((1 - chance[has]).sum(), abs=1e-9 + 1e-4 * unaltered.sum())
    priced = has & np.isfinite(today.stake)
    assert row.risk == pytest.approx(((1 - chance) * today.stake)[priced].sum(), rel=1e-5)
    assert 0 < priced.sum() < has.sum()


def test_each_row_says_what_it_is_and_keeps_the_denominator() -> None:
    today = town(60, seed=3)
    found = outlook(today, [0.03, 0.01], 7)
    assumed = int((today.cases.spread[with_choice(decide(today.cases, today.policy))] > 0).sum())
    assert [(r.surface_sd, r.measured) for r in found] == [
        (None, 0), (0.03, 0), (0.01, 0), (None, assumed), (None, 7), (0.01, assumed),
    ]  # fmt: skip
    assert len({r.hydrants for r in found}) == 1
    assert len({r.name for r in found}) == 5


def test_the_worst_are_the_head_of_the_measuring_list() -> None:
    today = town(80, seed=4)
    decision = decide(today.cases, today.policy)
    head = measuring_list(today.cases, today.policy, decision, today.stake)
    found = outlook(today, [], 9)
    now, worst = found[0], found[2]
    assert now.wrong - worst.wrong == pytest.approx((head.wrong_now - head.wrong_after)[:9].sum(), abs=1e-9)


def test_a_hydrant_in_the_way_of_the_pavement_is_in_no_row() -> None:
    today = town(40, seed=6)
    way = np.zeros(40)
    way[:10] = 0.99
    moved = replace(today, cases=replace(today.cases, in_the_way=way))
    alone = with_choice(decide(today.cases, today.policy))
    found, plain = outlook(moved, [0.01], 3), outlook(today, [0.01], 3)
    assert found[0].hydrants == (alone >= 10).sum() < plain[0].hydrants


def test_a_town_without_a_choice_has_rows_without_a_share() -> None:
    cases = hydrants([4.0, 3.0], outside=True)
    today = Today(cases, policy(), np.zeros(2), np.zeros(2, dtype=bool), np.full(2, NAN))
    for row in outlook(today, [0.01], 3):
        assert row.hydrants == row.measured == row.wrong == 0
        assert np.isnan(row.decided)
        assert np.isnan(row.risk)


@pytest.mark.parametrize(("sds", "worst"), [([-0.01], 1), ([NAN], 1), ([0.01], -1)])
def test_negative_errors_and_counts_are_refused(sds: list[float], worst: int) -> None:
    with pytest.raises(ValueError, match="cannot be below 0"):
        outlook(town(5, seed=1), sds, worst)


# --- limits -----------------------------------------------------------------------------------------------------


def test_a_survey_that_knows_nothing_leaves_today_as_it_is() -> None:
    today = town(150, seed=7)
    now, endless = outlook(today, [1e7], 0)[:2]
    assert endless.wrong == pytest.approx(now.wrong, abs=1e-6)
    assert endless.decided == pytest.approx(now.decided, abs=1e-9)


def test_a_perfect_survey_of_the_only_error_is_wrong_only_where_no_length_ends_in_the_window() -> None:
    # Measured without error, one atom: after a perfect survey the right choice is known, where there is one.
    today = town(400, seed=8, assumed=0.0, exact=True)
    one = today.cases.ground.counts == 1
    rows = np.flatnonzero(one & np.isin(decide(today.cases, today.policy).action, (*DECIDED, *OPEN)))
    right = np.zeros(400)
    for found in right_choices(today.cases, today.policy, rows):
        right[found.rows] = found.chance.sum(axis=1)
    _, chance = expected(today, rows, 0.0, np.zeros(400, dtype=bool))
    assert chance.mean() == pytest.approx(right[rows].mean(), abs=0.002)
    # A step of a twentieth of an sd: its bell is 0.4 high, and the window has two ends.
    assert np.abs(chance - right[rows]).max() < 0.03


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_no_survey_and_no_measurement_makes_the_best_choice_worse(seed: int) -> None:
    today = town(250, seed)
    rows = with_choice(decide(today.cases, today.policy))
    no, yes = np.zeros(250, dtype=bool), np.ones(250, dtype=bool)
    now = expected(today, rows, None, no)[1]
    measured = expected(today, rows, None, yes)[1]
    last = now
    for sd in (3.0, 1.0, 0.5):
        better = expected(today, rows, sd * IN, no)[1]
        both = expected(today, rows, sd * IN, yes)[1]
        assert (better - last).min() > -2e-3  # better and better
        assert (better - now).min() > -1e-4
        assert (both - measured).min() > -2e-3
        assert (both - better).min() > -2e-3
        last = better
    assert (measured - now).min() > -1e-12
    assert (measured - now).max() > 0.05


def test_what_is_expected_of_a_hydrant_does_not_depend_on_its_company() -> None:
    today = town(60, seed=9)
    rows = with_choice(decide(today.cases, today.policy))
    yes = np.ones(60, dtype=bool)
    together = expected(today, rows, 0.01, yes)
    alone = [expected(today, rows[i : i + 1], 0.01, yes) for i in range(len(rows))]
    for k in (0, 1):
        assert together[k] == pytest.approx([a[k][0] for a in alone], abs=1e-12)


def test_under_a_surveyed_flange_only_the_new_after_surface_counts() -> None:
    # One surface of sd t tells what two of t / sqrt(2) tell.
    cases = hydrants([-3.0, -3.0], change=7.0, ground_sd=2.0, clearance_sd=0.25)
    own = np.full(2, 2 * IN)
    today = Today(cases, policy(), own, np.array([True, False]), np.ones(2))
    rows, none = np.arange(2), np.zeros(2, dtype=bool)
    flange = expected(today, rows, 1.0 * IN, none)
    change = expected(today, rows, 1.0 * IN / np.sqrt(2), none)
    assert flange[0][0] == pytest.approx(change[0][1], abs=1e-12)
    assert flange[0][0] > flange[0][1]


def test_kept_because_unaltered_ends_with_the_measurement() -> None:
    # Clearance assumed within 3 in, ground unchanged within half an inch: kept, although a clearance may be out.
    cases = hydrants([4.0], change=0.0, ground_sd=0.5, spread=6.0)
    today = Today(cases, policy(), np.array([0.5 * IN]), np.zeros(1, dtype=bool), np.ones(1))
    rows = np.arange(1)
    assert expected(today, rows, None, np.zeros(1, dtype=bool))[0][0] == 1.0
    # A survey of 0.1 in moves the change by sd 0.481 and leaves 0.136: kept within 1 - 1.2816 * 0.136 of nothing.
    survey = expected(today, rows, 0.1 * IN, np.zeros(1, dtype=bool))[0][0]
    assert survey == pytest.approx(2 * norm.cdf((1 - 1.2816 * 0.1361) / 0.4811) - 1, abs=0.002)
    assert expected(today, rows, None, np.ones(1, dtype=bool))[0][0] < 0.95


# --- stakes -----------------------------------------------------------------------------------------------------


def catalogue(*, gasket: float | None = 5.0, twelve: float | None = 240.0) -> Catalog:
    return Catalog.parse(
        {
            "extension": [
                {"family": "A", "length": "6 in", "part_number": "A6", "unit_cost": 200.0},
                {"family": "A", "length": "12 in", "part_number": "A12", "unit_cost": twelve},
                {"family": "B", "length": "6 in", "part_number": "B6"},
            ],
            "item": [
                {
                    "family": "A",
                    "description": "gasket",
                    "part_number": "g",
                    "quantity": 2,
                    "per": "piece",
                    "unit_cost": gasket,
                },
                {"family": "A", "description": "grease", "part_number": "o", "per": "visit", "unit_cost": 3.0},
            ],
        }
    )


FAMILIES = (("A", True), ("B", True), ("C", False))
# Family A: extend 12, keep, take 6 out; B: extend 6; C (not in the catalogue): extend 6.
SIX = hydrants(
    [-8.0, 4.0, 10.0, -2.0, -2.0, -8.0],
    fitted=[0.0, 0.0, 6.0, 0.0, 0.0, 0.0],
    lengths=((6, 12), (6,), (6,)),
    family=[0, 0, 0, 1, 2, 0],
    outside=[False] * 5 + [True],
)
# Twelve inches: 240 + 2 gaskets of 5 + grease 3. Mean kit: (200 + 240) / 2 + 13.


@pytest.mark.parametrize(
    ("settings", "expected_stakes"),
    [
        ({}, [253, 233, 233, NAN, NAN, 233]),
        ({"return_trip": 400.0}, [653, 633, 633, 400, 400, 633]),
        ({"kit": 100.0}, [100] * 6),
        ({"kit": 100.0, "return_trip": 400.0}, [500] * 6),
    ],
)
def test_a_wrong_length_costs_the_kit_and_a_trip(settings: dict[str, float], expected_stakes: list[float]) -> None:
    decision = decide(SIX, Policy())
    assert [Action(a).name for a in decision.action] == ["extend", "keep", "shorten", "extend", "extend", "outside"]
    chosen = {"kit": None, "return_trip": None} | settings
    found = stakes(decision, SIX.family, catalogue(), FAMILIES, **chosen)
    assert found == pytest.approx(expected_stakes, nan_ok=True)


def test_parts_without_a_cost_add_nothing_to_a_stake() -> None:
    decision = decide(SIX, Policy())
    found = stakes(decision, SIX.family, catalogue(gasket=None, twelve=None), FAMILIES, None, None)
    # Twelve inches: grease alone. Mean kit: the one length that has a cost, and grease.
    assert found[:3] == pytest.approx([3, 203, 203])
