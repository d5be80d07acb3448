"""The cells of a DBF table as they are stored; a shapefile's attributes are one. Pure: bytes in, values out.

Layout: dBASE III, as in the Esri Shapefile Technical Description and the Library of Congress' format description
fdd000325: a head of 32 bytes, 32 bytes a field, then records of one width, text throughout.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

_HEAD = 32
_END_OF_FIELDS = 0x0D
_NUMBER = r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?"
_WHOLE = r"[+-]?\d+"
_BLANK = r"[\s\x00*]*"
"""What stands for no value: blanks, NULs, stars."""


@dataclass(frozen=True, slots=True)
class _Field:
    name: str
    kind: str
    start: int
    width: int


class Table:
    """A table of n records; what is cut short counts as far as it goes."""

    def __init__(self, content: bytes) -> None:
        self._content, self._count, self._first, self._width = content, 0, 0, 0
        if len(content) >= _HEAD:
            self._count, self._first, self._width = struct.unpack_from("<IHH", content, 4)
        if self._width:
            self._count = min(self._count, max(len(content) - self._first, 0) // self._width)
        self._fields: list[_Field] = []
        at, start = _HEAD, 1  # a record begins with the mark of whether it is deleted
        while at + _HEAD <= min(self._first, len(content)) and content[at] != _END_OF_FIELDS:
            name = content[at : at + 11].split(b"\0")[0].decode("latin-1")
            field = _Field(name, chr(content[at + 11]), start, content[at + 16])
            self._fields.append(field)
            at, start = at + _HEAD, start + field.width

    def strays(self, place: int, name: str, whole: bool) -> dict[int, object]:
        """What a field of numbers holds that is none, or no whole one where all are said to be, by record, from 0.

        place: of the field, or else its name, where fields are not where they are looked for. Numbers come as such.
        """
        named = [field for field in self._fields if field.name == name]
        field = named[0] if len(named) == 1 else self._fields[place] if place < len(self._fields) else None
        if (
            field is None
            or field.kind not in "NF"
            or not field.width
            or field.start + field.width > self._width
            or not self._count
        ):
            return {}
        records = np.frombuffer(self._content, np.uint8, self._count * self._width, self._first)
        cells = np.ascontiguousarray(records.reshape(-1, self._width)[:, field.start : field.start + field.width])
        texts = pa.array(cells.view(f"S{field.width}").ravel(), pa.binary())
        fine = pc.match_substring_regex(texts, rf"^\s*({_WHOLE if whole else _NUMBER})[\s\x00]*$|^{_BLANK}$")
        rows = np.flatnonzero(~fine.to_numpy(zero_copy_only=False))
        return {int(row): _value(texts[int(row)].as_py()) for row in rows}


def _value(cell: bytes) -> object:
    text = cell.decode("utf-8", "backslashreplace").strip(" \t\r\n\0")
    return float(text) if re.fullmatch(_NUMBER, text, re.ASCII) else text
