"""How far heights can be trusted, in words and figures: stated errors, stable ground, what would settle the rest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from gradecheck.assessment import Assessment
from gradecheck.decision import DECIDED, OPEN
from gradecheck.grounds import Ground
from gradecheck.outlook import Outlook
from gradecheck.sources import GroundSource
from gradecheck.steady import Steady
from gradecheck.units import elevation_unit, show

NINETY_FIVE = 1.96
"""Of an RMSE: the vertical accuracy at 95 % confidence, FGDC-STD-007.3-1998 (NSSDA)."""


def stable_figures(seen: Steady) -> dict[str, Any]:
    """What stable ground says, for programs; metres."""
    g, s = seen.ground, seen.ground.summary
    return {
        "points": s.count,
        "median_m": s.median,
        "nmad_m": s.nmad,
        "rmse_m": s.rmse,
        "p05_m": s.p05,
        "p95_m": s.p95,
        "standard_error_m": seen.error,
        "stated_sd_m": seen.own_sd,
        "range_m": None if g.variogram is None else g.variogram.model.range,
        "tilt": {"across_m": g.tilt.across, "standard_error_m": g.tilt.standard_error, "azimuth": g.tilt.azimuth,
                 "shows": g.tilt.shows},
        "parts": [{"x": p.x, "y": p.y, "points": p.count, "median_m": p.median} for p in g.parts],
        "corrected_m": seen.corrected,
        "sd_estimated": list(seen.estimated),
        "few": g.few,
        "unresolved": g.unresolved,
    }  # fmt: skip


def settle_figures(a: Assessment) -> list[dict[str, Any]]:
    """The rows of what would settle it, for programs."""
    return [
        {
            "inputs": settle_words(row, a),
            "measured": row.measured,
            "surface_sd_m": row.surface_sd,
            "hydrants": row.hydrants,
            "decided": None if np.isnan(row.decided) else round(row.decided, 4),
            "wrong": round(row.wrong, 3),
            "at_risk": None if np.isnan(row.risk) else round(row.risk, 2),
        }
        for row in a.prospect.rows
    ]


def settle_words(row: Outlook, a: Assessment) -> str:
    """A row's inputs in words."""
    unit = elevation_unit(a.inputs.plan.output.unit)
    sd = "" if row.surface_sd is None else show(row.surface_sd, unit, 3)
    words = {
        "today": "today's inputs",
        "better surfaces": f"both surfaces to {sd}",
        "all assumed flanges measured": f"all {row.measured} unknown flanges measured",
        "worst flanges measured": f"the first {row.measured} of them measured",
        "best surfaces and all assumed flanges measured": f"surfaces to {sd}, flanges measured",
    }
    return words[row.name]


def settle_text(a_rows: list[Mapping[str, Any]], currency: str) -> list[str]:
    """The rows for a terminal of 80 columns; nothing where no hydrant has a choice, or all is decided."""
    if not a_rows or not a_rows[0]["hydrants"] or (a_rows[0]["decided"] or 0) >= 1:
        return []
    heads = ("What would settle it", "decided", "wrong", f"at risk {currency}".strip())
    lines = [f"{heads[0]:<42}{heads[1]:>9}{heads[2]:>9}{heads[3]:>14}"]
    for row in a_rows:
        risk = "-" if row["at_risk"] is None else f"{row['at_risk']:,.0f}"
        decided = "-" if row["decided"] is None else f"{row['decided']:.0%}"
        lines.append(f"  {row['inputs'][:39]:<40}{decided:>9}{row['wrong']:>9.1f}{risk:>14}")
    return lines


def stable_text(figures: Mapping[str, Any] | None, unit: str) -> list[str]:
    """Stable ground in two lines for a terminal; nothing where the plan names none."""
    if figures is None:
        return []

    def text(name: str) -> str:
        return show(figures[name], unit, 3)

    moved = f"; before raised by {text('corrected_m')}" if figures["corrected_m"] else ""
    return [
        f"Stable ground: {figures['points']:,} points",
        f"  after less before {text('median_m')}, standard error {text('standard_error_m')}{moved}",
        f"  spread {text('nmad_m')}, the stated errors make it {text('stated_sd_m')}",
    ]


def accuracy_statement(a: Assessment) -> Iterator[str]:
    """How the vertical accuracy was stated or estimated, in the words of the published standards, and what it means."""
    i, plan = a.inputs, a.inputs.plan
    for ground, source in ((i.before_ground, plan.before), (i.after_ground, plan.after)):
        if source is not None:
            yield _of_ground(a, ground, source)
    errors = i.errors
    if errors.before_shared or errors.after_shared:
        unit = plan.output.unit
        yield (
            f"Common to all heights of a surface: {show(errors.before_shared, unit, 2)} before, "
            f"{show(errors.after_shared, unit, 2)} after (standard deviations; datum, control, stable ground)."
        )
    yield from _at_a_hydrant(a)


def _of_ground(a: Assessment, ground: Ground, source: GroundSource) -> str:
    unit, small = elevation_unit(a.inputs.plan.output.unit), a.inputs.plan.output.unit
    laid = ground.sources[0].settings.sd.metres if ground.sources else source.sd.metres
    seen = a.inputs.steady
    if seen is not None and ground.where in seen.estimated:
        spread = seen.ground.summary
        how = (
            f"estimated from the normalised median absolute deviation of the differences at {spread.count} points of "
            "stable ground, which is no independent check survey"
        )
    elif any("sd" in layer.model_fields_set for layer in source.layers_down):
        how = "as stated in the plan, not checked here"
    else:
        how = "assumed by this program: no statement was given"
    ninety_five = NINETY_FIVE * laid
    return (
        f"{ground.where}: vertical accuracy RMSEz {show(laid, unit, 3)} ({how}); at 95 % confidence by NSSDA "
        f"(FGDC-STD-007.3-1998), 1.96 x RMSEz, {show(ninety_five, unit, 3)}, that is {show(ninety_five, small, 1)} at "
        "a hydrant. ASPRS Positional Accuracy Standards, Edition 2 (2023), report the RMSE only, the check survey's "
        "own error included."
    )


def _at_a_hydrant(a: Assessment) -> Iterator[str]:
    """What all of it comes to where it counts."""
    unit = a.inputs.plan.output.unit
    rows = np.isin(a.decision.action, (*DECIDED, *OPEN)) & ~a.change.unchanged & np.isfinite(a.change_sd)
    if rows.any():
        sd = float(np.median(a.change_sd[rows]))
        yield (
            f"At a hydrant of middling certainty the change of the ground is known to {show(sd, unit, 2)} (standard "
            f"deviation, its position's error included), or within {show(NINETY_FIVE * sd, unit, 1)} in 95 of 100: a "
            "smaller change cannot be told from none (Brasington et al. 2003, Wheaton et al. 2010)."
        )
