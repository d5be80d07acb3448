"""A page per hydrant, laid out: one page whatever stands on it, large type, black on white. Points, y up."""

from __future__ import annotations

from typing import Any

from gradecheck.decision import Action
from gradecheck.worksheets import typeface, words
from gradecheck.worksheets.drawing import LEADING, Box, heights, locator, one_line, paragraphs, titled, wrapped
from gradecheck.worksheets.picks import Part
from gradecheck.worksheets.sheets import OPENED, Book, Sheet
from gradecheck.worksheets.typeface import BOLD, PLAIN

MARGIN = 34.0
GAP = 4.0
_FIXED = {"head": 56.0, "do": 44.0, "stage": 30.0, "parts": 112.0, "own": 42.0, "standing": 94.0, "fill": 126.0}
_SIGN = 32.0
_MOST_OWN = 110.0
_UNSTATED = (
    "None in the catalogue: from the maker's manual,",
    "flange bolts: ____________",
    "bonnet bolts: ____________",
    "stem nuts: ____________",
)


def part_text(part: Part) -> str:
    """ "2 x barrel gasket, QA-G1"."""
    number = f", {part.number}" if part.number else " (no part number)"
    return f"{part.quantity} x {part.name}{number}"


def sheet_page(c: Any, made: Book, sheet: Sheet, paper: tuple[float, float]) -> None:
    """One sheet on the page that is open; the caller turns the page."""
    whole = Box(MARGIN, MARGIN, paper[0] - 2 * MARGIN, paper[1] - 2 * MARGIN)
    fixed = {**_FIXED, "own": _own_height(sheet, whole.w)}
    middle = whole.h - _SIGN - sum(fixed.values()) - GAP * (len(fixed) + 1)
    top = whole.top
    boxes: dict[str, Box] = {}
    for name, high in (*list(fixed.items())[:2], ("where", middle), *list(fixed.items())[2:], ("sign", _SIGN)):
        boxes[name] = Box(whole.x, top - high, whole.w, high)
        top -= high + GAP
    _head(c, made, sheet, boxes["head"])
    c.setLineWidth(1.6)
    c.rect(boxes["do"].x, boxes["do"].y, boxes["do"].w, boxes["do"].h)
    paragraphs(c, [sheet.do], boxes["do"].inner(), 15, BOLD, least=9)
    left, right = boxes["where"].split(1, 1)
    _where(c, made, sheet, Box(left.x, left.y, left.w - GAP, left.h))
    heights(c, sheet.levels, made.imperial, titled(c, "Heights, to scale (grey: the owner's window)", right))
    _stage(c, sheet, boxes["stage"])
    _parts(c, sheet, boxes["parts"])
    paragraphs(c, _own(sheet), titled(c, "Mind here", boxes["own"]), 9)
    _standing(c, boxes["standing"])
    if sheet.kind == Action.measure.name:
        _measured(c, made, boxes["fill"])
    else:
        _done(c, made, sheet, boxes["fill"])
    _sign(c, made, boxes["sign"])


def _head(c: Any, made: Book, sheet: Sheet, box: Box) -> None:
    tag = Box(box.x + box.w - 170, box.y + 22, 170, box.h - 22)
    c.rect(tag.x, tag.y, tag.w, tag.h, fill=1)
    c.setFillGray(1)
    c.setFont(BOLD, 19)
    c.drawCentredString(tag.x + tag.w / 2, tag.y + 10, words.TITLES[sheet.kind])
    c.setFillGray(0)
    c.setFont(PLAIN, 9)
    c.drawRightString(box.x + box.w, box.y + 8, f"sheet {sheet.number} of {len(made.sheets)} - {made.day.isoformat()}")
    one_line(c, sheet.hydrant_id, Box(box.x, box.top - 24, box.w - 180, 24), 25, BOLD, least=9)
    starts = f"work starts {sheet.starts.isoformat()}" if sheet.starts else "start of work not known"
    one_line(c, sheet.street or "street not known", Box(box.x, box.y + 16, box.w - 180, 14), 13, BOLD)
    one_line(c, f"Job {sheet.job} - {starts}", Box(box.x, box.y + 3, box.w - 180, 12), 10)


def _where(c: Any, made: Book, sheet: Sheet, box: Box) -> None:
    inside = titled(c, "Where (dashed: limits of work)", box)
    near = [
        f"{words.away(n.distance, made.imperial)} {words.compass(n.east, n.north)}: {n.hydrant_id}"
        for n in sheet.neighbours
    ]
    lines = [
        *([f"Station: {sheet.station}"] if sheet.station else []),
        f"{sheet.latitude:.6f}, {sheet.longitude:.6f} (latitude, longitude); row {sheet.place} of the layer",
        sheet.position,
        "Neighbours, not out together: " + ("; ".join(near) or "none in the layer"),
    ]
    locator(c, sheet.sketch, sheet.hydrant_id, made.imperial, Box(inside.x, inside.y + 56, inside.w, inside.h - 56))
    paragraphs(c, lines, Box(inside.x, inside.y, inside.w, 53), 8.5)


def _stage(c: Any, sheet: Sheet, box: Box) -> None:
    left, right = box.split(2.2, 1)
    paragraphs(c, [sheet.stage], titled(c, "When", left), 9.5, BOLD)
    text = sheet.opens or "________ (not known: look on the bonnet)"
    paragraphs(c, [text], titled(c, "Opens to the", right), 9.5, BOLD)


def _parts(c: Any, sheet: Sheet, box: Box) -> None:
    """What to take along and what comes out; of a hydrant set on site which length to set."""
    left, middle, right = (Box(b.x, b.y, b.w - (GAP if k < 2 else 0), b.h) for k, b in enumerate(box.split(1.2, 1, 1)))
    if sheet.kind not in OPENED:
        nothing = ["Nothing: no part is put in or taken out.", f"Fitted already: {sheet.fitted}."]
        paragraphs(c, nothing, titled(c, "Take from the store", left), 9.5)
    else:
        several = sum(p.length is not None for p in sheet.load) > 1
        both = ["For either choice; bring back what is not set:"] if sheet.rule and sheet.load else []
        both = ["Take both lengths; bring one back:"] if both and several else both
        lines = [*both, *(part_text(p) for p in sheet.load)] or ["Nothing from the store."]
        lines += [f"Take out: {sheet.out}.", f"Fitted already: {sheet.fitted}."]
        paragraphs(c, lines, titled(c, "Take from the store", left), 9.5, BOLD)
    if sheet.rule:
        rule = ["Flange height over the staked grade before anything is done (minus: below it):", *sheet.rule]
        paragraphs(c, rule, titled(c, "Which length", middle), 9)
    else:
        paragraphs(c, list(sheet.tools), titled(c, "Tools", middle), 9)
    checks = list(sheet.checks or _UNSTATED) if sheet.kind in OPENED else ["None: nothing is opened."]
    if sheet.rule:
        checks = [*checks, "Tools: " + "; ".join(sheet.tools)]
    paragraphs(c, checks, titled(c, "Check values, tools" if sheet.rule else "Check values", right), 8.5)


def _own_height(sheet: Sheet, width: float) -> float:
    """Room for all that is special about a hydrant in small type; the picture gives way, to a limit."""
    lines = sum(len(wrapped(typeface.printable(t), PLAIN, 8, width - 10)) for t in _own(sheet))
    return min(max(_FIXED["own"], 18 + lines * 8 * LEADING), _MOST_OWN)


def _own(sheet: Sheet) -> list[str]:
    """What is special about this hydrant, the reviewer's word first."""
    reviewed = [f"By review, not as computed. {sheet.note}"] if sheet.reviewed else []
    noted = [f"Note: {sheet.note}"] if sheet.note and not sheet.reviewed else []
    shown = (sheet.hydrant_id, sheet.street, sheet.job, sheet.note, *(n.hydrant_id for n in sheet.neighbours))
    coded = any("<U+" in typeface.printable(t) for t in shown)
    codes = ["Characters that cannot be printed are shown by their code <U+...>."] if coded else []
    return [*reviewed, *noted, *sheet.cautions, *codes] or ["Nothing special."]


def _standing(c: Any, box: Box) -> None:
    inside = titled(c, "On every sheet", box)
    half = (len(words.STANDING) + 1) // 2
    for part, texts in zip(inside.split(1, 1), (words.STANDING[:half], words.STANDING[half:]), strict=True):
        paragraphs(c, [f"- {t}" for t in texts], Box(part.x, part.y, part.w - 6, part.h), 9)


def _done(c: Any, made: Book, sheet: Sheet, box: Box) -> None:
    """Boxes for before and after, and for the time out of service."""
    unit = "in" if made.imperial else "mm"
    left, right = box.split(1.15, 1)
    left = Box(left.x, left.y, left.w - GAP, left.h)
    rows = [f"Flange height, {unit}", f"Outlet height, {unit}", "Drain works", "Leaks", "Valve box", "Photo no."]
    _grid(c, left, ["", "Before", "After"], rows, 0.44)
    if sheet.kind in OPENED:
        lines = ["Out of service", "Back in service", "Fire dept told, out", "Fire dept told, back"]
        heads = ["", "Date, time", "By"]
    else:
        lines, heads = ["Done"], ["", "Date, time", "By"]
    lines += [f"Length put in ({unit}), part", f"Length taken out ({unit})"] if sheet.kind in OPENED else ["Note"]
    _grid(c, right, heads, lines, 0.42)


def _measured(c: Any, made: Book, box: Box) -> None:
    """Boxes of a measurement: one of each."""
    unit, elevation = ("in", "ft") if made.imperial else ("mm", "m")
    left, right = box.split(1, 1)
    left = Box(left.x, left.y, left.w - GAP, left.h)
    rows = [f"Flange height, {unit}", f"Outlet height, {unit}", f"Extension fitted, {unit}"]
    _grid(c, left, ["", "Measured"], rows, 0.5)
    _grid(c, right, ["", "Measured"], [f"Flange elevation, {elevation}", "Date", "Photo no., note"], 0.5)


def _grid(c: Any, box: Box, heads: list[str], rows: list[str], first: float) -> None:
    """A form: labels in the first column, boxes to write in."""
    high = (box.h - 13) / len(rows)
    wide = box.w * (1 - first) / (len(heads) - 1)
    c.setLineWidth(0.8)
    c.rect(box.x, box.y, box.w, box.h)
    c.setFont(BOLD, 8.5)
    for k, head in enumerate(heads[1:]):
        x = box.x + box.w * first + k * wide
        c.line(x, box.y, x, box.top)
        c.drawString(x + 3, box.top - 10, head)
    for k, text in enumerate(rows):
        y = box.top - 13 - k * high
        c.line(box.x, y, box.x + box.w, y)
        one_line(c, text, Box(box.x + 4, y - high / 2 - 3, box.w * first - 6, high), 9.5)


def _sign(c: Any, made: Book, box: Box) -> None:
    c.setFont(PLAIN, 8.5)
    c.drawString(box.x, box.top - 8, f"{made.flange} Heights are rounded to {'1/4 in' if made.imperial else '5 mm'}.")
    c.setLineWidth(0.8)
    c.setFont(PLAIN, 9.5)
    for share, text in ((0.0, "Signature"), (0.62, "Date")):
        x = box.x + share * box.w
        c.drawString(x, box.y + 4, text)
        c.line(x + 50, box.y + 2, x + (0.58 if share == 0.0 else 0.38) * box.w, box.y + 2)
