"""Triangulated ground: the plane over the triangle that holds the point.

Points are taken to the mesh, never the mesh to the points. Which side of a triangle's side a point lies on is told
without rounding, so that no point falls between two triangles that share a side; beyond that, a point as near to
a triangle as coordinates of this size can tell is on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from gradecheck.probability import Bools, Floats, Ints
from gradecheck.reference import Path
from gradecheck.roads.cells import Cells
from gradecheck.roads.mesh import Mesh
from gradecheck.surfaces import HIGHEST, HOLE, LOWEST, OUT_OF_RANGE, OUTSIDE, Heights

_POINTS = 1 << 18
"""Points looked up at a time."""
_RIM = 100_000
"""Sides at the rim of a mesh beyond which holes are not told from the outside: that of ground has hardly as many."""
_DOUBT = 2.0**-50
"""Of its products, what plain arithmetic may be out by in a difference of two (3/2**53 and more)."""
_WIDER = 2.0**-40
"""Of the greatest coordinate, by which an extent is widened whatever its sides: 4 um at 4,600,000 m."""
_SPLIT = 2.0**27 + 1
"""Cuts the 53 digits of a number in two."""


@dataclass(frozen=True)
class Tin:
    """A mesh as a surface. Where triangles overlap, the first one in the file answers.

    Triangles without area in plan, or with a corner that is no number, are no ground. A triangle with a corner
    below -500 m or above 9000 m says OUT_OF_RANGE. A void that triangles enclose says HOLE.

    mesh: as the file gave it.
    path: from the working system to the mesh's.
    to_metres: metres in one unit of the mesh's z.
    sd: metres, independent standard error of its heights.
    shown: its name for people, such as "design.xml: FG".
    """

    mesh: Mesh
    path: Path
    to_metres: float
    sd: float
    shown: str

    @property
    def names(self) -> tuple[str, ...]:
        """The mesh as shown to people."""
        return (self.shown,)

    @cached_property
    def extent(self) -> shapely.Geometry:
        """The convex hull of the mesh in the working system, a little widened where its sides bend.

        What lies between arms of the mesh is inside: whether ground encloses it is for others to find out.
        """
        rows = self._rows
        if not len(rows):
            return shapely.Polygon()
        used = np.zeros(len(self.mesh.x), dtype=bool)
        used[self.mesh.corners[rows]] = True
        hull = shapely.convex_hull(shapely.linestrings(self.mesh.x[used], self.mesh.y[used]))
        return _taken_back(hull, self.path, self._rounding)

    def heights(self, x: Floats, y: Floats) -> Heights:
        """See `Surface.heights`."""
        n = len(x)
        z, source = np.full(n, np.nan), np.full(n, OUTSIDE, dtype=np.int32)
        for start in range(0, n, _POINTS):
            part = slice(start, start + _POINTS)
            z[part], source[part] = self._heights(x[part], y[part])
        return Heights(z, np.where(np.isnan(z), np.nan, self.sd), source, self.names)

    def _heights(self, x: Floats, y: Floats) -> tuple[Floats, NDArray[np.int32]]:
        z, source = np.full(len(x), np.nan), np.full(len(x), OUTSIDE, dtype=np.int32)
        if self.extent.is_empty:
            return z, source
        left, bottom, right, top = self.extent.bounds
        rows = np.flatnonzero((x >= left) & (x <= right) & (y >= bottom) & (y <= top))
        px, py = (np.asarray(v, dtype=np.float64) for v in self.path.there(x[rows], y[rows]))
        triangle = self._triangles(px, py)
        found = triangle >= 0
        z[rows[found]], source[rows[found]] = self._on(triangle[found], px[found], py[found])
        open_ = np.flatnonzero(~found & np.isfinite(px) & np.isfinite(py))
        if len(open_):
            enclosed = shapely.intersects_xy(self._filled, px[open_], py[open_])
            source[rows[open_[enclosed]]] = HOLE
        return z, source

    @cached_property
    def _rounding(self) -> float:
        return self.mesh.rounding

    @cached_property
    def _rows(self) -> Ints:
        """The triangles that are ground."""
        return self.mesh.solid()

    @cached_property
    def _cells(self) -> Cells:
        near = self._rounding
        left, bottom, right, top = self.mesh.boxes(self._rows)
        return Cells.of(left - near, bottom - near, right + near, top + near)

    def _triangles(self, x: Floats, y: Floats) -> Ints:
        """(n,) the triangle of each point of the mesh's system, -1 for none: the first that holds it, else the nearest
        of those within rounding.
        """
        best, distance = np.full(len(x), -1), np.full(len(x), np.inf)
        for point, cell in self._cells.holding(x, y):
            row = self._rows[cell]
            dx, dy = self._around(row, x[point], y[point])
            near = _near(dx, dy, self._rounding)
            point, row = point[near], row[near]
            beyond = _beyond(dx[:, near], dy[:, near])
            order = np.lexsort((row, beyond, point))
            order = order[np.diff(point[order], prepend=-1) > 0]
            point, row, beyond = point[order], row[order], beyond[order]
            better = (beyond < distance[point]) | ((beyond == distance[point]) & (row < best[point]))
            best[point[better]], distance[point[better]] = row[better], beyond[better]
        return best

    def _on(self, row: Ints, x: Floats, y: Floats) -> tuple[Floats, NDArray[np.int32]]:
        """Metres at points of the mesh's system on or beside triangles `row`, and their source."""
        corner = self.mesh.z[self.mesh.corners[row]].T * self.to_metres
        dx, dy = self._around(row, x, y)
        share = _shares(dx, dy)
        z = corner[0] + (share[1] * (corner[1] - corner[0]) + share[2] * (corner[2] - corner[0])) / share.sum(axis=0)
        beside = np.flatnonzero((share < 0).any(axis=0))
        z[beside] = _at_side(dx[:, beside], dy[:, beside], corner[:, beside])
        possible = ((corner >= LOWEST) & (corner <= HIGHEST)).all(axis=0)
        return np.where(possible, z, np.nan), np.where(possible, 0, OUT_OF_RANGE).astype(np.int32)

    def _around(self, row: Ints, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """(3, k) corners of triangles as seen from points (k,)."""
        corners = self.mesh.corners[row].T
        return self.mesh.x[corners] - x, self.mesh.y[corners] - y

    @cached_property
    def _filled(self) -> shapely.Geometry:
        """All that the mesh's rim goes around, covered or not, in the mesh's system; empty for a ragged mesh."""
        rim = _rim(self.mesh, self._rows)
        if len(rim) > _RIM:
            return shapely.Polygon()
        noded = shapely.get_parts(shapely.union_all(shapely.linestrings(rim)))
        filled = shapely.union_all(shapely.get_parts(shapely.polygonize(noded)))
        shapely.prepare(filled)
        return filled


def _near(dx: Floats, dy: Floats, rounding: float) -> Bools:
    """Whether no side of a triangle has the point farther than `rounding` on its outer side, as far as plain
    arithmetic can tell; any sense of turning.
    """
    cross, slack = np.empty_like(dx), np.empty_like(dx)
    for i in range(3):
        p, q = dx[i - 2] * dy[i - 1], dx[i - 1] * dy[i - 2]
        cross[i] = p - q
        slack[i] = rounding * np.hypot(dx[i - 2] - dx[i - 1], dy[i - 2] - dy[i - 1]) + _DOUBT * (abs(p) + abs(q))
    out: Bools = (cross * np.sign(cross.sum(axis=0)) >= -slack).all(axis=0)
    return out


def _beyond(dx: Floats, dy: Floats) -> Floats:
    """(k,) how far the point lies on the outer side of a triangle's sides, at the most; 0 in the triangle."""
    side = np.stack([np.hypot(dx[i - 2] - dx[i - 1], dy[i - 2] - dy[i - 1]) for i in range(3)])
    out: Floats = np.maximum(-_shares(dx, dy) / side, 0.0).max(axis=0)
    return out


def _shares(dx: Floats, dy: Floats) -> Floats:
    """Twice the areas (3, k) between the point and the side opposite to each corner: positive within the triangle.

    The products are taken with their rounding errors (Dekker 1971), so that the signs are those of the numbers
    given and a sliver of any thinness keeps its heights.
    """
    (hx, lx), (hy, ly) = _halves(dx), _halves(dy)
    out = np.empty_like(dx)
    for i in range(3):
        j, k = i - 2, i - 1
        p, q = dx[j] * dy[k], dx[k] * dy[j]
        p_error = ((hx[j] * hy[k] - p) + hx[j] * ly[k] + lx[j] * hy[k]) + lx[j] * ly[k]
        q_error = ((hx[k] * hy[j] - q) + hx[k] * ly[j] + lx[k] * hy[j]) + lx[k] * ly[j]
        out[i] = (p - q) + (p_error - q_error)
    out *= np.sign(out.sum(axis=0))
    return out


def _halves(value: Floats) -> tuple[Floats, Floats]:
    """Numbers as sums of two with half their digits (Veltkamp 1968)."""
    big = _SPLIT * value
    high = big - (big - value)
    return high, value - high


def _at_side(dx: Floats, dy: Floats, z: Floats) -> Floats:
    """Heights (k,) at the spots of the triangles' sides that are nearest to the points; all (3, k)."""
    ex, ey, rise = (np.roll(v, -1, axis=0) - v for v in (dx, dy, z))
    along = np.clip(-(dx * ex + dy * ey) / (ex**2 + ey**2), 0.0, 1.0)
    nearest = np.hypot(dx + along * ex, dy + along * ey).argmin(axis=0), np.arange(dx.shape[1])
    out: Floats = (z + along * rise)[nearest]
    return out


def _rim(mesh: Mesh, rows: Ints) -> Floats:
    """(k, 2, 2) ends of the sides that only one of the triangles has; corners in one place are one corner."""
    at = np.empty(len(mesh.x), dtype=np.complex128)
    at.real, at.imag = mesh.x, mesh.y
    spot, place = np.unique(at, return_inverse=True)
    a, b, c = place[mesh.corners[rows].T]
    sides = [np.minimum(p, q) * len(spot) + np.maximum(p, q) for p, q in ((a, b), (b, c), (c, a))]
    side = np.sort(np.concatenate(sides))
    new = np.concatenate(([True], side[1:] != side[:-1], [True]))
    ends = spot[np.stack(np.divmod(side[new[:-1] & new[1:]], len(spot)), axis=1)]
    return np.stack([ends.real, ends.imag], axis=2)


def _taken_back(area: shapely.Geometry, path: Path, rounding: float) -> shapely.Geometry:
    """A convex polygon of the mesh's system in the working system, widened by as much as its sides may bend."""
    ring = shapely.get_coordinates(shapely.segmentize(area.exterior, area.length / 256))
    x, y = (np.asarray(v) for v in path.back(*np.concatenate([ring, (ring[1:] + ring[:-1]) / 2]).T))
    corner, middle = np.stack([x, y], axis=1)[: len(ring)], np.stack([x, y], axis=1)[len(ring) :]
    good = np.isfinite(corner).all(axis=1)
    if good.sum() < 4:
        return shapely.Polygon()
    bend = np.abs(middle - (corner[1:] + corner[:-1]) / 2)
    outline = shapely.Polygon(corner[good])
    least = max(_WIDER * np.abs(corner[good]).max(), 4 * rounding * outline.length / area.length)
    margin = 2 * bend[np.isfinite(bend)].max(initial=0.0) + least
    return (outline if outline.is_valid else shapely.convex_hull(outline)).buffer(margin, join_style="mitre")
