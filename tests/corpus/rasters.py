"""Elevation rasters whose cells, types or containers are not what they should be."""

from __future__ import annotations

import os
import struct

import numpy as np
import rasterio
from affine import Affine
from rasterio.enums import ColorInterp
from rasterio.windows import Window

from tests.corpus import Project, bad
from tests.corpus.ground_files import COUNT, GRID, feet, raster
from tests.projects import CRS


def _cut(place: Project, share: float, **profile: object) -> None:
    rough = feet() + np.random.default_rng(5).uniform(0, 1, (COUNT, COUNT)).astype("float32")
    path = raster(place, rough, **profile)
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])


@bad("raster")
def raster_truncated_in_its_cells(place: Project) -> None:
    """A download that broke off: the last rows of the design raster are missing."""
    _cut(place, 0.3)


@bad("raster")
def raster_truncated_in_its_header(place: Project) -> None:
    """A download that broke off within the first bytes."""
    path = raster(place)
    path.write_bytes(path.read_bytes()[:60])


@bad("raster")
def raster_with_corrupt_blocks(place: Project) -> None:
    """Compressed blocks of the design raster hold rubbish."""
    rough = feet() + np.random.default_rng(5).uniform(0, 1, (COUNT, COUNT)).astype("float32")
    path = raster(place, rough, compress="deflate", tiled=True, blockxsize=16, blockysize=16)
    content = bytearray(path.read_bytes())
    content[len(content) // 4 :] = b"\xa5" * len(content[len(content) // 4 :])
    path.write_bytes(content)


@bad("raster")
def raster_without_georeference(place: Project) -> None:
    """The design raster has no georeference: its world file was left behind."""
    raster(place, grid=None)


@bad("raster")
def raster_without_system(place: Project) -> None:
    """The design raster does not say its reference system."""
    raster(place, crs=None)


@bad("raster")
def raster_of_a_photo(place: Project) -> None:
    """An orthophoto in place of heights."""
    raster(place, np.full((3, COUNT, COUNT), 90, dtype="uint8"), photometric="RGB")


@bad("raster")
def raster_of_several_bands(place: Project) -> None:
    """A raster of five bands, heights in the first."""
    raster(place, np.stack([feet(), feet(1), feet(2), feet(3), feet(4)]))


@bad("raster")
def raster_of_nothing_but_nodata(place: Project) -> None:
    """Every cell of the design raster is nodata."""
    raster(place, feet(-9999.0), nodata=-9999.0)


@bad("raster")
def raster_of_nothing_but_nan(place: Project) -> None:
    """Every cell of the existing ground is NaN, which no nodata value declares."""
    raster(place, feet(np.nan), "before.tif")


@bad("raster")
def raster_with_undeclared_9999(place: Project) -> None:
    """Holes of the existing ground are -9999, and nodata is not declared."""
    values = feet(100)
    values[:, COUNT // 2 :] = -9999
    raster(place, values, "before.tif")


@bad("raster")
def raster_with_undeclared_999999(place: Project) -> None:
    """Holes of the design are -999999, and nodata is not declared."""
    values = feet()
    values[: COUNT // 2] = -999999
    raster(place, values)


@bad("raster")
def raster_with_nodata_declared_as_another(place: Project) -> None:
    """Nodata is declared as 0, the holes are -32767."""
    values = feet()
    values[: COUNT // 2] = -32767
    raster(place, values, nodata=0)


@bad("raster")
def raster_filled_with_zero(place: Project) -> None:
    """Where the design ends its raster is filled with 0."""
    values = feet()
    values[:, COUNT // 2 :] = 0
    raster(place, values)


@bad("raster")
def raster_of_complex_numbers(place: Project) -> None:
    """The raster holds complex numbers."""
    raster(place, feet(dtype="complex64"))


@bad("raster")
def raster_of_a_hillshade(place: Project) -> None:
    """A hillshade, bytes from 0 to 255, in place of heights."""
    values = np.random.default_rng(3).integers(0, 255, (COUNT, COUNT)).astype("uint8")
    raster(place, values, "before.tif")


@bad("raster")
def raster_of_one_pixel(place: Project) -> None:
    """The design is a single cell of 180 m."""
    raster(place, feet()[:1, :1], grid=GRID @ Affine.scale(COUNT, COUNT))


@bad("raster")
def raster_of_one_row(place: Project) -> None:
    """The design is one row of cells."""
    raster(place, feet()[:1])


@bad("raster")
def raster_striped(place: Project) -> None:
    """Every other row of the design is nodata, as a scanner leaves it."""
    values = feet()
    values[::2] = -9999
    raster(place, values, nodata=-9999.0)


@bad("raster")
def raster_with_palette(place: Project) -> None:
    """A map with a palette of colours in place of heights."""
    path = raster(place, feet(dtype="uint8"))
    with rasterio.open(path, "r+") as out:
        out.write_colormap(1, {i: (i, 255 - i, 0, 255) for i in range(256)})


@bad("raster")
def raster_with_mask_band(place: Project) -> None:
    """A mask of its own hides half of the design; the cells below hold 0."""
    values = feet()
    values[:, : COUNT // 2] = 0
    path = raster(place, values)
    with rasterio.open(path, "r+") as out:
        out.write_mask(values > 0)


@bad("raster")
def raster_with_alpha(place: Project) -> None:
    """A band of transparency beside the heights hides all of them."""
    path = place.folder / "after.tif"
    raster(place, np.stack([feet(), feet(0)]))
    with rasterio.open(path, "r+") as out:
        out.colorinterp = (ColorInterp.gray, ColorInterp.alpha)


@bad("raster")
def raster_of_infinite_heights(place: Project) -> None:
    """Cells of the design are infinite: a division by zero somewhere upstream."""
    raster(place, feet(np.inf))


@bad("raster")
def raster_of_enormous_heights(place: Project) -> None:
    """Heights of the existing ground are millimetres called feet."""
    raster(place, feet(30480.0), "before.tif")


@bad("raster")
def raster_of_no_bytes(place: Project) -> None:
    """The design raster has no bytes."""
    place.raw("after.tif", b"")


@bad("raster")
def raster_that_is_a_pdf(place: Project) -> None:
    """A PDF that somebody named .tif."""
    place.raw("after.tif", b"%PDF-1.4\n1 0 obj\n<< /Type /Catalog >>\nendobj\ntrailer\n<< /Root 1 0 R >>\n%%EOF\n")


@bad("raster")
def raster_that_is_text(place: Project) -> None:
    """A note that somebody named .tif."""
    place.raw("after.tif", "The surface is sent by the consultant next week.\n")


@bad("raster")
def raster_that_is_a_web_page(place: Project) -> None:
    """The page of a portal that asks for a password, saved as .tif."""
    place.raw("after.tif", "<!DOCTYPE html>\n<html><head><title>Sign in</title></head><body>Sign in</body></html>\n")


@bad("raster")
def raster_that_is_a_pointer(place: Project) -> None:
    """A pointer of a store of large files in place of the raster."""
    place.raw("after.tif", "version https://git-lfs.github.com/spec/v1\noid sha256:" + "0" * 64 + "\nsize 12345\n")


@bad("raster")
def raster_of_absurd_size(place: Project) -> None:
    """A sparse TIFF of few bytes that claims a million times a million cells."""
    path = place.folder / "after.tif"
    path.unlink()
    options = {"tiled": True, "blockxsize": 4096, "blockysize": 4096, "SPARSE_OK": "TRUE", "BIGTIFF": "YES"}
    shape = {"width": 1_000_000, "height": 1_000_000, "count": 1, "dtype": "uint8"}
    with rasterio.open(path, "w", driver="GTiff", crs=CRS, transform=GRID, nodata=0, **shape, **options) as out:
        out.write(np.full((1, 4096, 4096), 101, dtype="uint8"), window=Window(0, 0, 4096, 4096))


@bad("raster")
def raster_of_absurd_size_without_ground_at_the_hydrants(place: Project) -> None:
    """A sparse TIFF that claims a million times a million cells, with data in a far corner alone."""
    path = place.folder / "after.tif"
    path.unlink()
    options = {"tiled": True, "blockxsize": 512, "blockysize": 512, "SPARSE_OK": "TRUE", "BIGTIFF": "YES"}
    shape = {"width": 400_000, "height": 400_000, "count": 1, "dtype": "uint8"}
    grid = GRID @ Affine.translation(-100_000, -100_000)
    with rasterio.open(path, "w", driver="GTiff", crs=CRS, transform=grid, nodata=0, **shape, **options) as out:
        out.write(np.full((1, 512, 512), 101, dtype="uint8"), window=Window(0, 0, 512, 512))


@bad("raster")
def raster_of_a_terabyte_in_one_block(place: Project) -> None:
    """A TIFF whose one block claims four terabytes."""
    _strip(place, 1_000_000)


def _strip(place: Project, side: int) -> None:
    """A TIFF by hand: one strip, placed by the tags that place the former design."""
    scale, tie = (5.0, 5.0, 0.0), (0.0, 0.0, 0.0, 499_960.0, 4_600_140.0, 0.0)
    keys = (1, 1, 0, 3, 1024, 0, 1, 1, 1025, 0, 1, 1, 3072, 0, 1, 32615)
    entries: list[tuple[int, int, int, bytes]] = []
    for tag, kind, values in (
        (256, "I", (side,)), (257, "I", (side,)), (258, "H", (32,)), (259, "H", (8,)), (262, "H", (1,)),
        (273, "I", (4096,)), (277, "H", (1,)), (278, "I", (side,)), (279, "I", (64,)), (339, "H", (3,)),
        (33550, "d", scale), (33922, "d", tie), (34735, "H", keys),
    ):  # fmt: skip
        number = {"H": 3, "I": 4, "d": 12}[kind]
        entries.append((tag, number, len(values), struct.pack(f"<{len(values)}{kind}", *values)))
    after = 8 + 2 + 12 * len(entries) + 4
    table, heap = struct.pack("<H", len(entries)), b""
    for tag, number, count, data in entries:
        table += struct.pack("<HHI", tag, number, count)
        if len(data) <= 4:
            table += data.ljust(4, b"\0")
        else:
            table += struct.pack("<I", after + len(heap))
            heap += data
    content = b"II*\0" + struct.pack("<I", 8) + table + b"\0\0\0\0" + heap
    place.raw("after.tif", content.ljust(4096, b"\0") + b"\0" * 64)


@bad("raster")
def raster_that_is_a_pipe(place: Project) -> None:
    """A named pipe bears the raster's name: whoever reads it waits for ever."""
    if not hasattr(os, "mkfifo"):
        place.allow = "no named pipes here"
        return
    (place.folder / "after.tif").unlink()
    os.mkfifo(place.folder / "after.tif")


@bad("raster")
def raster_pipe_among_tiles(place: Project) -> None:
    """A named pipe stands among the tiles of a folder."""
    if not hasattr(os, "mkfifo"):
        place.allow = "no named pipes here"
        return
    raster(place, name="tiles/a.tif")
    os.mkfifo(place.folder / "tiles" / "b.tif")
    place.section("after", raster="tiles")


@bad("raster")
def raster_that_is_a_device(place: Project) -> None:
    """The plan names a device that never ends."""
    if not os.path.exists("/dev/zero"):  # noqa: PTH110
        place.allow = "no such device here"
    place.section("after", raster="/dev/zero")
