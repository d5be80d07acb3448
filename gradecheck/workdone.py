"""What crews' rows say of the work at each hydrant, and which parts it took. Pure; metres."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

from gradecheck.confirmation import SAME
from gradecheck.fieldbook import Entry

_BETWEEN = re.compile(r"\s*[;+,&]\s*|\s+and\s+")


@dataclass(frozen=True, slots=True)
class Visit:
    """All that was written of one hydrant since its job began.

    done: work was done. put_in, taken_out: lengths, NaN not said. parts: numbers of the parts put in. clearance,
    flange, height, fitted: found last, NaN never; fitted: the whole length, by a measurement. on: the last day. drain,
    leak: found in order when last said, None never. out_at, back_at: the last times. note: the remarks. said: in words,
    what does not fit together.
    """

    done: bool = False
    put_in: float = math.nan
    taken_out: float = math.nan
    parts: tuple[str, ...] = ()
    clearance: float = math.nan
    flange: float = math.nan
    height: float = math.nan
    fitted: float = math.nan
    on: date | None = None
    drain: bool | None = None
    leak: bool | None = None
    out_at: datetime | None = None
    back_at: datetime | None = None
    note: str = ""
    said: tuple[str, ...] = ()

    @property
    def out(self) -> bool:
        """Out of service and not back."""
        return self.out_at is not None and (self.back_at is None or self.back_at < self.out_at)

    @property
    def dangers(self) -> tuple[str, ...]:
        """What must be seen to at once, in words."""
        since = f"out of service since {self.out_at:%Y-%m-%d %H:%M} and not back" if self.out_at and self.out else ""
        drain = "does not drain" if self.drain is False else ""
        leak = "leaks" if self.leak is False else ""
        return tuple(text for text in (since, leak, drain) if text)


@dataclass(frozen=True, slots=True)
class Sold:
    """An extension of the catalogue."""

    part: str
    family: str
    length: float


def distinct(entries: Iterable[Entry]) -> tuple[list[Entry], int]:
    """Entries without those that say the same again, as a file handed in twice does, and how many those are."""
    seen: dict[Entry, Entry] = {}
    count = 0
    for entry in entries:
        count += 1
        # Blank numbers are NaN, and no NaN is another's equal.
        blank: dict[str, Any] = {n: -math.inf for n in _NUMBERS if math.isnan(getattr(entry, n))}
        seen.setdefault(replace(entry, shown="", line=0, **blank), entry)
    return list(seen.values()), count - len(seen)


_NUMBERS = ("clearance", "flange", "height", "put_in", "taken_out")


def visit(entries: Sequence[Entry], family: str, sold: Sequence[Sold]) -> Visit:
    """The rows of one hydrant, of any order, as one. Lengths of several rows add up.

    family: of the hydrant, to name a part by its length where no number was written.
    """
    rows = sorted(entries, key=lambda e: e.on or date.min)
    work = [e for e in rows if e.work]
    pieces = [_pieces(e, family, sold) for e in work]
    put_in = [p.length for p in pieces if math.isfinite(p.length)]
    taken = [e.taken_out for e in work if math.isfinite(e.taken_out)]
    back = any(e.back_at is not None for e in work)
    told = [n for p in pieces for n in p.said]
    if len(put_in) + len(taken) > 1 and sum(bool(p.parts) or math.isfinite(p.length) for p in pieces) > 1:
        told.append(f"{len(work)} rows of work, their lengths added up")
    return Visit(
        done=bool(put_in) or any(p.parts for p in pieces) or any(t > SAME for t in taken) or back,
        put_in=math.fsum(put_in) if put_in else math.nan,
        taken_out=math.fsum(taken) if taken else math.nan,
        parts=tuple(part for p in pieces for part in p.parts),
        clearance=_last(e.clearance for e in rows),
        flange=_last(e.flange for e in rows),
        height=_last(e.height for e in rows),
        fitted=_last(e.fitted for e in rows if not e.work),
        on=max((e.on for e in rows if e.on is not None), default=None),
        drain=_said(e.drain for e in rows),
        leak=_said(e.leak for e in rows),
        out_at=max((e.out_at for e in work if e.out_at is not None), default=None),
        back_at=max((e.back_at for e in work if e.back_at is not None), default=None),
        note="; ".join(dict.fromkeys(e.note for e in rows if e.note)),
        said=tuple(told),
    )


def _last(values: Iterable[float]) -> float:
    found = math.nan
    for value in values:
        found = value if math.isfinite(value) else found
    return found


def _said(values: Iterable[bool | None]) -> bool | None:
    found = None
    for value in values:
        found = found if value is None else value
    return found


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
