"""An assessment as tables: the columns of every layer, in the output's units, the input's own columns first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import ArrayLike

from gradecheck import cautions
from gradecheck.assessment import Assessment
from gradecheck.clearance import Basis
from gradecheck.decision import Action, Decision
from gradecheck.order import OrderLine
from gradecheck.probability import Floats, Ints
from gradecheck.provenance import after_sources, before_sources
from gradecheck.reasons import parts_text, runner_ups
from gradecheck.reference import Path, split
from gradecheck.review import changed
from gradecheck.units import METRES, elevation_unit

GEOMETRY = "geom"
PIECE = 65_536
"""Rows of a layer that are made at a time."""
_DIGITS = 6
_LEAST_OPTION = 1e-6

# What each column means, for gpkg_data_columns: {u} small heights, {e} elevations.
MEANING: dict[str, str] = {
    "hydrant_id": "The hydrant's id; made up where the input has none",
    "job": "The job of the paving plan that it belongs to",
    "grade_before_{e}": "Existing ground elevation at the hydrant, {e}",
    "grade_after_{e}": "Design ground elevation at the hydrant, {e}",
    "grade_change_{u}": "Design less existing ground at the point, {u}; positive where the ground rises",
    "grade_change_sd_{u}": "Standard deviation of the grade change, {u}",
    "before_source": "Which file gave the existing ground, or why none did",
    "after_source": "Which file gave the design ground, or why none did",
    "clearance_before_{u}": "Break flange above ground today, {u}",
    "clearance_basis": "What that rests on: surveyed, measured or assumed",
    "measured_on": "The day of the measurement that the clearance today rests on",
    "clearance_after_{u}": "Break flange above ground after the job if nothing is done, {u}",
    "clearance_after_sd_{u}": "Standard deviation of that, {u}",
    "action": "What to do",
    "extension_{u}": "New extension length to order, {u}; 0 for none",
    "extension_parts": "Its pieces, longest first, {u}",
    "extension_out_{u}": "Fitted extension length to take out, {u}; 0 for none",
    "raise_{u}": "New length less length taken out, {u}",
    "runner_up": "Second-best choice where it is not decided",
    "clearance_final_{u}": "Break flange above ground once that is done, {u}",
    "window_miss_{u}": "How far that misses the owner's window, {u}; 0 inside, + too high, - too low",
    "confidence": "Probability that the row is right",
    "firm": "Counts in quantity_firm of the order",
    "measure_rank": "Place in the list of flanges to measure first, 1 is worth most; null where there is none",
    "reason": "Why, in one sentence",
    "cautions": "Codes joined by ;",
    "review_action": "Reviewer: the action that shall count instead",
    "review_extension_{u}": "Reviewer: the new extension length that shall count instead, {u}",
    "review_note": "Reviewer: remark",
    "review_changed": "What changed in the computed result since the review",
}


def meanings(unit: str) -> dict[str, str]:
    """Columns of `hydrants` with their meaning, for an output unit."""
    e = elevation_unit(unit)
    return {k.format(u=unit, e=e): v.format(u=unit, e=e) for k, v in MEANING.items()}


def hydrants_table(a: Assessment) -> pa.Table:
    """The layer `hydrants`: a row for every hydrant, geometry as WKB last."""
    return pa.concat_tables(hydrants_pieces(a))


def hydrants_pieces(a: Assessment) -> Iterator[pa.Table]:
    """The layer `hydrants` in tables of at most `PIECE` rows, at least one: all of it at once is large."""
    for rows in pieces(len(a)):
        own = _own_columns(a, np.arange(rows.start, rows.stop, dtype=np.int64))
        table = _renamed(a.inputs.hydrants.table, [*own, "fid", GEOMETRY])[rows]
        for name, values in own.items():
            table = table.append_column(name, values)
        yield table.append_column(GEOMETRY, wkb(a.inputs.hydrants.geometry[rows]))


def pieces(n: int) -> list[slice]:
    """The rows of a layer of n in runs of at most `PIECE`, at least one."""
    return [slice(start, min(start + PIECE, n)) for start in range(0, max(n, 1), PIECE)]


def _own_columns(a: Assessment, rows: Ints) -> dict[str, pa.Array]:
    unit = a.inputs.plan.output.unit
    u, e = METRES[unit], METRES[elevation_unit(unit)]
    d, change, ids = a.decision.taken(rows), a.change, a.inputs.hydrants.id
    before, after = a.clearance.before[rows], a.clearance.after[rows]
    reached = d.action != Action.outside
    known = reached & (d.action != Action.no_elevation)
    words, basis = [b.name for b in Basis], a.clearance.basis[rows]
    names = a.inputs.jobs.names
    values: dict[str, pa.Array] = {
        "hydrant_id": pa.array([ids[i] for i in rows.tolist()], pa.string()),
        "job": pa.array([names[j] if j >= 0 else None for j in a.job[rows].tolist()], pa.string()),
        "grade_before_{e}": real(change.before[rows], e),
        "grade_after_{e}": real(change.after[rows], e),
        "grade_change_{u}": real(change.change[rows], u),
        "grade_change_sd_{u}": real(a.change_sd[rows], u),
        "before_source": pa.array(before_sources(change, a.sampled, rows), pa.string()),
        "after_source": pa.array(after_sources(change, a.sampled, rows), pa.string()),
        "clearance_before_{u}": real(np.where(reached, before, np.nan), u),
        "clearance_basis": pa.array(
            [words[b] if r else None for b, r in zip(basis.tolist(), reached.tolist(), strict=True)], pa.string()
        ),
        **_measured_on(a, rows, reached.tolist()),
        "clearance_after_{u}": real(np.where(reached, after, np.nan), u),
        "clearance_after_sd_{u}": real(np.where(known & np.isfinite(after), clearance_sd(a, rows), np.nan), u),
        "action": pa.array([Action(k).name for k in d.action.tolist()], pa.string()),
        "extension_{u}": real(d.new, u),
        "extension_parts": pa.array(_parts(d, unit), pa.string()),
        "extension_out_{u}": real(d.out, u),
        "raise_{u}": real(d.rise, u),
        "runner_up": pa.array(runner_ups(d, unit), pa.string()),
        "clearance_final_{u}": real(d.clearance_final, u),
        "window_miss_{u}": real(d.window_miss, u),
        "confidence": real(d.confidence, 1.0),
        "firm": pa.array(a.firm[rows].tolist(), pa.bool_()),
        "measure_rank": pa.array(a.prospect.rank[rows], pa.int64(), mask=a.prospect.rank[rows] == 0),
        "reason": pa.array([a.reasons[i] for i in rows.tolist()], pa.string()),
        "cautions": pa.array(cautions.as_text(a.cautions[rows]), pa.string()),
        **review_columns(a, rows, u),
    }
    return {k.format(u=unit, e=elevation_unit(unit)): v for k, v in values.items()}


def _measured_on(a: Assessment, rows: Ints, reached: Sequence[bool]) -> dict[str, pa.Array]:
    """The column of days, where anything measured in the field is given."""
    if a.inputs.field is None or a.inputs.plan.measurements is None:
        return {}
    days = a.inputs.field.measured_on(rows.tolist(), a.clearance.basis[rows].tolist())
    return {"measured_on": pa.array([d if r else None for d, r in zip(days, reached, strict=True)], pa.string())}


def clearance_sd(a: Assessment, rows: Ints) -> Floats:
    """(n,) metres: standard deviation of the clearance after of some hydrants, for reporting."""
    about = a.cases.ground.average(rows, lambda ground: np.square(ground.offset))
    return np.asarray(np.sqrt(a.cases.own_variance(rows) + a.cases.shared_variance(rows) + about))


def _parts(d: Decision, unit: str) -> list[str | None]:
    return [
        parts_text(d.tables[t], b, unit) or None if b >= 0 else None
        for t, b in zip(d.table.tolist(), d.best.tolist(), strict=True)
    ]


def real(values: Floats, unit: float) -> pa.Array:
    """Values in a unit, rounded where no measurement reaches; NaN is null."""
    scaled = np.round(values / unit, _DIGITS) + 0.0
    return pa.array(scaled, pa.float64(), mask=~np.isfinite(scaled))


def wkb(geometry: ArrayLike) -> pa.Array:
    """Geometries as the tables hold them."""
    return pa.array(shapely.to_wkb(geometry).tolist(), pa.binary())


def _renamed(table: pa.Table, reserved: Iterable[str]) -> pa.Table:
    """Input columns whose name clashes, case ignored, get the suffix `_input` (and a number if that is taken)."""
    taken = {name.lower() for name in reserved}
    others = {name.lower() for name in table.column_names}
    names = []
    for name in table.column_names:
        new = name
        if name.lower() in taken:
            new, n = f"{name}_input", 1
            while new.lower() in taken | others:
                n += 1
                new = f"{name}_input{n}"
        taken.add(new.lower())
        names.append(new)
    return table.rename_columns(names)


def rejected_table(a: Assessment) -> pa.Table:
    """The layer `rejected`: the input's columns, the row's place and why it cannot be worked on."""
    rejected = a.inputs.hydrants.rejected
    table = _renamed(rejected.table, ["row", "reason", "fid", GEOMETRY])
    table = table.append_column("row", pa.array(rejected.place, pa.int64()))
    table = table.append_column("reason", pa.array(rejected.reason, pa.string()))
    finite = [
        g is not None and not g.is_empty and np.isfinite(shapely.get_coordinates(g)).all() for g in rejected.geometry
    ]
    kept = rejected.geometry.copy()
    kept[~np.array(finite, dtype=bool)] = None
    return table.append_column(GEOMETRY, wkb(kept))


ORDER_TYPES: dict[str, pa.DataType] = {
    "job": pa.string(),
    "family": pa.string(),
    "item": pa.string(),
    "part_number": pa.string(),
    "description": pa.string(),
    "supplier": pa.string(),
    "length_{u}": pa.float64(),
    "quantity_firm": pa.int64(),
    "quantity_expected": pa.float64(),
    "quantity_order": pa.int64(),
    "on_hand": pa.int64(),
    "quantity_buy": pa.int64(),
    "pack_size": pa.int64(),
    "unit_cost": pa.float64(),
    "currency": pa.string(),
    "cost": pa.float64(),
    "order_by": pa.string(),
}


def order_table(lines: Sequence[OrderLine], unit: str) -> pa.Table:
    """The rows of the order: order.csv, the layer `order` and the workbook all show this."""
    columns = {}
    for name, kind in ORDER_TYPES.items():
        field = "length" if name == "length_{u}" else name
        columns[name.format(u=unit)] = pa.array([_cell(getattr(line, field), field, unit) for line in lines], kind)
    return pa.table(columns)


def _cell(value: object, field: str, unit: str) -> object:
    if isinstance(value, Decimal):
        return float(round(value, 2))
    if field == "length" and isinstance(value, float):
        return round(value / METRES[unit], _DIGITS)
    if field == "quantity_expected" and isinstance(value, float):
        return round(value, 3)
    return value or None if isinstance(value, str) else value


def options_table(a: Assessment) -> pa.Table:
    """The attributes `options`: every choice that may be the right one at a hydrant that is still open."""
    unit = a.inputs.plan.output.unit
    ids: list[str] = []
    rows: list[Ints] = []
    rise: list[Floats] = []
    parts: list[str | None] = []
    chance: list[Floats] = []
    for right in a.options:
        texts = [parts_text(right.options, j, unit) or None for j in range(len(right.options))]
        i, j = np.nonzero(right.chance >= _LEAST_OPTION)
        rows.append(right.rows[i])
        rise.append(right.options.rise[j])
        chance.append(right.chance[i, j])
        parts += [texts[k] for k in j.tolist()]
    at = np.concatenate(rows) if rows else np.zeros(0, dtype=np.int64)
    order = np.argsort(at, kind="stable")
    ids = [a.inputs.hydrants.id[k] for k in at[order].tolist()]
    return pa.table(
        {
            "hydrant_id": pa.array(ids, pa.string()),
            "raise": real(np.concatenate(rise)[order] if rise else np.zeros(0), METRES[unit]),
            "parts": pa.array([parts[k] for k in order.tolist()], pa.string()),
            "probability": real(np.concatenate(chance)[order] if chance else np.zeros(0), 1.0),
            "unit": pa.array([unit] * len(ids), pa.string()),
        }
    )


def review_columns(a: Assessment, rows: Ints, u: float) -> dict[str, pa.Array]:
    """(n,) the analyst's columns of some hydrants; `u` is metres in the output unit."""
    at = [a.review.at[i] for i in rows.tolist()]
    said = changed(a.review, a.decision, a.inputs.plan.output.unit)
    length = np.array([np.nan if e is None else e.extension for e in at])
    return {
        "review_action": pa.array([None if e is None else e.action for e in at], pa.string()),
        "review_extension_{u}": real(length, u),
        "review_note": pa.array([None if e is None else e.note for e in at], pa.string()),
        "review_changed": pa.array([said[i] for i in rows.tolist()], pa.string()),
    }


def kept_table(a: Assessment) -> pa.Table:
    """The attributes `review_kept`: edits of hydrants that are no longer in the layer, and what was computed then.

    x, y: their place in the layer's reference system.
    """
    unit, kept = a.inputs.plan.output.unit, a.review.kept
    crs = a.inputs.hydrants.crs
    back = Path.between(a.inputs.work, split(crs)[0] or crs)
    x, y = back.there(np.array([e.x for e in kept]), np.array([e.y for e in kept]))
    return pa.table(
        {
            "hydrant_id": pa.array([e.hydrant_id for e in kept], pa.string()),
            "review_action": pa.array([e.action for e in kept], pa.string()),
            f"review_extension_{unit}": real(np.array([e.extension for e in kept]), METRES[unit]),
            "review_note": pa.array([e.note for e in kept], pa.string()),
            "action": pa.array([e.computed[0] for e in kept], pa.string()),
            f"extension_{unit}": real(np.array([e.computed[1] for e in kept]), METRES[unit]),
            "own_id": pa.array([int(e.own_id) for e in kept], pa.int64()),
            "x": real(np.asarray(x, dtype=np.float64), 1.0),
            "y": real(np.asarray(y, dtype=np.float64), 1.0),
        }
    )
