"""The typeface of the sheets, embedded in every file, and what it can show. Ships in `fonts/`, with its licence."""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from importlib.resources import files
from io import BytesIO

from reportlab.pdfbase.pdfmetrics import registerFont
from reportlab.pdfbase.ttfonts import TTFont

PLAIN, BOLD = "DejaVuSansCondensed", "DejaVuSansCondensed-Bold"
"""Names of the faces, and of their files."""

_ALIKE = str.maketrans({"\u2010": "-", "\u2011": "-", "\u2212": "-", "\u2032": "'", "\u2033": '"'})
"""Signs that differ by their code alone: how a hyphen was typed is nothing to a crew."""
_LETTERS = re.compile(r"[^\W\d_]+")


@cache
def load() -> frozenset[str]:
    """Make both faces known to the PDF library, once; the characters that both can show."""
    shown = []
    for name in (PLAIN, BOLD):
        content = (files("gradecheck.worksheets") / "fonts" / f"{name}.ttf").read_bytes()
        font = TTFont(name, BytesIO(content))
        registerFont(font)
        shown.append({chr(code) for code in font.face.charToGlyph})
    return frozenset(c for c in shown[0] & shown[1] if c.isprintable())


def tidy(text: str) -> str:
    """On one line, accents joined to their letters.

    >>> tidy("a \\n b"), len(tidy("e\\u0301"))
    ('a b', 1)
    """
    return unicodedata.normalize("NFC", " ".join(text.split()))


def printable(text: str) -> str:
    """Text as the typeface shows it: any other character by its code, so that nothing is lost in silence.

    Latin, Greek and Cyrillic letters are shown. What is written from right to left, or joins its letters, is not:
    the PDF library would set it in the wrong order. In a word of Latin letters a letter of another alphabet stands
    by its code: it would be taken for the Latin one that looks like it.

    >>> printable("ulica Żółta é"), printable("улица Мира, Οδός 7"), printable("QH\\u2212" + chr(0x1F525))
    ('ulica Żółta é', 'улица Мира, Οδός 7', 'QH-<U+1F525>')
    >>> printable("W\\u041d-7"), printable("\\u05d0")
    ('W<U+041D>-7', '<U+05D0>')
    """
    plain = _LETTERS.sub(_one_alphabet, tidy(text).translate(_ALIKE))
    return "".join(c if c in load() else _code(c) for c in plain)


def _one_alphabet(word: re.Match[str]) -> str:
    """A word in which Latin letters meet Greek or Cyrillic ones: the latter by their code."""
    if word[0].isascii():
        return word[0]
    names = [unicodedata.name(c, "") for c in word[0]]
    if not any(name.startswith("LATIN") for name in names):
        return word[0]
    foreign = [name.startswith(("GREEK", "CYRILLIC")) for name in names]
    return "".join(_code(c) if is_foreign else c for c, is_foreign in zip(word[0], foreign, strict=True))


def _code(character: str) -> str:
    return f"<U+{ord(character):04X}>"
