"""Alignments and the feet of points on them, on shapes small enough that the answers are seen by head."""

from math import cos, hypot, inf, nan, pi, sin, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gradecheck.errors import InputError
from gradecheck.roads import locate
from gradecheck.roads.alignment import Alignment, Equation
from gradecheck.roads.locate import ALONGSIDE, BEFORE, PAST, Feet, Locator
from gradecheck.roads.pieces import Piece, arc, clothoid, line

STRAIGHT = Alignment.polyline("straight", [(0, 0), (100, 0)])
LEFT = Alignment.polyline("left", [(0, 0), (10, 0), (10, 10)])
RIGHT = Alignment.polyline("right", [(0, 0), (10, 0), (10, -10)])
HAIRPIN = Alignment.polyline("hairpin", [(0, 0), (100, 0), (100, 10), (0, 10)])
SQUARE = Alignment.polyline("square", [(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)])
QUARTER = Alignment.joined("quarter", [arc((10, 0), (0, 0), (0, 10), clockwise=False)])
CIRCLE = Alignment.joined("circle", [arc((10, 0), (0, 0), (10, 0), clockwise=False)])
CLOCKWISE = Alignment.joined("clockwise", [arc((10, 0), (0, 0), (10, 0), clockwise=True)])


def nearest(road, *points):
    """Station, offset, place and tie of points on one road, a tuple each."""
    x, y = np.array(points, dtype=float).T
    feet = Locator((road,)).nearest(x, y)
    assert feet.point.tolist() == list(range(len(points)))
    return list(zip(feet.station, feet.offset, feet.place, feet.tied, strict=True))


def foot(road, x, y):
    """The same of one point, place and tie as plain values."""
    station, offset, place, tied = nearest(road, (x, y))[0]
    return pytest.approx(station, abs=1e-9), pytest.approx(offset, abs=1e-9), int(place), bool(tied)


def messages(caught):
    return [str(finding) for finding in caught.value.findings]


# Pieces and how they are joined


def test_an_arc_turns_the_way_it_is_told_by_any_sweep():
    east, north, west, south = (10, 0), (0, 10), (-10, 0), (0, -10)
    for end, left in ((north, 1), (west, 2), (south, 3), (east, 4)):
        ccw, cw = arc(east, (0, 0), end, False), arc(east, (0, 0), end, True)
        assert ccw.length == pytest.approx(left * 5 * pi)
        assert cw.length == pytest.approx((4 - left) * 5 * pi if left < 4 else 20 * pi)
        assert (ccw.curvature, cw.curvature) == (0.1, -0.1)
        assert ccw.heading == pytest.approx(pi / 2)
        assert cw.heading == pytest.approx(-pi / 2)
        assert ccw.end == pytest.approx(end, abs=1e-12)
        assert cw.end == pytest.approx(end, abs=1e-12)


def test_stations_run_on_from_the_start_over_all_pieces():
    road = Alignment.joined("a", [line((0, 0), (10, 0)), arc((10, 0), (10, 5), (15, 5), False)], station=-4)
    assert (road.first, road.last) == (-4, pytest.approx(6 + 2.5 * pi))
    assert road.starts.tolist() == pytest.approx([-4, 6, 6 + 2.5 * pi])
    x, y = road.points([-4, 1, 6, 6 + 2.5 * pi], [0, 2, -1, 1])
    assert x.tolist() == pytest.approx([0, 5, 10, 16])
    assert y.tolist() == pytest.approx([0, -2, 1, 5])
    assert road.heading_at([-4, 6 + 1.25 * pi, road.last]).tolist() == pytest.approx([0, pi / 4, pi / 2])


def test_outside_its_ends_a_road_has_no_points():
    x, y = STRAIGHT.points([-0.001, 0, 100, 100.001, nan])
    assert np.isnan(x).tolist() == np.isnan(y).tolist() == [True, False, False, True, True]
    assert np.isnan(STRAIGHT.heading_at([-1, 50])).tolist() == [True, False]


def test_an_end_reached_by_rounding_is_the_end():
    road = Alignment.polyline("tenths", [(0, 0), (0.1, 0), (0.3, 0), (0.6, 0)], station=1e5)
    x, _ = road.points([np.nextafter(road.last, inf), np.nextafter(road.first, -inf)])
    assert x.tolist() == pytest.approx([0.6, 0])


def test_at_a_kink_the_piece_that_begins_counts():
    assert LEFT.heading_at([10 - 1e-6, 10]).tolist() == pytest.approx([0, pi / 2])
    x, y = LEFT.points([10], 2)
    assert (x[0], y[0]) == (pytest.approx(12), pytest.approx(0))


def test_headings_are_told_within_half_a_turn():
    road = Alignment.joined("spun", [Piece(0, 0, 5 * pi, 0.0, 0.0, 10)])
    assert abs(road.heading_at([5])[0]) == pytest.approx(pi)


def test_pieces_without_length_and_repeated_vertices_are_dropped():
    road = Alignment.joined("a", [line((0, 0), (5, 0)), line((5, 0), (5, 0)), line((5, 0), (5, 7))])
    assert road.length.tolist() == [5, 7]
    poly = Alignment.polyline("b", [(0, 0), (0, 0), (5, 0), (5, 0), (5, 0), (5, 7), (5, 7)])
    assert poly.length.tolist() == [5, 7]
    assert foot(road, 8, 3) == foot(poly, 8, 3) == (8, 3, ALONGSIDE, False)


def test_pieces_that_do_not_meet_are_named_with_their_gap():
    pieces = [line((0, 0), (5, 0)), line((5, 0), (5, 0)), line((5, 3), (9, 3)), line((9, 3.5), (20, 3.5))]
    with pytest.raises(InputError) as caught:
        Alignment.joined("Elm", pieces)
    first, second = messages(caught)
    assert first.startswith("Elm: piece 3 starts 3 from the end of piece 1")
    assert second.startswith("Elm: piece 4 starts 0.5 from the end of piece 3")
    assert Alignment.joined("Elm", pieces, gap=3.0).last == 20


def test_an_arc_that_misses_its_end_is_seen_where_the_next_piece_starts():
    with pytest.raises(InputError, match="piece 2 starts 2 from the end of piece 1"):
        Alignment.joined("a", [arc((10, 0), (0, 0), (0, 12), False), line((0, 12), (-5, 12))])


def test_gaps_that_are_allowed_leave_no_hole_between_pieces():
    road = Alignment.joined("a", [line((0, 0), (10, 0)), line((10.008, 0), (20, 0))])
    station, offset, place, _ = nearest(road, (10.004, 3))[0]
    assert station == pytest.approx(10, abs=0.005)
    assert abs(offset) == pytest.approx(3, abs=0.005)
    assert place == ALONGSIDE


def test_all_that_is_wrong_with_pieces_is_told_at_once():
    pieces = [
        arc((1, 1), (1, 1), (2, 2), False),
        line((0, 0), (nan, 0)),
        clothoid((0, 0), 0, -3, 0, 1),
        clothoid((0, 0), 0, 1000, 0, 10),
        Piece(0, inf, 0, 0, 0, 1),
        Piece(0, 0, 0, nan, 0, 1),
    ]
    with pytest.raises(InputError) as caught:
        Alignment.joined("Elm", pieces, nan, [Equation(inf, 1), Equation(5, 1), Equation(5, 2)])
    told = messages(caught)
    assert len(told) == 9
    assert "piece 1 has a radius of 0" in told[0]
    assert "piece 2 has a value that is not a number" in told[1]
    assert "piece 3 has a negative length, -3" in told[2]
    assert "piece 4 turns more than 100 times" in told[3]
    assert "two station equations begin at 5" in told[8]


@pytest.mark.parametrize("pieces", [[], [line((3, 3), (3, 3))]])
def test_no_length_is_no_road(pieces):
    with pytest.raises(InputError, match="no piece with a length"):
        Alignment.joined("Elm", pieces)


@pytest.mark.parametrize("xy", [[], [(1, 2)], [(1, 2), (1, 2)], np.zeros((0, 2))])
def test_a_polyline_needs_two_different_vertices(xy):
    with pytest.raises(InputError, match="no two different vertices"):
        Alignment.polyline("Elm", xy)


def test_vertices_that_are_no_place_are_counted_and_the_first_named():
    with pytest.raises(InputError, match=r"2 of its 4 vertices .* first vertex 2"):
        Alignment.polyline("Elm", [(0, 0), (inf, 0), (-inf, nan), (1, 1)])


def test_where_a_piece_ends_is_not_told_for_one_that_is_none():
    assert np.isnan(arc((1, 1), (1, 1), (2, 2), False).end).all()


def test_a_road_cannot_be_changed_behind_its_back():
    with pytest.raises(ValueError, match="read-only"):
        LEFT.x[0] = 5
    xy = np.array([(0.0, 0), (10, 0)])
    road = Alignment.polyline("a", xy)
    xy[1] = 99
    assert road.last == 10


# Labels


def test_labels_count_down_after_a_decreasing_equation_and_up_again_after_the_next():
    road = Alignment.polyline("a", [(0, 0), (300, 0)], 0, [Equation(200, 1000), Equation(100, 500, decreasing=True)])
    assert [road.label(s) for s in (0, 99, 100, 150, 200, 250)] == [0, 99, 500, 450, 1000, 1050]
    assert road.stations_of(450) == [150]
    assert road.stations_of(50) == [50]
    assert road.stations_of(1050) == [250]
    assert road.stations_of(300) == []


def test_a_label_that_occurs_twice_names_both_stations():
    road = Alignment.polyline("a", [(0, 0), (300, 0)], 0, [Equation(100, 100, decreasing=True)])
    assert road.stations_of(60) == [60, 140]
    assert road.stations_of(100) == [100]


def test_the_label_at_the_end_before_an_equation_still_names_its_place():
    road = Alignment.polyline("a", [(0, 0), (300, 0)], 0, [Equation(120, 5000)])
    assert road.label(120) == 5000
    assert road.stations_of(120) == road.stations_of(5000) == [120]


def test_an_equation_before_the_start_changes_all_labels_and_one_past_the_end_none():
    road = Alignment.polyline("a", [(0, 0), (10, 0)], 50, [Equation(40, 0), Equation(70, 9000)])
    assert [road.label(s) for s in (50, 60)] == [10, 20]
    assert road.stations_of(15) == [55]
    assert road.stations_of(9000) == []


@given(
    st.lists(st.tuples(st.integers(-50, 450), st.integers(-1000, 1000), st.booleans()), max_size=4),
    st.integers(0, 4000),
)
@settings(max_examples=60, deadline=None)
def test_every_station_is_among_those_of_its_label(equations, tenths):
    known = {at: Equation(at, ahead, down) for at, ahead, down in equations}
    road = Alignment.polyline("a", [(0, 0), (400, 0)], 0, list(known.values()))
    station = tenths / 10
    assert any(abs(s - station) < 1e-6 for s in road.stations_of(road.label(station)))


# Feet on lines, kinks and ends


def test_right_is_positive_looking_up_station():
    assert nearest(STRAIGHT, (30, -2), (30, 2), (30, 0)) == [
        (30, 2, ALONGSIDE, False), (30, -2, ALONGSIDE, False), (30, 0, ALONGSIDE, False),
    ]  # fmt: skip


def test_past_an_end_the_end_is_the_spot_and_the_side_gives_the_sign():
    assert nearest(STRAIGHT, (-3, 4), (-3, -4), (104, 3), (104, -3)) == [
        (0, -5, BEFORE, False), (0, 5, BEFORE, False), (100, -5, PAST, False), (100, 5, PAST, False),
    ]  # fmt: skip


def test_straight_ahead_of_an_end_counts_as_right():
    assert nearest(STRAIGHT, (-3, 0), (103, 0)) == [(0, 3, BEFORE, False), (100, 3, PAST, False)]


def test_square_beside_an_end_is_alongside():
    assert nearest(STRAIGHT, (0, 7), (100, -7), (0, 0), (100, 0)) == [
        (0, -7, ALONGSIDE, False), (100, 7, ALONGSIDE, False), (0, 0, ALONGSIDE, False), (100, 0, ALONGSIDE, False),
    ]  # fmt: skip


def test_square_beside_an_end_allows_for_rounding():
    assert [place for *_, place, _ in nearest(STRAIGHT, (-1e-8, 7), (100 + 1e-8, 7))] == [ALONGSIDE] * 2
    assert [place for *_, place, _ in nearest(STRAIGHT, (-1e-4, 7), (100 + 1e-4, 7))] == [BEFORE, PAST]


def test_outside_a_kink_its_vertex_is_the_foot():
    assert foot(LEFT, 13, -4) == (10, 5, ALONGSIDE, False)
    assert foot(RIGHT, 13, 4) == (10, -5, ALONGSIDE, False)


def test_outside_a_kink_sharper_than_square_the_whole_wedge_is_on_the_outer_side():
    sharp = Alignment.polyline("sharp", [(0, 0), (10, 0), (0, 5)])
    assert foot(sharp, 11, 0.5) == (10, hypot(1, 0.5), ALONGSIDE, False)
    assert foot(sharp, 10.5, -1) == (10, hypot(0.5, 1), ALONGSIDE, False)
    mirrored = Alignment.polyline("sharp", [(0, 0), (10, 0), (0, -5)])
    assert foot(mirrored, 11, -0.5) == (10, -hypot(1, 0.5), ALONGSIDE, False)


def test_where_a_road_turns_back_on_itself_the_side_is_that_of_the_way_there():
    back = Alignment.polyline("back", [(0, 0), (10, 0), (2, 0)])
    assert foot(back, 11, 1) == (10, -sqrt(2), ALONGSIDE, False)
    assert foot(back, 11, -1) == (10, sqrt(2), ALONGSIDE, False)
    assert foot(back, 5, 1) == (5, -1, ALONGSIDE, True)


def test_inside_a_kink_the_nearer_of_two_feet_is_told():
    assert foot(LEFT, 6, 3) == (6, -3, ALONGSIDE, False)
    assert foot(LEFT, 7, 4) == (14, -3, ALONGSIDE, False)


def test_feet_as_near_are_tied_and_the_lower_station_is_told():
    assert foot(LEFT, 7, 3) == (7, -3, ALONGSIDE, True)
    assert foot(HAIRPIN, 50, 5) == (50, -5, ALONGSIDE, True)
    assert foot(HAIRPIN, 50, 4) == (50, -4, ALONGSIDE, False)
    assert foot(HAIRPIN, 50, 6) == (160, -4, ALONGSIDE, False)


def test_a_tie_holds_to_a_millionth():
    assert foot(HAIRPIN, 50, 5 + 0.2e-6)[3]
    assert not foot(HAIRPIN, 50, 5 + 5e-6)[3]


def test_where_a_road_crosses_itself_both_stations_are_on_it():
    eight = Alignment.polyline("eight", [(0, 0), (10, 10), (10, 0), (0, 10)])
    assert foot(eight, 5, 5) == (sqrt(50), 0, ALONGSIDE, True)


def test_a_smooth_joint_is_one_place_and_no_tie():
    road = Alignment.joined("a", [line((0, 0), (10, 0)), arc((10, 0), (10, 20), (30, 20), False)])
    assert foot(road, 10, 3) == (10, -3, ALONGSIDE, False)
    assert foot(road, 10, -3) == (10, 3, ALONGSIDE, False)


# Arcs, rings, centres of curvature


def test_feet_on_a_circle_are_found_from_inside_and_outside():
    assert foot(CIRCLE, 0, 20) == (5 * pi, 10, ALONGSIDE, False)
    assert foot(CIRCLE, 0, 4) == (5 * pi, -6, ALONGSIDE, False)
    assert foot(CLOCKWISE, 0, 20) == (15 * pi, -10, ALONGSIDE, False)
    assert foot(CLOCKWISE, -3, 0) == (10 * pi, 7, ALONGSIDE, False)


def test_a_ring_has_no_ends():
    assert CIRCLE.closed
    assert SQUARE.closed
    assert foot(CIRCLE, 14, 0) == (0, 4, ALONGSIDE, False)
    assert foot(SQUARE, -3, -4) == (0, 5, ALONGSIDE, False)
    assert foot(SQUARE, -2, 5) == (35, 2, ALONGSIDE, False)
    assert foot(SQUARE, 1, 0.5) == (1, -0.5, ALONGSIDE, False)
    x, y = CIRCLE.points([0, CIRCLE.last])
    assert x.tolist() == pytest.approx([10, 10])
    assert y.tolist() == pytest.approx([0, 0], abs=1e-12)


def test_just_before_and_after_the_seam_of_a_ring_nothing_is_tied():
    for angle in (1e-3, 1e-7, 1e-12, -1e-12, -1e-7, -1e-3):
        station, offset, place, tied = nearest(CIRCLE, (12 * cos(angle), 12 * sin(angle)))[0]
        assert min(abs(station - 10 * angle), abs(station - 10 * angle - 20 * pi)) < 1e-8
        assert (offset, place, tied) == (pytest.approx(2), ALONGSIDE, False)


def test_a_short_road_whose_ends_are_near_is_no_ring():
    assert not Alignment.polyline("stub", [(0, 0), (0.008, 0)]).closed
    assert not HAIRPIN.closed


def test_at_the_centre_of_an_arc_every_place_is_as_near():
    assert foot(CIRCLE, 0, 0) == (0, -10, ALONGSIDE, True)
    assert foot(CLOCKWISE, 0, 0) == (0, 10, ALONGSIDE, True)
    slight = Alignment.joined("slight", [arc((10, 0), (0, 0), (10 * cos(0.2), 10 * sin(0.2)), False)], station=70)
    assert foot(slight, 0, 0) == (70, -10, ALONGSIDE, True)


@pytest.mark.parametrize("angle", [0.05, 0.1, 1.2, 3.3, 5.0])
def test_a_hair_from_the_centre_of_an_arc_every_place_is_as_near_too(angle):
    # Beside a long road of curves, so that the short arc is not cut.
    slight = Alignment.joined("slight", [arc((10, 0), (0, 0), (10 * cos(0.2), 10 * sin(0.2)), False)])
    long = Alignment.joined("long", [arc((5000, 0), (0, 0), (0, 5000), False)])
    feet = Locator((slight, long)).nearest(np.array([1e-6 * cos(angle)]), np.array([1e-6 * sin(angle)]))
    assert (feet.road[0], feet.station[0], feet.tied[0]) == (0, 0.0, True)
    assert feet.offset[0] == pytest.approx(-10, abs=2e-6)


def test_at_the_centre_of_an_arc_a_nearer_piece_is_told_untied():
    road = Alignment.joined("a", [arc((10, 0), (0, 0), (0, 10), False), line((0, 10), (-1, -3))])
    station, offset, _, tied = nearest(road, (0, 0))[0]
    assert station > 5 * pi
    assert abs(offset) < 1
    assert not tied


def test_beyond_the_centre_of_curvature_the_farthest_point_is_no_foot():
    assert foot(QUARTER, -2, -1) == (5 * pi, -hypot(2, 11), PAST, False)
    assert foot(QUARTER, -1, -2) == (0, -hypot(11, 2), BEFORE, False)
    assert foot(QUARTER, -1, -1) == (0, -hypot(11, 1), BEFORE, True)


def test_beside_the_ends_of_an_arc_the_tangent_tells_before_and_past():
    assert foot(QUARTER, 12, -1) == (0, hypot(2, 1), BEFORE, False)
    assert foot(QUARTER, -1, 13) == (5 * pi, hypot(1, 3), PAST, False)
    assert foot(QUARTER, 12, 0) == (0, 2, ALONGSIDE, False)
    assert foot(QUARTER, 0, 13) == (5 * pi, 3, ALONGSIDE, False)


def test_a_clothoid_that_reverses_is_the_same_from_both_of_its_ends():
    # Point symmetric about its middle, where it is straight.
    road = Alignment.joined("s", [clothoid((0, 0), 0.3, 80, -1 / 40, 1 / 40)])
    (mx,), (my,) = road.points([40])
    x, y = road.points([3, 17, 31], [5, -6, 7])
    there, back = nearest(road, *zip(x, y, strict=True)), nearest(road, *zip(2 * mx - x, 2 * my - y, strict=True))
    for (s, o, *_), (t, p, *_) in zip(there, back, strict=True):
        assert s + t == pytest.approx(80, abs=1e-8)
        assert o + p == pytest.approx(0, abs=1e-8)


# Many roads, many points


def everywhere(seed, count=400, reach=60):
    rng = np.random.default_rng(seed)
    return rng.uniform(-reach, 100 + reach, count), rng.uniform(-reach, reach, count)


ROADS = (STRAIGHT, LEFT, HAIRPIN, CIRCLE, QUARTER)


def same(one, other):
    return all(getattr(one, name).tolist() == getattr(other, name).tolist() for name in Feet.__slots__)


def test_each_road_within_reach_has_one_row_by_point_then_road():
    x, y = everywhere(1)
    feet = Locator(ROADS).feet(x, y, 12.0)
    pairs = list(zip(feet.point.tolist(), feet.road.tolist(), strict=True))
    assert pairs == sorted(set(pairs))
    alone = [Locator((road,)).nearest(x, y) for road in ROADS]
    assert pairs == [(p, r) for p in range(len(x)) for r in range(len(ROADS)) if abs(alone[r].offset[p]) <= 12]
    for k, (p, r) in enumerate(pairs):
        assert feet.station[k] == alone[r].station[p]
        assert feet.offset[k] == alone[r].offset[p]
        assert feet.place[k] == alone[r].place[p]


def test_the_nearest_road_is_the_one_with_the_least_offset():
    x, y = everywhere(2, reach=5000)
    near = Locator(ROADS).nearest(x, y)
    alone = np.array([np.abs(Locator((road,)).nearest(x, y).offset) for road in ROADS])
    assert near.point.tolist() == list(range(len(x)))
    # Where two are as near (the straight road runs on the hairpin's first leg), the earlier.
    assert near.road.tolist() == (alone <= alone.min(axis=0) * (1 + 1e-6) + 1e-6).argmax(axis=0).tolist()
    assert np.abs(near.offset) == pytest.approx(alone.min(axis=0), rel=1e-6)


def test_of_two_roads_as_near_the_earlier_is_told_and_neither_is_tied():
    near = Locator((LEFT, STRAIGHT)).nearest(np.array([5.0, 50]), np.array([1.0, 1]))
    assert near.road.tolist() == [0, 1]
    assert near.tied.tolist() == [False, False]


def test_a_point_at_the_reach_is_within_it():
    feet = Locator((STRAIGHT,)).feet(np.array([50.0, 50, 50]), np.array([15.0, -15, 15.001]), 15)
    assert feet.point.tolist() == [0, 1]
    assert Locator((STRAIGHT,)).feet(np.array([3.0, 3]), np.array([0.0, 1]), 0.0).point.tolist() == [0]
    assert len(Locator(ROADS).feet(np.array([3.0]), np.array([2.0]), inf)) == len(ROADS)


@pytest.mark.parametrize("reach", [-1.0, nan])
def test_a_reach_that_is_none_is_refused(reach):
    with pytest.raises(ValueError, match="reach"):
        Locator((STRAIGHT,)).feet(np.zeros(1), np.zeros(1), reach)


def test_points_that_are_no_numbers_have_no_rows():
    x, y = np.array([nan, 5, inf, 6, -inf, 1e300]), np.array([0, nan, 0, 1, -inf, 1e300])
    for feet in (Locator(ROADS).nearest(x, y), Locator((STRAIGHT,)).feet(x, y, inf)):
        assert feet.point.tolist() == [3]


def test_no_points_or_no_roads_give_no_rows():
    none, some = np.zeros(0), np.zeros(3)
    for feet in (
        Locator(ROADS).feet(none, none, 10),
        Locator(ROADS).nearest(none, none),
        Locator(()).feet(some, some, 10),
        Locator(()).nearest(some, some),
        Locator(ROADS).feet(some + 1e6, some, 10),
    ):
        assert len(feet) == 0
        assert (feet.point.dtype, feet.place.dtype, feet.tied.dtype) == (np.int64, np.int8, np.bool_)


def test_however_the_points_are_portioned_out_the_answer_is_the_same(monkeypatch):
    x, y = everywhere(3, count=900)
    locator = Locator(ROADS)
    whole = locator.feet(x, y, 30.0), locator.nearest(x, y)
    monkeypatch.setattr(locate, "_POINTS", 7)
    assert same(locator.feet(x, y, 30.0), whole[0])
    monkeypatch.setattr(locate, "_PAIRS", 1)
    assert same(locator.feet(x, y, 30.0), whole[0])
    assert same(locator.nearest(x, y), whole[1])


def test_a_point_asked_twice_gets_the_same_answer_twice_in_any_order():
    x, y = everywhere(4)
    feet = Locator(ROADS).nearest(x, y)
    turned = Locator(ROADS).nearest(x[::-1], y[::-1])
    assert feet.station.tolist() == turned.station[::-1].tolist()
    assert feet.offset.tolist() == turned.offset[::-1].tolist()


# Precision, and back again


def winding(origin=(0.0, 0.0), station=250.0):
    """Line, clothoid, arc, egg-shaped clothoid, arc, reversing clothoid, line; smooth; turns less than 90 degrees."""
    pieces = [line(origin, (origin[0] + 60, origin[1] + 11))]
    for length, start, end in ((40, 0, 1 / 120), (50, 1 / 120, 1 / 120), (30, 1 / 120, 1 / 80), (20, 1 / 80, 1 / 80),
                               (70, 1 / 80, -1 / 90), (30, 0, 0)):  # fmt: skip
        before = pieces[-1]
        heading = before.heading + before.length * (before.curvature + before.sharpening * before.length / 2)
        pieces.append(clothoid(before.end, heading, length, start, end))
    return Alignment.joined("winding", pieces, station)


@given(st.floats(0, 1), st.floats(-30, 30), st.sampled_from([(0.0, 0.0), (5.1e5, 4.2e6), (2.4e7, -6.8e6)]))
@settings(max_examples=150, deadline=None)
def test_station_and_offset_come_back_from_their_point(share, offset, origin):
    road = winding(origin)
    station = road.first + share * (road.last - road.first)
    x, y = road.points([station], [offset])
    # Coordinates of 2.4e7 are known to 4e-9; inside a curve the station is worse by R / (R - offset) < 2.
    tolerance = 1e-9 + 4 * np.spacing(max(map(abs, origin)))
    feet = Locator((road,)).nearest(x, y)
    assert feet.station[0] == pytest.approx(station, abs=tolerance)
    assert feet.offset[0] == pytest.approx(offset, abs=tolerance)
    assert feet.place[0] == ALONGSIDE


def test_large_coordinates_lose_no_more_digits_than_they_are_written_with():
    east, north = 24_525_276.867419, 6_876_935.549267
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, 250, 300), rng.uniform(-40, 160, 300)
    near, far = Locator((winding(),)).nearest(x, y), Locator((winding((east, north)),)).nearest(x + east, y + north)
    assert np.abs(near.station - far.station).max() < 1e-7
    assert np.abs(near.offset - far.offset).max() < 2e-8
    assert near.place.tolist() == far.place.tolist()


@given(st.floats(0.001, 1000))
@settings(max_examples=30, deadline=None)
def test_the_unit_of_length_does_not_matter(factor):
    pieces = [clothoid((0, 0), 0.2, 50 * factor, 0, 0.02 / factor)]
    road = Alignment.joined("a", pieces, gap=0.01 * factor)
    feet = Locator((road,)).nearest(np.array([20, 41, -5]) * factor, np.array([-9, 30, 2]) * factor)
    plain = Locator((Alignment.joined("a", [clothoid((0, 0), 0.2, 50, 0, 0.02)]),)).nearest(
        np.array([20.0, 41, -5]), np.array([-9.0, 30, 2])
    )
    assert feet.station / factor == pytest.approx(plain.station, abs=1e-8)
    assert feet.offset / factor == pytest.approx(plain.offset, abs=1e-8)


# Chords


def test_chords_are_as_close_as_asked_and_no_closer_than_need_be():
    for sagitta in (1.0, 0.1, 0.001):
        xy, stations = CIRCLE.densified(sagitta)
        middle = (xy[1:] + xy[:-1]) / 2
        off = 10 - np.hypot(*middle.T)
        assert off.max() <= sagitta
        assert sagitta == 1.0 or off.max() > 0.6 * sagitta
        assert np.hypot(*xy.T) == pytest.approx(10)
        assert stations[[0, -1]] == pytest.approx([0, 20 * pi])


def test_chords_keep_every_vertex_and_the_end():
    xy, stations = HAIRPIN.densified(5)
    assert xy == pytest.approx(np.array([[0, 0], [100, 0], [100, 10], [0, 10]]))
    assert stations.tolist() == [0, 100, 110, 210]


@pytest.mark.parametrize("sagitta", [0.0, -1.0, nan])
def test_a_sagitta_that_is_none_is_refused(sagitta):
    with pytest.raises(ValueError, match="sagitta"):
        CIRCLE.densified(sagitta)
