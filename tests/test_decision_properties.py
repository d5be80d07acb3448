"""What must hold of every decision, over hydrants that hypothesis draws.

Judged by the enumeration in tests/cases.py, by SciPy's normal summed over the places and the clearances that a
hydrant may have, and by what a change of the input must do to the output.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, event, given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from gradecheck.change import grade_change
from gradecheck.clearance import Errors, clearances
from gradecheck.decision import DECIDED, Action, Cases, Decision, decide, right_choices, together
from gradecheck.policy import Policy
from tests.cases import (
    IN,
    NAN,
    Ground,
    Row,
    Site,
    assessed,
    atoms,
    exact_plan,
    hydrants,
    open_design,
    policy,
    possible,
    right,
    rows,
)

LENGTHS = ((6, 12, 18, 30), (5, 8))
MANY = settings(max_examples=150, deadline=None)


@dataclass(frozen=True)
class One:
    """A hydrant in inches: `places` are (offset, weight, sd) of the ground about it."""

    after: float
    change: float
    places: tuple[tuple[float, float, float], ...]
    clearance_sd: float
    spread: float
    fitted: float
    outlet: float
    family: int
    outside: bool


def eighths(low: int, high: int) -> st.SearchStrategy[float]:
    return st.integers(low * 8, high * 8).map(lambda v: v / 8)


@st.composite
def places(draw: Any) -> tuple[tuple[float, float, float], ...]:
    count = draw(st.integers(1, 3))
    weights = [draw(st.integers(1, 9)) for _ in range(count)]
    return tuple((draw(eighths(-9, 9)), w / sum(weights), draw(eighths(0, 4))) for w in weights)


ONE = st.builds(
    One,
    after=st.one_of(eighths(-45, 25), st.just(NAN)),
    change=eighths(-12, 40),
    places=places(),
    clearance_sd=eighths(0, 2),
    spread=st.sampled_from([0.0, 0.0, 3.0, 4.5]),
    fitted=st.sampled_from([0.0, 0.0, NAN, 6.0, 11.0, 18.0]),
    outlet=st.one_of(st.just(NAN), eighths(10, 42)),
    family=st.integers(0, 1),
    outside=st.sampled_from([False, False, False, True]),
)
RULES = st.builds(
    lambda low, aim, high, **other: policy(
        clearance_min=low, clearance_target=low + aim, clearance_max=low + aim + high, **other
    ),
    low=eighths(0, 3),
    aim=eighths(0, 4),
    high=eighths(1, 5),
    dressing=eighths(0, 2),
    max_extensions=st.integers(1, 3),
    confidence=st.sampled_from([0.5, 0.75, 0.9, 0.95]),
    outlet_from=st.sampled_from(["ground", "flange"]),
)
LISTS = st.lists(ONE, min_size=1, max_size=8)


def cases(ones: list[One]) -> Cases:
    return hydrants(
        [o.after for o in ones],
        change=[o.change for o in ones],
        ground=atoms(*(o.places for o in ones)),
        clearance_sd=[0.0 if o.spread else o.clearance_sd for o in ones],
        spread=[o.spread for o in ones],
        fitted=[o.fitted for o in ones],
        outlet=[o.outlet for o in ones],
        family=[o.family for o in ones],
        outside=[o.outside for o in ones],
        lengths=LENGTHS,
        shared=(0.3, -0.2),
    )


def alike(a: Row, b: Row) -> bool:
    return all(
        # A sum may be taken in another order in other company.
        x == y or (isinstance(x, float) and np.isclose(x, y, rtol=0, atol=1e-12, equal_nan=True))
        for x, y in ((getattr(a, f.name), getattr(b, f.name)) for f in fields(Row))
    )


def the_same(found: list[Row], expected: list[Row]) -> None:
    assert len(found) == len(expected)
    for a, b in zip(found, expected, strict=True):
        assert alike(a, b), (a, b)


# --- company ------------------------------------------------------------------------------------------------------


@given(LISTS, RULES, st.randoms(use_true_random=False))
@MANY
def test_decisions_do_not_depend_on_the_order_of_the_rows(ones: list[One], rules: Policy, random: Any) -> None:
    order = list(range(len(ones)))
    random.shuffle(order)
    straight = rows(decide(cases(ones), rules))
    the_same(rows(decide(cases([ones[i] for i in order]), rules)), [straight[i] for i in order])


@given(LISTS, RULES, st.integers(0, 8))
@MANY
def test_decisions_do_not_depend_on_splitting_the_rows_in_two(ones: list[One], rules: Policy, at: int) -> None:
    halves = [part for part in (ones[:at], ones[at:]) if part]
    apart = [row for part in halves for row in rows(decide(cases(part), rules))]
    the_same(apart, rows(decide(cases(ones), rules)))


@given(LISTS, RULES, st.randoms(use_true_random=False), st.integers(1, 3))
@MANY
def test_decisions_of_parts_put_together_are_those_of_all(
    ones: list[One], rules: Policy, random: Any, among: int
) -> None:
    part_of = np.array([random.randrange(among) for _ in ones])
    everyone = cases(ones)
    parts = []
    for part in np.unique(part_of).tolist():
        members = np.flatnonzero(part_of == part)
        random.shuffle(members)
        parts.append((members, decide(cases([ones[i] for i in members.tolist()]), rules)))
    found, whole = together(parts, everyone.family), decide(everyone, rules)
    the_same(rows(found), rows(whole))
    for name in ("low", "high", "empty"):
        assert getattr(found.window, name).tolist() == getattr(whole.window, name).tolist()
    for row in np.flatnonzero(whole.table >= 0).tolist():
        mine, theirs = found.tables[found.table[row]], whole.tables[whole.table[row]]
        assert (mine.lengths, mine.fitted, mine.pieces) == (theirs.lengths, theirs.fitted, theirs.pieces)
    assert len({(t.lengths, t.fitted) for t in found.tables}) <= len(found.tables) <= len(whole.tables)
    back = whole.taken(np.arange(len(ones))[::-1])
    the_same(rows(back), rows(whole)[::-1])
    for name in ("low", "high", "empty"):
        assert getattr(back.window, name).tolist() == getattr(whole.window, name).tolist()[::-1]


@given(LISTS, RULES)
@settings(max_examples=60, deadline=None)
def test_right_choices_do_not_depend_on_company(ones: list[One], rules: Policy) -> None:
    known = np.flatnonzero(np.isfinite([o.after for o in ones]))
    assume(len(known))
    for part in right_choices(cases(ones), rules, known):
        for row, chance in zip(part.rows.tolist(), part.chance, strict=True):
            alone = right_choices(cases([ones[row]]), rules, np.array([0]))[0]
            assert alone.options.rise.tolist() == part.options.rise.tolist()
            assert alone.chance[0] == pytest.approx(chance, abs=1e-14)


# --- what is chosen -----------------------------------------------------------------------------------------------


def window_of(one: One, rules: Policy) -> tuple[float, float]:
    """The widened window in inches, by the contract's words."""
    low, high = rules.clearance_min.to("in"), rules.clearance_max.to("in")
    if np.isfinite(one.outlet) and rules.outlet_from == "ground":
        bottom = max(low, rules.outlet_min.to("in") - one.outlet)
        top = min(high, rules.outlet_max.to("in") - one.outlet)
        low, high = (bottom, top) if bottom <= top else (low, high)
    return low - rules.dressing.to("in"), high + rules.dressing.to("in")


def options_of(one: One, rules: Policy) -> Any:
    return possible(LENGTHS[one.family], 0.0 if np.isnan(one.fitted) else one.fitted, rules.max_extensions)


@given(LISTS, RULES)
@MANY
def test_without_error_the_right_choice_is_made_and_is_certain(ones: list[One], rules: Policy) -> None:
    exact = [replace(o, places=((0.0, 1.0, 0.0),), clearance_sd=0.0, spread=0.0) for o in ones]
    known = replace(cases(exact), shared=np.zeros((len(ones), 2)))
    for one, row in zip(exact, rows(decide(known, rules)), strict=True):
        if one.outside or np.isnan(one.after):
            assert row.action == ("outside" if one.outside else "no_elevation")
            continue
        low, high = window_of(one, rules)
        choice = right(one.after, options_of(one, rules), low, high, rules.clearance_target.to("in"))
        assert row.confidence == 1
        if choice is None:
            assert row.action == ("too_high" if one.after > high else "between_lengths")
            assert (row.rise, row.new, row.out) == (0, 0, 0)
        else:
            target = rules.clearance_target.to("in")
            assert row.action == ("keep" if row.rise == 0 else "extend" if row.rise > 0 else "shorten")
            assert low - 1e-6 <= row.final <= high + 1e-6
            assert row.final == pytest.approx(one.after + row.rise, abs=1e-6)
            # Two stacks as far above the target as below it may be equal in all that the contract asks of a tie.
            assert abs(row.final - target) == pytest.approx(abs(one.after + choice.rise - target), abs=1e-6)
            assert (len(row.parts), row.left, -max(row.parts, default=0.0)) == choice.preference
            assert (sum(row.parts), row.new - row.out) == (row.new, row.rise)


def chance_of(one: One, rise: float, low: float, high: float, shared: float) -> float:
    """P(low <= C + rise <= high): SciPy's normal, summed over the places and 4,000 assumed clearances."""
    total = 0.0
    for offset, weight, sd in one.places:
        spread = np.sqrt(sd**2 + shared**2 + (0.0 if one.spread else one.clearance_sd**2))
        centre = one.after - offset + rise + one.spread * ((np.arange(4000) + 0.5) / 2000 - 1)
        total += weight * np.mean(norm.cdf(high, centre, spread) - norm.cdf(low, centre, spread))
    return float(total)


@given(
    one=st.builds(replace, ONE, after=eighths(-34, 14), outside=st.just(False)),
    rules=RULES.map(lambda r: r.model_copy(update={"confidence": 0.999})),
)
@MANY
def test_the_best_choice_has_the_highest_probability_and_it_is_what_scipy_says(one: One, rules: Policy) -> None:
    found = decide(cases([one]), rules)
    row = rows(found)[0]
    event(row.action)
    if found.best[0] < 0:
        return
    low, high = window_of(one, rules)
    shared = float(np.hypot(0.3, 0.2))
    options = options_of(one, rules)
    chances = {round(o.rise, 6): chance_of(one, o.rise, low, high, shared) for o in options}
    assert row.confidence == pytest.approx(chances[row.rise], abs=2e-4)
    assert row.confidence >= max(chances.values()) - 2e-4
    if found.second[0] >= 0:
        second = round(float(found.tables[found.table[0]].rise[found.second[0]]) / IN, 6)
        others = [p for rise, p in chances.items() if rise != row.rise]
        assert second != row.rise
        assert chances[second] >= max(others) - 2e-4


@given(LISTS, RULES)
@MANY
def test_only_what_reaches_the_confidence_is_decided(ones: list[One], rules: Policy) -> None:
    for row in rows(decide(cases(ones), rules)):
        if row.action in ("outside", "no_elevation"):
            assert np.isnan(row.confidence)
        elif row.action in ("measure", "on_site"):
            assert row.confidence < rules.confidence
        else:
            assert row.confidence >= rules.confidence - 1e-9
        assert (row.action == "extend") <= (row.rise > 0)
        assert (row.action == "shorten") <= (row.rise < 0)
        if row.action in ("keep", "too_high", "between_lengths"):
            assert (row.rise, row.new, row.out) == (0, 0, 0)


@given(LISTS, RULES)
@MANY
def test_right_choices_are_probabilities(ones: list[One], rules: Policy) -> None:
    known = np.flatnonzero(np.isfinite([o.after for o in ones]))
    for part in right_choices(cases(ones), rules, known):
        assert (part.chance >= 0).all()
        assert (part.chance.sum(axis=1) <= 1 + 1e-9).all()


# --- what a change of the input does ------------------------------------------------------------------------------


@given(
    h=eighths(-30, 30),
    slope=st.tuples(st.floats(-0.1, 0.1), st.floats(-0.1, 0.1)),
    position_sd=st.sampled_from([0.0, 1.0]),
    known=st.lists(st.sampled_from([(4.0, NAN), (NAN, NAN), (NAN, 9.5), (3.0, 6.0)]), min_size=1, max_size=5),
)
@settings(max_examples=60, deadline=None)
def test_the_design_raised_by_h_lowers_every_clearance_by_h(
    h: float, slope: tuple[float, float], position_sd: float, known: list[tuple[float, float]]
) -> None:
    """And leaves the errors as they are; over a curb, so that humps are among them."""
    n = len(known)
    x, y = np.linspace(-2, 40, n), np.linspace(3, -7, n)
    measured = np.array([k[0] for k in known]) * IN
    flange = 100 + np.array([k[1] for k in known]) * IN

    def after(lift: float) -> Any:
        def design(px: Any, py: Any) -> Any:
            return 100.1 + lift + slope[0] * px + slope[1] * py + np.where(px > 0.3, 6 * IN, 0.0)

        old = Ground(lambda px, py: 100 + 0.02 * px, 0.03)
        change = grade_change(old, open_design(Ground(design, 0.01)), x, y, position_sd, np.isfinite(flange))
        sds = np.full(n, 0.03)
        return change, clearances(change, measured, flange, sds, Policy(), Errors(0.006, 0.006, 0.01, 0.02, 0.0))

    (low_change, low), (high_change, high) = after(0.0), after(h * IN)
    assert low.after - high.after == pytest.approx(np.full(n, h * IN), abs=1e-9)
    assert high_change.change - low_change.change == pytest.approx(np.full(n, h * IN), abs=1e-9)
    assert high_change.position_sd == pytest.approx(low_change.position_sd, abs=1e-9)
    assert high_change.ground.start.tolist() == low_change.ground.start.tolist()
    assert high.before.tolist() == pytest.approx(low.before.tolist(), nan_ok=True)


OWN = ("before__sd", "after__sd", "tape", "survey", "hydrants__position_sd")
SHARED = ("before__sd_shared", "after__sd_shared")
ERROR_SIZES = st.fixed_dictionaries(
    {k: eighths(0, 1) for k in OWN} | dict.fromkeys(SHARED, st.sampled_from([0.0, 0.0, 0.5]))
)


def firm(sites: list[Site], errors: dict[str, float], slope: float) -> Any:
    """Which hydrants of a town on one sloping design are firm, given each error in inches (position: metres)."""
    plan = exact_plan(
        hydrants__clearance={"column": "c", "unit": "in", "sd": f"{errors['tape']} in"},
        hydrants__flange_elevation={"column": "f", "unit": "m", "sd": f"{errors['survey']} in"},
        hydrants__position_sd=f"{errors['hydrants__position_sd']} m",
        **{k: f"{v} in" for k, v in errors.items() if k.endswith(("__sd", "shared"))},
    )
    return sloping(sites, plan, slope).firm


def sloping(sites: list[Site], plan: Any, slope: float) -> Any:
    """Every site with a change of its own on a plane that falls to the north-east, or lies flat."""
    change = np.array([s.change for s in sites], dtype=float) * IN

    def z(x: Any, y: Any) -> Any:
        at = np.clip(np.rint(x / 1000).astype(int), 0, len(sites) - 1)
        return 100 + change[at] - slope * (x - 1000 * at) - 0.5 * slope * y

    return assessed(sites, plan, design=open_design(Ground(z, plan.after.sd.metres)))


SITES = st.lists(
    st.builds(
        Site,
        change=eighths(-8, 30),
        measured=st.one_of(eighths(0, 8), st.none()),
        flange=st.one_of(st.none(), eighths(0, 8)),
        fitted=st.sampled_from([0.0, 6.0, 12.0, None]),
    ),
    min_size=1,
    max_size=6,
)


@given(
    sites=SITES,
    errors=st.fixed_dictionaries(
        {k: eighths(0, 1) for k in OWN} | dict.fromkeys(SHARED, st.sampled_from([0.0, 0.0, 0.5]))
    ),
    which=st.sampled_from(OWN + SHARED),
    more=eighths(0, 3),
    slope=st.sampled_from([0.0, 0.03, 0.2]),
)
@settings(max_examples=60, deadline=None)
def test_on_plane_ground_a_larger_error_never_makes_a_row_firm(
    sites: list[Site], errors: dict[str, float], which: str, more: float, slope: float
) -> None:
    """Any error of any source. Beside a step it can, and rightly so: see the cases of test_decision."""
    less = firm(sites, errors, slope)
    event(f"{less.sum()} firm")
    assert (firm(sites, errors | {which: errors[which] + more}, slope) <= less).all()


@given(LISTS, RULES, st.sampled_from([0, 1, 2]), eighths(0, 3))
@MANY
def test_with_one_hump_a_larger_error_never_decides_a_known_clearance(
    ones: list[One], rules: Policy, which: int, more: float
) -> None:
    plain = [replace(o, places=((0.0, 1.0, o.places[0][2]),), spread=0.0) for o in ones]

    def settled(rows_: list[One], shared: float) -> Any:
        many = cases(rows_)
        return np.isin(decide(replace(many, shared=many.shared * shared), rules).action, DECIDED)

    worse = plain
    if which == 0:
        worse = [replace(o, places=((0.0, 1.0, o.places[0][2] + more),)) for o in plain]
    if which == 1:
        worse = [replace(o, clearance_sd=o.clearance_sd + more) for o in plain]
    assert (settled(worse, 1 + more if which == 2 else 1) <= settled(plain, 1)).all()


@given(LISTS, RULES, st.sampled_from([0.6, 0.7, 0.8]))
@settings(max_examples=80, deadline=None)
def test_asking_for_more_confidence_never_decides_more(ones: list[One], rules: Policy, more: float) -> None:
    least = rules.model_copy(update={"confidence": 0.5})
    strict = rules.model_copy(update={"confidence": more})

    def final(found: Decision) -> Any:
        return ~np.isin(found.action, (Action.measure, Action.on_site))

    many = cases(ones)
    assert (final(decide(many, strict)) <= final(decide(many, least))).all()
