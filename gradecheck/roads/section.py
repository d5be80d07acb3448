"""A road's cross-section: strips outward from the centreline, left and right, that may change with the station.

A profile is a line along the road and says nothing of the ground beside it; the section carries its height
outward. Widths and rises are metres, slopes rise per run (positive up, outward), stations in the unit of the
road's line. Right is positive, looking up-station.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from gradecheck.errors import Finding
from gradecheck.probability import Bools, Floats

CENTRELINE, EDGE, FLOWLINE, TOP_OF_CURB = "centreline", "edge", "flowline", "top_of_curb"
_ON = 1e-9
"""Metres: a point this near an upright face is on its outer side."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip of one kind on one side.

    stations: (S,) rising, where the values below hold, (S,) each; linear between them, constant before and after.
    width: >= 0; slope: over the width; rise: in addition, a step where the width is 0 (a curb face).
    """

    kind: str
    stations: Floats
    width: Floats
    slope: Floats
    rise: Floats

    @classmethod
    def plain(cls, kind: str, width: float, slope: float = 0.0, rise: float = 0.0) -> Strip:
        """A strip that is the same everywhere."""
        return cls(kind, np.zeros(1), np.array([width]), np.array([slope]), np.array([rise]))

    def at(self, station: Floats) -> tuple[Floats, Floats]:
        """(n,) width and total rise at stations; a transition is linear in width, slope and rise each."""
        width, slope, rise = (np.interp(station, self.stations, v) for v in (self.width, self.slope, self.rise))
        return width, slope * width + rise


@dataclass(frozen=True, slots=True)
class Across:
    """Points (n,) on a section.

    rise: above the profile; past the outermost strip, that of its outer end; NaN on a side without strips.
    beyond: how far past the outermost strip, 0 on the section. beside: how far outside the edge of the pavement
    (negative inside it), by which the nearest of several roads is told.
    """

    rise: Floats
    beyond: Floats
    beside: Floats


@dataclass(frozen=True, slots=True)
class Section:
    """Strips from the centreline outward.

    profile_on, line_on: where on the section the profile's height and the road's line in plan are: `CENTRELINE`,
        `EDGE`, `FLOWLINE`, `TOP_OF_CURB`.
    profile_side, line_side: "left" or "right" where those are not the centreline; a profile may be on "both" sides
        alike. tie_slope: rise per run by which the ground beyond meets the existing, up or down; None where not stated.
    """

    left: tuple[Strip, ...]
    right: tuple[Strip, ...]
    profile_on: str = CENTRELINE
    profile_side: str = "both"
    line_on: str = CENTRELINE
    line_side: str = "both"
    tie_slope: float | None = None

    def across(self, station: Floats, offset: Floats) -> Across:
        """Where points (n,) at stations and offsets (metres from the road's line) stand on the section."""
        u = offset + self._line(station)
        right = u >= 0
        parts = [self._side(station, np.abs(u), side) for side in (self.left, self.right)]
        reference = [self._reference(station, name) for name in ("left", "right")]
        return Across(
            rise=np.where(right, parts[1].rise - reference[1], parts[0].rise - reference[0]),
            beyond=np.where(right, parts[1].beyond, parts[0].beyond),
            beside=np.where(right, parts[1].beside, parts[0].beside),
        )

    def outer(self, station: Floats, right: Bools) -> Floats:
        """(n,) offset from the road's line of the outermost strip's end on a side."""
        width = np.where(right, _extent(self.right, station)[0], -_extent(self.left, station)[0])
        return np.asarray(width - self._line(station))

    def at(self, places: Callable[[Floats], Floats]) -> Section:
        """The same with other stations: `places` takes those of a strip that changes."""

        def moved(strip: Strip) -> Strip:
            return strip if len(strip.stations) < 2 else replace(strip, stations=places(strip.stations))

        return replace(self, left=tuple(map(moved, self.left)), right=tuple(map(moved, self.right)))

    @property
    def stations(self) -> tuple[float, float] | None:
        """The first and the last station at which anything changes; None where nothing does."""
        every = [s.stations for side in (self.left, self.right) for s in side if len(s.stations) > 1]
        return (min(float(v[0]) for v in every), max(float(v[-1]) for v in every)) if every else None

    @property
    def most(self) -> float:
        """The greatest distance from the road's line that the section can reach, metres."""
        widths = [sum(float(s.width.max()) for s in side) for side in (self.left, self.right)]
        return max(widths) + (sum(widths) if self.line_on != CENTRELINE else 0.0)

    def _line(self, station: Floats) -> Floats:
        """(n,) metres from the centreline to the road's line, + right."""
        if self.line_on == CENTRELINE:
            return np.zeros(len(station))
        strips = self.right if self.line_side == "right" else self.left
        away = _extent(strips[: _count(strips, self.line_on)], station)[0]
        return away if self.line_side == "right" else -away

    def _reference(self, station: Floats, side: str) -> Floats:
        """(n,) rise from the centreline to where the profile runs, for points on a side."""
        if self.profile_on == CENTRELINE:
            return np.zeros(len(station))
        on = side if self.profile_side == "both" else self.profile_side
        strips = self.right if on == "right" else self.left
        return _extent(strips[: _count(strips, self.profile_on)], station)[1]

    @staticmethod
    def _side(station: Floats, away: Floats, strips: tuple[Strip, ...]) -> Across:
        if not strips:  # nothing is said of this side
            return Across(np.full(len(away), np.nan), np.zeros(len(away)), away)
        rise, inner, height = np.zeros(len(away)), np.zeros(len(away)), np.zeros(len(away))
        for strip in strips:
            width, up = strip.at(station)
            inside = away >= inner - _ON
            with np.errstate(invalid="ignore", divide="ignore"):
                share = np.where(width > 0, np.clip((away - inner) / width, 0.0, 1.0), 1.0)
            rise = np.where(inside, height + share * up, rise)
            inner, height = inner + width, height + up
        pavement = _extent(strips[: _count(strips, EDGE) or len(strips)], station)[0]
        return Across(rise, np.maximum(away - inner, 0.0), away - pavement)


def _extent(strips: tuple[Strip, ...], station: Floats) -> tuple[Floats, Floats]:
    """(n,) summed width and rise of strips."""
    width, rise = np.zeros(len(station)), np.zeros(len(station))
    for strip in strips:
        w, r = strip.at(station)
        width, rise = width + w, rise + r
    return width, rise


def _count(strips: tuple[Strip, ...], place: str) -> int:
    """How many strips lie inside a place, 0 where the section has none such."""
    kinds = [s.kind for s in strips]
    if place == EDGE:
        paved = [i for i, k in enumerate(kinds) if k in ("lane", "shoulder")]
        return paved[-1] + 1 if paved else 0
    if place in (FLOWLINE, TOP_OF_CURB) and "curb" in kinds:
        return kinds.index("curb") + (place == TOP_OF_CURB)
    return 0


def faults(section: Section, where: str) -> list[Finding]:
    """What is wrong with a section: places it does not have, sides not said, widths below 0, stations out of order."""
    found = []
    for key, place, side in (
        ("profile", section.profile_on, section.profile_side),
        ("line", section.line_on, section.line_side),
    ):
        if place == CENTRELINE:
            continue
        if key == "line" and side == "both":
            found.append(
                Finding(f"{where}.line_side", f"the line runs on the {place}: of which side?", "left or right")
            )
            continue
        for name in ("left", "right") if side == "both" else (side,):
            if not _count(getattr(section, name), place):
                what = f"{key}_on is {place}, and the {name} side has no strip that ends there"
                found.append(Finding(where, what, "give it its lane, gutter and curb, or name another place"))
    for name in ("left", "right"):
        for i, strip in enumerate(getattr(section, name), start=1):
            if any(b <= a for a, b in pairwise(strip.stations.tolist())):
                found.append(Finding(f"{where}: {name} strip {i} ({strip.kind})", "stations do not rise", "sort them"))
            if (strip.width < 0).any():
                found.append(Finding(f"{where}: {name} strip {i} ({strip.kind})", "a width is below 0"))
    if not section.left and not section.right:
        found.append(Finding(where, "has no strips", "give lanes, gutter, curb, verge"))
    return found


def street() -> Section:
    """The named default "street": crowned, with gutter, a 6 in curb and a verge; common practice, no source."""
    foot = 0.3048
    side = (
        Strip.plain("lane", 12 * foot, slope=-0.02),
        Strip.plain("gutter", 1.5 * foot, slope=-0.06),
        Strip.plain("curb", 0.0, rise=0.5 * foot),
        Strip.plain("verge", 10 * foot, slope=0.02),
    )
    return Section(left=side, right=side)


BUILT_IN = {"street": street}
