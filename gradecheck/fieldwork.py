"""The plan's field measurements: read, told apart from work done, and taken in beside what the layer knows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from gradecheck import cautions
from gradecheck.clearance import Basis
from gradecheck.errors import Finding, InputError, listed
from gradecheck.fieldbook import QUANTITIES, Book, Entry, Known, Merged, Owners, merge, older, owners
from gradecheck.formats.dates import parse_date
from gradecheck.formats.field_rows import Reading, read_field_rows, table_of
from gradecheck.hydrants import Hydrants
from gradecheck.plan import MEASURING_SD, SURVEYING_SD, Plan
from gradecheck.probability import Bools, Floats
from gradecheck.surfaces.named import find

WHERE = "measurements.path"
_SUFFIXES = (".csv", ".tsv", ".txt", ".xlsx", ".ods", ".gpkg", ".geojson", ".shp", ".fgb", ".parquet")


@dataclass(frozen=True, slots=True)
class Fieldwork:
    """What measurements make of H hydrants.

    clearance_sd, flange_sd: (H,) metres, of the height that counts. days: of each quantity the day that it is of.
    books: the files; owners: of all their entries. used: entries of which something counts.
    """

    clearance_sd: Floats
    flange_sd: Floats
    days: Mapping[str, tuple[date | None, ...]]
    books: tuple[Book, ...]
    owners: Owners
    used: int

    @property
    def entries(self) -> tuple[Entry, ...]:
        """All rows that were filled in, in the order of files and lines."""
        return tuple(entry for book in self.books for entry in book.entries)

    def measured_on(self, rows: Sequence[int], basis: Sequence[int]) -> list[str | None]:
        """(n,) the day that the height was measured which the clearance today of hydrants `rows` rests on.

        basis: (n,) their `Basis` codes.
        """
        by_basis = {int(Basis.surveyed): self.days["flange"], int(Basis.measured): self.days["clearance"]}
        days = [by_basis[b][i] if b in by_basis else None for i, b in zip(rows, basis, strict=True)]
        return [None if day is None else day.isoformat() for day in days]

    def later_than(self, today: date) -> list[str]:
        """A warning of measurements that have a day to come."""
        late = [e.name for e in self.entries if e.on is not None and e.on > today]
        notes = [f"measurements: {_are(len(late), 'row')} dated after today: {listed(late)}"] if late else []
        told = {e.on for e in self.entries}
        others = {day for days in self.days.values() for day in days if day is not None and day > today} - told
        if others:
            notes.append(f"hydrants.measured_on: days after today: {listed(sorted(others))}")
        return notes

    @property
    def facts(self) -> tuple[str, ...]:
        """What the files hold, for people."""
        entries, lines = self.entries, []
        for book in self.books:
            blank = f", {book.blank} not filled in" if book.blank else ""
            lines.append(f"{book.shown}: {_counted(len(book.entries) + len(book.refused), 'row')} filled in{blank}")
        work = sum(e.work for e in entries)
        refused = sum(len(book.refused) for book in self.books)
        unknown = sum(row < 0 for row in self.owners.rows)
        lines += [
            f"{name:<23}{count:>7}"
            for name, count in (
                ("used", self.used),
                ("of work done", work),
                ("passed over, date", refused),
                ("of unknown ids", unknown),
            )
        ]
        newest = max((e.on for e in entries if e.on is not None), default=None)
        return (*lines, f"newest date {newest.isoformat() if newest else 'none'}")


def read_books(plan: Plan) -> tuple[Book, ...]:
    """The files of [measurements]. Raises InputError with the findings of all of them."""
    source = plan.measurements
    if source is None:
        return ()
    reading = row_reading(plan, WHERE)
    books: list[Book] = []
    findings: list[Finding] = []
    for path, shown in find(source.path, plan.folder, WHERE, _SUFFIXES, "table of measurements"):
        try:
            books.append(read_field_rows(path, shown, reading))
        except InputError as error:
            findings.extend(error.findings)
    if findings:
        raise InputError(findings)
    return tuple(books)


def row_reading(plan: Plan, where: str) -> Reading:
    """How the plan says that forms are read; where: the key or option that names them."""
    s = plan.measurements
    if s is None:
        return Reading(where)
    return Reading(where, s.layer if where == WHERE else None, s.encoding, s.unit, s.elevation_unit, s.date_order)


def taken_in(
    plan: Plan, hydrants: Hydrants, books: tuple[Book, ...], notes: list[str]
) -> tuple[Hydrants, Fieldwork | None]:
    """The hydrants with the newest of every quantity, and where it is from; None where nothing is measured or dated."""
    if plan.measurements is None and plan.hydrants.measured_on is None:
        return hydrants, None
    entries = [entry for book in books for entry in book.entries]
    whose = owners([e.hydrant_id for e in entries], hydrants.id)
    before = [k for k, e in enumerate(entries) if not e.work]
    days, undated = _days(plan, hydrants, notes)
    source = plan.hydrants
    known = Known(
        values={name: getattr(hydrants, name) for name in QUANTITIES},
        days=days,
        clearance_sd=(source.clearance.sd if source.clearance else MEASURING_SD).metres,
        flange_sd=source.flange_elevation.sd.metres if source.flange_elevation else SURVEYING_SD.metres,
    )
    flange_sd = known.flange_sd if plan.measurements is None else plan.measurements.flange_sd.metres
    rows = [whose.rows[k] for k in before]
    merged = merge([entries[k] for k in before], rows, known, plan.measuring_sd.metres, flange_sd)
    notes.extend(note for book in books for note in book.notes)
    notes.extend(_notes(entries, whose))
    surveyed = plan.before.surveyed if plan.before is not None else None
    unread = np.isin(np.arange(len(hydrants)), [r for e, r in zip(entries, whose.rows, strict=True) if e.unread])
    bits = (
        hydrants.cautions
        | merged.bits
        | cautions.flag("measured_before_ground", older(merged, surveyed))
        | cautions.flag("unreadable_value", unread | undated)
    )
    newest: dict[str, Any] = {name: merged.values[name] for name in QUANTITIES}
    return replace(hydrants, cautions=bits, **newest), _fieldwork(merged, books, whose)


def _fieldwork(merged: Merged, books: tuple[Book, ...], whose: Owners) -> Fieldwork:
    return Fieldwork(merged.clearance_sd, merged.flange_sd, merged.days, books, whose, merged.used)


def _days(plan: Plan, hydrants: Hydrants, notes: list[str]) -> tuple[tuple[date | None, ...] | None, Bools]:
    """(H,) the days that the layer gives its measurements, and where what stands there is none."""
    column = plan.hydrants.measured_on
    bad = np.zeros(len(hydrants), dtype=bool)
    if column is None:
        return None, bad
    order = plan.measurements.date_order if plan.measurements is not None else None
    values = hydrants.table.column(column).to_pylist()
    texts = dict(table_of([column], [values], list(range(len(values))), hydrants.shown).rows)
    days: list[date | None] = [None] * len(hydrants)
    for row, (text,) in texts.items():
        try:
            days[row] = parse_date(text, order)
        except ValueError:
            bad[row] = True
    if bad.any():
        names = listed(f"{hydrants.id[i]} ({texts[i][0]!r})" for i in np.flatnonzero(bad).tolist())
        notes.append(
            f"hydrants.measured_on: {_are(int(bad.sum()), 'row')} without a day that can be read, and count as older "
            f"than all that have one: {names}"
        )
    return tuple(days), bad


def _notes(entries: Sequence[Entry], whose: Owners) -> list[str]:
    """What must be said aloud of the entries of all files together."""
    notes = list(owner_notes(whose, "measurements"))
    work = sum(e.work for e in entries)
    if work:
        verb = "tells of work done and is" if work == 1 else "tell of work done and are"
        notes.append(
            f"measurements: {_counted(work, 'row')} {verb} passed over (part, length taken out, out_at or back_at "
            "filled in): `gradecheck confirm` reads them"
        )
    before = [e for e in entries if not e.work]
    undated = [e.name for e in before if e.on is None]
    if undated:
        verb = "says no date and counts" if len(undated) == 1 else "say no date and count"
        notes.append(f"measurements: {_counted(len(undated), 'row')} {verb} as oldest: {listed(undated)}")
    alone = [e.name for e in before if np.isfinite(e.height) and not np.isfinite(e.clearance)]
    if alone:
        notes.append(
            f"measurements: {_counted(len(alone), 'outlet height')} without a clearance beside it, so that the outlet "
            f"above the flange stays as it was: {listed(alone)}"
        )
    return notes


def owner_notes(whose: Owners, where: str) -> list[str]:
    """What must be said aloud of whose entries are."""
    notes = []
    if whose.unknown:
        count = sum(row < 0 for row in whose.rows)
        notes.append(
            f"{where}: {_are(count, 'row')} of ids that no hydrant has: {listed(whose.unknown)}; check them against "
            "hydrant_id in the layer"
        )
    if whose.taken:
        pairs = listed(f"{written} is {true}" for written, true in whose.taken)
        notes.append(f"{where}: ids that a spreadsheet took for numbers were matched by their number: {pairs}")
    if whose.doubtful:
        notes.append(
            f"{where}: ids of which another hydrant has the same number, as a spreadsheet that drops zeros would make "
            f"them: {listed(whose.doubtful)}; each is taken as it stands"
        )
    return notes


def _counted(n: int, noun: str) -> str:
    return f"1 {noun}" if n == 1 else f"{n} {noun}s"


def _are(n: int, noun: str) -> str:
    return f"{_counted(n, noun)} {'is' if n == 1 else 'are'}"
