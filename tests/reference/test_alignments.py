"""Alignments judged from outside: published curves, SciPy's Fresnel integrals and integrators, Shapely, real files."""

from dataclasses import dataclass, replace
from math import atan2, cos, hypot, pi, radians, sin
from pathlib import Path

import numpy as np
import pytest
import shapely
from lxml import etree
from scipy.integrate import quad, solve_ivp
from scipy.special import fresnel

from gradecheck.roads.alignment import Alignment
from gradecheck.roads.locate import ALONGSIDE, BEFORE, PAST, Locator
from gradecheck.roads.pieces import arc, clothoid, line

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"


def dms(degrees, minutes, seconds):
    return radians(degrees + minutes / 60 + seconds / 3600)


# A curve to the right worked by hand: PC 10+00 at N 1000 E 1000, azimuth 90 degrees, R 500, delta 60 degrees.
CURVE = Alignment.joined("curve", [arc((1000, 1000), (1000, 500), (1433.012702, 750), clockwise=True)], station=1000)


def test_a_curve_worked_by_hand_has_its_length_and_end():
    assert CURVE.last == pytest.approx(1523.598776, abs=1e-6)
    x, y = CURVE.points([CURVE.last])
    assert (y[0], x[0]) == (pytest.approx(750.000, abs=1e-6), pytest.approx(1433.012702, abs=1e-6))


@pytest.mark.parametrize(
    ("station", "offset", "north", "east"),
    [
        (1100, 0, 990.033289, 1099.334665),
        (1250, 30, 912.463804, 1225.330003),
        (1250, -30, 965.118758, 1254.095535),
    ],
)
def test_a_curve_worked_by_hand_has_its_points_both_ways(station, offset, north, east):
    x, y = CURVE.points([station], [offset])
    assert (y[0], x[0]) == (pytest.approx(north, abs=1e-6), pytest.approx(east, abs=1e-6))
    feet = Locator((CURVE,)).feet(np.array([east]), np.array([north]), 40.0)
    assert feet.station[0] == pytest.approx(station, abs=2e-6)
    assert feet.offset[0] == pytest.approx(offset, abs=2e-6)


def test_a_point_beside_a_curve_worked_by_hand_has_its_station_and_offset():
    feet = Locator((CURVE,)).nearest(np.array([1240.0]), np.array([940.0]))
    assert feet.station[0] == pytest.approx(1249.673361, abs=1e-6)
    assert feet.offset[0] == pytest.approx(-1.198563, abs=1e-6)


# Open-access surveying text (Mahun, horizontal curves, set 3), answers as printed: delta 45°49'45", R 800.000.
DELTA = dms(45, 49, 45)


def mahun():
    """Begins at the origin heading east; to the right, so that deflections are below the x axis."""
    end = (800 * sin(DELTA), 800 * cos(DELTA) - 800)
    return Alignment.joined("Mahun", [arc((0, 0), (0, -800), end, clockwise=True)], station=5084.98)


def test_a_published_curve_has_its_tangent_long_chord_and_end_station():
    road = mahun()
    assert road.last == pytest.approx(5724.88, abs=0.006)
    x, y = (float(a[0]) for a in road.points([road.last]))
    assert hypot(x, y) == pytest.approx(622.97, abs=0.006)
    heading = float(road.heading_at([road.last])[0])
    assert heading == pytest.approx(-DELTA, abs=1e-12)
    # The tangent at the end, taken back to the one at the beginning (y = 0).
    assert x - y / np.tan(heading) == pytest.approx(338.17, abs=0.006)


@pytest.mark.parametrize(
    ("station", "deflection", "chord"),
    [(5200, (4, 7, 8), 114.92), (5400, (11, 16, 51), 312.99), (5700, (22, 1, 26), 599.99)],
)
def test_a_published_curve_has_its_deflections_and_chords(station, deflection, chord):
    x, y = (float(a[0]) for a in mahun().points([station]))
    assert hypot(x, y) == pytest.approx(chord, abs=0.006)
    assert atan2(-y, x) == pytest.approx(dms(*deflection), abs=radians(1 / 3600))


# Clothoids


def test_a_clothoid_worked_by_hand_has_its_angle_coordinates_shift_and_half_chord():
    # L 200, R 1000: theta 5.729578 degrees, X, Y, p = Y - R (1 - cos theta), k = X - R sin theta.
    piece = clothoid((0, 0), 0.0, 200, 0, 1 / 1000)
    x, y = piece.end
    road = Alignment.joined("a", [piece])
    theta = float(road.heading_at([200])[0])
    assert theta == pytest.approx(radians(5.729578), abs=1e-8)
    assert (x, y) == (pytest.approx(199.800093, abs=1e-6), pytest.approx(6.661906, abs=1e-6))
    assert y - 1000 * (1 - cos(theta)) == pytest.approx(1.666072, abs=1e-6)
    assert x - 1000 * sin(theta) == pytest.approx(99.966676, abs=1e-6)
    (x,), (y,) = road.points([100])
    assert (x, y) == (pytest.approx(99.993750, abs=1e-6), pytest.approx(0.833296, abs=1e-6))


@pytest.mark.parametrize(
    ("length", "c", "s"),
    [
        (0.5, 0.4923442, 0.0647324),
        (1.0, 0.7798934, 0.4382591),
        (2.0, 0.4882534, 0.3434157),
        (5.0, 0.5636312, 0.4991914),
    ],
)
def test_the_clothoid_of_unit_speed_runs_through_the_tabulated_fresnel_integrals(length, c, s):
    # Abramowitz and Stegun, table 7.7 (quoted from memory).
    x, y = clothoid((0, 0), 0.0, length, 0, pi * length).end
    assert (x, y) == (pytest.approx(c, abs=6e-8), pytest.approx(s, abs=6e-8))


def by_fresnel(heading, k0, k1, length, s):
    """Ways along a clothoid, as differences of the spiral from its point of inflection."""
    sharpening = (k1 - k0) / length
    scale, flat = np.sqrt(pi / abs(sharpening)), -k0 / sharpening
    at_flat = heading - k0 * k0 / (2 * sharpening)
    s1, c1 = fresnel((np.asarray(s) - flat) / scale)
    s0, c0 = fresnel(-flat / scale)
    way = scale * ((c1 - c0) + 1j * np.sign(sharpening) * (s1 - s0)) * np.exp(1j * at_flat)
    return way.real, way.imag


CURVATURES = [0.0, 1 / 20, -1 / 20, 1 / 150, -1 / 150, 1 / 4000]
PAIRS = [(a, b) for a in CURVATURES for b in CURVATURES if a != b]


@pytest.mark.parametrize(("k0", "k1"), PAIRS)
@pytest.mark.parametrize("length", [5.0, 120.0, 900.0])
def test_clothoids_between_any_two_curvatures_are_scipys_fresnel_spirals(k0, k1, length):
    road = Alignment.joined("a", [clothoid((0, 0), 1.1, length, k0, k1)])
    s = np.linspace(0, length, 23)
    x, y = road.points(s)
    fx, fy = by_fresnel(1.1, k0, k1, length, s)
    # The reference itself loses digits where the inflection is far off; 900 at 1/20 turns seven times around.
    assert np.hypot(x - fx, y - fy).max() < 1e-10 * length


@pytest.mark.parametrize("sharpening", [1e-5, 1e-8, 1e-12, 1e-16, 1e-20, 1e-30, 1e-300, 5e-324])
@pytest.mark.parametrize("k0", [0.0, 1 / 300, -1 / 25])
def test_however_little_a_clothoid_sharpens_it_is_the_integral_of_its_heading(k0, sharpening):
    length = 90.0
    road = Alignment.joined("a", [clothoid((0, 0), -0.4, length, k0, k0 + sharpening * length)])
    (x,), (y,) = road.points([length])
    # The curvature that floating point numbers hold at the end, not the one meant.
    sharpening = ((k0 + sharpening * length) - k0) / length

    def heading(s):
        return -0.4 + k0 * s + sharpening * s * s / 2

    assert x == pytest.approx(quad(lambda s: cos(heading(s)), 0, length, epsabs=1e-12)[0], abs=1e-10 * length)
    assert y == pytest.approx(quad(lambda s: sin(heading(s)), 0, length, epsabs=1e-12)[0], abs=1e-10 * length)


# Whole alignments


def random_road(seed, pieces=7, turns=True):
    """Lines, arcs and clothoids of any hand one after the other, with kinks."""
    rng = np.random.default_rng(seed)
    at, heading, k = (float(rng.uniform(-200, 200)), float(rng.uniform(-200, 200))), float(rng.uniform(-3, 3)), 0.0
    made = []
    for _ in range(pieces):
        k0 = (0.0, k, float(rng.choice([-1, 1]) / rng.uniform(8, 300)))[rng.integers(3)]
        k1 = (k0, 0.0, float(rng.choice([-1, 1]) / rng.uniform(8, 300)))[rng.integers(3)]
        piece = clothoid(at, heading, float(rng.uniform(5, 120)), k0, k1)
        made.append(piece)
        at, k = piece.end, k1
        heading = (
            piece.heading + piece.length * (k0 + k1) / 2 + (float(rng.uniform(-3, 3)) if rng.random() < 0.3 else 0)
        )
    return Alignment.joined("random", made, station=float(rng.uniform(-500, 500)))


@pytest.mark.parametrize("seed", range(6))
def test_whole_alignments_are_the_integral_of_their_curvature(seed):
    road = random_road(seed)
    state = np.array([road.x[0], road.y[0], 0.0])
    for i, (start, length) in enumerate(zip(road.starts[:-1], road.length, strict=True)):
        state[2] = road.heading[i]  # kinks are not in the curvature

        def slope(s, state, i=i):
            return [np.cos(state[2]), np.sin(state[2]), road.curvature[i] + road.sharpening[i] * s]

        at = np.linspace(0, length, 9)
        way = solve_ivp(slope, (0, length), state, method="DOP853", t_eval=at, rtol=1e-12, atol=1e-12)
        x, y = road.points(start + at[:-1])
        assert np.hypot(way.y[0][:-1] - x, way.y[1][:-1] - y).max() < 1e-9
        turned = np.exp(1j * road.heading_at(start + at[:-1])) / np.exp(1j * way.y[2][:-1])
        assert np.abs(turned - 1).max() < 1e-9
        state = way.y[:, -1]
    x, y = road.points([road.last])
    assert hypot(x[0] - state[0], y[0] - state[1]) < 1e-8


SAGITTA = 1e-6


@dataclass
class Chords:
    """A road as Shapely's line of chords within `SAGITTA` of it, with the stations of its vertices."""

    line: shapely.Geometry
    measures: np.ndarray
    stations: np.ndarray

    @classmethod
    def of(cls, road):
        xy, stations = road.densified(SAGITTA)
        measures = np.concatenate(([0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))))
        return cls(shapely.linestrings(xy), measures, stations)

    def station(self, points):
        return np.interp(shapely.line_locate_point(self.line, points), self.measures, self.stations)

    def left(self, points):
        """Positive to the left, by the area of the triangle with two spots a hair before and after the nearest."""
        at = shapely.line_locate_point(self.line, points)
        a, b = (shapely.get_coordinates(shapely.line_interpolate_point(self.line, at + d)).T for d in (-1e-3, 1e-3))
        p = shapely.get_coordinates(points).T
        return (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])


@pytest.mark.parametrize("seed", range(12))
def test_offsets_and_stations_are_shapelys_on_chords_of_the_road(seed):
    road = random_road(seed)
    chords = Chords.of(road)
    rng = np.random.default_rng(100 + seed)
    centre = road.points(rng.uniform(road.first, road.last, 150))
    x, y = (c + rng.normal(0, 30, 150) for c in centre)
    points = shapely.points(x, y)
    feet = Locator((road,)).nearest(x, y)
    distance = shapely.distance(chords.line, points)
    assert np.abs(np.abs(feet.offset) - distance).max() < 2 * SAGITTA
    # The spot told is as far as the offset says.
    fx, fy = road.points(feet.station)
    assert np.abs(np.hypot(x - fx, y - fy) - distance).max() < 2 * SAGITTA
    # A chord with sagitta e under curvature k is off the heading by up to sqrt(2 e k): over a distance d the foot
    # slides by that times d, more near the centre of curvature (twice that bound for what k changes by on the way).
    piece = np.clip(np.searchsorted(road.starts, feet.station, side="right") - 1, 0, len(road.x) - 1)
    k = np.abs(road.curvature[piece] + road.sharpening[piece] * (feet.station - road.starts[piece]))
    corner = np.abs(feet.station[:, None] - road.starts).min(axis=1) < 0.1
    sure = (feet.place == ALONGSIDE) & (k * distance < 0.8) & ~corner
    assert sure.sum() > 40
    slid = np.abs(feet.station - chords.station(points))
    assert (slid <= 2 * distance * np.sqrt(2 * SAGITTA * k) / (1 - k * distance) + 1e-6)[sure].all()
    assert (np.sign(feet.offset) == -np.sign(chords.left(points)))[sure & (distance > 0.01)].all()


@pytest.mark.parametrize("seed", range(12))
def test_alongside_is_square_and_before_and_past_are_not(seed):
    road = random_road(seed)
    rng = np.random.default_rng(300 + seed)
    x, y = (c + rng.normal(0, 40, 200) for c in road.points(rng.uniform(road.first, road.last, 200)))
    feet = Locator((road,)).nearest(x, y)
    fx, fy = road.points(feet.station)
    heading = road.heading_at(feet.station)
    ahead = (x - fx) * np.cos(heading) + (y - fy) * np.sin(heading)
    inside = np.abs(feet.station[:, None] - road.starts).min(axis=1) > 1e-6
    assert (feet.place[inside] == ALONGSIDE).all()
    assert np.abs(ahead[inside]).max() < 1e-8
    before, past = feet.place == BEFORE, feet.place == PAST
    assert (feet.station[before] == road.first).all()
    assert (ahead[before] < 0).all()
    assert (feet.station[past] == road.last).all()
    assert (ahead[past] > 0).all()


@pytest.mark.parametrize("ends", [(1 / 12, 1 / 40), (1 / 40, 1 / 12), (-1 / 15, 1 / 15), (0, 1 / 9), (1 / 30, 1 / 29)])
def test_around_the_centres_of_curvature_of_a_clothoid_no_nearer_place_is_missed(ends):
    # Points on and about the evolute, where the nearest and the farthest place run together.
    road = Alignment.joined("a", [clothoid((0, 0), 0.3, 20, *ends)])
    rng = np.random.default_rng(7)
    s = rng.uniform(0, 20, 1500)
    k = ends[0] + (ends[1] - ends[0]) * s / 20
    with np.errstate(divide="ignore"):
        away = np.clip(-1 / k * rng.uniform(0.7, 1.5, 1500), -60, 60)
    x, y = road.points(s, away)
    feet = Locator((road,)).nearest(x, y)
    looked = road.points(np.linspace(0, 20, 4001))
    least = np.min(np.hypot(x[:, None] - looked[0], y[:, None] - looked[1]), axis=1)
    told = np.hypot(x - road.points(feet.station)[0], y - road.points(feet.station)[1])
    assert np.abs(told - np.abs(feet.offset)).max() < 1e-9
    # Nowhere further than the best of 4,001 places looked at (but for what a tie allows).
    assert (told - least).max() < 1e-6 * 60


# Real files. Their points are "northing easting".


def plain(tag):
    return etree.QName(tag).localname


@dataclass
class Read:
    """An alignment of a file, read by a few lines of its own: pieces with the file's ends, stations and lengths."""

    name: str
    pieces: list
    ends: list
    stations: list
    lengths: list
    length: float

    @property
    def road(self):
        return Alignment.joined(self.name, self.pieces)


def read(path):
    for alignment in etree.parse(path).getroot().iter("{*}Alignment"):
        pieces, ends, elements = [], [], list(alignment.find("{*}CoordGeom"))
        for element in elements:
            at = {plain(p.tag): tuple(map(float, p.text.split()))[1::-1] for p in element}
            left = element.get("rot") == "ccw"
            if plain(element.tag) == "Line":
                pieces.append(line(at["Start"], at["End"]))
            elif plain(element.tag) == "Curve":
                pieces.append(arc(at["Start"], at["Center"], at["End"], clockwise=not left))
            else:
                k = [(1 if left else -1) / float(element.get(name).replace("INF", "inf")) for name in RADII]
                heading = atan2(at["PI"][1] - at["Start"][1], at["PI"][0] - at["Start"][0])
                pieces.append(clothoid(at["Start"], heading, float(element.get("length")), *k))
            ends.append(at["End"])
        stations = [float(e.get("staStart", "nan")) for e in elements]
        lengths = [float(e.get("length")) for e in elements]
        yield Read(alignment.get("name"), pieces, ends, stations, lengths, float(alignment.get("length")))


RADII = ("radiusStart", "radiusEnd")
FILES = sorted(p for folder in ("landxml_mac999_mit", "landxml_infra_cc_by") for p in (DATA / folder).glob("*.xml"))
REAL = {f"{p.stem} {r.name}": r for p in FILES for r in read(p)}

real = pytest.mark.parametrize("name", REAL or [pytest.param("", marks=pytest.mark.skip(reason="no ../shared/data"))])


# Rounding that the files own to: one writes the ends of its last elements in whole millimetres.
ROUNDED = {"Alignment2": 0.0006}


@real
def test_real_alignments_have_the_length_that_their_file_gives(name):
    given = REAL[name]
    assert given.road.last == pytest.approx(given.length, abs=0.0006)
    assert [p.length for p in given.pieces] == pytest.approx(given.lengths, abs=ROUNDED.get(given.name, 2e-5))


@real
def test_elements_of_real_alignments_start_where_their_file_says(name):
    given = REAL[name]
    stations = np.array(given.stations)
    stated = np.isfinite(stations)
    assert np.abs(given.road.starts[:-1] - stations)[stated].max(initial=0) < ROUNDED.get(given.name, 2e-5)


@real
def test_elements_of_real_alignments_end_where_their_file_says(name):
    # Clothoids and arcs from their starts, radii and lengths; the files round to a micrometre and radii likewise.
    given = REAL[name]
    for piece, end in zip(given.pieces, given.ends, strict=True):
        assert hypot(piece.end[0] - end[0], piece.end[1] - end[1]) < ROUNDED.get(given.name, 2e-5)


@real
def test_points_beside_real_alignments_find_their_station_and_offset_again(name):
    road = REAL[name].road
    rng = np.random.default_rng(11)
    tightest = max(
        float(np.abs(road.curvature).max()), float(np.abs(road.curvature + road.sharpening * road.length).max())
    )
    most = min(12.0, 0.5 / max(tightest, 1e-9))
    station, offset = rng.uniform(road.first, road.last, 4000), rng.uniform(-most, most, 4000)
    # Off the joints: real ones have small kinks, in whose wedges one station has many points, or none.
    off_joints = np.abs(station[:, None] - road.starts).min(axis=1) > 2.0
    station, offset = station[off_joints], offset[off_joints]
    x, y = road.points(station, offset)
    feet = Locator((road,)).feet(x, y, most + 1)
    assert feet.point.tolist() == list(range(len(x)))
    rounding = 4 * np.spacing(max(np.abs(x).max(), np.abs(y).max()))
    assert np.abs(feet.station - station).max() < 1e-9 + 2 * rounding
    assert np.abs(feet.offset - offset).max() < 1e-9 + rounding
    assert (feet.place == ALONGSIDE).all()


@real
def test_points_about_real_alignments_are_as_far_as_shapely_says(name):
    road = REAL[name].road
    chords = Chords.of(road)
    rng = np.random.default_rng(12)
    x, y = (c + rng.normal(0, 60, 300) for c in road.points(rng.uniform(road.first, road.last, 300)))
    feet = Locator((road,)).nearest(x, y)
    distance = shapely.distance(chords.line, shapely.points(x, y))
    # Gaps of real files (micrometres) are bridged by the chords.
    assert np.abs(np.abs(feet.offset) - distance).max() < 1e-4


@pytest.mark.skipif(not REAL, reason="no ../shared/data")
def test_the_clothoids_of_the_sample_road_have_the_angle_and_totals_that_its_file_states():
    first, second = (REAL["landxml_road_cl_sample Main Road CL"].pieces[i] for i in (1, 3))
    for piece, x, y in ((first, 79.920037028491, 2.664762510717), (second, 79.786802078520, 5.327240557455)):
        road = Alignment.joined("a", [replace(piece, x=0.0, y=0.0, heading=0.0)])
        assert road.heading_at([80.0])[0] == pytest.approx(radians(5.729577951308), abs=1e-13)
        (ex,), (ey,) = road.points([80.0])
        assert (ex, ey) == (pytest.approx(x, abs=1e-11), pytest.approx(y, abs=1e-11))
