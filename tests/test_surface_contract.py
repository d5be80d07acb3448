"""One contract for every kind of ground, against a plane whose heights are known.

A new kind of surface joins by one line in `SURFACES`: a function that builds it, in a folder, over the plane
`z = 300 + 0.013 (x - EAST) - 0.0072 (y - NORTH)` so that it has ground on the square of 40 m south-east of
(EAST, NORTH), and none 100 m and more from it.
"""

import numpy as np
import pytest
import shapely
from affine import Affine

from gradecheck import surfaces
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.profile import Profile
from gradecheck.surfaces import Layered
from gradecheck.surfaces.corridor import Road
from tests.corridors import corridor, plane_road
from tests.rasters import EAST, NORTH, grid, ground, on_grid, turned, write
from tests.test_tin import planar_tin

SD = 0.07


def plane(x, y):
    """Rises to the east by 13 mm a metre and falls to the north by 7.2: no flipped axis can pass."""
    return 300.0 + 0.013 * (np.asarray(x) - EAST) - 0.0072 * (np.asarray(y) - NORTH)


def planar(folder, name, transform, rows, columns, **options):
    """A raster of the plane."""
    c, r = np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5)
    return write(folder / f"{name}.tif", plane(*on_grid(transform, c, r)), transform, **options)


def lattice(folder):
    return ground(planar(folder, "one", grid(2, -3, EAST - 3, NORTH + 4), 20, 25), sd=SD)


def south_up(folder):
    return ground(planar(folder, "one", grid(2, 3, EAST - 3, NORTH - 50), 19, 25), sd=SD)


def east_to_west(folder):
    return ground(planar(folder, "one", grid(-2, -3, EAST + 50, NORTH + 4), 20, 27), sd=SD)


def rotated(folder):
    return ground(planar(folder, "one", turned(30, 2, -3) @ Affine.translation(-12, -10), 40, 50), sd=SD)


def tiles_of_one_lattice(folder):
    west, east = grid(2, -3, EAST - 4, NORTH + 4), grid(2, 3, EAST + 16, NORTH + 4 - 60)
    return ground(planar(folder, "west", west, 20, 10), planar(folder, "east", east, 20, 20), sd=SD)


def layered_rasters(folder):
    fine = planar(folder, "fine", grid(0.5, -0.7, EAST + 10, NORTH - 11), 20, 30)
    return ground(fine, planar(folder, "coarse", grid(5, -5, EAST - 10, NORTH + 10), 12, 13), sd=SD)


def layered_by_hand(folder):
    first = ground(planar(folder, "first", turned(17, 1.5, -1), 20, 20), sd=SD)
    return Layered((Layered((first,)), lattice(folder), Layered(())))


def feet(folder):
    transform = grid(2, -3, EAST - 3, NORTH + 4)
    c, r = np.meshgrid(np.arange(25) + 0.5, np.arange(20) + 0.5)
    path = write(folder / "feet.tif", plane(*on_grid(transform, c, r)) / 0.3048, transform, unit="ft")
    return ground(path, unit=None, sd=SD)


def planar_corridor(folder):
    """A road over the plane, 70 m long and turned by 33 degrees, whose section falls as the plane does."""
    angle = np.radians(33)
    along, right = np.array([np.cos(angle), np.sin(angle)]), np.array([np.sin(angle), -np.cos(angle)])
    ends = np.array([EAST + 20, NORTH - 20]) + np.outer([-35, 35], along)
    profile = Profile.table("planar", np.array([0.0, 70.0]), plane(*ends.T))
    falls = plane_road(-float((0.013, -0.0072) @ right), 45)
    return corridor(Road(Alignment.polyline("planar", ends), profile, falls), sd=SD, reach=60)


SURFACES = {
    f.__name__: f
    for f in [
        lattice, south_up, east_to_west, rotated, tiles_of_one_lattice, layered_rasters, layered_by_hand, feet,
        planar_tin, planar_corridor,
    ]
}  # fmt: skip


@pytest.fixture(params=SURFACES)
def surface(request, tmp_path):
    return SURFACES[request.param](tmp_path)


def points(count=2000, seed=1):
    """On the square of 40 m that every surface covers."""
    random = np.random.default_rng(seed)
    return EAST + random.uniform(0, 40, count), NORTH - random.uniform(0, 40, count)


def around(count=500):
    """100 to 5000 m away, to every side."""
    random = np.random.default_rng(2)
    angle, radius = random.uniform(0, 2 * np.pi, count), random.uniform(150, 5000, count)
    return EAST + 20 + radius * np.cos(angle), NORTH - 20 + radius * np.sin(angle)


def mixed():
    """Points on the ground, at its edges and beyond it."""
    random = np.random.default_rng(3)
    return EAST + random.uniform(-60, 100, 3000), NORTH - random.uniform(-60, 100, 3000)


def test_a_plane_is_recovered(surface):
    x, y = points()
    heights = surface.heights(x, y)
    assert np.abs(heights.z - plane(x, y)).max() < 1e-9


def test_nothing_but_the_plane_or_nothing_is_ever_said(surface):
    x, y = mixed()
    z = surface.heights(x, y).z
    there = np.isfinite(z)
    assert 200 < there.sum() < 3000
    assert np.abs(z[there] - plane(x, y)[there]).max() < 1e-9


def test_outside_its_data_a_surface_says_nothing(surface):
    heights = surface.heights(*around())
    assert np.isnan(heights.z).all()
    assert np.isnan(heights.sd).all()
    assert set(heights.source) == {surfaces.OUTSIDE}


def test_no_points_give_no_heights(surface):
    heights = surface.heights(np.zeros(0), np.zeros(0))
    assert len(heights) == len(heights.sd) == len(heights.source) == 0


def test_the_order_of_the_points_is_kept_and_does_not_matter(surface):
    x, y = mixed()
    order = np.random.default_rng(4).permutation(len(x))
    straight, shuffled = surface.heights(x, y), surface.heights(x[order], y[order])
    assert shuffled.z.tobytes() == straight.z[order].tobytes()
    assert shuffled.sd.tobytes() == straight.sd[order].tobytes()
    said = surfaces.words(straight.source, straight.names)
    assert surfaces.words(shuffled.source, shuffled.names) == [said[i] for i in order]


def test_a_point_asked_twice_gets_the_same_answer_twice(surface):
    x, y = points(5)
    z = surface.heights(np.repeat(x, 3), np.repeat(y, 3)).z.reshape(5, 3)
    assert (z == z[:, :1]).all()
    assert np.abs(z[:, 0] - plane(x, y)).max() < 1e-9


def test_the_points_are_not_changed(surface):
    x, y = mixed()
    kept = x.copy(), y.copy()
    surface.heights(x, y)
    assert x.tolist() == kept[0].tolist()
    assert y.tolist() == kept[1].tolist()


def test_every_height_has_its_sd_and_its_source_and_nothing_else_has(surface):
    heights = surface.heights(*mixed())
    there = np.isfinite(heights.z)
    assert (heights.sd[there] == SD).all()
    assert np.isnan(heights.sd[~there]).all()
    assert ((heights.source >= 0) == there).all()
    assert heights.source.max() < len(heights.names)
    assert set(heights.source[~there]) <= set(surfaces.WHY)
    assert all(isinstance(word, str) and word for word in surfaces.words(heights.source, heights.names))


def test_points_that_are_no_numbers_have_no_ground(surface):
    x, y = points(3)
    x[0], y[1] = np.nan, np.inf
    assert np.isfinite(surface.heights(x, y).z).tolist() == [False, False, True]


def test_no_ground_lies_outside_the_extent(surface):
    x, y = mixed()
    there = np.isfinite(surface.heights(x, y).z)
    assert shapely.intersects(surface.extent, shapely.points(x, y))[there].all()
    assert not shapely.intersects(surface.extent, shapely.points(*around())).any()


def test_a_hundred_thousand_heights_are_no_other_than_one_at_a_time(surface):
    x, y = points(100_000)
    z = surface.heights(x, y).z
    assert z[:20].tolist() == [surface.heights(x[i : i + 1], y[i : i + 1]).z[0] for i in range(20)]


def test_nothing_over_nothing_is_nothing():
    heights = Layered(()).heights(np.zeros(2), np.zeros(2))
    assert np.isnan(heights.z).all()
    assert heights.source.tolist() == [surfaces.OUTSIDE] * 2
    assert Layered(()).extent.is_empty


def test_the_first_layer_that_has_ground_answers_under_its_own_name(tmp_path):
    # 10 m over 20 m over 30 m, each a metre longer to the east than the one above it.
    layers = [
        ground(write(tmp_path / f"{z}.tif", np.full((3, 3 + i), float(z)), grid(1, -1)), sd=sd)
        for i, (z, sd) in enumerate([(10, 0.1), (20, 0.2), (30, 0.3)])
    ]
    heights = Layered(tuple(layers)).heights(EAST + np.array([4.4, 1.0, 3.0, 8.0]), np.full(4, NORTH - 1.5))
    assert heights.z == pytest.approx([30, 10, 20, np.nan], nan_ok=True)
    assert heights.sd == pytest.approx([0.3, 0.1, 0.2, np.nan], nan_ok=True)
    assert surfaces.words(heights.source, heights.names)[:3] == ["30.tif", "10.tif", "20.tif"]
    assert heights.source[3] == surfaces.OUTSIDE
