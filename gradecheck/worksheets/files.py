"""`worksheets.pdf`, `notices.csv` and `measurements.csv`, written from an assessment."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.pdfgen.canvas import Canvas

from gradecheck.assessment import Assessment
from gradecheck.outputs.order_files import inert
from gradecheck.units import elevation_unit
from gradecheck.worksheets import typeface, words
from gradecheck.worksheets.lists import engineer_pages, job_page
from gradecheck.worksheets.pages import sheet_page
from gradecheck.worksheets.sheets import OPENED, Book, book

PAPERS: dict[str, tuple[float, float]] = {"letter": LETTER, "a4": A4}
"""Width and height in points."""

MEASUREMENTS = (
    "hydrant_id", "date", "clearance", "flange_elevation", "outlet_height", "length_fitted", "length_taken_out",
    "part_number", "drain_ok", "leak_ok", "out_at", "back_at", "note",
)  # fmt: skip
NOTICES = (
    "hydrant_id", "job", "street", "station", "latitude", "longitude", "work", "stage", "job_starts", "out_at",
    "back_at", "told_by", "sheet",
)  # fmt: skip


def write_worksheets(a: Assessment, path: Path, paper: str | None = None) -> None:
    """The sheets as PDF: by job a page of what to load, a page per hydrant, at the end the engineer's list.

    paper: "letter" or "a4"; None: Letter where the plan is in inches or feet, else A4. The same assessment gives the
    same bytes. Raises ValueError for another paper, OSError where it cannot be written.
    """
    made = book(a)
    name = paper or ("letter" if made.imperial else "a4")
    if name not in PAPERS:
        raise ValueError(f"paper {name!r} is unknown; known: {', '.join(PAPERS)}")
    size = PAPERS[name]
    typeface.load()
    canvas: Any = Canvas(
        str(path), pagesize=size, invariant=1, pageCompression=1, lang="en", initialFontName=typeface.PLAIN
    )
    canvas.setTitle(typeface.tidy(f"{made.title}: work sheets, {made.day.isoformat()}"))
    canvas.setSubject("Hydrant work sheets, with an engineer's list at the end")
    canvas.setAuthor("gradecheck")
    canvas.setCreator("gradecheck")
    canvas.setViewerPreference("DisplayDocTitle", "true")
    _draw(canvas, made, size)
    canvas.save()


def _draw(c: Any, made: Book, size: tuple[float, float]) -> None:
    """Every page, each with a bookmark."""
    for k, (job, sheets) in enumerate(made.jobs()):
        _mark(c, f"job-{k}", f"Job {job}", 0)
        job_page(c, made, job, sheets, size)
        c.showPage()
        for sheet in sheets:
            _mark(c, f"sheet-{sheet.number}", f"{sheet.number} {sheet.hydrant_id}: {words.TITLES[sheet.kind]}", 1)
            sheet_page(c, made, sheet, size)
            c.showPage()
    _mark(c, "engineer", "Engineer's list", 0)
    engineer_pages(c, made, size)
    c.showPage()


def _mark(c: Any, key: str, title: str, level: int) -> None:
    c.bookmarkPage(key)
    c.addOutlineEntry(typeface.tidy(title), key, level, closed=level == 0)


def write_notices(a: Assessment, path: Path) -> None:
    """For the fire department: every hydrant that goes out of service, where, and when; UTF-8.

    When exactly is not known when the order is made: `job_starts` is, `out_at` and `back_at` are filled in.
    """
    made = book(a)
    rows = [
        (
            s.hydrant_id, s.job, s.street, s.station, f"{s.latitude:.6f}", f"{s.longitude:.6f}", s.do, s.stage,
            s.starts.isoformat() if s.starts else "", "", "", "", str(s.number),
        )
        for s in made.sheets
        if s.kind in OPENED
    ]  # fmt: skip
    _write(path, [NOTICES, *rows])


def write_measurements(a: Assessment, path: Path) -> None:
    """The form to fill in: a row for every sheet in the sheets' order, units in the second row; UTF-8.

    Lengths are in the plan's output unit, elevations in the unit that goes with it, times are local.
    """
    unit = a.inputs.plan.output.unit
    date, time, yes = "YYYY-MM-DD", "YYYY-MM-DD hh:mm", "yes/no"
    units = ("", date, unit, elevation_unit(unit), unit, unit, unit, "", yes, yes, time, time, "")
    blank = ("",) * (len(MEASUREMENTS) - 1)
    _write(path, [MEASUREMENTS, units, *((s.hydrant_id, *blank) for s in book(a).sheets)])


def _write(path: Path, rows: Iterable[Sequence[str]]) -> None:
    """No text that a spreadsheet takes for a formula; numbers pass."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([inert(cell) for cell in row] for row in rows)
