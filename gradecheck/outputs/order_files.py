"""The order for purchasing: `order.csv` for programs, `order.xlsx` to read, print and sign."""

from __future__ import annotations

import csv
import re
from pathlib import Path
from typing import Any

import pyarrow as pa
import xlsxwriter

_FORMULA = re.compile(r"[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?")


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


_HEADINGS = {
    "job": ("Job", 11),
    "family": ("Family", 8),
    "item": ("Item", 19),
    "part_number": ("Part number", 14),
    "description": ("Description", 24),
    "supplier": ("Supplier", 13),
    "quantity_firm": ("Firm", 6),
    "quantity_expected": ("Expected", 9),
    "quantity_order": ("To have", 8),
    "on_hand": ("On hand", 8),
    "quantity_buy": ("To buy", 7),
    "pack_size": ("Pack", 6),
    "unit_cost": ("Unit cost", 10),
    "currency": ("Currency", 11),
    "cost": ("Cost", 11),
    "order_by": ("Order by", 16),
}
_UNIT_WORDS = {"in": "inches", "ft": "feet", "mm": "millimetres", "cm": "centimetres", "m": "metres"}
_TEXT_COLUMNS = ("job", "family", "item", "part_number", "description", "supplier", "currency", "order_by")


def relocated_text(count: int) -> str:
    """What an order says of hydrants to be relocated; empty for none.

    >>> relocated_text(1), relocated_text(3)
    ('1 hydrant to be relocated is left out.', '3 hydrants to be relocated are left out.')
    """
    words = "hydrant to be relocated is" if count == 1 else "hydrants to be relocated are"
    return f"{count} {words} left out." if count else ""


def write_xlsx(table: pa.Table, path: Path, title: str, service_level: float, unit: str, relocated: int = 0) -> None:
    """The order as a workbook of one sheet: title, notes, a frozen header, totals with a live formula."""
    book = xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False})
    sheet = book.add_worksheet("Order")
    styles = {
        "title": book.add_format({"bold": True, "font_size": 15}),
        "note": book.add_format({"italic": True, "font_color": "#444444"}),
        "head": book.add_format(
            {"bold": True, "bottom": 2, "text_wrap": True, "valign": "bottom", "align": "left", "indent": 1}
        ),
        "head_number": book.add_format(
            {"bold": True, "bottom": 2, "text_wrap": True, "valign": "bottom", "align": "right"}
        ),
        "late": book.add_format({"bold": True, "font_color": "#a01818", "valign": "top", "align": "left", "indent": 1}),
        "text": book.add_format({"valign": "top", "text_wrap": True, "num_format": "@", "align": "left", "indent": 1}),
        "count": book.add_format({"num_format": "#,##0", "valign": "top"}),
        "expected": book.add_format({"num_format": "#,##0.0", "valign": "top"}),
        "length": book.add_format({"num_format": "0.###", "valign": "top"}),
        "money": book.add_format({"num_format": "#,##0.00", "valign": "top"}),
        "total": book.add_format({"bold": True, "top": 1, "num_format": "#,##0.00"}),
        "foot": book.add_format({"bold": True, "top": 1}),
    }
    sheet.write_string(0, 0, title, styles["title"])
    sheet.write_string(
        1, 0, f"Lengths in {_UNIT_WORDS[unit]}. 'To have' suffices with probability {service_level:.0%}; "
        "'To buy' is that less what is on hand, in whole packs.", styles["note"],
    )  # fmt: skip
    sheet.write_string(2, 0, "Rows marked 'not orderable' have no part in the catalogue.", styles["note"])
    sheet.write_string(3, 0, relocated_text(relocated), styles["note"])
    _rows(sheet, table, styles, first=4, unit=unit)
    _print_setup(sheet, table.num_rows, len(table.column_names))
    book.close()


def _rows(sheet: Any, table: pa.Table, styles: dict[str, Any], first: int, unit: str) -> None:
    names = table.column_names
    for column, name in enumerate(names):
        heading, width = _HEADINGS.get(name, (f"Length ({unit})", 10))
        sheet.write_string(first, column, heading, styles["head" if name in _TEXT_COLUMNS else "head_number"])
        sheet.set_column(column, column, width)
    rows = table.to_pylist()
    for r, row in enumerate(rows, start=first + 1):
        for column, (name, value) in enumerate(row.items()):
            if value is None:
                sheet.write_blank(r, column, None, styles["text"])
            elif isinstance(value, str):
                late = name == "order_by" and value.endswith("late")
                sheet.write_string(r, column, value, styles["late" if late else "text"])
            else:
                sheet.write_number(r, column, value, styles[_style(name)])
    last = first + len(rows)
    if not rows:
        sheet.write_string(first + 1, 0, "Nothing to order.", styles["text"])
        return
    for column in range(len(names)):
        sheet.write_blank(last + 1, column, None, styles["foot"])
    sheet.write_string(last + 1, 0, "Total", styles["foot"])
    column = names.index("cost")
    letter = xlsxwriter.utility.xl_col_to_name(column)
    formula = f"=SUM({letter}{first + 2}:{letter}{last + 1})"
    sheet.write_formula(last + 1, column, formula, styles["total"], sum(row["cost"] or 0 for row in rows))


def _style(name: str) -> str:
    if name.startswith("length_"):
        return "length"
    if name == "quantity_expected":
        return "expected"
    return "money" if name in ("unit_cost", "cost") else "count"


def _print_setup(sheet: Any, rows: int, columns: int) -> None:
    sheet.freeze_panes(5, 0)
    sheet.repeat_rows(4)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(left=0.4, right=0.4)
    sheet.set_footer("&L&F&C&P of &N&RSigned: ____________________")
    sheet.print_area(0, 0, 5 + max(rows, 1), columns - 1)
