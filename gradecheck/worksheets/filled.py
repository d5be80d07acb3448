"""What people filled into the forms of a former run: nobody's handwriting is written over."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Filled:
    """Rows of a former form that have something filled in, as they stand, in their order.

    rows: by hydrant. strange: the file is there and is not laid out as ours (a spreadsheet saved it otherwise, or units
    changed), so that it must be kept whole.
    """

    rows: dict[str, list[list[str]]] = field(default_factory=dict)
    strange: bool = False


def read_filled(path: Path, head: tuple[str, ...], units: tuple[str, ...] | None, to_fill: tuple[str, ...]) -> Filled:
    """The filled rows of a form. head: its columns; units: its second row, None for none; to_fill: those that count."""
    if not path.is_file():
        return Filled()
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            table = list(csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error):
        return Filled(strange=True)
    first = 1 if units is None else 2
    if not table or [tuple(row) for row in table[:first]] != [head, *([units] if units is not None else [])]:
        return Filled(strange=bool(table))
    columns = [head.index(name) for name in to_fill]
    found: dict[str, list[list[str]]] = {}
    for row in table[first:]:
        if len(row) != len(head):
            return Filled(strange=True)
        if any(row[k].strip() for k in columns):
            found.setdefault(row[0], []).append(row)
    return Filled(found)
