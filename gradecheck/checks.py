"""Sanity nets over what the two grounds say of the same places. Pure."""

from __future__ import annotations

from itertools import permutations

import numpy as np

from gradecheck.errors import Finding
from gradecheck.probability import Floats
from gradecheck.units import METRES

_LEAST_APART = 2.0
"""Metres: nearer grounds are not told apart from a real change of grade."""
_FIT = 0.25
_LARGE = 1.0
"""Metres of median change beyond which the summary asks whether datum and units are right."""

_FAR_FROM_ZERO = 10.0
_OFF = 5.0
"""Metres that no flange stands above or below its ground."""

# Ratios that a mistaken unit leaves between two grounds; feet against US survey feet cannot be seen in heights.
_RATIOS = {
    (a, b): METRES[a] / METRES[b] for a, b in permutations(("in", "ft", "m", "cm", "mm"), 2) if METRES[a] != METRES[b]
}


def unit_mistaken(before: Floats, after: Floats) -> Finding | None:
    """Metres taken for feet and the like, from heights (n,) in metres of the same places; None where all is well.

    >>> print(unit_mistaken(np.array([100.0, 110.0, 120.0]), np.array([328.1, 360.9, 393.7])).what)
    after is 3.281 times as high as before (medians 110.00 m and 360.90 m): ft against m?
    """
    both = np.isfinite(before) & np.isfinite(after) & (before != 0)
    zb, za = before[both], after[both]
    if len(zb) < 3:
        return None
    apart = float(np.median(np.abs(za - zb)))
    if apart < _LEAST_APART:
        return None
    for (small, large), ratio in _RATIOS.items():
        off = float(np.median(np.abs(za - zb / ratio)))
        if off <= _FIT * apart and abs(float(np.median(za / zb)) * ratio - 1) < 0.1:
            factor = float(np.median(za / zb))
            what = (
                f"after is {factor:.4g} times as high as before (medians {np.median(zb):.2f} m and "
                f"{np.median(za):.2f} m): {small} against {large}?"
            )
            return Finding("before and after", what, "state the true vertical `unit` of each in the plan")
    return None


def far_apart(change: Floats) -> str:
    """A warning where the typical change is no road job's; empty where it is."""
    known = change[np.isfinite(change) & (change != 0)]
    if len(known) < 3 or abs(float(np.median(known))) < _LARGE:
        return ""
    return (
        f"the typical grade change is {np.median(known):+.2f} m: "
        "check the vertical datum and the unit of both grounds before ordering anything"
    )


def filled_with_zero(name: str, heights: Floats) -> str:
    """A warning where ground (n,) in metres is exactly 0 here and there, and nowhere near it otherwise.

    >>> filled_with_zero("after", np.array([30.5, 0.0, 31.0, np.nan]))
    'after: exactly 0 at 1 hydrants, 10 m and more from it at all others: if 0 stands for no data, the file must say so'
    """
    zero = heights == 0
    others = np.abs(heights[np.isfinite(heights) & ~zero])
    if not zero.any() or not len(others) or others.min() < _FAR_FROM_ZERO:
        return ""
    return (
        f"{name}: exactly 0 at {int(zero.sum())} hydrants, {_FAR_FROM_ZERO:g} m and more from it at all others: "
        "if 0 stands for no data, the file must say so"
    )


def one_height(change: Floats) -> str:
    """A warning where the design (n,), known at these hydrants, never differs from the existing ground by a hair."""
    if not len(change) or not (change == 0).all():
        return ""
    return (
        f"before and after have the same height at all {len(change)} hydrants that the design reaches: "
        "is one a copy of the other?"
    )


def flanges_off(clearance: Floats) -> str:
    """A warning where surveyed flanges cannot belong to the ground under them, from their clearances (n,) in metres.

    >>> flanges_off(np.array([0.1, np.nan, -280.0]))
    '1 surveyed flanges lie more than 5 m from the existing ground: check their unit and vertical datum'
    """
    with np.errstate(invalid="ignore"):
        count = int((np.abs(clearance) > _OFF).sum())
    if not count:
        return ""
    return f"{count} surveyed flanges lie more than 5 m from the existing ground: check their unit and vertical datum"
