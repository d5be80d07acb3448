"""The GeoPackage: layers, what their columns mean, how they look, what they were made from.

GDAL writes the layers; the standard's own tables for column descriptions and metadata, and the style table
that desktop GIS look for, are added with sqlite3. The file is made aside; `pipeline` moves it into place.
"""

from __future__ import annotations

import itertools
import json
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio.raw
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError

from gradecheck.assessment import Assessment
from gradecheck.errors import Finding, OutputError
from gradecheck.outputs import analyst, columns
from gradecheck.outputs.basis import basis_pieces
from gradecheck.outputs.supports import TITLES, supports
from gradecheck.surroundings import Surroundings

_SCHEMA = "http://www.geopackage.org/spec121/#extension_schema"
_METADATA = "http://www.geopackage.org/spec121/#extension_metadata"

LAYERS = {
    "hydrants": "Hydrants: grade change, decision and reason",
    "rejected": "Rows that cannot be worked on, with the reason",
    **TITLES,
    "confirmed": "What stands at each hydrant after construction",
    "order": "Parts to order",
    "options": "Choices that may be right where it is not decided",
    "review_kept": "Review edits of hydrants that are no longer in the layer",
    "order_basis": "What the order is totalled from; for the program, not to be edited",
}

# Table definitions of the GeoPackage 1.4 Encoding Standard (OGC 12-128r19), Schema and Metadata extensions.
_DDL = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, md_scope TEXT NOT NULL DEFAULT 'dataset',
  md_standard_uri TEXT NOT NULL, mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE gpkg_metadata_reference (
  reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), md_file_id INTEGER NOT NULL,
  md_parent_id INTEGER, CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT, f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256),
  f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN,
  description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')));
"""

WRITE_ERRORS = (DataSourceError, DataLayerError, sqlite3.Error, OSError)
"""What a GeoPackage that cannot be written raises."""


def write_layers(a: Assessment, around: Surroundings, path: Path, metadata: dict[str, Any]) -> None:
    """A new GeoPackage at `path`, which must not exist. Raises OutputError."""
    unit = a.inputs.plan.output.unit
    crs = a.inputs.hydrants.crs.to_wkt()
    try:
        rows = {"hydrants": len(a), "order_basis": len(a)}
        # The layers of a row a hydrant a piece at a time: all of them at once is the most that a run would hold.
        point = point_type(a.inputs.hydrants.geometry)
        write_table(path, "hydrants", _Flowing(columns.hydrants_pieces(a)), point, crs)
        for name, table, kind in _others(a, around):
            write_table(path, name, table, kind, crs if kind else None)
            rows[name] = table.num_rows
        write_table(path, "order_basis", _Flowing(basis_pieces(a)), None, None)
        with sqlite3.connect(path) as db:
            _describe(db, unit, metadata)
            lost = [n for n, count in rows.items() if db.execute(f'SELECT count(*) FROM "{n}"').fetchone() != (count,)]
        db.close()
        if lost:  # what is written is counted: not every failure of a disk is told
            raise OSError(f"rows of {', '.join(lost)} are lost")
    except WRITE_ERRORS as error:
        raise OutputError(Finding(path.name, f"could not be written ({error})", "check the space and rights")) from None


def write_parquet(a: Assessment, path: Path) -> None:
    """The layer `hydrants` as GeoParquet 1.1, with the same rows and columns. Raises OutputError."""
    points = a.inputs.hydrants.geometry
    kind = point_type(points)
    column: dict[str, Any] = {"encoding": "WKB", "crs": a.inputs.hydrants.crs.to_json_dict()}
    column["geometry_types"] = [] if kind == "Unknown" else [kind]
    if kind == "Point":
        column["bbox"] = shapely.total_bounds(points).tolist()
    about = {"version": "1.1.0", "primary_column": columns.GEOMETRY, "columns": {columns.GEOMETRY: column}}
    said = {b"geo": json.dumps(about).encode()}

    def as_standard(rows: slice, table: pa.Table) -> pa.Table:
        wkb = pa.array(shapely.to_wkb(points[rows], flavor="iso").tolist(), pa.binary())  # the only one that it allows
        table = table.set_column(table.column_names.index(columns.GEOMETRY), columns.GEOMETRY, wkb)
        return table.replace_schema_metadata({**said, **(table.schema.metadata or {})})

    pieces = map(as_standard, columns.pieces(len(a)), columns.hydrants_pieces(a))
    first = next(pieces)
    try:
        with pq.ParquetWriter(path, first.schema) as file:
            for table in itertools.chain([first], pieces):
                file.write_table(table)
    except (OSError, pa.ArrowException) as error:
        raise OutputError(Finding(path.name, f"could not be written ({error})", "check the space and rights")) from None


def tables(a: Assessment, around: Surroundings) -> Iterator[tuple[str, pa.Table, str | None]]:
    """The layers that people use: name, rows, type of their geometry (last, as WKB) or None."""
    yield "hydrants", columns.hydrants_table(a), point_type(a.inputs.hydrants.geometry)
    yield from _others(a, around)


def _others(a: Assessment, around: Surroundings) -> Iterator[tuple[str, pa.Table, str | None]]:
    yield "rejected", columns.rejected_table(a), "Unknown"
    for support in supports(a, around):
        yield support.name, support.table, support.kind
    yield "order", columns.order_table(a.order, a.inputs.plan.output.unit), None
    yield "options", columns.options_table(a), None
    yield "review_kept", columns.kept_table(a), None


def point_type(points: NDArray[Any]) -> str:
    """ "Point" or "Point Z" where that is true of every point."""
    z = shapely.has_z(points)
    if shapely.has_m(points).any() or (z.any() and not z.all()):
        return "Unknown"  # no one name fits, and a forced one would make up a height of 0
    return "Point Z" if z.any() else "Point"


class _Flowing:
    """Tables that are made while they are written, as one stream of rows. What their maker raises is kept in `raised`:
    on its way through a stream it would become an error of writing."""

    def __init__(self, tables: Iterator[pa.Table]) -> None:
        first = next(tables)
        self.raised: list[BaseException] = []
        self._reader = pa.RecordBatchReader.from_batches(first.schema, self._batches(first, tables))

    def _batches(self, first: pa.Table, rest: Iterator[pa.Table]) -> Iterator[pa.RecordBatch]:
        try:
            for table in itertools.chain([first], rest):
                yield from table.combine_chunks().to_batches()
        except (Exception, KeyboardInterrupt) as error:
            self.raised.append(error)
            raise

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        return self._reader.__arrow_c_stream__(requested_schema)


def write_table(path: Path, layer: str, rows: pa.Table | _Flowing, geometry_type: str | None, crs: str | None) -> None:
    """A new layer or table of a GeoPackage. Raises what pyogrio raises."""
    spatial = {"geometry_name": columns.GEOMETRY} if geometry_type else {}
    options = {"FID": "fid", "DESCRIPTION": LAYERS[layer], "IDENTIFIER": layer}
    if geometry_type:
        options["GEOMETRY_NAME"] = columns.GEOMETRY
    try:
        pyogrio.raw.write_arrow(
            rows,
            path,
            layer=layer,
            driver="GPKG",
            geometry_type=geometry_type,
            crs=crs,
            layer_options=options,
            **spatial,
        )
    except Exception:
        if isinstance(rows, _Flowing) and rows.raised:
            raise rows.raised[0] from None
        raise


def _describe(db: sqlite3.Connection, unit: str, metadata: dict[str, Any]) -> None:
    db.executescript(_DDL)
    text = json.dumps(metadata, indent=1, ensure_ascii=False)
    db.execute(
        "INSERT INTO gpkg_metadata (id, md_scope, md_standard_uri, mime_type, metadata) VALUES (1,'dataset',?,?,?)",
        ("https://www.rfc-editor.org/rfc/rfc8259", "application/json", text),
    )
    db.execute("INSERT INTO gpkg_metadata_reference (reference_scope, md_file_id) VALUES ('geopackage', 1)")
    extensions = [
        (table, None, name, url, "read-write")
        for name, url, tables in (
            ("gpkg_schema", _SCHEMA, ("gpkg_data_columns", "gpkg_data_column_constraints")),
            ("gpkg_metadata", _METADATA, ("gpkg_metadata", "gpkg_metadata_reference")),
        )
        for table in tables
    ]
    db.executemany("INSERT INTO gpkg_extensions VALUES (?,?,?,?,?)", extensions)
    # Listed as contents: the common reader of styles only sees tables that are.
    db.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description)"
        " VALUES ('layer_styles', 'attributes', 'layer_styles', 'How the layers look')"
    )
    analyst.dress(db, unit)


def held_open(path: Path) -> str | None:
    """Why an existing GeoPackage must not be replaced now: who has it open, or None."""
    if not path.exists():
        return None
    for suffix in ("-wal", "-journal", "-shm"):
        if Path(f"{path}{suffix}").exists():
            return f"{path.name}{suffix} is there: a program has the file open or was cut short while writing"
    try:
        db = sqlite3.connect(f"file:{path.as_posix()}?mode=rw", uri=True, timeout=0.5)
        try:
            db.execute("BEGIN EXCLUSIVE")
            db.rollback()
        finally:
            db.close()
    except sqlite3.OperationalError as error:
        return f"another program has it open ({error})"
    except sqlite3.DatabaseError:
        return None  # not a database: an older half-written file, to be replaced
    return None


def rewrite_order(
    package: Path, table: pa.Table, ids: Sequence[str], firm: Sequence[bool], changed: Sequence[str | None]
) -> None:
    """Put another order into a GeoPackage of ours: the layer `order`, and what the review makes of its hydrants.

    ids, firm, changed: hydrant by hydrant. Raises OutputError.
    """
    try:
        db = sqlite3.connect(package)
        _add_functions(db)
        try:
            with db:
                _replace_rows(db, "order", table)
                db.executemany(
                    "UPDATE hydrants SET firm = ?, review_changed = ? WHERE hydrant_id = ?"
                    " AND (firm IS NOT ? OR review_changed IS NOT ?)",
                    [(int(f), c, i, int(f), c) for i, f, c in zip(ids, firm, changed, strict=True)],
                )
        finally:
            db.close()
    except sqlite3.Error as error:
        raise OutputError(
            Finding(package.name, f"could not be written ({error})", "check the space and rights")
        ) from None


def _add_functions(db: sqlite3.Connection) -> None:
    """The functions that the triggers of a spatial index call (GeoPackage Encoding Standard, annex F.3)."""

    def bounds(blob: bytes | None) -> tuple[float, float, float, float] | None:
        if not blob:
            return None
        envelope = (0, 32, 48, 48, 64)[blob[3] >> 1 & 7]
        shape = shapely.from_wkb(blob[8 + envelope :])
        return None if shape.is_empty else shape.bounds

    db.create_function("ST_IsEmpty", 1, lambda blob: int(bounds(blob) is None), deterministic=True)
    for name, at in (("ST_MinX", 0), ("ST_MinY", 1), ("ST_MaxX", 2), ("ST_MaxY", 3)):
        db.create_function(name, 1, lambda blob, at=at: (bounds(blob) or (None,) * 4)[at], deterministic=True)


def _replace_rows(db: sqlite3.Connection, layer: str, table: pa.Table) -> None:
    names = table.column_names
    columns, marks = ", ".join(f'"{n}"' for n in names), ", ".join("?" * len(names))
    db.execute(f'DELETE FROM "{layer}"')
    rows = [tuple(row.values()) for row in table.to_pylist()]
    db.executemany(f'INSERT INTO "{layer}" ({columns}) VALUES ({marks})', rows)
    db.execute(
        "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now') WHERE table_name = ?", (layer,)
    )
    db.execute("UPDATE gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?", (len(rows), layer))
