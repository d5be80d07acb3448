"""Paving plans, limits of work and new pavement."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from tests.corpus import Project, bad
from tests.projects import CRS, EAST, NORTH, point


def _square(x: float = -20, y: float = -20, side: float = 140) -> shapely.Polygon:
    return shapely.box(EAST + x, NORTH + y, EAST + x + side, NORTH + y + side)


def _written(place: Project, shapes: list[Any], name: str, columns: dict[str, list[Any]], crs: str | None) -> None:
    frame = gpd.GeoDataFrame(pd.DataFrame(columns, index=range(len(shapes))), geometry=shapes, crs=crs)
    frame.to_file(place.folder / name, layer="areas")


def _paving(place: Project, shapes: list[Any], crs: str | None = CRS, **columns: list[Any]) -> None:
    """A paving plan that the plan names."""
    columns = columns or {"job": [f"J-{i}" for i in range(len(shapes))]}
    _written(place, shapes, "paving.gpkg", columns, crs)
    place.section("paving", path="paving.gpkg", job="job")


def _area(place: Project, key: str, shapes: list[Any], crs: str | None = CRS) -> None:
    """A layer that [after] limits or pavement names."""
    _written(place, shapes, f"{key}.gpkg", {"n": list(range(len(shapes)))}, crs)
    place.section("after", **{key: f"{key}.gpkg"})


def _bow() -> shapely.Polygon:
    """A polygon that crosses itself."""
    corners = [(0, 0), (100, 100), (100, 0), (0, 100)]
    return shapely.Polygon([(EAST + x, NORTH + y) for x, y in corners])


@bad("paving")
def paving_of_points(place: Project) -> None:
    """The paving plan holds points."""
    _paving(place, [point(10, 10)])


@bad("paving")
def paving_crosses_itself(place: Project) -> None:
    """A polygon of the paving plan crosses itself."""
    _paving(place, [_bow()])


@bad("paving")
def paving_empty(place: Project) -> None:
    """The paving plan has no rows."""
    _paving(place, [], job=[])


@bad("paving")
def paving_row_without_geometry(place: Project) -> None:
    """A job of the paving plan has no geometry."""
    _paving(place, [_square(), None])


@bad("paving")
def paving_in_other_system(place: Project) -> None:
    """The paving plan is in degrees, and says so."""
    shape = gpd.GeoSeries([_square()], crs=CRS).to_crs("EPSG:4326")[0]
    _paving(place, [shape], "EPSG:4326")


@bad("paving")
def paving_without_system(place: Project) -> None:
    """The paving plan says no reference system."""
    _paving(place, [_square()], None)


@bad("paving")
def paving_degrees_called_metres(place: Project) -> None:
    """The paving plan is in degrees and says metres."""
    shape = gpd.GeoSeries([_square()], crs=CRS).to_crs("EPSG:4326")[0]
    _paving(place, [shape])


@bad("paving")
def paving_far_away(place: Project) -> None:
    """The paving plan is of another town."""
    _paving(place, [_square(90_000)])


@bad("paving")
def paving_without_job_column(place: Project) -> None:
    """The paving plan does not have the column of jobs."""
    _paving(place, [_square()], project=["J-1"])


@bad("paving")
def paving_job_not_named(place: Project) -> None:
    """[paving] names no column of jobs."""
    _paving(place, [_square()])
    place.section("paving", job=None)


@bad("paving")
def paving_blank_job(place: Project) -> None:
    """A part of the paving plan has no name of its job."""
    _paving(place, [_square()], job=[None])


@bad("paving")
def paving_dates_not_read(place: Project) -> None:
    """Starts of jobs are words and days that may be two."""
    _paving(place, [_square(), _square(20)], job=["A", "B"], start=["spring", "03/04/2027"])
    place.section("paving", starts="start")


@bad("paving")
def paving_without_dates(place: Project) -> None:
    """Jobs have no start, and the project none."""
    _paving(place, [_square()], job=["A"], start=[None])
    place.section("paving", starts="start")


@bad("paving")
def paving_starts_column_missing(place: Project) -> None:
    """The column of starts is not there."""
    _paving(place, [_square()])
    place.section("paving", starts="begins")


@bad("paving")
def paving_two_starts(place: Project) -> None:
    """Two parts of one job begin on two days."""
    _paving(place, [_square(), _square(20)], job=["A", "A"], start=["2027-05-03", "2029-05-03"])
    place.section("paving", starts="start")


@bad("paving")
def paving_start_long_ago(place: Project) -> None:
    """A job began in the year 1899, as a spreadsheet's zero does."""
    _paving(place, [_square()], job=["A"], start=["1899-12-30"])
    place.section("paving", starts="start")


@bad("paving")
def paving_jobs_as_floats(place: Project) -> None:
    """Jobs are numbers with a decimal point."""
    _paving(place, [_square()], job=[2027.0])


@bad("paving")
def paving_infinite_corner(place: Project) -> None:
    """A corner of the paving plan is infinite, another part is whole."""
    _paving(place, [shapely.Polygon([(EAST, NORTH), (np.inf, NORTH), (EAST, NORTH + 50)]), _square()])


@bad("paving")
def paving_negative_reach(place: Project) -> None:
    """The reach of a job is below zero."""
    _paving(place, [_square()])
    place.section("paving", reach="-5 m")


@bad("paving")
def paving_is_a_virtual_layer(place: Project) -> None:
    """The paving plan is a virtual layer of another file."""
    _paving(place, [_square()])
    source = "<OGRVRTLayer name='areas'><SrcDataSource relativeToVRT='1'>paving.gpkg</SrcDataSource></OGRVRTLayer>"
    place.raw("paving.vrt", f"<OGRVRTDataSource>{source}</OGRVRTDataSource>")
    place.section("paving", path="paving.vrt")


@bad("limits")
def limits_of_lines(place: Project) -> None:
    """The limits of work are lines that close, as a drawing has them."""
    _area(place, "limits", [shapely.LineString(_square().exterior.coords)])


@bad("limits")
def limits_cross_themselves(place: Project) -> None:
    """The limits of work cross themselves."""
    _area(place, "limits", [_bow()])


@bad("limits")
def limits_empty(place: Project) -> None:
    """The limits of work have no rows."""
    _area(place, "limits", [])


@bad("limits")
def limits_far_away(place: Project) -> None:
    """The limits of work lie in another town."""
    _area(place, "limits", [_square(90_000)])


@bad("limits")
def limits_without_system(place: Project) -> None:
    """The limits of work say no reference system."""
    _area(place, "limits", [_square()], None)


@bad("limits")
def limits_with_no_area(place: Project) -> None:
    """The limits of work are a polygon without area."""
    _area(place, "limits", [shapely.Polygon([(EAST, NORTH), (EAST + 9, NORTH), (EAST, NORTH)])])


@bad("limits")
def limits_not_there(place: Project) -> None:
    """The limits of work are a file that is not there."""
    place.section("after", limits="limit.gpkg")


@bad("limits")
def limits_of_two_layers(place: Project) -> None:
    """The file of the limits has two layers, and no key can name one."""
    _area(place, "limits", [_square()])
    frame = gpd.GeoDataFrame({"n": [1]}, geometry=[_square()], crs=CRS)
    frame.to_file(place.folder / "limits.gpkg", layer="easements")


@bad("pavement")
def pavement_far_away(place: Project) -> None:
    """The new pavement lies in another town."""
    _area(place, "pavement", [_square(90_000)])


@bad("pavement")
def pavement_of_points(place: Project) -> None:
    """The new pavement is points."""
    _area(place, "pavement", [point(1, 1)])


@bad("pavement")
def pavement_lines_without_setback(place: Project) -> None:
    """The new pavement is lines of its edge, and no setback is stated."""
    _area(place, "pavement", [shapely.LineString([(EAST, NORTH), (EAST + 90, NORTH)])])


@bad("pavement")
def pavement_crosses_itself(place: Project) -> None:
    """The new pavement crosses itself."""
    _area(place, "pavement", [_bow()])


@bad("pavement")
def pavement_over_everything(place: Project) -> None:
    """The new pavement covers every hydrant."""
    _area(place, "pavement", [_square()])


@bad("pavement")
def pavement_swapped(place: Project) -> None:
    """Northing in place of easting in the new pavement."""
    _area(place, "pavement", [shapely.box(NORTH, EAST, NORTH + 90, EAST + 90)])


@bad("paving")
def paving_of_a_million_corners(place: Project) -> None:
    """The limits are one outline of a million corners."""
    turn = np.linspace(0, 2 * np.pi, 1_000_000, endpoint=False)
    out = 60 + 0.5 * np.sin(turn * 5000)
    ring = np.stack([EAST + 50 + out * np.cos(turn), NORTH + 50 + out * np.sin(turn)], axis=1)
    _paving(place, [shapely.Polygon(ring)])
