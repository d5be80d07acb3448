"""What a former run left to be carried over: edits in its GeoPackage and in its tables of a database, as one."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import shapely

from gradecheck.databases import connected, postgis_schema
from gradecheck.errors import Finding, InputError, OutputError, listed
from gradecheck.plan import Plan
from gradecheck.readback import PACKAGE, Former, edits_in, read_former
from gradecheck.relations import system_of
from gradecheck.review import Edit, as_written, since

if TYPE_CHECKING:
    from sqlalchemy import Connection

KEY = "output.postgis"
RUN = "gradecheck_run"
"""The table that says of which run the others are: its columns are `metadata` and `columns`, both JSON as text."""
MARK = "gradecheck: "
"""How the comment on every table of ours begins; what has none is somebody else's, whatever its name."""

ALWAYS = ("hydrants", "rejected", "order", "options", "review_kept", RUN)
"""Tables that every run writes."""

_OURS = """
SELECT c.oid, c.relname AS name
FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace
WHERE n.nspname = :schema AND c.relkind = 'r'
  AND pg_catalog.starts_with(pg_catalog.obj_description(c.oid, 'pg_class'), :mark)
"""
_TAKEN = """
SELECT c.relname FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace
WHERE n.nspname = :schema AND c.relname IN :names
"""
_NAMES = "SELECT attname FROM pg_catalog.pg_attribute WHERE attrelid = :oid AND attnum > 0 AND NOT attisdropped"


def read_formers(plan: Plan, folder: Path) -> tuple[Former, tuple[Edit, ...]]:
    """All that is to be carried over, and those edits among it that stand in the database now.

    folder: of the GeoPackage. Raises InputError, OutputError.
    """
    package = read_former(folder / PACKAGE, PACKAGE)
    if plan.output.postgis is None:
        return package, ()
    with connected(plan.output.postgis, KEY, kind=OutputError) as connection:
        free(connection, plan.output.db_schema, ALWAYS, ours(connection, plan.output.db_schema))
        tables = read_tables(connection, plan.output.db_schema)
    return brought_together(package, tables, f"{plan.output.db_schema}.hydrants"), tables.edits


def ours(connection: Connection, schema: str) -> dict[str, tuple[int, tuple[str, ...]]]:
    """The tables of ours in a schema: their number in the catalogue and their columns."""
    import sqlalchemy as sa

    found = connection.execute(sa.text(_OURS), {"schema": schema, "mark": MARK}).all()
    return {
        str(t.name): (int(t.oid), tuple(connection.execute(sa.text(_NAMES), {"oid": t.oid}).scalars())) for t in found
    }


def free(connection: Connection, schema: str, names: Sequence[str], there: Collection[str]) -> None:
    """Raises OutputError where a table, view or index of somebody else's has a name that is needed; there: ours."""
    import sqlalchemy as sa

    asked = sa.text(_TAKEN).bindparams(sa.bindparam("names", expanding=True))
    found = connection.execute(asked, {"schema": schema, "names": list(names)}).scalars()
    taken = sorted({str(name) for name in found} - set(there))
    if taken:
        what = f"the schema {schema!r} has {listed(taken)} already, which no run of gradecheck made"
        raise OutputError(Finding("output.schema", what, "name another schema"))


def read_run(connection: Connection, schema: str) -> tuple[dict[str, Any], dict[str, list[str]]]:
    """What the tables are of: the metadata of the run, and the columns that it gave each."""
    import sqlalchemy as sa

    table = sa.table(RUN, sa.column("metadata"), sa.column("columns"), schema=schema)
    row = connection.execute(sa.select(table)).first()
    return ({}, {}) if row is None else (json.loads(row.metadata), json.loads(row.columns))


def read_tables(connection: Connection, schema: str) -> Former:
    """The edits in the tables of a former run; none where there are no tables of ours. Raises OutputError."""
    there = ours(connection, schema)
    if "hydrants" not in there:
        return Former()
    postgis = postgis_schema(connection) or "public"
    metadata, _ = read_run(connection, schema) if RUN in there else ({}, {})
    rows = _edited(connection, schema, "hydrants", there["hydrants"][1], postgis)
    kept = (
        _edited(connection, schema, "review_kept", there["review_kept"][1], postgis) if "review_kept" in there else []
    )
    points = shapely.from_wkb(np.array([row.get("geom") for row in rows], dtype=object))
    try:
        crs = system_of(connection, np.atleast_1d(points), postgis, f"{schema}.hydrants", KEY)
    except InputError as error:
        raise OutputError(error.findings) from None
    edits = [since(edit, metadata.get("review", {})) for edit in edits_in(pa.Table.from_pylist(rows), "geom")]
    edits += [since(edit, metadata.get("review_kept", {})) for edit in edits_in(pa.Table.from_pylist(kept), "")]
    return Former(tuple(edits), crs, metadata)


def _edited(
    connection: Connection, schema: str, name: str, columns: Sequence[str], postgis: str
) -> list[dict[str, Any]]:
    """The rows of a table that somebody wrote in, as far as edits are concerned."""
    import sqlalchemy as sa

    needed = {"hydrant_id", "action", "cautions", "own_id", "x", "y"}
    asked = [c for c in columns if c in needed or c.startswith(("review_", "extension_"))]
    table = sa.table(name, *map(sa.column, columns), schema=schema)
    wanted: list[Any] = [table.c[c] for c in asked]
    if "geom" in columns:
        wanted.append(getattr(sa.func, postgis).st_asewkb(table.c["geom"]).label("geom"))
    written = [table.c[c].is_not(None) for c in asked if c.startswith("review_") and c != "review_changed"]
    found = connection.execute(sa.select(*wanted).where(sa.or_(sa.false(), *written)))
    return [dict(row) for row in found.mappings()]


def brought_together(package: Former, tables: Former, shown: str) -> Former:
    """Edits of the GeoPackage and of the database as one. Raises InputError where both were edited, differently.

    Where both are of one run, what was edited since in one of them counts, an edit taken out too; else all edits do.
    """
    mine, theirs = ({(e.hydrant_id, e.own_id): e for e in former.edits} for former in (package, tables))
    both = [former.metadata.get("review", {}) for former in (package, tables)]
    last = both[0] if package.metadata and tables.metadata and both[0] == both[1] else None
    apart = package.crs is not None and tables.crs is not None and package.crs != tables.crs
    found, torn = [], []
    for key in {**mine, **theirs}:
        other = theirs.get(key)
        if other is not None and apart:
            other = replace(other, x=float("nan"), y=float("nan"))
        was = None if last is None else (last.get(key[0]) or {}).get("edit")
        try:
            chosen = _chosen(mine.get(key), other, was, last is not None)
        except ValueError:
            torn.append(key[0])
            continue
        if chosen is not None:
            found.append(chosen)
    if torn:
        what = f"{PACKAGE} and {shown} hold different review edits of {listed(torn)}"
        raise InputError(Finding(KEY, what, "write the same in both, or empty them in one of the two"))
    return replace(package, edits=tuple(found), crs=package.crs or tables.crs)


def _chosen(mine: Edit | None, other: Edit | None, was: object, one_run: bool) -> Edit | None:
    """Which of two edits of one hydrant counts; was: as both stood once. Raises ValueError where neither does."""
    here, there = (None if edit is None else as_written(edit) for edit in (mine, other))
    if here == there or (one_run and there == was) or (not one_run and other is None):
        return mine
    if (one_run and here == was) or (not one_run and mine is None):
        return other
    raise ValueError
