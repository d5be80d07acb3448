"""Cross-sections from TOML or CSV: one for all roads of a source, or one for each of several."""

from __future__ import annotations

import csv
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BeforeValidator, Field

from gradecheck.errors import Finding, InputError
from gradecheck.roads.section import Section, Strip, faults
from gradecheck.roads.stations import parse_station
from gradecheck.units import Length
from gradecheck.validation import AnyLength, Distance, build
from gradecheck.validation import Section as Settings

_PERCENT = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+))\s*%\s*")


def slope_of(value: object) -> float:
    """Rise per run from "-2 %" or a bare ratio such as -0.02. Raises ValueError in words for a person.

    >>> slope_of("-2 %"), slope_of(0.33)
    (-0.02, 0.33)
    """
    if isinstance(value, bool):
        raise ValueError(f'a slope is text such as "-2 %", not {value!r}')
    if isinstance(value, int | float):
        slope = float(value)
    else:
        match = _PERCENT.fullmatch(value) if isinstance(value, str) else None
        if match is None:
            raise ValueError(f'a slope is text such as "-2 %" (rise per run, outward, + up), not {value!r}')
        slope = float(match[1]) / 100
    if not abs(slope) <= 10:
        raise ValueError(f'{value!r} is steeper than 10 to 1: write per cent as "-2 %", ratios as -0.02')
    return slope


def _many(value: object) -> object:
    return value if isinstance(value, list | tuple) else [value]


def _station(value: object) -> object:
    if isinstance(value, str):
        read = parse_station(value)
        if read is None:
            raise ValueError(f'{value!r} is no station; write it as "12+50" or 1250')
        return read.value
    return value


Slope = Annotated[float, BeforeValidator(slope_of)]
_Stations = Annotated[tuple[Annotated[float, BeforeValidator(_station)], ...], BeforeValidator(_many)]
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
    """A section as written. `roads` names those it is for; without it, for all that no other names."""

    roads: tuple[str, ...] = ()
    profile_on: Place = "centreline"
    profile_side: Literal["left", "right", "both"] = "both"
    line_on: Place = "centreline"
    line_side: Literal["left", "right", "both"] = "both"
    tie_slope: Annotated[float, BeforeValidator(slope_of), Field(gt=0)] | None = None
    strip: tuple[StripSettings, ...] = Field(min_length=1)


class _Several(Settings):
    section: tuple[SectionSettings, ...] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class Sections:
    """Sections by the road's name; `rest` for all the others, None for none."""

    named: dict[str, Section]
    rest: Section | None

    def of(self, road: str) -> Section | None:
        """The section of a road."""
        return self.named.get(road, self.rest)


def read_sections(path: Path, shown: str) -> Sections:
    """The sections in a TOML or CSV file. Raises InputError with every finding."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        what = f"the section cannot be read ({error.strerror})"
        raise InputError(Finding(shown, what, 'check the path; or ask for the plain one: section = "street"')) from None
    except UnicodeDecodeError as error:
        raise InputError(Finding(shown, f"is not UTF-8 text (byte {error.start})", "save it as UTF-8")) from None
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
        raise InputError(findings)
    return _built(written, shown)


def _built(written: Sequence[SectionSettings], shown: str) -> Sections:
    findings: list[Finding] = []
    named: dict[str, Section] = {}
    rest: list[Section] = []
    for number, settings in enumerate(written, start=1):
        where = shown if len(written) == 1 else f"{shown}.section[{number}]"
        section = _section(settings, where, findings)
        if section is None:
            continue
        twice = [road for road in settings.roads if road in named]
        if twice or (not settings.roads and rest):
            what = f"{', '.join(twice) or 'all other roads'}: given more than one section"
            findings.append(Finding(where, what, "name each road once"))
        named.update(dict.fromkeys(settings.roads, section))
        if not settings.roads:
            rest.append(section)
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
    stations = np.array(settings.station or [0.0], dtype=np.float64)
    return Strip(settings.kind, stations, *columns)


_TEXT_COLUMNS = ("road", "side", "kind")
_SETTINGS = ("profile_on", "profile_side", "line_on", "line_side", "tie_slope")
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
        _add_row(section["strip"], cells)
    if findings:
        raise InputError(findings)
    return {"section": list(sections.values())} if len(sections) > 1 else next(iter(sections.values()), {"strip": []})


def _add_row(strips: list[dict[str, Any]], cells: dict[str, str]) -> None:
    name = cells.get("side", "both"), cells.get("kind", "")
    values = {key: cells[key] for key in _VALUES if key in cells}
    last = strips[-1] if strips else None
    goes_on = last is not None and (last["side"], last["kind"]) == name and "station" in values and "station" in last
    if not goes_on or last is None:
        first = {key: [value] for key, value in values.items()}
        strips.append({"side": name[0], "kind": name[1], **first})
        return
    for key, value in values.items():
        last.setdefault(key, []).append(value)
