"""Where a hydrant is: its surroundings for the sketch, its neighbours, its station. Pure; metres about the hydrant."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gradecheck import reference
from gradecheck.assessment import Assessment
from gradecheck.paving import thinned
from gradecheck.probability import Ints
from gradecheck.walk import neighbours

NEIGHBOURS = 3
_NEAR, _FAR = 20.0, 150.0
"""Metres from the hydrant to the nearer edges of the sketch, at least and at most."""
_STATION = re.compile(r"[^;]*?-?\d+\+\d{2,3}\.\d, \d+\.\d (?:ft|m)(?: [LR])?(?=$|;| \()")

Line = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another hydrant. east, north: metres from this one, grid directions."""

    hydrant_id: str
    east: float
    north: float

    @property
    def distance(self) -> float:
        """Metres."""
        return float(np.hypot(self.east, self.north))


@dataclass(frozen=True, slots=True)
class Sketch:
    """The surroundings, metres east and north of the hydrant. half: metres from the middle to the edges.

    limits, pavement: lines (k, 2) of the paving plan and of the new pavement's edge.
    """

    half: float
    neighbours: tuple[Neighbour, ...]
    limits: tuple[Line, ...]
    pavement: tuple[Line, ...]


def station_of(source: str | None) -> str:
    """Road, station and offset out of what is told of a source; empty where it is no road.

    >>> station_of("Main 12+50.3, 17.0 ft R (profile carried level, no section)"), station_of("design.tif")
    ('Main 12+50.3, 17.0 ft R', '')
    """
    match = _STATION.match(source or "")
    return match[0].strip() if match else ""


_DRAWN = 0.1
"""Metres that a drawn outline may be off where it has very many corners."""


def sketches(a: Assessment, rows: Ints) -> list[Sketch]:
    """The surroundings of some hydrants."""
    h, metre = a.inputs.hydrants, reference.metres_per_unit(a.inputs.work)
    others, there = neighbours(h.x, h.y, rows, NEIGHBOURS)
    parts = [_edges(thinned(g, _DRAWN / metre)) for g in a.inputs.jobs.parts]
    tree = shapely.STRtree(parts)
    pavement = _pavement(a)
    paved = shapely.STRtree(pavement)
    found = []
    for n, row in enumerate(rows.tolist()):
        x, y = float(h.x[row]), float(h.y[row])
        near = tuple(
            Neighbour(h.id[j], float(h.x[j] - x) * metre, float(h.y[j] - y) * metre)
            for j, is_there in zip(others[n].tolist(), there[n].tolist(), strict=True)
            if is_there
        )
        half = _half(near)
        # Wider than high: the drawing's own shape cuts off what is too much.
        box = (x - 4 * half / metre, y - half / metre, x + 4 * half / metre, y + half / metre)
        found.append(Sketch(half, near, _lines(tree, box, x, y, metre), _lines(paved, box, x, y, metre)))
    return found


def _pavement(a: Assessment) -> NDArray[np.object_]:
    """Lines of the new pavement's edge, the outline of its areas among them."""
    given = a.inputs.pavement
    if given is None:
        return np.empty(0, dtype=object)
    metre = reference.metres_per_unit(a.inputs.work)
    shapes = [given.edges, *([given.areas] if given.areas is not None else [])]
    return np.array(
        [_edges(thinned(part, _DRAWN / metre)) for shape in shapes for part in shapely.get_parts(shape)], dtype=object
    )


def _half(near: tuple[Neighbour, ...]) -> float:
    """So far that the nearest neighbour is in the picture, where it is not too far for one."""
    first = max((abs(near[0].north), abs(near[0].east) / 1.4), default=_NEAR) if near else _NEAR
    return float(np.clip(1.25 * first, _NEAR, _FAR))


def _edges(shape: shapely.Geometry) -> shapely.Geometry:
    return shape.boundary if shapely.get_dimensions(shape) == 2 else shape


def _lines(
    tree: shapely.STRtree, box: tuple[float, float, float, float], x: float, y: float, metre: float
) -> tuple[Line, ...]:
    """What of the tree's lines lies in a box, metres about the hydrant."""
    hits = np.sort(tree.query(shapely.box(*box)))
    clipped = [shapely.clip_by_rect(tree.geometries[k], *box) for k in hits.tolist()]
    pieces = [p for g in clipped for p in shapely.get_parts(g) if shapely.get_dimensions(p) == 1]
    return tuple((shapely.get_coordinates(p) - (x, y)) * metre for p in pieces)
