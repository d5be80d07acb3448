"""Triangulated ground: which triangle answers, what it says, where there is none; and what is wrong with a mesh.

Small meshes are checked by head. Heights in slivers are judged by exact fractions, boxes in cells by looking at
every one of them, overlaps by Shapely's hull of the differences of corners (Minkowski), a different way to them.
"""

from fractions import Fraction

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from pyproj import CRS, Transformer
from scipy.spatial import Delaunay

from gradecheck import surfaces
from gradecheck.reference import Path
from gradecheck.roads import cells, mesh
from gradecheck.roads.cells import Cells
from gradecheck.roads.mesh import Mesh, faults
from gradecheck.surfaces import tin as tin_module
from gradecheck.surfaces.tin import Tin
from tests.rasters import EAST, NORTH, WORK

SD = 0.07
DATUM = 300.0


def plane(x, y):
    """The plane of tests/test_surface_contract.py."""
    return DATUM + 0.013 * (np.asarray(x) - EAST) - 0.0072 * (np.asarray(y) - NORTH)


def made(xyz, corners, name="") -> Mesh:
    """A mesh of vertices given relative to (EAST, NORTH)."""
    x, y, z = np.asarray(xyz, dtype=float).reshape(-1, 3).T
    return Mesh(name, x + EAST, y + NORTH, z.copy(), np.asarray(corners, dtype=np.int64).reshape(-1, 3))


def tin(ground: Mesh, work=WORK, crs=WORK, to_metres=1.0) -> Tin:
    path = Path.between(CRS.from_user_input(work), CRS.from_user_input(crs))
    return Tin(ground, path, to_metres, SD, "design.xml: FG")


def asked(ground: Mesh, *points):
    """Heights at points given relative to (EAST, NORTH)."""
    x, y = np.array(points, dtype=float).reshape(-1, 2).T
    return tin(ground).heights(x + EAST, y + NORTH)


def delaunay(x, y, z) -> Mesh:
    triangles = Delaunay(np.stack([x - x.mean(), y - y.mean()], axis=1)).simplices
    return Mesh("", x, y, z, triangles.astype(np.int64))


def planar_tin(folder):
    """For tests/test_surface_contract.py: 61 corners without order over the plane, in feet, turned by 33 degrees."""
    random = np.random.default_rng(11)
    u, v = (
        np.append(random.uniform(-30, 30, 57), [-38, 38, 38, -38]),
        np.append(random.uniform(-30, 30, 57), [-38, -38, 38, 38]),
    )
    angle = np.radians(33)
    x = EAST + 20 + u * np.cos(angle) - v * np.sin(angle)
    y = NORTH - 20 + u * np.sin(angle) + v * np.cos(angle)
    return tin(delaunay(x, y, plane(x, y) / 0.3048), to_metres=0.3048)


# A square of 10 m in two triangles: 100 m along its west side, 101 m in the south-east, 103 m in the north-east.
SQUARE = [(0, 0, 100), (10, 0, 101), (10, 10, 103), (0, 10, 100)]
HALVES = [(0, 1, 2), (2, 0, 3)]


def test_the_plane_over_the_triangle_that_holds_the_point_answers():
    heights = asked(made(SQUARE, HALVES), (8, 2), (2, 8), (5, 0), (10, 5))
    # South-east half: 0.1 m for each metre east, 0.2 for each metre north; north-west half: 0.3 for each metre east.
    assert heights.z == pytest.approx([101.2, 100.6, 100.5, 102.0], abs=1e-12)
    assert heights.sd.tolist() == [SD] * 4
    assert surfaces.words(heights.source, heights.names) == ["design.xml: FG"] * 4


def test_corners_and_sides_shared_or_not_are_ground():
    heights = asked(made(SQUARE, HALVES), (0, 0), (10, 0), (10, 10), (0, 10), (5, 5), (0, 5), (7, 10))
    assert heights.z == pytest.approx([100, 101, 103, 100, 101.5, 100, 102.1], abs=1e-12)


def test_which_way_a_triangle_turns_is_of_no_account():
    clockwise = made(SQUARE, [(2, 1, 0), (0, 2, 3)])
    points = [(8, 2), (2, 8), (5, 5), (11, 2)]
    assert asked(clockwise, *points).z == pytest.approx(asked(made(SQUARE, HALVES), *points).z, nan_ok=True)


def test_beyond_the_triangles_there_is_no_ground():
    heights = asked(made(SQUARE, HALVES[:1]), (-1, 5), (2, 8), (10.001, 5), (1e6, -1e6))
    assert np.isnan(heights.z).all()
    assert set(heights.source) == {surfaces.OUTSIDE}


def test_heights_in_feet_are_told_in_metres():
    x, y = np.array([EAST + 8]), np.array([NORTH + 2])
    assert tin(made(SQUARE, HALVES), to_metres=0.3048).heights(x, y).z == pytest.approx([101.2 * 0.3048], abs=1e-12)


def test_where_triangles_overlap_the_first_in_the_file_answers():
    # Five squares one over the other, 10 m apart and each shifted by 1 m to the east.
    stack = np.concatenate([np.add(SQUARE, [i, 0, 10 * i]) for i in range(5)])
    numbers = np.concatenate([np.array(HALVES) + 4 * i for i in range(5)])
    points = [(0.5, 5), (5, 5), (10.5, 5), (13.5, 5)]
    assert asked(made(stack, numbers), *points).z // 10 == pytest.approx([10, 10, 11, 14])
    assert asked(made(stack, numbers[::-1]), *points).z // 10 == pytest.approx([10, 14, 14, 14])


def test_on_a_step_between_two_triangles_the_first_in_the_file_answers():
    # A curb face stands on x = 10: the triangles on either side of it have corners at two heights there.
    curb = [(0, 0, 100), (10, 0, 100), (10, 10, 100), (10, 0, 100.15), (10, 10, 100.15), (20, 0, 100.15)]
    low, face, high = (0, 1, 2), (1, 3, 4), (3, 5, 4)
    assert asked(made(curb, [low, face, high]), (10, 5), (9.99, 5), (10.01, 5)).z == pytest.approx([100, 100, 100.15])
    assert asked(made(curb, [face, high, low]), (10, 5)).z == pytest.approx([100.15])


def ring(holes=((4, 6),), size=10):
    """Squares of 1 m over a square of 10, without those whose column and row both lie in one of `holes`."""
    c, r = (v.ravel() for v in np.meshgrid(np.arange(size + 1), np.arange(size + 1)))
    column, row = (v.ravel() for v in np.meshgrid(np.arange(size), np.arange(size)))
    kept = ~np.any([(column >= a) & (column < b) & (row >= a) & (row < b) for a, b in holes], axis=0)
    south_west = (row * (size + 1) + column)[kept]
    quads = south_west[:, None] + [0, 1, size + 2, size + 1]
    return made(np.stack([c, r, 100 + c], axis=1), np.concatenate([quads[:, :3], quads[:, [2, 3, 0]]]))


def loose(ground: Mesh) -> Mesh:
    """The same triangles, each with corners of its own."""
    x, y, z = (v[ground.corners].ravel() for v in (ground.x, ground.y, ground.z))
    return Mesh("", x, y, z, np.arange(len(x)).reshape(-1, 3))


@pytest.mark.parametrize("kind", [lambda m: m, loose])
def test_a_void_that_triangles_enclose_is_a_hole_and_a_bay_is_outside(kind):
    heights = asked(kind(ring()), (5, 5), (4.01, 4.01), (4, 5), (3.5, 5), (10.5, 5))
    assert heights.source.tolist() == [surfaces.HOLE, surfaces.HOLE, 0, 0, surfaces.OUTSIDE]
    # A corner of the square cut out: its rim is part of the outer rim.
    heights = asked(kind(ring([(7, 10)])), (8.5, 8.5), (6.5, 8.5))
    assert heights.source.tolist() == [surfaces.OUTSIDE, 0]


def test_an_island_in_a_hole_is_ground_and_the_water_around_it_a_hole():
    lake = ring([(2, 8)])
    island = Mesh("", lake.x, lake.y, lake.z, np.append(lake.corners, [[4 * 11 + 4, 4 * 11 + 5, 5 * 11 + 5]], axis=0))
    assert asked(island, (4.9, 4.1), (4.1, 4.9), (3, 7)).source.tolist() == [0, surfaces.HOLE, surfaces.HOLE]


def test_two_holes_that_touch_in_a_corner_are_holes():
    heights = asked(ring([(2, 5), (5, 8)]), (3, 3), (6, 6), (6, 3), (3, 6))
    assert heights.source.tolist() == [surfaces.HOLE, surfaces.HOLE, 0, 0]


def test_two_arms_laid_over_one_another_enclose_a_hole_too():
    # Two angles of squares, without a common corner; they overlap where they cross.
    upper = [(a, b) for a, b in [(0, 8), (1, 8), (2, 8), (0, 7), (0, 6), (0, 5), (0, 4), (0, 3), (0, 2), (0, 1)]]
    lower = [(x + 0.4, 1.4) for x in range(9)] + [(8.4, y + 0.4) for y in range(1, 9)]
    across = [(x + 0.3, 8.3) for x in range(2, 9)]
    squares = np.array(upper + lower + across, dtype=float)
    x, y = squares[:, 0, None] + [0, 1, 1, 0], squares[:, 1, None] + [0, 0, 1, 1]
    quads = np.arange(4 * len(squares)).reshape(-1, 4)
    ground = made(np.stack([x, y, 0 * x + 100], axis=2), np.concatenate([quads[:, :3], quads[:, [2, 3, 0]]]))
    assert asked(ground, (5, 5), (0.5, 5), (11, 5)).source.tolist() == [surfaces.HOLE, 0, surfaces.OUTSIDE]


def test_a_rim_too_ragged_to_look_around_encloses_nothing(monkeypatch):
    monkeypatch.setattr(tin_module, "_RIM", 47)
    assert asked(ring(), (5, 5)).source.tolist() == [surfaces.OUTSIDE]
    monkeypatch.setattr(tin_module, "_RIM", 48)
    assert asked(ring(), (5, 5)).source.tolist() == [surfaces.HOLE]


def test_a_triangle_with_a_corner_that_is_no_number_is_no_ground():
    for column, value in ((0, np.nan), (1, np.inf), (2, np.nan), (2, -np.inf)):
        corners = np.array(SQUARE, dtype=float)
        corners[1, column] = value
        heights = asked(made(corners, HALVES), (8, 2), (2, 8))
        assert heights.z == pytest.approx([np.nan, 100.6], nan_ok=True)


def test_triangles_without_area_are_no_ground_and_no_crack():
    # The second is in line, the third has a corner twice, the fourth is a face that stands on the diagonal.
    corners = [*SQUARE, (5, 5, 150), (10, 10, 120)]
    heights = asked(made(corners, [(0, 4, 2), (0, 0, 2), (0, 2, 5), *HALVES]), (5, 5), (8, 8), (8, 2))
    assert heights.z == pytest.approx([101.5, 102.4, 101.2])


@pytest.mark.parametrize("z", [-9999.0, -500.1, 9000.1, 1e30])
def test_a_triangle_with_a_corner_of_no_elevation_on_earth_says_so_everywhere(z):
    corners = np.array(SQUARE, dtype=float)
    corners[1, 2] = z
    heights = asked(made(corners, HALVES), (8, 2), (1, 0.5), (2, 8))
    assert heights.z == pytest.approx([np.nan, np.nan, 100.6], nan_ok=True)
    assert heights.source.tolist() == [surfaces.OUT_OF_RANGE, surfaces.OUT_OF_RANGE, 0]


def test_the_lowest_and_the_highest_ground_are_still_ground():
    heights = asked(made([(0, 0, -500), (10, 0, 9000), (0, 10, 9000)], [(0, 1, 2)]), (0, 0), (10, 0))
    assert heights.z.tolist() == [-500.0, 9000.0]


@pytest.mark.parametrize("corners", [[], [(0, 0, 1), (0, 1, 1)]])
def test_a_mesh_without_ground_is_an_empty_surface(corners):
    ground = tin(made(SQUARE, corners))
    heights = ground.heights(np.array([EAST, EAST + 5]), np.array([NORTH, NORTH + 5]))
    assert heights.source.tolist() == [surfaces.OUTSIDE] * 2
    assert ground.extent.is_empty
    assert len(ground.heights(np.zeros(0), np.zeros(0))) == 0


def test_a_mesh_without_vertices_is_an_empty_surface():
    assert asked(made([], []), (0, 0)).source.tolist() == [surfaces.OUTSIDE]
    assert not faults(made([], []))


def test_points_that_are_no_numbers_have_no_ground():
    heights = asked(made(SQUARE, HALVES), (np.nan, 5), (np.inf, 5), (5, -np.inf), (5, 5))
    assert np.isfinite(heights.z).tolist() == [False, False, False, True]


def along_sides(ground: Mesh, each: int, seed: int):
    """Points on all sides of all triangles, as near to them as numbers go; corners included."""
    t = np.concatenate([[0.0, 1.0], np.random.default_rng(seed).uniform(0, 1, each)])
    a, b = ground.corners.ravel(), ground.corners[:, [1, 2, 0]].ravel()
    return tuple((v[a, None] + t * (v[b] - v[a])[:, None]).ravel() for v in (ground.x, ground.y))


@pytest.mark.parametrize("size", [0.05, 1.0, 300.0])
@pytest.mark.parametrize("east", [0.0, 1e6, 8.3e6])
def test_no_point_falls_between_two_triangles(size, east):
    random = np.random.default_rng(21)
    x, y = east + size * random.uniform(-5, 5, 400), 2 * east + size * random.uniform(-5, 5, 400)
    ground = delaunay(x, y, DATUM + 0.02 * (x - east) - 0.05 * (y - 2 * east))
    px, py = along_sides(ground, 20, 5)
    z = tin(ground).heights(px, py).z
    assert np.abs(z - (DATUM + 0.02 * (px - east) - 0.05 * (py - 2 * east))).max() < 1e-9


def fan(count, length, width, turned=33.0):
    """Slivers side by side from one corner: `count` of them, of a length, over a front of a width; plane."""
    angle = np.radians(turned)
    u = np.append(0.0, np.full(count + 1, length))
    v = np.append(0.0, np.linspace(-width / 2, width / 2, count + 1))
    x, y = EAST + u * np.cos(angle) - v * np.sin(angle), NORTH + u * np.sin(angle) + v * np.cos(angle)
    first = np.arange(1, count + 1)
    return Mesh("", x, y, plane(x, y), np.stack([0 * first, first, first + 1], axis=1))


@pytest.mark.parametrize("width", [1e-4, 1e-2, 5.0])
def test_no_point_falls_between_slivers_and_their_plane_is_kept(width):
    ground = fan(50, 800.0, width)
    assert ground.widths().max() < 0.11
    x, y = along_sides(ground, 50, 6)
    assert np.abs(tin(ground).heights(x, y).z - plane(x, y)).max() < 1e-9
    random = np.random.default_rng(8)
    share = random.dirichlet([1, 1, 1], 5000)
    row = ground.corners[random.integers(0, 50, 5000)]
    x, y = (share * ground.x[row]).sum(axis=1), (share * ground.y[row]).sum(axis=1)
    assert np.abs(tin(ground).heights(x, y).z - plane(x, y)).max() < 1e-9


def exact_height(corners, x, y):
    """The plane through three corners in fractions; None outside the triangle."""
    (x0, y0, z0), (x1, y1, z1), (x2, y2, z2) = [[Fraction(v) for v in c] for c in corners]
    px, py = Fraction(x) - x0, Fraction(y) - y0
    whole = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
    b, c = (px * (y2 - y0) - py * (x2 - x0)) / whole, ((x1 - x0) * py - (y1 - y0) * px) / whole
    return None if min(b, c, 1 - b - c) < 0 else float(z0 + b * (z1 - z0) + c * (z2 - z0))


def test_a_sliver_of_half_a_micrometre_has_the_height_that_fractions_give():
    # 1 km long with 3 m between the heights of its ends: plain arithmetic would be metres out.
    ends = [(EAST, NORTH, 300.0), (EAST + 876.5, NORTH + 481.25, 303.0), (EAST + 438.25, NORTH + 240.6250005, 301.0)]
    ground = Mesh("", *(np.array(v) for v in zip(*ends, strict=True)), np.array([[0, 1, 2]]))
    assert 4e-7 < ground.widths()[0] < 5e-7
    share = np.random.default_rng(4).dirichlet([1, 1, 1], 400)
    x, y = share @ ground.x, share @ ground.y
    z = tin(ground).heights(x, y).z
    judged = [exact_height(ends, a, b) for a, b in zip(x, y, strict=True)]
    inside = np.array([j is not None for j in judged])
    assert inside.sum() > 380
    assert np.abs(z[inside] - [j for j in judged if j is not None]).max() < 1e-9
    # Those that rounding put beside it are as near as can be told: on the nearest side, between its ends.
    assert ((z >= 300) & (z <= 303)).all()


def test_a_sliver_thinner_than_coordinates_can_tell_neither_answers_nor_leaves_a_crack():
    # Its middle corner is 5 nm off the line; it is first in the file and 50 m too high.
    corners = [(0, 0, 100), (10, 0, 100), (5, 5e-9, 150), (5, 5, 100), (5, -5, 100)]
    ground = made(corners, [(0, 1, 2), (0, 2, 3), (1, 2, 3), (0, 1, 4)])
    assert asked(ground, (2.5, 0), (2.5, 1e-9), (5, -1), (7.5, 2e-9)).z.max() < 100 + 50 * 1.01 / 2
    assert faults(ground).flat.tolist() == [0]
    assert np.isfinite(asked(ground, *((x, y) for x in np.linspace(0, 10, 101) for y in (0, 1e-9, 2e-9))).z).all()


@pytest.mark.parametrize("crs", ["EPSG:26915", "EPSG:3418", "EPSG:4326", "EPSG:5070"])
def test_a_mesh_in_another_system_is_ground_up_to_its_outer_sides(crs):
    # UTM of another datum, state plane in US survey feet, degrees, an equal-area system of the whole country.
    random = np.random.default_rng(13)
    x, y = Transformer.from_crs(WORK, crs, always_xy=True).transform(
        EAST + random.uniform(0, 3000, 300), NORTH + random.uniform(0, 2000, 300)
    )
    ground = delaunay(x, y, 300 + 50 * (x - x.mean()) / np.ptp(x))
    surface = tin(ground, WORK, crs)
    px, py = along_sides(ground, 10, 3)
    back = Transformer.from_crs(WORK, crs, always_xy=True).transform(px, py, direction="INVERSE")
    heights = surface.heights(*back)
    assert np.abs(heights.z - (300 + 50 * (px - x.mean()) / np.ptp(x))).max() < 1e-8
    assert shapely.intersects_xy(surface.extent, *back).all()
    hull = shapely.convex_hull(shapely.multipoints(np.stack(back, axis=1)))
    assert surface.extent.area < 1.001 * hull.area


def test_a_mesh_that_cannot_be_taken_to_the_working_system_is_an_empty_surface():
    # Degrees of latitude beyond the poles.
    ground = Mesh(
        "", np.array([0.0, 1.0, 0.0]), np.array([500.0, 500.0, 501.0]), np.full(3, 300.0), np.array([[0, 1, 2]])
    )
    surface = tin(ground, WORK, "EPSG:4326")
    assert surface.extent.is_empty
    assert surface.heights(np.array([EAST]), np.array([NORTH])).source.tolist() == [surfaces.OUTSIDE]


@pytest.mark.parametrize("turned", [0, 33])
def test_the_extent_holds_all_ground_and_little_more(turned):
    ground = fan(7, 40.0, 30.0, turned)
    surface = tin(ground)
    x, y = along_sides(ground, 200, 2)
    assert np.isfinite(surface.heights(x, y).z).all()
    assert shapely.intersects_xy(surface.extent, x, y).all()
    assert surface.extent.area == pytest.approx(0.5 * 40 * 30, rel=1e-5)


def test_vertices_that_no_triangle_uses_do_not_widen_the_extent():
    far = made([*SQUARE, (5000, 5000, 100)], HALVES)
    assert tin(far).extent.area == pytest.approx(100, rel=1e-4)


def test_a_million_points_are_no_other_than_a_thousand_times_a_thousand():
    random = np.random.default_rng(17)
    x, y = EAST + random.uniform(0, 100, 500), NORTH + random.uniform(0, 100, 500)
    surface = tin(delaunay(x, y, plane(x, y)))
    px, py = EAST + random.uniform(-5, 105, 1_000_000), NORTH + random.uniform(-5, 105, 1_000_000)
    heights = surface.heights(px, py)
    assert 0.7e6 < np.isfinite(heights.z).sum() < 0.9e6
    assert np.nanmax(np.abs(heights.z - plane(px, py))) < 1e-9
    for start in range(0, 1_000_000, 101_000):
        few = slice(start, start + 1000)
        assert surface.heights(px[few], py[few]).z.tobytes() == heights.z[few].tobytes()


def test_the_size_of_the_pieces_does_not_change_a_bit(monkeypatch):
    random = np.random.default_rng(19)
    x, y = EAST + random.uniform(0, 100, 300), NORTH + random.uniform(0, 100, 300)
    ground = delaunay(x, y, random.uniform(200, 300, 300))
    twice = Mesh("", ground.x, ground.y, ground.z, np.concatenate([ground.corners[::3], ground.corners]))
    px, py = EAST + random.uniform(0, 100, 700), NORTH + random.uniform(0, 100, 700)
    whole, pairs = tin(twice).heights(px, py), faults(twice).overlaps
    monkeypatch.setattr(cells, "PIECE", 7)
    monkeypatch.setattr(tin_module, "_POINTS", 101)
    assert tin(twice).heights(px, py).z.tobytes() == whole.z.tobytes()
    assert faults(twice).overlaps.tolist() == pairs.tolist()
    assert len(pairs) == len(ground.corners[::3])


# --- what is wrong with a mesh


def test_a_sound_mesh_has_no_faults_and_nothing_is_said():
    found = faults(made(SQUARE, HALVES))
    assert not found
    assert found.complete
    assert found.said(made(SQUARE, HALVES)) == ()


def test_triangles_without_area_and_without_numbers_are_found_and_named_with_their_place():
    corners = [*SQUARE, (5, 5, 150), (10, 10, 120), (20, 20, np.nan)]
    ground = made(corners, [(0, 4, 2), HALVES[0], (0, 0, 2), HALVES[1], (0, 2, 5), (1, 2, 6), (3, 3, 3)])
    found = faults(ground)
    assert found
    assert found.flat.tolist() == [0, 2, 4, 6]
    assert found.unplaced.tolist() == [5]
    assert found.said(ground) == (
        "1 of 7 triangles with a corner without numbers, left out: 6 near (500015, 4600010)",
        "4 of 7 triangles without area in plan, left out: 1 near (500005, 4600005), 3 near (500005, 4600005), "
        "5 near (500005, 4600005), ...",
    )


def test_a_triangle_given_twice_overlaps_whichever_way_it_turns_and_whatever_its_corners_are_called():
    ground = made([*SQUARE, *SQUARE], [*HALVES, (2, 1, 0), (6, 7, 4)])
    assert faults(ground).overlaps.tolist() == [[0, 2], [1, 3]]
    assert faults(ground).said(ground) == (
        "2 pairs of 4 triangles overlap, the first in the file answers: 1 and 3 near (500005, 4600005), "
        "2 and 4 near (500005, 4600005)",
    )


def test_an_overlap_is_named_where_it_is_and_a_triangle_without_a_place_by_its_number():
    # A large triangle, a small one over its western corner, and one whose corner is nowhere.
    corners = [(0, 0, 1), (900, 0, 1), (0, 900, 1), (-1, 5, 1), (3, 5, 1), (1, 9, 1), (np.nan, 5, 1)]
    ground = made(corners, [(0, 1, 2), (3, 4, 5), (3, 4, 6)])
    assert faults(ground).said(ground) == (
        "1 of 3 triangles with a corner without numbers, left out: 3",
        "1 pair of 3 triangles overlap, the first in the file answers: 1 and 2 near (500001.5, 4600007)",
    )


def test_two_triangles_on_one_side_of_their_common_side_overlap_and_on_both_sides_do_not():
    corners = [(0, 0, 1), (10, 0, 1), (5, 8, 1), (4, 3, 1), (5, -3, 1)]
    assert faults(made(corners, [(0, 1, 2), (0, 1, 3)])).overlaps.tolist() == [[0, 1]]
    assert not faults(made(corners, [(0, 1, 2), (0, 1, 4)]))
    # A side used three times: whichever lie on the same side of it overlap.
    assert faults(made(corners, [(0, 1, 4), (0, 1, 2), (0, 1, 3)])).overlaps.tolist() == [[1, 2]]


def test_one_triangle_inside_another_and_a_star_of_two_overlap():
    inside = [(0, 0, 1), (100, 0, 1), (0, 100, 1), (10, 10, 1), (10.1, 10, 1), (10, 10.1, 1)]
    assert faults(made(inside, [(0, 1, 2), (3, 4, 5)])).overlaps.tolist() == [[0, 1]]
    # No corner of either lies in the other.
    star = [(0, 0, 1), (12, 0, 1), (6, 9, 1), (0, 6, 1), (12, 6, 1), (6, -3, 1)]
    assert faults(made(star, [(0, 1, 2), (3, 4, 5)])).overlaps.tolist() == [[0, 1]]


@pytest.mark.parametrize(("shift", "overlap"), [(0.0, False), (-0.0009, False), (-0.0011, True), (0.5, False)])
def test_an_overlap_is_one_from_a_millimetre_on(shift, overlap):
    # The second square stands to the east of the first, moved by `shift`.
    corners = np.concatenate([SQUARE, np.add(SQUARE, [10 + shift, 3, 0])])
    assert bool(faults(made(corners, np.concatenate([HALVES, np.array(HALVES) + 4])))) == overlap


def test_the_depth_of_an_overlap_that_counts_can_be_told():
    corners = np.concatenate([SQUARE, np.add(SQUARE, [9.5, 3, 0])])
    ground = made(corners, np.concatenate([HALVES, np.array(HALVES) + 4]))
    assert len(faults(ground, 0.49).overlaps) > 0
    assert len(faults(ground, 0.51).overlaps) == 0


def moved_free(a, b):
    """The least distance by which triangle a must be moved off b; 0 where they do not overlap."""
    differences = shapely.convex_hull(shapely.multipoints((b[:, None] - a[None]).reshape(-1, 2)))
    origin = shapely.Point(0, 0)
    return shapely.distance(differences.exterior, origin) if differences.contains(origin) else 0.0


def thickness(corners):
    """The least height of a triangle: twice its area over its longest side."""
    return 2 * shapely.Polygon(corners).area / max(np.hypot(*(corners[i] - corners[i - 1])) for i in range(3))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("depth", [1e-6, 0.3])
def test_overlaps_are_those_that_the_differences_of_corners_tell(seed, depth):
    random = np.random.default_rng(seed)
    size = np.exp(random.uniform(np.log(0.02), np.log(30), 60))
    corners = random.uniform(0, 30, (60, 1, 2)) + size[:, None, None] * random.uniform(-1, 1, (60, 3, 2))
    ground = made(np.dstack([corners, np.ones((60, 3))]), np.arange(180).reshape(60, 3))
    thick = [i for i in range(60) if thickness(corners[i]) > depth]
    judged = [[i, j] for i in thick for j in thick if i < j and moved_free(corners[i], corners[j]) > depth]
    assert faults(ground, depth).overlaps.tolist() == judged
    assert 15 < len(judged) < 0.2 * 60 * 59 / 2


@pytest.mark.parametrize("kind", [lambda m: m, loose])
@pytest.mark.parametrize("east", [0.0, 1e6, 8.3e6])
def test_neighbours_are_not_taken_for_overlaps(kind, east):
    random = np.random.default_rng(23)
    size = np.exp(random.uniform(np.log(0.01), np.log(300), 800))
    angle = random.uniform(0, 2 * np.pi, 800)
    x, y = east + size * np.cos(angle), 2 * east + size * np.sin(angle)
    ground = kind(delaunay(x, y, np.full(800, 300.0)))
    assert len(faults(ground).overlaps) == 0
    assert len(faults(ground, 0.0).overlaps) == 0


def test_a_stack_too_high_to_go_through_is_said_to_be_at_least_what_was_found(monkeypatch):
    ground = made(SQUARE, HALVES[:1] * 40)
    monkeypatch.setattr(mesh, "_LISTED", 100)
    monkeypatch.setattr(cells, "PIECE", 50)
    found = faults(ground)
    assert found
    assert not found.complete
    assert 100 < len(found.overlaps) <= 40 * 39 / 2
    assert found.said(ground)[0].startswith(f"at least {len(found.overlaps)} pairs of 40 triangles overlap, the first ")


def test_a_search_that_ends_early_without_a_find_says_so(monkeypatch):
    monkeypatch.setattr(mesh, "_LOOKED_AT", 0)
    monkeypatch.setattr(mesh, "_EACH", 0)
    ground = fan(30, 100.0, 100.0)
    found = faults(ground)
    assert found
    assert not found.complete
    assert found.said(ground) == ("too many triangles lie close together to look for overlaps among them all",)


@pytest.mark.parametrize(
    ("x", "corners", "said"),
    [
        (np.zeros(3), [[0, 1, 3]], "beyond 0 to 2"),
        (np.zeros(3), [[0, 1, -1]], "beyond 0 to 2"),
        (np.zeros(4), [[0, 1, 2]], r"shapes \(4,\), \(3,\)"),
        (np.zeros(3), [[0, 1]], r"\(1, 2\), not"),
    ],
)
def test_a_mesh_whose_arrays_do_not_fit_is_not_made(x, corners, said):
    with pytest.raises(ValueError, match=said):
        Mesh("", x, np.zeros(3), np.zeros(3), np.array(corners))


# --- cells


@st.composite
def boxes(draw):
    """Boxes of all sizes, many of them with common edges."""
    count = draw(st.integers(0, 25))
    scale = draw(st.sampled_from([1.0, 1e-6, 1e9, 0.3]))
    places = arrays.arrays(float, (2, count), elements=st.integers(-20, 20).map(float))
    widths = arrays.arrays(
        float, (2, count), elements=st.sampled_from([0.0, 1e-9, 0.01, 0.5, 1.0, 2.0, 3.0, 32.0, 1e4])
    )
    (left, bottom), (wide, high) = draw(places), draw(widths)
    return left * scale, bottom * scale, (left + wide) * scale, (bottom + high) * scale


@given(boxes(), arrays.arrays(float, (2, 30), elements=st.integers(-25, 25).map(lambda v: v / 2)), st.integers(1, 9))
@settings(max_examples=200, deadline=None)
def test_cells_find_every_box_that_holds_a_point_and_no_other_and_none_twice(four, points, piece):
    left, bottom, right, top = four
    x, y = points * (1.0 if not len(left) else max(1e-6, np.abs(left).max(initial=0) / 20))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cells, "PIECE", piece)
        found = [
            (p, b) for pair in Cells.of(*four).holding(x, y) for p, b in zip(*map(np.ndarray.tolist, pair), strict=True)
        ]
    holds = (left <= x[:, None]) & (x[:, None] <= right) & (bottom <= y[:, None]) & (y[:, None] <= top)
    assert sorted(found) == list(map(tuple, np.argwhere(holds).tolist()))


@given(boxes(), st.integers(1, 9))
@settings(max_examples=200, deadline=None)
def test_cells_find_every_two_boxes_that_overlap_and_no_other_and_none_twice(four, piece):
    left, bottom, right, top = four
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cells, "PIECE", piece)
        pieces = list(Cells.of(*four).overlapping())
    assert all(looked <= piece for looked, _, _ in pieces)
    found = [tuple(sorted(pair)) for _, a, b in pieces for pair in zip(a.tolist(), b.tolist(), strict=True)]
    meet = (left[:, None] < right) & (left < right[:, None]) & (bottom[:, None] < top) & (bottom < top[:, None])
    assert sorted(found) == [(i, j) for i, j in np.argwhere(meet).tolist() if i < j]


def test_a_box_has_one_entry_however_large_or_thin_it_is():
    left, bottom = np.array([0.0, 0.0, 5000.0]), np.array([0.0, 0.0, 5000.0])
    index = Cells.of(left, bottom, np.array([1e6, 1e-3, 5000.01]), np.array([1e-3, 1e6, 5000.01]))
    assert len(index) == 3
    assert len(index.levels) == 2
