"""Profile lines of roads from vector layers: 3D lines, or lines with a table of stations and elevations.

Parts of one road are one line where each begins at the end of another; none is ever turned around, since that would
swap left and right. Lengths are taken in the layer's own system, which must be one in which they are lengths.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from pyproj import CRS

from gradecheck.errors import Finding, InputError, listed
from gradecheck.formats import profile_checks
from gradecheck.formats.profile_cells import beside, columns_of, gathering, number_of, station_of, text_of
from gradecheck.formats.profile_strands import Line, Strand, join, read_strands
from gradecheck.layers import VectorLayer
from gradecheck.probability import Floats
from gradecheck.roads.alignment import GAP, Alignment
from gradecheck.roads.profile import Profile

_SAME = 1e-8
"""Stations or heights this near are one."""

Heights = dict[str, tuple[Floats, Floats]]
"""Stations (n,), rising, and heights (n,) by road."""
_Row = tuple[int, float, float]
"""Place in the table, station, height."""


@dataclass(frozen=True, slots=True, eq=False)
class ProfileLine:
    """A road with heights: its line in the layer's system, and its profile in the file's unit of heights."""

    alignment: Alignment
    profile: Profile


@dataclass(frozen=True, slots=True, eq=False)
class ProfileLines:
    """The roads of a layer, in its order.

    shown: the layer as named to people. crs: its system, None where not stated. notes: what must be said aloud.
    """

    shown: str
    crs: CRS | None
    lines: tuple[ProfileLine, ...]
    notes: tuple[str, ...]


def lines_with_heights(layer: VectorLayer, road: str | None, where: str) -> ProfileLines:
    """3D lines as roads that begin at station 0, straight from vertex to vertex.

    road: the column that names them, None for "row 1", "row 2", ...; where: the plan's key of the layer, such as
    "after.profile". Raises InputError with every finding: no lines, no heights, all heights 0, two at one place.
    """
    strands, notes = read_strands(layer, road, None, where)
    findings = profile_checks.height_findings(strands, layer.shown)
    lines, more = join(strands)
    found = []
    for line in lines if not findings else ():
        with gathering(findings):
            found.append(_made(line, line.along(), line.xyz[:, 2], layer.shown))
    if findings:
        raise InputError(findings)
    return ProfileLines(layer.shown, layer.crs, tuple(found), (*notes, *more, *profile_checks.stray_zeros(lines)))


def lines_with_table(
    layer: VectorLayer,
    road: str,
    start: str | None,
    table: VectorLayer,
    columns: tuple[str, str, str],
    station_scale: float,
    where: str,
) -> ProfileLines:
    """Lines whose heights stand in a table, joined by the road's name. Heights of the lines themselves are ignored.

    start: the layer's column of the station at which each line begins, None where all begin at 0.
    columns: the table's road, station and elevation. station_scale: units of the line in one unit of stations, those
    of `start` too. where: the plan's key of the layer; its neighbours `road`, `start` and `table` are named.
    Raises InputError with every finding of layer and table.
    """
    findings: list[Finding] = []
    strands: list[Strand] = []
    notes: list[str] = []
    rows: Heights = {}
    with gathering(findings):
        strands, notes = read_strands(layer, road, start, where)
    with gathering(findings):
        rows = station_table(table, columns, beside(where, "table"))
    rows = {name: (stations * station_scale, heights) for name, (stations, heights) in rows.items()}
    lines, more = join([strand._replace(start=strand.start * station_scale) for strand in strands])
    if not findings:
        findings += profile_checks.pair_findings(lines, rows, start, (layer.shown, table.shown), where)
    paired = [line for line in lines if line.road in rows]
    found = []
    for line in paired if not findings else ():
        with gathering(findings):
            found.append(_made(line, *rows[line.road], table.shown))
    if findings:
        raise InputError(findings)
    said = [*profile_checks.unpaired(lines, rows, table.shown), *profile_checks.uncovered(paired, rows)]
    return ProfileLines(layer.shown, layer.crs, tuple(found), (*notes, *more, *said))


def _made(line: Line, stations: Floats, heights: Floats, shown: str) -> ProfileLine:
    where = f"{shown} road '{line.name}'"
    alignment = Alignment.polyline(line.name, line.xyz[:, :2], line.start)
    run, rise = np.diff(stations), np.abs(np.diff(heights))
    upright = np.flatnonzero((run <= GAP) & (rise > np.where(run <= _SAME, _SAME, GAP)))
    if len(upright):
        i = int(upright[0])
        what = f"station {stations[i]:.10g} has heights {heights[i]:.10g} and {heights[i + 1]:.10g}"
        raise InputError(Finding(where, what, "keep one of them"))
    return ProfileLine(alignment, Profile.table(line.name, stations, heights, where))


def station_table(table: VectorLayer, columns: tuple[str, str, str], where: str) -> Heights:
    """Stations and heights by road; `columns` name road, station and elevation.

    Stations are numbers, or text such as "12+50.3" (1250.3) and "4+310" (4310). A repeated station of the same height
    is dropped. where: the plan's key of the table. Raises InputError with every finding: a column that is not there,
    what is no number, stations out of order, two heights at one station, both ways of writing stations.
    """
    keys = dict(zip(("road", "station", "elevation"), columns, strict=True))
    cells = columns_of(table, keys, where)
    problems: defaultdict[str, list[str]] = defaultdict(list)
    pluses: defaultdict[int, list[str]] = defaultdict(list)
    rows: defaultdict[str, list[_Row]] = defaultdict(list)
    for place, named, said, high in zip(table.place.tolist(), *cells, strict=True):
        road, station, height = text_of(named), station_of(said), number_of(high)
        if road is None and text_of(said) is None and text_of(high) is None:
            continue
        if road is None:
            problems["rows that name no road"].append(str(place))
        if station is None:
            problems["rows whose station cannot be read"].append(f"{place} ({said!r})")
        elif station.per_plus:
            pluses[station.per_plus].append(f"{said!r} in row {place}")
        if height is None:
            problems["rows whose elevation cannot be read"].append(f"{place} ({high!r})")
        if road is not None and station is not None and height is not None:
            rows[road].append((place, station.value, height))
    if len(pluses) > 1:
        problems["stations are written in two ways"] = [found[0] for found in pluses.values()]
    if rows and not any(z for entries in rows.values() for _, _, z in entries):
        problems["every elevation is 0, which is not ground"] = []
    for road, entries in rows.items():
        _check_order(road, entries, problems)
    if not rows and not problems:
        problems["it holds no stations"] = []
    if problems:
        raise InputError(
            [Finding(table.shown, listed(places, f"{what}: "), _MEND) for what, places in problems.items()]
        )
    return {road: _distinct(entries) for road, entries in rows.items()}


_MEND = "mend the table; write stations as 1250.3 or 12+50.3, with a decimal point"


def _check_order(road: str, entries: Sequence[_Row], problems: dict[str, list[str]]) -> None:
    """The first place in a road's rows where stations do not rise, and the first of two heights."""
    back = torn = ""
    for (_, s0, z0), (place, s, z) in pairwise(entries):
        if s < s0 - _SAME:
            back = back or f"road '{road}' row {place} ({s:.10g} after {s0:.10g})"
        elif s <= s0 + _SAME and abs(z - z0) > _SAME:
            torn = torn or f"road '{road}' row {place} (station {s:.10g}: {z0:.10g} and {z:.10g})"
    for what, place_ in (("stations out of order", back), ("two elevations at one station", torn)):
        if place_:
            problems.setdefault(what, []).append(place_)


def _distinct(entries: Sequence[_Row]) -> tuple[Floats, Floats]:
    s, z = np.array([entry[1:] for entry in entries]).T
    kept = np.concatenate(([True], np.diff(s) > _SAME))
    return s[kept], z[kept]
