"""Raster files as tiles: opened, and every question about them settled before a height is read."""

from __future__ import annotations

import time
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from gradecheck import locations, reference
from gradecheck.errors import Finding, InputError, listed
from gradecheck.surfaces import remote, virtual
from gradecheck.surfaces.named import no_file
from gradecheck.surfaces.remote import Said
from gradecheck.units import METRES, unit_named

_DEGREES = 720.0
_LARGEST_BLOCK = 2**30
"""Bytes: a block is read whole."""
ALLOW = "state allow_remote = true under [project] in the plan file, or download it and name the file"
"""How rasters on a network are let in."""


@dataclass(frozen=True, slots=True)
class Tile:
    """One raster file, band 1. `grid` maps (column, row) of pixel corners to its system, row 0 and column 0
    chosen so that columns run to +x and rows to -y wherever the raster is not rotated; `flip_x`, `flip_y` say
    where the file runs the other way.

    mask: the alpha band, -1 for a mask of the dataset, 0 for none.
    to_metres: metres in one unit of the scaled value. vertical: name of the vertical system, "" unknown.
    stamp: modification time and size, or what a server says of its version, so that a handle kept open is never a
    former file's. files: all that the raster is made of, the sources of a virtual one included; said: what servers say
    of those on a network.
    """

    path: str
    shown: str
    crs: CRS
    grid: Affine
    width: int
    height: int
    block: tuple[int, int]
    flip_x: bool
    flip_y: bool
    nodata: float | None
    mask: int
    scale: float
    offset: float
    to_metres: float
    unit: str
    vertical: CRS | None
    stamp: tuple[object, ...]
    files: tuple[str, ...]
    said: tuple[Said, ...] = ()

    @property
    def remote(self) -> bool:
        """Whether it is not a file of this machine."""
        return self.path.startswith("/vsi")


def open_tile(
    file: Path | str,
    shown: str,
    unit: str | None,
    vertical: CRS | None,
    crs: CRS | None,
    allow_remote: bool = False,
    said: Said | None = None,
    within: Sequence[Path] = (),
) -> tuple[Tile | None, list[Finding], list[str]]:
    """A tile, what stands in its way, and what must be said aloud. Plan's `unit`, `vertical` and `crs` only fill in.

    file: a path, or GDAL's name of a raster on a network, of which its server says `said` (asked where that is None).
    allow_remote: whether a file may lead there. within: folders that it may lead to besides its own.
    """
    findings: list[Finding] = []
    notes: list[str] = []
    heard: tuple[Said, ...] = ()
    settings = remote.NOWHERE
    if isinstance(file, str):
        heard, settings = (said or remote.ask(file),), remote.options()
        if heard[0].final:
            return None, [remote.finding(shown, heard[0])], notes
    else:
        if odd := no_file(file, shown):
            return None, [odd], notes
        leads = virtual.follow(file, shown, within)
        if leads.away and not allow_remote:
            what = f"leads to a network: {listed(map(locations.shown, leads.away), most=2)}"
            return None, [Finding(shown, what, ALLOW), *leads.wrong], notes
        if leads.wrong:
            return None, leads.wrong, notes
        if leads.away:
            heard, settings = remote.ask_all(leads.away), remote.reading(inside=True)
    remote.remember(heard)
    try:
        with (
            warnings.catch_warnings(action="ignore", category=NotGeoreferencedWarning),
            rasterio.Env(**settings),
            rasterio.open(file) as data,
        ):
            findings.extend(virtual.strays(data.files, file, shown, within))
            tile = _described(data, file, shown, unit, vertical, crs, heard, findings, notes)
    except RasterioError as error:
        refused = next((s for s in heard if s.trouble), None)
        if refused is not None:
            return None, [remote.finding(shown, refused)], notes
        what = f"cannot be opened as a raster ({_short(error)})"
        return None, [Finding(shown, what, "check that the file is whole")], notes
    except InputError as error:
        findings.extend(error.findings)
        tile = None
    return (None if findings else tile), findings, notes


def _short(error: Exception) -> str:
    return locations.shown(str(error).split(";")[0].splitlines()[0])[:160]


def _described(
    data: rasterio.DatasetReader,
    file: Path | str,
    shown: str,
    unit: str | None,
    vertical: CRS | None,
    crs: CRS | None,
    said: tuple[Said, ...],
    findings: list[Finding],
    notes: list[str],
) -> Tile | None:
    if data.count == 0:
        findings.append(Finding(shown, "has no raster band of its own", "name one of its subdatasets' files"))
        return None
    dtype = np.dtype(data.dtypes[0])
    if dtype.kind == "c":
        findings.append(Finding(shown, "holds complex numbers, not elevations", "give the elevation raster"))
    rows, columns = data.block_shapes[0]
    if rows * columns * dtype.itemsize > _LARGEST_BLOCK:
        what = (
            f"is stored in blocks of {columns} by {rows} cells, each {rows * columns * dtype.itemsize / 2**30:.3g} GB"
        )
        findings.append(Finding(shown, what, "write it anew in tiles (gdal_translate -co TILED=YES)"))
    gone = [f for f in data.files if not f.startswith("/vsi") and not Path(f).exists()]
    if gone:
        findings.append(
            Finding(
                shown,
                f"is made of files that are not there: {', '.join(map(locations.shown, gone[:3]))}",
                "bring them back",
            )
        )
    bands = [c for c in data.colorinterp if c is not ColorInterp.alpha]
    if len(bands) >= 3 and ColorInterp.red in bands:
        findings.append(Finding(shown, "is a colour picture, not elevations", "give the elevation raster"))
    elif data.colorinterp[0] is ColorInterp.palette:
        what = "is a picture by a palette of colours, not elevations"
        mend = "give the elevation raster; if its cells are heights for all that, take the palette off"
        findings.append(Finding(shown, what, mend))
    elif len(bands) > 1:
        notes.append(f"{shown} has {len(bands)} bands; band 1 is taken as the ground")
    transform = data.transform
    if transform.is_identity or abs(transform.determinant) == 0 or not np.isfinite(list(transform)).all():
        gcps = bool(data.gcps[0])
        what = "is placed by ground control points only" if gcps else "has no georeference"
        findings.append(Finding(shown, what, "warp or georeference it in a GIS first"))
    if not (np.isfinite(data.scales[0]) and np.isfinite(data.offsets[0]) and data.scales[0]):
        what = f"says its heights are to be multiplied by {data.scales[0]:g}, and {data.offsets[0]:g} added"
        findings.append(Finding(shown, what, "take scale and offset out of the file, or mend them"))
    horizontal, file_vertical = _systems(data, shown, crs, findings, notes)
    if horizontal is not None and horizontal.is_geographic and max(map(abs, data.bounds)) > _DEGREES:
        what = f"is said to be in degrees ({reference.name_of(horizontal)}), but a corner of it is at "
        what += f"{data.bounds.left:.10g}, {data.bounds.top:.10g}"
        findings.append(Finding(shown, what, "have the file, or the plan's `crs`, state the system that it is in"))
    if vertical is not None and file_vertical is not None and not _same_vertical(vertical, file_vertical):
        what = f"says its heights are {reference.name_of(file_vertical)}, the plan says {reference.name_of(vertical)}"
        findings.append(Finding(shown, what, "take `vertical` out of the plan or mend the file"))
    tile_vertical = file_vertical or vertical
    tile_unit = _unit(data, shown, unit, tile_vertical, findings, notes)
    if findings or horizontal is None or tile_unit is None:
        return None
    grid, flip_x, flip_y = _upright(transform, data.width, data.height)
    return Tile(
        path=str(file),
        shown=shown,
        crs=horizontal,
        grid=grid,
        width=data.width,
        height=data.height,
        block=data.block_shapes[0],
        flip_x=flip_x,
        flip_y=flip_y,
        nodata=data.nodatavals[0],
        mask=_mask_band(data),
        scale=float(data.scales[0]),
        offset=float(data.offsets[0]),
        to_metres=METRES[tile_unit],
        unit=tile_unit,
        vertical=tile_vertical,
        stamp=stamp_of(file, said),
        files=tuple(data.files),
        said=said,
    )


def stamp_of(file: Path | str, said: tuple[Said, ...]) -> tuple[object, ...]:
    """What tells one version of a tile from another; of what no server vouches for, each opening is another."""
    own: tuple[object, ...] = ()
    if isinstance(file, Path):
        now = file.stat()
        own = now.st_mtime_ns, now.st_size
    if not all(one.firm for one in said):
        own = (*own, time.monotonic_ns())
    return own + tuple(one.facts for one in said)


def _systems(
    data: rasterio.DatasetReader, shown: str, crs: CRS | None, findings: list[Finding], notes: list[str]
) -> tuple[CRS | None, CRS | None]:
    if not data.crs:
        if crs is None:
            findings.append(Finding(shown, "has no reference system", "state it as `crs` beside `raster` in the plan"))
        return crs, None
    try:
        horizontal, vertical = _split(data.crs.to_wkt(version="WKT2_2019"))
        if vertical is None and data.driver == "GTiff":
            vertical = _kept_back(data, shown, notes)
    except (CRSError, RasterioError):
        horizontal, vertical = None, None
    if horizontal is None:
        if crs is None:
            what = "has a local or unknown reference system"
            findings.append(Finding(shown, what, "state the true one as `crs` beside `raster` in the plan"))
        return crs, vertical
    if crs is not None and not horizontal.equals(crs, ignore_axis_order=True):
        what = f"says it is in {reference.name_of(horizontal)}, the plan says {reference.name_of(crs)}"
        findings.append(Finding(shown, what, "take `crs` out of the plan or mend the file"))
    return horizontal, vertical


def _kept_back(data: rasterio.DatasetReader, shown: str, notes: list[str]) -> CRS | None:
    """The vertical system of GeoTIFF 1.0, which most older files are: GDAL keeps it to itself unless it is asked.

    Asked so it also applies a vertical scale of the georeference, which nobody means; the values are left as they are.
    """
    with rasterio.Env(GTIFF_REPORT_COMPD_CS=True), rasterio.open(data.name) as again:
        if again.crs is None:
            return None
        if (again.scales[0], again.offsets[0]) != (data.scales[0], data.offsets[0]):
            notes.append(
                f"{shown}: its georeference would scale heights by {again.scales[0]:g} and add {again.offsets[0]:g}; "
                "that is not applied"
            )
        return _split(again.crs.to_wkt(version="WKT2_2019"))[1]


@lru_cache(maxsize=64)
def _split(wkt: str) -> tuple[CRS | None, CRS | None]:
    """Both parts of a system, the same objects for all tiles in it. Raises CRSError."""
    return reference.split(CRS.from_wkt(wkt))


def _same_vertical(a: CRS, b: CRS) -> bool:
    return a.equals(b) or a.name == b.name


def _unit(
    data: rasterio.DatasetReader,
    shown: str,
    stated: str | None,
    vertical: CRS | None,
    findings: list[Finding],
    notes: list[str],
) -> str | None:
    """The vertical unit: band unit, vertical system and plan must not contradict one another."""
    said: dict[str, str] = {}
    band = (data.units[0] or "").strip()
    if band:
        named = unit_named(band)
        if named:
            said["its band unit"] = named
        else:
            notes.append(f"{shown}: band unit {band!r} is not a known unit and was passed over")
    if vertical is not None:
        said["its vertical system"] = reference.vertical_unit(vertical, shown)
    if stated:
        said["the plan"] = stated
    if len(set(said.values())) > 1:
        what = "vertical unit contradicts itself: " + ", ".join(f"{who} says {u}" for who, u in said.items())
        findings.append(Finding(shown, what, "mend the file or the plan's `unit`"))
        return None
    if not said:
        what = "does not say the unit of its elevations"
        mend = 'state it in the plan, such as unit = "ft" beside `raster`, or by --before-unit or --after-unit'
        findings.append(Finding(shown, what, mend))
        return None
    return next(iter(said.values()))


def _mask_band(data: rasterio.DatasetReader) -> int:
    if ColorInterp.alpha in data.colorinterp:
        return int(data.colorinterp.index(ColorInterp.alpha)) + 1
    return -1 if MaskFlags.per_dataset in data.mask_flag_enums[0] else 0


def _upright(transform: Affine, width: int, height: int) -> tuple[Affine, bool, bool]:
    """The same lattice with columns to +x and rows to -y; rotated rasters keep theirs."""
    if transform.b or transform.d:
        return transform, False, False
    flip_x, flip_y = transform.a < 0, transform.e > 0
    if flip_x:
        transform = transform @ Affine(-1, 0, width, 0, 1, 0)
    if flip_y:
        transform = transform @ Affine(1, 0, 0, 0, -1, height)
    return transform, flip_x, flip_y
