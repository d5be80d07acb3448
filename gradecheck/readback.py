"""A GeoPackage of a former run read back: the edits in it, and what its order rests on."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyogrio.raw
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FieldError
from pyproj import CRS

from gradecheck.errors import Finding, InputError
from gradecheck.review import Edit, since
from gradecheck.units import METRES

PACKAGE = "gradecheck.gpkg"
_LENGTH = "review_extension_"
_READ_ERRORS = (DataSourceError, DataLayerError, FieldError, sqlite3.Error, OSError, ValueError, pa.ArrowInvalid)


@dataclass(frozen=True, slots=True)
class Former:
    """What a former run left: edits with their places in `crs`, and what was remembered beside the layer."""

    edits: tuple[Edit, ...] = ()
    crs: CRS | None = None
    metadata: Mapping[str, Any] = field(default_factory=dict)


def read_former(package: Path, shown: str) -> Former:
    """The edits in a GeoPackage of ours, those of vanished hydrants too; none where there is no such file.

    Raises InputError where the file is there and cannot be read: edits in it would be lost.
    """
    if not package.is_file() or not _is_database(package):
        return Former()
    try:
        names = [str(n) for n in pyogrio.list_layers(package)[:, 0]]
        if "hydrants" not in names:
            return Former()
        metadata = read_metadata(package)
        _check_lengths(package, shown)
        about = pyogrio.read_info(package, layer="hydrants")
        # Most rows have no edit, and all of a large layer would take gigabytes.
        edited = [f'"{n}" IS NOT NULL' for n in about["fields"] if _is_edit(n)] or ["0"]
        meta, rows = pyogrio.raw.read_arrow(package, layer="hydrants", where=" OR ".join(edited))
        kept = pyogrio.raw.read_arrow(package, layer="review_kept")[1] if "review_kept" in names else None
    except _READ_ERRORS as error:
        what = f"the former {shown} cannot be read, and review edits in it would be lost ({_short(error)})"
        raise InputError(Finding(shown, what, "mend or move it, or choose another output folder")) from None
    remembered = metadata.get("review", {})
    geometry = meta.get("geometry_name") or "wkb_geometry"
    edits = [since(edit, remembered) for edit in edits_in(rows, geometry)]
    vanished = metadata.get("review_kept", {})
    edits += [since(edit, vanished) for edit in (edits_in(kept, "") if kept is not None else [])]
    return Former(tuple(edits), CRS.from_user_input(meta["crs"]) if meta.get("crs") else None, metadata)


def _is_edit(column: str) -> bool:
    return column in ("review_action", "review_note") or column.startswith(_LENGTH)


def _check_lengths(package: Path, shown: str) -> None:
    """Raises InputError where an edited length is no number: SQLite lets a text stand there, and OGR reads it as 0."""
    with closing(sqlite3.connect(f"file:{package.as_posix()}?mode=ro", uri=True, timeout=2)) as db:
        columns = [row[1] for row in db.execute("PRAGMA table_info(hydrants)") if row[1].startswith(_LENGTH)]
        for name in columns:
            test = f"typeof(\"{name}\") NOT IN ('integer', 'real', 'null')"
            found = db.execute(f'SELECT hydrant_id, "{name}" FROM hydrants WHERE {test} LIMIT 5').fetchall()
            if found:
                rows = ", ".join(f"{who}: {value!r}" for who, value in found)
                mend = f"write it as a number of {name.removeprefix(_LENGTH)}"
                raise InputError(Finding(shown, f"{name} of a reviewed hydrant is no number ({rows})", mend))


def _is_database(package: Path) -> bool:
    """Whether a file begins as a GeoPackage does; what does not holds no edits."""
    try:
        with package.open("rb") as file:
            return file.read(16) == b"SQLite format 3\0"
    except OSError:
        return False


def read_metadata(package: Path) -> dict[str, Any]:
    """What a run wrote of its making; empty where there is none."""
    db = sqlite3.connect(f"file:{package.as_posix()}?mode=ro", uri=True, timeout=2)
    try:
        row = db.execute("SELECT metadata FROM gpkg_metadata WHERE mime_type = 'application/json'").fetchone()
    except sqlite3.OperationalError:
        return {}
    finally:
        db.close()
    found = json.loads(row[0]) if row else {}
    return found if isinstance(found, dict) else {}


def read_table(package: Path, layer: str) -> pa.Table:
    """The rows of a layer without geometry, in the order of their numbers."""
    return pyogrio.raw.read_arrow(package, layer=layer, read_geometry=False)[1]


def edits_in(rows: pa.Table, geometry: str) -> list[Edit]:
    """The edits in rows of `hydrants` or `review_kept`; geometry: the column of WKB with their places."""
    names = rows.column_names
    lengths = [n for n in names if n.startswith(_LENGTH)]
    if not lengths or "review_note" not in names or "hydrant_id" not in names:
        return []
    unit = lengths[0].removeprefix(_LENGTH)
    column = {n: rows.column(n).to_pylist() for n in names if n != geometry}
    blank = [None] * rows.num_rows
    action, note, length = column["review_action"], column["review_note"], column[lengths[0]]
    rows_with = [i for i in range(rows.num_rows) if _text(action[i]) or _text(note[i]) or length[i] is not None]
    points = shapely.from_wkb(np.array(rows.column(geometry).to_pylist(), dtype=object)) if geometry in names else None
    x, y = column.get("x", blank), column.get("y", blank)
    edits = []
    for i in rows_with:
        place = (shapely.get_x(points[i]), shapely.get_y(points[i])) if points is not None else (x[i], y[i])
        edits.append(
            Edit(
                hydrant_id=str(column["hydrant_id"][i]),
                own_id=_own(column.get("cautions", blank)[i], column.get("own_id", blank)[i]),
                x=_number(place[0]),
                y=_number(place[1]),
                action=_text(action[i]),
                extension=_number(length[i]) * METRES[unit],
                note=_text(note[i]),
                computed=(
                    str(column.get("action", blank)[i] or ""),
                    _number(column.get(f"extension_{unit}", blank)[i]) * METRES[unit],
                ),
            )
        )
    return edits


def _own(said: object, stated: object) -> bool:
    if stated is not None:
        return bool(stated)
    codes = str(said or "").split(";")
    return not {"no_id", "repeated_id"} & set(codes)


def _text(value: object) -> str | None:
    return (str(value).strip() or None) if value is not None else None


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else float("nan")


def _short(error: Exception) -> str:
    return str(error).split("\n")[0][:160]
