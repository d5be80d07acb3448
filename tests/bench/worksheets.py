"""How fast the work sheets are written, and libraries that could write them: `python -m tests.bench.worksheets`.

Sheets: those of the sample project over and over, until there are so many. Beside them an invented page that every
library that is installed draws alike: 60 lines of text in an embedded face, 12 frames, 40 strokes. Medians of three.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from importlib.metadata import version
from importlib.resources import as_file, files
from itertools import cycle, islice
from pathlib import Path
from statistics import median

from pypdf import PdfReader

from gradecheck import Plan, compute, write_starter
from gradecheck.worksheets import typeface
from gradecheck.worksheets.files import write_worksheets
from gradecheck.worksheets.sheets import Book, book

WIDTH, HEIGHT = 612, 792
SLOW = 50
"""Pages that are asked of a library which lays out HTML."""
Strokes = list[tuple[float, float, float, float]]


def sheets(count: int) -> Book:
    """A book of so many sheets."""
    with tempfile.TemporaryDirectory() as name:
        made = book(compute(Plan.load(write_starter(Path(name) / "q"))).assessment)
    many = (replace(sheet, number=k + 1) for k, sheet in enumerate(islice(cycle(made.sheets), count)))
    return replace(made, sheets=tuple(many))


def texts(page: int) -> list[tuple[float, float, str]]:
    """x, y from above and the words of each line of a page."""
    return [
        (36 + 270 * (k % 2), 60 + 22 * (k // 2), f"Line {k} of page {page}: the flange then stands {k % 12} in above")
        for k in range(60)
    ]


def frames() -> Strokes:
    """x, y from above, width and height."""
    return [(34 + 270 * (k % 2), 44 + 110 * (k // 2), 262, 104) for k in range(12)]


def strokes() -> Strokes:
    """The ends of each, y from above."""
    return [(320.0, 60 + 3 * k, 560.0, 60 + 7.5 * k) for k in range(40)]


def with_reportlab(path: Path, count: int) -> None:
    from reportlab.pdfgen.canvas import Canvas

    typeface.load()
    out = Canvas(str(path), pagesize=(WIDTH, HEIGHT), pageCompression=1)
    for page in range(count):
        out.setFont(typeface.PLAIN, 9)
        for x, y, text in texts(page):
            out.drawString(x, HEIGHT - y, text)
        for x, y, wide, high in frames():
            out.rect(x, HEIGHT - y - high, wide, high)
        for x, y, to_x, to_y in strokes():
            out.line(x, HEIGHT - y, to_x, HEIGHT - to_y)
        out.showPage()
    out.save()


def with_fpdf2(path: Path, count: int) -> None:
    out = import_module("fpdf").FPDF(unit="pt", format=(WIDTH, HEIGHT))
    out.set_auto_page_break(False)
    with as_file(files("gradecheck.worksheets") / "fonts" / f"{typeface.PLAIN}.ttf") as face:
        out.add_font("sheet", fname=str(face))
    for page in range(count):
        out.add_page()
        out.set_font("sheet", size=9)
        for x, y, text in texts(page):
            out.text(x, y, text)
        for frame in frames():
            out.rect(*frame)
        for stroke in strokes():
            out.line(*stroke)
    out.output(str(path))


def with_weasyprint(path: Path, count: int) -> None:
    with as_file(files("gradecheck.worksheets") / "fonts" / f"{typeface.PLAIN}.ttf") as face:
        style = (
            f"@font-face{{font-family:sheet;src:url('{face.as_uri()}')}}@page{{size:{WIDTH}pt {HEIGHT}pt;margin:0}}"
            f"section{{position:relative;width:{WIDTH}pt;height:{HEIGHT}pt;break-after:page;font:9pt sheet}}"
            "section *{position:absolute;white-space:nowrap}div{border:1pt solid}"
        )
        drawn = "".join(f'<path d="M{x} {y}L{u} {v}" stroke="black"/>' for x, y, u, v in strokes())
        fixed = (
            f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" style="width:{WIDTH}pt;height:{HEIGHT}pt">{drawn}</svg>'
            + "".join(f'<div style="left:{x}pt;top:{y}pt;width:{w}pt;height:{h}pt"></div>' for x, y, w, h in frames())
        )
        pages = (
            "".join(f'<p style="left:{x}pt;top:{y}pt;margin:0">{text}</p>' for x, y, text in texts(page))
            for page in range(count)
        )
        body = "".join(f"<section>{page}{fixed}</section>" for page in pages)
        import_module("weasyprint").HTML(string=f"<style>{style}</style>{body}").write_pdf(str(path))


PEERS: dict[str, tuple[str, Callable[[Path, int], None], bool]] = {
    "reportlab": ("reportlab", with_reportlab, False),
    "fpdf2": ("fpdf", with_fpdf2, False),
    "weasyprint": ("weasyprint", with_weasyprint, True),
}
"""Name, module, how it draws, and whether it is slow."""


def timed(path: Path, draw: Callable[[], None]) -> tuple[float, int]:
    """Seconds, median of three, and the pages that came out."""
    seconds = []
    for _ in range(3):
        started = time.perf_counter()
        draw()
        seconds.append(time.perf_counter() - started)
    return median(seconds), len(PdfReader(path).pages)


def main(count: int) -> None:
    """Print the figures."""
    made = sheets(count)
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "out.pdf"
        seconds, pages = timed(path, lambda: write_worksheets(made, path))
        print(f"worksheets.pdf, {count} sheets: {pages} pages in {seconds:.2f} s, {path.stat().st_size / 1e6:.2f} MB")
        for peer, (module, draw, slow) in PEERS.items():
            try:
                import_module(module)
            except (ImportError, OSError) as error:  # the latter where a library of the system is not there
                print(f"{peer}: not installed ({error})")
                continue
            asked = min(count, SLOW) if slow else count
            seconds, pages = timed(path, lambda draw=draw, asked=asked: draw(path, asked))
            size = path.stat().st_size / 1e6
            print(f"{peer} {version(peer)}, invented: {pages} pages in {seconds:.2f} s, {size:.2f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
