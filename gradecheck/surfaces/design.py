"""Where a design says nothing: a hole in it, too near its end to tell, or beyond it where nothing changes.

A false all-clear is the worst answer that this program can give, so "unchanged" must be earned: the point
lies outside the limits of the design and farther than `unchanged_past` from them and from every design ground;
where no limits are known, it lies in no hole that the design encloses either.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from gradecheck.probability import Bools, Floats
from gradecheck.surfaces import IMPLAUSIBLE, PAST_END, TIED_IN, Layered, Surface, Telling, grain

INSIDE = 1
SHORT = 2
UNCHANGED = 3
UNKNOWN = 4
WHY: dict[int, str] = {
    INSIDE: "inside its limits the design has no ground here",
    SHORT: "the design stops short of here",
    UNCHANGED: "beyond the design: unchanged",
    UNKNOWN: "beyond the design",
}

_LEAST_RINGS, _MOST_RINGS = 12, 64
_SPACING = 0.35
"""Working units between rings: a piece of design narrower than this may be overlooked."""
_ROAD_SPACING = 1.0
"""The same for roads, which are no narrower."""
_BAND = 500_000
_LEAST_STEP = 3.0
_LEAST_CELLS = 800
_GRID = 2048
"""Cells along the longer side of a design in the search for what it encloses: at least 800, more while they are
wider than 3 working units, at most 2048."""
_MOST_BLOCKS = 20_000
"""Blocks over all of a design, a minute's reading: where there are more, what it encloses is not looked for."""


@dataclass(frozen=True)
class Design:
    """The after surface with what the plan says of its end; distances in working units.

    limits: polygons of the design's limits, or None where its own ground is all there is to go by.
    past: how far from the design the ground counts as unchanged; None where beyond is "missing".
    near: how near to other ground of the design a road's tie-in says nothing.
    correlation: of its own errors with those of the existing ground.
    """

    surface: Surface
    limits: shapely.Geometry | None
    past: float | None
    near: float = 0.0
    correlation: float = 0.0

    def silence(self, x: Floats, y: Floats, margin: float = 0.0) -> NDArray[np.int8]:
        """For points (n,) where the surface has no ground: one of the codes above, `past` widened by `margin`."""
        points = shapely.points(x, y)
        # Where the design has a value that is no height, or cannot be read, it has a say that nobody can hear.
        source = self.surface.heights(x, y).source
        inside = source <= IMPLAUSIBLE
        tied = self.tied(x, y, source)
        if self.limits is not None:
            shapely.prepare(self.limits)
            inside |= shapely.intersects(self.limits, points)
        if self.past is None:
            return np.where(tied, UNCHANGED, np.where(inside, INSIDE, UNKNOWN)).astype(np.int8)
        past = self.past + margin
        # Beside a road's line, past its profile's end, the road's ground may be anything.
        near, unknown = source == PAST_END, np.zeros(len(x), dtype=bool)
        if self.limits is not None:
            near |= shapely.dwithin(self.limits, points, past)
        extent = self.surface.extent
        shapely.prepare(extent)
        ask = np.flatnonzero(~tied & ~inside & ~near & shapely.dwithin(extent, points, past))
        near[ask] = ground_within(self.surface, x[ask], y[ask], past)
        if self.limits is None:
            ask = np.flatnonzero(~tied & ~inside & ~near & shapely.intersects(_whole(extent), points))
            if len(ask) and self.too_wide:
                unknown[ask] = True
            elif len(ask):
                inside[ask] = self._enclosed(x[ask], y[ask])
        return np.select([tied, inside, near, unknown], [UNCHANGED, INSIDE, SHORT, UNKNOWN], UNCHANGED).astype(np.int8)

    @cached_property
    def too_wide(self) -> bool:
        """Whether so many blocks lie over the design that what it encloses cannot be looked for."""
        if self.limits is not None or self.past is None:
            return False
        block = grain(self.surface)
        left, bottom, right, top = self.surface.extent.bounds
        return block is not None and (right - left) * (top - bottom) > _MOST_BLOCKS * block.width * block.height

    def tied(self, x: Floats, y: Floats, source: NDArray[np.int32]) -> Bools:
        """Points (n,) for which roads say that they tie in before them, and no other ground of the design is near.

        There the limits of the design are known better than by any distance from it.
        """
        tied: Bools = source == TIED_IN
        rows = np.flatnonzero(tied)
        if len(rows) and isinstance(self.surface, Layered):
            for layer in self.surface.layers:
                mute = layer.heights(x[rows], y[rows]).source != TIED_IN
                near = ground_within(layer, x[rows[mute]], y[rows[mute]], self.near)
                tied[rows[mute][near]] = False
        return tied

    def _enclosed(self, x: Floats, y: Floats) -> Bools:
        """Whether ground of the surface lies all around a point."""
        holes, left, bottom, step = self._holes
        out: Bools = holes[np.rint((y - bottom) / step).astype(int) + 1, np.rint((x - left) / step).astype(int) + 1]
        return out

    @cached_property
    def _holes(self) -> tuple[Bools, float, float, float]:
        """What the surface encloses without covering it, on a grid over all of it with a rim of one cell."""
        left, bottom, right, top = self.surface.extent.bounds
        span = max(right - left, top - bottom)
        step = max(span / _GRID, min(_LEAST_STEP, max(span / _LEAST_CELLS, _SPACING)))
        nx, ny = int(np.ceil((right - left) / step)) + 1, int(np.ceil((top - bottom) / step)) + 1
        gx, gy = np.meshgrid(left + step * np.arange(nx), bottom + step * np.arange(ny))
        ground = np.pad(np.concatenate([says(self.surface, a, b) for a, b in _bands(gx, gy)]).reshape(gx.shape), 1)
        # Diagonal neighbours close a ring: a thin road drawn aslant still encloses what it goes around.
        joined = ndimage.generate_binary_structure(2, 1)
        holes = ndimage.binary_fill_holes(ground, structure=joined) & ~ground
        # A point in a hole may be nearest to a cell of the ground around it.
        return ndimage.binary_dilation(holes, np.ones((3, 3), dtype=bool)), left, bottom, step


def _whole(extent: shapely.Geometry) -> shapely.Geometry:
    """An extent with what it goes around."""
    rings = shapely.get_exterior_ring(shapely.get_parts(extent))
    return shapely.union_all(shapely.polygons(rings[~shapely.is_missing(rings)]))


def says(surface: Surface, x: Floats, y: Floats) -> Bools:
    """Where a surface has ground, or would have it could it be read."""
    there = surface.heights(x, y)
    return np.isfinite(there.z) | (there.source <= IMPLAUSIBLE)


def ground_within(surface: Surface, x: Floats, y: Floats, distance: float) -> Bools:
    """Whether a surface has ground within a distance of points (n,): by roads straight towards them, else on rings."""
    if isinstance(surface, Layered):
        found = np.zeros(len(x), dtype=bool)
        for layer in surface.layers:
            todo = np.flatnonzero(~found)
            found[todo] = ground_within(layer, x[todo], y[todo], distance)
        return found
    if isinstance(surface, Telling):
        found = surface.ground_within(x, y, distance)
        # A road's end, or a section that widens, may be nearer than what lies straight across.
        todo = np.flatnonzero(~found & shapely.dwithin(surface.extent, shapely.points(x, y), distance))
        found[todo] = _on_rings(surface, x[todo], y[todo], distance, _ROAD_SPACING)
        return found
    return _on_rings(surface, x, y, distance, _SPACING)


def _on_rings(surface: Surface, x: Floats, y: Floats, distance: float, most: float) -> Bools:
    """Looked for on rings, at most so far apart, up to one ring beyond the distance."""
    found = np.zeros(len(x), dtype=bool)
    spacing = max(distance / _MOST_RINGS, min(distance / _LEAST_RINGS, most))
    for ring in range(1, int(np.ceil(distance / spacing)) + 2 if distance > 0 else 0):
        todo = np.flatnonzero(~found)
        if not len(todo):
            break
        angle = np.arange(7 * ring) * (2 * np.pi / (7 * ring))
        px = (x[todo, None] + spacing * ring * np.cos(angle)).ravel()
        py = (y[todo, None] + spacing * ring * np.sin(angle)).ravel()
        found[todo] = says(surface, px, py).reshape(len(todo), -1).any(axis=1)
    return found


def _bands(x: Floats, y: Floats) -> Iterator[tuple[Floats, Floats]]:
    """A grid in bands of whole rows: few enough points for memory, enough that each block is read about once."""
    rows = max(1, _BAND // x.shape[1])
    for i in range(0, len(x), rows):
        yield x[i : i + rows].ravel(), y[i : i + rows].ravel()
