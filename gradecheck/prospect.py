"""What would settle the open hydrants of a plan, and which flanges to measure first. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gradecheck.cases import Cases
from gradecheck.catalog import Catalog
from gradecheck.decision import Decision
from gradecheck.measuring import MeasuringList, Walk, measuring_list, taken, walks, with_choice
from gradecheck.outlook import Outlook, Today, outlook, stakes
from gradecheck.plan import SettleSource
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats, Ints

_MOST = 500
"""Hydrants that the rows are reckoned from: of more, every second, third ... stands for the others."""
_WALKED = 600
"""Hydrants that are grouped into walks at most: more are no list to begin with."""
_WORTH = 1e-3
"""Of the first of the list: what measuring is worth less is in no walk."""


@dataclass(frozen=True, slots=True)
class Known:
    """What the rows rest on, (H,) each. own_sd: metres, of the surfaces; surveyed: the flange is; x, y: metres.

    streets: None unknown. families: for each index in `family` its name and whether the catalogue has it.
    """

    own_sd: Floats
    surveyed: Bools
    family: Ints
    families: tuple[tuple[str, bool], ...]
    x: Floats
    y: Floats
    streets: Sequence[str | None]


@dataclass(frozen=True, slots=True)
class Prospect:
    """What would settle it.

    rows: today first; wrong orders and money for all hydrants that have a choice. reckoned: how many of them the rows
    were reckoned from. stake: (H,) cost of a wrong length, NaN unknown. measuring: the ranked list; walks: of those
    worth it, `rows` of each indices into the list. rank: (H,) place in the list from 1, 0 for none.
    """

    rows: tuple[Outlook, ...]
    reckoned: int
    stake: Floats
    measuring: MeasuringList
    walks: tuple[Walk, ...]
    rank: Ints


def prospect(
    cases: Cases, policy: Policy, decision: Decision, known: Known, catalog: Catalog, source: SettleSource
) -> Prospect:
    """The rows for today and for better inputs, the measuring list and its walks. decision: of these cases."""
    stake = stakes(decision, known.family, catalog, known.families, source.kit, source.return_trip)
    rows = with_choice(decision)
    some = rows[:: max(1, -(-len(rows) // _MOST))]
    share = len(some) / len(rows) if len(rows) else 1.0
    today = Today(taken(cases, some), policy, known.own_sd[some], known.surveyed[some], stake[some])
    worst = max(1, round(source.worst * share))
    found = outlook(today, [sd.metres for sd in source.surface_sd], worst)
    found = tuple(_scaled(row, len(rows), share, source.worst) for row in found)
    # Stakes of nothing rank nobody: then wrong lengths avoided count.
    ranked = measuring_list(cases, policy, decision, stake if np.nan_to_num(stake).any() else None)
    rank = np.zeros(len(cases), dtype=np.int64)
    rank[ranked.index] = np.arange(1, len(ranked) + 1)
    worth = min(int((ranked.value > _WORTH * ranked.value.max(initial=0.0)).sum()), _WALKED)
    first = ranked.index[:worth]
    streets = [known.streets[i] or None for i in first.tolist()]
    grouped = walks(known.x[first], known.y[first], ranked.value[:worth], streets, source.walk.metres)
    return Prospect(found, len(some), stake, ranked, tuple(grouped), rank)


def _scaled(row: Outlook, hydrants: int, share: float, worst: int) -> Outlook:
    """A row of some hydrants for all of them."""
    if share == 1.0:
        return row
    measured = worst if row.name.startswith("worst") else round(row.measured / share)
    return replace(
        row,
        hydrants=hydrants,
        measured=measured,
        wrong=row.wrong / share,
        risk=row.risk / share,
    )
