"""`worksheets.pdf`, `notices.csv` and `measurements.csv`, written from a book of sheets."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.pdfgen.canvas import Canvas

from gradecheck.formats.field_rows import COLUMNS
from gradecheck.outputs.order_files import inert
from gradecheck.units import elevation_unit, paper_of
from gradecheck.worksheets import typeface, words
from gradecheck.worksheets.filled import Filled, read_filled
from gradecheck.worksheets.lists import engineer_pages, job_page
from gradecheck.worksheets.pages import sheet_page
from gradecheck.worksheets.sheets import OPENED, Book

PAPERS: dict[str, tuple[float, float]] = {"letter": LETTER, "a4": A4}
"""Width and height in points."""

NOTICES = (
    "hydrant_id", "job", "street", "station", "latitude", "longitude", "work", "stage", "job_starts", "out_at",
    "back_at", "told_by", "sheet",
)  # fmt: skip


def write_worksheets(made: Book, path: Path, paper: str | None = None) -> None:
    """The sheets as PDF: by job a page of what to load, a page per hydrant, at the end the engineer's list.

    paper: "letter" or "a4"; None: Letter where the plan is in inches or feet, else A4. The same book gives the
    same bytes. Raises ValueError for another paper, OSError where it cannot be written.
    """
    name = paper_of(made.unit, paper)
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


def write_notices(made: Book, path: Path, former: Path | None = None) -> bool:
    """For the fire department: every hydrant that goes out of service, where, and when; UTF-8.

    When exactly is not known when the order is made: `job_starts` is; `out_at`, `back_at` and `told_by` are filled in.
    former: the file of a former run, whose filled cells are carried over; False where it is not laid out as ours.
    """
    to_fill = ("out_at", "back_at", "told_by")
    filled = read_filled(former, NOTICES, None, to_fill) if former is not None else Filled()
    at = slice(NOTICES.index("out_at"), NOTICES.index("told_by") + 1)
    rows: list[Sequence[str]] = []
    left = dict(filled.rows)
    for s in made.sheets:
        if s.kind not in OPENED:
            continue
        days = left.pop(inert(s.hydrant_id), [[""] * len(NOTICES)])[0][at]
        rows.append(
            (
                s.hydrant_id, s.job, s.street, s.station, f"{s.latitude:.6f}", f"{s.longitude:.6f}", s.do, s.stage,
                s.starts.isoformat() if s.starts else "", *days, str(s.number),
            )
        )  # fmt: skip
    rows += [row for found in left.values() for row in found]
    _write(path, [NOTICES, *rows])
    return not filled.strange


def write_measurements(made: Book, path: Path, former: Path | None = None) -> bool:
    """The form to fill in: a row for every sheet in the sheets' order, units in the second row; UTF-8.

    Lengths are in the plan's output unit, elevations in the unit that goes with it, times are local. former: the file
    of a former run, whose filled rows are carried over as they stand; False where it is not laid out as ours.
    """
    unit = made.unit
    date, time, yes = "YYYY-MM-DD", "YYYY-MM-DD hh:mm", "yes/no"
    units = ("", date, unit, elevation_unit(unit), unit, unit, unit, "", yes, yes, time, time, "")
    filled = read_filled(former, COLUMNS, units, COLUMNS[1:]) if former is not None else Filled()
    blank = ("",) * (len(COLUMNS) - 1)
    left = dict(filled.rows)
    rows: list[Sequence[str]] = []
    for s in made.sheets:
        rows += left.pop(inert(s.hydrant_id), [[s.hydrant_id, *blank]])
    rows += [row for found in left.values() for row in found]
    _write(path, [COLUMNS, units, *rows])
    return not filled.strange


def _write(path: Path, rows: Iterable[Sequence[str]]) -> None:
    """No text that a spreadsheet takes for a formula; numbers pass."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([inert(cell) for cell in row] for row in rows)
