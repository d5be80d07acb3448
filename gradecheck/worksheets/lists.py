"""The pages before and after the sheets: what is in a job and what to load, and what an engineer must decide."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from gradecheck.decision import Action
from gradecheck.worksheets import typeface, words
from gradecheck.worksheets.drawing import Box, one_line, paragraphs, wrapped
from gradecheck.worksheets.pages import MARGIN, part_text
from gradecheck.worksheets.picks import total
from gradecheck.worksheets.questions import Question
from gradecheck.worksheets.sheets import Book, Sheet
from gradecheck.worksheets.typeface import BOLD, PLAIN

_SIZE = 9.5
_ROW = 14.0
Cells = tuple[str, ...]


class Lister:
    """Rows down a page and over to the next; the heading stands on each."""

    def __init__(self, c: Any, paper: tuple[float, float], heading: str, day: str):
        self.c, self.paper, self.heading, self.day = c, paper, heading, day
        self.page = 0
        self.y = 0.0
        self.turn()

    @property
    def width(self) -> float:
        """Points between the margins."""
        return self.paper[0] - 2 * MARGIN

    def turn(self) -> None:
        """A fresh page with the heading."""
        if self.page:
            self.c.showPage()
        self.page += 1
        self.y = self.paper[1] - MARGIN
        text = self.heading if self.page == 1 else f"{self.heading} (page {self.page})"
        one_line(self.c, text, Box(MARGIN, self.y - 18, self.width - 70, 18), 18, BOLD, least=9)
        self.c.setFont(PLAIN, 9)
        self.c.drawRightString(MARGIN + self.width, self.y - 18, self.day)
        self.y -= 30

    def text(self, text: str, size: float = 10.5, font: str = PLAIN) -> None:
        """A paragraph."""
        for line in wrapped(typeface.printable(text), font, size, self.width):
            if self.y - size * 1.3 < MARGIN:
                self.turn()
            paragraphs(self.c, [line], Box(MARGIN, self.y - size * 1.3, self.width, size * 1.3), size, font)
            self.y -= size * 1.3

    def table(self, heads: Cells, shares: Sequence[float], rows: Iterator[Cells], most: int = 1) -> None:
        """Rows of cells, `most` lines each; the heads again on every page."""
        self._row(heads, shares, 1, BOLD)
        for cells in rows:
            if self.y - _ROW < MARGIN + _ROW * most:
                self.turn()
                self._row(heads, shares, 1, BOLD)
            self._row(cells, shares, most, PLAIN)

    def _row(self, cells: Cells, shares: Sequence[float], most: int, font: str) -> None:
        wide = [self.width * s / sum(shares) for s in shares]
        texts = [typeface.printable(t) for t in cells]
        fits = zip(texts, wide, strict=True)
        lines = min(most, max(len(wrapped(t, font, _SIZE, w - 6)) for t, w in fits)) if most > 1 else 1
        high = max(_ROW, lines * _SIZE * 1.2 + 4)
        x = MARGIN
        for text, w in zip(texts, wide, strict=True):
            paragraphs(self.c, [text], Box(x + 2, self.y - high + 1, w - 6, high - 2), _SIZE, font, least=6.5)
            x += w
        self.y -= high
        self.c.setLineWidth(0.4)
        self.c.line(MARGIN, self.y, MARGIN + self.width, self.y)


def job_page(c: Any, made: Book, job: str, sheets: Sequence[Sheet], paper: tuple[float, float]) -> None:
    """What is done in one job: its sheets in walking order, and the parts to load. Leaves a page open."""
    title = made.title if job == made.title else f"{made.title}: job {job}"
    page = Lister(c, paper, title, made.day.isoformat())
    starts = sheets[0].starts
    page.text(f"Work starts {starts.isoformat()}." if starts else "The start of work is not known.", 11, BOLD)
    page.text(
        f"{_counted(len(sheets), 'sheet')} here, {sheets[0].number} to {sheets[-1].number}, in the order of a walk; "
        f"{len(made.sheets)} in all jobs; {_waiting(len(made.questions))}; {made.others} need no sheet."
    )
    waiting = [str(s.number) for s in sheets if s.held]
    if waiting:
        page.text(f"On hold until the engineer has agreed (last pages): sheets {', '.join(waiting)}.", 10.5, BOLD)
    page.y -= 6
    page.text("Parts to load", 12, BOLD)
    load = total([part for sheet in sheets for part in sheet.load])
    unmeasured = sum(s.kind == Action.measure.name for s in sheets)
    if unmeasured:
        page.text(f"Without those of the {_counted(unmeasured, 'hydrant')} that must be measured first.", 9.5)
    if load:
        page.text("For hydrants set on site every length that may be set is counted: bring back what is not.", 9.5)
        page.table(("Part", "Family"), (4, 1), ((part_text(p), p.family) for p in load))
    else:
        page.text("Nothing: no sheet of this job takes a part.")
    page.y -= 8
    page.text("Sheets (mark those of the day)", 12, BOLD)
    rows = (
        (str(s.number), "hold" if s.held else "[  ]", s.hydrant_id, s.street, _titled(s), words.short(s.stage))
        for s in sheets
    )
    page.table(("Sheet", "Day", "Hydrant", "Street", "Do", "When"), (0.6, 0.5, 1.7, 1.8, 1.3, 3.2), rows)
    page.text(made.flange + f" Rounded to {'1/4 in' if made.imperial else '5 mm'}.", 9.5)


def engineer_pages(c: Any, made: Book, paper: tuple[float, float]) -> None:
    """The hydrants that no crew can do anything about yet. Leaves a page open."""
    page = Lister(c, paper, f"{made.title}: engineer's list", made.day.isoformat())
    if not made.sheets:
        page.text(f"No hydrant needs a work sheet; {made.others} need nothing.")
    if not made.questions and not made.held:
        page.text("Nothing waits for an engineer.")
    for found, words_ in (
        (made.questions, "no sheet until this is decided."),
        (made.held, "on hold: the crew starts only once this is agreed and signed here."),
    ):
        if not found:
            continue
        page.text(f"{_counted(len(found), 'hydrant')}: {words_}", 11, BOLD)
        page.y -= 4
        page.table(
            ("Hydrant", "Job, street", "Found", "To decide", "Decision, name, date"),
            (1.1, 1.2, 2.6, 2.0, 1.5),
            (_asked(q) for q in found),
            most=10,
        )
        page.y -= 10


def _waiting(n: int) -> str:
    if not n:
        return "none waits for an engineer"
    return f"{_counted(n, 'hydrant')} {'waits' if n == 1 else 'wait'} for an engineer (last pages)"


def _counted(n: int, noun: str) -> str:
    return f"1 {noun}" if n == 1 else f"{n} {noun}s"


def _titled(s: Sheet) -> str:
    return words.TITLES[s.kind].capitalize()


def _asked(q: Question) -> Cells:
    note = f" Note: {q.note}" if q.note else ""
    where = ", ".join(t for t in (q.job, q.street) if t)
    if q.sheet:
        return f"{q.hydrant_id} (sheet {q.sheet})", where, f"{q.reason}{note}", q.decide, ""
    return q.hydrant_id, where, f"{q.action.replace('_', ' ')}. {q.reason}{note}", q.decide, ""
