"""Profiles of LandXML: designs from vertices and vertical curves, existing ground from tables.

"station elevation" in either, the stations internal. A curve stands in place of the vertex that it rounds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from gradecheck.errors import InputError
from gradecheck.formats.landxml_numbers import numbers
from gradecheck.formats.landxml_stream import Node, Said
from gradecheck.probability import Floats
from gradecheck.roads.profile import Bend, Profile

_SAME = 1e-6
"""Stations and heights this near are one."""
_VERTICES = ("PVI", "ParaCurve", "UnsymParaCurve", "CircCurve")


@dataclass(frozen=True, slots=True)
class NamedProfile:
    """A profile along an alignment. ground: of the existing ground, else of the design."""

    profile: Profile
    ground: bool


def profiles(node: Node, name: str, said: Said) -> Iterator[NamedProfile]:
    """The profiles of an alignment `name`; what is wrong with them is said instead."""
    holders = [h for parent in (node, *node.all("CoordGeom")) for h in parent.all("Profile")]
    for holder in holders:
        for child in holder.all("ProfAlign", "ProfSurf"):
            called = child.said("name") or holder.said("name") or name
            where = f"profile '{called}' of alignment '{name}'"
            ground = child.name == "ProfSurf"
            try:
                made = _ground(child, called, where, said) if ground else _design(child, called, where, said)
                yield from (NamedProfile(profile, ground) for profile in made)
            except ValueError as error:
                said.wrong(child.line, f"{where}: {error}", "correct it in the file")
            except InputError as error:
                said.retell(error, child.line, where)


def _design(node: Node, name: str, where: str, said: Said) -> list[Profile]:
    bends = [_bend(child, i) for i, child in enumerate(node.all(*_VERTICES), start=1)]
    if len(bends) < 2:
        said.notes.append(f"{where} has fewer than two vertices and was passed over")
        return []
    return [Profile.of(name, bends)]


def _bend(node: Node, i: int) -> Bend:
    """A vertex. Raises ValueError in words."""
    try:
        values = numbers(node.text)
        if len(values) != 2:
            raise ValueError(f"has {len(values)} numbers, not station and elevation")
        station, height = values.tolist()
        if node.name == "ParaCurve":
            return Bend(station, height, node.number("length"))
        if node.name == "UnsymParaCurve":
            return Bend(station, height, node.number("lengthIn"), node.number("lengthOut"))
        if node.name == "CircCurve":
            length = node.number("length") if node.said("length") else 0.0
            return Bend(station, height, length, radius=node.number("radius"))
    except ValueError as error:
        raise ValueError(f"vertex {i} ({node.name}, line {node.line}): {error}") from None
    return Bend(station, height)


def _ground(node: Node, name: str, where: str, said: Said) -> list[Profile]:
    """The ground along a road: one profile, or one for each run between gaps."""
    runs: list[list[Floats]] = []
    for points in node.all("PntList2D"):
        values = numbers(points.text)
        if len(values) % 2:
            raise ValueError(f"its PntList2D has {len(values)} numbers, not pairs of station and elevation")
        rows = values.reshape(-1, 2)
        if not len(rows):
            continue
        if runs and np.abs(rows[0] - runs[-1][-1][-1]).max() <= _SAME:
            runs[-1].append(rows[1:])
        else:
            runs.append([rows])
    tables = [np.concatenate(run) for run in runs]
    short = [t for t in tables if len(t) < 2]
    if short or not tables:
        said.notes.append(f"{where} has {len(short) or 'no'} parts of fewer than two points, passed over")
    tables = [t for t in tables if len(t) > 1]
    if len(tables) == 1:
        return [Profile.table(name, *tables[0].T)]
    if tables:
        said.notes.append(f"{where} has gaps: read as {len(tables)} parts")
    return [Profile.table(f"{name} ({i})", *table.T) for i, table in enumerate(tables, start=1)]
