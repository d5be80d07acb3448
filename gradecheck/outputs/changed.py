"""The sheet `Changed` of order.xlsx: what is otherwise than in the order before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from xlsxwriter.utility import xl_col_to_name

from gradecheck.order import OrderLine
from gradecheck.outputs.order_files import HEAD, NAMED, Column, Sheet, changes

_CHANGED: tuple[Column, ...] = (
    ("", "What", 10, "text"),
    *NAMED,
    *(
        ("", f"{word}{when}", 11 if word != "Cost" else 12, style)
        for word, plain, signed in (
            ("To have", "count", "more"), ("To buy", "count", "more"), ("Cost", "money", "money_more"),
        )
        for when, style in ((" before", plain), (" now", plain), (", more or less", signed))
    ),
)  # fmt: skip


def changed_sheet(
    sheet: Sheet, lines: Sequence[OrderLine], former: Sequence[Mapping[str, object]], placed: str
) -> None:
    """Line by line. former: rows of the order before; placed: its file, where a buyer kept the order as placed."""
    notes = ["What changed since the last order"]
    try:
        found = changes(lines, former)
    except ValueError as error:
        sheet.notes([*notes, f"Nothing is compared: {placed or 'the former order.csv'} cannot be used: {error}."])
        sheet.for_print(len(_CHANGED))
        return
    same = len(lines) - sum(change.what != "dropped" for change in found)
    sheet.notes([
        *notes,
        f"Against {placed}, the order as placed." if placed else
        "Against the order.csv that was in the folder before. To compare with the order as placed, keep a copy of its "
        "order.csv there as order_placed.csv.",
        "'Now' is as computed: changes made by hand on the sheet Order are not followed.",
        f"{len(found)} lines differ, {same} are as they were.",
    ])  # fmt: skip
    sheet.head(_CHANGED)
    for row, change in enumerate(found, start=HEAD + 1):
        pairs = zip(change.before, change.now, strict=True)
        told = [v for was, now in pairs for v in (was, now, _more(was, now))]
        sheet.row(row, 0, (change.what, *change.names, *told), [c[3] for c in _CHANGED])
    _changed_total(sheet, len(found), sum(_more(c.before[-1], c.now[-1]) or 0 for c in found))
    sheet.for_print(len(_CHANGED))


def _more(was: float | None, now: float | None) -> float | None:
    return None if was is None and now is None else (now or 0) - (was or 0)


def _changed_total(sheet: Sheet, count: int, value: float) -> None:
    if not count:
        return
    end, column = HEAD + 1 + count, len(_CHANGED) - 1
    sheet.band(end, len(_CHANGED), "sum_label", "Cost, more or less")
    letter = xl_col_to_name(column)
    sheet.formula(end, column, f"=SUM({letter}{HEAD + 2}:{letter}{end})", round(value, 2), "sum_more")
