"""Triangulated ground against SciPy's and matplotlib's own interpolators, and a real site at four densities.

SciPy interpolates over Delaunay triangles; matplotlib over the triangles it is given, found by
its trapezoid map. Both are asked near the origin, since they are not made for coordinates of millions. Shapely tells
what the triangles cover and which of them overlap.
"""

import re
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import CRS
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from gradecheck import surfaces
from gradecheck.reference import Path as Way
from gradecheck.roads.mesh import Mesh, faults
from gradecheck.surfaces.tin import Tin
from tests.rasters import EAST, NORTH, WORK

SITE = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "landxml_abrman_mit"
US_FOOT = 1200 / 3937

site = pytest.mark.skipif(not SITE.exists(), reason="open surfaces not here")


def ground(mesh: Mesh, to_metres=1.0) -> Tin:
    system = CRS.from_user_input(WORK)
    return Tin(mesh, Way.between(system, system), to_metres, 0.05, "FG")


def rotated(u, v):
    """Local places turned by 33 degrees about the corner (EAST, NORTH)."""
    angle = np.radians(33)
    return EAST + u * np.cos(angle) - v * np.sin(angle), NORTH + u * np.sin(angle) + v * np.cos(angle)


def matplotlib_heights(mesh: Mesh, x, y):
    """matplotlib's linear interpolation over the mesh's own triangles, NaN where its finder finds none."""
    tri = pytest.importorskip("matplotlib.tri", reason="matplotlib is not installed")
    east, north = mesh.x.min(), mesh.y.min()
    triangulation = tri.Triangulation(mesh.x - east, mesh.y - north, mesh.corners)
    finder = tri.TrapezoidMapTriFinder(triangulation)
    return tri.LinearTriInterpolator(triangulation, mesh.z, finder)(x - east, y - north).filled(np.nan)


def assert_same(found, judged, within):
    assert np.isnan(found.z).tolist() == np.isnan(judged).tolist()
    assert np.nanmax(np.abs(found.z - judged)) < within
    assert np.isfinite(judged).sum() > 1000


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("spread", ["even", "clustered"])
def test_over_delaunay_triangles_heights_are_scipys(seed, spread):
    random = np.random.default_rng(seed)
    if spread == "even":
        u, v = random.uniform(0, 400, (2, 3000))
    else:
        # Triangles from millimetres to hundreds of metres, in one mesh.
        far, angle = np.exp(random.uniform(np.log(1e-3), np.log(300), 3000)), random.uniform(0, 2 * np.pi, 3000)
        u, v = far * np.cos(angle), far * np.sin(angle)
    z = random.uniform(290, 310, len(u))
    # In steps of 2**-20 m, a shift by whole numbers keeps the differences of all coordinates exactly.
    u, v = (np.rint(w * 2**20) / 2**20 for w in (u, v))
    triangulation = Delaunay(np.stack([u, v], axis=1))
    mesh = Mesh("", u + EAST, v + NORTH, z, triangulation.simplices.astype(np.int64))
    at_u, at_v = (
        np.rint(w * 2**20) / 2**20 for w in random.uniform(min(u.min(), v.min()) - 5, u.max() + 5, (2, 20_000))
    )
    scipy = LinearNDInterpolator(triangulation, z)(at_u, at_v)
    assert_same(ground(mesh).heights(at_u + EAST, at_v + NORTH), scipy, 1e-7)


@pytest.mark.parametrize("seed", range(3))
def test_over_triangles_with_holes_bays_and_islands_heights_are_matplotlibs(seed):
    random = np.random.default_rng(seed)
    columns, rows = np.meshgrid(np.arange(41), np.arange(31))
    jitter = random.uniform(-0.3, 0.3, (2, *columns.shape))
    u, v = (10 * columns + 7 * jitter[0]).ravel(), (6 * rows + 4 * jitter[1]).ravel()
    x, y = rotated(u, v)
    z = random.uniform(290, 310, len(x))
    first = (41 * np.arange(30)[:, None] + np.arange(40)).ravel()
    # Either diagonal, at random; then whole areas and single triangles are taken out.
    up = random.uniform(size=len(first)) < 0.5
    a, b, c, d = first, first + 1, first + 42, first + 41
    halves = np.where(up, np.array([a, b, c, a, c, d]), np.array([a, b, d, b, c, d])).T.reshape(-1, 2, 3)
    column, row = first % 41, first // 41
    bay, lake = (column > 25) & (row > 20), (abs(column - 12) < 7) & (abs(row - 12) < 6)
    island = (abs(column - 12) < 2) & (abs(row - 12) < 2)
    corners = halves[~bay & (~lake | island)].reshape(-1, 3)
    corners = corners[random.uniform(size=len(corners)) > 0.02]
    mesh = Mesh("", x, y, z, corners)
    assert not faults(mesh)
    px, py = rotated(random.uniform(-20, 420, 30_000), random.uniform(-20, 200, 30_000))
    found = ground(mesh).heights(px, py)
    assert_same(found, matplotlib_heights(mesh, px, py), 1e-6)
    # What is enclosed: Shapely's union of the triangles with its holes filled, less the union.
    covered = shapely.union_all(shapely.polygons(np.stack([x, y], axis=1)[corners]))
    filled = shapely.union_all([shapely.Polygon(part.exterior) for part in shapely.get_parts(covered)])
    missing = np.isnan(found.z)
    hole = shapely.intersects_xy(filled, px, py)[missing]
    assert (found.source[missing] == surfaces.HOLE).tolist() == hole.tolist()
    assert 1000 < hole.sum() < missing.sum()


def site_mesh(number: int) -> Mesh:
    """Points and faces of a file, read by pattern; "northing easting elevation" in US survey feet."""
    text = (SITE / f"S{number}.xml").read_text(encoding="utf-8")
    points = re.findall(r'<P id="(\d+)">(\S+) (\S+) (\S+)</P>', text)
    number_of = {name: i for i, (name, *_) in enumerate(points)}
    y, x, z = (np.array(column, dtype=float) for column in list(zip(*points, strict=True))[1:])
    faces = re.findall(r"<F>(\d+) (\d+) (\d+)</F>", text)
    return Mesh(f"S{number}", x, y, z, np.array([[number_of[name] for name in face] for face in faces]))


@site
@pytest.mark.parametrize(("number", "points", "faces"), [(1, 17, 24), (2, 57, 96), (3, 164, 300), (4, 1657, 3199)])
def test_the_site_is_whole_at_every_density(number, points, faces):
    mesh = site_mesh(number)
    assert (len(mesh.x), len(mesh)) == (points, faces)
    # Euler: a disc of triangles without holes has one face more than sides less corners.
    sides = {tuple(sorted(pair)) for a, b, c in mesh.corners.tolist() for pair in ((a, b), (b, c), (c, a))}
    assert points - len(sides) + faces == 1
    assert not faults(mesh)
    triangles = shapely.polygons(np.stack([mesh.x, mesh.y], axis=1)[mesh.corners])
    covered = shapely.union_all(triangles)
    assert covered.area == pytest.approx(shapely.area(triangles).sum(), rel=1e-12)
    extent = ground(mesh).extent
    assert extent.area == pytest.approx(shapely.convex_hull(covered).area, rel=1e-6)
    assert shapely.bounds(extent) == pytest.approx(shapely.bounds(covered), abs=1e-4)


@site
def test_heights_on_the_site_are_those_worked_by_hand():
    # S1, its first face "4 1 6": corners 476.0686340332031, 472.7762145996094 and 526.0139770507812 ft.
    surface = ground(site_mesh(1), US_FOOT)
    northing = np.array(
        [1068540.0, (1068540.0 + 1068179.3388061523 + 1068540.0) / 3, (1068179.3388061523 + 1068540) / 2]
    )
    easting = np.array(
        [835560.0, (835019.3167724609 + 835199.3388061523 + 835560.0) / 3, (835199.3388061523 + 835560) / 2]
    )
    heights = surface.heights(easting, northing)
    by_hand = [526.0139770507812, 491.6196085611979, 499.3950958251953]
    assert heights.z == pytest.approx(np.array(by_hand) * 0.3048006096012192, abs=1e-9)
    # The summit is 6 of 12 faces that all have a height there; north of the northernmost corner there is none.
    assert np.isnan(surface.heights(np.array([835560.0]), np.array([1069605.89])).z).all()


@site
@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_heights_on_the_site_are_matplotlibs(number):
    mesh = site_mesh(number)
    random = np.random.default_rng(number)
    x, y = random.uniform(834400, 836700, 20_000), random.uniform(1067400, 1069700, 20_000)
    assert_same(ground(mesh).heights(x, y), matplotlib_heights(mesh, x, y), 1e-7)


@site
def test_the_change_between_two_densities_of_the_site_is_matplotlibs():
    before, after = site_mesh(3), site_mesh(4)
    random = np.random.default_rng(9)
    x, y = random.uniform(834600, 836500, 20_000), random.uniform(1067600, 1069500, 20_000)
    change = ground(after, US_FOOT).heights(x, y).z - ground(before, US_FOOT).heights(x, y).z
    judged = (matplotlib_heights(after, x, y) - matplotlib_heights(before, x, y)) * US_FOOT
    assert np.isnan(change).tolist() == np.isnan(judged).tolist()
    assert np.nanmax(np.abs(change - judged)) < 1e-7
    assert 1 < np.nanmax(np.abs(change)) < 30


@site
@pytest.mark.parametrize("number", [2, 3])
def test_the_sides_and_corners_of_the_site_are_ground(number):
    mesh = site_mesh(number)
    a, b = mesh.corners.ravel(), mesh.corners[:, [1, 2, 0]].ravel()
    t = np.linspace(0, 1, 50)
    x, y, z = ((v[a, None] + t * (v[b] - v[a])[:, None]).ravel() for v in (mesh.x, mesh.y, mesh.z))
    # The slopes are up to 1:1 there, so that a place off by 1e-9 ft is a height off by as much.
    assert np.abs(ground(mesh).heights(x, y).z - z).max() < 1e-8


@site
@pytest.mark.parametrize("moved", [(300.0, 40.0), (-80.0, -350.0)])
def test_a_corner_of_the_site_drawn_over_its_neighbours_makes_the_overlaps_that_shapely_sees(moved):
    mesh = site_mesh(3)
    middle = int(np.hypot(mesh.x - mesh.x.mean(), mesh.y - mesh.y.mean()).argmin())
    x, y = mesh.x.copy(), mesh.y.copy()
    x[middle] += moved[0]
    y[middle] += moved[1]
    folded = Mesh("", x, y, mesh.z, mesh.corners)
    triangles = shapely.polygons(np.stack([x, y], axis=1)[mesh.corners])
    one, other = shapely.STRtree(triangles).query(triangles)
    shared = shapely.area(shapely.intersection(triangles[one], triangles[other]))
    judged = np.stack([one, other], axis=1)[(one < other) & (shared > 1e-3)]
    assert faults(folded).overlaps.tolist() == sorted(judged.tolist())
    assert len(judged) > 5
