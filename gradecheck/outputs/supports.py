"""The layers that lie under the hydrants: limits of work, roads, the new pavement, stable ground, measuring walks.

They are for looking at: a run makes them anew and reads none of them back.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray

from gradecheck.assessment import Assessment
from gradecheck.outputs.columns import GEOMETRY
from gradecheck.probability import Floats
from gradecheck.reference import Path, metres_per_unit, split
from gradecheck.roads.stations import show_station
from gradecheck.surroundings import RoadLine, Surroundings
from gradecheck.units import METRES, elevation_unit

Shapes = NDArray[np.object_]

TITLES = {
    "measuring_walks": "Short walks to the flanges worth measuring first; made anew by every run",
    "stable_points": "Where nothing is built: after less before; made anew by every run",
    "roads": "Lines of the roads in the design files; made anew by every run",
    "limits": "Limits of work of the paving plan; made anew by every run",
    "limits_lines": "Roads of a paving plan that has limits of work too; made anew by every run",
    "pavement": "The new pavement, or lines of its edge; made anew by every run",
}
"""Every layer that there may be, the upper first, with what it holds."""

_LIMITS = {
    "job": "The job of the paving plan",
    "starts": "The day that the job starts; empty where none is known",
    "hydrants": "How many hydrants the whole job reaches",
}
# What each column means, for gpkg_data_columns: {e} the unit of elevations.
MEANING: dict[str, dict[str, str]] = {
    "roads": {
        "road": "The road's name in the file",
        "file": "The file that it is from",
        "side": "Whose road it is: after (the design's) or before (the existing ground's)",
        "length_{e}": "Length along the road by its stations, {e}",
        "first_station": "Station of its start, as the file counts",
        "last_station": "Station of its end, as the file counts",
    },
    "limits": _LIMITS,
    "limits_lines": _LIMITS,
    "pavement": {"file": "The file that it is from"},
    "stable_points": {
        "difference_{u}": "After less before, as the surfaces are, {u}",
        "left_{u}": "The same less the plane through all of them where a tilt shows, else less their median, {u}",
    },
    "measuring_walks": {
        "walk": "Its place in the ranking, 1 is worth most",
        "street": "The street, where the hydrants have one",
        "hydrants": "How many hydrants",
        "ids": "Their ids in walking order",
        "length_{e}": "Length of the walk, {e}",
        "worth": "What measuring them saves in expectation: money where costs are known, else wrong lengths avoided",
    },
}

_CHORD = 100.0
"""Metres between vertices before a line goes to a system in which it would not stay straight.

What is straight on a map grid bows in degrees by about length² / 8 · tan(latitude) / 6,370 km: 100 m by 0.2 mm at 45
degrees and 1 mm at 80, but 1 km by 2 cm and 10 km by 2 m.
"""
_BOW = 0.001
"""Metres by which a line may bow unheeded."""


@dataclass(frozen=True, slots=True)
class Support:
    """A layer to write: its name, rows with the geometry as WKB last, the type of its geometries."""

    name: str
    table: pa.Table
    kind: str


def meanings(layer: str, unit: str) -> dict[str, str]:
    """Columns of a layer with their meaning, for an output unit."""
    e = elevation_unit(unit)
    return {k.format(e=e, u=unit): v.format(e=e, u=unit) for k, v in MEANING[layer].items()}


def supports(a: Assessment, around: Surroundings) -> tuple[Support, ...]:
    """The layers that the inputs give, in the hydrants' reference system, the upper first."""
    parts = (*_roads(a, around.roads), *_limits(a, around), *_pavement(a, around), *_stable(a), *_walks(a))
    found = {s.name: s for s in parts}
    return tuple(found[name] for name in TITLES if name in found)


def _limits(a: Assessment, around: Surroundings) -> Iterator[Support]:
    """Areas and lines in a layer each where a plan has both: most GIS draw one kind of geometry in a layer."""
    names, starts = a.inputs.jobs.names, a.inputs.jobs.starts
    reached = dict(zip(names, np.bincount(a.job[a.job >= 0], minlength=len(names)).tolist(), strict=True))
    dimension = np.array([shapely.get_dimensions(part) for _, part in around.limits], dtype=np.int64)
    for d in np.unique(dimension)[::-1].tolist():
        rows = [around.limits[i] for i in np.flatnonzero(dimension == d)]
        columns = {
            "job": pa.array([job for job, _ in rows], pa.string()),
            "starts": pa.array([starts.get(job) for job, _ in rows], pa.date32()),
            "hydrants": pa.array([reached[job] for job, _ in rows], pa.int64()),
        }
        name = "limits" if d == dimension.max() else "limits_lines"
        yield _support(a, name, columns, [_without_rests(part) for _, part in rows])


def _roads(a: Assessment, roads: Sequence[RoadLine]) -> Iterator[Support]:
    if not roads:
        return
    e = elevation_unit(a.inputs.plan.output.unit)
    ends = [[_station(road, at) for road in roads] for at in ("first", "last")]
    columns = {
        "road": pa.array([road.name for road in roads], pa.string()),
        "file": pa.array([road.file for road in roads], pa.string()),
        "side": pa.array(["after" if road.design else "before" for road in roads], pa.string()),
        f"length_{e}": pa.array([round(road.length / METRES[e], 3) for road in roads], pa.float64()),
        "first_station": pa.array(ends[0], pa.string()),
        "last_station": pa.array(ends[1], pa.string()),
    }
    yield _support(a, "roads", columns, [road.line for road in roads])


def _station(road: RoadLine, end: str) -> str:
    """The first or last station as people write it."""
    line = road.alignment
    return show_station(line.label(line.first if end == "first" else line.last), road.unit)


def _pavement(a: Assessment, around: Surroundings) -> Iterator[Support]:
    if around.pavement is not None:
        pieces = _pieces(around.pavement)
        file = pa.array([a.inputs.plan.after.pavement] * len(pieces), pa.string())
        yield _support(a, "pavement", {"file": file}, list(pieces))


def _stable(a: Assessment) -> Iterator[Support]:
    seen, unit = a.inputs.steady, a.inputs.plan.output.unit
    if seen is None:
        return
    columns = {
        f"difference_{unit}": pa.array(np.round(seen.dz / METRES[unit], 4), pa.float64()),
        f"left_{unit}": pa.array(np.round(seen.left / METRES[unit], 4), pa.float64()),
    }
    yield _support(a, "stable_points", columns, list(shapely.points(seen.x, seen.y)))


def _walks(a: Assessment) -> Iterator[Support]:
    """Lines from hydrant to hydrant; that of a walk of one is a centimetre long, so that it is there."""
    h, ranked = a.inputs.hydrants, a.prospect.measuring.index
    if not a.prospect.walks:
        return
    e = elevation_unit(a.inputs.plan.output.unit)
    rows = [ranked[walk.rows] for walk in a.prospect.walks]
    columns = {
        "walk": pa.array(range(1, len(rows) + 1), pa.int64()),
        "street": pa.array([walk.street for walk in a.prospect.walks], pa.string()),
        "hydrants": pa.array([len(r) for r in rows], pa.int64()),
        "ids": pa.array(["; ".join(h.id[i] for i in r.tolist()) for r in rows], pa.string()),
        f"length_{e}": pa.array([round(walk.length / METRES[e], 1) for walk in a.prospect.walks], pa.float64()),
        "worth": pa.array([round(walk.value, 3) for walk in a.prospect.walks], pa.float64()),
    }
    places = [np.stack([h.x[r], h.y[r]], axis=1) for r in rows]
    lines = [shapely.LineString(p if len(p) > 1 else np.stack([p[0], p[0] + np.array([0.01, 0.0])])) for p in places]
    yield _support(a, "measuring_walks", columns, lines)


def _support(a: Assessment, name: str, columns: dict[str, pa.Array], shapes: Sequence[shapely.Geometry]) -> Support:
    """Geometries of the working system as a layer; without geometry where the hydrants' system has no such place."""
    kind, whole = _of_one_kind(shapes)
    crs = a.inputs.hydrants.crs
    moved = _moved(whole, Path.between(a.inputs.work, split(crs)[0] or crs), metres_per_unit(a.inputs.work))
    wkb = pa.array(shapely.to_wkb(moved).tolist(), pa.binary())
    return Support(name, pa.table(columns | {GEOMETRY: wkb}), kind)


def _pieces(geometry: shapely.Geometry) -> Shapes:
    """The single parts of a geometry that are of its own dimension."""
    parts = shapely.get_parts(shapely.get_parts(np.array([geometry], dtype=object)))
    return np.asarray(parts[shapely.get_dimensions(parts) == shapely.get_dimensions(geometry)])


def _without_rests(geometry: shapely.Geometry) -> shapely.Geometry:
    """A geometry without the bare lines and points that mending a broken polygon may leave beside it."""
    return geometry if geometry.geom_type != "GeometryCollection" else shapely.union_all(_pieces(geometry))


def _of_one_kind(shapes: Sequence[shapely.Geometry]) -> tuple[str, Shapes]:
    """Geometries of one dimension, all of them multiple where one is; and of what type they are."""
    kinds = {shape.geom_type for shape in shapes}
    if len(kinds) == 1:
        return kinds.pop(), np.array(shapes, dtype=object)
    areas = shapely.get_dimensions(shapes[0]) == 2
    gather = shapely.multipolygons if areas else shapely.multilinestrings
    whole = np.array([gather(_pieces(shape)) for shape in shapes], dtype=object)
    return "MultiPolygon" if areas else "MultiLineString", whole


def _moved(shapes: Shapes, path: Path, unit: float) -> Shapes:
    """Geometries in the path's target system, with more vertices where straight lines would not stay straight.

    unit: metres in one of the source system's. None where a point has no place in the target.
    """
    if _bow(path, shapely.total_bounds(shapes)) * unit > _BOW:
        shapes = shapely.segmentize(shapes, _CHORD / unit)
    moved = np.asarray(shapely.transform(shapes, lambda c: np.stack(path.there(c[:, 0], c[:, 1]), axis=1)))
    places, owner = shapely.get_coordinates(moved, return_index=True)
    moved[owner[~np.isfinite(places).all(axis=1)]] = None
    return moved


def _bow(path: Path, box: Floats) -> float:
    """How far the middle of what is straight in the target lies from that of what is straight in the source.

    The most of the two ways across a box (left, bottom, right, top) and of its diagonals, in the source's units: 0 for
    a change of unit or of origin; inf where the box is not all in the target.
    """
    left, bottom, right, top = box
    x, y = (left + right) / 2, (bottom + top) / 2
    starts = np.array([(left, y), (x, bottom), (left, bottom), (left, top)])
    ends = np.array([(right, y), (x, top), (right, top), (right, bottom)])
    with np.errstate(invalid="ignore"):  # inf less inf
        there = (np.stack(path.there(*starts.T)) + np.stack(path.there(*ends.T))) / 2
        back = np.stack(path.back(*there))
        away = np.hypot(back[0] - x, back[1] - y)
    return float(np.where(np.isfinite(away), away, np.inf).max())
