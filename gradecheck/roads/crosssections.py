"""Ground given by cross-sections: offset and height at stations along a road, straight between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gradecheck.probability import Floats


@dataclass(frozen=True, eq=False)
class CrossSections:
    """S cross-sections of one ground along one road.

    stations: (S,) rising, internal. offsets, heights: for each section (k,), offsets rising, + right looking
    up-station; heights in the file's unit. An upright face is two equal offsets.
    """

    name: str
    stations: Floats
    offsets: tuple[Floats, ...]
    heights: tuple[Floats, ...]

    @property
    def first(self) -> float:
        """Station of the first section."""
        return float(self.stations[0])

    @property
    def last(self) -> float:
        """Station of the last section."""
        return float(self.stations[-1])

    @property
    def most(self) -> float:
        """The greatest offset of any section."""
        return max(float(np.abs(o).max()) for o in self.offsets)

    def heights_at(self, station: Floats, offset: Floats) -> Floats:
        """Heights (n,): along each section by offset, between two by station at the same offset.

        NaN before the first and past the last section, and where either of the two does not reach so far out.
        """
        before = np.clip(np.searchsorted(self.stations, station, side="right") - 1, 0, len(self.stations) - 1)
        after = np.minimum(before + 1, len(self.stations) - 1)
        span = self.stations[after] - self.stations[before]
        share = np.where(span > 0, (station - self.stations[before]) / np.where(span > 0, span, 1.0), 0.0)
        low, high = self._along(before, offset), self._along(after, offset)
        # On a section itself its neighbour has no weight, and no say.
        z = np.where(share == 0, low, np.where(share == 1, high, (1 - share) * low + share * high))
        return np.where((station >= self.first) & (station <= self.last), z, np.nan)

    def _along(self, section: np.ndarray[tuple[int], np.dtype[np.int64]], offset: Floats) -> Floats:
        z = np.full(len(offset), np.nan)
        for i in np.unique(section).tolist():
            mine = section == i
            z[mine] = np.interp(offset[mine], self.offsets[i], self.heights[i], left=np.nan, right=np.nan)
        return z
