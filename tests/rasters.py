"""Rasters written for tests and opened as ground, and two judges that know nothing of gradecheck.

`scipy_heights` is SciPy's linear interpolation of the array as it was written; `gdal_heights` is GDAL's own
bilinear warp onto cells whose centres are the points. Arrays are always in the order of the file: first row
first, first column first, wherever the transform puts them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from rasterio.enums import ColorInterp, Resampling
from rasterio.warp import reproject
from scipy import ndimage

from gradecheck.reference import Path as Way
from gradecheck.surfaces import Heights, Layered, Surface
from gradecheck.surfaces.joined import lattices
from gradecheck.surfaces.tiles import Tile, open_tile

WORK = "EPSG:32615"
EAST, NORTH = 500_000.0, 4_600_000.0
"""Where the invented rasters lie: a corner of theirs, in metres of `WORK`."""


def grid(cell_x: float = 2.0, cell_y: float = -3.0, east: float = EAST, north: float = NORTH) -> Affine:
    """Cells of 2 by 3 m, first row in the north, unless told otherwise."""
    return Affine(cell_x, 0.0, east, 0.0, cell_y, north)


def turned(degrees: float, cell_x: float = 2.0, cell_y: float = -3.0) -> Affine:
    """The same cells turned counterclockwise about the corner."""
    return Affine.translation(EAST, NORTH) @ Affine.rotation(degrees) @ Affine.scale(cell_x, cell_y)


def rough(rows: int, columns: int, seed: int = 1) -> np.ndarray:
    """Heights without any symmetry, 100 to 140 m, each cell its own (float64)."""
    r, c = np.mgrid[:rows, :columns]
    return 100.0 + 0.7 * c - 0.4 * r + np.random.default_rng(seed).uniform(0, 9, (rows, columns))


def write(
    path: Path,
    values: Any,
    transform: Affine | None,
    *,
    crs: str | None = WORK,
    unit: str | None = None,
    scale: tuple[float, float] | None = None,
    mask: Any = None,
    alpha: Any = None,
    tags: dict[str, str] | None = None,
    env: dict[str, Any] | None = None,
    **profile: Any,
) -> Path:
    """A raster of the array as it is. mask, alpha: True where there is ground. scale: (scale, offset)."""
    values = np.asarray(values)
    bands = 1 if alpha is None else 2
    shape = {"height": values.shape[0], "width": values.shape[1], "count": bands, "dtype": values.dtype}
    with (
        rasterio.Env(**(env or {})),
        rasterio.open(path, "w", **{"driver": "GTiff", "crs": crs, "transform": transform, **shape, **profile}) as out,
    ):
        if alpha is not None:
            out.colorinterp = (ColorInterp.gray, ColorInterp.alpha)  # before any pixel, or the file does not keep it
        out.write(values, 1)
        if alpha is not None:
            out.write(np.where(alpha, 65535 if values.dtype == "uint16" else 255, 0).astype(values.dtype), 2)
        if mask is not None:
            out.write_mask(np.asarray(mask, dtype=bool))
        if unit:
            out.set_band_unit(1, unit)
        if scale:
            out.scales, out.offsets = (scale[0],) * bands, (scale[1],) * bands
        if tags:
            out.update_tags(**tags)
    return path


def tile(path: Path, unit: str | None = "m", crs: str | None = None, vertical: str | None = None) -> Tile:
    """The file opened; the test fails here where anything stands in its way."""
    stated = [None if c is None else CRS.from_user_input(c) for c in (vertical, crs)]
    found, findings, _ = open_tile(path, path.name, unit, stated[0], stated[1])
    assert not findings, [str(f) for f in findings]
    assert found is not None
    return found


def refusals(path: Path, unit: str | None = "m", crs: str | None = None, vertical: str | None = None) -> list[str]:
    """What stands in the way of opening the file, in words."""
    stated = [None if c is None else CRS.from_user_input(c) for c in (vertical, crs)]
    found, findings, _ = open_tile(path, path.name, unit, stated[0], stated[1])
    assert (found is None) == bool(findings)
    return [str(f) for f in findings]


def join(tiles: Sequence[Tile], work: str = WORK, sd: float = 0.1) -> Surface:
    """Tiles as one surface for points in system `work`."""
    found = lattices(tiles, {t.path: Way.between(CRS.from_user_input(work), t.crs) for t in tiles}, sd)
    return found[0] if len(found) == 1 else Layered(tuple(found))


def ground(*paths: Path, unit: str | None = "m", crs: str | None = None, work: str = WORK, sd: float = 0.1) -> Surface:
    """Files as one surface, earlier ones winning."""
    return join([tile(path, unit, crs) for path in paths], work, sd)


def on_grid(transform: Affine, columns: Any, rows: Any) -> tuple[np.ndarray, np.ndarray]:
    """Coordinates of fractional columns and rows, cell corners at whole numbers."""
    c, r = np.asarray(columns, dtype=float), np.asarray(rows, dtype=float)
    return transform.a * c + transform.b * r + transform.c, transform.d * c + transform.e * r + transform.f


def scattered(transform: Affine, shape: tuple[int, ...], count: int, seed: int = 7) -> tuple[np.ndarray, np.ndarray]:
    """Points at random over a raster and one cell beyond it on every side."""
    random = np.random.default_rng(seed)
    return on_grid(transform, random.uniform(-1, shape[1] + 1, count), random.uniform(-1, shape[0] + 1, count))


def scipy_heights(values: Any, transform: Affine, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """SciPy's linear interpolation between cell centres; NaN beside a NaN cell and beyond the outermost centres."""
    linear = np.array([[transform.a, transform.b], [transform.d, transform.e]])
    column, row = np.linalg.solve(linear, np.stack([x - transform.c, y - transform.f])) - 0.5
    return ndimage.map_coordinates(
        np.asarray(values, dtype=float), [row, column], order=1, mode="constant", cval=np.nan, prefilter=False
    )


def gdal_heights(path: Path, target: Affine, shape: tuple[int, int], crs: str = WORK) -> np.ndarray:
    """GDAL's bilinear at the centres of the target's cells (finer ones than the file's), exactly reprojected."""
    out = np.full(shape, np.nan)
    with rasterio.open(path) as data:
        reproject(
            rasterio.band(data, 1),
            out,
            dst_transform=target,
            dst_crs=crs,
            dst_nodata=np.nan,
            resampling=Resampling.bilinear,
            tolerance=0,
            XSCALE=1,
            YSCALE=1,
        )
    return out


def assert_heights(found: Heights, expected: np.ndarray, within: float = 1e-6) -> None:
    """Ground in the same places, the same numbers there; the test must have both kinds of place or only ground."""
    wrong = np.flatnonzero(np.isnan(found.z) != np.isnan(expected))
    assert not len(wrong), f"{len(wrong)} of {len(expected)} have ground where none should be, or none: {wrong[:5]}"
    off = np.abs(found.z - expected)
    assert np.nanmax(off, initial=0.0) <= within
    assert np.isfinite(expected).any()
