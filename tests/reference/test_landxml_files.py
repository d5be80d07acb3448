"""Real LandXML files, judged by lxml, by quadrature of the curvature, and by arithmetic on their own text.

Sources and licences: SOURCES.md beside each file. Of a file's two pairs of figures, coordinates and stated lengths,
only the coordinates are used by the reader, so that the stated lengths, stations and directions can judge it.
"""

from pathlib import Path

import numpy as np
import pytest

from gradecheck.formats.landxml import read_landxml

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"
TINS = sorted(DATA.glob("landxml_abrman_mit/*.xml"))
ROADS = sorted([*DATA.glob("landxml_mac999_mit/*.xml"), *DATA.glob("landxml_infra_cc_by/*.xml")])
SAMPLE = DATA / "landxml_mac999_mit" / "landxml_road_sample.xml"
pytestmark = pytest.mark.skipif(len(TINS) != 4 or len(ROADS) != 6, reason="open LandXML files not here")


def tree(path):
    """The file by lxml, without namespaces."""
    etree = pytest.importorskip("lxml.etree")
    root = etree.parse(str(path)).getroot()
    for element in root.iter(etree.Element):
        element.tag = etree.QName(element).localname
    return root


def by_name(paths):
    return pytest.mark.parametrize("path", paths, ids=lambda p: p.stem)


def pair(text):
    """Easting and northing of "northing easting"."""
    north, east = text.split()[:2]
    return float(east), float(north)


@pytest.mark.parametrize(
    ("name", "points", "faces", "lowest", "highest"),
    [
        ("S1", 17, 24, 447.39111328125, 526.0139770507812),
        ("S2", 57, 96, None, None),
        ("S3", 164, 300, None, None),
        ("S4", 1657, 3199, None, None),
    ],
)
def test_surfaces_have_the_points_and_faces_that_their_files_list(name, points, faces, lowest, highest):
    path = DATA / "landxml_abrman_mit" / f"{name}.xml"
    (mesh,) = read_landxml(path, name).surfaces
    assert (len(mesh.x), len(mesh)) == (points, faces)
    text = path.read_text(encoding="utf-8")
    assert (text.count("<P id="), text.count("<F>")) == (points, faces)
    if lowest:
        assert (mesh.z.min(), mesh.z.max()) == (lowest, highest)


@by_name(TINS)
def test_every_face_has_the_corners_that_lxml_finds(path):
    root, got = tree(path), read_landxml(path, path.name)
    (mesh,) = got.surfaces
    places = {p.get("id"): tuple(map(float, p.text.split())) for p in root.iter("P")}
    corners = np.array([[places[i] for i in f.text.split()] for f in root.iter("F")])
    ours = np.stack((mesh.y, mesh.x, mesh.z), axis=1)[mesh.corners]
    np.testing.assert_array_equal(ours, corners)
    assert (got.version, got.unit, got.system, got.vertical) == ("1.2", "ftUS", None, None)
    assert (got.roads, got.notes) == ((), ())
    assert mesh.name == root.find(".//Surface").get("name")


def test_the_four_densities_of_one_site_cover_the_same_ground():
    extents = []
    for path in TINS:
        (mesh,) = read_landxml(path, path.name).surfaces
        extents.append((mesh.x.min(), mesh.x.max(), mesh.y.min(), mesh.y.max()))
    # The same site: eastings of 835,000 and northings of 1,068,000 ft, about 2,132 ft either way.
    assert extents[0] == (834494.1130371094, 836625.8869628906, 1067474.1130371094, 1069605.8869628906)
    for other in extents[1:]:
        assert other == pytest.approx(extents[0], abs=2)


@by_name(ROADS)
def test_alignments_begin_and_end_where_the_file_says_and_are_as_long(path):
    element, (road,) = tree(path).find(".//Alignment"), read_landxml(path, path.name).roads
    drawn = [e for e in element.find("CoordGeom") if e.tag in ("Line", "Curve", "Spiral")]
    line = road.alignment
    assert line.name == element.get("name")
    assert line.first == float(element.get("staStart"))
    assert line.last - line.first == pytest.approx(float(element.get("length")), abs=0.001)
    x, y = line.points(np.array([line.first, line.last]))
    assert (x[0], y[0]) == pytest.approx(pair(drawn[0].find("Start").text), abs=1e-6)
    assert (x[1], y[1]) == pytest.approx(pair(drawn[-1].find("End").text), abs=0.001)


@by_name(ROADS)
def test_every_element_starts_at_the_station_that_the_lengths_before_it_add_up_to(path):
    element, (road,) = tree(path).find(".//Alignment"), read_landxml(path, path.name).roads
    station = float(element.get("staStart"))
    for drawn in element.find("CoordGeom").iterchildren("Line", "Curve", "Spiral"):
        x, y = road.alignment.points(np.array([station]))
        assert (x[0], y[0]) == pytest.approx(pair(drawn.find("Start").text), abs=0.001)
        if drawn.get("staStart"):
            assert station == pytest.approx(float(drawn.get("staStart")), abs=0.001)
        station += float(drawn.get("length"))


@by_name(ROADS)
def test_the_curvature_that_the_file_states_leads_to_every_end(path):
    """Headings and places by the trapezoid rule over the curvature, from the stated lengths, radii and hands."""
    element, (road,) = tree(path).find(".//Alignment"), read_landxml(path, path.name).roads
    station = float(element.get("staStart"))
    for drawn in element.find("CoordGeom").iterchildren("Line", "Curve", "Spiral"):
        length, left = float(drawn.get("length")), {"ccw": 1, "cw": -1}.get(drawn.get("rot"), 0)
        radii = (
            [drawn.get("radius")] * 2 if drawn.tag == "Curve" else [drawn.get(f"radius{e}") for e in ("Start", "End")]
        )
        bends = [left / float(r) if r and r.upper() != "INF" else 0.0 for r in radii]
        s = np.linspace(0, length, 4001)
        heading = (
            road.alignment.heading_at([station + 1e-6])[0] + bends[0] * s + (bends[1] - bends[0]) * s**2 / (2 * length)
        )
        (x0, y0), (x1, y1) = (pair(drawn.find(e).text) for e in ("Start", "End"))
        assert np.trapezoid(np.cos(heading), s) == pytest.approx(x1 - x0, abs=0.005)
        assert np.trapezoid(np.sin(heading), s) == pytest.approx(y1 - y0, abs=0.005)
        station += length


@by_name(ROADS)
def test_designs_touch_their_tangents_where_the_file_puts_its_vertices(path):
    root, (road,) = tree(path), read_landxml(path, path.name).roads
    aligns = root.findall(".//ProfAlign")
    designs = [p.profile for p in road.profiles if not p.ground]
    assert [p.name for p in designs] == [a.get("name") for a in aligns]
    for align, profile in zip(aligns, designs, strict=True):
        vertices = [(v.tag, *map(float, v.text.split()), float(v.get("length", 0))) for v in align]
        assert (profile.first, profile.last) == (vertices[0][1], vertices[-1][1])
        sta, z, reach = (np.array([v[k] for v in vertices]) for k in (1, 2, 3))
        # Halfway between two curves the profile is on the tangent through both vertices.
        low, high = sta[:-1] + reach[:-1] / 2, sta[1:] - reach[1:] / 2
        free = high - low > 0.02
        middle = ((low + high) / 2)[free]
        np.testing.assert_allclose(profile.heights(middle), np.interp(middle, sta, z), atol=1e-6)
        grades = np.diff(z) / np.diff(sta)
        for i in np.flatnonzero(reach > 0):
            # A parabola's height under its vertex, which a flat circle comes near: A L / 8.
            under = z[i] + (grades[i] - grades[i - 1]) * reach[i] / 8
            assert profile.heights(sta[i : i + 1])[0] == pytest.approx(under, abs=2e-4)


def test_the_design_of_a_street_by_hand():
    (road,) = read_landxml(SAMPLE, "sample").roads
    (design,) = [p.profile for p in road.profiles if not p.ground]
    # From 0 at 349.554835 to 458.283271 at 347.203699 the grade is -0.513031 %: at 1+00 349.041804.
    assert design.heights(np.array([100.0]))[0] == pytest.approx(349.041804, abs=1e-6)
    # On to 1048.214680 at 352.844318, +0.956148 %: the parabola of 150 lies 1.469179 % x 150 / 8 above its corner.
    assert design.heights(np.array([458.2832708594]))[0] == pytest.approx(347.203699 + 0.275471, abs=1e-5)


def test_the_ground_along_the_street_is_the_file_s_own_table():
    root, (road,) = tree(SAMPLE), read_landxml(SAMPLE, "sample").roads
    (ground,) = [p.profile for p in road.profiles if p.ground]
    table = np.array(root.find(".//ProfSurf/PntList2D").text.split(), dtype=float).reshape(-1, 2)
    assert len(table) == 283
    np.testing.assert_allclose(ground.heights(table[:, 0]), table[:, 1], atol=1e-9)
    middles = table[:-1] + np.diff(table, axis=0) / 2
    np.testing.assert_allclose(ground.heights(middles[:, 0]), middles[:, 1], atol=1e-9)
    # Both start on the same spot: nothing changes at the first station.
    (design,) = [p.profile for p in road.profiles if not p.ground]
    assert ground.heights(np.zeros(1))[0] == design.heights(np.zeros(1))[0] == 349.55483486561


def test_units_systems_and_stations_are_what_the_files_state():
    said = {p.stem: read_landxml(p, p.stem) for p in ROADS}
    assert {name: got.unit for name, got in said.items()} == {**dict.fromkeys(said, "m"), "landxml_road_sample": "ft"}
    systems = {name: (got.system, got.vertical) for name, got in said.items() if got.system}
    assert systems == dict.fromkeys(("mcon_toi_m14334", "mcon_toi_y3"), ("EPSG:3878", "EPSG:3900"))
    (named,) = said["mcon_toi_y3"].roads[0].profiles
    assert (named.profile.first, named.profile.last) == (-1.544812, 35.95817)
    (note,) = said["mcon_toi_y3"].notes
    assert "(stations -1.54 to 35.96) reaches outside alignment" in note
