"""What lies in columns of numbers and is none: SQLite and DBF let any value into them.

OGR makes a number of whatever it finds there: "n/a" becomes 0, "6,25" becomes 6, 4.5 among whole numbers 4, and nobody
is told. Such columns are taken as they are stored instead.
"""

from __future__ import annotations

import re
import sqlite3
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path, PurePosixPath

import pyarrow as pa

from gradecheck import dbf
from gradecheck.errors import Finding, InputError, listed
from gradecheck.probability import Ints
from gradecheck.vetting import members

_MAGIC = b"SQLite format 3\x00"
_SQLITE = (".gpkg", ".sqlite", ".db")
_LARGEST = 1 << 30
"""Bytes of a member of an archive that are looked through in memory."""
_UNSEEN = "could not be looked at: texts among them count as 0"
_HALF_READ = re.compile(r"Value '(.*)' of field (.*) parsed incompletely to ")
Cells = dict[int, object]
"""Values by the feature's number."""
Look = Callable[[int, str, bool], Cells]
"""What a column of numbers holds that is none: its place among the attributes, its name, whether all are whole."""


def as_stored(
    path: Path, shown: str, where: str, layer: str, table: pa.Table, fids: Ints, heard: Sequence[str] = ()
) -> tuple[pa.Table, tuple[str, ...]]:
    """The table (n rows, one for each of fids (n,)) with every column of numbers that holds other things as text.

    Whole numbers amid which there are fractions become numbers with fractions. And what must be said. heard: what GDAL
    warned of as it read the table; in files of other kinds only that tells of such values. Raises InputError where they
    are there, or belong to a layer whose rows SQLite does not number.
    """
    # The first column holds the features' numbers.
    columns = {i: f for i, f in enumerate(table.schema) if i and (_is_whole(f) or pa.types.is_floating(f.type))}
    if not columns:
        return table, ()
    notes = []
    with _looking(path, shown, where, layer) as look:
        if isinstance(look, str):
            return table, (look,)
        if look is None:
            _check(shown, where, heard)
            return table, ()
        for i, field in columns.items():
            try:
                strays = look(i - 1, field.name, _is_whole(field))
            except sqlite3.Error as error:
                if "no such" not in str(error):  # else it is a layer that OGR makes up, of no table of that name
                    notes.append(f"{shown}: whether column {field.name} holds only numbers {_UNSEEN} ({error})")
                continue
            if any(fid in strays for fid in fids.tolist()):
                table = table.set_column(i, field.name, _mended(table.column(i), fids.tolist(), strays))
    return table, tuple(notes)


def _check(shown: str, where: str, heard: Sequence[str]) -> None:
    """Raises InputError where GDAL has made numbers of what are none, and nobody else can tell which."""
    halves = [found for found in map(_HALF_READ.search, heard) if found]
    if halves:
        values = listed([f"{found[1]!r} in {found[2].rpartition('.')[2]}" for found in halves])
        what = f"{shown}: in columns of numbers stands what is no number: {values}"
        raise InputError(Finding(f"{where}.path", what, "mend the values, or save the layer as a GeoPackage"))


def _is_whole(field: pa.Field) -> bool:
    return bool(pa.types.is_integer(field.type))


@contextmanager
def _looking(path: Path, shown: str, where: str, layer: str) -> Iterator[Look | str | None]:
    """How the columns of a layer can be looked at; None where its kind of file keeps only numbers; else why not."""
    table = path if path.suffix.lower() == ".dbf" else _beside(path, layer)
    if table is not None:
        yield dbf.Table(table.read_bytes()).strays
    elif path.is_file() and _is_sqlite(path):
        # In the mode that keeps a log SQLite would make files beside it, unless told that nobody writes.
        still = "" if path.with_name(f"{path.name}-wal").exists() else "&immutable=1"
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro{still}", uri=True)) as db:
            yield _of_sqlite(db, shown, where, layer)
    else:
        packed = [n for n in (members(path) if path.is_file() else []) if _is_stored(PurePosixPath(n), layer)]
        yield from _packed(path, shown, where, layer, packed[0]) if packed else [None]


def _is_stored(member: PurePosixPath, layer: str) -> bool:
    return member.suffix.lower() in _SQLITE or (member.suffix.lower() == ".dbf" and member.stem == layer)


def _packed(path: Path, shown: str, where: str, layer: str, name: str) -> Iterator[Look | str]:
    """The same of a member of an archive, which is read and never unpacked to the disk."""
    with zipfile.ZipFile(path) as archive:
        if archive.getinfo(name).file_size > _LARGEST:
            yield f"{shown}: what {name} holds in its columns of numbers {_UNSEEN}"
            return
        content = archive.read(name)
    if name.lower().endswith(".dbf"):
        yield dbf.Table(content).strays
        return
    with closing(sqlite3.connect(":memory:")) as db:
        db.deserialize(content)
        yield _of_sqlite(db, shown, where, layer)


def _beside(path: Path, layer: str) -> Path | None:
    """The DBF table of a shapefile, or of a layer of a folder of them."""
    folder, stem = (path, layer) if path.is_dir() else (path.parent, path.stem)
    if not path.is_dir() and path.suffix.lower() != ".shp":
        return None
    return next((p for p in folder.iterdir() if p.stem == stem and p.suffix.lower() == ".dbf"), None)


def _is_sqlite(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(_MAGIC)) == _MAGIC


def _of_sqlite(db: sqlite3.Connection, shown: str, where: str, layer: str) -> Look:
    def quoted(name: str) -> str:
        return '"' + name.replace('"', '""') + '"'

    def look(_: int, column: str, whole: bool) -> Cells:
        kinds = "('integer', 'null')" if whole else "('integer', 'real', 'null')"
        name = quoted(column)
        amiss = f"FROM {quoted(layer)} WHERE typeof({name}) NOT IN {kinds}"
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

    return look


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
