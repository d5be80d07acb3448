"""Layers of very many rows."""

from __future__ import annotations

from tests.corpus import Project, bad
from tests.projects import EAST, NORTH

_ROWS = 1_000_000


def _register(place: Project, cell: str = "") -> None:
    """A register of a million rows as CSV, three of them in service; cell: the remark of the one in the middle."""
    with (place.folder / "hydrants.csv").open("w", encoding="utf-8") as file:
        file.write("asset_id,flange_in,east,north,status,remark\n")
        for i in range(_ROWS):
            status = "ACT" if i % 400_000 == 7 else "OUT"
            remark = cell if i == _ROWS // 2 else ""
            file.write(f"H-{i},4.{i % 9},{EAST + i % 97},{NORTH + i % 89},{status},{remark}\n")
    place.section("hydrants", path="hydrants.csv", x="east", y="north", crs="EPSG:32615", where="status = 'ACT'")


@bad("hydrants")
def a_million_rows(place: Project) -> None:
    """The layer is a register of a million rows, of which three are asked for."""
    _register(place)


@bad("hydrants")
def a_million_rows_and_one_vast_cell(place: Project) -> None:
    """A CSV of a million rows has one cell of a hundred million letters."""
    _register(place, "x" * 100_000_000)
