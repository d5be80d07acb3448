"""Tiles joined to rasters: which of them share a lattice, and in what order they lie over one another.

Near linear in the tiles, so that tens of thousands of them take seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray

from gradecheck.probability import Floats
from gradecheck.reference import Path
from gradecheck.surfaces.raster import Indices, Lattice
from gradecheck.surfaces.tiles import Tile


def lattices(tiles: Sequence[Tile], path_to: dict[str, Path], sd: float) -> list[Lattice]:
    """Tiles as rasters, one over another; `path_to` by tile path, from the working system.

    Tiles of one lattice are joined, so that there is no gap at their seams. Where a tile of another lattice
    comes between two of one and overlaps the later, that order is kept: the later one follows after it,
    together with its earlier companions.
    """
    outlines = _outlines(tiles, path_to)
    found = []
    for members in _joined(_families(tiles), outlines):
        first = tiles[members[0]]
        place = _places(first, [tiles[i] for i in members])
        extent = shapely.union_all(outlines[members])
        found.append(Lattice.of([tiles[i] for i in members], place, path_to[first.path], extent, sd))
    return found


def _joined(family: Sequence[int], outlines: NDArray[Any]) -> list[list[int]]:
    """The tiles of each raster, in order; family: of each tile, which lattice it is of."""
    over: dict[int, list[int]] = {}
    if len(set(family)) > 1:
        later, earlier = shapely.STRtree(outlines).query(outlines, predicate="intersects")
        for i, j in zip(later.tolist(), earlier.tolist(), strict=True):
            if j < i and family[j] != family[i]:
                over.setdefault(i, []).append(j)
    groups: list[list[int]] = []
    newest: dict[int, int] = {}  # of each family, its last group, which holds all of it so far
    for i, own in enumerate(family):
        home = newest.get(own)
        if home is not None and not any(newest[family[j]] > home for j in over.get(i, ())):
            groups[home].append(i)
            continue
        newest[own] = len(groups)
        groups.append([*(groups[home] if home is not None else ()), i])
    return groups


def _families(tiles: Sequence[Tile]) -> list[int]:
    """Of each tile, which lattice it is of: the number of the first one that it fits."""
    systems: list[Tile] = []
    known: dict[tuple[int, int], int] = {}
    firsts: list[Floats] = []  # of each system, what the lattices in it are like, and how many they are
    numbers: list[list[int]] = []
    found = []
    for tile in tiles:
        key = id(tile.crs), id(tile.vertical)
        if key not in known:
            known[key] = next((k for k, t in enumerate(systems) if _same_system(t, tile)), len(systems))
        own = known[key]
        if own == len(systems):
            systems.append(tile)
            firsts.append(np.empty((len(tiles), 7)))
            numbers.append([])
        count = len(numbers[own])
        fits = _fitting(firsts[own][:count], tile)
        if not len(fits):
            firsts[own][count] = *tile.grid[:6], max(tile.width, tile.height)
            numbers[own].append(sum(map(len, numbers)))
        found.append(numbers[own][fits[0] if len(fits) else -1])
    return found


def _same_system(a: Tile, b: Tile) -> bool:
    same = a.crs is b.crs or a.crs.equals(b.crs, ignore_axis_order=True)
    return same and (a.vertical is b.vertical or a.vertical == b.vertical)


def _fitting(firsts: Floats, tile: Tile) -> Indices:
    """Which lattices a tile fits. firsts: (n, 7) a, b, c, d, e, f and the larger side of the first tile of each."""
    a, b, c, d, e, f, side = firsts.T
    grid = tile.grid
    cell = np.hypot(a, d)
    span = np.maximum(side, max(tile.width, tile.height))
    linear = np.abs([a - grid.a, b - grid.b, d - grid.d, e - grid.e]).max(axis=0)
    dx, dy, det = grid.c - c, grid.f - f, a * e - b * d
    shift = np.array([(e * dx - b * dy) / det, (a * dy - d * dx) / det])
    apart = np.abs(shift - np.rint(shift)).max(axis=0)
    return np.flatnonzero((linear * span <= 1e-3 * cell) & (apart < 1e-3))


def _places(first: Tile, tiles: Sequence[Tile]) -> Indices:
    """(T, 4) first column, first row, columns and rows of tiles on the lattice of the first."""
    inverse = ~Affine(first.grid.a, first.grid.b, 0, first.grid.d, first.grid.e, 0)
    c, f, width, height = np.array([(t.grid.c, t.grid.f, t.width, t.height) for t in tiles]).T
    dx, dy = c - first.grid.c, f - first.grid.f
    column, row = inverse.a * dx + inverse.b * dy, inverse.d * dx + inverse.e * dy
    return np.asarray(np.rint(np.stack([column, row, width, height], axis=1)), dtype=np.int64)


def _outlines(tiles: Sequence[Tile], path_to: dict[str, Path]) -> NDArray[Any]:
    """(T,) each tile with a cell around it, in the working system; edges densified so that they may bend."""
    alike: dict[tuple[Path, int, int], list[int]] = {}
    for i, tile in enumerate(tiles):
        alike.setdefault((path_to[tile.path], tile.width, tile.height), []).append(i)
    outlines = np.empty(len(tiles), dtype=object)
    for (path, w, h), members in alike.items():
        ring = shapely.segmentize(shapely.box(-1, -1, w + 1, h + 1), max(w, h) / 32 + 1)
        columns, rows = shapely.get_coordinates(ring).T
        a, b, c, d, e, f = np.array([tiles[i].grid[:6] for i in members]).T[:, :, None]
        x, y = path.back((a * columns + b * rows + c).ravel(), (d * columns + e * rows + f).ravel())
        rings = np.stack([np.asarray(x), np.asarray(y)], axis=1).reshape(len(members), -1, 2)
        whole = np.isfinite(rings).all(axis=(1, 2))
        shapes = np.empty(len(members), dtype=object)
        shapes[whole] = shapely.polygons(rings[whole])
        for k in np.flatnonzero(~whole).tolist():
            good = rings[k][np.isfinite(rings[k]).all(axis=1)]
            shapes[k] = shapely.Polygon(good) if len(good) >= 3 else shapely.Polygon()
        valid = shapely.is_valid(shapes)
        shapes[~valid] = shapely.convex_hull(shapes[~valid])
        outlines[members] = shapes
    return outlines
