"""Open drawings (GDAL's own samples, MIT) against two other readers: GDAL, and the DXF library's ways to explode and to
turn into world coordinates.

Most of the samples are flat, and must be refused as such. They are read again with all their elevations raised by
`LIFT` in the text, by both readers.
"""

from __future__ import annotations

import math
from pathlib import Path

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely

from gradecheck.errors import InputError
from gradecheck.formats.dxf import SAGITTA, Dxf, read_dxf

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "dxf_gdal_autotest"
LIFT = 7.25

pytestmark = [
    pytest.mark.skipif(not DATA.exists(), reason="open drawings not here"),
    pytest.mark.filterwarnings("ignore::RuntimeWarning"),  # GDAL's, on the samples
]

RAISED = {"POINT", "LINE", "3DFACE", "POLYLINE", "VERTEX", "ARC", "SPLINE"}
HEIGHTS = {"30", "31", "32", "33"}
READ = ("AcDbPoint", "AcDbLine", "AcDbPolyline", "AcDb3dPolyline", "AcDbArc", "AcDbFace", "AcDbSpline")
OTHER_READER_ARC = 1 - math.cos(math.radians(2))
"""GDAL's arcs are chords of 4 degrees: so much of the radius apart."""


def read(name: str, *layers: str, folder: Path = DATA) -> Dxf:
    return read_dxf(folder / name, name, layers or None)


def refusal(name: str) -> str:
    with pytest.raises(InputError) as caught:
        read(name)
    (finding,) = caught.value.findings
    return str(finding)


def lifted(name: str, folder: Path) -> Path:
    """A copy whose entities of model space have all their elevations raised."""
    lines = (DATA / name).read_text(encoding="latin-1").splitlines()
    out, kind, inside = [], "", False
    for code, value in zip(lines[::2], lines[1::2], strict=False):
        if code.strip() == "0":
            kind = value.strip()
            inside = inside and kind != "ENDSEC"
        inside = inside or (code.strip() == "2" and value.strip() == "ENTITIES")
        if inside and kind in RAISED and code.strip() in HEIGHTS:
            value = repr(float(value) + LIFT)
        out += [code, value]
        if inside and kind == "LWPOLYLINE" and code.strip() == "90":
            out += [" 38", str(LIFT)]
    (folder / name).write_text("\n".join(out) + "\n", encoding="latin-1")
    return folder / name


def gdal(path: Path) -> list[shapely.Geometry]:
    """What GDAL makes of the entities that are read here."""
    frame = pyogrio.read_dataframe(path)
    wanted = [s is None or s.split(":")[-1] in READ for s in frame.SubClasses]
    return list(frame.geometry[wanted])


def of_dimension(shapes: list[shapely.Geometry], dimension: int) -> list[shapely.Geometry]:
    return [s for s in shapes if shapely.get_dimensions(s) == dimension]


def assert_same_lines(drawing: Dxf, expected: list[shapely.Geometry], radius: float = 0.0) -> None:
    """One after the other: as near in plan as chords are, from end to end, at the same heights."""
    assert len(drawing.lines) == len(expected)
    for line, other in zip(drawing.lines, expected, strict=True):
        mine, theirs = line.xyz, shapely.get_coordinates(other, include_z=True)
        near = shapely.hausdorff_distance(
            shapely.LineString(mine[:, :2]), shapely.LineString(theirs[:, :2]), densify=0.02
        )
        assert near <= SAGITTA + OTHER_READER_ARC * radius + 1e-6
        # GDAL turns arcs clockwise; the DXF reference, and this reader, the other way.
        theirs = theirs if np.allclose(mine[0], theirs[0], atol=1e-6) else theirs[::-1]
        assert mine[[0, -1]] == pytest.approx(theirs[[0, -1]], abs=1e-6)
        assert mine[:, 2].min() == pytest.approx(theirs[:, 2].min(), abs=1e-6)
        assert mine[:, 2].max() == pytest.approx(theirs[:, 2].max(), abs=1e-6)


def test_polylines_with_axes_of_their_own_are_where_both_others_have_them() -> None:
    # GDAL's first line is at elevation 0 and left out here; its last lies in an upright plane, with an arc.
    drawing = read("LWPOLYLINE-OCS.dxf")
    assert drawing.notes == ("left out, flat at elevation 0 and no ground: '0' (1)",)
    theirs = gdal(DATA / "LWPOLYLINE-OCS.dxf")[1:]
    assert [len(line.xyz) for line in drawing.lines[:-1]] == [len(t.coords) for t in theirs[:-1]]
    for line, other in zip(drawing.lines[:-1], theirs[:-1], strict=True):
        # GDAL rounds the axes a little otherwise; at 3,000,000 that is a hundredth of a millimetre.
        assert line.xyz == pytest.approx(shapely.get_coordinates(other, include_z=True), abs=1e-5)
    space = ezdxf.readfile(DATA / "LWPOLYLINE-OCS.dxf").modelspace()
    places = [
        [v.xyz for v in (e.vertices_in_wcs() if e.dxftype() == "LWPOLYLINE" else e.points_in_wcs())] for e in space
    ][1:]
    for line, other in zip(drawing.lines[:-1], places[:-1], strict=True):
        assert line.xyz == pytest.approx(np.array(other), abs=1e-9)
    assert min(line.xyz[:, 2].min() for line in drawing.lines) == pytest.approx(289.05)
    assert drawing.lines[1].xyz[0] == pytest.approx([603822.815, 3153052.202, 511.389])  # as it stands in the file


def test_the_arc_in_an_upright_plane_is_followed() -> None:
    # 40 by 40 in the entity's own axes and a bulge of tan(90°/4): a quarter of a circle of radius 40, level at 1807.37.
    arc = read("LWPOLYLINE-OCS.dxf").lines[-1].xyz
    (theirs,) = gdal(DATA / "LWPOLYLINE-OCS.dxf")[-1:]
    other = shapely.get_coordinates(theirs, include_z=True)
    assert arc[[0, -1]] == pytest.approx(other[[0, -1]], abs=1e-5)
    tree = shapely.LineString(other[:, :2])
    assert shapely.hausdorff_distance(shapely.LineString(arc[:, :2]), tree, densify=0.05) < 40 * OTHER_READER_ARC + 0.01
    assert np.linalg.norm(np.diff(arc, axis=0), axis=1).sum() == pytest.approx(
        np.linalg.norm(np.diff(other, axis=0), axis=1).sum(), rel=1e-4
    )


def test_a_file_of_points_alone() -> None:
    drawing = read("entities_only.dxf")
    assert drawing.points.tolist() == [[672500, 242000, 539.986], [672750, 242000, 558.974]]
    assert drawing.points == pytest.approx(shapely.get_coordinates(gdal(DATA / "entities_only.dxf"), include_z=True))
    assert drawing.layers == ("POINTS",)
    assert drawing.unit is None


def test_a_polyface_mesh_that_gdal_cannot_read_is_the_six_faces_of_a_cube() -> None:
    # Four of them are upright; the top and the bottom make four triangles.
    (mesh,) = (e for e in ezdxf.readfile(DATA / "3d.dxf").modelspace() if e.dxftype() == "POLYLINE")
    faces = [np.array([v.xyz for v in face.wcs_vertices()]) for face in mesh.virtual_entities()]
    level = [f for f in faces if np.ptp(f[:, 2]) == 0]
    drawing = read("3d.dxf")
    assert len(faces) == 6
    assert len(level) == 2
    assert len(drawing.mesh) == 4
    assert "left out: 4 faces without area in plan" in drawing.notes
    assert "not read: 1 CIRCLE, 3 3DSOLID" in drawing.notes
    places = {tuple(p) for p in np.stack([drawing.mesh.x, drawing.mesh.y, drawing.mesh.z], axis=1).tolist()}
    assert places == {tuple(p) for p in np.concatenate(level).tolist()}
    assert len(places) == 8


def test_faces_whose_corners_are_all_in_line_are_no_ground() -> None:
    # (10, 20), (11, 21), (12, 22), (13, 23): both faces are upright.
    assert "2 faces without area in plan" in refusal("3dface.dxf")


@pytest.mark.parametrize(
    "name",
    ["assorted.dxf", "closed_polyline_with_bulge.dxf", "frozen-off.dxf", "ocs2wcs1.dxf", "polyline_smooth.dxf",
     "utf-8.dxf"],
)  # fmt: skip
def test_flat_drawings_are_refused_as_such(name) -> None:
    assert "a flat drawing, not ground" in refusal(name)


def test_a_binary_drawing_of_a_text_says_what_it_holds() -> None:
    assert "layer '0' holds 1 TEXT" in refusal("bin_dxf_r2000.dxf")


def test_an_entity_without_its_structure_is_a_broken_drawing() -> None:
    assert "broken" in refusal("lwpolyline_smooth.dxf")


def test_all_kinds_of_entities_in_all_quadrants_are_where_gdal_has_them(tmp_path) -> None:
    # Four copies of 13 entities, three of them turned over or around by their axes.
    path = lifted("ocs2wcs1.dxf", tmp_path)
    drawing, theirs = read("ocs2wcs1.dxf", folder=tmp_path), gdal(path)
    assert_same_lines(drawing, of_dimension(theirs, 1), radius=3)
    points = shapely.get_coordinates(of_dimension(theirs, 0), include_z=True)
    assert drawing.points == pytest.approx(points, abs=1e-9)
    faces = of_dimension(theirs, 2)
    mesh = drawing.mesh
    pieces = shapely.polygons(np.stack([mesh.x, mesh.y], axis=1)[mesh.corners])
    assert len(drawing.lines) == 4 * 6
    assert len(mesh) == 2 * len(faces) == 8
    assert shapely.union_all(pieces).symmetric_difference(shapely.union_all(faces)).area < 1e-12
    assert sorted(set(mesh.z.round(9))) == sorted(set(shapely.get_coordinates(faces, include_z=True)[:, 2].round(9)))
    assert set(drawing.notes) == {"not read: 4 CIRCLE, 4 ELLIPSE, 4 SOLID, 4 HATCH, 4 TEXT"}


@pytest.mark.parametrize(("name", "radius"), [("closed_polyline_with_bulge.dxf", 150), ("polyline_smooth.dxf", 15)])
def test_bulges_are_where_gdal_has_them(tmp_path, name, radius) -> None:
    path = lifted(name, tmp_path)
    theirs = gdal(path)
    if not theirs[0].has_z:
        theirs = [shapely.force_3d(t, LIFT) for t in theirs]
    assert_same_lines(read(name, folder=tmp_path), theirs, radius)


def test_a_layer_name_in_another_encoding_than_the_file_says_is_read(tmp_path) -> None:
    # Its header says ANSI_1252, its bytes are UTF-8.
    head, point = (DATA / "utf-8.dxf").read_bytes().split(b"AcDbPoint")
    raised = point.replace(b" 20\n2\n", b" 20\n2\n 30\n7.25\n", 1)
    (tmp_path / "utf-8.dxf").write_bytes(head + b"AcDbPoint" + raised)
    drawing = read("utf-8.dxf", "ÉVEN", folder=tmp_path)
    assert drawing.layers == ("éven",)
    assert drawing.points.tolist() == [[1, 2, LIFT]]
    assert drawing.unit == "in"


def test_a_broken_drawing_is_mended_and_what_it_holds_is_where_gdal_has_it(tmp_path) -> None:
    # A colour of "256QSW". The star is a block of five lines at elevation 0, its reference is not raised: left out.
    path = lifted("assorted.dxf", tmp_path)
    drawing = read("assorted.dxf", folder=tmp_path)
    frame = pyogrio.read_dataframe(path)
    line, arc = frame.geometry[3], frame.geometry[5]
    assert_same_lines(drawing, [line, arc], radius=10)
    assert drawing.points.tolist() == [[83.5, 160, LIFT]]
    assert drawing.unit == "mm"
    assert "mended on reading" in drawing.notes[0]
    assert "left out, flat at elevation 0 and no ground: '0' (5)" in drawing.notes


FROZEN_OFF_SEEN = [
    # By hand from the text of frozen-off.dxf. On its own: the line on ONTHAW.
    (33.77343479809861, 89.99647891544384),
    # The reference on ONTHAW at (40, 40): its line on ONTHAW; the inner references on ONTHAW (20, 20), with what is on
    # layer 0 and the line on ONTHAW, and on OFFTHAW (-20, 20), with the line on ONTHAW alone.
    (40 + 10, 40 + 30),
    (40 + 20 + 0, 40 + 20 + 2),
    (40 + 20 + 2, 40 + 20 + 4),
    (40 - 20 + 2, 40 + 20 + 4),
    # The reference on OFFTHAW at (-40, 40): the same lines, none of what is on layer 0 but in the reference on ONTHAW.
    (-40 + 10, 40 + 30),
    (-40 + 20 + 0, 40 + 20 + 2),
    (-40 + 20 + 2, 40 + 20 + 4),
    (-40 - 20 + 2, 40 + 20 + 4),
]


def test_of_layers_frozen_and_switched_off_within_one_another_only_what_is_seen_is_read(tmp_path) -> None:
    # Here the references are raised too, so that all of the blocks is.
    text = (DATA / "frozen-off.dxf").read_text(encoding="latin-1")
    head, entities = text.split("ENTITIES")
    (tmp_path / "f.dxf").write_text(
        head + "ENTITIES" + entities.replace(" 30\n0.0", " 30\n9.5").replace(" 31\n0.0", " 31\n9.5")
    )
    drawing = read("f.dxf", folder=tmp_path)
    assert [tuple(line.xyz[0].round(9)) for line in drawing.lines] == [
        pytest.approx((x, y, 9.5), abs=1e-8) for x, y in FROZEN_OFF_SEEN
    ]
    assert drawing.layers == ("ONTHAW",)
    assert "not read: 1 CIRCLE" in drawing.notes
