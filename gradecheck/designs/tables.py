"""The table of stations and elevations beside lines or alignments: read, in the units of what it goes with."""

from __future__ import annotations

import numpy as np

from gradecheck.designs.parts import Reading
from gradecheck.errors import Finding, InputError
from gradecheck.formats.profile_lines import station_table
from gradecheck.layers import VectorLayer, read_named
from gradecheck.roads.profile import Profile
from gradecheck.sources import StationTable
from gradecheck.units import METRES


def read_table(reading: Reading, table: StationTable) -> VectorLayer:
    """The table's rows. Raises InputError."""
    path = reading.plan.resolve(table.path)
    return read_named(path, table.path, f"{reading.where}.table", "path", table.layer)


def table_file(reading: Reading) -> list[str]:
    """The file of the table, where there is one."""
    table = reading.source.table
    return [] if table is None else [str(reading.plan.resolve(table.path))]


def columns_of(table: StationTable) -> tuple[str, str, str]:
    """Its columns of road, station and elevation."""
    return table.road, table.station, table.elevation


def station_profiles(reading: Reading, unit: str, roads: list[str], shown: str) -> dict[str, Profile]:
    """Profiles by the road's name, in the unit of the design file; roads without a partner are said aloud.

    Raises InputError where no road of the table is in the file.
    """
    table = reading.source.table
    if table is None:
        return {}
    found = station_table(read_table(reading, table), columns_of(table), f"{reading.where}.table")
    height_unit = table.elevation_unit or unit
    along = METRES[table.station_unit or height_unit] / METRES[unit]
    up = METRES[height_unit] / METRES[unit]
    lost = [name for name in found if name not in roads]
    if lost and len(lost) == len(found):
        what = f"none of its roads ({_some(lost)}) is an alignment of {shown} ({_some(roads)})"
        raise InputError(Finding(f"{reading.where}.table", what, "name roads in the table as the file does"))
    if lost:
        reading.notes.append(f"{table.path}: roads that {shown} does not have: {_some(lost)}")
    bare = [name for name in roads if name not in found]
    if bare:
        reading.notes.append(f"{table.path}: no rows for {_some(bare)} of {shown}")
    return {
        name: Profile.table(name, np.asarray(stations) * along, np.asarray(heights) * up)
        for name, (stations, heights) in found.items()
        if name in roads
    }


def _some(names: list[str]) -> str:
    return ", ".join(f"'{n}'" for n in names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
