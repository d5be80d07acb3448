"""Do the stated probabilities come true? Judged by drawing what may be true and counting.

Two hundred thousand invented hydrants: first what is on file (ground, points, tape), then the truth drawn around
it with the errors that the plan states, through `grade_change`, `clearances` and `decide`. And the right choice
of single hydrants: its probabilities against samples of the clearance, judged by the enumeration in tests/cases.py.

`python -m tests.reference.test_calibration` prints how many wrong lengths are ordered, beside the plain rule
"round the change to the nearest length".
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import pytest
import shapely

from gradecheck.change import GradeChange, grade_change
from gradecheck.clearance import Clearance, Errors, clearances
from gradecheck.decision import OPEN, Action, Cases, Decision, decide, right_choices
from gradecheck.policy import Policy
from gradecheck.surfaces import Heights
from gradecheck.surfaces.design import Design
from tests.cases import EVERYWHERE, FT, GENERIC_INCHES, IN, NAN, atoms, hydrants, policy, possible

HYDRANTS = 200_000
BLOCK = 100.0
CURB = 6 * IN
RULES = Policy()
ERRORS = Errors(measured=0.25 * IN, surveyed=0.02 * FT, before_shared=0.0, after_shared=0.0, position=0.0)
# Existing ground surveyed well and plainly, by good and by common lidar; design staked well and plainly.
BEFORE_SD = np.array([0.02, 0.05, 0.15, 0.33]) * FT
AFTER_SD = np.array([0.02, 0.05]) * FT
DRAWS = 3
SETTING = f"""{HYDRANTS:,} invented hydrants, changes of -14 to 40 in; a quarter within 2.5 m of a new curb of 6 in,
half with an extension, seven flanges in ten measured to 0.25 in; points good to 1 m, existing ground to 0.02, 0.05,
0.15 or 0.33 ft, design to 0.02 or 0.05 ft; lengths 6 to 60 in by 6 in, confidence 0.9."""


@dataclass(frozen=True)
class Streets:
    """Ground in blocks 100 m apart, one a hydrant: a level, and a curb that rises at x = 0 in every other block.

    raised: (n,) metres above 100; curb: (n,) step; sd: (n,).
    """

    raised: Any
    curb: Any
    sd: Any

    @property
    def extent(self) -> shapely.Geometry:
        return shapely.buffer(EVERYWHERE, 1e8)

    def heights(self, x: Any, y: Any) -> Heights:
        block = np.rint(y / BLOCK).astype(np.int64)
        z = 100 + self.raised[block] + np.where(x > 0, self.curb[block], 0.0) - 0.02 * x
        return Heights(z, self.sd[block], np.zeros(len(x), dtype=np.int32), ("street",))


@dataclass(frozen=True)
class Town:
    """What is on file of n hydrants, what was decided, and DRAWS truths around what is on file, (DRAWS, n)."""

    change: GradeChange
    clearance: Clearance
    cases: Cases
    decision: Decision
    true_change: Any
    true_after: Any

    @cached_property
    def window(self) -> tuple[Any, Any]:
        strict, dressing = self.decision.window, RULES.dressing.metres
        return strict.low - dressing - 1e-9, strict.high + dressing + 1e-9

    def inside(self, rise: Any) -> Any:
        """(DRAWS, n) whether the true clearance after a raise lies in the widened window."""
        low, high = self.window
        return (self.true_after + rise >= low) & (self.true_after + rise <= high)

    @cached_property
    def mendable(self) -> Any:
        """(DRAWS, n) whether any choice truly ends in the widened window."""
        found = np.zeros(self.true_after.shape, dtype=bool)
        for fitted in np.unique(self.cases.fitted):
            mine = self.cases.fitted == fitted
            for option in possible(GENERIC_INCHES, round(fitted / IN, 6), RULES.max_extensions):
                found |= mine & self.inside(option.rise * IN)
        return found

    def stands(self, *actions: Action) -> Any:
        return np.isin(self.decision.action, actions)


@lru_cache(maxsize=1)
def town() -> Town:
    n = HYDRANTS
    rng = np.random.default_rng(4711)
    # Half stand within 2.5 m of a curb line, with the step in the design in half of these.
    x = np.where(rng.random(n) < 0.5, rng.uniform(-2.5, 2.5, n), rng.uniform(6, 12, n) * rng.choice([-1, 1], n))
    y = BLOCK * np.arange(n)
    curb = np.where(rng.random(n) < 0.5, CURB, 0.0)
    raised = np.where(rng.random(n) < 0.12, 0.0, rng.uniform(-14, 40, n) * IN)
    before_sd, after_sd = rng.choice(BEFORE_SD, n), rng.choice(AFTER_SD, n)
    before = Streets(np.zeros(n), np.zeros(n), before_sd)
    after = Streets(raised - np.where(x > 0, curb, 0.0), curb, after_sd)
    change = grade_change(before, Design(after, None, None), x, y, 1.0, np.zeros(n, dtype=bool))
    measured = np.where(rng.random(n) < 0.7, rng.uniform(1, 8, n) * IN, NAN)
    clearance = clearances(change, measured, np.full(n, NAN), before_sd, RULES, ERRORS)
    cases = Cases(
        clearance_after=clearance.after,
        change=change.change,
        ground=change.ground,
        shared=clearance.shared,
        clearance_sd=clearance.sd,
        spread=clearance.spread,
        family=np.zeros(n, dtype=np.int64),
        lengths=(tuple(v * IN for v in GENERIC_INCHES),),
        fitted=rng.choice([0, 0, 0, 6, 12, 18], n) * IN,
        outlet=np.where(rng.random(n) < 0.3, rng.uniform(13, 34, n) * IN, NAN),
        outside=np.zeros(n, dtype=bool),
        measure_sd=ERRORS.measured,
    )
    # The truth: where the hydrant really stands, what the ground really does there, what the clearance really is.
    error = rng.standard_normal((5, DRAWS, n))
    there = np.ravel(x + error[0]), np.ravel(y + error[1])
    drawn = (after.heights(*there).z - before.heights(*there).z).reshape(DRAWS, n)
    true_change = drawn + before_sd * error[2] + after_sd * error[3]
    today = np.where(np.isnan(measured), rng.uniform(1, 7, (DRAWS, n)) * IN, measured + ERRORS.measured * error[4])
    return Town(change, clearance, cases, decide(cases, RULES), true_change, today - true_change)


def off_by_tenths(stated: Any, came_true: Any) -> Any:
    """(10,) stated probability less the share that came true, in tenths of equal count by rising probability."""
    order = np.argsort(stated, kind="stable")
    return np.array([stated[t].mean() - came_true[:, t].mean() for t in np.array_split(order, 10)])


def by_choice() -> Any:
    """Rows whose confidence is that of a choice: all but the unaltered, the too high and the between lengths."""
    t = town()
    return (t.decision.best >= 0) & t.stands(Action.keep, Action.extend, Action.shorten, *OPEN)


def test_of_what_is_stated_with_probability_p_the_share_p_ends_in_the_window() -> None:
    t, rows = town(), by_choice()
    assert rows.sum() > 0.8 * HYDRANTS
    off = off_by_tenths(t.decision.confidence[rows], t.inside(t.decision.rise)[:, rows])
    assert np.abs(off).max() <= 0.01, off.round(4)


def test_it_holds_beside_a_curb_alone_and_for_each_kind_of_clearance() -> None:
    t, rows = town(), by_choice()
    curb = t.cases.ground.counts > 1
    assert (rows & curb).sum() > 0.1 * HYDRANTS
    for part in (rows & curb, rows & (t.cases.spread > 0), rows & (t.cases.spread == 0), rows & (t.cases.outlet > 0)):
        stated, true = t.decision.confidence[part], t.inside(t.decision.rise)[:, part]
        # Smaller parts: 0.01, and three standard errors of a share of a half.
        assert np.abs(off_by_tenths(stated, true)).max() <= 0.01 + 3 * 0.5 / np.sqrt(DRAWS * part.sum() / 10)


def test_what_is_decided_is_wrong_as_often_as_stated() -> None:
    t = town()
    rows = by_choice() & t.stands(Action.keep, Action.extend, Action.shorten)
    stated, true = t.decision.confidence[rows], t.inside(t.decision.rise)[:, rows]
    assert stated.min() >= RULES.confidence - 1e-9
    assert stated.mean() == pytest.approx(true.mean(), abs=0.003)


def test_what_is_called_unmendable_or_unaltered_is_so_as_often_as_stated() -> None:
    t = town()
    low, high = t.window
    unaltered = t.stands(Action.keep) & (t.decision.best < 0)
    for rows, event in (
        (t.stands(Action.too_high), (t.true_after > high) & ~t.mendable),
        (t.stands(Action.between_lengths), (t.true_after < low) & ~t.mendable),
        (unaltered, np.abs(t.true_change) <= RULES.dressing.metres + 1e-9),
    ):
        assert rows.sum() > 50
        stated, share = t.decision.confidence[rows].mean(), event[:, rows].mean()
        # Probabilities are 0.9 and more: four standard errors of a share of 0.9.
        assert abs(stated - share) <= 4 * 0.3 / np.sqrt(DRAWS * rows.sum())


def test_the_expected_number_of_each_length_at_open_hydrants_comes_true() -> None:
    t = town()
    open_rows = np.flatnonzero(t.stands(*OPEN))
    wanted = np.zeros(len(GENERIC_INCHES))
    spread = np.zeros(len(GENERIC_INCHES))
    came_true = np.zeros(len(GENERIC_INCHES))
    low, high = t.window
    for part in right_choices(t.cases, RULES, open_rows):
        options = possible(GENERIC_INCHES, round(part.options.fitted / IN, 6), 1)
        options.sort(key=lambda o: o.preference)
        final = t.true_after[0, part.rows, None] + np.array([o.rise for o in options]) * IN
        fits = (final >= low[part.rows, None]) & (final <= high[part.rows, None])
        off = np.where(fits, np.abs(final - RULES.clearance_target.metres), np.inf)
        chosen = np.where(fits.any(axis=1), off.argmin(axis=1), -1)
        for i, length in enumerate(GENERIC_INCHES):
            takes = [j for j, o in enumerate(options) if o.pieces == (length,)]
            came_true[i] += np.isin(chosen, takes).sum()
            p = part.chance[:, [j for j, pieces in enumerate(part.options.pieces) if pieces == (i,)]].sum(axis=1)
            wanted[i] += p.sum()
            spread[i] += (p * (1 - p)).sum()
    assert wanted.min() > 100
    assert (np.abs(wanted - came_true) <= 4 * np.sqrt(spread) + 0.005 * wanted).all()


# --- wrong lengths: this rule and the plain one --------------------------------------------------------------------


@dataclass(frozen=True)
class Tally:
    """Lengths that a rule orders, how many of these end outside the widened window, and hydrants left as they are."""

    ordered: int
    wrong: int
    left: int
    left_wrong: int

    @property
    def share(self) -> float:
        return self.wrong / self.ordered


@lru_cache(maxsize=1)
def tallies() -> dict[str, Tally]:
    """The decided hydrants of this rule; the plain rule on those same ones, and on all of them."""
    t = town()
    plain = np.clip(np.rint(t.change.change / (6 * IN)), 0, 10) * 6 * IN
    decided = by_choice() & t.stands(Action.keep, Action.extend, Action.shorten)
    everything = np.ones(len(t.cases), dtype=bool)
    found = {}
    for name, rows, rise, new in (
        ("gradecheck, where it decides", decided, t.decision.rise, t.decision.new),
        ("plain rule, on the same hydrants", decided, plain, plain),
        ("plain rule, on all hydrants", everything, plain, plain),
    ):
        orders, wrong = rows & (new > 0), ~t.inside(rise)[0]
        leaves = rows & (new == 0)
        found[name] = Tally(*(int(v.sum()) for v in (orders, orders & wrong, leaves, leaves & wrong)))
    return found


def test_far_fewer_wrong_lengths_are_ordered_than_by_rounding_the_change() -> None:
    ours, same, everywhere = tallies().values()
    assert min(ours.ordered, same.ordered) > 10_000
    assert ours.share <= 1 - RULES.confidence
    assert ours.share < 0.25 * same.share
    assert everywhere.share > same.share


def figures() -> None:
    """Print the tallies and what they rest on."""
    t = town()
    decided = t.stands(Action.keep, Action.extend, Action.shorten)
    print(SETTING)
    print(f"decided: {decided.sum():,}; to measure or to set on site: {t.stands(*OPEN).sum():,}")
    for name, tally in tallies().items():
        print(
            f"{name:<34} orders {tally.ordered:>7,} lengths, {tally.wrong:>7,} wrong ({tally.share:.1%}); "
            f"leaves {tally.left:>6,} as they are, {tally.left_wrong:>6,} wrongly"
        )
    rows = by_choice()
    off = off_by_tenths(t.decision.confidence[rows], t.inside(t.decision.rise)[:, rows])
    print(f"stated less true, in tenths by confidence: {', '.join(f'{v:+.4f}' for v in off)}")


# --- the right choice of single hydrants ---------------------------------------------------------------------------

SAMPLE = 200_000


@pytest.mark.parametrize("most", [1, 2, 3])
@pytest.mark.parametrize(
    "rules",
    [
        {},
        {"dressing": 2.5, "clearance_target": 2.5},
        {"clearance_min": 1, "clearance_target": 6, "clearance_max": 9, "max_extension": 20},
        {"dressing": 0, "clearance_target": 5.5},
    ],
)
def test_the_right_choice_has_the_probabilities_of_a_large_sample(rules: dict[str, Any], most: int) -> None:
    """Known and assumed clearances, humps, a narrowed window, uneven lengths, fitted and not, at once."""
    lengths = ((4, 7, 15), (6, 12, 18, 24))
    ground = atoms(
        [(0, 1, 2)],
        [(0, 0.55, 0.4), (6, 0.45, 0.4)],
        [(0.5, 0.2, 0), (-3, 0.5, 0.8), (7, 0.3, 0.1)],
        [(0, 1, 0.3)],
        [(0, 0.7, 1), (-6, 0.3, 2)],
    )
    cases = hydrants(
        [-3, -9.3, 6.1, 2.2, -14],
        change=[7, 13.3, -2.1, 1.8, 18],
        ground=ground,
        clearance_sd=[0.5, 0, 0.25, 0, 0],
        spread=[0, 3, 0, 4.2, 2.5],
        fitted=[0, 11, 9, 7, 0],
        outlet=[NAN, 14.5, NAN, 32.7, 13.2],
        family=[0, 1, 0, 1, 0],
        lengths=lengths,
        shared=(0.8, -1.5),
    )
    settings = policy(max_extensions=most, **rules)
    rng = np.random.default_rng(90 + most)
    found = {
        int(r): (p.options, p.chance[k])
        for p in right_choices(cases, settings, np.arange(5))
        for k, r in enumerate(p.rows)
    }
    strict = decide(cases, settings).window
    for i in range(5):
        after = sampled_after(cases, i, rng)
        fitted = round(float(cases.fitted[i]) / IN, 6)
        longest = settings.max_extension.to("in") if settings.max_extension else np.inf
        expected = right_shares(
            after, possible(lengths[int(cases.family[i])], fitted, most, longest), window_inches(i, strict, settings)
        )
        options, chance = found[i]
        stated = {round(float(r) / IN, 4): float(c) for r, c in zip(options.rise, chance, strict=True)}
        assert sorted(stated) == sorted(expected)
        for rise, share in expected.items():
            assert stated[rise] == pytest.approx(share, abs=4.5 * 0.5 / np.sqrt(SAMPLE)), (i, rise)
        assert (chance >= 0).all()
        assert chance.sum() <= 1 + 1e-9


def sampled_after(cases: Cases, i: int, rng: np.random.Generator) -> Any:
    """SAMPLE clearances after the job of hydrant i, in inches, from the meaning of each field."""
    m = cases.ground.take(np.array([i]))
    atom = rng.choice(len(m.weight), SAMPLE, p=m.weight)
    after = cases.clearance_after[i] - m.offset[atom] + m.sd[atom] * rng.standard_normal(SAMPLE)
    after += cases.clearance_sd[i] * rng.standard_normal(SAMPLE) + cases.spread[i] * rng.uniform(-1, 1, SAMPLE)
    after += (cases.shared[i] * rng.standard_normal((SAMPLE, 2))).sum(axis=1)
    return after / IN


def window_inches(i: int, strict: Any, rules: Policy) -> tuple[float, float, float]:
    dressing = rules.dressing.to("in")
    return strict.low[i] / IN - dressing, strict.high[i] / IN + dressing, rules.clearance_target.to("in")


def right_shares(after: Any, options: Any, window: tuple[float, float, float]) -> dict[float, float]:
    """For every raise the share of the sample for which it is right: in the window and nearest the target."""
    low, high, target = window
    rises = np.array(sorted({round(o.rise, 4) for o in options}))
    final = after[:, None] + rises
    off = np.where((final >= low) & (final <= high), np.abs(final - target), np.inf)
    chosen = np.where(np.isfinite(off).any(axis=1), off.argmin(axis=1), len(rises))
    counts = np.bincount(chosen, minlength=len(rises) + 1)
    return dict(zip(rises.tolist(), (counts[:-1] / SAMPLE).tolist(), strict=True))


def chances(after: float, rules: Policy | None = None, **known: Any) -> dict[float, float]:
    part = right_choices(hydrants([after], **known), rules or policy(), np.array([0]))[0]
    return {
        round(float(r) / IN, 6): round(float(c), 6)
        for r, c in zip(part.options.rise, part.chance[0], strict=True)
        if c > 1e-7
    }


def test_right_choices_that_the_reader_can_check() -> None:
    # W 1 to 7. Exact: -4 takes 6 in; -5 may take 6 or 12 and takes the longer; 1 is left; 8 has no right choice.
    assert chances(-4) == {6: 1}
    assert chances(-5) == {12: 1}
    assert chances(1) == {0: 1}
    assert chances(8) == {}
    # Uniform on -2 to 4: above 1 it is left, below it takes 6.
    assert chances(1, spread=3) == {0: 0.5, 6: 0.5}
    # Sold 12 only: below 1 nothing is right.
    assert chances(1, spread=3, lengths=(12,)) == {0: 0.5}


def test_where_two_choices_end_in_the_window_they_part_at_equal_distance_from_the_target() -> None:
    # W 0 to 8, uniform on -2 to 4, target 3: from 0 on nothing is nearer than 6 in more, below 0 it is not in W.
    rules = policy(dressing=2, clearance_target=3)
    assert chances(1, rules, spread=3) == {0: pytest.approx(4 / 6, abs=1e-6), 6: pytest.approx(2 / 6, abs=1e-6)}
    # Target 5: they part at |C - 5| = |C + 1|, C = 2.
    rules = policy(dressing=2, clearance_target=5)
    assert chances(1, rules, spread=3) == {0: pytest.approx(2 / 6, abs=1e-6), 6: pytest.approx(4 / 6, abs=1e-6)}


def test_a_target_outside_the_narrowed_window_draws_to_its_nearer_end() -> None:
    # Outlet 12.5: 5.5 to 6, W 4.5 to 7 with 1 in; lengths of 1 in. Uniform on 4 to 6.
    # Target 4 lies below W: the lowest final in W is right; left from 4.5 on, below that 1 in more.
    assert chances(5, outlet=12.5, lengths=(1,), spread=1) == {0: 0.75, 1: 0.25}


def test_chances_and_none_are_one_where_every_clearance_has_its_choice() -> None:
    # Steps of 6 in, a window of 6 in: from -53 to 7 nothing is lost; N(-20, 4) has 1e-11 beyond.
    part = right_choices(hydrants([-20], ground_sd=4), policy(), np.array([0]))[0]
    assert part.chance.sum() == pytest.approx(1, abs=1e-7)
    assert (part.chance > 1e-7).sum() > 4


def test_fixed_shared_errors_averaged_over_are_the_shared_errors() -> None:
    # NumPy's Gauss-Hermite nodes in both errors against the spread that they make together.
    cases = hydrants([-3.3, 2], ground_sd=[1, 0.5], spread=[0, 3], shared=(1.2, -0.7))
    x, w = np.polynomial.hermite_e.hermegauss(40)
    w = w / w.sum()
    for kind in range(2):
        rows = np.array([kind])
        whole = right_choices(cases, policy(), rows)[0].chance
        parts = [
            wa * wb * right_choices(cases, policy(), rows, (a, b))[0].chance
            for a, wa in zip(x, w, strict=True)
            for b, wb in zip(x, w, strict=True)
        ]
        assert np.sum(parts, axis=0) == pytest.approx(whole, abs=1e-4)
    # One sd of the first error lifts C by 1.2 in, one of the second lowers it by 0.7.
    exact = hydrants([0.9], shared=(1.2, -0.7))
    assert right_choices(exact, policy(), np.array([0]), (1.0, 0.0))[0].chance[0][0] == pytest.approx(1)
    assert right_choices(exact, policy(), np.array([0]), (0.0, 1.0))[0].chance[0][1] == pytest.approx(1)


if __name__ == "__main__":
    figures()
