"""The plan: one frozen object, from a TOML file or from the flags of a one-off run.

Whatever is wrong with a plan is told in one `PlanError` with every finding in it. Paths stay as written;
`Plan.resolve` places them relative to the plan file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Discriminator, Field, PrivateAttr, Tag, ValidationInfo, field_validator

from gradecheck.errors import Finding, PlanError
from gradecheck.policy import Policy
from gradecheck.units import Length
from gradecheck.validation import Distance, Section, Unit, build


def _path(value: object) -> object:
    if isinstance(value, str) and ("\0" in value or any(len(p.encode()) > 255 for p in Path(value).parts)):
        raise ValueError("no file can have such a name")
    return value


PathText = Annotated[str, BeforeValidator(_path)]


class Project(Section):
    """`[project]`: the name, the start of work and the reference system that work is done in."""

    name: str | None = None
    starts: date | None = None
    work_days_before: int = Field(default=14, ge=0, strict=True)
    crs: str | None = None


MEASURING_SD = Length(0.25, "in")
"""Standard deviation of a clearance measured with a rule, where the plan states none."""


class LengthColumn(Section):
    """A column of the hydrant layer that holds lengths in one unit."""

    column: str
    unit: Unit


class MeasuredColumn(LengthColumn):
    """A column of measured lengths with their standard deviation."""

    sd: Distance = MEASURING_SD


class SurveyedColumn(LengthColumn):
    """A column of surveyed elevations with their standard deviation."""

    sd: Distance = Length(0.02, "ft")


ColumnOrLength = Annotated[
    Annotated[LengthColumn, Tag("(column)")] | Annotated[Distance, Tag("(length)")],
    Discriminator(lambda v: "(column)" if isinstance(v, Mapping | LengthColumn) else "(length)"),
]


class HydrantSource(Section):
    """`[hydrants]`: the point layer and what its columns mean."""

    path: PathText
    layer: str | None = None
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


class PavingSource(Section):
    """`[paving]`: limits of work or road lines, each row a part of a job."""

    path: PathText
    layer: str | None = None
    job: str
    starts: str | None = None
    reach: Distance = Length(15, "m")


class SurfaceSource(Section):
    """`[before]`: where the existing ground comes from and how good it is."""

    raster: tuple[PathText, ...]
    unit: Unit | None = None
    vertical: str | None = None
    crs: str | None = None
    sd: Distance = Length(0.33, "ft")
    sd_shared: Distance = Length(0, "ft")

    later: ClassVar[tuple[str, ...]] = ("landxml", "dxf", "profile")
    """Sources that the plan file knows and this version does not read: told apart from a mistyped key."""

    @field_validator("raster", mode="before")
    @classmethod
    def _listed(cls, value: object) -> object:
        paths = [value] if isinstance(value, str) else value
        if not isinstance(paths, list | tuple) or not paths or not all(isinstance(p, str) and p for p in paths):
            raise ValueError(f"must be a path, a pattern, a folder or a list of them, not {value!r}")
        return tuple(paths)


class DesignSource(SurfaceSource):
    """`[after]`: the design ground, and what holds beyond its limits."""

    sd: Distance = Length(0.05, "ft")
    beyond: Literal["unchanged", "missing"] = "unchanged"
    unchanged_past: Distance = Length(30, "ft")
    limits: PathText | None = None


class CatalogSource(Section):
    """`[catalog]`: the file of lengths that can be bought; the generic catalogue where none is named."""

    path: PathText | None = None


class OutputPlace(Section):
    """`[output]`: the folder and the unit of small heights."""

    dir: PathText = "out"
    unit: Literal["in", "ft", "mm", "cm", "m"] = "in"


class Plan(Section):
    """Everything that one run is told. Build it with `Plan.load`, `Plan.parse` or `Plan.one_off`."""

    project: Project = Project()
    hydrants: HydrantSource
    paving: PavingSource | None = None
    before: SurfaceSource | None = Field(default=None, validate_default=True)
    after: DesignSource
    policy: Policy = Policy()
    catalog: CatalogSource = CatalogSource()
    output: OutputPlace = OutputPlace()

    _folder: Path = PrivateAttr(default=Path())
    _file: Path | None = PrivateAttr(default=None)

    @field_validator("before")
    @classmethod
    def _before_or_flanges(cls, before: SurfaceSource | None, info: ValidationInfo) -> SurfaceSource | None:
        hydrants = info.data.get("hydrants")
        if before is None and hydrants is not None and hydrants.flange_elevation is None:
            raise ValueError("[before] is needed unless [hydrants] maps surveyed flange elevations")
        return before

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

    def as_written(self) -> dict[str, Any]:
        """The resolved plan with its defaults, lengths as text: what run.json and the GeoPackage carry."""
        return self.model_dump(mode="json", exclude_none=True)

    def assumed(self) -> list[str]:
        """The settings that stand for a fact and were left at their default, in words."""
        notes = []
        for name, source in (("before", self.before), ("after", self.after)):
            if source is not None and "sd" not in source.model_fields_set:
                notes.append(f"{name}.sd = {source.sd}: the vertical error of this ground is assumed")
        if "position_sd" not in self.hydrants.model_fields_set:
            notes.append(f"hydrants.position_sd = {self.hydrants.position_sd}: how well points are located is assumed")
        if self.hydrants.extension_fitted is None:
            notes.append("hydrants.extension_fitted is not mapped: what is fitted already is unknown everywhere")
        if not self.policy.model_fields_set & {"clearance_min", "clearance_target", "clearance_max"}:
            low, aim, high = self.policy.clearance_min, self.policy.clearance_target, self.policy.clearance_max
            notes.append(f"policy window {low} / {aim} / {high}: a common default, not your standard")
        return notes

    @classmethod
    def parse(cls, values: Mapping[str, Any], folder: Path | str = ".", file: Path | None = None) -> Plan:
        """A plan from the tables of a TOML file. Raises PlanError with every finding."""
        plan, findings = build(cls, values)
        if plan is None:
            raise PlanError(findings)
        plan._folder, plan._file = Path(folder), file
        return plan

    @classmethod
    def load(cls, path: Path | str) -> Plan:
        """A plan from a TOML file. Raises PlanError with every finding."""
        file = Path(path)
        try:
            values = tomllib.loads(file.read_text(encoding="utf-8-sig"))
        except FileNotFoundError:
            raise PlanError(Finding(str(path), "no such plan file", "check the path")) from None
        except IsADirectoryError:
            raise PlanError(Finding(str(path), "is a folder", "name the plan file in it")) from None
        except OSError as error:
            raise PlanError(Finding(str(path), f"cannot be read ({error.strerror})")) from None
        except UnicodeDecodeError as error:
            mend = "save it as UTF-8"
            raise PlanError(Finding(str(path), f"is not UTF-8 text (byte {error.start})", mend)) from None
        except tomllib.TOMLDecodeError as error:
            raise PlanError(Finding(str(path), f"is not TOML: {error}", _toml_hint(str(error)))) from None
        return cls.parse(values, file.parent, file)

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
        """The same plan from the flags of a one-off run; paths are relative to the current folder."""
        values: dict[str, Any] = {
            "hydrants": _given(path=hydrants, id=id, layer=layer),
            "before": _given(raster=list(before), unit=before_unit),
            "after": _given(raster=list(after), unit=after_unit),
            "output": _given(dir=out, unit=unit),
        }
        return cls.parse(values)


def _given(**values: Any) -> dict[str, Any]:
    return {k: v for k, v in values.items() if v is not None}


def _toml_hint(message: str) -> str:
    quotes = 'lengths and text stand in quotes, such as "2 in"'
    return quotes if "Invalid value" in message or "after a statement" in message else "mend the line named"
