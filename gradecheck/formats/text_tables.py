"""Delimited text as people's spreadsheets save it: byte-order marks, semicolons with decimal commas, blank rows."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from gradecheck.errors import Finding, InputError

_DELIMITERS = ",;\t|"
_MOST_COLUMNS = 2000
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+\.\d+")
_GROUPED_COMMA = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+,\d+")
_THREE = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")
_FRACTION = re.compile(r"([+-]?)(?:(\d+)[ -]+)?(\d+)/(\d+)")


@dataclass(frozen=True, slots=True)
class TextTable:
    """A table of text cells.

    shown: the file's name for people. columns: as in its first row, trimmed, lower case. rows: the line in the file,
    from 1, and the trimmed cells, as many as columns; rows without any text are left out. comma: numbers in it are
    written with a decimal comma.
    """

    shown: str
    columns: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    comma: bool = False

    def cells(self, name: str) -> tuple[str, ...]:
        """The texts of a column, blank throughout where there is none of that name."""
        if name not in self.columns:
            return ("",) * len(self.rows)
        at = self.columns.index(name)
        return tuple(cells[at] for _, cells in self.rows)


def read_text_table(
    path: Path, shown: str, where: str, known: Sequence[str], encoding: str | None = None, *, alone: bool = False
) -> TextTable:
    """A table of delimited text whose columns are among others the `known` ones.

    where: whose path it is, for messages. encoding: the default is UTF-8, or UTF-16 with its mark. alone: the plan
    cannot state it. Raises InputError.
    """
    text = _text(path, shown, where, encoding, alone)
    head = next((line for line in text.splitlines() if line.strip(" \t,;|")), "")
    delimiter = max(_DELIMITERS, key=lambda d: (_known(head, d, known), head.count(d)))
    try:
        rows = _rows(text, delimiter)
    except csv.Error as error:
        raise InputError(Finding(shown, f"cannot be read as a table ({error})", "save it again as CSV UTF-8")) from None
    if not rows:
        raise InputError(Finding(shown, "is empty", "the first row names the columns"))
    columns = tuple(cell.lower() for cell in rows[0][1])[:_MOST_COLUMNS]
    twice = sorted({c for c in columns if c in known and columns.count(c) > 1})
    if twice:
        raise InputError(Finding(shown, f"has several columns {', '.join(twice)}", "leave one of each"))
    width = len(columns)
    body = tuple((line, (*cells, *[""] * width)[:width]) for line, cells in rows[1:])
    comma = delimiter != "," and any(_COMMA.fullmatch(cell) for _, cells in body for cell in cells)
    return TextTable(shown, columns, body, comma)


_SWALLOWED = 3
"""Delimiters in a text of several lines from which on it is rows that a quotation mark has swallowed."""


def _known(head: str, delimiter: str, known: Sequence[str]) -> int:
    cells = {cell.strip(" \"'").lower() for cell in head.split(delimiter)}
    return len(cells & set(known))


def _rows(text: str, delimiter: str) -> list[tuple[int, tuple[str, ...]]]:
    """Rows with text in them, the line that each begins in."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows, line = [], 1
    for cells in _each(reader):
        trimmed = tuple(cell.strip() for cell in cells)
        if any(cell.count(delimiter) >= _SWALLOWED and "\n" in cell for cell in trimmed):
            raise csv.Error(f"a quotation mark of line {line} is not closed: rows after it are taken for one text")
        if any(trimmed):
            rows.append((line, trimmed))
        line = reader.line_num + 1
    return rows


def _each(reader: Iterable[list[str]]) -> Iterator[list[str]]:
    try:
        yield from reader
    except csv.Error as error:
        if "field limit" not in str(error):
            raise
        limit = f"a cell has more than {csv.field_size_limit():,} letters; is a quotation mark not closed?"
        raise csv.Error(limit) from None


def _text(path: Path, shown: str, where: str, encoding: str | None, alone: bool) -> str:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(Finding(where, f"no such file: {shown}", "check the path")) from None
    except OSError as error:
        raise InputError(Finding(where, f"{shown} cannot be read ({error.strerror})", "check the path")) from None
    marked = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    try:
        text = data.decode("utf-16" if marked else encoding or "utf-8-sig")
    except LookupError:
        raise InputError(Finding(where, f"{encoding!r} is no encoding", 'such as "cp1252"')) from None
    except UnicodeError:
        mend = 'save it as "CSV UTF-8"'
        if not alone:
            mend += ', or state its encoding in [measurements], such as encoding = "cp1252"'
        raise InputError(Finding(shown, f"text is not {encoding or 'UTF-8'}", mend)) from None
    if "\0" in text:
        raise InputError(Finding(shown, "is no text", "save the table as CSV UTF-8"))
    return text.removeprefix("\ufeff")


def number(text: str, comma: bool = False) -> float:
    """The number that a cell holds: plain, with a decimal comma, grouped, or a fraction as crews write it.

    comma: the table writes decimal commas. Raises ValueError, in words, where there is none or it may mean two.

    >>> number("4.25"), number("4,25"), number("4 1/4"), number("1,319.85"), number("1.319,85", comma=True)
    (4.25, 4.25, 4.25, 1319.85, 1319.85)
    >>> number("1,319")
    Traceback (most recent call last):
        ...
    ValueError: '1,319' may be a decimal comma or thousands
    """
    text = text.strip()
    if _THREE.fullmatch(text) and ("," in text) != comma:
        raise ValueError(f"{text!r} may be a decimal comma or thousands")
    if _PLAIN.fullmatch(text):
        value = float(text)
    elif _COMMA.fullmatch(text):
        value = float(text.replace(",", "."))
    elif _GROUPED.fullmatch(text):
        value = float(text.replace(",", ""))
    elif _GROUPED_COMMA.fullmatch(text):
        value = float(text.replace(".", "").replace(",", "."))
    elif (parts := _FRACTION.fullmatch(text)) and 0 < int(parts[4]) <= 64 and int(parts[3]) < int(parts[4]):
        value = float(parts[2] or 0) + int(parts[3]) / int(parts[4])
        value = -value if parts[1] == "-" else value
    else:
        raise ValueError(f"{text!r} is no number")
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is no number")
    return value
