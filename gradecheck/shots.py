"""Surveyed points laid beside hydrants: a hydrant's own by its id, else the ground near it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from gradecheck.probability import Bools, Floats, Ints

NEAR = 1.0
"""Metres within which a point without an id is of a hydrant's ground."""
ASTRAY = 5.0
"""Metres from its hydrant beyond which a point with an id is asked about."""
_TOUCH = 1e-3


@dataclass(frozen=True, slots=True)
class Shots:
    """P points, (P,) each.

    z: metres. flange: it is of a break flange, else of the ground. x, y: metres from any origin, NaN unknown. owner:
    the row of the hydrant that its id names, -1 where it has no id, -2 where its id is nobody's.
    """

    z: Floats
    flange: Bools
    x: Floats
    y: Floats
    owner: Ints

    def __len__(self) -> int:
        return len(self.z)


@dataclass(frozen=True, slots=True)
class Laid:
    """What points say of H hydrants.

    ground, flange: (H,) metres, NaN none. points: (H,) how many the ground rests on. spread: (H,) metres between the
    highest and the lowest of them. by_id: (H,) it rests on points with the hydrant's id. unused: (P,) points that serve
    nobody. astray: (P,) points far from the hydrant whose id they have.
    """

    ground: Floats
    flange: Floats
    points: Ints
    spread: Floats
    by_id: Bools
    unused: Bools
    astray: Bools


def laid(shots: Shots, x: Floats, y: Floats, served: Bools) -> Laid:
    """Points beside hydrants at x, y (H,), in the points' metres; served: (H,) who may have ground without an id.

    Several points of one id count alike. Ground without an id serves every hydrant within `NEAR` that has none of its
    own, weighted by the inverse of the squared distance.
    """
    n = len(x)
    ground, points, spread = _own(shots, ~shots.flange, n)
    flange, _, _ = _own(shots, shots.flange, n)
    by_id = np.isfinite(ground)
    used = shots.owner >= 0
    free = np.flatnonzero(~shots.flange & (shots.owner == -1) & np.isfinite(shots.x) & np.isfinite(shots.y))
    if len(free) and n:
        tree = cKDTree(np.stack([shots.x[free], shots.y[free]], axis=1))
        for row in np.flatnonzero(served & ~by_id).tolist():
            near = free[sorted(tree.query_ball_point([x[row], y[row]], NEAR))]
            if not len(near):
                continue
            away = np.hypot(shots.x[near] - x[row], shots.y[near] - y[row])
            ground[row] = _weighted(shots.z[near], away)
            points[row], spread[row] = len(near), float(np.ptp(shots.z[near]))
            used[near] = True
    mine = np.clip(shots.owner, 0, None)
    with np.errstate(invalid="ignore"):
        far = np.hypot(shots.x - x[mine], shots.y - y[mine]) > ASTRAY if n else np.zeros(len(shots), dtype=bool)
    return Laid(ground, flange, points, spread, by_id, ~used, far & (shots.owner >= 0))


def _weighted(z: Floats, away: Floats) -> float:
    """Inverse-distance weighted height; a point in the very place is the height.

    >>> _weighted(np.array([1.0, 4.0]), np.array([1.0, 2.0])), _weighted(np.array([1.0, 4.0]), np.array([1.0, 0.0]))
    (1.6, 4.0)
    """
    touching = away <= _TOUCH
    weight = touching.astype(float) if touching.any() else 1 / np.square(away)
    return float(z @ weight / weight.sum())


def _own(shots: Shots, kind: Bools, n: int) -> tuple[Floats, Ints, Floats]:
    """(n,) mean height of the points of a kind that have the hydrants' ids, how many, and their range."""
    rows = np.flatnonzero(kind & (shots.owner >= 0))
    owner, z = shots.owner[rows], shots.z[rows]
    count = np.bincount(owner, minlength=n)
    total = np.bincount(owner, z, minlength=n)
    low, high = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(low, owner, z)
    np.maximum.at(high, owner, z)
    has = count > 0
    mean = np.where(has, total / np.where(has, count, 1), np.nan)
    return mean, count.astype(np.int64), np.where(has, high - low, 0.0)
