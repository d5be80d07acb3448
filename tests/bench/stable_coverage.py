"""How often the stated standard error of the offset covers the truth: `python -m tests.bench.stable_coverage [fields]`.

Exact Gaussian fields (Cholesky) of known covariance with white noise and 3 % gross outliers on 25 x 25 points of a
250 m square, offset known; then false alarms of tilt, and seconds for many points.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import cdist

from gradecheck.stable import StableGround, stable_ground

SPACING, SD, OFFSET = 10.0, 0.03, 0.2


@dataclass(frozen=True)
class Field:
    """An error field of sd 3 cm: `share` of its variance correlated up to `reach`, a share of the extent.

    one_sided: outliers all upwards, such as lorries in `after`; else either way.
    """

    reach: float
    share: float
    kind: str = "spherical"
    side: int = 25
    one_sided: bool = False

    def points(self) -> tuple[np.ndarray, np.ndarray]:
        """East and north, metres, of a regular square set."""
        x, y = np.meshgrid(np.arange(self.side) * SPACING, np.arange(self.side) * SPACING)
        return x.ravel(), y.ravel()

    def covariance(self) -> np.ndarray:
        """Of the points, metres squared; spherical, or exponential of the same practical range."""
        xy = np.column_stack(self.points())
        h = cdist(xy, xy) / (self.reach * np.ptp(xy[:, 0]))
        like = np.exp(-3 * h) if self.kind == "exponential" else np.where(h < 1, 1 - 1.5 * h + 0.5 * h**3, 0.0)
        return SD**2 * (self.share * like + (1 - self.share) * np.eye(len(xy)))

    def draws(self, fields: int, seed: int) -> np.ndarray:
        """(fields, n) differences about the offset; 3 % of them with a normal error of 1 m on top."""
        rng = np.random.default_rng(seed)
        root = np.linalg.cholesky(self.covariance())
        dz = OFFSET + rng.standard_normal((fields, len(root))) @ root.T
        gross = rng.normal(0, 1, dz.shape)
        return dz + np.where(rng.random(dz.shape) < 0.03, np.abs(gross) if self.one_sided else gross, 0.0)

    def grounds(self, fields: int, seed: int) -> list[StableGround]:
        """What the package makes of each draw."""
        x, y = self.points()
        return [stable_ground(x, y, dz) for dz in self.draws(fields, seed)]


@dataclass(frozen=True)
class Coverage:
    """Shares of fields whose true offset is within 1 and 1.96 stated standard errors, that say 'unresolved', and that
    say that a tilt shows (there is none); stated errors: median, over the standard deviation of the medians."""

    within68: float
    within95: float
    unresolved: float
    tilted: float
    ratio: float


def coverage(field: Field, fields: int, seed: int = 1) -> Coverage:
    """By simulation."""
    grounds = field.grounds(fields, seed)
    off = np.array([g.summary.median for g in grounds]) - OFFSET
    error = np.array([g.standard_error for g in grounds])
    return Coverage(
        within68=float(np.mean(np.abs(off) <= error)),
        within95=float(np.mean(np.abs(off) <= 1.96 * error)),
        unresolved=float(np.mean([g.unresolved for g in grounds])),
        tilted=float(np.mean([g.tilt.shows for g in grounds])),
        ratio=float(np.median(error) / off.std()),
    )


FIELDS = {
    "white": Field(0.01, 0.0),
    "1/20, half": Field(1 / 20, 0.5),
    "1/15, half": Field(1 / 15, 0.5),
    "1/10, half": Field(1 / 10, 0.5),
    "1/10, 9 of 10": Field(1 / 10, 0.9),
    "1/5, half": Field(1 / 5, 0.5),
    "1/5, 9 of 10": Field(1 / 5, 0.9),
    "1/3, half": Field(1 / 3, 0.5),
    "1/3, 9 of 10": Field(1 / 3, 0.9),
    "1/10, half, exponential": Field(1 / 10, 0.5, "exponential"),
    "1/5, half, exponential": Field(1 / 5, 0.5, "exponential"),
    "1/10, half, one-sided": Field(1 / 10, 0.5, one_sided=True),
    "white, one-sided": Field(0.01, 0.0, one_sided=True),
}


def seconds(call: Callable[[], object], rounds: int = 3) -> float:
    """Median of some rounds."""
    taken = []
    for _ in range(rounds):
        started = time.perf_counter()
        call()
        taken.append(time.perf_counter() - started)
    return statistics.median(taken)


def main(fields: int = 1000) -> None:
    """Print the tables."""
    print(f"{'range / extent, correlated':<28}{'68 %':>8}{'95 %':>8}{'unresolved':>12}{'tilted':>8}{'stated/true':>13}")
    for name, field in FIELDS.items():
        c = coverage(field, fields)
        print(
            f"{name:<28}{c.within68:>8.1%}{c.within95:>8.1%}{c.unresolved:>12.1%}{c.tilted:>8.1%}{c.ratio:>13.2f}",
            flush=True,
        )
    rng = np.random.default_rng(2)
    for n in (500, 5_000, 20_000):
        x, y, dz = rng.uniform(0, 500, n), rng.uniform(0, 300, n), rng.normal(0, SD, n)
        dz += 0.02 * np.sin(x / 20) * np.sin(y / 17)
        print(f"{n:>7,} points{seconds(lambda x=x, y=y, dz=dz: stable_ground(x, y, dz)):>8.2f} s")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
