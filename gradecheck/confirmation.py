"""After construction: what stands at every hydrant against what was planned. Pure: arrays in, arrays out; metres."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from gradecheck.cases import window_miss
from gradecheck.policy import Policy
from gradecheck.probability import EDGE, Bools, Floats

SAME = 5e-4
"""Metres within which two lengths are one: people round them to what a ruler shows."""
_NO_MISS = 1e-4
"""Metres: heights of hundreds of metres in single precision are no better."""


class Rests(IntEnum):
    """What the final clearance rests on, in order of preference.

    measured: with a rule in the field. surveyed: flange and ground as built. planned: the flange of before the job and
    the raise, over the ground as built. assumed: so too, but that flange was never measured.
    """

    measured = 0
    surveyed = 1
    planned = 2
    assumed = 3
    nothing = 4


class State(IntEnum):
    """How a hydrant stands; `.name` is the word in the files."""

    stands = 0
    dress = 1
    too_low = 2
    too_high = 3
    to_do = 4
    unknown = 5


class Why(IntEnum):
    """Why nothing can be said of a hydrant, or what is still to do; nothing: neither."""

    nothing = 0
    no_ground = 1
    no_flange = 2
    never_measured = 3
    not_done = 4
    not_decided = 5
    to_relocate = 6


@dataclass(frozen=True, slots=True)
class Planned:
    """What the plan meant, (H,) each.

    flange, flange_sd: elevation of the break flange before the job, NaN unknown. assumed: it rests on an assumed
    clearance. rise, new, out: the raise, the length put in and taken out; 0 for none. open: what is to be done was left
    to be found out on site, or by measuring. relocate: it was to be moved. ground, ground_sd: of the design, NaN for
    none. outlet: above the flange, NaN unknown. low, high: the strict window of clearances.
    """

    flange: Floats
    flange_sd: Floats
    assumed: Bools
    rise: Floats
    new: Floats
    out: Floats
    open: Bools
    relocate: Bools
    ground: Floats
    ground_sd: Floats
    outlet: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class Found:
    """What was found after construction, (H,) each, NaN unknown.

    ground, ground_sd, flange, flange_sd: elevations as built. clearance, clearance_sd: measured with a rule. height:
    outlet above ground. done: somebody says that work was done. put_in, taken_out: lengths that were said.
    """

    ground: Floats
    ground_sd: Floats
    flange: Floats
    flange_sd: Floats
    clearance: Floats
    clearance_sd: Floats
    height: Floats
    done: Bools
    put_in: Floats
    taken_out: Floats


@dataclass(frozen=True, slots=True)
class Confirmed:
    """How hydrants stand, (H,) each; metres.

    clearance, sd: final, NaN unknown; rests: `Rests` codes. miss: how far it misses the strict window, 0 inside, + too
    high, - too low. state: `State` codes; why: `Why` codes. flange: its elevation now, NaN unknown. rise: the raise
    that counts. outlet: its height as the standard measures it; outlet_off: -1 too low, 1 too high, 0 right or unknown.
    off, off_sd: ground as built less design; off_design: by more than 3 sd and more than the dressing.
    differs: what was put in or taken out is not what was planned.
    """

    clearance: Floats
    sd: Floats
    rests: NDArray[np.int8]
    miss: Floats
    state: NDArray[np.int8]
    why: NDArray[np.int8]
    flange: Floats
    rise: Floats
    outlet: Floats
    outlet_off: NDArray[np.int8]
    off: Floats
    off_sd: Floats
    off_design: Bools
    differs: Bools


def confirm(planned: Planned, found: Found, policy: Policy) -> Confirmed:
    """How every hydrant stands. What was measured goes before what was surveyed, and that before what was planned."""
    said = np.isfinite(found.put_in) | np.isfinite(found.taken_out)
    done_rise = np.nan_to_num(found.put_in) - np.nan_to_num(found.taken_out)
    planned_rise = np.where(planned.open, 0.0, planned.rise)
    rise = np.where(found.done & said, done_rise, planned_rise)
    clearance, sd, rests = _clearance(planned, found, rise)
    miss = window_miss(clearance, planned.low, planned.high)
    state, why = _state(planned, found, rests, miss, policy.dressing.metres)
    outlet = _outlet(planned, found, clearance, policy)
    off = found.ground - planned.ground
    off_sd = np.hypot(found.ground_sd, planned.ground_sd)
    unsaid = ~found.done | ~said
    differs = ~unsaid & (
        (np.abs(np.nan_to_num(found.put_in) - planned.new) > SAME)
        | (np.abs(np.nan_to_num(found.taken_out) - planned.out) > SAME)
    )
    with np.errstate(invalid="ignore"):
        beyond = (np.abs(off) > 3 * off_sd) & (np.abs(off) > policy.dressing.metres + _NO_MISS)
    return Confirmed(
        clearance=clearance,
        sd=sd,
        rests=rests,
        miss=miss,
        state=state,
        why=why,
        flange=_flange(planned, found, rests, rise),
        rise=rise,
        outlet=outlet,
        outlet_off=_outlet_off(outlet, policy),
        off=off,
        off_sd=np.where(np.isfinite(off), off_sd, np.nan),
        off_design=beyond,
        differs=differs & ~planned.open,
    )


def _clearance(planned: Planned, found: Found, rise: Floats) -> tuple[Floats, Floats, NDArray[np.int8]]:
    """The final clearance, its standard deviation and what it rests on."""
    by_survey = found.flange - found.ground
    by_plan = planned.flange + rise - found.ground
    measured, surveyed, plan = (np.isfinite(v) for v in (found.clearance, by_survey, by_plan))
    cases = [measured, surveyed, plan & ~planned.assumed, plan]
    rests = np.select(cases, [Rests.measured, Rests.surveyed, Rests.planned, Rests.assumed], Rests.nothing)
    values = [found.clearance, by_survey, by_plan, by_plan]
    from_plan = np.hypot(planned.flange_sd, found.ground_sd)
    spreads = [found.clearance_sd, np.hypot(found.flange_sd, found.ground_sd), from_plan, from_plan]
    return np.select(cases, values, np.nan), np.select(cases, spreads, np.nan), rests.astype(np.int8)


def _state(
    planned: Planned, found: Found, rests: NDArray[np.int8], miss: Floats, dressing: float
) -> tuple[NDArray[np.int8], NDArray[np.int8]]:
    """State and why. Work that nobody says was done is to do, unless what was measured since needs none."""
    with np.errstate(invalid="ignore"):
        fits = np.abs(miss) <= dressing + EDGE
    seen = np.isin(rests, (Rests.measured, Rests.surveyed))
    known = seen | (rests == Rests.planned)
    undone = ~found.done
    decided = ~planned.open & ((planned.new > SAME) | (planned.out > SAME))
    waits = undone & (
        (decided & ~(seen & fits)) | (planned.open & ~(known & (miss == 0)) & ~(seen & fits)) | planned.relocate
    )
    by_height = np.select([miss == 0, fits, miss < 0], [State.stands, State.dress, State.too_low], State.too_high)
    state = np.select([waits, ~known], [State.to_do, State.unknown], by_height)
    why = np.select(
        [
            waits & planned.relocate,
            waits & planned.open,
            waits,
            known,
            rests == Rests.assumed,
            np.isfinite(found.ground),
        ],
        [Why.to_relocate, Why.not_decided, Why.not_done, Why.nothing, Why.never_measured, Why.no_flange],
        Why.no_ground,
    )
    return state.astype(np.int8), why.astype(np.int8)


def _flange(planned: Planned, found: Found, rests: NDArray[np.int8], rise: Floats) -> Floats:
    """The flange's elevation: as surveyed, else as measured above the ground as built, else as planned."""
    by_rule = found.ground + found.clearance
    known = [np.isfinite(found.flange), np.isfinite(by_rule), rests == Rests.planned]
    return np.select(known, [found.flange, by_rule, planned.flange + rise], np.nan)


def _outlet(planned: Planned, found: Found, clearance: Floats, policy: Policy) -> Floats:
    """The outlet's height as the standard measures it: above the ground, or above the flange."""
    if policy.outlet_from == "flange":
        return np.where(
            np.isfinite(found.height) & np.isfinite(found.clearance), found.height - clearance, planned.outlet
        )
    return np.where(np.isfinite(found.height), found.height, clearance + planned.outlet)


def _outlet_off(outlet: Floats, policy: Policy) -> NDArray[np.int8]:
    with np.errstate(invalid="ignore"):
        low = outlet < policy.outlet_min.metres - _NO_MISS
        high = outlet > policy.outlet_max.metres + _NO_MISS
    return np.where(low, -1, np.where(high, 1, 0)).astype(np.int8)
