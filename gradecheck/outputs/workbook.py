"""`order.xlsx` for purchasing: what to buy and sign for, where each line comes from, what more or fewer would mean,
what changed since the last order. Formulas are written with their values, for readers that do not recalculate.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import islice
from pathlib import Path
from typing import Any

from xlsxwriter.utility import xl_rowcol_to_cell

from gradecheck.order import OrderLine
from gradecheck.outputs.changed import changed_sheet
from gradecheck.outputs.order_files import (
    FEWER,
    FORMATS,
    HEAD,
    MORE,
    NAMED,
    Column,
    Sheet,
    cents,
    enough,
    grouped,
    largest_open,
    relocated_text,
    workbook_at,
)
from gradecheck.outputs.trace import Trace, columns, write_csv
from gradecheck.units import METRES, UNIT_WORDS, paper_of

TRACE_ROWS = 10_000
"""The sheet "Trace" stops here; spreadsheets grow slow beyond."""
TRACE_CSV = "order_trace.csv"
CHARTED = 6
"""Lines in the chart: more cannot be told apart."""
_NAME = 36
"""Characters of a line's name in the chart."""

_ORDER: tuple[Column, ...] = (
    ("line", "Line", 6, "count"),
    *NAMED,
    ("length", "Length ({u})", 7, "length"),
    ("quantity_firm", "Firm", 6, "count"),
    ("quantity_expected", "Expected", 8.5, "tenth"),
    ("quantity_order", "To have", 7.5, "count"),
    ("on_hand", "On hand", 7.5, "count"),
    ("quantity_buy", "To buy", 7, "edit"),
    ("pack_size", "Pack", 5, "count"),
    ("unit_cost", "Unit cost", 9, "price"),
    ("cost", "Cost", 11, "money"),
    ("order_by", "Order by", 14, "text"),
)
_AT = {name: i for i, (name, *_) in enumerate(_ORDER)}
_ENOUGH: tuple[Column, ...] = (
    *(column for column in _ORDER if column[0] in ("line", "job", "family", "item", "description")),
    ("", "Pieces had", 8, "count"),
    ("", "More or fewer", 8, "more"),
    ("", "Chance of running short", 10, "share"),
    ("", "Expected left over", 10, "tenth"),
)


@dataclass(frozen=True, slots=True)
class Book:
    """What the workbook shows.

    lines: in the order of order.csv; Line 1 is the first. trace: of the same order. day: when it was totalled.
    relocated: hydrants whose parts are left out. former: rows of the former order.csv, None where there is none.
    placed: the file that they are of, where a buyer kept the order as placed. paper: as the plan names it.
    """

    title: str
    service_level: float
    lines: Sequence[OrderLine]
    trace: Trace
    day: date
    relocated: int = 0
    former: Sequence[Mapping[str, object]] | None = None
    placed: str = ""
    paper: str | None = None

    @property
    def unit(self) -> str:
        """The unit of lengths."""
        return self.trace.counting.work.unit


def write_workbook(book: Book, path: Path) -> Path | None:
    """Write order.xlsx; where it cannot hold the whole trace, order_trace.csv beside it, whose path is returned.

    Raises OSError.
    """
    with workbook_at(path, book.title, book.day, constant_memory=True) as out:
        formats = {name: out.add_format(kind) for name, kind in FORMATS.items()}
        paper = paper_of(book.unit, book.paper)

        def sheet(name: str) -> Sheet:
            return Sheet(out.add_worksheet(name), formats, book.unit, paper)

        order, enough_, traced = (sheet(name) for name in ("Order", "Enough", "Trace"))
        _order_sheet(order, book)
        _enough_sheet(enough_, book, out)
        rest = _trace_sheet(traced, book, path)
        if book.former is not None:
            changed_sheet(sheet("Changed"), book.lines, book.former, book.placed)
    return rest


def _value(line: OrderLine, name: str, unit: str) -> object:
    """A cell of a line, in the output's unit; money as it is in the catalogue."""
    value = getattr(line, name)
    if name == "length" and value is not None:
        return round(value / METRES[unit], 6)
    return float(value) if isinstance(value, Decimal) else value


def _cell(row: int, name: str) -> str:
    return str(xl_rowcol_to_cell(row, _AT[name]))


# -- Order ------------------------------------------------------------------------------------------------------


def _order_sheet(sheet: Sheet, book: Book) -> None:
    missing = any(line.part_number is None for line in book.lines)
    sheet.notes([
        book.title,
        f"Totalled {book.day.isoformat()}. Lengths in {UNIT_WORDS[book.unit]}. 'Line' is the row of order.csv; "
        "the other sheets name it too.",
        f"'To have' suffices with probability {book.service_level:.0%}; 'To buy' is that less what is on hand, "
        "in whole packs.",
        "Shaded cells are yours to change: costs and totals follow. Red: fewer than 'To have' asks for, or no whole "
        "packs.",
        " ".join(filter(None, [
            relocated_text(book.relocated),
            "Lines marked 'not orderable' have no part in the catalogue." if missing else "",
        ])),
    ])  # fmt: skip
    currency = next((line.currency for line in book.lines if line.currency), "")
    sheet.head([(n, f"{h} ({currency})" if n == "cost" and currency else h, w, s) for n, h, w, s in _ORDER])
    row = HEAD + 1
    if not book.lines:
        sheet.put(row, 0, "Nothing to order.", "note")
        row += 1
    for heading, numbers in grouped(book.lines):
        row = _group(sheet, book, row, heading, numbers)
    _total(sheet, book, row)
    _rules(sheet, row)
    _sign(sheet, row + 4)
    sheet.for_print(len(_ORDER))


def _group(sheet: Sheet, book: Book, row: int, heading: str, numbers: list[int]) -> int:
    """One group: its heading, lines and subtotal. Returns the row after it and a blank one."""
    sheet.band(row, len(_ORDER), "group", heading)
    first = row + 1
    for row, n in enumerate(numbers, start=first):
        _line(sheet, row, n + 1, book.lines[n], book.unit)
    row += 1
    _sum(
        sheet,
        row,
        first,
        [book.lines[n] for n in numbers],
        f"Subtotal: {heading.partition(': ')[2] or heading}",
        ("sum_label", "sum"),
    )
    return row + 2


def _line(sheet: Sheet, row: int, number: int, line: OrderLine, unit: str) -> None:
    styles = {name: style for name, _, _, style in _ORDER}
    if line.unit_cost is None:
        styles["unit_cost"] = "edit_price"
    if (line.order_by or "").endswith("late"):
        styles["order_by"] = "late"
    sheet.row(row, 0, [number, *(_value(line, name, unit) for name in [*styles][1:])], styles.values())
    buy, price = _cell(row, "quantity_buy"), _cell(row, "unit_cost")
    formula = f'=IF(OR({buy}="",{price}=""),"",ROUND({buy}*{price},2))'
    sheet.formula(row, _AT["cost"], formula, "" if line.cost is None else float(cents(line)), "money")


def _sum(sheet: Sheet, row: int, first: int, lines: Sequence[OrderLine], label: str, styles: tuple[str, str]) -> None:
    """A row that adds up costs from row `first` on; SUBTOTAL passes over the sums among them."""
    sheet.band(row, len(_ORDER), styles[0], label)
    span = f"{_cell(first, 'cost')}:{_cell(row - 1, 'cost')}"
    value = float(sum(map(cents, lines), Decimal(0)))
    sheet.formula(row, _AT["cost"], f"=SUBTOTAL(9,{span})", value, styles[1])


def _total(sheet: Sheet, book: Book, row: int) -> None:
    first = HEAD + 1
    _sum(sheet, row, first, book.lines, "Total", ("total_label", "total"))
    lines, costs = (f"{_cell(first, name)}:{_cell(row - 1, name)}" for name in ("line", "cost"))
    count = f'SUMPRODUCT(ISNUMBER({lines})*({costs}=""))'
    unknown = sum(line.cost is None for line in book.lines)
    text = f"Lines without a cost, not in the total: {unknown}" if unknown else ""
    formula = f'=IF({count}=0,"","Lines without a cost, not in the total: "&{count})'
    sheet.formula(row + 1, 0, formula, text, "warn")


def _rules(sheet: Sheet, end: int) -> None:
    """Quantities are whole numbers; those too small, or of no whole packs, turn red."""
    first = HEAD + 1
    area = (first, _AT["quantity_buy"], end - 1, _AT["quantity_buy"])
    if end <= first + 1:
        return
    buy, have, hand, pack = ("$" + _cell(first, n) for n in ("quantity_buy", "quantity_order", "on_hand", "pack_size"))
    short = f"AND(ISNUMBER({hand}),{buy}+{hand}<{have})"
    broken = f"AND(ISNUMBER({pack}),MOD({buy},{pack})<>0)"
    sheet.sheet.conditional_format(
        *area, {"type": "formula", "criteria": f"=IF(ISNUMBER({buy}),OR({short},{broken}),FALSE)",
                "format": sheet.formats["warn"]}
    )  # fmt: skip
    sheet.sheet.data_validation(*area, {
        "validate": "integer", "criteria": ">=", "value": 0, "error_title": "A quantity",
        "error_message": "How many to buy is a whole number, 0 or more.",
    })  # fmt: skip


def _sign(sheet: Sheet, row: int) -> None:
    """Lines to sign on."""
    for at, word in ((row, "Checked by"), (row + 2, "Approved by")):
        sheet.sheet.set_row(at, 22)
        sheet.row(
            at, 0, [word, *[None] * 5, "Date", *[None] * 4], ["note", "note", *["line"] * 4, "note", *["line"] * 4]
        )


# -- Enough -----------------------------------------------------------------------------------------------------


def _enough_sheet(sheet: Sheet, book: Book, out: Any) -> None:
    shown = largest_open(book.lines, CHARTED)
    sheet.notes([
        "Enough? What fewer or more would mean",
        "'Pieces had': on hand and bought together. What the order aims at, 'To have', is marked.",
        "Chance of running short: that more are needed. Expected left over: how many lie unused then, on average.",
        "Decided hydrants need what was decided; those to be measured, or set on site, what then turns out right.",
        "" if shown else "Nothing here is uncertain: there is no chart.",
    ])  # fmt: skip
    sheet.head(_ENOUGH)
    beside = _beside(book.lines, shown)
    at = len(_ENOUGH) + 1
    row = HEAD
    sheet.row(row, at, *next(beside, ((), ())))
    for row, values in enumerate(_enough_rows(book.lines), start=HEAD + 1):
        sheet.row(row, 0, values, [c[3] for c in _ENOUGH])
        sheet.row(row, at, *next(beside, ((), ())))
    if row > HEAD:
        rule = {"type": "formula", "criteria": f"=$G{HEAD + 2}=0", "format": sheet.formats["as_ordered"]}
        sheet.sheet.conditional_format(HEAD + 1, 0, row, len(_ENOUGH) - 1, rule)
    if shown:
        for values, styles in beside:
            row += 1
            sheet.row(row, at, values, styles)
        sheet.sheet.set_column(at, at + CHARTED, 13)
        sheet.sheet.insert_chart(HEAD + FEWER + MORE + 3, at, _chart(out, at, len(shown)), {"object_position": 3})
        sheet.last = max(sheet.last, HEAD + FEWER + MORE + 26)
    sheet.for_print(at + 1 + CHARTED if shown else len(_ENOUGH))


def _enough_rows(lines: Sequence[OrderLine]) -> Iterator[tuple[object, ...]]:
    for number, line in enumerate(lines, start=1):
        for have, short, left_over in enough(line):
            names = (line.job, line.family, line.item, line.description)
            yield number, *names, have, have - line.quantity_order, short, left_over


def _beside(lines: Sequence[OrderLine], shown: Sequence[int]) -> Iterator[tuple[tuple[object, ...], list[str]]]:
    """What the chart is drawn from, as rows of values and their styles: names, then chances by pieces more or fewer."""
    if not shown:
        return
    told = [lines[n] for n in shown]
    what = [line.item if line.length is None else line.description for line in told]
    names = [f"{n + 1}: {line.job} {line.family} {text}" for n, line, text in zip(shown, told, what, strict=True)]
    names = [name if len(name) <= _NAME else f"{name[: _NAME - 1]}…" for name in names]
    yield ("", *names), ["head"] + ["head_number"] * len(told)
    for more in range(-FEWER, MORE + 1):
        word = f"{abs(more)} {'fewer' if more < 0 else 'more'}" if more else "to have"
        have = [line.quantity_order + more for line in told]
        chances = [None if q < 0 else round(x.need.short(q), 9) for q, x in zip(have, told, strict=True)]
        yield (word, *chances), ["text"] + ["share"] * len(told)


def _chart(out: Any, at: int, count: int) -> Any:
    chart = out.add_chart({"type": "line"})
    first, last = HEAD + 1, HEAD + 1 + FEWER + MORE
    for column in range(at + 1, at + 1 + count):
        chart.add_series({
            "name": ["Enough", HEAD, column],
            "categories": ["Enough", first, at, last, at],
            "values": ["Enough", first, column, last, column],
            "marker": {"type": "automatic"},
        })  # fmt: skip
    chart.set_title({"name": "Chance of running short", "overlay": False})
    chart.set_x_axis({"name": "Pieces, against 'To have'"})
    chart.set_y_axis(
        {"min": 0, "max": 1, "num_format": "0%", "major_gridlines": {"visible": True, "line": {"color": "#d9d9d9"}}}
    )
    chart.set_legend({"position": "bottom"})
    chart.show_blanks_as("gap")
    chart.set_size({"width": 560, "height": 420})
    return chart


# -- Trace ------------------------------------------------------------------------------------------------------

_TRACE_WIDTHS = (6, 16, 14, 10, 20, 17, 6, 22, 14, 30, 9, 9, 24, 11, 11)
_TRACE_STYLES = {"line": "count", "quantity": "count", "probability": "share"}


def _trace_sheet(sheet: Sheet, book: Book, path: Path) -> Path | None:
    """The sheet, and the CSV where it ends before the trace does."""
    names = columns(book.unit)
    sheet.notes([
        "Where each line comes from",
        "A row for every hydrant and part. Decided hydrants take it with probability 100%; those to be measured, or "
        "set on site, have a row for every choice that may turn out right.",
        "Quantity times probability, added up over the rows of a line, is its 'Expected' on the sheet Order.",
    ])  # fmt: skip
    styles = [_TRACE_STYLES.get(n, "length" if n.startswith("length_") else "text") for n in names]
    headings = ["Length ({u})" if n.startswith("length_") else n.replace("_", " ").capitalize() for n in names]
    sheet.head([*zip(names, headings, _TRACE_WIDTHS, styles, strict=True)])
    row = HEAD
    for row, values in enumerate(islice(book.trace.rows(), TRACE_ROWS), start=HEAD + 1):
        sheet.row(row, 0, values, styles)
    if row > HEAD:
        sheet.sheet.autofilter(HEAD, 0, row, len(names) - 1)
    rest = None
    if len(book.trace) > TRACE_ROWS:
        rest = path.with_name(TRACE_CSV)
        write_csv(book.trace, rest)
        text = f"The sheet stops here, at {TRACE_ROWS:,} of {len(book.trace):,} rows; {TRACE_CSV} beside it has all."
        sheet.put(row + 1, 0, text, "warn")
    sheet.for_print(len(names))
    return rest
