"""Breaklines to triangles: against ground known in closed form, Shapely's areas and SciPy's interpolation.

Heights between the vertices are asked of the triangles by brute force here: every point against every triangle.
"""

import numpy as np
import pytest
import shapely
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial.distance import pdist

from gradecheck.errors import InputError
from gradecheck.roads.breaklines import triangulated

EAST, NORTH = 1_412_345.25, 4_903_210.5
NONE = np.zeros((0, 3))


def line(*vertices):
    return np.array(vertices, dtype=float)


def outline(mesh):
    """The triangles as polygons."""
    return shapely.polygons(np.stack([mesh.x, mesh.y], axis=1)[mesh.corners])


def heights(mesh, xy):
    """The plane of the triangle in which each point lies deepest; NaN where it lies in none."""
    p = np.stack([mesh.x, mesh.y, mesh.z], axis=1)[mesh.corners]
    a, b, c = p[:, 0], p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    d = xy[:, None, :] - a[None, :, :2]
    area = b[:, 0] * c[:, 1] - b[:, 1] * c[:, 0]
    v = (d[..., 0] * c[:, 1] - d[..., 1] * c[:, 0]) / area
    w = (b[:, 0] * d[..., 1] - b[:, 1] * d[..., 0]) / area
    depth = np.minimum(np.minimum(v, w), 1 - v - w)
    best, rows = depth.argmax(axis=1), np.arange(len(xy))
    z = a[best, 2] + v[rows, best] * b[best, 2] + w[rows, best] * c[best, 2]
    return np.where(depth[rows, best] > -1e-6, z, np.nan)


def sides(mesh):
    pairs = np.concatenate([mesh.corners[:, [0, 1]], mesh.corners[:, [1, 2]], mesh.corners[:, [2, 0]]])
    return {frozenset(pair) for pair in pairs.tolist()}


def is_chain(mesh, vertices, within=1e-6, of=None):
    """Whether every stretch of a line leads from mesh vertex to mesh vertex on it by sides of triangles."""
    of, xy = of or sides(mesh), np.stack([mesh.x, mesh.y], axis=1)
    for start, end in zip(vertices[:-1, :2], vertices[1:, :2], strict=True):
        length = np.hypot(*(end - start))
        ahead, left = (end - start) / length, (start - end)[::-1] * [1, -1] / length
        along, off = (xy - start) @ ahead, (xy - start) @ left
        on = np.flatnonzero((np.abs(off) <= within) & (along >= -within) & (along <= length + within))
        on = on[np.argsort(along[on])]
        if abs(along[on[0]]) > within or abs(along[on[-1]] - length) > within:
            return False
        if not all(frozenset(pair) in of for pair in zip(on[:-1].tolist(), on[1:].tolist(), strict=True)):
            return False
    return True


def refused(lines, points=NONE, longest_side=100.0, **options):
    with pytest.raises(InputError) as caught:
        triangulated(lines, points, longest_side, **options)
    return [str(finding) for finding in caught.value.findings]


def turned(s, offset, angle=33.0):
    """Along and to the left of a road that heads 33 degrees north of east, far from the origin."""
    c, n = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return np.stack([EAST + c * s - n * offset, NORTH + n * s + c * offset], axis=-1)


# A crowned road on a grade of 1.5 %: 2 % to both sides, kerb faces of 0.5 in 0.05, verges rising 2 % behind.
OFFSETS = np.array([-20.0, -12.05, -12.0, 0.0, 12.0, 12.05, 20.0])
RISES = np.array([0.42, 0.26, -0.24, 0.0, -0.24, 0.26, 0.42])


def road(s, offset):
    return 250 + 0.015 * s + np.interp(offset, OFFSETS, RISES)


def road_lines(seed=1):
    """Each line with vertices of its own, here and there."""
    random, lines = np.random.default_rng(seed), []
    for offset in OFFSETS:
        s = np.concatenate([[0, 100], random.uniform(1, 99, random.integers(0, 30))])
        s.sort()
        lines.append(np.column_stack([turned(s, np.full(len(s), offset)), road(s, offset)]))
    return lines


@pytest.mark.parametrize("seed", range(4))
def test_a_crowned_road_with_kerbs_is_the_road_everywhere(seed):
    mesh = triangulated(road_lines(seed), NONE, 60.0)
    random = np.random.default_rng(7)
    s, offset = random.uniform(0, 100, 400), random.uniform(-20, 20, 400)
    offset[:80] = np.sign(offset[:80]) * random.uniform(12, 12.05, 80)  # on the kerb faces
    # Coordinates of 5e6 are rounded to 1e-9; the kerb rises ten to one.
    assert heights(mesh, turned(s, offset)) == pytest.approx(road(s, offset), abs=2e-8)


def test_on_the_lines_of_a_road_heights_are_exact_and_every_line_is_a_chain_of_sides():
    lines = road_lines()
    mesh = triangulated(lines, NONE, 60.0)
    known = sides(mesh)
    for offset, vertices in zip(OFFSETS, lines, strict=True):
        assert is_chain(mesh, vertices, of=known)
        s = np.linspace(0.01, 99.99, 77)
        assert heights(mesh, turned(s, np.full(77, offset))) == pytest.approx(road(s, offset), abs=2e-8)


def test_the_vertices_given_are_in_the_mesh_bit_by_bit():
    lines = road_lines()
    mesh = triangulated(lines, NONE, 60.0)
    there = set(zip(mesh.x.tolist(), mesh.y.tolist(), mesh.z.tolist(), strict=True))
    assert {tuple(v) for vertices in lines for v in vertices.tolist()} <= there


def test_lines_with_heights_of_their_own_keep_them():
    # Winding lines 3 apart, heights at random: nothing but the lines themselves says what is on them.
    random, x, lines = np.random.default_rng(3), np.linspace(0, 200, 21), []
    for k in range(6):
        lines.append(
            np.column_stack([x + random.uniform(-3, 3, 21), 3 * k + 4 * np.sin(x / 30), random.normal(size=21)])
        )
    mesh = triangulated(lines, NONE, 60.0)
    for vertices in lines:
        i, share = random.integers(0, 20, 100), random.uniform(0, 1, 100)
        on = vertices[i] + share[:, None] * (vertices[i + 1] - vertices[i])
        assert heights(mesh, on[:, :2]) == pytest.approx(on[:, 2], abs=1e-9)


def plane(xy):
    return 300 + 0.03 * (xy[:, 0] - EAST) - 0.02 * (xy[:, 1] - NORTH)


def crossing_lines(seed, count):
    """Lines all over a square kilometre, in a plane, so that they cross at one height."""
    random = np.random.default_rng(seed)
    plans = [np.add(random.uniform(0, 1000, (random.integers(2, 6), 2)), [EAST, NORTH]) for _ in range(count)]
    return [np.column_stack([xy, plane(xy)]) for xy in plans]


@pytest.mark.parametrize(("seed", "count"), [(k, n) for k, n in enumerate([1, 2, 3, 5, 8, 13, 21, 34])])
def test_every_one_of_many_crossing_lines_is_a_chain_of_sides(seed, count):
    lines = crossing_lines(seed, count)
    if count == 1:
        lines.append(np.column_stack([lines[0][:, :2] + [0, 1500], lines[0][:, 2] - 30]))
    mesh = triangulated(lines, NONE, np.inf)
    known = sides(mesh)
    assert all(is_chain(mesh, vertices, of=known) for vertices in lines)
    assert mesh.z == pytest.approx(plane(np.stack([mesh.x, mesh.y], axis=1)), abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_triangles_cover_the_convex_hull_once(seed):
    lines = crossing_lines(seed, 12)
    mesh = triangulated(lines, NONE, np.inf)
    hull = shapely.convex_hull(shapely.multipoints(np.concatenate(lines)[:, :2]))
    areas = shapely.area(outline(mesh))
    assert areas.min() > 0
    assert areas.sum() == pytest.approx(hull.area, rel=1e-9)
    assert shapely.union_all(outline(mesh)).area == pytest.approx(hull.area, rel=1e-9)


def test_between_the_vertices_heights_are_scipys_linear_interpolation():
    random = np.random.default_rng(11)
    x = np.linspace(0, 100, 30)
    lines = [np.column_stack([x, y + 2 * np.sin(x / 9 + y), random.normal(size=30)]) for y in (0, 5, 40)]
    points = np.column_stack([random.uniform(0, 100, 200), random.uniform(50, 90, 200), random.normal(size=200)])
    mesh = triangulated(lines, points, np.inf)
    judge = LinearNDInterpolator(np.stack([mesh.x, mesh.y], axis=1), mesh.z)
    asked = np.column_stack([random.uniform(5, 95, 500), random.uniform(0, 85, 500)])
    expected = judge(asked)
    assert np.isfinite(expected).sum() > 400
    found = heights(mesh, asked)
    assert np.isnan(found).tolist() == np.isnan(expected).tolist()
    assert found == pytest.approx(expected, abs=1e-9, nan_ok=True)


def test_a_spot_height_between_two_lines_is_kept():
    lines = [line([0, 0, 1], [10, 0, 1]), line([0, 10, 1], [10, 10, 1])]
    mesh = triangulated(lines, line([5, 4, 3]), 20.0)
    assert heights(mesh, np.array([[5.0, 4.0], [5.0, 2.0], [5.0, 7.0]])) == pytest.approx([3, 2, 2])


def test_points_alone_are_ground():
    mesh = triangulated([], line([0, 0, 1], [10, 0, 2], [0, 10, 3]), 20.0)
    assert heights(mesh, np.array([[10 / 3, 10 / 3]])) == pytest.approx([2])
    assert mesh.corners.shape == (1, 3)


def test_a_line_that_the_shortest_diagonals_would_cut_is_followed():
    # Of the two diagonals of this kite Delaunay takes the short one, from (5, -1) to (5, 1).
    valley = line([0, 0, 0], [10, 0, 0])
    mesh = triangulated([valley], line([5, -1, 7], [5, 1, 7]), 20.0)
    assert is_chain(mesh, valley)
    assert heights(mesh, np.array([[5.0, 0.0], [2.5, 0.0]])) == pytest.approx([0, 0], abs=1e-12)


def test_lines_that_cross_at_one_height_share_a_vertex_there():
    lines = [line([0, 0, 1], [10, 10, 3]), line([0, 10, 2], [10, 0, 2])]
    mesh = triangulated(lines, NONE, 20.0)
    (there,) = np.flatnonzero((mesh.x == 5) & (mesh.y == 5))
    assert mesh.z[there] == 2
    assert len(mesh.z) == 5
    assert len(mesh.corners) == 4


def test_heights_a_little_apart_become_their_mean_at_the_shared_vertex():
    lines = [line([0, 0, 1], [10, 10, 3]), line([0, 10, 2.008], [10, 0, 2.008])]
    mesh = triangulated(lines, NONE, 20.0)
    assert mesh.z[(mesh.x == 5) & (mesh.y == 5)] == pytest.approx([2.004])
    assert len(refused([lines[0], lines[1] + np.array([0, 0, 0.004])])) == 1


def test_a_line_that_ends_on_another_up_to_the_rounding_of_files_is_joined_to_it():
    edge, drive, short = line([0, 0, 5], [90, 0, 5]), line([30, 4e-4, 5], [30, 20, 6]), line([60, 2e-3, 5], [60, 20, 6])
    mesh = triangulated([edge, drive, short], NONE, 200.0)
    joined = np.flatnonzero((mesh.x == 30) & (np.abs(mesh.y) < 1e-3))
    assert len(joined) == 1
    assert frozenset([joined[0], np.flatnonzero((mesh.x == 0) & (mesh.y == 0))[0]]) in sides(mesh)
    assert not ((mesh.x == 60) & (mesh.y == 0)).any()
    assert is_chain(mesh, edge, within=1e-3)


def test_vertices_of_one_place_become_one():
    lines = [line([0, 0, 1], [10, 0, 1]), line([10, 5e-4, 1.006], [10, 10, 1]), line([10, 0, 1], [20, 0, 1])]
    mesh = triangulated(lines, NONE, 50.0)
    (there,) = np.flatnonzero(np.abs(mesh.x - 10) + np.abs(mesh.y) < 0.01)
    assert (mesh.x[there], mesh.y[there]) == (10, 0)
    assert mesh.z[there] == pytest.approx((1 + 1.006 + 1) / 3)


def test_a_line_given_twice_or_in_pieces_or_the_other_way_round_is_the_same_ground():
    one, other = road_lines()[2:4]
    mesh = triangulated([one, other], NONE, 60.0)
    again = triangulated([one, other, one[::-1], other[:3], other[1:]], NONE, 60.0)
    assert sorted(zip(again.x, again.y, again.z, strict=True)) == sorted(zip(mesh.x, mesh.y, mesh.z, strict=True))
    assert shapely.area(outline(again)).sum() == pytest.approx(shapely.area(outline(mesh)).sum())


def test_a_ring_is_followed_all_the_way_round():
    angle = np.linspace(0, 2 * np.pi, 37)
    ring = np.column_stack([20 * np.cos(angle), 20 * np.sin(angle), np.cos(3 * angle)])
    inner = ring * [0.9, 0.9, 1] + [0, 0, 0.5]
    mesh = triangulated([ring, inner], NONE, 100.0)
    assert is_chain(mesh, ring)
    assert is_chain(mesh, inner)


def test_lines_without_length_are_dropped():
    lines = [
        line([0, 0, 1], [10, 0, 1]),
        line([5, 5, 9]),
        line([5, 6, 9], [5, 6, 9]),
        line([0, 10, 1], [10, 10, 1]),
        NONE,
    ]
    mesh = triangulated(lines, NONE, 50.0)
    assert mesh.z.tolist() == [1] * 4


def test_repeated_vertices_are_of_no_account():
    lines = [line([0, 0, 1], [4, 0, 1], [4, 0, 1], [10, 0, 1]), line([0, 10, 1], [10, 10, 1])]
    mesh = triangulated(lines, NONE, 50.0)
    assert len(mesh.z) == 5


def test_triangles_across_what_nobody_measured_are_left_out():
    # Two roads 30 wide and 200 apart.
    lines = [line([0, y, 1], [500, y, 1]) for y in (0, 30, 230, 260)]
    mesh = triangulated(lines, NONE, 60.0)
    asked = np.array([[250.0, 15.0], [250.0, 130.0], [250.0, 245.0]])
    assert np.isfinite(heights(mesh, asked)).tolist() == [True, False, True]
    assert shapely.area(outline(mesh)).sum() == pytest.approx(2 * 30 * 500)


def test_no_side_is_longer_than_allowed():
    mesh = triangulated(crossing_lines(5, 15), NONE, 130.0)
    xy = np.stack([mesh.x, mesh.y], axis=1)[mesh.corners]
    assert max(pdist(corners).max() for corners in xy) <= 130.0


def test_a_road_of_two_long_straight_edges_is_not_left_out_for_its_length():
    lines = [line([0, 0, 1], [1000, 0, 11]), line([0, 8, 2], [1000, 8, 12])]
    mesh = triangulated(lines, NONE, 30.0)
    asked = np.column_stack([np.linspace(1, 999, 50), np.full(50, 4.0)])
    assert heights(mesh, asked) == pytest.approx(1.5 + asked[:, 0] / 100, abs=1e-9)


def test_ground_smaller_than_one_unit_is_ground_too():
    lines = [line([0, 0, 1], [0.5, 0, 1]), line([0, 0.25, 2], [0.5, 0.25, 2])]
    mesh = triangulated(lines, NONE, 0.75)
    assert heights(mesh, np.array([[0.25, 0.125]])) == pytest.approx([1.5])


def test_long_lines_a_hand_apart_take_few_vertices_more():
    random = np.random.default_rng(8)
    given = [(0, 3), (0.003, 200), (7, 50), (7.02, 3), (14, 100)]
    lines = [np.column_stack([np.sort(random.uniform(0, 5000, n)), np.full(n, y), np.full(n, y)]) for y, n in given]
    mesh = triangulated(lines, NONE, np.inf)
    assert all(is_chain(mesh, vertices) for vertices in lines)
    assert len(mesh.z) < 3 * sum(n for _, n in given)


def test_the_order_of_the_lines_makes_no_other_ground():
    lines = road_lines(2)
    asked = turned(*np.random.default_rng(9).uniform([[0], [-20]], [[100], [20]], (2, 200)))
    one, other = triangulated(lines, NONE, 60.0), triangulated(lines[::-1], NONE, 60.0)
    assert heights(one, asked) == pytest.approx(heights(other, asked), abs=2e-8)


def test_the_lines_given_are_not_changed():
    lines = crossing_lines(1, 5)
    kept = [vertices.copy() for vertices in lines]
    triangulated(lines, NONE, 100.0)
    assert all((a == b).all() for a, b in zip(lines, kept, strict=True))


def test_crossing_lines_of_two_heights_are_refused_with_names_place_and_heights():
    lines = [line([EAST, NORTH, 1], [EAST + 10, NORTH + 10, 3]), line([EAST, NORTH + 10, 7], [EAST + 10, NORTH, 7])]
    (finding,) = refused(lines, names=["EDGE 2", "CROWN 5"], shown="plan.dxf")
    assert finding.startswith(
        "plan.dxf: EDGE 2 and CROWN 5 have two heights at (1412350.250, 4903215.500): 2.000 and 7.000 ->"
    )


def test_a_vertical_kerb_face_is_refused_once_for_the_pair_with_how_to_mend_it():
    flow, top, back, far = (
        np.column_stack([np.linspace(0, 100, 11), np.full(11, y), np.full(11, z)])
        for y, z in [(0, 5), (0, 5.5), (0.002, 5.5), (10, 5)]
    )
    (finding,) = refused([flow, top, far])
    assert "line 1 and line 2 have two heights" in finding
    assert "5.000 and 5.500" in finding
    assert "10 more such places" in finding
    assert "batter" in finding
    assert len(triangulated([flow, back, far], NONE, 60.0).corners)


def test_an_upright_stretch_of_one_line_is_refused():
    (finding,) = refused([line([0, 0, 1], [5, 0, 1], [5, 0, 4], [10, 0, 4]), line([0, 9, 1], [10, 9, 1])])
    assert "line 1 has two heights at (5.000, 0.000): 1.000 and 4.000" in finding


def test_a_line_that_crosses_itself_at_two_heights_is_refused():
    (finding,) = refused([line([0, 0, 1], [10, 10, 1], [10, 0, 4], [0, 10, 4])])
    assert "line 1 has two heights at (5.000, 5.000)" in finding


def test_a_vertex_or_a_spot_above_a_line_is_refused():
    edge = line([0, 0, 1], [10, 0, 1])
    touching, spot = refused([edge, line([5, 0, 2], [5, 5, 2])], line([7, 4e-4, 3], [8, 3, 3]))
    assert {"line 2" in touching, "line 2" in spot} == {True, False}
    text = touching + spot
    assert "line 1 and line 2 have two heights at (5.000, 0.000): 1.000 and 2.000" in text
    assert "line 1 and point 1 have two heights at (7.000, 0.000): 1.000 and 3.000" in text


def test_of_very_many_pairs_the_first_twenty_are_told_and_the_others_counted():
    lines = [line([k, -1, k], [k, 1, k]) for k in range(1, 51)]
    findings = refused([line([0, 0, 0], [100, 0, 0]), *lines])
    assert len(findings) == 21
    assert "30 more pairs" in findings[-1]
    assert len(refused([line([0, 0, 0], [100, 0, 0]), *lines[:20]])) == 20


def test_what_is_no_number_is_refused_with_its_line_and_vertex():
    good = line([0, 0, 1], [10, 0, 1])
    findings = refused([good, line([0, 5, 1], [5, np.nan, 1])], line([1, 1, 1], [2, 2, np.inf]), names=["A", "B"])
    assert ["B, vertex 2" in findings[0], "point 2" in findings[1]] == [True, True]


@pytest.mark.parametrize(
    ("lines", "points"),
    [([], NONE), ([line([0, 0, 1], [5, 5, 1], [9, 9, 2])], NONE), ([], line([0, 0, 1], [5, 5, 1]))],
    ids=["nothing", "one straight line", "two points"],
)
def test_where_there_is_nothing_between_the_lines_that_is_said(lines, points):
    (finding,) = refused(lines, points)
    assert "no triangle between them" in finding


def test_where_no_triangle_is_short_enough_that_is_said():
    (finding,) = refused([line([0, 0, 1], [50, 0, 1]), line([0, 20, 1], [50, 20, 1])], longest_side=3.0)
    assert "sides up to 3" in finding


@pytest.mark.parametrize("side", [0.0, -1.0, np.nan])
def test_a_longest_side_that_leaves_nothing_is_refused(side):
    (finding,) = refused([line([0, 0, 1], [50, 0, 1]), line([0, 20, 1], [50, 20, 1])], longest_side=side)
    assert "longest side" in finding


def test_lines_that_the_triangles_do_not_come_to_follow_are_named():
    # 60 lines from one vertex, a degree apart, of lengths that have nothing in common.
    random = np.random.default_rng(1)
    angle, length = np.linspace(0, 1, 60), random.uniform(50, 500, 60)
    fan = [line([0, 0, 1], [r * np.cos(a), r * np.sin(a), 1]) for a, r in zip(angle, length, strict=True)]
    (finding,) = refused(fan, longest_side=np.inf)
    assert "do not come to follow line" in finding
    assert "more, first at (" in finding


def test_vertices_too_near_for_the_area_are_named_not_lost():
    # Places told apart to a thousandth over ten million kilometres: more than the numbers hold.
    points = np.random.default_rng(0).uniform(-5e9, 5e9, (300, 3))
    (finding,) = refused([], np.concatenate([points, points + np.array([6e-4, 9e-4, 0])]), longest_side=np.inf)
    assert "point " in finding
    assert "too near another vertex" in finding
