"""What can be done at a hydrant: nothing, add, exchange, take out; and the raise that each gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np

from gradecheck.probability import Floats, Ints

_SAME = 1e-6
"""Raises within a micrometre are one raise."""


@dataclass(frozen=True, slots=True)
class Choices:
    """The J choices of one family and one fitted length, by rising raise; lengths in metres.

    rise: (J,) strictly rising; 0 (do nothing) is always among them.
    pieces: for each choice, indices into the family's lengths, longest first.
    new, out: (J,) new length put in, fitted length taken out.
    left: (J,) extensions on the hydrant afterwards.
    rank: (J,) 0 is preferred where all else is equal: fewer new pieces, fewer left, longer first piece.
    """

    lengths: tuple[float, ...]
    fitted: float
    rise: Floats
    pieces: tuple[tuple[int, ...], ...]
    new: Floats
    out: Floats
    left: Ints
    rank: Ints

    def __len__(self) -> int:
        return len(self.pieces)


def choices(
    lengths: Sequence[float], fitted: float, max_extensions: int, max_extension: float | None = None
) -> Choices:
    """Every choice for a family's `lengths` and one `fitted` length (0 = none; unknown counts as 0), metres.

    A fitted length above 0 counts as one of `max_extensions`; `max_extension` bounds the new length.

    >>> c = choices([0.1524, 0.3048], 0.3048, 1)
    >>> [(round(r / 0.0254), p) for r, p in zip(c.rise, c.pieces)]
    [(-12, ()), (-6, (0,)), (0, ())]
    """
    limit = np.inf if max_extension is None else max_extension + _SAME
    has = fitted > 0
    found: list[tuple[float, tuple[int, ...], float, int]] = [(0.0, (), 0.0, int(has))]
    for count in range(1, max_extensions - int(has) + 1):
        for pieces in combinations_with_replacement(range(len(lengths)), count):
            total = sum(lengths[i] for i in pieces)
            if total <= limit:
                found.append((total, pieces, 0.0, count + int(has)))
    if has:
        found.append((-fitted, (), fitted, 0))
        found += [(L - fitted, (i,), fitted, 1) for i, L in enumerate(lengths) if limit >= L]

    def preferred(choice: tuple[float, tuple[int, ...], float, int]) -> tuple[int, int, float]:
        _, pieces, _, left = choice
        return len(pieces), left, -max((lengths[i] for i in pieces), default=0.0)

    best: list[tuple[float, tuple[int, ...], float, int]] = []
    for choice in sorted(found, key=lambda c: c[0]):
        if not best or choice[0] - best[-1][0] > _SAME:
            best.append(choice)
        elif preferred(choice) < preferred(best[-1]):
            best[-1] = choice
    order = sorted(range(len(best)), key=lambda i: (preferred(best[i]), best[i][0]))
    rank = np.empty(len(best), dtype=np.int64)
    rank[order] = np.arange(len(best))
    longest_first = [tuple(sorted(c[1], key=lambda i: -lengths[i])) for c in best]
    return Choices(
        lengths=tuple(lengths),
        fitted=fitted,
        rise=np.array([c[0] for c in best]),
        pieces=tuple(longest_first),
        new=np.array([sum(lengths[i] for i in c[1]) for c in best]),
        out=np.array([c[2] for c in best]),
        left=np.array([c[3] for c in best], dtype=np.int64),
        rank=rank,
    )
