"""Where the design says nothing: a hole in it, its end too near to tell, or beyond it where nothing changes.

Judged by the distance from a point to the design's true outline (Shapely's exact one), which the code under test
never sees: a ground made of polygons answers only "height here" or "nothing here". The worst answer that can be
given is "unchanged" where it is not earned, so most tests look for that one.
"""

from dataclasses import dataclass

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon, box, union_all

from gradecheck.change import grade_change
from gradecheck.surfaces import OUTSIDE, Grain, Heights, Layered
from gradecheck.surfaces.design import INSIDE, SHORT, UNCHANGED, UNKNOWN, WHY, Design
from tests.rasters import EAST, NORTH, grid, ground, rough, write

PAST = 9.144  # 30 ft, the plan's default
SAFE = 1.12  # by how much a search may go too far: never too near


@dataclass(frozen=True)
class Shape:
    """Ground at 100 m on an area, nothing elsewhere: a stand-in for any surface."""

    area: shapely.Geometry

    @property
    def extent(self):
        return box(*self.area.bounds)

    def heights(self, x, y):
        z = np.where(shapely.intersects_xy(self.area, x, y), 100.0, np.nan)
        return Heights(z, z * 0 + 0.01, np.where(np.isnan(z), OUTSIDE, 0).astype(np.int32), ("design",))


def silence(area, points, limits=None, past=PAST, margin=0.0):
    shapely.prepare(area)
    x, y = np.array(points, dtype=float).reshape(-1, 2).T
    return Design(Shape(area), limits, past).silence(x, y, margin).tolist()


ROAD = box(0, 0, 200, 12)


def test_a_hole_inside_the_limits_is_a_hole_however_far_the_ground_is():
    # The limits reach 60 m north of the road's own ground.
    limits = box(-10, -5, 210, 72)
    assert silence(ROAD, [(100, 13), (100, 40), (100, 72), (3, 60)], limits) == [INSIDE] * 4


def test_a_hydrant_behind_the_end_of_the_design_is_told_that_it_stops_short():
    # The design ends at the back of the curb, a hydrant 3 ft (0.9144 m) behind it is never kept.
    assert silence(ROAD, [(70, 12 + 0.9144), (200.9144, 5)]) == [SHORT, SHORT]
    assert silence(ROAD, [(70, 12 + 0.9144), (200.9144, 5)], limits=ROAD) == [SHORT, SHORT]


def test_beyond_the_design_the_ground_is_unchanged():
    places = [(70, 12 + 10.5), (-10.5, 6), (203, 22.5), (100, 500), (-5000, 30)]
    assert silence(ROAD, places) == [UNCHANGED] * 5
    assert silence(ROAD, places, limits=ROAD) == [UNCHANGED] * 5


@pytest.mark.parametrize("limits", [None, ROAD])
def test_unchanged_begins_only_farther_than_the_stated_distance(limits):
    # "But only farther than this", says the plan: straight off the edge of the road. A tenth more on the safe side is
    # nobody's harm.
    off = [9.0, 9.143, 9.144, PAST * SAFE, 11.0]
    assert silence(ROAD, [(100, 12 + d) for d in off], limits) == [SHORT] * 3 + [UNCHANGED] * 2


def test_the_distance_counts_from_the_limits_and_from_the_ground_alike():
    # Limits to the north end at y 30; ground to the south goes past its limits, to y -20.
    area, limits = box(0, -20, 200, 12), box(0, 0, 200, 30)
    told = silence(area, [(100, 35), (100, 40.5), (100, -25), (100, -30.5)], limits)
    assert told == [SHORT, UNCHANGED, SHORT, UNCHANGED]


def test_a_point_off_the_raster_but_near_its_ground_is_not_unchanged():
    # The surface's extent ends with its ground: the point lies outside the extent.
    assert silence(ROAD, [(-9.0, 3), (209.0, 3), (206, 18)]) == [SHORT] * 3


def test_the_stated_distance_is_widened_by_the_margin():
    at = [(100, 12 + 11.0), (100, 12 + 14.0)]
    assert silence(ROAD, at, margin=0.0) == [UNCHANGED, UNCHANGED]
    assert silence(ROAD, at, margin=3.0) == [SHORT, UNCHANGED]
    assert silence(ROAD, at, limits=ROAD, margin=5.0) == [SHORT, SHORT]


def test_with_no_distance_at_all_everything_off_the_design_is_unchanged():
    assert silence(ROAD, [(100, 12.5)], past=0.0) == [UNCHANGED]
    assert silence(ROAD, [(100, 12.5)], limits=ROAD, past=0.0) == [UNCHANGED]
    assert silence(ROAD, [(100, 12.5)], limits=box(0, 0, 200, 20), past=0.0) == [INSIDE]


def test_where_the_plan_says_that_ground_beyond_is_missing_nothing_is_unchanged():
    limits = box(-10, -5, 210, 72)
    places = [(100, 40), (100, 100), (100, 5000)]
    assert silence(ROAD, places, limits, past=None) == [INSIDE, UNKNOWN, UNKNOWN]
    assert silence(ROAD, places, None, past=None) == [UNKNOWN] * 3
    assert silence(ROAD, places, None, past=None, margin=50.0) == [UNKNOWN] * 3


def test_what_lies_within_a_ring_of_road_is_a_hole_where_there_are_no_limits():
    ring = box(0, 0, 200, 150) - box(12, 12, 188, 138)
    # The middle, and 10 m from each side of the hole.
    assert silence(ring, [(100, 75), (22.5, 30), (177, 40), (90, 22.5), (50, 127)]) == [INSIDE] * 5
    # Around the ring nothing is enclosed.
    assert silence(ring, [(100, 170), (-15, 75), (230, -40)]) == [UNCHANGED] * 3


@pytest.mark.parametrize("past", [0.0, 0.5, 1.0])
def test_a_short_stated_distance_opens_no_gap_between_the_ring_and_its_hole(past):
    ring = box(0, 0, 200, 150) - box(12, 12, 188, 138)
    points = np.random.default_rng(0).uniform([12.01, 12.01], [187.99, 137.99], (1500, 2))
    assert UNCHANGED not in silence(ring, points, past=past)


def test_within_a_ring_of_limits_the_limits_decide():
    # A block with new pavement on all four sides: its inside lies beyond the limits, as the plan draws them.
    ring = box(0, 0, 200, 150) - box(12, 12, 188, 138)
    assert silence(ring, [(100, 75), (100, 17), (100, 143)], limits=ring) == [UNCHANGED, SHORT, INSIDE]


def test_a_horseshoe_encloses_nothing():
    horseshoe = box(0, 0, 200, 150) - box(12, 12, 188, 138) - box(150, 40, 201, 100)
    assert silence(horseshoe, [(80, 75), (120, 30)]) == [UNCHANGED, UNCHANGED]


def test_between_two_separate_roads_lies_nothing_enclosed():
    roads = box(0, 0, 200, 12) | box(0, 112, 200, 124)
    assert silence(roads, [(100, 62), (10, 30)]) == [UNCHANGED, UNCHANGED]


@pytest.mark.parametrize("degrees", [0, 17, 45])
@pytest.mark.parametrize(("size", "width"), [(60, 1), (300, 1.5), (300, 4), (1200, 2), (1200, 8), (6000, 4), (6000, 8)])
def test_a_thin_ring_road_encloses_its_inside_however_large_it_is_and_however_it_lies(size, width, degrees):
    # A walk around a yard or a block, a street around a quarter or a town.
    square = shapely.affinity.rotate(box(0, 0, size, size * 0.8), degrees, origin="center")
    ring = square - square.buffer(-width, join_style="mitre")
    middle = square.centroid
    off = shapely.affinity.rotate(Point(size * 0.2, size * 0.3), degrees, origin=(size / 2, size * 0.4))
    assert silence(ring, [(middle.x, middle.y), (off.x, off.y)]) == [INSIDE, INSIDE]


def test_a_ring_in_a_corner_of_a_large_design_encloses_its_inside_too():
    # The rest of the design, a road of 8 km, makes the whole extent large.
    ring = (box(0, 0, 100, 80) - box(8, 8, 92, 72)) | box(100, 0, 8000, 8)
    assert silence(ring, [(50, 40), (30, 25)]) == [INSIDE, INSIDE]


@pytest.mark.parametrize("side", [0.5, 1.0, 2.0, 5.0])
def test_a_small_patch_of_the_design_near_a_hydrant_is_not_missed(side):
    # A ramp, a driveway, a tied-in walk: nearest point at 97 % of the distance at most, to any side.
    random = np.random.default_rng(6)
    for _ in range(60):
        angle, near = random.uniform(0, 2 * np.pi), random.uniform(0.5, 0.97) * PAST
        x, y = 100 * np.cos(angle), 100 * np.sin(angle)
        patch = shapely.affinity.translate(box(-side / 2, -side / 2, side / 2, side / 2), x, y)
        shift = (Point(0, 0).distance(patch) - near) / 100
        hydrant = (x * shift, y * shift)
        assert Point(hydrant).distance(patch) <= 0.98 * PAST
        assert silence(patch | box(900, 900, 950, 950), [hydrant]) == [SHORT]


def _patches(seed):
    """Rectangles and strips of 3 m and more over 400 m, as a design might leave them."""
    random = np.random.default_rng(seed)
    shapes = []
    for _ in range(random.integers(2, 9)):
        x, y = random.uniform(0, 400, 2)
        if random.random() < 0.5:
            shapes.append(box(x, y, x + random.uniform(3, 60), y + random.uniform(3, 60)))
        else:
            ends = random.uniform(0, 400, (2, 2))
            shapes.append(LineString(ends).buffer(random.uniform(1.5, 6), cap_style="flat"))
    return union_all(shapes)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("with_limits", [False, True])
def test_unchanged_is_said_where_it_is_earned_and_only_there(seed, with_limits):
    area, random = _patches(seed), np.random.default_rng(seed + 100)
    limits = _patches(seed + 50) if with_limits else None
    points = random.uniform(-40, 440, (400, 2))
    where = shapely.points(points)
    points = points[~shapely.intersects(area, where)]
    where = shapely.points(points)
    told = np.array(silence(area, points, limits))
    distance = shapely.distance(area, where)
    enclosed = np.zeros(len(where), dtype=bool)
    if limits is not None:
        distance = np.minimum(distance, shapely.distance(limits, where))
        assert (told == INSIDE).tolist() == shapely.intersects(limits, where).tolist()
    else:
        hulls = [Polygon(p.exterior) for p in shapely.get_parts(area)]
        enclosed = shapely.intersects(union_all(hulls), where)
    unchanged = told == UNCHANGED
    assert distance[unchanged].min() > PAST
    assert not (unchanged & enclosed).any()
    assert unchanged[(distance > PAST * SAFE) & ~enclosed].all()
    assert unchanged.any()


def test_no_points_are_no_answers():
    assert silence(ROAD, np.zeros((0, 2))) == []
    assert silence(ROAD, np.zeros((0, 2)), limits=ROAD, past=None) == []


def test_the_answers_do_not_depend_on_the_order_or_company_of_the_points():
    area = _patches(3)
    points = np.random.default_rng(1).uniform(-20, 420, (60, 2))
    points = points[~shapely.intersects_xy(area, *points.T)]
    together = silence(area, points)
    assert together == [silence(area, p)[0] for p in points]
    assert together[::-1] == silence(area, points[::-1])
    assert len(set(together)) > 1


def test_every_answer_has_its_words():
    assert {INSIDE, SHORT, UNCHANGED, UNKNOWN} == set(WHY)
    assert len(set(WHY.values())) == 4


# --- Designs as rasters, through the grade change: what counts is that no hydrant is cleared by mistake ---


def _cleared(after, places, limits=None, past=PAST, position_sd=0.0):
    """Whether hydrants are told that their ground does not change; the existing ground lies everywhere at 90 m."""
    x, y = EAST + np.array([p[0] for p in places], dtype=float), NORTH - np.array([p[1] for p in places], dtype=float)
    before = Shape(box(EAST - 1e4, NORTH - 1e4, EAST + 1e4, NORTH + 1e4))
    change = grade_change(before, Design(after, limits, past), x, y, position_sd, np.zeros(len(x), dtype=bool))
    assert (change.change[change.unchanged] == 0).all()
    assert np.isfinite(change.change[~change.unchanged]).tolist() == [
        bool(v) for v in np.isfinite(change.after[~change.unchanged])
    ]
    return change.unchanged.tolist()


def road_raster(folder, name="road", **options):
    """A road 8 m wide along 120 m of a raster of 0.5 m cells, 100 m high otherwise empty, with a hole in it."""
    values = np.full((200, 240), np.nan)
    values[92:108] = rough(16, 240)
    values[96:104, 100:110] = np.nan
    return write(folder / f"{name}.tif", values, grid(0.5, -0.5), nodata=np.nan, **options)


@pytest.mark.parametrize("position_sd", [0.0, 0.3])
def test_a_raster_design_clears_what_is_far_and_not_what_is_near_or_in_its_hole(tmp_path, position_sd):
    surface = ground(road_raster(tmp_path))
    # Road from y 46.25 to 53.75 (its centres). On it, in its hole, behind the curb, far, off the raster.
    places = [(30, 50), (52.5, 50), (30, 55), (30, 61), (30, 75), (30, 20), (300, 50)]
    assert _cleared(surface, places, position_sd=position_sd) == [False, False, False, False, True, True, True]


def test_a_hydrant_whose_position_may_lie_on_the_design_is_not_cleared(tmp_path):
    # 2 m behind the road with a position known to 1 m: nearer than 30 ft, whatever the nodes say.
    assert _cleared(ground(road_raster(tmp_path)), [(30, 55.75)], position_sd=1.0) == [False]


@pytest.mark.parametrize("position_sd", [0.0, 0.5])
@pytest.mark.parametrize("limits", [None, box(EAST, NORTH - 54, EAST + 20, NORTH - 46)])
def test_a_part_of_the_design_that_cannot_be_read_clears_nobody(tmp_path, limits, position_sd):
    # Full ground in strips of 8 rows, 4 m each; then the file loses its second half: y 50 to 100 is unreadable.
    path = write(tmp_path / "cut.tif", rough(200, 240), grid(0.5, -0.5), blockysize=8)
    surface = ground(path)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 2)
    places = [(60, 20), (60, 75), (60, 90), (100, 97), (60, 103), (60, 160)]
    # On what is left of it; in the unreadable part, 25 m and more from it; 3 m past its end; and far beyond.
    assert _cleared(surface, places, limits, position_sd=position_sd) == [False] * 5 + [True]


@pytest.mark.parametrize("position_sd", [0.0, 0.5])
def test_a_block_of_undeclared_markers_in_the_design_clears_nobody(tmp_path, position_sd):
    # The east half is filled with -9999 that no header declares: no elevation, and no word of the designer.
    values = rough(200, 240)
    values[:, 120:] = -9999.0
    surface = ground(write(tmp_path / "a.tif", values, grid(0.5, -0.5)))
    places = [(30, 50), (100, 50), (110, 20), (123, 60), (300, 50)]
    assert _cleared(surface, places, position_sd=position_sd) == [False] * 4 + [True]


def test_a_hole_between_two_layers_of_a_design_is_enclosed(tmp_path):
    # Two rasters of different cells make the ring together: a U open to the east, and a bar that closes it.
    u = np.full((200, 200), np.nan)
    u[:20], u[-20:], u[:, :20] = 100.0, 100.0, 100.0
    first = ground(write(tmp_path / "u.tif", u, grid(0.5, -0.5)))
    bar = write(tmp_path / "bar.tif", np.full((110, 10), 100.0), grid(1, -1, EAST + 95, NORTH + 5))
    places = [(50, 50), (70, 30), (50, -40)]
    assert _cleared(Layered((first, ground(bar))), places) == [False, False, True]
    assert _cleared(first, places) == [True, True, True]


def test_a_design_without_any_ground_clears_nobody_inside_its_limits(tmp_path):
    surface = ground(write(tmp_path / "a.tif", np.full((40, 40), np.nan), grid(1, -1)))
    limits = box(EAST, NORTH - 40, EAST + 40, NORTH)
    assert _cleared(surface, [(20, 20), (45, 20), (80, 20)], limits) == [False, False, True]


@dataclass(frozen=True)
class Wide(Shape):
    """The same, fetched in blocks of 100 m, of which 20,000 are looked at for holes at most."""

    @property
    def grain(self):
        return Grain(100.0, 100.0, 1)

    @property
    def names(self):
        return ("design",)

    def changed(self):
        return []


@pytest.mark.parametrize(("side", "said"), [(14_000, UNCHANGED), (14_200, UNKNOWN)])
def test_a_design_too_wide_to_look_for_holes_in_leaves_them_undecided(side, said):
    corners = union_all([box(0, 0, 100, 100), box(side - 100, side - 100, side, side)])
    design = Design(Wide(corners), None, PAST)
    middle = np.array([side / 2]), np.array([side / 2])
    assert design.silence(*middle).tolist() == [said]
    assert design.too_wide == (said == UNKNOWN)
    assert Design(Wide(corners), box(0, 0, side, side), PAST).silence(*middle).tolist() == [INSIDE]
