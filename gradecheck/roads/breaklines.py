"""3D lines (road edges, crowns, toe lines) to triangles that respect them: conforming Delaunay refinement.

Lines are first joined where they meet in plan, then a Delaunay triangulation is refined: a stretch of line that is
no triangle's side is split at the foot of the vertex that stands nearest to its middle, heights linear between.
Splitting there, not at the middle, keeps that vertex from standing in the way again, so few rounds are enough.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import Delaunay, KDTree, QhullError

from gradecheck.errors import Finding, InputError, listed
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.roads.mesh import Mesh

PLACE = 0.001
"""Nearer than this in plan is one place: a vertex on a vertex, a vertex on a line. Files round to this."""
HEIGHT = 0.01
"""Heights at one place that differ by no more become their mean; by more, they are a finding."""
_JOINING = 10
_MOST_PIECES = 5_000_000
_ROUNDS = 20
_FLAT = 1e-8
"""A triangle lower than this is the rounding of a straight outer edge."""
_TOLD = 20
"""Pairs of lines that are told one by one."""
_MEND_HEIGHTS = (
    "mend the heights, take only the finished lines by `layers`, or leave one out; "
    "a vertical face needs its upper edge drawn back by its batter, "
    f"more than {PLACE:g}"
)


@dataclass(frozen=True, slots=True, eq=False)
class _Net:
    """Vertices (V,) and stretches of line between them (E,), in plan from a local origin.

    xy: (V, 2). z: (V,). owner: (V,) the line or point that brought a vertex, by its number among `names`.
    edges: (E, 2) vertex numbers. line: (E,) number of the line.
    origin: (2,) to be added to xy. names: of lines, then of points. shown: what findings begin with.
    """

    xy: Floats
    z: Floats
    owner: Ints
    edges: Ints
    line: Ints
    origin: Floats
    names: tuple[str, ...]
    shown: str

    def at(self, edge: Ints, along: Floats) -> tuple[Floats, Floats]:
        """(k, 2) places and (k,) heights at shares `along` of edges (k,)."""
        a, b = self.edges[edge].T
        xy = self.xy[a] + along[:, None] * (self.xy[b] - self.xy[a])
        return xy, self.z[a] + along * (self.z[b] - self.z[a])

    def lengths(self) -> Floats:
        """(E,) in plan."""
        return _length(self.xy[self.edges[:, 1]] - self.xy[self.edges[:, 0]])

    def place(self, xy: Floats) -> str:
        """A place in words, in the lines' own coordinates."""
        x, y = xy + self.origin
        return f"({x:.3f}, {y:.3f})"


def triangulated(
    lines: Sequence[Floats],
    points: Floats,
    longest_side: float,
    names: Sequence[str] = (),
    shown: str = "breaklines",
) -> Mesh:
    """Triangles between 3D lines, each a (k, 3) array of x, y, z, and single points (m, 3); any unit, one for all.

    Every line becomes a chain of triangle sides, with vertices added on it where needed, heights straight from one
    of its own vertices to the next. Lines that cross or touch at one height share a vertex there. Then triangles
    with a side in plan longer than `longest_side` are left out, since nobody measured there; lines are divided at
    half of it first, so that none is left out for the length of a straight line alone. Lines of no length are dropped.

    names: of the lines, for findings ("line 1", ... where not given). shown: what findings begin with.

    Raises InputError with every finding: what is no number; two heights at one place (crossing lines, a vertical
    face), with both names, the place and both heights; nothing to triangulate; lines that come no nearer to being
    sides in 20 rounds (dozens that fan out from one vertex a degree apart).

    >>> edge, crown = np.array([[0, 0, 10.0], [30, 0, 10.3]]), np.array([[0, 4, 10.1], [30, 4, 10.4]])
    >>> mesh = triangulated([edge, crown], np.zeros((0, 3)), 50.0)
    >>> len(mesh.z), mesh.corners.shape
    (6, (4, 3))
    """
    net = _noded(_gathered(lines, points, names, shown))
    if not longest_side > 0:
        raise InputError(Finding(shown, f"a longest side of {longest_side} leaves no triangle", "give one above 0"))
    pieces = float(np.ceil(net.lengths() / (longest_side / 2)).sum())
    if pieces > _MOST_PIECES:
        what = f"a longest side of {longest_side:g} would cut the lines into {pieces:.0f} pieces"
        raise InputError(Finding(shown, what, "give a longer side or check its unit"))
    net, corners = _conforming(_divided(net, longest_side / 2))
    sides = _sides(net.xy, corners)
    longest = sides.max(axis=1)
    kept = corners[(longest <= longest_side) & (_doubled_areas(net.xy, corners) > _FLAT * longest)]
    if not len(kept):
        what = f"no triangle between the lines has sides up to {longest_side:g} only"
        raise InputError(Finding(shown, what, "give a longer side or check its unit"))
    x, y = (net.xy + net.origin).T
    return Mesh("", x, y, net.z, kept)


def _gathered(lines: Sequence[Floats], points: Floats, names: Sequence[str], shown: str) -> _Net:
    """All vertices as they are, without lines of no length. Raises InputError where one is no number."""
    points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    parts = [np.asarray(line, dtype=np.float64).reshape(-1, 3) for line in lines]
    labels = tuple(names) or tuple(f"line {i + 1}" for i in range(len(parts)))
    labels += tuple(f"point {i + 1}" for i in range(len(points)))
    parts += list(points[:, None, :])
    lost = [(i, np.flatnonzero(~np.isfinite(part).all(axis=1))) for i, part in enumerate(parts)]
    told = [f"{labels[i]}, vertex {rows[0] + 1}: {parts[i][rows[0]].tolist()}" for i, rows in lost if len(rows)]
    if told:
        raise InputError([Finding(shown, f"{text} is no place with a height", "mend or drop it") for text in told])
    kept = [i for i, part in enumerate(parts) if i >= len(lines) or _extends(part)]
    counts = [len(parts[i]) for i in kept]
    xyz = np.concatenate([parts[i] for i in kept]) if kept else np.zeros((0, 3))
    owner = np.repeat(np.array(kept, dtype=np.int64), counts)
    first = np.flatnonzero(owner[1:] == owner[:-1])
    # A whole number as origin loses no digit of large coordinates.
    origin = np.floor((xyz[:, :2].min(axis=0) + xyz[:, :2].max(axis=0)) / 2) if len(xyz) else np.zeros(2)
    edges = np.stack([first, first + 1], axis=1).astype(np.int64)
    return _Net(xyz[:, :2] - origin, xyz[:, 2], owner, edges, owner[first], origin, labels, shown)


def _extends(line: Floats) -> bool:
    """Whether a line has a length, be it upright only."""
    return len(line) > 1 and bool((np.ptp(line, axis=0) > (PLACE, PLACE, HEIGHT)).any())


@dataclass(frozen=True, slots=True, eq=False)
class _Meetings:
    """Where a net meets itself in plan and is not joined.

    pairs: (p, 2) vertices of one place. vertex, edge, along: (q,) a vertex on an edge, at that share of it.
    crossing: (r, 2) edges; at: (r, 2) the shares of them where they cross.
    """

    pairs: Ints
    vertex: Ints
    edge: Ints
    along: Floats
    crossing: Ints
    at: Floats

    def __len__(self) -> int:
        return len(self.pairs) + len(self.vertex) + len(self.crossing)


def _noded(net: _Net) -> _Net:
    """The net joined wherever it meets itself. Raises InputError where heights differ there."""
    for _ in range(_JOINING):
        meetings = _meetings(net)
        if not len(meetings):
            return net
        findings = _conflicts(net, meetings)
        if findings:
            raise InputError(findings)
        net = _joined(net, meetings)
    raise InputError(Finding(net.shown, "lines run into one another again and again", f"clean them to {PLACE:g}"))


def _meetings(net: _Net) -> _Meetings:
    pairs = KDTree(net.xy).query_pairs(PLACE, output_type="ndarray").astype(np.int64).reshape(-1, 2)
    stretches = shapely.linestrings(net.xy[net.edges])
    tree = shapely.STRtree(stretches)
    vertex, edge = tree.query(shapely.points(net.xy), predicate="dwithin", distance=PLACE)
    start, end = (net.xy[net.edges[edge, k]] for k in (0, 1))
    own = np.minimum(_length(net.xy[vertex] - start), _length(net.xy[vertex] - end)) <= PLACE
    vertex, edge = vertex[~own], edge[~own]
    crossing, at = _crossings(net, tree.query(stretches, predicate="intersects").T)
    return _Meetings(pairs, vertex, edge, _feet(net, vertex, edge), crossing, at)


def _crossings(net: _Net, pairs: Ints) -> tuple[Ints, Floats]:
    """(r, 2) pairs of edges that cross between their ends, and the shares of them where they do.

    Nearer to an end than `PLACE` it is a vertex on an edge, and so are edges that run along one another.
    """
    pairs = pairs[pairs[:, 0] < pairs[:, 1]]
    p, q = (net.xy[net.edges[pairs[:, k], 0]] for k in (0, 1))
    u, v = (net.xy[net.edges[pairs[:, k], 1]] - start for k, start in ((0, p), (1, q)))
    with np.errstate(divide="ignore", invalid="ignore"):
        at = np.stack([_cross(q - p, v), _cross(q - p, u)], axis=1) / _cross(u, v)[:, None]
        away = at * net.lengths()[pairs]
        clear = ((away > PLACE) & (net.lengths()[pairs] - away > PLACE)).all(axis=1)
        clear &= _length(p + at[:, :1] * u - q - at[:, 1:] * v) <= PLACE
    ends = net.edges[pairs]
    shared = (ends[:, 0, :, None] == ends[:, 1, None, :]).any(axis=(1, 2))
    return pairs[clear & ~shared], at[clear & ~shared]


def _feet(net: _Net, vertex: Ints, edge: Ints) -> Floats:
    """(k,) share along each edge where the perpendicular from its vertex meets it."""
    start = net.xy[net.edges[edge, 0]]
    along = net.xy[net.edges[edge, 1]] - start
    share: Floats = ((net.xy[vertex] - start) * along).sum(axis=1) / np.square(along).sum(axis=1)
    return share


def _conflicts(net: _Net, meetings: _Meetings) -> list[Finding]:
    """Two heights at one place: one finding for each pair of lines, with the first such place."""
    who, place, z = _witnesses(net, meetings)
    told: dict[tuple[int, int], list[int]] = {}
    for k in np.flatnonzero(np.abs(z[:, 0] - z[:, 1]) > HEIGHT).tolist():
        told.setdefault((who[k].min(), who[k].max()), []).append(k)
    found = []
    for (a, b), rows in list(told.items())[:_TOLD]:
        za, zb = z[rows[0]] if who[rows[0], 0] == a else z[rows[0], ::-1]
        have = f"{net.names[a]} and {net.names[b]} have" if a != b else f"{net.names[a]} has"
        more = f" (and {len(rows) - 1} more such places)" if len(rows) > 1 else ""
        what = f"{have} two heights at {net.place(place[rows[0]])}: {za:.3f} and {zb:.3f}{more}"
        found.append(Finding(net.shown, what, _MEND_HEIGHTS))
    if len(told) > _TOLD:
        found.append(Finding(net.shown, f"{len(told) - _TOLD} more pairs with two heights at one place", _MEND_HEIGHTS))
    return found


def _witnesses(net: _Net, meetings: _Meetings) -> tuple[Ints, Floats, Floats]:
    """For every meeting the two lines or points (m, 2), the place (m, 2) and their two heights (m, 2)."""
    one, other = meetings.pairs.T
    vertex, (left, right) = meetings.vertex, meetings.crossing.T
    z = net.at(meetings.edge, meetings.along)[1]
    (place, z_left), (_, z_right) = (net.at(edge, at) for edge, at in zip((left, right), meetings.at.T, strict=True))
    first = np.concatenate([net.owner[one], net.owner[vertex], net.line[left]])
    second = np.concatenate([net.owner[other], net.line[meetings.edge], net.line[right]])
    heights = [np.concatenate([net.z[one], net.z[vertex], z_left]), np.concatenate([net.z[other], z, z_right])]
    places = np.concatenate([net.xy[one], net.xy[vertex], place])
    return np.stack([first, second], axis=1), places, np.stack(heights, axis=1)


def _joined(net: _Net, meetings: _Meetings) -> _Net:
    """Crossings become vertices, edges are split at what lies on them, vertices of one place become one."""
    (xy, z0), (_, z1) = (net.at(meetings.crossing[:, k], meetings.at[:, k]) for k in (0, 1))
    new = len(net.z) + np.arange(len(xy))
    edge = np.concatenate([meetings.edge, meetings.crossing[:, 0], meetings.crossing[:, 1]])
    along = np.concatenate([meetings.along, meetings.at[:, 0], meetings.at[:, 1]])
    grown = _grown(net, xy, (z0 + z1) / 2, net.line[meetings.crossing[:, 0]])
    split = _chained(grown, edge, along, np.concatenate([meetings.vertex, new, new]))
    return _merged(split, meetings.pairs)


def _grown(net: _Net, xy: Floats, z: Floats, owner: Ints) -> _Net:
    """With vertices added at the end."""
    return replace(
        net,
        xy=np.concatenate([net.xy, xy]),
        z=np.concatenate([net.z, z]),
        owner=np.concatenate([net.owner, owner]),
    )


def _chained(net: _Net, edge: Ints, along: Floats, vertex: Ints) -> _Net:
    """Edges led through vertices (k,) at shares `along` of edges (k,)."""
    count = np.arange(len(net.edges))
    edge = np.concatenate([count, edge, count])
    along = np.concatenate([np.full(len(count), -np.inf), along, np.full(len(count), np.inf)])
    vertex = np.concatenate([net.edges[:, 0], vertex, net.edges[:, 1]])
    order = np.lexsort((along, edge))
    edge, vertex = edge[order], vertex[order]
    same = edge[1:] == edge[:-1]
    return replace(net, edges=np.stack([vertex[:-1], vertex[1:]], axis=1)[same], line=net.line[edge[:-1][same]])


def _merged(net: _Net, pairs: Ints) -> _Net:
    """Vertices that pairs connect become one, at the place of the first and their mean height."""
    n = len(net.z)
    joined = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    group = connected_components(joined, directed=False)[1].astype(np.int64)
    first = np.unique(group, return_index=True)[1]
    base = net.z[first]
    z = base + np.bincount(group, net.z - base[group]) / np.bincount(group)
    edges = np.sort(group[net.edges], axis=1)
    edges, kept = np.unique(edges, axis=0, return_index=True)
    real = edges[:, 0] != edges[:, 1]
    return replace(net, xy=net.xy[first], z=z, owner=net.owner[first], edges=edges[real], line=net.line[kept[real]])


def _split(net: _Net, edge: Ints, along: Floats) -> _Net:
    """With new vertices on edges (k,) at shares `along`, heights linear."""
    xy, z = net.at(edge, along)
    new = len(net.z) + np.arange(len(edge))
    return _chained(_grown(net, xy, z, net.line[edge]), edge, along, new)


def _divided(net: _Net, longest: float) -> _Net:
    """Edges no longer than `longest`."""
    parts = np.maximum(np.ceil(net.lengths() / longest), 1).astype(np.int64)
    edge = np.repeat(np.arange(len(parts)), parts - 1)
    turn = np.arange(len(edge)) - np.repeat(np.cumsum(parts - 1) - (parts - 1), parts - 1)
    return _split(net, edge, (turn + 1) / parts[edge])


def _conforming(net: _Net) -> tuple[_Net, Ints]:
    """The net, split until every edge is a side, and its (T, 3) triangles."""
    for _ in range(_ROUNDS):
        corners = _delaunay(net)
        missing = np.flatnonzero(~_are_sides(net, corners))
        if not len(missing):
            return net, corners
        net = _split(net, missing, _where_to_split(net, missing))
    lines = [net.names[i] for i in np.unique(net.line[missing]).tolist()]
    where = net.place(net.at(missing[:1], np.full(1, 0.5))[0][0])
    what = f"the triangles do not come to follow {listed(lines)}, first at {where}"
    raise InputError(Finding(net.shown, what, "take out lines or points that nearly coincide there"))


def _delaunay(net: _Net) -> Ints:
    try:
        found = Delaunay(net.xy)
    except (QhullError, ValueError):
        what = "lines and points lie on one straight line or are fewer than three: no triangle between them"
        raise InputError(Finding(net.shown, what, "give lines on both sides of the ground")) from None
    if len(found.coplanar):
        v = int(found.coplanar[0, 0])
        what = f"{net.names[net.owner[v]]} at {net.place(net.xy[v])} is too near another vertex for an area this large"
        raise InputError(Finding(net.shown, what, "take one out, or give the lines in several files"))
    return found.simplices.astype(np.int64)


def _are_sides(net: _Net, corners: Ints) -> Bools:
    """(E,) whether each edge is the side of a triangle."""
    sides = np.sort(np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]]), axis=1)
    wanted = np.sort(net.edges, axis=1)
    n = len(net.z)
    return np.isin(wanted[:, 0] * n + wanted[:, 1], sides[:, 0] * n + sides[:, 1])


def _where_to_split(net: _Net, edge: Ints) -> Floats:
    """(k,) shares of edges: the foot of the vertex nearest to the middle, the middle where that is no help."""
    length = net.lengths()[edge]
    away, vertex = KDTree(net.xy).query(net.at(edge, np.full(len(edge), 0.5))[0])
    foot = _feet(net, np.asarray(vertex, dtype=np.int64), edge)
    inside = np.minimum(foot, 1 - foot) * length >= PLACE
    return np.where((away < length / 2) & inside, foot, 0.5)


def _sides(xy: Floats, corners: Ints) -> Floats:
    """(T, 3) lengths in plan."""
    return np.stack([_length(xy[corners[:, k]] - xy[corners[:, k - 1]]) for k in range(3)], axis=1)


def _doubled_areas(xy: Floats, corners: Ints) -> Floats:
    a, b, c = (xy[corners[:, k]] for k in range(3))
    return np.abs(_cross(b - a, c - a))


def _length(step: Floats) -> Floats:
    return np.hypot(step[:, 0], step[:, 1])


def _cross(u: Floats, v: Floats) -> Floats:
    return u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
