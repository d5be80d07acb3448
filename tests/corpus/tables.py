"""Columns of hydrant layers: ids, measured values, types and names."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

import pandas as pd

from tests.corpus import Project, bad
from tests.projects import hydrants


def _column(place: Project, name: str, values: list[Any]) -> None:
    """The hydrants with another column, written."""
    layer = place.layer()
    layer[name] = values
    place.put(layer)


@bad("hydrants")
def repeated_id(place: Project) -> None:
    """Two hydrants at two places have one id."""
    _column(place, "asset_id", ["H-1", "H-1", "H-3"])


@bad("hydrants")
def repeated_row(place: Project) -> None:
    """A hydrant is there twice, id and place."""
    columns = {"asset_id": ["H-1", "H-1", "H-3"], "flange_in": [4.0, 4.5, 10.25]}
    place.put(hydrants(columns, [(11, 23), (11, 23), (71, 62)]))


@bad("hydrants")
def two_ids_at_one_place(place: Project) -> None:
    """Two hydrants with ids of their own share a place."""
    columns = {"asset_id": ["H-1", "H-2", "H-3"], "flange_in": [4.0, 4.5, 10.25]}
    place.put(hydrants(columns, [(11, 23), (11, 23), (71, 62)]))


@bad("hydrants")
def blank_id(place: Project) -> None:
    """An id is blank, another is spaces."""
    _column(place, "asset_id", [None, "   ", "H-3"])


@bad("hydrants")
def made_up_id_is_taken(place: Project) -> None:
    """A blank id would be made up as another hydrant's true one."""
    _column(place, "asset_id", [None, "row-1", "H-3"])


@bad("hydrants")
def ids_as_floats(place: Project) -> None:
    """Ids are floating-point numbers, as a spreadsheet leaves them."""
    _column(place, "asset_id", [1001.0, 1002.0, 1003.0])


@bad("hydrants")
def huge_ids_as_floats(place: Project) -> None:
    """Ids of twenty digits came as floats and lost their last digits."""
    _column(place, "asset_id", [12345678901234567890.0, 12345678901234567891.0, 12345678901234567892.0])


@bad("hydrants")
def formula_ids(place: Project) -> None:
    """Ids look like formulas to a spreadsheet."""
    _column(place, "asset_id", ['=HYPERLINK("http://example.org")', "+1+1", "@SUM(A1)"])


@bad("hydrants")
def markup_ids(place: Project) -> None:
    """Ids hold markup and quotes."""
    _column(place, "asset_id", ["<script>alert(1)</script>", "'); DROP TABLE hydrants; --", '</td>"&amp;'])


@bad("hydrants")
def control_characters_in_ids(place: Project) -> None:
    """Ids hold line ends, a bell and a mark of direction."""
    _column(place, "asset_id", ["H-1\r\nH-9", "H\x072", "\u202eH-3"])


@bad("hydrants")
def ids_as_dates(place: Project) -> None:
    """A spreadsheet turned ids such as 3-4 into days."""
    _column(place, "asset_id", pd.to_datetime(["2027-03-04", "2027-03-05", "2027-03-06"]).tolist())


@bad("hydrants")
def very_long_id(place: Project) -> None:
    """An id is a text of a hundred thousand letters."""
    _column(place, "asset_id", ["H" * 100_000, "H-2", "H-3"])


@bad("hydrants")
def id_column_missing(place: Project) -> None:
    """The column of ids that the plan names is not there."""
    place.put(place.layer().drop(columns="asset_id"))


@bad("hydrants")
def value_column_renamed(place: Project) -> None:
    """The column of flanges was renamed."""
    place.put(place.layer().rename(columns={"flange_in": "flange_inch"}))


@bad("hydrants")
def several_columns_missing(place: Project) -> None:
    """Several columns that the plan names are not there, all to be told at once."""
    place.section("hydrants", family="fam", street="road", measured_on="visited")


@bad("hydrants")
def column_in_other_case(place: Project) -> None:
    """The plan writes a column in other case than the layer."""
    place.section("hydrants", id="ASSET_ID")


@bad("hydrants")
def feet_in_an_inch_column(place: Project) -> None:
    """The column of inches holds feet."""
    _column(place, "flange_in", [0.33, 0.375, 0.854])


@bad("hydrants")
def millimetres_in_an_inch_column(place: Project) -> None:
    """The column of inches holds millimetres."""
    _column(place, "flange_in", [101.6, 114.3, 260.4])


@bad("hydrants")
def elevations_as_clearance(place: Project) -> None:
    """The column of clearances holds elevations above the sea."""
    _column(place, "flange_in", [12_040.0, 12_041.5, 12_038.0])


@bad("hydrants")
def text_in_a_number_column(place: Project) -> None:
    """A number column holds words for one row."""
    _column(place, "flange_in", ["4.0", "about 4", "10.25"])


@bad("hydrants")
def decimal_commas(place: Project) -> None:
    """Numbers of a text column have decimal commas."""
    _column(place, "flange_in", ["4,0", "4,5", "10,25"])


@bad("hydrants")
def units_in_cells(place: Project) -> None:
    """Numbers carry their unit in the cell."""
    _column(place, "flange_in", ['4"', "4.5 in", "10 1/4"])


@bad("hydrants")
def numbers_as_text(place: Project) -> None:
    """Numbers are texts with blanks about them."""
    _column(place, "flange_in", [" 4.0", "4.5 ", "10.25"])


@bad("hydrants")
def words_for_nothing(place: Project) -> None:
    """Values that were not measured are written as words and dashes."""
    _column(place, "flange_in", ["N/A", "-", "10.25"])


@bad("hydrants")
def minus_9999(place: Project) -> None:
    """Values that were not measured are -9999."""
    _column(place, "flange_in", [-9999.0, 4.5, 10.25])


@bad("hydrants")
def zeros_for_nothing(place: Project) -> None:
    """Every clearance is 0, as a form's default leaves it."""
    _column(place, "flange_in", [0.0, 0.0, 0.0])


@bad("hydrants")
def infinite_value(place: Project) -> None:
    """A measured value is infinite, another not a number."""
    _column(place, "flange_in", [math.inf, math.nan, 10.25])


@bad("hydrants")
def all_values_missing(place: Project) -> None:
    """The column of flanges has no value at all."""
    _column(place, "flange_in", [None, None, None])


@bad("hydrants")
def dates_in_a_number_column(place: Project) -> None:
    """A column of numbers became one of days."""
    _column(place, "flange_in", pd.to_datetime(["2027-04-01", "2027-04-05", "2027-10-25"]).tolist())


@bad("hydrants")
def booleans_in_a_number_column(place: Project) -> None:
    """A column of numbers holds yes and no."""
    _column(place, "flange_in", [True, False, True])


@bad("hydrants")
def measured_on_is_no_date(place: Project) -> None:
    """The days of measuring are words, and days that may be two."""
    _column(place, "visited", ["last spring", "03/04/2026", "2026-05-06"])
    place.section("hydrants", measured_on="visited")


@bad("hydrants")
def measured_in_the_future(place: Project) -> None:
    """A hydrant was measured in a year to come."""
    _column(place, "visited", [date(2099, 1, 1), date(2026, 5, 6), date(2026, 5, 6)])
    place.section("hydrants", measured_on="visited")


@bad("hydrants")
def surveyed_in_the_wrong_unit(place: Project) -> None:
    """Surveyed flanges in metres are called feet."""
    layer = place.layer()
    layer["flange_z"] = [30.6, 30.6, 30.7]
    place.put(layer)
    place.section("hydrants", flange_elevation={"column": "flange_z", "unit": "ft"})


@bad("hydrants")
def family_of_nobody(place: Project) -> None:
    """A family has a slip of the pen and is not in the catalogue."""
    layer = place.layer()
    layer["family"] = ["quince", "Quince ", None]
    place.put(layer)
    place.section("hydrants", family="family")
    text = '[[extension]]\nfamily = "quince"\nlength = "6 in"\npart_number = "Q-6"\n'
    place.raw("parts.toml", text)
    place.section("catalog", path="parts.toml")


@bad("hydrants")
def columns_named_as_ours(place: Project) -> None:
    """The layer has columns with the names that results have."""
    layer = place.layer()
    for name in ("action", "hydrant_id", "confidence", "review_action", "before_ground", "row"):
        layer[name] = [7, 8, 9]
    place.put(layer)


@bad("hydrants")
def very_many_columns(place: Project) -> None:
    """The layer has a thousand columns."""
    layer = place.layer()
    more = pd.DataFrame({f"c{i}": [i, i, i] for i in range(1000)})
    place.put(layer.join(more))


@bad("hydrants")
def one_huge_cell(place: Project) -> None:
    """A cell of remarks holds twenty million letters."""
    _column(place, "remark", ["x" * 20_000_000, "", "ok"])
