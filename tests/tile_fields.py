"""A field of heights cut into many tiny GeoTIFFs, fast: one is written by GDAL, the others are its bytes, patched."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import rasterio

from tests.rasters import EAST, NORTH, grid, write

SIDE = 16


def field(across: int, down: int, seed: int = 5) -> np.ndarray:
    """Heights of all tiles together, without any symmetry, metres (float32)."""
    rows, columns = down * SIDE, across * SIDE
    r, c = np.mgrid[:rows, :columns]
    noise = np.random.default_rng(seed).uniform(0, 3, (rows, columns))
    return (200 + 20 * np.sin(c / 61) + 15 * np.cos(r / 47) + noise).astype(np.float32)


def cut(folder: Path, values: np.ndarray, cell: float = 2.0) -> list[Path]:
    """The field as tiles of 16 by 16 cells, the first in the north-west, row by row."""
    folder.mkdir(parents=True, exist_ok=True)
    down, across = values.shape[0] // SIDE, values.shape[1] // SIDE
    template = write(folder / "template.tif", values[:SIDE, :SIDE], grid(cell, -cell), unit="m")
    with rasterio.open(template) as data:
        start = int(data.get_tag_item("BLOCK_OFFSET_0_0", "TIFF", bidx=1))
    whole = bytearray(template.read_bytes())
    template.unlink()
    corner = whole.rindex(struct.pack("<2d", EAST, NORTH))
    paths = []
    for row in range(down):
        for column in range(across):
            part = values[row * SIDE : (row + 1) * SIDE, column * SIDE : (column + 1) * SIDE]
            whole[start : start + part.nbytes] = np.ascontiguousarray(part, dtype="<f4").tobytes()
            place = EAST + column * SIDE * cell, NORTH - row * SIDE * cell
            whole[corner : corner + 16] = struct.pack("<2d", *place)
            path = folder / f"t{row:03d}_{column:03d}.tif"
            path.write_bytes(whole)
            paths.append(path)
    return paths
