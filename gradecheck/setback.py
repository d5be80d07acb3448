"""Hydrants in the way of the new pavement: how far from its edge, and how likely too near. Pure; working units."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtr

from gradecheck.nodes import coarse_nodes, fine_nodes
from gradecheck.probability import Bools, Floats

_FAR = 5.0
"""Position sds beyond which no probability is left: a distance moves by no more than the point does."""
_STRAIGHT = 0.02
"""Position sds by which the distance at the nodes may stand off a straight edge's."""
_FINE = 987
_BATCH = 256
"""Hydrants looked at closely at a time: keeps memory flat."""


@dataclass(frozen=True)
class Pavement:
    """The design's pavement, in working units.

    areas: the paved ground; None where only lines are known, and then not which side of them is paved.
    edges: lines of its edge; the outline of the areas counts whether it is among them or not.
    """

    areas: shapely.Geometry | None
    edges: shapely.Geometry

    @cached_property
    def _polygons(self) -> shapely.Geometry:
        """The areas without the bare lines that mending a broken polygon may leave; prepared."""
        parts = _simple(self.areas)
        polygons = shapely.multipolygons(parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON])
        shapely.prepare(polygons)
        return polygons

    @cached_property
    def _segments(self) -> shapely.STRtree:
        """Every straight piece of the edge, to be found by place."""
        lines = _simple(self.edges)
        lines = lines[shapely.get_dimensions(lines) == 1]
        coords, line = shapely.get_coordinates(
            np.concatenate([lines, shapely.get_rings(shapely.get_parts(self._polygons))]), return_index=True
        )
        pairs = np.concatenate([coords[:-1], coords[1:]], axis=1)[line[:-1] == line[1:]]
        return shapely.STRtree(shapely.linestrings(np.unique(pairs, axis=0).reshape(-1, 2, 2)))

    def distance(self, x: Floats, y: Floats) -> Floats:
        """(n,) to the nearest edge, negative inside the pavement."""
        points = shapely.points(x, y)
        away = np.full(len(points), np.inf)
        found, distance = self._segments.query_nearest(points, return_distance=True, all_matches=False)
        away[found[0]] = distance
        return np.where(shapely.intersects(self._polygons, points), -away, away)

    def chance_nearer(self, x: Floats, y: Floats, position_sd: float, setback: float) -> Floats:
        """(n,) probability that a point, known to `position_sd` per axis, lies inside or nearer than `setback`.

        Beside an edge straight over the position's spread the closed form; else by 987 equal-weight nodes
        (within 0.01 at a bend or corner, 0.015 across a strip or island narrower than the spread).
        """
        away = self.distance(x, y) - setback
        chance = np.where(away < 0, 1.0, 0.0)
        if position_sd == 0:
            return chance
        near = np.flatnonzero(np.abs(away) <= _FAR * position_sd)
        for start in range(0, len(near), _BATCH):
            rows = near[start : start + _BATCH]
            chance[rows] = self._chance(x[rows], y[rows], position_sd, setback)
        return chance

    def _chance(self, x: Floats, y: Floats, sd: float, setback: float) -> Floats:
        nodes, weights = coarse_nodes()
        px, py = x[:, None] + nodes[:, 0] * sd, y[:, None] + nodes[:, 1] * sd
        seen = (self.distance(px.ravel(), py.ravel()).reshape(px.shape) - setback) / sd
        # No matrix products: their rounding depends on how many rows there are.
        slope = [(seen * (weights * axis)).sum(axis=1)[:, None] * axis for axis in nodes.T]
        off = np.abs(seen - seen[:, :1] - slope[0] - slope[1]).max(axis=1)
        chance: Floats = ndtr(-seen[:, 0])
        if self.areas is None:  # past a bare line it is as far again
            chance -= ndtr(-seen[:, 0] - 2 * setback / sd)
        bent = np.flatnonzero(off > _STRAIGHT)
        chance[bent] = self._counted(x[bent], y[bent], sd, setback, seen[bent])
        return chance

    def _counted(self, x: Floats, y: Floats, sd: float, setback: float, seen: Floats) -> Floats:
        """(n,) share of the fine nodes that are too near; asked only where the coarse ones, `seen`, leave it open."""
        nodes, _ = fine_nodes(_FINE)
        apart = np.linalg.norm(nodes[:, None] - coarse_nodes()[0], axis=2)
        known = seen[:, apart.argmin(axis=1)]
        inside = known < 0
        row, node = np.nonzero(np.abs(known) <= apart.min(axis=1))
        inside[row, node] = self._nearer(x[row] + nodes[node, 0] * sd, y[row] + nodes[node, 1] * sd, setback)
        return np.asarray(inside.mean(axis=1))

    def _nearer(self, x: Floats, y: Floats, setback: float) -> Bools:
        points = shapely.points(x, y)
        out: Bools = shapely.intersects(self._polygons, points)
        out[self._segments.query(points, predicate="dwithin", distance=setback)[0]] = True
        return out


def _simple(geometry: shapely.Geometry | None) -> NDArray[Any]:
    """Lines and polygons of which a geometry is made, collections within collections taken apart."""
    return np.asarray(shapely.get_parts(shapely.get_parts(np.array([geometry], dtype=object))))


@dataclass(frozen=True, slots=True)
class Setback:
    """(H,) each: working units to the new pavement's edge (negative inside; NaN not asked) and the probability that a
    hydrant is in the way."""

    distance: Floats
    chance: Floats

    @classmethod
    def none(cls, n: int) -> Setback:
        """No pavement was given."""
        return cls(np.full(n, np.nan), np.zeros(n))
