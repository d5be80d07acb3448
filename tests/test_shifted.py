"""Ground whose heights are moved: only the heights move, and all that it is asked of beside them is as before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from gradecheck.surfaces import UNMOVED, Blocked, Grain, Heights, Layered, Surface, Telling, contested, preferring
from gradecheck.surfaces.shifted import Back, By, Shifted, shifted
from tests.cases import EVERYWHERE, Ground, flat
from tests.corridors import EAST, NORTH, ask, corridor, plane_road, road

UP = By(2.5)


def crossing() -> Surface:
    """Two roads that cross, level at 100 and at 101 m."""
    along = road([(0, 0), (100, 0)], [100, 100], plane_road(0.0, 12.0), "Sorrel St")
    across = road([(50, -50), (50, 50)], [101, 101], plane_road(0.0, 12.0), "Yarrow St")
    return corridor(along, across)


@dataclass(frozen=True)
class Kept(Ground):
    """Ground of one file, fetched in blocks of a size."""

    size: int = 1000
    file: str = "one.tif"

    @property
    def grain(self) -> Grain | None:
        return Grain(10.0, 10.0, self.size) if self.size else None

    def changed(self) -> list[str]:
        return [self.file]


def kept(size: int, file: str) -> Kept:
    return Kept(lambda x, y: np.full(len(x), 7.0), size=size, file=file)


def at(*places: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.array(places, dtype=float).T
    return EAST + x, NORTH + y


PLACES = at((50, 0), (20, 0), (50, 40), (20, 30))


def test_heights_move_and_nothing_else_does() -> None:
    still, moved = crossing(), shifted(crossing(), UP)
    one, other = still.heights(*PLACES), moved.heights(*PLACES)
    assert other.z == pytest.approx(one.z + 2.5, nan_ok=True)
    assert np.array_equal(other.sd, one.sd, equal_nan=True)
    assert other.source.tolist() == one.source.tolist()
    assert (other.names, moved.names) == (one.names, still.names)
    assert moved.extent.equals(still.extent)


def test_roads_that_are_moved_have_as_much_to_say() -> None:
    still, moved = crossing(), shifted(crossing(), UP)
    assert isinstance(still, Telling)
    assert isinstance(moved, Telling)
    assert moved.contested(*PLACES).tolist() == still.contested(*PLACES).tolist() == [True, False, False, False]
    near = (still.ground_within(*PLACES, 5.0).tolist(), moved.ground_within(*PLACES, 5.0).tolist())
    assert near[0] == near[1]
    assert moved.tell(*PLACES).text == still.tell(*PLACES).text
    for name, height in (("Sorrel St", 100.0), ("Yarrow St", 101.0)):
        assert ask(preferring(moved, name), (50, 0)).z.tolist() == [height + 2.5]
        assert ask(preferring(still, name), (50, 0)).z.tolist() == [height]


def test_layers_are_moved_and_asked_one_by_one() -> None:
    layered = Layered((crossing(), flat(90.0)))
    moved = shifted(layered, UP)
    assert isinstance(moved, Layered)
    assert moved.heights(*PLACES).z == pytest.approx(layered.heights(*PLACES).z + 2.5)
    assert contested(Layered((layered, flat(1.0))), *PLACES).tolist() == [True, False, False, False]
    assert contested(flat(1.0), *PLACES).tolist() == [False] * 4
    preferred = preferring(Layered((moved, flat(1.0))), "Yarrow St")
    assert ask(preferred, (50, 0)).z.tolist() == [103.5]
    assert preferring(layered, None) is layered


def test_files_and_blocks_are_those_of_the_ground_beneath() -> None:
    small, large = kept(10, "a.tif"), kept(1000, "b.tif")
    layered = Layered((shifted(small, UP), flat(1.0), shifted(large, UP)))
    assert isinstance(layered, Blocked)
    assert layered.grain == Grain(10.0, 10.0, 1000)
    assert layered.changed() == ["a.tif", "b.tif"]
    one = shifted(kept(0, "c.tif"), UP)
    assert isinstance(one, Shifted)
    assert (one.grain, one.changed()) == (None, ["c.tif"])
    assert shifted(small, None) is small


@dataclass(frozen=True)
class Known:
    """A move that is known west of a line only."""

    def heights(self, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
        return np.where(x < EAST + 30, z * 2, np.nan)

    def back(self, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
        return z / 2


def test_where_a_move_is_not_known_there_is_no_height_and_the_reason_is_given() -> None:
    found = shifted(crossing(), Known()).heights(*PLACES)
    assert found.z[1] == 200.0
    assert np.isnan(found.z[[0, 2]]).all()
    assert np.isnan(found.sd[[0, 2]]).all()
    assert found.source[[0, 2]].tolist() == [UNMOVED, UNMOVED]
    assert found.source[3] == crossing().heights(*PLACES).source[3]  # no ground there, which is its own reason


def test_the_way_back_undoes_a_move() -> None:
    z = np.array([1.0, 7.5])
    x, y = at((0, 0), (10, 0))
    assert Back(Known()).heights(x, y, Known().heights(x, y, z)).tolist() == z.tolist()


def test_two_moves_add_up() -> None:
    twice = shifted(shifted(flat(3.0), UP), By(-1.0))
    assert isinstance(twice.heights(*PLACES), Heights)
    assert twice.heights(*PLACES).z.tolist() == [4.5] * 4
    assert twice.extent.equals(EVERYWHERE)
