"""Odd files as they occur: each is either refused by name with what to do, or read as GDAL itself reads it.

The open GeoTIFFs in the shared data are all in the tables below, so that a file added there is not passed over.
Judge: rasterio's own masked reading of the whole band, cell by cell, at the cells' centres.
"""

from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from rasterio.control import GroundControlPoint
from rasterio.enums import ColorInterp

from gradecheck import surfaces
from gradecheck.surfaces.tiles import open_tile
from tests.rasters import (
    EAST,
    NORTH,
    WORK,
    assert_heights,
    grid,
    ground,
    on_grid,
    refusals,
    rough,
    scattered,
    scipy_heights,
    tile,
    write,
)

DATA = Path(__file__).resolve().parents[2] / ".." / "shared" / "data"
ODD = DATA / "odd_geotiff_gdal_autotest"
UNKNOWN = DATA / "dem_unknown_crs_mit" / "whitebox_dem.tif"

pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")

PLACED = {
    "VerticalUnitsGeoKey_private_range", "byte_point", "byte_user_defined_geokeys", "compdcrs_no_citation",
    "compdcrs_without_gtcitation", "compound_with_VerticalCitationGeoKey_only", "epsg26711_3855_geotiff1_1",
    "epsg26730_with_linear_units_set", "epsg_2853_with_us_feet", "float32", "float32_almost_nodata_max_float32",
    "geomatrix", "int16", "nan32_nodata", "negative_scaley", "nodata_byte", "tiff_vertcs_scale_offset", "utmsmall",
    "vertcs_user_defined",
}  # fmt: skip
WHOLE_WORLD = {"epsg4326_3855_geotiff1_1", "epsg4979_geotiff1_1"}  # one cell of 360 by 180 degrees
BROKEN = {"byte_truncated", "byte_zstd_corrupted"}
LOCAL = {"ModelTiepointTag_z_non_zero_but_ModelPixelScaleTag_z_zero"}
BY_CONTROL_POINTS = {"byte_gcp", "byte_gcp_pixelispoint"}
UNPLACED = {
    "byte_nogeoref", "empty_nodata", "float32_with_nodata_slightly_above_float_max", "nan32", "sparse_nodata_one",
    "stats_nodata_neginf", "test3_with_mask_1bit_and_ovr", "test_with_mask_1bit", "test_with_mask_8bit",
    "uint16_nodata_65535_bigtiff", "corrupted_deflate_singlestrip", "lzw_corrupted", "many_blocks_truncated",
    "tiled_bad_offset",
}  # fmt: skip
UNOPENABLE = {"unknown_compression"}


def odd(name):
    path = ODD / f"{name}.tif"
    if not path.exists():
        pytest.skip("open GeoTIFFs not here")
    return path


def stated_unit(path):
    """The plan's unit where the file says none."""
    return None if not refusals(path, unit=None) else "m"


def centres(path):
    """Coordinates of the cells' centres and GDAL's masked values there; those that are no elevation masked too."""
    with rasterio.open(path) as data:
        values = data.read(1, masked=True).astype(float)
        c, r = np.meshgrid(np.arange(data.width) + 0.5, np.arange(data.height) + 0.5)
        x, y = on_grid(data.transform, c.ravel(), r.ravel())
        return x, y, values.filled(np.nan).ravel(), data.transform


def test_every_open_geotiff_has_its_place_in_the_tables():
    if not ODD.exists():
        pytest.skip("open GeoTIFFs not here")
    tables = [PLACED, WHOLE_WORLD, BROKEN, LOCAL, BY_CONTROL_POINTS, UNPLACED, UNOPENABLE]
    assert sorted(p.stem for p in ODD.glob("*.tif")) == sorted(name for table in tables for name in table)


@pytest.mark.parametrize("name", sorted(PLACED))
def test_a_placed_file_gives_gdals_values_at_its_cell_centres_and_scipys_between_them(name):
    path = odd(name)
    opened = tile(path, unit=stated_unit(path))
    surface = ground(path, unit=stated_unit(path), work=opened.crs.to_wkt())
    x, y, values, transform = centres(path)
    expected = np.where(np.abs(values) > 9000, np.nan, values) * opened.to_metres
    heights = surface.heights(x, y)
    assert np.isnan(heights.z).tolist() == np.isnan(expected).tolist()
    assert heights.z == pytest.approx(expected, abs=1e-6, nan_ok=True)
    array = expected.reshape(opened.height, opened.width)
    px, py = scattered(transform, array.shape, 800)
    found, between = surface.heights(px, py).z, scipy_heights(array, transform, px, py)
    assert np.isnan(found).tolist() == np.isnan(between).tolist()
    assert found == pytest.approx(between, abs=1e-6, nan_ok=True)


@pytest.mark.parametrize("name", sorted(WHOLE_WORLD))
def test_a_cell_as_large_as_the_world_has_its_height_at_its_centre(name):
    surface = ground(odd(name), unit=None, work="EPSG:4326")
    heights = surface.heights(np.array([0.0, 30.0]), np.array([0.0, 10.0]))
    assert heights.z == pytest.approx([0.0, np.nan], nan_ok=True)


def test_a_truncated_file_is_unreadable_where_gdal_cannot_read_it_and_read_elsewhere():
    path = odd("byte_truncated")
    opened = tile(path)
    readable = np.zeros((20, 20), dtype=bool)
    with rasterio.open(path) as data:
        for _, window in data.block_windows(1):
            rows, columns = window.toslices()
            try:
                data.read(1, window=window)
            except rasterio.errors.RasterioError:
                continue
            readable[rows, columns] = True
        c, r = np.meshgrid(np.arange(20) + 0.5, np.arange(20) + 0.5)
        x, y = on_grid(data.transform, c.ravel(), r.ravel())
    assert not readable.all()
    heights = ground(path, work=opened.crs.to_wkt()).heights(x, y)
    assert (heights.source == 0).tolist() == readable.ravel().tolist()
    assert set(heights.source[~readable.ravel()]) == {surfaces.UNREADABLE}


def test_a_corrupt_file_opens_and_is_unreadable_all_over():
    path = odd("byte_zstd_corrupted")
    x, y = np.array([440_720.0 + 333]), np.array([3_751_320.0 - 333])
    heights = ground(path, work="EPSG:26711").heights(x, y)
    assert np.isnan(heights.z).all()
    assert heights.source.tolist() == [surfaces.UNREADABLE]


@pytest.mark.parametrize("name", sorted(LOCAL))
def test_a_local_system_is_refused_until_the_plan_states_the_true_one(name):
    path = odd(name)
    assert any("reference system" in line for line in refusals(path))
    assert tile(path, crs="EPSG:32724").crs.to_epsg() == 32724


@pytest.mark.parametrize("name", sorted(BY_CONTROL_POINTS))
def test_a_file_placed_by_control_points_only_is_refused_by_that_name(name):
    told = refusals(odd(name), crs=WORK)
    assert any("control points" in line and name in line for line in told)


@pytest.mark.parametrize("name", sorted(UNPLACED))
def test_a_file_without_a_place_is_refused_even_if_the_plan_states_a_system(name):
    told = refusals(odd(name), crs=WORK)
    assert any("georeference" in line and name in line for line in told)


@pytest.mark.parametrize("name", sorted(UNPLACED | BY_CONTROL_POINTS))
def test_a_file_without_system_and_place_is_told_of_both_at_once(name):
    told = " ".join(refusals(odd(name), unit=None))
    assert "reference system" in told
    assert "georeference" in told or "control points" in told


def test_a_file_that_cannot_be_opened_is_refused_by_its_name():
    told = refusals(odd("unknown_compression"))
    assert len(told) == 1
    assert "unknown_compression.tif" in told[0]


def test_a_model_of_an_unknown_system_is_refused_and_read_once_it_is_stated():
    if not UNKNOWN.exists():
        pytest.skip("model of unknown system not here")
    assert any("reference system" in line for line in refusals(UNKNOWN))
    x, y, values, _ = centres(UNKNOWN)
    surface = ground(UNKNOWN, crs="EPSG:32617", work="EPSG:32617")
    assert_heights(surface.heights(x, y), values)


# --- Files made here ---


def test_text_that_only_bears_a_rasters_name_is_refused(tmp_path):
    path = tmp_path / "ground.tif"
    path.write_text("elevations to follow\n", encoding="utf-8")
    told = refusals(path)
    assert len(told) == 1
    assert "ground.tif" in told[0]


def test_an_empty_file_is_refused(tmp_path):
    (tmp_path / "empty.tif").write_bytes(b"")
    assert any("empty.tif" in line for line in refusals(tmp_path / "empty.tif"))


def test_a_colour_picture_is_no_ground(tmp_path):
    path = tmp_path / "photo.tif"
    bands = np.random.default_rng(1).integers(0, 255, (3, 4, 5)).astype("uint8")
    profile = {"driver": "GTiff", "height": 4, "width": 5, "count": 3, "dtype": "uint8", "photometric": "RGB"}
    with rasterio.open(path, "w", crs=WORK, transform=grid(), **profile) as out:
        out.write(bands)
    assert any("picture" in line for line in refusals(path))


def test_complex_numbers_are_no_elevations(tmp_path):
    path = write(tmp_path / "waves.tif", np.ones((3, 3), dtype="complex64"), grid())
    assert any("complex" in line for line in refusals(path))


def test_further_bands_are_passed_over_aloud(tmp_path):
    path = tmp_path / "two.tif"
    profile = {"driver": "GTiff", "height": 3, "width": 3, "count": 2, "dtype": "float32"}
    with rasterio.open(path, "w", crs=WORK, transform=grid(1, -1), **profile) as out:
        out.colorinterp = (ColorInterp.gray, ColorInterp.undefined)
        out.write(np.full((2, 3, 3), [[[7.0]], [[70.0]]], dtype="float32"))
    found, findings, notes = open_tile(path, "two.tif", "m", None, None)
    assert (found is not None, findings) == (True, [])
    assert any("two.tif" in note and "band 1" in note for note in notes)
    assert ground(path).heights(EAST + np.array([1.5]), NORTH - np.array([1.5])).z.tolist() == [7.0]


def test_a_plan_that_states_another_system_than_the_file_is_stopped_and_both_are_named(tmp_path):
    path = write(tmp_path / "a.tif", rough(3, 4), grid())
    told = refusals(path, crs="EPSG:32616")
    assert any("32615" in line and "32616" in line for line in told)
    assert refusals(path, crs=WORK) == []


def test_a_file_without_a_system_takes_the_one_that_the_plan_states(tmp_path):
    path = write(tmp_path / "a.tif", rough(6, 7), grid(), crs=None)
    assert any("reference system" in line for line in refusals(path))
    x, y = scattered(grid(), (6, 7), 300)
    assert_heights(ground(path, crs=WORK).heights(x, y), scipy_heights(rough(6, 7), grid(), x, y))


def test_control_points_alone_are_refused_though_they_name_a_system(tmp_path):
    path = tmp_path / "gcp.tif"
    points = [GroundControlPoint(r, c, EAST + c, NORTH - r) for r, c in [(0, 0), (0, 5), (4, 0)]]
    profile = {"driver": "GTiff", "height": 4, "width": 5, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", gcps=points, crs=WORK, **profile) as out:
        out.write(np.ones((1, 4, 5), dtype="float32"))
    assert any("control points" in line for line in refusals(path, crs=WORK))


def test_a_transform_that_flattens_the_raster_to_a_line_is_refused(tmp_path):
    path = tmp_path / "flat.vrt"
    write(tmp_path / "a.tif", rough(3, 4), grid())
    path.write_text(
        f'<VRTDataset rasterXSize="4" rasterYSize="3"><SRS>{WORK}</SRS>'
        "<GeoTransform>500000, 2, 0, 4600000, 2, 0</GeoTransform>"
        '<VRTRasterBand dataType="Float64" band="1"><SimpleSource><SourceFilename relativeToVRT="1">a.tif'
        "</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>",
        encoding="utf-8",
    )
    assert any("georeference" in line for line in refusals(path))


def test_everything_wrong_with_a_file_is_told_at_once(tmp_path):
    path = write(tmp_path / "a.tif", np.ones((3, 3), dtype="complex64"), None, crs=None)
    told = " ".join(refusals(path, unit=None))
    assert [word in told for word in ("complex", "georeference", "reference system", "unit")] == [True] * 4


@pytest.mark.parametrize("missing", [None, np.nan, -9999.0])
def test_a_raster_without_a_single_height_opens_and_says_hole_everywhere(tmp_path, missing):
    values = np.full((4, 5), np.nan if missing is None else missing)
    path = write(tmp_path / "a.tif", values, grid(1, -1), nodata=missing)
    heights = ground(path).heights(EAST + np.array([1.5, 2.2]), NORTH - np.array([1.5, 2.7]))
    assert heights.source.tolist() == [surfaces.HOLE] * 2


@pytest.mark.parametrize("nodata", [-9999.0, 0.0])
def test_blocks_that_a_sparse_file_never_wrote_are_holes_where_nodata_is_declared(tmp_path, nodata):
    # SPARSE_OK: blocks not written take no room in the file; GDAL reads them as nodata.
    path, values = tmp_path / "sparse.tif", rough(32, 32)
    options = {"tiled": True, "blockxsize": 16, "blockysize": 16, "SPARSE_OK": "TRUE", "nodata": nodata}
    profile = {"driver": "GTiff", "height": 32, "width": 32, "count": 1, "dtype": "float64", **options}
    with rasterio.open(path, "w", crs=WORK, transform=grid(), **profile) as out:
        out.write(values[:16, 16:], 1, window=rasterio.windows.Window(16, 0, 16, 16))
    there = np.full_like(values, np.nan)
    there[:16, 16:] = values[:16, 16:]
    x, y = scattered(grid(), values.shape, 2000)
    assert_heights(ground(path).heights(x, y), scipy_heights(there, grid(), x, y))


def test_overviews_do_not_stand_in_for_the_ground_itself(tmp_path):
    values = rough(64, 64)
    path = write(tmp_path / "a.tif", values, grid(), tiled=True, blockxsize=16, blockysize=16)
    with rasterio.open(path, "r+") as data:
        data.build_overviews([2, 4, 8], rasterio.enums.Resampling.average)
    x, y = scattered(grid(), values.shape, 1000)
    assert_heights(ground(path).heights(x, y), scipy_heights(values, grid(), x, y))


def test_a_file_with_a_place_in_a_text_beside_it_is_placed_by_it(tmp_path):
    # A world file names the centre of the first cell, not its corner.
    path = write(tmp_path / "a.tif", np.array([[1.0, 2.0], [4.0, 9.0]]), None, crs=None)
    (tmp_path / "a.tfw").write_text("10\n0\n0\n-10\n500000\n4600000\n", encoding="ascii")
    found = ground(path, crs=WORK).heights(np.array([500_000.0, 500_005.0]), np.array([4_600_000.0, 4_599_995.0]))
    assert found.z.tolist() == [1.0, 4.0]


@pytest.mark.parametrize("name", ["großer Hügel.tif", "ground (1) [a].tif", "-ground.tif", "地面.tif"])
def test_names_with_any_letters_are_opened_and_shown(tmp_path, name):
    path = write(tmp_path / name, rough(3, 4), grid(1, -1))
    heights = ground(path).heights(EAST + np.array([1.5]), NORTH - np.array([1.5]))
    assert heights.z.tolist() == [rough(3, 4)[1, 1]]
    assert surfaces.words(heights.source, heights.names) == [name]


def test_a_raster_rotated_by_a_hair_is_still_placed_by_its_own_transform(tmp_path):
    # A rotation of 1e-7: flipping it to be north-up must not drop the other terms.
    transform = Affine(2.0, 2e-7, EAST, 3e-7, 3.0, NORTH)
    values = rough(20, 25)
    path = write(tmp_path / "a.tif", values, transform)
    x, y = scattered(transform, values.shape, 500)
    assert_heights(ground(path).heights(x, y), scipy_heights(values, transform, x, y))
