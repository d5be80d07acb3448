"""The whole job on one screen: open, assess, write. Here and nowhere else do the steps meet."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Container, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gradecheck import engine, inspection
from gradecheck.asbuilt import Given
from gradecheck.assessment import Assessment, assess
from gradecheck.confirming import Confirmation, confirmed_by, read_rows
from gradecheck.former import read_formers
from gradecheck.inputs import open_inputs
from gradecheck.measurement import Here, Progress, Spread, silent
from gradecheck.outputs import columns, confirm_files, layer, manifest, order_files, postgis, strangers, workbook
from gradecheck.outputs.confirm_summary import confirm_summary
from gradecheck.outputs.frames import frame, geo_frame
from gradecheck.outputs.order_book import write_order_book
from gradecheck.outputs.summary import order_summary, summary_of
from gradecheck.outputs.trace import Counting
from gradecheck.placing import check_place, claimed, in_place, nothing
from gradecheck.plan import Plan
from gradecheck.readback import PACKAGE, Former
from gradecheck.reorder import Reordered, reorder
from gradecheck.report.page import write_report
from gradecheck.resuming import Keeping, place_of
from gradecheck.review import Edit, settings
from gradecheck.surroundings import surroundings
from gradecheck.worksheets.files import write_measurements, write_notices, write_worksheets
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
_STALE = (workbook.TRACE_CSV, "hydrants.parquet")
"""Files of a former run that go where this one makes none of that name."""
PARQUET = "hydrants.parquet"
"""The layer of hydrants once more, where the plan asks for it."""
_OURS = {*_DELIVERABLES, *_STALE, "run.json"} - {"notices.csv", "measurements.csv"}
"""What is put in place whatever lies there; forms that people fill in are kept."""
_ORDER = ("order.csv", "order.xlsx", workbook.TRACE_CSV)


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
        return geo_frame(columns.hydrants_table(self.assessment), self.assessment)

    @cached_property
    def rejected(self) -> GeoDataFrame:
        """The layer `rejected`."""
        return geo_frame(columns.rejected_table(self.assessment), self.assessment)

    @cached_property
    def order(self) -> pd.DataFrame:
        """The rows of the order."""
        return frame(columns.order_table(self.assessment.order, self.assessment.inputs.plan.output.unit))

    @cached_property
    def options(self) -> pd.DataFrame:
        """What may be right at hydrants that are not decided."""
        return frame(columns.options_table(self.assessment))


def compute(
    plan: Plan,
    *,
    today: date | None = None,
    progress: Progress = silent,
    former: Former | None = None,
    spread: Spread | None = None,
    keeping: Keeping | None = None,
) -> Result:
    """Everything but the files. Raises PlanError or InputError with all findings.

    former: a former run's layer, whose review edits are carried over. spread: how batches are worked, by default in
    this process (see `cluster.joined`); no result depends on it. keeping: what of a long run is kept, and was.
    """
    started = time.perf_counter()
    inputs = open_inputs(plan)
    if keeping is not None:
        keeping.facts, keeping.inner = lambda: manifest.facts(inputs), spread or Here()
        spread = keeping
    opened = time.perf_counter()
    edits = former or Former()
    assessment = assess(inputs, today or date.today(), progress, edits.edits, edits.crs, spread)
    done = time.perf_counter()
    return Result(assessment, summary_of(assessment), {"read": opened - started, "assess": done - opened})


def run(
    plan: Plan,
    *,
    today: date | None = None,
    progress: Progress = silent,
    spread: Spread | None = None,
    fresh: bool = False,
) -> Result:
    """The main job: compute and write every deliverable to the plan's output folder, and to its database.

    Review edits of a former run there are carried over. spread: see `compute`. fresh: what an interrupted run has kept
    is not used. Raises PlanError, InputError, OutputError, and resuming.Interrupted.
    """
    folder = plan.resolve(plan.output.dir)
    manifest.check_no_input(plan, folder, _OURS)
    whose = plan.file.resolve() if plan.file is not None else json.dumps(plan.as_written(), default=str)
    keeping = Keeping(place_of(str(whose), str(folder.resolve())), fresh=fresh)
    with ExitStack() as claims:
        said = _claimed(claims, folder)
        former, stored = read_formers(plan, folder)
        result = compute(plan, today=today, progress=progress, former=former, spread=spread, keeping=keeping)
        resumed = {"resumed": {"batches": keeping.used, "of": keeping.of}} if keeping.used else {}
        if resumed:
            said.append(f"{keeping.used} of {keeping.of} batches were kept from an interrupted run; --fresh works anew")
        result = _told(replace(result, summary={**result.summary, **resumed}), [*said, *keeping.notes])
        whole = _written(result, folder, stored)[0]
    keeping.forget()
    return whole


def order(package: Path | str, *, out: Path | str | None = None, today: date | None = None) -> dict[str, Any]:
    """Total the parts again from a reviewed GeoPackage; reads nothing but it. Returns the summary.

    Rewrites the layer `order` in it, and order.csv and order.xlsx beside it (or in `out`); a run.json beside it gets
    their new digests. Raises InputError, OutputError.
    """
    path = Path(package)
    home, target = path.parent, path.parent if out is None else Path(out)
    day = today or date.today()
    with ExitStack() as claims:
        said = _claimed(claims, home, *([target] if not _same(home, target) else ()), package=path.name)
        again = reorder(path, path.as_posix(), day)
        summary = order_summary(again)
        summary["warnings"] = [*said, *summary["warnings"]]
        record, stale = home / "run.json", (workbook.TRACE_CSV,)
        # Where no run.json tells whose an order is, its columns do.
        others = {} if order_files.is_order(target / "order.csv") else strangers.found(target, _ORDER, "run.json")
        summary["warnings"] += strangers.words(others, target)

        def order_alone(aside: Path) -> list[Path]:
            return [*strangers.keep(others, target, aside).values(), *_remake(again, target, aside, day, others)]

        def all_of_it(aside: Path) -> list[Path]:
            made = [_repacked(again, path, aside), *order_alone(aside)]
            return [*made, *manifest.renewed(record, aside, summary, made)]

        def package_alone(aside: Path) -> list[Path]:
            made = [_repacked(again, path, aside)]
            return [*made, *manifest.renewed(record, aside, None, made)]

        if _same(home, target):
            in_place(home, all_of_it, stale)
        else:
            in_place(target, order_alone, stale)
            in_place(home, package_alone)
    return summary


def _same(one: Path, other: Path) -> bool:
    return one.resolve() == other.resolve()


def _claimed(claims: ExitStack, *folders: Path, package: str = PACKAGE) -> list[str]:
    """Have folders to oneself; what was made good of commands that were cut short in them, in words."""
    said = []
    for folder in folders:
        for words in claims.enter_context(claimed(folder, package)):
            said.append(f"{folder.as_posix()}: {words}")
    return said


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
    day = today or date.today()
    with ExitStack() as claims:
        said = _claimed(claims, folder) if folder.exists() else []
        said += _claimed(claims, target, package=confirm_files.PACKAGE) if not _same(folder, target) else []
        books = read_rows(plan, field, date_order)
        result = compute(plan, today=day, progress=progress, former=read_formers(plan, folder)[0])
        found = confirmed_by(result.assessment, asbuilt, books, jobs)
        summary = confirm_summary(found, day)
        others = strangers.found(target, confirm_files.NAMES, confirm_files.RECORD)
        summary["warnings"] = [*said, *summary["warnings"], *strangers.words(others, target)]

        def make(aside: Path) -> list[Path]:
            kept = strangers.keep(others, target, aside)
            return confirm_files.write_confirmation(found, summary, aside, day, kept)

        in_place(target, make)
        return found, summary


def _remake(again: Reordered, target: Path, aside: Path, today: date, others: Container[str]) -> list[Path]:
    """The order's files, made aside."""
    table = columns.order_table(again.lines, again.plan.output.unit)
    made = [aside / "order.csv", aside / "order.xlsx"]
    order_files.write_csv(table, made[0])
    rest = write_order_book(made[1], again.plan, again.counting, again.lines, today, target, others)
    return [*made, rest] if rest is not None else made


def _repacked(again: Reordered, package: Path, aside: Path) -> Path:
    """The GeoPackage with the order in it, made aside."""
    copy = aside / package.name
    shutil.copyfile(package, copy)
    table = columns.order_table(again.lines, again.plan.output.unit)
    layer.rewrite_order(copy, table, again.ids, again.firm.tolist(), again.changed)
    return copy


def inspect(plan: Plan) -> inspection.Inspection:
    """Say what the inputs are and what would stop a run; nothing is decided and nothing written."""
    folder = plan.resolve(plan.output.dir)

    def place() -> None:
        check_place(folder)
        read_formers(plan, folder)

    return inspection.inspect(plan, place)


def write(result: Result, folder: Path | str) -> list[Path]:
    """Write every deliverable into `folder`: all made aside, then moved into place, run.json last.

    A database that the plan names gets the layers too. Raises OutputError, and then the former files and tables are as
    they were; so it does where tables hold review edits, which only `run` carries over.
    """
    target = Path(folder)
    with ExitStack() as claims:
        said = _claimed(claims, target)
        return _written(_told(result, said), target, ())[1]


def _told(result: Result, said: Sequence[str]) -> Result:
    """The result with more warnings before its own."""
    return replace(result, summary={**result.summary, "warnings": [*said, *result.summary["warnings"]]})


def _written(result: Result, target: Path, stored: Sequence[Edit]) -> tuple[Result, list[Path]]:
    """The result with what its summary says of the database, and the files. stored: edits there that it carries over.

    Tables are written when all files are made, and committed when all are in place: until then either can be undone,
    and a commit is what fails least. Where it does, the former files are put back.
    """
    started = time.perf_counter()
    plan = result.assessment.inputs.plan
    others = strangers.found(target, sorted(_OURS - {PACKAGE}), "run.json")  # `read_formers` knows packages
    result = _told(result, strangers.words(others, target))
    with postgis.opened(plan) as tables:
        made_of: list[Result] = []

        def make(aside: Path) -> list[Path]:
            made, whole = _make(result, aside, started, tables, stored, others)
            made_of.append(whole)
            return made

        files = in_place(target, make, last=nothing if tables is None else tables.commit, stale=_STALE)
    return made_of[0], files


def _make(
    result: Result,
    aside: Path,
    started: float,
    tables: postgis.Tables | None,
    stored: Sequence[Edit],
    others: Mapping[str, str],
) -> tuple[list[Path], Result]:
    """All files, and the tables, as far as they are asked for; the result with what is said of those."""
    a = result.assessment
    plan = a.inputs.plan
    table = columns.order_table(a.order, plan.output.unit)
    outputs = {name: aside / name for name in _DELIVERABLES}
    engine.later(manifest.materials)
    files_read = engine.later(lambda: manifest.input_files(a.inputs))  # large rasters take seconds to digest
    around, metadata = surroundings(a.inputs), manifest.discreet(_metadata(a), plan.folder)
    layer.write_layers(a, around, outputs["gradecheck.gpkg"], metadata)
    engine.give_back()
    if plan.output.geoparquet:
        outputs[PARQUET] = aside / PARQUET
        layer.write_parquet(a, outputs[PARQUET])
    order_files.write_csv(table, outputs["order.csv"])
    rest = write_order_book(outputs["order.xlsx"], plan, _counting(a), a.order, a.today, aside.parent, others)
    if rest is not None:
        outputs[rest.name] = rest
    engine.give_back()
    outputs |= strangers.keep(others, aside.parent, aside)
    sheets = book(a)
    write_worksheets(sheets, outputs["worksheets.pdf"], plan.output.paper)
    for name, write_form in (("notices.csv", write_notices), ("measurements.csv", write_measurements)):
        former = aside.parent / name
        if not write_form(sheets, outputs[name], former):
            kept = strangers.free_name(former)
            outputs[kept.name] = aside / kept.name
            shutil.copyfile(former, outputs[kept.name])
    read = files_read()
    summary, sources = (manifest.discreet(value, plan.folder) for value in (result.summary, read))
    write_report(a, around, summary, sources, outputs["report.html"])
    if tables is not None:
        result = replace(result, summary={**result.summary, "database": tables.write(a, around, metadata, stored)})
    timings = {**result.timings, "write": time.perf_counter() - started}
    last = aside / "run.json"
    manifest.write_manifest(last, a.inputs.plan, read, result.summary, timings, outputs)
    return [*outputs.values(), last], result


def _counting(a: Assessment) -> Counting:
    i = a.inputs
    ids, streets = i.hydrants.id, i.hydrants.street
    return Counting(ids, streets, a.counted.reviewed, a.cases, a.counted.decision, a.work, i.catalog, i.plan.policy)


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
