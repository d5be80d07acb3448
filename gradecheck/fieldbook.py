"""What crews wrote down, laid beside the hydrants: whose each row is, the newest of every quantity. Pure; metres."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from gradecheck import cautions
from gradecheck.probability import Bools, Floats, Ints

_SAME = 5e-4
"""Metres: what a ruler shows."""
_ROUNDING = 1e-4
_NUMBER = re.compile(r"[+-]?\d+\.?\d*(?:[eE][+-]?\d+)?")
QUANTITIES = ("clearance", "flange", "outlet", "fitted")
"""What is taken over from a measurement: heights of the flange, the outlet above it, the length fitted."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One row that a crew filled in.

    shown, line: the file and the row's line in it, from 1. on: the day; None where it says none.
    clearance, flange, height, put_in, taken_out: metres, NaN blank: break flange above ground, its elevation, outlet
        above ground, length fitted (of a row of work: put in), length taken out.
    work: it was filled in after work. drain, leak: whether found in order; None where nothing is said.
    out_at, back_at: out of and back in service; None blank or not to be read. days_only: of these columns the ones that
        say no time. said: as written, by column, what is more or other than yes, no or a time. unread: cells that could
        not be read, in words.
    """

    shown: str
    line: int
    hydrant_id: str
    on: date | None = None
    clearance: float = math.nan
    flange: float = math.nan
    height: float = math.nan
    put_in: float = math.nan
    taken_out: float = math.nan
    part: str = ""
    drain: bool | None = None
    leak: bool | None = None
    out_at: datetime | None = None
    back_at: datetime | None = None
    note: str = ""
    work: bool = False
    days_only: frozenset[str] = frozenset()
    said: tuple[tuple[str, str], ...] = ()
    unread: tuple[str, ...] = ()

    @property
    def day(self) -> date | None:
        """The row's day, else that of the times in it."""
        moment = self.back_at or self.out_at
        return self.on or (moment.date() if moment else None)

    def wrote(self, column: str) -> str:
        """What `said` has of a column, empty for nothing."""
        return dict(self.said).get(column, "")

    @property
    def outlet(self) -> float:
        """The outlet above the flange; NaN where the row does not say both heights."""
        return self.height - self.clearance

    @property
    def fitted(self) -> float:
        """The length fitted that a measurement found."""
        return self.put_in

    @property
    def name(self) -> str:
        """The row as people find it."""
        return f"{self.hydrant_id} (line {self.line})" if self.hydrant_id else f"{self.shown} line {self.line}"


@dataclass(frozen=True, slots=True)
class Book:
    """One file of entries, in its order.

    blank: rows of the form that nobody filled in. refused: rows passed over, in words. passed: rows passed over for
    their date, which is blank here, or as they have no id: what they say of dangers stands. notes: what must be said
    aloud.
    """

    shown: str
    entries: tuple[Entry, ...]
    blank: int = 0
    refused: tuple[str, ...] = ()
    passed: tuple[Entry, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Owners:
    """Whose entries are.

    rows: for each of them the hydrant's row, -1 for nobody's. taken: pairs of an id as written and as it is, where a
    spreadsheet changed it. unknown: ids of nobody, each once. doubtful: ids that are a hydrant's and, as numbers,
    another's too.
    """

    rows: tuple[int, ...]
    taken: tuple[tuple[str, str], ...]
    unknown: tuple[str, ...]
    doubtful: tuple[str, ...] = ()


def owners(names: Sequence[str], ids: Sequence[str]) -> Owners:
    """The hydrants that names as written are of: by id as text; by its number where a spreadsheet dropped zeros.

    A number that several hydrants share is nobody's.

    >>> owners(["0012", "12.0", "7", "x"], ["0012", "007", "7.00"]).rows
    (0, 0, -1, -1)
    """
    exact = {name: row for row, name in enumerate(ids)}
    by_number: dict[float, list[int]] = defaultdict(list)
    for row, name in enumerate(ids):
        if (value := _number(name)) is not None:
            by_number[value].append(row)
    rows: list[int] = []
    taken: dict[str, str] = {}
    unknown: dict[str, None] = {}
    doubtful: dict[str, None] = {}
    for name in names:
        # A table of ours has an apostrophe before what a spreadsheet would take for a formula.
        row = exact.get(name, exact.get(name.removeprefix("'"), -1))
        value = _number(name)
        alike = by_number.get(value, []) if value is not None else []
        if row >= 0 and len(alike) > 1:
            doubtful[name] = None
        if row < 0 and len(alike) == 1:
            row = alike[0]
            taken[name] = ids[row]
        if row < 0:
            unknown[name] = None
        rows.append(row)
    return Owners(tuple(rows), tuple(taken.items()), tuple(unknown), tuple(doubtful))


def _number(text: str) -> float | None:
    value = float(text) if _NUMBER.fullmatch(text) else math.nan
    return value if math.isfinite(value) else None


@dataclass(frozen=True, slots=True)
class Known:
    """What the hydrant layer knows of H hydrants.

    values: of each of `QUANTITIES` (H,) metres, NaN unknown. days: when it was measured, None unknown; None altogether
    where the layer dates nothing. clearance_sd, flange_sd: of its heights.
    """

    values: Mapping[str, Floats]
    days: tuple[date | None, ...] | None
    clearance_sd: float
    flange_sd: float


@dataclass(frozen=True, slots=True)
class Merged:
    """The newest of every quantity at H hydrants.

    values: of each of `QUANTITIES` (H,) metres. clearance_sd, flange_sd: (H,). days: of each quantity in `values` the
    day that it is of, None unknown. bits: (H,) cautions. used: entries of which something counts.
    """

    values: Mapping[str, Floats]
    clearance_sd: Floats
    flange_sd: Floats
    days: Mapping[str, tuple[date | None, ...]]
    bits: Ints
    used: int


def merge(entries: Sequence[Entry], rows: Sequence[int], known: Known, clearance_sd: float, flange_sd: float) -> Merged:
    """Measurements taken in: per hydrant and quantity the newest day; of one day the later entry.

    entries, rows: measurements only, in the order of files and lines, and whose each is. What has no day is older than
    all that has one; what the layer knows is older too, where it dates nothing.
    """
    n = len(known.values["clearance"])
    values = {name: column.copy() for name, column in known.values.items()}
    days = {name: list(known.days or (None,) * n) for name in QUANTITIES}
    mine: dict[str, Bools] = {name: np.zeros(n, dtype=bool) for name in QUANTITIES}
    otherwise, twice = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    tolerance = {
        "clearance": 3 * math.hypot(known.clearance_sd, clearance_sd) + _ROUNDING,
        "flange": 3 * math.hypot(known.flange_sd, flange_sd) + _ROUNDING,
        "fitted": _SAME,
        "outlet": math.inf,
    }
    counted: set[int] = set()
    for row, numbers in _by_row(rows).items():
        for name in QUANTITIES:
            said = [k for k in numbers if math.isfinite(getattr(entries[k], name))]
            if not said:
                continue
            best = max(said, key=lambda k: (_day(entries[k].on), k))
            value = getattr(entries[best], name)
            same_day = [k for k in said if _day(entries[k].on) == _day(entries[best].on)]
            twice[row] |= any(abs(getattr(entries[k], name) - value) > _SAME for k in same_day)
            old = float(known.values[name][row])
            if math.isfinite(old):
                otherwise[row] |= abs(old - value) > tolerance[name]
                since = None if known.days is None else _day(known.days[row])
                if since is not None and since > _day(entries[best].on):
                    continue
                twice[row] |= since == _day(entries[best].on) and abs(old - value) > _SAME
            values[name][row], days[name][row], mine[name][row] = value, entries[best].on, True
            counted.add(best)
    for name in QUANTITIES:  # a day without a value is none
        days[name] = [d if math.isfinite(v) else None for d, v in zip(days[name], values[name].tolist(), strict=True)]
    return Merged(
        values=values,
        clearance_sd=np.where(mine["clearance"], clearance_sd, known.clearance_sd),
        flange_sd=np.where(mine["flange"], flange_sd, known.flange_sd),
        days={name: tuple(column) for name, column in days.items()},
        bits=cautions.flag("measured_otherwise", otherwise) | cautions.flag("measured_twice", twice),
        used=len(counted),
    )


def _by_row(rows: Sequence[int]) -> dict[int, list[int]]:
    found: dict[int, list[int]] = defaultdict(list)
    for number, row in enumerate(rows):
        if row >= 0:
            found[row].append(number)
    return found


def _day(day: date | None) -> date:
    return day or date.min


def older(merged: Merged, surveyed: date | None) -> Bools:
    """(H,) the height that the clearance rests on was measured before the ground was surveyed."""
    flange, clearance = merged.days["flange"], merged.days["clearance"]
    known = np.isfinite(merged.values["flange"]).tolist()
    days = [f if k else c for f, c, k in zip(flange, clearance, known, strict=True)]
    return np.array([d is not None and surveyed is not None and d < surveyed for d in days], dtype=bool)
