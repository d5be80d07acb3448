"""Elevation rasters as ground: tiles of one lattice are one raster, bilinear between cell centres.

Points are taken to the tiles, never the tiles to the points. Each point asks for the pixels around it that
have weight; each pixel lies in one block of one tile; every block asked for is read once, in file order,
and only the values asked for are kept, so memory does not depend on the rasters.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from rasterio.errors import RasterioError, RasterioIOError
from rasterio.windows import Window

from gradecheck import engine
from gradecheck.probability import Bools, Floats
from gradecheck.reference import Path
from gradecheck.surfaces import (
    EDGE_CELL,
    HIGHEST,
    HOLE,
    IMPLAUSIBLE,
    LOWEST,
    OUT_OF_RANGE,
    OUTSIDE,
    UNREADABLE,
    Heights,
    remote,
)
from gradecheck.surfaces.tiles import Tile

_SNAP = 1e-7
"""Columns and rows this near a cell centre are on it: rounding must not ask for a neighbour beyond the edge."""
_MARKERS = (-9999.0, -99999.0, -999999.0, -32767.0, -32768.0, 32767.0, 65535.0, 99999.0, -9999.99, -999.0)
_LEAST_MARKER = -9999.0
_HUGE = 1e6
"""Values out of that range that stand for "no data" although no file declares it; others are a mistaken unit."""
_CACHE_MB = 32
_OPEN = 24
"""Files that one thread keeps open."""
_FEW = 24
"""Blocks below which starting threads costs more than it saves."""

Indices = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Lattice:
    """Tiles that share a system, a cell size and an alignment: one raster. Earlier tiles win.

    place: (T, 4) first column, first row, columns and rows of each tile on the lattice of the first.
    tree: as `reach_of` makes it.
    """

    tiles: tuple[Tile, ...]
    place: Indices
    path: Path
    extent: shapely.Geometry
    sd: float
    tree: shapely.STRtree = field(repr=False, compare=False)

    @property
    def names(self) -> tuple[str, ...]:
        """The tiles as shown to people."""
        return tuple(t.shown for t in self.tiles)

    def heights(self, x: Floats, y: Floats) -> Heights:
        """See `Surface.heights`; a missing neighbour with any weight means missing."""
        n = len(x)
        z, source = np.full(n, np.nan), np.full(n, OUTSIDE, dtype=np.int32)
        left, bottom, right, top = self.extent.bounds
        rows = np.flatnonzero((x >= left) & (x <= right) & (y >= bottom) & (y <= top))
        if len(rows):
            column, row = self._cells(*self.path.there(x[rows], y[rows]))
            good = np.isfinite(column) & np.isfinite(row)
            rows = rows[good]
            z[rows], source[rows] = self._bilinear(column[good], row[good])
        return Heights(z, np.where(np.isnan(z), np.nan, self.sd), source, self.names)

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

    def _bilinear(self, column: Floats, row: Floats) -> tuple[Floats, NDArray[np.int32]]:
        c0, r0 = np.floor(column), np.floor(row)
        fc, fr = column - c0, row - r0
        weight = np.stack([(1 - fr) * (1 - fc), (1 - fr) * fc, fr * (1 - fc), fr * fc], axis=1)
        value, state, tile = self._pixels(c0.astype(np.int64), r0.astype(np.int64), weight > 0)
        needed = weight > 0
        z = np.where(needed, weight * value, 0.0).sum(axis=1)
        nearest = tile[np.arange(len(tile)), np.argmax(weight, axis=1)]
        missing = np.isnan(z)
        lone = missing & (state[np.arange(len(tile)), np.argmax(weight, axis=1)] == OUTSIDE)
        reasons = np.where(needed, np.where(state == OUTSIDE, EDGE_CELL, state), 0).min(axis=1)
        source = np.where(missing, np.where(lone, OUTSIDE, reasons), nearest)
        return z, source.astype(np.int32)

    def _pixels(self, c0: Indices, r0: Indices, needed: Bools) -> tuple[Floats, NDArray[np.int8], NDArray[np.int32]]:
        """The four pixels of each point, (n, 4): value in metres (NaN missing), why missing (0 = there), tile."""
        column = (c0[:, None] + np.array([0, 1, 0, 1])).ravel()
        row = (r0[:, None] + np.array([0, 0, 1, 1])).ravel()
        value = np.full(column.size, np.nan)
        state = np.full(column.size, OUTSIDE, dtype=np.int8)
        owner = np.full(column.size, -1, dtype=np.int32)
        for request, tile in self._rounds(c0, r0, column, row, needed.ravel()):
            # Later tiles only fill what the earlier ones lack; what cannot be read is not known to be lacking.
            open_ = np.isnan(value[request]) & (state[request] != UNREADABLE)
            request, tile = request[open_], tile[open_]
            local_c, local_r = column[request] - self.place[tile, 0], row[request] - self.place[tile, 1]
            found, why = _read(self.tiles, tile, local_c, local_r)
            value[request] = found
            state[request] = np.where(np.isnan(found), np.minimum(state[request], why), 0)
            owner[request] = tile
        return value.reshape(-1, 4), state.reshape(-1, 4), owner.reshape(-1, 4)

    def _rounds(
        self, c0: Indices, r0: Indices, column: Indices, row: Indices, needed: Bools
    ) -> list[tuple[Indices, Indices]]:
        """(request, tile) pairs: first each pixel's first tile, then, for holes, its second, and so on."""
        if len(self.tiles) == 1:
            point, tile = np.arange(len(c0)), np.zeros(len(c0), dtype=np.int64)
        else:
            point, tile = self.tree.query(shapely.points(c0, r0), predicate="intersects")
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


def _read(tiles: Sequence[Tile], tile: Indices, column: Indices, row: Indices) -> tuple[Floats, NDArray[np.int8]]:
    """Pixels (k,) of tiles: metres and why missing. Each block that holds one is read once, in file order."""
    width = np.array([t.width for t in tiles])
    height = np.array([t.height for t in tiles])
    column = np.where(np.array([t.flip_x for t in tiles])[tile], width[tile] - 1 - column, column)
    row = np.where(np.array([t.flip_y for t in tiles])[tile], height[tile] - 1 - row, row)
    block_h = np.array([t.block[0] for t in tiles])[tile]
    block_w = np.array([t.block[1] for t in tiles])[tile]
    across = -(-width // np.array([t.block[1] for t in tiles]))
    block = (row // block_h) * across[tile] + column // block_w
    order = np.lexsort((block, tile))
    tile_, block_ = tile[order], block[order]
    change = np.flatnonzero((np.diff(tile_) != 0) | (np.diff(block_) != 0)) + 1
    cuts = np.concatenate(([0], change, [len(order)]))
    value = np.full(len(order), np.nan)
    why = np.full(len(order), HOLE, dtype=np.int8)

    settings = _settings([tiles[i] for i in np.unique(tile).tolist()])

    def work(blocks: range) -> None:
        with rasterio.Env(GDAL_CACHEMAX=_CACHE_MB, **settings):
            for k in blocks:
                members = order[cuts[k] : cuts[k + 1]]
                t = tiles[int(tile_[cuts[k]])]
                found, reason = _block(t, column[members], row[members])
                value[members], why[members] = found, reason

    count = len(cuts) - 1 if len(order) else 0
    pieces = 1 if count < _FEW else 4 * engine.threads()
    bounds = np.linspace(0, count, pieces + 1).astype(int).tolist()
    engine.each(work, [range(a, b) for a, b in pairwise(bounds) if a < b])
    return value, why


def _block(tile: Tile, column: Indices, row: Indices) -> tuple[Floats, NDArray[np.int8] | int]:
    """Pixels of one block, file columns and rows."""
    height, width = tile.block
    left, top = int(column[0]) // width * width, int(row[0]) // height * height
    window = Window(left, top, min(width, tile.width - left), min(height, tile.height - top))
    at = row - top, column - left
    started = time.monotonic()
    try:
        data = _handle(tile)
        raw = data.read(1, window=window)[at]
        valid = np.ones(len(column), dtype=bool)
        if tile.mask:
            # The alpha band itself: as a mask GDAL would scale it, and lose a 255 in a wider type.
            mask = data.read(tile.mask, window=window) if tile.mask > 0 else data.read_masks(1, window=window)
            valid = mask[at] > 0
    except RasterioError:
        remote.waited_in_vain(tile.path, time.monotonic() - started)
        return np.full(len(column), np.nan), UNREADABLE
    valid &= ~_is_nodata(raw, tile.nodata)
    with np.errstate(invalid="ignore", over="ignore"):
        metres = (raw.astype(np.float64) * tile.scale + tile.offset) * tile.to_metres
        possible = (metres >= LOWEST) & (metres <= HIGHEST)
        # -9999 stands for no data whatever it scales to; 32767 may be a height in centimetres.
        marker = np.isin(raw, _MARKERS) | (np.abs(raw.astype(np.float64)) >= _HUGE)
        possible &= ~(marker & (raw.astype(np.float64) <= _LEAST_MARKER))
    why = np.where(valid & ~possible, np.where(marker, IMPLAUSIBLE, OUT_OF_RANGE), HOLE).astype(np.int8)
    return np.where(valid & possible, metres, np.nan), why


def _is_nodata(raw: NDArray[Any], nodata: float | None) -> Bools:
    """NaN is always nodata; a declared value is compared in the file's own type, as it was written."""
    missing = np.isnan(raw) if raw.dtype.kind == "f" else np.zeros(raw.shape, dtype=bool)
    if nodata is None or np.isnan(nodata):
        return missing
    if raw.dtype.kind == "f":
        with np.errstate(over="ignore"):
            return np.asarray(missing | (raw == raw.dtype.type(nodata)))
    return np.asarray(missing | (raw == nodata))


_kept = threading.local()


def _handle(tile: Tile) -> rasterio.DatasetReader:
    """This thread's own handle on a tile, kept open among the last `_OPEN`."""
    handles: OrderedDict[tuple[str, tuple[object, ...]], rasterio.DatasetReader] = (
        getattr(_kept, "handles", None) or OrderedDict()
    )
    _kept.handles = handles
    if remote.given_up(tile.path):
        raise RasterioIOError(f"{tile.shown}: its server was waited for in vain")
    key = tile.path, tile.stamp
    if key in handles:
        handles.move_to_end(key)
        return handles[key]
    with rasterio.Env(**remote.options()) if tile.remote else nullcontext():
        handles[key] = rasterio.open(tile.path)
    if len(handles) > _OPEN:
        handles.popitem(last=False)[1].close()
    return handles[key]


def _settings(tiles: Sequence[Tile]) -> dict[str, str]:
    """GDAL's settings to read tiles with."""
    here = [tile for tile in tiles if not tile.remote]
    away = len(here) < len(tiles) or any(tile.said for tile in here)
    return remote.reading(inside=bool(here)) if away else remote.HERE


def reach_of(place: Indices) -> shapely.STRtree:
    """Where each tile can have a say, by column and row of the upper left of four pixels."""
    first_c, first_r, w, h = place.T
    return shapely.STRtree(shapely.box(first_c - 1, first_r - 1, first_c + w - 1, first_r + h - 1))
