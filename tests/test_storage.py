"""Columns of numbers that hold other things, held against what SQLite itself says of every cell.

SQLite, "Datatypes In SQLite", section 3: a column's type is an affinity, and any value may stand in any column.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pyarrow as pa
import pyogrio
import pytest

from gradecheck import InputError
from gradecheck.layers import VectorLayer, read_layer
from tests.projects import hydrants


@pytest.fixture
def package(tmp_path: Path) -> Path:
    columns = {
        "asset_id": ["a", "b", "c", "d"],
        "whole": [1, 2, 3, 4],
        "real": [1.5, 2.5, 3.5, None],
        "fid_": [9, 8, 7, 6],
    }
    hydrants(columns, [(1, 1), (2, 2), (3, 3), (4, 4)]).to_file(tmp_path / "h.gpkg", layer="h")
    return tmp_path / "h.gpkg"


def store(package: Path, *statements: str) -> None:
    with closing(sqlite3.connect(package)) as db:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MinY", "ST_MaxX", "ST_MaxY"):
            db.create_function(name, 1, lambda blob: 0)
        for statement in statements:
            db.execute(statement)
        db.commit()


def read(package: Path, **more: str) -> VectorLayer:
    return read_layer(package, package.name, "hydrants", **more)


def stored(package: Path, column: str, where: str = "1") -> list[object]:
    with closing(sqlite3.connect(package)) as db:
        return [v for (v,) in db.execute(f'SELECT "{column}" FROM h WHERE {where} ORDER BY fid')]


def test_columns_of_numbers_stay_as_they_are(package: Path) -> None:
    layer = read(package)
    assert [layer.table.schema.field(n).type for n in ("whole", "real")] == [pa.int64(), pa.float64()]
    for name in ("whole", "real"):
        assert layer.table.column(name).to_pylist() == stored(package, name)


def test_a_text_makes_a_column_of_texts_that_reads_as_it_is_stored(package: Path) -> None:
    store(package, "UPDATE h SET whole = 'n/a', real = '7 in' WHERE asset_id = 'b'")
    layer = read(package)
    assert layer.table.column("whole").to_pylist() == ["1", "n/a", "3", "4"]
    assert layer.table.column("real").to_pylist() == ["1.5", "7 in", "3.5", None]
    assert layer.table.column("fid_").to_pylist() == stored(package, "fid_")


def test_fractions_among_whole_numbers_are_kept(package: Path) -> None:
    store(package, "UPDATE h SET whole = 2.75 WHERE asset_id = 'b'")
    assert read(package).table.column("whole").to_pylist() == stored(package, "whole") == [1, 2.75, 3, 4]


def test_rows_are_told_apart_by_their_numbers_and_not_by_their_places(package: Path) -> None:
    store(package, "DELETE FROM h WHERE asset_id = 'a'", "UPDATE h SET real = 'x' WHERE asset_id = 'd'")
    layer = read(package, select="asset_id <> 'b'")
    assert layer.table.column("asset_id").to_pylist() == ["c", "d"]
    assert layer.table.column("real").to_pylist() == ["3.5", "x"]


def test_a_row_that_is_left_out_changes_nothing(package: Path) -> None:
    store(package, "UPDATE h SET whole = 'n/a' WHERE asset_id = 'b'")
    layer = read(package, select="asset_id <> 'b'")
    assert layer.table.column("whole").to_pylist() == [1, 3, 4]
    assert layer.table.schema.field("whole").type == pa.int64()


def test_names_with_quotation_marks_are_names(tmp_path: Path) -> None:
    frame = hydrants({'a"; DROP TABLE "x': [1.0, 2.0]}, [(1, 1), (2, 2)])
    frame.to_file(tmp_path / "h.gpkg", layer='lay"er')
    assert read(tmp_path / "h.gpkg").table.column(0).to_pylist() == [1.0, 2.0]


def test_bytes_are_shown_and_never_taken_for_a_number(package: Path) -> None:
    store(package, "UPDATE h SET real = x'3132ff' WHERE asset_id = 'b'")
    assert read(package).table.column("real").to_pylist() == ["1.5", "12\\xff", "3.5", None]


def test_a_layer_whose_rows_have_no_numbers_is_refused_with_what_is_amiss(package: Path) -> None:
    store(
        package,
        "UPDATE h SET real = 'n/a' WHERE asset_id = 'b'",
        "CREATE VIEW v AS SELECT max(fid) AS OGC_FID, geom, real FROM h GROUP BY fid",
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) VALUES ('v', 'features', 'v', 32615)",
        "INSERT INTO gpkg_geometry_columns VALUES ('v', 'geom', 'POINT', 32615, 0, 0)",
    )
    with pytest.raises(InputError, match="column real of v, a view, is of numbers and holds n/a"):
        read(package, layer="v")


def test_what_cannot_be_looked_at_is_said(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = sqlite3.connect

    def held(*given: object, **more: object) -> sqlite3.Connection:
        db = real(*given, **more)  # type: ignore[call-overload]
        db.set_authorizer(lambda *_: sqlite3.SQLITE_DENY)
        return db

    monkeypatch.setattr(sqlite3, "connect", held)
    notes = read(package).notes
    assert any("whether column whole holds only numbers could not be looked at" in note for note in notes)


def test_other_forms_of_layers_are_left_alone(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame(hydrants({"real": [1.5, 2.5]}, [(1, 1), (2, 2)]))
    for name in ("h.geojson", "h.fgb", "h.shp"):
        pyogrio.write_dataframe(frame.to_crs("EPSG:4326"), tmp_path / name)
        layer = read(tmp_path / name)
        assert sorted(layer.table.column("real").to_pylist()) == [1.5, 2.5]
        assert layer.notes == ()
