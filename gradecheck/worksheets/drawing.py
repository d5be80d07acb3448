"""What pages are drawn with: text that fits its box, the locator sketch, the heights to scale. Points, y up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from reportlab.pdfbase.pdfmetrics import stringWidth

from gradecheck.worksheets import typeface, words
from gradecheck.worksheets.places import Line, Sketch
from gradecheck.worksheets.sheets import Levels
from gradecheck.worksheets.typeface import BOLD, PLAIN

GREY = 0.82
"""Light enough to write on, dark enough for a copy of a copy."""
LEADING = 1.2


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle: left, bottom, width, height."""

    x: float
    y: float
    w: float
    h: float

    @property
    def top(self) -> float:
        """Its upper edge."""
        return self.y + self.h

    def meets(self, other: Box) -> bool:
        """Whether the two have ground in common."""
        across = self.x < other.x + other.w and other.x < self.x + self.w
        return across and self.y < other.top and other.y < self.top

    def inner(self, by: float = 5.0) -> Box:
        """The same without a margin."""
        return Box(self.x + by, self.y + by, self.w - 2 * by, self.h - 2 * by)

    def split(self, *shares: float) -> list[Box]:
        """Side by side, by shares of the width."""
        at, found = self.x, []
        for share in shares:
            width = self.w * share / sum(shares)
            found.append(Box(at, self.y, width, self.h))
            at += width
        return found


_MOST_IN_LINE = 1000
"""Letters; no line of a sheet holds as many, and a longer text is not measured letter by letter."""


def wrapped(text: str, font: str, size: float, width: float) -> list[str]:
    """Lines no wider than `width`; a word that is wider is broken where it must."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if stringWidth(longer, font, size) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        while stringWidth(word, font, size) > width and len(word) > 1:
            most = min(len(word) - 1, _MOST_IN_LINE)
            cut = next(n for n in range(most, 0, -1) if n == 1 or stringWidth(word[:n], font, size) <= width)
            lines.append(word[:cut])
            word = word[cut:]
        line = word
    return [*lines, line] if line else lines


def paragraphs(c: Any, texts: list[str], box: Box, size: float, font: str = PLAIN, least: float = 6.5) -> float:
    """Texts from the top of a box down, one under another; smaller until they fit, and then cut, visibly.

    Returns where the last line ends.
    """
    shown = [typeface.printable(t) for t in texts]
    while True:
        lines = [line for text in shown for line in wrapped(text, font, size, box.w)]
        if len(lines) * size * LEADING <= box.h + 0.2 * size or size <= least:
            break
        size = max(least, size - 0.5)
    room = max(1, int((box.h + 0.2 * size) / (size * LEADING)))
    if len(lines) > room:
        lines = lines[:room]
        lines[-1] = line_of(f"{lines[-1]} ", font, size, box.w - stringWidth(" [...]", font, size)) + " [...]"
    c.setFont(font, size)
    y = box.top - size
    for line in lines:
        c.drawString(box.x, y, line)
        y -= size * LEADING
    return float(y + size * LEADING - 0.25 * size)


def line_of(text: str, font: str, size: float, width: float) -> str:
    """As much of a line as fits."""
    text = text.strip()
    text = text[:_MOST_IN_LINE]
    while text and stringWidth(text, font, size) > width:
        text = text[:-1]
    return text


def one_line(c: Any, text: str, box: Box, size: float, font: str = PLAIN, least: float = 7.0) -> None:
    """A single line at the bottom of a box, smaller until it fits, then cut, visibly."""
    text = typeface.printable(text)
    while stringWidth(text, font, size) > box.w and size > least:
        size -= 0.5
    if stringWidth(text, font, size) > box.w:
        text = line_of(text, font, size, box.w - stringWidth(" [...]", font, size)) + " [...]"
    c.setFont(font, size)
    c.drawString(box.x, box.y, text)


def titled(c: Any, title: str, box: Box) -> Box:
    """A frame with a heading; returns what is free in it."""
    c.setLineWidth(0.8)
    c.rect(box.x, box.y, box.w, box.h)
    c.setFont(BOLD, 8.5)
    c.drawString(box.x + 5, box.top - 10.5, title.upper())
    return Box(box.x + 5, box.y + 3, box.w - 10, box.h - 16)


def locator(c: Any, sketch: Sketch, name: str, imperial: bool, box: Box) -> None:
    """The surroundings, north up: limits of work, edge of pavement, this hydrant and its neighbours."""
    c.saveState()
    path = c.beginPath()
    path.rect(box.x, box.y, box.w, box.h)
    c.clipPath(path, stroke=1)
    scale = box.h / (2 * sketch.half)
    x0, y0 = box.x + box.w / 2, box.y + box.h / 2
    c.setLineWidth(1.6)
    c.setDash(7, 3)
    _lines(c, sketch.limits, x0, y0, scale)
    c.setDash()
    c.setLineWidth(0.6)
    _lines(c, sketch.pavement, x0, y0, scale)
    c.setLineWidth(1.2)
    c.circle(x0, y0, 6, fill=1)
    taken: list[Box] = [
        Box(x0 - 7, y0 - 7, 14, 14),
        Box(box.x, box.y, 60, 18),
        Box(box.x + box.w - 26, box.top - 34, 26, 34),
    ]
    marks: list[tuple[str, tuple[float, float], str]] = [(name, (x0, y0), BOLD)]
    for other in sketch.neighbours:
        x, y = x0 + other.east * scale, y0 + other.north * scale
        if box.x < x < box.x + box.w and box.y < y < box.top:
            c.setFillGray(1)
            c.circle(x, y, 3.5, fill=1)
            c.setFillGray(0)
            taken.append(Box(x - 4, y - 4, 8, 8))
            marks.append((other.hydrant_id, (x, y), PLAIN))
    for text, at, font in marks:
        _label(c, text, at, taken, box, font)
    c.restoreState()
    c.setLineWidth(1)
    x, y = box.x + box.w - 14, box.top - 30
    c.line(x, y, x, y + 16)
    c.line(x - 4, y + 10, x, y + 16)
    c.line(x + 4, y + 10, x, y + 16)
    c.setFont(BOLD, 9)
    c.drawCentredString(x, y + 18, "N")
    _scale_bar(c, sketch.half, scale, imperial, box)


def _label(c: Any, text: str, at: tuple[float, float], taken: list[Box], box: Box, font: str) -> None:
    """An id above, below or beside its mark, the first place that is free; kept inside the picture."""
    size = 9 if font == BOLD else 8
    text = _end_of(typeface.printable(text), font, size, box.w / 3)
    wide = stringWidth(text, font, size)
    places = [
        (-wide / 2, 8.0),
        (-wide / 2, -15.0),
        (8.0, -3.0),
        (-8.0 - wide, -3.0),
        (-wide / 2, 17.0),
        (-wide / 2, -24.0),
    ]
    found = [
        Box(min(max(at[0] + dx, box.x + 2), box.x + box.w - wide - 2), at[1] + dy, wide, size) for dx, dy in places
    ]
    inside = [b for b in found if b.y > box.y + 1 and b.top < box.top - 1] or found[:1]
    best = next((b for b in inside if not any(b.meets(other) for other in taken)), inside[0])
    taken.append(best)
    c.setFillGray(1)
    c.rect(best.x - 1, best.y - 1, wide + 2, size, stroke=0, fill=1)
    c.setFillGray(0)
    c.setFont(font, size)
    c.drawString(best.x, best.y + 1, text)


def _end_of(text: str, font: str, size: float, width: float) -> str:
    """As much of an id's end as fits: what tells neighbours apart is mostly there."""
    if stringWidth(text, font, size) <= width:
        return text
    start = next(n for n in range(1, len(text) + 1) if stringWidth(f"…{text[n:]}", font, size) <= width)
    return f"…{text[start:]}"


def _lines(c: Any, lines: tuple[Line, ...], x0: float, y0: float, scale: float) -> None:
    for line in lines:
        path = c.beginPath()
        path.moveTo(x0 + line[0, 0] * scale, y0 + line[0, 1] * scale)
        for east, north in line[1:].tolist():
            path.lineTo(x0 + east * scale, y0 + north * scale)
        c.drawPath(path)


def _scale_bar(c: Any, half: float, scale: float, imperial: bool, box: Box) -> None:
    unit, word = (0.3048, "ft") if imperial else (1.0, "m")
    size = next(n for n in (200, 100, 50, 20, 10) if n * unit <= half or n == 10)
    x, y = box.x + 6, box.y + 6
    long = size * unit * scale
    c.setFillGray(1)  # a limit drawn through the figure would make it unreadable
    c.rect(x - 3, y - 3, max(long, c.stringWidth(f"{size} {word}", PLAIN, 8)) + 6, 16, stroke=0, fill=1)
    c.setFillGray(0)
    c.setLineWidth(1.5)
    c.line(x, y, x + long, y)
    c.setFont(PLAIN, 8)
    c.drawString(x, y + 3, f"{size} {word}")


def heights(c: Any, levels: Levels, imperial: bool, box: Box) -> None:
    """Today and finished, side by side, all heights to one scale, about today's ground."""
    moved = levels.moved if np.isfinite(levels.moved) else 0.0
    known = np.isfinite(levels.now)
    columns = [("today", 0.0, levels.now)] if known else []
    if levels.finals:
        columns += [(_finished(text), moved, moved + final) for text, final in levels.finals if np.isfinite(final)]
    else:
        columns += [("finished, nothing done", moved, moved + levels.undone)] if np.isfinite(levels.undone) else []
    if not columns:
        paragraphs(c, ["No height is known here."], box, 10)
        return
    values = [v for _, ground, flange in columns for v in (ground, flange, ground + levels.low, ground + levels.high)]
    low, high = min(values) - 0.08, max(values) + 0.2
    plot = Box(box.x, box.y + 36, box.w, box.h - 36)
    scale = plot.h / (high - low)
    wide = plot.w / len(columns)
    for k, (title, ground, flange) in enumerate(columns):
        x = plot.x + k * wide
        assumed = levels.basis == "assumed"
        _column(c, Box(x, plot.y, wide, plot.h), [(v - low) * scale for v in (ground, flange)], levels, scale)
        text = words.above(flange - ground, imperial)
        note = "assumed, not measured" if assumed and k == 0 and known else ""
        below = Box(x + 2, box.y, wide - 8, 35)
        paragraphs(c, [title, f"flange {text}", *([note] if note else [])], below, 8, BOLD)
    if known and np.isfinite(levels.moved):
        y = plot.y + (0 - low) * scale
        c.setDash(2, 2)
        c.setLineWidth(0.6)
        c.line(plot.x, y, plot.x + plot.w, y)
        c.setDash()
    unit, word = (0.1524, "6 in") if imperial else (0.1, "100 mm")
    c.setLineWidth(1.5)
    c.line(plot.x + plot.w - 3, plot.top - 4, plot.x + plot.w - 3, plot.top - 4 - unit * scale)
    c.setFont(PLAIN, 7.5)
    c.drawRightString(plot.x + plot.w - 6, plot.top - 6 - unit * scale / 2, word)


def _finished(text: str) -> str:
    return "finished, nothing done" if text == "nothing" else f"finished: {text}"


def _column(c: Any, box: Box, at: list[float], levels: Levels, scale: float) -> None:
    """One state: ground, the owner's window over it in grey, the barrel and its flange. at: ground, flange; points."""
    ground, flange = box.y + at[0], box.y + at[1]
    middle = box.x + box.w / 2
    c.saveState()
    c.setFillGray(GREY)
    c.rect(box.x + 8, ground + levels.low * scale, box.w - 16, (levels.high - levels.low) * scale, stroke=0, fill=1)
    c.setFillGray(0)
    c.setLineWidth(2)
    c.line(box.x + 3, ground, box.x + box.w - 3, ground)
    c.setLineWidth(0.5)
    for k in range(int((box.w - 10) / 9)):
        c.line(box.x + 6 + 9 * k, ground, box.x + 2 + 9 * k, max(box.y, ground - 5))
    c.setLineWidth(1)
    c.setFillGray(1)
    top = min(flange + 0.35 * scale, box.top)
    c.rect(middle - 7, box.y, 14, max(0.0, top - box.y), fill=1)
    c.setFillGray(0)
    c.rect(middle - 14, flange - 2, 28, 4, fill=1)
    c.restoreState()
