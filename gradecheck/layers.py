"""Vector layers read whole: an Arrow table of attributes with its types, geometries, reference system.

Anything that OGR reads goes through pyogrio; GeoParquet through pyarrow, since few GDAL builds have it; addresses of
databases and feature services through `relations` and `services`.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pyogrio.raw
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError, FieldError
from pyproj import CRS

from gradecheck import addresses
from gradecheck.delimited import in_utf8
from gradecheck.errors import Finding, InputError, listed
from gradecheck.probability import Ints
from gradecheck.relations import read_rows
from gradecheck.services import fetched
from gradecheck.storage import as_stored
from gradecheck.validation import nearest
from gradecheck.vetting import asks_for_its_schema, members, vet

_EXTENSION = b"ARROW:extension:name"
_SQL = re.compile(r"sqlite3_\w+\(.*\) failed: ", re.DOTALL)
_NO_COLUMN = re.compile(r"no such column: (\S+)|\"(.+?)\" not recogni[sz]ed as an available field")
_HEARD = 100
_TEXT_SUFFIXES = (".csv", ".tsv", ".txt", ".psv")


@dataclass(frozen=True, slots=True)
class VectorLayer:
    """A layer in memory.

    table: attributes, one row per feature; geometry: (n,) shapely objects or None; crs: None where not stated.
    place: (n,) position of each row in the file's layer, from 1, whatever `where` left out.
    total: rows in the layer before `where`. notes: what must be said aloud of how it was read.
    """

    table: pa.Table
    geometry: NDArray[Any]
    crs: CRS | None
    place: Ints
    total: int
    shown: str
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.place)

    def column(self, name: str, key: str) -> pa.ChunkedArray:
        """A column by its name in the plan's `key`. Raises InputError naming the nearest column."""
        if name not in self.table.column_names:
            mend = nearest(name, self.table.column_names)
            raise InputError(Finding(f"{key} = {name!r}", f"{self.shown} has no such column", mend))
        return self.table.column(name)


def read_layer(
    path: Path, shown: str, where: str, layer: str | None = None, select: str | None = None,
    encoding: str | None = None, *, geometry: str | None = None, bare: bool = False,
) -> VectorLayer:  # fmt: skip
    """Read one layer; `where` is the plan's section for messages, `select` an OGR SQL filter.

    shown: the path as written in the plan; where it is an address, it is read from there, and `select` is the SQL of a
    database. geometry: which of several columns with it, in a database; bare: a table of it without any will do.
    """
    if encoding is not None and addresses.is_address(shown):
        raise InputError(
            Finding(f"{where}.encoding", "goes with files: an address gives its text as it is", "leave it out")
        )
    if addresses.is_database(shown):
        rows = read_rows(shown, where, layer, select, geometry, bare=bare)
        return VectorLayer(rows.table, rows.geometry, rows.crs, rows.place, rows.total, shown, rows.notes)
    if addresses.is_service(shown):
        with fetched(shown, where, layer) as copy:
            read = _read_file(copy.path, shown, where, None, select, None)
            if read.total != copy.count:
                what = f"{shown}: {copy.count} features came, and {read.total} of them can be read"
                raise InputError(Finding(f"{where}.path", what, "tell who runs the service"))
            return replace(read, notes=copy.notes, crs=copy.crs or read.crs)
    return _read_file(path, shown, where, layer, select, encoding)


def _read_file(
    path: Path, shown: str, where: str, layer: str | None, select: str | None, encoding: str | None
) -> VectorLayer:
    """Read one layer of a file."""
    if not path.exists():
        mend = _near(path)
        raise InputError(Finding(f"{where}.path", f"no such file: {shown}", mend))
    vet(path, shown, f"{where}.path")
    if path.suffix.lower() in (".parquet", ".geoparquet"):
        return _read_parquet(path, shown, where, select)
    with _as_ogr_reads(path, shown, where, encoding) as (file, notes):
        try:
            name = _layer_name(file, shown, where, layer)
            options = {"layer": name, "return_fids": True, "encoding": None if file is not path else encoding}
            with _listening() as heard:
                # A row whose geometry cannot be read comes back without one, and is rejected by name.
                meta, table = pyogrio.raw.read_arrow(file, where=select, **options)
            fids = np.asarray(table.column(0).to_numpy(), dtype=np.int64)
            everything = fids
            if select is not None:
                _, full = pyogrio.raw.read_arrow(file, columns=[], read_geometry=False, **options)
                everything = np.asarray(full.column(0).to_numpy(), dtype=np.int64)
        except (DataSourceError, DataLayerError, FieldError, ValueError, OSError, pa.ArrowInvalid) as error:
            raise InputError(_not_read(error, shown, where, select, file)) from None
    if file is path:
        table, told = as_stored(path, shown, where, name, table, fids, heard)
        notes = (*notes, *told)
    order = np.argsort(everything, kind="stable")
    place = order[np.searchsorted(everything, fids, sorter=order)] + 1
    # By position and by type: an attribute may have the name that the id or the geometry has.
    shapes = [i for i, f in enumerate(table.schema) if b"wkb" in (f.metadata or {}).get(_EXTENSION, b"")]
    geometry = np.full(len(fids), None, dtype=object)
    if shapes:
        geometry, curved = _shapes(_bytes(table.column(shapes[0])), place)
        if curved:
            what = f"{shown}: curves cannot be read, their rows count as without geometry: rows {listed(curved)}"
            notes = (*notes, f"{what}; make them lines of many corners in a GIS")
    for i in sorted({0, *shapes}, reverse=True):
        table = table.remove_column(i)
    twice = sorted({n for n in table.column_names if table.column_names.count(n) > 1})
    if twice:
        what = f"{shown} has several columns named {', '.join(twice)}"
        raise InputError(Finding(f"{where}.path", what, "give each column its own name"))
    return VectorLayer(
        _plain(table), geometry, _crs(meta["crs"]), place.astype(np.int64), len(everything), shown, notes
    )


def read_named(
    path: Path, shown: str, where: str, layer: str | None = None, encoding: str | None = None, *, alone: bool = False
) -> VectorLayer:
    """Read the layer that a key of the plan, or an option, names; findings are told under that name.

    alone: no other key or option can name a layer of the file or its encoding.
    """
    section = where.rpartition(".")[0] or where
    try:
        return read_layer(path, shown, section, layer, None, encoding)
    except InputError as error:
        told: dict[str, tuple[str, str | None]] = {f"{section}.path": (where, None)}
        if alone:
            told |= {
                f"{section}.layer": (where, "keep it in a file of its own"),
                f"{section}.encoding": (where, "save it as UTF-8"),
            }
        found = []
        for f in error.findings:
            name, mend = told.get(f.where, (f.where, None))
            found.append(replace(f, where=name, mend=mend or f.mend))
        raise InputError(found) from None


@contextmanager
def _as_ogr_reads(path: Path, shown: str, where: str, encoding: str | None) -> Iterator[tuple[Path, tuple[str, ...]]]:
    """What OGR is given in place of a file, and what must be said of it."""
    if is_text_table(path):
        with in_utf8(path, shown, where, encoding) as told:
            yield told
    elif path.is_file() and asks_for_its_schema(path):
        # OGR keeps what it learns of a GML file beside it, and asks servers for its schema.
        with tempfile.TemporaryDirectory(prefix="gradecheck-") as folder:
            copy = Path(folder) / path.name
            shutil.copyfile(path, copy)
            with suppress(DataSourceError, DataLayerError, ValueError):
                pyogrio.read_info(copy, DOWNLOAD_SCHEMA="NO", WRITE_GFS="YES")
            yield copy, ()
    else:
        yield path, ()


@contextmanager
def _listening() -> Iterator[list[str]]:
    """What GDAL warns of, the first few, in place of a word on the terminal."""
    heard: list[str] = []

    def hear(message: Warning | str, *_: object) -> None:
        if len(heard) < _HEARD:
            heard.append(str(message))

    with warnings.catch_warnings(action="always", category=RuntimeWarning):
        warnings.showwarning = hear  # type: ignore[assignment]
        yield heard


def _layer_name(path: Path, shown: str, where: str, wanted: str | None) -> str:
    listed = pyogrio.list_layers(path)
    names = [str(n) for n in listed[:, 0]]
    if wanted is not None:
        if wanted not in names:
            raise InputError(Finding(f"{where}.layer", f"{shown} has no layer {wanted!r}", nearest(wanted, names)))
        return wanted
    spatial = [str(n) for n, kind in listed if kind is not None]
    candidates = spatial or names
    if len(candidates) != 1:
        what = f"{shown} has {len(candidates)} layers: {', '.join(candidates[:8])}"
        raise InputError(Finding(f"{where}.layer", what, "name one as `layer`"))
    return candidates[0]


def _not_read(error: Exception, shown: str, where: str, select: str | None, file: Path) -> Finding:
    text = str(error).split("\n")[0].replace(str(file), shown).partition("; It might help")[0]
    text = _SQL.sub("", text)[:200]
    if select is not None and layer_names(file):
        lost = _NO_COLUMN.search(text)
        mend = "write it as SQL: status = 'ACT'"
        if lost:
            mend += f" (a text in quotes); or name a column: {nearest(lost[1] or lost[2], _columns(file))}"
        return Finding(f"{where}.where", f"{select!r} is not understood ({text})", mend)
    if isinstance(error, UnicodeDecodeError):
        what = f"{shown}: text is not {error.encoding}"
        return Finding(f"{where}.path", what, 'state its encoding, such as encoding = "cp1252"')
    if file.is_dir():
        return Finding(f"{where}.path", f"{shown} is a folder and cannot be read as a layer", "name the file in it")
    inside = members(file) if file.suffix.lower() == ".zip" else []
    if inside:
        what = f"{shown} cannot be read as a layer: in it are {listed(inside)}"
        return Finding(f"{where}.path", what, "unpack it, and name the file of the layer")
    return Finding(f"{where}.path", f"{shown} cannot be read as a layer ({text})", "check that the file is whole")


def _near(path: Path) -> str:
    """How a path that leads nowhere may be mended: the file beside it whose name is most like."""
    if path.is_symlink():
        return "it is a link that leads nowhere: name the file itself"
    try:
        names = [p.name for p in path.parent.iterdir()]
    except OSError:
        names = []
    close = nearest(path.name, names)
    if names and close.startswith("did you mean"):
        return close
    return "check the path; it is relative to the plan file" + (', and written with "/"' if "\\" in path.name else "")


def layer_names(file: Path) -> list[str]:
    """The layers of a file; none where it cannot be read."""
    try:
        return [str(name) for name in pyogrio.list_layers(file)[:, 0]]
    except (DataSourceError, OSError):
        return []


def _columns(file: Path) -> list[str]:
    """The columns of the first layer of a file; none where it cannot be read."""
    try:
        return [str(name) for name in pyogrio.read_info(file)["fields"]]
    except (DataSourceError, DataLayerError, OSError):
        return []


def _crs(text: str | None) -> CRS | None:
    return CRS.from_user_input(text) if text else None


def _shapes(wkb: NDArray[Any], place: Ints) -> tuple[NDArray[Any], list[int]]:
    """Geometries, None for what cannot be read, and the places of rows that have curves."""
    try:
        return np.asarray(shapely.from_wkb(wkb, on_invalid="ignore"), dtype=object), []
    except NotImplementedError:
        geometry, curved = np.full(len(wkb), None, dtype=object), []
    for i, content in enumerate(wkb):
        try:
            geometry[i] = shapely.from_wkb(content, on_invalid="ignore")
        except NotImplementedError:
            curved.append(int(place[i]))
    return geometry, curved


def _bytes(column: pa.ChunkedArray) -> NDArray[Any]:
    return np.asarray(column.to_numpy(), dtype=object)


def _plain(table: pa.Table) -> pa.Table:
    """Columns that no GeoPackage can hold (lists, structures) as JSON text; all others as they are."""
    for i, field in enumerate(table.schema):
        kind = field.type
        if isinstance(kind, pa.BaseExtensionType):
            # JSON, as OGR says of a property of many types: texts, which an old reader may take.
            table = table.set_column(i, field.name, table.column(i).cast(kind.storage_type))
        elif pa.types.is_nested(kind):
            text = [None if v is None else json.dumps(v, default=str) for v in table.column(i).to_pylist()]
            table = table.set_column(i, field.name, pa.array(text, pa.string()))
        elif pa.types.is_dictionary(kind):
            table = table.set_column(i, field.name, table.column(i).cast(kind.value_type))
        elif pa.types.is_decimal(kind):
            table = table.set_column(i, field.name, table.column(i).cast(pa.float64()))
    # GDAL keeps aliases and comments of a source's fields there, and would write them out again.
    return table.cast(pa.schema([field.remove_metadata() for field in table.schema]))


def _read_parquet(path: Path, shown: str, where: str, select: str | None) -> VectorLayer:
    import geopandas

    try:
        names = pq.read_schema(path)
        geo = json.loads((names.metadata or {}).get(b"geo", b"{}"))
        column = geo.get("primary_column")
        if column is None:
            points, crs, others = None, None, names.names
        else:
            series = geopandas.read_parquet(path, columns=[column])[column]
            points, crs = series.to_numpy(), series.crs
            others = [n for n in names.names if n not in geo.get("columns", {})]
        table = pq.read_table(path, columns=others)
    except (pa.ArrowInvalid, ValueError, OSError) as error:
        raise InputError(_not_read(error, shown, where, None, path)) from None
    n = table.num_rows
    geometry = np.full(n, None, dtype=object) if points is None else np.asarray(points, dtype=object)
    place = np.arange(1, n + 1, dtype=np.int64)
    if select is not None:
        place = _selected(table, place, select, where)
    rows = place - 1
    return VectorLayer(_plain(table.take(rows)), geometry[rows], crs, place, n, shown)


def _selected(table: pa.Table, place: Ints, select: str, where: str) -> Ints:
    """Places that an OGR SQL filter keeps, asked of a copy in memory."""
    name = f"/vsimem/gradecheck_{os.getpid()}_{id(table)}.gpkg"
    point = shapely.to_wkb(shapely.Point(0, 0))
    copy = _plain(table).append_column("gradecheck_place", pa.array(place)).append_column(
        "wkb_geometry", pa.array([point] * len(place), pa.binary())
    )  # fmt: skip
    try:
        pyogrio.raw.write_arrow(
            copy, name, layer="rows", driver="GPKG", geometry_name="wkb_geometry", geometry_type="Point",
            crs="EPSG:4326", layer_options={"SPATIAL_INDEX": "NO"},
        )  # fmt: skip
        _, kept = pyogrio.raw.read_arrow(name, columns=["gradecheck_place"], read_geometry=False, where=select)
    except (DataSourceError, DataLayerError, FieldError, ValueError, OSError) as error:
        text = str(error).split("\n")[0][:200]
        what = f"{select!r} is not understood ({text})"
        raise InputError(Finding(f"{where}.where", what, "write it as SQL: status = 'ACT'")) from None
    finally:
        pyogrio.vsi_unlink(name)
    return np.asarray(kept.column("gradecheck_place").to_numpy(), dtype=np.int64)


def is_text_table(path: Path) -> bool:
    """Whether a file is delimited text, which says neither where its points are nor in which system."""
    return path.suffix.lower() in _TEXT_SUFFIXES
