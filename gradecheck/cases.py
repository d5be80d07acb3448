"""What is known of the hydrants to decide on, and the window that each must end in. Pure; metres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gradecheck.policy import Policy
from gradecheck.probability import EDGE, Bools, Floats, Ints, Mixture

_NO_MISS = 1e-4
"""Metres: ground of hundreds of metres in single precision is no better than a tenth of a millimetre."""


@dataclass(frozen=True, slots=True)
class Cases:
    """What is known of H hydrants.

    clearance_after: (H,) C at the point; NaN where a ground that is needed is missing.
    change: (H,) after less before at the point; NaN unknown.
    ground: the mixture of the ground about the point (of the change, or of the after ground where the flange
        is surveyed).
    shared: (H, 2) how one sd of the error common to the before surface, and to the after surface, moves C.
    clearance_sd: (H,) of the measured or surveyed height; 0 where assumed.
    spread: (H,) half width of the uniform clearance where it is only assumed, else 0.
    family: (H,) index into `lengths`.
    lengths: for each family the lengths to choose from, rising.
    fitted: (H,) extension length on the hydrant, NaN unknown.
    outlet: (H,) height of the outlet above the flange, NaN unknown.
    outside: (H,) no job reaches the hydrant.
    measure_sd: sd of a clearance measured in the field.
    in_the_way: (H,) probability that the hydrant stands in the new pavement or too near it; None where not asked.
    """

    clearance_after: Floats
    change: Floats
    ground: Mixture
    shared: Floats
    clearance_sd: Floats
    spread: Floats
    family: Ints
    lengths: tuple[tuple[float, ...], ...]
    fitted: Floats
    outlet: Floats
    outside: Bools
    measure_sd: float
    in_the_way: Floats | None = None

    def __len__(self) -> int:
        return len(self.clearance_after)

    def own_variance(self, rows: Ints) -> Floats:
        """(n,) of the errors of C that a hydrant shares with no other, its place within the mixture left out."""
        height = np.square(self.clearance_sd[rows]) + np.square(self.spread[rows]) / 3
        return self.ground.average(rows, lambda ground: np.square(ground.sd)) + height

    def shared_variance(self, rows: Ints) -> Floats:
        """(n,) of the errors common to whole surfaces, on C."""
        out: Floats = np.square(self.shared[rows]).sum(axis=1)
        return out


@dataclass(frozen=True, slots=True)
class Window:
    """The strict window of each hydrant, (H,) each, and where the outlet rule left none of it."""

    low: Floats
    high: Floats
    empty: Bools


def window_miss(final: Floats | float, low: Floats | float, high: Floats | float) -> Floats:
    """Metres that clearances end above (+) or below (-) a window, 0 in it, NaN unknown; of one shape."""
    miss = np.where(final > high + EDGE, final - high, np.minimum(final - low, 0.0))
    out: Floats = np.where(np.abs(miss) <= _NO_MISS, 0.0, miss)
    return out


def window(outlet: Floats, policy: Policy) -> Window:
    """The clearances that the standard accepts, narrowed by the outlet rule where it is measured from the ground."""
    low = np.full(len(outlet), policy.clearance_min.metres)
    high = np.full(len(outlet), policy.clearance_max.metres)
    if policy.outlet_from == "flange":
        return Window(low, high, np.zeros(len(outlet), dtype=bool))
    known = np.isfinite(outlet)
    narrow_low = np.where(known, np.maximum(low, policy.outlet_min.metres - outlet), low)
    narrow_high = np.where(known, np.minimum(high, policy.outlet_max.metres - outlet), high)
    empty = narrow_low > narrow_high + EDGE
    return Window(np.where(empty, low, narrow_low), np.where(empty, high, narrow_high), empty)
