"""Points surveyed as built: a table or any layer of points, with heights of the ground, of break flanges, or both."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS

from gradecheck.errors import Finding, InputError
from gradecheck.formats.dates import parse_date
from gradecheck.formats.field_rows import ID, table_of, with_units
from gradecheck.formats.text_tables import TextTable, number, read_text_table
from gradecheck.layers import is_text_table, read_named
from gradecheck.probability import Bools, Floats
from gradecheck.units import METRES
from gradecheck.validation import nearest

ELEVATIONS = {"elevation": None, "ground_elevation": False, "flange_elevation": True}
"""Columns of heights, and whether of the flange; None: what the column `what` says, else of the ground."""
_EAST = ("x", "easting", "east", "lon", "longitude")
_NORTH = ("y", "northing", "north", "lat", "latitude")
_KNOWN = (ID, "what", "date", *ELEVATIONS, *_EAST, *_NORTH)
_LOWEST, _HIGHEST = -500.0, 9000.0
WHERE = "--asbuilt"


@dataclass(frozen=True, slots=True)
class ShotRows:
    """P heights as read. ids: "" for none. z: metres. flange: (P,) of the flange. x, y: NaN unknown, in `crs`, which is
    None where the file does not say. days: as stated, None unknown. notes: what must be said aloud.
    """

    shown: str
    ids: tuple[str, ...]
    z: Floats
    flange: Bools
    x: Floats
    y: Floats
    crs: CRS | None
    days: tuple[date | None, ...]
    notes: tuple[str, ...]


def read_shot_rows(path: Path, shown: str, unit: str | None) -> ShotRows:
    """The points of a file; `unit` of their heights where no row says it. Raises InputError."""
    crs = None
    points: dict[int, shapely.Geometry] = {}
    if is_text_table(path):
        table = read_text_table(path, shown, WHERE, _KNOWN, alone=True)
    else:
        layer = read_named(path, shown, WHERE, alone=True)
        crs, columns = layer.crs, [c.to_pylist() for c in layer.table.columns]
        table = table_of(layer.table.column_names, columns, layer.place.tolist(), shown)
        points = {place: g for place, g in zip(layer.place.tolist(), layer.geometry, strict=True) if g is not None}
    _check(table)
    table, units = with_units(table, tuple(ELEVATIONS), (ID, "what"))
    x, y = _points([points.get(line) for line, _ in table.rows]) if points else _places(table)
    return _rows(table, _factors(table, units, unit), x, y, crs)


def _check(table: TextTable) -> None:
    if not set(ELEVATIONS) & set(table.columns):
        what = f"{table.shown} has no column {', '.join(ELEVATIONS)}"
        raise InputError(Finding(WHERE, what, nearest("elevation", table.columns)))
    if not ({ID, *_EAST} & set(table.columns)) and not table.rows:
        raise InputError(Finding(WHERE, f"{table.shown} has no rows", "give the points that were surveyed"))


def _factors(table: TextTable, units: dict[str, str], stated: str | None) -> dict[str, float]:
    """Metres in one unit of each column of heights that holds anything. Raises InputError where it is not known."""
    factors: dict[str, float] = {}
    for name in ELEVATIONS:
        said = units.get(name)
        if not any(table.cells(name)):
            continue
        if said and stated and said != stated:
            what = f"{table.shown} says {name} is in {said}, --asbuilt-unit says {stated}"
            raise InputError(Finding("--asbuilt-unit", what, "leave it out or mend the file"))
        if not said and not stated:
            mend = "add --asbuilt-unit ft, or a second row with the units"
            raise InputError(Finding(WHERE, f"{table.shown} does not say the unit of {name}", mend))
        factors[name] = METRES[said or str(stated)]
    return factors


def _places(table: TextTable) -> tuple[Floats, Floats]:
    """Coordinates from columns, NaN where there are none."""
    found = []
    for names in (_EAST, _NORTH):
        column = next((name for name in names if name in table.columns), "")
        found.append(np.array([_number(text, table.comma) for text in table.cells(column)]))
    return found[0], found[1]


def _number(text: str, comma: bool) -> float:
    try:
        return number(text, comma) if text else math.nan
    except ValueError:
        return math.nan


def _points(places: list[shapely.Geometry | None]) -> tuple[Floats, Floats]:
    shapes = np.empty(len(places), dtype=object)
    shapes[:] = [p if p is not None and p.geom_type == "Point" and not p.is_empty else None for p in places]
    return shapely.get_x(shapes), shapely.get_y(shapes)


def _rows(table: TextTable, factors: dict[str, float], x: Floats, y: Floats, crs: CRS | None) -> ShotRows:
    """Every height of every row; what cannot be read is passed over by name."""
    ids: list[str] = []
    z: list[float] = []
    flange: list[bool] = []
    days: list[date | None] = []
    at: list[int] = []
    lost: list[str] = []
    columns = {name: table.cells(name) for name in (ID, "what", "date", *ELEVATIONS)}
    for k, (line, _) in enumerate(table.rows):
        for name, kind in ELEVATIONS.items():
            text = columns[name][k]
            if not text:
                continue
            try:
                height, on = _height(text, factors[name], table.comma), _is_flange(columns["what"][k], kind)
                day = parse_date(columns["date"][k]) if columns["date"][k] else None
            except ValueError as error:
                lost.append(f"line {line}: {error}")
                continue
            ids.append(columns[ID][k])
            z.append(height)
            flange.append(on)
            days.append(day)
            at.append(k)
    if not z:
        why = f": {lost[0]}" if lost else ""
        raise InputError(Finding(WHERE, f"{table.shown} has no height that can be read{why}", "check the columns"))
    notes = [f"{table.shown}: {len(lost)} heights are passed over: {'; '.join(lost[:5])}"] if lost else []
    rows = np.array(at, dtype=np.int64)
    return ShotRows(
        table.shown, tuple(ids), np.array(z), np.array(flange, dtype=bool), x[rows], y[rows], crs, tuple(days),
        tuple(notes),
    )  # fmt: skip


def _height(text: str, factor: float, comma: bool) -> float:
    metres = number(text, comma) * factor
    if not _LOWEST <= metres <= _HIGHEST:
        raise ValueError(f"{text!r} is no elevation on Earth: is its unit right?")
    return metres


def _is_flange(what: str, kind: bool | None) -> bool:
    if kind is not None:
        return kind
    word = what.lower()
    if word not in ("", "ground", "flange"):
        raise ValueError(f"what is {what!r}, not ground or flange")
    return word == "flange"
