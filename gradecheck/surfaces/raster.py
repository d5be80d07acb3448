"""Elevation rasters as ground: tiles of one lattice are one raster, bilinear between cell centres.

Points are taken to the tiles, never the tiles to the points. Each point asks for the pixels around it that
have weight; each pixel lies in one block of one tile; every block asked for is read once, in file order,
and only the values asked for are kept, so memory does not depend on the rasters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray

from gradecheck import engine
from gradecheck.probability import Bools, Floats
from gradecheck.reference import Path
from gradecheck.surfaces import EDGE_CELL, OUTSIDE, UNREADABLE, Grain, Heights
from gradecheck.surfaces.blocks import Block, Blocks, grouped
from gradecheck.surfaces.tiles import Tile

_SNAP = 1e-7
"""Columns and rows this near a cell centre are on it: rounding must not ask for a neighbour beyond the edge."""
_PART = 16_384
"""Points worked at a time: what is known of them fits in a core's own cache."""
_BYTES = 4
"""Of a value: most elevations are stored so."""
_NEAR = 64
"""Cells across of the squares that are asked which tiles are near."""

Indices = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Lattice:
    """Tiles that share a system, a cell size and an alignment: one raster. Earlier tiles win.

    place: (T, 4) first column, first row, columns and rows of each tile on the lattice of the first.
    """

    tiles: tuple[Tile, ...]
    place: Indices
    path: Path
    extent: shapely.Geometry
    sd: float
    blocks: Blocks
    tree: shapely.STRtree

    @classmethod
    def of(cls, tiles: Sequence[Tile], place: Indices, path: Path, extent: shapely.Geometry, sd: float) -> Lattice:
        """Tiles at their places, numbered and indexed once for all questions."""
        left, top, wide, high = place.T
        tree = shapely.STRtree(shapely.box(left, top, left + wide - 1, top + high - 1))
        return cls(tuple(tiles), place, path, extent, sd, Blocks.of(tiles), tree)

    @property
    def names(self) -> tuple[str, ...]:
        """The tiles as shown to people."""
        return tuple(t.shown for t in self.tiles)

    @property
    def grain(self) -> Grain | None:
        """See `surfaces.Blocked`."""
        tile = max(self.tiles, key=lambda t: t.block[0] * t.block[1])
        high, wide = tile.block
        grid = tile.grid
        columns, rows = np.array([0.0, wide, 0.0, wide]), np.array([0.0, 0.0, high, high])
        x, y = self.path.back(grid.a * columns + grid.b * rows + grid.c, grid.d * columns + grid.e * rows + grid.f)
        width, height = float(np.ptp(x)), float(np.ptp(y))
        return Grain(width, height, wide * high * _BYTES) if width > 0 and height > 0 else None

    def changed(self) -> list[str]:
        """See `surfaces.Blocked`."""
        return self.blocks.changed()

    def heights(self, x: Floats, y: Floats) -> Heights:
        """See `Surface.heights`; a missing neighbour with any weight means missing."""
        n = len(x)
        z, source = np.full(n, np.nan), np.full(n, OUTSIDE, dtype=np.int32)
        left, bottom, right, top = self.extent.bounds
        rows = np.flatnonzero((x >= left) & (x <= right) & (y >= bottom) & (y <= top))
        if len(rows):
            z[rows], source[rows] = self._bilinear(*self._placed(x[rows], y[rows]))
        return Heights(z, np.where(np.isnan(z), np.nan, self.sd), source, self.names)

    def _placed(self, x: Floats, y: Floats) -> tuple[Floats, Floats, Indices, Indices]:
        """Points (n,), (n,) as column and row of cell centres, the tile that alone has all their pixels and the block
        that does, -1 for none, -2 where the point is nowhere; piece by piece, so that what is worked on stays near."""
        column, row = np.empty(len(x)), np.empty(len(x))
        tile, number = np.empty(len(x), dtype=np.int64), np.empty(len(x), dtype=np.int64)

        def work(some: slice) -> None:
            c, r = self._cells(*self.path.there(x[some], y[some]))
            lost = ~(np.isfinite(c) & np.isfinite(r))
            c, r = np.where(lost, 0.0, c), np.where(lost, 0.0, r)
            c0, r0 = np.floor(c), np.floor(r)
            right, down = (c > c0).astype(np.int64), (r > r0).astype(np.int64)
            own, first = self._alone(c0.astype(np.int64), r0.astype(np.int64), right, down)
            column[some], row[some], tile[some] = c, r, own
            number[some] = np.where(lost, -2, first)

        for some in engine.spans(len(x), _PART):
            work(some)
        return column, row, tile, number

    def _cells(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Fractional column and row of cell centres, whole numbers where a point is on one."""
        grid = self.tiles[0].grid
        inverse = ~Affine(grid.a, grid.b, 0, grid.d, grid.e, 0)
        dx, dy = np.asarray(x) - grid.c, np.asarray(y) - grid.f
        cells = []
        for a, b in ((inverse.a, inverse.b), (inverse.d, inverse.e)):
            with np.errstate(invalid="ignore"):
                value = a * dx + b * dy - 0.5
                whole = np.rint(value)
                cells.append(np.where(np.abs(value - whole) < _SNAP, whole, value))
        return cells[0], cells[1]

    def _bilinear(
        self, column: Floats, row: Floats, tile: Indices, number: Indices
    ) -> tuple[Floats, NDArray[np.int32]]:
        """Heights at points (n,) as `_placed` gives them, and which tile gave them, or why none did."""
        z, source = np.full(len(column), np.nan), np.full(len(column), OUTSIDE, dtype=np.int32)
        whole, apart = np.flatnonzero(number >= 0), np.flatnonzero(number == -1)
        asked = _Pixels(self, column[apart], row[apart])
        groups = [grouped(number[whole]), *([asked.first] if len(apart) else [])]

        def look(block: Block, members: list[Indices]) -> None:
            if len(members) > 1 and len(members[1]):
                asked.fill(block, members[1])
            for part in engine.spans(len(members[0]), _PART):
                rows = whole[members[0][part]]
                left, top = self.place[tile[rows[0]], :2]
                z[rows] = block.bilinear(column[rows] - left, row[rows] - top)
                source[rows] = tile[rows[0]]
                gone = rows[np.isnan(z[rows])]
                if len(gone):
                    source[gone] = self._why(block, column[gone] - left, row[gone] - top)

        self.blocks.visit(groups, look)
        if len(apart):
            asked.finish()
            z[apart], source[apart] = asked.heights()
        return z, source

    def _number(self, tile: Indices, column: Indices, row: Indices) -> Indices:
        """(k,) the block of pixels that lie in a tile."""
        return self.blocks.number(tile, column - self.place[tile, 0], row - self.place[tile, 1])

    def _alone(self, column: Indices, row: Indices, right: Indices, down: Indices) -> tuple[Indices, Indices]:
        """(n,) the only tile near a pixel, and the block of it that holds the pixel with its next ones; or -1."""
        if len(self.tiles) == 1:
            tile, (left, top, wide, high) = np.zeros(len(column), dtype=np.int64), self.place[0].tolist()
        else:
            tile = self._only_near(column, row)
            left, top, wide, high = self.place[tile].T
        column, row = column - left, row - top
        number = self.blocks.holding(tile, column, row, right, down)
        number[(tile < 0) | (column < 0) | (row < 0) | (column + right >= wide) | (row + down >= high)] = -1
        return tile, number

    def _only_near(self, column: Indices, row: Indices) -> Indices:
        """(n,) the only tile that is near a pixel; -1 where there are several, or none."""
        cell = np.stack([column // _NEAR, row // _NEAR], axis=1)
        start = np.concatenate(([0], np.flatnonzero((np.diff(cell, axis=0) != 0).any(axis=1)) + 1))[: len(cell)]
        cells, back = np.unique(cell[start], axis=0, return_inverse=True)
        low = cells * _NEAR
        found, tile = self.tree.query(shapely.box(low[:, 0] - 1, low[:, 1] - 1, *(low + _NEAR + 1).T))
        only = np.full(len(cells), -1, dtype=np.int64)
        only[found] = tile
        only[np.bincount(found, minlength=len(cells)) > 1] = -1
        return np.repeat(only[back.ravel()], np.diff(np.append(start, len(cell))))

    def rounds(self, column: Indices, row: Indices, needed: Bools) -> list[tuple[Indices, Indices]]:
        """Of pixels (4n,), four a point: (request, tile) pairs, first each pixel's first tile, then its second, ..."""
        if len(self.tiles) == 1:
            point, tile = np.arange(len(column) // 4), np.zeros(len(column) // 4, dtype=np.int64)
        else:
            c0, r0 = column[::4], row[::4]
            point, tile = self.tree.query(shapely.box(c0, r0, c0 + 1, r0 + 1))
        request = (point[:, None] * 4 + np.arange(4)).ravel()
        tile = np.repeat(tile, 4)
        place = self.place[tile]
        c, r = column[request] - place[:, 0], row[request] - place[:, 1]
        keep = needed[request] & (c >= 0) & (c < place[:, 2]) & (r >= 0) & (r < place[:, 3])
        request, tile = request[keep], tile[keep]
        if len(self.tiles) == 1:
            return [(request, tile)]
        order = np.lexsort((tile, request))
        request, tile = request[order], tile[order]
        new = np.concatenate(([True], request[1:] != request[:-1])) if len(request) else np.zeros(0, dtype=bool)
        start = np.flatnonzero(new)
        turn = np.arange(len(request)) - np.repeat(start, np.diff(np.append(start, len(request))))
        return [(request[turn == k], tile[turn == k]) for k in range(int(turn.max(initial=-1)) + 1)]

    def _why(self, block: Block, column: Floats, row: Floats) -> NDArray[np.int8]:
        """Why there is no height between pixels of one block: the worst reason of those that have weight."""
        at, weight = _pixels(column, row)
        worst = np.zeros(len(column), dtype=np.int8)
        for (c, r), w in zip(at, weight, strict=True):
            some = np.flatnonzero(w > 0)
            value, why = block.pixels(c[some], r[some])
            worst[some] = np.minimum(worst[some], np.where(np.isnan(value), why, 0))
        return worst


def _pixels(column: Floats, row: Floats) -> tuple[list[tuple[Indices, Indices]], list[Floats]]:
    """The four pixels about points (n,), those of one row first, and their weights."""
    c0, r0 = np.floor(column), np.floor(row)
    fc, fr = column - c0, row - r0
    c0, r0 = c0.astype(np.int64), r0.astype(np.int64)
    at = [(c0 + right, r0 + down) for right, down in ((0, 0), (1, 0), (0, 1), (1, 1))]
    return at, [(1 - fr) * (1 - fc), (1 - fr) * fc, fr * (1 - fc), fr * fc]


class _Pixels:
    """Points asked for pixel by pixel: at seams of blocks and tiles, where tiles overlap, outside."""

    def __init__(self, lattice: Lattice, column: Floats, row: Floats):
        self.lattice = lattice
        at, weight = _pixels(column, row)
        self.weight = np.stack(weight, axis=1)
        self.column, self.row = (np.stack(v, axis=1).ravel() for v in zip(*at, strict=True))
        self.value = np.full(self.column.size, np.nan)
        self.state = np.full(self.column.size, OUTSIDE, dtype=np.int8)
        self.owner = np.full(self.column.size, -1, dtype=np.int32)
        # First each pixel's first tile, then, for holes, its second, and so on.
        self.rounds = lattice.rounds(self.column, self.row, self.weight.ravel() > 0)
        self._turn(*(self.rounds[0] if self.rounds else (self.column[:0], self.column[:0])))

    def _turn(self, request: Indices, tile: Indices) -> None:
        # Later tiles only fill what the earlier ones lack; what cannot be read is not known to be lacking.
        open_ = np.isnan(self.value[request]) & (self.state[request] != UNREADABLE)
        self.request, self.tile = request[open_], tile[open_]
        c, r = self.column[self.request], self.row[self.request]
        self.first = grouped(self.lattice._number(self.tile, c, r))

    def fill(self, block: Block, members: Indices) -> None:
        """Take from a block what is asked of it in this turn."""
        request, tile = self.request[members], self.tile[members]
        left, top = self.lattice.place[tile[0], :2]
        found, why = block.pixels(self.column[request] - left, self.row[request] - top)
        self.value[request] = found
        self.state[request] = np.where(np.isnan(found), np.minimum(self.state[request], why), 0)
        self.owner[request] = tile

    def finish(self) -> None:
        """Take all later turns."""
        for request, tile in self.rounds[1:]:
            self._turn(request, tile)
            if len(self.request):
                self.lattice.blocks.visit([self.first], lambda block, members: self.fill(block, members[0]))

    def heights(self) -> tuple[Floats, NDArray[np.int32]]:
        """Heights (n,), NaN where a neighbour with any weight is missing, and the tile or why not."""
        weight, needed = self.weight, self.weight > 0
        value, state, owner = (v.reshape(-1, 4) for v in (self.value, self.state, self.owner))
        parts = [np.where(needed[:, k], weight[:, k] * value[:, k], 0.0) for k in range(4)]
        z = parts[0] + parts[1] + parts[2] + parts[3]
        heaviest = np.arange(len(z)), np.argmax(weight, axis=1)
        missing = np.isnan(z)
        lone = missing & (state[heaviest] == OUTSIDE)
        reasons = np.where(needed, np.where(state == OUTSIDE, EDGE_CELL, state), 0).min(axis=1)
        source = np.where(missing, np.where(lone, OUTSIDE, reasons), owner[heaviest])
        return z, source.astype(np.int32)
