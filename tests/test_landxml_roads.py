"""LandXML as roads: alignments, their stations, profiles and cross-sections.

Expected places come from published vectors, from quadrature of the curvature, or from figures checked by head.
Points are written "northing easting"; x is the easting.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from tests.landxml_text import LINE, alignment, document, line, read, road, surface, wrong

# Design table of DOMAIN, alignments [calc]: PC 10+00 at N 1000 E 1000, azimuth 90, right, R 500, 60 degrees.
ARC = """<Curve rot="cw" length="523.598776"><Start>1000 1000</Start><Center>500 1000</Center>
<End>750 1433.012702</End></Curve>"""


def said_of(folder, *elements, **options):
    """The findings about one alignment."""
    return wrong(folder, document(alignment(*elements, **options)))


def notes_of(folder, *elements, **options):
    """What is said aloud about one alignment."""
    return read(folder, document(alignment(*elements, **options))).notes


def place(folder, station, *elements, offset=0.0):
    """Northing and easting at a station of a road."""
    x, y = road(folder, *elements).alignment.points(np.array([station]), np.array([offset]))
    return pytest.approx((float(y[0]), float(x[0])), abs=1e-5)


# Lines and arcs


def test_a_line_runs_from_northing_and_easting_to_northing_and_easting(tmp_path):
    got = road(tmp_path, line("0 0 12", "30,40,\n13")).alignment
    assert (got.name, got.first, got.last) == ("Elm St", 1000, 1050)
    assert place(tmp_path, 1025, line("0 0", "30 40")) == (15, 20)
    # Looking north-east the right-hand side lies to the south-east.
    assert place(tmp_path, 1000, line("0 0", "30 40"), offset=5) == (-4, 3)


def test_an_arc_to_the_right_goes_where_the_book_says(tmp_path):
    assert place(tmp_path, 1100, ARC) == (990.033289, 1099.334665)
    assert place(tmp_path, 1250, ARC, offset=30) == (912.463804, 1225.330003)
    assert place(tmp_path, 1250, ARC, offset=-30) == (965.118758, 1254.095535)
    assert road(tmp_path, ARC).alignment.last == pytest.approx(1523.598776, abs=1e-6)


def test_an_arc_to_the_left_is_its_mirror_image(tmp_path):
    mirror = ARC.replace("cw", "ccw").replace("500 1000<", "1500 1000<").replace("750 ", "1250 ")
    assert place(tmp_path, 1100, mirror) == (2000 - 990.033289, 1099.334665)


def test_directions_lengths_and_stations_of_elements_are_not_relied_on(tmp_path):
    odd = ARC.replace("<Curve ", '<Curve dirStart="7" dirEnd="x" staStart="9e9" radius="-1" chord="0" ')
    assert place(tmp_path, 1100, odd) == (990.033289, 1099.334665)


def test_an_arc_of_270_degrees_and_a_full_circle_are_drawn(tmp_path):
    most = '<Curve rot="ccw"><Start>0 10</Start><Center>0 0</Center><End>-10 0</End></Curve>'
    assert road(tmp_path, most).alignment.last == pytest.approx(1000 + 15 * math.pi)
    full = f'<Curve rot="ccw" length="{20 * math.pi}"><Start>0 10</Start><Center>0 0</Center><End>0 10</End></Curve>'
    assert road(tmp_path, full).alignment.closed


@pytest.mark.parametrize("end", ["0 10", "0.001 10", "-0.001 10"])
def test_an_arc_of_no_length_does_not_become_a_circle(tmp_path, end):
    dot = f'<Curve rot="ccw" length="0.001"><Start>0 10</Start><Center>0 0</Center><End>{end}</End></Curve>'
    got = road(tmp_path, line("-50 10", "0 10"), dot, line(end, "50 10"))
    assert got.alignment.last == pytest.approx(1100, abs=0.01)


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('rot="cw"', 'rot="ccw"', "turning ccw it is 2617.99 long, the other way 523.599 as stated"),
        ('rot="cw"', "", "its rot is '', not cw or ccw"),
        ('rot="cw"', 'rot="cw" crvType="chord"', "a curve of type 'chord' is not read, only arcs"),
        ("<Center>500 1000</Center>", "", "has no Center"),
        ("500 1000<", "500 1001<", "its End is 0.86"),
        ("500 1000<", "1000 1000<", "has a radius of 0"),
        ("750 1433.012702", "750", "its End has 1 numbers, not northing and easting"),
        ("750 1433.012702", "7,50 1433,01", "its End has 4 numbers, not northing and easting"),
        ("750 1433.012702", "750 1433.O1", "its End '1433.O1' is no number"),
        ('length="523.598776"', 'length="long"', "its length 'long' is no number"),
    ],
)
def test_a_curve_that_cannot_be_is_named_with_its_alignment_number_and_line(tmp_path, before, after, said):
    (finding,) = said_of(tmp_path, line("1000 900", "1000 1000"), "\n", ARC.replace(before, after))
    assert finding.startswith("design.xml line 3: alignment 'Elm St', element 2 (Curve): ")
    assert said in finding


def test_a_curve_that_begins_where_it_ends_without_a_length_is_not_guessed(tmp_path):
    dot = '<Curve rot="ccw"><Start>0 10</Start><Center>0 0</Center><End>0 10</End></Curve>'
    (finding,) = said_of(tmp_path, dot)
    assert "starts where it ends and states no length: a full circle or nothing" in finding


def test_every_wrong_element_is_told(tmp_path):
    found = said_of(tmp_path, LINE, "<Line/>", "<Chain>1 2</Chain>", ARC.replace("cw", "up"), line("7 7", "8 8"))
    assert ["element 2 (Line): has no Start" in found[0], "element 3 (Chain): a Chain" in found[1]] == [True, True]
    assert "element 4 (Curve): its rot is 'up'" in found[2]
    # The last one is not compared with the first: what lies between them could not be drawn.
    assert len(found) == 3


def test_elements_that_do_not_meet_are_a_finding_in_the_size_of_the_unit(tmp_path):
    apart = alignment(line("0 0", "0 100"), line("0 100.1", "0 200"))
    (finding,) = wrong(tmp_path, document(apart))
    assert "element 2 (Line) starts 0.1 from the end of the one before" in finding
    for unit in ("foot", "inch", "millimeter"):
        assert read(tmp_path, document(apart, units=f'<Units><Metric linearUnit="{unit}"/></Units>')).roads


def test_elements_of_no_length_and_kinks_do_no_harm(tmp_path):
    got = road(tmp_path, line("0 0", "0 100"), line("0 100", "0 100"), line("0 100", "100 100"))
    assert got.alignment.last == pytest.approx(1200)


@pytest.mark.parametrize(
    "points",
    [
        "<PntList2D>0 0 30 40 30 100</PntList2D>",
        "<PntList2D>30 40</PntList2D>",
        "<PntList3D>0 0 1 30,40,2 30 100 3</PntList3D>",
    ],
)
def test_an_irregular_line_goes_through_its_points(tmp_path, points):
    bent = f"<IrregularLine><Start>0 0</Start><End>30 100</End>{points}</IrregularLine>"
    assert road(tmp_path, bent).alignment.last == pytest.approx(1110)
    assert place(tmp_path, 1060, bent) == (30, 50)


def test_an_irregular_line_of_half_a_point_is_a_finding(tmp_path):
    bent = "<IrregularLine><Start>0 0</Start><End>30 100</End><PntList3D>0 0 30 40</PntList3D></IrregularLine>"
    (finding,) = said_of(tmp_path, bent)
    assert "element 1 (IrregularLine): its PntList3D has 4 numbers, which is no multiple of 3" in finding


# Spirals


def spiral(length, radii, rot, heading=0.3, north=4e6, east=5e5, corner=True, **said):
    """A clothoid as text, its end by quadrature of the curvature and its corner where the tangents meet."""
    sign = 1 if rot == "ccw" else -1
    k0, k1 = (0.0 if r.upper() == "INF" else sign / float(r) for r in radii)
    turn = lambda s: heading + k0 * s + (k1 - k0) * s**2 / (2 * length)  # noqa: E731
    dx, dy = (quad(lambda s, f=f: f(turn(s)), 0, length, epsabs=1e-12)[0] for f in (math.cos, math.sin))
    across = -dx * math.sin(heading) + dy * math.cos(heading)
    t = dx * math.cos(heading) + dy * math.sin(heading) - across / math.tan(turn(length) - heading)
    pi = f"<PI>{north + t * math.sin(heading)!r} {east + t * math.cos(heading)!r}</PI>" if corner else ""
    places = f"<Start>{north} {east}</Start>{pi}<End>{north + dy!r} {east + dx!r}</End>"
    more = {"spiType": "clothoid", "rot": rot, "length": length, "radiusStart": radii[0], "radiusEnd": radii[1]} | said
    text = " ".join(f'{key}="{value}"' for key, value in more.items())
    return f"<Spiral {text}>{places}</Spiral>", turn


@pytest.mark.parametrize("rot", ["cw", "ccw"])
@pytest.mark.parametrize("corner", [True, False])
@pytest.mark.parametrize(
    ("length", "radii"), [(200, ("INF", "1000")), (80, ("400", "inf")), (50, ("22", "60")), (61.5, ("300", "91.25"))]
)
def test_a_clothoid_bends_as_its_radii_say_also_between_two(tmp_path, length, radii, rot, corner):
    text, turn = spiral(length, radii, rot, corner=corner)
    got = road(tmp_path, text).alignment
    along = np.array([0.1, 0.5, 0.9, 1.0]) * length
    heading = got.heading_at(1000 + along)
    np.testing.assert_allclose(np.sin(heading - [turn(s) for s in along]), 0, atol=1e-7)
    for s, x, y in zip(along, *got.points(1000 + along), strict=True):
        expected = [quad(lambda u, f=f: f(turn(u)), 0, s)[0] for f in (math.cos, math.sin)]
        assert (x - 5e5, y - 4e6) == pytest.approx(expected, abs=1e-5)
    assert got.last == pytest.approx(1000 + length)


def test_a_corner_at_the_start_says_nothing_of_the_direction(tmp_path):
    text, turn = spiral(80, ("INF", "400"), "ccw", corner=False)
    text = text.replace("</Start>", "</Start><PI>4000000.0 500000.0</PI>")
    assert road(tmp_path, text).alignment.heading_at([1000])[0] == pytest.approx(turn(0), abs=1e-7)


@pytest.mark.parametrize(
    "kind",
    ["biquadratic", "bloss", "cosine", "cubic", "sinusoid", "revBiquadratic", "revBloss", "revCosine", "revSinusoid",
     "sineHalfWave", "biquadraticParabola", "cubicParabola", "japaneseCubic", "radioid", "weinerBogen"],
)  # fmt: skip
def test_other_spirals_are_refused_by_name(tmp_path, kind):
    (finding,) = said_of(tmp_path, spiral(80, ("INF", "400"), "cw", spiType=kind)[0])
    said = f"alignment 'Elm St', element 1 (Spiral): a spiral of type '{kind}' is not read, only clothoids"
    assert finding == f"design.xml line 2: {said} -> export the alignment with clothoids, or as short lines"


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"spiType": ""}, "has no spiType"),
        ({"rot": "ccw"}, "the spiral's end misses the End stated by 5.3"),
        ({"length": 82}, "the spiral's end misses the End stated by 1.99"),
        ({"length": 0}, "its length is 0"),
        ({"length": "-80"}, "its length is -80"),
        ({"length": ""}, "has no length"),
        ({"radiusEnd": 0}, "its radiusEnd is 0"),
        ({"radiusEnd": -400}, "its radiusEnd is -400"),
        ({"radiusStart": "none"}, "its radiusStart 'none' is no number"),
        ({"radiusStart": ""}, "has no radiusStart"),
        ({"radiusEnd": "1e-320"}, "has a value that is not a number"),
        ({"radiusEnd": "0.001"}, "turns more than"),
    ],
)
def test_a_spiral_that_is_no_clothoid_of_its_figures_is_named(tmp_path, more, said):
    text, _ = spiral(80, ("INF", "400"), "cw")
    for key, value in more.items():
        before = text.partition(f'{key}="')
        text = f'{before[0]}{key}="{value}"{before[2].partition(chr(34))[2]}'
    (finding,) = said_of(tmp_path, text)
    assert f"element 1 (Spiral): {said}" in finding


def test_a_wrong_end_of_a_spiral_asks_whether_it_is_one(tmp_path):
    text, _ = spiral(200, ("INF", "1000"), "cw")
    (finding,) = said_of(tmp_path, text.replace("<Start>4000000.0", "<Start>4000009.0"))
    assert finding.partition(" -> ")[0].endswith(": is it a clothoid?")


# Points by name


REFERRED = '<Line><Start pntRef="PC 1"/><End pntRef="7">  </End></Line>'
POINTS = (
    '<CgPoints><CgPoint name="PC 1">0 0 3</CgPoint><CgPoints><CgPoint name="7">0,100</CgPoint></CgPoints></CgPoints>'
)


def test_points_by_name_may_stand_anywhere_before_or_after(tmp_path):
    for parts in ((POINTS, alignment(REFERRED)), (alignment(REFERRED), f"<Survey>{POINTS}</Survey>")):
        (got,) = read(tmp_path, document(*parts)).roads
        assert (got.alignment.first, got.alignment.last) == (1000, 1100)


def test_a_named_point_may_be_another_ones_name(tmp_path):
    chain = POINTS.replace('<CgPoint name="7">0,100', '<CgPoint name="8">0 100</CgPoint><CgPoint name="7" pntRef="8">')
    assert read(tmp_path, document(alignment(REFERRED), chain)).roads[0].alignment.last == 1100


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (POINTS.replace("PC 1", "PC 2"), "its Start is the point 'PC 1', which is not there"),
        (POINTS + POINTS.replace("0 0 3", "1 0 3"), "its Start is the point 'PC 1', which is defined several times"),
        (POINTS.replace(">0 0 3", ' pntRef="PC 1">'), "its Start is the point 'PC 1', which is not there"),
        (POINTS.replace("0 0 3", "somewhere"), "its Start 'somewhere' is no number"),
    ],
)
def test_a_named_point_that_is_not_one_is_a_finding(tmp_path, points, said):
    (finding,) = wrong(tmp_path, document(points, alignment(REFERRED)))
    assert f"element 1 (Line): {said}" in finding


def test_a_named_point_that_is_repeated_in_the_same_place_is_one(tmp_path):
    again = POINTS.replace("0 0 3", " 0  0\n3 ")
    assert read(tmp_path, document(POINTS, again, alignment(REFERRED))).roads


# Stations


def test_stations_start_where_the_alignment_says_also_below_zero(tmp_path):
    got = road(tmp_path, LINE, said='name="A" staStart="-250.5" length="100"').alignment
    assert (got.first, got.last) == (-250.5, -150.5)


def test_a_missing_start_is_said_and_a_wrong_one_is_a_finding(tmp_path):
    assert notes_of(tmp_path, LINE, said='name="A"') == (
        "alignment 'A' does not say where its stations start: taken as 0",
    )
    (finding,) = said_of(tmp_path, LINE, said='name="A" staStart="0+00"')
    assert "alignment 'A': its staStart '0+00' is no number" in finding


def test_station_equations_change_what_stations_are_called_and_nothing_else(tmp_path):
    up = '<StaEquation staInternal="1050" staBack="1050" staAhead="2000"/>'
    down = '<StaEquation staInternal="1080" staAhead="500" staIncrement="decreasing"><Feature/></StaEquation>'
    got = road(tmp_path, LINE, after=up + down).alignment
    assert [got.label(s) for s in (1049, 1051, 1090)] == [1049, 2001, 490]
    assert (got.first, got.last) == (1000, 1100)


def test_the_first_equation_may_give_its_place_as_the_station_back(tmp_path):
    got = road(tmp_path, LINE, after='<StaEquation staBack="1050" staAhead="2000"/>').alignment
    assert got.label(1051) == 2001


@pytest.mark.parametrize(
    ("equation", "said"),
    [
        ('staInternal="1050"', "station equation 2: has no staAhead"),
        ('staBack="1050" staAhead="1"', "station equation 2: has no staInternal"),
        ('staInternal="12+50" staAhead="1"', "station equation 2: its staInternal '12+50' is no number"),
        ('staInternal="1010" staAhead="1"', "two station equations begin at 1010"),
    ],
)
def test_a_station_equation_that_is_none_is_named(tmp_path, equation, said):
    after = f'<StaEquation staInternal="1010" staAhead="5"/><StaEquation {equation}/>'
    (finding,) = said_of(tmp_path, LINE, after=after)
    assert "alignment 'Elm St'" in finding
    assert said in finding


def test_another_length_than_stated_is_said(tmp_path):
    assert notes_of(tmp_path, LINE, said='name="A" staStart="0" length="100.04"') == ()
    assert notes_of(tmp_path, LINE, said='name="A" staStart="0" length="?"') == ()
    (note,) = notes_of(tmp_path, LINE, said='name="A" staStart="0" length="328.08"')
    assert note == "alignment 'A' is stated to be 328.08 long, its elements make 100.00"


def test_alignments_without_geometry_are_passed_over_and_that_is_said(tmp_path):
    pis = "<AlignPIs><AlignPI><PI>0 0</PI></AlignPI></AlignPIs>"
    got = read(tmp_path, document(alignment(said='name="A" staStart="0"', after=pis), alignment(LINE)))
    assert [r.alignment.name for r in got.roads] == ["Elm St"]
    assert got.notes == ("alignment 'A' has no geometry and was passed over",)


def test_an_alignment_without_a_name_goes_by_its_line(tmp_path):
    assert road(tmp_path, LINE, said='staStart="0"').alignment.name == "unnamed (line 2)"


def test_two_alignments_of_one_name_are_both_read_and_that_is_said(tmp_path):
    got = read(tmp_path, document(alignment(LINE), alignment(LINE), surface()))
    assert len(got.roads) == 2
    assert "several alignments have one name: 'Elm St'" in got.notes


# Profiles


def profile(*vertices, name="FG", kind="ProfAlign"):
    """A profile of vertices given as text."""
    said = f' name="{name}"' if name else ""
    return f"<Profile><{kind}{said}>{''.join(vertices)}</{kind}></Profile>"


LONG = line("0 0", "0 2000")
ENDS = "<PVI>5000 1242.5</PVI>", "<PVI>6000 1307.5</PVI>"


def heights(folder, stations, *vertices, start=5000):
    """Heights along the one profile of a road."""
    said = f'name="Elm St" staStart="{start}"'
    (named,) = road(folder, LONG, after=profile(*vertices), said=said).profiles
    assert not named.ground
    return named.profile.heights(np.array(stations, dtype=float))


def test_a_parabola_runs_as_in_the_textbook(tmp_path):
    # Mahun, vertical curves: PVI 56+50 el 1325.00, +5.0 %, -3.5 %, L 500.
    curve = "<PVI>5000 1292.5</PVI>", '<ParaCurve length="500.">5650,1325.</ParaCurve>', "<PVI>6400 1298.75</PVI>"
    got = heights(tmp_path, [5400, 5500, 5600, 5700, 5800, 5900], *curve)
    assert got == pytest.approx([1312.5, 1316.65, 1319.1, 1319.85, 1318.9, 1316.25], abs=1e-9)


def test_an_unsymmetrical_parabola_runs_as_computed(tmp_path):
    # DOMAIN, vertical curves [calc]: PVI 50+00 el 100, -3 %, +2 %, L1 300, L2 200.
    curve = '<UnsymParaCurve lengthIn="300" lengthOut="200">5000 100</UnsymParaCurve>'
    got = heights(
        tmp_path, [4700, 4800, 5000, 5100, 5200], "<PVI>4500 115</PVI>", curve, "<PVI>5500 110</PVI>", start=4000
    )
    assert got == pytest.approx([109, 106 + 1 / 3, 103, 102.75, 104], abs=1e-9)


@pytest.mark.parametrize("radius", ["1000", "-1000"])
@pytest.mark.parametrize("length", [' length="99.6687"', ""])
def test_a_circular_curve_is_a_circle_whatever_sign_its_radius_has(tmp_path, radius, length):
    # From level to 10 %: the centre stands R above the tangent point, R tan(atan(0.1)/2) before the corner.
    reach = 1000 * math.tan(math.atan(0.1) / 2)
    curve = f'<CircCurve{length} radius="{radius}">5500 100</CircCurve>'
    got = heights(tmp_path, [5400, 5500, 5520], "<PVI>5000 100</PVI>", curve, "<PVI>6000 150</PVI>")
    circle = [1100 - math.sqrt(1000**2 - (s - (5500 - reach)) ** 2) for s in (5500, 5520)]
    assert got == pytest.approx([100, *circle], abs=1e-6)


@pytest.mark.parametrize(
    ("vertex", "said"),
    [
        ("<PVI>5500</PVI>", "vertex 2 (PVI, line 3): has 1 numbers, not station and elevation"),
        ("<PVI>55+00 100</PVI>", "vertex 2 (PVI, line 3): '55+00' is no number"),
        ("<ParaCurve>5500 100</ParaCurve>", "vertex 2 (ParaCurve, line 3): has no length"),
        ('<ParaCurve length="x">5500 1300</ParaCurve>', "its length 'x' is no number"),
        ('<UnsymParaCurve lengthIn="1">5500 1</UnsymParaCurve>', "has no lengthOut"),
        ('<CircCurve length="1">5500 1300</CircCurve>', "vertex 2 (CircCurve, line 3): has no radius"),
        ('<ParaCurve length="1200">5500 1300</ParaCurve>', "the curve at vertex 2 (station 5500) begins 100 before"),
        ("<PVI>4900 1300</PVI>", "vertex 2 (station 4900) does not come after vertex 1 (station 5000)"),
    ],
)
def test_a_profile_that_cannot_be_is_named_with_its_vertex(tmp_path, vertex, said):
    found = said_of(tmp_path, LONG, after=profile(ENDS[0], "\n", vertex, ENDS[1]))
    assert all("profile 'FG' of alignment 'Elm St': " in finding for finding in found)
    assert any(said in finding for finding in found)


def test_a_profile_of_fewer_than_two_vertices_is_passed_over_and_that_is_said(tmp_path):
    for vertices in ((), ENDS[:1]):
        notes = notes_of(tmp_path, LINE, after=profile(*vertices))
        assert notes == ("profile 'FG' of alignment 'Elm St' has fewer than two vertices and was passed over",)


def test_profiles_keep_their_order_names_and_kinds(tmp_path):
    first = profile("<PVI>1000 1</PVI><Feature><PVI>x</PVI></Feature><PVI>1100 2</PVI>", name="")
    ground = profile("<PntList2D>1000 3 1050 4 1100 3</PntList2D>", name="EG", kind="ProfSurf")
    within = profile("<PVI>1000 1</PVI><PVI>1100 2</PVI>", name="own").replace("<Profile>", '<Profile name="P">')
    text = alignment(LINE, within, after=first + ground)
    (got,) = read(tmp_path, document(text)).roads
    assert [(n.profile.name, n.ground) for n in got.profiles] == [("Elm St", False), ("EG", True), ("own", False)]
    assert got.profiles[1].profile.heights(np.array([1025.0])) == [3.5]


def test_a_profile_that_leaves_its_alignment_is_said(tmp_path):
    (note,) = notes_of(tmp_path, LINE, after=profile("<PVI>990 1</PVI>", "<PVI>1100 2</PVI>"))
    assert note == ("profile 'FG' (stations 990.00 to 1100.00) reaches outside alignment 'Elm St' (1000.00 to 1100.00)")
    assert notes_of(tmp_path, LINE, after=profile("<PVI>999.96 1</PVI>", "<PVI>1100.04 2</PVI>")) == ()


def ground_parts(folder, *lists):
    """Names and stations of the parts of a ground profile, and the notes."""
    text = alignment(LINE, after=profile(*(f"<PntList2D>{t}</PntList2D>" for t in lists), name="EG", kind="ProfSurf"))
    got = read(folder, document(text))
    return [(n.profile.name, n.profile.first, n.profile.last) for n in got.roads[0].profiles], got.notes


def test_lists_of_ground_that_meet_are_one(tmp_path):
    parts, notes = ground_parts(tmp_path, "1000 1 1010 2", "", "1010 2 1020 3 1030 3")
    assert (parts, notes) == ([("EG", 1000, 1030)], ())


def test_gaps_in_the_ground_stay_gaps_and_are_said(tmp_path):
    parts, notes = ground_parts(tmp_path, "1000 1 1010 2", "1015 2 1020 3", "1050 1")
    assert parts == [("EG (1)", 1000, 1010), ("EG (2)", 1015, 1020)]
    assert notes == (
        "profile 'EG' of alignment 'Elm St' has 1 parts of fewer than two points, passed over",
        "profile 'EG' of alignment 'Elm St' has gaps: read as 2 parts",
    )


def test_ground_of_no_points_is_passed_over_and_that_is_said(tmp_path):
    for lists in ((), ("",)):
        parts, notes = ground_parts(tmp_path, *lists)
        assert (parts, len(notes)) == ([], 1)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("1000 1 1010", "its PntList2D has 3 numbers, not pairs of station and elevation"),
        ("1000 1 1010 2,5x", "'5x' is no number"),
        ("1000 1 1010 2 1005 3", "station 1005 (row 3) follows 1010"),
        ("1000 1 1010 2 1010 3", "station 1010 (row 3) has heights 2 and 3"),
    ],
)
def test_ground_that_cannot_be_is_named(tmp_path, text, said):
    after = profile(f"<PntList2D>{text}</PntList2D>", name="EG", kind="ProfSurf")
    (finding,) = said_of(tmp_path, LINE, after=after)
    assert f"profile 'EG' of alignment 'Elm St': {said}" in finding


# Cross-sections


def sections(*parts):
    """Cross-sections of one alignment as text: (station, surfaces)."""
    inner = (f'<CrossSect sta="{station}">{text}</CrossSect>' for station, text in parts)
    return f"<CrossSects>{''.join(inner)}</CrossSects>"


def existing(text, name="EG"):
    return f'<CrossSectSurf name="{name}"><PntList2D>{text}</PntList2D></CrossSectSurf>'


def designed(*points, name="FG", said=""):
    inner = "".join(f'<CrossSectPnt code="EP">{p}</CrossSectPnt>' for p in points)
    return f'<DesignCrossSectSurf name="{name}" {said}>{inner}</DesignCrossSectSurf>'


def drawn(folder, *parts):
    """Cross-sections read: name -> (stations, offsets, heights) as lists; and the notes."""
    got = read(folder, document(alignment(LINE, after=sections(*parts))))
    found = {
        s.name: (s.stations.tolist(), [o.tolist() for o in s.offsets], [z.tolist() for z in s.heights])
        for s in got.roads[0].sections
    }
    return found, got.notes


def test_sections_are_offset_and_elevation_by_name_and_rising_station(tmp_path):
    found, notes = drawn(
        tmp_path,
        (1050, existing("-9 4.5, 0 5 9 4.5") + designed("-6 5.1", "0 5.2", "6 5.1")),
        (1000, existing("9 3.5 0 4 -9 3.25")),
    )
    assert found == {
        "EG": ([1000, 1050], [[-9, 0, 9], [-9, 0, 9]], [[3.25, 4, 3.5], [4.5, 5, 4.5]]),
        "FG": ([1050], [[-6, 0, 6]], [[5.1, 5.2, 5.1]]),
    }
    assert notes == ()


def test_points_one_by_one_and_lists_may_stand_in_either_kind(tmp_path):
    mixed = existing("-9 4.5").replace("</CrossSectSurf>", "<CrossSectPnt>-9 4.5</CrossSectPnt></CrossSectSurf>")
    found, _ = drawn(
        tmp_path, (1000, mixed.replace("</CrossSectSurf>", "<CrossSectPnt>9 4</CrossSectPnt></CrossSectSurf>"))
    )
    assert found["EG"] == ([1000], [[-9, 9]], [[4.5, 4]])


def test_an_upright_face_keeps_its_two_heights(tmp_path):
    found, _ = drawn(tmp_path, (1000, existing("0 5 6 4.9 6 5.4 9 5.5")))
    assert found["EG"] == ([1000], [[0, 6, 6, 9]], [[5, 4.9, 5.4, 5.5]])


def test_left_and_right_sides_that_meet_are_one(tmp_path):
    left, right = designed("0 5", "-6 4.9", said='side="left"'), designed("0 5", "6 4.8", said='side="right"')
    found, notes = drawn(tmp_path, (1000, right + left), (1050, left))
    assert found == {"FG": ([1000, 1050], [[-6, 0, 6], [-6, 0]], [[4.9, 5, 4.8], [4.9, 5]])}
    assert notes == ()


def test_sides_that_meet_at_two_heights_have_an_upright_face_there(tmp_path):
    left, right = designed("0 5", "-6 4.9", said='side="left"'), designed("0 5.5", "6 5.4", said='side="right"')
    found, _ = drawn(tmp_path, (1000, left + right))
    assert found == {"FG": ([1000], [[-6, 0, 0, 6]], [[4.9, 5, 5.5, 5.4]])}


def test_left_and_right_sides_with_something_between_stay_apart(tmp_path):
    left, right = designed("-2 5", "-6 4.9", said='side="left"'), designed("2 5", "6 4.8", said='side="right"')
    found, notes = drawn(tmp_path, (1000, right + left))
    assert found == {"FG left": ([1000], [[-6, -2]], [[4.9, 5]]), "FG right": ([1000], [[2, 6]], [[5, 4.8]])}
    assert notes == ("cross-sections 'FG' of alignment 'Elm St': left and right do not meet, read apart",)


def test_parts_of_one_ground_that_meet_are_one(tmp_path):
    found, notes = drawn(tmp_path, (1000, existing("0 5 6 4.8") + existing("-6 4.9 0 5")))
    assert found == {"EG": ([1000], [[-6, 0, 6]], [[4.9, 5, 4.8]])}
    assert notes == ()


def test_two_sections_at_one_station_are_a_step(tmp_path):
    found, _ = drawn(tmp_path, (1050, existing("-1 1 1 1")), (1000, existing("-1 0 1 0")), (1050, existing("-1 2 1 2")))
    assert found["EG"] == ([1000, 1050, 1050], [[-1, 1]] * 3, [[0, 0], [1, 1], [2, 2]])


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (existing("0 0 1 0 1 1 0 1 0 0"), "folding back on themselves"),
        (existing("-1 101 1 101") + existing("-2 102 2 102"), "in parts that do not meet"),
        (existing("0 5"), "with fewer than two points"),
        ('<CrossSectSurf name="EG"/>', "with fewer than two points"),
        (designed(name="EG"), "with fewer than two points"),
    ],
)
def test_a_section_that_is_no_line_from_left_to_right_is_left_out_and_counted(tmp_path, text, why):
    found, notes = drawn(tmp_path, (1000, text), (1020, text), (1040, existing("-1 0 1 0")))
    assert found["EG"][0] == [1040]
    assert notes == (f"cross-sections 'EG' of alignment 'Elm St': 2 left out, {why}",)


def test_a_section_askew_is_left_out_and_said(tmp_path):
    text = sections((1000, existing("0 0 1 0"))).replace('sta="1000"', 'sta="1000" angleSkew="0.2"')
    got = read(tmp_path, document(alignment(LINE, after=text)))
    assert got.notes == ("cross-sections 'EG' of alignment 'Elm St': 1 left out, not square to the road",)
    assert got.roads[0].sections == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (designed("0 0").replace("code", 'dataFormat="Slope Distance" code'), "points given as 'Slope Distance'"),
        (designed("0 0").replace("code", 'alignRef="Oak St" code'), "measured from another alignment, 'Oak St'"),
        (designed("0"), "a CrossSectPnt has 1 numbers, not offset and elevation"),
        (existing("0 0 1"), "a PntList2D has 3 numbers, not pairs of offset and elevation"),
        (existing("0 0 1 O"), "'O' is no number"),
    ],
)
def test_a_section_that_cannot_be_read_is_told_once_with_its_count(tmp_path, text, said):
    (finding,) = said_of(tmp_path, LINE, after=sections((1000, text), (1050, text)))
    assert "alignment 'Elm St': cross-sections '" in finding
    assert said in finding
    assert "(2 times) -> correct it, or export the sections again" in finding


def test_offset_and_elevation_may_be_named_as_such(tmp_path):
    text = designed("-1 0", "1 0").replace("code", 'dataFormat="Offset Elevation" alignRef="Elm St" code')
    assert drawn(tmp_path, (1000, text))[0]["FG"] == ([1000], [[-1, 1]], [[0, 0]])


@pytest.mark.parametrize("sta", ["", "10+00"])
def test_a_section_without_a_station_is_a_finding(tmp_path, sta):
    (finding,) = said_of(tmp_path, LINE, after=sections((sta, existing("0 0 1 0"))))
    assert "alignment 'Elm St': a cross-section " in finding
