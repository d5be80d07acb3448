"""The order of a sensible walk, and who stands next to whom. Pure; any plane unit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from gradecheck.probability import Bools, Floats, Ints

_SHORT = 12
"""So few points are walked from every one of them, longer walks from the outermost few."""
_LONG = 400
"""More points than this are halved first: keeps time and memory flat."""
_LEAST = 1e-9


def walk(x: Floats, y: Floats) -> Ints:
    """(n,) points (n,), (n,) in the order of a short open walk: nearest neighbour, mended by 2-opt and moves.

    The same for the same points. No longer than a twentieth over the shortest for the handful a crew sees in a day;
    it begins at the more western end, the more southern of two.

    >>> walk(np.array([30.0, 0.0, 10.0]), np.zeros(3))
    array([1, 2, 0])
    """
    n = len(x)
    if n > _LONG:
        across = x if np.ptp(x) >= np.ptp(y) else y
        halves = np.array_split(np.argsort(across, kind="stable"), 2)
        return np.concatenate([half[walk(x[half], y[half])] for half in halves])
    if n < 3:
        return np.lexsort((y, x))
    away = np.hypot(x[:, None] - x, y[:, None] - y)
    outer = np.argsort(-np.hypot(x - x.mean(), y - y.mean()), kind="stable")
    starts = outer if n <= _SHORT else outer[:3]
    found = [_mended(_greedy(away, int(s)), away) for s in starts]
    best = min(found, key=lambda order: round(length(x, y, order), 6))
    ends = best[[0, -1]]
    return best if tuple(np.stack([x, y])[:, ends[0]]) <= tuple(np.stack([x, y])[:, ends[1]]) else best[::-1].copy()


def length(x: Floats, y: Floats, order: Ints) -> float:
    """How far it is along an order.

    >>> length(np.array([0.0, 3.0]), np.array([0.0, 4.0]), np.array([0, 1]))
    5.0
    """
    return float(np.hypot(np.diff(x[order]), np.diff(y[order])).sum())


def _greedy(away: Floats, start: int) -> Ints:
    left = np.ones(len(away), dtype=bool)
    order = [start]
    left[start] = False
    while left.any():
        nearest = int(np.argmin(np.where(left, away[order[-1]], np.inf)))
        order.append(nearest)
        left[nearest] = False
    return np.array(order, dtype=np.int64)


def _mended(order: Ints, away: Floats) -> Ints:
    """Turned round piece by piece, and single points moved, while that shortens the walk."""
    n = len(order)
    free = np.zeros((n + 1, n + 1))  # the last is nowhere: it costs nothing to begin or to end
    free[:n, :n] = away
    rounds, shorter = 20 * n, True
    while shorter and rounds:
        rounds -= 1
        order, shorter = _turned(order, free)
        if not shorter:
            order, shorter = _moved(order, free)
    return order


def _turned(order: Ints, free: Floats) -> tuple[Ints, bool]:
    """The best reversal of a piece, if it shortens."""
    n = len(order)
    ring = np.concatenate([[n], order, [n]])
    step = free[ring[:-1], ring[1:]]
    gain = step[:, None] + step - free[ring[:-1][:, None], ring[:-1]] - free[ring[1:][:, None], ring[1:]]
    i, j = np.unravel_index(int(np.argmax(np.triu(gain, 1))), gain.shape)
    if gain[i, j] <= _LEAST or i >= j:
        return order, False
    ring[i + 1 : j + 1] = ring[i + 1 : j + 1][::-1]
    return ring[1:-1].astype(np.int64), True


def _moved(order: Ints, free: Floats) -> tuple[Ints, bool]:
    """The best move of one point to between two others, if it shortens."""
    n = len(order)
    ring = np.concatenate([[n], order, [n]])
    before, here, after = ring[:-2], ring[1:-1], ring[2:]
    saved = free[before, here] + free[here, after] - free[before, after]
    cost = free[ring[:-1], here[:, None]] + free[here[:, None], ring[1:]] - free[ring[:-1], ring[1:]]
    rows = np.arange(n)
    cost[rows, rows] = cost[rows, rows + 1] = np.inf
    gain = saved[:, None] - cost
    i, j = np.unravel_index(int(np.argmax(gain)), gain.shape)
    if gain[i, j] <= _LEAST:
        return order, False
    rest = np.delete(order, i)
    return np.insert(rest, j - 1 if j > i else j, order[i]), True


def route(x: Floats, y: Floats, job: Ints, street: Sequence[str | None]) -> Ints:
    """(n,) the order of sheets: by job, street after street as they lie, along each street as one walks.

    x, y, job: (n,), street: their streets, None for all without one together.
    """
    order: list[Ints] = []
    for number in np.unique(job).tolist():
        mine = np.flatnonzero(job == number)
        groups: dict[str, list[int]] = {}
        for i in mine.tolist():
            groups.setdefault(street[i] or "", []).append(i)
        members = [np.array(groups[name], dtype=np.int64) for name in sorted(groups)]
        centre = np.array([[x[m].mean(), y[m].mean()] for m in members])
        at: Ints | None = None
        for k in walk(centre[:, 0], centre[:, 1]).tolist():
            piece = members[k][walk(x[members[k]], y[members[k]])]
            if at is not None and _nearer(x, y, int(at[-1]), int(piece[-1]), int(piece[0])):
                piece = piece[::-1]
            order.append(piece)
            at = piece
    return np.concatenate(order) if order else np.zeros(0, dtype=np.int64)


def _nearer(x: Floats, y: Floats, here: int, one: int, other: int) -> bool:
    return bool(np.hypot(x[one] - x[here], y[one] - y[here]) < np.hypot(x[other] - x[here], y[other] - y[here]))


def neighbours(x: Floats, y: Floats, rows: Ints, count: int) -> tuple[Ints, Bools]:
    """(n, count) the nearest other points of the points `rows` (n,), and which of those there are."""
    k = min(count + 1, len(x))
    if not len(rows):
        return np.zeros((0, count), dtype=np.int64), np.zeros((0, count), dtype=bool)
    found = cKDTree(np.stack([x, y], axis=1)).query(np.stack([x[rows], y[rows]], axis=1), k=k)[1].reshape(len(rows), k)
    out = np.zeros((len(rows), count), dtype=np.int64)
    there = np.zeros((len(rows), count), dtype=bool)
    for i, row in enumerate(rows.tolist()):
        others = [j for j in found[i].tolist() if j != row][:count]
        out[i, : len(others)] = others
        there[i, : len(others)] = True
    return out, there
