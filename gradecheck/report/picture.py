"""The grade change as a picture behind the map, read at low resolution: a class of change for each cell of a grid."""

from __future__ import annotations

import base64
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from gradecheck.inputs import Inputs
from gradecheck.paving import within_reach
from gradecheck.probability import Bools, Floats
from gradecheck.reference import Path
from gradecheck.surfaces import grain
from gradecheck.units import Length, show

_MOST_CELLS = 1400
"""Cells along the longer side at most."""
_MOST_LOOKS = 250_000
"""Points at which the ground is asked at most."""
_MOST_BLOCKS = 300
"""Blocks of ground that are fetched for it at most: a larger area is as long a job as the run itself."""
_LEAST_STEP = 0.5
_BAND = 65_536

RISES = ("#f2d6a2", "#dfa24c", "#b96a1c", "#7a3c0a")
FALLS = ("#b9dcd8", "#66afae", "#24797f", "#0c4650")
LITTLE = "#d9d9d2"
_BOUNDS = {True: (Length(6, "in"), Length(12, "in"), Length(24, "in")), False: tuple(
    Length(v, "mm") for v in (150, 300, 600)
)}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Swatch:
    """One class of change in the key: its colour, what it means, whether it is a fall, which are drawn stippled."""

    colour: str
    words: str
    fall: bool


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture of classes. url: PNG as a data address. west, south, east, north: its edges in the map's system.

    swatches: the classes that occur.
    """

    url: str
    west: float
    south: float
    east: float
    north: float
    swatches: tuple[Swatch, ...]


def change_picture(inputs: Inputs, to_map: Path, imperial: bool) -> Picture | None:
    """The change over the limits of work and what is within their reach, else over the design.

    None where none is known, or the area is of more blocks of a raster than `_MOST_BLOCKS`.

    to_map: from the working system to the map's.
    """
    parts = _parts(inputs)
    fetched = grain(inputs.before, inputs.after.surface)
    # Where parts overlap a little is counted twice, which does no harm.
    if fetched is not None and shapely.area(parts).sum() > 1.5 * _MOST_BLOCKS * fetched.width * fetched.height:
        return None
    area = shapely.union_all(parts)
    if area.is_empty:
        return None
    area = shapely.transform(
        shapely.segmentize(area, _span(area) / 50), lambda c: np.stack(to_map.there(c[:, 0], c[:, 1]), axis=1)
    )
    west, south, east, north = area.bounds
    step = max(max(east - west, north - south) / _MOST_CELLS, (area.area / _MOST_LOOKS) ** 0.5, _LEAST_STEP)
    nx, ny = int(np.ceil((east - west) / step)), int(np.ceil((north - south) / step))
    if not nx or not ny:
        return None
    bounds = [inputs.plan.policy.dressing.metres, *(b.metres for b in _BOUNDS[imperial])]
    classes = np.zeros((ny, nx), dtype=np.uint8)
    flat = classes.reshape(-1)
    for cells, x, y in _inside(area, west, north, step, nx, ny):
        flat[cells] = classify(_change(inputs, *to_map.back(x, y)), bounds)
    if not flat.any():
        return None
    keys = swatches(bounds, inputs.plan.policy.dressing, imperial)
    used = tuple(key for k, key in enumerate(keys, start=1) if (flat == k).any())
    return Picture(
        url=_png(stippled(classes), [key.colour for key in keys]),
        west=west,
        south=north - ny * step,
        east=west + nx * step,
        north=north,
        swatches=used,
    )


def _parts(inputs: Inputs) -> NDArray[np.object_]:
    """What the picture is of, in parts."""
    if inputs.jobs.planned:
        return np.asarray(within_reach(np.array(inputs.jobs.parts, dtype=object), inputs.jobs.reach))
    return np.array([inputs.after.surface.extent], dtype=object)


def _span(area: shapely.Geometry) -> float:
    west, south, east, north = area.bounds
    return float(max(east - west, north - south, 1.0))


def _inside(
    area: shapely.Geometry, west: float, north: float, step: float, nx: int, ny: int
) -> Iterator[tuple[NDArray[np.intp], Floats, Floats]]:
    """Cells in the area, in bands of whole rows: their place in the flat grid, and the x and y of their middles."""
    shapely.prepare(area)
    across = west + step * (np.arange(nx) + 0.5)
    rows = max(1, _BAND // nx)
    for first in range(0, ny, rows):
        down = north - step * (np.arange(first, min(ny, first + rows)) + 0.5)
        x, y = (g.ravel() for g in np.meshgrid(across, down))
        inside = np.flatnonzero(shapely.contains_xy(area, x, y))
        if len(inside):
            yield inside + first * nx, x[inside], y[inside]


def _change(inputs: Inputs, x: Floats, y: Floats) -> Floats:
    """After less before, metres; NaN where either is silent."""
    after = inputs.after.surface.heights(x, y).z
    known = np.flatnonzero(np.isfinite(after))
    change = np.full(len(x), np.nan)
    change[known] = after[known] - inputs.before.heights(x[known], y[known]).z
    return change


def classify(change: Floats, bounds: list[float]) -> NDArray[np.uint8]:
    """(n,) classes of changes (n,): 0 unknown, 1 no more than the first bound, then rises, then falls, by size.

    >>> classify(np.array([np.nan, 0.0, 0.1, -0.1, 9.0]), [0.05, 0.2]).tolist()
    [0, 1, 2, 4, 3]
    """
    size = np.searchsorted(bounds, np.abs(change) - 1e-9)
    big = np.where(change > 0, size, size + len(bounds))
    return np.where(np.isnan(change), 0, np.where(size == 0, 1, big + 1)).astype(np.uint8)


def swatches(bounds: list[float], dressing: Length, imperial: bool) -> tuple[Swatch, ...]:
    """What each class means, in the order of their numbers."""
    unit = "in" if imperial else "mm"
    words = [show(b, unit, 1) for b in bounds]
    sizes = [f"{low} to {high}" for low, high in pairwise(words)] + [f"over {words[-1]}"]
    return (
        Swatch(LITTLE, f"no more than the dressing of {dressing}", False),
        *(Swatch(c, f"rises {s}", False) for c, s in zip(RISES, sizes, strict=True)),
        *(Swatch(c, f"falls {s}", True) for c, s in zip(FALLS, sizes, strict=True)),
    )


def stippled(classes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Falls with every third cell of each slanting row left out: told from rises where there is no colour."""
    row, column = np.indices(classes.shape)
    gaps: Bools = (classes > 1 + len(RISES)) & ((row + column) % 3 == 0)
    return np.where(gaps, 0, classes).astype(np.uint8)


def _png(classes: NDArray[np.uint8], colours: list[str]) -> str:
    """A PNG with a palette, 0 clear, as a data address."""
    from rasterio.errors import NotGeoreferencedWarning
    from rasterio.io import MemoryFile

    height, width = classes.shape
    table = {0: (0, 0, 0, 0)}
    for k, colour in enumerate(colours, start=1):
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        table[k] = (red, green, blue, 255)
    with MemoryFile() as memory, warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # a picture has no place of its own
        with memory.open(driver="PNG", width=width, height=height, count=1, dtype="uint8", zlevel=9) as file:
            file.write_colormap(1, table)
            file.write(classes, 1)
        content = bytes(memory.getbuffer())
    return "data:image/png;base64," + base64.b64encode(content).decode("ascii")
