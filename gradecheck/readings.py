"""What the cells of a layer's columns say: numbers, lengths, texts, ids; and what of it must be doubted aloud."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa

from gradecheck.errors import listed
from gradecheck.layers import VectorLayer
from gradecheck.plan import LengthColumn
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.units import METRES, Length

# Metres outside of which a value is a marker or a slip of the unit, not a hydrant's: common practice, generously.
_POSSIBLE = {
    "extension_fitted": (0.0, 10.0),
    "bury": (0.0, 30.0),
    "clearance": (-5.0, 5.0),
    "flange_elevation": (-500.0, 9000.0),
    "outlet_above_flange": (-5.0, 5.0),
}
_LONGEST_NUMBER = 100
"""Letters; what is longer is no number, and takes very long to be tried as one."""
LONGEST_ID = 250
"""Letters of an id; what is longer is a remark."""
_FEW = 3
"""From so many equal values on a column may be a form's default."""


def numbers(column: pa.ChunkedArray) -> tuple[Floats, Bools]:
    """Numbers of a column of any type, NaN where there is none, and where something stood that is no number."""
    kind = column.type
    if pa.types.is_integer(kind) or pa.types.is_floating(kind):
        values = column.cast(pa.float64()).to_numpy(zero_copy_only=False).astype(np.float64)
        bad = np.isinf(values)
        return np.where(bad, np.nan, values), bad
    texts = pd.Series(column.to_pylist(), dtype=object)
    stripped = texts.map(lambda v: v.strip() if isinstance(v, str) else v)
    given = stripped.notna() & (stripped != "")
    plain = pd.Series([v if _may_be_a_number(v) else None for v in stripped.tolist()], dtype=object)
    values = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=np.float64)
    values = np.where(np.isinf(values), np.nan, values)
    return values, np.asarray(given & np.isnan(values), dtype=bool)


def _may_be_a_number(value: object) -> bool:
    if isinstance(value, str):
        return len(value) <= _LONGEST_NUMBER
    return isinstance(value, float | int) and not isinstance(value, bool)


def lengths(
    layer: VectorLayer, mapped: LengthColumn | Length | None, key: str, rows: Ints
) -> tuple[Floats, Bools, list[str]]:
    """Metres of a mapped column (or one length for all), where the value could not be read, and that in words."""
    if mapped is None:
        return np.full(len(rows), np.nan), np.zeros(len(rows), dtype=bool), []
    if isinstance(mapped, Length):
        return np.full(len(rows), mapped.metres), np.zeros(len(rows), dtype=bool), []
    column = layer.column(mapped.column, f"hydrants.{key}").take(pa.array(rows))
    values, bad = numbers(column)
    metres = values * METRES[mapped.unit]
    low, high = _POSSIBLE[key]
    with np.errstate(invalid="ignore"):
        absurd = (metres < low) | (metres > high)
    at, column_of = layer.place[rows], f"of {len(rows)} values of column {mapped.column}"
    notes = []
    if bad.any():
        found = listed(f"row {at[i]} ({shortly(column[int(i)].as_py())})" for i in np.flatnonzero(bad))
        what = "are no numbers, and are taken as unknown"
        notes.append(f"hydrants.{key}: {bad.sum()} {column_of} {what}: {found}")
    if absurd.any():
        found = listed(f"row {at[i]} ({values[i]:g} {mapped.unit})" for i in np.flatnonzero(absurd))
        what = "cannot be, and are taken as unknown; is the unit right?"
        notes.append(f"hydrants.{key}: {absurd.sum()} {column_of} {what} {found}")
    return np.where(absurd, np.nan, metres), bad | absurd, notes


def shortly(value: object) -> str:
    """A cell's value as a message shows it."""
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 40 else f"{text[:36]} ..."


def doubts(mapped: LengthColumn | Length | None, metres: Floats, policy: Policy) -> list[str]:
    """What must be said of measured clearances as a whole: another unit would fit, or they are a form's default.

    metres: (n,), NaN unknown. Another unit is thought of where the middle value lies outside the owner's window by more
    than a factor of three, and would lie inside it.
    """
    if not isinstance(mapped, LengthColumn) or not np.isfinite(metres).any():
        return []
    known = metres[np.isfinite(metres)]
    zeros = int((known == 0).sum())
    if zeros >= _FEW and 2 * zeros > len(known):
        where = f"column {mapped.column} says 0 for {zeros} of {len(known)} hydrants"
        return [f"hydrants.clearance: {where}: if that stands for 'not measured', leave those cells blank"]
    low, high = policy.clearance_min.metres, policy.clearance_max.metres
    middle = float(np.median(known))
    if len(known) < _FEW or low / 3 <= middle <= 3 * high:
        return []
    stated = middle / METRES[mapped.unit]
    fitting = [unit for unit, size in METRES.items() if unit != "ftUS" and low <= stated * size <= high]
    if not fitting:
        return []
    what = f"the middle value of column {mapped.column} is {stated:g} {mapped.unit}, far outside the window"
    return [f"hydrants.clearance: {what}; {stated:g} {fitting[0]} would lie inside it: is the unit right?"]


def texts(layer: VectorLayer, name: str | None, key: str, rows: Ints) -> tuple[str | None, ...]:
    """The texts of a column, None where it is blank; None throughout where none is named."""
    if name is None:
        return (None,) * len(rows)
    shared: dict[str, str] = {}  # one text for all rows of a street
    found = (_text(v) for v in layer.column(name, key).take(pa.array(rows)).to_pylist())
    return tuple(None if v is None else shared.setdefault(v, v) for v in found)


def _text(value: object) -> str | None:
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return None
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    return str(value).strip() or None


def ids(layer: VectorLayer, name: str | None, rows: Ints) -> tuple[Bools, list[str]]:
    """Which rows have no id, and the ids, made up from the row there."""
    found = texts(layer, name, "hydrants.id", rows)
    missing = np.array([v is None for v in found], dtype=bool)
    places = layer.place[rows].tolist()
    return missing, [f"row-{n}" if v is None else v for v, n in zip(found, places, strict=True)]


def too_long(layer: VectorLayer, name: str | None) -> Bools:
    """(n,) rows whose id is far too long to be one."""
    if name is None or not pa.types.is_string(layer.column(name, "hydrants.id").type):
        return np.zeros(len(layer), dtype=bool)
    long = [isinstance(v, str) and len(v) > LONGEST_ID for v in layer.column(name, "hydrants.id").to_pylist()]
    return np.array(long, dtype=bool)


def of_ids(layer: VectorLayer, name: str | None) -> list[str]:
    """What must be said of the column of ids: a spreadsheet makes days of ids such as 3-4."""
    if name is None or not pa.types.is_temporal(layer.column(name, "hydrants.id").type):
        return []
    return [f"hydrants.id: column {name} holds days, as spreadsheets make of ids such as 3-4: are they still the ids?"]
