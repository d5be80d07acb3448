"""Delimited text as OGR is to read it: in UTF-8, looked through for what OGR would pass over in silence."""

from __future__ import annotations

import codecs
import csv
import io
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gradecheck.errors import Finding, InputError, listed

_DELIMITERS = ",;\t|"
_SWALLOWED = 3
"""Delimiters in a text of several lines from which on it is rows that a quotation mark has swallowed."""
_SAVE = 'save the table as "CSV UTF-8"'


@contextmanager
def in_utf8(path: Path, shown: str, where: str, encoding: str | None) -> Iterator[tuple[Path, tuple[str, ...]]]:
    """A delimited text table, as it is where it is UTF-8, else a copy of it that is; and what must be said of it.

    Raises InputError where it is no text, or where rows of it would be lost.
    """
    data = path.read_bytes()
    marked = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    if not marked and data.startswith(b"PK\x03\x04"):
        raise InputError(Finding(f"{where}.path", f"{shown} is no text but a workbook or an archive", _SAVE))
    codec = "utf-16" if marked else encoding or "utf-8"
    try:
        text = data.decode(codec)
    except LookupError:
        raise InputError(Finding(f"{where}.encoding", f"{encoding!r} is no encoding", 'such as "cp1252"')) from None
    except UnicodeDecodeError as error:
        what = f"{shown}: text is not {error.encoding} (byte {error.start})"
        raise InputError(Finding(f"{where}.path", what, 'state its encoding, such as encoding = "cp1252"')) from None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise InputError(Finding(f"{where}.path", f"{shown} is no text: line {line} holds a NUL byte", _SAVE))
    notes = _looked_through(data, codec, shown, where)
    if codecs.lookup(codec).name == "utf-8" or text.encode("utf-8") == data:
        del data, text  # large tables need the room
        yield path, notes
        return
    with tempfile.TemporaryDirectory(prefix="gradecheck-") as folder:
        copy = Path(folder) / path.name
        copy.write_text(text, encoding="utf-8", newline="")
        yield copy, notes


def _lines(data: bytes, codec: str) -> io.TextIOWrapper:
    """The lines of a table one after the other: all of them at once take several times the room."""
    name = codecs.lookup(codec).name
    return io.TextIOWrapper(io.BytesIO(data), "utf-8-sig" if name == "utf-8" else name, newline="")


def _looked_through(data: bytes, codec: str, shown: str, where: str) -> tuple[str, ...]:
    """What must be said of the rows. Raises InputError where some would be lost."""
    head = next((line for line in _lines(data, codec) if line.strip()), "")
    delimiter = max(_DELIMITERS, key=head.count)
    reader = csv.reader(_lines(data, codec), delimiter=delimiter)
    width, line, longer = 0, 1, []
    what = ""
    try:
        for cells in reader:
            if any("\n" in cell and cell.count(delimiter) >= _SWALLOWED for cell in cells):
                what = "a quotation mark is not closed, and rows after it are taken for one text"
                break
            if width and len(cells) > width and any(cell.strip() for cell in cells[width:]):
                longer.append(line)
            width = width or len(cells)
            line = reader.line_num + 1
    except csv.Error as error:
        limit = f"a cell has more than {csv.field_size_limit():,} letters; is a quotation mark not closed?"
        what = limit if "field limit" in str(error) else str(error)
    if what:
        raise InputError(Finding(f"{where}.path", f"{shown} line {line}: {what}", "mend the line"))
    if not longer:
        return ()
    lines = listed(longer)
    return (
        f"{shown}: lines with more cells than there are headings, the last of them passed over: {lines}; a comma in a "
        "text without quotes moves what comes after it into other columns",
    )
