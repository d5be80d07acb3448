"""Elevation rasters that lie elsewhere, are turned, or speak of other units; tiles and folders of them."""

from __future__ import annotations

import os
import shutil

import rasterio
from affine import Affine

from tests.corpus import Project, bad
from tests.corpus.ground_files import COUNT, GRID, feet, raster
from tests.projects import EAST, NORTH


@bad("raster")
def raster_rotated(place: Project) -> None:
    """The design raster is turned by thirty degrees about the square's middle."""
    middle = Affine.translation(EAST + 50, NORTH + 50)
    raster(place, grid=middle @ Affine.rotation(30) @ ~middle @ GRID)


@bad("raster")
def raster_sheared(place: Project) -> None:
    """The design raster is sheared, as a scan stretched to two points is."""
    middle = Affine.translation(EAST + 50, NORTH + 50)
    raster(place, grid=middle @ Affine.shear(10, 0) @ ~middle @ GRID)


@bad("raster")
def raster_south_up(place: Project) -> None:
    """The first row of the design raster is the southern one."""
    raster(place, grid=Affine(5, 0, EAST - 40, 0, 5, NORTH - 40))


@bad("raster")
def raster_collapsed(place: Project) -> None:
    """The cells of the design raster have no width."""
    place.raw("after.wld", "0\n0\n0\n-5\n499960\n4600140\n")
    raster(place, grid=None)


@bad("raster")
def raster_elsewhere(place: Project) -> None:
    """The design is of another town, 200 km away."""
    raster(place, grid=Affine.translation(200_000, 0) @ GRID)


@bad("raster")
def raster_with_swapped_axes(place: Project) -> None:
    """Northing and easting of the design's corner are in each other's place."""
    raster(place, grid=Affine(5, 0, NORTH - 40, 0, -5, EAST + 140))


@bad("raster")
def raster_of_the_next_zone(place: Project) -> None:
    """The design says that it is in the zone next to the true one."""
    raster(place, crs="EPSG:32616")


@bad("raster")
def raster_geographic_with_metres(place: Project) -> None:
    """The design's coordinates are metres, but its system is said to be in degrees."""
    raster(place, crs="EPSG:4326")


@bad("raster")
def raster_contradicting_the_plan(place: Project) -> None:
    """The plan states another reference system for the design than its file does."""
    place.section("after", crs="EPSG:26915")


@bad("raster")
def raster_system_that_is_vertical(place: Project) -> None:
    """The plan states a vertical system where a horizontal one belongs."""
    place.section("after", crs="EPSG:5703")


@bad("raster")
def raster_unit_missing(place: Project) -> None:
    """Nobody says the unit of the design's heights."""
    place.section("after", unit=None)


@bad("raster")
def raster_unit_contradicted(place: Project) -> None:
    """The file says metres, the plan feet."""
    with rasterio.open(raster(place), "r+") as out:
        out.set_band_unit(1, "metre")


@bad("raster")
def raster_unit_unknown(place: Project) -> None:
    """The file says fathoms, which nobody knows, the plan feet."""
    with rasterio.open(raster(place), "r+") as out:
        out.set_band_unit(1, "fathoms")


@bad("raster")
def raster_feet_called_metres(place: Project) -> None:
    """The plan calls the design's feet metres."""
    place.section("after", unit="m")


@bad("raster")
def raster_metres_called_feet(place: Project) -> None:
    """The existing ground is in metres, the plan calls it feet."""
    raster(place, feet(30.48), "before.tif")


@bad("raster")
def raster_vertical_contradicted(place: Project) -> None:
    """The plan's vertical system is in metres, its unit feet."""
    place.section("after", vertical="EPSG:5703")


@bad("raster")
def raster_scaled(place: Project) -> None:
    """Heights are whole hundredths of a foot, which the file's scale says."""
    path = raster(place, feet(5025, "int16"))
    with rasterio.open(path, "r+") as out:
        out.scales, out.offsets = (0.01,), (50.25,)


@bad("raster")
def raster_scale_of_zero(place: Project) -> None:
    """The file's scale is 0: every cell would be one height."""
    with rasterio.open(raster(place), "r+") as out:
        out.scales = (0.0,)


@bad("raster")
def raster_scale_of_nan(place: Project) -> None:
    """The file's scale is no number."""
    with rasterio.open(raster(place), "r+") as out:
        out.scales = (float("nan"),)


@bad("raster")
def raster_tiles_of_two_units(place: Project) -> None:
    """Two tiles of the design, of which one says metres and the plan feet."""
    for name, columns, unit in (("a.tif", slice(0, 18), "ft"), ("b.tif", slice(18, COUNT), "m")):
        path = raster(place, feet()[:, columns], f"tiles/{name}", grid=GRID @ Affine.translation(columns.start, 0))
        with rasterio.open(path, "r+") as out:
            out.set_band_unit(1, unit)
    place.section("after", raster="tiles")


@bad("raster")
def raster_tiles_with_one_broken(place: Project) -> None:
    """One of two tiles is text."""
    raster(place, name="tiles/a.tif")
    place.raw("tiles/b.tif", "not here yet")
    place.section("after", raster="tiles")


@bad("raster")
def raster_tiles_with_a_gap(place: Project) -> None:
    """A tile of the design was not delivered."""
    raster(place, feet()[:, :16], "tiles/a.tif")
    place.section("after", raster="tiles/*.tif")


@bad("raster")
def raster_folder_without_rasters(place: Project) -> None:
    """The folder that the plan names holds no raster."""
    place.raw("tiles/readme.txt", "see the other folder")
    place.section("after", raster="tiles")


@bad("raster")
def raster_pattern_of_nothing(place: Project) -> None:
    """The pattern of the plan matches no file."""
    place.section("after", raster="design/*_final.tif")


@bad("raster")
def raster_not_there(place: Project) -> None:
    """The plan names a file that is not there, its slashes those of another system."""
    place.section("after", raster="design\\after.tif")


@bad("raster")
def raster_link_to_itself(place: Project) -> None:
    """The raster is a link to itself."""
    (place.folder / "after.tif").unlink()
    (place.folder / "after.tif").symlink_to("after.tif")


@bad("raster")
def raster_link_to_nothing(place: Project) -> None:
    """Among the tiles is a link whose file was moved."""
    raster(place, name="tiles/a.tif")
    (place.folder / "tiles" / "b.tif").symlink_to("/nowhere/b.tif")
    place.section("after", raster="tiles")


@bad("raster")
def raster_folders_that_loop(place: Project) -> None:
    """A folder below the tiles is a link to the folder above."""
    raster(place, name="tiles/a.tif")
    (place.folder / "tiles" / "up").symlink_to("..", target_is_directory=True)
    place.section("after", raster="tiles/**/a.tif")


@bad("raster")
def raster_without_the_right_to_read(place: Project) -> None:
    """The raster may not be read by who runs."""
    if not hasattr(os, "geteuid") or os.geteuid() == 0:
        place.allow = "whoever runs may read everything"
    (place.folder / "after.tif").chmod(0)


@bad("raster")
def raster_that_is_a_folder(place: Project) -> None:
    """A folder bears the name of a raster."""
    (place.folder / "after.tif").unlink()
    (place.folder / "after.tif").mkdir()


@bad("raster")
def raster_subdataset(place: Project) -> None:
    """The plan names a subdataset in the way of GDAL."""
    place.section("after", raster="GTIFF_DIR:1:after.tif")


@bad("raster")
def raster_on_a_network(place: Project) -> None:
    """The plan names an address without leave for a network."""
    place.section("after", raster="https://example.invalid/after.tif")


@bad("raster")
def raster_of_memory(place: Project) -> None:
    """The plan names a file of GDAL's own memory."""
    place.section("after", raster="/vsimem/after.tif")


@bad("raster")
def raster_of_standard_input(place: Project) -> None:
    """The plan names the standard input in the way of GDAL."""
    place.section("after", raster="/vsistdin/")


@bad("raster")
def raster_twice(place: Project) -> None:
    """One file is given as existing ground and as design."""
    place.section("after", raster="before.tif")


@bad("raster")
def raster_copied_over(place: Project) -> None:
    """The design is a copy of the existing ground under another name."""
    shutil.copy(place.folder / "before.tif", place.folder / "after.tif")


@bad("raster")
def raster_with_an_odd_sidecar(place: Project) -> None:
    """The file of statistics beside the raster is cut short."""
    place.raw("after.tif.aux.xml", "<PAMDataset><PAMRasterBand band='1'><Metadata><MDI key='STATISTICS_MAX")
