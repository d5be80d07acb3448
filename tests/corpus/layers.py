"""Hydrant layers: where their points are, what stands in place of points, which layer and which rows are asked for."""

from __future__ import annotations

import math
import struct
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pyogrio.raw
import shapely

from tests.corpus import Project, bad
from tests.projects import EAST, NORTH, hydrants, point


def _with_geometry(place: Project, shapes: list[Any], name: str = "hydrants.gpkg", **options: Any) -> None:
    """The hydrants with other geometries, written."""
    layer = place.layer()
    place.put(layer.set_geometry(gpd.GeoSeries(shapes, crs=layer.crs)), name, **options)


def _first_is(place: Project, shape: Any) -> None:
    """The first hydrant has this geometry, the others their points."""
    _with_geometry(place, [shape, *place.layer().geometry[1:]])


def _first_is_wkb(place: Project, shape: bytes) -> None:
    """The first hydrant has a geometry that shapely cannot make."""
    layer = place.layer()
    shapes = np.array([shape, *(shapely.to_wkb(p) for p in layer.geometry[1:])], dtype=object)
    path = place.folder / "hydrants.gpkg"
    path.unlink()
    values = [layer["asset_id"].to_numpy(dtype=object), layer["flange_in"].to_numpy()]
    pyogrio.raw.write(
        path, shapes, values, ["asset_id", "flange_in"], layer="hydrants", driver="GPKG", geometry_type="Unknown",
        crs=str(layer.crs),
    )  # fmt: skip


@bad("hydrants")
def no_reference_system(place: Project) -> None:
    """No reference system is stated."""
    place.put(place.layer().set_crs(None, allow_override=True))


@bad("hydrants")
def zero_rows(place: Project) -> None:
    """The layer has no rows."""
    place.put(place.layer().iloc[:0])


@bad("hydrants")
def neighbouring_zone(place: Project) -> None:
    """The layer says the UTM zone next to its own."""
    place.put(place.layer().set_crs("EPSG:32616", allow_override=True))


@bad("hydrants")
def degrees_called_metres(place: Project) -> None:
    """Longitudes and latitudes under the name of a system in metres."""
    layer = place.layer()
    place.put(layer.to_crs("EPSG:4326").set_crs(layer.crs, allow_override=True))


@bad("hydrants")
def metres_called_degrees(place: Project) -> None:
    """Eastings and northings under the name of longitude and latitude."""
    place.put(place.layer().set_crs("EPSG:4326", allow_override=True))


@bad("hydrants")
def feet_called_metres(place: Project) -> None:
    """Coordinates of a state plane in feet under the name of a system in metres."""
    place.put(place.layer().to_crs("EPSG:3418").set_crs("EPSG:32615", allow_override=True))


@bad("hydrants")
def swapped_axes(place: Project) -> None:
    """Northing in place of easting in every row."""
    shapes = [shapely.Point(p.y, p.x) for p in place.layer().geometry]
    _with_geometry(place, shapes)


@bad("hydrants")
def swapped_degrees(place: Project) -> None:
    """Latitude first in a file of degrees, as people speak it."""
    layer = place.layer().to_crs("EPSG:4326")
    place.put(layer.set_geometry(gpd.GeoSeries([shapely.Point(p.y, p.x) for p in layer.geometry], crs=layer.crs)))


@bad("hydrants")
def one_row_swapped(place: Project) -> None:
    """One point of three has its axes swapped."""
    _first_is(place, shapely.Point(NORTH + 23, EAST + 11))


@bad("hydrants")
def plan_contradicts_layer(place: Project) -> None:
    """The plan names another reference system than the layer."""
    place.section("hydrants", crs="EPSG:26915")


@bad("hydrants")
def reference_system_is_no_code(place: Project) -> None:
    """The plan names a reference system that is none."""
    no_reference_system(place)
    place.section("hydrants", crs="NAD83 Iowa")


@bad("hydrants")
def heights_only_system(place: Project) -> None:
    """The plan names a system of heights for points without one."""
    no_reference_system(place)
    place.section("hydrants", crs="EPSG:5703")


@bad("hydrants")
def null_geometry(place: Project) -> None:
    """A row has no geometry."""
    _first_is(place, None)


@bad("hydrants")
def empty_point(place: Project) -> None:
    """A row has an empty point."""
    _first_is(place, shapely.Point())


@bad("hydrants")
def no_geometry_at_all(place: Project) -> None:
    """Every row has no geometry."""
    _with_geometry(place, [None, None, None])


@bad("hydrants")
def table_without_geometry(place: Project) -> None:
    """The layer is a table of attributes alone."""
    path = place.folder / "hydrants.gpkg"
    path.unlink()
    pyogrio.write_dataframe(place.layer().drop(columns="geometry"), path, layer="hydrants")


@bad("hydrants")
def lines_for_points(place: Project) -> None:
    """The layer holds water mains, not hydrants."""
    _with_geometry(place, [shapely.LineString([(EAST + i, NORTH), (EAST + i, NORTH + 50)]) for i in range(3)])


@bad("hydrants")
def one_polygon(place: Project) -> None:
    """A row among points is a polygon."""
    _first_is(place, point(11, 23).buffer(2))


@bad("hydrants")
def curve_geometry(place: Project) -> None:
    """A row is a circular arc, as a drawing's conversion leaves them."""
    arc = struct.pack("<BII6d", 1, 8, 3, EAST, NORTH, EAST + 1, NORTH + 1, EAST + 2, NORTH)
    _first_is_wkb(place, arc)


@bad("hydrants")
def two_places_in_one_row(place: Project) -> None:
    """A row is a multipoint of two places."""
    _first_is(place, shapely.MultiPoint([point(11, 23), point(12, 30)]))


@bad("hydrants")
def multipoints_of_one(place: Project) -> None:
    """All rows are multipoints of one point, as exports write them."""
    _with_geometry(place, [shapely.MultiPoint([p]) for p in place.layer().geometry])


@bad("hydrants")
def collection_with_a_point(place: Project) -> None:
    """A row is a collection of a point and a line."""
    line = shapely.LineString([(EAST, NORTH), (EAST + 5, NORTH)])
    _first_is(place, shapely.GeometryCollection([point(11, 23), line]))


@bad("hydrants")
def infinite_coordinate(place: Project) -> None:
    """A coordinate is infinite."""
    _first_is(place, shapely.Point(math.inf, NORTH))


@bad("hydrants")
def nan_coordinate(place: Project) -> None:
    """A coordinate is not a number."""
    _first_is(place, shapely.from_wkb(shapely.to_wkb(shapely.Point(EAST, NORTH))[:13] + b"\0\0\0\0\0\0\xf8\x7f"))


@bad("hydrants")
def huge_coordinate(place: Project) -> None:
    """A coordinate is 1e300."""
    _first_is(place, shapely.Point(1e300, NORTH))


@bad("hydrants")
def null_island(place: Project) -> None:
    """Rows that were never located stand at 0, 0."""
    _first_is(place, shapely.Point(0, 0))


@bad("hydrants")
def one_far_away(place: Project) -> None:
    """A hydrant stands 50 km from the ground of the plan."""
    _first_is(place, point(50_000, 0))


@bad("hydrants")
def three_dimensions(place: Project) -> None:
    """Points have heights that nobody asked for."""
    _with_geometry(place, [shapely.Point(p.x, p.y, -9999) for p in place.layer().geometry])


@bad("hydrants")
def measured_points(place: Project) -> None:
    """A point has a measure (M), as linear referencing leaves them."""
    _first_is_wkb(place, struct.pack("<BI3d", 1, 2001, EAST + 11, NORTH + 23, 7.0))


@bad("hydrants")
def nan_height(place: Project) -> None:
    """A point's third coordinate is not a number."""
    _first_is(place, shapely.Point(EAST + 11, NORTH + 23, math.nan))


@bad("hydrants")
def two_layers(place: Project) -> None:
    """The file has two layers of points and the plan names none."""
    place.layer().to_file(place.folder / "hydrants.gpkg", layer="valves")


@bad("hydrants")
def layer_name_misspelt(place: Project) -> None:
    """The plan names a layer with a slip of the pen."""
    place.section("hydrants", layer="hydrnats")


@bad("hydrants")
def layer_of_valves(place: Project) -> None:
    """The plan names a layer without the columns that it maps."""
    hydrants({"valve": ["V-1"]}, [(5, 5)]).to_file(place.folder / "hydrants.gpkg", layer="valves")
    place.section("hydrants", layer="valves")


@bad("hydrants")
def where_writes(place: Project) -> None:
    """`where` tries to change the layer."""
    place.section("hydrants", where="1 = 1; DELETE FROM hydrants")


@bad("hydrants")
def where_drops(place: Project) -> None:
    """`where` closes its bracket and tries to take the table away."""
    place.section("hydrants", where="1 = 1); DROP TABLE hydrants; --")


@bad("hydrants")
def where_is_prose(place: Project) -> None:
    """`where` is a sentence, not SQL."""
    place.section("hydrants", where="only the hydrants on Main St")


@bad("hydrants")
def where_names_no_column(place: Project) -> None:
    """`where` asks for a column that is not there."""
    place.section("hydrants", where="status = 'ACT'")


@bad("hydrants")
def where_keeps_nothing(place: Project) -> None:
    """`where` leaves no row."""
    place.section("hydrants", where="asset_id = 'X-99'")


@bad("hydrants")
def where_is_blank(place: Project) -> None:
    """`where` is an empty text."""
    place.section("hydrants", where="")


@bad("hydrants")
def where_reaches_elsewhere(place: Project) -> None:
    """`where` asks SQL to load a library."""
    place.section("hydrants", where="load_extension('mod_spatialite') IS NULL")


@bad("hydrants")
def all_rows_repeat_one(place: Project) -> None:
    """Every row is there twice, after a copy gone wrong."""
    layer = place.layer()
    place.put(gpd.GeoDataFrame(layer.loc[[0, 1, 2, 0, 1, 2]].reset_index(drop=True), crs=layer.crs))
