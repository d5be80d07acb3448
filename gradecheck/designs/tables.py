"""The table of stations and elevations beside lines or alignments: read, in the units of what it goes with."""

from __future__ import annotations

import numpy as np

from gradecheck.designs.parts import Reading, internal
from gradecheck.errors import Finding, InputError, listed
from gradecheck.formats.profile_lines import station_table
from gradecheck.layers import VectorLayer, read_named
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.profile import Profile
from gradecheck.sources import StationTable
from gradecheck.units import METRES

_BEYOND = 0.01
"""Share of a road's length by which its table may go past it: chainage by tape."""


def read_table(reading: Reading, table: StationTable) -> VectorLayer:
    """The table's rows. Raises InputError."""
    path = reading.plan.resolve(table.path)
    return read_named(path, table.path, f"{reading.where}.table.path", table.layer)


def table_file(reading: Reading) -> list[str]:
    """The file of the table, where there is one."""
    table = reading.source.table
    return [] if table is None else [str(reading.plan.resolve(table.path))]


def columns_of(table: StationTable) -> tuple[str, str, str]:
    """Its columns of road, station and elevation."""
    return table.road, table.station, table.elevation


def station_profiles(reading: Reading, unit: str, lines: list[Alignment], shown: str) -> dict[str, Profile]:
    """Profiles by the road's name, in the unit of the design file; roads without a partner are said aloud.

    Raises InputError where no road of the table is in the file, or stations are not those of its alignment.
    """
    table = reading.source.table
    if table is None:
        return {}
    where = f"{reading.where}.table"
    found = station_table(read_table(reading, table), columns_of(table), where)
    roads = {line.name: line for line in lines}
    _said(reading, table, [n for n in found if n not in roads], [n for n in roads if n not in found], shown, len(found))
    height_unit = table.elevation_unit or unit
    along = METRES[table.station_unit or height_unit] / METRES[unit]
    up = METRES[height_unit] / METRES[unit]
    profiles = {}
    for name, (stations, heights) in found.items():
        if name in roads:
            line = roads[name]
            at = internal(line, np.asarray(stations) * along, where)
            slack = _BEYOND * (line.last - line.first)
            if at[0] < line.first - slack or at[-1] > line.last + slack:
                what = (
                    f"stations of '{name}' go from {at[0]:.10g} to {at[-1]:.10g}, its alignment in {shown} from "
                    f"{line.first:.10g} to {line.last:.10g}, in {unit}"
                )
                raise InputError(Finding(where, what, "state station_unit, or count stations as the alignment does"))
            profiles[name] = Profile.table(name, at, np.asarray(heights) * up)
    return profiles


def _said(reading: Reading, table: StationTable, lost: list[str], bare: list[str], shown: str, count: int) -> None:
    """Roads of the table that the file lacks, and the other way round. Raises InputError where it lacks all."""
    if lost and len(lost) == count:
        what = f"none of its roads ({_some(lost)}) is an alignment of {shown} ({_some(bare)})"
        raise InputError(Finding(f"{reading.where}.table", what, "name roads in the table as the file does"))
    if lost:
        reading.notes.append(f"{table.path}: roads that {shown} does not have: {_some(lost)}")
    if bare:
        reading.notes.append(f"{table.path}: no rows for {_some(bare)} of {shown}")


def _some(names: list[str]) -> str:
    return listed((f"'{n}'" for n in names), most=6)
