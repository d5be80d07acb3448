"""What stands between profile lines and their heights, and what must be said of both."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from gradecheck.errors import Finding, listed
from gradecheck.formats.profile_cells import beside
from gradecheck.formats.profile_strands import Line, Strand, lengths_along
from gradecheck.probability import Floats
from gradecheck.roads.alignment import GAP

BEYOND = 0.01
"""Share of a line's length by which a table may reach past its ends, and start stations may disagree."""
_FOOT = 0.3048
_FLAT = 1e-9

Heights = Mapping[str, tuple[Floats, Floats]]
"""Stations (n,), rising, and heights (n,) by road."""


def height_findings(strands: Sequence[Strand], shown: str) -> list[Finding]:
    """Lines without heights, or with heights that are none."""
    without, some, flat = [], [], []
    for strand in strands:
        z = strand.xyz[:, 2]
        missing = int((~np.isfinite(z)).sum())
        if missing == len(z):
            without.append(str(strand.row))
        elif missing:
            some.append(f"{strand.row} ({missing} of {len(z)} vertices)")
        elif (np.abs(z) <= _FLAT).all():
            flat.append(str(strand.row))
    found = []
    if without:
        mend = "give 3D lines, or a `table` of stations and elevations"
        found.append(Finding(shown, listed(without, "lines without heights, rows: "), mend))
    if some:
        found.append(Finding(shown, listed(some, "vertices without a height, rows: "), "give every vertex its height"))
    if flat:
        mend = "drape the lines over the design, or give a `table` of stations and elevations"
        found.append(Finding(shown, listed(flat, "all heights are 0: a flat drawing, not ground; rows: "), mend))
    return found


def stray_zeros(lines: Sequence[Line]) -> list[str]:
    """Heights of 0 on lines that are otherwise on one side of it."""
    stray = []
    for line in lines:
        z = line.xyz[:, 2]
        if (z == 0).any() and not ((z > 0).any() and (z < 0).any()):
            stray.append(f"'{line.name}' ({int((z == 0).sum())})")
    said = "vertices at height 0, the lowest or the highest of their line, check them: "
    return [listed(stray, said)] if stray else []


def pair_findings(
    lines: Sequence[Line], rows: Heights, start: str | None, shown: tuple[str, str], where: str
) -> list[Finding]:
    """What stands between lines and their rows, in units of the lines.

    start: the column of start stations, if any. shown: the layer and the table. where: the plan's key of the layer.
    """
    by_road: defaultdict[str, list[Line]] = defaultdict(list)
    for line in lines:
        if line.road in rows:
            by_road[line.road].append(line)
    if not by_road:
        named = f"{listed(rows, 'its roads are ')}; {listed(_roads(lines), 'those of the lines ')}"
        what = f"no line has rows in {shown[1]}: {named}"
        return [Finding(beside(where, "road"), what, "name columns that hold the same names")]
    found = _start_findings([line for members in by_road.values() for line in members], start, shown[0], where)
    misfits = {road: _misfit(members, rows[road][0]) for road, members in by_road.items()} if not found else {}
    return found + [Finding(f"{shown[1]} road '{road}'", *misfit) for road, misfit in misfits.items() if misfit]


def _start_findings(paired: Sequence[Line], start: str | None, shown: str, where: str) -> list[Finding]:
    unknown = [f"'{line.road}' row {line.strands[0].row}" for line in paired if math.isnan(line.start)]
    against = [text for line in paired for text in _contradictions(line)] if start is not None else []
    rows = Counter(row for line in paired for row in {strand.row for strand in line.strands})
    apart = [
        f"'{line.road}' row {line.strands[0].row}"
        for line in paired
        if line.name != line.road and (start is None or any(rows[strand.row] > 1 for strand in line.strands))
    ]
    key, found = beside(where, "start"), []
    if unknown:
        found.append(Finding(key, listed(unknown, "lines without a start station: "), "fill it in"))
    if apart:
        what = listed(apart, "lines of one road that do not follow each other end to start, which stations are whose? ")
        mend = "join them, or give each a row of its own and name the column of their start stations as `start`"
        found.append(Finding(shown, what, mend))
    if against:
        what = listed(against, "start stations that do not fit the line before: ")
        found.append(Finding(key, what, "mend them, or give the parts roads of their own"))
    return found


def _contradictions(line: Line) -> list[str]:
    """Rows whose start station is not where the line has come to."""
    found, at, row = [], line.start, line.strands[0].row
    for strand in line.strands:
        if strand.row != row and abs(strand.start - at) > max(BEYOND * (at - line.start), GAP):
            found.append(f"row {strand.row} ({strand.start:.10g}, not {at:.10g})")
        row = strand.row
        at += float(lengths_along(strand.xyz)[-1])
    return found


def _misfit(lines: Sequence[Line], stations: Floats) -> tuple[str, str] | None:
    """How a road's table reaches past its lines, and what may be the reason."""
    first, last = min(line.start for line in lines), max(line.end for line in lines)
    slack = BEYOND * (last - first)
    low, high = float(stations[0]), float(stations[-1])
    if low >= first - slack and high <= last + slack:
        return None
    unit = "in the unit of the lines' reference system"
    what = f"its stations go from {low:.10g} to {high:.10g}, its line from {first:.10g} to {last:.10g}, {unit}"
    if abs((high - low) / (last - first) - 1) <= BEYOND:
        return what, f"does the line begin at station {low:.10g}? name the column of start stations as `start`"
    if abs((high - first) * _FOOT / (last - first) - 1) <= 5 * BEYOND:
        return what, "stations in feet along a line in metres? state station_unit beside the table"
    return what, "check the unit of the stations, the start of the line, and that it is the whole road"


def uncovered(paired: Sequence[Line], rows: Heights) -> list[str]:
    """Lines that their table covers in part only, and those where the unit of stations may be the reason."""
    part, metres = [], []
    for line in paired:
        low, high = (float(v) for v in rows[line.road][0][[0, -1]])
        length = line.end - line.start
        covered = max(0.0, min(high, line.end) - max(low, line.start)) / length
        if covered < 1 - BEYOND:
            part.append(f"'{line.name}' ({100 * covered:.0f} %)")
        if abs((high - line.start) / length / _FOOT - 1) <= BEYOND:
            metres.append(f"'{line.name}'")
    said = [listed(part, "lines with heights along a part only: ")] if part else []
    return said + ([listed(metres, "stations in metres along a line in feet? check ")] if metres else [])


def unpaired(lines: Sequence[Line], rows: Heights, table: str) -> list[str]:
    """Roads of the table without a line, roads of the lines without rows."""
    drawn = _roads(lines)
    without_line = [f"'{road}'" for road in rows if road not in drawn]
    without_rows = [f"'{road}'" for road in drawn if road not in rows]
    said = [listed(without_line, f"{len(without_line)} roads of {table} have no line: ")] if without_line else []
    return said + (
        [listed(without_rows, f"{len(without_rows)} roads have no rows in {table}: ")] if without_rows else []
    )


def _roads(lines: Sequence[Line]) -> list[str]:
    return list(dict.fromkeys(line.road for line in lines))
