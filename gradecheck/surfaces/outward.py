"""From the outer end of what a road says outward: a slope down or up to the existing ground, or a change that fades."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gradecheck.probability import Bools, Floats, Ints
from gradecheck.roads.ties import Gap, meeting, meeting_bracket
from gradecheck.surfaces import Surface

_SPACING = 0.5
"""Metres between looks at the existing ground along a slope."""


@dataclass(frozen=True, slots=True)
class Outward:
    """Points past the outer end of a road's section (of its line, where it has none), k of them.

    old: the existing ground.
    x0, y0: (k,) where the section ends, straight across from each point; x1, y1: (k,) the points; working system.
    edge: (k,) metres, height of the design where the section ends.
    beyond: (k,) metres, how far past it the points are.
    """

    old: Surface
    x0: Floats
    y0: Floats
    x1: Floats
    y1: Floats
    edge: Floats
    beyond: Floats

    def slope(self, slope: float) -> tuple[Floats, Bools]:
        """Heights (k,) on a slope of so much rise per run, and whether it has met the existing ground before there.

        NaN where it has, and where the existing ground is unknown on the way.
        """
        falls, gap = self._gap(slope)
        high = meeting_bracket(gap, self.beyond, _SPACING)[1]
        return np.where(np.isinf(high), self.edge + falls * self.beyond, np.nan), np.isfinite(high)

    def toe(self, slope: float, farther: Floats) -> Floats:
        """(k,) metres from the points outward to where the slope meets the existing ground; inf where not within
        `farther` (k,) of them, NaN where nobody knows."""
        gap = self._gap(slope)[1]
        return meeting(gap, *meeting_bracket(gap, self.beyond + farther, _SPACING)) - self.beyond

    def fade(self, width: float | None) -> tuple[Floats, Floats]:
        """Heights (k,) where the change at the edge fades to nothing over so many metres, and the error that they take
        from the existing ground; without a width it does not fade. NaN past the width and where ground is unknown."""
        share = np.ones(len(self.edge))
        if width is not None:
            share = 1 - self.beyond / width if width > 0 else np.zeros(len(self.edge))
        at_edge, here = self.old.heights(self.x0, self.y0).z, self.old.heights(self.x1, self.y1)
        within = share > 0
        z = np.where(within, here.z + (self.edge - at_edge) * share, np.nan)
        return z, np.where(within, np.nan_to_num(here.sd), 0.0)

    def _gap(self, slope: float) -> tuple[Floats, Gap]:
        """(k,) rise per metre outward, and the slope's height above the existing ground at distances."""
        first = self.old.heights(self.x0, self.y0).z
        falls = np.where(self.edge >= first, -slope, slope)  # a fill slopes down to the ground, a cut up to it

        def gap(rows: Ints, away: Floats) -> Floats:
            share = away / self.beyond[rows]
            x = self.x0[rows] + share * (self.x1[rows] - self.x0[rows])
            y = self.y0[rows] + share * (self.y1[rows] - self.y0[rows])
            return np.asarray(self.edge[rows] + falls[rows] * away - self.old.heights(x, y).z)

        return falls, gap
