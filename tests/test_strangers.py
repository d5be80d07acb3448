"""Files of other people's under the names of results, in a folder that results go to: kept, and said."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import openpyxl
import pytest

from gradecheck import Plan, run
from gradecheck.asbuilt import Given
from gradecheck.pipeline import confirm, order
from gradecheck.placing import LOCK
from tests.conftest import TODAY, Sample
from tests.projects import tiny_plan


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    return tiny_plan(tmp_path)


def folder_of(plan: Plan) -> Path:
    return plan.resolve(plan.output.dir)


@pytest.mark.parametrize(
    "name", ["order.csv", "order.xlsx", "report.html", "worksheets.pdf", "run.json", "order_trace.csv"]
)
def test_a_file_that_no_run_wrote_is_kept_under_another_name_and_told(plan: Plan, name: str) -> None:
    folder = folder_of(plan)
    folder.mkdir()
    (folder / name).write_bytes(b"of somebody else")
    result = run(plan, today=TODAY)
    kept = f"{Path(name).stem}_former{Path(name).suffix}"
    assert (folder / kept).read_bytes() == b"of somebody else"
    (said,) = [w for w in result.summary["warnings"] if kept in w]
    assert said == f"{(folder / name).as_posix()} was none of our files: it is kept as {kept}"
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    assert kept in record["outputs"]
    assert any(kept in w for w in record["warnings"])
    # From then on all is as ever: nothing more is kept, and nothing goes.
    before = {p.name for p in folder.iterdir()}
    again = run(plan, today=TODAY)
    assert not [w for w in again.summary["warnings"] if "none of our files" in w]
    assert {p.name for p in folder.iterdir()} == before
    assert (folder / kept).read_bytes() == b"of somebody else"


def test_an_order_is_not_held_against_a_strangers_file(plan: Plan) -> None:
    folder = folder_of(plan)
    folder.mkdir()
    (folder / "order.csv").write_text("item,count\nsocks,2\n", encoding="utf-8")
    run(plan, today=TODAY)
    assert "Changed" not in openpyxl.load_workbook(folder / "order.xlsx").sheetnames
    run(plan, today=TODAY)
    assert "Changed" in openpyxl.load_workbook(folder / "order.xlsx").sheetnames


def test_what_a_run_wrote_is_ours_even_where_somebody_changed_it(plan: Plan) -> None:
    run(plan, today=TODAY)
    folder = folder_of(plan)
    (folder / "report.html").write_text("changed", encoding="utf-8")
    before = {p.name for p in folder.iterdir()}
    assert not [w for w in run(plan, today=TODAY).summary["warnings"] if "none of our files" in w]
    assert {p.name for p in folder.iterdir()} == before


def test_a_package_is_ours_by_what_it_says_of_itself_and_not_by_a_record_beside_it(plan: Plan) -> None:
    run(plan, today=TODAY)
    folder = folder_of(plan)
    (folder / "run.json").unlink()
    for name in ("order.csv", "order.xlsx", "report.html", "worksheets.pdf"):
        (folder / name).unlink(missing_ok=True)
    assert not [w for w in run(plan, today=TODAY).summary["warnings"] if "none of our files" in w]
    assert not (folder / "gradecheck_former.gpkg").exists()


@pytest.mark.parametrize("text", ["[]", "{}", "no JSON", '{"outputs": {"order.csv": {}}, "versions": {"other": "1"}}'])
def test_a_record_of_another_program_names_nothing_of_ours(plan: Plan, text: str) -> None:
    folder = folder_of(plan)
    folder.mkdir()
    for name in ("run.json", "order.csv"):
        (folder / name).write_text(text, encoding="utf-8")
    warnings = run(plan, today=TODAY).summary["warnings"]
    assert len([w for w in warnings if "none of our files" in w]) == 2
    assert (folder / "run_former.json").read_text(encoding="utf-8") == text


def test_an_order_totalled_elsewhere_keeps_what_lies_there_once(sample: Sample, tmp_path: Path) -> None:
    package, there = tmp_path / "gradecheck.gpkg", tmp_path / "buying"
    shutil.copy(sample.package, package)
    there.mkdir()
    (there / "order.csv").write_text("item,count\nsocks,2\n", encoding="utf-8")
    said = order(package, out=there, today=TODAY)["warnings"]
    assert [w for w in said if "none of our files" in w] == [
        f"{(there / 'order.csv').as_posix()} was none of our files: it is kept as order_former.csv"
    ]
    assert (there / "order_former.csv").read_text(encoding="utf-8") == "item,count\nsocks,2\n"
    assert not [w for w in order(package, out=there, today=TODAY)["warnings"] if "none of our files" in w]
    assert {p.name for p in there.iterdir()} == {"order.csv", "order_former.csv", "order.xlsx", LOCK}


def test_a_record_of_another_program_beside_a_package_is_left_as_it_is(sample: Sample, tmp_path: Path) -> None:
    package = tmp_path / "gradecheck.gpkg"
    shutil.copy(sample.package, package)
    (tmp_path / "run.json").write_text('{"steps": [1, 2]}', encoding="utf-8")
    order(package, today=TODAY)
    assert (tmp_path / "run.json").read_text(encoding="utf-8") == '{"steps": [1, 2]}'


def test_a_confirmation_keeps_what_lies_in_its_folder(sample: Sample, tmp_path: Path) -> None:
    there = tmp_path / "confirm"
    there.mkdir()
    (there / "register.csv").write_text("mine", encoding="utf-8")
    _, summary = confirm(sample.plan, Given(str(sample.folder / "asbuilt.csv"), unit="ft"), out=there, today=TODAY)
    assert any("register.csv was none of our files" in w for w in summary["warnings"])
    assert (there / "register_former.csv").read_text(encoding="utf-8") == "mine"
    assert "register_former.csv" in json.loads((there / "confirm.json").read_text(encoding="utf-8"))["outputs"]
