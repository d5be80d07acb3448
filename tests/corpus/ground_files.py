"""Ground written for bad inputs: rasters over the square of `tests.projects`, spoilt or not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray

from tests.corpus import Project
from tests.projects import CELL, CRS, EAST, MARGIN, NORTH, SIDE

COUNT = round((SIDE + 2 * MARGIN) / CELL)
GRID = Affine(CELL, 0, EAST - MARGIN, 0, -CELL, NORTH + SIDE + MARGIN)


def feet(height: float = 100.5, dtype: str = "float32") -> NDArray[Any]:
    """Level ground over the square."""
    return np.full((COUNT, COUNT), height, dtype=dtype)


def raster(
    place: Project,
    values: NDArray[Any] | None = None,
    name: str = "after.tif",
    *,
    crs: str | None = CRS,
    grid: Affine | None = GRID,
    **profile: Any,
) -> Path:
    """A raster of one band (rows, columns) or several (bands, rows, columns) in the project's folder."""
    values = feet() if values is None else values
    bands = values[None] if values.ndim == 2 else values
    shape = {"count": bands.shape[0], "height": bands.shape[1], "width": bands.shape[2], "dtype": bands.dtype}
    path = place.folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    with rasterio.open(path, "w", **{"driver": "GTiff", "crs": crs, "transform": grid, **shape, **profile}) as out:
        out.write(bands)
    return path


def virtual(
    source: str, *, relative: int = 1, tag: str = "SimpleSource", more: str = "", wide: int = COUNT, high: int = COUNT
) -> str:
    """A virtual raster over the square that names one source."""
    return (
        f'<VRTDataset rasterXSize="{wide}" rasterYSize="{high}"><SRS>{CRS}</SRS>'
        f"<GeoTransform>{', '.join(str(v) for v in GRID.to_gdal())}</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{more}<{tag}>'
        f'<SourceFilename relativeToVRT="{relative}">{source}</SourceFilename><SourceBand>1</SourceBand></{tag}>'
        "</VRTRasterBand></VRTDataset>"
    )


def through(place: Project, text: str, name: str = "after.vrt") -> Path:
    """A virtual raster, named by the plan as the design ground."""
    place.section("after", raster=name)
    return place.raw(name, text)
