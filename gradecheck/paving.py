"""The paving plan: which job a hydrant belongs to, and how far it is from it."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
import shapely
from pyproj import CRS

from gradecheck import reference
from gradecheck.errors import Finding, InputError, listed
from gradecheck.layers import VectorLayer, read_layer, read_named
from gradecheck.plan import Plan
from gradecheck.probability import Floats, Ints
from gradecheck.setback import Pavement

_TIE = 1e-6
_MANY_CORNERS, _FEW_CORNERS = 10_000, 2_000
_FIRST_YEAR = 1950
"""A start before that is the day zero of a spreadsheet or a database."""


@dataclass(frozen=True, slots=True)
class Jobs:
    """The jobs of a plan, by start (unknown last) then name.

    starts: when each begins, None unknown. reach: working units that a hydrant may be away.
    parts: geometries of the paving plan in the working system, owner: (P,) the job of each; none without a plan.
    limits: all parts together where they are polygons, else None.
    """

    names: tuple[str, ...]
    starts: Mapping[str, date | None]
    reach: float
    parts: tuple[shapely.Geometry, ...] = ()
    owner: tuple[int, ...] = ()
    limits: shapely.Geometry | None = None

    @property
    def planned(self) -> bool:
        """Whether there is a paving plan."""
        return bool(self.parts)

    def assign(self, x: Floats, y: Floats) -> tuple[Ints, Floats]:
        """For points (n,): the job that reaches each, -1 for none, and the distance to the nearest job.

        The nearest job; ties go to the earliest start, then the name. Distances beyond twice the reach are inf.
        """
        n = len(x)
        if not self.planned:
            return np.zeros(n, dtype=np.int64), np.zeros(n)
        points = shapely.points(x, y)
        tree = shapely.STRtree(list(self.parts))
        point, part = tree.query(points, predicate="dwithin", distance=2 * self.reach)
        distance = shapely.distance(points[point], np.array(self.parts, dtype=object)[part])
        owner = np.array(self.owner, dtype=np.int64)[part]
        nearest = np.full(n, np.inf)
        np.minimum.at(nearest, point, distance)
        tied = distance <= nearest[point] + _TIE
        job = np.full(n, len(self.names), dtype=np.int64)
        np.minimum.at(job, point[tied], owner[tied])
        return np.where(nearest <= self.reach + _TIE, job, -1), nearest


def one_job(plan: Plan) -> Jobs:
    """Without a paving plan all hydrants belong to one job."""
    name = plan.project.name or "all"
    return Jobs((name,), {name: plan.project.starts}, np.inf)


def read_jobs(plan: Plan, work: CRS) -> tuple[Jobs, list[str]]:
    """The paving plan's jobs in the working system, and what must be said aloud. Raises InputError."""
    source = plan.paving
    if source is None:
        return one_job(plan), []
    layer = read_layer(plan.resolve(source.path), source.path, "paving", source.layer)
    parts, notes = geometries(layer, work, "paving", 1)
    names = [_text(v, p) for v, p in zip(layer.column(source.job, "paving.job").to_pylist(), layer.place, strict=True)]
    starts, unread = _starts(layer, source.starts, plan.project.starts)
    if unread:
        notes.append(f"{source.path}: start dates not understood, project.starts is used: {listed(unread)}")
    blank = [int(p) for v, p in zip(layer.column(source.job, "").to_pylist(), layer.place, strict=True) if _blank(v)]
    if blank:
        notes.append(f"{source.path}: parts without the name of a job are jobs of their own: rows {listed(blank)}")
    first: dict[str, date | None] = {}
    for i in parts:
        earlier = [d for d in (first.get(names[i]), starts[i]) if d is not None]
        first[names[i]] = min(earlier) if earlier else None
    never = [name for name, day in first.items() if day is None]
    if source.starts is not None and never:
        notes.append(f"{source.path}: jobs without a start, so that nothing says by when to order: {listed(never)}")
    order = sorted(first, key=lambda n: (first[n] or date.max, n))
    rank = {n: k for k, n in enumerate(order)}
    shapes = list(parts.values())
    areas = all(shapely.get_dimensions(g) == 2 for g in shapes)
    jobs = Jobs(
        names=tuple(order),
        starts=first,
        reach=source.reach.metres / reference.metres_per_unit(work),
        parts=tuple(shapes),
        owner=tuple(rank[names[i]] for i in parts),
        limits=shapely.union_all(shapes) if areas else None,
    )
    return jobs, notes


def read_limits(plan: Plan, work: CRS) -> tuple[shapely.Geometry, list[str]]:
    """The polygons of `[after] limits` as one geometry in the working system. Raises InputError."""
    layer = _alone(plan, str(plan.after.limits), "limits")
    parts, notes = geometries(layer, work, "after.limits", 2)
    return shapely.union_all(list(parts.values())), notes


def read_pavement(plan: Plan, work: CRS) -> tuple[Pavement, list[str]]:
    """`[after] pavement`: areas of the new pavement, or lines of its edge. Raises InputError."""
    layer = _alone(plan, str(plan.after.pavement), "pavement")
    parts, notes = geometries(layer, work, "after.pavement", 1)
    areas = [g for g in parts.values() if shapely.get_dimensions(g) == 2]
    lines = [g for g in parts.values() if shapely.get_dimensions(g) == 1]
    if not areas:
        if plan.policy.setback_min is None or plan.policy.setback_min.value == 0:
            what = f"{layer.shown} holds lines of the pavement's edge, and nothing says how near to them is too near"
            raise InputError(Finding("policy.setback_min", what, "state it, or give the pavement as areas"))
        notes.append(f"{layer.shown} holds lines: which side is paved is not known, nor who stands in the middle of it")
    return Pavement(shapely.union_all(areas) if areas else None, shapely.union_all(lines)), notes


def _alone(plan: Plan, path: str, key: str) -> VectorLayer:
    """The only layer of a file that a key of `[after]` names."""
    return read_named(plan.resolve(path), path, f"after.{key}", alone=True)


def geometries(layer: VectorLayer, work: CRS, key: str, least: int) -> tuple[dict[int, shapely.Geometry], list[str]]:
    """Usable geometries by row in the working system; broken polygons are mended aloud.

    least: the dimension from which on they are: 2 polygons, 1 lines too, 0 points too. Raises InputError.
    """
    if layer.crs is None:
        raise InputError(Finding(key, f"{layer.shown} has no reference system", "set it in a GIS first"))
    horizontal = reference.split(layer.crs)[0] or layer.crs
    path = reference.Path.between(horizontal, work)
    places = shapely.get_coordinates(layer.geometry).T
    trouble = path.trouble(*places)
    if trouble is not None:
        raise InputError(Finding(key, f"{layer.shown}: {trouble[0]}", trouble[1]))
    usable: dict[int, shapely.Geometry] = {}
    skipped, mended = [], []
    for i, geometry in enumerate(layer.geometry):
        if geometry is None or geometry.is_empty or shapely.get_dimensions(geometry) < least:
            skipped.append(int(layer.place[i]))
            continue
        moved = shapely.transform(shapely.force_2d(geometry), lambda c: np.stack(path.there(c[:, 0], c[:, 1]), axis=1))
        if not np.isfinite(shapely.get_coordinates(moved)).all():
            skipped.append(int(layer.place[i]))
            continue
        if not moved.is_valid:
            moved = shapely.make_valid(moved)
            mended.append(int(layer.place[i]))
        if shapely.get_dimensions(moved) < least:  # nothing was left of it but a point or a line
            skipped.append(int(layer.place[i]))
            continue
        usable[i] = moved
    kind = ("polygons, lines or points", "polygons or lines", "polygons")[least]
    if not usable:
        raise InputError(Finding(key, f"{layer.shown} has no usable {kind}", f"give a layer of {kind}"))
    caveat = path.caveat(*places)
    notes = [*layer.notes, *([f"{layer.shown}: {caveat}"] if caveat else [])]
    if skipped:
        notes.append(f"{layer.shown}: rows without usable {kind} passed over: {listed(skipped)}")
    if mended:
        notes.append(f"{layer.shown}: polygons that cross themselves were mended: rows {listed(mended)}")
    return usable, notes


def _text(value: object, place: int) -> str:
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    text = "" if value is None else str(value).strip()
    return text or f"row-{place}"


def _blank(value: object) -> bool:
    return value is None or not str(value).strip()


def _starts(layer: VectorLayer, name: str | None, default: date | None) -> tuple[list[date | None], list[str]]:
    if name is None:
        return [default] * len(layer), []
    found: list[date | None] = []
    unread = []
    column = layer.column(name, "paving.starts")
    for value, place in zip(column.to_pylist(), layer.place.tolist(), strict=True):
        day = _day(value)
        if day is None and value not in (None, ""):
            unread.append(f"row {place} ({value!r})")
        found.append(day or default)
    return found, unread


def _day(value: object) -> date | None:
    day = None
    if isinstance(value, datetime):
        day = value.date()
    elif isinstance(value, date):
        day = value
    elif isinstance(value, str):
        with suppress(ValueError):
            day = date.fromisoformat(value.strip()[:10].replace("/", "-"))
    return day if day is not None and day.year >= _FIRST_YEAR else None


def thinned(areas: Any, slack: float) -> Any:
    """Geometries (n,), or one, of which those of very many corners get fewer, off by `slack` at most.

    What people draw has thousands of corners; a million would take minutes and gigabytes.
    """
    fewer = shapely.simplify(areas, slack, preserve_topology=False)
    many = (shapely.get_num_coordinates(areas) > _MANY_CORNERS) & ~shapely.is_empty(fewer)
    return np.where(many, fewer, areas)[()]


def within_reach(areas: Any, reach: float) -> Any:
    """What lies within `reach`, working units, of geometries (n,) or of one; what thinning loses is added to it."""
    if not reach > 0:
        return areas
    slack = reach / 20
    plain = thinned(areas, slack)
    while np.any((shapely.get_num_coordinates(plain) > _FEW_CORNERS) & ~_same(plain, areas)) and slack < reach:
        slack *= 2  # corners much nearer to one another than the reach cost most of all
        plain = thinned(areas, slack)
    return shapely.buffer(plain, np.where(_same(plain, areas), reach, reach + slack))


def _same(plain: Any, areas: Any) -> Any:
    """Which geometries were not thinned."""
    return shapely.get_num_coordinates(plain) == shapely.get_num_coordinates(areas)
