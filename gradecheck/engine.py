"""How work is spread over threads and in which order; knows nothing of hydrants or rasters."""

from __future__ import annotations

import ctypes
import os
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from functools import lru_cache
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")
R = TypeVar("R")
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_BAND = 10
"""Cells across of a band of the sweep: what three rows of it touch is what a reader should keep."""
_FINE = 1024
"""Steps within a cell by which neighbours in it are told apart."""


def threads() -> int:
    """How many threads work at once: GRADECHECK_THREADS, else the cores this process may use, at most 8."""
    stated = os.environ.get("GRADECHECK_THREADS", "")
    if stated.isdecimal() and int(stated):
        return int(stated)
    try:
        cores = len(os.sched_getaffinity(0))
    except AttributeError:  # not on every platform
        cores = os.cpu_count() or 1
    return max(1, min(8, cores))


@lru_cache(maxsize=1)
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(threads(), thread_name_prefix="gradecheck")


_here = threading.local()


def each(work: Callable[[T], R], pieces: Sequence[T]) -> list[R]:
    """What `work` makes of every piece, in their order, on several threads where there are several pieces.

    The first error is raised. What a piece asks for in turn is done on its own thread.
    """
    if len(pieces) <= 1 or threads() == 1 or getattr(_here, "busy", False):
        return [work(piece) for piece in pieces]

    def busily(piece: T) -> R:
        _here.busy = True
        try:
            return work(piece)
        finally:
            _here.busy = False

    return list(_pool().map(busily, pieces))


def later(work: Callable[[], R]) -> Callable[[], R]:
    """Begin `work` beside what follows; what comes back waits for its result, or raises what it raised."""
    if threads() == 1:
        return work
    result: Future[R] = Future()

    def run() -> None:
        try:
            result.set_result(work())
        except BaseException as error:
            result.set_exception(error)

    threading.Thread(target=run, name="gradecheck-later", daemon=True).start()
    return result.result


def give_back() -> None:
    """Have the allocator return to the system what is free, after a step that held much; only where it can be asked."""
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):  # another library of C than the GNU project's has no such function
            ctypes.CDLL(None).malloc_trim(0)


def spans(n: int, size: int) -> list[slice]:
    """The numbers 0 to n in runs of about `size`, none larger."""
    bounds = np.linspace(0, n, -(-n // size) + 1).astype(int).tolist() if n else [0]
    return [slice(a, b) for a, b in pairwise(bounds)]


def sweep(x: Floats, y: Floats, cell: tuple[float, float] | None = None) -> tuple[Ints, Ints]:
    """An order (n,) of points (n,), (n,) in which neighbours follow one another, and the cell of each in that order.

    Bands of cells are swept row by row, so that who keeps what the last rows of a band touched need not fetch it again.
    cell: width and height of what is fetched at once, any unit; by default a square that holds about a hundred points.
    """
    if not len(x):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    if cell is None:
        side = float(np.sqrt(max(np.ptp(x), 1e-9) * max(np.ptp(y), 1e-9) * min(1.0, 100 / len(x)))) or 1.0
        cell = side, side
    across, down = (x - x.min()) / cell[0], (y.max() - y) / cell[1]
    column, row = across.astype(np.int64), down.astype(np.int64)
    band, along = column // _BAND, column % _BAND
    # In a cell by strips, so that pieces of one cell are compact.
    strip = ((across - column) * 8).astype(np.int64)
    high = ((down - row) * _FINE).astype(np.int64)
    order = np.lexsort((high, strip, along, row, band)).astype(np.int64)
    number = (band * (int(row.max()) + 1) + row) * _BAND + along
    return order, number[order]


def batches(order: Ints, cell: Ints, most: int, cells: int) -> Iterator[tuple[Ints, int]]:
    """An order (n,) cut into batches of at most `most` members and `cells` cells; and the cells new in each."""
    if not len(order):
        yield order, 0
        return
    nth = np.concatenate(([0], np.cumsum(np.diff(cell) != 0)))
    start, seen = 0, -1
    while start < len(order):
        end = min(start + most, int(np.searchsorted(nth, nth[start] + cells)))
        yield order[start:end], int(nth[end - 1]) - seen
        start, seen = end, int(nth[end - 1])
