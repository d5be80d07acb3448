"""Drawings made with the library that writes them, read as ground: judged by hand, by shapely, by the library's own
ways to explode and to evaluate."""

from __future__ import annotations

import math
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import shapely
from ezdxf.document import Drawing
from ezdxf.entities.polyline import DXFVertex
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gradecheck.errors import InputError
from gradecheck.formats.dxf import SAGITTA, Dxf, read_dxf

EAST, NORTH = 512_340.0, 4_187_650.0


def new(version: str = "R2010", units: int = 0) -> Drawing:
    document = ezdxf.new(version)
    document.units = units
    return document


def read(document: Drawing, folder: Path, *layers: str, fmt: str = "asc") -> Dxf:
    path = folder / "d.dxf"
    document.saveas(path, fmt=fmt)
    return read_dxf(path, "d.dxf", layers or None)


def refused(document: Drawing, folder: Path, *layers: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(document, folder, *layers)
    return [str(finding) for finding in caught.value.findings]


def plane(x, y):
    """Rises 13 mm a unit to the east, falls 7.2 mm to the north."""
    return 300 + 0.013 * (np.asarray(x) - EAST) - 0.0072 * (np.asarray(y) - NORTH)


def on_plane(*places):
    return [(EAST + x, NORTH + y, float(plane(EAST + x, NORTH + y))) for x, y in places]


def polygons(drawing: Dxf) -> list[shapely.Polygon]:
    """The triangles in plan, near the origin."""
    mesh = drawing.mesh
    return [shapely.Polygon(list(zip(mesh.x[c] - EAST, mesh.y[c] - NORTH, strict=True))) for c in mesh.corners]


def assert_covers(drawing: Dxf, ring, triangles: int) -> None:
    """As many triangles that together are just the polygon, on the plane and without overlap."""
    pieces, whole = polygons(drawing), shapely.Polygon(ring)
    assert len(pieces) == triangles
    assert shapely.union_all(pieces).symmetric_difference(whole).area < 1e-6 * whole.area
    assert sum(p.area for p in pieces) == pytest.approx(whole.area, rel=1e-6)
    assert np.abs(drawing.mesh.z - plane(drawing.mesh.x, drawing.mesh.y)).max() < 1e-9


def lines_of(drawing: Dxf) -> dict[str, list[tuple[float, ...]]]:
    return {line.name: [tuple(p) for p in line.xyz.round(9).tolist()] for line in drawing.lines}


# -- faces ------------------------------------------------------------------------------------------------------

QUAD = [(0, 0), (7, 1), (6, 5), (1, 4)]
ARROW = [(0, 0), (4, 3), (0, 9), (1, 3)]  # caves in at its last corner
DART = [(0, 0), (1, 3), (0, 9), (-4, 3)]  # caves in at its second


@pytest.mark.parametrize("ring", [QUAD, ARROW, DART, [*ARROW[1:], ARROW[0]], DART[::-1]])
def test_a_four_cornered_face_becomes_two_triangles_that_do_not_leave_it(tmp_path, ring) -> None:
    document = new()
    document.modelspace().add_3dface(on_plane(*ring))
    assert_covers(read(document, tmp_path), ring, 2)


@pytest.mark.parametrize("last", [2, 0])
def test_a_face_whose_fourth_corner_is_another_is_one_triangle(tmp_path, last) -> None:
    document = new()
    document.modelspace().add_3dface(on_plane(*QUAD[:3], QUAD[last]))
    drawing = read(document, tmp_path)
    assert_covers(drawing, QUAD[:3], 1)
    assert drawing.notes == ()


def test_faces_that_meet_share_their_vertices(tmp_path) -> None:
    document = new()
    for i in range(3):
        for j in range(2):
            document.modelspace().add_3dface(on_plane((i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1)))
    drawing = read(document, tmp_path)
    assert_covers(drawing, [(0, 0), (3, 0), (3, 2), (0, 2)], 12)
    assert len(drawing.mesh.x) == 12


def test_upright_and_collapsed_faces_are_left_out_and_counted(tmp_path) -> None:
    document, (a, b, c, _) = new(), on_plane(*QUAD)
    add = document.modelspace().add_3dface
    add([a, b, c])
    add([a, b, (b[0], b[1], b[2] + 1), (a[0], a[1], a[2] + 1)])  # the face of a curb
    add([a, a, b, b])
    drawing = read(document, tmp_path)
    assert_covers(drawing, QUAD[:3], 1)
    assert drawing.notes == ("left out: 2 faces without area in plan",)


def test_a_face_that_crosses_itself_is_left_out_and_counted(tmp_path) -> None:
    document, (a, b, c, d) = new(), on_plane(*QUAD)
    document.modelspace().add_3dface([a, b, d, c])
    document.modelspace().add_3dface([a, b, c])
    drawing = read(document, tmp_path)
    assert len(drawing.mesh) == 1
    assert drawing.notes == ("left out: 1 faces that cross themselves",)


def test_the_twist_of_four_corners_on_no_plane_is_told(tmp_path) -> None:
    # A square with corners at 5, 5, 6, 5: the diagonals pass its middle at 5.5 and at 5.
    document = new()
    document.modelspace().add_3dface([(0, 0, 5), (10, 0, 5), (10, 10, 6), (0, 10, 5)])
    (note,) = read(document, tmp_path).notes
    assert "no plane: 1" in note
    assert "0.5 apart" in note


def test_faces_without_a_finite_corner_are_counted(tmp_path) -> None:
    document = new()
    document.modelspace().add_3dface([(0, 0, 5), (10, 0, math.nan), (10, 10, 6)])
    document.modelspace().add_3dface([(0, 0, 5), (10, 0, 5), (10, 10, 6)])
    drawing = read(document, tmp_path)
    assert len(drawing.mesh) == 1
    assert drawing.notes == ("left out: 1 faces that lack a corner",)


def test_a_polyface_mesh_is_its_faces(tmp_path) -> None:
    document = new()
    mesh = document.modelspace().add_polyface()
    mesh.append_face(on_plane((0, 0), (4, 0), (4, 3), (0, 3)))
    mesh.append_face(on_plane((4, 0), (6, 0), (4, 3)))
    assert_covers(read(document, tmp_path), [(0, 0), (6, 0), (4, 3), (0, 3)], 3)


def test_unseen_edges_of_a_polyface_mesh_do_not_matter(tmp_path) -> None:
    # Their vertex numbers are negative.
    document = new()
    mesh = document.modelspace().add_polyface()
    mesh.append_face(on_plane((0, 0), (4, 0), (4, 3), (0, 3)))
    record = next(v for v in mesh.vertices if v.is_face_record)
    record.dxf.vtx1 = -record.dxf.vtx1
    assert_covers(read(document, tmp_path), [(0, 0), (4, 0), (4, 3), (0, 3)], 2)


def polygon_mesh(document, places, **attributes):
    """places: rows of (x, y)."""
    mesh = document.modelspace().add_polymesh((len(places), len(places[0])), dxfattribs=attributes)
    for m, row in enumerate(places):
        for n, (x, y) in enumerate(row):
            mesh.set_mesh_vertex((m, n), on_plane((x, y))[0])
    return mesh


def test_a_polygon_mesh_is_a_grid_of_faces(tmp_path) -> None:
    document = new()
    polygon_mesh(document, [[(0, 0), (0, 2), (1, 5)], [(4, 0), (4, 2), (5, 5)]])
    assert_covers(read(document, tmp_path), [(0, 0), (4, 0), (4, 2), (5, 5), (1, 5), (0, 2)], 4)


@pytest.mark.parametrize("across", [False, True])
def test_a_closed_polygon_mesh_goes_all_around(tmp_path, across) -> None:
    # A frame: an outer and an inner square, closed along them.
    outer, inner = [(0, 0), (9, 0), (9, 9), (0, 9)], [(3, 3), (6, 3), (6, 6), (3, 6)]
    rows = [list(pair) for pair in zip(outer, inner, strict=True)] if across else [outer, inner]
    document = new()
    polygon_mesh(document, rows).close(across, not across)
    drawing = read(document, tmp_path)
    assert len(drawing.mesh) == 8
    assert sum(p.area for p in polygons(drawing)) == pytest.approx(81 - 9)


def test_a_smoothed_polygon_mesh_is_read_as_smoothed(tmp_path) -> None:
    # Vertices of the frame (flag 16) come with those of the surface fitted to it (flag 8).
    document = new()
    mesh = polygon_mesh(document, [[(0, 0), (0, 5)], [(5, 0), (5, 5)]])
    for vertex in mesh.vertices:
        vertex.dxf.flags |= 8
    frame = [DXFVertex.new(dxfattribs={"location": (9, 9, 900), "flags": 64 + 16}) for _ in range(2)]
    mesh.vertices[:0] = frame
    mesh.dxf.flags |= 4
    mesh.dxf.m_smooth_density, mesh.dxf.n_smooth_density = 2, 2
    assert_covers(read(document, tmp_path), [(0, 0), (5, 0), (5, 5), (0, 5)], 2)


def test_a_mesh_with_faces_of_many_corners_is_split_inside_them(tmp_path) -> None:
    ell = [(0, 0), (6, 0), (6, 2), (2, 2), (2, 5), (0, 5)]
    document = new()
    with document.modelspace().add_mesh().edit_data() as data:
        data.vertices = on_plane(*ell, (8, 1))
        data.faces = [range(6), (1, 6, 2)]
    assert_covers(read(document, tmp_path), [(0, 0), (6, 0), (8, 1), (6, 2), (2, 2), (2, 5), (0, 5)], 5)


def test_a_mesh_that_is_shown_smoothed_is_said_to_be(tmp_path) -> None:
    document = new()
    mesh = document.modelspace().add_mesh(dxfattribs={"subdivision_levels": 2})
    with mesh.edit_data() as data:
        data.vertices, data.faces = on_plane((0, 0), (4, 0), (0, 4)), [(0, 1, 2)]
    assert any("smoothed" in note for note in read(document, tmp_path).notes)


# -- lines and points -------------------------------------------------------------------------------------------


def test_lines_are_named_by_layer_and_number_and_keep_their_heights(tmp_path) -> None:
    document = new()
    space = document.modelspace()
    space.add_line((0, 0, 5), (10, 0, 5.5), {"layer": "EDGE"})
    space.add_polyline3d([(0, 9, 1), (4, 9, 2), (9, 7, 3)], dxfattribs={"layer": "CROWN"})
    space.add_polyline3d([(0, 1, 5), (4, 1, 6), (9, 0, 7)], close=True, dxfattribs={"layer": "EDGE"})
    drawing = read(document, tmp_path)
    assert lines_of(drawing) == {
        "EDGE 1": [(0, 0, 5), (10, 0, 5.5)],
        "CROWN 1": [(0, 9, 1), (4, 9, 2), (9, 7, 3)],
        "EDGE 2": [(0, 1, 5), (4, 1, 6), (9, 0, 7), (0, 1, 5)],
    }
    assert drawing.layers == ("EDGE", "CROWN")
    assert len(drawing.mesh) == 0
    assert drawing.notes == ()


def test_points_are_read(tmp_path) -> None:
    document = new()
    document.modelspace().add_point((1, 2, 3))
    document.modelspace().add_point((4, 5, 6.5))
    assert read(document, tmp_path).points.tolist() == [[1, 2, 3], [4, 5, 6.5]]


def test_repeated_vertices_are_dropped_and_lines_that_go_nowhere_counted(tmp_path) -> None:
    document = new()
    space = document.modelspace()
    space.add_polyline3d([(0, 9, 1), (0, 9, 1), (4, 9, 2), (4, 9, 2)])
    space.add_line((3, 3, 1), (3, 3, 8))  # a lamp post
    space.add_line((3, 3, 1), (3, 3, 1))
    drawing = read(document, tmp_path)
    assert lines_of(drawing) == {"0 1": [(0, 9, 1), (4, 9, 2)]}
    assert drawing.notes == ("left out: 2 lines without length in plan",)


def test_a_flat_polyline_has_its_elevation(tmp_path) -> None:
    document = new()
    space = document.modelspace()
    space.add_lwpolyline([(0, 0), (5, 1)], dxfattribs={"elevation": 12.5})
    space.add_polyline2d([(0, 0), (5, 1), (6, 6)], close=True, dxfattribs={"elevation": (0, 0, 13.5)})
    assert lines_of(read(document, tmp_path)) == {
        "0 1": [(0, 0, 12.5), (5, 1, 12.5)],
        "0 2": [(0, 0, 13.5), (5, 1, 13.5), (6, 6, 13.5), (0, 0, 13.5)],
    }


def test_heights_at_the_vertices_of_a_2d_polyline_are_taken_where_it_has_no_elevation_and_that_is_said(
    tmp_path,
) -> None:
    document = new()
    line = document.modelspace().add_polyline2d([(0, 0), (5, 1)])
    line.vertices[0].dxf.location, line.vertices[1].dxf.location = (0, 0, 7), (5, 1, 8)
    drawing = read(document, tmp_path)
    assert lines_of(drawing) == {"0 1": [(0, 0, 7), (5, 1, 8)]}
    assert "2D polylines" in drawing.notes[0]


def test_the_frame_of_a_splined_polyline_is_no_part_of_it(tmp_path) -> None:
    document = new()
    line = document.modelspace().add_polyline3d([(0, 0, 5), (3, 9, 99), (2, 1, 6), (4, 0, 7)])
    line.dxf.flags |= 4
    line.vertices[1].dxf.flags |= 16
    for i in (0, 2, 3):
        line.vertices[i].dxf.flags |= 8
    assert lines_of(read(document, tmp_path)) == {"0 1": [(0, 0, 5), (2, 1, 6), (4, 0, 7)]}


def assert_on_circle(xyz, centre, radius, sagitta=SAGITTA) -> None:
    """Vertices on the circle, and chords no farther from it than the sagitta."""
    middle = (xyz[:-1] + xyz[1:]) / 2
    assert np.hypot(*(xyz[:, :2] - centre).T) == pytest.approx(radius, abs=1e-9 * radius + 1e-9)
    inside = radius - np.hypot(*(middle[:, :2] - centre).T)
    assert inside.max() <= sagitta * 1.000001
    assert inside.max() > sagitta / 8  # not wastefully many


@pytest.mark.parametrize("kind", ["add_lwpolyline", "add_polyline2d"])
def test_a_bulge_is_an_arc_to_the_right_of_the_chord_where_positive(tmp_path, kind) -> None:
    # tan(90°/4): a quarter turn, counter-clockwise, so that it bulges to the right: centre (100, 100), radius 100.
    document = new()
    bulge = math.tan(math.pi / 8)
    attributes = {"elevation": 4.0} if kind == "add_lwpolyline" else {"elevation": (0, 0, 4.0)}
    getattr(document.modelspace(), kind)(
        [(100, 0, bulge), (200, 100, 0), (200, 300, 0)], format="xyb", dxfattribs=attributes
    )
    (line,) = read(document, tmp_path).lines
    assert_on_circle(line.xyz[:-1], (100, 100), 100)
    assert line.xyz[0].tolist() == [100, 0, 4]
    assert line.xyz[-2:].tolist() == [[200, 100, 4], [200, 300, 4]]
    assert shapely.LineString(line.xyz).length == pytest.approx(50 * math.pi + 200, rel=1e-4)
    angle = np.unwrap(np.arctan2(line.xyz[:-1, 1] - 100, line.xyz[:-1, 0] - 100))
    assert (np.diff(angle) > 0).all()


def test_a_negative_bulge_turns_the_other_way_and_more_than_half_a_circle_is_one_arc(tmp_path) -> None:
    # Clockwise by 270 degrees from (0, 10) to (-10, 0) about the origin.
    document = new()
    document.modelspace().add_lwpolyline(
        [(0, 10, -math.tan(math.radians(270) / 4)), (-10, 0, 0)], format="xyb", dxfattribs={"elevation": 1}
    )
    (line,) = read(document, tmp_path).lines
    assert_on_circle(line.xyz, (0, 0), 10)
    assert shapely.LineString(line.xyz).length == pytest.approx(15 * math.pi, rel=1e-3)
    assert line.xyz[:, 0].max() == pytest.approx(10, abs=0.1)
    assert line.xyz[:, 1].min() == pytest.approx(-10, abs=0.1)


def test_the_bulge_of_the_last_vertex_closes_a_closed_polyline(tmp_path) -> None:
    # Two half circles make a whole one.
    document = new()
    document.modelspace().add_lwpolyline([(-3, 0, 1), (3, 0, 1)], format="xyb", close=True, dxfattribs={"elevation": 2})
    (line,) = read(document, tmp_path).lines
    assert_on_circle(line.xyz, (0, 0), 3)
    assert line.xyz[0].tolist() == line.xyz[-1].tolist() == [-3, 0, 2]
    assert shapely.Polygon(line.xyz).area == pytest.approx(9 * math.pi, rel=1e-2)


def test_a_bulge_between_repeated_vertices_is_nothing(tmp_path) -> None:
    document = new()
    document.modelspace().add_lwpolyline([(3, 4, 0.5), (3, 4, 0), (9, 4, 0)], format="xyb", dxfattribs={"elevation": 2})
    assert lines_of(read(document, tmp_path)) == {"0 1": [(3, 4, 2), (9, 4, 2)]}


def test_the_chords_of_a_huge_arc_keep_within_a_millionth_of_its_radius(tmp_path) -> None:
    document = new()
    document.modelspace().add_arc((0, 0, 5), 1e6, 10, 100)
    (line,) = read(document, tmp_path).lines
    assert_on_circle(line.xyz, (0, 0), 1e6, sagitta=1.0)


def test_an_arc_runs_counter_clockwise_at_the_height_of_its_centre(tmp_path) -> None:
    document = new()
    document.modelspace().add_arc((100, 200, 7), 10, 300, 45)
    (line,) = read(document, tmp_path).lines
    assert_on_circle(line.xyz, (100, 200), 10)
    assert line.xyz[0] == pytest.approx([105, 200 - 5 * math.sqrt(3), 7])
    assert line.xyz[-1] == pytest.approx([100 + 5 * math.sqrt(2), 200 + 5 * math.sqrt(2), 7])
    assert shapely.LineString(line.xyz).length == pytest.approx(10 * math.radians(105), rel=1e-3)


def test_axes_of_an_entity_are_turned_into_those_of_the_world(tmp_path) -> None:
    # Extrusion -z: x is turned, and an elevation of -30 lies at +30 (the arbitrary axis rule of the DXF reference).
    document = new()
    space = document.modelspace()
    space.add_lwpolyline([(-5, 1), (-9, 4)], dxfattribs={"elevation": -30, "extrusion": (0, 0, -1)})
    # Extrusion +x: the entity's x is the world's y, its y is z.
    space.add_lwpolyline([(2, 31), (7, 33)], dxfattribs={"elevation": 4, "extrusion": (1, 0, 0)})
    assert lines_of(read(document, tmp_path)) == {
        "0 1": [(5, 1, 30), (9, 4, 30)],
        "0 2": [(4, 2, 31), (4, 7, 33)],
    }


def test_a_spline_is_followed(tmp_path) -> None:
    document = new()
    spline = document.modelspace().add_open_spline([(0, 0, 1), (30, 40, 2), (60, -40, 5), (90, 10, 4), (99, 50, 9)])
    (line,) = read(document, tmp_path).lines
    tool = spline.construction_tool()
    true = np.array([p.xyz for p in tool.points(np.linspace(0, tool.max_t, 4000))])
    assert line.xyz[0] == pytest.approx(true[0])
    assert line.xyz[-1] == pytest.approx(true[-1])
    distance = shapely.distance(shapely.LineString(line.xyz[:, :2]), shapely.points(true[:, :2]))
    assert distance.max() <= SAGITTA
    s_true, s_line = (np.append(0, np.cumsum(np.hypot(*np.diff(a[:, :2], axis=0).T))) for a in (true, line.xyz))
    assert np.interp(s_true / s_true[-1], s_line / s_line[-1], line.xyz[:, 2]) == pytest.approx(true[:, 2], abs=0.01)
    assert len(line.xyz) < 600


def test_a_spline_whose_knots_go_on_past_its_ends_stays_on_its_own_stretch(tmp_path) -> None:
    # A uniform cubic begins at (P0 + 4 P1 + P2) / 6 (any textbook on B-splines) and ends likewise.
    control = np.array([(0, 0, 12), (6, 12, 12), (12, 0, 18), (18, 12, 12), (24, 0, 24.0)])
    document = new()
    spline = document.modelspace().add_spline(degree=3)
    spline.control_points, spline.knots = control, list(range(9))
    (line,) = read(document, tmp_path).lines
    assert line.xyz[0] == pytest.approx((control[0] + 4 * control[1] + control[2]) / 6)
    assert line.xyz[-1] == pytest.approx((control[2] + 4 * control[3] + control[4]) / 6)
    assert line.xyz[:, 2].min() >= 12


def test_a_rational_spline_makes_a_true_circle(tmp_path) -> None:
    # The quarter circle of The NURBS Book: degree 2, weights 1, sqrt(1/2), 1.
    document = new()
    spline = document.modelspace().add_spline(degree=2)
    spline.set_open_rational([(20, 0, 3), (20, 20, 3), (0, 20, 3)], [1, math.sqrt(0.5), 1], degree=2)
    (line,) = read(document, tmp_path).lines
    assert_on_circle(line.xyz, (0, 0), 20)


def test_a_spline_that_no_number_of_chords_follows_is_counted_as_broken(tmp_path) -> None:
    document = new()
    space = document.modelspace()
    spline = space.add_spline(degree=2)
    spline.set_open_rational([(0, 0, 3), (9, 9, 3), (20, 0, 3)], [1, -1, 1], degree=2)  # runs to infinity
    space.add_line((0, 0, 1), (5, 5, 1))
    assert read(document, tmp_path).notes == ("broken and left out: 1 SPLINE",)


def test_a_spline_through_fit_points_goes_through_them(tmp_path) -> None:
    fit = [(0, 0, 5), (10, 3, 6), (20, -4, 7), (33, 0, 6)]
    document = new()
    document.modelspace().add_spline(fit)
    (line,) = read(document, tmp_path).lines
    distance = shapely.distance(shapely.LineString(line.xyz[:, :2]), shapely.points(np.array(fit)[:, :2]))
    assert distance.max() <= SAGITTA


# -- blocks -----------------------------------------------------------------------------------------------------


def exploded(entities):
    """By the library, whatever the depth: corners of faces, ends of lines, points."""
    for entity in entities:
        if entity.dxftype() == "INSERT":
            for one in entity.multi_insert() if entity.mcount > 1 else [entity]:
                yield from exploded(one.virtual_entities())
        elif entity.dxftype() == "3DFACE":
            yield from [v.xyz for v in entity.wcs_vertices()]
        elif entity.dxftype() == "LINE":
            yield from [entity.dxf.start.xyz, entity.dxf.end.xyz]
        elif entity.dxftype() == "POINT":
            yield entity.dxf.location.xyz


def read_places(drawing: Dxf):
    mesh = drawing.mesh
    return np.concatenate(
        [np.stack([mesh.x, mesh.y, mesh.z], axis=1), *(line.xyz for line in drawing.lines), drawing.points]
    )


def assert_same_places(found, expected) -> None:
    found, expected = (np.unique(np.round(np.array(list(a)), 6), axis=0) for a in (found, expected))
    assert found.shape == expected.shape
    assert np.abs(found - expected).max() < 1e-5


def nested() -> Drawing:
    """A block with a base point in a block, turned, scaled unevenly, tilted, and repeated in a grid."""
    document = new()
    inner, outer = document.blocks.new("inner", base_point=(1, 2, 3)), document.blocks.new("outer")
    inner.add_3dface([(0, 0, 5), (4, 0, 6), (3, 3, 7)])
    inner.add_line((1, 1, 5), (9, 2, 7))
    inner.add_point((2, 8, 4))
    outer.add_blockref("inner", (10, 20, 30), {"xscale": 2, "yscale": 0.5, "zscale": 3, "rotation": 33})
    outer.add_line((0, 0, 1), (5, 5, 2))
    space = document.modelspace()
    space.add_blockref("outer", (EAST, NORTH, 100), {"rotation": -70, "xscale": 1.5, "yscale": 1.5, "zscale": 1.5})
    space.add_blockref("outer", (7, -8, 200), {"extrusion": (0.3, -0.2, 0.9), "rotation": 12})
    space.add_blockref("inner", (0, 0, 300), {"xscale": -1})
    grid = {"row_count": 2, "column_count": 3, "row_spacing": 50, "column_spacing": 70, "rotation": 30}
    space.add_blockref("inner", (900, 900, 400), grid)
    return document


def test_blocks_lie_where_the_library_explodes_them_to(tmp_path) -> None:
    document = nested()
    drawing = read(document, tmp_path)
    assert len(drawing.mesh) == len(drawing.points) == 3 + 6
    assert len(drawing.lines) == 3 + 6 + 2
    assert_same_places(read_places(drawing), exploded(document.modelspace()))


def turned(degrees: float):
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def test_uneven_scales_within_one_another_are_followed_by_the_book(tmp_path) -> None:
    # Insertion point + turn · scale · (point - base point), from the inside out: DXF reference, INSERT. The skew that
    # comes of it is beyond the library's own way to explode.
    document = new()
    inner, outer = document.blocks.new("inner", base_point=(1, 2, 3)), document.blocks.new("outer")
    inner.add_point((2, 8, 4))
    outer.add_blockref("inner", (10, 20, 30), {"xscale": 2, "yscale": 0.5, "zscale": 3, "rotation": 33})
    document.modelspace().add_blockref("outer", (EAST, NORTH, 100), {"rotation": -70, "yscale": 1.5})
    middle = [10, 20, 30] + turned(33) @ ([2, 0.5, 3] * np.array([1, 6, 1]))
    expected = [EAST, NORTH, 100] + turned(-70) @ ([1, 1.5, 1] * middle)
    assert read(document, tmp_path).points[0] == pytest.approx(expected, rel=1e-12)


def test_a_block_takes_the_layer_of_its_reference_for_what_is_on_layer_0(tmp_path) -> None:
    document = new()
    inner, outer = document.blocks.new("inner"), document.blocks.new("outer")
    inner.add_line((0, 0, 1), (1, 0, 1))
    inner.add_line((0, 1, 1), (1, 1, 1), {"layer": "OWN"})
    outer.add_blockref("inner", (0, 0))
    outer.add_blockref("inner", (0, 5), {"layer": "MIDDLE"})
    document.modelspace().add_blockref("outer", (0, 0), {"layer": "TOP"})
    drawing = read(document, tmp_path)
    assert sorted(line.name for line in drawing.lines) == ["MIDDLE 1", "OWN 1", "OWN 2", "TOP 1"]
    assert [line.name for line in read(document, tmp_path, "top", "middle").lines] == ["TOP 1", "MIDDLE 1"]


def test_arcs_in_an_enlarged_block_keep_the_sagitta(tmp_path) -> None:
    document = new()
    block = document.blocks.new("b")
    block.add_lwpolyline([(1, 0, math.tan(math.pi / 8)), (0, 1, 0)], format="xyb", dxfattribs={"elevation": 1})
    document.modelspace().add_blockref("b", (0, 0), {"xscale": 100, "yscale": 100, "zscale": 2})
    (line,) = read(document, tmp_path).lines
    assert_on_circle(line.xyz, (0, 0), 100)
    assert set(line.xyz[:, 2]) == {2.0}


def test_references_that_lead_nowhere_are_counted(tmp_path) -> None:
    document = new()
    ring = document.blocks.new("ring")
    ring.add_line((0, 0, 1), (1, 0, 1))
    ring.add_blockref("ring", (5, 5))
    document.blocks.new("other", dxfattribs={"flags": 4, "xref_path": "other.dwg"})
    space = document.modelspace()
    space.add_blockref("ring", (0, 0))
    space.add_blockref("other", (0, 0))
    space.add_blockref("gone", (0, 0))
    drawing = read(document, tmp_path)
    assert len(drawing.lines) == 1
    assert sorted(drawing.notes) == [
        "block references left out, their block holds itself (1)",
        "block references left out, their block is missing (1)",
        "references to other drawings left out, bind them to have them read (1)",
    ]


def test_references_nested_beyond_reason_are_counted(tmp_path) -> None:
    document = new()
    document.blocks.new("0b").add_line((0, 0, 1), (1, 0, 1))
    for depth in range(1, 40):
        document.blocks.new(f"{depth}b").add_blockref(f"{depth - 1}b", (depth, 0))
    space = document.modelspace()
    space.add_blockref("39b", (0, 0))
    space.add_blockref("3b", (0, 0))
    drawing = read(document, tmp_path)
    assert lines_of(drawing) == {"0 1": [(6, 0, 1), (7, 0, 1)]}
    assert drawing.notes == ("block references left out, nested too deeply (1)",)


def test_blocks_that_multiply_beyond_reason_are_refused(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("gradecheck.formats.dxf_drawing._MOST", 5000)
    document = new()
    document.blocks.new("0b").add_line((0, 0, 1), (1, 0, 1))
    for depth in range(1, 9):
        block = document.blocks.new(f"{depth}b")
        for i in range(10):
            block.add_blockref(f"{depth - 1}b", (i, 0))
    document.modelspace().add_blockref("8b", (0, 0))
    (text,) = refused(document, tmp_path)
    assert "5,000 entities" in text


def test_a_grid_of_blocks_beyond_reason_is_refused(tmp_path) -> None:
    document = new()
    document.blocks.new("b").add_line((0, 0, 1), (1, 0, 1))
    grid = {"row_count": 30_000, "column_count": 30_000, "row_spacing": 1, "column_spacing": 1}
    document.modelspace().add_blockref("b", (0, 0), grid)
    (text,) = refused(document, tmp_path)
    assert "2,000,000 entities" in text


# -- what is seen -----------------------------------------------------------------------------------------------


def hidden_drawing() -> Drawing:
    document = new()
    document.layers.add("ICE").freeze()
    document.layers.add("DARK").off()
    document.layers.add("SEEN")
    block = document.blocks.new("b")
    for y, layer in enumerate(["0", "ICE", "DARK", "SEEN"]):
        block.add_line((0, y, 1), (1, y, 1), {"layer": layer})
    space = document.modelspace()
    for y, layer in enumerate(["ICE", "DARK", "SEEN"]):
        space.add_line((100, y, 1), (101, y, 1), {"layer": layer})
        space.add_blockref("b", (1000 * (y + 1), 0), {"layer": layer})
    space.add_line((200, 0, 1), (201, 0, 1), {"layer": "SEEN", "invisible": 1})
    return document


def test_frozen_and_switched_off_layers_are_left_out_and_counted(tmp_path) -> None:
    # A frozen reference hides all in it, one switched off only what is on its own layer.
    drawing = read(hidden_drawing(), tmp_path)
    starts = sorted(tuple(line.xyz[0].tolist()) for line in drawing.lines)
    assert starts == [(100, 2, 1), (2000, 3, 1), (3000, 0, 1), (3000, 3, 1)]
    assert drawing.layers == ("SEEN",)
    assert set(drawing.notes) == {
        "left out, on frozen layers: 'ICE' (5), 'DARK' (1), 'SEEN' (1)",
        "left out, on layers switched off: 'DARK' (4)",
        "left out, made invisible: 'SEEN' (1)",
    }


def test_a_wanted_layer_that_gives_nothing_is_told_of(tmp_path) -> None:
    drawing = read(hidden_drawing(), tmp_path, "SEEN", "ICE")
    assert "layer 'ICE' gave nothing, it holds 5 LINE" in drawing.notes


def test_paper_space_is_not_ground(tmp_path) -> None:
    document = new()
    document.modelspace().add_line((0, 0, 1), (1, 0, 1))
    document.paperspace().add_line((0, 0, 9), (1, 0, 9))
    assert lines_of(read(document, tmp_path)) == {"0 1": [(0, 0, 1), (1, 0, 1)]}


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        (["fg-edge"], {"FG-EDGE"}),
        (["FG-*"], {"FG-EDGE", "FG-CROWN"}),
        (["fg-crow?", "eg*"], {"FG-CROWN", "EG"}),
        (["A[1]"], {"A[1]"}),  # a name before it is a pattern
        (None, {"FG-EDGE", "FG-CROWN", "EG", "A[1]"}),
    ],
)
def test_layers_are_wanted_by_name_or_pattern_in_any_case(tmp_path, wanted, expected) -> None:
    document = new()
    for y, layer in enumerate(["FG-EDGE", "FG-CROWN", "EG", "A[1]"]):
        document.modelspace().add_line((0, y, 1), (1, y, 1), {"layer": layer})
    assert set(read(document, tmp_path, *(wanted or [])).layers) == expected


def test_every_layer_that_is_not_there_is_a_finding_with_the_nearest_name(tmp_path) -> None:
    document = new()
    document.modelspace().add_line((0, 0, 1), (1, 0, 1), {"layer": "FG-EDGE"})
    first, second = refused(document, tmp_path, "FG-EGDE", "FG-EDGE", "zzz*")
    assert "'FG-EGDE'" in first
    assert "did you mean 'FG-EDGE'?" in first
    assert "'zzz*'" in second
    assert "did you mean" not in second
    assert "layers there: 0, " in second
    assert "FG-EDGE" in second


def test_a_drawing_without_ground_says_what_its_layers_hold(tmp_path) -> None:
    document = new()
    space = document.modelspace()
    space.add_text("road", dxfattribs={"layer": "NOTES"})
    space.add_text("way", dxfattribs={"layer": "NOTES"})
    space.add_circle((0, 0, 4), 3, {"layer": "SYMBOLS"})
    (text,) = refused(document, tmp_path)
    assert "layer 'NOTES' holds 2 TEXT" in text
    assert "layer 'SYMBOLS' holds 1 CIRCLE" in text


def test_what_is_not_read_is_counted_by_type(tmp_path) -> None:
    document = new()
    space = document.modelspace()
    space.add_text("road")
    space.add_circle((0, 0, 4), 3)
    space.add_circle((0, 9, 4), 3)
    space.add_line((0, 0, 1), (1, 0, 1))
    assert read(document, tmp_path).notes == ("not read: 1 TEXT, 2 CIRCLE",)


# -- flat drawings ----------------------------------------------------------------------------------------------


def test_a_flat_drawing_is_refused(tmp_path) -> None:
    document = new()
    document.modelspace().add_lwpolyline([(0, 0), (5, 1)])
    document.modelspace().add_3dface([(0, 0), (5, 1), (3, 3)])
    (text,) = refused(document, tmp_path)
    assert "a flat drawing, not ground" in text


def test_flat_things_in_a_drawing_with_heights_are_left_out_and_counted(tmp_path) -> None:
    document = new()
    space = document.modelspace()
    space.add_lwpolyline([(0, 0), (5, 1)], dxfattribs={"layer": "BORDER"})
    space.add_point((3, 3, 0), {"layer": "BORDER"})
    space.add_line((0, 0, 300), (1, 0, 301), {"layer": "EDGE"})
    drawing = read(document, tmp_path)
    assert list(lines_of(drawing)) == ["EDGE 1"]
    assert len(drawing.points) == 0
    assert drawing.notes == ("left out, flat at elevation 0 and no ground: 'BORDER' (2)",)


def test_a_contour_at_0_is_ground_where_heights_lie_on_both_sides_of_it(tmp_path) -> None:
    document = new()
    space = document.modelspace()
    for z in (-1.5, 0, 2):
        space.add_lwpolyline([(0, z), (5, z)], dxfattribs={"elevation": z})
    drawing = read(document, tmp_path)
    assert [line.xyz[0, 2] for line in drawing.lines] == [-1.5, 0, 2]
    assert drawing.notes == ()


def test_a_stray_marker_for_no_height_does_not_make_flat_things_ground(tmp_path) -> None:
    document = new()
    space = document.modelspace()
    space.add_polyline3d([(x, 0, 300 + x) for x in range(200)] + [(200, 0, -9999)])
    space.add_lwpolyline([(0, 5), (5, 5)])
    assert list(lines_of(read(document, tmp_path))) == ["0 1"]


def test_flat_things_beside_faces_without_area_are_told_of_too(tmp_path) -> None:
    document = new()
    document.modelspace().add_lwpolyline([(0, 5), (5, 5)])
    document.modelspace().add_3dface([(0, 0, 1), (5, 5, 1), (9, 9, 3)])
    (text,) = refused(document, tmp_path)
    assert "left out: 1 faces without area in plan" in text
    assert "flat at elevation 0 and no ground: '0' (1)" in text


def test_a_stray_vertex_at_0_is_told_of(tmp_path) -> None:
    document = new()
    document.modelspace().add_polyline3d([(0, 0, 300), (5, 0, 0), (9, 0, 301)])
    (note,) = read(document, tmp_path).notes
    assert "1 places are at elevation 0" in note


# -- files ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "unit"), [(0, None), (1, "in"), (2, "ft"), (4, "mm"), (5, "cm"), (6, "m"), (21, "ftUS")]
)
def test_the_header_hints_at_the_unit(tmp_path, code, unit) -> None:
    # Codes of $INSUNITS: DXF reference, header section.
    document = new(units=code)
    document.modelspace().add_line((0, 0, 1), (1, 0, 1))
    drawing = read(document, tmp_path)
    assert drawing.unit == unit
    assert drawing.notes == ()


def test_a_unit_that_is_not_used_here_is_told_of(tmp_path) -> None:
    document = new(units=7)
    document.modelspace().add_line((0, 0, 1), (1, 0, 1))
    drawing = read(document, tmp_path)
    assert drawing.unit is None
    assert "code 7" in drawing.notes[0]


ENTITIES = "  0\nSECTION\n  2\nENTITIES\n{}  0\nENDSEC\n  0\nEOF\n"
POINT = "  0\nPOINT\n  8\nSPOTS\n 10\n5.0\n 20\n7.0\n 30\n9.5\n"


def from_text(folder: Path, text: str | bytes, *layers: str) -> Dxf:
    path = folder / "t.dxf"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_dxf(path, "t.dxf", layers or None)


def test_a_file_of_entities_alone_states_no_unit(tmp_path) -> None:
    drawing = from_text(tmp_path, ENTITIES.format(POINT))
    assert drawing.unit is None
    assert drawing.points.tolist() == [[5, 7, 9.5]]
    assert drawing.layers == ("SPOTS",)


@pytest.mark.parametrize("version", ["R12", "R2000", "R2004", "R2007", "R2010", "R2013", "R2018"])
@pytest.mark.parametrize("fmt", ["asc", "bin"])
def test_all_versions_are_read_as_text_and_binary(tmp_path, version, fmt) -> None:
    document = new(version)
    space = document.modelspace()
    space.add_3dface(on_plane(*QUAD))
    space.add_polyline3d([(0, 9, 1), (4, 9, 2), (9, 7, 3)], dxfattribs={"layer": "EDGE"})
    space.add_point((1, 2, 3))
    drawing = read(document, tmp_path, fmt=fmt)
    assert_covers(drawing, QUAD, 2)
    assert lines_of(drawing) == {"EDGE 1": [(0, 9, 1), (4, 9, 2), (9, 7, 3)]}
    assert drawing.points.tolist() == [[1, 2, 3]]


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("before", ["", "\ufeff", "999\na comment\n"])
def test_line_ends_marks_and_comments_do_not_matter(tmp_path, newline, before) -> None:
    text = before + ENTITIES.format(POINT)
    assert from_text(tmp_path, text.replace("\n", newline)).points.tolist() == [[5, 7, 9.5]]


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_layer_names_are_read_as_they_were_written(tmp_path, encoding) -> None:
    text = ENTITIES.format(POINT.replace("SPOTS", "Höhen"))
    drawing = from_text(tmp_path, text.encode(encoding), "höhen")
    assert drawing.layers == ("Höhen",)


def test_names_that_are_no_text_can_still_be_printed(tmp_path) -> None:
    text = ENTITIES.format(POINT.replace("SPOTS", "H\x81\x8dhen")).encode("latin-1")
    (layer,) = from_text(tmp_path, text).layers
    assert layer.encode("utf-8")


def test_a_broken_file_is_mended_and_that_is_said(tmp_path, capfd) -> None:
    document = new()
    document.modelspace().add_line((0, 0, 1), (1, 0, 1), {"color": 3})
    document.saveas(tmp_path / "d.dxf")
    text = (tmp_path / "d.dxf").read_text(encoding="utf-8")
    assert text.count("\n 62\n3\n") == 1
    drawing = from_text(tmp_path, text.replace("\n 62\n3\n", "\n 62\n3QSW\n"))
    assert lines_of(drawing) == {"0 1": [(0, 0, 1), (1, 0, 1)]}
    assert "broken and was mended" in drawing.notes[0]
    assert capfd.readouterr() == ("", "")


def broken_face(**changes: str) -> str:
    tags = {"10": "0", "20": "0", "30": "5", "11": "4", "21": "0", "31": "5", "12": "0", "22": "4", "32": "6"} | changes
    return "  0\n3DFACE\n  8\nTIN\n" + "".join(f" {code}\n{value}\n" for code, value in tags.items() if value)


def test_an_entity_that_lacks_what_it_needs_is_counted(tmp_path) -> None:
    drawing = from_text(tmp_path, ENTITIES.format(broken_face() + broken_face(**{"11": "", "21": "", "31": ""})))
    assert len(drawing.mesh) == 1
    assert drawing.notes == ("broken and left out: 1 3DFACE",)


def test_a_reference_that_lies_nowhere_is_counted(tmp_path) -> None:
    block = "  0\nBLOCK\n  2\nB\n 10\n0\n 20\n0\n 30\n0\n" + POINT + "  0\nENDBLK\n"
    insert = "  0\nINSERT\n  2\nB\n 10\n5\n 20\n5\n 30\n5\n210\n0.0\n220\n0.0\n230\n0.0\n"
    text = f"  0\nSECTION\n  2\nBLOCKS\n{block}  0\nENDSEC\n" + ENTITIES.format(POINT + insert)
    drawing = from_text(tmp_path, text)
    assert drawing.points.tolist() == [[5, 7, 9.5]]
    assert drawing.notes == ("block references left out, they are broken (1)",)


@pytest.mark.parametrize("value", ["nan", "inf", "1e400"])
def test_numbers_that_are_none_are_counted(tmp_path, value) -> None:
    drawing = from_text(tmp_path, ENTITIES.format(POINT + POINT.replace("9.5", value)))
    assert drawing.points.tolist() == [[5, 7, 9.5]]
    assert drawing.notes == ("left out: 1 points whose coordinates are no numbers",)


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"", "empty"),
        (b" \r\n\n", "empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(300), "not a DXF"),
        (b"<?xml version='1.0'?><LandXML/>", "not a DXF"),
        (b"AC1027\x00\x00\x00" + bytes(200), "DWG"),
        (ENTITIES.format(POINT).encode()[:-8], "too early"),
        (ENTITIES.format(POINT.replace("9.5", "nine")).encode(), "broken"),
        (ENTITIES.format(POINT.replace("9.5", "1,234.5")).encode(), "1, such as '1,234.5' near line"),
        (b"  0\nSECTION\nrubbish\nmore\nand more\n  0\nEOF\n", "broken"),
    ],
)
def test_what_is_no_whole_drawing_is_one_finding(tmp_path, content, word) -> None:
    with pytest.raises(InputError) as caught:
        from_text(tmp_path, content)
    (finding,) = caught.value.findings
    assert finding.where == "t.dxf"
    assert word in finding.what
    assert finding.mend


def test_a_file_that_is_not_there_or_a_folder_is_one_finding(tmp_path) -> None:
    for path in (tmp_path / "gone.dxf", tmp_path):
        with pytest.raises(InputError) as caught:
            read_dxf(path, "gone.dxf", None)
        assert len(caught.value.findings) == 1


@pytest.mark.parametrize("header", ["", "  9\n$ACADVER\n  1\nAC1009\n", "  9\n$LIMCHECK\n 70\n0\n"])
def test_later_entities_in_a_file_of_an_old_version_or_none_keep_layer_and_elevation(tmp_path, header) -> None:
    head = f"  0\nSECTION\n  2\nHEADER\n{header}  0\nENDSEC\n" if header else ""
    line = "  0\nLWPOLYLINE\n100\nAcDbEntity\n  8\nEDGE\n100\nAcDbPolyline\n 90\n2\n 70\n0\n 38\n12.5\n"
    text = head + ENTITIES.format(line + " 10\n0\n 20\n1\n 10\n5\n 20\n2\n" + POINT)
    drawing = from_text(tmp_path, text)
    assert lines_of(drawing) == {"EDGE 1": [(0, 1, 12.5), (5, 2, 12.5)]}
    assert drawing.layers == ("EDGE", "SPOTS")
    assert drawing.notes == ()


def test_a_binary_drawing_cut_short_is_one_finding(tmp_path, tmp_path_factory) -> None:
    data = binary(tmp_path_factory)
    for length in (22, 60, len(data) // 2, len(data) - 6):
        with pytest.raises(InputError, match="ends too early"):
            from_text(tmp_path, data[:length])


def small() -> str:
    block = "  0\nBLOCK\n  2\nB\n 10\n0\n 20\n0\n 30\n0\n  0\nPOINT\n 10\n1\n 20\n1\n 30\n2\n  0\nENDBLK\n"
    line = "  0\nLWPOLYLINE\n100\nAcDbEntity\n  8\nL\n100\nAcDbPolyline\n 90\n2\n 38\n4\n"
    line += " 10\n0\n 20\n0\n 42\n.5\n 10\n5\n 20\n1\n"
    old = "  0\nPOLYLINE\n  8\nP\n 66\n1\n 70\n8\n" + "".join(
        f"  0\nVERTEX\n 10\n{x}\n 20\n{x % 2}\n 30\n3\n 70\n32\n" for x in range(3)
    )
    insert = "  0\nINSERT\n  2\nB\n 10\n5\n 20\n5\n 30\n5\n 41\n2\n"
    entities = POINT + broken_face() + line + old + "  0\nSEQEND\n" + insert
    return f"  0\nSECTION\n  2\nBLOCKS\n{block}  0\nENDSEC\n" + ENTITIES.format(entities)


def test_the_small_drawing_is_whole(tmp_path) -> None:
    drawing = from_text(tmp_path, small())
    assert (len(drawing.mesh), len(drawing.lines), len(drawing.points)) == (1, 2, 2)


def read_or_refused(folder: Path, data: bytes) -> None:
    try:
        assert isinstance(from_text(folder, data), Dxf)
    except InputError as error:
        said = [(f.what, str(f).encode("utf-8")) for f in error.findings]
    else:
        return
    assert said
    assert all(what for what, _ in said)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=st.integers(0, len(small()) - 6), end=st.booleans())
def test_a_drawing_cut_short_is_refused_and_one_with_a_piece_missing_never_crashes(tmp_path, cut, end) -> None:
    data = small().encode()
    if end:
        read_or_refused(tmp_path, data[:cut] + b"\n  0\nEOF\n")
        read_or_refused(tmp_path, data[: cut // 2] + data[cut:])
        return
    with pytest.raises(InputError) as caught:
        from_text(tmp_path, data[:cut])
    assert len(caught.value.findings) == 1


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    changes=st.lists(
        st.tuples(
            st.integers(0, 400), st.sampled_from(["", "-1", "nan", "1e999", "0", "POLYLINE", "\x00", "99999999"])
        ),
        max_size=4,
    )
)
def test_a_drawing_with_wrong_values_never_crashes(tmp_path, changes) -> None:
    lines = small().splitlines()
    for at, value in changes:
        lines[at % len(lines)] = value
    read_or_refused(tmp_path, "\n".join(lines).encode() + b"\n  0\nEOF\n")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.integers(0, 10**6), byte=st.integers(0, 255), cut=st.booleans())
def test_a_broken_binary_drawing_never_crashes(tmp_path_factory, at, byte, cut) -> None:
    data = bytearray(binary(tmp_path_factory))
    at %= len(data)
    data[at] = byte
    read_or_refused(tmp_path_factory.getbasetemp(), bytes(data[:at] if cut else data))


_binary: list[bytes] = []


def binary(factory) -> bytes:
    if not _binary:
        document = new("R12")
        document.modelspace().add_polyline3d([(0, 9, 1), (4, 9, 2)])
        path = factory.mktemp("binary") / "b.dxf"
        document.saveas(path, fmt="bin")
        _binary.append(path.read_bytes())
    return _binary[0]
