"""Generated data for benchmarks: terrain that compresses about 2:1, hydrants along streets; from seeds, on the spot."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyogrio.raw
import rasterio
import shapely
from affine import Affine
from rasterio.windows import Window

from gradecheck.probability import Floats

CRS = "EPSG:32615"
WEST, NORTH, CELL = 400_000.0, 4_900_000.0, 1.0
TILE = 512


def terrain(
    path: Path,
    size: int,
    seed: int,
    design: bool = False,
    box: tuple[float, float, float, float] | None = None,
    corner: tuple[float, float] = (WEST, NORTH),
) -> Path:
    """Float32 metres, size x size cells of 1 m, tiles of 512, DEFLATE with the floating-point predictor.

    Hills, and noise of 2 cm rounded to half a millimetre. design: the same hills a little higher or lower.
    box: ground only there (left, bottom, right, top); elsewhere blocks are absent and read as no data. corner: its
    upper left.
    """
    if path.exists():
        return path
    aside, (west, north) = path.with_suffix(".part"), corner
    profile = {
        "driver": "GTiff", "width": size, "height": size, "count": 1, "dtype": "float32", "crs": CRS, "nodata": -9999.0,
        "transform": Affine(CELL, 0, west, 0, -CELL, north), "tiled": True, "blockxsize": TILE, "blockysize": TILE,
        "compress": "deflate", "predictor": 3, "num_threads": 2, "bigtiff": "IF_SAFER", "sparse_ok": True,
    }  # fmt: skip
    left, bottom, right, top = box or (west, north - size * CELL, west + size * CELL, north)
    with rasterio.open(aside, "w", **profile) as out:
        out.update_tags(ns="", made="gradecheck benchmark")
        out.units = ("m",)
        first, last = (int((north - v) / CELL) // TILE for v in (top, bottom + CELL))
        begin, end = (int((v - west) / CELL) // TILE * TILE for v in (left, right - CELL))
        for strip in range(first, last + 1):
            rows = np.arange(strip * TILE, min((strip + 1) * TILE, size))
            columns = np.arange(begin, min(end + TILE, size))
            across, along = columns + (west - WEST) / CELL, rows + (NORTH - north) / CELL
            rng = np.random.default_rng((seed, strip))
            z = 250 + 40 * np.sin(across / 900)[None, :] * np.cos(along / 1300)[:, None]
            z = z + np.round(rng.normal(0, 0.02, z.shape) * 2000) / 2000
            if design:
                z += 0.3 + 0.3 * np.sin(across / 170)[None, :] * np.cos(along / 110)[:, None]
            if box is not None:
                x, y = west + (columns + 0.5) * CELL, north - (rows + 0.5) * CELL
                z[:, (x < left) | (x > right)] = -9999.0
                z[(y < bottom) | (y > top)] = -9999.0
            out.write(z.astype("float32"), 1, window=Window(int(columns[0]), int(rows[0]), len(columns), len(rows)))
    aside.rename(path)
    return path


def streets(count: int, box: tuple[float, float, float, float], seed: int) -> tuple[Floats, Floats]:
    """Hydrants on one side or the other of streets 120 m apart, both ways, in the box (left, bottom, right, top)."""
    rng = np.random.default_rng(seed)
    left, bottom, right, top = box
    along, across = rng.uniform(0, 1, count), rng.uniform(0, 1, count)
    x, y = left + along * (right - left), bottom + across * (top - bottom)
    side = rng.choice([-6.0, 6.0], count) + rng.normal(0, 0.5, count)
    east_west = rng.random(count) < 0.5
    y = np.where(east_west, bottom + np.round((y - bottom) / 120) * 120 + side, y)
    x = np.where(east_west, x, left + np.round((x - left) / 120) * 120 + side)
    return np.clip(x, left + 2, right - 2), np.clip(y, bottom + 2, top - 2)


def hydrants(path: Path, x: Floats, y: Floats, seed: int = 7) -> Path:
    """A layer of points with an id, a street, a family and, at six of ten, a measured clearance."""
    if path.exists():
        return path
    rng = np.random.default_rng(seed)
    n = len(x)
    clearance = rng.uniform(2, 6, n)
    table = pa.table(
        {
            "asset_id": pa.array([f"H-{k:07d}" for k in range(n)]),
            "street": pa.array([f"Street {k}" for k in (y // 120).astype(int).tolist()]),
            "family": pa.array(["A"] * n),
            "flange_in": pa.array(clearance, mask=rng.random(n) > 0.6),
            "geometry": pa.array(shapely.to_wkb(shapely.points(x, y)).tolist(), pa.binary()),
        }
    )
    pyogrio.raw.write_arrow(
        table, path, layer="hydrants", driver="GPKG", geometry_name="geometry", geometry_type="Point", crs=CRS
    )
    return path
