"""Profiles from a table of stations and elevations, for alignments that a design file draws."""

from __future__ import annotations

from gradecheck.designs.parts import Reading
from gradecheck.formats.profile_lines import station_table
from gradecheck.layers import read_named
from gradecheck.roads.profile import Profile
from gradecheck.units import METRES


def station_profiles(reading: Reading, unit: str, plane: str) -> dict[str, Profile]:
    """Profiles by the road's name from a `table` of stations, for alignments of a design file."""
    table = reading.source.table
    if table is None:
        return {}
    read = read_named(reading.plan.resolve(table.path), table.path, f"{reading.where}.table", "path", table.layer)
    found = station_table(read, (table.road, table.station, table.elevation), f"{reading.where}.table")
    scale = METRES[table.unit or unit] / METRES[plane]
    return {name: Profile.table(name, stations * scale, heights) for name, (stations, heights) in found.items()}
