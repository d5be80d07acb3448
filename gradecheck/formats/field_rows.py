"""Filled-in forms: the table that a run writes for crews, as a spreadsheet saved it, or any layer with its columns."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TypeVar

from gradecheck.errors import Finding, InputError, listed
from gradecheck.fieldbook import Book, Entry
from gradecheck.formats.dates import is_day_only, parse_date, parse_moment
from gradecheck.formats.text_tables import TextTable, number, read_text_table
from gradecheck.layers import is_text_table, read_named
from gradecheck.units import METRES, UNIT_NAMES, unit_named
from gradecheck.validation import nearest

T = TypeVar("T")
ID = "hydrant_id"
LENGTHS = ("clearance", "outlet_height", "length_fitted", "length_taken_out")
COLUMNS = (
    ID, "date", "clearance", "flange_elevation", "outlet_height", "length_fitted", "length_taken_out", "part_number",
    "drain_ok", "leak_ok", "out_at", "back_at", "note",
)  # fmt: skip
AFTER_WORK = ("length_taken_out", "part_number", "out_at", "back_at")
"""Columns that are filled in once work is done."""
# Metres outside of which a value is a slip of the unit, not a hydrant's: common practice, generously.
_POSSIBLE = {
    "clearance": (-5.0, 5.0),
    "flange_elevation": (-500.0, 9000.0),
    "outlet_height": (-5.0, 10.0),
    "length_fitted": (0.0, 10.0),
    "length_taken_out": (0.0, 10.0),
}
_UNNAMED = re.compile(r"field_?\d+", re.I)
_YES = {"yes", "y", "true", "t", "1", "1.0", "ok"}
_NO = {"no", "n", "false", "f", "0", "0.0", "not ok"}
_FIRST_WORD = re.compile(r"(not ok|[a-z]+|[01](?:\.0)?)(?![\w/.])(?!.*\?)", re.S)
_DASHES = {"-", "--", "\u2013", "\u2014", "n/a", "n.a.", "na"}
_URGENT = ("drain_ok", "leak_ok", "out_at", "back_at")
"""Columns that tell of dangers: what of them cannot be read is never as good as blank."""
_BLANK = {name: _DASHES | {"none"} for name in COLUMNS[1:-1]} | {"drain_ok": _DASHES, "leak_ok": _DASHES}
"""Words that people write for nothing, by column; that there is "none" under drain_ok may mean anything."""
_PLAN_ORDER = 'once date_order = "mdy" or "dmy" is stated in [measurements]'


@dataclass(frozen=True, slots=True)
class Reading:
    """How a file is to be read.

    where: the key or option that names it. unit, elevation_unit: where no row says them. order: of dates. how: when
    dates that may be two days are read, in words.
    """

    where: str
    layer: str | None = None
    encoding: str | None = None
    unit: str | None = None
    elevation_unit: str | None = None
    order: str | None = None
    how: str = _PLAN_ORDER


def read_field_rows(path: Path, shown: str, reading: Reading) -> Book:
    """The rows that were filled in. Raises InputError where the file, its columns or its units cannot be used."""
    table = read_cells(path, shown, reading, COLUMNS)
    if ID not in table.columns:
        what = f"{shown} has no column {ID}"
        raise InputError(Finding(reading.where, what, nearest(ID, table.columns)))
    if not {*LENGTHS, "flange_elevation", *AFTER_WORK} & set(table.columns):
        what = f"{shown} has none of the columns {', '.join(COLUMNS[2:8])}"
        raise InputError(Finding(reading.where, what, "keep the headings of measurements.csv as they were written"))
    table, units = with_units(table, (*LENGTHS, "flange_elevation"), (ID,))
    factors = _factors(table, units, reading)
    return _book(table, factors, reading)


def read_cells(path: Path, shown: str, reading: Reading, known: tuple[str, ...]) -> TextTable:
    """The cells of a table or a layer as text. Raises InputError."""
    if is_text_table(path):
        return read_text_table(path, shown, reading.where, known, reading.encoding)
    option = reading.where.startswith("--")
    layer = read_named(path, shown, reading.where, reading.layer, reading.encoding, alone=option)
    return table_of(layer.table.column_names, [c.to_pylist() for c in layer.table.columns], layer.place.tolist(), shown)


def table_of(names: list[str], columns: list[list[object]], places: list[int], shown: str) -> TextTable:
    """Columns of values as cells of text; rows without any are left out."""
    texts = [[_text(v) for v in column] for column in columns]
    rows = zip(places, zip(*texts, strict=True), strict=True) if texts else ()
    kept = tuple((place, cells) for place, cells in rows if any(cells))
    if kept and all(_UNNAMED.fullmatch(name) for name in names):
        # A spreadsheet of text throughout: its first row, which holds the names, is taken for one of values.
        names, kept = list(kept[0][1]), kept[1:]
    return TextTable(shown, tuple(name.strip().lower() for name in names), kept)


def _text(value: object) -> str:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, datetime):
        return value.isoformat(" ", "seconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value).strip()


def with_units(table: TextTable, measured: tuple[str, ...], blank: tuple[str, ...]) -> tuple[TextTable, dict[str, str]]:
    """The table without its row of units, and what that says by column: wherever it stands, as sorting moves it.

    measured: columns that have a unit. blank: columns that are empty in such a row. Raises InputError.
    """
    at = {name: table.columns.index(name) for name in measured if name in table.columns}
    empty = [table.columns.index(name) for name in blank if name in table.columns]
    units: dict[str, str] = {}
    kept = []
    for line, cells in table.rows:
        filled = {name: cells[i] for name, i in at.items() if cells[i]}
        if any(cells[i] for i in empty) or not any(unit_named(text) for text in filled.values()):
            kept.append((line, cells))
            continue
        for name, text in filled.items():
            unit = unit_named(text)
            if unit is None or units.get(name, unit) != unit:
                other = "is no known unit" if unit is None else f"contradicts {units[name]!r} in another row of units"
                what = f"unit {text!r} of {name} {other}"
                raise InputError(Finding(f"{table.shown} line {line}", what, f"known: {', '.join(UNIT_NAMES)}"))
            units[name] = unit
    return TextTable(table.shown, table.columns, tuple(kept), table.comma), units


def _factors(table: TextTable, units: dict[str, str], reading: Reading) -> dict[str, float]:
    """Metres in one unit of each column that holds anything. Raises InputError where its unit is not known."""
    findings: list[Finding] = []
    factors: dict[str, float] = {}
    for name in (*LENGTHS, "flange_elevation"):
        key = "elevation_unit" if name == "flange_elevation" else "unit"
        stated, said = getattr(reading, key), units.get(name)
        if not any(table.cells(name)):
            factors[name] = math.nan
        elif stated and said and stated != said:
            what = f"{table.shown} says {name} is in {said}, the plan says {stated}"
            findings.append(Finding(f"measurements.{key}", what, "take it out of the plan or mend the file"))
        elif stated or said:
            factors[name] = METRES[stated or str(said)]
        else:
            what = f"{table.shown} does not say the unit of {name}"
            mend = f'keep its second row, which holds the units, or state {key} = "ft" in [measurements] of the plan'
            findings.append(Finding(reading.where, what, mend))
    if findings:
        raise InputError(findings)
    return factors


@dataclass(slots=True)
class _Row:
    """The cells of one row by column, and what of them could not be read."""

    cells: dict[str, str]
    comma: bool
    order: str | None
    unread: list[str]

    def read(self, name: str, parse: Callable[[str], T]) -> T | None:
        """What a cell says, None where it is blank or cannot be read."""
        text = self.cells.get(name, "")
        try:
            return parse(text) if text else None
        except ValueError as error:
            self.unread.append(f"{name} {error}")
            return None

    def length(self, name: str, factor: float) -> float:
        """Metres, NaN unknown."""
        value = self.read(name, lambda text: _possible(number(text, self.comma) * factor, name, text))
        return math.nan if value is None else value


def _possible(metres: float, name: str, text: str) -> float:
    low, high = _POSSIBLE[name]
    if not low <= metres <= high:
        raise ValueError(f"{text!r} cannot be: is its unit right?")
    return metres


def _said(text: str) -> bool:
    """Yes or no, by the first word; a form's "yes/no" and what has a question mark are neither."""
    found = _FIRST_WORD.match(text.lower())
    word = found[1] if found else ""
    if word not in _YES | _NO:
        raise ValueError(f"{text!r} is neither yes nor no")
    return word in _YES


def _book(table: TextTable, factors: dict[str, float], reading: Reading) -> Book:
    entries: list[Entry] = []
    undated: list[Entry] = []
    nameless: list[Entry] = []
    refused: list[str] = []
    blank = 0
    for line, cells in table.rows:
        found = {c: t for c, t in zip(table.columns, cells, strict=True) if c in COLUMNS and _filled(c, t)}
        hydrant_id = found.pop(ID, "")
        if not found:
            blank += bool(hydrant_id)
            continue
        row = _Row(found, table.comma, reading.order, [])
        try:
            day = parse_date(found["date"], row.order) if "date" in found else None
        except ValueError as error:
            day = None
            if hydrant_id:
                refused.append(f"{hydrant_id} (line {line}): date {error}")
                undated.append(_entry(table.shown, line, hydrant_id, row, factors, day))
                continue
        (entries if hydrant_id else nameless).append(_entry(table.shown, line, hydrant_id, row, factors, day))
    notes = _notes(table.shown, refused, nameless, entries, reading.how)
    return Book(table.shown, tuple(entries), blank, tuple(refused), (*undated, *nameless), tuple(notes))


def _filled(column: str, text: str) -> bool:
    """Whether a cell says anything: a dash or the like does not."""
    return bool(text) and text.lower() not in _BLANK.get(column, ())


def _entry(shown: str, line: int, hydrant_id: str, row: _Row, factors: dict[str, float], day: date | None) -> Entry:
    out_at, back_at = (row.read(name, lambda text: parse_moment(text, row.order)) for name in ("out_at", "back_at"))
    drain, leak = row.read("drain_ok", _said), row.read("leak_ok", _said)
    moments = {"out_at": out_at, "back_at": back_at}
    told = [name for name, value in moments.items() if value is None]
    told += [name for name in ("drain_ok", "leak_ok") if row.cells.get(name, "").lower() not in _YES | _NO]
    return Entry(
        shown=shown,
        line=line,
        hydrant_id=hydrant_id,
        on=day,
        clearance=row.length("clearance", factors["clearance"]),
        flange=row.length("flange_elevation", factors["flange_elevation"]),
        height=row.length("outlet_height", factors["outlet_height"]),
        put_in=row.length("length_fitted", factors["length_fitted"]),
        taken_out=row.length("length_taken_out", factors["length_taken_out"]),
        part=row.cells.get("part_number", ""),
        drain=drain,
        leak=leak,
        out_at=out_at,
        back_at=back_at,
        note=row.cells.get("note", ""),
        work=_after_work(row.cells),
        days_only=frozenset(n for n, v in moments.items() if v is not None and is_day_only(row.cells[n])),
        said=tuple((name, row.cells[name]) for name in sorted(told) if row.cells.get(name)),
        unread=tuple(row.unread),
    )


def _after_work(cells: Mapping[str, str]) -> bool:
    """Whether a row was filled in once work was done; a 0 taken out says so only beside a length fitted."""
    if any(cells.get(name) for name in ("part_number", "out_at", "back_at")):
        return True
    taken = cells.get("length_taken_out", "")
    return bool(taken) and (bool(cells.get("length_fitted")) or taken.strip(" 0.,") != "")


def _notes(shown: str, refused: list[str], nameless: list[Entry], entries: list[Entry], how: str) -> list[str]:
    notes = []
    if not (refused or nameless or entries):
        notes.append(f"{shown}: no row of it is filled in")
    if refused:
        two = f" (03/04/2027 is read {how})"
        notes.append(f"{shown}: {_rows(len(refused))} passed over for the date: {listed(refused)}{two}")
    if nameless:
        lines = listed(f"line {e.line}" for e in nameless)
        notes.append(f"{shown}: {_rows(len(nameless))} passed over, with values and no {ID}: {lines}")
    cells = [(e, text) for e in entries for text in e.unread]
    urgent = [f"{e.name}: {text}" for e, text in cells if text.startswith(_URGENT)]
    others = [f"{e.name}: {text}" for e, text in cells if not text.startswith(_URGENT)]
    if others:
        notes.append(f"{shown}: cells that cannot be read are taken as blank: {listed(others)}")
    if urgent:
        notes.append(
            f"{shown}: cells that cannot be read and may tell of a danger: {listed(urgent)}; look, write yes or no, "
            "or a day and time such as 2027-05-11 08:30"
        )
    more = (("drain_ok", "drain"), ("leak_ok", "leak"))
    yes = [f"{e.name}: {c} {e.wrote(c)!r}" for e in entries for c, name in more if getattr(e, name) and e.wrote(c)]
    if yes:
        notes.append(f"{shown}: read by the first word, as yes: {listed(yes)}")
    return notes


def _rows(n: int) -> str:
    return "1 row is" if n == 1 else f"{n} rows are"
