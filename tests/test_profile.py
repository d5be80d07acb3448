"""Vertical profiles: what they refuse and in what words, their ends and breaks, and properties of all profiles."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gradecheck.errors import InputError
from gradecheck.roads.profile import Bend, Profile


def array(*values):
    return np.array(values, dtype=float)


def refused(*bends, **options):
    with pytest.raises(InputError) as caught:
        Profile.of("Main", bends, **options)
    return [str(finding) for finding in caught.value.findings]


def refused_table(stations, heights):
    with pytest.raises(InputError) as caught:
        Profile.table("ground", array(*stations), array(*heights))
    return [str(finding) for finding in caught.value.findings]


# Up 1:10 for 100, down 1:20 for 200.
ROOF = [Bend(0, 0), Bend(100, 10), Bend(300, 0)]


def test_between_bare_vertices_a_profile_is_straight():
    profile = Profile.of("roof", ROOF)
    assert profile.heights(array(0, 50, 100, 200, 300)) == pytest.approx([0, 5, 10, 5, 0])
    assert profile.curvatures(array(0, 50, 100, 200, 300)).tolist() == [0, 0, 0, 0, 0]


def test_at_a_break_the_grade_is_that_of_the_piece_ahead_and_at_the_end_that_of_the_last():
    profile = Profile.of("roof", ROOF)
    assert profile.grades(array(0, 99.9, 100, 300)) == pytest.approx([0.1, 0.1, -0.05, -0.05])


@pytest.mark.parametrize("station", [-1e-6, 300.000001, np.nan, np.inf, -np.inf])
def test_outside_its_ends_a_profile_says_nothing(station):
    profile = Profile.of("roof", ROOF)
    assert np.isnan(profile.heights(array(station))).all()
    assert np.isnan(profile.grades(array(station))).all()
    assert np.isnan(profile.curvatures(array(station))).all()


def test_the_rounding_of_a_station_does_not_lose_the_ends():
    profile = Profile.of("far", [Bend(1_000_000.1, 5), Bend(1_000_100.1, 6)])
    ends = np.nextafter([profile.first, profile.last], [-np.inf, np.inf])
    assert profile.heights(ends) == pytest.approx([5, 6], abs=1e-12)


def test_no_stations_give_no_heights():
    profile = Profile.of("roof", ROOF)
    assert len(profile.heights(array())) == len(profile.grades(array())) == len(profile.curvatures(array())) == 0


def test_the_stations_asked_for_are_not_changed():
    asked = array(400, 50, -3)
    Profile.of("roof", ROOF).heights(asked)
    assert asked.tolist() == [400, 50, -3]


def test_a_symmetric_curve_is_as_high_above_its_chord_as_below_its_vertex():
    # 200 long between +10 % and -10 %: the vertex is 10 above the chord, the curve 5.
    profile = Profile.of("crest", [Bend(-200, 0), Bend(0, 20, 200), Bend(200, 0)])
    assert profile.heights(array(-100, 0, 100)) == pytest.approx([10, 15, 10])
    assert profile.grades(array(-100, 0, 50)) == pytest.approx([0.1, 0, -0.05])
    assert profile.curvatures(array(-100, -1, 0, 99, 100)) == pytest.approx([-0.001, -0.001, -0.001, -0.001, 0])
    assert profile.turning_points() == pytest.approx(array([0, 15]))


def test_a_quarter_of_a_3_4_5_circle_is_where_pythagoras_has_it():
    # Centre at (0, 0), radius 50, over the top from (-30, 40) to (30, 40): slopes 3/4 and -3/4 meet at (0, 62.5).
    profile = Profile.of("dome", [Bend(-50, 25), Bend(0, 62.5, radius=50), Bend(50, 25)])
    assert profile.heights(array(-50, -30, -14, 0, 14, 30)) == pytest.approx([25, 40, 48, 50, 48, 40], abs=1e-12)
    assert profile.grades(array(-14, 0, 14)) == pytest.approx([7 / 24, 0, -7 / 24])
    assert profile.turning_points() == pytest.approx(array([0, 50]))


def test_a_level_road_and_a_level_piece_have_no_highs_or_lows():
    level = Profile.of("level", [Bend(0, 7), Bend(50, 7, 20), Bend(100, 7)])
    onto_the_level = Profile.of("up", [Bend(0, 0), Bend(100, 10, 50), Bend(200, 10, 40), Bend(300, 20)])
    assert len(level.turning_points()) == len(onto_the_level.turning_points()) == 0


def test_touching_curves_that_are_level_where_they_meet_have_one_high_there():
    profile = Profile.of("two", [Bend(0, 0), Bend(100, 10, 100), Bend(200, 10, 100), Bend(300, 0)])
    assert profile.turning_points() == pytest.approx(array([150, 10]))


def test_equal_grades_make_a_straight_road_whatever_the_curve():
    profile = Profile.of("straight", [Bend(0, 0), Bend(100, 5, 80), Bend(200, 10, radius=500), Bend(300, 15)])
    s = np.linspace(0, 300, 61)
    assert profile.heights(s) == pytest.approx(s / 20, abs=1e-12)
    assert profile.curvatures(s) == pytest.approx(np.zeros(61))


def test_a_radius_alone_makes_the_same_arc_as_with_its_length():
    angle = np.arctan(0.05) + np.arctan(0.1)
    stated = Profile.of("arc", [ROOF[0], Bend(100, 10, 400 * angle, radius=400), ROOF[2]])
    alone = Profile.of("arc", [ROOF[0], Bend(100, 10, radius=400), ROOF[2]])
    s = np.linspace(0, 300, 301)
    assert alone.heights(s).tolist() == stated.heights(s).tolist()


@pytest.mark.parametrize("excess", [0.0, 5e-5, 1.5e-3])
def test_curves_that_touch_up_to_the_rounding_of_files_are_taken_as_touching(excess):
    bends = [Bend(0, 0), Bend(100, 4, 200 + excess), Bend(300, 0, 200 + excess), Bend(400, 3)]
    profile = Profile.of("touching", bends)
    assert (profile.first, profile.last) == (0, 400)
    assert (profile.end[:-1] == profile.start[1:]).all()
    assert (profile.end > profile.start).all()
    joints = profile.start[1:]
    jump = profile.heights(joints) - profile.heights(np.nextafter(joints, -np.inf))
    assert np.abs(jump).max() < 1e-8
    assert profile.heights(array(0, 400)) == pytest.approx([0, 3], abs=1e-6)


@pytest.mark.parametrize("count", [0, 1])
def test_fewer_than_two_vertices_are_refused(count):
    assert refused(*ROOF[:count]) == [
        "profile 'Main': it has fewer than two vertices -> a profile needs at least two",
    ]


def test_a_finding_begins_with_the_words_that_the_caller_gives():
    assert refused(shown="road.xml: Main")[0].startswith("road.xml: Main: it has")


@pytest.mark.parametrize("station", [100, 99.5])
def test_stations_that_do_not_rise_are_refused_with_both_named(station):
    (finding,) = refused(Bend(0, 0), Bend(100, 1), Bend(station, 2), Bend(200, 3))
    assert "vertex 3" in finding
    assert f"station {station}" in finding
    assert "vertex 2 (station 100)" in finding


@pytest.mark.parametrize(
    ("bend", "word"),
    [
        (Bend(np.nan, 1), "nan"),
        (Bend(50, np.inf), "inf"),
        (Bend(50, 1, np.nan), "length"),
        (Bend(50, 1, -3), "length"),
        (Bend(50, 1, 3, -3), "length"),
        (Bend(50, 1, 3, np.inf), "length"),
        (Bend(50, 1, 0, 3), "one of the two lengths"),
        (Bend(50, 1, 3, 0), "one of the two lengths"),
        (Bend(50, 1, 3, radius=0), "radius of 0"),
        (Bend(50, 1, 3, radius=np.nan), "radius of nan"),
        (Bend(50, 1, 3, 3, radius=100), "not both"),
    ],
)
def test_a_vertex_that_makes_no_sense_is_refused_once_and_named(bend, word):
    (finding,) = refused(Bend(0, 0), bend, Bend(100, 3))
    assert "vertex 2" in finding
    assert word in finding


def test_a_curve_at_the_first_or_last_vertex_is_refused():
    findings = refused(Bend(0, 0, 10), Bend(50, 1), Bend(100, 3, radius=50))
    assert [("first" in f, "last" in f) for f in findings] == [(True, False), (False, True)]
    assert "vertex 1 (station 0)" in findings[0]
    assert "vertex 3 (station 100)" in findings[1]


def test_a_curve_past_the_ends_is_refused_with_by_how_much():
    before, past = refused(Bend(0, 0), Bend(50, 1, 103), Bend(99, 3))
    assert "vertex 2 (station 50) begins 1.5 before the first vertex" in before
    assert "vertex 2 (station 50) ends 2.5 past the last vertex" in past


def test_curves_that_overlap_are_refused_with_both_named_and_by_how_much():
    (finding,) = refused(Bend(0, 0), Bend(100, 5, 120), Bend(200, 2, 45.25, 30), Bend(300, 5))
    said = "profile 'Main': the curves at vertex 2 (station 100) and vertex 3 (station 200) overlap by 5.25"
    assert finding.startswith(said)


def test_vertices_may_be_less_than_one_apart():
    profile = Profile.of("short", [Bend(0, 0), Bend(0.25, 0.1), Bend(0.75, 0.1)])
    assert profile.heights(array(0.125, 0.5)) == pytest.approx([0.05, 0.1])


def test_over_a_long_way_a_millionth_of_it_is_rounding_and_more_is_an_overlap():
    # Curves of 200,000 touch where one is 0.15 too long; 0.5 is more than 0.2.
    def far(excess):
        return [Bend(-200_000, 0), Bend(0, 9, 200_000 + excess), Bend(200_000, 0, 200_000 + excess), Bend(400_000, 3)]

    assert Profile.of("far", far(0.15)).last == 400_000
    assert len(refused(*far(0.5))) == 1


def test_an_overlap_beyond_the_rounding_of_files_is_refused():
    (finding,) = refused(Bend(-50, 0), Bend(100, 4, 200.004), Bend(300, 0, 200.004), Bend(500, 3))
    assert "overlap by 0.004" in finding


def test_an_arc_that_contradicts_its_radius_and_grades_is_refused_with_what_they_make():
    # 10 % to -5 % is 0.149627 rad; 400 times that is 59.85.
    (finding,) = refused(ROOF[0], Bend(100, 10, 30.0, radius=400), ROOF[2])
    assert "vertex 2 (station 100): its arc is 30 long" in finding
    assert "radius of 400" in finding
    assert "makes 59.8" in finding
    assert "10 % and -5 %" in finding


def test_an_arc_off_by_less_than_one_in_a_hundred_is_taken_and_by_two_refused():
    assert Profile.of("arc", [ROOF[0], Bend(100, 10, 59.4, radius=400), ROOF[2]]).last == 300
    assert len(refused(ROOF[0], Bend(100, 10, 58.6, radius=400), ROOF[2])) == 1


def test_an_arc_off_by_what_rounded_heights_make_of_it_is_taken():
    # A thousandth in 50 on one side, and a radius of 100,000, make an arc of 2; both sides' rounding makes 4.
    def flat(length):
        return [Bend(0, 0.001), Bend(50, 0.0, length, radius=100_000), Bend(100, 0.0)]

    assert Profile.of("flat", flat(5.9)).last == 100
    assert len(refused(*flat(6.1))) == 1


def test_a_road_steeper_than_one_in_one_is_taken_for_a_mistaken_unit():
    (finding,) = refused(Bend(0, 0), Bend(10, 11), Bend(30, 3))
    assert "steeper than 1:1" in finding
    assert "unit" in finding
    assert "vertex 1 (station 0) to vertex 2 (station 10)" in finding


def test_all_that_is_wrong_is_told_at_once():
    findings = refused(
        Bend(0, 0, 5), Bend(10, 20, 30), Bend(5, 3), Bend(60, np.nan), Bend(70, 2, 10, radius=0), Bend(150, 3, 100),
        Bend(200, 3, 90), Bend(260, 2),
    )  # fmt: skip
    wanted = ["first vertex has", "nan", "radius of 0", "before the first", "steeper", "come after", "overlap"]
    assert [any(word in f for f in findings) for word in wanted] == [True] * len(wanted)
    assert len(findings) == len(wanted)


def test_a_table_is_straight_from_row_to_row():
    profile = Profile.table("ground", array(10, 20, 40), array(1, 3, 2))
    assert profile.heights(array(10, 15, 20, 30, 40)) == pytest.approx([1, 2, 3, 2.5, 2])
    assert np.isnan(profile.heights(array(9.99, 40.01))).all()


def test_a_repeated_station_of_one_height_is_dropped_wherever_it_is():
    profile = Profile.table("ground", array(10, 10, 20, 20, 20, 40, 40), array(1, 1, 3, 3, 3, 2, 2))
    assert profile.start.tolist() == [10, 20]
    assert profile.end.tolist() == [20, 40]
    assert profile.grades(array(40)) == pytest.approx([-0.05])


def test_a_wall_in_the_ground_is_no_mistake():
    assert Profile.table("wall", array(0, 10, 10.01, 20), array(0, 0, 3, 3)).heights(array(15)) == pytest.approx([3])


def test_the_arrays_of_a_table_are_not_kept_by_reference():
    stations, heights = array(0, 10), array(1, 2)
    profile = Profile.table("ground", stations, heights)
    stations[:], heights[:] = 5, 5
    assert profile.heights(array(0, 10)).tolist() == [1, 2]


@pytest.mark.parametrize("count", [0, 1])
def test_a_table_of_fewer_than_two_rows_is_refused(count):
    assert "fewer than two" in refused_table([5, 6][:count], [1, 2][:count])[0]


def test_a_table_of_one_place_only_is_refused():
    assert "fewer than two" in refused_table([5, 5, 5], [1, 1, 1])[0]


def test_a_station_with_two_heights_is_refused_with_its_row_and_both_heights():
    (finding,) = refused_table([0, 10, 10, 20], [1, 2, 2.5, 3])
    assert "station 10 (row 3) has heights 2 and 2.5" in finding


def test_all_that_is_wrong_with_a_table_is_told_at_once():
    findings = refused_table([0, 10, 5, 6, np.nan, 20, 20], [1, 2, 3, 4, 5, 6, np.inf])
    assert len(findings) == 2
    assert "row 5 has station nan" in findings[0]
    assert "row 7" in findings[0]
    assert "station 5 (row 3) follows 10" in findings[1]


def test_many_wrong_rows_are_counted_and_the_first_five_named():
    (finding,) = refused_table(np.arange(100.0)[::-1], np.zeros(100))
    assert finding.count("row") == 5 + 1  # "put the rows in rising order"
    assert "and 94 more" in finding
    (finding,) = refused_table(np.arange(6.0)[::-1], np.zeros(6))
    assert "more" not in finding


def test_a_finding_about_a_table_begins_with_the_words_that_the_caller_gives():
    with pytest.raises(InputError, match=r"^survey\.csv: it has"):
        Profile.table("ground", array(), array(), "survey.csv")


ANY = settings(max_examples=60, deadline=None)


@st.composite
def roads(draw):
    """Bends of a sound profile: curves take a share of the way to the next vertex, from none to all of it."""
    count = draw(st.integers(2, 6))
    runs = draw(st.lists(st.floats(20, 500), min_size=count - 1, max_size=count - 1))
    grades = draw(st.lists(st.floats(-0.3, 0.3), min_size=count - 1, max_size=count - 1))
    station = np.concatenate([[draw(st.floats(-1000, 1000))], runs]).cumsum()
    height = np.concatenate([[100.0], np.multiply(runs, grades)]).cumsum()
    bends = [Bend(float(station[0]), float(height[0]))]
    for i in range(1, count - 1):
        room, share = min(runs[i - 1], runs[i]), draw(st.sampled_from([0.0, 0.01, 0.3, 0.5]))
        turn = abs(np.arctan(grades[i]) - np.arctan(grades[i - 1]))
        kind = draw(st.sampled_from(["parabola", "unsymmetric", "circle"])) if share else "none"
        more = {
            "none": {},
            "parabola": {"length": 2 * share * room},
            "unsymmetric": {"length": share * runs[i - 1], "length_out": share * runs[i]},
            "circle": {"radius": share * room / np.tan(turn / 2)} if turn > 1e-3 else {},
        }[kind]
        bends.append(Bend(float(station[i]), float(height[i]), **more))
    return [*bends, Bend(float(station[-1]), float(height[-1]))]


def some(profile, count=200):
    """Stations all over a profile, none of them near a joint."""
    s = np.linspace(profile.first, profile.last, count)[1:-1]
    return s[np.abs(s[:, None] - profile.start).min(axis=1) > 1e-6]


def moved(bend, factor=1.0, along=0.0, up=0.0):
    """In another unit, then counted from elsewhere."""
    of = {name: getattr(bend, name) for name in ("length", "length_out", "radius")}
    of = {name: None if value is None else value * factor for name, value in of.items()}
    return Bend(bend.station * factor + along, bend.height * factor + up, **of)


def reversed_(bend):
    before, after = bend.length, bend.length_out
    if after is not None:
        before, after = after, before
    return Bend(-bend.station, bend.height, before, after, bend.radius)


@ANY
@given(roads())
def test_pieces_follow_one_another_without_a_gap(bends):
    profile = Profile.of("any", bends)
    assert (profile.first, profile.last) == (bends[0].station, bends[-1].station)
    assert profile.end[:-1].tolist() == profile.start[1:].tolist()
    assert (profile.end > profile.start).all()


@ANY
@given(roads())
def test_height_is_continuous_everywhere_and_grade_wherever_a_curve_begins_or_ends(bends):
    profile = Profile.of("any", bends)
    joints = profile.start[1:]
    before = np.nextafter(joints, -np.inf)
    assert profile.heights(joints) == pytest.approx(profile.heights(before), abs=1e-9)
    bare = [b.station for b in bends[1:-1] if not b.curved]
    smooth = ~np.isin(joints, bare)
    assert profile.grades(joints)[smooth] == pytest.approx(profile.grades(before)[smooth], abs=1e-7)


@ANY
@given(roads())
def test_a_road_measured_from_its_other_end_is_the_mirrored_road(bends):
    profile, mirror = Profile.of("any", bends), Profile.of("mirror", [reversed_(b) for b in reversed(bends)])
    s = some(profile)
    assert mirror.heights(-s) == pytest.approx(profile.heights(s), abs=1e-9)
    assert mirror.grades(-s) == pytest.approx(-profile.grades(s), abs=1e-9)
    assert mirror.curvatures(-s) == pytest.approx(profile.curvatures(s), abs=1e-9)


@ANY
@given(roads(), st.floats(-1e5, 1e5), st.floats(-500, 500))
def test_a_shift_of_stations_and_heights_shifts_the_profile(bends, along, up):
    profile, shifted = Profile.of("any", bends), Profile.of("shifted", [moved(b, 1, along, up) for b in bends])
    s = some(profile)
    assert shifted.heights(s + along) == pytest.approx(profile.heights(s) + up, abs=1e-8)
    assert shifted.grades(s + along) == pytest.approx(profile.grades(s), abs=1e-7)


@ANY
@given(roads(), st.sampled_from([0.3048, 1 / 0.3048, 1000.0]))
def test_a_profile_in_another_unit_is_the_same_profile(bends, factor):
    profile, other = Profile.of("any", bends), Profile.of("other", [moved(b, factor) for b in bends])
    s = some(profile)
    assert other.heights(s * factor) == pytest.approx(profile.heights(s) * factor, rel=1e-11, abs=1e-9)
    assert other.grades(s * factor) == pytest.approx(profile.grades(s), abs=1e-9)
    assert other.curvatures(s * factor) * factor == pytest.approx(profile.curvatures(s), abs=1e-9)


@ANY
@given(roads())
def test_turned_upside_down_highs_become_lows_at_the_same_stations(bends):
    profile = Profile.of("any", bends)
    down = Profile.of("down", [Bend(b.station, -b.height, b.length, b.length_out, b.radius) for b in bends])
    highs, lows = profile.turning_points(), down.turning_points()
    assert lows == pytest.approx(highs * [1, -1], abs=1e-6)


@ANY
@given(roads())
def test_no_height_between_neighbouring_highs_and_lows_passes_them(bends):
    profile = Profile.of("any", bends)
    for station, height in profile.turning_points():
        assert abs(profile.grades(array(station))[0]) < 1e-9
        beside = profile.heights(array(station - 1e-3, station + 1e-3)) - height
        assert beside.prod() >= 0


@ANY
@given(roads())
def test_a_profile_stays_between_its_vertices(bends):
    profile = Profile.of("any", bends)
    z = profile.heights(some(profile))
    heights = [b.height for b in bends]
    assert z.min() >= min(heights) - 1e-9
    assert z.max() <= max(heights) + 1e-9
