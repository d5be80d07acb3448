"""How work is spread over threads; knows nothing of hydrants or rasters."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import TypeVar

T = TypeVar("T")


def threads() -> int:
    """How many threads read at once: the cores this process may use, at most 8."""
    try:
        cores = len(os.sched_getaffinity(0))
    except AttributeError:  # not on every platform
        cores = os.cpu_count() or 1
    return max(1, min(8, cores))


@lru_cache(maxsize=1)
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(threads(), thread_name_prefix="gradecheck")


def each(work: Callable[[T], None], pieces: Sequence[T]) -> None:
    """Do `work` on every piece, on several threads where there are several pieces. The first error is raised."""
    if len(pieces) <= 1 or threads() == 1:
        for piece in pieces:
            work(piece)
        return
    for _ in _pool().map(work, pieces):
        pass
