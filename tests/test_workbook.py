"""order.xlsx read back with openpyxl, recalculated by an office program, its chances judged by SciPy and sampling."""

from __future__ import annotations

import csv
import itertools
import re
import shutil
import subprocess
import zipfile
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from openpyxl.utils.escape import unescape
from openpyxl.worksheet.worksheet import Worksheet
from scipy import stats

from gradecheck import Catalog, Policy, run
from gradecheck.decision import DECIDED
from gradecheck.order import Need, Work, total_order
from gradecheck.outputs import columns, order_files, workbook
from gradecheck.outputs.trace import Counting, trace, write_csv
from gradecheck.outputs.workbook import Book, write_workbook
from tests.conftest import Sample
from tests.projects import tiny_plan
from tests.test_order import FRESH, OPEN_ROWS, SHARED, START, TODAY, Row, World, between, catalog, part, sampled

HEADER = 7  # the row of the headings on every sheet
ODD = [
    "=1+1", "-3", "0012", "1E5", "+cmd|' /C calc'!A0", "@SUM(A1)", "{=1}", "http://a.example/b", "\tx", " y ",
    "🚒 7", "صنبور ١٢", "מגוף", "ÄÖ ½", "a\x07b", "_x0041_", "TRUE", "#N/A", "a\nb",
]  # fmt: skip


def work_of(world: World) -> Work:
    rows = world.rows
    return Work(
        job=np.array([r.job for r in rows], dtype=np.int64),
        family=np.array([r.family for r in rows], dtype=np.int64),
        firm=np.array([r.firm for r in rows]) & np.isin(world.decision().action, DECIDED),
        jobs=world.jobs,
        starts=world.starts or dict.fromkeys(world.jobs, START),
        families=world.families,
    )


def book_of(world: World, ids: Sequence[str] | None = None, **more: Any) -> Book:
    cases, decision, work = world.cases(), world.decision(), work_of(world)
    names = ids or [f"H-{i}" for i in range(len(world.rows))]
    lines = total_order(cases, decision, work, world.catalog, world.policy, world.today, 14)
    reviewed = np.zeros(len(names), dtype=bool)
    of = Counting(names, [None] * len(names), reviewed, cases, decision, work, world.catalog, world.policy)
    return Book("Sorrel Street", world.policy.service_level, lines, trace(of, lines), TODAY, **more)


def sample_book(sample: Sample, **more: Any) -> Book:
    a = sample.result.assessment
    i = a.inputs
    work = Work(a.job, i.family, a.firm, i.jobs.names, i.jobs.starts, i.families, i.plan.output.unit)
    none = np.zeros(len(a), dtype=bool)
    of = Counting(i.hydrants.id, i.hydrants.street, none, a.cases, a.decision, work, i.catalog, i.plan.policy)
    return Book("Quillhaven", i.plan.policy.service_level, a.order, trace(of, a.order), a.today, **more)


def written(book: Book, folder: Path) -> Path:
    write_workbook(book, folder / "order.xlsx")
    return folder / "order.xlsx"


def sheet(path: Path, name: str, values: bool = True) -> Worksheet:
    return openpyxl.load_workbook(path, data_only=values)[name]


def table(page: Worksheet) -> list[dict[str, Any]]:
    """Rows below the headings up to the first one that is empty, by heading; groups and totals of "Order" left out."""
    heads = [c.value for c in page[HEADER] if c.value]
    rows = [dict(zip(heads, (c.value for c in row), strict=False)) for row in page.iter_rows(min_row=HEADER + 1)]
    return [r for r in rows if isinstance(r[heads[0]], int) or r.get("What") in ("added", "dropped", "changed")]


def row_of(page: Worksheet, number: int) -> int:
    """The row of a line on the sheet "Order"."""
    return next(c.row for c in page["A"] if c.row > HEADER and c.value == number)


def column(page: Worksheet, heading: str) -> str:
    return next(c.column_letter for c in page[HEADER] if c.value == heading)


# -- the distribution behind a line -----------------------------------------------------------------------------


def test_the_need_is_that_of_every_combination_enumerated() -> None:
    # Every hydrant takes 6 in, or not: all 64 combinations, with SciPy's normal.
    line = World(OPEN_ROWS).lines()["Q-6"]
    chances = [between(row, *FRESH[1][3:]) for row in OPEN_ROWS]
    exact: dict[int, float] = defaultdict(float)
    for taken in itertools.product((0, 1), repeat=len(chances)):
        exact[sum(taken)] += float(np.prod([p if t else 1 - p for t, p in zip(taken, chances, strict=True)]))
    for have in range(8):
        assert line.need.short(have) == pytest.approx(sum(p for k, p in exact.items() if k > have), abs=1e-9)
        assert line.need.left_over(have) == pytest.approx(sum(p * max(0, have - k) for k, p in exact.items()), abs=1e-9)


def test_the_need_of_uneven_hydrants_is_scipys_poisson_binomial_beside_decided_ones() -> None:
    rows = [Row(0.3 + 0.07 * i, 1.1 + 0.05 * i) for i in range(60)]
    line = World([*rows, Row(-2.0), Row(-2.0, firm=False)]).lines()["Q-6"]
    wanted = stats.poisson_binom([between(row, -5, 1) for row in rows])
    assert line.quantity_firm == 1
    for have in range(0, 62, 3):
        assert line.need.short(have) == pytest.approx(wanted.sf(have - 2), abs=1e-9)
        left = sum(wanted.cdf(k) for k in range(have - 2))  # E[(q - N)+] is the sum of P(N <= k), k < q
        assert line.need.left_over(have) == pytest.approx(left, abs=1e-7)


@pytest.mark.parametrize("name", SHARED)
def test_the_need_under_a_shared_error_is_as_sampled(name: str) -> None:
    line, drawn = World(SHARED[name]).lines()["Q-6"], sampled(SHARED[name])
    for have in range(0, 41, 4):
        p = (drawn > have).mean()
        slack = 4 * np.sqrt(max(p * (1 - p), 1e-4) / len(drawn))
        assert line.need.short(have) == pytest.approx(p, abs=slack)
        left = np.maximum(have - drawn, 0)
        assert line.need.left_over(have) == pytest.approx(left.mean(), abs=4 * left.std() / np.sqrt(len(drawn)) + 1e-3)


def test_the_need_of_parts_that_go_in_pairs_skips_odd_numbers() -> None:
    line = World(OPEN_ROWS).lines()["Q-G"]
    for have in range(0, 10, 2):
        assert line.need.short(have) == pytest.approx(line.need.short(have + 1))


def test_the_need_carries_the_quantities_of_its_line() -> None:
    for line in World([*OPEN_ROWS, Row(-2.0), Row(-8.0)]).order():
        numbers = line.need.least + np.arange(len(line.need.chance))
        assert line.need.chance.sum() == pytest.approx(1)
        assert line.need.chance @ numbers == pytest.approx(line.quantity_expected)
        assert line.need.short(line.quantity_order) <= 0.1 < line.need.short(line.quantity_order - 1)


def test_a_decided_need_is_certain() -> None:
    line = World([Row(-2.0)] * 3).lines()["Q-6"]
    assert line.need.certain
    assert [line.need.short(q) for q in (0, 2, 3, 4)] == [1, 1, 0, 0]
    assert [line.need.left_over(q) for q in (0, 2, 3, 5)] == [0, 0, 0, 2]
    assert Need().short(0) == 0


# -- the sheet to print and sign --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(sample: Sample, tmp_path_factory: pytest.TempPathFactory) -> tuple[Book, Path]:
    book = sample_book(sample)
    return book, written(book, tmp_path_factory.mktemp("made"))


def test_every_line_of_order_csv_stands_on_the_sheet_under_its_number(made: tuple[Book, Path], tmp_path: Path) -> None:
    book, path = made
    order_files.write_csv(columns.order_table(book.lines, "in"), tmp_path / "order.csv")
    with (tmp_path / "order.csv").open(encoding="utf-8", newline="") as file:
        wanted = list(csv.DictReader(file))
    found = {row["Line"]: row for row in table(sheet(path, "Order"))}
    assert sorted(found) == list(range(1, len(wanted) + 1))
    heads = {"Job": "job", "Family": "family", "Item": "item", "Part number": "part_number"}
    heads |= {"Description": "description", "Length (in)": "length_in", "Firm": "quantity_firm", "Order by": "order_by"}
    heads |= {"To have": "quantity_order", "On hand": "on_hand", "To buy": "quantity_buy", "Pack": "pack_size"}
    heads |= {"Unit cost": "unit_cost", "Cost (USD)": "cost"}
    for number, row in enumerate(wanted, start=1):
        for head, name in heads.items():
            got = found[number][head]
            if isinstance(got, int | float):
                assert got == pytest.approx(float(row[name]), abs=1e-9), (number, head)
            else:
                assert (got or "") == row[name], (number, head)


def test_lines_stand_by_supplier_then_as_in_the_order_each_with_its_subtotal(made: tuple[Book, Path]) -> None:
    book, path = made
    page = sheet(path, "Order")
    texts = [c.value for c in page["A"][HEADER:] if c.value is not None]
    suppliers = sorted({line.supplier for line in book.lines})
    assert len(suppliers) == 3
    assert [t for t in texts if str(t).startswith("Supplier")] == [f"Supplier: {s}" for s in suppliers]
    assert [t for t in texts if str(t).startswith("Subtotal")] == [f"Subtotal: {s}" for s in suppliers]
    numbers = [t for t in texts if isinstance(t, int)]
    assert numbers == sorted(numbers, key=lambda n: (book.lines[n - 1].supplier, n))
    for supplier in suppliers:
        at = next(c.row for c in page["A"] if c.value == f"Subtotal: {supplier}")
        cost = sum(line.cost or 0 for line in book.lines if line.supplier == supplier)
        assert page[f"{column(page, 'Cost (USD)')}{at}"].value == pytest.approx(float(cost))


def test_costs_and_totals_are_live_and_nothing_else_is_a_formula(made: tuple[Book, Path]) -> None:
    book, path = made
    page = sheet(path, "Order", values=False)
    cost = column(page, "Cost (USD)")
    formulas = {c.coordinate: c.value for row in page.iter_rows() for c in row if c.data_type == "f"}
    for number in range(1, len(book.lines) + 1):
        at = row_of(page, number)
        buy, price = f"{column(page, 'To buy')}{at}", f"{column(page, 'Unit cost')}{at}"
        assert formulas.pop(f"{cost}{at}") == f'=IF(OR({buy}="",{price}=""),"",ROUND({buy}*{price},2))'
    sums = [key for key, text in formulas.items() if text.startswith("=SUBTOTAL(9,")]
    assert len(sums) == 3 + 1
    assert {key[0] for key in sums} == {cost}
    assert len(formulas) == len(sums) + 1  # and how many lines have no cost
    for name in ("Enough", "Trace"):
        other = sheet(path, name, values=False)
        assert not [c for row in other.iter_rows() for c in row if c.data_type == "f"]


def test_the_stored_total_is_that_of_order_csv(made: tuple[Book, Path], sample: Sample) -> None:
    book, path = made
    page = sheet(path, "Order")
    at = next(c.row for c in page["A"] if c.value == "Total")
    total = page[f"{column(page, 'Cost (USD)')}{at}"].value
    assert total == pytest.approx(float(sum(line.cost or 0 for line in book.lines)))
    assert total == pytest.approx(sample.result.summary["cost"])


def test_the_sheet_is_set_for_print_and_has_lines_to_sign_on(made: tuple[Book, Path]) -> None:
    _, path = made
    page = sheet(path, "Order")
    assert page["A1"].value == "Quillhaven"
    notes = " ".join(str(page[f"A{r}"].value or "") for r in range(2, HEADER))
    assert "inches" in notes
    assert "90%" in notes
    assert "2027-02-01" in notes
    assert (page.freeze_panes, page.print_title_rows) == (f"A{HEADER + 1}", f"${HEADER}:${HEADER}")
    assert (page.page_setup.orientation, page.page_setup.fitToHeight) == ("landscape", 0)
    texts = {c.value for c in page["A"]}
    assert {"Checked by", "Approved by"} <= texts
    assert str(page.max_row) in page.print_area
    first = row_of(page, 1)
    formats = {c.value: page.cell(first, c.column).number_format for c in page[HEADER]}
    assert (formats["Part number"], formats["To buy"], formats["Cost (USD)"]) == ("@", "#,##0", "#,##0.00")
    fills = {c.value: page.cell(first, c.column).fill.fgColor.rgb for c in page[HEADER]}
    assert fills["To buy"] == "FFFFF4CC"
    assert "FFFFF4CC" not in {fills[n] for n in ("To have", "On hand", "Cost (USD)")}


def recalculated(paths: Sequence[Path], folder: Path) -> list[Path]:
    """The workbooks opened, recalculated and saved by an office program, in a profile of its own."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("no soffice on this machine to recalculate with")
    profile = f"-env:UserInstallation={(folder / 'profile').as_uri()}"
    how = ["--headless", "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", str(folder)]
    subprocess.run([program, profile, *how, *map(str, paths)], check=True, capture_output=True, timeout=120)
    return [folder / p.name for p in paths]


def test_a_changed_quantity_and_a_filled_in_cost_update_costs_and_totals(tmp_path: Path) -> None:
    parts = [part("extension", "Q-6", length="6 in", unit_cost=310.07, supplier="yard", pack_size=3)]
    parts += [part("extension", "Q-12", length="12 in", unit_cost=0.125, supplier="north")]
    parts += [part("item", "Q-G", description="gasket", quantity=2, per="piece", supplier="north")]
    book = book_of(World([Row(-2.0)] * 4 + [Row(-8.0)] * 3, catalog(*parts)))
    as_it_is = written(book, tmp_path).rename(tmp_path / "as_it_is.xlsx")
    edited = openpyxl.load_workbook(as_it_is)
    page = edited["Order"]
    at = {line.part_number: row_of(page, n) for n, line in enumerate(book.lines, start=1)}
    page[f"{column(page, 'To buy')}{at['Q-6']}"] = 9
    page[f"{column(page, 'Unit cost')}{at['Q-G']}"] = 2.5
    edited.save(tmp_path / "edited.xlsx")
    (tmp_path / "out").mkdir()
    one, two = recalculated([as_it_is, tmp_path / "edited.xlsx"], tmp_path / "out")

    def costs(path: Path) -> dict[Any, Any]:
        page = sheet(path, "Order")
        cost = column(page, "Cost (USD)")
        return {page[f"A{c.row}"].value: c.value for c in page[cost][HEADER:] if c.value not in (None, "")}

    # 6 at 310.07 and 3 at 0.125 = 0.375, half a cent up; 14 gaskets without a cost. By hand.
    first = {1: 1860.42, 2: 0.38, "Subtotal: north": 0.38, "Subtotal: yard": 1860.42, "Total": 1860.80}
    assert costs(as_it_is) == pytest.approx(first)
    assert costs(one) == pytest.approx(first)
    # 9 at 310.07; 14 at 2.5.
    then = {1: 2790.63, 2: 0.38, 3: 35.0, "Subtotal: north": 35.38, "Subtotal: yard": 2790.63, "Total": 2826.01}
    assert costs(two) == pytest.approx(then)
    told = [[c.value for c in sheet(p, "Order")["A"] if "without a cost" in str(c.value)] for p in (as_it_is, one, two)]
    assert told == [["Lines without a cost, not in the total: 1"]] * 2 + [[]]


def test_the_recalculated_total_of_the_sample_is_that_of_order_csv(made: tuple[Book, Path], tmp_path: Path) -> None:
    book, path = made
    (again,) = recalculated([path], tmp_path)
    page = sheet(again, "Order")
    at = next(c.row for c in page["A"] if c.value == "Total")
    wanted = columns.order_table(book.lines, "in").column("cost").to_pylist()
    assert page[f"{column(page, 'Cost (USD)')}{at}"].value == pytest.approx(sum(wanted))


def test_without_suppliers_it_stands_by_family_and_what_no_catalogue_has_last(tmp_path: Path) -> None:
    other = part("extension", "R-6", "B", length="6 in", unit_cost=2)
    rows = [Row(-2.0, family=2), Row(-2.0), Row(-2.0, family=1)]
    world = World(rows, catalog(SIX, other), families=(("A", True), ("B", True), ("0", False)))
    page = sheet(written(book_of(world, relocated=2), tmp_path), "Order")
    texts = [c.value for c in page["A"][HEADER:] if c.value is not None]
    assert texts[:9] == [
        "Family: A", 2, "Subtotal: A", "Family: B", 3, "Subtotal: B", "Not in the catalogue", 1,
        "Subtotal: Not in the catalogue",
    ]  # fmt: skip
    notes = " ".join(str(page[f"A{r}"].value or "") for r in range(2, HEADER))
    assert "2 hydrants to be relocated are left out." in notes
    assert "not orderable" in notes


SIX = part("extension", "Q-6", length="6 in")


def test_an_order_of_nothing_says_so_on_every_sheet(tmp_path: Path) -> None:
    path = written(book_of(World([Row(4.0)]), former=[]), tmp_path)
    assert "Nothing to order." in [c.value for c in sheet(path, "Order")["A"]]
    assert table(sheet(path, "Enough")) == table(sheet(path, "Trace")) == table(sheet(path, "Changed")) == []


# -- text stays text --------------------------------------------------------------------------------------------


def odd_catalog() -> Catalog:
    texts = [t.strip() or t for t in ODD]
    return catalog(*[
        part("extension", text, f"={i}", length="6 in", description=text, supplier=text, unit_cost=1)
        for i, text in enumerate(texts)
    ])  # fmt: skip


def test_no_text_becomes_a_formula_a_number_or_another_text(tmp_path: Path) -> None:
    families = tuple((f"={i}", True) for i in range(len(ODD)))
    rows = [Row(-2.0, family=i, job=i) for i in range(len(ODD))]
    book = book_of(World(rows, odd_catalog(), tuple(ODD), families=families), ODD, former=[])
    path = written(replace(book, title="=HYPERLINK(1)"), tmp_path)
    for name in ("Order", "Enough", "Trace", "Changed"):
        page = sheet(path, name, values=False)
        assert page["A1"].data_type == "s"
        # Control characters stand as _x0007_ (ECMA-376 part 1, 22.9.2.19), which openpyxl leaves as it is.
        assert {unescape(r["Job"]) for r in table(page)} == set(ODD), name
        cells = [c for row in page.iter_rows(min_row=HEADER + 1) for c in row if c.value in ODD]
        assert {c.data_type for c in cells} == {"s"}
    found = {unescape(r["Hydrant id"]): unescape(r["Part number"]) for r in table(sheet(path, "Trace"))}
    assert found == {text: text.strip() or text for text in ODD}
    assert sheet(path, "Order")["A1"].value == "=HYPERLINK(1)"


def test_the_trace_as_csv_has_no_cell_that_is_taken_for_a_formula(tmp_path: Path) -> None:
    families = tuple((f"={i}", True) for i in range(len(ODD)))
    rows = [Row(-2.0, family=i, job=i) for i in range(len(ODD))]
    book = book_of(World(rows, odd_catalog(), tuple(ODD), families=families), ODD)
    write_csv(book.trace, tmp_path / "t.csv")
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        read = list(csv.DictReader(file))
    assert [r["hydrant_id"].removeprefix("'") for r in read] == ODD
    for cell in itertools.chain.from_iterable(r.values() for r in read):
        assert re.fullmatch(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?", cell) or not re.match(r"[=+\-@\t\r]", cell)


# -- where lines come from --------------------------------------------------------------------------------------


def test_quantities_times_probabilities_add_up_to_the_expected_and_firm_rows_to_the_firm(
    made: tuple[Book, Path],
) -> None:
    book, path = made
    expected, firm = defaultdict(float), defaultdict(int)
    for row in table(sheet(path, "Trace")):
        line = book.lines[row["Line"] - 1]
        assert (row["Job"], row["Part number"], row["Description"]) == (line.job, line.part_number, line.description)
        expected[row["Line"]] += row["Quantity"] * row["Probability"]
        firm[row["Line"]] += row["Quantity"] * (row["Firm"] == "yes")
        assert row["Probability"] == 1 or row["Action"] in ("measure", "on_site")
    for number, line in enumerate(book.lines, start=1):
        assert expected[number] == pytest.approx(line.quantity_expected, abs=2e-3)
        assert firm[number] == line.quantity_firm


def test_the_trace_tells_a_hydrants_street_action_and_choice(made: tuple[Book, Path], sample: Sample) -> None:
    layer = sample.result.hydrants.set_index("hydrant_id")
    rows = table(sheet(made[1], "Trace"))
    assert len(rows) > 100
    for row in rows:
        hydrant = layer.loc[row["Hydrant id"]]
        assert (row["Street"], row["Action"], row["Job"]) == (hydrant["street"], hydrant["action"], hydrant["job"])
        if row["Action"] == "extend" and row["Item"] == "extension":
            assert row["Length (in)"] == pytest.approx(hydrant["extension_in"])
            assert row["Choice"].startswith(("add", "exchange"))


def test_a_stack_is_one_row_a_length_and_an_open_hydrant_one_a_choice(tmp_path: Path) -> None:
    rows = [Row(-20.0), Row(1.0, 2.0)]
    path = written(book_of(World(rows, policy=Policy(max_extensions=2)), ["deep", "open"]), tmp_path)
    found = [(r["Hydrant id"], r["Part number"], r["Quantity"]) for r in table(sheet(path, "Trace"))]
    assert [f for f in found if f[0] == "deep"] == [("deep", "Q-12", 2), ("deep", "Q-G", 4), ("deep", "Q-L", 1)]
    six = [r for r in table(sheet(path, "Trace")) if r["Hydrant id"] == "open" and r["Part number"] == "Q-6"]
    assert [r["Choice"] for r in six] == ["add 6 in"]
    assert six[0]["Probability"] == pytest.approx(between(rows[1], -5, 1), abs=1e-6)


def test_the_trace_stops_and_says_where_the_rest_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert workbook.TRACE_ROWS == 10_000
    monkeypatch.setattr(workbook, "TRACE_ROWS", 9)
    rest = write_workbook(book_of(World([Row(-2.0)] * 4)), tmp_path / "order.xlsx")
    page = sheet(tmp_path / "order.xlsx", "Trace")
    assert len(table(page)) == 9
    text = "The sheet stops here, at 9 of 12 rows; order_trace.csv beside it has all."
    assert page.cell(page.max_row, 1).value == text
    assert rest == tmp_path / "order_trace.csv"
    with rest.open(encoding="utf-8", newline="") as file:
        read = list(csv.DictReader(file))
    assert len(read) == 12
    assert (read[0]["line"], read[0]["hydrant_id"], read[0]["length_in"], read[0]["probability"]) == (
        "1", "H-0", "6", "1",
    )  # fmt: skip


def test_a_trace_that_fits_needs_no_csv(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "TRACE_ROWS", 12)
    assert write_workbook(book_of(World([Row(-2.0)] * 4)), tmp_path / "order.xlsx") is None
    assert [p.name for p in tmp_path.iterdir()] == ["order.xlsx"]


# -- fewer or more ----------------------------------------------------------------------------------------------


def test_fewer_and_more_are_told_about_every_quantity_as_the_binomial_says(tmp_path: Path) -> None:
    n, row = 40, Row(1.3, 2.0)
    book = book_of(World([row] * n, catalog(SIX)))
    order = book.lines[0].quantity_order
    found = table(sheet(written(book, tmp_path), "Enough"))
    assert [r["Pieces had"] for r in found] == list(range(order - 3, order + 6))
    need = stats.binom(n, between(row, -5, 1))
    for r in found:
        assert r["More or fewer"] == r["Pieces had"] - order
        assert r["Chance of running short"] == pytest.approx(need.sf(r["Pieces had"]), abs=1e-8)
        left = sum(need.pmf(k) * (r["Pieces had"] - k) for k in range(r["Pieces had"]))
        assert r["Expected left over"] == pytest.approx(left, abs=1e-5)


def test_quantities_below_none_are_not_told(tmp_path: Path) -> None:
    found = table(sheet(written(book_of(World([Row(1.0, 2.0)], catalog(SIX))), tmp_path), "Enough"))
    assert [r["Pieces had"] for r in found] == [0, 1, 2, 3, 4, 5, 6]


def test_the_chart_draws_the_largest_open_lines_from_cells_beside_the_table(tmp_path: Path) -> None:
    world = World([*OPEN_ROWS, *[Row(1.2, 2.0)] * 9, Row(-2.0, job=1)], jobs=("a", "b"))
    path = written(book_of(world), tmp_path)
    with zipfile.ZipFile(path) as parts:
        drawn = parts.read("xl/charts/chart1.xml").decode()
    assert "<c:lineChart>" in drawn
    names = re.findall(r"<c:tx><c:strRef><c:f>Enough!\$(\w+)\$(\d+)", drawn)
    values = re.findall(r"<c:val><c:numRef><c:f>Enough!\$(\w+)\$(\d+):\$\w+\$(\d+)", drawn)
    page = sheet(path, "Enough")
    assert [page[f"{c}{r}"].value for c, r in names][:2] == ["1: a A 6 in extension", "2: a A 12 in extension"]
    assert not [n for n in names if ": b " in page[f"{n[0]}{n[1]}"].value]
    line = next(x for x in world.order() if x.part_number == "Q-6")
    letter, first, last = values[0]
    shown = [page[f"{letter}{r}"].value for r in range(int(first), int(last) + 1)]
    wanted = [line.need.short(line.quantity_order + more) for more in range(-3, 6)]
    assert shown == pytest.approx(wanted, abs=1e-8)
    words = [page.cell(r, page[f"{letter}{first}"].column - 1).value for r in range(int(first), int(last) + 1)]
    assert words[:5] == ["3 fewer", "2 fewer", "1 fewer", "to have", "1 more"]


def test_where_all_is_decided_there_is_no_chart_and_that_is_said(tmp_path: Path) -> None:
    path = written(book_of(World([Row(-2.0)])), tmp_path)
    assert "Nothing here is uncertain: there is no chart." in [c.value for c in sheet(path, "Enough")["A"]]
    assert not [n for n in zipfile.ZipFile(path).namelist() if "chart" in n]


# -- since the last order ---------------------------------------------------------------------------------------


def former_of(book: Book, folder: Path) -> list[dict[str, str]]:
    order_files.write_csv(columns.order_table(book.lines, "in"), folder / "former.csv")
    rows = order_files.read_csv(folder / "former.csv")
    assert rows is not None
    return rows


def priced(cost: float) -> Catalog:
    return catalog(part("extension", "=6", length="6 in", unit_cost=cost), part("extension", "-12", length="12 in"))


def test_what_was_added_dropped_and_changed_is_told(tmp_path: Path) -> None:
    before = book_of(World([Row(-2.0)] * 3 + [Row(-8.0, job=1)] * 2, priced(10), ("a", "b")))
    after = World([Row(-2.0)] * 5 + [Row(-8.0)] + [Row(-2.0, job=1)], priced(10), ("a", "b"))
    book = book_of(after, former=former_of(before, tmp_path))
    page = sheet(written(book, tmp_path), "Changed")
    found = [(r["What"], r["Job"], r["Part number"]) for r in table(page)]
    assert found[:4] == [
        ("dropped", "b", "-12"), ("changed", "a", "=6"), ("added", "a", "-12"), ("added", "b", "=6"),
    ]  # fmt: skip
    changed = table(page)[1]
    assert [changed[f"To have{w}"] for w in (" before", " now", ", more or less")] == [3, 5, 2]
    assert [changed[f"Cost{w}"] for w in (" before", " now", ", more or less")] == [30, 50, 20]
    assert page[f"{column(page, 'Cost, more or less')}{HEADER + 5}"].value == 30  # 20 more and 10 new; -12 has no cost
    live = sheet(tmp_path / "order.xlsx", "Changed", values=False)
    assert [c.value for row in live.iter_rows() for c in row if c.data_type == "f"] == ["=SUM(O8:O11)"]


def test_an_order_kept_as_placed_is_what_later_ones_are_held_against(tmp_path: Path) -> None:
    run(tiny_plan(tmp_path, hydrants={"extension_fitted": "0 in"}))
    out = tmp_path / "out"
    shutil.copy(out / "order.csv", out / "order_placed.csv")
    for after in (101.0, 101.0):  # the second run is held against the first order all the same
        run(tiny_plan(tmp_path, after=after, hydrants={"extension_fitted": "0 in"}))
        page = sheet(out / "order.xlsx", "Changed")
        assert "order_placed.csv" in page["A2"].value
        assert table(page)
    assert (out / "order_placed.csv").exists()


def test_an_order_of_nothing_kept_as_placed_is_one_too(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, after=100.0, hydrants={"extension_fitted": "0 in"})
    run(plan)
    out = tmp_path / "out"
    assert len((out / "order.csv").read_text(encoding="utf-8-sig").splitlines()) == 1
    shutil.copy(out / "order.csv", out / "order_placed.csv")
    for _ in range(2):  # the second has an order.csv of its own beside it
        run(tiny_plan(tmp_path, after=100.5, hydrants={"extension_fitted": "0 in"}))
        page = sheet(out / "order.xlsx", "Changed")
        assert table(page)


def test_the_same_order_again_has_no_changes(sample: Sample, tmp_path: Path) -> None:
    book = sample_book(sample)
    page = sheet(written(replace(book, former=former_of(book, tmp_path)), tmp_path), "Changed")
    assert table(page) == []
    assert page["A4"].value == f"0 lines differ, {len(book.lines)} are as they were."


def test_odd_texts_and_lines_without_a_part_number_are_found_again(tmp_path: Path) -> None:
    families = tuple((t, i > 3) for i, t in enumerate(ODD))
    cat = catalog(*[part("extension", t.strip() or t, t, length="6 in", description=t) for t in ODD[4:]], SIX)
    world = World([Row(-2.0 - 6 * (i % 2), family=i, job=i) for i in range(4)] + [
        Row(-2.0, family=i, job=i) for i in range(4, len(ODD))
    ], cat, tuple(ODD), families=families)  # fmt: skip
    book = book_of(world)
    assert order_files.changes(book.lines, former_of(book, tmp_path)) == []


def test_a_change_of_cost_alone_is_told(tmp_path: Path) -> None:
    former = former_of(book_of(World([Row(-2.0)], priced(10))), tmp_path)
    (change,) = order_files.changes(book_of(World([Row(-2.0)], priced(12.5))).lines, former)
    assert (change.what, change.before[-1], change.now[-1]) == ("changed", 10, 12.5)


@pytest.mark.parametrize(
    ("row", "said"),
    [({"job": "a"}, "no column family"), ({"quantity_order": "many"}, "row 1: quantity_order 'many' is no number")],
)
def test_a_former_order_that_cannot_be_compared_is_said_and_stops_nothing(
    tmp_path: Path, row: dict[str, str], said: str
) -> None:
    book = book_of(World([Row(-2.0)], priced(10)))
    whole = {**former_of(book, tmp_path)[0], **row} if "job" not in row else row
    page = sheet(written(replace(book, former=[whole]), tmp_path), "Changed")
    assert said in page["A2"].value


@pytest.mark.parametrize("content", [b"\xff\xfe\x00job", b"job;family\na;b\n", b"a\x00b,c\n1,2\n"])
def test_a_former_file_that_is_no_order_is_said_and_stops_nothing(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "order.csv").write_bytes(content)
    book = book_of(World([Row(-2.0)], priced(10)), former=order_files.read_csv(tmp_path / "order.csv"))
    assert "Nothing is compared" in sheet(written(book, tmp_path), "Changed")["A2"].value


def test_without_a_former_order_there_is_no_such_sheet(made: tuple[Book, Path], tmp_path: Path) -> None:
    assert openpyxl.load_workbook(made[1]).sheetnames == ["Order", "Enough", "Trace"]
    assert order_files.read_csv(tmp_path / "order.csv") is None


# -- the file ---------------------------------------------------------------------------------------------------


def test_the_same_order_is_the_same_file(made: tuple[Book, Path], tmp_path: Path) -> None:
    book, path = made
    assert written(book, tmp_path).read_bytes() == path.read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == ["order.xlsx"]


def test_a_place_that_cannot_be_written_to_is_an_os_error(tmp_path: Path) -> None:
    (tmp_path / "order.xlsx").mkdir()
    with pytest.raises(OSError, match=r"order\.xlsx"):
        write_workbook(book_of(World([Row(-2.0)])), tmp_path / "order.xlsx")


def test_money_is_rounded_line_by_line_so_that_the_page_adds_up() -> None:
    (line,) = World([Row(-2.0)] * 3, catalog(part("extension", "Q", length="6 in", unit_cost=0.125))).order()
    assert order_files.cents(line) == Decimal("0.38")
    assert order_files.cents(replace(line, cost=None)) == 0
