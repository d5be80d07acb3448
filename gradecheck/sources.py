"""The plan's sources of ground: `[before]` and `[after]`, one or several, the first on top."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from gradecheck import addresses, locations
from gradecheck.units import Length
from gradecheck.validation import NOT_A_KEY, Distance, PositiveLength, Section, Unit


def _path(value: object) -> object:
    """A file, or the address of a database or a feature service."""
    if isinstance(value, str):
        addresses.check(value)
        if addresses.is_address(value):
            return value
    return _file(value)


def _ground_path(value: object) -> object:
    """A file, a pattern, a folder, or a raster on a network."""
    if isinstance(value, str) and locations.is_remote(value):
        if any(c <= " " for c in value):
            raise ValueError("is an address with a blank or line end in it: write %20 for a blank")
        return value
    return _file(value)


_LONGEST = 4000
"""Bytes of a path; systems take little more."""


def _file(value: object) -> object:
    if isinstance(value, str) and (
        "\0" in value or len(value.encode()) > _LONGEST or any(len(p.encode()) > 255 for p in Path(value).parts)
    ):
        raise ValueError("no file can have such a name")
    if isinstance(value, str) and not value.strip():
        raise ValueError("is empty: name a file or folder")
    if isinstance(value, str) and any(c < " " for c in value):
        raise ValueError(f'{value!r} holds a tab or line end, as \\t and \\n in quotes are read: write paths with "/"')
    return value


PathText = Annotated[str, BeforeValidator(_path)]
GroundPath = Annotated[str, BeforeValidator(_ground_path)]


def _share(value: object) -> float:
    """A share such as "2 %" or 0.02."""
    text = value.strip() if isinstance(value, str) else ""
    try:
        number = float(text[:-1]) / 100 if text.endswith("%") else float(str(value))
    except ValueError:
        number = -1.0
    if isinstance(value, bool) or not 0 <= number <= 1:
        raise ValueError(f'is a share of the distance, such as "2 %" or 0.02, not {value!r}')
    return number


def _listed(value: object, what: str) -> tuple[str, ...]:
    items = [value] if isinstance(value, str) else value
    if not isinstance(items, list | tuple) or not items or not all(isinstance(p, str) and p for p in items):
        raise ValueError(f"must be {what} or a list of them, not {value!r}")
    return tuple(items)


Paths = Annotated[tuple[PathText, ...], BeforeValidator(lambda v: _listed(v, "a path, a pattern, a folder"))]
GroundPaths = Annotated[tuple[GroundPath, ...], BeforeValidator(lambda v: _listed(v, "a path, a pattern, a folder"))]
Names = Annotated[tuple[str, ...], BeforeValidator(lambda v: _listed(v, "a name, a pattern"))]


class StationTable(Section):
    """`table`: heights of roads at stations, joined to their lines by the road's name."""

    path: PathText
    layer: str | None = None
    road: str = "road"
    station: str = "station"
    elevation: str = "elevation"
    station_unit: Unit | None = None
    """The default is the unit of the elevations."""
    elevation_unit: Unit | None = None
    """The default is the unit of the source."""


KINDS = ("raster", "landxml", "dxf", "profile")
_ROAD_KEYS = ("section", "reach", "tie_in", "roads", "offset_sd", "carry")
_OF_THE_WHOLE = ("beyond", "unchanged_past", "limits", "pavement", "correlation")
ONLY_WITH: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("surface", "alignment", "profile_name", "cross_sections"), ("landxml",)),
    **dict.fromkeys(("layers", "lines", "longest_side"), ("dxf",)),
    **dict.fromkeys(("layer", "road", "start"), ("profile",)),
    "table": ("landxml", "profile"),
    "axes": ("landxml", "dxf"),
    **dict.fromkeys(_ROAD_KEYS, ("landxml", "dxf", "profile")),
}


class SurfaceSource(Section):
    """One source of ground: where it comes from, how a road's heights are carried, how good it is."""

    raster: GroundPaths | None = None
    landxml: GroundPaths | None = None
    dxf: GroundPaths | None = None
    profile: GroundPaths | None = None
    surface: str | None = None
    alignment: Names | None = None
    profile_name: str | None = None
    cross_sections: str | None = None
    layers: Names | None = None
    lines: Literal["profiles", "breaklines"] | None = None
    longest_side: PositiveLength = Length(50, "ft")
    layer: str | None = None
    road: str | None = None
    start: str | None = None
    table: StationTable | None = None
    axes: Literal["northing, easting", "easting, northing"] | None = None
    section: PathText | None = None
    reach: PositiveLength = Length(15, "m")
    roads: str | None = None
    offset_sd: Annotated[float, BeforeValidator(_share)] | None = None
    unit: Unit | None = None
    vertical: str | None = None
    crs: str | None = None
    date: datetime.date | None = None
    """The day that the ground was surveyed; of existing ground only."""
    sd: Distance = Length(0.33, "ft")
    sd_shared: Distance = Length(0, "ft")

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        given = [k for k in KINDS if getattr(self, k) is not None]
        if len(given) != 1:
            what = f"has {' and '.join(given)}" if given else "names no ground"
            several = ", several as [[before]] or [[after]], the first on top"
            raise ValueError(f"{what}: give exactly one of {', '.join(KINDS)}{several if given else ''}")
        lost = [k for k, kinds in ONLY_WITH.items() if k in self.model_fields_set and given[0] not in kinds]
        if lost:
            raise ValueError(f"{', '.join(lost)} does not go with {given[0]}: leave it out")
        idle = [f"{key} goes with {needed}" for key, needed in self._idle()]
        if idle:
            raise ValueError("; ".join(idle))
        return self

    def _idle(self) -> Iterator[tuple[str, str]]:
        """Keys that are set and would have no effect, and what they would need."""
        stated = self.model_fields_set
        triangles_only = self.surface is not None and self.alignment is None
        if "start" in stated and self.table is None:
            yield "start", "table: lines with heights of their own begin at station 0"
        if "longest_side" in stated and self.lines != "breaklines":
            yield "longest_side", 'lines = "breaklines"'
        if "section" in stated and self.cross_sections is not None:
            yield "section", "a profile, not with cross_sections, which are sections already"
        for key in ("profile_name", "table", "cross_sections", "section"):
            if key in stated and triangles_only:
                yield key, "alignment, not with surface alone"

    @property
    def kind(self) -> str:
        """What is read: raster, landxml, dxf or profile."""
        return next(k for k in KINDS if getattr(self, k) is not None)

    @property
    def paths(self) -> tuple[str, ...]:
        """The paths, patterns and folders given."""
        return tuple(getattr(self, self.kind))


class GroundSource(SurfaceSource):
    """`[before]`: one source, or several, each under the one before it."""

    under: tuple[SurfaceSource, ...] = Field(default=(), json_schema_extra=NOT_A_KEY)

    @property
    def layers_down(self) -> tuple[SurfaceSource, ...]:
        """The sources, the uppermost first."""
        return (self, *self.under)

    @property
    def shared(self) -> Length:
        """The error common to the whole ground: the greatest of its sources'."""
        return max((s.sd_shared for s in self.layers_down), key=lambda length: length.metres)

    @property
    def surveyed(self) -> datetime.date | None:
        """The newest stated day of its sources: what is older was measured before some of it."""
        return max((s.date for s in self.layers_down if s.date is not None), default=None)


class DesignLayer(SurfaceSource):
    """One source of design ground."""

    sd: Distance = Length(0.05, "ft")
    tie_in: Distance | None = None
    carry: Literal["level", "change"] | None = None

    def _idle(self) -> Iterator[tuple[str, str]]:
        yield from super()._idle()
        if self.date is not None:
            yield "date", "[before]: the design is not surveyed ground"
        for key in ("tie_in", "carry"):
            if key in self.model_fields_set and self.cross_sections is not None:
                yield key, "a profile, not with cross_sections"
        if self.carry is not None and self.section is not None:
            yield "carry", "profiles without a section"


class DesignSource(DesignLayer, GroundSource):
    """`[after]`: the design ground, and what holds beyond its limits.

    correlation: of its own error with that of the before surface, where both rest on one survey.
    """

    under: tuple[DesignLayer, ...] = Field(default=(), json_schema_extra=NOT_A_KEY)
    beyond: Literal["unchanged", "missing"] = "unchanged"
    unchanged_past: Distance = Length(30, "ft")
    limits: PathText | None = None
    pavement: PathText | None = None
    correlation: Annotated[float, Field(ge=0, le=1, strict=True)] = 0.0


def pile(value: object, section: str) -> object:
    """A list of tables as one: the first with the others under it. Raises ValueError in words for a person."""
    if isinstance(value, Mapping) and "under" in value:
        raise ValueError(f"'under' is no key: write [[{section}]] for each of several, the first on top")
    if not (isinstance(value, list) and value and all(isinstance(v, Mapping) for v in value)):
        return value
    misplaced = sorted({key for later in value[1:] for key in _OF_THE_WHOLE if key in later})
    if misplaced and section == "after":
        raise ValueError(f"{', '.join(misplaced)}: of the whole design, stands in the first [[after]]")
    return {**value[0], "under": value[1:]}
