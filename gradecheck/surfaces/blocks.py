"""Blocks of raster files: each one asked for is read once, in file order, and only what is asked for is kept."""

from __future__ import annotations

import os
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.errors import RasterioError, RasterioIOError
from rasterio.windows import Window

from gradecheck import engine
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.surfaces import HIGHEST, HOLE, IMPLAUSIBLE, LOWEST, OUT_OF_RANGE, UNREADABLE, remote
from gradecheck.surfaces.tiles import Tile

_MARKERS = (-9999.0, -99999.0, -999999.0, -32767.0, -32768.0, 32767.0, 65535.0, 99999.0, -9999.99, -999.0)
_LEAST_MARKER = -9999.0
_HUGE = 1e6
"""Values out of that range that stand for "no data" although no file declares it; others are a mistaken unit."""
_CACHE = 16 * 2**20
"""Bytes (rasterio's setting counts no megabytes) of GDAL's own cache, which each handle fills for itself."""
_SHELF = 64 * 2**20
"""Bytes of blocks that are kept for whoever asks next, whatever thread read them."""
_SAME_TIME = 2 * 10**9
"""Nanoseconds: file systems across a network tell times no finer."""
_OPEN = 24
"""Files that one thread keeps open."""
_FEW = 3
"""Blocks below which starting threads costs more than it saves."""


@dataclass(frozen=True, slots=True)
class Block:
    """One block of a tile, turned so that columns run to +x and rows to -y.

    values: as the file holds them, NaN where a mask hides them; None where the file cannot be read. left, top: column
    and row of its first pixel in the tile.
    """

    tile: Tile
    values: NDArray[Any] | None
    left: int
    top: int

    def pixels(self, column: Ints, row: Ints) -> tuple[Floats, NDArray[np.int8]]:
        """Metres at columns and rows (k,) of the tile, NaN missing, and why missing."""
        if self.values is None:
            return np.full(len(column), np.nan), np.full(len(column), UNREADABLE, dtype=np.int8)
        raw = self.values[row - self.top, column - self.left]
        missing = _is_nodata(raw, self.tile.nodata)
        with np.errstate(invalid="ignore", over="ignore"):
            value = raw.astype(np.float64)
            metres = self.metres(value)
            # -9999 stands for no data whatever it scales to; 32767 may be a height in centimetres.
            odd = ~((metres >= LOWEST) & (metres <= HIGHEST)) | (value <= _LEAST_MARKER)
            marker = np.zeros(len(value), dtype=bool)
            if odd.any():
                marker[odd] = np.isin(value[odd], _MARKERS) | (np.abs(value[odd]) >= _HUGE)
            possible = (metres >= LOWEST) & (metres <= HIGHEST) & ~(marker & (value <= _LEAST_MARKER))
        why = np.where(~missing & ~possible, np.where(marker, IMPLAUSIBLE, OUT_OF_RANGE), HOLE).astype(np.int8)
        return np.where(~missing & possible, metres, np.nan), why

    def metres(self, value: Floats) -> Floats:
        """Values of the file as heights."""
        t = self.tile
        if t.scale == 1.0 and t.offset == 0.0:
            return value if t.to_metres == 1.0 else value * t.to_metres
        return (value * t.scale + t.offset) * t.to_metres

    def bilinear(self, column: Floats, row: Floats) -> Floats:
        """Metres at fractional columns and rows (k,) of pixel centres that have all their neighbours here.

        NaN where one of the neighbours is missing, or may be: ask `pixels` why.
        """
        if self.values is None:
            return np.full(len(column), np.nan)
        wide = self.values.shape[1]
        flat = self.values.ravel()
        c0, r0 = np.floor(column), np.floor(row)
        fc, fr = column - c0, row - r0
        at = (r0 - self.top).astype(np.intp) * wide + (c0 - self.left).astype(np.intp)
        right, down = (fc > 0).astype(np.intp), np.where(fr > 0, wide, 0)
        corners = [flat[at], flat[at + right], flat[at + down], flat[at + right + down]]
        low, high = self._surely()
        with np.errstate(invalid="ignore"):
            good = np.minimum.reduce(corners) >= low
            good &= np.maximum.reduce(corners) <= high
        for raw in corners:
            if self.tile.nodata is not None and low <= self.tile.nodata <= high:
                good &= ~_is_nodata(raw, self.tile.nodata)
        a, b, c, d = (self.metres(raw.astype(np.float64)) for raw in corners)
        z = (1 - fr) * (1 - fc) * a + (1 - fr) * fc * b + fr * (1 - fc) * c + fr * fc * d
        z[~good] = np.nan
        return z

    def _surely(self) -> tuple[float, float]:
        """Values between which a number is an elevation, whatever the others are taken for."""
        t = self.tile
        if t.scale == 0:
            return np.inf, -np.inf
        ends = sorted((height / t.to_metres - t.offset) / t.scale for height in (LOWEST, HIGHEST))
        slack = 1e-6 * (ends[1] - ends[0])
        # A marker above the least one is told by its height alone.
        return max(ends[0] + slack, _LEAST_MARKER + 1e-3), ends[1] - slack


class _Shelf:
    """The blocks used last, up to so many bytes of them; one for all threads."""

    def __init__(self) -> None:
        self._blocks: OrderedDict[Any, Block] = OrderedDict()
        self._bytes = 0
        self._lock = threading.Lock()

    def take(self, key: Any) -> Block | None:
        """A block that is here."""
        with self._lock:
            found = self._blocks.get(key)
            if found is not None:
                self._blocks.move_to_end(key)
            return found

    def has(self, key: Any) -> bool:
        """Whether a block is here."""
        return key in self._blocks

    def put(self, key: Any, block: Block) -> None:
        """Keep a block; one that could not be read may be readable next time."""
        if block.values is None:
            return
        with self._lock:
            former = self._blocks.pop(key, None)
            self._bytes -= 0 if former is None or former.values is None else former.values.nbytes
            self._blocks[key] = block
            self._bytes += block.values.nbytes
            while self._bytes > _SHELF:
                gone = self._blocks.popitem(last=False)[1]
                self._bytes -= 0 if gone.values is None else gone.values.nbytes

    def clear(self) -> None:
        """Keep none."""
        with self._lock:
            self._blocks.clear()
            self._bytes = 0


_shelf = _Shelf()
clear = _shelf.clear
"""Give the memory of all blocks back."""


@dataclass(frozen=True, slots=True)
class Groups:
    """Members by the number of their block: number (g,), rising; those of group k are order[cuts[k]:cuts[k + 1]]."""

    number: Ints
    order: Ints
    cuts: Ints

    def of(self, number: int) -> Ints:
        """The members of one block."""
        k = int(np.searchsorted(self.number, number))
        if k == len(self.number) or self.number[k] != number:
            return self.order[:0]
        return self.order[self.cuts[k] : self.cuts[k + 1]]


def grouped(number: Ints) -> Groups:
    """Members (k,) by their block; runs of one block are sorted as one, since neighbours come one after another."""
    if not len(number):
        none = np.zeros(0, dtype=np.int64)
        return Groups(none, none, np.zeros(1, dtype=np.int64))
    start = np.concatenate(([0], np.flatnonzero(np.diff(number)) + 1))
    length = np.diff(np.append(start, len(number)))
    by_block = np.argsort(number[start], kind="stable")
    start, length = start[by_block], length[by_block]
    end = np.cumsum(length)
    order = np.arange(len(number)) + np.repeat(start - (end - length), length)
    own = number[start]
    first = np.concatenate(([0], np.flatnonzero(np.diff(own)) + 1))
    return Groups(own[first], order, np.append(end[first] - length[first], len(number)))


@dataclass(frozen=True, slots=True)
class Blocks:
    """The blocks of tiles, numbered through in the order of tiles and of each file."""

    tiles: tuple[Tile, ...]
    first: Ints
    across: Ints
    size: Ints
    block: Ints
    flip: Bools

    @classmethod
    def of(cls, tiles: Sequence[Tile]) -> Blocks:
        """Of tiles, in their order."""
        size = np.array([(t.width, t.height) for t in tiles], dtype=np.int64)
        block = np.array([t.block[::-1] for t in tiles], dtype=np.int64)
        many = -(-size // block)
        first = np.concatenate(([0], np.cumsum(many.prod(axis=1))))
        flip = np.array([(t.flip_x, t.flip_y) for t in tiles], dtype=bool)
        return cls(tuple(tiles), first.astype(np.int64), many[:, 0], size, block, flip)

    def changed(self) -> list[str]:
        """Files on a disk that are not there, or are not as they were when they were opened."""
        found = []
        for tile in self.tiles:
            if tile.remote:
                continue  # whose server says itself when it is another
            try:
                there = os.stat(tile.path)  # noqa: PTH116
            except OSError:
                found.append(tile.path)
                continue
            when, size = (int(str(fact)) for fact in tile.stamp[:2])
            if there.st_size != size or abs(there.st_mtime_ns - when) > _SAME_TIME:
                found.append(tile.path)
        return found

    def number(self, tile: Ints, column: Ints, row: Ints) -> Ints:
        """(k,) the block that holds a pixel of a tile."""
        return self.holding(tile, column, row, 0, 0)

    def holding(self, tile: Ints, column: Ints, row: Ints, right: Ints | int, down: Ints | int) -> Ints:
        """(k,) the block that holds a pixel of a tile and, where right or down is 1, its next ones; -1 for none."""
        quotients = []
        split: Bools | bool = False
        for axis, (place, step) in enumerate(((column, right), (row, down))):
            size, block, flip = self._of(tile, axis)
            if np.any(flip):
                place = np.where(flip, size - 1 - place - step, place)
            quotient = place // block  # by one number where all blocks are alike: several times as fast
            split = split | (place - quotient * block + step >= block)
            quotients.append(quotient)
        one = len(self.tiles) == 1
        first, across = (0, int(self.across[0])) if one else (self.first[tile], self.across[tile])
        number: Ints = first + quotients[1] * across + quotients[0]
        number[split] = -1
        return number

    def _of(self, tile: Ints, axis: int) -> tuple[Any, Any, Any]:
        """Size, block and direction of tiles along an axis; one number for all where they are alike."""
        size, block, flip = (
            v[0].item() if (v == v[0]).all() else v[tile]
            for v in (x[:, axis] for x in (self.size, self.block, self.flip))
        )
        return size, block, flip

    def visit(self, wanted: Sequence[Groups], look: Callable[[Block, list[Ints]], None]) -> None:
        """Read every block that is wanted, once, and show it with its members of each; on several threads."""
        numbers = np.unique(np.concatenate([w.number for w in wanted]))
        owner = np.searchsorted(self.first, numbers, side="right") - 1

        settings = _settings([self.tiles[i] for i in np.unique(owner).tolist()])

        def work(some: range) -> None:
            with rasterio.Env(GDAL_CACHEMAX=_CACHE, **settings):
                for k in some:
                    number = int(numbers[k])
                    look(self._block(int(owner[k]), number), [w.of(number) for w in wanted])

        # Without files to read, threads would only wait for one another.
        fresh = sum(not _shelf.has(self._key(int(o), int(n))) for o, n in zip(owner, numbers, strict=True))
        pieces = 1 if fresh < _FEW else min(len(numbers), 4 * engine.threads())
        bounds = np.linspace(0, len(numbers), pieces + 1).astype(int).tolist()
        engine.each(work, [range(a, b) for a, b in pairwise(bounds) if a < b])

    def _key(self, owner: int, number: int) -> tuple[Any, ...]:
        """A block's name on the shelf."""
        tile = self.tiles[owner]
        return tile.path, tile.stamp, number - int(self.first[owner])

    def _block(self, owner: int, number: int) -> Block:
        """A block from the shelf, or else from its file."""
        tile, key = self.tiles[owner], self._key(owner, number)
        kept = _shelf.take(key)
        if kept is None:
            kept = self._read(tile, owner, number)
            _shelf.put(key, kept)
        # What is kept is the file's; the unit that it is taken in is the tile's.
        return replace(kept, tile=tile)

    def _read(self, tile: Tile, owner: int, number: int) -> Block:
        down, along = divmod(number - int(self.first[owner]), int(self.across[owner]))
        wide, high = self.block[owner].tolist()
        left, top = along * wide, down * high
        wide, high = min(wide, tile.width - left), min(high, tile.height - top)
        values: NDArray[Any] | None
        started = time.monotonic()
        try:
            data = _handle(tile)
            window = Window(left, top, wide, high)
            values = data.read(1, window=window)
            if tile.mask:
                # The alpha band itself: as a mask GDAL would scale it, and lose a 255 in a wider type.
                mask = data.read(tile.mask, window=window) if tile.mask > 0 else data.read_masks(1, window=window)
                values = np.where(mask > 0, values, np.nan)
        except RasterioError:
            remote.waited_in_vain(tile.path, time.monotonic() - started)
            values = None
        if tile.flip_x:
            left = tile.width - left - wide
            values = None if values is None else values[:, ::-1]
        if tile.flip_y:
            top = tile.height - top - high
            values = None if values is None else values[::-1]
        return Block(tile, values, left, top)


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
