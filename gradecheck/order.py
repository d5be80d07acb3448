"""The parts to order: how many of each, with what probability they suffice, from which stock, by when. Pure.

Counts are whole-number distributions added by convolution, exactly; errors shared by a whole surface are
integrated over before that, since they move all hydrants of a job together.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from decimal import Decimal

import numpy as np

from gradecheck.cases import Cases
from gradecheck.catalog import Catalog, Extension, Item
from gradecheck.choices import Choices
from gradecheck.decision import DECIDED, OPEN, Decision, right_choices
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.units import show

_NEGLIGIBLE = 0.05
"""An expected quantity below this is no row of an order."""
_TAIL = 1e-25


@dataclass(frozen=True, slots=True)
class Need:
    """How many of a part will be needed: a whole-number distribution, errors shared by a surface included.

    least: the smallest number that can be. chance: (k,) P(need = least), P(need = least + 1), ...; sums to 1.

    >>> need = Need(3, np.array([0.25, 0.5, 0.25]))
    >>> need.enough(0.5), need.short(4), need.left_over(4), need.certain
    (4, 0.25, 0.25, False)
    """

    least: int = 0
    chance: Floats = field(default_factory=lambda: np.ones(1))

    @property
    def certain(self) -> bool:
        """Only one number can be."""
        return len(self.chance) == 1

    def enough(self, p: float) -> int:
        """The smallest number that suffices with probability p."""
        return self.least + min(int(np.searchsorted(np.cumsum(self.chance), p - 1e-12)), len(self.chance) - 1)

    def short(self, have: int) -> float:
        """P(need > have)."""
        return min(1.0, float(self.chance[max(0, have - self.least + 1) :].sum()))

    def left_over(self, have: int) -> float:
        """Expected number of `have` that is not needed, E[max(0, have - need)]."""
        used = self.chance[: max(0, have - self.least)]
        return float(used @ (have - self.least - np.arange(len(used))))


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One row of the order; None where unknown or not orderable. Money in the catalogue's currency.

    need: the distribution behind the quantities; two lines are equal whatever it is.
    """

    job: str
    family: str
    item: str
    part_number: str | None
    description: str
    supplier: str
    length: float | None
    quantity_firm: int
    quantity_expected: float
    quantity_order: int
    on_hand: int | None
    quantity_buy: int | None
    pack_size: int | None
    unit_cost: Decimal | None
    currency: str
    cost: Decimal | None
    order_by: str | None
    need: Need = field(default_factory=Need, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class Work:
    """What the order needs to know beside the decision, (H,) each: job index (-1 none), family index, firm.

    jobs: names by start then name. starts: by name. families: for each family index its name and whether the
    catalogue has it. unit: for lengths in words.
    """

    job: Ints
    family: Ints
    firm: Bools
    jobs: tuple[str, ...]
    starts: Mapping[str, date | None]
    families: tuple[tuple[str, bool], ...]
    unit: str = "in"


@dataclass(slots=True)
class _Tally:
    """Counts of one thing in one job: certain ones, firm ones among them, and distributions still to be added."""

    certain: int = 0
    firm: int = 0
    uncertain: dict[int, list[Floats]] = field(default_factory=lambda: defaultdict(list))


_Key = tuple[int, int, int]  # job, family, thing: index of a length, or -1 - index of an item


def total_order(
    cases: Cases,
    decision: Decision,
    work: Work,
    catalog: Catalog,
    policy: Policy,
    today: date,
    work_days_before: int,
) -> list[OrderLine]:
    """Every line of the order, by job start, job, family, length, then items."""
    open_rows = np.flatnonzero(np.isin(decision.action, OPEN)).astype(np.int64)
    nodes = shared_nodes(cases.shared[open_rows], np.sqrt(cases.own_variance(open_rows)))
    tallies: dict[_Key, _Tally] = defaultdict(_Tally)
    things = [catalog.items(name) if known else () for name, known in work.families]
    _count_decided(tallies, decision, work, things)
    _count_open(tallies, cases, open_rows, work, policy, things, [at for _, at in nodes])
    weights = np.array([w for w, _ in nodes])
    stock = {p.part_number: p.on_hand for p in (*catalog.extension, *catalog.item)}
    lines = []
    for key in sorted(tallies, key=lambda k: (k[0], work.families[k[1]][0], k[2] < 0, abs(k[2]))):
        tally = tallies[key]
        need = Need(tally.certain, spread(tally.uncertain, weights))
        expected, enough = quantities(need.chance, policy.service_level)
        expected += tally.certain
        needed = max(tally.certain + enough, tally.firm)
        if needed == 0 and expected < _NEGLIGIBLE:
            continue
        line = _line(key, tally.firm, expected, needed, work, catalog, cases, stock, today, work_days_before)
        lines.append(replace(line, need=need))
    return lines


def takes(options: Choices, items: Sequence[Item]) -> dict[int, Ints]:
    """(J,) how many of each thing every choice takes: by index of a length, or -1 - index of an item."""
    pieces = np.array([len(p) for p in options.pieces])
    opened = (options.rise != 0).astype(np.int64)
    found = {i: np.array([p.count(i) for p in options.pieces]) for i in range(len(options.lengths))}
    for k, item in enumerate(items):
        found[-1 - k] = item.quantity * (pieces if item.per == "piece" else opened)
    return found


def _count_decided(
    tallies: dict[_Key, _Tally], decision: Decision, work: Work, things: Sequence[tuple[Item, ...]]
) -> None:
    rows = np.flatnonzero(np.isin(decision.action, DECIDED) & (decision.best >= 0))
    columns = np.stack([work.job[rows], work.family[rows], decision.table[rows], decision.best[rows], work.firm[rows]])
    kinds, counts = np.unique(columns, axis=1, return_counts=True)
    for (job, family, table, best, firm), n in zip(kinds.T.tolist(), counts.tolist(), strict=True):
        for thing, each in takes(decision.tables[table], things[family]).items():
            if each[best]:
                tally = tallies[job, family, thing]
                tally.certain += n * int(each[best])
                tally.firm += n * int(each[best]) * firm


def _count_open(
    tallies: dict[_Key, _Tally],
    cases: Cases,
    rows: Ints,
    work: Work,
    policy: Policy,
    things: Sequence[tuple[Item, ...]],
    shared_at: Sequence[tuple[float, float] | None],
) -> None:
    for node, at in enumerate(shared_at):
        for right in right_choices(cases, policy, rows, at):
            family, jobs = int(work.family[right.rows[0]]), work.job[right.rows]  # options are those of one family
            taken = takes(right.options, things[family])
            for job in np.unique(jobs).tolist():
                chance = right.chance[jobs == job]
                for thing, each in taken.items():
                    if each.any():
                        tallies[job, family, thing].uncertain[node].append(_distributions(chance, each))


def _distributions(chance: Floats, each: Ints) -> Floats:
    """(n, m+1) P(0), P(1) ... P(m) of a thing, from the chances of the choices (n, J) and how many each takes."""
    out = np.zeros((len(chance), int(each.max()) + 1))
    for count in np.unique(each[each > 0]).tolist():
        out[:, count] = chance[:, each == count].sum(axis=1)
    out[:, 0] = np.maximum(1.0 - out[:, 1:].sum(axis=1), 0.0)
    return out


def shared_nodes(shared: Floats, own_sd: Floats) -> list[tuple[float, tuple[float, float] | None]]:
    """Weights and values (in sds) of the two shared errors to integrate over.

    shared: loadings (n, 2) of the open hydrants, own_sd: (n,) of what each has to itself. The trapezoid rule
    with a step that resolves the sharpest of them; one dimension where all loadings lie on one line. A single
    node without a value where there is no shared error.
    """
    if not len(shared) or not np.any(shared):
        return [(1.0, None)]
    largest = np.sqrt(np.square(shared).sum(axis=1))
    sharp = float(np.min(own_sd[largest > 0] / largest[largest > 0]))
    _, size, axes = np.linalg.svd(shared, full_matrices=False)
    if len(size) < 2 or size[1] <= 1e-9 * size[0]:
        x, w = _normal_grid(np.clip(0.5 * sharp, 0.01, 0.25))
        return [(float(b), (float(a * axes[0, 0]), float(a * axes[0, 1]))) for a, b in zip(x, w, strict=True)]
    x, w = _normal_grid(np.clip(0.5 * sharp, 0.15, 0.4))
    return [
        (float(wa * wb), (float(a), float(b))) for a, wa in zip(x, w, strict=True) for b, wb in zip(x, w, strict=True)
    ]


def _normal_grid(step: float) -> tuple[Floats, Floats]:
    """Values and weights of a standard normal, 5 sds to each side."""
    x = np.arange(-np.ceil(5 / step), np.ceil(5 / step) + 1) * step
    w = np.exp(-0.5 * np.square(x))
    return x, w / w.sum()


def spread(uncertain: Mapping[int, list[Floats]], weights: Floats) -> Floats:
    """(k,) P(0), P(1), ... of how many are needed in all, averaged over the nodes of the shared errors.

    uncertain: for each node, distributions (n, m) to be added; weights: (nodes,), sum 1.
    """
    if not uncertain:
        return np.ones(1)
    sums = {node: convolve_all(parts) for node, parts in uncertain.items()}
    chance = np.zeros(max(len(p) for p in sums.values()))
    for node, p in sums.items():
        chance[: len(p)] += weights[node] * p
    return chance


def quantities(chance: Floats, service_level: float) -> tuple[float, int]:
    """Expected number, and the smallest that suffices with probability `service_level`; chance: (k,) P(0), P(1), ...

    >>> quantities(np.array([0.5, 0.3, 0.2]), 0.75)
    (0.7, 1)
    """
    return float(chance @ np.arange(len(chance))), Need(0, chance).enough(service_level)


def convolve_all(parts: Iterable[Floats]) -> Floats:
    """The distribution of the sum of independent counts: tables (n, m) of one distribution a row -> (k,).

    >>> convolve_all([np.array([[0.5, 0.5], [0.5, 0.5]])])
    array([0.25, 0.5 , 0.25])
    """
    totals = [_halved(table) for table in parts]
    totals.sort(key=len)
    while len(totals) > 1:
        totals = [
            _trimmed(np.convolve(totals[i], totals[i + 1])) if i + 1 < len(totals) else totals[i]
            for i in range(0, len(totals), 2)
        ]
    return totals[0] if totals else np.ones(1)


def _halved(table: Floats) -> Floats:
    """Rows of a table added pairwise, all pairs at once, until one is left."""
    while len(table) > 1:
        if len(table) % 2:
            blank = np.zeros((1, table.shape[1]))
            blank[0, 0] = 1.0
            table = np.concatenate([table, blank])
        a, b = table[::2], table[1::2]
        out = np.zeros((len(a), a.shape[1] + b.shape[1] - 1))
        for i in range(a.shape[1]):
            out[:, i : i + b.shape[1]] += a[:, i : i + 1] * b
        used = np.flatnonzero((out > _TAIL).any(axis=0))
        table = out[:, : int(used.max(initial=0)) + 1]
    out_row: Floats = table[0]
    return out_row


def _trimmed(p: Floats) -> Floats:
    used = np.flatnonzero(p > _TAIL)
    return p[: int(used.max(initial=0)) + 1]


def _line(
    key: _Key,
    firm: int,
    expected: float,
    needed: int,
    work: Work,
    catalog: Catalog,
    cases: Cases,
    stock: dict[str, int],
    today: date,
    work_days_before: int,
) -> OrderLine:
    job, family, thing = key
    name, known = work.families[family]
    common = {"job": work.jobs[job], "family": name, "quantity_firm": firm, "quantity_expected": expected}
    common |= {"quantity_order": needed, **named(work, catalog, cases.lengths, family, thing)}
    if not known:
        return OrderLine(
            **common,  # type: ignore[arg-type]
            supplier="",
            on_hand=None,
            quantity_buy=None,
            pack_size=None,
            unit_cost=None,
            currency="",
            cost=None,
            order_by=None,
        )
    part = _part(catalog, name, thing)
    left = stock[part.part_number]
    stock[part.part_number] = max(0, left - needed)
    short = max(0, needed - left)
    buy = -(-short // part.pack_size) * part.pack_size
    cost = None if part.unit_cost is None else Decimal(repr(part.unit_cost))
    return OrderLine(
        **common,  # type: ignore[arg-type]
        supplier=part.supplier,
        on_hand=left,
        quantity_buy=buy,
        pack_size=part.pack_size,
        unit_cost=cost,
        currency=catalog.currency,
        cost=None if cost is None else cost * buy,
        order_by=order_by(work.starts.get(work.jobs[job]), work_days_before, part.lead_days, today),
    )


def _part(catalog: Catalog, family: str, thing: int) -> Extension | Item:
    return catalog.extensions(family)[thing] if thing >= 0 else catalog.items(family)[-1 - thing]


def named(
    work: Work, catalog: Catalog, lengths: Sequence[Sequence[float]], family: int, thing: int
) -> dict[str, str | float | None]:
    """How the order names a thing of a family: item, part_number, description and length (metres).

    lengths: of each family, metres. thing: index of one of them, or -1 - index of an item. None where there is none.
    """
    name, known = work.families[family]
    if not known:
        length = lengths[family][thing]
        why = "generic catalogue" if catalog.generic else f"family '{name}' is not in the catalogue"
        text = f"not orderable: {show(length, work.unit)} extension ({why})"
        return {"item": "extension", "part_number": None, "description": text, "length": length}
    part = _part(catalog, name, thing)
    said: dict[str, str | float | None] = {"part_number": part.part_number, "length": None}
    if isinstance(part, Extension):
        text = part.description or f"{part.length} extension"
        return {**said, "item": "extension", "description": text, "length": part.length.metres}
    per = "new extension" if part.per == "piece" else "hydrant opened"
    return {**said, "item": part.description, "description": f"{part.quantity} per {per}"}


def part_name(line: OrderLine, unit: str) -> str:
    """How people call the thing of a line: an extension as the catalogue describes it, other things by their item."""
    if line.length is None:
        return line.item
    return line.description if line.part_number else f"{show(line.length, unit, 3)} extension"


def total_cost(lines: Iterable[OrderLine]) -> Decimal | None:
    """What the lines cost together, those of no known cost left out; None where none is known."""
    costs = [line.cost for line in lines if line.cost is not None]
    return sum(costs, Decimal(0)) if costs else None


def first_order_by(lines: Iterable[OrderLine]) -> str | None:
    """The earliest day that something is to be ordered by, "2027-03-08" or "2027-03-08 late"; None for none."""
    return min((line.order_by for line in lines if line.order_by and line.quantity_buy), default=None)


def order_by(start: date | None, work_days_before: int, lead_days: int | None, today: date) -> str | None:
    """The last day to order, "2027-03-08"; with " late" where that day is past. None where it cannot be told.

    >>> order_by(date(2027, 5, 3), 14, 42, date(2027, 1, 1)), order_by(date(2027, 5, 3), 14, 42, date(2027, 4, 1))
    ('2027-03-08', '2027-03-08 late')
    """
    if start is None or lead_days is None:
        return None
    day = start - timedelta(days=work_days_before + lead_days)
    return f"{day.isoformat()}{' late' if day < today else ''}"
