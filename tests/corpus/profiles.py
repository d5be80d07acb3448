"""Profile lines, tables of stations and cross-sections as municipal offices have them."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import shapely

from tests.corpus import Project, bad
from tests.drawings import write_lines
from tests.projects import CRS, EAST, NORTH

ALONG = [(-20.0, 40.0, 100.5), (120.0, 40.0, 100.5)]
FLAT = [(-20.0, 40.0), (120.0, 40.0)]
_SOURCE: dict[str, Any] = {"profile": "lines.gpkg", "road": "road", "unit": "ft", "sd": "0.01 ft", "section": "street"}


def _lines(project: Project, lines: Any = None, **keys: Any) -> None:
    """Lines as the design ground."""
    write_lines(project.folder / "lines.gpkg", {"Sorrel St": ALONG} if lines is None else lines)
    project.plan["after"] = {**_SOURCE, **keys}


def _table(project: Project, *rows: str, head: str = "road,station,elevation", **keys: Any) -> None:
    """Lines without heights and a table of them."""
    project.raw("stations.csv", "\n".join([head, *rows]) + "\n")
    table = {"path": "stations.csv", "station_unit": "m", "elevation_unit": "ft"}
    _lines(project, {"Sorrel St": FLAT}, table={**table, **keys})


GOOD = ("Sorrel St,0,100.5", "Sorrel St,70,100.5", "Sorrel St,140,100.5")


@bad("profile")
def lines_that_are_areas(project: Project) -> None:
    """The layer of lines holds areas."""
    _lines(project)
    box = shapely.box(EAST, NORTH, EAST + 100, NORTH + 100)
    gpd.GeoDataFrame({"road": ["Sorrel St"]}, geometry=[box], crs=CRS).to_file(project.folder / "lines.gpkg")


@bad("profile")
def lines_without_heights(project: Project) -> None:
    """The lines have no heights, and no table has them."""
    _lines(project, {"Sorrel St": FLAT})


@bad("profile")
def lines_with_a_height_missing(project: Project) -> None:
    """One vertex of a line has NaN for a height."""
    _lines(project, {"Sorrel St": [ALONG[0], (50.0, 40.0, float("nan")), ALONG[1]]})


@bad("profile")
def lines_at_height_zero(project: Project) -> None:
    """A line lies at height 0 throughout: it was drawn in plan."""
    _lines(project, {"Sorrel St": [(x, y, 0.0) for x, y in FLAT]})


@bad("profile")
def lines_of_no_length(project: Project) -> None:
    """Both ends of a line are one point."""
    _lines(project, {"Sorrel St": [ALONG[0], ALONG[0]]})


@bad("profile")
def lines_in_another_unit(project: Project) -> None:
    """The lines' heights are metres, the plan calls them feet."""
    _lines(project, {"Sorrel St": [(x, y, 30.63) for x, y in FLAT]})


@bad("profile")
def lines_without_rows(project: Project) -> None:
    """The layer of lines has no rows."""
    _lines(project)
    empty = gpd.GeoDataFrame({"road": []}, geometry=gpd.GeoSeries([], crs=CRS), crs=CRS)
    empty.to_file(project.folder / "lines.gpkg", geometry_type="LineString")


@bad("profile")
def lines_without_the_column(project: Project) -> None:
    """The column of names that the plan states is called otherwise."""
    _lines(project, road="ROAD_NAME")


@bad("profile")
def stations_unsorted(project: Project) -> None:
    """Rows of the table are in no order."""
    _table(project, GOOD[2], GOOD[0], GOOD[1])


@bad("profile")
def stations_twice(project: Project) -> None:
    """A station occurs twice, with different heights."""
    _table(project, *GOOD, "Sorrel St,70,103")


@bad("profile")
def stations_with_a_gap(project: Project) -> None:
    """A height is missing in the middle of the table."""
    _table(project, GOOD[0], "Sorrel St,70,", GOOD[2])


@bad("profile")
def stations_with_words(project: Project) -> None:
    """A height says that it is to be decided."""
    _table(project, GOOD[0], "Sorrel St,70,TBD", GOOD[2])


@bad("profile")
def stations_with_decimal_commas(project: Project) -> None:
    """Heights have commas for decimal points, semicolons between columns."""
    _table(project, "Sorrel St;0;100,5", "Sorrel St;140;100,5", head="road;station;elevation")


@bad("profile")
def stations_without_a_column(project: Project) -> None:
    """The table has no column of stations."""
    _table(project, "Sorrel St,100.5", head="road,elevation")


@bad("profile")
def stations_of_another_road(project: Project) -> None:
    """The table's roads are written otherwise than the lines'."""
    _table(project, *(row.replace("Sorrel St", "SORREL STREET") for row in GOOD))


@bad("profile")
def stations_past_the_end(project: Project) -> None:
    """Stations are feet and called metres: they run past the line's end."""
    _table(project, "Sorrel St,0,100.5", "Sorrel St,459.3,100.5")


@bad("profile")
def stations_of_one_row(project: Project) -> None:
    """The table has one row."""
    _table(project, GOOD[0])


@bad("profile")
def stations_not_there(project: Project) -> None:
    """The table that the plan names is not there."""
    _table(project, *GOOD, path="stationen.csv")


@bad("section")
def section_not_there(project: Project) -> None:
    """The cross-section that the plan names is not there."""
    _lines(project, section="section.toml")


@bad("section")
def section_without_sense(project: Project) -> None:
    """The file of the cross-section is a letter."""
    _lines(project, section="section.toml")
    project.raw("section.toml", "Dear all,\nplease find the section attached.\n")


@bad("section")
def section_of_words(project: Project) -> None:
    """A width of the cross-section is a word."""
    _lines(project, section="section.csv")
    project.raw("section.csv", "side,kind,width,slope\nboth,lane,wide,-2 %\n")


@bad("section")
def section_of_negative_width(project: Project) -> None:
    """A lane of the cross-section is -12 ft wide."""
    _lines(project, section="section.csv")
    project.raw("section.csv", "side,kind,width,slope\nboth,lane,-12 ft,-2 %\n")


@bad("section")
def section_empty(project: Project) -> None:
    """The file of the cross-section has no bytes."""
    _lines(project, section="section.toml")
    project.raw("section.toml", b"")
