"""Drawings (DXF): faces, meshes, 3D lines and points of some layers, as ground.

What is seen in model space is read: frozen, switched-off and invisible things are left out, block references are
followed. Curves become chords within `SAGITTA` of them. What lies at elevation 0 throughout is flat drawing, not
ground, unless other elevations lie on both sides of 0. All that is left out is said in `Dxf.notes`.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np
from ezdxf.document import Drawing

from gradecheck.errors import Finding, InputError
from gradecheck.formats.dxf_drawing import Seen, Walk, clean, opened, unreadable
from gradecheck.formats.dxf_entities import FACE, PARTS, POINT, Part, Split, possible, split_faces
from gradecheck.probability import Floats, Ints
from gradecheck.roads.mesh import Mesh

SAGITTA = 0.005
"""Drawing units between a curve and its chords, or a millionth of the curve's size where that is more."""
_FLAT = 1e-9
"""Drawing units within which an elevation is 0: the rounding of turned axes."""
_STRAY = 0.01
"""Share of the elevations that may be slips."""
_TWIST = 0.01
"""Drawing units by which the two ways to split a four-cornered face may differ before it is said."""
_SHOWN = 12
"""Layers that a message names."""
_EXPORT = "export faces or 3D lines from the design, or name the layers that hold them"


@dataclass(frozen=True, slots=True, eq=False)
class Line3D:
    """A line with heights.

    name: its layer and its number among the lines of that layer, in the order of the file, such as "EDGE 2".
    xyz: (k, 3) vertices, k >= 2, none the same as the one before it; z up; drawing units.
    """

    name: str
    xyz: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Dxf:
    """What a drawing holds of ground, in its own units and system.

    shown: the file as named to people.
    unit: what the header says the units are (a name of `gradecheck.units`), None where it says nothing: a hint only.
    layers: those that hold something of the below, in the order of the file.
    mesh: all faces as triangles; its name is the layer's where one layer holds them all, else "".
    lines: all lines. points: (m, 3) single points.
    notes: what a person must be told, such as what was left out and why.
    """

    shown: str
    unit: str | None
    layers: tuple[str, ...]
    mesh: Mesh
    lines: tuple[Line3D, ...]
    points: Floats
    notes: tuple[str, ...]


def read_dxf(path: Path, shown: str, layers: Sequence[str] | None) -> Dxf:
    """The ground in a drawing, ASCII or binary; `shown` is its name as the user wrote it.

    layers: names, or patterns with * and ?, in any case of letters; None for all. Raises InputError: no file, no
    DXF, cut short, broken beyond repair, a layer that is not there, nothing to read, a flat drawing.
    """
    document, unit, notes = opened(path, shown)
    try:
        found = _gathered(document, layers, shown)
    except InputError:
        raise
    except Exception as error:  # a broken drawing may fail anywhere in the library
        raise InputError(unreadable(shown, error)) from None
    if missing := _missing(found, layers, shown):
        raise InputError(missing)
    kept, flat = _not_flat(found.parts)
    ground = _Ground.of(kept)
    if not ground.layers:
        raise InputError(_nothing(found, flat, ground, shown))
    notes += [*found.notes(), *_flat_notes(kept, flat), *ground.notes(), *_idle(found, ground, layers)]
    return Dxf(shown, unit, ground.layers, ground.mesh(), tuple(ground.lines), ground.points(), tuple(notes))


# -- what is seen -----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Found:
    """Parts of the wanted layers, and what else was met on the way: types by layer, what was left out and why."""

    parts: list[Part] = field(default_factory=list)
    types: defaultdict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    hidden: defaultdict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    unread: Counter[str] = field(default_factory=Counter)
    broken: Counter[str] = field(default_factory=Counter)
    caveats: Counter[str] = field(default_factory=Counter)

    def notes(self) -> list[str]:
        """In words for a person."""
        said = [f"left out, {why}: {_by_layer(count)}" for why, count in self.hidden.items()]
        said += [f"not read: {_by_kind(self.unread)}"] if self.unread else []
        said += [f"broken and left out: {_by_kind(self.broken)}"] if self.broken else []
        return said + [f"{text} ({count})" for text, count in self.caveats.items()]

    def take(self, seen: Seen) -> None:
        """Read an entity of a wanted layer, or count it."""
        kind = seen.entity.dxftype()
        if seen.hidden:
            self.hidden[seen.hidden][seen.layer] += 1
        elif kind not in PARTS:
            self.unread[kind] += 1
        elif (part := _part(seen, kind)) is None:
            self.broken[kind] += 1
        else:
            self.parts.append(part)
            self.caveats.update([part.caveat] if part.caveat else [])


def _part(seen: Seen, kind: str) -> Part | None:
    try:
        with np.errstate(all="ignore"):
            scale = 1.0 if seen.matrix is None else float(np.linalg.norm(seen.matrix[:3, :3], axis=1).max())
            part = PARTS[kind](seen.entity, SAGITTA / max(scale, 1e-9))
            xyz = part.xyz if seen.matrix is None else part.xyz @ seen.matrix[:3, :3] + seen.matrix[3, :3]
    except Exception:  # an entity may lack anything; it is counted
        return None
    return part._replace(xyz=xyz, layer=seen.layer) if xyz.size else None


def _gathered(document: Drawing, layers: Sequence[str] | None, shown: str) -> _Found:
    found = _Found()
    for layer in document.layers:
        found.types[clean(layer.dxf.name)].update(())
    walk = Walk(document, shown)
    for seen in walk.entities():
        found.types[seen.layer][seen.entity.dxftype()] += 1
        if layers is None or any(_fits(seen.layer, pattern) for pattern in layers):
            found.take(seen)
    found.caveats.update(walk.not_followed)
    return found


def _fits(layer: str, pattern: str) -> bool:
    name, pattern = layer.casefold(), pattern.casefold()
    return name == pattern or fnmatchcase(name, pattern)


# -- what of it is ground ---------------------------------------------------------------------------------------


def _not_flat(parts: list[Part]) -> tuple[list[Part], list[Part]]:
    """The parts without those at elevation 0 throughout, and those; all of them where 0 is among the elevations."""
    if _zero_is_among(parts):
        return parts, []
    is_flat = [bool((np.abs(part.xyz[..., 2]) <= _FLAT).all()) for part in parts]
    kept = [part for part, flat in zip(parts, is_flat, strict=True) if not flat]
    return kept, [part for part, flat in zip(parts, is_flat, strict=True) if flat]


def _zero_is_among(parts: Sequence[Part]) -> bool:
    """Whether elevations lie on both sides of 0, on each more than a few strays."""
    z = np.concatenate([np.zeros(0), *(part.xyz[..., 2].ravel() for part in parts)])
    above, below = int((z > _FLAT).sum()), int((z < -_FLAT).sum())
    return min(above, below) > _STRAY * (above + below)


def _flat_notes(kept: Sequence[Part], flat: Sequence[Part]) -> list[str]:
    said = []
    if flat:
        said.append(f"left out, flat at elevation 0 and no ground: {_by_layer(Counter(p.layer for p in flat))}")
    if not _zero_is_among(kept):
        xyz = np.concatenate([np.zeros((0, 3)), *(part.xyz.reshape(-1, 3) for part in kept)])
        if stray := len(np.unique(xyz[np.abs(xyz[:, 2]) <= _FLAT], axis=0)):
            said.append(f"{stray} places are at elevation 0, the lowest or the highest of all: check them")
    return said


@dataclass(slots=True)
class _Ground:
    """What can be used of the parts, by layer, and how much cannot."""

    splits: dict[str, Split] = field(default_factory=dict)
    lines: list[Line3D] = field(default_factory=list)
    places: list[Floats] = field(default_factory=list)
    layers: tuple[str, ...] = ()
    dropped: Counter[str] = field(default_factory=Counter)

    @classmethod
    def of(cls, parts: Sequence[Part]) -> _Ground:
        """Faces split into triangles, lines without repeated vertices, points."""
        ground, faces, numbers = cls(), defaultdict[str, list[Floats]](list), Counter[str]()
        holding = set()
        for part in parts:
            if part.kind == FACE:
                faces[part.layer].append(part.xyz)
            elif not possible(part.xyz).all():
                ground.dropped[f"{part.kind}s whose coordinates are no numbers"] += 1
            elif part.kind == POINT:
                ground.places.append(part.xyz)
                holding.add(part.layer)
            elif len(xyz := _cleared(part.xyz)) > 1:
                numbers[part.layer] += 1
                ground.lines.append(Line3D(f"{part.layer} {numbers[part.layer]}", xyz))
                holding.add(part.layer)
            else:
                ground.dropped["lines without length in plan"] += 1
        ground.splits = {layer: split_faces(np.concatenate(f), _TWIST) for layer, f in faces.items()}
        holding |= {layer for layer, split in ground.splits.items() if len(split.triangles)}
        ground.layers = tuple(layer for layer in dict.fromkeys(part.layer for part in parts) if layer in holding)
        return ground

    def points(self) -> Floats:
        """(m, 3) all points."""
        return np.concatenate([np.zeros((0, 3)), *self.places])

    def mesh(self) -> Mesh:
        """All triangles, corners at the same place as one vertex."""
        meshed = [layer for layer, split in self.splits.items() if len(split.triangles)]
        triangles = np.concatenate([np.zeros((0, 3, 3)), *(self.splits[layer].triangles for layer in meshed)])
        (x, y, z), numbers = _merged(triangles.reshape(-1, 3))
        return Mesh(meshed[0] if len(meshed) == 1 else "", x, y, z, numbers.reshape(-1, 3))

    def notes(self) -> list[str]:
        """What was left out, in words."""
        splits = self.splits.values()
        dropped = self.dropped + Counter({
            "faces without area in plan": sum(s.flat for s in splits),
            "faces that cross themselves": sum(s.crossed for s in splits),
            "faces that lack a corner": sum(s.lost for s in splits),
        })  # fmt: skip
        said = [f"left out: {_by_kind(dropped)}"] if dropped else []
        if twisted := sum(s.twisted for s in splits):
            most = max(s.twist for s in splits)
            said.append(f"faces with four corners on no plane: {twisted}, split one way of two, up to {most:.3g} apart")
        return said


def _merged(places: Floats) -> tuple[Floats, Ints]:
    """(3, V) the different ones among (n, 3) places, and the number (n,) of each."""
    order = np.lexsort(places.T)
    ordered = places[order]
    new = (ordered != np.roll(ordered, 1, axis=0)).any(axis=1)
    new[:1] = True
    numbers = np.empty(len(places), dtype=np.int64)
    numbers[order] = np.cumsum(new) - 1
    return np.ascontiguousarray(ordered[new].T), numbers


def _cleared(xyz: Floats) -> Floats:
    """A line without repeated vertices; none where it goes nowhere in plan."""
    if not np.ptp(xyz[:, :2], axis=0).any():
        return xyz[:0]
    return xyz[np.concatenate(([True], (np.diff(xyz, axis=0) != 0).any(axis=1)))]


# -- in words ---------------------------------------------------------------------------------------------------


def _by_layer(counts: Mapping[str, int]) -> str:
    """ "'EDGE' (3), 'CROWN' (1)"."""
    return _listed([f"'{layer}' ({count})" for layer, count in counts.items()])


def _by_kind(counts: Mapping[str, int]) -> str:
    """ "3 TEXT, 1 HATCH"."""
    return ", ".join(f"{count} {kind}" for kind, count in counts.items() if count) or "nothing"


def _listed(items: Sequence[str], between: str = ", ") -> str:
    more = f"{between}and {len(items) - _SHOWN} more" if len(items) > _SHOWN else ""
    return between.join(items[:_SHOWN]) + more


def _missing(found: _Found, layers: Sequence[str] | None, shown: str) -> list[Finding]:
    """A finding for each wanted layer that is not there."""
    names = {name.casefold(): name for name in found.types}
    findings = []
    for pattern in layers or ():
        if any(_fits(name, pattern) for name in names):
            continue
        close = get_close_matches(pattern.casefold(), names, 1)
        hint = f"did you mean {names[close[0]]!r}? " if close else ""
        mend = f"{hint}layers there: {_listed(list(names.values()))}"
        findings.append(Finding(shown, f"it has no layer {pattern!r}", mend))
    return findings


def _nothing(found: _Found, flat: Sequence[Part], ground: _Ground, shown: str) -> Finding:
    """Why there is no ground, with what the layers hold."""
    held = [f"layer '{layer}' holds {_by_kind(types)}" for layer, types in found.types.items() if types]
    said = [*(note for note in found.notes() if not note.startswith("not read")), *ground.notes()]
    what = "it holds nothing in the layers asked for that can be ground"
    if flat and not ground.notes():
        what = "all that could be ground lies at elevation 0: a flat drawing, not ground"
    elif flat:
        said += _flat_notes([], flat)
    return Finding(shown, "; ".join([what, *said, _listed(held, "; ") or "all layers are empty"]), _EXPORT)


def _idle(found: _Found, ground: _Ground, layers: Sequence[str] | None) -> list[str]:
    """Wanted layers that are there and gave nothing."""
    idle = []
    for pattern in layers or ():
        names = [name for name in found.types if _fits(name, pattern)]
        if not set(names) & set(ground.layers):
            held = sum((found.types[name] for name in names), Counter[str]())
            idle.append(f"layer {pattern!r} gave nothing, it holds {_by_kind(held)}")
    return idle
