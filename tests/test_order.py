"""The parts to order, judged by enumeration of every combination, SciPy's binomial, quadrature and sampling.

The window is 2 to 6 in, widened by 1 in of dressing to 1 to 7; with lengths six inches apart the right raise r
is the one with C between 1 - r and 7 - r, so that every probability below is a difference of two normals.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from scipy import stats

from gradecheck import Action, Cases, Catalog, Decision, Mixture, Policy, decide, total_order
from gradecheck.decision import DECIDED, OPEN
from gradecheck.order import OrderLine, Work, order_by, part_name, shared_nodes, total_cost

IN = 0.0254
TODAY = date(2027, 1, 4)
START = date(2027, 5, 3)
NAN = float("nan")


def part(kind: str, number: str, family: str = "A", **more: Any) -> tuple[str, dict[str, Any]]:
    return kind, {"part_number": number, "family": family, **more}


def catalog(*parts: tuple[str, dict[str, Any]]) -> Catalog:
    tables: dict[str, Any] = {"currency": "USD", "extension": [], "item": []}
    for kind, values in parts:
        tables[kind].append(values)
    return Catalog.parse(tables)


SIX = part("extension", "Q-6", length="6 in")
TWELVE = part("extension", "Q-12", length="12 in")
GASKET = part("item", "Q-G", description="gasket", quantity=2, per="piece")
GREASE = part("item", "Q-L", description="grease", quantity=1, per="visit")
USUAL = catalog(SIX, TWELVE, GASKET, GREASE)


@dataclass(frozen=True)
class Row:
    """A hydrant in inches: C if nothing is done, its own sd, what one sd of each shared error moves it by."""

    after: float
    sd: float = 0.05
    shared: tuple[float, float] = (0.0, 0.0)
    fitted: float = 0.0
    job: int = 0
    family: int = 0
    firm: bool = True


@dataclass(frozen=True)
class World:
    """What `total_order` is asked."""

    rows: Sequence[Row]
    catalog: Catalog = USUAL
    jobs: tuple[str, ...] = ("Sorrel Street",)
    starts: Mapping[str, date | None] | None = None
    families: tuple[tuple[str, bool], ...] = (("A", True),)
    policy: Policy = field(default_factory=Policy)
    today: date = TODAY

    def cases(self) -> Cases:
        rows, n = self.rows, len(self.rows)
        lengths = tuple(
            tuple(e.length.metres for e in self.catalog.extensions(name if known else "A"))
            for name, known in self.families
        )
        return Cases(
            clearance_after=np.array([r.after for r in rows]) * IN,
            change=np.zeros(n),
            ground=Mixture.single(np.array([r.sd for r in rows]) * IN),
            shared=np.array([r.shared for r in rows]) * IN,
            clearance_sd=np.zeros(n),
            spread=np.zeros(n),
            family=np.array([r.family for r in rows], dtype=np.int64),
            lengths=lengths,
            fitted=np.array([r.fitted for r in rows]) * IN,
            outlet=np.full(n, NAN),
            outside=np.array([r.job < 0 for r in rows]),
            measure_sd=0.25 * IN,
        )

    def decision(self) -> Decision:
        return decide(self.cases(), self.policy)

    def order(self) -> list[OrderLine]:
        decision = self.decision()
        firm = np.array([r.firm for r in self.rows]) & np.isin(decision.action, DECIDED)
        work = Work(
            job=np.array([r.job for r in self.rows], dtype=np.int64),
            family=np.array([r.family for r in self.rows], dtype=np.int64),
            firm=firm,
            jobs=self.jobs,
            starts=self.starts or dict.fromkeys(self.jobs, START),
            families=self.families,
        )
        return total_order(self.cases(), decision, work, self.catalog, self.policy, self.today, 14)

    def lines(self) -> dict[str | None, OrderLine]:
        """The lines of a single job by part number."""
        return {line.part_number: line for line in self.order()}


def between(row: Row, low: float, high: float) -> float:
    """P(low < C < high), shared errors and all."""
    centre, sd = row.after, float(np.hypot(row.sd, np.hypot(*row.shared)))
    return float(stats.norm.cdf(high, centre, sd) - stats.norm.cdf(low, centre, sd))


# Pieces of 6 in, pieces of 12 in, whether it is opened, and the C for which that is right.
Outcome = tuple[int, int, int, float, float]
FRESH: list[Outcome] = [(0, 0, 0, 1, 7), (1, 0, 1, -5, 1), (0, 1, 1, -11, -5)]
# A fitted 12 in: as it is, exchanged for 6 (r = -6), taken out (r = -12).
FITTED: list[Outcome] = [(0, 0, 0, 1, 7), (1, 0, 1, 7, 13), (0, 0, 1, 13, 19)]
# Two extensions allowed: 18 is 12 + 6 and 24 is 12 + 12.
STACKED: list[Outcome] = [*FRESH, (1, 1, 1, -17, -11), (0, 2, 1, -23, -17)]
# Only 6 in sold, two allowed.
SIXES: list[Outcome] = [(0, 0, 0, 1, 7), (1, 0, 1, -5, 1), (2, 0, 1, -11, -5)]


def enumerated(rows: Sequence[Row], outcomes: Sequence[list[Outcome]]) -> dict[tuple[int, int, int], float]:
    """The joint distribution of sixes, twelves and hydrants opened: every combination of every hydrant's choices."""
    total: dict[tuple[int, int, int], float] = {}
    choices = []
    for row, table in zip(rows, outcomes, strict=True):
        known = [(o[:3], between(row, *o[3:])) for o in table]
        choices.append([*known, ((0, 0, 0), 1 - sum(p for _, p in known))])
    for combination in itertools.product(*choices):
        counts = tuple(int(sum(c[0][k] for c in combination)) for k in range(3))
        total[counts] = total.get(counts, 0.0) + float(np.prod([c[1] for c in combination]))
    return total


def enough(distribution: Mapping[int, float], level: float) -> int:
    """The smallest number that suffices with probability `level`."""
    have = 0.0
    for number in sorted(distribution):
        have += distribution[number]
        if have >= level - 1e-12:
            return number
    raise AssertionError("probabilities do not sum to 1")


def judged(world: World, outcomes: Sequence[list[Outcome]]) -> None:
    """The order against the enumeration, for every part of `USUAL`."""
    assert np.isin(world.decision().action, OPEN).all()
    joint = enumerated(world.rows, outcomes)
    assert sum(joint.values()) == pytest.approx(1)
    uses = {
        "Q-6": lambda s, t, o: s,
        "Q-12": lambda s, t, o: t,
        "Q-G": lambda s, t, o: 2 * (s + t),
        "Q-L": lambda s, t, o: o,
    }
    lines = world.lines()
    for number, use in uses.items():
        one: dict[int, float] = {}
        for counts, chance in joint.items():
            one[use(*counts)] = one.get(use(*counts), 0.0) + chance
        expected = sum(k * p for k, p in one.items())
        if expected < 0.005:
            assert number not in lines
            continue
        assert lines[number].quantity_expected == pytest.approx(expected, abs=1e-6)
        assert lines[number].quantity_order == enough(one, world.policy.service_level)
        assert lines[number].quantity_firm == 0


OPEN_ROWS = [Row(1.0, 2.0), Row(0.2, 1.5), Row(-4.6, 3.0), Row(2.1, 2.5), Row(-5.2, 1.0), Row(-8.0, 4.0)]


@pytest.mark.parametrize("level", [0.3, 0.5, 0.8, 0.9, 0.99, 0.9999])
def test_the_quantity_is_that_of_every_combination_enumerated(level: float) -> None:
    judged(World(OPEN_ROWS, policy=Policy(service_level=level)), [FRESH] * 6)


def test_taking_out_and_exchanging_are_enumerated_too() -> None:
    rows = [Row(13.0, 2.0, fitted=12), Row(7.2, 2.0, fitted=12), Row(14.0, 3.0, fitted=12), Row(0.5, 2.0)]
    judged(World(rows), [FITTED] * 3 + [FRESH])


def test_a_hydrant_may_take_several_pieces_of_a_part() -> None:
    rows = [Row(-17.0, 2.0), Row(-11.2, 2.5), Row(-16.0, 4.0), Row(-4.5, 2.0)]
    judged(World(rows, policy=Policy(max_extensions=2)), [STACKED] * 4)
    only = catalog(SIX, GASKET, GREASE)
    judged(World(rows[1:], only, policy=Policy(max_extensions=2)), [SIXES] * 3)


def test_lengths_closer_than_the_window_change_over_halfway_to_the_target() -> None:
    # 6 and 8 in: both end in the window for C from -5 to -1; they are equally far from 4 in at C = -3, and over
    # it 6 is nearer. Against nothing, 6 takes over where C + 6 and C are equally far from 4: C = 1.
    eight = part("extension", "Q-8", length="8 in")
    table: list[Outcome] = [(0, 0, 0, 1, 7), (1, 0, 1, -3, 1), (0, 1, 1, -7, -3)]
    rows = [Row(-3.0, 2.0), Row(1.0, 2.0), Row(-6.4, 1.5)]
    world = World(rows, catalog(SIX, eight))
    assert np.isin(world.decision().action, OPEN).all()
    joint = enumerated(rows, [table] * 3)
    lines = world.lines()
    for number, at in (("Q-6", 0), ("Q-8", 1)):
        one: dict[int, float] = {}
        for counts, chance in joint.items():
            one[counts[at]] = one.get(counts[at], 0.0) + chance
        assert lines[number].quantity_order == enough(one, 0.9)
        assert lines[number].quantity_expected == pytest.approx(sum(k * p for k, p in one.items()), abs=1e-6)


@pytest.mark.parametrize("level", [0.1, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("n", [1, 7, 250])
def test_equal_hydrants_are_binomial(n: int, level: float) -> None:
    row = Row(1.3, 2.0)
    line = World([row] * n, policy=Policy(service_level=level)).lines()["Q-6"]
    p = between(row, -5, 1)
    assert line.quantity_expected == pytest.approx(n * p)
    assert line.quantity_order == stats.binom.ppf(level, n, p)


def test_decided_hydrants_are_added_to_the_binomial() -> None:
    row = Row(1.3, 2.0)
    line = World([row] * 40 + [Row(-2.0)] * 3 + [Row(-2.0, firm=False)] * 2).lines()["Q-6"]
    p = between(row, -5, 1)
    assert (line.quantity_firm, line.quantity_order) == (3, 5 + stats.binom.ppf(0.9, 40, p))
    assert line.quantity_expected == pytest.approx(5 + 40 * p)


# -- shared errors ----------------------------------------------------------------------------------------------


def sampled(rows: Sequence[Row], draws: int = 40_000) -> np.ndarray:
    """How many pieces of 6 in are right, drawn: one shared error of each surface, one own error of each hydrant."""
    rng = np.random.default_rng(5)
    common = rng.standard_normal((draws, 2))
    count = np.zeros(draws, dtype=int)
    for row in rows:
        c = row.after + common @ np.array(row.shared) + row.sd * rng.standard_normal(draws)
        count += (c > -5) & (c < 1)
    return count


SHARED = {
    "one surface": [Row(1.0 + 0.05 * i, 1.5, (1.2, 0.0)) for i in range(40)],
    "both surfaces alike": [Row(1.0 + 0.05 * i, 1.5, (0.9, -0.9)) for i in range(40)],
    "surveyed and measured": [Row(1.0 + 0.05 * i, 1.5, (1.1 * (i % 2), -0.8)) for i in range(40)],
    "unchanged ground among them": [Row(1.0 + 0.05 * i, 1.5, (1.5, 0.0) if i % 3 else (0.0, 0.0)) for i in range(40)],
}


@pytest.mark.parametrize("name", SHARED)
def test_a_shared_error_is_integrated_over_as_sampling_says(name: str) -> None:
    rows = SHARED[name]
    world = World(rows)
    assert np.isin(world.decision().action, OPEN).all()
    line, drawn = world.lines()["Q-6"], sampled(rows)
    slack = 4 * np.sqrt(0.9 * 0.1 / len(drawn))  # four standard errors of a share of 0.9
    assert (drawn <= line.quantity_order).mean() >= 0.9 - slack
    assert (drawn <= line.quantity_order - 1).mean() < 0.9 + slack
    assert line.quantity_expected == pytest.approx(drawn.mean(), abs=4 * drawn.std() / np.sqrt(len(drawn)))
    # The same hydrants with errors of their own of the same size need fewer: the test can tell.
    alone = World([Row(r.after, float(np.hypot(r.sd, np.hypot(*r.shared)))) for r in rows]).lines()["Q-6"]
    assert line.quantity_order > alone.quantity_order + 2


def in_common(row: Row, n: int, k: int) -> float:
    """P(at most k of n equal hydrants need 6 in) with one error in common, by SciPy's binomial on a fine grid."""
    z = np.linspace(-8, 8, 200_001)
    centre = row.after + row.shared[0] * z
    p = stats.norm.cdf(1, centre, row.sd) - stats.norm.cdf(-5, centre, row.sd)
    weight = stats.norm.pdf(z)
    return float((stats.binom.cdf(k, n, p) * weight).sum() / weight.sum())


@pytest.mark.parametrize("level", [0.7, 0.9])
@pytest.mark.parametrize(("own", "shared", "n"), [(1.5, 1.5, 100), (1.5, 1.5, 1000), (0.6, 1.8, 200), (0.2, 2.0, 200)])
def test_a_shared_error_larger_than_the_hydrants_own_is_integrated_exactly(
    own: float, shared: float, n: int, level: float
) -> None:
    row = Row(1.4, own, (shared, 0.0))
    line = World([row] * n, policy=Policy(service_level=level)).lines()["Q-6"]
    assert in_common(row, n, line.quantity_order) >= level - 0.005
    assert in_common(row, n, line.quantity_order - 1) < level + 0.005


def test_two_shared_errors_larger_than_the_hydrants_own_are_integrated_exactly() -> None:
    rows = [Row(1.4, 0.6, (1.6 * (i % 2), -1.0)) for i in range(60)]
    line, drawn = World(rows).lines()["Q-6"], sampled(rows)
    slack = 4 * np.sqrt(0.9 * 0.1 / len(drawn)) + 0.005
    assert (drawn <= line.quantity_order).mean() >= 0.9 - slack
    assert (drawn <= line.quantity_order - 1).mean() < 0.9 + slack


@pytest.mark.parametrize("own", [0.01, 0.3, 20.0])
def test_errors_that_the_two_grounds_share_on_one_line_are_one_normal(own: float) -> None:
    """What is integrated over has the moments of a standard normal, along the line of the loadings and nowhere else."""
    loadings = np.array([[0.03, 0.04], [-0.3, -0.4], [0.6, 0.8], [0.0, 0.0]])
    nodes = shared_nodes(loadings, np.full(4, own))
    weight, at = np.array([w for w, _ in nodes]), np.array([z for _, z in nodes])
    along = at @ np.array([0.6, 0.8])
    assert at @ np.array([-0.8, 0.6]) == pytest.approx(0, abs=1e-12)
    assert [weight @ along**k for k in range(5)] == pytest.approx([1, 0, 1, 0, 3], abs=1e-3)
    assert weight @ along == pytest.approx(0, abs=1e-12)


def test_steps_resolve_the_sharpest_hydrant_and_are_no_finer_than_that() -> None:
    # Half an own error of 0.3 against a loading of 1 is 0.15 sds: 34 steps to 5 sds on either side; 0.01 at the least.
    loadings = np.array([[0.3, 0.4], [0.6, 0.8]])
    assert len(shared_nodes(loadings, np.array([3.0, 0.3]))) == 2 * 34 + 1
    assert len(shared_nodes(loadings, np.array([3.0, 1e-6]))) == 2 * 500 + 1


@pytest.mark.parametrize("own", [0.01, 0.3, 20.0])
def test_errors_of_two_grounds_that_move_hydrants_apart_are_two_normals(own: float) -> None:
    nodes = shared_nodes(np.array([[0.3, 0.4], [0.4, -0.3]]), np.full(2, own))
    weight, at = np.array([w for w, _ in nodes]), np.array([z for _, z in nodes])
    assert weight.sum() == pytest.approx(1, abs=1e-12)
    assert weight @ at == pytest.approx([0, 0], abs=1e-12)
    assert at.T @ (weight[:, None] * at) == pytest.approx(np.eye(2), abs=1e-3)


def test_without_a_shared_error_there_is_nothing_to_integrate_over() -> None:
    assert shared_nodes(np.zeros((3, 2)), np.ones(3)) == [(1.0, None)]
    assert shared_nodes(np.zeros((0, 2)), np.ones(0)) == [(1.0, None)]


# -- what is counted --------------------------------------------------------------------------------------------


def test_decided_hydrants_take_exactly_the_parts_of_their_choice() -> None:
    rows = [
        Row(-2.0),  # ends at 4 with 6
        Row(-8.0),  # with 12
        Row(4.0),  # as it is
        Row(-2.0, fitted=12),  # 18 is not sold: too low, nothing helps
        Row(10.0, fitted=12),  # exchanged for 6
        Row(16.0, fitted=12),  # taken out
        Row(16.0),  # too high
        Row(NAN),  # no elevation
        Row(-2.0, job=-1),  # outside
    ]
    world = World(rows)
    assert [Action(a).name for a in world.decision().action] == [
        "extend",
        "extend",
        "keep",
        "between_lengths",
        "shorten",
        "shorten",
        "too_high",
        "no_elevation",
        "outside",
    ]
    lines = world.lines()
    # Pieces: 6 twice, 12 once; opened: four of them, the one taken out included; gaskets two a piece.
    assert {n: line.quantity_order for n, line in lines.items()} == {"Q-6": 2, "Q-12": 1, "Q-G": 6, "Q-L": 4}
    assert {n: line.quantity_firm for n, line in lines.items()} == {"Q-6": 2, "Q-12": 1, "Q-G": 6, "Q-L": 4}
    assert {n: line.quantity_expected for n, line in lines.items()} == {"Q-6": 2, "Q-12": 1, "Q-G": 6, "Q-L": 4}


def test_a_stack_takes_two_pieces_and_one_visit() -> None:
    lines = World([Row(-20.0)], policy=Policy(max_extensions=2)).lines()
    assert {n: line.quantity_order for n, line in lines.items()} == {"Q-12": 2, "Q-G": 4, "Q-L": 1}


def test_only_firm_hydrants_count_as_firm() -> None:
    line = World([Row(-2.0), Row(-2.0, firm=False), Row(-2.0, firm=False)]).lines()["Q-6"]
    assert (line.quantity_firm, line.quantity_order) == (1, 3)


@pytest.mark.parametrize("level", [0.001, 0.5, 0.999])
def test_the_quantity_is_never_below_the_firm_one_and_rises_with_the_service_level(level: float) -> None:
    rows = [*OPEN_ROWS, *[Row(-2.0)] * 4]
    line = World(rows, policy=Policy(service_level=level)).lines()["Q-6"]
    surer = World(rows, policy=Policy(service_level=(1 + level) / 2)).lines()["Q-6"]
    assert 4 == line.quantity_firm <= line.quantity_order <= surer.quantity_order


def test_nothing_to_order_is_no_line() -> None:
    assert World([Row(4.0), Row(NAN), Row(16.0)]).order() == []


def test_lines_stand_by_job_family_length_and_then_items() -> None:
    other = [part("extension", "R-12", "B", length="12 in"), part("extension", "R-6", "B", length="6 in")]
    rows = [Row(-8, job=1), Row(-2, job=1), Row(-2, job=0), Row(-2, job=1, family=1), Row(-8, job=1, family=1)]
    world = World(
        rows, catalog(TWELVE, GREASE, GASKET, SIX, *other), ("first", "second"), families=(("A", True), ("B", True))
    )
    assert [(line.job, line.part_number) for line in world.order()] == [
        ("first", "Q-6"),
        ("first", "Q-L"),
        ("first", "Q-G"),
        ("second", "Q-6"),
        ("second", "Q-12"),
        ("second", "Q-L"),
        ("second", "Q-G"),
        ("second", "R-6"),
        ("second", "R-12"),
    ]


# -- stock, packs, money, dates ---------------------------------------------------------------------------------


def three_jobs(**stocked: Any) -> list[OrderLine]:
    """Three jobs needing 5 of one part each."""
    rows = [Row(-2.0, job=j) for j in (2, 0, 1) for _ in range(5)]
    return World(rows, catalog(part("extension", "Q-6", length="6 in", **stocked)), ("a", "b", "c")).order()


def test_three_jobs_needing_5_each_with_5_in_stock_buy_10() -> None:
    lines = three_jobs(on_hand=5)
    assert [(x.job, x.quantity_order, x.on_hand, x.quantity_buy) for x in lines] == [
        ("a", 5, 5, 0),
        ("b", 5, 0, 5),
        ("c", 5, 0, 5),
    ]


@pytest.mark.parametrize(
    ("stock", "left", "buy"),
    [(0, [0, 0, 0], [5, 5, 5]), (7, [7, 2, 0], [0, 3, 5]), (14, [14, 9, 4], [0, 0, 1]), (99, [99, 94, 89], [0, 0, 0])],
)
def test_stock_is_one_pool_given_out_in_the_order_of_the_jobs(stock: int, left: list[int], buy: list[int]) -> None:
    lines = three_jobs(on_hand=stock)
    assert [x.on_hand for x in lines] == left
    assert [x.quantity_buy for x in lines] == buy


@pytest.mark.parametrize(("pack", "buy"), [(1, [3, 5, 5]), (2, [4, 6, 6]), (5, [5, 5, 5]), (12, [12, 12, 12])])
def test_whole_packs_are_bought(pack: int, buy: list[int]) -> None:
    lines = three_jobs(on_hand=2, pack_size=pack)
    assert [x.quantity_buy for x in lines] == buy
    assert [x.pack_size for x in lines] == [pack] * 3


def test_stock_is_shared_by_families_that_use_the_same_part() -> None:
    parts = [part("extension", "Q-6", f, length="6 in", on_hand=3) for f in ("A", "B")]
    world = World([Row(-2.0)] * 2 + [Row(-2.0, family=1)] * 2, catalog(*parts), families=(("A", True), ("B", True)))
    assert [(x.family, x.on_hand, x.quantity_buy) for x in world.order()] == [("A", 3, 0), ("B", 1, 1)]


def test_money_is_exact() -> None:
    (line,) = World([Row(-2.0)] * 3, catalog(part("extension", "Q", length="6 in", unit_cost=0.1))).order()
    assert (line.unit_cost, line.cost, line.currency) == (Decimal("0.1"), Decimal("0.3"), "USD")
    (dear,) = World([Row(-2.0)] * 7, catalog(part("extension", "Q", length="6 in", unit_cost=310.07))).order()
    assert dear.cost == Decimal("2170.49")


def test_no_cost_known_is_no_cost_and_none_bought_costs_nothing() -> None:
    (line,) = World([Row(-2.0)], catalog(SIX)).order()
    assert (line.unit_cost, line.cost) == (None, None)
    (held,) = World([Row(-2.0)], catalog(part("extension", "Q", length="6 in", unit_cost=9, on_hand=1))).order()
    assert held.cost == 0


# 2027-05-03 less 14 and 42 days: 3 May back 56 days is 8 March (28 of April and May, 31 of March; counted by hand).
@pytest.mark.parametrize(
    ("today", "wanted"),
    [
        (date(2027, 1, 4), "2027-03-08"),
        (date(2027, 3, 8), "2027-03-08"),
        (date(2027, 3, 9), "2027-03-08 late"),
        (date(2028, 1, 1), "2027-03-08 late"),
    ],
)
def test_the_last_day_to_order_counts_back_from_the_start(today: date, wanted: str) -> None:
    assert order_by(START, 14, 42, today) == wanted
    (line,) = World([Row(-2.0)], catalog(part("extension", "Q", length="6 in", lead_days=42)), today=today).order()
    assert line.order_by == wanted


def test_the_last_day_is_each_job_s_own_and_blank_where_it_cannot_be_told() -> None:
    rows = [Row(-2.0, job=j) for j in range(3)]
    starts = {"a": date(2027, 3, 1), "b": date(2028, 3, 1), "c": None}
    timed = World(rows, catalog(part("extension", "Q", length="6 in", lead_days=1)), ("a", "b", "c"), starts)
    # 2028 is a leap year: 1 March less 15 days is 15 February; in 2027 it is 14 February.
    assert [x.order_by for x in timed.order()] == ["2027-02-14", "2028-02-15", None]
    untimed = World(rows, catalog(SIX), ("a", "b", "c"), starts)
    assert [x.order_by for x in untimed.order()] == [None] * 3


def test_a_family_that_the_catalogue_does_not_have_is_not_orderable() -> None:
    world = World([Row(-2.0), Row(-2.0, family=1)], families=(("A", True), ("Z", False)))
    line = world.order()[-1]
    assert (line.family, line.part_number, line.quantity_buy, line.cost) == ("Z", None, None, None)
    assert (line.supplier, line.currency, line.on_hand, line.pack_size) == ("", "", None, None)
    assert (line.item, line.length) == ("extension", pytest.approx(6 * IN))
    assert (line.unit_cost, line.order_by) == (None, None)
    assert "not orderable" in line.description
    assert (line.quantity_order, line.length) == (1, pytest.approx(6 * IN))
    assert len([x for x in world.order() if x.family == "Z"]) == 1


def test_the_order_does_not_depend_on_the_order_of_the_hydrants() -> None:
    rows = [*OPEN_ROWS, Row(-2.0, job=1), Row(-8.0), Row(2.0, 3.0, (1.0, -0.5), job=1), Row(13.0, 2.0, fitted=12)]
    world = World(rows, jobs=("a", "b"))
    turned = World(rows[::-1], jobs=("a", "b"))
    for one, other in zip(world.order(), turned.order(), strict=True):
        assert one.quantity_expected == pytest.approx(other.quantity_expected, abs=1e-9)
        assert (one.job, one.part_number, one.quantity_order) == (other.job, other.part_number, other.quantity_order)


def test_what_lines_cost_together_is_exact_and_leaves_out_what_is_not_known() -> None:
    priced = catalog(part("extension", "Q-6", length="6 in", unit_cost=0.1), part("extension", "Q-12", length="12 in"))
    lines = World([Row(-2.0)] * 3 + [Row(-8.0)], priced).order()
    assert [line.cost for line in lines] == [Decimal("0.3"), None]
    assert total_cost(lines) == Decimal("0.3")
    assert total_cost(lines[1:]) is None
    assert total_cost([]) is None


def test_a_length_is_described_as_the_catalogue_does_else_by_its_length() -> None:
    own = part("extension", "Q-6", length="6 in", description="riser, short")
    rows = [Row(-2.0, 0.1), Row(-8.0, 0.1)]
    lines = World(rows, catalog(own, TWELVE)).lines()
    assert lines["Q-6"].description == "riser, short"
    assert lines["Q-12"].description == "12 in extension"


def test_a_part_is_called_as_the_catalogue_does_else_by_its_length_or_as_an_item() -> None:
    lines = World([Row(-2.0)], catalog(part("extension", "Q-6", length="6 in", description="riser"), GASKET)).lines()
    assert [part_name(line, "in") for line in lines.values()] == ["riser", "gasket"]
    said = {line.item: line.description for line in World([Row(-2.0)]).order()}
    assert said == {"extension": "6 in extension", "gasket": "2 per new extension", "grease": "1 per hydrant opened"}
    (line,) = World([Row(-2.0)], families=(("Z", False),)).order()
    assert part_name(line, "in") == "6 in extension"
    assert part_name(line, "mm") == "152.4 mm extension"


def test_jobs_and_families_that_do_not_meet_have_no_lines() -> None:
    """Two open hydrants of two families in two jobs: a line for each, none for the other two combinations."""
    parts = catalog(SIX, part("extension", "R-6", length="6 in", family="B"))
    rows = [Row(1.0, 2.0, job=0, family=0), Row(1.0, 2.0, job=1, family=1)]
    world = World(rows, parts, jobs=("Elm", "Fir"), families=(("A", True), ("B", True)))
    assert np.isin(world.decision().action, OPEN).all()
    found = {(line.job, line.part_number) for line in world.order() if line.quantity_expected > 0.005}
    assert found == {("Elm", "Q-6"), ("Fir", "R-6")}
