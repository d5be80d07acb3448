"""The whole job on one screen: open, assess, write. Here and nowhere else do the steps meet."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gradecheck import inspection
from gradecheck.asbuilt import Given
from gradecheck.assessment import Assessment, assess
from gradecheck.confirming import Confirmation, confirmed_by, read_rows
from gradecheck.decision import Action
from gradecheck.errors import Finding, OutputError
from gradecheck.former import read_formers
from gradecheck.inputs import open_inputs
from gradecheck.measurement import Progress, silent
from gradecheck.order import OrderLine, Work
from gradecheck.outputs import columns, confirm_files, layer, manifest, order_files, postgis, workbook
from gradecheck.outputs.confirm_summary import confirm_summary
from gradecheck.outputs.summary import order_summary, summary_of
from gradecheck.outputs.trace import Counting, trace
from gradecheck.plan import Plan
from gradecheck.readback import PACKAGE, Former
from gradecheck.reorder import Reordered, reorder
from gradecheck.report.page import write_report
from gradecheck.review import Edit, settings
from gradecheck.worksheets.files import write_measurements, write_notices, write_worksheets
from gradecheck.worksheets.filled import free_name
from gradecheck.worksheets.sheets import book

if TYPE_CHECKING:
    import pandas as pd
    from geopandas import GeoDataFrame


_DELIVERABLES = (
    "gradecheck.gpkg",
    "order.csv",
    "order.xlsx",
    "report.html",
    "worksheets.pdf",
    "notices.csv",
    "measurements.csv",
)


PLACED = "order_placed.csv"
"""A copy of order.csv that a buyer keeps in the folder: what later orders are held against."""


@dataclass(frozen=True)
class Result:
    """What a run found: the assessment, its summary, and the layers as data frames.

    timings: seconds per step.
    """

    assessment: Assessment
    summary: Mapping[str, Any]
    timings: dict[str, float] = field(default_factory=dict)

    @cached_property
    def hydrants(self) -> GeoDataFrame:
        """The layer `hydrants`, in the input's reference system."""
        return _geo(columns.hydrants_table(self.assessment), self.assessment)

    @cached_property
    def rejected(self) -> GeoDataFrame:
        """The layer `rejected`."""
        return _geo(columns.rejected_table(self.assessment), self.assessment)

    @cached_property
    def order(self) -> pd.DataFrame:
        """The rows of the order."""
        return _frame(columns.order_table(self.assessment.order, self.assessment.inputs.plan.output.unit))

    @cached_property
    def options(self) -> pd.DataFrame:
        """What may be right at hydrants that are not decided."""
        return _frame(columns.options_table(self.assessment))


def compute(
    plan: Plan, *, today: date | None = None, progress: Progress = silent, former: Former | None = None
) -> Result:
    """Everything but the files. Raises PlanError or InputError with all findings.

    former: a former run's layer, whose review edits are carried over.
    """
    started = time.perf_counter()
    inputs = open_inputs(plan)
    opened = time.perf_counter()
    edits = former or Former()
    assessment = assess(inputs, today or date.today(), progress, edits.edits, edits.crs)
    done = time.perf_counter()
    return Result(assessment, summary_of(assessment), {"read": opened - started, "assess": done - opened})


def run(plan: Plan, *, today: date | None = None, progress: Progress = silent) -> Result:
    """The main job: compute and write every deliverable to the plan's output folder, and to its database.

    Review edits of a former run there are carried over.
    """
    folder = plan.resolve(plan.output.dir)
    check_place(folder)
    former, stored = read_formers(plan, folder)
    result = compute(plan, today=today, progress=progress, former=former)
    return _written(result, folder, stored)[0]


def order(package: Path | str, *, out: Path | str | None = None, today: date | None = None) -> dict[str, Any]:
    """Total the parts again from a reviewed GeoPackage; reads nothing but it. Returns the summary.

    Rewrites the layer `order` in it, and order.csv and order.xlsx beside it (or in `out`); a run.json beside it gets
    their new digests. Raises InputError, OutputError.
    """
    path = Path(package)
    target = path.parent if out is None else Path(out)
    check_place(target)
    held = layer.held_open(path)
    if held:
        raise OutputError(Finding(path.as_posix(), held, "close it in the desktop GIS and run again"))
    day = today or date.today()
    again = reorder(path, path.as_posix(), day)
    _in_place(target, lambda aside: _remake(again, path, aside, day))
    summary = order_summary(again)
    if target != path.parent:
        return summary
    manifest.renew(path.parent / "run.json", summary, [path, target / "order.csv", target / "order.xlsx"])
    return summary


def confirm(
    plan: Plan,
    asbuilt: Given,
    *,
    field: Sequence[str] = (),
    date_order: str | None = None,
    jobs: Sequence[str] = (),
    out: Path | str | None = None,
    today: date | None = None,
    progress: Progress = silent,
) -> tuple[Confirmation, dict[str, Any]]:
    """After construction: what stands against what was planned, with its summary.

    The plan is computed again with the review edits of its output folder. field: forms that crews filled in;
    date_order: "mdy" or "dmy", of dates such as 03/04/2027 in them, by default the plan's. jobs: only these. Writes
    confirm.gpkg, acceptance.xlsx, register.csv and confirm.json into `out`, by default the folder `confirm` of the
    plan's output folder. Raises PlanError, InputError, OutputError.
    """
    folder = plan.resolve(plan.output.dir)
    target = folder / "confirm" if out is None else Path(out)
    check_place(target, confirm_files.PACKAGE)
    day = today or date.today()
    books = read_rows(plan, field, date_order)
    result = compute(plan, today=day, progress=progress, former=read_formers(plan, folder)[0])
    found = confirmed_by(result.assessment, asbuilt, books, jobs)
    summary = confirm_summary(found, day)
    _in_place(target, lambda aside: confirm_files.write_confirmation(found, summary, aside, day), stale=())
    return found, summary


def _remake(again: Reordered, package: Path, aside: Path, today: date) -> list[Path]:
    """The order's files, and the GeoPackage with it, made aside; the latter is moved to where it was."""
    target = aside.parent
    table = columns.order_table(again.lines, again.plan.output.unit)
    copy = aside / package.name
    shutil.copyfile(package, copy)
    layer.rewrite_order(copy, table, again.ids, again.firm.tolist(), again.changed)
    made = [aside / "order.csv", aside / "order.xlsx"]
    order_files.write_csv(table, made[0])
    rest = _write_workbook(made[1], again.plan, again.counting, again.lines, today, target)
    made += [rest] if rest is not None else []
    for path in (copy, *made):
        manifest.flush(path)
    copy.replace(package)
    return made


def inspect(plan: Plan) -> inspection.Inspection:
    """Say what the inputs are and what would stop a run; nothing is decided and nothing written."""
    folder = plan.resolve(plan.output.dir)

    def place() -> None:
        check_place(folder)
        read_formers(plan, folder)

    return inspection.inspect(plan, place)


def check_place(folder: Path, package_name: str = PACKAGE) -> None:
    """Raises OutputError where the deliverables, a GeoPackage among them, could not be put into `folder`."""
    name = folder.as_posix()
    at = folder
    while not at.exists():
        at = at.parent
    if not at.is_dir():
        raise OutputError(Finding(name, f"{at.as_posix()} is a file, not a folder", "choose another output folder"))
    if not os.access(at, os.W_OK):
        raise OutputError(Finding(name, f"no right to write in {at.as_posix()}", "choose another output folder"))
    package = folder / package_name
    held = layer.held_open(package)
    if held:
        mend = "close it in the desktop GIS and run again, or choose another output folder"
        raise OutputError(Finding(package.as_posix(), held, mend))


def write(result: Result, folder: Path | str) -> list[Path]:
    """Write every deliverable into `folder`: all made aside, then moved into place, run.json last.

    A database that the plan names gets the layers too. Raises OutputError, and then the former files and tables are as
    they were; so it does where tables hold review edits, which only `run` carries over.
    """
    return _written(result, Path(folder), ())[1]


def _written(result: Result, target: Path, stored: Sequence[Edit]) -> tuple[Result, list[Path]]:
    """The result with what its summary says of the database, and the files. stored: edits there that it carries over.

    Tables are written when all files are made, and committed when all are in place: until then either can be undone,
    and a commit is what fails least. Where it does, the former files are put back.
    """
    check_place(target)
    started = time.perf_counter()
    plan = result.assessment.inputs.plan
    with postgis.opened(plan) as tables:
        told: list[Result] = []

        def make(aside: Path) -> list[Path]:
            made, whole = _make(result, aside, started, tables, stored)
            told.append(whole)
            return made

        files = _in_place(target, make, last=_nothing if tables is None else tables.commit)
    return told[0], files


def _nothing() -> None:
    """Nothing is left to do."""


def _in_place(
    target: Path,
    make: Callable[[Path], list[Path]],
    stale: Sequence[str] = (workbook.TRACE_CSV,),
    last: Callable[[], None] = _nothing,
) -> list[Path]:
    """Files made aside in a folder of the target's own, then moved into it, all or none.

    stale: former files that go where none of that name was made. last: what must succeed for the files to stay.
    """
    new = not target.exists()
    try:
        target.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=".gradecheck-", dir=target))
    except OSError as error:
        mend = "choose another output folder"
        raise OutputError(Finding(target.as_posix(), f"cannot be written to ({error.strerror})", mend)) from None
    try:
        made = make(aside)
        _move_in(made, target, aside, last)
    except OSError as error:
        mend = "close the file, free some space or choose another folder"
        raise OutputError(Finding(target.as_posix(), f"could not be written ({error.strerror})", mend)) from None
    finally:
        shutil.rmtree(aside, ignore_errors=True)
        if new and not any(target.iterdir()):
            target.rmdir()
    for name in set(stale) - {path.name for path in made}:
        (target / name).unlink(missing_ok=True)  # of a former, longer order
    return [target / path.name for path in made]


def _move_in(made: list[Path], target: Path, aside: Path, last: Callable[[], None]) -> None:
    """Put all files in place, or none: what cannot be replaced, or fails at last, puts back what was."""
    former: list[tuple[Path, Path | None]] = []
    try:
        for path in made:
            place, kept = target / path.name, aside / f"former-{path.name}"
            there = place.exists()
            if place.is_dir():
                raise IsADirectoryError(None, f"{path.name} is a folder there")
            if there:
                place.replace(kept)
            former.append((place, kept if there else None))
            path.replace(place)
        last()
    except BaseException:
        for place, before in former:
            if before is None:
                place.unlink(missing_ok=True)
            else:
                before.replace(place)
        raise


def _make(
    result: Result, aside: Path, started: float, tables: postgis.Tables | None, stored: Sequence[Edit]
) -> tuple[list[Path], Result]:
    """All files, and the tables, as far as they are asked for; the result with what is said of those."""
    a = result.assessment
    plan = a.inputs.plan
    table = columns.order_table(a.order, plan.output.unit)
    outputs = {name: aside / name for name in _DELIVERABLES}
    read = manifest.input_files(a.inputs)
    metadata = _metadata(a)
    layer.write_layers(a, a.order, outputs["gradecheck.gpkg"], metadata)
    order_files.write_csv(table, outputs["order.csv"])
    rest = _write_workbook(outputs["order.xlsx"], plan, _counting(a), a.order, a.today, aside.parent)
    if rest is not None:
        outputs[rest.name] = rest
    sheets = book(a)
    write_worksheets(sheets, outputs["worksheets.pdf"], plan.output.paper)
    for name, write_form in (("notices.csv", write_notices), ("measurements.csv", write_measurements)):
        former = aside.parent / name
        if not write_form(sheets, outputs[name], former):
            kept = free_name(former)
            outputs[kept.name] = aside / kept.name
            shutil.copyfile(former, outputs[kept.name])
    write_report(a, result.summary, read, outputs["report.html"])
    for path in outputs.values():
        manifest.flush(path)
    if tables is not None:
        result = replace(result, summary={**result.summary, "database": tables.write(a, metadata, stored)})
    timings = {**result.timings, "write": time.perf_counter() - started}
    last = aside / "run.json"
    manifest.write_manifest(last, a.inputs.plan, read, result.summary, timings, outputs)
    return [*outputs.values(), last], result


def _write_workbook(
    path: Path, plan: Plan, counting: Counting, lines: Sequence[OrderLine], today: date, target: Path
) -> Path | None:
    """The workbook, held against the order as placed, or else the former one; where the trace goes on, if too long."""
    title = f"Hydrant extensions: {plan.project.name}" if plan.project.name else "Hydrant extensions"
    relocated = int((counting.decision.action == Action.relocate).sum())
    placed = (target / PLACED).exists()
    former = order_files.read_csv(target / (PLACED if placed else "order.csv"))
    level = plan.policy.service_level
    book = workbook.Book(
        title, level, lines, trace(counting, lines), today, relocated, former, PLACED if placed else ""
    )
    return workbook.write_workbook(book, path)


def _counting(a: Assessment) -> Counting:
    i = a.inputs
    work = Work(a.job, i.family, a.firm, i.jobs.names, i.jobs.starts, i.families, i.plan.output.unit)
    ids, streets = i.hydrants.id, i.hydrants.street
    return Counting(ids, streets, a.counted.reviewed, a.cases, a.counted.decision, work, i.catalog, i.plan.policy)


def _metadata(a: Assessment) -> dict[str, Any]:
    """What the GeoPackage carries of its making, so that the order can be totalled again from it alone."""
    return {
        "gradecheck": manifest.versions()["gradecheck"],
        "day": a.today.isoformat(),
        "plan": a.inputs.plan.as_written(),
        "catalog": a.inputs.catalog.model_dump(mode="json"),
        "families": [{"name": name, "in_catalog": known} for name, known in a.inputs.families],
        "jobs": [
            {"name": name, "starts": start.isoformat() if start else None}
            for name in a.inputs.jobs.names
            for start in [a.inputs.jobs.starts.get(name)]
        ],
        "measure_sd": a.cases.measure_sd,
        "review": settings(a.review.at),
        "review_kept": settings(a.review.kept),
    }


def _geo(table: Any, a: Assessment) -> GeoDataFrame:
    import geopandas
    import shapely

    points = shapely.from_wkb(table.column(columns.GEOMETRY).to_numpy())
    return geopandas.GeoDataFrame(
        _frame(table.drop_columns([columns.GEOMETRY])), geometry=points, crs=a.inputs.hydrants.crs
    )


def _frame(table: Any) -> pd.DataFrame:
    """Integers and booleans with gaps stay what they are."""
    import pandas as pd
    import pyarrow as pa

    kinds = {pa.int64(): pd.Int64Dtype(), pa.int32(): pd.Int32Dtype(), pa.bool_(): pd.BooleanDtype()}
    frame: pd.DataFrame = table.to_pandas(types_mapper=kinds.get)
    return frame
