"""Cross-sections from TOML or CSV: one for all roads of a source, or one for each of several."""

from __future__ import annotations

import csv
import math
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BeforeValidator, Field

from gradecheck.errors import Finding, InputError
from gradecheck.roads.section import Section, Strip, faults
from gradecheck.roads.stations import Written, parse_station
from gradecheck.units import METRES, Length
from gradecheck.validation import AnyLength, Distance, Unit, build
from gradecheck.validation import Section as Settings

_STEEPEST, _STEEPEST_BARE = 10.0, 0.5
"""Slopes beyond which a value is a mistake; without a % sign, one that may stand for per cent."""
_RUN_TO_RISE = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*:\s*(\d+\.?\d*|\.\d+)\s*")
_PIECE = re.compile(r" \(\d+\)$")
"""What tells the pieces of a road apart."""
_PERCENT = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+))\s*%\s*")


def slope_of(value: object) -> float:
    """Rise per run from "-2 %" or a ratio such as -0.02. Raises ValueError in words for a person.

    >>> slope_of("-2 %"), slope_of(0.33), slope_of("-0.02")
    (-0.02, 0.33, -0.02)
    """
    match = _PERCENT.fullmatch(value) if isinstance(value, str) else None
    slope = float(match[1]) / 100 if match else _ratio(value)
    if slope is None:
        raise ValueError(f'a slope is text such as "-2 %" (rise per run, outward, + up), not {value!r}')
    if not match and abs(slope) > _STEEPEST_BARE:
        raise ValueError(f'{value!r} has no % sign: write 2 per cent as "2 %" or 0.02')
    if abs(slope) > _STEEPEST:
        raise ValueError(f"{value!r} is steeper than {_STEEPEST:g} to 1")
    return slope


def tie_slope_of(value: object) -> float:
    """As `slope_of`, or run to rise: "3:1". Raises ValueError in words for a person.

    >>> round(tie_slope_of("3:1"), 4), tie_slope_of("50 %")
    (0.3333, 0.5)
    """
    match = _RUN_TO_RISE.fullmatch(value) if isinstance(value, str) else None
    slope = float(match[2]) / float(match[1]) if match and float(match[1]) else slope_of(value)
    if not 0 < slope <= _STEEPEST:
        raise ValueError(
            f'a slope to the existing ground is above 0, such as "33 %" or "3:1" (run to rise), not {value!r}'
        )
    return slope


def _ratio(value: object) -> float | None:
    if isinstance(value, bool):
        return None
    try:
        return float(value) if isinstance(value, int | float | str) else None
    except ValueError:
        return None


def _many(value: object) -> object:
    return value if isinstance(value, list | tuple) else [value]


def _station(value: object) -> object:
    if isinstance(value, str):
        read = parse_station(value)
        if read is None:
            raise ValueError(f'{value!r} is no station; write it as "12+50" or 1250')
        return read
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f'{value!r} is no station; write it as "12+50" or 1250')
    return Written(float(value), 0)


Slope = Annotated[float, BeforeValidator(slope_of)]
_Stations = Annotated[tuple[Annotated[Written, BeforeValidator(_station)], ...], BeforeValidator(_many)]
_Widths = Annotated[tuple[Distance, ...], BeforeValidator(_many)]
_Slopes = Annotated[tuple[Slope, ...], BeforeValidator(_many)]
_Rises = Annotated[tuple[AnyLength, ...], BeforeValidator(_many)]
Place = Literal["centreline", "edge", "flowline", "top_of_curb"]
Kind = Literal["lane", "shoulder", "gutter", "curb", "sidewalk", "verge"]


class StripSettings(Settings):
    """`[[strip]]`: one strip, from the centreline outward in the order written; lists go with `station`."""

    side: Literal["left", "right", "both"] = "both"
    kind: Kind
    station: _Stations = ()
    width: _Widths
    slope: _Slopes = (0.0,)
    rise: _Rises = (Length(0, "m"),)


class SectionSettings(Settings):
    """A section as written. `roads` names those it is for; without it, for all that no other names.

    station_unit: of its stations; the default is that of the road's line.
    """

    roads: tuple[str, ...] = ()
    profile_on: Place = "centreline"
    profile_side: Literal["left", "right", "both"] = "both"
    line_on: Place = "centreline"
    line_side: Literal["left", "right", "both"] = "both"
    tie_slope: Annotated[float, BeforeValidator(tie_slope_of)] | None = None
    station_unit: Unit | None = None
    strip: tuple[StripSettings, ...] = Field(min_length=1)


class _Several(Settings):
    section: tuple[SectionSettings, ...] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class Stationed:
    """A section with what is known of its stations: their unit, and whether pluses stand at hundreds (feet)."""

    section: Section
    unit: str | None
    hundreds: bool


@dataclass(frozen=True, slots=True)
class Sections:
    """Sections by the road's name; `rest` for all the others, None for none."""

    named: dict[str, Stationed]
    rest: Stationed | None
    _made: dict[tuple[int, str], Section] = field(default_factory=dict)

    def of(self, road: str, line_unit: str) -> Section | None:
        """The section of a road, its stations in the unit of the road's line.

        Raises ValueError, in words, where stations are written as in feet and the line is in metres.
        """
        found = self.named.get(road) or self.named.get(_PIECE.sub("", road)) or self.rest
        if found is None:
            return None
        if found.hundreds and found.unit is None and line_unit == "m":
            raise ValueError("its stations are written as in feet (12+50), the road's line is in metres")
        key = id(found), line_unit
        if key not in self._made:  # one object for all roads that share it, so that they are worked on together
            factor = METRES[found.unit or line_unit] / METRES[line_unit]
            self._made[key] = found.section if factor == 1 else found.section.at(lambda s: s * factor)
        return self._made[key]


def read_sections(path: Path, shown: str) -> Sections:
    """The sections in a TOML or CSV file. Raises InputError with every finding."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        what = f"the section cannot be read ({error.strerror})"
        raise InputError(Finding(shown, what, 'check the path; or ask for the plain one: section = "street"')) from None
    except UnicodeDecodeError as error:
        raise InputError(Finding(shown, f"is not UTF-8 text (byte {error.start})", "save it as UTF-8")) from None
    if not text.strip():
        raise InputError(
            Finding(shown, "is empty: it has no strip", 'write the section into it; or ask for the plain one: "street"')
        )
    if path.suffix.lower() == ".csv":
        values = _from_csv(text, shown)
    else:
        try:
            values = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise InputError(Finding(shown, f"is not TOML: {error}", "mend the line named")) from None
    if "section" in values:
        several, findings = build(_Several, values, shown)
        written: Sequence[SectionSettings] = several.section if several else ()
    else:
        one, findings = build(SectionSettings, values, shown)
        written = [one] if one else []
    if findings:
        raise InputError(replace(f, mend=f.mend or "correct it in the file") for f in findings)
    return _built(written, shown)


def _built(written: Sequence[SectionSettings], shown: str) -> Sections:
    findings: list[Finding] = []
    named: dict[str, Stationed] = {}
    rest: list[Stationed] = []
    for number, settings in enumerate(written, start=1):
        where = shown if len(written) == 1 else f"{shown}.section[{number}]"
        section = _section(settings, where, findings)
        if section is None:
            continue
        twice = [road for road in settings.roads if road in named]
        if twice or (not settings.roads and rest):
            what = f"{', '.join(twice) or 'all other roads'}: given more than one section"
            findings.append(Finding(where, what, "name each road once"))
        hundreds = any(w.per_plus == 100 for strip in settings.strip for w in strip.station)
        stationed = Stationed(section, settings.station_unit, hundreds)
        named.update(dict.fromkeys(settings.roads, stationed))
        if not settings.roads:
            rest.append(stationed)
    if findings:
        raise InputError(findings)
    return Sections(named, rest[0] if rest else None)


def _section(settings: SectionSettings, where: str, findings: list[Finding]) -> Section | None:
    sides: dict[str, list[Strip]] = {"left": [], "right": []}
    told = len(findings)
    for number, strip in enumerate(settings.strip, start=1):
        built = _strip(strip, f"{where}.strip[{number}]", findings)
        for side in ("left", "right") if strip.side == "both" else (strip.side,):
            if built is not None:
                sides[side].append(built)
    if len(findings) > told:
        return None
    section = Section(
        tuple(sides["left"]), tuple(sides["right"]), settings.profile_on, settings.profile_side,
        settings.line_on, settings.line_side, settings.tie_slope,
    )  # fmt: skip
    found = faults(section, where)
    findings.extend(found)
    return None if found else section


def _strip(settings: StripSettings, where: str, findings: list[Finding]) -> Strip | None:
    """Values at stations: each list as long as `station`, or one value for all of them."""
    count = max(1, len(settings.station))
    columns = []
    for key, values in (
        ("width", [w.metres for w in settings.width]),
        ("slope", list(settings.slope)),
        ("rise", [r.metres for r in settings.rise]),
    ):
        if len(values) not in (1, count):
            mend = "give as many values as stations, or one for all"
            findings.append(Finding(f"{where}.{key}", f"{len(values)} values for {count} stations", mend))
            return None
        columns.append(np.array(values * count if len(values) == 1 else values, dtype=np.float64))
    stations = np.array([w.value for w in settings.station] or [0.0])
    return Strip(settings.kind, stations, *columns)


_TEXT_COLUMNS = ("road", "side", "kind")
_SETTINGS = ("profile_on", "profile_side", "line_on", "line_side", "tie_slope", "station_unit")
_VALUES = ("station", "width", "slope", "rise")


def _from_csv(text: str, shown: str) -> dict[str, Any]:
    """Rows as the tables of the TOML form; a row with a station adds to the strip above it of its side and kind."""
    reader = csv.DictReader(text.splitlines())
    known = {*_TEXT_COLUMNS, *_SETTINGS, *_VALUES}
    findings = [
        Finding(shown, f"unknown column '{name}'", f"known: {', '.join(sorted(known))}")
        for name in reader.fieldnames or ()
        if name not in known
    ]
    sections: dict[str, dict[str, Any]] = {}
    for line, row in enumerate(reader, start=2):
        cells = {k: v.strip() for k, v in row.items() if isinstance(k, str) and isinstance(v, str) and v.strip()}
        if None in row:
            findings.append(Finding(f"{shown} line {line}", "more cells than columns", "put quotes around the text"))
        if not cells:
            continue
        road = cells.pop("road", "")
        section = sections.setdefault(road, {"roads": [road] if road else [], "strip": []})
        for key in _SETTINGS:
            if key in cells and section.setdefault(key, cells[key]) != cells[key]:
                findings.append(Finding(f"{shown} line {line}", f"{key} {cells[key]!r} contradicts a row above"))
        lacking = _add_row(section["strip"], cells)
        if lacking:
            what = f"{', '.join(lacking)} is given at some stations of this strip and not at others"
            findings.append(Finding(f"{shown} line {line}", what, "fill it in on every row of the strip, or on none"))
    if findings:
        raise InputError(findings)
    return {"section": list(sections.values())} if len(sections) > 1 else next(iter(sections.values()), {"strip": []})


def _add_row(strips: list[dict[str, Any]], cells: dict[str, str]) -> list[str]:
    """Put a row's strip, or its values at a further station, at the end; returns what only some of its rows give."""
    name = cells.get("side", "both"), cells.get("kind", "")
    values = {key: cells[key] for key in _VALUES if key in cells}
    last = strips[-1] if strips else None
    goes_on = last is not None and (last["side"], last["kind"]) == name and _rises(last, values)
    if last is None or not goes_on:
        strips.append({"side": name[0], "kind": name[1], **{key: [value] for key, value in values.items()}})
        return []
    lacking = [key for key in _VALUES if (key in values) != (key in last)]
    for key, value in values.items():
        last.setdefault(key, []).append(value)
    return lacking


def _rises(last: dict[str, Any], values: dict[str, str]) -> bool:
    """Whether a row's station lies past those of the strip above it: where it falls back, another strip begins."""
    if "station" not in values or "station" not in last:
        return False
    before, here = parse_station(last["station"][-1]), parse_station(values["station"])
    return before is None or here is None or here.value > before.value
