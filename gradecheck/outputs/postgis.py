"""Results in PostGIS: a table for each layer that people use, in one transaction that nothing survives half done.

Only what a comment of ours marks is ever replaced. Tables whose columns stay the same are filled anew, so that views,
rights and indices of other people's on them stay. Names are quoted by the driver, never by hand.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import shapely
from pyproj import CRS

from gradecheck.assessment import Assessment
from gradecheck.databases import connected, current_database, postgis_schema
from gradecheck.errors import Finding, OutputError, listed
from gradecheck.former import KEY, MARK, RUN, free, ours, read_run, read_tables
from gradecheck.outputs import columns, supports
from gradecheck.outputs.layer import LAYERS, tables
from gradecheck.plan import Plan
from gradecheck.reference import name_of, split
from gradecheck.review import Edit, as_written
from gradecheck.surroundings import Surroundings

if TYPE_CHECKING:
    import psycopg
    from psycopg.sql import Composed
    from sqlalchemy import Connection

_KINDS = {
    pa.bool_(): "boolean",
    pa.int8(): "smallint",
    pa.uint8(): "smallint",
    pa.int16(): "smallint",
    pa.uint16(): "integer",
    pa.int32(): "integer",
    pa.uint32(): "bigint",
    pa.int64(): "bigint",
    pa.uint64(): "numeric(20,0)",
    pa.float16(): "real",
    pa.float32(): "real",
    pa.float64(): "double precision",
    pa.date32(): "date",
    pa.date64(): "date",
    pa.binary(): "bytea",
    pa.large_binary(): "bytea",
}
"""Arrow's types as PostgreSQL spells its own; what is not here is text, but for dates with times."""
_OF_THE_SYSTEM = ("tableoid", "xmin", "cmin", "xmax", "cmax", "ctid")
_LONGEST = 63
"""Bytes of a name; what is longer would be cut without a word."""


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A table to write. columns: name, PostgreSQL's type, meaning ("" for none); rows: of the same order.

    checked: the SRID of geometries whose column cannot state their type, since some have heights and others none.
    """

    name: str
    title: str
    columns: tuple[tuple[str, str, str], ...]
    rows: list[tuple[Any, ...]]
    checked: int | None = None


class Tables:
    """The database of `[output] postgis`, in one transaction: nothing in it stays unless it is committed."""

    def __init__(self, connection: Connection, plan: Plan):
        self._connection = connection
        self._address = str(plan.output.postgis)
        self._schema = plan.output.db_schema

    def write(
        self, a: Assessment, around: Surroundings, metadata: dict[str, Any], known: Sequence[Edit]
    ) -> dict[str, Any]:
        """All tables, not yet committed; what run.json says of them.

        known: the edits in the tables that the run carries over; where others stand there now, nothing is written.
        Raises OutputError.
        """
        postgis = self._ready()
        there = self._taken_over(known)
        sheets = [_sheet(*layer, a, self._srid(a, postgis)) for layer in tables(a, around)]
        free(self._connection, self._schema, [RUN, *(sheet.name for sheet in sheets)], there)
        self._do("SELECT pg_catalog.set_config('search_path', pg_catalog.quote_ident({}), true)", _literal(postgis))
        for sheet in sheets:
            self._put(sheet, there.get(sheet.name))
        for name in set(there) - {sheet.name for sheet in sheets}:
            self._do("DROP TABLE {}", self._named(name))
        said = {sheet.name: [name for name, _, _ in sheet.columns] for sheet in sheets}
        text, kept = json.dumps(metadata, ensure_ascii=False), json.dumps(said, ensure_ascii=False)
        run = (("metadata", "text", "What the tables were made from, as JSON"), ("columns", "text", "Their columns"))
        self._put(
            _Sheet(RUN, "Of which run the tables are; for the program, not to be edited", run, [(text, kept)]), None
        )
        return {
            "address": self._address,
            "schema": self._schema,
            "tables": {sheet.name: len(sheet.rows) for sheet in sheets},
        }

    def commit(self) -> None:
        """Have it all stay. Raises OutputError, by the context that opened it, where the server refuses."""
        self._connection.commit()

    def _ready(self) -> str:
        """The schema made, and nobody else at work on it; where PostGIS is."""
        postgis = postgis_schema(self._connection)
        if postgis is None:
            what = f"PostGIS is not installed in the database {current_database(self._connection)!r} of {self._address}"
            raise OutputError(Finding(KEY, what, "CREATE EXTENSION postgis, or name another database"))
        self._do("SELECT pg_catalog.pg_advisory_xact_lock(pg_catalog.hashtext({}))", _literal(f"{MARK}{self._schema}"))
        with self._cursor() as cursor:
            query = "SELECT FROM pg_catalog.pg_namespace WHERE nspname = %s"
            there = cursor.execute(query, (self._schema,)).fetchone() is not None
        if not there:  # asked first: "if not exists" wants a right to make schemas, even where it makes none
            self._do("CREATE SCHEMA {}", _identifier(self._schema))
        return postgis

    def _taken_over(self, known: Sequence[Edit]) -> dict[str, tuple[int, tuple[str, ...]]]:
        """Tables of a former run, held, with nothing in them that would be lost."""
        there = ours(self._connection, self._schema)
        for name in there:
            self._do("LOCK TABLE {} IN ACCESS EXCLUSIVE MODE", self._named(name))
        now = read_tables(self._connection, self._schema).edits
        told = [{(e.hydrant_id, e.own_id, *as_written(e)) for e in edits} for edits in (now, known)]
        if told[0] != told[1]:
            whose = listed(sorted({str(key[0]) for key in told[0] ^ told[1]}))
            what = f"{self._schema}.hydrants holds review edits that this run did not carry over: {whose}"
            raise OutputError(Finding(KEY, what, "run the plan again, which carries them over"))
        _, made = read_run(self._connection, self._schema) if RUN in there else ({}, {})
        for table, (_, names) in there.items():
            more = [n for n in names if n not in made.get(table, names) and n != "fid"]
            if more:
                what = f"{self._schema}.{table} has columns that no run of gradecheck made: {', '.join(more)}"
                raise OutputError(Finding(KEY, what, "move them to a table of their own, by hydrant_id"))
        return there

    def _put(self, sheet: _Sheet, former: tuple[int, tuple[str, ...]] | None) -> None:
        """A table filled anew where it has the same columns, else made anew."""
        from psycopg import sql

        named = self._named(sheet.name)
        if former is not None and self._same(sheet, former[0]):
            self._do("TRUNCATE {} RESTART IDENTITY", named)
        else:
            if former is not None:
                self._do("DROP TABLE {}", named)
            self._make(sheet)
        fields = sql.SQL(", ").join(sql.Identifier(name) for name, _, _ in sheet.columns)
        with self._cursor() as cursor, cursor.copy(sql.SQL("COPY {} ({}) FROM STDIN").format(named, fields)) as copy:
            for row in sheet.rows:
                copy.write_row(row)
        self._do("ANALYZE {}", named)

    def _make(self, sheet: _Sheet) -> None:
        from psycopg import sql

        named = self._named(sheet.name)
        fields = [sql.SQL("{} {}").format(sql.Identifier(n), sql.SQL(kind)) for n, kind, _ in sheet.columns]
        key = sql.SQL("fid bigint GENERATED BY DEFAULT AS IDENTITY PRIMARY KEY")
        self._do("CREATE TABLE {} ({})", named, sql.SQL(", ").join([key, *fields]))
        self._do("COMMENT ON TABLE {} IS {}", named, _literal(MARK + sheet.title))
        for name, _, meaning in sheet.columns:
            if meaning:
                self._do("COMMENT ON COLUMN {}.{} IS {}", named, _identifier(name), _literal(meaning))
        if sheet.checked is not None:
            geometry = _identifier(columns.GEOMETRY)
            self._do("ALTER TABLE {} ADD CHECK (st_srid({}) = {})", named, geometry, _literal(sheet.checked))
        if any(name == columns.GEOMETRY for name, _, _ in sheet.columns):
            self._do("CREATE INDEX ON {} USING gist ({})", named, _identifier(columns.GEOMETRY))

    def _same(self, sheet: _Sheet, oid: int) -> bool:
        """Whether a table has the columns that it would be made with, in their order, with their meanings."""
        with self._cursor() as cursor:
            found = cursor.execute(
                "SELECT attname, pg_catalog.format_type(atttypid, atttypmod),"
                " coalesce(pg_catalog.col_description(attrelid, attnum), '')"
                " FROM pg_catalog.pg_attribute WHERE attrelid = %s AND attnum > 0 AND NOT attisdropped ORDER BY attnum",
                (oid,),
            ).fetchall()
        return sheet.checked is None and found == [("fid", "bigint", ""), *sheet.columns]

    def _srid(self, a: Assessment, postgis: str) -> int:
        """The number that the database has for the reference system of the layers. Raises OutputError."""
        from psycopg import sql

        crs = split(a.inputs.hydrants.crs)[0] or a.inputs.hydrants.crs
        code = crs.to_authority()
        if code is not None and CRS.from_authority(*code).equals(crs, ignore_axis_order=True):
            query = "SELECT srid FROM {}.spatial_ref_sys WHERE auth_name = %s AND auth_srid::text = %s ORDER BY srid"
            with self._cursor() as cursor:
                row = cursor.execute(sql.SQL(query).format(sql.Identifier(postgis)), code).fetchone()
            if row is not None:
                return int(row[0])
        what = (
            f"the hydrants' reference system {name_of(crs)} has no code that spatial_ref_sys of {self._address} knows"
        )
        raise OutputError(Finding(KEY, what, "give the hydrants in a system with a code, such as EPSG's"))

    def _named(self, name: str) -> Composed:
        from psycopg import sql

        return sql.Composed([sql.Identifier(self._schema, name)])

    def _cursor(self) -> psycopg.Cursor[Any]:
        raw: Any = self._connection.connection.driver_connection
        cursor: psycopg.Cursor[Any] = raw.cursor()
        return cursor

    def _do(self, text: Any, *parts: Any) -> None:
        """A statement of ours, its {} filled by what the driver quotes."""
        from psycopg import sql

        with self._cursor() as cursor:
            cursor.execute(sql.SQL(text).format(*parts))


@contextmanager
def opened(plan: Plan) -> Iterator[Tables | None]:
    """The database that the plan's results go to, None where it names none; rolled back unless it is committed.

    Raises OutputError.
    """
    if plan.output.postgis is None:
        yield None
        return
    with connected(plan.output.postgis, KEY, reading=False, kind=OutputError) as connection:
        yield Tables(connection, plan)


def _identifier(name: str) -> Any:
    from psycopg import sql

    return sql.Identifier(name)


def _literal(value: object) -> Any:
    from psycopg import sql

    return sql.Literal(value)


def _sheet(name: str, table: pa.Table, kind: str | None, a: Assessment, srid: int) -> _Sheet:
    """A layer as a table of PostgreSQL. Raises OutputError for a column whose name it cannot have."""
    unit = a.inputs.plan.output.unit
    means = columns.meanings(unit) if name == "hydrants" else {}
    means = supports.meanings(name, unit) if name in supports.MEANING else means
    names = _names(name, table.column_names)
    values = [_column(table.column(i)) for i in range(table.num_columns)]
    kinds = [_kind(field.type) for field in table.schema]
    checked = None
    if kind is not None:
        shapes = shapely.set_srid(shapely.from_wkb(np.array(values[-1], dtype=object)), srid)
        values[-1] = shapely.to_wkb(shapes, hex=True, include_srid=True).tolist()
        typed = _typed(shapes, kind, srid)
        kinds[-1], checked = (typed, None) if typed else ("geometry", srid)
    described = tuple((n, k, means.get(n, "")) for n, k in zip(names, kinds, strict=True))
    return _Sheet(name, LAYERS[name], described, list(zip(*values, strict=True)), checked)


def _typed(shapes: Any, kind: str, srid: int) -> str | None:
    """The type of a column of geometries as PostgreSQL spells it; None where some have z or m and others do not."""
    there = shapes[~shapely.is_missing(shapes)]
    marks = set(zip(shapely.has_z(there).tolist(), shapely.has_m(there).tolist(), strict=True)) or {(False, False)}
    if len(marks) > 1:
        return None
    ((z, m),) = marks
    plain = kind.removesuffix(" Z") if kind != "Unknown" else "Geometry"
    kinds = {shape.geom_type for shape in there}
    plain = plain if kinds <= {plain} else "Geometry"
    return f"geometry({plain}{'Z' if z else ''}{'M' if m else ''},{srid})"


def _names(table: str, names: Sequence[str]) -> list[str]:
    found = [f"{name}_input" if name in _OF_THE_SYSTEM else name for name in names]
    wrong = [name for name in found if len(name.encode()) > _LONGEST or not name or "\0" in name]
    if wrong or len(set(found)) < len(found):
        what = f"{table} has columns whose names PostgreSQL cannot hold ({_LONGEST} bytes): {listed(wrong or names)}"
        raise OutputError(Finding(KEY, what, "shorten them in the hydrants' layer"))
    return found


def _kind(kind: pa.DataType) -> str:
    if pa.types.is_timestamp(kind):
        return f"timestamp {'with' if kind.tz else 'without'} time zone"
    return "time without time zone" if pa.types.is_time(kind) else _KINDS.get(kind, "text")


def _column(column: pa.ChunkedArray) -> list[Any]:
    values: list[Any] = column.to_pylist()
    known = pa.types.is_timestamp(column.type) or pa.types.is_time(column.type) or column.type in _KINDS
    return values if known else [None if v is None else str(v) for v in values]
