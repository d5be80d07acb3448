"""What the files of the order share: text that is never taken for a formula, the rows to show; and `order.csv`."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache
from itertools import islice
from pathlib import Path
from textwrap import wrap
from typing import Any

import pyarrow as pa
import xlsxwriter
from xlsxwriter.exceptions import FileCreateError

from gradecheck.order import OrderLine

_FORMULA = re.compile(r"[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?")


@lru_cache(maxsize=65_536)
def inert(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe before what looks like one. Numbers pass.

    >>> inert("=1+1"), inert("-3"), inert("1E5"), inert("@home"), inert("0012")
    ("'=1+1", '-3', '1E5', "'@home", '0012')
    """
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def write_csv(table: pa.Table, path: Path) -> None:
    """The order as CSV: UTF-8, blank where unknown."""
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(table.column_names)
        for row in table.to_pylist():
            out.writerow([inert(v) if isinstance(v, str) else _number(v) for v in row.values()])


def _number(value: object) -> object:
    if isinstance(value, float):
        return f"{value:.6f}".rstrip("0").rstrip(".")
    return "" if value is None else value


def read_csv(path: Path) -> list[dict[str, str]] | None:
    """The rows of a former order.csv, text as it stands there; None where there is no such file.

    One that cannot be read is a single row without columns, so that `changes` says it cannot be compared.
    """
    if not path.exists():
        return None
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return [{k: v for k, v in row.items() if isinstance(v, str)} for row in csv.DictReader(file)]
    except (OSError, UnicodeDecodeError, csv.Error):
        return [{}]


def is_order(path: Path) -> bool:
    """Whether a file is an order.csv of ours: by its columns."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = next(csv.reader(file), [])
    except (OSError, UnicodeDecodeError, csv.Error):
        return False
    return {"job", "family", "part_number", "quantity_firm", "quantity_buy"} <= set(first)


def cents(line: OrderLine) -> Decimal:
    """What a line costs, rounded as a spreadsheet does; 0 where it is not known."""
    return (line.cost or Decimal(0)).quantize(Decimal("0.01"), ROUND_HALF_UP)


def grouped(lines: Sequence[OrderLine]) -> list[tuple[str, list[int]]]:
    """Headings and the lines under each: by supplier, or by family where none is named; what nobody sells last."""
    by_supplier = any(line.supplier for line in lines)
    word = "Supplier" if by_supplier else "Family"
    found: dict[tuple[bool, bool, str], list[int]] = {}
    for n, line in enumerate(lines):
        name = "" if line.part_number is None else line.supplier if by_supplier else line.family
        found.setdefault((line.part_number is None, not name, name), []).append(n)
    return [
        ("Not in the catalogue" if unsold else f"{word}: {name}" if name else f"{word} not stated", found[key])
        for key in sorted(found)
        for unsold, _, name in [key]
    ]


FEWER, MORE = 3, 5
"""How far about the quantity to have it is told what fewer and more would mean."""


def enough(line: OrderLine) -> list[tuple[int, float, float]]:
    """For numbers of pieces about the quantity to have: (pieces, chance of running short, expected left over)."""
    least, most = max(0, line.quantity_order - FEWER), line.quantity_order + MORE
    return [(q, round(line.need.short(q), 9), round(line.need.left_over(q), 6)) for q in range(least, most + 1)]


def largest_open(lines: Sequence[OrderLine], count: int) -> list[int]:
    """The `count` largest lines whose need is not certain: extensions before what goes with them."""
    candidates = [n for n, line in enumerate(lines) if not line.need.certain]
    return sorted(candidates, key=lambda n: (lines[n].length is None, -lines[n].quantity_order))[:count]


COMPARED = ("quantity_order", "quantity_buy", "cost")
"""The columns of an order whose change is told."""
_NAMES = ("job", "family", "item", "part_number", "description")


@dataclass(frozen=True, slots=True)
class Change:
    """One line of the order that is not what it was.

    what: "added", "dropped" or "changed". names: job, family, item, part number and description.
    before, now: the values of `COMPARED`, None where there was or is none.
    """

    what: str
    names: tuple[str, ...]
    before: tuple[float | None, ...]
    now: tuple[float | None, ...]


def changes(lines: Sequence[OrderLine], former: Sequence[Mapping[str, object]]) -> list[Change]:
    """What is new, gone or different since a former order, in its and then in the present order of lines.

    former: rows as in order.csv, text or numbers. Raises ValueError, in words, where they are no such rows.
    """
    before = _keyed([_former(n, row) for n, row in enumerate(former, start=1)])
    now = _keyed([_present(line) for line in lines])
    nothing = (None,) * len(COMPARED)
    found = [Change("dropped", names, values, nothing) for key, (names, values) in before.items() if key not in now]
    for key, (names, values) in now.items():
        _, was = before.get(key, (names, None))
        if was is None:
            found.append(Change("added", names, nothing, values))
        elif not all(_same(a, b) for a, b in zip(was, values, strict=True)):
            found.append(Change("changed", names, was, values))
    return found


_Row = tuple[tuple[str, ...], tuple[float | None, ...]]


def _keyed(rows: Iterable[_Row]) -> dict[tuple[object, ...], _Row]:
    """Rows by what makes a line the same one again: its part number, or where it has none its description.

    Text is compared as CSV writes it; a line that stands twice is told by its turn.
    """
    found: dict[tuple[object, ...], _Row] = {}
    for names, values in rows:
        job, family, item, part, description = (inert(n) for n in names)
        key: tuple[object, ...] = (job, family, item, part, "" if part else description)
        turn = 0
        while (*key, turn) in found:
            turn += 1
        found[(*key, turn)] = names, values
    return found


def _present(line: OrderLine) -> _Row:
    cost = None if line.cost is None else float(round(line.cost, 2))
    names = (line.job, line.family, line.item, line.part_number or "", line.description)
    return names, (line.quantity_order, line.quantity_buy, cost)


def _former(number: int, row: Mapping[str, object]) -> _Row:
    missing = [name for name in (*_NAMES, *COMPARED) if name not in row]
    if missing:
        raise ValueError(f"it has no column {', '.join(missing)}")
    names = tuple("" if _blank(row[name]) else _written(str(row[name])) for name in _NAMES)
    values = []
    for name in COMPARED:
        try:
            values.append(None if _blank(row[name]) else float(str(row[name])))
        except ValueError:
            raise ValueError(f"row {number}: {name} {row[name]!r} is no number") from None
    return names, tuple(values)


def _blank(value: object) -> bool:
    return value is None or value != value or value == ""


def _written(text: str) -> str:
    """Text without the apostrophe that `inert` put before it."""
    return text[1:] if text.startswith("'") and inert(text[1:]) == text else text


def _same(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) < 0.005


HEAD = 6
"""The header's row on every sheet, from 0; title and notes stand above it."""
_HEAD_HEIGHT = 42
_LINE_HEIGHT = 15
_LONGEST = 16_000
"""Characters of a cell: a spreadsheet holds 32,767 UTF-16 units."""
Column = tuple[str, str, float, str]
"""Of a sheet's column: name, heading, width in characters, style."""
NAMED: tuple[Column, ...] = (
    ("job", "Job", 11, "text"),
    ("family", "Family", 8, "text"),
    ("item", "Item", 17, "text"),
    ("part_number", "Part number", 11, "text"),
    ("description", "Description", 21, "text"),
)
"""What names a line of the order on every sheet."""
FORMATS: dict[str, dict[str, Any]] = {
    "title": {"bold": True, "font_size": 15},
    "note": {"italic": True, "font_color": "#444444"},
    "head": {"bold": True, "bottom": 2, "text_wrap": True, "valign": "bottom", "align": "left", "indent": 1},
    "head_number": {"bold": True, "bottom": 2, "text_wrap": True, "valign": "bottom", "align": "right"},
    "group": {"bold": True, "bg_color": "#e8e8e8", "num_format": "@"},
    "text": {"valign": "top", "text_wrap": True, "num_format": "@", "align": "left", "indent": 1},
    "late": {"valign": "top", "align": "left", "indent": 1, "bold": True, "font_color": "#a01818"},
    "count": {"num_format": "#,##0", "valign": "top"},
    "edit": {"num_format": "#,##0", "valign": "top", "bg_color": "#fff4cc", "bold": True},
    "price": {"num_format": "#,##0.00##", "valign": "top"},
    "edit_price": {"num_format": "#,##0.00##", "valign": "top", "bg_color": "#fff4cc"},
    "more": {"num_format": "+#,##0;-#,##0;0", "valign": "top"},
    "tenth": {"num_format": "#,##0.0", "valign": "top"},
    "share": {"num_format": '[=0]0.0%;[<0.0005]"<0.1%";0.0%', "valign": "top"},
    "length": {"num_format": "0.###", "valign": "top"},
    "money": {"num_format": "#,##0.00", "valign": "top"},
    "money_more": {"num_format": "+#,##0.00;-#,##0.00;0.00", "valign": "top"},
    "sum": {"bold": True, "top": 1, "num_format": "#,##0.00"},
    "sum_more": {"bold": True, "top": 1, "num_format": "+#,##0.00;-#,##0.00;0.00"},
    "sum_label": {"bold": True, "top": 1, "num_format": "@"},
    "total": {"bold": True, "top": 6, "num_format": "#,##0.00", "font_size": 12},
    "total_label": {"bold": True, "top": 6, "font_size": 12},
    "as_ordered": {"bg_color": "#e8e8e8"},
    "warn": {"font_color": "#a01818", "bold": True},
    "line": {"bottom": 1},
}


_PAPERS = {"letter": 1, "a4": 9}
"""As spreadsheets number them."""


@contextmanager
def workbook_at(path: Path, title: str, day: date, **options: Any) -> Iterator[Any]:
    """A new workbook, written once all is in it; no text becomes a formula or a link. Raises OSError."""
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "tmpdir": str(path.parent)}
    out = xlsxwriter.Workbook(str(path), plain | options)
    out.set_properties({"title": title, "created": datetime(day.year, day.month, day.day)})
    yield out
    try:
        out.close()
    except FileCreateError as error:
        cause = error.args[0] if error.args else None
        raise cause if isinstance(cause, OSError) else OSError(None, str(error)) from None


def _wrapped(text: str, width: int) -> int:
    """How many lines a text takes in a column of so many characters."""
    return 1 if len(text) <= width else sum(max(1, len(wrap(part, width))) for part in text[:_LONGEST].split("\n"))


class Sheet:
    """A worksheet on which text is always text, and whose columns are set once. unit: of lengths; paper: its name."""

    def __init__(self, sheet: Any, formats: Mapping[str, Any], unit: str, paper: str) -> None:
        self.sheet, self.formats, self.unit, self.paper = sheet, formats, unit, paper
        self.last = 0
        self.widths: list[float] = []

    def put(self, row: int, column: int, value: object, style: str) -> None:
        """Write one cell: nothing, text or a number."""
        self.last = max(self.last, row)
        kind = self.formats[style]
        if value is None or value == "":
            self.sheet.write_blank(row, column, None, kind)
        elif isinstance(value, str):
            self.sheet.write_string(row, column, value[:_LONGEST], kind)
        else:
            self.sheet.write_number(row, column, value, kind)

    def row(self, row: int, column: int, values: Iterable[object], styles: Iterable[str]) -> None:
        """Write cells side by side; the row grows to the longest wrapped text, as not every program does by itself."""
        values = list(values)
        if column == 0:
            pairs = zip(values, self.widths, strict=False)
            lines = max((_wrapped(v, int(w) - 1) for v, w in pairs if isinstance(v, str)), default=1)
            if lines > 1:
                self.sheet.set_row(row, _LINE_HEIGHT * lines)
        for k, (value, style) in enumerate(zip(values, styles, strict=True), start=column):
            self.put(row, k, value, style)

    def formula(self, row: int, column: int, text: str, value: object, style: str) -> None:
        """Write a formula and the value that it has now."""
        self.last = max(self.last, row)
        self.sheet.write_formula(row, column, text, self.formats[style], value)

    def band(self, row: int, width: int, style: str, text: str) -> None:
        """A row of one style with a text at its left."""
        for column in range(width):
            self.put(row, column, text if column == 0 else None, style)

    def notes(self, texts: Iterable[str]) -> None:
        """Title and notes, above the header."""
        for row, text in enumerate(islice(texts, HEAD)):
            if text:
                self.put(row, 0, text, "note" if row else "title")

    def head(self, table: Sequence[Column]) -> None:
        """Widths and headings; frozen, and repeated on every page."""
        self.widths = [width for _, _, width, _ in table]
        for column, (_, heading, width, style) in enumerate(table):
            self.sheet.set_column(column, column, width)
            text = heading.replace("{u}", self.unit)
            self.put(HEAD, column, text, "head" if style == "text" else "head_number")
        self.sheet.set_row(HEAD, _HEAD_HEIGHT)
        self.sheet.freeze_panes(HEAD + 1, 0)
        self.sheet.repeat_rows(HEAD)

    def for_print(self, columns: int, last: int | None = None) -> None:
        """One page wide, with page numbers."""
        self.sheet.set_paper(_PAPERS[self.paper])
        self.sheet.set_landscape()
        self.sheet.fit_to_pages(1, 0)
        self.sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
        self.sheet.set_footer("&L&F, &A&RPage &P of &N")
        self.sheet.print_area(0, 0, self.last if last is None else last, columns - 1)


def relocated_text(count: int) -> str:
    """What an order says of hydrants to be relocated; empty for none.

    >>> relocated_text(1), relocated_text(3)
    ('1 hydrant to be relocated is left out.', '3 hydrants to be relocated are left out.')
    """
    words = "hydrant to be relocated is" if count == 1 else "hydrants to be relocated are"
    return f"{count} {words} left out." if count else ""
