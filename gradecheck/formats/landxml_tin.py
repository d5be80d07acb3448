"""Triangulated surfaces of LandXML: points with ids, faces that name them, taken in blocks as they stream by.

A point is "northing easting elevation"; a face names three points, or four. Ids are whole numbers in any order,
rarely text. Numbers are read by the block, and word by word only where a block holds anything else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from gradecheck.formats.landxml_bulk import ENDED, MARKED, Gather
from gradecheck.formats.landxml_numbers import T, brief, number, read_numbers
from gradecheck.formats.landxml_stream import Said
from gradecheck.probability import Floats, Ints
from gradecheck.roads.mesh import Mesh

_MARKED, _ENDED = np.iinfo(np.int64).min, np.iinfo(np.int64).min + 1
"""What stand for the signs of a block among the whole numbers of faces."""
_LONGEST = 18
"""Digits of an id that is taken as a number; a longer one is a name like any other."""
_EXACT = 2.0**53
"""Whole numbers below it are exact as floats."""
_NAMED = 5
"""How many of a kind are named before the rest is counted."""
_SPARSE = 4
"""Ids up to so many times the points are looked up in a table."""


@dataclass(slots=True)
class Listing:
    """Things that are wrong in the same way: the first few in words, and how many there are."""

    words: list[str] = field(default_factory=list)
    count: int = 0

    def add(self, text: str) -> None:
        """One more."""
        self.count += 1
        if self.count <= _NAMED:
            self.words.append(text)

    def __str__(self) -> str:
        more = self.count - len(self.words)
        return "; ".join(self.words) + (f"; and {more} more" if more else "")


@dataclass(slots=True)
class RawSurface:
    """A surface as it streams by.

    line: where it begins. kind: its `surfType`, "" where not stated.
    ids, rows: blocks (n,), (n, 3) of points: northing, easting, elevation. corners: blocks (n, 3) of ids.
    names: a number below 0 for each id that is no number. hidden, quads: faces marked invisible, faces of four.
    """

    name: str
    line: int
    kind: str = ""
    ids: list[Ints] = field(default_factory=list)
    rows: list[Floats] = field(default_factory=list)
    corners: list[Ints] = field(default_factory=list)
    names: dict[str, int] = field(default_factory=dict)
    hidden: int = 0
    quads: int = 0
    faces: int = 0
    wrong_points: Listing = field(default_factory=Listing)
    wrong_faces: Listing = field(default_factory=Listing)

    @property
    def triangulated(self) -> bool:
        """Whether it is made of triangles, as far as is known."""
        return self.kind.lower() in ("", "tin")

    def points(self) -> Gather:
        """How its points are gathered."""
        return Gather("P", "id", "", self._take_points)

    def triangles(self) -> Gather:
        """How its faces are gathered."""
        return Gather("F", "i", "0", self._take_faces)

    def _take_points(self, block: str) -> None:
        taken = _points(block)
        if taken is None:
            pairs = _elements(block, self.wrong_points, "points")
            ids = np.array([self._id(mark) for mark, _ in pairs], dtype=np.int64)
            taken = ids, np.array([self._point(*pair) for pair in pairs]).reshape(-1, 3)
        self.ids.append(taken[0])
        self.rows.append(taken[1])

    def _point(self, mark: str, text: str) -> tuple[float, float, float]:
        """Northing, easting and elevation; NaN where something is wrong, which is listed."""
        words = text.replace(",", " ").split()
        try:
            if not mark:
                raise ValueError("has no id")
            if len(words) != 3:
                raise ValueError(f"has {len(words)} numbers, not 3")
            northing, easting, elevation = (number(word) for word in words)
        except ValueError as error:
            self.wrong_points.add(f"point {brief(mark)!r}: {error}")
            return np.nan, np.nan, np.nan
        return northing, easting, elevation

    def _take_faces(self, block: str) -> None:
        values = _faces(block)
        if values is None:
            pairs = _elements(block, self.wrong_faces, "faces")
            values = np.array([value for pair in pairs for value in self._face(*pair)], dtype=np.int64)
        self._cut(values)

    def _face(self, mark: str, text: str) -> list[int]:
        """One face as in `_faces`."""
        return [int(mark == "1"), _MARKED, *map(self._id, text.replace(",", " ").split()), _ENDED]

    def _cut(self, values: Ints) -> None:
        """Faces as `_faces` gives them, as corners of triangles."""
        begun, ends = np.flatnonzero(values == _MARKED) + 1, np.flatnonzero(values == _ENDED)
        size, seen = ends - begun, values[begun - 2] != 1
        for i in np.flatnonzero((size != 3) & (size != 4)).tolist():
            self.wrong_faces.add(f"face {self.faces + i + 1} has {size[i]} points")
        three, four = begun[seen & (size == 3)], begun[seen & (size == 4)]
        corners = np.concatenate(
            [_corner_rows(three, 0, 1, 2), _corner_rows(four, 0, 1, 2), _corner_rows(four, 0, 2, 3)]
        )
        self.corners.append(values[corners[np.argsort(corners[:, 0], kind="stable")] if len(four) else corners])
        self.faces += len(ends)
        self.hidden += int(np.sum(~seen))
        self.quads += len(four)

    def _id(self, word: str) -> int:
        """The number of an id: its own without its sign, or one below 0 that stands for a text."""
        word = word.strip()
        digits = word.removeprefix("-")
        if digits.isascii() and digits.isdigit() and len(digits) <= _LONGEST:
            return int(digits)
        return self.names.setdefault(word, -1 - len(self.names))

    def mesh(self, said: Said) -> Mesh:
        """The surface, its corners as vertex numbers. What was gathered is given up on the way."""
        ids = np.concatenate([np.zeros(0, dtype=np.int64), *self.ids])
        y, x, z = (np.concatenate([np.zeros(0), *(block[:, k] for block in self.rows)]) for k in range(3))
        self.ids.clear()
        self.rows.clear()
        find = _finder(ids)
        missing = [ids[:0]]
        for i, block in enumerate(self.corners):
            found = find(block)
            missing.append(block[found < 0])
            self.corners[i] = found[(found >= 0).all(axis=1)]
        corners = np.concatenate([np.zeros((0, 3), dtype=np.int64), *self.corners])
        self.corners.clear()
        first = find(ids)
        torn = ((x != x[first]) | (y != y[first]) | (z != z[first])) & ~np.isnan(x) & ~np.isnan(x[first])
        self._complain(said, np.concatenate(missing), ids[torn])
        self._note(said, len(corners))
        return Mesh(self.name, x, y, z, corners)

    def _complain(self, said: Said, missing: Ints, torn: Ints) -> None:
        whole = "export the surface again, whole"
        absent = f"faces name points that are not there, {len(missing)} times: {self._listed(missing)}"
        twice = f"points of one id lie at different places: {self._listed(torn)}"
        for count, what, mend in (
            (self.wrong_points.count, self.wrong_points, "correct the points, or export the surface again"),
            (self.wrong_faces.count, self.wrong_faces, "correct the faces, or export the surface again as a TIN"),
            (len(missing), absent, whole),
            (len(torn), twice, "give each point its own id"),
        ):
            if count:
                said.wrong(self.line, f"surface '{self.name}': {what}", mend)

    def _listed(self, ids: Ints) -> str:
        words = {code: word for word, code in self.names.items()}
        listing = Listing()
        for i in np.unique(ids).tolist():
            listing.add(brief(words.get(i, str(i))))
        return str(listing)

    def _note(self, said: Said, triangles: int) -> None:
        if not self.triangulated:
            said.notes.append(f"surface '{self.name}' is a {brief(self.kind)}, not triangles: not read")
        elif not triangles:
            said.notes.append(f"surface '{self.name}' has no triangles to be seen")
        if self.hidden:
            said.notes.append(f"surface '{self.name}': {self.hidden} faces are marked invisible and left out")
        if self.quads:
            what = f"{self.quads} faces of four points are cut in two from their first to their third point"
            said.notes.append(f"surface '{self.name}': {what}")


def _figures(block: str, marked: str, ended: str, kind: type[T]) -> NDArray[T] | None:
    """The numbers of a block, its signs among them as numbers; None where anything else is in it."""
    return read_numbers(block.replace(MARKED, marked).replace(ENDED, ended).replace(",", " "), kind)


def _points(block: str) -> tuple[Ints, Floats] | None:
    """Ids (n,) and points (n, 3) of a block, or None where it holds anything but those."""
    values = _figures(block, " nan ", " nan ", np.float64)
    if values is None or len(values) != 6 * block.count(ENDED):
        return None
    # The signs are nan: all stand in their columns only where each point has one number and three.
    rows = values.reshape(-1, 6)
    ids, figures = rows[:, 0], rows[:, [0, 2, 3, 4]]
    if not (np.isnan(rows[:, [1, 5]]).all() and np.isfinite(figures).all()):
        return None
    if not ((ids >= 0) & (ids < _EXACT) & (ids == np.floor(ids))).all():
        return None
    return ids.astype(np.int64), figures[:, 1:]


def _faces(block: str) -> Ints | None:
    """Faces of a block end to end: 1 if hidden, `_MARKED`, ids without their signs, `_ENDED`.

    None where it holds anything but whole numbers, one of them before each face.
    """
    values = _figures(block, f" {_MARKED} ", f" {_ENDED} ", np.int64)
    if values is None or values.max(initial=0) >= 10**_LONGEST:
        return None
    begun, ends = np.flatnonzero(values == _MARKED), np.flatnonzero(values == _ENDED)
    if len(begun) != block.count(MARKED) or len(ends) != block.count(ENDED):
        return None
    starts = np.concatenate(([-1], ends[:-1])) + 1
    if len(begun) != len(ends) or (begun != starts + 1).any():
        return None
    return np.where(values > _ENDED, np.abs(values), values)


def _elements(block: str, wrong: Listing, what: str) -> list[tuple[str, str]]:
    """Mark and text of each element of a block, word by word."""
    pairs = []
    for element in block.split(ENDED)[:-1]:
        mark, _, text = element.partition(MARKED)
        if element.count(MARKED) == 1:
            pairs.append((mark.strip(), text))
        else:
            wrong.add(f"{what} lie within one another")
    return pairs


def _corner_rows(starts: Ints, *steps: int) -> Ints:
    rows: Ints = starts[:, None] + np.array(steps)
    return rows


def _finder(ids: Ints) -> Callable[[Ints], Ints]:
    """What finds where each wanted id first stands among `ids`; -1 where it does not.

    >>> _finder(np.array([7, 5, 7]))(np.array([[5, 7], [8, 5]])).tolist()
    [[1, 0], [-1, 1]]
    """
    lowest, highest = (int(ids.min()), int(ids.max())) if len(ids) else (0, -1)
    if lowest >= 0 and highest <= _SPARSE * len(ids) + 1000:
        table = np.full(highest + 2, -1, dtype=np.int64)
        table[ids[::-1]] = np.arange(len(ids))[::-1]

        def look_up(wanted: Ints) -> Ints:
            places: Ints = table[np.where((wanted >= 0) & (wanted <= highest), wanted, -1)]
            return places

        return look_up
    order = np.argsort(ids, kind="stable")
    rising = ids[order]

    def find(wanted: Ints) -> Ints:
        spot = np.minimum(np.searchsorted(rising, wanted), len(rising) - 1)
        places: Ints = np.where(rising[spot] == wanted, order[spot], -1)
        return places

    return find
