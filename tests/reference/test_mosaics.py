"""Many rasters as one ground, judged against SciPy on the arrays put together here, and by brute force.

Tiles of one grid are one raster with no gap at their seams; where tiles overlap the earlier in the list wins
wherever it has data and the next one fills its holes; points go to the tiles' systems through PROJ.
"""

import pickle
from collections import Counter
from itertools import pairwise, permutations

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS, Transformer
from rasterio.merge import merge

from gradecheck import reference, surfaces
from gradecheck.errors import InputError
from gradecheck.surfaces import blocks
from gradecheck.surfaces.named import find
from tests.rasters import (
    EAST,
    NORTH,
    WORK,
    assert_heights,
    gdal_heights,
    grid,
    ground,
    join,
    on_grid,
    rough,
    scattered,
    scipy_heights,
    tile,
    turned,
    write,
)


def piece(path, values, transform, columns, rows, flip_x=False, flip_y=False, **options):
    """A part of a raster as a file of its own; flipped, the same cells in the other order."""
    part = values[slice(*rows), slice(*columns)]
    transform = transform @ Affine.translation(columns[0], rows[0])
    if flip_x:
        part, transform = part[:, ::-1], transform @ Affine.translation(part.shape[1], 0) @ Affine.scale(-1, 1)
    if flip_y:
        part, transform = part[::-1], transform @ Affine.translation(0, part.shape[0]) @ Affine.scale(1, -1)
    return write(path, np.ascontiguousarray(part), transform, **options)


def quarters(folder, values, transform):
    """Four tiles that touch, cut off the middle; no two are stored alike."""
    deflate = {"compress": "deflate", "tiled": True, "blockxsize": 16, "blockysize": 16}
    return [
        piece(folder / "nw.tif", values, transform, (0, 13), (0, 11)),
        piece(folder / "ne.tif", values, transform, (13, 30), (0, 11), flip_y=True, blockysize=3),
        piece(folder / "sw.tif", values, transform, (0, 13), (11, 24), flip_x=True, nodata=-9999.0),
        piece(folder / "se.tif", values, transform, (13, 30), (11, 24), flip_x=True, flip_y=True, **deflate),
    ]


@pytest.mark.parametrize("transform", [grid(), grid(0.3, -0.3, EAST + 0.1), turned(0)], ids=["2x3", "0.3", "origin"])
def test_tiles_that_touch_are_one_raster_whichever_way_each_one_runs(tmp_path, transform):
    values = rough(24, 30)
    surface = ground(*quarters(tmp_path, values, transform))
    x, y = scattered(transform, values.shape, 4000)
    heights = surface.heights(x, y)
    assert_heights(heights, scipy_heights(values, transform, x, y))
    assert heights.names == ("nw.tif", "ne.tif", "sw.tif", "se.tif")


def test_rotated_tiles_that_touch_are_one_raster(tmp_path):
    values, transform = rough(24, 30), turned(33)
    paths = [piece(tmp_path / f"{a}.tif", values, transform, (a, b), (0, 24)) for a, b in pairwise([0, 9, 22, 30])]
    x, y = scattered(transform, values.shape, 3000)
    assert_heights(ground(*paths).heights(x, y), scipy_heights(values, transform, x, y))


def test_there_is_no_gap_along_a_seam_nor_where_four_tiles_meet(tmp_path):
    values = rough(24, 30)
    surface = ground(*quarters(tmp_path, values, grid()))
    along = np.linspace(1.0, 23.0, 45)
    for shift in (-0.499, -1e-9, 0.0, 1e-9, 0.499):
        assert np.isfinite(surface.heights(*on_grid(grid(), 13 + shift, along)).z).all()
        assert np.isfinite(surface.heights(*on_grid(grid(), along, 11 + shift)).z).all()


def test_the_tile_of_the_heaviest_cell_is_named_on_a_seam(tmp_path):
    values = rough(24, 30)
    surface = ground(*quarters(tmp_path, values, grid()))
    heights = surface.heights(*on_grid(grid(), [12.9, 13.1, 12.9, 13.1], [10.8, 10.8, 11.3, 11.3]))
    assert surfaces.words(heights.source, heights.names) == ["nw.tif", "ne.tif", "sw.tif", "se.tif"]


def test_tiles_of_one_grid_may_differ_in_unit_type_scale_and_mark_of_holes(tmp_path):
    # By head: 10 m, 50 ft = 15.24 m, 2000 * 0.01 = 20 m, and a column that is missing in its own way.
    paths = [
        write(tmp_path / "m.tif", np.full((2, 2), 10.0), grid(1, -1), unit="m"),
        write(tmp_path / "ft.tif", np.full((2, 2), 50, dtype="uint8"), grid(1, -1, EAST + 2), unit="ft"),
        write(tmp_path / "s.tif", np.array([[2000, -7]] * 2, dtype="int16"), grid(1, -1, EAST + 4), unit="m",
              scale=(0.01, 0.0), nodata=-7),
    ]  # fmt: skip
    heights = ground(*paths, unit=None).heights(EAST + np.array([1, 2, 3, 4, 4.5, 4.6]), np.full(6, NORTH - 1.0))
    expected = [10, (10 + 15.24) / 2, 15.24, (15.24 + 20) / 2, 20, np.nan]
    assert heights.z == pytest.approx(expected, abs=1e-9, nan_ok=True)


def test_a_seam_between_tiles_that_leave_a_cell_out_is_a_gap(tmp_path):
    values = rough(6, 12)
    paths = [piece(tmp_path / f"{a}.tif", values, grid(), (a, b), (0, 6)) for a, b in [(0, 5), (6, 12)]]
    x, y = scattered(grid(), values.shape, 2000)
    values[:, 5] = np.nan
    assert_heights(ground(*paths).heights(x, y), scipy_heights(values, grid(), x, y))


def _overlapping(folder):
    """Three tiles of one grid, lapping over one another, with holes: (paths, arrays of the whole or NaN)."""
    random, paths, wholes = np.random.default_rng(8), [], []
    spans = [((0, 18), (0, 16)), ((10, 30), (4, 24)), ((3, 26), (8, 22))]
    for i, (columns, rows) in enumerate(spans):
        whole = np.full((24, 30), np.nan)
        here = whole[slice(*rows), slice(*columns)]
        here[:] = rough(*here.shape, seed=i) + 50 * i
        here[random.random(here.shape) < 0.08] = np.nan
        flips = {"flip_y": i == 1, "flip_x": i == 2}
        paths.append(piece(folder / f"{i}.tif", whole, grid(), columns, rows, nodata=np.nan, **flips))
        wholes.append(whole)
    return paths, wholes


def first_of(wholes):
    """Cell by cell the first array that has one."""
    merged = np.full_like(wholes[0], np.nan)
    for whole in wholes:
        merged = np.where(np.isnan(merged), whole, merged)
    return merged


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_where_tiles_of_one_grid_overlap_the_earlier_wins_and_the_next_fills_its_holes(tmp_path, order):
    paths, wholes = _overlapping(tmp_path)
    x, y = scattered(grid(), (24, 30), 3000)
    merged = first_of([wholes[i] for i in order])
    heights = ground(*(paths[i] for i in order)).heights(x, y)
    assert_heights(heights, scipy_heights(merged, grid(), x, y))
    assert surfaces.HOLE in heights.source


def test_overlaps_are_merged_as_gdals_own_reader_merges_them(tmp_path):
    # rasterio.merge, method "first", over the files; it knows no south-up files, so these run north-up.
    random, paths = np.random.default_rng(3), []
    for i, (column, row) in enumerate([(0, 0), (6, 3), (2, 7)]):
        part = np.where(random.random((9, 11)) < 0.1, -9999.0, rough(9, 11, seed=i) + 100 * i)
        transform = grid() @ Affine.translation(column, row)
        paths.append(write(tmp_path / f"{i}.tif", part, transform, nodata=-9999.0))
    merged, transform = merge([str(p) for p in paths], method="first")
    x, y = scattered(transform, merged[0].shape, 3000)
    expected = scipy_heights(np.where(merged[0] == -9999.0, np.nan, merged[0]), transform, x, y)
    assert_heights(ground(*paths).heights(x, y), expected)


def test_the_tile_that_filled_a_hole_is_named(tmp_path):
    top, below = np.full((3, 3), 10.0), np.full((3, 3), 20.0)
    top[1, 1] = np.nan
    paths = [write(tmp_path / n, v, grid(1, -1)) for n, v in [("top.tif", top), ("below.tif", below)]]
    heights = ground(*paths).heights(EAST + np.array([1.5, 0.5, 1.4]), NORTH - np.array([1.5, 1.5, 1.5]))
    assert heights.z == pytest.approx([20.0, 10.0, 19.0])
    assert surfaces.words(heights.source, heights.names) == ["below.tif", "top.tif", "below.tif"]


def test_a_finer_raster_over_a_coarser_one_wins_and_leaves_it_its_rim_and_holes(tmp_path):
    coarse, fine = rough(10, 12), rough(8, 10, seed=2) + 100
    fine[3, 4] = np.nan
    over = grid(0.5, -0.75, EAST + 8.2, NORTH - 7.1)
    paths = [write(tmp_path / "fine.tif", fine, over), write(tmp_path / "coarse.tif", coarse, grid())]
    x, y = scattered(grid(), coarse.shape, 5000)
    first, second = scipy_heights(fine, over, x, y), scipy_heights(coarse, grid(), x, y)
    heights = ground(*paths).heights(x, y)
    assert_heights(heights, np.where(np.isnan(first), second, first))
    there = np.isfinite(heights.z)
    assert (heights.source[there] == np.where(np.isnan(first), 1, 0)[there]).all()
    assert set(heights.source[there]) == {0, 1}


def test_where_no_layer_has_ground_the_worst_reason_is_told(tmp_path):
    # The first raster has a hole at the point; the second ends before it.
    holed = np.full((3, 3), 10.0)
    holed[1, 1] = np.nan
    paths = [
        write(tmp_path / "a.tif", holed, grid(1, -1)),
        write(tmp_path / "b.tif", np.full((3, 3), 9.0), grid(0.1, -0.1)),
    ]
    heights = ground(*paths).heights(EAST + np.array([1.5, 40.0]), NORTH - np.array([1.5, 1.5]))
    assert heights.source.tolist() == [surfaces.HOLE, surfaces.OUTSIDE]


def _zones(folder):
    """Two tiles about 93 W on the 45th parallel, the first in zone 15, the second in 16: (paths, arrays, grids)."""
    west, north = Transformer.from_crs(WORK, "EPSG:32616", always_xy=True).transform(735_000.0, 4_986_000.0)
    grids = [Affine(2, 0, 735_000 - 60, 0, -2, 4_986_000 + 40), Affine(3, 0, west - 20, 0, -3, north + 70)]
    arrays = [rough(50, 45, seed=1), rough(40, 40, seed=2) + 30]
    arrays[0][20:24, 25:40] = np.nan
    paths = [
        write(folder / f"zone{15 + i}.tif", arrays[i], grids[i], crs=f"EPSG:{32615 + i}", blockysize=8)
        for i in range(2)
    ]
    return paths, arrays, grids


@pytest.mark.parametrize("work", [WORK, "EPSG:32616", "EPSG:4326", "EPSG:26993"])
@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_across_a_zone_seam_points_go_to_each_tile_and_the_earlier_wins(tmp_path, order, work):
    paths, arrays, grids = _zones(tmp_path)
    x, y = scattered(grid(2, -2, 735_000 - 70, 4_986_000 + 50), (60, 100), 5000)
    wx, wy = Transformer.from_crs(WORK, work, always_xy=True).transform(x, y)
    single = []
    for i in order:
        there = Transformer.from_crs(work, f"EPSG:{32615 + i}", always_xy=True).transform(wx, wy)
        single.append(scipy_heights(arrays[i], grids[i], *there))
    assert (np.isfinite(single[0]) & np.isfinite(single[1])).sum() > 100
    assert (np.isnan(single[0]) & np.isfinite(single[1])).sum() > 100
    heights = ground(*(paths[i] for i in order), work=work).heights(wx, wy)
    assert_heights(heights, np.where(np.isnan(single[0]), single[1], single[0]))


def test_a_tile_of_the_next_zone_is_gdals_warp_of_it(tmp_path):
    r, c = np.mgrid[:40, :50]
    values = 100 + 0.08 * c - 0.05 * r + 0.3 * np.sin(c / 5) * np.cos(r / 7)
    transform = Affine(2, 0, 262_000, 0, -2, 4_990_000)
    path = write(tmp_path / "next.tif", values, transform, crs="EPSG:32616")
    left, top = Transformer.from_crs("EPSG:32616", WORK, always_xy=True).transform(262_050, 4_989_960)
    target = Affine(0.7, 0, left - 15, 0, -0.7, top + 15)
    x, y = on_grid(target, *(v.ravel() for v in np.meshgrid(np.arange(44) + 0.5, np.arange(44) + 0.5)))
    expected = gdal_heights(path, target, (44, 44)).ravel()
    assert np.isfinite(expected).all()
    assert_heights(ground(path).heights(x, y), expected)


def test_a_tile_in_feet_of_easting_is_met_by_points_in_metres(tmp_path):
    # EPSG:2276 is in US survey feet: at an easting of 2,000,000 ft international feet would be 4 ft off.
    values, transform = rough(20, 25), Affine(5, 0, 2_000_000, 0, -5, 7_000_000)
    path = write(tmp_path / "feet.tif", values, transform, crs="EPSG:2276")
    x, y = scattered(transform, values.shape, 1000)
    wx, wy = Transformer.from_crs("EPSG:2276", "EPSG:32614", always_xy=True).transform(x, y)
    x, y = Transformer.from_crs("EPSG:32614", "EPSG:2276", always_xy=True).transform(wx, wy)
    assert_heights(ground(path, work="EPSG:32614").heights(wx, wy), scipy_heights(values, transform, x, y))


def test_a_raster_in_degrees_takes_longitude_before_latitude(tmp_path):
    # Cells of 0.001 degree at 93 W 45 N; EPSG:4326 itself names latitude first.
    values, transform = rough(20, 25), Affine(0.001, 0, -93.0, 0, -0.001, 45.0)
    path = write(tmp_path / "degrees.tif", values, transform, crs="EPSG:4326")
    wx, wy = Transformer.from_crs("EPSG:4326", WORK, always_xy=True).transform(-92.9935, 44.9875)
    found = ground(path).heights(np.array([wx]), np.array([wy])).z
    assert found == pytest.approx([values[12, 6]], abs=1e-4)


def test_a_tile_of_another_lattice_between_two_of_one_keeps_its_place_in_the_list(tmp_path):
    # 10 | 30 are halves of one grid, 20 lies over the seam on another; the list says 10, 20, 30.
    west = write(tmp_path / "a1.tif", np.full((4, 4), 10.0), grid(1, -1))
    over = write(tmp_path / "b.tif", np.full((4, 4), 20.0), grid(0.5, -0.5, EAST + 3.25, NORTH - 0.75))
    east = write(tmp_path / "a2.tif", np.full((4, 4), 30.0), grid(1, -1, EAST + 4))
    x = EAST + np.array([2.0, 3.5, 3.75, 4.0, 4.75, 6.0])
    assert ground(west, over, east).heights(x, np.full(6, NORTH - 1.5)).z.tolist() == [10, 10, 20, 20, 20, 30]
    # Off the third tile the seam of the two halves has no gap.
    assert ground(west, over, east).heights(x[3:4], np.array([NORTH - 3.0])).z.tolist() == [20.0]


def _random_list(seed):
    """Up to seven tiles of three lattices (one shifted by half a cell, one coarser), lapping, with holes."""
    random = np.random.default_rng(seed)
    lattices = [grid(1, -1), grid(1, -1, EAST + 0.5, NORTH + 0.5), grid(1.7, -1.3, EAST + 0.2)]
    for i in range(random.integers(3, 8)):
        which = int(random.integers(3))
        column, row = random.integers(0, 10, 2).tolist()
        w, h = random.integers(3, 9, 2).tolist()
        whole = np.full((20, 20), np.nan)
        whole[row : row + h, column : column + w] = 100 + 10 * i + random.uniform(0, 5, (h, w))
        whole[random.random(whole.shape) < 0.1] = np.nan
        yield which, lattices[which], whole, (column, column + w), (row, row + h)


def _by_brute_force(tiles, x, y):
    """Down the list: the tile joined to the earlier ones of its own lattice, earlier cells first, where it answers."""
    z = np.full(len(x), np.nan)
    for k, (which, lattice, *_) in enumerate(tiles):
        joined = first_of([whole for other, _, whole, *_ in tiles[: k + 1] if other == which])
        z = np.where(np.isnan(z), scipy_heights(joined, lattice, x, y), z)
    return z


@pytest.mark.parametrize("seed", range(40))
def test_any_list_of_lapping_tiles_is_answered_as_by_walking_down_it(tmp_path, seed):
    tiles = list(_random_list(seed))
    paths = [
        piece(tmp_path / f"{k}.tif", whole, lattice, columns, rows, flip_y=k % 2 == 1, blockysize=2)
        for k, (_, lattice, whole, columns, rows) in enumerate(tiles)
    ]
    x, y = scattered(grid(1, -1), (18, 18), 3000, seed)
    assert_heights(ground(*paths).heights(x, y), _by_brute_force(tiles, x, y))


def test_a_list_of_lapping_tiles_does_not_mind_the_order_of_the_points(tmp_path):
    paths, _ = _overlapping(tmp_path)
    x, y = scattered(grid(), (24, 30), 2000)
    order = np.random.default_rng(1).permutation(2000)
    straight, mixed = ground(*paths).heights(x, y), ground(*paths).heights(x[order], y[order])
    assert mixed.z.tobytes() == straight.z[order].tobytes()
    assert mixed.source.tolist() == straight.source[order].tolist()


def test_a_block_is_read_once_although_points_lie_on_both_sides_of_a_seam(tmp_path, monkeypatch):
    values = rough(32, 64)
    options = {"tiled": True, "blockxsize": 16, "blockysize": 16}
    paths = [piece(tmp_path / f"{a}.tif", values, grid(), (a, b), (0, 32), **options) for a, b in [(0, 32), (32, 64)]]
    seen, handle = [], blocks._handle

    class Counted:
        def __init__(self, data):
            self.data = data

        def read(self, band, window):
            seen.append((self.data.name[-6:], window.col_off, window.row_off))
            return self.data.read(band, window=window)

    monkeypatch.setattr(blocks, "_handle", lambda tile: Counted(handle(tile)))
    # From the last column of the west tile to the first of the east one, up and down the seam.
    random = np.random.default_rng(5)
    ground(*paths).heights(*on_grid(grid(), random.uniform(31, 33, 400), random.uniform(1, 31, 400)))
    expected = {("/0.tif", 16, 0), ("/0.tif", 16, 16), ("32.tif", 0, 0), ("32.tif", 0, 16)}
    assert Counter(seen) == Counter(expected)


def test_an_unreadable_tile_is_told_apart_from_a_hole_in_it(tmp_path):
    values = rough(8, 20)
    paths = [
        piece(tmp_path / f"{a}.tif", values, grid(1, -1), (a, b), (0, 8), blockysize=1) for a, b in [(0, 10), (10, 20)]
    ]
    surface = ground(*paths)
    paths[1].unlink()
    heights = surface.heights(EAST + np.array([5.2, 9.9, 15.0]), np.full(3, NORTH - 4.0))
    assert heights.source.tolist() == [0, surfaces.UNREADABLE, surfaces.UNREADABLE]


def test_the_extent_of_a_mosaic_holds_every_point_with_ground(tmp_path):
    paths, _, _ = _zones(tmp_path)
    surface = ground(*paths, work="EPSG:26993")
    x, y = scattered(grid(2, -2, 735_000 - 70, 4_986_000 + 50), (60, 100), 2000)
    wx, wy = Transformer.from_crs(WORK, "EPSG:26993", always_xy=True).transform(x, y)
    there = np.isfinite(surface.heights(wx, wy).z)
    left, bottom, right, top = surface.extent.bounds
    assert there.sum() > 500
    assert ((wx[there] > left) & (wx[there] < right) & (wy[there] > bottom) & (wy[there] < top)).all()


def test_tiles_whose_corners_are_off_by_rounding_are_still_one_raster(tmp_path):
    # A corner written with millimetres on cells of 1/3 m: off by less than a thousandth of a cell.
    values, cell = rough(6, 12), 1 / 3
    west = write(tmp_path / "w.tif", values[:, :7], grid(cell, -cell))
    east = write(tmp_path / "e.tif", values[:, 7:], grid(cell, -cell, EAST + round(7 * cell, 4)))
    heights = ground(west, east).heights(EAST + np.array([7 * cell]), np.array([NORTH - 1.0]))
    assert heights.z == pytest.approx([values[2:4, 6:8].mean()], abs=0.01)


def test_tiles_of_a_grid_shifted_by_a_tenth_of_a_cell_are_not_joined(tmp_path):
    values = np.full((6, 12), 10.0)
    west = write(tmp_path / "w.tif", values[:, :7], grid(1, -1))
    east = write(tmp_path / "e.tif", values[:, 7:], grid(1, -1, EAST + 7.1))
    heights = ground(west, east).heights(EAST + np.array([7.0]), np.array([NORTH - 3.0]))
    assert np.isnan(heights.z).all()


def test_a_mosaic_of_no_tiles_and_no_points_is_nothing():
    surface = join([])
    assert len(surface.heights(np.zeros(0), np.zeros(0))) == 0
    assert np.isnan(surface.heights(np.zeros(2), np.zeros(2)).z).all()
    assert surface.extent.is_empty


# --- The way from one system to another: published points, PROJ itself ---


def test_the_way_meets_the_published_points_of_the_epsg_guidance_note():
    # IOGP 373-7-2, worked examples: Transverse Mercator (British National Grid) to 0.01 m ...
    british = reference.Path.between(CRS.from_epsg(4277), CRS.from_epsg(27700))
    x, y = british.there(np.array([0.5]), np.array([50.5]))
    assert (x[0], y[0]) == pytest.approx((577_274.99, 69_740.50), abs=0.02)
    # ... and Lambert Conic Conformal (Texas South Central, US survey feet).
    texas = reference.Path.between(CRS.from_epsg(4267), CRS.from_epsg(32040))
    x, y = texas.there(np.array([-96.0]), np.array([28.5]))
    assert (x[0], y[0]) == pytest.approx((2_963_503.91, 254_759.80), abs=0.01)


def test_the_way_back_undoes_the_way_there():
    way = reference.Path.between(CRS.from_epsg(32615), CRS.from_epsg(4326))
    x, y = np.array([431_000.0, 735_000.0]), np.array([4_990_000.0, 4_100_000.0])
    there = way.there(x, y)
    assert -96 < there[0][0] < -90
    back = way.back(*there)
    assert np.hypot(back[0] - x, back[1] - y).max() < 1e-6


def test_the_way_within_one_system_changes_no_bit_and_needs_no_proj():
    same = reference.Path.between(CRS.from_epsg(4326), CRS.from_user_input("OGC:CRS84"))
    x, y = np.array([-93.1]), np.array([44.9])
    found = same.there(x, y)
    assert (found[0].tobytes(), found[1].tobytes()) == (x.tobytes(), y.tobytes())


def test_the_way_can_be_sent_to_another_process():
    way = reference.Path.between(CRS.from_epsg(32615), CRS.from_epsg(32616))
    x, y = np.array([735_000.0]), np.array([4_986_000.0])
    assert pickle.loads(pickle.dumps(way)).there(x, y)[0].tolist() == way.there(x, y)[0].tolist()


def test_a_point_that_has_no_place_in_the_other_system_is_infinite_and_so_outside(tmp_path):
    surface = ground(write(tmp_path / "a.tif", rough(4, 5), grid()), work="EPSG:4326")
    heights = surface.heights(np.array([0.0, 500.0]), np.array([90.0, 95.0]))
    assert np.isnan(heights.z).all()
    assert heights.source.tolist() == [surfaces.OUTSIDE] * 2


@pytest.mark.parametrize(
    ("source", "target", "x", "y"),
    [
        ("EPSG:4284", "EPSG:4269", 30.0, 60.0),  # PROJ chooses among seven, all ballpark
        ("EPSG:4008", "EPSG:4326", -96.0, 30.0),  # PROJ knows one, and it is ballpark
        ("+proj=utm +zone=15 +ellps=clrk66 +type=crs", "EPSG:32615", 5e5, 4e6),
    ],
)
def test_a_change_of_datum_that_proj_only_guesses_at_is_refused(source, target, x, y):
    systems = CRS.from_user_input(source), CRS.from_user_input(target)
    used = Transformer.from_crs(*systems, always_xy=True)
    used.transform(x, y)
    described = used.description
    if described.startswith("unavailable"):
        described = used.get_last_used_operation().description
    assert "Ballpark" in described
    trouble = reference.Path.between(*systems).trouble(np.array([x]), np.array([y]))
    assert trouble is not None
    assert "PROJ only guesses (ballpark)" in trouble[0]


def test_between_realisations_of_one_frame_a_guess_is_said_and_taken():
    way = reference.Path.between(CRS.from_epsg(26915), CRS.from_epsg(6344))  # NAD83 to NAD83(2011), without the grids
    at = np.array([5e5]), np.array([4.6e6])
    assert way.trouble(*at) is None
    assert "ballpark change of datum (no shift applied" in way.caveat(*at)


def test_a_change_of_datum_for_which_a_grid_is_lacking_is_refused_with_its_name():
    way = reference.Path.between(CRS.from_epsg(26715), CRS.from_epsg(26915))  # NAD27 to NAD83
    what, mend = way.trouble(np.array([5e5]), np.array([4.6e6]))
    assert "the accuracy is 11 m, for want of a grid" in what
    assert "us_noaa_nadcon5_nad27_nad83_1986_conus.tif" in mend


@pytest.mark.parametrize("code", [9000, 9057])  # ITRF2014, WGS 84 (G1762)
def test_a_frame_that_moves_with_time_is_refused_without_an_epoch(code):
    here = np.array([-93.0]), np.array([41.5])
    what, _ = reference.Path.between(CRS.from_epsg(code), CRS.from_epsg(6344)).trouble(*here)
    assert "depend on their epoch, which is not known" in what
    same = reference.Path.between(CRS.from_epsg(code), CRS.from_epsg(code))
    assert same.trouble(*here) is None


def test_a_change_of_datum_that_proj_knows_is_told_with_its_accuracy_where_that_is_metres():
    at = np.array([5e5]), np.array([4e6])
    far = reference.Path.between(CRS.from_epsg(26915), CRS.from_epsg(32615)).caveat(*at)
    assert "with an accuracy of 4 m" in far  # EPSG's own figure of NAD83 to WGS 84 (1)
    assert reference.Path.between(CRS.from_epsg(25832), CRS.from_epsg(32632)).caveat(*at) == ""  # 1 m
    assert reference.Path.between(CRS.from_epsg(32615), CRS.from_epsg(32615)).caveat(np.zeros(1), np.zeros(1)) == ""


# --- Which files a plan names, and in what order ---


def _touch(folder, *names):
    for name in names:
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(b"")


def test_files_are_found_in_the_order_given_and_by_name_within_a_folder_or_pattern(tmp_path):
    _touch(tmp_path, "b/2.tif", "b/10.TIF", "b/1.vrt", "b/notes.txt", "b/1.tif.msk", "a/z.tif", "a/y.tif", "last.asc")
    found = find(("b", "a/*.tif", "last.asc"), tmp_path, "before.raster")
    assert [shown for _, shown in found] == ["b/1.vrt", "b/10.TIF", "b/2.tif", "a/y.tif", "a/z.tif", "last.asc"]
    assert [path for path, _ in found] == [tmp_path / shown for _, shown in found]


def test_a_file_named_twice_counts_where_it_is_named_first(tmp_path):
    _touch(tmp_path, "a/1.tif", "a/2.tif", "a/3.tif")
    found = find(("a/2.tif", "a", "a/*.tif"), tmp_path, "before.raster")
    assert [shown for _, shown in found] == ["a/2.tif", "a/1.tif", "a/3.tif"]


def test_a_name_with_brackets_is_a_file_before_it_is_a_pattern(tmp_path):
    _touch(tmp_path, "ground [1].tif", "ground 1.tif")
    assert [shown for _, shown in find(("ground [1].tif",), tmp_path, "x")] == ["ground [1].tif"]


def test_every_name_that_leads_nowhere_is_told_in_one_error(tmp_path):
    _touch(tmp_path, "a/1.tif", "empty/readme.txt")
    with pytest.raises(InputError) as caught:
        find(("a/1.tif", "gone.tif", "empty", "none/*.tif"), tmp_path, "after.raster")
    told = [str(f) for f in caught.value.findings]
    assert len(told) == 3
    assert all("after.raster" in line for line in told)
    assert ["gone.tif" in told[0], "empty" in told[1], "none/*.tif" in told[2]] == [True] * 3


def test_one_tile_shows_what_the_file_says_of_itself(tmp_path):
    path = write(tmp_path / "a.tif", rough(4, 5), grid(2, 3), unit="ft", nodata=-1.0)
    found = tile(path, unit=None)
    with rasterio.open(path) as data:
        assert (found.width, found.height, found.nodata) == (data.width, data.height, -1.0)
        assert data.transform.e == 3
    assert (found.unit, found.to_metres, found.flip_x, found.flip_y) == ("ft", 0.3048, False, True)
    # A file from south to north: its first row is the last of a north-up one, 4 rows of 3 m higher.
    assert tuple(found.grid)[:6] == (2.0, 0.0, EAST, 0.0, -3.0, NORTH + 12)
