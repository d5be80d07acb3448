"""Vertical profiles against textbook answers, SciPy's splines, linear algebra, and the files of real roads.

[pub] marks answers printed in an open-access surveying textbook, the vertical-curve self-study (Mahun), to three
decimals; [calc] marks cases worked by hand from the same formulas, to the digits given.
"""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import CubicHermiteSpline, interp1d
from scipy.optimize import brentq

from gradecheck.roads.profile import Bend, Profile

DATA = Path(__file__).resolve().parents[2] / ".." / "shared" / "data"
FEET, METRES = DATA / "landxml_mac999_mit" / "landxml_road_sample.xml", DATA / "landxml_infra_cc_by"
PARABOLAS, CIRCLES, SHORT = (
    next(METRES.glob(f"*{end}.xml"), METRES / end) for end in ("1_alignment", "_m14334", "_y3")
)
FILES = [FEET, PARABOLAS, CIRCLES, SHORT]
here = pytest.mark.skipif(not all(file.exists() for file in FILES), reason="open alignments not here")


def curve(station, height, grade, grade_out, length, length_out=None):
    """One vertex with a parabola that takes up the whole profile."""
    before, after = (length / 2, length / 2) if length_out is None else (length, length_out)
    return Profile.of(
        "curve",
        [
            Bend(station - before, height - grade * before),
            Bend(station, height, length, length_out),
            Bend(station + after, height + grade_out * after),
        ],
    )


# [pub] The vertex is given.
CREST = curve(5650, 1325.00, 0.05, -0.035, 500)
# [pub] The start of the curve is given; the source misprints 91+00 as 1216.147.
SAG = curve(8800 + 212.5, 1220.000 - 0.04 * 212.5, -0.04, 0.0275, 425)
# [pub] Three points are given.
GIVEN = curve(3500, 918.00, 6 / 300, -3 / 300, 600)
# [calc]
FALLING = curve(2900 + 200, 954.00 - 0.01 * 200, -0.0100, -0.0225, 400)
METRIC = curve(4310, 411.00, 0.04, -0.025, 160)
UNSYMMETRIC = curve(5000, 100.00, -0.03, 0.02, 300, 200)

VECTORS = [
    (CREST, 5400, 1312.500, 3),
    (CREST, 5500, 1316.650, 3),
    (CREST, 5600, 1319.100, 3),
    (CREST, 5700, 1319.850, 3),
    (CREST, 5800, 1318.900, 3),
    (CREST, 5900, 1316.250, 3),
    (SAG, 8800, 1220.000, 3),
    (SAG, 8900, 1216.794, 3),
    (SAG, 9000, 1215.176, 3),
    (SAG, 9100, 1215.147, 3),
    (SAG, 9200, 1216.706, 3),
    (SAG, 9225, 1217.344, 3),
    (GIVEN, 3200, 912.000, 3),
    (GIVEN, 3300, 913.750, 3),
    (GIVEN, 3400, 915.000, 3),
    (GIVEN, 3500, 915.750, 3),
    (GIVEN, 3600, 916.000, 3),
    (GIVEN, 3700, 915.750, 3),
    (GIVEN, 3800, 915.000, 3),
    (FALLING, 3000, 952.8438, 4),
    (FALLING, 3100, 951.3750, 4),
    (FALLING, 3200, 949.5938, 4),
    (FALLING, 3300, 947.5000, 4),
    (METRIC, 4230, 407.800, 4),
    (METRIC, 4250, 408.5188, 4),
    (METRIC, 4310, 409.7000, 4),
    (METRIC, 4350, 409.6750, 4),
    (METRIC, 4390, 409.000, 4),
    (UNSYMMETRIC, 4700, 109.0000, 4),
    (UNSYMMETRIC, 4800, 106.3333, 4),
    (UNSYMMETRIC, 5000, 103.0000, 4),
    (UNSYMMETRIC, 5100, 102.7500, 4),
    (UNSYMMETRIC, 5200, 104.0000, 4),
]


@pytest.mark.parametrize(("profile", "station", "height", "digits"), VECTORS)
def test_heights_are_those_of_the_textbook(profile, station, height, digits):
    half = 0.5001 * 10.0**-digits
    assert profile.heights(np.array([float(station)]))[0] == pytest.approx(height, abs=half)


@pytest.mark.parametrize(
    ("profile", "station", "height", "within"),
    [
        (CREST, 5694.1176, 1319.85294, 6e-5),  # [calc]
        (SAG, 9051.852, 1214.963, 6e-4),  # [pub]
        (GIVEN, 3600.0, 916.000, 1e-9),  # [pub]
        (UNSYMMETRIC, 5066.6667, 102.66667, 6e-5),  # [calc]
    ],
)
def test_the_highest_or_lowest_point_is_that_of_the_textbook(profile, station, height, within):
    assert profile.turning_points().shape == (1, 2)
    assert profile.turning_points()[0] == pytest.approx([station, height], abs=within)


def test_a_curve_that_falls_throughout_has_no_turning_point():
    # [calc] -g1 L / (g2 - g1) = -320, before the curve.
    assert FALLING.turning_points().shape == (0, 2)


# A made road in feet: a crest, a sag and a bare break of grade, far from station 0.
ROAD = [
    Bend(100_000, 840.0), Bend(100_400, 858.0, 300), Bend(101_100, 826.5, 420.0), Bend(101_600, 841.5),
    Bend(102_000, 837.5),
]  # fmt: skip


def hermite(bends):
    """SciPy's cubic through the tangent points with the tangents' slopes: exact where the truth is a parabola.

    A bare break has no one slope: the pieces on either side of it are splines of their own.
    """
    pieces, knots = [], [(bends[0].station, bends[0].height, slope(bends, 0))]
    for i, bend in enumerate(bends[1:-1], start=1):
        for side, grade in ((-1, slope(bends, i - 1)), (1, slope(bends, i))):
            if bend.length == 0 and side == 1:
                pieces, knots = [*pieces, knots], []
            knots.append((bend.station + side * bend.length / 2, bend.height + side * grade * bend.length / 2, grade))
    pieces.append([*knots, (bends[-1].station, bends[-1].height, slope(bends, len(bends) - 2))])
    return [CubicHermiteSpline(*np.array(knots).T) for knots in pieces]


def slope(bends, i):
    return (bends[i + 1].height - bends[i].height) / (bends[i + 1].station - bends[i].station)


def test_parabolas_are_scipys_cubics_through_the_tangent_points():
    profile = Profile.of("road", ROAD)
    for spline in hermite(ROAD):
        s = np.linspace(spline.x[0], spline.x[-1], 997)[:-1]
        assert np.abs(profile.heights(s) - spline(s)).max() < 1e-9
        assert np.abs(profile.grades(s) - spline(s, 1)).max() < 1e-9
        inside = ~np.isin(s, spline.x)
        assert np.abs(profile.curvatures(s) - spline(s, 2))[inside].max() < 1e-9


def test_highs_and_lows_are_where_scipys_cubics_turn():
    expected = [[s, float(c(s))] for c in hermite(ROAD) for s in c.derivative().roots() if c.x[0] < s < c.x[-1]]
    assert len(expected) == 2
    assert Profile.of("road", ROAD).turning_points() == pytest.approx(np.array(expected), abs=1e-6)


def test_an_unsymmetric_curve_is_the_one_pair_of_parabolas_that_six_conditions_leave():
    before, after, station, g1, g2 = 130.0, 70.0, 2000.0, 0.031, -0.022
    bends = [Bend(1800, 50 - 200 * g1), Bend(station, 50.0, before, after), Bend(2200, 50 + 200 * g2)]
    # Unknown a, b, c of each parabola in u = s - station. Known: height and slope at both ends, one height and one
    # slope at the vertex.
    u, v = -before, after
    matrix = [
        [1, u, u * u, 0, 0, 0],
        [0, 1, 2 * u, 0, 0, 0],
        [0, 0, 0, 1, v, v * v],
        [0, 0, 0, 0, 1, 2 * v],
        [1, 0, 0, -1, 0, 0],
        [0, 1, 0, 0, -1, 0],
    ]
    a1, b1, c1, a2, b2, c2 = np.linalg.solve(matrix, [50 - before * g1, g1, 50 + after * g2, g2, 0, 0])
    profile = Profile.of("unsymmetric", bends)
    left, right = np.linspace(-before, 0, 131), np.linspace(0, after, 71)
    assert np.abs(profile.heights(station + left) - np.polyval([c1, b1, a1], left)).max() < 1e-9
    assert np.abs(profile.heights(station + right) - np.polyval([c2, b2, a2], right)).max() < 1e-9
    assert b1 > 0  # still rising at the vertex: the high is in the second half
    assert profile.turning_points()[0, 0] == pytest.approx(station - b2 / (2 * c2), abs=1e-8)


# Radius, the grades before and after, how far the vertices beside it are.
ARCS = [(1300.0, 0.034, 0.020), (400.0, -0.031, -0.0063), (5000.0, 0.012, -0.009), (90.0, -0.6, 0.7), (60.0, 0.9, -0.2)]


def arc(radius, g1, g2, away=120.0, sign=1.0):
    station, height = 12_345.678, 87.654
    length = radius * abs(np.arctan(g2) - np.arctan(g1))
    bends = [
        Bend(station - away, height - g1 * away),
        Bend(station, height, length, radius=sign * radius),
        Bend(station + away, height + g2 * away),
    ]
    return Profile.of("arc", bends), station, height, length


def centre_between(radius, g1, g2, station, height):
    """The centre whose distance from both tangents is the radius, on the inner side: two linear equations."""
    side = 1 if g2 > g1 else -1
    normals = side * np.array([[-g, 1] / np.hypot(1, g) for g in (g1, g2)])
    centre = np.linalg.solve(normals, normals @ [station, height] + radius)
    feet = centre - radius * normals
    return centre, feet


@pytest.mark.parametrize(("radius", "g1", "g2"), ARCS)
def test_a_circular_curve_lies_on_its_circle_between_the_feet_of_the_centre_on_the_tangents(radius, g1, g2):
    profile, station, height, _ = arc(radius, g1, g2)
    centre, feet = centre_between(radius, g1, g2, station, height)
    s = np.linspace(feet[0, 0], feet[1, 0], 501)
    z = profile.heights(s)
    assert np.abs(np.hypot(s - centre[0], z - centre[1]) - radius).max() < 1e-9
    outside = np.concatenate([np.linspace(profile.first, feet[0, 0], 50), np.linspace(feet[1, 0], profile.last, 50)])
    tangents = np.where(outside < station, g1, g2) * (outside - station) + height
    assert np.abs(profile.heights(outside) - tangents).max() < 1e-9


@pytest.mark.parametrize(("radius", "g1", "g2"), ARCS)
def test_the_length_along_a_circular_curve_is_its_arc_length(radius, g1, g2):
    profile, station, height, length = arc(radius, g1, g2)
    _, feet = centre_between(radius, g1, g2, station, height)
    along = quad(lambda s: np.hypot(1, profile.grades(np.array([s]))[0]), feet[0, 0], feet[1, 0], epsabs=1e-10)[0]
    assert along == pytest.approx(length, abs=1e-8)


@pytest.mark.parametrize(("radius", "g1", "g2"), ARCS)
def test_the_sign_of_a_radius_is_of_no_account(radius, g1, g2):
    one, other = arc(radius, g1, g2)[0], arc(radius, g1, g2, sign=-1.0)[0]
    s = np.linspace(one.first, one.last, 301)
    assert one.heights(s).tolist() == other.heights(s).tolist()


@pytest.mark.parametrize(("radius", "g1", "g2"), ARCS)
def test_the_high_or_low_of_a_circular_curve_is_straight_above_or_below_its_centre(radius, g1, g2):
    profile, station, height, _ = arc(radius, g1, g2)
    centre, _ = centre_between(radius, g1, g2, station, height)
    expected = [[centre[0], centre[1] - np.copysign(radius, g2 - g1)]] if g1 * g2 < 0 else np.zeros((0, 2))
    assert profile.turning_points() == pytest.approx(np.array(expected), abs=1e-9)


MIXED = [
    Bend(-300, 20.0), Bend(-120, 26.5, 160.0), Bend(60, 21.0, 80.0, 140.0), Bend(320, 31.0, radius=900.0),
    Bend(500, 24.0, radius=450.0), Bend(700, 30.0), Bend(800, 30.0),
]  # fmt: skip


def joints(profile):
    return profile.start[1:]


def test_grades_are_the_numerical_slope_of_the_heights_and_curvatures_of_the_grades():
    profile, h = Profile.of("mixed", MIXED), 1e-3
    s = np.linspace(profile.first, profile.last, 2003)[1:-1]
    s = s[np.abs(s[:, None] - joints(profile)).min(axis=1) > 2 * h]
    assert (profile.heights(s + h) - profile.heights(s - h)) / (2 * h) == pytest.approx(profile.grades(s), abs=1e-9)
    assert (profile.grades(s + h) - profile.grades(s - h)) / (2 * h) == pytest.approx(profile.curvatures(s), abs=1e-9)


def test_heights_are_the_integral_of_the_grades_and_grades_of_the_curvatures():
    profile = Profile.of("mixed", MIXED)
    ends = np.append(profile.start, profile.last)
    for a, b in pairwise(ends):
        start, end = (profile.heights(np.array([s]))[0] for s in (a, b))
        rise = quad(lambda s: profile.grades(np.array([s]))[0], a, b, epsabs=1e-12)[0]
        assert end - start == pytest.approx(rise, abs=1e-9)
        just = b - 1e-9
        turn = quad(lambda s: profile.curvatures(np.array([s]))[0], a, just, epsabs=1e-13)[0]
        assert profile.grades(np.array([just]))[0] - profile.grades(np.array([a]))[0] == pytest.approx(turn, abs=1e-9)


def test_highs_and_lows_are_the_roots_of_the_grade():
    profile = Profile.of("mixed", MIXED)
    s = np.linspace(profile.first, profile.last, 5001)
    grade = profile.grades(s)
    change = np.flatnonzero(np.sign(grade[1:]) * np.sign(grade[:-1]) < 0)
    roots = [brentq(lambda t: profile.grades(np.array([t]))[0], s[i], s[i + 1], xtol=1e-11) for i in change]
    assert len(roots) == 4
    assert profile.turning_points()[:, 0] == pytest.approx(roots, abs=1e-7)


def local(element):
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def elements(file, name):
    etree = pytest.importorskip("lxml.etree")
    return [e for e in etree.parse(str(file)).iter() if local(e) == name]


def read(file):
    """Vertices of a file's one design profile: "station elevation" in each element."""
    (design,) = elements(file, "ProfAlign")
    bends = []
    for e in design:
        station, height = map(float, e.text.split())
        radius = float(e.get("radius")) if local(e) == "CircCurve" else None
        bends.append(Bend(station, height, float(e.get("length", 0)), radius=radius))
    return bends


@here
@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_a_real_profile_begins_and_ends_at_its_first_and_last_vertex(file):
    bends = read(file)
    profile = Profile.of(file.stem, bends)
    assert (profile.first, profile.last) == (bends[0].station, bends[-1].station)
    ends = profile.heights(np.array([profile.first, profile.last]))
    assert ends == pytest.approx([bends[0].height, bends[-1].height], abs=1e-9)


@here
@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_a_real_profile_is_smooth_at_every_joint_but_its_bare_vertices(file):
    bends = read(file)
    profile = Profile.of(file.stem, bends)
    bare = [b.station for b in bends[1:-1] if b.length == 0]
    breaks = joints(profile)
    left, right = np.nextafter(breaks, -np.inf), breaks
    assert np.abs(profile.heights(right) - profile.heights(left)).max() < 1e-9
    jump = np.abs(profile.grades(right) - profile.grades(left))
    broken = np.isin(breaks, bare)
    assert broken.sum() == len(bare)
    assert jump[~broken].max() < 1e-9
    assert (jump[broken] > 1e-4).all()


@here
@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_a_real_profile_keeps_to_its_tangents_and_rounds_every_curved_bend_on_its_inner_side(file):
    bends = read(file)
    profile = Profile.of(file.stem, bends)
    tangents = interp1d([b.station for b in bends], [b.height for b in bends])
    s = np.linspace(profile.first, profile.last, 3001)
    off = profile.heights(s) - tangents(s)
    near = np.zeros(len(s), dtype=bool)
    for i, bend in enumerate(bends[1:-1], start=1):
        within = np.abs(s - bend.station) < bend.length / 2 - 0.01
        bending = np.sign(slope(bends, i) - slope(bends, i - 1))
        assert (bending * off[within] > 0).all()
        near |= np.abs(s - bend.station) < bend.length / 2 + 0.01
    assert near.any()
    assert np.abs(off[~near]).max() < 1e-9


@here
@pytest.mark.parametrize(("file", "count"), [(CIRCLES, 4), (SHORT, 1)], ids=["long", "short"])
def test_the_stated_arc_lengths_of_real_circular_curves_are_those_along_the_profile(file, count):
    bends = read(file)
    profile = Profile.of(file.stem, bends)
    arcs = [
        (b.length, k) for b, k in zip([b for b in bends if b.radius], np.flatnonzero(profile.curvature), strict=True)
    ]
    assert len(arcs) == count
    for length, k in arcs:
        along = quad(lambda s: np.hypot(1, profile.grades(np.array([s]))[0]), profile.start[k], profile.end[k] - 1e-12)
        assert along[0] == pytest.approx(length, abs=1e-4)


@here
def test_real_ground_is_its_own_table_with_the_repeated_last_station_dropped():
    (points,) = elements(FEET, "PntList2D")
    s, z = np.array(points.text.split(), dtype=float).reshape(-1, 2).T
    assert len(s) == 283
    assert s[-1] == s[-2]
    ground = Profile.table("ground", s, z)
    assert len(ground.start) == 281
    assert np.abs(ground.heights(s) - z).max() < 1e-9
    between = np.random.default_rng(5).uniform(s[0], s[-1], 2000)
    assert ground.heights(between) == pytest.approx(interp1d(s[:-1], z[:-1])(between), abs=1e-9)
    assert ground.turning_points().shape == (0, 2)


@here
def test_the_real_design_meets_the_real_ground_at_both_its_ends():
    (points,) = elements(FEET, "PntList2D")
    ground = Profile.table("ground", *np.array(points.text.split(), dtype=float).reshape(-1, 2).T)
    design = Profile.of("design", read(FEET))
    ends = np.array([0.0, design.last])
    assert design.heights(ends) == pytest.approx(ground.heights(ends), abs=1e-9)
