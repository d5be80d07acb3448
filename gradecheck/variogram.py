"""How far errors on the ground hang together: variogram, its model, what it makes of medians and planes. Pure; metres.

Differences of two surveys are rarely independent from point to point: errors of position, strips and control are shared
by neighbours, and do not average out. Read with Cressie, Statistics for Spatial Data (1993), chapter 2; Rolstad,
Haug & Denby, J. Glaciol. 55 (2009) for differences of elevation models.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.optimize import nnls
from scipy.spatial.distance import pdist, squareform
from scipy.special import ndtr

from gradecheck.probability import Bools, Floats, Ints

MOST_POINTS = 1500
"""Points of which pairs are made; of more, so many are drawn once with a fixed seed."""
FEWEST_PAIRS = 30
"""Pairs that a lag needs to be believed."""
OUTLYING = 3.5
"""Robust sds (NMAD) from the median past which a point (a tree, a parked lorry) makes no pairs."""
RESOLVED = 1 / 3
"""Share of the extent up to which a range is resolved: beyond, too few patches are seen."""
_LAGS = 16
_RANGES = 30
_FEWEST_LAGS = 5
_SEEN = 2.0
"""Standard deviations of chance that correlation must stand out by."""
_FLATTENED = 200
"""Points over which it is computed what a plane takes away from the variogram."""
_SEED = 20261125


@dataclass(frozen=True, slots=True)
class Model:
    """White noise and up to two correlated errors one over another, each with a spherical variogram.

    Spherical, since its correlation ends: 'points farther apart than the range know nothing of one another' is what the
    number says, and whether the area is large enough for it can be asked. Two nested ones come near any other shape.

    nugget: metres squared, what differs from point to point.
    sills: () to (2,) metres squared, of each correlated error.
    ranges: as many, metres, ascending.
    """

    nugget: float
    sills: tuple[float, ...] = ()
    ranges: tuple[float, ...] = ()

    @property
    def sill(self) -> float:
        """Metres squared: variance of the error at a point."""
        return self.nugget + sum(self.sills)

    @property
    def range(self) -> float:
        """Metres: the longest distance over which errors hang together; 0 where they do not."""
        return max(self.ranges, default=0.0)

    def covariance(self, distance: Floats) -> Floats:
        """Metres squared, between two different points so far apart."""
        out = np.zeros(np.shape(distance))
        for sill, reach in zip(self.sills, self.ranges, strict=True):
            out += sill * (1 - spherical(distance, reach))
        return out

    def gamma(self, distance: Floats) -> Floats:
        """Metres squared: half the variance of the difference of two points so far apart.

        >>> Model(1.0, (2.0,), (10.0,)).gamma(np.array([0.0, 5.0, 10.0, 99.0]))
        array([1.   , 2.375, 3.   , 3.   ])
        """
        return self.sill - self.covariance(distance)


def spherical(distance: Floats, reach: float) -> Floats:
    """Variogram of unit sill: 1.5 h - 0.5 h³ up to h = distance / reach = 1, then 1."""
    h = np.minimum(np.asarray(distance, dtype=np.float64) / reach, 1.0)
    return np.asarray(h * (1.5 - 0.5 * h * h))


def nmad(values: Floats) -> float:
    """1.4826 median |v - median v|: the sd of what is normal among the values (Höhle & Höhle 2009)."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


@dataclass(frozen=True, slots=True, eq=False)
class Variogram:
    """How differences between points grow with their distance, measured and modelled.

    lag: (L,) metres, mean distance of the pairs of each lag, up to about half the extent.
    gamma: (L,) metres squared, half of Dowd's (1984) 2.198 median(|difference|)².
    pairs: (L,) how many each rests on.
    points: how many points made pairs (at most 1500, of more drawn with a fixed seed).
    set_aside: outliers among the drawn points, which made none.
    model: fitted; of range 0 where no correlation stands out.
    widest: the cautious model. Where the range is not resolved, fitted with the longest that is looked for, the extent;
        where a plane was taken and no correlation stands out, what was fitted nonetheless; else `model`.
    unresolved: the range is beyond a third of the extent.
    """

    lag: Floats
    gamma: Floats
    pairs: Ints
    points: int
    set_aside: int
    model: Model
    widest: Model
    unresolved: bool


def dowd(differences: Floats) -> float:
    """Dowd's (1984) robust variogram value, halved: metres squared.

    >>> round(dowd(np.array([-2.0, 1.0, 3.0])), 3)
    4.396
    """
    return 2.198 / 2 * float(np.median(np.abs(differences))) ** 2


@dataclass(frozen=True)
class Pairs:
    """The pairs of n points, or of as many of them as are drawn, and the lags that they fall in.

    x, y: (n,) metres.
    """

    x: Floats
    y: Floats

    @property
    def extent(self) -> float:
        """Metres, the longer side of the box around the points."""
        return float(max(np.ptp(self.x), np.ptp(self.y)))

    @cached_property
    def drawn(self) -> Ints:
        """(m,) rows of the points, in an order drawn with a fixed seed."""
        rows: Ints = np.random.default_rng(_SEED).permutation(len(self.x))[:MOST_POINTS].astype(np.int64)
        return rows

    @cached_property
    def ends(self) -> tuple[Ints, Ints]:
        """(P,) each: places in `drawn` of the two points of every pair."""
        i, j = np.triu_indices(len(self.drawn), 1)
        return i, j

    @cached_property
    def distance(self) -> Floats:
        """(P,) metres."""
        return np.asarray(pdist(np.column_stack([self.x[self.drawn], self.y[self.drawn]])))

    @cached_property
    def edges(self) -> Floats:
        """Upper ends of the lags, metres, each longer than the one before by the same factor; the first is the distance
        within which there are 50 pairs."""
        longest = self.extent / 2
        if len(self.distance) <= 50 or longest <= 0:
            return np.array([longest])
        first = min(float(np.partition(self.distance, 50)[50]), longest)
        return np.geomspace(max(first, longest / 1e4), longest, _LAGS) * (1 + 1e-9)

    @cached_property
    def ranges(self) -> Floats:
        """Metres: ranges looked for, from the shortest lag to the extent."""
        return np.geomspace(self.edges[0], self.extent, _RANGES)

    @cached_property
    def by_lag(self) -> list[Ints]:
        """Pairs of each lag."""
        lag = np.searchsorted(self.edges, self.distance).astype(np.int8)
        order = np.argsort(lag, kind="stable").astype(np.int64)
        return np.split(order, np.searchsorted(lag[order], np.arange(1, len(self.edges) + 1)))[:-1]

    def mean(self, per_pair: Floats) -> float:
        """Mean over all pairs, 0 where there are none."""
        return float(per_pair.mean()) if len(per_pair) else 0.0


def variogram(pairs: Pairs, error: Floats, *, plane_taken: bool = False) -> Variogram:
    """The variogram of an error (n,), metres, measured and modelled.

    plane_taken: the errors are what a plane, fitted to them, left. It takes away of the slow variation too; the model
    is fitted for the variogram that its errors have less their own plane, so that it speaks of them as they were.
    """
    values = error[pairs.drawn]
    kept = np.abs(values - np.median(values)) <= OUTLYING * nmad(values)
    lag, gamma, count, used = _measured(pairs, values, kept)
    points, aside = int(kept.sum()), int((~kept).sum())
    plain = Model(nmad(values) ** 2)
    if len(lag) < _FEWEST_LAGS or not gamma.any():
        return Variogram(lag, gamma, count, points, aside, plain, plain, False)
    columns = np.stack([spherical(lag, reach) for reach in pairs.ranges], axis=1)
    if plane_taken:
        columns = _less_plane(pairs, columns, used)
    model, widest = _fitted(pairs.ranges, columns, gamma, count)
    if not _stands_out(pairs, values, kept, model):
        plain = Model(float(np.average(gamma, weights=count)))
        return Variogram(lag, gamma, count, points, aside, plain, model if plane_taken else plain, False)
    unresolved = model.range > RESOLVED * pairs.extent
    return Variogram(lag, gamma, count, points, aside, model, widest if unresolved else model, unresolved)


def _measured(pairs: Pairs, values: Floats, kept: Bools) -> tuple[Floats, Floats, Ints, Ints]:
    """Mean distance, gamma, count and number of each lag with pairs enough."""
    i, j = pairs.ends
    rows = []
    for number, members in enumerate(pairs.by_lag):
        use = members[kept[i[members]] & kept[j[members]]]
        if len(use) >= FEWEST_PAIRS:
            gamma = dowd(values[i[use]] - values[j[use]])
            rows.append((pairs.distance[use].mean(), gamma, len(use), number))
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    return table[:, 0], table[:, 1], table[:, 2].astype(np.int64), table[:, 3].astype(np.int64)


def _less_plane(pairs: Pairs, columns: Floats, used: Ints) -> Floats:
    """Variograms (L, ranges) as they are once the errors' own least-squares plane is taken away.

    With H the projection on planes, errors of covariance C leave R = (I - H) C (I - H), and the mean of
    (R_ii + R_jj) / 2 - R_ij over the pairs of a lag is what is measured there.
    """
    rows = pairs.drawn[:_FLATTENED]
    xy = np.column_stack([pairs.x[rows], pairs.y[rows]])
    apart = squareform(pdist(xy))
    i, j = np.triu_indices(len(rows), 1)
    lag = np.searchsorted(pairs.edges, apart[i, j])
    many = np.bincount(lag, minlength=_LAGS + 1)[used]
    q = np.linalg.qr(np.column_stack([np.ones(len(rows)), xy - xy.mean(axis=0)]))[0]
    out = columns.copy()
    for k, reach in enumerate(pairs.ranges):
        c = 1 - spherical(apart, reach)
        half = q @ (q.T @ c)
        r = c - half - half.T + (half @ q) @ q.T
        spread = np.diag(r)
        seen = np.bincount(lag, (spread[i] + spread[j]) / 2 - r[i, j], _LAGS + 1)[used]
        out[:, k] = np.where(many >= FEWEST_PAIRS, seen / np.maximum(many, 1), out[:, k])
    return out


def _fitted(ranges: Floats, columns: Floats, gamma: Floats, count: Ints) -> tuple[Model, Model]:
    """The best model, and the same with its longest range as long as it may be.

    Cressie's (1985) weights: a lag's error is in proportion to its model value and falls with its pairs. All ranges are
    tried, their sills by non-negative least squares, so that there is no starting value to depend on. A second range is
    taken where Akaike's criterion, corrected for few lags, is for it (Webster & McBratney 1989).
    """
    weight = _weights(count) / gamma.mean()
    single = [(k,) for k in range(len(ranges))]
    for _ in range(2):
        best = min((_solve(columns, gamma, weight, ks) for ks in single), key=lambda s: s[0])
        weight = _weights(count) / np.maximum(_values(columns, best), 1e-3 * gamma.max())
    best = min((_solve(columns, gamma, weight, ks) for ks in single), key=lambda s: s[0])
    double = [(a, b) for a in range(0, len(ranges), 2) for b in range(a + 2, len(ranges), 2)]
    nested = min((_solve(columns, gamma, weight, ks) for ks in double), key=lambda s: s[0])
    if _akaike(nested[0], len(gamma), 5) < _akaike(best[0], len(gamma), 3):
        best = nested
    wide = _solve(columns, gamma, weight, (*best[2][:-1], len(ranges) - 1))
    return _model(ranges, best), _model(ranges, wide)


Solved = tuple[float, Floats, tuple[int, ...]]


def _weights(count: Ints) -> Floats:
    return np.sqrt(count.astype(np.float64))


def _solve(columns: Floats, gamma: Floats, weight: Floats, ks: tuple[int, ...]) -> Solved:
    """Weighted misfit, and nugget and sills, none negative, of some ranges."""
    a = np.column_stack([np.ones(len(gamma)), columns[:, ks]])
    sills, misfit = nnls(a * weight[:, None], gamma * weight)
    return float(misfit) ** 2, sills, ks


def _values(columns: Floats, solved: Solved) -> Floats:
    return np.asarray(solved[1][0] + columns[:, solved[2]] @ solved[1][1:])


def _akaike(misfit: float, lags: int, parameters: int) -> float:
    if lags <= parameters + 2:
        return math.inf
    return lags * math.log(max(misfit, 1e-300) / lags) + 2 * parameters * lags / (lags - parameters - 1)


def _model(ranges: Floats, solved: Solved) -> Model:
    parts = [(s, float(ranges[k])) for s, k in zip(solved[1][1:].tolist(), solved[2], strict=True) if s > 0]
    return Model(float(solved[1][0]), tuple(s for s, _ in parts), tuple(r for _, r in parts))


def _stands_out(pairs: Pairs, values: Floats, kept: Bools, model: Model) -> bool:
    """Whether neighbours are more alike than chance makes independent values: Moran's I with the model's correlation
    as weights against its moments under independence (Cliff & Ord 1981), one-sided."""
    if not model.sills:
        return False
    w = squareform(model.covariance(pairs.distance))[np.ix_(kept, kept)]
    z = values[kept] - values[kept].mean()
    n, s0 = len(z), w.sum()
    if not s0 or not z.any():
        return False
    s1, s2 = 2 * np.square(w).sum(), 4 * np.square(w.sum(axis=1)).sum()
    expected = -1 / (n - 1)
    variance = (n * n * s1 - n * s2 + 3 * s0 * s0) / (s0 * s0 * (n * n - 1)) - expected**2
    moran = n / s0 * (z @ w @ z) / (z @ z)
    return bool(moran - expected > _SEEN * np.sqrt(max(variance, 0.0)))


def median_error(pairs: Pairs, model: Model, away: Floats) -> float:
    """Metres, standard error of the median of n normal errors that are correlated.

    Bahadur (1966): the median's error is, but for what vanishes faster, sum(1/2 - [e_i <= m]) / (n f) with f the
    density at the median m. Sheppard (1899): two normals of correlation r are both below their medians with
    probability 1/4 + arcsin(r) / (2 pi). With f = 1 / (s sqrt(2 pi)) that makes

        var(median) = s² / n² · sum_ij arcsin(r_ij),

    i = j giving the pi/2 · s²/n of independent points (arcsin 1 = pi/2). s² is the model's sill, not the sample's
    variance, which falls short where errors hang together over much of the area. The mean over i != j is that of the
    drawn points. `away` (n,): metres of the median above the plane that a tilt makes, else 0; then f is the mean
    density there, and covariances of the indicators are integrated over the correlation (`_both_below`). Never
    more than where all points share one error, pi/2 · s², which the formula passes on a plane far steeper than s.
    """
    n, sill = len(pairs.x), model.sill
    if sill <= 0:
        return 0.0
    at = away[pairs.drawn] / np.sqrt(sill)
    covariance = model.covariance(pairs.distance)
    near = np.flatnonzero(covariance > 0)
    i, j = (ends[near] for ends in pairs.ends)
    shared = _both_below(at[i], at[j], np.minimum(covariance[near] / sill, 1.0)).sum() / max(len(covariance), 1)
    own = np.mean(ndtr(at) * ndtr(-at))
    density = np.mean(np.exp(-0.5 * at * at)) / np.sqrt(2 * np.pi)
    as_one_point = np.pi / 2
    variance = min((own + (n - 1) * shared) / n / max(density**2, 1e-300), as_one_point)
    return float(np.sqrt(sill * variance))


def _both_below(a: Floats, b: Floats, r: Floats) -> Floats:
    """Covariance of [u <= a] and [v <= b] for standard normals of correlation r: their joint density integrated over
    the correlation, from 0 to r, at six Gauss nodes (Drezner & Wesolowsky 1990); arcsin(r) / (2 pi) for a = b = 0."""
    angle = np.arcsin(r)
    if not a.any() and not b.any():
        return np.asarray(angle / (2 * np.pi))
    total = np.zeros(len(r))
    nodes, weights = np.polynomial.legendre.leggauss(6)
    for node, weight in zip((nodes + 1) / 2, weights / 2, strict=True):
        sine = np.sin(node * angle)
        total += weight * np.exp(-(a * a - 2 * a * b * sine + b * b) / (2 * (1 - sine * sine)))
    return np.asarray(total * angle / (2 * np.pi))
