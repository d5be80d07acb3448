"""Entities of a drawing as arrays: four-cornered faces, lines with heights, points.

Every reader takes an entity of the library and gives its `Part` in the coordinates of what holds the entity, model
space or a block; it may raise anything on an entity that is broken.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from ezdxf.math.triangulation import mapbox_earcut_2d
from scipy.interpolate import BSpline

from gradecheck.probability import Bools, Floats

_OF_SIZE = 1e-6
"""Chords keep within this share of a curve's size where that is more than the sagitta asked for."""
_EXTRA, _FRAME = 8, 16
"""Flags of polyline vertices: made by a spline fit; of the frame that the spline was fitted to."""
_MOST_CHORDS = 200_000
"""A spline that needs more is broken."""

_FARTHEST = 1e12
"""Drawing units from the origin, or from elevation 0."""

FACE, LINE, POINT = "face", "line", "point"


class Part(NamedTuple):
    """A piece of ground.

    kind: FACE, LINE or POINT. xyz: faces (f, 4, 3) whose last two corners are one in a triangle, a line (k, 3), a
    point (1, 3). layer: "" until it is known. caveat: what must be said of how it was read.
    """

    kind: str
    xyz: Floats
    layer: str = ""
    caveat: str = ""


def _place(dxf: Any, name: str) -> tuple[float, float, float]:
    """A place that the file gives; where it does not, the library would say (0, 0, 0)."""
    xyz: tuple[float, float, float] = dxf.get(name).xyz
    return xyz


def _corners(face: Any) -> Part:
    corners = [_place(face.dxf, name) for name in ("vtx0", "vtx1", "vtx2")]
    return Part(FACE, np.array([[*corners, _place(face.dxf, "vtx3") if face.dxf.hasattr("vtx3") else corners[2]]]))


def _straight(line: Any) -> Part:
    return Part(LINE, np.array([_place(line.dxf, "start"), _place(line.dxf, "end")]))


def _point(point: Any) -> Part:
    return Part(POINT, np.array([_place(point.dxf, "location")]))


def _polyline(entity: Any, sagitta: float) -> Part:
    if entity.is_poly_face_mesh:
        return _polyface(entity)
    if entity.is_polygon_mesh:
        return _polygon_mesh(entity)
    seen = [v.dxf for v in entity.vertices if not v.dxf.flags & _FRAME]
    xyz = np.array([_place(v, "location") for v in seen])
    if entity.is_3d_polyline:
        return Part(LINE, np.concatenate((xyz, xyz[:1])) if entity.is_closed else xyz)
    elevation, caveat = float(entity.dxf.elevation.z), ""
    if elevation == 0 and xyz[:, 2].any():
        caveat = "2D polylines without an elevation whose vertices have heights, these were taken"
    else:
        xyz[:, 2] = elevation
    bulges = np.array([v.get("bulge", 0.0) for v in seen])
    return Part(LINE, _to_world(entity, _with_arcs(xyz, bulges, entity.is_closed, sagitta)), caveat=caveat)


def _light_polyline(entity: Any, sagitta: float) -> Part:
    x, y, bulges = np.array(entity.get_points("xyb"), dtype=np.float64).reshape(-1, 3).T
    xyz = np.stack([x, y, np.full(len(x), float(entity.dxf.elevation))], axis=1)
    return Part(LINE, _to_world(entity, _with_arcs(xyz, bulges, entity.closed, sagitta)))


def _arc(entity: Any, sagitta: float) -> Part:
    """An arc counter-clockwise from its start angle to its end angle, in two bulges."""
    dxf = entity.dxf
    sweep = (dxf.end_angle - dxf.start_angle) % 360 or 360.0
    angles = np.radians(dxf.start_angle + np.array([0, 0.5, 1]) * sweep)
    ring = np.stack([np.cos(angles), np.sin(angles), np.zeros(3)], axis=1)
    xyz = np.array(_place(dxf, "center")) + dxf.radius * ring
    bulges = np.full(3, math.tan(math.radians(sweep) / 8))
    return Part(LINE, _to_world(entity, _with_arcs(xyz, bulges, False, sagitta)))


def _to_world(entity: Any, xyz: Floats) -> Floats:
    """From the entity's own axes, which its extrusion gives, to those of its surroundings."""
    ocs = entity.ocs()
    return xyz @ np.array([ocs.ux.xyz, ocs.uy.xyz, ocs.uz.xyz]) if ocs.transform else xyz


def _with_arcs(xyz: Floats, bulges: Floats, closed: bool, sagitta: float) -> Floats:
    """(n, 3) vertices and the arcs between them as chords; bulges: tan of a quarter of an arc's turn, + to the left."""
    if closed:
        xyz, bulges = np.concatenate((xyz, xyz[:1])), np.append(bulges, 0.0)
    if not bulges.any() or not possible(xyz).all():
        return xyz
    pieces = [xyz[:1]]
    for a, b, bulge in zip(xyz[:-1], xyz[1:], bulges.tolist(), strict=False):
        pieces.append(_chords(a, b, bulge, sagitta) if bulge else b[None])
    return np.concatenate(pieces)


def _chords(a: Floats, b: Floats, bulge: float, sagitta: float) -> Floats:
    """(k, 3) the points of an arc after `a`, up to `b`; heights rise evenly along it."""
    dx, dy = (b - a)[:2].tolist()
    radius = math.hypot(dx, dy) * (1 + bulge**2) / abs(4 * bulge)
    if radius == 0:
        return b[None]
    turn = 4 * math.atan(bulge)
    step = 2 * math.acos(1 - min(max(sagitta / radius, _OF_SIZE), 1.0))
    n = math.ceil(abs(turn) / step)
    t = np.arange(1, n) / n
    out = a + np.append(t, 1.0)[:, None] * (b - a)
    out[-1] = b
    if n > 1:
        lift = (1 - bulge**2) / (4 * bulge)
        cx, cy = (a[0] + b[0]) / 2 - dy * lift, (a[1] + b[1]) / 2 + dx * lift
        c, s = np.cos(t * turn), np.sin(t * turn)
        out[:-1, 0] = cx + c * (a[0] - cx) - s * (a[1] - cy)
        out[:-1, 1] = cy + s * (a[0] - cx) + c * (a[1] - cy)
    return out


def _spline(entity: Any, sagitta: float) -> Part:
    """A spline over its own domain; knots outside of that only shape it."""
    tool = entity.construction_tool()
    degree, knots = tool.order - 1, np.array(tool.knots())
    control = np.array([p.xyz for p in tool.control_points])
    weights = np.array(tool.weights()) if tool.is_rational else np.ones(len(control))
    curve = BSpline(knots, np.column_stack([control * weights[:, None], weights]), degree)

    def at(t: Floats) -> Floats:
        homogeneous = curve(t)
        return np.asarray(homogeneous[:, :3] / homogeneous[:, 3:])

    breaks = np.unique(knots[degree : len(control) + 1])
    allowed = max(sagitta, _OF_SIZE * float(np.ptp(control, axis=0).max()))
    n = 4
    while True:
        t = np.concatenate([np.linspace(a, b, n, endpoint=False) for a, b in pairwise(breaks)])
        t = np.append(t, breaks[-1])
        xyz, middle = at(t), at((t[:-1] + t[1:]) / 2)
        # Midway a parabola is farthest from its chord, and short stretches of any curve are near to one.
        if float(np.linalg.norm(middle - (xyz[:-1] + xyz[1:]) / 2, axis=1).max()) <= allowed / 2:
            return Part(LINE, xyz)
        if len(t) > _MOST_CHORDS:
            raise ValueError("the spline turns too sharply")
        n *= 2


def _polyface(entity: Any) -> Part:
    """Vertices come first, then records of up to four of their numbers: from 1, negative at unseen edges."""
    vertices = [v.dxf for v in entity.vertices]
    places = np.array([(np.nan,) * 3, *(_place(v, "location") for v in vertices if v.flags & 64)])
    records = [v for v in vertices if v.flags & 128 and not v.flags & 64]
    numbers = [[abs(v.get(f"vtx{i}", 0)) for i in range(4)] for v in records]
    index = np.array(numbers, dtype=np.int64).reshape(-1, 4)
    index[:, 3] = np.where(index[:, 3] == 0, index[:, 2], index[:, 3])
    return Part(FACE, places[np.where(index < len(places), index, 0)])


def _polygon_mesh(entity: Any) -> Part:
    dxf = entity.dxf
    rows, columns, of_spline = dxf.m_count, dxf.n_count, bool(dxf.flags & 4)
    if of_spline:
        rows, columns = dxf.m_smooth_density, dxf.n_smooth_density
    places = [_place(v.dxf, "location") for v in entity.vertices if not of_spline or v.dxf.flags & _EXTRA]
    grid = np.array(places).reshape(rows, columns, 3)
    if entity.is_m_closed:
        grid = np.concatenate((grid, grid[:1]))
    if entity.is_n_closed:
        grid = np.concatenate((grid, grid[:, :1]), axis=1)
    quads = np.stack([grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:]], axis=2)
    return Part(FACE, quads.reshape(-1, 4, 3))


def _mesh(entity: Any) -> Part:
    places = np.array(entity.vertices, dtype=np.float64).reshape(-1, 3)
    corners: list[Sequence[int]] = []
    for face in entity.faces:
        corners += [face] if len(face) in (3, 4) else _ears(places, face)
    index = np.array([(*c, c[-1])[:4] for c in corners], dtype=np.int64).reshape(-1, 4)
    caveat = "meshes that are shown smoothed, read as they are before that" if entity.dxf.subdivision_levels else ""
    return Part(FACE, places[index], caveat=caveat)


def _ears(places: Floats, face: Sequence[int]) -> list[Sequence[int]]:
    """A face of many corners as triangles in plan."""
    numbers = {tuple(places[i, :2].tolist()): i for i in face}
    return [[numbers[p.x, p.y] for p in ear] for ear in mapbox_earcut_2d(numbers)]


PARTS: dict[str, Callable[[Any, float], Part]] = {
    "3DFACE": lambda entity, _: _corners(entity),
    "LINE": lambda entity, _: _straight(entity),
    "POINT": lambda entity, _: _point(entity),
    "MESH": lambda entity, _: _mesh(entity),
    "POLYLINE": _polyline,
    "LWPOLYLINE": _light_polyline,
    "ARC": _arc,
    "SPLINE": _spline,
}
"""Readers by the type of entity; they take it and the sagitta that curves may have, in its own units."""


def possible(xyz: Floats) -> Bools:
    """Which coordinates are numbers that can be on Earth, in any unit."""
    return np.asarray(np.abs(xyz) < _FARTHEST)


class Split(NamedTuple):
    """Faces as triangles.

    triangles: (t, 3, 3). flat: how many faces have no area in plan. crossed: how many cross themselves. lost: how
    many lack a corner. twisted: how many have four corners that are on no plane; twist: the most that the heights of
    the two ways to split such a face differ.
    """

    triangles: Floats
    flat: int
    crossed: int
    lost: int
    twisted: int
    twist: float


def split_faces(faces: Floats, tolerance: float) -> Split:
    """(f, 4, 3) faces as triangles with area in plan; `tolerance`: twist that counts, in units of height.

    Four corners are split from the first to the third, or where that runs outside, from the second to the fourth.

    >>> square = np.array([[[0, 0, 5], [1, 0, 5], [1, 1, 6], [0, 1, 5.0]]])
    >>> split_faces(square, 0.01).triangles[:, :, :2].astype(int).tolist()
    [[[0, 0], [1, 0], [1, 1]], [[0, 0], [1, 1], [0, 1]]]
    >>> split_faces(square, 0.01).twist
    0.5
    """
    whole = possible(faces).all(axis=(1, 2))
    faces = faces[whole]
    areas = np.stack([_area(faces[:, corners]) for corners in ([0, 1, 2], [0, 2, 3], [0, 1, 3], [1, 2, 3])], axis=1)
    outside = areas[:, 0] * areas[:, 1] < 0
    crossed = outside & (areas[:, 2] * areas[:, 3] < 0)
    from_first, from_second = np.array([[0, 1, 2], [0, 2, 3]]), np.array([[0, 1, 3], [1, 2, 3]])
    corners = np.where(outside[:, None, None], from_second, from_first)
    broad = (np.where(outside[:, None], areas[:, 2:], areas[:, :2]) != 0) & ~crossed[:, None]
    face, half = np.nonzero(broad)
    twist = _twist(faces[..., 2], areas)
    return Split(
        faces[face[:, None], corners[face, half]],
        flat=int((~broad.any(axis=1) & ~crossed).sum()),
        crossed=int(crossed.sum()),
        lost=int((~whole).sum()),
        twisted=int((twist > tolerance).sum()),
        twist=float(twist.max(initial=0.0)),
    )


def _area(triangles: Floats) -> Floats:
    """(f,) twice the area in plan, + counter-clockwise; 0 where rounding of the coordinates may explain it."""
    xy = triangles[..., :2]
    sides = np.roll(xy, -1, axis=1) - xy
    area = sides[:, 0, 0] * sides[:, 1, 1] - sides[:, 0, 1] * sides[:, 1, 0]
    longest = np.hypot(sides[..., 0], sides[..., 1]).max(axis=1, initial=0.0)
    rounding = 1e-9 + 8 * np.finfo(np.float64).eps * np.abs(xy).max(axis=(1, 2), initial=0.0)
    return np.where(np.abs(area) > rounding * longest, area, 0.0)


def _twist(z: Floats, areas: Floats) -> Floats:
    """(f,) how far apart, upright, the two diagonals of convex faces pass each other; else 0. z: (f, 4)."""
    a, b, c, d = areas.T
    convex = (a * b > 0) & (c * d > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        t, s = c / (c + d), a / (a + b)
        apart = np.abs(z[:, 0] + t * (z[:, 2] - z[:, 0]) - z[:, 1] - s * (z[:, 3] - z[:, 1]))
    return np.where(convex, apart, 0.0)
