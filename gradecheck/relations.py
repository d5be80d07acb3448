"""A table or view of PostGIS read whole, in one read-only snapshot: attributes with types, geometry, system, order.

Names are bound or quoted by the library, never put into a statement by hand. The plan's `where` alone is SQL of
somebody's own: it is one expression inside a statement of ours, in a transaction that cannot write, and is not asked at
all by a role that may touch the server's files.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError

from gradecheck.databases import connected, current_database, in_words, postgis_schema
from gradecheck.errors import Finding, InputError, listed
from gradecheck.probability import Ints
from gradecheck.validation import nearest

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement, Connection

_BATCH = 20_000
_CURSOR = {"stream_results": True, "max_row_buffer": _BATCH}
"""By a cursor of the server, which takes one statement and no more: others behind it are refused, not run."""
_PLACE = "gradecheck_place"
_TYPES: dict[str, pa.DataType] = {
    "bool": pa.bool_(),
    "int2": pa.int16(),
    "int4": pa.int32(),
    "int8": pa.int64(),
    "float4": pa.float32(),
    "float8": pa.float64(),
    "numeric": pa.float64(),
    "date": pa.date32(),
    "timestamp": pa.timestamp("us"),
    "timestamptz": pa.timestamp("us", "UTC"),
    "bytea": pa.binary(),
}
"""PostgreSQL's types as they are kept; all others come as the text that the database shows for them."""
_ENDLESS = ("date", "timestamp", "timestamptz")
_SHAPES = ("geometry", "geography")

_LISTED = """
SELECT c.oid, n.nspname AS schema, c.relname AS name, pg_catalog.pg_table_is_visible(c.oid) AS visible,
       EXISTS (SELECT FROM pg_catalog.pg_attribute a JOIN pg_catalog.pg_type t ON t.oid = a.atttypid
               WHERE a.attrelid = c.oid AND a.attnum > 0 AND t.typname IN ('geometry', 'geography')) AS spatial
FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace
WHERE c.relkind IN ('r', 'p', 'v', 'm', 'f')
  AND n.nspname NOT LIKE 'pg\\_%' AND n.nspname NOT IN ('information_schema', 'topology', 'tiger', 'tiger_data')
  AND NOT EXISTS (SELECT FROM pg_catalog.pg_depend d WHERE d.objid = c.oid AND d.deptype = 'e')
ORDER BY n.nspname, c.relname
"""
_COLUMNS = """
SELECT a.attname, coalesce(b.typname, t.typname) AS kind
FROM pg_catalog.pg_attribute a JOIN pg_catalog.pg_type t ON t.oid = a.atttypid
LEFT JOIN pg_catalog.pg_type b ON b.oid = nullif(t.typbasetype, 0)
WHERE a.attrelid = :oid AND a.attnum > 0 AND NOT a.attisdropped ORDER BY a.attnum
"""
_KEY = """
SELECT a.attname FROM pg_catalog.pg_index i
CROSS JOIN LATERAL unnest(i.indkey) WITH ORDINALITY AS k (attnum, at)
JOIN pg_catalog.pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = k.attnum
WHERE i.indrelid = :oid AND i.indisprimary ORDER BY k.at
"""
_MAY_TOUCH_FILES = """
SELECT EXISTS (SELECT FROM pg_catalog.pg_roles r WHERE r.rolname = session_user AND r.rolsuper)
    OR EXISTS (SELECT FROM pg_catalog.pg_roles r WHERE r.rolname IN
       ('pg_read_server_files', 'pg_write_server_files', 'pg_execute_server_program')
       AND pg_catalog.pg_has_role(session_user, r.oid, 'MEMBER'))
"""


@dataclass(frozen=True, slots=True)
class Rows:
    """A table in memory: attributes, geometry (n,), its system, place of each row, rows in all, what must be said."""

    table: pa.Table
    geometry: NDArray[Any]
    crs: CRS | None
    place: Ints
    total: int
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Relation:
    """A table or view as the catalogue has it. columns: names with PostgreSQL's type; key: the primary key's."""

    schema: str
    name: str
    columns: tuple[tuple[str, str], ...]
    key: tuple[str, ...]
    geometry: str | None


def read_rows(
    address: str, where: str, layer: str | None = None, select: str | None = None, geometry: str | None = None,
    *, bare: bool = False,
) -> Rows:  # fmt: skip
    """Read a table; `where` is the plan's section for messages, `select` an SQL condition, geometry the column's name.

    layer: "schema.table", or "table" of the search path. bare: a table without geometry will do. Raises InputError.
    """
    with connected(address, f"{where}.path") as connection:
        postgis = postgis_schema(connection)
        if postgis is None and not bare:
            what = f"PostGIS is not installed in the database {current_database(connection)!r} of {address}"
            raise InputError(Finding(f"{where}.path", what, "CREATE EXTENSION postgis, or name another database"))
        relation = _relation(connection, address, where, layer, geometry)
        if relation.geometry is None and not bare:
            shown = f"{relation.schema}.{relation.name}"
            raise InputError(Finding(f"{where}.layer", f"{shown} has no column with geometry", "name another table"))
        return _read(connection, relation, postgis or "public", address, where, select)


def _relation(connection: Connection, address: str, where: str, layer: str | None, geometry: str | None) -> _Relation:
    """The table that is meant. Raises InputError where there is none, or several."""
    import sqlalchemy as sa

    there = connection.execute(sa.text(_LISTED)).all()
    full = [f"{t.schema}.{t.name}" for t in there]
    if layer is None:
        meant = [i for i, t in enumerate(there) if t.spatial]
        if len(meant) != 1:
            what = f"{address} has {len(meant)} tables with geometry{': ' if meant else ''}"
            what += listed((full[i] for i in meant), most=8) if meant else ""
            raise InputError(Finding(f"{where}.layer", what, 'name one as `layer`, such as "assets.hydrants"'))
    else:
        meant = [i for i, name in enumerate(full) if name == layer]
        meant = meant or [i for i, t in enumerate(there) if t.name == layer and t.visible]
        if not meant:
            short = next((name for name, t in zip(full, there, strict=True) if t.name == layer), None)
            mend = f"did you mean '{short}'?" if short else nearest(layer, full)
            raise InputError(Finding(f"{where}.layer", f"{address} has no table {layer!r}", mend))
    found = there[meant[0]]
    columns = tuple((str(c.attname), str(c.kind)) for c in connection.execute(sa.text(_COLUMNS), {"oid": found.oid}))
    key = tuple(str(name) for name in connection.execute(sa.text(_KEY), {"oid": found.oid}).scalars())
    shapes = [name for name, kind in columns if kind in _SHAPES]
    if geometry is not None and geometry not in shapes:
        what = f"{full[meant[0]]} has no column with geometry of that name"
        raise InputError(Finding(f"{where}.geometry = {geometry!r}", what, nearest(geometry, shapes)))
    if geometry is None and len(shapes) > 1:
        what = f"{full[meant[0]]} has several columns with geometry: {', '.join(shapes)}"
        mend = f'name one: geometry = "{shapes[0]}"' if where == "hydrants" else "name a view that has one"
        raise InputError(Finding(f"{where}.geometry", what, mend))
    return _Relation(str(found.schema), str(found.name), columns, key, geometry or (shapes[0] if shapes else None))


def _read(
    connection: Connection, relation: _Relation, postgis: str, address: str, where: str, select: str | None
) -> Rows:
    """All rows, or those that a condition keeps, checked against the database's own count of them."""
    import sqlalchemy as sa

    # A scan that joins another one's would begin in the middle of a table without a key.
    connection.execute(sa.text("SET LOCAL synchronize_seqscans = off"))
    plain = sa.table(relation.name, *(sa.column(n) for n, _ in relation.columns), schema=relation.schema)
    names = [n for n, _ in relation.columns]
    at = next(n for n in (f"{_PLACE}{i or ''}" for i in range(len(names) + 1)) if n not in names)
    over = sa.func.row_number().over(order_by=[plain.c[n] for n in relation.key] or None).label(at)
    rows = sa.select(over, plain).subquery(relation.name)
    total = int(connection.execute(sa.select(sa.func.count()).select_from(plain)).scalar_one())
    wanted = [
        rows.c[at].label("p"),
        *(
            _value(rows.c[n], k, n == relation.geometry, postgis).label(f"c{i}")
            for i, (n, k) in enumerate(relation.columns)
        ),
    ]
    query = sa.select(*wanted).order_by(rows.c[at])
    endless = [n for n, kind in relation.columns if kind in _ENDLESS]
    kept = [] if select is None else [_condition(connection, select, address, where)]
    counts = sa.select(sa.func.count(), *(sa.func.count().filter(~sa.func.isfinite(rows.c[n])) for n in endless))
    try:
        said = connection.execute(counts.select_from(rows).where(*kept), execution_options=_CURSOR).one()
        place, table = _fetched(connection, query.where(*kept), relation)
    except sa.exc.DBAPIError as error:
        raise InputError(_not_understood(error, address, where, select)) from None
    n = len(place)
    if n != said[0] or len(np.unique(place)) != n or (n and not 1 <= place.min() <= place.max() <= total):
        what = f"{address}: {n} rows came, of {said[0]} that the database counts and {total} in the table"
        mend = "write `where` as one condition" if select is not None else "run again"
        raise InputError(Finding(f"{where}.where" if select is not None else f"{where}.path", what, mend))
    shown = f"{relation.schema}.{relation.name}"
    notes = [] if relation.key else [
        f"{shown} has no primary key: its rows are counted in the order that the database gives them, which may change"
    ]  # fmt: skip
    notes += [
        f"{shown}: {c} infinite dates in {n!r} are taken as unknown"
        for n, c in zip(endless, said[1:], strict=True)
        if c
    ]
    points = np.full(n, None, dtype=object)
    if relation.geometry is not None:
        i = names.index(relation.geometry)
        points = shapely.from_wkb(np.asarray(table.column(i).to_numpy(), dtype=object), on_invalid="ignore")
        table = table.remove_column(i)
    crs = system_of(connection, points, postgis, shown, f"{where}.layer")
    return Rows(table, np.asarray(shapely.set_srid(points, 0)), crs, place, total, tuple(notes))


def _value(column: ColumnElement[Any], kind: str, shape: bool, postgis: str) -> ColumnElement[Any]:
    """A column as it is asked for, so that what comes has a type of ours; shape: it is the layer's geometry."""
    import sqlalchemy as sa

    if kind in _SHAPES:
        functions = getattr(sa.func, postgis)
        plain = functions.geometry(column) if kind == "geography" else column
        chosen: ColumnElement[Any] = functions.st_asewkb(plain) if shape else functions.st_asewkt(plain)
        return chosen
    if kind == "numeric":
        return sa.cast(column, sa.Double())
    if kind in _ENDLESS:
        return sa.case((sa.func.isfinite(column), column))
    return column if kind in _TYPES else sa.cast(column, sa.Text())


def _condition(connection: Connection, select: str, address: str, where: str) -> ColumnElement[Any]:
    """The plan's condition as one expression. Raises InputError where the role could touch files by it."""
    import sqlalchemy as sa

    if connection.execute(sa.text(_MAY_TOUCH_FILES)).scalar():
        what = f"{address}: this user may read and write files of the server, and an SQL condition could have it do so"
        mend = "connect as a user with nothing but SELECT on the table, or leave `where` out"
        raise InputError(Finding(f"{where}.where", what, mend))
    return sa.literal_column(f"(\n{select}\n)")


def _fetched(connection: Connection, query: Any, relation: _Relation) -> tuple[Ints, pa.Table]:
    """Places and attributes, by batches."""
    kinds = [pa.binary() if n == relation.geometry else _TYPES.get(k, pa.string()) for n, k in relation.columns]
    schema = pa.schema([pa.field(n, t) for (n, _), t in zip(relation.columns, kinds, strict=True)])
    places: list[int] = []
    batches = []
    answer = connection.execute(query, execution_options=_CURSOR)
    for part in iter(partial(answer.fetchmany, _BATCH), []):
        columns: Sequence[Sequence[Any]] = list(zip(*part, strict=True))
        places += columns[0]
        batches.append(
            pa.record_batch([pa.array(v, t) for v, t in zip(columns[1:], kinds, strict=True)], schema=schema)
        )
    return np.array(places, dtype=np.int64), pa.Table.from_batches(batches, schema)


def _not_understood(error: Exception, address: str, where: str, select: str | None) -> Finding:
    found = in_words(error, f"{where}.path" if select is None else f"{where}.where", address)
    state = str(getattr(getattr(error, "orig", None), "sqlstate", None) or "")
    if select is not None and state.startswith(("42", "22")) and state != "42501":
        text = str(getattr(error, "orig", error)).split("\n")[0][:200]
        return Finding(f"{where}.where", f"{select!r} is not understood ({text})", "write it as SQL: status = 'ACT'")
    return found


def system_of(connection: Connection, points: NDArray[Any], postgis: str, shown: str, key: str) -> CRS | None:
    """The reference system that an SRID of (n,) geometries means: by its authority's code, else by its text.

    None where none is stated. Raises InputError, told under `key`.
    """
    import sqlalchemy as sa

    numbers = np.unique(shapely.get_srid(points[~shapely.is_missing(points)]))
    if len(numbers) > 1:
        what = f"{shown} has rows in several reference systems: SRID {listed(numbers.tolist())}"
        raise InputError(Finding(key, what, "bring them to one: ST_Transform in a view"))
    if not len(numbers) or numbers[0] == 0:
        return None
    known = sa.table("spatial_ref_sys", *map(sa.column, ("srid", "auth_name", "auth_srid", "srtext")), schema=postgis)
    row = connection.execute(sa.select(known).where(known.c.srid == int(numbers[0]))).first()
    texts = [] if row is None else [f"{row.auth_name}:{row.auth_srid}" if row.auth_name else None, row.srtext]
    for text in texts:
        try:
            if text:
                return CRS.from_user_input(text)
        except CRSError:
            continue
    what = f"{shown}: its SRID {numbers[0]} is no reference system that spatial_ref_sys explains"
    raise InputError(Finding(key, what, "put it there, or set the true SRID: UpdateGeometrySRID"))
