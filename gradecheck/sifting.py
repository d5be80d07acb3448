"""Heights measured after construction, held against those computed before any is taken as final. Pure; metres."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gradecheck.confirmation import SAME, Found, Planned
from gradecheck.probability import Bools, Floats

_ROUNDING = 1e-4


@dataclass(frozen=True, slots=True)
class Sifted:
    """What is found, less what cannot be final, (H,) each.

    given: with it. flange, clearance: as computed from the flange before the job, the raise that crews say was made,
    and the ground as built, NaN unknown. flange_off, clearance_off: what was measured differs from that by more than
    3 sd. flange_dropped, clearance_dropped: and it is passed over, as the work or the paving may have come after it.
    """

    found: Found
    given: Found
    flange: Floats
    clearance: Floats
    flange_off: Bools
    clearance_off: Bools
    flange_dropped: Bools
    clearance_dropped: Bools


def idle(planned: Planned, found: Found) -> Bools:
    """(H,) work was planned or left to the site, and nothing says that any was done."""
    return ~found.done & (planned.open | (planned.new > SAME) | (planned.out > SAME))


def sift(planned: Planned, found: Found, doubtful_flange: Bools, doubtful_clearance: Bools) -> Sifted:
    """Heights that contradict the computed ones by more than 3 sd; the doubtful of them are passed over.

    doubtful: (H,) it may have been measured before the work or the paving. Where the ground as built is not known the
    design stands in for it. A hydrant that was to be relocated stands where nothing can be computed.
    """
    said = found.done & (np.isfinite(found.put_in) | np.isfinite(found.taken_out))
    rise = np.where(said, np.nan_to_num(found.put_in) - np.nan_to_num(found.taken_out), 0.0)
    flange = np.where(planned.relocate, np.nan, planned.flange + rise)
    flange_off = _beyond(found.flange - flange, planned.flange_sd, found.flange_sd)
    flange_dropped = flange_off & doubtful_flange
    own = np.where(flange_dropped, np.nan, found.flange)
    surveyed = np.isfinite(own)
    built = np.isfinite(found.ground)
    ground, ground_sd = (
        np.where(built, a, b) for a, b in ((found.ground, planned.ground), (found.ground_sd, planned.ground_sd))
    )
    clearance = np.where(surveyed, own, flange) - ground
    flange_sd = np.where(surveyed, found.flange_sd, planned.flange_sd)
    clearance_off = _beyond(found.clearance - clearance, flange_sd, ground_sd, found.clearance_sd)
    clearance_dropped = clearance_off & doubtful_clearance
    kept = replace(
        found,
        flange=own,
        clearance=np.where(clearance_dropped, np.nan, found.clearance),
        height=np.where(clearance_dropped, np.nan, found.height),
    )
    return Sifted(kept, found, flange, clearance, flange_off, clearance_off, flange_dropped, clearance_dropped)


def _beyond(off: Floats, *sds: Floats) -> Bools:
    """Off by more than 3 standard deviations; False where either is unknown."""
    with np.errstate(invalid="ignore"):
        return np.abs(off) > 3 * np.sqrt(sum(np.square(sd) for sd in sds)) + _ROUNDING
