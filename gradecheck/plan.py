"""The plan: one frozen object, from a TOML file or from the flags of a one-off run.

Whatever is wrong with a plan is told in one `PlanError` with every finding in it. Paths stay as written;
`Plan.resolve` places them relative to the plan file.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    Discriminator,
    Field,
    PrivateAttr,
    Tag,
    ValidationInfo,
    field_validator,
    model_validator,
)

from gradecheck import addresses, locations
from gradecheck.delivery import OutputPlace
from gradecheck.errors import Finding, PlanError
from gradecheck.policy import Policy
from gradecheck.sources import KINDS, ONLY_WITH, DesignSource, GroundSource, Paths, PathText, pile
from gradecheck.units import Length
from gradecheck.validation import Distance, PositiveLength, Section, Unit, build, nearest, toml_values


class Project(Section):
    """`[project]`: the name, the start of work and the reference system that work is done in.

    grids: folders with grids for PROJ, such as those between vertical datums. allow_remote: inputs may be read from,
    and results written to, other machines.
    """

    name: str | None = None
    starts: date | None = None
    work_days_before: int = Field(default=14, ge=0, le=3650, strict=True)
    crs: str | None = None
    grids: Paths | None = None
    allow_remote: Annotated[bool, Field(strict=True)] = False


MEASURING_SD = Length(0.25, "in")
SURVEYING_SD = Length(0.02, "ft")
"""Standard deviations of a clearance measured with a rule and of a flange surveyed, where the plan states none."""


class LengthColumn(Section):
    """A column of the hydrant layer that holds lengths in one unit."""

    column: str
    unit: Unit


class MeasuredColumn(LengthColumn):
    """A column of measured lengths with their standard deviation."""

    sd: Distance = MEASURING_SD


class SurveyedColumn(LengthColumn):
    """A column of surveyed elevations with their standard deviation.

    vertical: their vertical reference system, where it is not the design's.
    """

    sd: Distance = SURVEYING_SD
    vertical: str | None = None


ColumnOrLength = Annotated[
    Annotated[LengthColumn, Tag("(column)")] | Annotated[Distance, Tag("(length)")],
    Discriminator(lambda v: "(column)" if isinstance(v, Mapping | LengthColumn) else "(length)"),
]


class HydrantSource(Section):
    """`[hydrants]`: the point layer and what its columns mean.

    geometry: which of several columns with geometry, in a table of a database.
    """

    path: PathText
    layer: str | None = None
    geometry: str | None = None
    id: str | None = None
    where: str | None = None
    x: str | None = None
    y: str | None = None
    crs: str | None = None
    encoding: str | None = None
    position_sd: Distance = Length(1, "m")
    family: str | None = None
    street: str | None = None
    opens: str | None = None
    extension_fitted: ColumnOrLength | None = None
    bury: LengthColumn | None = None
    clearance: MeasuredColumn | None = None
    flange_elevation: SurveyedColumn | None = None
    outlet_above_flange: ColumnOrLength | None = None
    measured_on: str | None = None

    @field_validator("geometry")
    @classmethod
    def _of_a_table(cls, column: str | None, info: ValidationInfo) -> str | None:
        if column is not None and not addresses.is_database(info.data.get("path", "")):
            raise ValueError("goes with the address of a database: a layer of a file has one geometry")
        return column


class MeasurementSource(Section):
    """`[measurements]`: what crews measured, in the form that a run writes or a layer with the same columns.

    clearance_sd: the default is that of [hydrants] clearance. unit, elevation_unit: of small heights and of elevations,
    only where no row of the file says them. date_order: of dates such as 03/04/2027.
    """

    path: Paths
    layer: str | None = None
    encoding: str | None = None
    unit: Unit | None = None
    elevation_unit: Unit | None = None
    date_order: Literal["mdy", "dmy"] | None = None
    clearance_sd: Distance | None = None
    flange_sd: Distance = SURVEYING_SD


class PavingSource(Section):
    """`[paving]`: limits of work or road lines, each row a part of a job."""

    path: PathText
    layer: str | None = None
    job: str
    starts: str | None = None
    reach: Distance = Length(15, "m")


class CatalogSource(Section):
    """`[catalog]`: the file of lengths that can be bought; the generic catalogue where none is named."""

    path: PathText | None = None


class StableSource(Section):
    """`[stable]`: where nothing is built, so that both surfaces should agree.

    path: polygons, or points, where that is known to be so; else `beyond`, a distance from the limits of work on.
    correct: raise the before surface by the median difference there.
    """

    path: PathText | None = None
    layer: str | None = None
    beyond: Distance | None = None
    spacing: PositiveLength | None = None
    correct: bool = False

    @model_validator(mode="after")
    def _somewhere(self) -> Self:
        if (self.path is None) == (self.beyond is None):
            raise ValueError(
                "give path (polygons or points), or beyond (a distance from the limits of work), one of them"
            )
        return self


class SettleSource(Section):
    """`[settle]`: what might settle the open hydrants, and what a wrong length costs.

    surface_sd: of both surfaces, should better ones be bought. worst: how many flanges a crew would measure first.
    kit, return_trip: money, in the catalogue's currency; the kit's cost is else the catalogue's. walk: how far the next
    hydrant of a measuring walk may be.
    """

    surface_sd: tuple[PositiveLength, ...] = (Length(0.1, "ft"), Length(0.05, "ft"), Length(0.02, "ft"))
    worst: Annotated[int, Field(ge=1, strict=True)] = 20
    kit: Annotated[float, Field(ge=0)] | None = None
    return_trip: Annotated[float, Field(ge=0)] | None = None
    walk: PositiveLength = Length(150, "m")


class Plan(Section):
    """Everything that one run is told. Build it with `Plan.load`, `Plan.parse` or `Plan.one_off`."""

    project: Project = Project()
    hydrants: HydrantSource
    measurements: MeasurementSource | None = None
    paving: PavingSource | None = None
    before: GroundSource | None = Field(default=None, validate_default=True)
    after: DesignSource
    policy: Policy = Policy()
    catalog: CatalogSource = CatalogSource()
    stable: StableSource | None = None
    settle: SettleSource = SettleSource()
    output: OutputPlace = OutputPlace()

    _folder: Path = PrivateAttr(default=Path())
    _file: Path | None = PrivateAttr(default=None)

    @field_validator("before", "after", mode="before")
    @classmethod
    def _piled(cls, value: object, info: ValidationInfo) -> object:
        return pile(value, str(info.field_name))

    @field_validator("before")
    @classmethod
    def _before_or_flanges(cls, before: GroundSource | None, info: ValidationInfo) -> GroundSource | None:
        hydrants, measured = info.data.get("hydrants"), info.data.get("measurements")
        if before is None and hydrants is not None and hydrants.flange_elevation is None and measured is None:
            raise ValueError("[before] is needed unless [hydrants] maps surveyed flange elevations")
        return before

    @property
    def measuring_sd(self) -> Length:
        """How well a clearance is measured in the field from now on."""
        clearance = self.hydrants.clearance
        stated = None if self.measurements is None else self.measurements.clearance_sd
        return stated or (MEASURING_SD if clearance is None else clearance.sd)

    @property
    def surveying_sd(self) -> Length:
        """How well a flange is surveyed in the field from now on."""
        flange = self.hydrants.flange_elevation
        stated = None if self.measurements is None else self.measurements.flange_sd
        return stated or (SURVEYING_SD if flange is None else flange.sd)

    @property
    def folder(self) -> Path:
        """What relative paths are relative to: the plan file's folder, else the current one."""
        return self._folder

    @property
    def file(self) -> Path | None:
        """The plan file, or None for a plan from flags."""
        return self._file

    def with_output(self, folder: str) -> Plan:
        """The same plan writing to another folder."""
        changed = self.model_copy(update={"output": self.output.model_copy(update={"dir": folder})})
        changed._folder, changed._file = self._folder, self._file
        return changed

    def resolve(self, path: str) -> Path:
        """A path of the plan as a path to open."""
        return self._folder / path

    def addresses(self) -> dict[str, str]:
        """Keys that may hold the address of a database or a service, with what they hold."""
        keys = ("hydrants.path", "paving.path", "after.limits", "after.pavement", "stable.path", "output.postgis")
        values = {key: getattr(getattr(self, key.split(".")[0]), key.split(".")[1], None) for key in keys}
        return {key: value for key, value in values.items() if value is not None and addresses.is_address(value)}

    def as_written(self) -> dict[str, Any]:
        """The resolved plan with its defaults, lengths as text, addresses without secrets: for run.json, GeoPackage."""
        written = self.model_dump(mode="json", exclude_none=True, by_alias=True)
        for name in ("before", "after"):
            pile = [written[name], *written[name].pop("under", [])] if name in written else []
            for source in pile:
                kind = next(k for k in KINDS if k in source)
                for key, kinds in ONLY_WITH.items():
                    if kind not in kinds:
                        source.pop(key, None)
                source[kind] = [locations.shown(p) if locations.is_remote(p) else p for p in source[kind]]
            if len(pile) > 1:
                written[name] = pile
        return written

    def assumed(self) -> list[str]:
        """The settings that stand for a fact and were left at their default, in words."""
        notes = []
        for name, ground in (("before", self.before), ("after", self.after)):
            layers = ground.layers_down if ground is not None else ()
            for number, source in enumerate(layers, start=1):
                at = name if len(layers) == 1 else f"{name}[{number}]"
                if "sd" not in source.model_fields_set:
                    notes.append(f"{at}.sd = {source.sd}: the vertical error of this {source.kind} ground is assumed")
        if "position_sd" not in self.hydrants.model_fields_set:
            notes.append(f"hydrants.position_sd = {self.hydrants.position_sd}: how well points are located is assumed")
        if self.hydrants.clearance is None and self.hydrants.flange_elevation is None and self.measurements is None:
            notes.append("hydrants.clearance is not mapped: the height of every flange today is assumed")
        if self.hydrants.extension_fitted is None:
            where = "everywhere" if self.measurements is None else "where no field measurement says it"
            notes.append(f"hydrants.extension_fitted is not mapped: what is fitted already is unknown {where}")
        if not self.policy.model_fields_set & {"clearance_min", "clearance_target", "clearance_max"}:
            low, aim, high = self.policy.clearance_min, self.policy.clearance_target, self.policy.clearance_max
            notes.append(f"policy window {low} / {aim} / {high}: a common default, not your standard")
        return notes

    @classmethod
    def parse(cls, values: Mapping[str, Any], folder: Path | str = ".", file: Path | None = None) -> Plan:
        """A plan from the tables of a TOML file. Raises PlanError with every finding."""
        plan, findings = build(cls, values)
        if plan is None:
            raise PlanError([replace(f, where=_UNDER.sub(_nth, f.where)) for f in findings])
        plan._folder, plan._file = Path(folder), file
        elsewhere = [] if plan.project.allow_remote else addresses.elsewhere(plan.addresses())
        if elsewhere:
            raise PlanError(elsewhere)
        return plan

    @classmethod
    def load(cls, path: Path | str) -> Plan:
        """A plan from a TOML file. Raises PlanError with every finding."""
        file = Path(path)
        try:
            content = file.read_bytes()
        except FileNotFoundError:
            plans = _plans_in(file.parent)
            mend = nearest(file.name, plans) if plans else "check the path"
            raise PlanError(Finding(str(path), "no such plan file", mend)) from None
        except IsADirectoryError:
            names = ", ".join(_plans_in(file))
            mend = f"name the plan file in it: {names}" if names else "`gradecheck starter` writes a plan to change"
            raise PlanError(Finding(str(path), "is a folder", mend)) from None
        except OSError as error:
            mend = "check the path and your right to read it"
            raise PlanError(Finding(str(path), f"cannot be read ({error.strerror})", mend)) from None
        return cls.parse(toml_values(content, str(path)), file.parent, file)

    @classmethod
    def one_off(
        cls,
        hydrants: str,
        before: Sequence[str],
        after: Sequence[str],
        *,
        out: str = "out",
        id: str | None = None,
        layer: str | None = None,
        before_unit: str | None = None,
        after_unit: str | None = None,
        unit: str = "in",
    ) -> Plan:
        """The same plan from the flags of a one-off run; paths are relative to the current folder.

        What a file is read as goes by its suffix; files of different kinds lie one under another in their order.
        """
        values: dict[str, Any] = {
            "hydrants": _given(path=hydrants, id=id, layer=layer),
            "before": _by_suffix(before, before_unit),
            "after": _by_suffix(after, after_unit),
            "output": _given(dir=out, unit=unit),
        }
        return cls.parse(values)


def _by_suffix(paths: Sequence[str], unit: str | None) -> list[dict[str, Any]]:
    """Sources of ground from files alone: neighbours of one kind are one source."""
    sources: list[dict[str, Any]] = []
    for path in paths:
        kind = _SUFFIXES.get(Path(path).suffix.lower(), "raster")
        if sources and kind in sources[-1]:
            sources[-1][kind].append(path)
        else:
            sources.append(_given(**{kind: [path]}, unit=unit))
    return sources


_SUFFIXES = {
    **dict.fromkeys((".xml", ".landxml"), "landxml"),
    ".dxf": "dxf",
    **dict.fromkeys((".gpkg", ".geojson", ".shp", ".fgb", ".gml", ".parquet"), "profile"),
}
_UNDER = re.compile(r"\.under\[(\d+)\]")


def _nth(match: re.Match[str]) -> str:
    """The sources as the plan numbers them: the one under the first is the second."""
    return f"[{int(match[1]) + 1}]"


def _given(**values: Any) -> dict[str, Any]:
    return {k: v for k, v in values.items() if v is not None}


def _plans_in(folder: Path) -> list[str]:
    """Names of what may be plans in a folder, a few."""
    try:
        return sorted(p.name for p in folder.glob("*.toml"))[:8]
    except OSError:
        return []
