"""Where every line of the order comes from: a row for each hydrant and part, as rows and as CSV."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gradecheck.cases import Cases
from gradecheck.catalog import Catalog, Item
from gradecheck.choices import Choices
from gradecheck.decision import DECIDED, OPEN, Action, Decision, right_choices
from gradecheck.order import OrderLine, Work, named, takes
from gradecheck.outputs.order_files import inert
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.reasons import choice_text
from gradecheck.units import METRES

LEAST = 1e-6
"""A choice less probable than this at an open hydrant is no row."""
_Named = tuple[str, str, str, str | None, str, float | None]  # job, family, item, part number, description, length


@dataclass(frozen=True, slots=True)
class Counting:
    """What an order was totalled from, the same as `total_order` was given, and who the H hydrants are.

    ids, streets: (H,) as in the layer. reviewed: (H,) the analyst's choice is what counts.
    """

    ids: Sequence[str]
    streets: Sequence[str | None]
    reviewed: Bools
    cases: Cases
    decision: Decision
    work: Work
    catalog: Catalog
    policy: Policy


@dataclass(frozen=True, slots=True)
class Trace:
    """T rows, (T,) each: by line of the order, then hydrant, then choice.

    hydrant: its row. thing: index of a length of its family, or -1 - index of an item. quantity: how many the
    choice takes. chance: that it is the choice; 1 where decided. choice: index into `choices`, in words.
    line: the row of the order, from 1; 0 where so little is expected that it is none.
    """

    counting: Counting
    hydrant: Ints
    thing: Ints
    quantity: Ints
    chance: Floats
    choice: Ints
    line: Ints
    choices: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.hydrant)

    def rows(self) -> Iterator[tuple[object, ...]]:
        """Row by row the values of `columns`; None where there is none."""
        of = self.counting
        work, unit = of.work, METRES[of.work.unit]
        known: dict[tuple[int, int], Mapping[str, str | float | None]] = {}
        action = [Action(code).name for code in of.decision.action.tolist()]
        arrays = (self.hydrant, self.thing, self.quantity, self.chance, self.choice, self.line)
        for h, thing, quantity, chance, choice, line in zip(*(a.tolist() for a in arrays), strict=True):
            family = int(work.family[h])
            if (family, thing) not in known:
                known[family, thing] = named(work, of.catalog, of.cases.lengths, family, thing)
            said = known[family, thing]
            length = said["length"]
            yield (
                line or None, of.ids[h], work.jobs[work.job[h]] or None, work.families[family][0] or None,
                of.streets[h], action[h], _yes(of.work.firm[h]), said["item"], said["part_number"],
                said["description"], round(length / unit, 6) if isinstance(length, float) else None,
                quantity, self.choices[choice], round(chance, 6), _yes(of.reviewed[h]),
            )  # fmt: skip


def columns(unit: str) -> tuple[str, ...]:
    """Names of what `Trace.rows` yields, lengths in `unit`."""
    return (
        "line", "hydrant_id", "job", "family", "street", "action", "firm", "item", "part_number", "description",
        f"length_{unit}", "quantity", "choice", "probability", "reviewed",
    )  # fmt: skip


def trace(counting: Counting, lines: Sequence[OrderLine]) -> Trace:
    """Every hydrant's share in an order: decided ones with what they take, open ones with every choice's share.

    Quantity times probability, summed over the rows of a line, is its expected quantity; the firm ones sum to the
    firm quantity.
    """
    of = counting
    work = of.work
    things = [of.catalog.items(name) if known else () for name, known in work.families]
    words: dict[str, int] = {}
    parts = [*_decided(of, things, words), *_open(of, things, words)]
    hydrant, thing, quantity, choice = (
        np.concatenate([p[k] for p in parts]).astype(np.int64) if parts else np.zeros(0, dtype=np.int64)
        for k in range(4)
    )
    chance = np.concatenate([p[4] for p in parts]) if parts else np.zeros(0)
    line = _lines(of, hydrant, thing, lines)
    name = [n for n, _ in work.families]
    rank = np.array([sorted(name).index(n) for n in name], dtype=np.int64)
    keys = (choice, hydrant, np.abs(thing), thing < 0, rank[work.family[hydrant]], work.job[hydrant])
    order = np.lexsort(keys)
    return Trace(
        counting=of,
        hydrant=hydrant[order],
        thing=thing[order],
        quantity=quantity[order],
        chance=chance[order],
        choice=choice[order],
        line=line[order],
        choices=tuple(words),
    )


_Part = tuple[Ints, Ints, Ints, Ints, Floats]  # hydrant, thing, quantity, choice, chance


def _decided(of: Counting, things: Sequence[Sequence[Item]], words: dict[str, int]) -> Iterator[_Part]:
    decision, work = of.decision, of.work
    rows = np.flatnonzero(np.isin(decision.action, DECIDED) & (decision.best >= 0))
    keys, inverse = np.unique(np.stack([work.family[rows], decision.table[rows]]), axis=1, return_inverse=True)
    for k, (family, table) in enumerate(keys.T.tolist()):
        mine = rows[inverse.ravel() == k]
        best = decision.best[mine]
        options = decision.tables[table]
        text = _texts(options, of.work.unit, words)
        for thing, each in takes(options, things[family]).items():
            there = each[best] > 0
            h, b = mine[there], best[there]
            yield h, np.full(len(h), thing), each[b], text[b], np.ones(len(h))


def _open(of: Counting, things: Sequence[Sequence[Item]], words: dict[str, int]) -> Iterator[_Part]:
    rows = np.flatnonzero(np.isin(of.decision.action, OPEN)).astype(np.int64)
    for right in right_choices(of.cases, of.policy, rows):
        family = int(of.work.family[right.rows[0]])  # those that share choices share a family
        text = _texts(right.options, of.work.unit, words)
        likely = right.chance >= LEAST
        for thing, each in takes(right.options, things[family]).items():
            i, j = np.nonzero(likely & (each > 0))
            yield right.rows[i], np.full(len(i), thing), each[j], text[j], right.chance[i, j]


def _texts(options: Choices, unit: str, words: dict[str, int]) -> Ints:
    """(J,) for each choice, where its words stand among `words`, put there if they are new."""
    return np.array([words.setdefault(choice_text(options, j, unit), len(words)) for j in range(len(options))])


def _lines(of: Counting, hydrant: Ints, thing: Ints, lines: Sequence[OrderLine]) -> Ints:
    """(T,) the line of the order that each row counts in, from 1; 0 for none."""
    number: dict[_Named, int] = {}
    for n, line in enumerate(lines, start=1):
        key = (line.job, line.family, line.item, line.part_number, line.description, line.length)
        number.setdefault(key, n)
    work = of.work
    triples = np.stack([work.job[hydrant], work.family[hydrant], thing])
    keys, inverse = np.unique(triples, axis=1, return_inverse=True)
    found = []
    for job, family, what in keys.T.tolist():
        said = named(work, of.catalog, of.cases.lengths, family, what)
        where = work.jobs[job], work.families[family][0]
        found.append(number.get((*where, *(said[n] for n in ("item", "part_number", "description", "length"))), 0))
    return np.array(found, dtype=np.int64)[inverse.ravel()]


def _yes(value: object) -> str:
    return "yes" if value else "no"


def write_csv(rows: Trace, path: Path) -> None:
    """The whole trace as CSV: UTF-8, blank where there is nothing, no text that a spreadsheet takes for a formula."""
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(columns(rows.counting.work.unit))
        for row in rows.rows():
            out.writerow([inert(v) if isinstance(v, str) else _plain(v) for v in row])


def _plain(value: object) -> object:
    if isinstance(value, float):
        return f"{value:.6f}".rstrip("0").rstrip(".")
    return "" if value is None else value
