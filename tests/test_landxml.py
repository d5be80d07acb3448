"""LandXML as a file and as surfaces: what bites in real files, and files made to do harm.

Points are "northing easting elevation"; every expected number is worked out by hand beside its text.
"""

import codecs
import os
import random
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gradecheck.errors import InputError
from gradecheck.formats import landxml_bulk, landxml_stream
from gradecheck.formats.landxml import read_landxml
from tests.landxml_text import LINE, METRES, SCHEMA, SQUARE, alignment, document, read, surface, wrong

CORNERS = [[0, 1, 2], [0, 2, 3]]


def only(folder, *parts, **options):
    """The one surface of a file."""
    (mesh,) = read(folder, document(*parts, **options)).surfaces
    return mesh


# Points


def test_points_are_northing_easting_elevation(tmp_path):
    mesh = only(tmp_path, surface())
    assert mesh.name == "FG"
    assert mesh.x.tolist() == [100, 100, 120, 120]
    assert mesh.y.tolist() == [0, 10, 10, 0]
    assert mesh.z.tolist() == [5, 6, 8, 7]
    assert mesh.corners.tolist() == CORNERS
    assert mesh.corners.dtype == np.int64


@pytest.mark.parametrize(
    "text",
    ["0,100,5", " 0\n\t100\r\n5 ", "0 , 100 , 5", "0.,1e2,+5.0", "0&#32;100&#x20;5", "0 10<!-- easting -->0 5",
     "<![CDATA[0 100]]> 5", "-0 .1E+3 5"],
)  # fmt: skip
def test_numbers_come_apart_by_commas_and_any_white_space(tmp_path, text):
    mesh = only(tmp_path, surface(SQUARE.replace("0 100 5", text)))
    assert (mesh.x[0], mesh.y[0], mesh.z[0]) == (100, 0, 5)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0 100 1.5D+03", "'1.5D+03' is no number"),
        ("0 100 nan", "'nan' is no number"),
        ("0 100 -inf", "'-inf' is no number"),
        ("0 100 1e999", "'1e999' is no number"),
        ("0 100 1_000", "'1_000' is no number"),
        ("0 100 0x10", "'0x10' is no number"),
        ("0 100 ٥", "'٥' is no number"),
        ("0 100", "has 2 numbers, not 3"),
        ("", "has 0 numbers, not 3"),
        ("0 100 5 6", "has 4 numbers, not 3"),
        ("0,0 100,0 5,0", "has 6 numbers, not 3"),
    ],
)
def test_a_point_that_is_not_three_numbers_is_named(tmp_path, text, said):
    (finding,) = wrong(tmp_path, document(surface(SQUARE.replace("10 120 8", text))))
    assert f"surface 'FG': point '3': {said} -> " in finding
    assert finding.startswith("design.xml line 2: ")


def test_one_number_too_few_here_and_one_too_many_there_do_not_pass_for_two_points(tmp_path):
    points = '<P id="1">0 100</P><P id="2">10 100 6 7</P><P id="3">10 120 8</P>'
    (finding,) = wrong(tmp_path, document(surface(points, "<F>1 2 3</F>")))
    assert "point '1': has 2 numbers, not 3; point '2': has 4 numbers, not 3" in finding


def test_of_many_wrong_points_five_are_named_and_the_rest_counted(tmp_path):
    points = SQUARE + "".join(f'<P id="{i}">x 0 0</P>' for i in range(11, 31))
    (finding,) = wrong(tmp_path, document(surface(points)))
    assert finding.count("'x' is no number") == 5
    assert "and 15 more" in finding


# Ids


@pytest.mark.parametrize(
    "ids",
    [("1", "2", "3", "4"), ("40", "7", "9", "0"), ("4", "3", "2", "1"), ("123456789012345678", "5", "6", "7"),
     ("007", "008", "9", "10"), ("a", "b", "TP-3", "é"), ("1", "two", "3", "4.0"), ("9" * 30, "9" * 29 + "8", "1", "2"),
     ("-1", "-2", "-3", "-4"), (" 1 ", "2", "3", "4")],
)  # fmt: skip
def test_ids_are_in_any_order_and_may_be_names(tmp_path, ids):
    places = ["0 100 5", "10 100 6", "10 120 8", "0 120 7"]
    points = "".join(f'<P id="{i}">{place}</P>' for i, place in zip(ids, places, strict=True))
    a, b, c, d = ids
    assert only(tmp_path, surface(points, f"<F>{a} {b} {c}</F><F>{a} {c} {d}</F>")).corners.tolist() == CORNERS


def test_faces_may_come_before_their_points(tmp_path):
    faces, points = (
        "<Faces><F>b a c</F></Faces>",
        '<Pnts><P id="a">0 0 0</P><P id="b">0 1 0</P><P id="c">1 0 0</P></Pnts>',
    )
    mesh = only(tmp_path, f'<Surfaces><Surface name="FG"><Definition>{faces}{points}</Definition></Surface></Surfaces>')
    assert mesh.corners.tolist() == [[1, 0, 2]]


def test_a_negative_id_in_a_face_means_the_point_without_its_sign(tmp_path):
    assert only(tmp_path, surface(faces="<F>1 -2 3</F><F>-1 -3 -4</F>")).corners.tolist() == CORNERS


def test_points_that_faces_name_and_that_are_not_there_are_counted_and_named(tmp_path):
    faces = "<F>1 2 3</F><F>1 99 3</F><F>98 -99 97</F><F>1 2 x</F>"
    (finding,) = wrong(tmp_path, document(surface(faces=faces)))
    assert "surface 'FG': faces name points that are not there, 5 times: x; 97; 98; 99 -> " in finding


@pytest.mark.parametrize(
    "ref",
    [
        "1.0",
        "99999999999999999999",
        "-99999999999999999999",
        "9223372036854775807",
        "1e0",
        f"-{2**63}",
        f"-{2**63 - 1}",
    ],
)
def test_what_is_no_whole_number_names_no_point_by_chance(tmp_path, ref):
    (finding,) = wrong(tmp_path, document(surface(faces=f"<F>{ref} 2 3</F>")))
    assert f"are not there, 1 times: {ref}" in finding


def test_two_places_under_one_id_are_a_finding_and_a_mere_repetition_is_not(tmp_path):
    assert only(tmp_path, surface(SQUARE + '<P id="2">10 100 6.0</P>')).corners.tolist() == CORNERS
    (finding,) = wrong(tmp_path, document(surface(SQUARE + '<P id="2">10 100 6.5</P>')))
    assert "points of one id lie at different places: 2" in finding


def test_points_without_an_id_are_a_finding(tmp_path):
    (finding,) = wrong(tmp_path, document(surface(SQUARE + "<P>1 1 1</P>" + '<P id="">1 1 1</P>')))
    assert "point '': has no id; point '': has no id" in finding


# Faces


def test_invisible_faces_are_left_out_and_counted(tmp_path):
    faces = '<F i="1">1 2 4</F><F n="2 0 3" i="0">1 2 3</F><F i="1" n="0 0 0">2 3 4</F><F b="5">1 3 4</F>'
    got = read(tmp_path, document(surface(faces=faces)))
    assert got.surfaces[0].corners.tolist() == CORNERS
    assert "surface 'FG': 2 faces are marked invisible and left out" in got.notes


def test_a_face_of_four_is_cut_in_two_in_its_place_and_that_is_said(tmp_path):
    got = read(tmp_path, document(surface(faces="<F>1 2 3</F><F>1 2 3 4</F><F>2 3 4</F>")))
    assert got.surfaces[0].corners.tolist() == [[0, 1, 2], [0, 1, 2], [0, 2, 3], [1, 2, 3]]
    assert got.notes == ("surface 'FG': 1 faces of four points are cut in two from their first to their third point",)


def test_faces_of_other_sizes_are_named_by_their_place(tmp_path):
    (finding,) = wrong(tmp_path, document(surface(faces="<F>1 2 3</F><F>1 2</F><F/><F>1 2 3 4 1</F>")))
    assert "face 2 has 2 points; face 3 has 0 points; face 4 has 5 points" in finding


def test_several_collections_of_faces_make_one_surface(tmp_path):
    assert only(tmp_path, surface(faces="<F>1 2 3</F></Faces><Faces><F>1 3 4</F>")).corners.tolist() == CORNERS


@pytest.mark.parametrize("nested", ['<P id="8">1 1 <P id="9">1</P></P>', "<P>" * 3 + "</P>" * 3])
def test_points_within_points_are_a_finding(tmp_path, nested, monkeypatch):
    for block in (1, 2, 1000):
        monkeypatch.setattr(landxml_bulk, "_BLOCK", block)
        assert wrong(tmp_path, document(surface(SQUARE + nested)))


@pytest.mark.parametrize("nested", ["<F>1 2 <F>3</F></F>", "<F>1 <F>1 2 3</F>2 3</F>", "<F><F>1 2 3</F></F>"])
def test_faces_within_faces_are_a_finding(tmp_path, nested):
    (finding,) = wrong(tmp_path, document(surface(faces=f"<F>1 2 3</F>{nested}<F>1 3 4</F>")))
    assert "faces lie within one another" in finding


# Surfaces


def test_source_data_and_what_is_unknown_is_ignored(tmp_path):
    lines = "<Breaklines><Breakline><PntList3D>x</PntList3D></Breakline></Breaklines>"
    source = f"<SourceData>{lines}<Pnts><P>x</P></Pnts></SourceData>"
    feature = '<Feature code="F"><Property label="P" value="1"/><Feature><P id="1">x</P></Feature></Feature>'
    other = f"<Watersheds><Pnts><P>y</P></Pnts></Watersheds><Novel><Faces2/></Novel>{feature}"
    mesh = only(tmp_path, surface(feature + SQUARE + "<Q>x</Q>", before=source + other), "<Pnts><P>x</P></Pnts>")
    assert mesh.x.tolist() == [100, 100, 120, 120]


def test_all_surfaces_are_read_whatever_groups_they_are_in(tmp_path):
    inner = surface(name="EG").removeprefix("<Surfaces>").removesuffix("</Surfaces>")
    text = surface().replace("</Surfaces>", f"<Surfaces><Group>{inner}</Group></Surfaces></Surfaces>") + surface(
        name="EG"
    )
    got = read(tmp_path, document(text))
    assert [(m.name, len(m)) for m in got.surfaces] == [("FG", 2), ("EG", 2), ("EG", 2)]
    assert got.notes == ("several surfaces have one name: 'EG'",)


def test_a_grid_is_not_read_and_that_is_said(tmp_path):
    got = read(tmp_path, document(surface(faces="<F>1 2 3 4</F>", kind='surfType="grid"')))
    assert [(m.name, len(m.x), len(m)) for m in got.surfaces] == [("FG", 0, 0)]
    assert got.notes == ("surface 'FG' is a grid, not triangles: not read",)


@pytest.mark.parametrize("kind", ["", 'surfType="tin"', 'surfType="TIN"'])
def test_a_surface_of_no_stated_kind_is_one_of_triangles(tmp_path, kind):
    assert len(only(tmp_path, surface(kind=kind))) == 2


def test_a_surface_without_triangles_is_there_and_empty(tmp_path):
    for text in (surface(faces=""), surface(faces='<F i="1">1 2 3</F>'), '<Surface name="FG"/>'):
        got = read(tmp_path, document(text))
        assert [(m.name, m.corners.shape) for m in got.surfaces] == [("FG", (0, 3))]
        assert "surface 'FG' has no triangles to be seen" in got.notes


def test_what_is_wrong_with_several_surfaces_and_roads_is_told_at_once(tmp_path):
    bad = [surface(name="A", faces="<F>1 2 9</F>"), surface("<P>x</P>", name="B"), alignment("<Chain>1 2</Chain>")]
    found = wrong(tmp_path, document(*bad, units='<Units><Imperial linearUnit="furlong"/></Units>'))
    for said in ("surface 'A'", "surface 'B'", "Chain", "furlong"):
        assert any(said in finding for finding in found)


def test_surfaces_can_be_passed_over_wrong_or_not(tmp_path):
    got = read(tmp_path, document(surface("<P>x</P>"), alignment(LINE), surface()), surfaces=False)
    assert got.surfaces == ()
    assert len(got.roads) == 1


@pytest.mark.parametrize(("chunk", "block"), [(1, 1), (7, 3), (64, 2), (1000, 10**6)])
def test_blocks_and_chunks_of_any_size_give_the_same(tmp_path, monkeypatch, chunk, block):
    rng = np.random.default_rng(20261125)
    rows = rng.uniform([0, 1e6, -9], [1e3, 2e6, 9], (40, 3))
    ids = rng.permutation(400)[:40]
    corners = np.array([rng.permutation(40)[:3] for _ in range(90)])
    points = "\n".join(f'<P id="{i}"> {n!r} {e!r} {z!r} </P>' for i, (n, e, z) in zip(ids, rows.tolist(), strict=True))
    faces = "\n".join(f"<F>{a} {b} {c}</F>" for a, b, c in ids[corners].tolist())
    text = document(surface(points, faces, name="é"))
    monkeypatch.setattr(landxml_stream, "_CHUNK", chunk)
    monkeypatch.setattr(landxml_bulk, "_BLOCK", block)
    mesh = read(tmp_path, text).surfaces[0]
    np.testing.assert_array_equal(np.stack((mesh.y, mesh.x, mesh.z), axis=1), rows)
    np.testing.assert_array_equal(mesh.corners, corners)
    assert mesh.name == "é"


def mixed_points(rng, count):
    """Points written in all manners between things that look like points and are none; and what they are."""
    texts, rows = [], []
    for number in range(1, count + 1):
        n, e, z = (round(rng.uniform(-1e6, 1e6), 3) for _ in range(3))
        plain = f'<P id="{number}">{n} {e} {z}</P>'
        other = rng.choice(
            [
                plain.replace("<P ", '<P code="&lt;/P>" '),
                plain.replace(f"{n} ", f"<![CDATA[{n}]]> <!-- </P> -->"),
                plain.replace(">", ">\n<![CDATA[\n]]>", 1),
                f"<!-- {plain} -->{plain}<!-- <P id='9'>7 7</P> -->",
                f"<?note {plain}?>\n{plain}<X>{plain.replace('1', '2')}</X>",
                f"{plain.replace('P ', 'P  ')}<X><![CDATA[\n</P>]]></X>",
                f"<X><P>1</P>{plain.replace('1', '2')}</X>{plain.replace(' ', chr(9))}",
            ]
        )
        texts.append(plain if rng.random() < 0.8 else other)
        rows.append((n, e, z))
    return rng.choice(["", "\n", " "]).join(texts), rows


@pytest.mark.parametrize("chunk", [1, 60, 150, 400, 5000, 1 << 20])
def test_plain_points_taken_from_their_bytes_are_what_the_parser_reads(tmp_path, monkeypatch, chunk):
    monkeypatch.setattr(landxml_stream, "_CHUNK", chunk)
    for seed in range(12):
        points, rows = mixed_points(random.Random(seed), 60)
        faces = "".join("<F{}>{} -{} {}</F>\n".format(' i="1"' * (i % 3 == 0), i, i + 1, i + 2) for i in range(1, 55))
        mesh = read(tmp_path, document(surface(points, faces))).surfaces[0]
        assert list(zip(mesh.y, mesh.x, mesh.z, strict=True)) == rows
        assert mesh.corners.tolist() == [[i - 1, i, i + 1] for i in range(1, 55) if i % 3]


def test_most_of_a_plain_surface_is_taken_from_its_bytes(tmp_path, monkeypatch):
    taken = []
    plain = landxml_bulk.Run.plain
    monkeypatch.setattr(landxml_bulk.Run, "plain", lambda run, data: taken.append(plain(run, data)) or taken[-1])
    monkeypatch.setattr(landxml_stream, "_CHUNK", 2000)
    read(tmp_path, plain_tin(20, 20))
    assert taken.count(True) > 10
    assert taken.count(False) <= 2  # where the points end, and the faces


def test_lines_are_counted_right_past_plain_points(tmp_path, monkeypatch):
    monkeypatch.setattr(landxml_stream, "_CHUNK", 3000)
    text = plain_tin(20, 20)
    at = text[: text.index("</Faces>")].count("\n") + 1
    (finding,) = wrong(tmp_path, text.replace("</Faces>", "</Face>"))
    assert finding.startswith(f"design.xml line {at}: broken XML: mismatched tag")
    (finding,) = wrong(
        tmp_path, text.replace("</Surfaces>", '</Surfaces><Alignment name="A"><StaEquation/></Alignment>')
    )
    assert finding.startswith(f"design.xml line {at}: alignment 'A', station equation 1: has no staInternal")


@pytest.mark.parametrize("sign", ["\0", "\1", "\2", "&#0;"])
def test_the_signs_that_part_elements_are_in_no_file(tmp_path, monkeypatch, sign):
    monkeypatch.setattr(landxml_stream, "_CHUNK", 200)
    points = "".join(f'<P id="{i}">1 2 3</P>' for i in range(20)) + f'<P id="20">1 2 3{sign} 21{sign}1 2 3</P>' * 9
    (finding,) = wrong(tmp_path, document(surface(points)))
    assert "broken XML" in finding


# Units, versions and systems


@pytest.mark.parametrize(
    ("units", "unit"),
    [
        ('<Imperial linearUnit="foot" elevationUnit="meter"/>', "ft"),
        ('<Imperial linearUnit="USSurveyFoot" elevationUnit="meter"/>', "ftUS"),
        ('<Imperial linearUnit="inch"/>', "in"),
        ('<Metric linearUnit="meter" elevationUnit="feet"/>', "m"),
        ('<Metric linearUnit="millimeter"/>', "mm"),
        ('<Metric linearUnit="centimeter"/>', "cm"),
        ('<Metric areaUnit="squareMeter" elevationUnit="meter"/>', None),
    ],
)
def test_the_linear_unit_governs_and_the_elevation_unit_does_not(tmp_path, units, unit):
    assert read(tmp_path, document(units=f"<Units>{units}</Units>")).unit == unit
    assert read(tmp_path, document(surface(), f"<Units>{units}</Units>", units="")).unit == unit


def test_without_units_the_unit_is_unknown(tmp_path):
    assert read(tmp_path, document(units="")).unit is None
    assert read(tmp_path, document("<Survey>" + METRES + "</Survey>", units="")).unit is None


@pytest.mark.parametrize("unit", ["mile", "kilometer", "furlong", "3 m"])
def test_other_units_are_a_finding(tmp_path, unit):
    (finding,) = wrong(tmp_path, document(units=f'<Units><Metric linearUnit="{unit}"/></Units>'))
    assert finding == f"design.xml line 2: its linearUnit is '{unit}' -> export it in one of in, ft, ftUS, mm, cm, m"


def test_two_units_are_a_finding(tmp_path):
    units = '<Units><Metric linearUnit="meter"/><Imperial linearUnit="foot"/></Units>'
    (finding,) = wrong(tmp_path, document(units=units))
    assert "has several linear units: meter, foot" in finding


WKT = "PROJCS[&quot;X&quot;,GEOGCS[&quot;Y&quot;]]"


@pytest.mark.parametrize(
    ("said", "system", "named", "vertical"),
    [
        ('epsgCode="3878" horizontalDatum="EPSG:3878" verticalDatum="EPSG:3900"', "EPSG:3878", "", "EPSG:3900"),
        ('epsgCode=" EPSG:2272 "', "EPSG:2272", "", None),
        ('epsgCode="0" name="Site grid"', None, "Site grid", None),
        ('epsgCode="" ogcWktCode="EPSG:26910"', "EPSG:26910", "", None),
        (f'ogcWktCode="{WKT}"', 'PROJCS["X",GEOGCS["Y"]]', "", None),
        ('ogcWktCode="COMPD_CS[&quot;X&quot;]"', 'COMPD_CS["X"]', "", None),
        ('ogcWktCode="my grid" desc="NAD83 North"', None, "NAD83 North", None),
        ('horizontalDatum="urn:ogc:def:crs:EPSG::6318"', "EPSG:6318", "", None),
        ('horizontalDatum="NAD83" horizontalCoordinateSystemName="OR North"', None, "OR North, NAD83", None),
        ('horizontalDatum="3878" verticalDatum="5703"', None, "3878", None),
        ("", None, "", None),
    ],
)
def test_reference_systems_are_told_as_text(tmp_path, said, system, named, vertical):
    got = read(tmp_path, document(f"<CoordinateSystem {said}/>"))
    assert (got.system, got.system_said, got.vertical) == (system, named, vertical)


@pytest.mark.parametrize(
    ("said", "note"),
    [
        ('verticalDatum="NAVD88"', "names its vertical datum, 'NAVD88', without a code"),
        (
            'epsgCode="2272" rotationAngle="0.5"',
            "states a rotation or an origin of its coordinates, which is not applied",
        ),
        ('epsgCode="2272" horizontalDatum="EPSG:2271"', "states EPSG:2272, but also EPSG:2271 as its horizontal datum"),
        ('epsgCode="2272"/><CoordinateSystem epsgCode="2271"', "has 2 coordinate systems; the first is taken"),
    ],
)
def test_what_is_odd_about_reference_systems_is_said(tmp_path, said, note):
    assert any(n.startswith(note) for n in read(tmp_path, document(f"<CoordinateSystem {said}/>")).notes)


def test_no_rotation_is_nothing_to_speak_of(tmp_path):
    assert read(tmp_path, document('<CoordinateSystem epsgCode="2272" rotationAngle="-0.000000"/>')).notes == ()


@pytest.mark.parametrize(
    ("root", "version"),
    [
        ('version="1.0"', "1.0"),
        ('xmlns="http://www.landxml.org/schema/LandXML-1.1"', "1.1"),
        ('xmlns="http://www.landxml.org/schema/LandXML-2.0" version="2.0"', "2.0"),
        ('xmlns="http://www.example.org/own" version="1.2"', "1.2"),
    ],
)
def test_every_version_and_namespace_is_read(tmp_path, root, version):
    got = read(tmp_path, document(surface(), alignment(LINE), root=root))
    assert (got.version, len(got.surfaces[0]), len(got.roads), got.notes) == (version, 2, 1, ())


def test_prefixed_names_are_read(tmp_path):
    text = document(surface('<P id="1" desc="a">0 0 0</P><P id="2">0 1 0</P><P id="3">1 0 1</P>', "<F>1 2 3</F>"))
    text = text.replace("</", "</lx:").replace("<P ", "<lx:P ").replace("xmlns=", "xmlns:lx=")
    for name in ("LandXML", "Units", "Metric", "Surfaces", "Surface", "Definition", "Pnts", "Faces", "F"):
        text = text.replace(f"<{name}>", f"<lx:{name}>").replace(f"<{name} ", f"<lx:{name} ")
    got = read(tmp_path, text)
    assert (got.unit, got.surfaces[0].corners.tolist()) == ("m", [[0, 1, 2]])


@pytest.mark.parametrize("root", ['version="3.1"', ""])
def test_an_unknown_version_is_read_and_said(tmp_path, root):
    got = read(tmp_path, document(surface(), root=root))
    assert len(got.surfaces) == 1
    assert got.notes[0].startswith("is of LandXML version")


def test_no_name_of_project_or_program_is_kept(tmp_path):
    secret = '<Project name="C:\\secret"/><Application name="secret"><Author createdBy="secret"/></Application>'
    assert "secret" not in repr(read(tmp_path, document(secret, surface(), alignment(LINE))))


# Encodings


@pytest.mark.parametrize(
    ("stated", "real", "mark"),
    [
        (None, "utf-8", b""),
        ("UTF-8", "utf-8", b""),
        ("utf8", "utf-8", b""),
        (None, "utf-8", codecs.BOM_UTF8),
        ("windows-1252", "utf-8", codecs.BOM_UTF8),
        ("UTF-16", "utf-16-le", codecs.BOM_UTF16_LE),
        ("UTF-8", "utf-16-le", codecs.BOM_UTF16_LE),
        ("UTF-16", "utf-16-be", codecs.BOM_UTF16_BE),
        (None, "utf-16-le", b""),
        ("UTF-16BE", "utf-16-be", b""),
        ("UTF-32", "utf-32-le", codecs.BOM_UTF32_LE),
        (None, "utf-32-be", b""),
        ("ISO-8859-1", "latin-1", b""),
        ("latin1", "latin-1", b""),
        ("windows-1252", "cp1252", b""),
        ("ISO-8859-15", "iso8859-15", b""),
        ("GB18030", "gb18030", b""),
        ("gbk", "gbk", b""),
    ],
)
def test_every_encoding_is_read(tmp_path, stated, real, mark):
    head = f'<?xml version="1.0" encoding="{stated}"?>' if stated else '<?xml version="1.0"?>'
    text = document(surface(name="Straße é" if "gb" not in real else "道路"), head=head)
    got = read(tmp_path, mark + text.encode(real))
    assert got.surfaces[0].name in ("Straße é", "道路")
    assert got.notes == ()


def test_many_bytes_to_a_letter_come_apart_anywhere(tmp_path, monkeypatch):
    monkeypatch.setattr(landxml_stream, "_CHUNK", 1)
    head = '<?xml version="1.0" encoding="shift_jis"?>'
    assert (
        read(tmp_path, document(surface(name="道路表"), head=head), encoding="shift_jis").surfaces[0].name == "道路表"
    )


def test_what_says_utf_16_in_plain_bytes_is_read_as_utf_8_and_that_is_said(tmp_path):
    got = read(tmp_path, document(surface(name="Straße"), head='<?xml version="1.0" encoding="utf-16"?>'))
    assert got.surfaces[0].name == "Straße"
    assert got.notes == ("states the encoding utf-16, which it is not in; read as UTF-8",)


@pytest.mark.parametrize("stated", ["nonsense", "hex", "rot13", "cp037", "undefined", "zip"])
def test_an_encoding_that_is_none_is_a_finding(tmp_path, stated):
    (finding,) = wrong(tmp_path, document(head=f'<?xml version="1.0" encoding="{stated}"?>'))
    assert finding.startswith(f"design.xml: states the encoding '{stated}', which is not known or not the one it is in")


@pytest.mark.parametrize(("stated", "real"), [("us-ascii", "utf-8"), ("shift_jis", "latin-1"), ("cp1252", "utf-8")])
def test_bytes_that_the_stated_encoding_has_not_are_a_finding(tmp_path, stated, real):
    text = document(surface(name="à" if stated == "cp1252" else "é"), head=f'<?xml version="1.0" encoding="{stated}"?>')
    # U+00E0 in UTF-8 ends with a byte that windows-1252 gives a meaning to; U+00C1 does not.
    (finding,) = wrong(tmp_path, text.replace("à", "Á"), encoding=real)
    assert finding.startswith("design.xml: is not the ")
    assert finding.endswith("save it as UTF-8")


def test_accents_in_another_encoding_than_none_stated_are_a_finding_with_a_hint(tmp_path):
    (finding,) = wrong(tmp_path, document(surface(name="Straße")), encoding="latin-1")
    assert finding.startswith("design.xml line 2: broken XML: ")
    assert "UTF-8 if none" in finding


# Files that are broken, or made to do harm


def test_broken_xml_is_one_finding_with_its_line(tmp_path):
    (finding,) = wrong(tmp_path, document("\n\n<Surfaces><Surface></Surfaces>"))
    assert finding.startswith("design.xml line 4: broken XML: mismatched tag -> ")


@pytest.mark.parametrize("end", [-1, -10, 300, 120])
def test_a_file_that_was_cut_short_is_one_finding_with_its_line(tmp_path, end):
    (finding,) = wrong(tmp_path, document(surface())[:end])
    assert finding == "design.xml: ends in the middle, at line 2: it was cut short -> copy or export it again, whole"


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is empty or ends before its first element"),
        (b" \n\n", "is empty or ends before its first element"),
        (codecs.BOM_UTF8, "is empty or ends before its first element"),
        (b'<?xml version="1.0"?>', "is empty or ends before its first element"),
        (b"  0\nSECTION\n", "is not XML (line 1: "),
        (b"\x00\x01\x02\x03" * 100, "is not XML (line 1: "),
        (b"PK\x03\x04\x14\x00\x06\x00", "is not XML (line 1: "),
        (b"<kml><Document/></kml>", "is not LandXML: its root element is <kml>"),
        (b"<a:LandXML2 xmlns:a='x'/>", "is not LandXML: its root element is <LandXML2>"),
        (b"<html><p>Sign in</html>", "is not LandXML: its root element is <html>"),
    ],
)
def test_what_is_no_landxml_is_one_finding(tmp_path, data, said):
    (finding,) = wrong(tmp_path, data)
    assert finding.startswith(f"design.xml: {said}")


def test_a_file_that_is_not_there_or_no_file_is_one_finding(tmp_path):
    for path in (tmp_path / "none.xml", tmp_path):
        with pytest.raises(InputError, match=r"x\.xml: cannot be read \(") as caught:
            read_landxml(path, "x.xml")
        assert len(caught.value.findings) == 1


def test_a_file_that_one_may_not_read_is_one_finding(tmp_path, monkeypatch):
    def refused(*_, **__):
        raise PermissionError(13, os.strerror(13))

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(InputError, match=r"cannot be read \(Permission denied\) -> check the path and the right"):
        read_landxml(tmp_path / "x.xml", "x.xml")


LAUGHS = "<!DOCTYPE LandXML [" + '<!ENTITY a0 "ha">' + "".join(
    f'<!ENTITY a{i} "{f"&a{i - 1};" * 10}">' for i in range(1, 12)
) + "]>"  # fmt: skip


@pytest.mark.parametrize(
    "doctype",
    [
        LAUGHS,
        '<!DOCTYPE LandXML [<!ENTITY x SYSTEM "file:///etc/passwd">]>',
        '<!DOCTYPE LandXML SYSTEM "http://example.org/landxml.dtd">',
        '<!DOCTYPE LandXML [<!ENTITY % p SYSTEM "http://example.org/p.dtd"> %p;]>',
        '<!DOCTYPE LandXML [<!ATTLIST F i CDATA "1">]>',
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_no_document_type_is_read_and_no_entity_resolved(tmp_path, doctype, encoding):
    text = document(surface(name="&a11;&x;"), head=doctype)
    (finding,) = wrong(tmp_path, text, encoding=encoding)
    assert finding.startswith("design.xml line 1: has a document type declaration")
    assert finding.endswith("take out the <!DOCTYPE ...> part; none is needed")


def test_an_entity_that_nobody_defined_is_broken_xml(tmp_path):
    (finding,) = wrong(tmp_path, document(surface(SQUARE.replace("0 100 5", "0 10&x;0 5"))))
    assert "broken XML" in finding
    assert "undefined entity" in finding


@pytest.mark.parametrize("around", ["{}", "<Alignment>{}</Alignment>", "<Feature>{}</Feature>", "<Pnts>{}</Pnts>"])
def test_a_hundred_thousand_levels_do_no_harm(tmp_path, around):
    text = around.format("<a>" * 100_000 + "</a>" * 100_000)
    got = read(tmp_path, document(text, surface()))
    assert len(got.surfaces[0]) == 2


def test_huge_names_texts_and_attributes_do_no_harm(tmp_path):
    huge = "x" * 10_000_000
    found = wrong(tmp_path, document(f'<Units><Metric linearUnit="{huge}"/></Units>', units=""))
    found += wrong(
        tmp_path, document(f'<CoordinateSystem name="{huge}"/><{huge[:100_000]}/>', surface(f"<P>{huge}</P>"))
    )
    found += wrong(tmp_path, document(surface(faces=f"<F>1 2 {huge}</F>"), alignment("<Line><Start>9</Start></Line>")))
    assert found
    assert max(map(len, found)) < 600
    assert len(read(tmp_path, document(f'<CoordinateSystem name="{huge}"/>')).system_said) == 200


def plain_tin(rows, columns):
    """A file of rows times columns points; 8 digits or more each."""
    point = '<P id="{}">{}.123456 {}.654321 {}.5</P>'
    points = (
        point.format(i * columns + j + 1, 4200000 + i, 700000 + j, i % 7) for i in range(rows) for j in range(columns)
    )
    quads = ((i * columns + j + 1, columns) for i in range(rows - 1) for j in range(columns - 1))
    faces = (f"<F>{a} {a + 1} {a + n}</F>\n<F>{a + 1} {a + n + 1} {a + n}</F>" for a, n in quads)
    return document(surface("\n".join(points), "\n".join(faces)))


def test_memory_stays_within_a_few_times_the_arrays(tmp_path):
    path = tmp_path / "big.xml"
    path.write_text(plain_tin(500, 520), encoding="utf-8")
    assert path.stat().st_size > 20e6
    tracemalloc.start()
    got = read_landxml(path, "big.xml")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    mesh = got.surfaces[0]
    arrays = mesh.x.nbytes + mesh.y.nbytes + mesh.z.nbytes + mesh.corners.nbytes
    assert (len(mesh.x), len(mesh)) == (260_000, 2 * 499 * 519)
    assert peak < 3.5 * arrays


CURVES = (
    '<Line><Start pntRef="1"/><End>0 100</End></Line>'
    '<Curve rot="cw" length="78.54"><Start>0 100</Start><Center>-50 100</Center><End>-50 150</End></Curve>'
    '<Spiral length="20" radiusStart="INF" radiusEnd="100" rot="ccw" spiType="clothoid"><Start>-50 150</Start>'
    "<PI>-63.3452 150</PI><End>-69.9800 150.6662</End></Spiral>"
    "<IrregularLine><Start>-69.98 150.6662</Start><End>-90 160</End><PntList2D>-80 155</PntList2D></IrregularLine>"
)
ALONG = (
    '<StaEquation staInternal="1050" staAhead="2000"/><Profile name="p">'
    '<ProfAlign><PVI>1000 1</PVI><ParaCurve length="20">1030 2</ParaCurve><CircCurve radius="300">1060 1</CircCurve>'
    '<UnsymParaCurve lengthIn="9" lengthOut="5">1090 2</UnsymParaCurve><PVI>1150 1</PVI></ProfAlign>'
    "<ProfSurf><PntList2D>1000 1 1100 2</PntList2D><PntList2D>1110 1 1120 2</PntList2D></ProfSurf></Profile>"
    '<CrossSects><CrossSect sta="1000"><CrossSectSurf name="EG"><PntList2D>-5 1 0 2 5 1</PntList2D></CrossSectSurf>'
    '<DesignCrossSectSurf name="FG" side="left"><CrossSectPnt>0 1</CrossSectPnt><CrossSectPnt>-5 1</CrossSectPnt>'
    '</DesignCrossSectSurf><DesignCrossSectSurf name="FG" side="right"><CrossSectPnt>0 1</CrossSectPnt>'
    "<CrossSectPnt>5 1</CrossSectPnt></DesignCrossSectSurf></CrossSect></CrossSects>"
)
WHOLE = document(
    '<CoordinateSystem epsgCode="2272" verticalDatum="NAVD88"/>',
    surface('<P id="a">0 0 1</P><P id="b">0 9 1</P><P id="c">9 0 2</P>', "<F>a b c</F>", name="é"),
    surface(faces='<F i="1">1 2 3</F><F>1 2 3 4</F>'),
    alignment(CURVES, after=ALONG),
    '<CgPoints><CgPoint name="1">0 0</CgPoint></CgPoints>',
).encode()
FUZZ = settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def survives(folder, data):
    """A file is read or refused with findings in words; nothing else comes of it."""
    try:
        findings = read(folder, data) and ()
    except InputError as error:
        findings = error.findings
    assert all(f.where and f.what for f in findings)


def test_the_file_that_is_damaged_below_is_whole(tmp_path):
    got = read(tmp_path, WHOLE)
    assert [len(m) for m in got.surfaces] == [1, 2]
    (only_road,) = got.roads
    assert (len(only_road.alignment.x), len(only_road.profiles), len(only_road.sections)) == (5, 3, 2)


def test_a_file_cut_anywhere_is_read_or_refused(tmp_path):
    for end in range(0, len(WHOLE), 3):
        survives(tmp_path, WHOLE[:end])


@FUZZ
@given(st.integers(0, len(WHOLE) - 1), st.binary(min_size=0, max_size=4), st.integers(0, 12))
def test_a_file_damaged_anywhere_is_read_or_refused(tmp_path, at, put, taken):
    survives(tmp_path, WHOLE[:at] + put + WHOLE[at + taken :])


def test_words_put_in_anywhere_are_read_or_refused(tmp_path):
    chance = random.Random(20261125)
    words = [
        "nan",
        "1e308",
        "-1e308",
        "1e-320",
        "INF",
        "0",
        "-5",
        "",
        " ",
        "<P/>",
        "<Alignment/>",
        "<PVI/>",
        "&amp;",
        "99",
    ]
    tokens = WHOLE.decode().replace(">", "> ").replace("<", " <").replace('"', ' " ').split(" ")
    for _ in range(600):
        some = list(tokens)
        for _ in range(chance.randint(1, 3)):
            some[chance.randrange(len(some))] = chance.choice(words)
        survives(tmp_path, " ".join(some).replace(' " ', '"').encode())


def test_the_schema_address_is_never_looked_up(tmp_path):
    assert SCHEMA in document()
    got = read(tmp_path, document(root=f'xmlns="{SCHEMA}" schemaLocation="{SCHEMA} http://example.invalid/x.xsd"'))
    assert got.version == "1.2"
