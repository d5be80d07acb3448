"""Other ways to ask a raster for heights at points, each as its library is meant to be used; bilinear unless said."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from functools import cache, wraps
from pathlib import Path

import numpy as np
import rasterio
from rasterio.windows import Window
from scipy import ndimage

from gradecheck.probability import Floats
from tests.bench.towns import CELL, NORTH, TILE, WEST

Way = Callable[[Path, Floats, Floats], Floats]


def cells(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Fractional column and row of pixel centres."""
    return (x - WEST) / CELL - 0.5, (NORTH - y) / CELL - 0.5


def touched(x: Floats, y: Floats) -> list[tuple[int, int]]:
    """The blocks (row, column) that hold a pixel that a point needs, in file order."""
    column, row = cells(x, y)
    found = set()
    for right in (0, 1):
        for down in (0, 1):
            c, r = (np.floor(column) + right) // TILE, (np.floor(row) + down) // TILE
            found |= set(zip(r.astype(int).tolist(), c.astype(int).tolist(), strict=True))
    return sorted(found)


def usual_cache(way: Way) -> Way:
    """With GDAL's own default cache, 5 % of the memory: who reads blocks again and again shall not suffer from ours."""
    megabytes = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 20 // 2**20

    @wraps(way)
    def cached(path: Path, x: Floats, y: Floats) -> Floats:
        gdal = library()
        if gdal is None:
            raise NotImplementedError("GDAL's library beside rasterio is not here, and so no cache of the usual size")
        former = gdal.GDALGetCacheMax64()
        gdal.GDALSetCacheMax64(megabytes * 2**20)  # a setting is only read at the first use of the cache
        try:
            return way(path, x, y)
        finally:
            gdal.GDALSetCacheMax64(former)

    return cached


def decode(path: Path, x: Floats, y: Floats) -> None:
    """The floor: GDAL's decode of exactly the touched blocks, one thread, nothing done with them."""
    with rasterio.Env(GDAL_CACHEMAX=16 * 2**20), rasterio.open(path) as data:
        for row, column in touched(x, y):
            left, top = column * TILE, row * TILE
            data.read(1, window=Window(left, top, min(TILE, data.width - left), min(TILE, data.height - top)))


def stored(path: Path, x: Floats, y: Floats) -> int:
    """Bytes of the touched blocks as they stand in the file."""
    with rasterio.open(path) as data:
        sizes = (data.get_tag_item(f"BLOCK_SIZE_{column}_{row}", "TIFF", bidx=1) for row, column in touched(x, y))
        return sum(int(size) for size in sizes if size is not None)


@usual_cache
def windows(path: Path, x: Floats, y: Floats) -> Floats:
    """rasterio, a window of 2 x 2 for each point."""
    column, row = cells(x, y)
    z = np.empty(len(x))
    with rasterio.open(path) as data:
        for i, (c, r) in enumerate(zip(column.tolist(), row.tolist(), strict=True)):
            c0, r0 = int(c), int(r)
            box = data.read(1, window=Window(c0, r0, 2, 2)).astype(np.float64)
            a, b = c - c0, r - r0
            z[i] = (1 - b) * ((1 - a) * box[0, 0] + a * box[0, 1]) + b * ((1 - a) * box[1, 0] + a * box[1, 1])
    return z


@usual_cache
def nearest(path: Path, x: Floats, y: Floats) -> Floats:
    """rasterio's sample: nearest only."""
    with rasterio.open(path) as data:
        return np.array([v[0] for v in data.sample(np.stack([x, y], axis=1))])


@usual_cache
def scipy_whole(path: Path, x: Floats, y: Floats) -> Floats:
    """SciPy's map_coordinates, the whole array read."""
    column, row = cells(x, y)
    with rasterio.open(path) as data:
        return np.asarray(ndimage.map_coordinates(data.read(1).astype(np.float64), [row, column], order=1))


@cache
def library() -> ctypes.CDLL | None:
    """GDAL as rasterio brings it."""
    beside = Path(rasterio.__file__).parent.parent / "rasterio.libs"
    found = sorted(beside.glob("libgdal*.so*")) if beside.is_dir() else []
    if not found:
        return None
    gdal = ctypes.CDLL(str(found[0]))
    gdal.GDALGetCacheMax64.restype = ctypes.c_int64
    gdal.GDALSetCacheMax64.argtypes = [ctypes.c_int64]
    return gdal


_LOOP = """
typedef int (*ask)(void *, double, double, int, double *, double *);
void loop(ask one, void *band, const double *c, const double *r, long n, double *z) {
  double imaginary;
  for (long i = 0; i < n; i++) one(band, c[i], r[i], 1, &z[i], &imaginary);
}
"""


@cache
def _gdal() -> tuple[ctypes.CDLL, ctypes.CDLL] | None:
    """GDAL as rasterio brings it, and a compiled loop over its point interpolation; None where that cannot be had."""
    gdal = library()
    if gdal is None or shutil.which("cc") is None or not hasattr(gdal, "GDALRasterInterpolateAtPoint"):
        return None
    folder = Path(tempfile.mkdtemp(prefix="gradecheck-bench-"))
    (folder / "loop.c").write_text(_LOOP, encoding="utf-8")
    subprocess.run(["cc", "-O2", "-shared", "-fPIC", "-o", "loop.so", "loop.c"], cwd=folder, check=True)
    gdal.GDALOpen.restype = gdal.GDALGetRasterBand.restype = ctypes.c_void_p
    gdal.GDALOpen.argtypes = [ctypes.c_char_p, ctypes.c_int]
    gdal.GDALGetRasterBand.argtypes = [ctypes.c_void_p, ctypes.c_int]
    gdal.GDALClose.argtypes = [ctypes.c_void_p]
    gdal.GDALAllRegister()
    return gdal, ctypes.CDLL(str(folder / "loop.so"))


@usual_cache
def gdal_points(path: Path, x: Floats, y: Floats) -> Floats:
    """GDAL's own interpolation at points, called from a compiled loop."""
    libraries = _gdal()
    if libraries is None:
        raise NotImplementedError("GDAL's library beside rasterio, or a C compiler, is not here")
    gdal, loop = libraries
    # GDAL counts from the corner of the first pixel.
    column, row = (np.ascontiguousarray(v + 0.5) for v in cells(x, y))
    z = np.empty(len(x))
    data = gdal.GDALOpen(str(path).encode(), 0)
    band = gdal.GDALGetRasterBand(data, 1)
    double = ctypes.POINTER(ctypes.c_double)
    loop.loop(
        ctypes.cast(gdal.GDALRasterInterpolateAtPoint, ctypes.c_void_p), ctypes.c_void_p(band),
        column.ctypes.data_as(double), row.ctypes.data_as(double), ctypes.c_long(len(x)), z.ctypes.data_as(double),
    )  # fmt: skip
    gdal.GDALClose(data)
    return z


@usual_cache
def rioxarray_interp(path: Path, x: Floats, y: Floats) -> Floats:
    """rioxarray and xarray's interp."""
    import rioxarray
    import xarray

    data = rioxarray.open_rasterio(path)[0]
    return np.asarray(data.interp(x=xarray.DataArray(x, dims="p"), y=xarray.DataArray(y, dims="p")).values)


@usual_cache
def rasterstats_points(path: Path, x: Floats, y: Floats) -> Floats:
    """rasterstats' point_query."""
    from rasterstats import point_query

    points = [{"type": "Point", "coordinates": p} for p in zip(x.tolist(), y.tolist(), strict=True)]
    return np.array(point_query(points, str(path), interpolate="bilinear"), dtype=np.float64)


@usual_cache
def geoutils_points(path: Path, x: Floats, y: Floats) -> Floats:
    """geoutils' interp_points."""
    from geoutils import Raster

    return np.asarray(Raster(str(path)).interp_points((x, y), method="linear"))
