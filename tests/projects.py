"""A tiny project to run: hydrants, two grounds of a hundred metres square, a plan.

The town square spans x 500 000 to 500 100 and y 4 600 000 to 4 600 100 in EPSG:32615. With nothing said
otherwise the ground stands at 100 ft and rises to 100.5 ft, so that a flange measured 4 in above ground ends
2 in below it, and 6 in of extension put it back to 4.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from affine import Affine

from gradecheck.plan import Plan

CRS = "EPSG:32615"
EAST, NORTH = 500_000.0, 4_600_000.0
SIDE = 100.0
CELL = 5.0
MARGIN = 40.0

Ground = float | Callable[[np.ndarray, np.ndarray], np.ndarray]


def write_ground(path: Path, z: Ground, *, crs: str = CRS, unit: str | None = None) -> Path:
    """A raster in feet over the square and `MARGIN` around it; `z` a height, or a function of metres in the square."""
    count = round((SIDE + 2 * MARGIN) / CELL)
    centre = (np.arange(count) + 0.5) * CELL - MARGIN
    x, y = np.meshgrid(centre, centre[::-1])
    values = np.full(x.shape, float(z)) if isinstance(z, int | float) else z(x, y)
    grid = Affine(CELL, 0, EAST - MARGIN, 0, -CELL, NORTH + SIDE + MARGIN)
    profile = {"driver": "GTiff", "width": count, "height": count, "count": 1, "dtype": "float32", "nodata": -9999.0}
    with rasterio.open(path, "w", crs=crs, transform=grid, **profile) as out:
        out.write(np.nan_to_num(values, nan=-9999.0).astype("float32"), 1)
        if unit:
            out.set_band_unit(1, unit)
    return path


def point(x: float, y: float, z: float | None = None) -> shapely.Point:
    """A point at metres in the square."""
    place = (EAST + x, NORTH + y)
    return shapely.Point(*place) if z is None else shapely.Point(*place, z)


def hydrants(columns: Mapping[str, Any], places: Sequence[Any], crs: str = CRS) -> gpd.GeoDataFrame:
    """A hydrant layer; places are (x, y) in the square, or geometries, or None."""
    shapes = [point(*p) if isinstance(p, tuple) else p for p in places]
    return gpd.GeoDataFrame(pd.DataFrame(columns), geometry=gpd.GeoSeries(shapes, crs=crs), crs=crs)


def three() -> gpd.GeoDataFrame:
    """Three hydrants without symmetry, flanges measured 4, 4.5 and 10.25 in above ground."""
    columns = {"asset_id": ["H-1", "H-2", "H-3"], "flange_in": [4.0, 4.5, 10.25]}
    return hydrants(columns, [(11, 23), (37, 5), (71, 62)])


def plan_values(hydrant_path: str = "hydrants.gpkg", **sections: Any) -> dict[str, Any]:
    """The tables of a plan over `before.tif` and `after.tif`; sections given are laid over the usual ones."""
    values: dict[str, dict[str, Any]] = {
        "hydrants": {
            "path": hydrant_path,
            "id": "asset_id",
            "position_sd": "0.1 m",
            "clearance": {"column": "flange_in", "unit": "in", "sd": "0.1 in"},
        },
        "before": {"raster": "before.tif", "unit": "ft", "sd": "0.01 ft"},
        "after": {"raster": "after.tif", "unit": "ft", "sd": "0.01 ft"},
    }
    for name, section in sections.items():
        merged = {**values.get(name, {}), **section}
        values[name] = {k: v for k, v in merged.items() if v is not None}
    return values


def write_grounds(folder: Path, before: Ground = 100.0, after: Ground = 100.5) -> None:
    """`before.tif` and `after.tif`."""
    write_ground(folder / "before.tif", before)
    write_ground(folder / "after.tif", after)


def tiny_plan(
    folder: Path, layer: gpd.GeoDataFrame | None = None, before: Ground = 100.0, after: Ground = 100.5, **sections: Any
) -> Plan:
    """A whole project in `folder` with a GeoPackage of hydrants, and its plan."""
    (three() if layer is None else layer).to_file(folder / "hydrants.gpkg", layer="hydrants")
    write_grounds(folder, before, after)
    return Plan.parse(plan_values(**sections), folder)


def toml_text(values: Mapping[str, Any]) -> str:
    """The tables as the text of a plan file."""
    lines: list[str] = []
    for name, section in values.items():
        lines += [f"[{name}]", *(f"{key} = {_toml(value)}" for key, value in section.items()), ""]
    return "\n".join(lines)


def _toml(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return str(value).lower() if isinstance(value, bool) else str(value)
