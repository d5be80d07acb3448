"""The few distributions that decisions rest on, in closed form. No sampling.

`Mixture` holds, for every hydrant, what the ground may do around its uncertain position: a handful of
weighted normals about the value at the point.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Intervals are closed: a value within 10 picometres of an end (rounding of a height) counts as inside.
EDGE = 1e-11
_LEAST_SD = 1e-14
_PIECE = 20_000
"""Hydrants of which many atoms are looked at at a time."""


def normal_cdf(x: Floats, centre: Floats, sd: Floats) -> Floats:
    """P(N(centre, sd²) <= x), element by element, any unit; sd 0 is a step at `centre`.

    >>> normal_cdf(np.array([0.0, 1.0]), np.array(0.0), np.array(0.0)).round(3)
    array([0.5, 1. ])
    """
    out: Floats = ndtr((x - centre) / np.maximum(sd, _LEAST_SD))
    return out


def blurred_uniform_cdf(x: Floats, centre: Floats, half: Floats, sd: Floats) -> Floats:
    """P(U + N <= x) for U uniform within `half` of `centre` (half > 0) and N normal with `sd`.

    F(x) = s/(b-a) [G((x-a)/s) - G((x-b)/s)], G(z) = z Phi(z) + phi(z); sd 0 gives the uniform's own.

    >>> blurred_uniform_cdf(np.array([-2.0, 0.0, 0.5, 2.0]), np.array(0.0), np.array(1.0), np.array(0.0)).round(9)
    array([0.  , 0.5 , 0.75, 1.  ])
    """
    s = np.maximum(sd, _LEAST_SD)
    a = (x - (centre - half)) / s
    b = (x - (centre + half)) / s
    return np.clip(s * (_g(a) - _g(b)) / (2 * half), 0.0, 1.0)


def blurred_cells_cdf(x: Floats, centre: Floats, half: Floats, sd: Floats, cells: int) -> Floats:
    """P(U + N <= x) for U uniform in each of `cells` equal parts of what is within `half` of `centre`: (n,) -> (n, K).

    What `blurred_uniform_cdf` says of each part, for little more than half the work: neighbours share an end.

    >>> blurred_cells_cdf(np.array([0.5]), np.array([0.0]), np.array([1.0]), np.array([0.0]), 2).round(9)
    array([[1. , 0.5]])
    """
    s = np.maximum(sd, _LEAST_SD)[:, None]
    ends = (x - centre)[:, None] - half[:, None] * np.linspace(-1.0, 1.0, cells + 1)
    g = _g(ends / s)
    return np.clip(s * (g[:, :-1] - g[:, 1:]) * (cells / (2 * half[:, None])), 0.0, 1.0)


def _g(z: Floats) -> Floats:
    bell = np.square(z)
    bell *= -0.5
    np.exp(bell, out=bell)
    bell /= np.sqrt(2 * np.pi)
    out: Floats = ndtr(z)
    out *= z
    out += bell
    return out


@dataclass(frozen=True, slots=True)
class Mixture:
    """Weighted normals per hydrant, laid end to end (H hydrants, A atoms in all, A >= H).

    start: (H+1,) atoms of hydrant i are start[i]:start[i+1], at least one.
    offset: (A,) metres, centre of the atom less the value at the point.
    weight: (A,) sums to 1 within a hydrant.
    sd: (A,) metres, the ground's own error there and what the atom gathers; shared error left out.
    """

    start: Ints
    offset: Floats
    weight: Floats
    sd: Floats

    def __len__(self) -> int:
        return len(self.start) - 1

    @property
    def counts(self) -> Ints:
        """(H,) atoms of each hydrant."""
        return np.diff(self.start)

    def owner(self) -> Ints:
        """(A,) the hydrant of each atom."""
        return np.repeat(np.arange(len(self), dtype=np.int64), self.counts)

    def take(self, rows: Ints) -> Mixture:
        """The mixtures of some hydrants, in the order given."""
        counts = self.counts[rows]
        start = np.concatenate(([0], np.cumsum(counts)))
        index = np.arange(start[-1]) - np.repeat(start[:-1] - self.start[rows], counts)
        return Mixture(start, self.offset[index], self.weight[index], self.sd[index])

    def mean(self, per_atom: Floats) -> Floats:
        """(A, ...) values averaged by weight within each hydrant -> (H, ...)."""
        if len(per_atom) == len(self):
            return per_atom
        weighted = per_atom * self.weight.reshape(-1, *[1] * (per_atom.ndim - 1))
        out: Floats = np.add.reduceat(weighted, self.start[:-1], axis=0)
        return out

    def average(self, rows: Ints, of: Callable[[Mixture], Floats]) -> Floats:
        """(n,) of some hydrants: what `of` says of atoms, (a,) of a mixture, averaged; a piece of them at a time."""
        out = np.empty(len(rows))
        for start in range(0, len(rows), _PIECE):
            piece = self.take(rows[start : start + _PIECE])
            out[start : start + _PIECE] = piece.mean(of(piece))
        return out

    @classmethod
    def single(cls, sd: Floats) -> Mixture:
        """One atom each, at the point."""
        n = len(sd)
        return cls(np.arange(n + 1, dtype=np.int64), np.zeros(n), np.ones(n), np.asarray(sd, dtype=np.float64))

    @classmethod
    def blank(cls, counts: Ints) -> Mixture:
        """Room for so many atoms of each hydrant; where there is one it is at the point, without an error."""
        start = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
        return cls(start, np.zeros(start[-1]), np.ones(start[-1]), np.zeros(start[-1]))

    def put(self, rows: Ints, part: Mixture) -> None:
        """Write what is known of some hydrants in their places; `part` has the atoms of each that there is room for."""
        index = np.arange(len(part.offset)) + np.repeat(self.start[rows] - part.start[:-1], part.counts)
        self.offset[index], self.weight[index], self.sd[index] = part.offset, part.weight, part.sd
