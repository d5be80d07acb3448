"""order.csv and order.xlsx, read back with pandas, the csv module and openpyxl, against the layer `order`."""

from __future__ import annotations

import csv
import re
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pyogrio
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from gradecheck import Plan, run
from tests.conftest import Sample
from tests.projects import hydrants, tiny_plan, toml_text

# The published columns of order.csv, output in inches.
COLUMNS = [
    "job",
    "family",
    "item",
    "part_number",
    "description",
    "supplier",
    "length_in",
    "quantity_firm",
    "quantity_expected",
    "quantity_order",
    "on_hand",
    "quantity_buy",
    "pack_size",
    "unit_cost",
    "currency",
    "cost",
    "order_by",
]
TEXTS = ["job", "family", "item", "part_number", "description", "supplier", "currency", "order_by"]
HEADER_ROW = 5


def layer_of(out: Path) -> pd.DataFrame:
    return pyogrio.read_dataframe(out / "gradecheck.gpkg", layer="order")


def csv_of(out: Path) -> pd.DataFrame:
    return pd.read_csv(out / "order.csv", dtype=dict.fromkeys(TEXTS, "str"), keep_default_na=False, na_values=[""])


def sheet_of(out: Path, values: bool = True) -> Worksheet:
    book = openpyxl.load_workbook(out / "order.xlsx", data_only=values)
    (sheet,) = book.worksheets
    return sheet


def table_of(sheet: Worksheet, count: int) -> list[list[Any]]:
    """The cells of the rows of the order, below the header."""
    first = HEADER_ROW + 1
    return [[c.value for c in row] for row in sheet.iter_rows(min_row=first, max_row=first + count - 1)]


def same(one: Any, other: Any) -> bool:
    if pd.isna(one) or pd.isna(other):
        return bool(pd.isna(one) and pd.isna(other))
    return bool(one == other) if isinstance(one, str) else float(one) == pytest.approx(float(other), abs=1e-9)


# -- the sample project -----------------------------------------------------------------------------------------


def test_the_csv_has_the_published_columns_and_equals_the_layer(sample: Sample) -> None:
    layer, got = layer_of(sample.out), csv_of(sample.out)
    assert list(got.columns) == list(layer.columns) == COLUMNS
    assert len(got) == len(layer) > 5
    for name in COLUMNS:
        assert all(same(a, b) for a, b in zip(layer[name], got[name], strict=True)), name


def test_the_workbook_equals_the_layer(sample: Sample) -> None:
    layer = layer_of(sample.out)
    rows = table_of(sheet_of(sample.out), len(layer))
    for want, got in zip(layer.itertuples(index=False), rows, strict=True):
        assert len(got) == len(COLUMNS)
        assert all(same(a, b) for a, b in zip(want, got, strict=True))


def test_the_csv_is_utf_8_and_every_row_has_every_cell(sample: Sample) -> None:
    text = (sample.out / "order.csv").read_bytes().decode("utf-8")
    rows = list(csv.reader(text.splitlines()))
    assert {len(r) for r in rows} == {len(COLUMNS)}
    assert rows[0] == COLUMNS


def test_costs_add_up(sample: Sample) -> None:
    layer = layer_of(sample.out).dropna(subset=["cost"])
    for row in layer.itertuples():
        assert row.cost == pytest.approx(row.quantity_buy * row.unit_cost, abs=0.005)
        assert row.quantity_buy >= max(0, row.quantity_order - row.on_hand)
        assert row.quantity_buy % row.pack_size == 0
        assert row.quantity_order >= row.quantity_firm
    assert sample.result.summary["cost"] == pytest.approx(layer.cost.sum())


def test_the_total_is_a_live_sum_over_exactly_the_rows(sample: Sample) -> None:
    layer = layer_of(sample.out)
    live, stored = sheet_of(sample.out, values=False), sheet_of(sample.out)
    total_row = HEADER_ROW + len(layer) + 1
    assert live.max_row == total_row
    assert live.cell(total_row, 1).value == "Total"
    formulas = {c.column: c.value for c in live[total_row] if isinstance(c.value, str) and c.value.startswith("=")}
    assert COLUMNS.index("cost") + 1 in formulas
    for column, formula in formulas.items():
        match = re.fullmatch(r"=SUM\(([A-Z]+)(\d+):([A-Z]+)(\d+)\)", formula)
        assert match
        letter = openpyxl.utils.get_column_letter(column)
        assert (match[1], match[3]) == (letter, letter)
        assert (int(match[2]), int(match[4])) == (HEADER_ROW + 1, total_row - 1)
        wanted = layer[COLUMNS[column - 1]].fillna(0).sum()
        assert stored.cell(total_row, column).value == pytest.approx(wanted)


def test_no_other_cell_of_the_workbook_is_a_formula(sample: Sample) -> None:
    live = sheet_of(sample.out, values=False)
    assert [c.row for row in live.iter_rows() for c in row if c.data_type == "f"] == [live.max_row]


def test_the_workbook_is_set_for_print(sample: Sample) -> None:
    sheet = sheet_of(sample.out)
    assert "Quillhaven" in sheet["A1"].value
    assert "inches" in sheet["A2"].value
    assert "90" in sheet["A2"].value
    assert sheet.freeze_panes == f"A{HEADER_ROW + 1}"
    assert sheet.print_title_rows == f"${HEADER_ROW}:${HEADER_ROW}"
    assert sheet.page_setup.orientation == "landscape"
    assert all(c.value for c in sheet[HEADER_ROW])
    assert str(sheet.max_row) in sheet.print_area
    first = sheet[HEADER_ROW + 1]
    formats = {name: first[i].number_format for i, name in enumerate(COLUMNS)}
    assert formats["unit_cost"] == formats["cost"] == "#,##0.00"
    assert formats["quantity_buy"] == "#,##0"
    assert formats["part_number"] == "@"


# -- what purchasing's own texts may hold -----------------------------------------------------------------------

ODD = ["0012", "1E5", "-3", "=1+1", "+cmd|' /C calc'!A0", "@SUM(A1)", "-2+3", "\tx", 'a"b', "x,y", "ÄÖ ½", "2027-05-03"]


def _odd_order(folder: Path) -> Path:
    """A run whose catalogue and jobs carry texts that spreadsheets like to take for something else."""
    extensions = [
        {"family": f"={i}", "length": "6 in", "part_number": text, "supplier": text, "description": text}
        for i, text in enumerate(ODD)
    ]
    tables = "\n".join(
        "[[extension]]\n" + toml_text({"x": e}).split("\n", 1)[1].replace("\t", "\\t") for e in extensions
    )
    (folder / "parts.toml").write_text(tables, encoding="utf-8")
    columns = {"asset_id": [f"H{i}" for i in range(len(ODD))], "flange_in": 4.0, "fam": [f"={i}" for i in range(12)]}
    layer = hydrants(columns, [(5.0 + 7 * i, 3.0 + i * i / 2) for i in range(len(ODD))])
    plan = tiny_plan(
        folder, layer, hydrants={"family": "fam"}, catalog={"path": "parts.toml"}, project={"name": "=HYPERLINK(1)"}
    )
    run(plan, today=date(2027, 1, 4))
    return folder / "out"


def test_the_layer_and_the_workbook_hold_odd_texts_as_they_are(tmp_path: Path) -> None:
    out = _odd_order(tmp_path)
    layer = layer_of(out).set_index("family")
    sheet = sheet_of(out, values=False)
    rows = {r[1].value: r for r in sheet.iter_rows(min_row=HEADER_ROW + 1, max_row=HEADER_ROW + len(ODD))}
    for i, text in enumerate(ODD):
        for name in ("part_number", "supplier", "description"):
            assert layer.loc[f"={i}", name] == text
            cell = rows[f"={i}"][COLUMNS.index(name)]
            assert cell.value == text
            assert cell.data_type == "s"
    assert rows["=0"][0].value == "=HYPERLINK(1)"
    assert rows["=0"][0].data_type == "s"


def test_no_cell_of_the_csv_is_taken_for_a_formula_and_numbers_pass_as_they_are(tmp_path: Path) -> None:
    # What spreadsheets start a formula with: = + - @, also behind a tab or a carriage return (OWASP, CSV injection).
    out = _odd_order(tmp_path)
    with (out / "order.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        for cell in row.values():
            number = re.fullmatch(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?", cell)
            assert number or not re.match(r"[=+\-@\t\r]", cell)
    found = [row["part_number"] for row in sorted(rows, key=lambda r: int(r["family"].lstrip("'=")))]
    assert [text.removeprefix("'") for text in found] == ODD
    assert found[:3] == ODD[:3]


# -- edges ------------------------------------------------------------------------------------------------------


def test_an_order_of_nothing_is_a_header_and_a_line_that_says_so(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, after=100.0)
    run(plan)
    assert (tmp_path / "out" / "order.csv").read_text(encoding="utf-8-sig").split() == [",".join(COLUMNS)]
    texts = [c.value for row in sheet_of(tmp_path / "out").iter_rows() for c in row if c.value]
    assert "Nothing to order." in texts
    assert len(layer_of(tmp_path / "out")) == 0


def test_rows_on_the_generic_catalogue_are_marked_not_orderable(tmp_path: Path) -> None:
    run(tiny_plan(tmp_path))
    (row,) = csv_of(tmp_path / "out").to_dict("records")
    assert "not orderable" in row["description"]
    assert (row["length_in"], row["quantity_order"]) == (6, 2)
    assert all(pd.isna(row[name]) for name in ("part_number", "quantity_buy", "cost", "unit_cost", "order_by"))


@pytest.mark.parametrize(("unit", "length"), [("in", 6), ("ft", 0.5), ("mm", 152.4), ("cm", 15.24), ("m", 0.1524)])
def test_lengths_stand_in_the_unit_of_the_output(tmp_path: Path, unit: str, length: float) -> None:
    run(tiny_plan(tmp_path, output={"unit": unit}))
    (row,) = csv_of(tmp_path / "out").to_dict("records")
    assert row[f"length_{unit}"] == pytest.approx(length, abs=1e-9)


def test_late_orders_are_marked(sample: Sample, tmp_path: Path) -> None:
    plan = Plan.load(sample.folder / "plan.toml").with_output(str(tmp_path / "late"))
    run(plan, today=date(2027, 4, 1))
    got = csv_of(tmp_path / "late").set_index(["job", "part_number"]).order_by
    # Q-101 starts 2027-05-03: 14 and 42 days before is 2027-03-08, past on 1 April; Q-103 starts on 2 August.
    assert got["Q-101", "QA-12"] == "2027-03-08 late"
    assert not got.loc["Q-103"].dropna().str.contains("late").all()
