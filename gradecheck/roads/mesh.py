"""Triangles in plan with heights, and what is wrong with them: without area, without numbers, over one another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gradecheck.probability import Bools, Floats, Ints
from gradecheck.roads.cells import Cells

DEPTH = 1e-3
"""Units of the mesh by which triangles may overlap unsaid: coordinates are often written to three decimals."""
_ROUNDING = 2.0**-44
"""Of the greatest coordinate: a quarter of a micrometre at 4,600,000 m. A seventh of it was the most by which points
missed their place (1,800,000 ft) after a way to another reference system and back."""
_LISTED = 1_000_000
"""Overlapping pairs after which the search ends."""
_LOOKED_AT, _EACH = 200_000_000, 400
"""Candidate pairs after which it ends, in all and more for each triangle: sound meshes ask for 5 to 60 each."""
_NAMED = 3


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """Triangles in plan with heights, as a file gave them: V vertices, T triangles.

    name: what people call it; "" where it has no name.
    x: (V,) east, in the file's own unit and system.
    y: (V,) north, likewise.
    z: (V,) height up, in the file's own unit of heights.
    corners: (T, 3) vertex numbers from 0; the sense of turning is of no account.

    Raises ValueError where the arrays do not fit one another.
    """

    name: str
    x: Floats
    y: Floats
    z: Floats
    corners: Ints

    def __post_init__(self) -> None:
        if not self.x.shape == self.y.shape == self.z.shape == (self.x.size,):
            raise ValueError(f"x, y, z of shapes {self.x.shape}, {self.y.shape}, {self.z.shape}")
        if self.corners.ndim != 2 or self.corners.shape[1] != 3:
            raise ValueError(f"corners of shape {self.corners.shape}, not (T, 3)")
        if self.corners.size and not (self.corners.min() >= 0 and self.corners.max() < self.x.size):
            raise ValueError(f"corners number vertices beyond 0 to {self.x.size - 1}")

    def __len__(self) -> int:
        return len(self.corners)

    @property
    def rounding(self) -> float:
        """A distance in plan that means nothing at coordinates of this size; the unit of x and y."""
        size = np.maximum(np.abs(self.x), np.abs(self.y))
        return _ROUNDING * float(size[np.isfinite(size)].max(initial=0.0))

    def finite(self) -> Bools:
        """(T,) whether all corners have a place and a height."""
        good = np.isfinite(self.x) & np.isfinite(self.y) & np.isfinite(self.z)
        a, b, c = self.corners.T
        out: Bools = good[a] & good[b] & good[c]
        return out

    def widths(self) -> Floats:
        """(T,) the least height of each triangle in plan, unit of x and y: 0 where it has no area.

        >>> Mesh("", np.array([0.0, 4, 0, 8]), np.array([0.0, 0, 3, 0]), np.zeros(4),
        ...      np.array([[0, 1, 2], [0, 1, 3]])).widths().round(9).tolist()
        [2.4, 0.0]
        """
        with np.errstate(invalid="ignore"):
            x, y = self.x[self.corners], self.y[self.corners]
            dx, dy = x[:, [1, 2, 0]] - x, y[:, [1, 2, 0]] - y
            area = np.abs(dx[:, 0] * dy[:, 1] - dx[:, 1] * dy[:, 0])
            side = np.hypot(dx, dy).max(axis=1)
            out: Floats = np.divide(area, side, out=np.zeros(len(self)), where=side > 0)
        return out

    def solid(self) -> Ints:
        """Numbers of the triangles that are ground: corners finite, an area in plan beyond rounding."""
        return np.flatnonzero(self.finite() & (self.widths() > self.rounding))

    def boxes(self, rows: Ints) -> tuple[Floats, Floats, Floats, Floats]:
        """Left, bottom, right, top of some triangles, (k,) each."""
        (a, b, c), x, y = self.corners[rows].T, self.x, self.y
        return (
            np.minimum(np.minimum(x[a], x[b]), x[c]),
            np.minimum(np.minimum(y[a], y[b]), y[c]),
            np.maximum(np.maximum(x[a], x[b]), x[c]),
            np.maximum(np.maximum(y[a], y[b]), y[c]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Faults:
    """What is wrong with a mesh; triangles are numbered from 0 as in `Mesh.corners`.

    unplaced: (k,) triangles with a corner whose place or height is no number.
    flat: (k,) triangles without area in plan beyond rounding: repeated corners, corners in line, vertical faces.
    overlaps: (k, 2) triangles one of which lies over the other, lower number first, rising.
    complete: whether all pairs were looked at; else there are at least these overlaps.
    """

    unplaced: Ints
    flat: Ints
    overlaps: Ints
    complete: bool

    def __bool__(self) -> bool:
        return bool(len(self.unplaced) or len(self.flat) or len(self.overlaps) or not self.complete)

    def said(self, mesh: Mesh) -> tuple[str, ...]:
        """A sentence on each kind of fault there is, with its count and the first few by number from 1 and place."""
        of, lines = f"of {len(mesh)} triangles", []
        if len(self.unplaced):
            lines.append(
                f"{len(self.unplaced)} {of} with a corner without numbers, left out: {_few(mesh, self.unplaced)}"
            )
        if len(self.flat):
            lines.append(f"{len(self.flat)} {of} without area in plan, left out: {_few(mesh, self.flat)}")
        if len(self.overlaps):
            count = f"{len(self.overlaps)} pair{'s' if len(self.overlaps) > 1 else ''}"
            lines.append(
                f"{'' if self.complete else 'at least '}{count} {of} overlap, the first in the file answers: "
                f"{_few(mesh, self.overlaps)}"
            )
        elif not self.complete:
            lines.append("too many triangles lie close together to look for overlaps among them all")
        return tuple(lines)


def faults(mesh: Mesh, depth: float = DEPTH) -> Faults:
    """What is wrong with a mesh, looked for in all its triangles.

    depth: how deep one triangle must reach into another, unit of x and y, to overlap it: the least distance by
    which one would have to be moved to free it (separating axes over the six sides). Neighbours that only share a
    side or a corner do not overlap. Not found: overlaps that are less deep, and those of triangles thinner than that.
    """
    finite, width, rounding = mesh.finite(), mesh.widths(), mesh.rounding
    depth = max(depth, rounding)
    overlaps, complete = _overlaps(mesh, np.flatnonzero(finite & (width > depth)), depth)
    return Faults(np.flatnonzero(~finite), np.flatnonzero(finite & (width <= rounding)), overlaps, complete)


def _overlaps(mesh: Mesh, rows: Ints, depth: float) -> tuple[Ints, bool]:
    """Pairs among triangles `rows` that overlap deeper than `depth`, and whether all were looked at."""
    x, y = _leftward(mesh, rows)
    left, bottom, right, top = mesh.boxes(rows)
    cells = Cells.of(left + depth / 2, bottom + depth / 2, right - depth / 2, top - depth / 2)
    found, listed, left_to_look = [np.zeros((0, 2), dtype=np.int64)], 0, _LOOKED_AT + _EACH * len(rows)
    for looked, a, b in cells.overlapping():
        deep = np.flatnonzero(_enters(x, y, a, b, depth))
        deep = deep[_enters(x, y, b[deep], a[deep], depth)]
        found.append(np.sort(rows[np.stack([a[deep], b[deep]], axis=1)], axis=1))
        listed += len(deep)
        left_to_look -= looked
        if listed > _LISTED or left_to_look < 0:
            break
    pairs = np.concatenate(found)
    return pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))], listed <= _LISTED and left_to_look >= 0


def _leftward(mesh: Mesh, rows: Ints) -> tuple[Floats, Floats]:
    """Corners (3, k) of triangles in counterclockwise order, from the first one's as origin."""
    corners = mesh.corners[rows].T
    x, y = (v[corners] - v[corners[:1, :1]] for v in (mesh.x, mesh.y))
    turn = (x[1] - x[0]) * (y[2] - y[0]) < (x[2] - x[0]) * (y[1] - y[0])
    x[:, turn], y[:, turn] = x[::-1, turn], y[::-1, turn]
    return x, y


def _enters(x: Floats, y: Floats, a: Ints, b: Ints, depth: float) -> Bools:
    """Whether triangles b lie, in some part, deeper than `depth` on the inner side of each side of triangles a."""
    left = np.arange(len(a))
    for i in range(3):
        j, one, other = (i + 1) % 3, a[left], b[left]
        x0, y0 = x[i, one], y[i, one]
        dx, dy = x[j, one] - x0, y[j, one] - y0
        inner = [dx * (y[k, other] - y0) - dy * (x[k, other] - x0) for k in range(3)]
        left = left[np.maximum(np.maximum(*inner[:2]), inner[2]) > depth * np.hypot(dx, dy)]
    out = np.zeros(len(a), dtype=bool)
    out[left] = True
    return out


def _few(mesh: Mesh, rows: Ints) -> str:
    """The first few triangles (k,) or pairs of them (k, 2), by number from 1 and place."""
    words = []
    for row in rows[:_NAMED]:
        numbers = " and ".join(str(n + 1) for n in np.atleast_1d(row).tolist())
        words.append(f"{numbers}{_place(mesh, np.atleast_1d(row))}")
    return ", ".join(words) + (", ..." if len(rows) > _NAMED else "")


def _place(mesh: Mesh, rows: Ints) -> str:
    """Where some triangles lie over one another: the middle of what their boxes share; else nothing."""
    left, bottom, right, top = mesh.boxes(rows)
    x, y = (left.max() + right.min()) / 2, (bottom.max() + top.min()) / 2
    return f" near ({x:.10g}, {y:.10g})" if np.isfinite(x) and np.isfinite(y) else ""
