"""Cross-sections of LandXML: for each named ground "offset elevation" pairs at stations along an alignment.

Offsets are positive to the right looking up-station. A section that cannot be a line from left to right (it folds
back on itself, it has holes, it stands askew) is left out, and that is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from gradecheck.formats.landxml_numbers import brief, numbers
from gradecheck.formats.landxml_stream import Node, Said
from gradecheck.probability import Floats
from gradecheck.roads.crosssections import CrossSections

_SAME = 1e-6
"""Offsets and heights this near are one."""
_SIDES = ("left", "right")

Drawn = dict[tuple[float, int], Floats]
"""By station, and by how many of the same ground came before at that station: (k, 2) offsets and heights."""


@dataclass(slots=True)
class _Found:
    """What the sections of one alignment hold. drawn: by name and side, "" for both sides in one."""

    road: str
    drawn: dict[tuple[str, str], Drawn] = field(default_factory=dict)
    before: Counter[tuple[str, str, float]] = field(default_factory=Counter)
    left_out: Counter[tuple[str, str]] = field(default_factory=Counter)
    faults: dict[str, list[int]] = field(default_factory=dict)

    def fault(self, line: int, text: str) -> None:
        """Something wrong, told once however often it is there."""
        self.faults.setdefault(text, []).append(line)

    def draw(self, name: str, side: str, station: float, runs: list[Floats], skewed: bool) -> None:
        """One ground of one section."""
        try:
            line = _line(runs, skewed)
        except ValueError as error:
            self.left_out[name, str(error)] += 1
            return
        key = station, self.before[name, side, station]
        self.before[name, side, station] += 1
        self.drawn.setdefault((name, side), {})[key] = line


def cross_sections(node: Node, road: str, said: Said) -> tuple[CrossSections, ...]:
    """The cross-sections of an alignment, one for each ground, in order of their names' first appearance."""
    found = _Found(road)
    for section in (s for holder in node.all("CrossSects") for s in holder.all("CrossSect")):
        try:
            station = section.number("sta")
            skewed = bool(section.said("angleSkew")) and abs(section.number("angleSkew")) > _SAME
        except ValueError as error:
            found.fault(section.line, f"a cross-section {error}")
            continue
        for (name, side), runs in _grounds(section, found).items():
            found.draw(name, side, station, runs, skewed)
    for text, lines in found.faults.items():
        times = f" ({len(lines)} times)" if len(lines) > 1 else ""
        said.wrong(lines[0], f"alignment '{road}': {text}{times}", "correct it, or export the sections again")
    for (name, why), count in found.left_out.items():
        said.notes.append(f"cross-sections '{name}' of alignment '{road}': {count} left out, {why}")
    return tuple(_made(name, drawn) for name, drawn in _sided(found.drawn, road, said) if drawn)


def _grounds(section: Node, found: _Found) -> dict[tuple[str, str], list[Floats]]:
    """The runs of each ground of one section, by name and side."""
    grounds: dict[tuple[str, str], list[Floats]] = {}
    for surface in section.all("CrossSectSurf", "DesignCrossSectSurf"):
        name, side = surface.said("name"), surface.said("side").lower()
        try:
            runs = _runs(surface, found.road)
        except ValueError as error:
            found.fault(surface.line, f"cross-sections '{name}': {error}")
            continue
        grounds.setdefault((name, side if side in _SIDES else ""), []).extend(runs)
    return grounds


def _runs(surface: Node, road: str) -> list[Floats]:
    """Runs (k, 2) of offsets and heights. Raises ValueError in words."""
    runs = []
    for points in surface.all("PntList2D"):
        values = numbers(points.text)
        if len(values) % 2:
            raise ValueError(f"a PntList2D has {len(values)} numbers, not pairs of offset and elevation")
        runs.append(values.reshape(-1, 2))
    alone = [_pair(point, road) for point in surface.all("CrossSectPnt")]
    return [run for run in (*runs, np.array(alone)) if len(run)]


def _pair(point: Node, road: str) -> Floats:
    form, other = point.said("dataFormat"), point.said("alignRef")
    if form.lower() not in ("", "offset elevation"):
        raise ValueError(f"points given as {brief(form)!r} are not read, only as offset and elevation")
    if other not in ("", road):
        raise ValueError(f"its points are measured from another alignment, '{brief(other)}'")
    values = numbers(point.text)
    if len(values) != 2:
        raise ValueError(f"a CrossSectPnt has {len(values)} numbers, not offset and elevation")
    return values


def _line(runs: list[Floats], skewed: bool) -> Floats:
    """Runs as one line (k, 2) from left to right. Raises ValueError saying why they are none."""
    if skewed:
        raise ValueError("not square to the road")
    rising = sorted((_rising(run) for run in runs), key=lambda run: float(run[0, 0]))
    line = np.concatenate(rising[:1] or [np.zeros((0, 2))])
    for run in rising[1:]:
        if abs(run[0, 0] - line[-1, 0]) > _SAME:
            raise ValueError("in parts that do not meet")
        line = _sewn(line, run)
    if len(line) < 2:
        raise ValueError("with fewer than two points")
    return line


def _rising(run: Floats) -> Floats:
    step = np.diff(run[:, 0])
    if (step >= 0).all():
        return run
    if (step <= 0).all():
        return run[::-1]
    raise ValueError("folding back on themselves")


def _sewn(left: Floats, right: Floats) -> Floats:
    """Two lines that meet as one; where their heights differ there, an upright face."""
    upright = np.array([[left[-1, 0], right[0, 1]]])
    face = upright if abs(left[-1, 1] - right[0, 1]) > _SAME else upright[:0]
    return np.concatenate((left, face, right[1:]))


def _sided(drawn: dict[tuple[str, str], Drawn], road: str, said: Said) -> Iterator[tuple[str, Drawn]]:
    """Grounds by name, their left and right sides joined where these meet."""
    for name in dict.fromkeys(name for name, _ in drawn):
        whole, left, right = (drawn.get((name, side), {}) for side in ("", *_SIDES))
        both = left.keys() & right.keys()
        if all(abs(left[key][-1, 0] - right[key][0, 0]) <= _SAME for key in both):
            joined = left | right | {key: _sewn(left[key], right[key]) for key in both}
            yield from ((name, whole), (f"{name} left and right" if whole else name, joined))
            continue
        said.notes.append(f"cross-sections '{name}' of alignment '{road}': left and right do not meet, read apart")
        yield from ((name, whole), (f"{name} left", left), (f"{name} right", right))


def _made(name: str, drawn: Drawn) -> CrossSections:
    keys = sorted(drawn)
    lines = [drawn[key] for key in keys]
    stations = np.array([station for station, _ in keys])
    return CrossSections(name, stations, tuple(r[:, 0].copy() for r in lines), tuple(r[:, 1].copy() for r in lines))
