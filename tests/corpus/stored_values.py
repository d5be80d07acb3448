"""Values that SQLite keeps in columns whose type does not tell of them."""

from __future__ import annotations

import sqlite3
import zipfile
from contextlib import closing

from tests.corpus import Project, bad


def _store(place: Project, *statements: str) -> None:
    with closing(sqlite3.connect(place.folder / "hydrants.gpkg")) as base:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MinY", "ST_MaxX", "ST_MaxY"):
            base.create_function(name, 1, lambda blob: 0)
        for statement in statements:
            base.execute(statement)
        base.commit()


@bad("hydrants")
def text_in_a_column_of_numbers(place: Project) -> None:
    """A clearance in a GeoPackage is the text "n/a" in a column of numbers, which OGR reads as 0."""
    _store(place, "UPDATE hydrants SET flange_in = 'n/a' WHERE asset_id = 'H-2'")


@bad("hydrants")
def number_as_text_in_a_column_of_numbers(place: Project) -> None:
    """A clearance in a GeoPackage is the text "4 1/2" in a column of numbers, which OGR reads as 4."""
    _store(place, "UPDATE hydrants SET flange_in = '4 1/2' WHERE asset_id = 'H-2'")


@bad("hydrants")
def bytes_in_a_column_of_numbers(place: Project) -> None:
    """A clearance in a GeoPackage is a blob in a column of numbers."""
    _store(place, "UPDATE hydrants SET flange_in = x'34ff' WHERE asset_id = 'H-2'")


@bad("hydrants")
def fractions_in_a_column_of_whole_numbers(place: Project) -> None:
    """Clearances in a GeoPackage are 7.5 and 10.25 in a column of whole numbers, which OGR reads as 7 and 10."""
    layer = place.layer()
    layer["flange_in"] = [4, 7, 10]
    place.put(layer)
    _store(
        place,
        "UPDATE hydrants SET flange_in = 7.5 WHERE asset_id = 'H-2'",
        "UPDATE hydrants SET flange_in = 10.25 WHERE asset_id = 'H-3'",
    )


@bad("hydrants")
def text_in_a_view_of_numbers(place: Project) -> None:
    """A view that is a layer of its own has a text in a column of numbers."""
    _store(
        place,
        "UPDATE hydrants SET flange_in = 'n/a' WHERE asset_id = 'H-2'",
        "CREATE VIEW in_service AS SELECT max(fid) AS OGC_FID, geom, asset_id, flange_in FROM hydrants GROUP BY fid",
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) VALUES ('in_service', 'features',"
        " 'in_service', 32615)",
        "INSERT INTO gpkg_geometry_columns VALUES ('in_service', 'geom', 'POINT', 32615, 0, 0)",
    )
    place.section("hydrants", layer="in_service")


@bad("hydrants")
def text_in_a_geopackage_in_an_archive(place: Project) -> None:
    """A GeoPackage in a zip archive has a text in a column of numbers."""
    text_in_a_column_of_numbers(place)
    with zipfile.ZipFile(place.folder / "hydrants.gpkg.zip", "w") as archive:
        archive.write(place.folder / "hydrants.gpkg", "hydrants.gpkg")
    place.section("hydrants", path="hydrants.gpkg.zip")


def _shapefile(place: Project, cell: str) -> None:
    """The hydrants as a shapefile; cell: what its table holds in place of the second clearance, 4.5."""
    place.put(place.layer(), "hydrants.shp")
    table = place.folder / "hydrants.dbf"
    content = table.read_bytes()
    former = b"4.5" + b"0" * 14
    assert content.count(former) == 1
    table.write_bytes(content.replace(former, cell.rjust(len(former)).encode()))


@bad("hydrants")
def text_in_a_shapefile_of_numbers(place: Project) -> None:
    """A clearance in a shapefile is the text "n/a" in a column of numbers, which OGR reads as 0."""
    _shapefile(place, "n/a")


@bad("hydrants")
def decimal_comma_in_a_shapefile(place: Project) -> None:
    """A clearance in a shapefile has a decimal comma, at which OGR ends its number."""
    _shapefile(place, "4,5")


@bad("hydrants")
def stars_in_a_shapefile(place: Project) -> None:
    """A clearance in a shapefile is the stars that stand for none, or for a number too long for its column."""
    _shapefile(place, "*" * 17)


@bad("hydrants")
def text_in_a_shapefile_in_an_archive(place: Project) -> None:
    """A shapefile in a zip archive has a text in a column of numbers."""
    _shapefile(place, "n/a")
    with zipfile.ZipFile(place.folder / "hydrants.zip", "w") as archive:
        for suffix in (".shp", ".shx", ".dbf", ".prj"):
            archive.write(place.folder / f"hydrants{suffix}", f"hydrants{suffix}")
    place.section("hydrants", path="hydrants.zip")


@bad("hydrants")
def text_in_an_exchange_file_of_numbers(place: Project) -> None:
    """A clearance in an exchange file of a desktop GIS is a text in a column of numbers."""
    place.put(place.layer(), "hydrants.mif", driver="MapInfo File", FORMAT="MIF")
    table = place.folder / "hydrants.mid"
    table.write_text(table.read_text(encoding="utf-8").replace("4.5", "n/a"), encoding="utf-8")


@bad("hydrants")
def text_in_a_keyhole_file_of_numbers(place: Project) -> None:
    """A clearance in a KML file is a text where its schema says a number."""
    layer = place.layer()
    layer["flange_in"] = [4.0, 4.625, 10.25]
    path = place.put(layer.to_crs("EPSG:4326"), "hydrants.kml", driver="KML")
    path.write_text(path.read_text(encoding="utf-8").replace("4.625", "n/a"), encoding="utf-8")
