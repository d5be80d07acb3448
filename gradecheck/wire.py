"""What was found of a batch as an Arrow table, and back: to the bit, with nothing of Python's in it."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

import numpy as np
import pyarrow as pa

from gradecheck.cases import Window
from gradecheck.change import GradeChange
from gradecheck.choices import Choices
from gradecheck.decision import Decision
from gradecheck.judging import Judged
from gradecheck.probability import Ints, Mixture
from gradecheck.setback import Setback

_ATOMS = ("offset", "weight", "sd")
_RECORDS = {"change": GradeChange, "setback": Setback, "decision": Decision, "window": Window}
_APART = {"ground", "window", "tables", "before_names", "after_names"}


def table(judged: Judged) -> pa.Table:
    """A row for each hydrant; the ground about it as lists; names and choices in the metadata."""
    change, decision = judged.change, judged.decision
    records: dict[str, Any] = {
        "change": change,
        "setback": judged.setback,
        "decision": decision,
        "window": decision.window,
    }
    columns: dict[str, pa.Array] = {
        f"{name}.{field.name}": pa.array(getattr(record, field.name))
        for name, record in records.items()
        for field in fields(record)
        if field.name not in _APART
    }
    starts = pa.array(change.ground.start.astype(np.int32))
    for name in _ATOMS:
        columns[f"ground.{name}"] = pa.ListArray.from_arrays(starts, pa.array(getattr(change.ground, name)))
    said = {
        "before_names": change.before_names,
        "after_names": change.after_names,
        "tables": [_written(options) for options in decision.tables],
    }
    return pa.table(columns).replace_schema_metadata({"gradecheck": json.dumps(said)})


def judged(found: pa.Table, rows: Ints) -> Judged:
    """What `table` was made from; rows: (n,) the hydrants of the batch."""
    said = json.loads(found.schema.metadata[b"gradecheck"])
    values: dict[str, dict[str, Any]] = {name: {} for name in (*_RECORDS, "ground")}
    start = np.zeros(1, dtype=np.int64)
    for name in found.column_names:
        record, _, field = name.partition(".")
        column = found.column(name).combine_chunks()
        if record == "ground":
            start = column.offsets.to_numpy().astype(np.int64)
            column = column.values
        values[record][field] = column.to_numpy(zero_copy_only=False)
    ground = Mixture(start, **values["ground"])
    names: dict[str, Any] = {name: tuple(said[name]) for name in ("before_names", "after_names")}
    return Judged(
        rows,
        GradeChange(ground=ground, **names, **values["change"]),
        Setback(**values["setback"]),
        Decision(
            window=Window(**values["window"]),
            tables=tuple(_read(written) for written in said["tables"]),
            **values["decision"],
        ),
    )


def _written(options: Choices) -> dict[str, Any]:
    """Choices as JSON; Python writes floats so that they read back to the bit."""
    return {f.name: v.tolist() if isinstance(v := getattr(options, f.name), np.ndarray) else v for f in fields(options)}


def _read(said: dict[str, Any]) -> Choices:
    real: dict[str, Any] = {name: np.array(said[name], dtype=np.float64) for name in ("rise", "new", "out")}
    whole: dict[str, Any] = {name: np.array(said[name], dtype=np.int64) for name in ("left", "rank")}
    pieces = tuple(tuple(p) for p in said["pieces"])
    return Choices(lengths=tuple(said["lengths"]), fitted=said["fitted"], pieces=pieces, **real, **whole)
