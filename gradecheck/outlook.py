"""What would settle the open hydrants: better surfaces, measured flanges, or both. Pure; metres.

Nobody knows beforehand what a survey will say. Each row is the expectation over all that it may say, given what
is believed today: preposterior analysis and the value of sample information (Raiffa & Schlaifer 1961, Applied
Statistical Decision Theory, chapters 4 and 5). Outcomes are integrated on fixed nodes; nothing is drawn.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from gradecheck import engine
from gradecheck.cases import Cases
from gradecheck.catalog import Catalog
from gradecheck.chances import within_dressing
from gradecheck.choices import Choices
from gradecheck.decision import Decision, decide
from gradecheck.measuring import (
    alike,
    best_chance,
    decided_when_measured,
    margin,
    measuring_list,
    right_when_measured,
    share_above,
    taken,
    with_choice,
)
from gradecheck.order import takes
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats, Ints, Mixture, normal_cdf

_SURVEYS = (40, 80, 160)
"""Outcomes of a survey to each side of none, 4.5 sds in all: as many as what is left uncertain asks for."""
_SURVEYS_MEASURED = (8,)
"""The same where flanges are measured too: each is a mean over all that may be measured already."""
_TAIL_SDS = 4.5
_STILL = 1e-9
"""Metres: a survey that moves C by less tells nothing."""
_LEFT_SDS = 1.0
"""The step between outcomes, in sds of what is left uncertain: found to keep shares within 0.002 of ever finer ones."""
_CASES = 40_000
"""Outcomes times hydrants worked at a time."""


@dataclass(frozen=True, slots=True)
class Today:
    """What is known before anything is bought or measured; H hydrants.

    own_sd: (H,) metres, the surfaces' own (independent) error, today, in what moves the clearance: the change, or
        the after ground alone where the flange is surveyed; 0 where the ground is unchanged. NaN counts as 0.
    surveyed: (H,) the clearance rests on a surveyed flange, so that the after ground alone moves it.
    stake: (H,) expected cost of a wrong length (see `stakes`), NaN unknown.
    """

    cases: Cases
    policy: Policy
    own_sd: Floats
    surveyed: Bools
    stake: Floats


@dataclass(frozen=True, slots=True)
class Outlook:
    """One row: what is expected under one scenario, over the hydrants that have a choice today.

    name: in words, with no unit. surface_sd: metres, of both new surfaces; None for today's. measured: flanges
    measured. hydrants: how many have a choice today, the denominator of every row. decided: expected share of them
    that is kept, extended or shortened at the plan's confidence; NaN without hydrants. wrong: expected number
    whose best choice, confident or not, does not end in the window. risk: the same in money, over those whose stake
    is known; NaN where none is.
    """

    name: str
    surface_sd: float | None
    measured: int
    hydrants: int
    decided: float
    wrong: float
    risk: float


def outlook(today: Today, surface_sds: Sequence[float], worst: int) -> tuple[Outlook, ...]:
    """Today's row, one for each sd of new surfaces, all assumed flanges measured, the `worst` measured, and both.

    surface_sds: metres, the own sd of both surfaces of a new survey, combined with today's. worst: how many from
    the head of the measuring list. "Both" is the best surface of the list and all assumed flanges measured; the row
    is left out where the list is empty. Raises ValueError for an sd below 0 or not a number, or `worst` below 0.
    """
    if worst < 0 or not all(sd >= 0 for sd in surface_sds):
        raise ValueError(f"sds and the number of flanges cannot be below 0: {list(surface_sds)}, {worst}")
    decision = decide(today.cases, today.policy)
    rows = with_choice(decision)
    none = np.zeros(len(today.cases), dtype=bool)
    assumed = none.copy()
    assumed[rows] = today.cases.spread[rows] > 0
    first = none.copy()
    first[measuring_list(today.cases, today.policy, decision, today.stake).index[:worst]] = True
    scenarios: list[tuple[str, float | None, Bools]] = [("today", None, none)]
    scenarios += [("better surfaces", float(sd), none) for sd in surface_sds]
    scenarios += [("all assumed flanges measured", None, assumed), ("worst flanges measured", None, first)]
    if len(surface_sds):
        scenarios.append(("best surfaces and all assumed flanges measured", float(min(surface_sds)), assumed))
    # The last takes as long as all others together: begun first.
    return tuple(engine.each(lambda scenario: _row(today, rows, *scenario), scenarios[::-1])[::-1])


def _row(today: Today, rows: Ints, name: str, surface_sd: float | None, measured: Bools) -> Outlook:
    decided, right = expected(today, rows, surface_sd, measured)
    stake = today.stake[rows]
    priced = np.isfinite(stake)
    return Outlook(
        name=name,
        surface_sd=surface_sd,
        measured=int(measured[rows].sum()),
        hydrants=len(rows),
        decided=float(decided.mean()) if len(rows) else float("nan"),
        wrong=float((1 - right).sum()),
        risk=float(((1 - right) * stake)[priced].sum()) if priced.any() else float("nan"),
    )


def expected(today: Today, rows: Ints, surface_sd: float | None, measured: Bools) -> tuple[Floats, Floats]:
    """For hydrants `rows` (n,), each once: P(decided) and P(the best choice ends in W), expected over all outcomes.

    surface_sd: metres, of both new surfaces; None: no survey. measured: (H,) flanges that are measured; only those
    whose clearance is assumed today count. Decided is what `decide` would say of the new inputs, "not altered" among
    it; right is of the best choice even there. A measured clearance is weighed by Bayes' rule against what was assumed.
    """
    decided, right = np.zeros(len(today.cases)), np.zeros(len(today.cases))
    told = _told(today, surface_sd)
    again = measured & (today.cases.spread > 0)
    for some, find in ((again, _measured), (~again, _unmeasured)):
        for options, part in alike(today.cases, today.policy, rows[some[rows]]):
            decided[part], right[part] = find(taken(today.cases, part), options, today.policy, told[part])
    return decided[rows], np.clip(right[rows], 0.0, 1.0)


def _told(today: Today, surface_sd: float | None) -> Floats:
    """(H,) metres: sd of what a survey will move the centre of C by, sqrt(s² - p²); 0 without a survey.

    s is today's own error, t the new one (of two surfaces, or of one under a surveyed flange); 1/p² = 1/s² + 1/t²,
    hence s² - p² = s⁴ / (s² + t²).
    """
    if surface_sd is None:
        return np.zeros(len(today.cases))
    s2 = np.square(np.nan_to_num(today.own_sd))
    total = s2 + np.square(np.where(today.surveyed, 1.0, np.sqrt(2.0)) * surface_sd)
    out: Floats = s2 / np.sqrt(np.where(total > 0, total, 1.0))
    return out


def _surveyed(cases: Cases, told: Floats, nodes: Floats) -> Cases:
    """The cases after each outcome of a survey, K for each hydrant one after the other: (n,) -> (n*K,).

    told: (n,) sd of what moves C. nodes: (K,) outcomes in sds. An atom whose own error is smaller than that (the
    ground beyond a design, which is known to be unchanged) moves by no more than its own error.
    """
    after = taken(cases, np.repeat(np.arange(len(cases)), len(nodes)))
    ground = after.ground
    counts = ground.counts
    step = np.minimum(np.repeat(np.repeat(told, len(nodes)), counts), ground.sd)
    sd = np.sqrt(np.maximum(np.square(ground.sd) - np.square(step), 0.0))
    offset = ground.offset - step * np.repeat(np.tile(nodes, len(cases)), counts)
    return replace(after, ground=Mixture(ground.start, offset, ground.weight, sd))


def _outcomes(told: Floats, smooth: Floats, halves: Sequence[int]) -> Iterator[tuple[Ints, Floats]]:
    """Rows with the outcomes (K,), in sds, to look at for each of them, in pieces that fit in memory.

    told: (n,) sd of what moves C. smooth: (n,) the longest step of C that follows the chances of the choices.
    """
    wanted = np.searchsorted(halves, _TAIL_SDS * told / np.maximum(smooth, _STILL))
    level = np.where(told > _STILL, np.minimum(wanted, len(halves) - 1), -1)
    for which in np.unique(level):
        half = halves[which] if which >= 0 else 0
        nodes = np.arange(-half, half + 1) * (_TAIL_SDS / max(half, 1))
        rows = np.flatnonzero(level == which)
        for part in np.array_split(rows, -(-len(rows) * len(nodes) // _CASES)):
            yield part, nodes


def _weights(nodes: Floats) -> Floats:
    """Of the trapezoid rule for a standard normal."""
    weight = np.exp(-0.5 * np.square(nodes))
    out: Floats = weight / weight.sum()
    return out


def _unmeasured(cases: Cases, options: Choices, policy: Policy, told: Floats) -> tuple[Floats, Floats]:
    """(n,) each, of cases of one table and kind: P(decided), P(right), expected over the outcomes of a survey."""
    decided, right = np.zeros(len(cases)), np.zeros(len(cases))
    for part, nodes in _outcomes(told, _LEFT_SDS * _left(cases, told), _SURVEYS):
        after = _surveyed(taken(cases, part), told[part], nodes)
        chance = best_chance(after, options, policy, np.zeros((len(after), 1)))[:, 0]
        sure = chance
        if cases.spread[0] > 0:  # not altered by the job: kept, whatever the clearance
            sure = np.maximum(chance, within_dressing(after, np.arange(len(after)), policy))
        if len(nodes) > 1:
            mass = np.diff(normal_cdf(nodes, np.zeros(1), np.ones(1)))
            decided[part] = share_above(margin(sure, policy).reshape(len(part), -1), mass)
        else:
            decided[part] = sure >= policy.confidence - 1e-12
        right[part] = chance.reshape(len(part), -1) @ _weights(nodes)
    return decided, right


def _left(cases: Cases, told: Floats) -> Floats:
    """(n,) metres: the smallest sd that C has about any of its atoms after a survey; half a spread counts as one."""
    atoms = np.square(cases.ground.sd) - np.square(np.minimum(np.repeat(told, cases.ground.counts), cases.ground.sd))
    ground = np.minimum.reduceat(atoms, cases.ground.start[:-1])
    rest = cases.shared_variance(np.arange(len(cases))) + np.square(cases.clearance_sd) + np.square(cases.spread / 2)
    out: Floats = np.sqrt(np.maximum(ground, 0.0) + rest)
    return out


def _measured(cases: Cases, options: Choices, policy: Policy, told: Floats) -> tuple[Floats, Floats]:
    """(n,) each, of assumed clearances of one table and kind: the same, over what is measured as well."""
    decided, right = np.zeros(len(cases)), np.zeros(len(cases))
    for part, nodes in _outcomes(told, cases.spread / 2, _SURVEYS_MEASURED):
        after = _surveyed(taken(cases, part), told[part], nodes)
        each, sure = np.zeros(len(after)), np.zeros(len(after))
        for _, some in alike(after, policy, np.arange(len(after))):
            local = taken(after, some)
            sure[some] = decided_when_measured(local, options, policy)
            each[some] = right_when_measured(local, options, policy)
        weight = _weights(nodes)
        decided[part], right[part] = (v.reshape(len(part), -1) @ weight for v in (sure, each))
    return decided, right


# --- what a wrong length costs ----------------------------------------------------------------------------------------


def stakes(
    decision: Decision,
    family: Ints,
    catalog: Catalog,
    families: Sequence[tuple[str, bool]],
    kit: float | None,
    return_trip: float | None,
) -> Floats:
    """(H,) expected cost of a wrong length, in the catalogue's currency: the kit to be ordered and a return trip.

    family: (H,) index into `families`, names and whether the catalogue has them. kit: of any hydrant, instead of the
    catalogue's costs; return_trip: of one; None unknown. The kit is what the best choice takes, pieces and items, packs
    ignored; where that puts no piece in, the mean kit of one length of the family. What is known counts: a part without
    a unit cost adds nothing, nor does an unknown trip. NaN where neither a trip nor the cost of any part is known.
    """
    cost = np.full(len(decision), np.nan)
    if kit is not None:
        cost[:] = kit
    else:
        for code, (name, known) in enumerate(families):
            mine = np.flatnonzero(family == code)
            if known and len(mine):
                cost[mine] = _kits(decision, mine, catalog, name)
    if return_trip is not None:
        cost = np.nan_to_num(cost) + return_trip
    return cost


def _kits(decision: Decision, rows: Ints, catalog: Catalog, family: str) -> Floats:
    """(n,) cost of what the best choice of each row takes; NaN where the cost of no part is known."""
    cost = np.full(len(rows), _mean_kit(catalog, family))
    for table in np.unique(decision.table[rows][decision.table[rows] >= 0]):
        mine = np.flatnonzero((decision.table[rows] == table) & (decision.best[rows] >= 0))
        options = decision.tables[table]
        best = decision.best[rows[mine]]
        adds = np.array([len(p) > 0 for p in options.pieces])[best]
        cost[mine[adds]] = _costs(options, catalog, family)[best[adds]]
    return cost


def _costs(options: Choices, catalog: Catalog, family: str) -> Floats:
    """(J,) cost of the priced parts that each choice takes; NaN where none of them is priced."""
    extensions, items = catalog.extensions(family), catalog.items(family)
    total, known = np.zeros(len(options)), np.zeros(len(options), dtype=bool)
    for thing, each in takes(options, items).items():
        unit = (extensions[thing] if thing >= 0 else items[-1 - thing]).unit_cost
        if unit is not None:
            total += unit * each
            known |= each > 0
    return np.where(known, total, np.nan)


def _mean_kit(catalog: Catalog, family: str) -> float:
    """Mean cost of one length of the family with its items, over the lengths that something is known of."""
    visit = [i.quantity * i.unit_cost for i in catalog.items(family) if i.unit_cost is not None]
    lengths = [e.unit_cost for e in catalog.extensions(family) if e.unit_cost is not None]
    if not visit and not lengths:
        return float("nan")
    return sum(visit) + (sum(lengths) / len(lengths) if lengths else 0.0)
