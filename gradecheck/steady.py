"""Stable ground in a plan: both surfaces asked on a regular set of points where nothing is built."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import shapely
from pyproj import CRS

from gradecheck import reference
from gradecheck.errors import Finding, InputError, listed
from gradecheck.grounds import Ground
from gradecheck.layers import read_layer
from gradecheck.paving import geometries, within_reach
from gradecheck.plan import Plan, StableSource
from gradecheck.probability import Floats
from gradecheck.stable import StableGround, stable_ground
from gradecheck.surfaces import Surface
from gradecheck.units import Length, show

_WANTED = 900
"""Points that a grid aims at where the plan states no spacing."""
_MOST_CORRECTED = 5.0
_LARGE = 0.3
"""Metres of correction: beyond the one the run stops, beyond the other it is asked what that may be."""
_APART = 3.0
"""Standard errors of a part's median by which the parts may differ before one offset is doubted."""
_MOST = 20_000
_CREDIBLE = 0.5
"""Of the assumed error: a spread that is less is not taken for an estimate of it."""
_ROWS = 2_000_000
"""Cells of a grid that are looked at together."""
_LEAST_SD = 0.2
"""Of the spread: the least that is left to one survey's own error once the other's stated one is taken away."""


@dataclass(frozen=True, slots=True)
class Steady:
    """What stable ground says of the two surfaces of a plan.

    x, y: (n,) working units, of `metre` metres, where both have ground. dz: (n,) metres, after less before, nothing
    corrected.
    ground: its statistics. own_sd: metres, what the sds of both surfaces make of the change there, as stated or
    assumed. corrected: metres that the before surface is raised by, 0 where the plan does not ask for it.
    estimated: the sides whose sd is the spread, since the plan states none. built: points inside the limits of work,
    left out.
    """

    x: Floats
    y: Floats
    metre: float
    dz: Floats
    ground: StableGround
    own_sd: float
    corrected: float
    estimated: tuple[str, ...]
    built: int = 0

    @property
    def error(self) -> float:
        """Metres: how well one offset is known for the whole area.

        The standard error of the median; of few points no less than what the surfaces' own errors make it; where parts
        of the area say different things, that of so many parts; with what a tilt leaves at the ends.
        """
        g = self.ground
        error = g.standard_error
        if g.few:
            error = max(error, self.own_sd * float(np.sqrt(np.pi / 2 / g.summary.count)))
        if self.parts_differ:
            error = max(error, self._between / float(np.sqrt(len(g.parts))))
        return float(np.hypot(error, g.tilt.across / np.sqrt(12))) if g.tilt.shows else error

    @property
    def _between(self) -> float:
        """Metres: standard deviation of the medians of the parts."""
        medians = [part.median for part in self.ground.parts]
        return float(np.std(medians, ddof=1)) if len(medians) > 1 else 0.0

    @property
    def parts_differ(self) -> bool:
        """Whether parts of the area say more different things than their points allow, and no tilt explains it."""
        g = self.ground
        one = g.standard_error * float(np.sqrt(max(len(g.parts), 1)))
        return not g.tilt.shows and self._between > max(_APART * one, 0.01)

    @property
    def doubts(self) -> list[str]:
        """What must be said beside the statistics' own verdicts."""
        told = []
        if self.parts_differ:
            told.append(
                "parts of the stable ground differ by more than their points allow (standard deviation of their "
                f"medians {self._between:.3f} m): one offset does not hold for all; look at the picture in the report"
            )
        if abs(self.corrected) > _LARGE:
            told.append(
                f"a correction of {self.corrected:.2f} m is larger than surveys are off by: it may hide another "
                "vertical datum, or heights above the ellipsoid; state the vertical reference of both grounds"
            )
        return told

    @property
    def left(self) -> Floats:
        """(n,) metres: the differences less their median, or less the plane through them where a tilt shows."""
        if not self.ground.tilt.shows:
            return self.dz - self.ground.summary.median
        plane = self.ground.tilt
        unit = self.metre
        x, y = (self.x - self.x.mean()) * unit, (self.y - self.y.mean()) * unit
        flat = self.dz - plane.east * x - plane.north * y
        return np.asarray(flat - np.median(flat))


@dataclass(frozen=True, slots=True)
class Site:
    """Where work is done, in the working system. limits: polygons of it, or None. built: what is no stable ground."""

    work: CRS
    limits: shapely.Geometry | None
    built: shapely.Geometry | None


def look(plan: Plan, source: StableSource, site: Site, old: Surface, new: Surface, notes: list[str]) -> Steady:
    """Ask both surfaces. notes: what must be said of the layer, added to.

    Raises InputError where they share no such ground.
    """
    work = site.work
    if plan.before is None:
        what = "there is no [before] ground that the design could be held against"
        raise InputError(Finding("stable", what, "leave [stable] out"))
    if source.correct and len(plan.before.layers_down) > 1:
        what = "correct = true would move several sources of [[before]] by one amount, and each may be off by its own"
        raise InputError(Finding("stable.correct", what, "correct them one by one, or leave it out"))
    x, y = _places(plan, source, site, shapely.intersection(old.extent, new.extent), notes)
    inside = np.zeros(len(x), dtype=bool)
    if site.built is not None:
        shapely.prepare(site.built)
        inside = shapely.intersects_xy(site.built, x, y)
    built = int(inside.sum())
    if built == len(x):
        what = f"all {len(x)} points on stable ground lie where the paving plan or the design builds"
        raise InputError(Finding("stable", what, "name areas where nothing is built"))
    x, y = x[~inside], y[~inside]
    before, after = old.heights(x, y), new.heights(x, y)
    both = np.isfinite(before.z) & np.isfinite(after.z)
    if not both.any():
        what = f"at none of {len(x)} points on stable ground do both surfaces have a height"
        mend = "name areas where both do (a design file of the road alone has none), or leave [stable] out"
        raise InputError(Finding("stable", what, mend))
    unit = reference.metres_per_unit(work)
    dz = after.z[both] - before.z[both]
    own = np.sqrt(_difference(before.sd[both], after.sd[both], plan.after.correlation))
    found = stable_ground(x[both] * unit, y[both] * unit, dz)
    usual = float(np.median(own))
    # A spread far below what such surfaces are known for shows one survey in both more often than a very good one.
    sides = _unstated(plan) if not found.few and found.summary.nmad >= _CREDIBLE * usual else ()
    corrected = found.summary.median if source.correct else 0.0
    if abs(corrected) > _MOST_CORRECTED:
        what = f"correct = true would move the existing ground by {corrected:.1f} m, which is no survey's error"
        raise InputError(Finding("stable.correct", what, "state the true unit and vertical reference of both grounds"))
    return Steady(x[both], y[both], unit, dz, found, usual, corrected, sides, built)


def _difference(one: Floats, other: Floats, correlation: float) -> Floats:
    """(n,) variance of the difference of two heights whose own errors are correlated."""
    return np.asarray(np.square(one) + np.square(other) - 2 * correlation * one * other)


def _unstated(plan: Plan) -> tuple[str, ...]:
    """The sides on which no source states an sd."""
    sides = (("before", plan.before), ("after", plan.after))
    return tuple(
        name for name, g in sides if g is not None and not any("sd" in s.model_fields_set for s in g.layers_down)
    )


def _places(
    plan: Plan, source: StableSource, site: Site, shared: shapely.Geometry, notes: list[str]
) -> tuple[Floats, Floats]:
    """(n,), (n,) where stable ground is looked at, working units: the plan's points, or a grid over its areas."""
    work, limits = site.work, site.limits
    unit = reference.metres_per_unit(work)
    if source.path is None:
        if limits is None or source.beyond is None:
            what = "stable ground beyond the limits of work is asked for, and no limits are known"
            raise InputError(Finding("stable.beyond", what, "give [paving] or [after] limits as polygons, or a path"))
        area = shapely.difference(shared, within_reach(limits, source.beyond.metres / unit))
    else:
        layer = read_layer(plan.resolve(source.path), source.path, "stable", source.layer)
        found, told = geometries(layer, work, "stable", 0)
        notes.extend(told)
        shapes = list(found.values())
        points = [g for g in shapes if shapely.get_dimensions(g) == 0]
        if len(points) == len(shapes):
            x, y = shapely.get_coordinates(points).T
            return np.ascontiguousarray(x), np.ascontiguousarray(y)
        areas = [g for g in shapes if shapely.get_dimensions(g) == 2]
        if not areas:
            raise InputError(Finding("stable", f"{layer.shown} has no polygons or points", "give areas or points"))
        if len(areas) < len(shapes):
            others = [int(layer.place[i]) for i, g in found.items() if shapely.get_dimensions(g) < 2]
            notes.append(f"{layer.shown}: rows without polygons passed over beside those with: {listed(others)}")
        area = shapely.intersection(shapely.union_all(areas), shared)
    return _grid(area, None if source.spacing is None else source.spacing.metres / unit)


def _grid(area: shapely.Geometry, spacing: float | None) -> tuple[Floats, Floats]:
    """Points of a square grid inside an area. Raises InputError for none, or for far too many."""
    size = shapely.area(area)
    step = spacing or float(np.sqrt(max(size, 1e-9) / _WANTED))
    if size / step**2 > _MOST:
        what = f"a spacing so small gives {size / step**2:,.0f} points on stable ground; {_MOST:,} are the most"
        raise InputError(Finding("stable.spacing", what, "state a larger one, or none"))
    if size > 0:
        found = [places for part in shapely.get_parts(area) for places in _inside(part, step)]
        if sum(len(x) for x, _ in found):
            return np.concatenate([x for x, _ in found]), np.concatenate([y for _, y in found])
    what = "no stable ground lies where both surfaces may have some"
    raise InputError(Finding("stable", what, "name other areas, a smaller distance or a smaller spacing"))


def _inside(part: shapely.Geometry, step: float) -> Iterator[tuple[Floats, Floats]]:
    """Points of the grid inside one area, some rows of it at a time."""
    left, bottom, right, top = part.bounds
    columns, rows = _steps(left, right, step), _steps(bottom, top, step)
    shapely.prepare(part)
    many = max(1, _ROWS // max(len(columns), 1))
    for k in range(0, len(rows), many):
        gx, gy = (g.ravel() for g in np.meshgrid(columns, rows[k : k + many]))
        inside = shapely.contains_xy(part, gx, gy)
        yield gx[inside], gy[inside]


def _steps(low: float, high: float, step: float) -> Floats:
    """Whole multiples of the step, and a half."""
    return np.asarray((np.arange(np.floor(low / step), np.ceil(high / step)) + 0.5) * step, dtype=np.float64)


def with_spread(before: Ground, after: Ground, steady: Steady) -> tuple[Ground, Ground]:
    """Both grounds, with the spread of stable ground as sd where the plan states none."""
    if not steady.estimated:
        return before, after
    own = {"before": _top_sd(before), "after": _top_sd(after)}
    spread = steady.ground.summary.nmad
    if len(steady.estimated) == 2:
        factor = spread / float(np.hypot(own["before"], own["after"]))
        sds = {side: own[side] * factor for side in own}
    else:
        (side,) = steady.estimated
        other = own["after" if side == "before" else "before"]
        sds = {side: float(np.sqrt(max(spread**2 - other**2, (_LEAST_SD * spread) ** 2)))}
    return _with_sd(before, sds.get("before")), _with_sd(after, sds.get("after"))


def _top_sd(ground: Ground) -> float:
    return ground.sources[0].settings.sd.metres if ground.sources else 0.0


def _with_sd(ground: Ground, sd: float | None) -> Ground:
    if sd is None:
        return ground
    stated = Length(round(sd, 5), "m")
    sources = [replace(s, settings=s.settings.model_copy(update={"sd": stated})) for s in ground.sources]
    return replace(ground, sources=tuple(sources))


def assumed(steady: Steady, before: Ground, after: Ground) -> list[str]:
    """What of the errors is estimated on stable ground, in words."""
    return [
        f"{side}.sd = {ground.sources[0].settings.sd}: not stated, estimated from the spread on stable ground "
        f"({steady.ground.summary.count} points)"
        for side, ground in (("before", before), ("after", after))
        if side in steady.estimated and ground.sources
    ]


def lines(seen: Steady, unit: str) -> tuple[str, ...]:
    """Stable ground for a checklist. unit: of elevations."""
    g, s = seen.ground, seen.ground.summary

    def text(metres: float) -> str:
        return show(metres, unit, 3)

    found = [
        f"{s.count:,} points where both surfaces have ground",
        f"after less before: median {text(s.median)}, standard error {text(seen.error)}",
        f"spread {text(s.nmad)} (NMAD); the stated errors make it {text(seen.own_sd)}",
        f"5 of 100 below {text(s.p05)}, 5 above {text(s.p95)}; root mean square {text(s.rmse)}",
        f"tilt across the area {text(g.tilt.across)}, standard error {text(g.tilt.standard_error)}",
    ]
    if seen.corrected:
        found.append(f"correct = true: the before surface is raised by {text(seen.corrected)}")
    return tuple(found)
