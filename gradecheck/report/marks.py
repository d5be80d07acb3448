"""Marks of actions as outlines for the page: the same shapes as in the GeoPackage's style."""

from __future__ import annotations

from math import cos, pi, sin, tau

from markupsafe import Markup

from gradecheck.outputs.style import Mark

Corners = list[tuple[float, float]]


def corners(shape: str) -> Corners:
    """Corners of a shape that reaches to 1 from the middle, y down; a circle has none."""
    outlines: dict[str, Corners] = {
        "triangle": [(0, -1), (0.92, 0.75), (-0.92, 0.75)],
        "square": [(-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85)],
        "star": [_spot(-pi / 2 + k * pi / 5, 1 if k % 2 == 0 else 0.42) for k in range(10)],
        "cross": _cross(0.33),
        "x": [(x * cos(pi / 4) - y * sin(pi / 4), x * sin(pi / 4) + y * cos(pi / 4)) for x, y in _cross(0.16)],
    }
    return outlines.get(shape, [])


def _spot(angle: float, radius: float) -> tuple[float, float]:
    return radius * cos(angle), radius * sin(angle)


def _cross(arm: float) -> Corners:
    a = arm
    return [(-a, -1), (a, -1), (a, -a), (1, -a), (1, a), (a, a), (a, 1), (-a, 1), (-a, a), (-1, a), (-1, -a), (-a, -a)]


def outline(mark: Mark) -> str:
    """The mark as an SVG path about 0, 0."""
    points = corners(mark.shape)
    if not points:
        return "M-1 0A1 1 0 1 0 1 0A1 1 0 1 0 -1 0Z"
    turn = mark.turn * tau / 360
    turned = [(x * cos(turn) - y * sin(turn), x * sin(turn) + y * cos(turn)) for x, y in points]
    return "M" + "L".join(f"{x:.3g} {y:.3g}" for x, y in turned) + "Z"


def mark_path(mark: Mark) -> Markup:
    """A small picture of a mark, for keys and tables; its word stands beside it."""
    size = min(1.0, mark.size / 4)
    return Markup(
        '<svg class="mark" viewBox="-1.2 -1.2 2.4 2.4" aria-hidden="true" focusable="false">'
        '<path d="{}" fill="{}" transform="scale({:.2f})"/></svg>'
    ).format(outline(mark), mark.fill, size)
