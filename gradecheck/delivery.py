"""The plan's `[output]`: where results go, in which unit, on which paper."""

from __future__ import annotations

from typing import Literal, get_args
from urllib.parse import urlsplit

from pydantic import Field, ValidationInfo, field_validator

from gradecheck import addresses
from gradecheck.sources import PathText
from gradecheck.validation import Section

Sheeted = Literal["extend", "shorten", "measure", "on_site", "keep"]


class OutputPlace(Section):
    """`[output]`: the folder and the unit of small heights, the paper of the sheets, the background of the map.

    postgis, schema: a database that gets the layers too, and where in it.
    basemap: address of map tiles in the usual web projection, with {z}, {x} and {y}; off by default.
    report_rows: hydrants that the report shows one by one, those of jobs first. sheets: actions that get a work sheet;
    keep: where the ground must be dressed. geoparquet: the layer `hydrants` as GeoParquet too.
    """

    dir: PathText = "out"
    postgis: PathText | None = None
    db_schema: str = Field(default="gradecheck", alias="schema", min_length=1, max_length=63)
    unit: Literal["in", "ft", "mm", "cm", "m"] = "in"
    paper: Literal["letter", "a4"] | None = None
    report_rows: int = Field(default=100_000, ge=0)
    sheets: tuple[Sheeted, ...] = get_args(Sheeted)
    geoparquet: bool = False
    basemap: str | None = None
    basemap_credit: str | None = Field(default=None, validate_default=True)

    @field_validator("postgis")
    @classmethod
    def _database(cls, address: str | None) -> str | None:
        if address is not None and not addresses.is_database(address):
            raise ValueError(f"is no address of a database: {addresses.WRITTEN}")
        return address

    @field_validator("basemap")
    @classmethod
    def _tiles(cls, address: str | None) -> str | None:
        if address is None:
            return None
        at = urlsplit(address)
        if at.scheme not in ("http", "https") or not at.netloc or set(" ;,'\"") & set(address):
            raise ValueError("an address such as https://tiles.example.org/{z}/{x}/{y}.png")
        lacking = [name for name in ("{z}", "{x}", "{y}") if name not in address]
        if lacking:
            raise ValueError(f"{', '.join(lacking)} is missing: https://tiles.example.org/{{z}}/{{x}}/{{y}}.png")
        return address

    @field_validator("basemap_credit")
    @classmethod
    def _credited(cls, credit: str | None, info: ValidationInfo) -> str | None:
        if info.data.get("basemap") is not None and not (credit or "").strip():
            raise ValueError("say whose map the basemap is, in the words that its owner asks for")
        return credit
