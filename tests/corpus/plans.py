"""Plan files: types, keys, lengths, paths, outputs."""

from __future__ import annotations

from pathlib import Path

from tests.corpus import Project, bad
from tests.projects import toml_text


def _text(place: Project, text: str | bytes) -> None:
    place.text = text


def _as_text(place: Project) -> str:
    return toml_text(place.plan)


def _policy(place: Project, **values: object) -> None:
    place.section("policy", **values)


@bad("plan")
def plan_without_hydrants(place: Project) -> None:
    """The plan has no section of hydrants."""
    del place.plan["hydrants"]


@bad("plan")
def plan_without_grounds(place: Project) -> None:
    """The plan names no ground, before or after."""
    del place.plan["before"], place.plan["after"]


@bad("plan")
def plan_key_misspelt(place: Project) -> None:
    """A key has a slip of the pen."""
    place.section("hydrants", positon_sd="0.1 m")


@bad("plan")
def plan_section_misspelt(place: Project) -> None:
    """A section has a slip of the pen."""
    place.plan["polcy"] = {"clearance_min": "2 in"}


@bad("plan")
def plan_section_is_a_value(place: Project) -> None:
    """A section is written as a value."""
    _text(place, 'hydrants = "hydrants.gpkg"\n' + _as_text(place).partition("[before]")[2].join(["[before]", ""]))


@bad("plan")
def plan_list_for_text(place: Project) -> None:
    """A list stands where text belongs."""
    place.section("hydrants", path=["hydrants.gpkg"])


@bad("plan")
def plan_number_for_text(place: Project) -> None:
    """A number stands where text belongs."""
    place.section("hydrants", id=7)


@bad("plan")
def plan_text_for_number(place: Project) -> None:
    """Text stands where a number belongs."""
    _policy(place, confidence="90 %")


@bad("plan")
def plan_text_for_whole_number(place: Project) -> None:
    """A fraction stands where a whole number belongs."""
    _policy(place, max_extensions=1.5)


@bad("plan")
def plan_text_for_truth(place: Project) -> None:
    """Text stands where true or false belongs."""
    place.section("project", allow_remote="yes")


@bad("plan")
def plan_text_for_table(place: Project) -> None:
    """A column's name stands where a table of column and unit belongs."""
    place.section("hydrants", clearance="flange_in")


@bad("plan")
def plan_table_for_text(place: Project) -> None:
    """A table stands where text belongs."""
    place.section("hydrants", id={"column": "asset_id"})


@bad("plan")
def plan_days_before_without_end(place: Project) -> None:
    """Work is to begin a billion days after the order."""
    place.section("project", work_days_before=10**9)


@bad("plan")
def plan_no_date(place: Project) -> None:
    """The start of work is no date."""
    place.section("project", starts="next May")


@bad("plan")
def plan_day_that_is_not(place: Project) -> None:
    """The start of work is the 31st of June."""
    _text(place, "[project]\nstarts = 2027-06-31\n" + _as_text(place))


@bad("plan")
def plan_length_without_unit(place: Project) -> None:
    """A length is a bare number."""
    _policy(place, clearance_min=2)


@bad("plan")
def plan_length_without_unit_in_quotes(place: Project) -> None:
    """A length is a number in quotes."""
    _policy(place, clearance_min="2")


@bad("plan")
def plan_length_of_unknown_unit(place: Project) -> None:
    """A length has a unit that is none."""
    _policy(place, clearance_min="2 inchs")


@bad("plan")
def plan_negative_length(place: Project) -> None:
    """A length is below zero."""
    place.section("hydrants", position_sd="-1 m")


@bad("plan")
def plan_zero_length(place: Project) -> None:
    """A length that must be above zero is zero."""
    _policy(place, branch_diameter="0 in")


@bad("plan")
def plan_nan_length(place: Project) -> None:
    """A length is nan."""
    place.section("before", sd="nan ft")


@bad("plan")
def plan_infinite_length(place: Project) -> None:
    """A length is infinite."""
    place.section("before", sd="inf ft")


@bad("plan")
def plan_overflowing_length(place: Project) -> None:
    """A length is 1e400."""
    place.section("before", sd="1e400 ft")


@bad("plan")
def plan_huge_length(place: Project) -> None:
    """An error is a million kilometres."""
    place.section("before", sd="1e9 m")


@bad("plan")
def plan_huge_position_error(place: Project) -> None:
    """Points are located to a thousand kilometres."""
    place.section("hydrants", position_sd="1000000 m")


@bad("plan")
def plan_no_error_at_all(place: Project) -> None:
    """Every error is stated as zero."""
    place.section("before", sd="0 ft")
    place.section("after", sd="0 ft")
    place.section("hydrants", position_sd="0 m")


@bad("plan")
def plan_huge_window(place: Project) -> None:
    """The window of clearances reaches to a mile."""
    _policy(place, clearance_max="5280 ft")


@bad("plan")
def plan_window_falls(place: Project) -> None:
    """The least clearance is above the greatest."""
    _policy(place, clearance_min="8 in")


@bad("plan")
def plan_outlet_falls(place: Project) -> None:
    """The least height of an outlet is above the greatest."""
    _policy(place, outlet_min="40 in")


@bad("plan")
def plan_confidence_of_one(place: Project) -> None:
    """The confidence is certainty."""
    _policy(place, confidence=1.0)


@bad("plan")
def plan_confidence_in_percent(place: Project) -> None:
    """The confidence is 90."""
    _policy(place, confidence=90)


@bad("plan")
def plan_confidence_nan(place: Project) -> None:
    """The confidence is nan."""
    _policy(place, confidence=float("nan"))


@bad("plan")
def plan_many_extensions(place: Project) -> None:
    """A hundred extensions may be stacked."""
    _policy(place, max_extensions=100)


@bad("plan")
def plan_correlation_above_one(place: Project) -> None:
    """A correlation is above 1."""
    place.section("after", correlation=1.5)


@bad("plan")
def plan_two_kinds_of_ground(place: Project) -> None:
    """A ground is a raster and a drawing at once."""
    place.section("after", dxf="after.dxf")


@bad("plan")
def plan_keys_of_other_kind(place: Project) -> None:
    """A raster has keys of a drawing."""
    place.section("after", layers=["EG"])


@bad("plan")
def plan_same_ground_twice(place: Project) -> None:
    """The before and the after ground are one file."""
    place.section("after", raster="before.tif")


@bad("plan")
def plan_setback_without_pavement(place: Project) -> None:
    """A setback is stated, and no pavement."""
    _policy(place, setback_min="3 ft")


@bad("plan")
def plan_layer_of_service(place: Project) -> None:
    """The layer is an address, and no address is allowed."""
    place.section("hydrants", path="https://gis.example.org/arcgis/rest/services/Water/FeatureServer/0")


@bad("plan")
def plan_path_blank(place: Project) -> None:
    """A path is blank."""
    place.section("hydrants", path="  ")


@bad("plan")
def plan_path_too_long(place: Project) -> None:
    """A path has a name of a thousand letters."""
    place.section("hydrants", path="h" * 1000 + ".gpkg")


@bad("plan")
def plan_path_of_many_folders(place: Project) -> None:
    """A path is longer than a system takes."""
    place.section("hydrants", path="folder/" * 2000 + "hydrants.gpkg")


@bad("plan")
def plan_path_with_escapes(place: Project) -> None:
    """A path has a tab, as a backslash and t are read."""
    place.section("hydrants", path="data\thydrants.gpkg")
    _text(place, _as_text(place).replace("data\thydrants", "data\\thydrants"))


@bad("plan")
def plan_ground_not_there(place: Project) -> None:
    """Both grounds are not there, and the layer too, all to be told at once."""
    place.section("before", raster="befor.tif")
    place.section("after", raster="afterr.tif")
    place.section("hydrants", path="hydrant.gpkg")


@bad("plan")
def plan_unit_of_output(place: Project) -> None:
    """The unit of the results is none."""
    place.section("output", unit="yards")


@bad("plan")
def plan_paper(place: Project) -> None:
    """The paper is of another size."""
    place.section("output", paper="A3")


@bad("plan")
def output_is_a_file(place: Project) -> None:
    """A file stands where the output folder is to be."""
    place.raw("results", "minutes of the meeting\n")
    place.section("output", dir="results")


@bad("plan")
def output_below_a_file(place: Project) -> None:
    """A file stands in the way to the output folder."""
    place.raw("results", "minutes of the meeting\n")
    place.section("output", dir="results/2027")


@bad("plan")
def output_over_an_input(place: Project) -> None:
    """The output folder is the folder of the inputs, and an input has the name of a result."""
    (place.folder / "hydrants.gpkg").rename(place.folder / "gradecheck.gpkg")
    place.section("hydrants", path="gradecheck.gpkg")
    place.section("output", dir=".")


@bad("plan")
def output_is_where_no_file_can_be(place: Project) -> None:
    """The output folder lies where the system lets nobody write."""
    if not Path("/proc").is_dir():
        place.allow = "there is no such place here"
    place.section("output", dir="/proc/gradecheck")


@bad("plan")
def output_name_too_long(place: Project) -> None:
    """The output folder has a name of three hundred letters."""
    place.section("output", dir="r" * 300)


@bad("plan")
def output_blank(place: Project) -> None:
    """The output folder's name is blank."""
    place.section("output", dir="")
