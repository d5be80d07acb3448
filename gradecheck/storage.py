"""What SQLite keeps in a column and its type does not tell: SQLite lets any value into any column.

OGR makes a number of whatever lies in a column of numbers, "n/a" becomes 0 and 4.5 among whole numbers 4, and says
nothing. Such columns are taken as they are stored instead.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pyarrow as pa

from gradecheck.errors import Finding, InputError, listed
from gradecheck.probability import Ints
from gradecheck.vetting import members

_MAGIC = b"SQLite format 3\x00"
Cells = dict[int, object]
"""Values by the feature's number."""


def as_stored(
    path: Path, shown: str, where: str, layer: str, table: pa.Table, fids: Ints
) -> tuple[pa.Table, tuple[str, ...]]:
    """The table (n rows, one for each of fids (n,)) with every column of numbers that holds other things as text.

    Whole numbers amid which there are fractions become numbers with fractions. Other files come back as they are. And
    what must be said. Raises InputError where such a column belongs to a layer whose rows SQLite does not number.
    """
    # The first column holds the features' numbers.
    columns = {i: f for i, f in enumerate(table.schema) if i and (_is_whole(f) or pa.types.is_floating(f.type))}
    if not columns or not path.is_file() or not _is_sqlite(path):
        packed = [name for name in members(path) if name.lower().endswith(_SUFFIXES)] if columns else []
        return table, tuple(f"{shown}: what {name} holds in its columns of numbers {_UNSEEN}" for name in packed)
    notes = []
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as db:
        for i, field in columns.items():
            try:
                strays = _strays(db, shown, where, layer, field.name, whole=_is_whole(field))
            except sqlite3.Error as error:
                if "no such" not in str(error):  # else it is a layer that OGR makes up, of no table of that name
                    notes.append(f"{shown}: whether column {field.name} holds only numbers {_UNSEEN} ({error})")
                continue
            if any(fid in strays for fid in fids.tolist()):
                table = table.set_column(i, field.name, _mended(table.column(i), fids.tolist(), strays))
    return table, tuple(notes)


_SUFFIXES = (".gpkg", ".sqlite", ".db")
_UNSEEN = "could not be looked at: texts among them count as 0"


def _is_whole(field: pa.Field) -> bool:
    return bool(pa.types.is_integer(field.type))


def _is_sqlite(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(_MAGIC)) == _MAGIC


def _strays(db: sqlite3.Connection, shown: str, where: str, layer: str, column: str, whole: bool) -> Cells:
    """What a column of numbers holds that is none, or not whole where all are said to be."""
    table, name = (f'"{text.replace(chr(34), chr(34) * 2)}"' for text in (layer, column))
    kinds = "('integer', 'null')" if whole else "('integer', 'real', 'null')"
    amiss = f"FROM {table} WHERE typeof({name}) NOT IN {kinds}"
    if not db.execute(f"SELECT count(*) {amiss}").fetchone()[0]:
        return {}
    try:
        found = db.execute(f"SELECT rowid, {name} {amiss}").fetchall()
    except sqlite3.OperationalError:
        found = []
    if not found or any(row is None for row, _ in found):
        examples = listed([str(value) for (value,) in db.execute(f"SELECT {name} {amiss} LIMIT 4")])
        what = f"{shown}: column {column} of {layer}, a view, is of numbers and holds {examples}"
        raise InputError(Finding(f"{where}.layer", what, "mend the values, or make a table of the view"))
    return dict(found)


def _mended(column: pa.ChunkedArray, fids: list[int], strays: Cells) -> pa.Array:
    values = [strays.get(fid, value) for fid, value in zip(fids, column.to_pylist(), strict=True)]
    if all(value is None or isinstance(value, int | float) for value in values):
        return pa.array(values, pa.float64())
    return pa.array([None if v is None else _text(v) for v in values], pa.string())


def _text(value: object) -> str:
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace")
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    return str(value)
