"""What crews' rows say of the work at each hydrant, and which parts it took. Pure; metres."""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

from gradecheck.confirmation import SAME
from gradecheck.dangers import dangers
from gradecheck.fieldbook import Entry

_BETWEEN = re.compile(r"\s*[;+,&]\s*|\s+and\s+")
_COLUMNS = {"clearance": "clearance", "flange": "flange_elevation", "height": "outlet_height"}


@dataclass(frozen=True, slots=True)
class Visit:
    """All that was written of one hydrant since its job began.

    done: a length was put in or taken out; where a piece was to be taken out, its length was said. put_in, taken_out:
    lengths, NaN not said. parts: numbers of the parts put in. clearance, flange, height, fitted: found last, and not
    before the last work, NaN never; fitted: the whole length, by a measurement. clearance_on, flange_on: their days;
    fitted_on: the first that shows that length. doubtful: of those columns the ones of which nobody can tell whether
    the last work came after. work_on: the last day of work. on: the last day. drain, leak: found in order, None never
    said. out_at, back_at: the outage that is not over, else the last times. out: out of service and not back. dangers:
    what must be seen to at once, in words. note: the remarks. said: in words, what does not fit together.
    """

    done: bool = False
    put_in: float = math.nan
    taken_out: float = math.nan
    parts: tuple[str, ...] = ()
    clearance: float = math.nan
    flange: float = math.nan
    height: float = math.nan
    fitted: float = math.nan
    clearance_on: date | None = None
    flange_on: date | None = None
    fitted_on: date | None = None
    doubtful: frozenset[str] = frozenset()
    work_on: date | None = None
    on: date | None = None
    drain: bool | None = None
    leak: bool | None = None
    out_at: datetime | None = None
    back_at: datetime | None = None
    out: bool = False
    dangers: tuple[str, ...] = ()
    note: str = ""
    said: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Meant:
    """What was planned at a hydrant: the length to put in, and to take out, 0 for none; left: to be found on site."""

    new: float = 0.0
    out: float = 0.0
    left: bool = False

    @property
    def work(self) -> bool:
        """Something was to be done."""
        return self.left or self.new > SAME or self.out > SAME


@dataclass(frozen=True, slots=True)
class Sold:
    """An extension of the catalogue."""

    part: str
    family: str
    length: float


def distinct(books: Iterable[Sequence[Entry]]) -> tuple[list[Entry], int]:
    """Entries without those that another file says again, as one handed in twice does, and how many those are.

    Equal rows of one file stay, as many as the file has that has most of them.
    """
    kept: list[Entry] = []
    most: Counter[Entry] = Counter()
    count = 0
    for book in books:
        here: Counter[Entry] = Counter()
        for entry in book:
            count += 1
            key = _key(entry)
            here[key] += 1
            if here[key] > most[key]:
                most[key] = here[key]
                kept.append(entry)
    return kept, count - len(kept)


_NUMBERS = ("clearance", "flange", "height", "put_in", "taken_out")


def _key(entry: Entry) -> Entry:
    """The entry as one that others may equal, wherever it stands."""
    # Blank numbers are NaN, and no NaN is another's equal.
    blank: dict[str, Any] = {n: -math.inf for n in _NUMBERS if math.isnan(getattr(entry, n))}
    return replace(entry, shown="", line=0, **blank)


def visit(
    entries: Sequence[Entry],
    family: str,
    sold: Sequence[Sold],
    meant: Meant | None = None,
    every: Sequence[Entry] | None = None,
) -> Visit:
    """The rows of one hydrant, in the order of files and lines, as one. Lengths of several rows add up.

    family: of the hydrant, to name a part by its length where no number was written. every: with the rows that are
    passed over for all but their dangers.
    """
    meant = Meant() if meant is None else meant
    rows = sorted(entries, key=lambda e: e.day or date.min)
    work, told = _work([e for e in rows if e.work], family, sold, meant)
    put_in = [p.length for _, p in work if math.isfinite(p.length)]
    taken = [e.taken_out for e, _ in work if math.isfinite(e.taken_out)]
    done = _done(put_in, taken, meant)
    if work and meant.work and not done:
        told.append(_nothing_done([e for e, _ in work], put_in, meant))
    touched = [e for e, p in work if p.parts or p.length > SAME or e.taken_out > SAME]
    heights = _heights(rows, touched, told)
    danger = dangers(entries if every is None else every)
    fitted = _last(rows, "fitted", work=False)
    return Visit(
        done=done,
        put_in=math.fsum(put_in) if put_in else math.nan,
        taken_out=math.fsum(taken) if taken else math.nan,
        parts=tuple(part for _, p in work for part in p.parts),
        clearance=heights.value("clearance"),
        flange=heights.value("flange"),
        height=heights.value("height"),
        fitted=math.nan if fitted is None else fitted.fitted,
        clearance_on=heights.day("clearance"),
        flange_on=heights.day("flange"),
        fitted_on=None if fitted is None else _first_fitted(rows, fitted.fitted),
        doubtful=frozenset(heights.doubtful),
        work_on=max((e.day for e in touched if e.day is not None), default=None),
        on=max((e.day for e in rows if e.day is not None), default=None),
        drain=danger.drain,
        leak=danger.leak,
        out_at=danger.out_at,
        back_at=danger.back_at,
        out=danger.out,
        dangers=danger.texts,
        note="; ".join(dict.fromkeys(e.note for e in rows if e.note)),
        said=tuple(told),
    )


# -- work -------------------------------------------------------------------------------------------------------


def _work(
    rows: Sequence[Entry], family: str, sold: Sequence[Sold], meant: Meant
) -> tuple[list[tuple[Entry, _Pieces]], list[str]]:
    """Rows of work and what each put in, and in words what does not fit.

    Rows of one file that are equal are pieces of their own where together they make the planned length, else one.
    """
    made = [(e, _pieces(e, family, sold)) for e in rows]
    groups: dict[Entry, list[tuple[Entry, _Pieces]]] = defaultdict(list)
    for e, p in made:
        groups[_key(e)].append((e, p))
    once = [group[0] for group in groups.values()]
    told: list[str] = []
    for group in groups.values():
        if len(group) == 1 or not _tells(*group[0]):
            continue
        lines = f"lines {', '.join(str(e.line) for e, _ in group)} are equal"
        if _makes(made, meant):
            told.append(f"{lines}: {len(group)} pieces, which make the planned length")
        else:
            told.append(
                f"{lines}, and do not make the planned length together: one piece, written again, or {len(group)}? "
                "Counted once; if there are more, write their sum in length_fitted of one row"
            )
    kept = made if _makes(made, meant) else once
    told += [text for _, p in once for text in p.said]
    if sum(_tells(e, p) for e, p in kept) > 1:
        told.append(f"{len(kept)} rows of work, their lengths added up")
    return kept, told


def _tells(entry: Entry, pieces: _Pieces) -> bool:
    """Whether a row says anything of a length or a part."""
    return bool(pieces.parts) or math.isfinite(pieces.length) or math.isfinite(entry.taken_out)


def _makes(made: Sequence[tuple[Entry, _Pieces]], meant: Meant) -> bool:
    """Whether the lengths of all rows are those that were planned."""
    put_in = math.fsum(p.length for _, p in made if math.isfinite(p.length))
    taken = math.fsum(e.taken_out for e, _ in made if math.isfinite(e.taken_out))
    return abs(put_in - meant.new) <= SAME and abs(taken - meant.out) <= SAME


def _done(put_in: Sequence[float], taken: Sequence[float], meant: Meant) -> bool:
    """A length tells of work; where a piece was to come out, only with what is said of that."""
    some = any(length > SAME for length in (*put_in, *taken))
    return some and (meant.out <= SAME or bool(taken))


def _nothing_done(work: Sequence[Entry], put_in: Sequence[float], meant: Meant) -> str:
    lines = f"line{'' if len(work) == 1 else 's'} {', '.join(str(e.line) for e in work)}"
    says = "says" if len(work) == 1 else "say"
    if meant.out > SAME and any(length > SAME for length in put_in):
        return f"{lines} {says} nothing of the length that was to be taken out: write length_taken_out, 0 for none"
    return (
        f"{lines} {says} nothing of a part of the catalogue, or of a length, put in or taken out: not counted as work "
        "done; write length_fitted"
    )


# -- heights ----------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Heights:
    """The row that each height is of, None where none is final; doubtful: maybe older than the work."""

    rows: dict[str, Entry] = field(default_factory=dict)
    doubtful: list[str] = field(default_factory=list)

    def value(self, name: str) -> float:
        return getattr(self.rows[name], name) if name in self.rows else math.nan

    def day(self, name: str) -> date | None:
        return self.rows[name].day if name in self.rows else None


def _heights(rows: Sequence[Entry], touched: Sequence[Entry], told: list[str]) -> _Heights:
    """The heights found last. What is older than the last work is not final, and told.

    rows, touched: by day; touched: those that tell of a length or a part.
    """
    found = _Heights()
    days = [e.day for e in touched if e.day is not None]
    newest = max(days, default=None)
    for name, column in _COLUMNS.items():
        row = _last(rows, name)
        if row is None:
            continue
        if newest is not None and row.day is not None and row.day < newest:
            told.append(
                f"heights_disagree: {column} of {row.day.isoformat()} (line {row.line}) is older than the work of "
                f"{newest.isoformat()} and not final: measure it again"
            )
            continue
        found.rows[name] = row
        after = row.day is not None and newest is not None and row.day > newest and len(days) == len(touched)
        if touched and row is not touched[-1] and not after:
            found.doubtful.append(name)
    return found


def _last(rows: Sequence[Entry], name: str, work: bool = True) -> Entry | None:
    """The last row that says a value; work: rows of work too."""
    told = [e for e in rows if math.isfinite(getattr(e, name)) and (work or not e.work)]
    return told[-1] if told else None


def _first_fitted(rows: Sequence[Entry], length: float) -> date | None:
    """The first day on which a measurement shows a length fitted."""
    days = [e.day for e in rows if not e.work and e.day is not None and abs(e.fitted - length) <= SAME]
    return min(days, default=None)


# -- parts ------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Pieces:
    """What one row put in: its length, NaN not said, the parts, and what of the two does not fit."""

    length: float
    parts: tuple[str, ...] = ()
    said: list[str] = field(default_factory=list)


def _pieces(entry: Entry, family: str, sold: Sequence[Sold]) -> _Pieces:
    known = {s.part: s.length for s in sold}
    names = (entry.part,) if entry.part in known else tuple(n for n in _BETWEEN.split(entry.part) if n)
    made = _Pieces(entry.put_in, names)
    lengths = [known.get(n, math.nan) for n in names]
    total = math.fsum(lengths) if lengths and all(map(math.isfinite, lengths)) else math.nan
    strange = [n for n in names if n not in known]
    if strange and (sold or math.isnan(made.length)):
        mend = "; write the length put in" if math.isnan(made.length) else ""
        made.said.append(f"line {entry.line}: no part {', '.join(strange)} in the catalogue{mend}")
    if names and math.isnan(made.length):
        made.length = total
    elif math.isfinite(total) and abs(total - made.length) > SAME:
        made.said.append(f"line {entry.line}: part {entry.part} is not of the length put in")
    if not names and made.length > SAME:
        made.parts = tuple(s.part for s in sold if s.family == family and abs(s.length - made.length) <= SAME)[:1]
    return made


@dataclass(frozen=True, slots=True)
class Kit:
    """One part: pieces to have and to buy by the order, and those that crews say they used."""

    part: str
    description: str
    ordered: int
    bought: int
    used: int

    @property
    def left(self) -> int:
        """Pieces that should be left over; below 0: more used than there were to be."""
        return self.ordered - self.used


def kits(ordered: Mapping[str, tuple[str, int, int]], visits: Iterable[Visit]) -> tuple[Kit, ...]:
    """Parts ordered and used; those that nobody ordered last. ordered: description, to have, to buy by part."""
    used = Counter(part for v in visits for part in v.parts)
    found = [Kit(part, text, have, buy, used.pop(part, 0)) for part, (text, have, buy) in ordered.items()]
    return (*found, *(Kit(part, "not in the order", 0, 0, n) for part, n in sorted(used.items())))
