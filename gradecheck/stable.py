"""What ground where nothing is built says of two surveys: offset, spread, tilt, and how well each is known. Pure.

There `after` less `before` should be 0 within the stated errors. Medians, not means, so that a tree or a parked lorry
does not rule (Höhle & Höhle, ISPRS J. 64, 2009); standard errors that know that neighbours share their errors.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.distance import squareform
from scipy.special import ndtr, stdtrit

from gradecheck.probability import Floats
from gradecheck.variogram import OUTLYING, Model, Pairs, Variogram, median_error, nmad, variogram

FEW = 30
"""Points below which no variogram is made and no tilt is said to show."""
TILT_ERRORS = 3.0
"""Standard errors that a tilt must be beyond to show."""
TILT_LEAST = 0.015
"""Metres across the area that a tilt must be beyond to show."""
ALLOWED = 1.96
"""Standard deviations that the median may lie off 0: 95 of 100."""
TOO_WIDE, TOO_NARROW = 1.5, 0.5
"""Spread over the stated sd from which the two contradict one another."""
LEAST = 0.001
"""Metres: of less than a millimetre nothing is said."""
PART_POINTS = 5
"""Points that a part of the area needs to be told."""
_SIDE_PARTS = 4
_HUBER = 1.345
_HUBER_LOSS = 1.05
"""Variance of Huber's estimate over that of least squares on normal errors (95 % efficient)."""
_SLOW = 0.25
"""Of the patches that tell a sill, those that tell the slowest waves, which make slopes (by simulation)."""
_PLAIN = 8.0
"""Standard errors that a tilt must be beyond to show where nothing but white noise is left beside it."""
_ROUNDS = 60
_NMAD_SPREAD = 1.17
"""Standard deviation of an NMAD of n normal values: so much of it over sqrt(n) (a MAD is 37 % efficient)."""
_POINTS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
_THERE = "Where nothing is built"


@dataclass(frozen=True, slots=True)
class Summary:
    """Differences on stable ground, metres, positive where `after` is higher.

    count: points.
    median, nmad: the offset and the robust sd about it.
    rmse: root mean square about 0.
    p05, p95: quantiles.
    """

    count: int
    median: float
    nmad: float
    rmse: float
    p05: float
    p95: float


@dataclass(frozen=True, slots=True)
class Tilt:
    """The plane through the differences.

    east, north: metres per metre, rise of the difference to the east and to the north.
    across: metres, never negative: from the plane's lowest to its highest point among the points.
    standard_error: metres, of `across`, under the correlation of the errors.
    shows: beyond 3 standard errors and 1.5 cm, with 30 points or more.
    """

    east: float
    north: float
    across: float
    standard_error: float
    shows: bool

    @property
    def azimuth(self) -> float:
        """Degrees clockwise from north, the way that the difference rises."""
        return float(np.degrees(np.arctan2(self.east, self.north)) % 360)


@dataclass(frozen=True, slots=True)
class Part:
    """One cell of a grid over the area: its centre (working plane, metres), points, and their median (metres)."""

    x: float
    y: float
    count: int
    median: float


@dataclass(frozen=True, slots=True)
class StableGround:
    """All that stable ground says.

    summary: of the differences as given.
    variogram: None for few points; of what the plane leaves where a tilt shows, else of the differences themselves.
    tilt: the plane through the differences.
    parts: how the median varies over the area, from the south-west, row by row.
    standard_error: metres, of the median, with what outliers on one side move it by.
    independent: how many independent points would tell the spread as well.
    few: fewer than 30 points; the standard error takes them for independent.
    unresolved: errors hang together over more than a third of the extent; the standard error allows for the extent.
    """

    summary: Summary
    variogram: Variogram | None
    tilt: Tilt
    parts: tuple[Part, ...]
    standard_error: float
    independent: float
    few: bool
    unresolved: bool


def stable_ground(x: Floats, y: Floats, dz: Floats) -> StableGround:
    """Statistics of differences dz (n,) metres at x, y (n,) metres of a plane; none NaN; ValueError for no point.

    >>> dz = np.array([0.02, 0.05, 0.03, -0.01, 0.04, 0.90, 0.03])
    >>> ground = stable_ground(np.arange(7.0), np.zeros(7), dz)
    >>> ground.summary.median, round(ground.summary.nmad, 6), ground.few
    (0.03, 0.014826, True)
    """
    if not len(dz):
        raise ValueError("no points on stable ground")
    summary = _summary(dz)
    plane = _plane(x, y, dz)
    parts = _parts(x, y, dz)
    if len(dz) < FEW:
        noise = Model(summary.nmad**2)
        tilt = _tilt(Pairs(x, y), plane, (noise,), may_show=False)
        error = float(np.sqrt(np.pi / 2 / len(dz))) * summary.nmad
        return StableGround(summary, None, tilt, parts, error, float(len(dz)), few=True, unresolved=False)
    pairs = Pairs(x, y)
    height = _height(x, y, plane)
    found = variogram(pairs, dz - height, plane_taken=True)
    tilt = _tilt(pairs, plane, (found.model, found.widest), may_show=True)
    plain = not tilt.shows and found.model.range == 0 and _plain_tilt(pairs, plane, found.model)
    if plain:
        tilt, found = plain, replace(found, widest=found.model, unresolved=False)
    if not tilt.shows:
        found = variogram(pairs, dz)
    away = summary.median - height if tilt.shows else np.zeros(len(dz))
    models = {found.model, found.widest}
    error = max(median_error(pairs, m, away) * _few_patches(pairs, m, ALLOWED) for m in models)
    error = float(np.hypot(error, _pull(dz - height if tilt.shows else dz, found.model)))
    independent = _independent(pairs, found.model)
    return StableGround(summary, found, tilt, parts, error, independent, few=False, unresolved=found.unresolved)


def _summary(dz: Floats) -> Summary:
    p05, p95 = np.quantile(dz, [0.05, 0.95]).tolist()
    rmse = float(np.sqrt(np.mean(np.square(dz))))
    return Summary(len(dz), float(np.median(dz)), nmad(dz), rmse, p05, p95)


def _few_patches(pairs: Pairs, model: Model, sds: float, share: float = 1.0) -> float:
    """By how much a standard error is widened, so that so many of it go on covering what they should.

    A sill and a range told from few patches of correlated ground are uncertain themselves: Student's t over the normal,
    with as many degrees of freedom as a share of such patches, 1 / mean correlation of the correlated part.
    """
    alike = pairs.mean(model.covariance(pairs.distance))
    if not alike:
        return 1.0
    patches = share * sum(model.sills) / alike
    return float(stdtrit(max(patches, 2.0), float(ndtr(sds)))) / sds


def _pull(error: Floats, model: Model) -> float:
    """Metres, by which outliers move the median where more of them lie on one side, as lorries in one survey do: half
    their surplus over the density at the median."""
    off = error - np.median(error)
    limit = OUTLYING * nmad(error)
    surplus = abs(float((off > limit).mean() - (off < -limit).mean()))
    return surplus / 2 * float(np.sqrt(2 * np.pi * model.sill))


def _independent(pairs: Pairs, model: Model) -> float:
    """n² / sum_ij r_ij²: so many independent normals tell a variance as well."""
    n = len(pairs.x)
    if model.sill <= 0:
        return float(n)
    alike = pairs.mean(np.square(model.covariance(pairs.distance) / model.sill))
    return n / (1 + (n - 1) * alike)


def _design(x: Floats, y: Floats) -> tuple[Floats, float]:
    """(n, 3) columns 1, east, north about the middle in units of the extent, and the extent: numbers near 1."""
    extent = float(max(np.ptp(x), np.ptp(y))) or 1.0
    return np.column_stack([np.ones(len(x)), (x - x.mean()) / extent, (y - y.mean()) / extent]), extent


def _plane(x: Floats, y: Floats, dz: Floats) -> Floats:
    """(3,) coefficients over `_design` by Huber's (1964) weights, then again without the points that lie off that plane
    by more than 3.5 NMAD; the least slopes where the points lie on a line."""
    a, _ = _design(x, y)
    left = dz - a @ _huber(a, dz)
    kept = np.abs(left - np.median(left)) <= OUTLYING * nmad(left)
    return _huber(a[kept], dz[kept])


def _huber(a: Floats, dz: Floats) -> Floats:
    """Weights made anew from the NMAD of what is left until the plane stays."""
    plane = np.linalg.lstsq(a, dz, rcond=1e-9)[0]
    floor = 1e-12 * max(float(np.abs(dz).max()), 1e-12)
    for _ in range(_ROUNDS):
        left = dz - a @ plane
        scale = max(nmad(left), floor)
        root = np.sqrt(np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(left), floor)))
        before, plane = plane, np.linalg.lstsq(a * root[:, None], dz * root, rcond=1e-9)[0]
        if np.abs(plane - before).max() <= 1e-6 * scale:
            break
    return np.asarray(plane)


def _height(x: Floats, y: Floats, plane: Floats) -> Floats:
    return np.asarray(_design(x, y)[0] @ plane)


def _tilt(pairs: Pairs, plane: Floats, models: tuple[Model, ...], *, may_show: bool) -> Tilt:
    """What the plane makes across the points: `across` is its slope times the way `far` between the two points where it
    is lowest and highest, so that its variance is far' V far with V that of the slopes."""
    a, extent = _design(pairs.x, pairs.y)
    slopes = a[:, 1:] @ plane[1:]
    far = a[slopes.argmax(), 1:] - a[slopes.argmin(), 1:]
    across = float(far @ plane[1:])
    variance = max(float(far @ _plane_variance(pairs, a, model)[1:, 1:] @ far) for model in models)
    error = float(np.sqrt(max(variance, 0.0)))
    east, north = (plane[1:] / extent).tolist()
    return Tilt(east, north, across, error, may_show and across > max(TILT_ERRORS * error, TILT_LEAST))


def _plain_tilt(pairs: Pairs, plane: Floats, model: Model) -> Tilt | None:
    """The tilt where what the plane leaves is as good as white: there long waves are no other name for it."""
    tilt = _tilt(pairs, plane, (model,), may_show=True)
    return tilt if tilt.across > max(_PLAIN * tilt.standard_error, TILT_LEAST) else None


def _plane_variance(pairs: Pairs, a: Floats, model: Model) -> Floats:
    """(3, 3): (A'A)^-1 A'CA (A'A)^-1; what differs from point to point widened for Huber's weights, sums over different
    points taken from those drawn."""
    n, some = len(a), a[pairs.drawn]
    m = len(some)
    inner = (_HUBER_LOSS * model.nugget + sum(model.sills)) * (a.T @ a)
    if model.sills and m > 1:
        shared = some.T @ squareform(model.covariance(pairs.distance)) @ some
        inner = inner + shared * (n * (n - 1) / (m * (m - 1)))
    inverse = np.linalg.pinv(a.T @ a, rcond=1e-9)
    return np.asarray(inverse @ inner @ inverse) * _few_patches(pairs, model, TILT_ERRORS, _SLOW) ** 2


def _parts(x: Floats, y: Floats, dz: Floats) -> tuple[Part, ...]:
    """Cells about square, four or fewer along the longer side, fewer where points are few."""
    wide, high = float(np.ptp(x)), float(np.ptp(y))
    most = int(np.clip(np.sqrt(len(dz) / (2 * PART_POINTS)), 1, _SIDE_PARTS))
    side = max(wide, high) / most or 1.0
    columns, rows = max(round(wide / side), 1), max(round(high / side), 1)
    column = np.minimum((x - x.min()) / (wide or 1.0) * columns, columns - 1).astype(np.int64)
    row = np.minimum((y - y.min()) / (high or 1.0) * rows, rows - 1).astype(np.int64)
    cell = row * columns + column
    return tuple(
        Part(
            float(x.min() + (k % columns + 0.5) * wide / columns),
            float(y.min() + (k // columns + 0.5) * high / rows),
            int((cell == k).sum()),
            float(np.median(dz[cell == k])),
        )
        for k in range(rows * columns)
        if (cell == k).sum() >= PART_POINTS
    )


def verdicts(ground: StableGround, own_sd: float, shared_sd: float, show: Callable[[float], str]) -> list[str]:
    """What an engineer should know, in sentences; none where stable ground agrees with what is stated.

    own_sd: metres, stated sd of the change at a point, without what all points share; shared_sd: that.
    show: metres to text, in the plan's unit.
    """
    found = (
        _of_offset(ground, own_sd, shared_sd, show),
        _of_spread(ground, own_sd, show),
        _of_tilt(ground, show),
        _of_few(ground, show),
    )
    return [text for text in found if text]


def _of_offset(ground: StableGround, own_sd: float, shared_sd: float, show: Callable[[float], str]) -> str:
    """Where points are few and happen to agree, their standard error is not below what the stated sd makes it."""
    error, s = ground.standard_error, ground.summary
    if ground.few:
        error = max(error, own_sd * float(np.sqrt(np.pi / 2 / s.count)))
    allowed = ALLOWED * float(np.hypot(shared_sd, error))
    if abs(s.median) <= max(allowed, LEAST):
        return ""
    return (
        f"{_THERE}, after lies {show(abs(s.median))} {'above' if s.median > 0 else 'below'} before (median of {s.count}"
        f" points); the stated errors allow {show(allowed)}. Every change in the results is off by about as much. The "
        "surfaces may be on different vertical datums or epochs, or rest on control that does not agree: ask for the "
        "control of both surveys. Once it is known to be an offset, correct = true in [stable] takes it out; if it may "
        "be either survey's error, state it as sd_shared."
    )


def _of_spread(ground: StableGround, own_sd: float, show: Callable[[float], str]) -> str:
    spread, chance = ground.summary.nmad, 2 * _NMAD_SPREAD / float(np.sqrt(ground.independent))
    if ground.tilt.shows and ground.variogram:
        spread = float(np.sqrt(ground.variogram.model.sill))
    seen = f"{show(spread)} (standard deviation, outliers {'and tilt ' if ground.tilt.shows else ''}left out)"
    if abs(spread - own_sd) <= LEAST:
        return ""
    if spread > own_sd * max(TOO_WIDE, 1 + chance):
        return (
            f"{_THERE}, the differences scatter by {seen}; the stated errors make it {show(own_sd)}. The stated sd is "
            "too hopeful, and results look surer than they are: state a larger sd in [before] or [after], or look "
            "whether some of the stable ground was altered after all."
        )
    if spread < own_sd * min(TOO_NARROW, 1 - chance):
        return (
            f"{_THERE}, the differences scatter by only {seen}; the stated errors make it {show(own_sd)}. The stated "
            "sd may be too cautious, and a smaller one would settle more hydrants; or both surfaces hold the same "
            "survey there, which proves nothing: ask what each was made from before a smaller sd is stated."
        )
    return ""


def _of_tilt(ground: StableGround, show: Callable[[float], str]) -> str:
    tilt = ground.tilt
    if not tilt.shows:
        return ""
    way = _POINTS[round(tilt.azimuth / 45) % 8]
    return (
        f"{_THERE}, the difference rises by {show(tilt.across)} from one end of the area to the other, towards the "
        f"{way} (standard error {show(tilt.standard_error)}): one of the surveys is tilted or warped. One offset, "
        "correct = true in [stable], takes out the middle only and leaves up to half of that at the ends: ask for the "
        "control of both surveys and for a new adjustment, or state what is left as sd_shared."
    )


def _of_few(ground: StableGround, show: Callable[[float], str]) -> str:
    error, count = show(ground.standard_error), ground.summary.count
    if ground.few:
        return (
            f"Only {count} point{'s lie' if count > 1 else ' lies'} on stable ground: the offset there is known to a "
            f"standard error of {error} at best, and a tilt could not be told. Give more or larger areas in [stable] "
            "before correct = true is relied on, or ask for the control of both surveys."
        )
    if ground.unresolved:
        return (
            f"{_THERE}, neighbouring differences are alike over much of the area, so that its {count} points count as "
            f"a few; the offset is known to a standard error of {error}, taken on the safe side. One of the surveys "
            "may be warped. Add stable ground farther apart before correct = true is relied on, or ask for the control."
        )
    return ""
