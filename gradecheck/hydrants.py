"""The hydrant layer: usable rows as arrays, and the rows that cannot be placed, with the reason.

A hydrant is never left out for want of good data entry: a missing or repeated id and an unreadable number
are mended and cautioned. Only a row that has no place on the ground, or that says again what another row
says, is rejected.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from gradecheck import cautions, reference
from gradecheck.addresses import is_address
from gradecheck.errors import Finding, InputError, listed
from gradecheck.layers import VectorLayer, is_text_table, read_layer
from gradecheck.plan import HydrantSource, LengthColumn, Plan
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.readings import LONGEST_ID, doubts, ids, lengths, numbers, of_ids, shortly, texts, too_long

_SAME_PLACE = 0.01
"""Metres within which a repeated id is the same hydrant again."""

_KINDS = {1: "a line", 2: "a ring", 3: "a polygon", 5: "several lines", 6: "several polygons", 7: "a collection"}


@dataclass(frozen=True, slots=True)
class Rejected:
    """Rows that are not worked on: the input's columns, place in the layer, geometry as far as it has one."""

    table: pa.Table
    place: Ints
    geometry: NDArray[Any]
    reason: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.place)


@dataclass(frozen=True, slots=True)
class Hydrants:
    """H usable rows, in the order of the layer. Lengths and elevations in metres, NaN unknown.

    table: the input's own columns. geometry: (H,) points in `crs`. x, y: (H,) the same in the working system.
    place: (H,) row in the layer, from 1. cautions: (H,) bits of what reading had to mend.
    total: rows in the layer; read: those that `where` kept. notes: what must be said of how they were read.
    """

    table: pa.Table
    geometry: NDArray[Any]
    crs: CRS
    x: Floats
    y: Floats
    place: Ints
    id: tuple[str, ...]
    family: tuple[str | None, ...]
    street: tuple[str | None, ...]
    opens: tuple[str | None, ...]
    fitted: Floats
    bury: Floats
    clearance: Floats
    flange: Floats
    outlet: Floats
    cautions: Ints
    rejected: Rejected
    total: int
    read: int
    shown: str
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.place)


def read_hydrants(plan: Plan) -> Hydrants:
    """Read the plan's hydrant layer; x, y are in the layer's own system until `placed`. Raises InputError."""
    source = plan.hydrants
    path = plan.resolve(source.path)
    layer = read_layer(
        path, source.path, "hydrants", source.layer, source.where, source.encoding,
        geometry=source.geometry, bare=source.x is not None,
    )  # fmt: skip
    points, crs, reasons = _points(layer, source, is_text_table(path) and not is_address(source.path))
    _check_columns(layer, source)
    for i in np.flatnonzero(too_long(layer, source.id)).tolist():
        reasons[i] = reasons[i] or f"its id has more than {LONGEST_ID} letters: is '{source.id}' the column of ids?"
    good = np.array([r is None for r in reasons], dtype=bool)
    x, y = shapely.get_x(points), shapely.get_y(points)
    inside = np.zeros(len(layer), dtype=bool)
    inside[good] = reference.in_area_of_use(crs, x[good], y[good])
    lost = np.flatnonzero(good & ~inside)
    swapped = reference.in_area_of_use(crs, y[lost], x[lost])
    for i, other in zip(lost.tolist(), swapped.tolist(), strict=True):
        reasons[i] = f"outside the area of use of {reference.name_of(crs)}: x {x[i]:.6g}, y {y[i]:.6g}"
        if other:
            reasons[i] = f"{reasons[i]} (inside with x and y swapped)"
        elif not crs.is_geographic and abs(x[i]) <= 180 and abs(y[i]) <= 90 and (x[i] or y[i]):
            reasons[i] = f"{reasons[i]} (degrees?)"
    rows = np.flatnonzero(good & inside)
    unreadable = np.zeros(len(rows), dtype=bool)
    metres: dict[str, Floats] = {}
    notes = [*layer.notes, *of_ids(layer, source.id)]
    for name in ("extension_fitted", "bury", "clearance", "flange_elevation", "outlet_above_flange"):
        metres[name], bad, said = lengths(layer, getattr(source, name), name, rows)
        unreadable |= bad
        notes += said
    notes += doubts(source.clearance, metres["clearance"], plan.policy)
    missing_id, names = ids(layer, source.id, rows)
    bits = cautions.flag("no_id", missing_id) | cautions.flag("unreadable_value", unreadable)
    lost = np.flatnonzero(~(good & inside))
    # A point made from columns is all the geometry that its row has.
    kept, made = layer.geometry.copy(), ~shapely.is_missing(points)
    kept[made] = points[made]
    return Hydrants(
        table=layer.table.take(rows),
        geometry=points[rows],
        crs=crs,
        x=x[rows],
        y=y[rows],
        place=layer.place[rows],
        id=tuple(names),
        family=texts(layer, source.family, "hydrants.family", rows),
        street=texts(layer, source.street, "hydrants.street", rows),
        opens=texts(layer, source.opens, "hydrants.opens", rows),
        fitted=metres["extension_fitted"],
        bury=metres["bury"],
        clearance=metres["clearance"],
        flange=metres["flange_elevation"],
        outlet=metres["outlet_above_flange"],
        cautions=bits,
        rejected=Rejected(layer.table.take(lost), layer.place[lost], kept[lost], tuple(str(reasons[i]) for i in lost)),
        total=layer.total,
        read=len(layer),
        shown=source.path,
        notes=tuple(notes),
    )


def placed(hydrants: Hydrants, work: CRS) -> Hydrants:
    """The same with x, y in the working system, repeats of an id and place rejected, and ids made unique."""
    x, y = reference.Path.between(reference.split(hydrants.crs)[0] or hydrants.crs, work).there(hydrants.x, hydrants.y)
    reasons: list[str | None] = [
        None if ok else f"cannot be placed in {reference.name_of(work)}" for ok in (np.isfinite(x) & np.isfinite(y))
    ]
    near = _SAME_PLACE / reference.metres_per_unit(work)
    made_up = cautions.any_of(hydrants.cautions, ("no_id",))
    groups: dict[str, list[int]] = defaultdict(list)
    for i, name in enumerate(hydrants.id):
        if not made_up[i] and reasons[i] is None:
            groups[name].append(i)
    repeated = np.zeros(len(hydrants), dtype=bool)
    for members in groups.values():
        kept: list[int] = []
        for i in members:
            twin = next((j for j in kept if np.hypot(x[i] - x[j], y[i] - y[j]) <= near), None)
            if twin is None:
                kept.append(i)
            else:
                reasons[i] = f"repeats the id and place of row {hydrants.place[twin]} ('{hydrants.id[i]}')"
        if len(kept) > 1:
            repeated[kept] = True
    rows = np.array([i for i, r in enumerate(reasons) if r is None], dtype=np.int64)
    lost = np.array([i for i, r in enumerate(reasons) if r is not None], dtype=np.int64)
    ids, renamed = _unique([hydrants.id[i] for i in rows], made_up[rows])
    bits = hydrants.cautions[rows] | cautions.flag("repeated_id", repeated[rows] | renamed)
    former = hydrants.rejected
    rejected = Rejected(
        pa.concat_tables([former.table, hydrants.table.take(lost)]),
        np.concatenate([former.place, hydrants.place[lost]]),
        np.concatenate([former.geometry, hydrants.geometry[lost]]),
        (*former.reason, *(str(reasons[i]) for i in lost)),
    )
    order = np.argsort(rejected.place, kind="stable")
    rejected = Rejected(
        rejected.table.take(order),
        rejected.place[order],
        rejected.geometry[order],
        tuple(rejected.reason[i] for i in order),
    )
    picked: dict[str, Any] = {
        name: getattr(hydrants, name)[rows]
        for name in ("geometry", "place", "fitted", "bury", "clearance", "flange", "outlet")
    }
    words: dict[str, Any] = {
        name: tuple(getattr(hydrants, name)[i] for i in rows) for name in ("family", "street", "opens")
    }
    return replace(
        hydrants, table=hydrants.table.take(rows), x=np.asarray(x)[rows], y=np.asarray(y)[rows], id=tuple(ids),
        cautions=bits, rejected=rejected, **picked, **words,
    )  # fmt: skip


def shared_places(hydrants: Hydrants) -> list[str]:
    """What must be said of hydrants of several ids at one place; of those that are `placed`."""
    cells = np.round(hydrants.x / _SAME_PLACE) + 1j * np.round(hydrants.y / _SAME_PLACE)
    _, cell, count = np.unique(cells, return_inverse=True, return_counts=True)
    crowded = np.flatnonzero(count[cell] > 1).tolist()
    found: dict[int, list[str]] = defaultdict(list)
    for row in crowded:
        found[int(cell[row])].append(hydrants.id[row])
    if not found:
        return []
    shared = [" and ".join(shortly(name) for name in names[:3]) for names in found.values()]
    return [f"hydrants: several ids stand at one place: {listed(shared)}; is that one hydrant, ordered for twice?"]


def _unique(names: list[str], made_up: Bools) -> tuple[list[str], Bools]:
    """Ids with '#2', '#3' on repeats, never onto a name that exists; and which were changed.

    A real id comes before a made-up one of the same name.
    """
    taken = set(names)
    seen: Counter[str] = Counter()
    out, changed = list(names), np.zeros(len(names), dtype=bool)
    for i in np.argsort(made_up, kind="stable").tolist():
        name = names[i]
        seen[name] += 1
        if seen[name] == 1:
            continue
        n = max(2, seen[name])
        while f"{name}#{n}" in taken:
            n += 1
        seen[name] = n
        taken.add(f"{name}#{n}")
        out[i] = f"{name}#{n}"
        changed[i] = True
    return out, changed


def _points(layer: VectorLayer, source: HydrantSource, text: bool) -> tuple[NDArray[Any], CRS, list[str | None]]:
    """A point for every row that has one, their system, and for the others why not."""
    stated = None if source.crs is None else reference.crs_named(source.crs, "hydrants.crs")
    if text or source.x is not None or source.y is not None:
        missing = [k for k in ("x", "y") if getattr(source, k) is None] + (["crs"] if stated is None else [])
        if missing:
            what = f"{layer.shown} has no geometry; {', '.join(missing)} not stated"
            mend = 'name the columns and the system: x = "east", y = "north", crs = "EPSG:32615"'
            raise InputError(Finding("hydrants", what, mend))
        points, reasons = _points_from_columns(layer, str(source.x), str(source.y))
        return points, _horizontal(stated), reasons
    if layer.crs is not None and stated is not None and not layer.crs.equals(stated, ignore_axis_order=True):
        what = f"{layer.shown} says {reference.name_of(layer.crs)}, the plan says {reference.name_of(stated)}"
        raise InputError(Finding("hydrants.crs", what, "take `crs` out of the plan or mend the file"))
    crs = layer.crs or stated
    if crs is None and len(layer) and shapely.is_missing(layer.geometry).all():
        mend = 'name a layer of points, or its columns: x = "east", y = "north", crs = "EPSG:32615"'
        raise InputError(Finding("hydrants", f"{layer.shown} has no geometry", mend))
    if crs is None:
        what = f"{layer.shown} has no reference system"
        raise InputError(Finding("hydrants.crs", what, 'state it, such as crs = "EPSG:32615"'))
    points, reasons = _points_from_geometry(layer.geometry)
    return points, _horizontal(crs), reasons


def _horizontal(crs: CRS | None) -> CRS:
    if crs is None or reference.split(crs)[0] is None:
        what = f"{reference.name_of(crs)} does not place points on the Earth"
        raise InputError(Finding("hydrants.crs", what, "state the layer's true system"))
    return crs


def _points_from_columns(layer: VectorLayer, x: str, y: str) -> tuple[NDArray[Any], list[str | None]]:
    values, columns = [], []
    for name, key in ((x, "hydrants.x"), (y, "hydrants.y")):
        columns.append(layer.column(name, key))
        values.append(numbers(columns[-1])[0])
    finite = np.isfinite(values[0]) & np.isfinite(values[1])
    points = np.full(len(layer), None, dtype=object)
    points[finite] = shapely.points(values[0][finite], values[1][finite])
    reasons: list[str | None] = [None] * len(layer)
    for i in np.flatnonzero(~finite).tolist():
        cells = ", ".join(shortly(c[i].as_py()) for c in columns)
        reasons[i] = f"'{x}' or '{y}' is empty or no number: {cells}"
    return points, reasons


def _points_from_geometry(geometry: NDArray[Any]) -> tuple[NDArray[Any], list[str | None]]:
    points = geometry.copy()
    reasons: list[str | None] = [None] * len(geometry)
    kind = shapely.get_type_id(geometry)
    single = kind == 0
    for i in np.flatnonzero(kind == 4):
        parts = [p for p in shapely.get_parts(geometry[i]) if not p.is_empty]
        places = {tuple(c) for c in shapely.get_coordinates(parts).tolist()}
        if len(places) == 1:
            points[i] = parts[0]
            single[i] = True
        elif places:
            reasons[i] = f"{len(places)} places in one row: split it into single points"
    for i in np.flatnonzero((kind != 0) & (kind != 4)):
        reasons[i] = "no geometry" if kind[i] < 0 else f"{_KINDS.get(int(kind[i]), 'not a point')}, not a point"
    empty = (kind >= 0) & shapely.is_empty(geometry)
    for i in np.flatnonzero(empty):
        reasons[i] = "empty geometry"
    rows = np.flatnonzero(single & ~empty)
    finite = np.isfinite(shapely.get_x(points[rows])) & np.isfinite(shapely.get_y(points[rows]))
    for i in rows[~finite]:
        reasons[i] = "coordinates are not finite"
    points[np.array([r is not None for r in reasons], dtype=bool)] = None
    return points, reasons


def _check_columns(layer: VectorLayer, source: HydrantSource) -> None:
    """Every column that the plan names must be there; all that are not are told at once."""
    findings: list[Finding] = []
    for key in HydrantSource.model_fields:
        value = getattr(source, key)
        name = value.column if isinstance(value, LengthColumn) else value
        if key in ("id", "family", "street", "opens", "measured_on") or isinstance(value, LengthColumn):
            try:
                if isinstance(name, str):
                    layer.column(name, f"hydrants.{key}")
            except InputError as error:
                findings.extend(error.findings)
    if findings:
        raise InputError(findings)
