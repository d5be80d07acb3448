"""Boxes in the plane, found by where they are: a grid of several levels, each box in the level of its size.

The cells of a level are twice as wide as those of the level before it. A box lies in the first level whose cells
are larger than it, under the cell of its lower left corner: one entry each, however large or thin it is. What
holds a point, then, has its corner in the point's own cell or in one of the three to its left and below.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from gradecheck.probability import Bools, Floats, Ints

Pairs: TypeAlias = tuple[Ints, Ints]

PIECE = 1 << 19
"""Candidates looked at in one piece of work: memory depends on this, not on how many there are."""
_BITS = 29
"""Of a key, for the column, and as many for the row; the level stands above them."""
_FINEST = 27
"""Cells of level 0 are at least 2**-27 of the whole area: 0.1 mm of 10 km. What is smaller shares them."""
_SLACK = 1 + 2.0**-20
"""A box is smaller than its cells by more than rounding, so that it never reaches over two of their borders."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """N boxes in the order of their cells.

    >>> cells = Cells.of(np.array([0.0, 2.0]), np.array([0.0, 0.0]), np.array([3.0, 4.0]), np.array([1.0, 1.0]))
    >>> [(p.tolist(), b.tolist()) for p, b in cells.holding(np.array([0.0, 2.5]), np.array([1.0, 0.5])) if len(p)]
    [([0, 1, 1], [0, 0, 1])]

    area: left, bottom, right, top of all boxes together.
    step: width of a cell of level 0, a power of two.
    levels: (level, start, stop) of each level that holds boxes: entries start to stop, finest level first.
    key: (N,) level, row and column of the box's lower left corner in one number, rising.
    box: (N,) the number of the box, rising within a cell.
    bounds: (4, N) left, bottom, right, top of the box.
    """

    area: tuple[float, float, float, float]
    step: float
    levels: tuple[tuple[int, int, int], ...]
    key: Ints
    box: Ints
    bounds: Floats

    def __len__(self) -> int:
        return len(self.key)

    @classmethod
    def of(cls, left: Floats, bottom: Floats, right: Floats, top: Floats) -> Cells:
        """The index of boxes (N,), finite, left <= right and bottom <= top."""
        if not len(left):
            return cls((0.0, 0.0, 0.0, 0.0), 1.0, (), np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((4, 0)))
        area = float(left.min()), float(bottom.min()), float(right.max()), float(top.max())
        span = max(area[2] - area[0], area[3] - area[1])
        step = 2.0 ** (np.ceil(np.log2(span)) - _FINEST) if span > 0 else 1.0
        size = np.maximum(right - left, top - bottom) * (_SLACK / step)
        level = np.maximum(np.frexp(size)[1], 0).astype(np.int64)
        key = _key(level, _cell(bottom, area[1], step, level), _cell(left, area[0], step, level))
        box = np.argsort(key, kind="stable")
        key = key[box]
        found, start = np.unique(key >> (2 * _BITS), return_index=True)
        levels = tuple(zip(found.tolist(), start.tolist(), [*start[1:].tolist(), len(key)], strict=True))
        return cls(area, step, levels, key, box, np.stack([v[box] for v in (left, bottom, right, top)]))

    def holding(self, x: Floats, y: Floats) -> Iterator[Pairs]:
        """(point, box) for points (n,), (n,) and every box that holds them, edges included; in pieces.

        Each pair comes once. Points that are not finite are in no box.
        """
        left, bottom, right, top = self.area
        points = np.flatnonzero((x >= left) & (x <= right) & (y >= bottom) & (y <= top))
        for level, start, stop in self.levels if len(points) else ():
            row, column = _cell(y[points], bottom, self.step, level), _cell(x[points], left, self.step, level)
            order = np.argsort(_key(level, row, column))
            rows, row, column = points[order], row[order], column[order]
            for below in (1, 0):
                first, last = self._entries(level, start, stop, row - below, column - 1, column)
                for k, entry in _spread(first, last):
                    point = rows[k]
                    there = self._holds(entry, x[point], y[point])
                    yield point[there], self.box[entry[there]]

    def overlapping(self) -> Iterator[tuple[int, Ints, Ints]]:
        """(looked at, box, other box) for every two that overlap in more than their edges; each pair once.

        In pieces, each with the number of candidates, at most `PIECE`, that were looked at for it.
        """
        for place, (level, start, stop) in enumerate(self.levels):
            for begin in range(start, stop, PIECE):
                own = np.arange(begin, min(begin + PIECE, stop))
                yield from self._met(own, self._after(own, level, start, stop))
                for coarser in self.levels[place + 1 :]:
                    yield from self._met(own, self._above(own, *coarser))

    def _after(self, own: Ints, level: int, start: int, stop: int) -> Iterator[Pairs]:
        """Ranges of entries of the same level, later in order, whose boxes may meet those of entries `own`."""
        row, column, top, right = self._place(own, level)
        _, last = self._entries(level, start, stop, row, column, right)
        yield own + 1, last
        first, last = self._entries(level, start, stop, top, column - 1, right)
        yield first, np.where(top > row, last, first)

    def _above(self, own: Ints, level: int, start: int, stop: int) -> Iterator[Pairs]:
        """Ranges of entries of a coarser level whose boxes may meet those of entries `own`."""
        row, column, top, right = self._place(own, level)
        for ahead in (-1, 0, 1):
            first, last = self._entries(level, start, stop, row + ahead, column - 1, right)
            yield first, np.where(row + ahead <= top, last, first)

    def _met(self, own: Ints, ranges: Iterator[Pairs]) -> Iterator[tuple[int, Ints, Ints]]:
        for first, last in ranges:
            for k, other in _spread(first, last):
                there = self._meet(own[k], other)
                yield len(k), self.box[own[k[there]]], self.box[other[there]]

    def _place(self, entry: Ints, level: int) -> tuple[Ints, Ints, Ints, Ints]:
        """Cells of a level in which the boxes of entries begin and end: row, column, last row, last column."""
        left, bottom, right, top = (b[entry] for b in self.bounds)
        y0, x0 = self.area[1], self.area[0]
        return (
            _cell(bottom, y0, self.step, level),
            _cell(left, x0, self.step, level),
            _cell(top, y0, self.step, level),
            _cell(right, x0, self.step, level),
        )

    def _entries(self, level: int, start: int, stop: int, row: Ints, first: Ints, last: Ints) -> Pairs:
        """Ranges of the entries of a level in a row of cells, columns first to last."""
        keys = self.key[start:stop]
        begin = np.searchsorted(keys, _key(level, row, first))
        end = np.searchsorted(keys, _key(level, row, last), side="right")
        return begin + start, end + start

    def _holds(self, entry: Ints, x: Floats, y: Floats) -> Bools:
        left, bottom, right, top = self.bounds
        out: Bools = (left[entry] <= x) & (right[entry] >= x) & (bottom[entry] <= y) & (top[entry] >= y)
        return out

    def _meet(self, a: Ints, b: Ints) -> Bools:
        left, bottom, right, top = self.bounds
        wide = (left[a] < right[b]) & (left[b] < right[a])
        out: Bools = wide & (bottom[a] < top[b]) & (bottom[b] < top[a])
        return out


def _cell(value: Floats, origin: float, step: float, level: Ints | int) -> Ints:
    """Rows or columns, counted from 1 so that there is one before the first."""
    cell: Ints = np.floor(np.ldexp((value - origin) / step, -np.asarray(level))).astype(np.int64)
    return cell + 1


def _key(level: Ints | int, row: Ints, column: Ints) -> Ints:
    out: Ints = (np.asarray(level) << (2 * _BITS)) + (row << _BITS) + column
    return out


def _spread(first: Ints, last: Ints) -> Iterator[Pairs]:
    """Ranges written out: (which range, each number of first to last - 1), `PIECE` at a time.

    >>> [(k.tolist(), n.tolist()) for k, n in _spread(np.array([5, 7, 2]), np.array([7, 7, 3]))]
    [([0, 0, 2], [5, 6, 2])]
    """
    ends = np.cumsum(np.maximum(last - first, 0))
    total = int(ends[-1]) if len(ends) else 0
    for begin in range(0, total, PIECE):
        number = np.arange(begin, min(begin + PIECE, total))
        a, b = np.searchsorted(ends, [number[0], number[-1]], side="right")
        counts = np.minimum(ends[a : b + 1], number[-1] + 1) - np.maximum(
            np.concatenate(([0], ends))[a : b + 1], number[0]
        )
        which = np.repeat(np.arange(a, b + 1), counts)
        yield which, number - (ends - last)[which]
