"""One raster as ground, judged against SciPy's map_coordinates, GDAL's bilinear warp and cases done by head.

Whatever the file's layout, type, marking of missing cells or storage, the height is the bilinear one between
cell centres; a missing cell with any weight means no height, and the reason is told.
"""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import Transformer

from gradecheck import engine, surfaces
from gradecheck.surfaces import blocks
from tests.rasters import (
    EAST,
    NORTH,
    WORK,
    assert_heights,
    gdal_heights,
    grid,
    ground,
    on_grid,
    rough,
    scattered,
    scipy_heights,
    turned,
    write,
)

DATA = Path(__file__).resolve().parents[2] / ".." / "shared" / "data"

LAYOUTS = {
    "north_up": grid(2, -3),
    "south_up": grid(2, 3),
    "east_to_west": grid(-2, -3),
    "turned_by_half": grid(-2, 3),
    "rotated": turned(33),
    "rotated_and_mirrored": turned(-71, 2, 3),
    "rotated_by_a_quarter": turned(90),
    "sheared": Affine(2.0, 0.5, EAST, -0.3, -3.0, NORTH),
}
STORAGE = {
    "tiled": {"tiled": True, "blockxsize": 16, "blockysize": 32},
    "striped": {"blockysize": 5},
    "one_row_a_strip": {"blockysize": 1},
    "one_block": {"blockysize": 40},
    "deflate_horizontal_differences": {"compress": "deflate", "predictor": 2, "blockysize": 7},
    "deflate_floating_predictor": {"compress": "deflate", "predictor": 3, "tiled": True, "blockxsize": 16},
    "lzw": {"compress": "lzw", "tiled": True, "blockxsize": 16, "blockysize": 16},
    "zstd": {"compress": "zstd"},
    "packbits_big": {"compress": "packbits", "bigtiff": "YES"},
    "big_endian": {"endianness": "BIG"},
}
TYPES = ["uint8", "int8", "uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64"]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_heights_are_scipys_however_the_raster_lies(tmp_path, layout):
    transform, values = LAYOUTS[layout], rough(13, 17)
    path = write(tmp_path / "a.tif", values, transform)
    x, y = scattered(transform, values.shape, 3000)
    expected = scipy_heights(values, transform, x, y)
    assert np.isnan(expected).sum() > 300
    assert_heights(ground(path).heights(x, y), expected)


@pytest.mark.parametrize("work", [WORK, "EPSG:32616"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_heights_are_those_of_gdals_bilinear_warp(tmp_path, layout, work):
    # Smooth ground: a micrometre that two ways through PROJ differ by must not count.
    r, c = np.mgrid[:40, :50]
    values = 100 + 0.08 * c - 0.05 * r + 0.3 * np.sin(c / 5) * np.cos(r / 7)
    path = write(tmp_path / "a.tif", values, LAYOUTS[layout])
    middle = on_grid(LAYOUTS[layout], 25, 20)
    left, top = Transformer.from_crs(WORK, work, always_xy=True).transform(*middle)
    target = Affine(0.9, 0.0, left - 20, 0.0, -0.9, top + 20)
    expected = gdal_heights(path, target, (44, 44), work)
    c, r = np.meshgrid(np.arange(44) + 0.5, np.arange(44) + 0.5)
    x, y = on_grid(target, c.ravel(), r.ravel())
    assert np.isfinite(expected).all()
    assert_heights(ground(path, work=work).heights(x, y), expected.ravel())


@pytest.mark.parametrize("storage", STORAGE)
@pytest.mark.parametrize("layout", ["north_up", "south_up", "rotated"])
def test_heights_do_not_depend_on_how_the_file_is_stored(tmp_path, layout, storage):
    transform, values = LAYOUTS[layout], rough(40, 50)
    path = write(tmp_path / "a.tif", values, transform, **STORAGE[storage])
    x, y = scattered(transform, values.shape, 2000)
    assert_heights(ground(path).heights(x, y), scipy_heights(values, transform, x, y))


@pytest.mark.parametrize("kind", TYPES)
def test_every_number_type_is_interpolated_in_double_precision(tmp_path, kind):
    values = (np.random.default_rng(3).uniform(0, 120, (13, 17))).astype(kind)
    path = write(tmp_path / "a.tif", values, grid())
    x, y = scattered(grid(), values.shape, 1000)
    assert_heights(ground(path).heights(x, y), scipy_heights(values, grid(), x, y))


def test_between_the_cells_one_and_two_lies_one_and_a_half_even_in_whole_numbers(tmp_path):
    # 1 2 / 4 9, cell centres at 0.5 and 1.5; the middle is (1 + 2 + 4 + 9) / 4. At (1.25, 0.75) the upper row
    # gives 1.75, the lower one 7.75, and a quarter of the way down between them lies 3.25.
    path = write(tmp_path / "a.tif", np.array([[1, 2], [4, 9]], dtype="uint8"), grid(1, -1))
    x, y = EAST + np.array([1.0, 0.5, 1.0, 1.25]), NORTH - np.array([0.5, 1.0, 1.0, 0.75])
    assert ground(path).heights(x, y).z.tolist() == [1.5, 2.5, 4.0, 3.25]


@pytest.mark.parametrize(("unit", "metres"), [("m", 1.0), ("ft", 0.3048), ("cm", 0.01)])
def test_scale_and_offset_of_the_file_come_before_its_unit(tmp_path, unit, metres):
    # By head: raw 2500 at 0.01 is 25, and 100 more is 125; the stored nodata is a raw value.
    raw = np.array([[2500, 3000, -1], [2000, 2700, 2900]], dtype="int16")
    path = write(tmp_path / "a.tif", raw, grid(1, -1), scale=(0.01, 100.0), nodata=-1)
    heights = ground(path, unit=unit).heights(EAST + np.array([0.5, 1.0, 2.0]), NORTH - np.array([0.5, 1.0, 1.0]))
    # (2500 + 3000 + 2000 + 2700) / 4 = 2550 -> 125.5
    assert heights.z == pytest.approx([125.0 * metres, 125.5 * metres, np.nan], abs=1e-12, nan_ok=True)
    assert heights.source.tolist() == [0, 0, surfaces.HOLE]


def test_a_scaled_raster_is_scipys_on_the_scaled_array(tmp_path):
    raw = np.random.default_rng(5).integers(-3000, 30000, (13, 17)).astype("int16")
    path = write(tmp_path / "a.tif", raw, LAYOUTS["south_up"], scale=(0.003, -7.25))
    x, y = scattered(LAYOUTS["south_up"], raw.shape, 1000)
    assert_heights(ground(path).heights(x, y), scipy_heights(raw * 0.003 - 7.25, LAYOUTS["south_up"], x, y))


def _holed(rows=13, columns=17):
    """Heights and where there is ground: a tenth of the cells, and one whole corner, lack it."""
    there = np.random.default_rng(11).random((rows, columns)) > 0.1
    there[:3, :5] = False
    return rough(rows, columns), there


MARKS = {
    "declared_value": {"fill": -9999.0, "nodata": -9999.0},
    "declared_zero": {"fill": 0.0, "nodata": 0.0},
    "declared_nan": {"fill": np.nan, "nodata": np.nan},
    "undeclared_nan": {"fill": np.nan},
    "nan_beside_a_declared_value": {"fill": np.nan, "nodata": -9999.0},
    "declared_minus_infinity": {"fill": -np.inf, "nodata": -np.inf},
    "declared_height_that_could_be_ground": {"fill": 104.0, "nodata": 104.0},
}


@pytest.mark.parametrize("kind", ["float32", "float64"])
@pytest.mark.parametrize("mark", MARKS)
@pytest.mark.parametrize("layout", ["north_up", "turned_by_half", "rotated"])
def test_a_cell_marked_as_missing_takes_all_its_neighbourhood_with_it(tmp_path, layout, mark, kind):
    transform, (values, there) = LAYOUTS[layout], _holed()
    options = dict(MARKS[mark])
    values = np.where(there, values, options.pop("fill")).astype(kind)
    path = write(tmp_path / "a.tif", values, transform, blockysize=4, **options)
    x, y = scattered(transform, values.shape, 3000)
    heights = ground(path).heights(x, y)
    assert_heights(heights, scipy_heights(np.where(there, values, np.nan), transform, x, y))
    assert set(heights.source) == {0, surfaces.HOLE, surfaces.EDGE_CELL, surfaces.OUTSIDE}


@pytest.mark.parametrize("nodata", [3.4028234663852886e38, -3.4028234663852886e38, 0.1])
def test_nodata_that_a_float_cannot_hold_exactly_still_marks_a_hole(tmp_path, nodata):
    # 0.1 is not a float32: the file holds the nearest one, the header says 0.1.
    values = np.array([[10, 20, 30], [40, nodata, 60]], dtype="float32")
    path = write(tmp_path / "a.tif", values, grid(1, -1), nodata=nodata)
    heights = ground(path).heights(EAST + np.array([0.5, 1.5]), NORTH - np.array([0.5, 1.5]))
    assert heights.source.tolist() == [0, surfaces.HOLE]
    assert heights.z.tolist()[0] == 10.0


@pytest.mark.parametrize("kind", ["uint8", "int16", "uint16", "int32"])
def test_a_declared_whole_number_is_no_ground_in_integer_files(tmp_path, kind):
    values, there = np.arange(1, 13, dtype=kind).reshape(3, 4), np.ones((3, 4), dtype=bool)
    there[1, 2] = False
    nodata = np.iinfo(kind).max
    path = write(tmp_path / "a.tif", np.where(there, values, nodata).astype(kind), grid(), nodata=nodata)
    x, y = scattered(grid(), values.shape, 800)
    assert_heights(ground(path).heights(x, y), scipy_heights(np.where(there, values, np.nan), grid(), x, y))


@pytest.mark.parametrize("inside", ["YES", "NO"])
@pytest.mark.parametrize("layout", ["north_up", "south_up", "east_to_west", "rotated"])
def test_a_mask_in_the_file_or_beside_it_marks_holes(tmp_path, layout, inside):
    transform, (values, there) = LAYOUTS[layout], _holed()
    path = write(tmp_path / "a.tif", values, transform, mask=there, env={"GDAL_TIFF_INTERNAL_MASK": inside})
    assert Path(f"{path}.msk").exists() == (inside == "NO")
    x, y = scattered(transform, values.shape, 2000)
    assert_heights(ground(path).heights(x, y), scipy_heights(np.where(there, values, np.nan), transform, x, y))


@pytest.mark.parametrize("kind", ["uint8", "uint16", "int16", "float32", "float64"])
@pytest.mark.parametrize("layout", ["north_up", "south_up", "rotated"])
def test_an_alpha_band_marks_holes(tmp_path, layout, kind):
    # An alpha band has the elevations' own type (a warp that adds one to a float raster writes 0.0 and 255.0);
    # GDAL itself makes a mask of it in uint8 and uint16 only.
    transform, (values, there) = LAYOUTS[layout], _holed()
    values = np.where(there, values, 0).astype(kind)
    path = write(tmp_path / "a.tif", values, transform, alpha=there, blockysize=4)
    x, y = scattered(transform, values.shape, 2000)
    assert_heights(ground(path).heights(x, y), scipy_heights(np.where(there, values, np.nan), transform, x, y))


def test_a_mask_and_a_declared_value_both_count(tmp_path):
    values = np.array([[10.0, 20.0, 30.0], [40.0, 50.0, -1.0]])
    mask = np.array([[True, True, True], [False, True, True]])
    path = write(
        tmp_path / "a.tif", values, grid(1, -1), nodata=-1.0, mask=mask, env={"GDAL_TIFF_INTERNAL_MASK": "YES"}
    )
    c, r = np.meshgrid([0.5, 1.5, 2.5], [0.5, 1.5])
    found = ground(path).heights(EAST + c.ravel(), NORTH - r.ravel()).z
    assert found == pytest.approx([10, 20, 30, np.nan, 50, np.nan], nan_ok=True)


def _vrt(folder, transform, sources, size, nodata=""):
    """A virtual raster by hand: sources are (file, offset column, offset row, columns, rows, extra)."""
    parts = "".join(
        f'<ComplexSource><SourceFilename relativeToVRT="1">{name}</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" yOff="0" xSize="{w}" ySize="{h}"/><DstRect xOff="{c}" yOff="{r}" xSize="{w}" ySize="{h}"/>'
        f"{extra}</ComplexSource>"
        for name, c, r, w, h, extra in sources
    )
    geo = ", ".join(repr(float(v)) for v in transform.to_gdal())
    text = (
        f'<VRTDataset rasterXSize="{size[1]}" rasterYSize="{size[0]}"><SRS>{WORK}</SRS>'
        f'<GeoTransform>{geo}</GeoTransform><VRTRasterBand dataType="Float64" band="1">{nodata}{parts}'
        "</VRTRasterBand></VRTDataset>"
    )
    path = folder / "all.vrt"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_virtual_raster_is_read_through_to_its_sources(tmp_path):
    values = rough(24, 30)
    write(tmp_path / "west.tif", values[:, :13], grid())
    write(tmp_path / "east.tif", values[:, 13:] * 10, grid(east=EAST + 26))
    sources = [("west.tif", 0, 0, 13, 24, ""), ("east.tif", 13, 0, 17, 24, "<ScaleRatio>0.1</ScaleRatio>")]
    path = _vrt(tmp_path, grid(), sources, (24, 30))
    x, y = scattered(grid(), values.shape, 2000)
    assert_heights(ground(path).heights(x, y), scipy_heights(values, grid(), x, y))


def test_a_virtual_raster_has_holes_where_no_source_lies(tmp_path):
    values = rough(24, 30)
    write(tmp_path / "west.tif", values[:, :13], grid())
    path = _vrt(tmp_path, grid(), [("west.tif", 0, 0, 13, 24, "")], (24, 30), "<NoDataValue>-9999</NoDataValue>")
    x, y = scattered(grid(), values.shape, 1000)
    values[:, 13:] = np.nan
    heights = ground(path).heights(x, y)
    assert_heights(heights, scipy_heights(values, grid(), x, y))
    assert surfaces.HOLE in heights.source


def test_a_virtual_raster_whose_source_is_gone_is_unreadable_there(tmp_path):
    write(tmp_path / "west.tif", rough(24, 13), grid())
    path = _vrt(tmp_path, grid(), [("west.tif", 0, 0, 13, 24, "")], (24, 30))
    surface = ground(path)
    (tmp_path / "west.tif").unlink()
    heights = surface.heights(EAST + np.array([10.0]), NORTH - np.array([30.0]))
    assert np.isnan(heights.z).all()
    assert heights.source.tolist() == [surfaces.UNREADABLE]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_outermost_half_cell_is_missing_on_every_side_and_no_more_than_that(tmp_path, layout):
    transform, values = LAYOUTS[layout], rough(5, 7)
    surface = ground(write(tmp_path / "a.tif", values, transform))
    along = np.linspace(0.6, 4.4, 9)
    inside = on_grid(transform, [*along, *along, *([0.51] * 9), *([6.49] * 9)], [0.51] * 9 + [4.49] * 9 + [*along] * 2)
    rim = on_grid(transform, [*along, *along, *([0.49] * 9), *([6.51] * 9)], [0.49] * 9 + [4.51] * 9 + [*along] * 2)
    assert np.isfinite(surface.heights(*inside).z).all()
    assert surface.heights(*rim).source.tolist() == [surfaces.EDGE_CELL] * 36


@pytest.mark.parametrize("cell", [0.3, 1 / 3, 0.1 + 0.2, 0.3048006096012192, 2.0])
def test_cell_centres_give_the_cells_themselves_the_outermost_included(tmp_path, cell):
    # Coordinates that no binary fraction holds: rounding must not ask for a neighbour beyond the edge.
    transform, values = grid(cell, -cell, EAST + 0.1, NORTH - 0.7), rough(5, 7)
    surface = ground(write(tmp_path / "a.tif", values, transform))
    c, r = np.meshgrid(np.arange(7) + 0.5, np.arange(5) + 0.5)
    assert_heights(surface.heights(*on_grid(transform, c.ravel(), r.ravel())), values.ravel())


def test_a_missing_neighbour_counts_with_any_weight_and_not_with_none(tmp_path):
    # Column 2 of 4 is missing: on the centres of column 1 it has no weight, a thousandth of a cell on it has.
    values = np.array([[10.0, 20.0, np.nan, 40.0], [11.0, 23.0, np.nan, 47.0]])
    surface = ground(write(tmp_path / "a.tif", values, grid(1, -1)))
    x = EAST + np.array([1.5, 1.501, 1.499, 3.5, 3.499])
    heights = surface.heights(x, np.full(5, NORTH - 1.0))
    assert heights.z == pytest.approx([21.5, np.nan, 21.5 - 0.011, 43.5, np.nan], abs=1e-9, nan_ok=True)
    assert heights.source.tolist() == [0, surfaces.HOLE, 0, 0, surfaces.HOLE]


def test_every_reason_for_no_height_is_told_apart(tmp_path):
    # 4 x 3 cells of 1 m: a declared hole, an undeclared -9999; the truncated file is tested by itself below.
    values = np.array([[10.0, 20, 30, 40], [50, -1, 70, 80], [90, 100, 110, -9999]])
    surface = ground(write(tmp_path / "a.tif", values, grid(1, -1), nodata=-1.0))
    places = [(0.5, 0.5), (1.4, 1.4), (3.4, 2.4), (0.3, 0.7), (40, 1), (1.5, -25)]
    x, y = EAST + np.array([p[0] for p in places]), NORTH - np.array([p[1] for p in places])
    heights = surface.heights(x, y)
    told = [0, surfaces.HOLE, surfaces.IMPLAUSIBLE, surfaces.EDGE_CELL, surfaces.OUTSIDE, surfaces.OUTSIDE]
    assert heights.source.tolist() == told
    assert np.isnan(heights.z).tolist() == [False, True, True, True, True, True]
    assert np.isnan(heights.sd).tolist() == np.isnan(heights.z).tolist()
    assert heights.sd[0] == 0.1
    assert surfaces.words(heights.source, heights.names)[0] == "a.tif"


def test_a_point_that_lies_off_the_raster_is_outside_and_not_in_its_rim(tmp_path):
    # The raster ends at column 4: 4.2 is off it, although less than a cell from the last centre.
    surface = ground(write(tmp_path / "a.tif", rough(3, 4), grid(1, -1)))
    heights = surface.heights(EAST + np.array([3.8, 4.2]), NORTH - np.array([1.5, 1.5]))
    assert heights.source.tolist() == [surfaces.EDGE_CELL, surfaces.OUTSIDE]


@pytest.mark.parametrize("marker", [-9999.0, -32768.0, 1e20, -3.4028234663852886e38, np.inf, 99999.0])
@pytest.mark.parametrize("unit", ["m", "ft"])
def test_a_marker_that_nobody_declared_is_no_ground(tmp_path, marker, unit):
    values = np.full((3, 3), 50.0)
    values[1, 2] = marker
    surface = ground(write(tmp_path / "a.tif", values, grid(1, -1)), unit=unit)
    heights = surface.heights(EAST + np.array([0.9, 1.6]), NORTH - np.array([1.0, 1.2]))
    assert heights.source.tolist() == [0, surfaces.IMPLAUSIBLE]


@pytest.mark.parametrize("marker", [-9999, -32768])
@pytest.mark.parametrize(("unit", "scale"), [("cm", None), ("m", (0.01, 0.0)), ("ft", (0.1, 0.0))])
def test_a_marker_that_nobody_declared_is_no_ground_in_small_units_either(tmp_path, marker, unit, scale):
    # -9999 cm is -99.99 m: within what ground can be, and still no ground.
    values = np.full((3, 3), 5000, dtype="int16")
    values[1, 2] = marker
    surface = ground(write(tmp_path / "a.tif", values, grid(1, -1), scale=scale), unit=unit)
    heights = surface.heights(EAST + np.array([0.9, 1.6]), NORTH - np.array([1.0, 1.2]))
    assert heights.source.tolist() == [0, surfaces.IMPLAUSIBLE]


def test_a_height_that_no_ground_has_is_told_apart_from_a_marker(tmp_path):
    # 12,345 m: a mistaken unit rather than a missing cell.
    values = np.full((3, 3), 12_345.0)
    values[1, 2] = -9999.0
    surface = ground(write(tmp_path / "a.tif", values, grid(1, -1)))
    heights = surface.heights(EAST + np.array([0.9, 2.5]), NORTH - np.array([1.0, 1.5]))
    assert heights.source.tolist() == [surfaces.OUT_OF_RANGE, surfaces.IMPLAUSIBLE]


def test_the_lowest_and_highest_ground_on_earth_are_believed(tmp_path):
    # Shore of the Dead Sea about -438 m, summit of Everest 8849 m.
    surface = ground(write(tmp_path / "a.tif", np.array([[-438.0, 8849.0], [-438.0, 8849.0]]), grid(1, -1)))
    assert surface.heights(EAST + np.array([0.5, 1.5]), np.full(2, NORTH - 1.0)).z.tolist() == [-438.0, 8849.0]


def test_a_truncated_file_gives_what_is_there_and_says_what_cannot_be_read(tmp_path):
    # 8 strips of one row, cut in the middle of the data: the first rows are whole, the last ones are gone.
    values = rough(8, 300)
    path = write(tmp_path / "a.tif", values, grid(1, -1), blockysize=1, env={"GTIFF_WRITE_AS_COG": "NO"})
    surface = ground(path)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size - 4 * 300 * 8 - 100)
    x = EAST + np.array([3.2, 3.2, 3.2])
    heights = surface.heights(x, NORTH - np.array([1.7, 7.1, 3.9]))
    assert heights.source.tolist() == [0, surfaces.UNREADABLE, surfaces.UNREADABLE]
    assert np.isnan(heights.z).tolist() == [False, True, True]
    assert heights.z[0] == pytest.approx(scipy_heights(values, grid(1, -1), x[:1], np.array([NORTH - 1.7]))[0])


def test_a_block_of_rubbish_is_unreadable_and_its_neighbours_are_read(tmp_path):
    values = rough(32, 48)
    path = write(tmp_path / "a.tif", values, grid(1, -1), compress="deflate", tiled=True, blockxsize=16, blockysize=16)
    with rasterio.open(path) as data:
        where = int(data.get_tag_item("BLOCK_OFFSET_1_0", "TIFF", bidx=1))
    with path.open("r+b") as file:
        file.seek(where)
        file.write(b"\x00" * 64)
    surface = ground(path)
    x, y = scattered(grid(1, -1), values.shape, 2000)
    column, row = x - EAST, NORTH - y
    values[:16, 16:32] = np.nan
    heights = surface.heights(x, y)
    assert_heights(heights, scipy_heights(values, grid(1, -1), x, y))
    lost = (column > 16) & (column < 32) & (row < 16) & (row > 0.5)
    assert set(heights.source[lost]) == {surfaces.UNREADABLE}
    assert (heights.source == surfaces.HOLE).sum() == 0


def test_a_file_that_is_gone_when_it_is_asked_is_unreadable_and_no_traceback(tmp_path):
    path = write(tmp_path / "a.tif", rough(3, 4), grid(1, -1))
    surface = ground(path)
    path.unlink()
    heights = surface.heights(EAST + np.array([1.5]), NORTH - np.array([1.5]))
    assert heights.source.tolist() == [surfaces.UNREADABLE]


def test_a_file_written_anew_at_the_same_place_is_read_anew(tmp_path):
    path, x, y = tmp_path / "a.tif", EAST + np.array([1.5]), NORTH - np.array([1.5])
    old = ground(write(path, np.full((3, 4), 10.0), grid(1, -1))).heights(x, y)
    path.unlink()
    new = ground(write(path, np.full((3, 4), 20.0), grid(1, -1))).heights(x, y)
    assert [old.z[0], new.z[0]] == [10.0, 20.0]


def test_an_ascii_grid_is_placed_by_the_centre_or_the_corner_that_its_header_names(tmp_path):
    # The text is the file: cells of 10 m, lowest left one (33) at 500000, 4600000 by its centre or by its corner.
    body = "cellsize 10\nNODATA_value -9999\n11 12 13\n21 22 23\n33 32 -9999\n"
    x, y = EAST + np.array([0.0, 5.0, 20.0]), NORTH + np.array([0.0, 15.0, 0.0])
    found = {}
    for word in ("center", "corner"):
        path = tmp_path / f"{word}.asc"
        path.write_text(f"ncols 3\nnrows 3\nxll{word} 500000\nyll{word} 4600000\n{body}", encoding="ascii")
        found[word] = ground(path, crs=WORK).heights(x, y).z
    assert found["center"] == pytest.approx([33, (11 + 12 + 21 + 22) / 4, np.nan], nan_ok=True)
    assert found["corner"] == pytest.approx([np.nan, 21.0, np.nan], nan_ok=True)


def test_pixel_is_point_moves_no_raster_by_half_a_cell(tmp_path):
    # GDAL has placed the cells already: both files name the same cells.
    values, x, y = rough(5, 7), EAST + np.array([3.3]), NORTH - np.array([2.2])
    area = ground(write(tmp_path / "a.tif", values, grid(1, -1), tags={"AREA_OR_POINT": "Area"})).heights(x, y)
    point = ground(write(tmp_path / "p.tif", values, grid(1, -1), tags={"AREA_OR_POINT": "Point"})).heights(x, y)
    assert area.z == pytest.approx(scipy_heights(values, grid(1, -1), x, y), abs=1e-9)
    assert point.z.tolist() == area.z.tolist()


def test_a_grid_of_posts_has_its_heights_where_its_tie_point_says(tmp_path):
    # GeoTIFF 1.1, raster type 2 (PixelIsPoint): the tie point is the first post itself, not a corner of a cell.
    path = DATA / "odd_geotiff_gdal_autotest" / "byte_point.tif"
    if not path.exists():
        pytest.skip("open GeoTIFFs not here")
    with rasterio.open(path) as data:
        first = data.read(1)[0, 0]
    # The tags of the file: tie point (0, 0) at 440720, 3751320; posts 60 m apart.
    heights = ground(path, work="EPSG:32611").heights(np.array([440720.0]), np.array([3751320.0]))
    assert heights.z.tolist() == [float(first)] == [107.0]


def test_no_points_are_no_heights(tmp_path):
    heights = ground(write(tmp_path / "a.tif", rough(3, 4), grid())).heights(np.zeros(0), np.zeros(0))
    assert [len(heights), len(heights.sd), len(heights.source)] == [0, 0, 0]


def test_points_that_are_no_numbers_are_outside(tmp_path):
    surface = ground(write(tmp_path / "a.tif", rough(3, 4), grid()))
    bad = np.array([np.nan, np.inf, -np.inf, EAST + 4])
    heights = surface.heights(bad, np.array([NORTH - 4, NORTH - 4, NORTH - 4, np.nan]))
    assert np.isnan(heights.z).all()
    assert set(heights.source) == {surfaces.OUTSIDE}


def test_a_raster_of_one_cell_has_a_height_at_its_centre_only(tmp_path):
    surface = ground(write(tmp_path / "a.tif", np.array([[107.0]]), grid(60, 60)))
    heights = surface.heights(EAST + np.array([30.0, 31.0]), NORTH + np.array([30.0, 30.0]))
    assert heights.z == pytest.approx([107.0, np.nan], nan_ok=True)
    assert heights.source.tolist() == [0, surfaces.EDGE_CELL]


class _Counted:
    """A dataset that tells which windows are read of it."""

    def __init__(self, data, seen):
        self.data, self.seen = data, seen

    def read(self, band, window):
        self.seen.append((self.data.name, window.col_off, window.row_off, window.width, window.height))
        return self.data.read(band, window=window)

    def __getattr__(self, name):
        return getattr(self.data, name)


@pytest.fixture
def windows(monkeypatch):
    """The windows read of any raster, in the order of reading."""
    seen, handle = [], blocks._handle
    monkeypatch.setattr(blocks, "_handle", lambda tile: _Counted(handle(tile), seen))
    return seen


@pytest.mark.parametrize("flip", [1, -1])
def test_each_block_that_is_touched_is_read_once_and_no_other(tmp_path, windows, flip):
    transform, values = grid(flip, flip), rough(70, 90)
    path = write(tmp_path / "a.tif", values, transform, tiled=True, blockxsize=16, blockysize=16)
    random = np.random.default_rng(2)
    columns, rows = random.uniform(20, 60, 500), random.uniform(10, 70, 500)
    ground(path).heights(*on_grid(transform, columns, rows))
    # Brute force: the blocks of the four centres around each point, those off the raster left out.
    expected = {
        (c // 16 * 16, r // 16 * 16)
        for x, y in zip(columns - 0.5, rows - 0.5, strict=True)
        for c in (int(x), int(x) + 1)
        for r in (int(y), int(y) + 1)
        if c < 90 and r < 70
    }
    assert Counter((column, row) for _, column, row, _, _ in windows) == Counter(expected)
    assert len(expected) < 30
    assert {(w, h) for _, column, row, w, h in windows if column == 48 and row == 64} == {(16, 6)}


def test_a_point_inside_one_block_reads_that_block_and_not_its_neighbours(tmp_path, windows):
    path = write(tmp_path / "a.tif", rough(64, 64), grid(1, -1), tiled=True, blockxsize=16, blockysize=16)
    # The last centre of block (1, 2), and between its last two rows: no neighbour has weight.
    ground(path).heights(EAST + np.array([31.5, 20.0]), NORTH - np.array([47.5, 47.0]))
    assert [w[1:] for w in windows] == [(16, 32, 16, 16)]


def test_points_that_ask_for_nothing_read_nothing(tmp_path, windows):
    path = write(tmp_path / "a.tif", rough(64, 64), grid(1, -1), tiled=True, blockxsize=16, blockysize=16)
    ground(path).heights(EAST + np.array([-50.0, 900.0]), NORTH - np.array([10.0, 10.0]))
    assert windows == []


def test_one_thread_reads_blocks_in_the_order_of_the_file(tmp_path, windows, monkeypatch):
    monkeypatch.setenv("GRADECHECK_THREADS", "1")  # several may pass each other between being handed out and read
    path = write(tmp_path / "a.tif", rough(64, 64), grid(1, -1), tiled=True, blockxsize=16, blockysize=16)
    ground(path).heights(EAST + np.array([55.0, 5.0, 40.0, 21.0]), NORTH - np.array([60.0, 40.0, 8.0, 40.0]))
    assert [w[1:3] for w in windows] == [(32, 0), (0, 32), (16, 32), (48, 48)]


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    """256 compressed blocks without nodata: enough that several threads share them."""
    values = rough(256, 256, seed=9)
    options = {"compress": "deflate", "tiled": True, "blockxsize": 16, "blockysize": 16}
    return values, write(tmp_path_factory.mktemp("large") / "a.tif", values, grid(), **options)


def test_the_number_of_threads_does_not_change_a_bit(large, monkeypatch):
    values, path = large
    x, y = scattered(grid(), values.shape, 5000)
    found = []
    for count in (1, 2, 7):
        monkeypatch.setattr(engine, "threads", lambda n=count: n)
        engine._pool.cache_clear()
        heights = ground(path).heights(x, y)
        found.append((heights.z.tobytes(), heights.sd.tobytes(), heights.source.tobytes()))
    engine._pool.cache_clear()
    assert found[0] == found[1] == found[2]
    assert_heights(heights, scipy_heights(values, grid(), x, y))


def test_the_order_of_the_points_does_not_matter(large):
    values, path = large
    x, y = scattered(grid(), values.shape, 5000)
    order = np.random.default_rng(4).permutation(5000)
    straight, mixed = ground(path).heights(x, y), ground(path).heights(x[order], y[order])
    assert mixed.z.tobytes() == straight.z[order].tobytes()
    assert mixed.source.tolist() == straight.source[order].tolist()


def test_points_asked_one_by_one_get_the_same_answer_as_all_together(large):
    values, path = large
    x, y = scattered(grid(), values.shape, 60)
    surface = ground(path)
    alone = np.concatenate([surface.heights(x[i : i + 1], y[i : i + 1]).z for i in range(60)])
    assert alone.tobytes() == surface.heights(x, y).z.tobytes()


OPEN = {
    "gironde_ref": ("dem_pair_gironde_apache/gironde_ref.tif", "m", 1.0),
    "gironde_sec": ("dem_pair_gironde_apache/gironde_sec.tif", "m", 1.0),
    "gironde_sec_cm": ("dem_pair_gironde_apache/gironde_sec_cm.tif", "cm", 0.01),
    "grenoble": ("dem_copernicus_grenoble/grenoble_cop.tif", "m", 1.0),
    "grenoble_coarse": ("dem_copernicus_grenoble/grenoble_cop_bs.tif", "m", 1.0),
}


def _open_model(name):
    file, unit, metres = OPEN[name]
    path = DATA / file
    if not path.exists():
        pytest.skip("open elevation data not here")
    with rasterio.open(path) as data:
        values = data.read(1).astype(float)
        values[values == data.nodata] = np.nan
        return path, unit, values * metres, data.transform, data.crs.to_string()


@pytest.mark.parametrize("name", OPEN)
def test_open_elevation_models_are_scipys_at_points_in_a_third_system(name):
    path, unit, values, transform, crs = _open_model(name)
    x, y = scattered(transform, values.shape, 20_000)
    work_x, work_y = Transformer.from_crs(crs, "EPSG:3035", always_xy=True).transform(x, y)
    x, y = Transformer.from_crs("EPSG:3035", crs, always_xy=True).transform(work_x, work_y)
    expected = scipy_heights(values, transform, x, y)
    assert_heights(ground(path, unit=unit, work="EPSG:3035").heights(work_x, work_y), expected)


@pytest.mark.parametrize("name", ["gironde_ref", "gironde_sec", "grenoble", "grenoble_coarse"])
def test_open_elevation_models_are_gdals_bilinear_away_from_holes(name, tmp_path):
    path, unit, values, transform, crs = _open_model(name)
    exact = write(tmp_path / "exact.tif", values, transform, crs=crs, nodata=np.nan)
    target = transform @ Affine.translation(90.3, 80.7) @ Affine.scale(0.37)
    c, r = np.meshgrid(np.arange(120) + 0.5, np.arange(120) + 0.5)
    x, y = on_grid(target, c.ravel(), r.ravel())
    gdal = gdal_heights(exact, target, (120, 120), crs).ravel()
    heights = ground(path, unit=unit, work=crs).heights(x, y)
    # GDAL fills beside a hole from the neighbours left; gradecheck must not.
    there = np.isfinite(scipy_heights(values, transform, x, y))
    assert np.isnan(heights.z).tolist() == (~there).tolist()
    assert there.sum() > 1500
    assert heights.z[there] == pytest.approx(gdal[there], abs=1e-6)


def test_the_elevation_model_that_comes_with_matplotlib_is_scipys(tmp_path):
    cbook = pytest.importorskip("matplotlib.cbook", reason="matplotlib is not installed")
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as model:
        values, west, north = model["elevation"], float(model["xmin"]), float(model["ymax"])
        transform = Affine(float(model["dx"]), 0.0, west, 0.0, -float(model["dy"]), north)
    path = write(tmp_path / "a.tif", values, transform, crs="EPSG:4269", compress="deflate", predictor=2)
    x, y = scattered(transform, values.shape, 20_000)
    work_x, work_y = Transformer.from_crs("EPSG:4269", "EPSG:26916", always_xy=True).transform(x, y)
    x, y = Transformer.from_crs("EPSG:26916", "EPSG:4269", always_xy=True).transform(work_x, work_y)
    expected = scipy_heights(values, transform, x, y)
    assert_heights(ground(path, work="EPSG:26916").heights(work_x, work_y), expected)
