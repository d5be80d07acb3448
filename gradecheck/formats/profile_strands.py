"""The lines of a layer by road, laid end to end where they follow each other."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from itertools import count
from typing import Any, NamedTuple

import numpy as np
import shapely
from scipy.spatial import cKDTree

from gradecheck.errors import Finding, InputError, listed
from gradecheck.formats.profile_cells import beside, columns_of, station_of, text_of
from gradecheck.layers import VectorLayer
from gradecheck.probability import Floats
from gradecheck.roads.alignment import GAP
from gradecheck.roads.stations import Written

_KINDS = {0: "a point", 3: "a polygon", 4: "points", 6: "polygons", 7: "a collection"}


class Strand(NamedTuple):
    """One line of a row. xyz: (k, 3), z NaN where it has none. start: its first station, NaN where not stated."""

    road: str
    row: int
    xyz: Floats
    start: float


class Line(NamedTuple):
    """Strands of a road laid end to end, under a name of its own."""

    name: str
    road: str
    strands: tuple[Strand, ...]
    xyz: Floats

    @property
    def start(self) -> float:
        """The station of its start, NaN where not stated."""
        return self.strands[0].start

    @property
    def end(self) -> float:
        """The station of its end."""
        return self.start + float(self.along()[-1])

    def along(self) -> Floats:
        """(k,) lengths from its start to each vertex, in plan."""
        return lengths_along(self.xyz)


def lengths_along(xyz: Floats) -> Floats:
    """(k,) lengths in plan from the first of (k, 2 or more) vertices to each."""
    return np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(xyz[:, :2], axis=0).T))))


def read_strands(layer: VectorLayer, road: str | None, start: str | None, where: str) -> tuple[list[Strand], list[str]]:
    """The lines of a layer in its order, and what must be said. Raises InputError.

    road, start: columns of names and of start stations, if any. where: the plan's key of the layer.
    """
    wanted = {key: column for key, column in (("road", road), ("start", start)) if column is not None}
    cells = dict(zip(wanted, columns_of(layer, wanted, beside(where, "")), strict=True))
    nothing = [None] * len(layer)
    strands: list[Strand] = []
    rejected, lost, unread = [], [], []
    rows = layer.place.tolist(), layer.geometry, cells.get("road", nothing), cells.get("start", nothing)
    for row, shape, named, said in zip(*rows, strict=True):
        parts, problem = _parts(shape)
        begins = Written(0.0, 0) if start is None else station_of(said)
        if problem:
            rejected.append(f"{row} ({problem})")
        if any(not np.isfinite(xyz[:, :2]).all() for xyz in parts):
            lost.append(str(row))
        if begins is None and text_of(said) is not None:
            unread.append(f"{row} ({said!r})")
        station = begins.value if begins is not None else math.nan
        strands += [Strand(text_of(named) or f"row {row}", row, xyz, station) for xyz in parts]
    findings = []
    if lost:
        findings.append(Finding(layer.shown, listed(lost, "rows with coordinates that are no numbers: "), "mend them"))
    if unread:
        what = listed(unread, "rows whose start station cannot be read: ")
        findings.append(Finding(beside(where, "start"), what, 'write it as 1250 or "12+50"'))
    if not strands:
        what = listed(rejected, "it holds no lines; rows: ")
        findings.append(Finding(layer.shown, what.removesuffix("; rows"), "give a layer of lines"))
    if findings:
        raise InputError(findings)
    return strands, [listed(rejected, "rows passed over: ")] if rejected else []


def _parts(shape: Any) -> tuple[list[Floats], str]:
    """The lines of a geometry, or why there are none."""
    if shape is None or shape.is_empty:
        return [], "no geometry"
    kind = int(shapely.get_type_id(shape))
    if kind in _KINDS:
        return [], _KINDS[kind]
    parts = [part for part in shapely.get_parts(shape) if not part.is_empty]
    return [shapely.get_coordinates(part, include_z=True) for part in parts], ""


def join(strands: Sequence[Strand]) -> tuple[list[Line], list[str]]:
    """Lines in the order of their first strands, and which roads are in several pieces."""
    by_road: defaultdict[str, list[Strand]] = defaultdict(list)
    for strand in strands:
        by_road[strand.road].append(strand)
    lines, apart = [], []
    taken = set(by_road)
    for road, members in by_road.items():
        chains = _chains(members)
        numbers = (name for n in count(1) if (name := f"{road} ({n})") not in taken)
        names = [road] if len(chains) == 1 else [next(numbers) for _ in chains]
        lines += [Line(name, road, chain, _end_to_end(chain)) for name, chain in zip(names, chains, strict=True)]
        apart += [f"'{road}' ({len(chains)})"] if len(chains) > 1 else []
    said = "roads in several lines that do not follow each other end to start, kept apart: "
    return lines, [listed(apart, said)] if apart else []


def _chains(strands: Sequence[Strand]) -> list[tuple[Strand, ...]]:
    """Strands of one road that follow each other, where it is plain which follows which."""
    starts, ends = (np.array([s.xyz[i, :2] for s in strands]) for i in (0, -1))
    followers = [[j for j in near if j != i] for i, near in enumerate(cKDTree(starts).query_ball_point(ends, GAP))]
    leaders = Counter(j for near in followers for j in near)
    after = {i: near[0] for i, near in enumerate(followers) if len(near) == 1 and leaders[near[0]] == 1}
    heads = [i for i in range(len(strands)) if i not in set(after.values())]
    chains, seen = [], set[int]()
    for i in [*heads, *range(len(strands))]:  # what no head leads to goes in rings
        chain = []
        while i not in seen:
            seen.add(i)
            chain.append(i)
            i = after.get(i, i)
        chains += [chain] if chain else []
    return [tuple(strands[i] for i in chain) for chain in sorted(chains, key=min)]


def _end_to_end(chain: Sequence[Strand]) -> Floats:
    pieces = [chain[0].xyz]
    for strand in chain[1:]:
        same = np.array_equal(pieces[-1][-1], strand.xyz[0], equal_nan=True)
        pieces.append(strand.xyz[1:] if same else strand.xyz)
    return np.concatenate(pieces)
