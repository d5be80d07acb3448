"""order.csv, read back with pandas and the csv module, against the layer `order`."""

from __future__ import annotations

import csv
import re
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pyogrio
import pytest

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


def layer_of(out: Path) -> pd.DataFrame:
    return pyogrio.read_dataframe(out / "gradecheck.gpkg", layer="order")


def csv_of(out: Path) -> pd.DataFrame:
    return pd.read_csv(out / "order.csv", dtype=dict.fromkeys(TEXTS, "str"), keep_default_na=False, na_values=[""])


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


def test_the_layer_holds_odd_texts_as_they_are(tmp_path: Path) -> None:
    out = _odd_order(tmp_path)
    layer = layer_of(out).set_index("family")
    for i, text in enumerate(ODD):
        for name in ("part_number", "supplier", "description"):
            assert layer.loc[f"={i}", name] == text
    assert layer.loc["=0", "job"] == "=HYPERLINK(1)"


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


def test_an_order_of_nothing_is_a_header(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, after=100.0)
    run(plan)
    assert (tmp_path / "out" / "order.csv").read_text(encoding="utf-8-sig").split() == [",".join(COLUMNS)]
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
