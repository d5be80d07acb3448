"""What the page's script reads: hydrants by column, lines of the map, sections; numbers in the output's units."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from pyproj import CRS

from gradecheck import cautions
from gradecheck.assessment import Assessment
from gradecheck.clearance import Basis
from gradecheck.decision import Action
from gradecheck.outputs.columns import clearance_sd
from gradecheck.outputs.style import mark_of
from gradecheck.paving import thinned
from gradecheck.probability import Floats, Ints
from gradecheck.provenance import after_sources
from gradecheck.reasons import choice_texts
from gradecheck.reference import Path, metres_per_unit
from gradecheck.report.longsections import LongSection
from gradecheck.report.marks import outline
from gradecheck.report.picture import Picture
from gradecheck.surroundings import Surroundings
from gradecheck.units import DIGITS, METRES, UNIT_WORDS, elevation_unit, imperial

_ELEVATION_DIGITS = 2
_SIMPLE = 4000
"""Lines keep what is larger than this part of the map's extent."""


@dataclass(frozen=True, slots=True)
class MapSystem:
    """The plane that the map is drawn in. crs: its system. stretch: metres on the map for one on the ground, about."""

    crs: CRS
    path: Path
    metre: float

    @classmethod
    def of(cls, a: Assessment, basemap: bool) -> MapSystem:
        """The working system; under a basemap the one that such pictures are made in."""
        work = a.inputs.work
        if not basemap:
            return cls(work, Path.between(work, work), 1 / metres_per_unit(work))
        web = CRS.from_epsg(3857)
        path = Path.between(work, web)
        h = a.inputs.hydrants
        x, y = np.median(h.x), np.median(h.y)
        east, north = path.there(np.array([x, x + 1 / metres_per_unit(work)]), np.array([y, y]))
        return cls(web, path, float(np.hypot(east[1] - east[0], north[1] - north[0])))


def hydrant_columns(a: Assessment, system: MapSystem) -> dict[str, Any]:
    """Columns, a row for each that is shown, those that a job reaches first: what only they have ends with them."""
    order = _order(a)
    return {**_places(a, system, order), **_told(a, order), **_heights(a, order)}


def _order(a: Assessment) -> Ints:
    """The hydrants that are shown one by one: those that a job reaches, then the others, as many as the plan says."""
    return np.argsort(a.cases.outside, kind="stable")[: a.inputs.plan.output.report_rows].astype(np.int64)


def _places(a: Assessment, system: MapSystem, order: Ints) -> dict[str, Any]:
    """Who and where they are, and what is done there."""
    h = a.inputs.hydrants
    x, y = system.path.there(h.x, h.y)
    streets, street = _coded([h.street[k] or "" for k in order.tolist()])
    return {
        "id": [h.id[k] for k in order.tolist()],
        "x": np.round(x[order], 2).tolist(),
        "y": np.round(y[order], 2).tolist(),
        "action": a.counted.decision.action[order].tolist(),
        "job": a.job[order].tolist(),
        "streets": streets,
        "street": street,
    }


def _told(a: Assessment, order: Ints) -> dict[str, Any]:
    """What is said of them; a text that many share is there once."""
    reasons, reason = _coded(_reasons(a, order))
    d = a.counted.decision.taken(order)
    choices, choice = _coded([text or "" for text in choice_texts(d, d.best, a.inputs.plan.output.unit)])
    sources, source = _coded([text or "" for text in after_sources(a.change, a.sampled, order)])
    edits = [a.review.at[k] for k in order.tolist()]
    return {
        "reasons": reasons,
        "reason": reason,
        "choices": choices,
        "choice": choice,
        "sources": sources,
        "source": source,
        "firm": _trimmed([1 if f else None for f in a.firm[order].tolist()]),
        "reviewed": _trimmed([1 if f else None for f in a.counted.reviewed[order].tolist()]),
        "note": _trimmed([None if e is None else e.note or None for e in edits]),
        "cautions": _trimmed([cautions.places(b) or None for b in a.cautions[order].tolist()]),
    }


def _reasons(a: Assessment, order: Ints) -> list[str]:
    """The sentence of each; where a reviewer chose, it is told as what was computed."""
    return [
        f"Set in review. Computed: {a.reasons[k]}" if by_review else a.reasons[k]
        for k, by_review in zip(order.tolist(), a.counted.reviewed[order].tolist(), strict=True)
    ]


def _heights(a: Assessment, order: Ints) -> dict[str, Any]:
    """Numbers, of small heights and elevations in their units."""
    unit = a.inputs.plan.output.unit
    d, c, reached = a.decision, a.clearance, ~a.cases.outside
    chosen = a.counted.decision
    small = _numbers(METRES[unit], DIGITS[unit], order)
    high = _numbers(METRES[elevation_unit(unit)], _ELEVATION_DIGITS, order)
    known = order[(reached & np.isfinite(c.after))[order]]
    undone_sd = np.full(len(a), np.nan)
    undone_sd[known] = clearance_sd(a, known)
    return {
        "change": small(a.change.change),
        "change_sd": small(a.change_sd),
        "before": high(a.change.before),
        "after": high(a.change.after),
        "now": small(np.where(reached, c.before, np.nan)),
        "basis": _trimmed([Basis(b).name if r else None for b, r in zip(c.basis[order], reached[order], strict=True)]),
        "undone": small(np.where(reached, c.after, np.nan)),
        "undone_sd": small(undone_sd),
        "final": small(np.where(chosen.best >= 0, c.after + chosen.rise, np.nan)),
        "outlet": small(np.where(reached, a.inputs.hydrants.outlet, np.nan)),
        "low": small(np.where(reached, d.window.low, np.nan)),
        "high": small(np.where(reached, d.window.high, np.nan)),
        "sure": _trimmed(_plain(np.where(a.counted.reviewed, np.nan, d.confidence)[order], 3)),
    }


def _numbers(unit: float, digits: int, order: Ints) -> Callable[[Floats], list[float | None]]:
    return lambda values: _trimmed(_plain((values / unit)[order], digits))


def _plain(values: Floats, digits: int) -> list[float | None]:
    """Numbers as short as they can be; None unknown."""
    rounded = np.round(values, digits) + 0.0
    return [None if v != v else int(v) if v == int(v) else v for v in rounded.tolist()]


def _trimmed(values: list[Any]) -> list[Any]:
    """Without the blanks at the end."""
    last = next((k for k in range(len(values), 0, -1) if values[k - 1] is not None), 0)
    return values[:last]


def _coded(texts: Sequence[str]) -> tuple[list[str], list[int]]:
    """Different texts once, and which of them each row has."""
    index = {text: k for k, text in enumerate(dict.fromkeys(texts))}
    return list(index), [index[text] for text in texts]


def map_shapes(around: Surroundings, system: MapSystem, span: float) -> dict[str, Any]:
    """Limits, roads and pavement, each as lines of coordinates in the map's system."""
    fine = max(span / _SIMPLE, 0.2)
    return {
        "limits": [line for _, shape in around.limits for line in _rings(shape, system, fine)],
        "roads": [line for road in around.roads for line in _rings(road.line, system, fine)],
        "pavement": [] if around.pavement is None else _rings(around.pavement, system, fine),
    }


def _rings(shape: shapely.Geometry, system: MapSystem, fine: float) -> list[list[float]]:
    """Each ring or line as x, y, x, y ..."""
    moved = shapely.transform(thinned(shape, fine / 4), lambda c: np.stack(system.path.there(c[:, 0], c[:, 1]), axis=1))
    simple = shapely.simplify(moved, fine)
    lines: list[shapely.Geometry] = []
    for part in shapely.get_parts(simple):
        lines += shapely.get_rings(part).tolist() if shapely.get_dimensions(part) == 2 else [part]
    return [np.round(shapely.get_coordinates(line), 1).ravel().tolist() for line in lines]


def section_columns(a: Assessment, sections: Sequence[LongSection]) -> list[dict[str, Any]]:
    """Ground along each section and which rows of `hydrant_columns` stand on it."""
    unit = METRES[elevation_unit(a.inputs.plan.output.unit)]
    shown = _order(a)
    place = np.full(len(a), -1, dtype=np.int64)
    place[shown] = np.arange(len(shown))
    return [
        {
            "name": s.name,
            "job": s.job,
            "how": s.how,
            "first": round(s.first / unit, 2),
            "length": round(s.length / unit, 2),
            "before": _plain(s.before / unit, _ELEVATION_DIGITS),
            "after": _plain(s.after / unit, _ELEVATION_DIGITS),
            "rows": place[s.rows][place[s.rows] >= 0].tolist(),
            "at": np.round(s.at / unit, 1)[place[s.rows] >= 0].tolist(),
        }
        for s in sections
    ]


def page_data(
    a: Assessment, system: MapSystem, around: Surroundings, sections: Sequence[LongSection], picture: Picture | None
) -> dict[str, Any]:
    """All of it."""
    plan = a.inputs.plan
    policy, unit = plan.policy, plan.output.unit
    u = METRES[unit]
    columns = hydrant_columns(a, system)
    span = max(np.ptp(columns["x"]), np.ptp(columns["y"]), 1.0) if columns["x"] else 1.0
    return {
        "unit": unit,
        "elevation_unit": elevation_unit(unit),
        "unit_words": UNIT_WORDS[unit],
        "elevation_words": UNIT_WORDS[elevation_unit(unit)],
        "metre": system.metre,
        "to_elevation": METRES[unit] / METRES[elevation_unit(unit)],
        "imperial": imperial(unit),
        "digits": [DIGITS[unit], _ELEVATION_DIGITS],
        "actions": [[action.name, _mark(action)] for action in Action],
        "jobs": list(a.inputs.jobs.names),
        "cautions": [[code, cautions.MEANING[code]] for code in cautions.CODES],
        "window": [_short(policy.clearance_min.metres / u), _short(policy.clearance_target.metres / u),
                   _short(policy.clearance_max.metres / u)],
        "dressing": _short(policy.dressing.metres / u),
        "outlets": [_short(policy.outlet_min.metres / u), _short(policy.outlet_max.metres / u)],
        "outlet_from": policy.outlet_from,
        "basemap": plan.output.basemap,
        "picture": None if picture is None else
        {"url": picture.url, "box": [picture.west, picture.south, picture.east, picture.north]},
        "shapes": map_shapes(around, system, float(span)),
        "sections": section_columns(a, sections),
        "hydrants": columns,
    }  # fmt: skip


def _mark(action: Action) -> dict[str, Any]:
    mark = mark_of(action)
    return {"label": mark.label, "fill": mark.fill, "path": outline(mark), "size": mark.size}


def _short(value: float) -> float:
    return round(value, 4)
