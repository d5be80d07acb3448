"""What lies in the folder that results go to."""

from __future__ import annotations

import shutil

from tests.corpus import Project, bad


@bad("plan")
def input_under_the_name_of_a_result(place: Project) -> None:
    """The layer of hydrants lies in the output folder under the name of a result."""
    (place.folder / "out").mkdir()
    shutil.move(place.folder / "hydrants.gpkg", place.folder / "out" / "gradecheck.gpkg")
    place.section("hydrants", path="out/gradecheck.gpkg")


@bad("plan")
def catalogue_under_the_name_of_a_result(place: Project) -> None:
    """The catalogue lies in the output folder under the name of a result."""
    place.raw("out/order.csv", "family,part_number,length\nA,Q-6,6 in\n")
    place.section("catalog", path="out/order.csv")


@bad("plan")
def a_stranger_under_the_name_of_a_result(place: Project) -> None:
    """Somebody's own file lies in the output folder under the name of a result."""
    place.raw("out/order.csv", "item,count\nsocks,2\n")


@bad("plan")
def strangers_record(place: Project) -> None:
    """Another program's run.json lies in the output folder."""
    place.raw("out/run.json", '{"steps": [1, 2]}')


@bad("plan")
def a_folder_under_the_name_of_a_result(place: Project) -> None:
    """A folder in the output folder has the name of a result."""
    (place.folder / "out" / "report.html").mkdir(parents=True)
