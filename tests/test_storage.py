"""Columns of numbers that hold other things, held against what SQLite and the bytes of a DBF say of every cell.

SQLite, "Datatypes In SQLite", section 3: a column's type is an affinity, and any value may stand in any column. dBASE
keeps numbers as text (Esri Shapefile Technical Description, 1998, "Organization of the dBASE File").
"""

from __future__ import annotations

import shutil
import sqlite3
import struct
import zipfile
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pyarrow as pa
import pyogrio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gradecheck import InputError, dbf, storage
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


@pytest.fixture
def shapefile(tmp_path: Path) -> Path:
    columns = {"asset_id": list("abcd"), "whole": [1, 2, 3, 4], "real": [1.25, 2.25, 3.25, 4.25]}
    hydrants(columns, [(1, 1), (2, 2), (3, 3), (4, 4)]).to_file(tmp_path / "h.shp")
    return tmp_path / "h.shp"


def type_over(shapefile: Path, *changes: tuple[str, str]) -> None:
    """Put other texts where the table holds some, as wide as those were and flush right, as numbers stand."""
    table = shapefile.with_suffix(".dbf")
    content = table.read_bytes()
    for was, now in changes:
        assert content.count(was.encode()) == 1
        content = content.replace(was.encode(), now.rjust(len(was)).encode())
    table.write_bytes(content)


REAL = {1: f"1.25{'0' * 13}", 2: f"2.25{'0' * 13}", 3: f"3.25{'0' * 13}"}


def test_texts_in_a_shapefile_are_kept_and_blanks_are_none(shapefile: Path) -> None:
    type_over(shapefile, (REAL[1], "n/a"), (REAL[2], "2,25"), (REAL[3], ""))
    assert read(shapefile).table.column("real").to_pylist() == ["n/a", "2,25", None, "4.25"]


def test_stars_in_a_shapefile_are_none(shapefile: Path) -> None:
    type_over(shapefile, (REAL[2], "*" * len(REAL[2])))
    assert read(shapefile).table.column("real").to_pylist() == [1.25, None, 3.25, 4.25]


def test_fractions_among_whole_numbers_of_a_shapefile_are_kept(shapefile: Path) -> None:
    type_over(shapefile, (f"{' ' * 17}2", "2.75"))
    assert read(shapefile).table.column("whole").to_pylist() == [1, 2.75, 3, 4]


@pytest.mark.parametrize("text", ["1e3", "+2.5", ".5", "7.", "-0", "12345678901234567"])
def test_what_is_a_number_in_a_shapefile_stays_one(shapefile: Path, text: str) -> None:
    type_over(shapefile, (REAL[2], text))
    assert read(shapefile).table.column("real").to_pylist() == [1.25, float(text), 3.25, 4.25]


def test_a_record_that_is_deleted_moves_no_other(shapefile: Path) -> None:
    type_over(shapefile, (" a" + " " * 79, "*a" + " " * 79), (REAL[3], "n/a"))
    layer = read(shapefile)
    assert layer.table.column("asset_id").to_pylist() == ["b", "c", "d"]
    assert layer.table.column("real").to_pylist() == ["2.25", "n/a", "4.25"]


def test_a_layer_of_a_folder_and_one_in_an_archive_are_looked_at_too(shapefile: Path, tmp_path: Path) -> None:
    type_over(shapefile, (REAL[2], "n/a"))
    folder = tmp_path / "folder"
    folder.mkdir()
    with zipfile.ZipFile(tmp_path / "packed.zip", "w") as archive:
        for suffix in (".shp", ".shx", ".dbf", ".prj"):
            archive.write(shapefile.with_suffix(suffix), f"h{suffix}")
            shutil.copy(shapefile.with_suffix(suffix), folder)
    for layer in (read(folder), read(tmp_path / "packed.zip")):
        assert layer.table.column("real").to_pylist() == ["1.25", "n/a", "3.25", "4.25"]


def test_what_is_too_large_to_look_at_in_an_archive_is_said(
    package: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with zipfile.ZipFile(tmp_path / "h.gpkg.zip", "w") as archive:
        archive.write(package, "h.gpkg")
    assert read(tmp_path / "h.gpkg.zip").notes == ()
    monkeypatch.setattr(storage, "_LARGEST", 1000)
    (note,) = read(tmp_path / "h.gpkg.zip").notes
    assert (
        note
        == "h.gpkg.zip: what h.gpkg holds in its columns of numbers could not be looked at: texts among them count as 0"
    )


def table_of(numbers: tuple[int, int, int], fields: list[tuple[bytes, int]], records: bytes) -> bytes:
    """A DBF of any numbers: of records, bytes of the head, bytes of a record; fields: kind and width."""
    described = b"".join(b"x".ljust(11, b"\0") + kind + bytes(4) + bytes([width]) + bytes(15) for kind, width in fields)
    return b"\x03\0\0\0" + struct.pack("<IHH", *numbers) + bytes(20) + described + b"\r" + records


FIELDS = st.lists(st.tuples(st.sampled_from([b"N", b"F", b"C"]), st.integers(0, 20)), max_size=3)
NUMBERS = st.tuples(st.integers(0, 2**32 - 1) | st.integers(0, 9), st.integers(0, 200), st.integers(0, 60))


@given(st.binary(max_size=200) | st.builds(table_of, NUMBERS, FIELDS, st.binary(max_size=300)))
@settings(max_examples=500, deadline=None)
def test_no_bytes_break_the_reading_of_a_table(content: bytes) -> None:
    table = dbf.Table(content)
    for place in range(3):
        for whole in (True, False):
            assert all(isinstance(row, int) for row in table.strays(place, "x", whole))


def test_a_table_that_is_cut_short_counts_as_far_as_it_goes(shapefile: Path) -> None:
    type_over(shapefile, (REAL[2], "n/a"))
    content = shapefile.with_suffix(".dbf").read_bytes()
    for end in range(len(content)):
        assert set(dbf.Table(content[:end]).strays(2, "real", False)) <= {1}
    assert dbf.Table(content).strays(2, "real", False) == {1: "n/a"}


@pytest.mark.parametrize(("name", "driver"), [("h.mif", "MapInfo File"), ("h.kml", "KML")])
def test_in_files_of_other_kinds_what_gdal_half_reads_is_refused(tmp_path: Path, name: str, driver: str) -> None:
    frame = hydrants({"asset_id": ["a", "b"], "real": [1.25, 2.25]}, [(1, 1), (2, 2)])
    pyogrio.write_dataframe(frame.to_crs("EPSG:4326"), tmp_path / name, driver=driver)
    assert read(tmp_path / name).table.column("real").to_pylist() == [1.25, 2.25]
    for path in tmp_path.iterdir():
        path.write_text(path.read_text(encoding="utf-8").replace("2.25", "n/a"), encoding="utf-8")
    with pytest.raises(InputError, match="in columns of numbers stands what is no number: 'n/a' in real"):
        read(tmp_path / name)


def test_other_forms_of_layers_are_left_alone(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame(hydrants({"real": [1.5, 2.5]}, [(1, 1), (2, 2)]))
    for name in ("h.geojson", "h.fgb", "h.shp"):
        pyogrio.write_dataframe(frame.to_crs("EPSG:4326"), tmp_path / name)
        layer = read(tmp_path / name)
        assert sorted(layer.table.column("real").to_pylist()) == [1.5, 2.5]
        assert layer.notes == ()
