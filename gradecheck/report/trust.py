"""Pictures of how far heights can be trusted: stable ground on a plan and its variogram, and what would settle it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from gradecheck.assessment import Assessment
from gradecheck.outputs.trust import settle_words
from gradecheck.probability import Floats
from gradecheck.steady import Steady
from gradecheck.units import METRES, elevation_unit, show

_WIDE = 640.0
_TALL = 420.0
_SHOWN = 1500
"""Points on the picture of stable ground at most."""
_SIZES = ((1.0, 2.2), (2.0, 3.4), (np.inf, 4.8))
"""Radius of a point by its difference, in stated sds."""


@dataclass(frozen=True, slots=True)
class Dot:
    """One point of stable ground. kind: agrees, rises or falls against the stated errors."""

    x: float
    y: float
    r: float
    kind: str


@dataclass(frozen=True, slots=True)
class PartMedian:
    """The median of one part of the area, written into its middle."""

    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True)
class Lag:
    """One lag of the variogram: measured and modelled, in the picture's coordinates."""

    x: float
    measured: float
    label: str


@dataclass(frozen=True, slots=True)
class StableView:
    """What the part on stable ground shows. rows: (name, value) of its figures. model: path of the fitted variogram."""

    width: float
    height: float
    dots: tuple[Dot, ...]
    parts: tuple[PartMedian, ...]
    rows: tuple[tuple[str, str], ...]
    lags: tuple[Lag, ...]
    model: str
    top: str
    left_out: int
    corrected: str


def stable_view(a: Assessment) -> StableView | None:
    """None where the plan names no stable ground."""
    seen = a.inputs.steady
    if seen is None:
        return None
    unit = elevation_unit(a.inputs.plan.output.unit)
    x, y = seen.x * seen.metre, seen.y * seen.metre
    west, south = x.min(), y.min()
    scale = min(_WIDE / max(np.ptp(x), 1.0), _TALL / max(np.ptp(y), 1.0))
    width, height = np.ptp(x) * scale + 40, np.ptp(y) * scale + 40
    step = max(1, -(-len(x) // _SHOWN))
    dots = tuple(
        Dot(float(20 + (px - west) * scale), float(height - 20 - (py - south) * scale), *_kind(float(d), seen.own_sd))
        for px, py, d in zip(x[::step], y[::step], seen.dz[::step], strict=True)
    )
    parts = tuple(
        PartMedian(float(20 + (px - west) * scale), float(height - 20 - (py - south) * scale), _signed(median, unit))
        for px, py, median in _amid(seen, x, y)
    )
    lags, model, top = _variogram(seen, unit)
    corrected = show(seen.corrected, unit, 3) if seen.corrected else ""
    left_out = len(x) - len(dots)
    return StableView(width, height, dots, parts, _rows(seen, unit), lags, model, top, left_out, corrected)


def _amid(seen: Steady, x: Floats, y: Floats) -> list[tuple[float, float, float]]:
    """The medians of the parts, each in the middle of the points that lie nearest to its own: x, y, metres."""
    centres = np.array([(p.x, p.y) for p in seen.ground.parts]).reshape(-1, 2)
    if not len(centres):
        return []
    nearest = cKDTree(centres).query(np.stack([x, y], axis=1))[1]
    return [
        (float(x[nearest == k].mean()), float(y[nearest == k].mean()), part.median)
        for k, part in enumerate(seen.ground.parts)
        if (nearest == k).any()
    ]


def _kind(difference: float, sd: float) -> tuple[float, str]:
    size = abs(difference) / max(sd, 1e-9)
    radius = next(r for limit, r in _SIZES if size <= limit)
    return radius, "agrees" if size <= 1 else "rises" if difference > 0 else "falls"


def _signed(metres: float, unit: str) -> str:
    return f"{metres / METRES[unit]:+.2f}".replace("-", "−")


def _rows(seen: Steady, unit: str) -> tuple[tuple[str, str], ...]:
    g, s = seen.ground, seen.ground.summary

    def text(metres: float) -> str:
        return show(metres, unit, 3)

    rows = [
        ("points where both surfaces have ground", f"{s.count:,}"),
        ("median of after less before", f"{text(s.median)}, standard error {text(seen.error)}"),
        ("spread (NMAD)", f"{text(s.nmad)}; the stated errors make it {text(seen.own_sd)}"),
        ("root mean square", text(s.rmse)),
        ("5 of 100 lie below, 5 above", f"{text(s.p05)} and {text(s.p95)}"),
        ("across the area (tilt)", f"{text(g.tilt.across)}, standard error {text(g.tilt.standard_error)}"),
    ]
    if g.variogram is not None:
        reach = g.variogram.model.range
        rows.append(("errors hang together over", f"{reach:,.0f} m" if reach else "no distance that shows"))
        rows.append(("independent points they are worth", f"{g.independent:,.0f}"))
    return tuple(rows)


def _variogram(seen: Steady, unit: str) -> tuple[tuple[Lag, ...], str, str]:
    """Square roots of the variogram, in a box of 300 by 150: standard deviation of a difference by distance."""
    found = seen.ground.variogram
    if found is None or not len(found.lag):
        return (), "", ""
    longest = float(found.lag.max())
    reach = np.linspace(longest / 200, longest, 60)
    modelled = np.sqrt(found.model.gamma(reach))
    top = float(max(np.sqrt(found.gamma).max(), modelled.max())) or 1.0

    def at(distance: Floats, value: Floats) -> tuple[Floats, Floats]:
        return 300 * distance / longest, 150 - 140 * value / top

    px, py = at(found.lag, np.sqrt(found.gamma))
    lags = tuple(
        Lag(float(x), float(y), f"{d:,.0f} m: {show(float(v), unit, 3)}")
        for x, y, d, v in zip(px, py, found.lag.tolist(), np.sqrt(found.gamma).tolist(), strict=True)
    )
    mx, my = at(reach, modelled)
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in zip(mx.tolist(), my.tolist(), strict=True))
    return lags, path, show(top * 150 / 140, unit, 3)


@dataclass(frozen=True, slots=True)
class SettleRow:
    """One row. share: per cent decided; wrong, risk: as text. bar: per cent of the most wrong."""

    words: str
    share: float
    wrong: str
    bar: float
    risk: str
    today: bool


@dataclass(frozen=True, slots=True)
class WalkRow:
    """One measuring walk in words."""

    street: str
    length: str
    worth: str
    ids: str


@dataclass(frozen=True, slots=True)
class SettleView:
    """What the part on settling shows. first: (id, chance wrong now, after, worth) of the head of the list."""

    rows: tuple[SettleRow, ...]
    walks: tuple[WalkRow, ...]
    first: tuple[tuple[str, str, str, str], ...]
    more: int
    reckoned: int
    priced: bool


_FIRST, _WALKS = 20, 12


def settle_view(a: Assessment) -> SettleView | None:
    """None where no hydrant has a choice."""
    p = a.prospect
    if not p.rows or not p.rows[0].hydrants:
        return None
    currency = a.inputs.catalog.currency
    priced = bool(np.isfinite(p.stake).any())
    most = max(row.wrong for row in p.rows) or 1.0

    def money(value: float) -> str:
        if not priced:
            return f"{value:.2f}"
        return "" if np.isnan(value) else f"{max(value, 0.0):,.0f} {currency}"

    rows = tuple(
        SettleRow(
            settle_words(row, a),
            100 * row.decided,
            f"{row.wrong:.1f}",
            100 * row.wrong / most,
            money(row.risk) if priced else "",
            k == 0,
        )
        for k, row in enumerate(p.rows)
    )
    ids, m = a.inputs.hydrants.id, p.measuring
    listed = min(_FIRST, sum(len(walk.rows) for walk in p.walks))
    first = tuple(
        (ids[int(i)], f"{now:.2f}", f"{after:.2f}", money(float(value)))
        for i, now, after, value in zip(
            m.index[:listed].tolist(), m.wrong_now.tolist(), m.wrong_after.tolist(), m.value.tolist(), strict=False
        )
    )
    unit = elevation_unit(a.inputs.plan.output.unit)
    walks = tuple(
        WalkRow(
            walk.street or "",
            show(walk.length, unit, 0),
            money(walk.value),
            ", ".join(ids[int(i)] for i in m.index[walk.rows].tolist()),
        )
        for walk in p.walks[:_WALKS]
    )
    return SettleView(rows, walks, first, len(m) - listed, p.reckoned, priced)
