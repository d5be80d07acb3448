"""What crews' rows say of dangers: out of service and not back, leaking, not draining. Pure.

A danger needs no date. Only a later day's "yes" does away with a "no"; only a later "back" with an "out".
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from gradecheck.fieldbook import Entry

_BAD = {"drain": "does not drain", "leak": "leaks"}


@dataclass(frozen=True, slots=True)
class Dangers:
    """What all rows of one hydrant come to.

    drain, leak: found in order; None where nothing is said, or nothing that can be read. out_at, back_at: the outage
    that is not over, else the last times. texts: what must be seen to at once, in words, the outage first.
    """

    drain: bool | None = None
    leak: bool | None = None
    out_at: datetime | None = None
    back_at: datetime | None = None
    out: bool = False
    texts: tuple[str, ...] = ()


def dangers(entries: Sequence[Entry]) -> Dangers:
    """The dangers of one hydrant's rows, in the order of files and lines, whatever their day."""
    outs = tuple(_open_outs(entries))
    unread = tuple(_unread_outs(entries))
    since = max((out.at for out in outs), default=None)
    found = {kind: tuple(_open_statements(entries, kind)) for kind in _BAD}
    texts = [*([_since(max(outs, key=lambda out: out.at))] if outs else []), *unread]
    texts += [text for kind in ("leak", "drain") for text in _words(found[kind], kind)]
    backs = [e.back_at for e in entries if e.back_at is not None]
    return Dangers(
        drain=_order(entries, found["drain"], "drain"),
        leak=_order(entries, found["leak"], "leak"),
        out_at=since or max((e.out_at for e in entries if e.out_at is not None), default=None),
        back_at=max(backs, default=None),
        out=bool(outs or unread),
        texts=tuple(dict.fromkeys(texts)),
    )


# -- out of service ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Moment:
    """A time out or back: its row's place, and whether it says a day alone. said: of the row's back, unreadable."""

    at: datetime
    row: int
    day_only: bool
    own: bool = False
    said: str = ""


def _open_outs(entries: Sequence[Entry]) -> Iterator[_Moment]:
    """Times out that no time back is later than."""
    outs, backs = [], []
    for row, e in enumerate(entries):
        out = _moment(e, row, e.out_at, "out_at")
        back = _moment(e, row, e.back_at, "back_at")
        ends = out is not None and back is not None and _ends(back, out, own=True)
        if out is not None and not ends:
            outs.append(out)
        if back is not None:
            backs.append(_Moment(back.at, row, back.day_only, own=ends))
    return (out for out in outs if not any(_ends(back, out) for back in backs))


def _moment(e: Entry, row: int, at: datetime | None, column: str) -> _Moment | None:
    said = e.wrote("back_at") if column == "out_at" else ""
    return None if at is None else _Moment(at, row, column in e.days_only, said=said)


def _ends(back: _Moment, out: _Moment, own: bool = False) -> bool:
    """Whether a time back is later; where the clock of one is not said, by the order of rows within the day.

    A back that has an out of its own in its row ends no other of the same day, unless the clock says so.
    """
    if not (back.day_only or out.day_only) or back.at.date() != out.at.date():
        return back.at > out.at or (own and back.at == out.at)
    return own or (back.row > out.row and not back.own)


def _since(out: _Moment) -> str:
    shown = f"{out.at:%Y-%m-%d}" if out.day_only else f"{out.at:%Y-%m-%d %H:%M}"
    return f"out of service since {shown} and not back" + (f" (back_at says {out.said!r})" if out.said else "")


def _unread_outs(entries: Iterable[Entry]) -> Iterator[str]:
    """Times out that cannot be read, in rows without a time back that can: nothing says which back would be later."""
    for e in entries:
        if e.back_at is None and (said := e.wrote("out_at")):
            back = f"back_at says {text!r}" if (text := e.wrote("back_at")) else "no back_at"
            yield f"out of service as it seems: out_at says {said!r}, {back}"


# -- draining and leaking ---------------------------------------------------------------------------------------


def _column(kind: str) -> str:
    return f"{kind}_ok"


def _open_statements(entries: Iterable[Entry], kind: str) -> Iterator[Entry]:
    """Rows that say no, or what cannot be read, and no row of a later day says yes."""
    rows = list(entries)
    yes = [e.on for e in rows if getattr(e, kind) and e.on is not None]
    for e in rows:
        value = getattr(e, kind)
        bad = value is False or (value is None and e.wrote(_column(kind)))
        if bad and not (e.on is not None and any(day > e.on for day in yes)):
            yield e


def _words(bad: Sequence[Entry], kind: str) -> list[str]:
    """Plainly where a row says so plainly, else as it is written."""
    column = _column(kind)
    if any(getattr(e, kind) is False and not e.wrote(column) for e in bad):
        return [_BAD[kind]]
    return [
        f"{_BAD[kind]}: {column} says {e.wrote(column)!r}"
        if getattr(e, kind) is False
        else f"look: {column} says {e.wrote(column)!r}"
        for e in bad
    ]


def _order(entries: Iterable[Entry], bad: Sequence[Entry], kind: str) -> bool | None:
    if any(getattr(e, kind) is False for e in bad):
        return False
    return True if not bad and any(getattr(e, kind) for e in entries) else None
