"""Weighted nodes of a two-dimensional standard normal: where around an uncertain place to look. Pure."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from gradecheck.probability import Floats


def coarse_nodes() -> tuple[Floats, Floats]:
    """19 nodes (19, 2) and weights of a standard normal: exact to the fifth degree, the outer ring at 2.45 sd.

    The rings are at the radii that match E r² = 2 and E r⁴ = 8 with the outer one far enough out to notice
    every straight step with 1 % or more of the probability behind it.
    """
    inner, outer = 1.5, 6.0
    w_outer = (8 - 2 * inner) / (outer * (outer - inner))
    w_inner = (2 - outer * w_outer) / inner
    a6, a12 = np.arange(6) * np.pi / 3, (np.arange(12) + 0.5) * np.pi / 6
    nodes = np.concatenate(
        [
            np.zeros((1, 2)),
            np.sqrt(inner) * np.stack([np.cos(a6), np.sin(a6)], axis=1),
            np.sqrt(outer) * np.stack([np.cos(a12), np.sin(a12)], axis=1),
        ]
    )
    weights = np.concatenate([[1 - w_inner - w_outer], np.full(6, w_inner / 6), np.full(12, w_outer / 12)])
    return nodes, weights


@lru_cache
def fine_nodes(count: int) -> tuple[Floats, Floats]:
    """Equal-weight nodes (count, 2) of a standard normal on a sunflower spiral, second moments made exact."""
    i = np.arange(count) + 0.5
    radius = np.sqrt(-2 * np.log1p(-i / count))
    angle = i * np.pi * (3 - np.sqrt(5))
    nodes = radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    nodes -= nodes.mean(axis=0)
    nodes = nodes @ np.linalg.cholesky(np.linalg.inv(np.cov(nodes.T, bias=True)))
    return nodes, np.full(count, 1 / count)
