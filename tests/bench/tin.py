"""Triangulated ground: 100,000 points in 2,000,000 triangles: `python -m tests.bench.tin`.

Two meshes: Delaunay triangles of scattered points, and a road of long strips, both turned by 33 degrees at large
coordinates. For each: seconds to index and to answer, to tell holes from the outside, to look for faults, and the
peak of memory over the mesh itself. Then, in turn in the same process, matplotlib's trapezoid map over the same
triangles (at the origin): seconds to make it and to answer, and ours. `python -m tests.bench.tin 200000` asks
matplotlib with that many triangles instead of 2,000,000.
"""

from __future__ import annotations

import os
import platform
import sys
import time
import tracemalloc
from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.tri import LinearTriInterpolator, TrapezoidMapTriFinder, Triangulation
from pyproj import CRS
from scipy.spatial import Delaunay

from gradecheck.reference import Path
from gradecheck.roads.mesh import Mesh, faults
from gradecheck.surfaces.tin import Tin

POINTS = 100_000


def turned(u: np.ndarray, v: np.ndarray, corners: np.ndarray) -> Mesh:
    """A plane mesh turned by 33 degrees, with coordinates of UTM's size."""
    angle = np.radians(33)
    x = 500_000 + u * np.cos(angle) - v * np.sin(angle)
    y = 4_600_000 + u * np.sin(angle) + v * np.cos(angle)
    return Mesh("", x, y, 300 + 0.013 * u - 0.0072 * v, corners.astype(np.int64))


def scattered(count: int) -> Mesh:
    """About `count` Delaunay triangles over 3 by 3 km."""
    u, v = np.random.default_rng(3).uniform(0, 3000, (2, count // 2 + 20))
    return turned(u, v, Delaunay(np.stack([u, v], axis=1)).simplices)


def strips(count: int) -> Mesh:
    """A road of 41 lines along, from 2 cm to 2 m apart, in steps of 2 m: triangles a hundred times as long as wide."""
    random = np.random.default_rng(4)
    along, across = np.arange(count // 80 + 1) * 2.0, np.cumsum(np.exp(random.uniform(np.log(0.02), np.log(2), 41)))
    u, v = np.meshgrid(along, across, indexing="ij")
    first = (41 * np.arange(len(along) - 1)[:, None] + np.arange(40)).ravel()
    corners = np.concatenate([first[:, None] + [0, 41, 42], first[:, None] + [0, 42, 1]])
    return turned(u.ravel(), v.ravel(), corners)


def points(mesh: Mesh) -> tuple[np.ndarray, np.ndarray]:
    """Points on the triangles, anywhere in them."""
    random = np.random.default_rng(5)
    corner = mesh.corners[random.integers(0, len(mesh), POINTS)]
    share = random.dirichlet([1, 1, 1], POINTS)
    return (share * mesh.x[corner]).sum(axis=1), (share * mesh.y[corner]).sum(axis=1)


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds, and what came of it."""
    started = time.perf_counter()
    made = work()
    return time.perf_counter() - started, made


def surface(mesh: Mesh) -> Tin:
    """The mesh as ground, in its own system."""
    system = CRS.from_epsg(32615)
    return Tin(mesh, Path.between(system, system), 1.0, 0.05, "bench")


def peak(mesh: Mesh, x: np.ndarray, y: np.ndarray) -> float:
    """Peak megabytes above what was there, while indexing and answering (traced, in a run of its own)."""
    tracemalloc.start()
    surface(mesh).heights(x, y)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return most / 1e6


def ours(name: str, mesh: Mesh) -> None:
    """A line of the first table."""
    x, y = points(mesh)
    tin = surface(mesh)
    index, _ = timed(lambda: (tin.extent, tin._cells))
    answer, heights = timed(lambda: tin.heights(x, y))
    rim, _ = timed(lambda: tin._filled)
    search, found = timed(lambda: faults(mesh))
    missed = int(np.isnan(heights.z).sum())
    print(
        f"{name:<12}{len(mesh):>10,}{index:>9.2f}{answer:>9.2f}{rim:>9.2f}{search:>9.2f}{peak(mesh, x, y):>9.0f}"
        f"{missed:>9}{'' if found else '  sound'}"
    )


def beside_matplotlib(mesh: Mesh) -> None:
    """Lines of the second table."""
    x, y = points(mesh)
    east, north = mesh.x.min(), mesh.y.min()
    triangulation = Triangulation(mesh.x - east, mesh.y - north, mesh.corners)
    made, finder = timed(lambda: TrapezoidMapTriFinder(triangulation))
    # A list of neighbours that the answers need is made once; it counts as making.
    more, interpolator = timed(lambda: LinearTriInterpolator(triangulation, mesh.z, finder))
    answered, theirs = timed(lambda: interpolator(x - east, y - north).filled(np.nan))
    tin = surface(mesh)
    index, _ = timed(lambda: (tin.extent, tin._cells))
    answer, heights = timed(lambda: tin.heights(x, y))
    print(f"{'matplotlib':<12}{len(mesh):>10,}{made + more:>9.2f}{answered:>9.2f}")
    print(f"{'gradecheck':<12}{len(mesh):>10,}{index:>9.2f}{answer:>9.2f}")
    both = np.isfinite(theirs) & np.isfinite(heights.z)
    print(
        f"ratio {(made + more) / index:.1f} to make, {answered / answer:.1f} to answer, "
        f"{(made + more + answered) / (index + answer):.1f} in all; largest difference "
        f"{np.abs(theirs - heights.z)[both].max():.1e} m; points missed: {int(np.isnan(theirs).sum())} by matplotlib, "
        f"{int(np.isnan(heights.z).sum())} by gradecheck"
    )


def main(count: int = 2_000_000, beside: int = 2_000_000) -> None:
    """Print the tables."""
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, numpy {np.__version__}")
    print(
        f"{'mesh':<12}{'triangles':>10}{'index s':>9}{'answer s':>9}{'holes s':>9}{'faults s':>9}{'MB':>9}{'missed':>9}"
    )
    for name, make in (("scattered", scattered), ("strips", strips)):
        ours(name, make(count))
    print(f"\n{'':<12}{'triangles':>10}{'make s':>9}{'answer s':>9}")
    beside_matplotlib(scattered(beside))


if __name__ == "__main__":
    main(beside=int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000)
