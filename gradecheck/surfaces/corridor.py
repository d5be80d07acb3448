"""Roads as ground: line, profile and section of each carried out to points beside it.

A profile's height is not the ground at a hydrant behind the curb. Where a section says how the road is built,
the height is carried outward on it and tied into the existing ground; where none does, it is carried level, or
the profile's change is carried, with an error that grows with the distance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from scipy import ndimage

from gradecheck.probability import Bools, Floats, Ints
from gradecheck.reference import Path
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.crosssections import CrossSections
from gradecheck.roads.locate import ALONGSIDE, Feet, Locator
from gradecheck.roads.profile import Broken, Profile
from gradecheck.roads.section import Section
from gradecheck.roads.stations import show_offset, show_station
from gradecheck.surfaces import OFF_SECTION, OUTSIDE, PAST_END, TIED_IN, UNMET, Heights, Surface, Told, preferring
from gradecheck.surfaces.answers import (
    CARRIED_LEVEL,
    CHANGE_CARRIED,
    FADING,
    HOW,
    ON_SECTION,
    ON_TIE,
    PASSING,
    Answers,
    base_name,
    by_road,
    only_preferred,
)
from gradecheck.surfaces.outward import Outward
from gradecheck.units import METRES, show

LEVEL, CHANGE = "level", "change"
_LOOK = 0.35
"""Working units between looks for ground on the way to a road."""
_CELLS = 2048
"""Most cells along a side of the grid that tells what is far from all roads."""
_FOLLOWED = 50.0
"""Metres past the reach to which a slope that has not met the existing ground is followed."""
_ON = 1e-6


@dataclass(frozen=True, eq=False)
class Road:
    """One road: its line in plan, its ground along it, and how that is carried outward (None: not said)."""

    alignment: Alignment
    ground: Profile | Broken | CrossSections
    section: Section | None = None

    def most(self, unit: float) -> float:
        """Metres from the line to which the section or the cross-sections go; `unit` is that of the line in metres."""
        if isinstance(self.ground, CrossSections):
            return self.ground.most * unit
        return 0.0 if self.section is None else self.section.most


@dataclass(frozen=True, slots=True)
class Carrying:
    """How heights are carried outward; metres.

    reach: how far from the road a point is spoken for. tie_in: width over which the change fades to nothing past
    the section (or past the line, where there is none); None where not stated.
    carry: without a section, `LEVEL` (the profile's height) or `CHANGE` (the profile's change, on the existing ground).
    sd: of the profile and section; slope_sd: growth of sd per metre from what they say.
    window: roads that differ by more than this at a point are told.
    """

    reach: float
    tie_in: float | None
    carry: str
    sd: float
    slope_sd: float
    window: float


@dataclass(frozen=True, eq=False)
class Corridor:
    """Roads of one reference system as a surface.

    path: from the working system to the roads'. unit: of plan coordinates and stations; to_metres: of heights.
    old: the existing ground that designs tie into; None for existing ground itself.
    prefer: the road that answers where several reach a point; None for the one whose edge is nearest.
    """

    roads: tuple[Road, ...]
    locator: Locator
    path: Path
    unit: str
    to_metres: float
    carrying: Carrying
    old: Surface | None = None
    prefer: str | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """The roads' names."""
        return tuple(road.alignment.name for road in self.roads)

    def preferring(self, road: str | None, existing: str | None = None) -> Corridor:
        """The same roads, with another one that answers where several could; likewise in the existing ground."""
        old = None if self.old is None else preferring(self.old, existing)
        return replace(self, prefer=road, old=old)

    @cached_property
    def extent(self) -> shapely.Geometry:
        """All points within reach of a road."""
        reach = self.reach / METRES[self.unit]
        lines = [shapely.LineString(road.alignment.densified(reach / 50)[0]) for road in self.roads]
        area = shapely.union_all(shapely.buffer(np.array(lines, dtype=object), reach * 1.02, quad_segs=16))
        return shapely.transform(area, lambda c: np.stack(self.path.back(c[:, 0], c[:, 1]), axis=1))

    @cached_property
    def reach(self) -> float:
        """Metres from a road's line to which points are spoken for: no less than its section and its tie-in go."""
        widths = [road.most(METRES[self.unit]) for road in self.roads]
        return max(self.carrying.reach, max(widths) + (self.carrying.tie_in or 0.0))

    @cached_property
    def _search(self) -> float:
        """Metres to which roads are looked for: slopes are followed past the reach, for they may not have ended."""
        slopes = any(road.section is not None and road.section.tie_slope is not None for road in self.roads)
        return self.reach + (_FOLLOWED if slopes and self.old is not None else 0.0)

    def contested(self, x: Floats, y: Floats) -> Bools:
        """Points (n,) within reach of more than one road."""
        feet = self._feet(x, y)
        within = np.abs(feet.offset) * METRES[self.unit] <= self.reach
        return np.bincount(feet.point[within], minlength=len(x)) > 1

    def ground_within(self, x: Floats, y: Floats, distance: float) -> Bools:
        """Whether there is ground within a distance of points (n,), looked for straight towards each road near."""
        found = np.zeros(len(x), dtype=bool)
        px, py = self.path.there(x, y)
        feet = self.locator.feet(px, py, (self.reach + distance) / METRES[self.unit])
        fx, fy = self._places(feet.road, feet.station, np.zeros(len(feet.road)))
        point, away = feet.point, np.hypot(fx - x[feet.point], fy - y[feet.point])
        for k in range(1, int(np.ceil(distance / _LOOK)) + 1):
            rows = np.flatnonzero(~found[point] & (away > 0))
            if not len(rows):
                break
            share = np.minimum(min(k * _LOOK, distance) / away[rows], 1.0)
            x0, y0 = x[point[rows]], y[point[rows]]
            z = self.heights(x0 + share * (fx[rows] - x0), y0 + share * (fy[rows] - y0)).z
            found[point[rows[np.isfinite(z)]]] = True
        return found

    def heights(self, x: Floats, y: Floats) -> Heights:
        """See `Surface.heights`."""
        return self._chosen(len(x), self._answers(x, y))

    def tell(self, x: Floats, y: Floats) -> Told:
        """Road, station, offset and how the height came there; the other road where two disagree."""
        answers = self._answers(x, y, toes=True)
        order = answers.ranked()
        first = np.unique(answers.point[order], return_index=True)[1]
        texts = [""] * len(x)
        disagree = np.zeros(len(x), dtype=bool)
        for rows in np.split(order, first)[1:]:
            best = int(rows[0])
            texts[int(answers.point[best])] = self._text(answers, best)
            # A fade or a slope past another road's section is not held against it.
            alike = np.isin(answers.how[rows], PASSING) == np.isin(answers.how[best], PASSING)
            gaps = np.where(alike, answers.z[rows] - answers.z[best], np.nan)
            if np.isfinite(answers.z[best]) and np.nanmax(np.abs(gaps), initial=0.0) > self.carrying.window:
                other = int(rows[np.nanargmax(np.abs(gaps))])
                disagree[answers.point[best]] = True
                more = f"{self._text(answers, other)} says {self._apart(answers, best, other)}"
                texts[int(answers.point[best])] += f"; {more}"
        return Told(texts, disagree)

    def _apart(self, answers: Answers, best: int, other: int) -> str:
        """How far one answer stands above or below another, in words."""
        gap = float(answers.z[other] - answers.z[best])
        return f"{show(abs(gap), self._shown_in, 2)} {'higher' if gap > 0 else 'lower'}"

    def _text(self, answers: Answers, row: int) -> str:
        road = self.roads[int(answers.road[row])]
        station = show_station(road.alignment.label(float(answers.station[row])), self.unit)
        text = f"{road.alignment.name} {station}, {show_offset(float(answers.offset[row]), self.unit)}"
        how = HOW[int(answers.how[row])]
        if answers.how[row] == ON_TIE and answers.toe is not None and np.isfinite(answers.toe[row]):
            how += f", met {show(float(answers.toe[row]), self._shown_in, 1)} farther out"
        return f"{text} ({how})" if how else text

    @property
    def _shown_in(self) -> str:
        """The unit of heights and distances for people."""
        return "m" if self.unit == "m" else "ft"

    def _answers(self, x: Floats, y: Floats, toes: bool = False) -> Answers:
        """What every road within reach says of every point; with `toes` where slopes end, too."""
        feet = self._feet(x, y)
        preferred = [n for n, name in enumerate(self.names) if self.prefer in (name, base_name(name))]
        if self.prefer is not None and preferred:
            feet = only_preferred(feet, preferred)
        answers = Answers.blank(feet, toes)
        alongside = np.flatnonzero(feet.place == ALONGSIDE)
        line = np.full(len(feet.point), np.nan)
        for road, rows in by_road(feet.road, alongside):
            ground = self.roads[road].ground
            if isinstance(ground, CrossSections):
                self._across(ground, answers, rows)
            else:
                line[rows] = ground.heights(feet.station[rows]) * self.to_metres
        for section, mine in self._sections:
            rows = alongside[mine[feet.road[alongside]]]
            if len(rows):
                self._carry(section, answers, rows, line[rows], x, y)
        # Past the reach a road has no say, but that a slope of its goes on.
        far = np.abs(answers.offset) * METRES[self.unit] > self.reach + _ON
        return answers.take(np.flatnonzero(~far | (answers.why == UNMET))) if far.any() else answers

    @cached_property
    def _sections(self) -> list[tuple[Section | None, Bools]]:
        """The sections in use, None for profiles without one, and (R,) which roads have each."""
        profiles = [not isinstance(road.ground, CrossSections) for road in self.roads]
        sections = {id(road.section): road.section for road in self.roads}
        has = [[id(road.section) == key for road in self.roads] for key in sections]
        return [(s, np.array(h) & np.array(profiles)) for s, h in zip(sections.values(), has, strict=True)]

    def _feet(self, x: Floats, y: Floats) -> Feet:
        """Where points stand beside the roads within reach; those far from all are told by a coarse grid first."""
        px, py = self.path.there(x, y)
        near, left, bottom, cell = self._near
        with np.errstate(invalid="ignore"):
            column, row = np.floor((px - left) / cell), np.floor((py - bottom) / cell)
            inside = (column >= 0) & (row >= 0) & (column < near.shape[1]) & (row < near.shape[0])
        rows = np.flatnonzero(inside)
        rows = rows[near[row[rows].astype(np.int64), column[rows].astype(np.int64)]]
        feet = self.locator.feet(px[rows], py[rows], self._search / METRES[self.unit])
        return replace(feet, point=rows[feet.point])

    @cached_property
    def _near(self) -> tuple[Bools, float, float, float]:
        """Cells that may hold points that a road is looked for: (R, C), their west and south, and their side."""
        reach = self._search / METRES[self.unit]
        xy = np.concatenate([_every(road.alignment, reach) for road in self.roads])
        low, span = xy.min(axis=0), np.ptp(xy, axis=0)
        cell = max(1.6 * reach, float(span.max()) / _CELLS)
        left, bottom = low - 1.5 * cell
        columns, rows = np.floor((xy - (left, bottom)) / cell).astype(np.int64).T
        near = np.zeros((rows.max() + 3, columns.max() + 3), dtype=bool)
        near[rows, columns] = True
        return ndimage.binary_dilation(near, np.ones((3, 3), dtype=bool)), float(left), float(bottom), cell

    def _across(self, ground: CrossSections, answers: Answers, rows: Ints) -> None:
        """Fill in a road's answers from its cross-sections."""
        station, offset = answers.station[rows], answers.offset[rows]
        z = ground.heights_at(station, offset) * self.to_metres
        inside = (station >= ground.first) & (station <= ground.last)
        why = np.where(inside, OFF_SECTION, PAST_END)
        answers.fill(rows, z, self.carrying.sd, np.abs(offset) * METRES[self.unit], ON_SECTION, why)

    def _carry(self, section: Section | None, answers: Answers, rows: Ints, line: Floats, x: Floats, y: Floats) -> None:
        """Fill in answers at rows whose roads have this section, from the profile's height (k,) there."""
        offset, sd = answers.offset[rows] * METRES[self.unit], self.carrying.sd
        if section is None:
            away = np.abs(offset)
            answers.fill(rows, line, np.hypot(sd, self.carrying.slope_sd * away), away, CARRIED_LEVEL, PAST_END)
            carried = self.carrying.carry == CHANGE and self.old is not None
            edge, beyond, off = line, away, np.isfinite(line) & carried
        else:
            across = section.across(answers.station[rows], offset)
            edge, beyond = line + across.rise, across.beyond
            bare = np.isnan(across.rise) & np.isfinite(line)  # a side of which the section says nothing
            answers.fill(rows, edge, sd, across.beside, ON_SECTION, np.where(bare, OFF_SECTION, PAST_END))
            off = np.isfinite(edge) & (beyond > 0)
        if off.any():
            self._tie(section, answers, rows[off], edge[off], beyond[off], x, y)

    def _tie(
        self, section: Section | None, answers: Answers, rows: Ints, edge: Floats, beyond: Floats, x: Floats, y: Floats
    ) -> None:
        """Past the outer end of what roads say: slope or fade into the existing ground, or nobody knows."""
        slope, width = section.tie_slope if section is not None else None, self.carrying.tie_in
        if self.old is None or (slope is None and width is None and section is not None):
            answers.fill(rows, np.full(len(rows), np.nan), np.nan, None, 0, OFF_SECTION)
            return
        station, outer = answers.station[rows], np.zeros(len(rows))
        if section is not None:
            outer = section.outer(station, answers.offset[rows] >= 0) / METRES[self.unit]
        foot = self._places(answers.road[rows], station, outer)
        outward = Outward(self.old, *foot, x[answers.point[rows]], y[answers.point[rows]], edge, beyond)
        sd = np.hypot(self.carrying.sd, self.carrying.slope_sd * beyond)
        if slope is None:
            z, answers.borrowed[rows] = outward.fade(width)
            within = beyond < (np.inf if width is None else width)
            how = CHANGE_CARRIED if section is None else FADING
            answers.fill(rows, z, sd, None, how, np.where(within, UNMET, TIED_IN))
            return
        away = np.abs(answers.offset[rows]) * METRES[self.unit]
        z, met = outward.slope(slope)
        z = np.where(away > self.reach + _ON, np.nan, z)  # not spoken for, though the slope goes on
        answers.fill(rows, z, sd, None, ON_TIE, np.where(met, TIED_IN, UNMET))
        if answers.toe is not None:
            answers.toe[rows] = outward.toe(slope, np.maximum(self._search - away, 0.0))

    def _places(self, road: Ints, station: Floats, offset: Floats) -> tuple[Floats, Floats]:
        """(k,) points at stations and offsets of roads, in the working system."""
        px, py = np.empty(len(road)), np.empty(len(road))
        for number, rows in by_road(road, np.arange(len(road))):
            px[rows], py[rows] = self.roads[number].alignment.points(station[rows], offset[rows])
        return self.path.back(px, py)

    def _chosen(self, n: int, answers: Answers) -> Heights:
        """One answer a point: ground by the nearest edge; "unchanged" only where every road agrees on it."""
        z, sd = np.full(n, np.nan), np.full(n, np.nan)
        source = np.full(n, OUTSIDE, dtype=np.int32)
        order = answers.ranked()
        point, first = np.unique(answers.point[order], return_index=True)
        best = order[first]
        z[point], sd[point] = answers.z[best], answers.sd[best]
        worst = np.full(n, TIED_IN, dtype=np.int32)
        unknown = np.isnan(answers.z) & (answers.why != TIED_IN)
        np.minimum.at(worst, answers.point[unknown], answers.why[unknown])
        source[point] = np.where(np.isfinite(answers.z[best]), answers.road[best], worst[point])
        borrowed = np.zeros(n)
        borrowed[point] = answers.borrowed[best]
        return Heights(z, sd, source, self.names, borrowed if borrowed.any() else None)


def _every(line: Alignment, step: float) -> Floats:
    """(k, 2) points of a line, at most a step apart."""
    station = np.linspace(line.first, line.last, int((line.last - line.first) / step) + 2)
    return np.stack(line.points(station, np.zeros(len(station))), axis=1)
