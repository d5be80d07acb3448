"""The clearance of every hydrant before and after the job, and what it rests on. Pure; metres."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from gradecheck.change import GradeChange
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats

_ROUNDING = 1e-4
"""Metres: heights of hundreds of metres in single precision are no better."""


class Basis(IntEnum):
    """What the clearance today rests on, in order of preference."""

    surveyed = 0
    measured = 1
    assumed = 2


@dataclass(frozen=True, slots=True)
class Errors:
    """Standard deviations in metres: of a measured clearance, a surveyed flange, the shared errors of both surfaces.

    measured, surveyed: one for all, or (H,). position: of a hydrant against the ground, per axis.
    """

    measured: float | Floats
    surveyed: float | Floats
    before_shared: float
    after_shared: float
    position: float


@dataclass(frozen=True, slots=True)
class Clearance:
    """(H,) each.

    before: clearance today, NaN unknown (a surveyed flange over an unknown ground). basis: `Basis` codes.
    after: clearance after the job if nothing is done, NaN where a ground that is needed is missing.
    sd: of the height it rests on; spread: half width of the assumed uniform, 0 where known.
    shared: (H, 2) how one sd of the before and of the after surface's shared error moves `after`.
    disagree: surveyed and measured heights differ by more than 3 sd.
    """

    before: Floats
    basis: NDArray[np.int8]
    after: Floats
    sd: Floats
    spread: Floats
    shared: Floats
    disagree: Bools


def clearances(
    change: GradeChange, measured: Floats, flange: Floats, before_sd: Floats, policy: Policy, errors: Errors
) -> Clearance:
    """Clearances from what is known best: flange surveyed, then clearance measured, then assumed.

    measured, flange: (H,) clearance today and flange elevation, NaN unknown. before_sd: (H,) of the old ground.
    """
    low, high = policy.clearance_min.metres, policy.clearance_max.metres
    middle, spread = (low + high) / 2, (high - low) / 2 + policy.clearance_spread.metres
    by_survey = change.about_after
    by_measure = ~by_survey & np.isfinite(measured)
    basis = np.select([by_survey, by_measure], [Basis.surveyed, Basis.measured], Basis.assumed).astype(np.int8)
    surveyed_now = flange - change.before
    today = np.select([by_survey, by_measure], [surveyed_now, measured], middle)
    after = np.where(by_survey, flange - change.after, today - change.change)
    # C = c - (after - before); over a surveyed flange C = f - after; where nothing changes only the old ground counts.
    moved = ~change.unchanged
    from_before = np.where(by_survey, np.where(moved, 0.0, -1.0), np.where(moved, 1.0, 0.0)) * errors.before_shared
    from_after = np.where(moved, -1.0, 0.0) * errors.after_shared
    tolerance = np.sqrt(
        np.square(errors.surveyed)
        + np.square(errors.measured)
        + np.square(np.nan_to_num(before_sd))
        + errors.before_shared**2
    )
    with np.errstate(invalid="ignore"):
        disagree = np.abs(surveyed_now - measured) > 3 * tolerance + _ROUNDING
    return Clearance(
        before=today,
        basis=basis,
        after=after,
        sd=np.select([by_survey, by_measure], [errors.surveyed, errors.measured], 0.0),
        spread=np.where(basis == Basis.assumed, spread, 0.0),
        shared=np.stack([from_before, from_after], axis=1),
        disagree=disagree,
    )
