"""Files and folders that hold layers: parts missing, archives, virtual layers, databases, what is no file."""

from __future__ import annotations

import io
import json
import os
import shutil
import sqlite3
import zipfile
from collections.abc import Mapping

from tests.corpus import Project, bad
from tests.projects import EAST, NORTH


def _names(place: Project, path: str) -> None:
    place.section("hydrants", path=path)


def _shapefile(place: Project, without: str) -> None:
    """The hydrants as a shapefile that lacks a part."""
    place.put(place.layer(), "hydrants.shp")
    (place.folder / f"hydrants{without}").unlink()


def _archive(members: Mapping[str, bytes]) -> bytes:
    """A zip archive of members, names as given."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED, 1)
    return held.getvalue()


def _zipped(place: Project, members: Mapping[str, bytes]) -> None:
    place.raw("hydrants.zip", _archive(members))
    _names(place, "hydrants.zip")


def _geojson(place: Project) -> bytes:
    """The hydrants as GeoJSON."""
    return place.layer().to_crs("EPSG:4326").to_json().encode()


def _virtual(place: Project, source: str, name: str = "hydrants.vrt") -> None:
    """A virtual layer of OGR in place of the hydrants."""
    layer = f'<OGRVRTLayer name="hydrants">{source}</OGRVRTLayer>'
    place.raw(name, f"<OGRVRTDataSource>{layer}</OGRVRTDataSource>")
    _names(place, name)


@bad("hydrants")
def shapefile_without_table(place: Project) -> None:
    """A shapefile without its .dbf."""
    _shapefile(place, ".dbf")


@bad("hydrants")
def shapefile_without_index(place: Project) -> None:
    """A shapefile without its .shx."""
    _shapefile(place, ".shx")


@bad("hydrants")
def shapefile_without_system(place: Project) -> None:
    """A shapefile without its .prj."""
    _shapefile(place, ".prj")


@bad("hydrants")
def shapefile_without_shapes(place: Project) -> None:
    """A shapefile without its .shp, of which the plan names the .dbf."""
    _shapefile(place, ".shp")
    _names(place, "hydrants.dbf")


@bad("hydrants")
def shapefile_of_other_length(place: Project) -> None:
    """The .dbf of a shapefile has fewer rows than its .shp."""
    place.put(place.layer().iloc[:1], "short.shp")
    place.put(place.layer(), "hydrants.shp")
    shutil.copy(place.folder / "short.dbf", place.folder / "hydrants.dbf")


@bad("hydrants")
def truncated_geopackage(place: Project) -> None:
    """A GeoPackage was copied by half."""
    path = place.folder / "hydrants.gpkg"
    path.write_bytes(path.read_bytes()[:50_000])


@bad("hydrants")
def garbled_geopackage(place: Project) -> None:
    """Pages of a GeoPackage are overwritten."""
    path = place.folder / "hydrants.gpkg"
    data = bytearray(path.read_bytes())
    data[4096:40_960] = b"\xa5" * (40_960 - 4096)
    path.write_bytes(bytes(data))


@bad("hydrants")
def layer_is_empty_file(place: Project) -> None:
    """A GeoPackage has no bytes."""
    place.raw("hydrants.gpkg", "")


@bad("hydrants")
def layer_is_a_picture(place: Project) -> None:
    """The layer is a raster."""
    _names(place, "before.tif")


@bad("hydrants")
def layer_is_a_folder(place: Project) -> None:
    """The layer is an empty folder."""
    (place.folder / "layers").mkdir()
    _names(place, "layers")


@bad("hydrants")
def layer_is_not_there(place: Project) -> None:
    """The layer's name has a slip of the pen."""
    _names(place, "hydrnats.gpkg")


@bad("hydrants")
def layer_is_a_pipe(place: Project) -> None:
    """The layer is a named pipe that nobody writes to."""
    if not hasattr(os, "mkfifo"):
        place.allow = "there are no named pipes here"
        return
    os.mkfifo(place.folder / "pipe.csv")
    place.section("hydrants", path="pipe.csv", x="east", y="north", crs="EPSG:32615")


@bad("hydrants")
def layer_is_a_loop(place: Project) -> None:
    """The layer is a link to itself."""
    (place.folder / "loop.gpkg").symlink_to("loop.gpkg")
    _names(place, "loop.gpkg")


@bad("hydrants")
def layer_may_not_be_read(place: Project) -> None:
    """The layer may not be read."""
    path = place.folder / "hydrants.gpkg"
    path.chmod(0)
    if os.access(path, os.R_OK):
        place.allow = "who runs this may read everything"


@bad("hydrants")
def locked_geopackage(place: Project) -> None:
    """Another program writes the GeoPackage and keeps it locked."""
    base = sqlite3.connect(place.folder / "hydrants.gpkg")
    base.execute("BEGIN EXCLUSIVE")
    place.held.append(base)


@bad("hydrants")
def geopackage_with_a_log(place: Project) -> None:
    """A program left the GeoPackage in the mode that keeps a log beside it."""
    base = sqlite3.connect(place.folder / "hydrants.gpkg")
    base.execute("PRAGMA journal_mode = wal")
    base.close()


@bad("hydrants")
def hot_journal(place: Project) -> None:
    """A program died while it wrote the GeoPackage: its journal is there."""
    path = place.folder / "hydrants.gpkg"
    journal = bytes.fromhex("d9d505f920a163d7") + b"\0\0\0\1" + bytes(16) + b"\0\0\2\0\0\0\x10\0" + bytes(480)
    path.with_name("hydrants.gpkg-journal").write_bytes(journal + bytes(4096))


@bad("hydrants")
def geopackage_with_triggers(place: Project) -> None:
    """A GeoPackage has triggers that delete its rows, and a view of all of them."""
    base = sqlite3.connect(place.folder / "hydrants.gpkg")
    base.execute("CREATE TRIGGER t AFTER INSERT ON gpkg_contents BEGIN DELETE FROM hydrants; END")
    base.execute("CREATE TRIGGER u AFTER UPDATE ON hydrants BEGIN SELECT load_extension('evil'); END")
    base.execute("CREATE VIEW v AS SELECT *, load_extension('evil') FROM hydrants")
    base.commit()
    base.close()


@bad("hydrants")
def plain_sqlite(place: Project) -> None:
    """A plain SQLite table with columns x and y."""
    base = sqlite3.connect(place.folder / "hydrants.sqlite")
    base.execute("CREATE TABLE hydrants (asset_id TEXT, flange_in, east REAL, north REAL)")
    base.execute("INSERT INTO hydrants VALUES ('H-1', 4.0, ?, ?)", (EAST + 11, NORTH + 23))
    base.execute("INSERT INTO hydrants VALUES ('H-2', 4.5, ?, ?)", (EAST + 37, NORTH + 5))
    base.commit()
    base.close()
    place.section("hydrants", path="hydrants.sqlite", x="east", y="north", crs="EPSG:32615")


@bad("hydrants")
def virtual_table_elsewhere(place: Project) -> None:
    """An SQLite table is virtual and leads to another file."""
    base = sqlite3.connect(place.folder / "hydrants.sqlite")
    base.execute("PRAGMA writable_schema = 1")
    sql = "CREATE VIRTUAL TABLE h USING VirtualOGR('/etc/passwd')"
    base.execute("CREATE TABLE other (asset_id TEXT)")
    base.execute("INSERT INTO sqlite_master VALUES ('table', 'h', 'h', 0, ?)", (sql,))
    base.commit()
    base.close()
    place.section("hydrants", path="hydrants.sqlite", layer="h")


@bad("hydrants")
def virtual_layer_of_a_file(place: Project) -> None:
    """The layer is a virtual one of another file."""
    _virtual(place, "<SrcDataSource relativeToVRT='1'>hydrants.gpkg</SrcDataSource>")


@bad("hydrants")
def virtual_layer_with_sql(place: Project) -> None:
    """A virtual layer asks SQL of another file."""
    sql = "<SrcSQL dialect='SQLITE'>SELECT * FROM hydrants</SrcSQL>"
    _virtual(place, f"<SrcDataSource>hydrants.gpkg</SrcDataSource>{sql}")


@bad("hydrants")
def virtual_layer_of_a_network(place: Project) -> None:
    """A virtual layer leads to a server."""
    _virtual(place, "<SrcDataSource>/vsicurl/http://127.0.0.1:9/hydrants.gpkg</SrcDataSource>")


@bad("hydrants")
def virtual_layer_in_disguise(place: Project) -> None:
    """A virtual layer is called .geojson."""
    _virtual(place, "<SrcDataSource relativeToVRT='1'>hydrants.gpkg</SrcDataSource>", "hydrants.geojson")


@bad("hydrants")
def service_in_disguise(place: Project) -> None:
    """A file of words that asks a server for features, called .gml."""
    place.raw("hydrants.gml", "<OGRWFSDataSource><URL>http://127.0.0.1:9/wfs</URL></OGRWFSDataSource>")
    _names(place, "hydrants.gml")


@bad("hydrants")
def pipeline_in_disguise(place: Project) -> None:
    """A file of words that has GDAL read another file, called .json."""
    line = "gdal vector pipeline ! read hydrants.gpkg ! write streamed_dataset"
    place.raw("hydrants.json", json.dumps({"type": "gdal_streamed_alg", "command_line": line}))
    _names(place, "hydrants.json")


@bad("hydrants")
def virtual_layer_in_an_archive(place: Project) -> None:
    """A virtual layer lies in a zip archive."""
    layer = "<OGRVRTLayer name='h'><SrcDataSource>/etc/passwd</SrcDataSource></OGRVRTLayer>"
    _zipped(place, {"hydrants.vrt": f"<OGRVRTDataSource>{layer}</OGRVRTDataSource>".encode()})


@bad("hydrants")
def markup_schema_elsewhere(place: Project) -> None:
    """A GML file says that its schema lies on a server."""
    head = 'xmlns:gml="http://www.opengis.net/gml" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
    away = 'xsi:schemaLocation="http://127.0.0.1:9/x http://127.0.0.1:9/x.xsd"'
    row = f"<h><gml:Point srsName='EPSG:32615'><gml:pos>{EAST + 11} {NORTH + 23}</gml:pos></gml:Point>"
    row = f"<gml:featureMember>{row}<asset_id>H-1</asset_id><flange_in>4.0</flange_in></h></gml:featureMember>"
    place.raw("hydrants.gml", f"<?xml version='1.0'?><FeatureCollection {head} {away}>{row}</FeatureCollection>")
    _names(place, "hydrants.gml")


@bad("hydrants")
def geojson_cut_off(place: Project) -> None:
    """A GeoJSON file ends amid its second feature."""
    content = _geojson(place)
    place.raw("hydrants.geojson", content[: len(content) // 2])
    _names(place, "hydrants.geojson")


@bad("hydrants")
def geojson_of_mixed_types(place: Project) -> None:
    """Values of a GeoJSON property are a number, a text and a list."""
    held = json.loads(_geojson(place))
    for feature, value in zip(held["features"], (4.0, "4.5", [1, 2]), strict=True):
        feature["properties"]["flange_in"] = value
    place.raw("hydrants.geojson", json.dumps(held))
    _names(place, "hydrants.geojson")


@bad("hydrants")
def geojson_in_metres(place: Project) -> None:
    """A GeoJSON file has eastings and northings and says no system, which then means degrees."""
    held = json.loads(place.layer().to_json())
    held.pop("crs", None)
    place.raw("hydrants.geojson", json.dumps(held))
    _names(place, "hydrants.geojson")


@bad("hydrants")
def geojson_deeply_nested(place: Project) -> None:
    """A property of a GeoJSON file is nested ten thousand times."""
    text = _geojson(place).decode().replace('"H-1"', "[" * 10_000 + "]" * 10_000)
    place.raw("hydrants.geojson", text)
    _names(place, "hydrants.geojson")


@bad("hydrants")
def geojson_with_empty_values(place: Project) -> None:
    """Features of a GeoJSON file have no geometry and no properties."""
    held = json.loads(_geojson(place))
    held["features"] += [{"type": "Feature", "geometry": None, "properties": None}]
    place.raw("hydrants.geojson", json.dumps(held))
    _names(place, "hydrants.geojson")


@bad("hydrants")
def zipped_layer(place: Project) -> None:
    """The layer is in a zip archive, as downloads are."""
    _zipped(place, {"town/hydrants.geojson": _geojson(place)})


@bad("hydrants")
def zip_that_escapes(place: Project) -> None:
    """A member of a zip archive has a path that leads out of it."""
    _zipped(place, {"../../escaped.geojson": _geojson(place)})


@bad("hydrants")
def zip_with_root_path(place: Project) -> None:
    """A member of a zip archive has a path from the root."""
    _zipped(place, {"/escaped.geojson": _geojson(place)})


@bad("hydrants")
def zip_in_zip(place: Project) -> None:
    """A zip archive holds a zip archive."""
    _zipped(place, {"inner.zip": _archive({"hydrants.geojson": _geojson(place)})})


@bad("hydrants")
def zip_empty(place: Project) -> None:
    """A zip archive has no members."""
    _zipped(place, {})


@bad("hydrants")
def zip_cut_off(place: Project) -> None:
    """A zip archive ends before its table of contents."""
    _zipped(place, {"hydrants.geojson": _geojson(place)})
    path = place.folder / "hydrants.zip"
    path.write_bytes(path.read_bytes()[:-60])


@bad("hydrants")
def zip_encrypted(place: Project) -> None:
    """A member of a zip archive is said to be encrypted."""
    _zipped(place, {"hydrants.geojson": _geojson(place)})
    path = place.folder / "hydrants.zip"
    data = bytearray(path.read_bytes())
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(mark) + at] |= 1
    path.write_bytes(bytes(data))


@bad("hydrants")
def zip_of_two_layers(place: Project) -> None:
    """A zip archive holds two layers."""
    _zipped(place, {"a.geojson": _geojson(place), "b.geojson": _geojson(place)})


@bad("hydrants")
def zip_bomb(place: Project) -> None:
    """A zip archive of a few megabytes unpacks to a file of a gigabyte."""
    name = place.folder / "hydrants.zip"
    with (
        zipfile.ZipFile(name, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open("hydrants.geojson", "w", force_zip64=True) as member,
    ):
        member.write(_geojson(place)[:-2])
        for _ in range(1000):
            member.write(b" " * 1_000_000)
        member.write(b"]}")
    _names(place, "hydrants.zip")


@bad("hydrants")
def zip_of_a_text_table(place: Project) -> None:
    """A zip archive holds a CSV, with x and y in its columns."""
    rows = f"asset_id,flange_in,east,north\nH-1,4.0,{EAST + 11},{NORTH + 23}\nH-2,4.5,{EAST + 37},{NORTH + 5}\n"
    _zipped(place, {"hydrants.csv": rows.encode()})
    place.section("hydrants", x="east", y="north", crs="EPSG:32615")
