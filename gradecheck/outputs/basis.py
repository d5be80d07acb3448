"""What the order rests on, kept in the GeoPackage: enough to decide and total again from it alone."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from gradecheck.assessment import Assessment
from gradecheck.cases import Cases
from gradecheck.probability import Bools, Floats, Ints, Mixture

_NUMBERS = ("clearance_after", "change", "clearance_sd", "spread", "fitted", "outlet")


def basis_table(a: Assessment) -> pa.Table:
    """The attributes `order_basis`, a row for every row of `hydrants`, metres; not for reading by people.

    atoms: offset, weight, sd of each atom of the ground about the point, as little-endian doubles.
    """
    cases = a.cases
    way = np.full(len(a), np.nan) if cases.in_the_way is None else cases.in_the_way
    ground = np.stack([cases.ground.offset, cases.ground.weight, cases.ground.sd], axis=1).astype("<f8")
    ends = pa.py_buffer((cases.ground.start * ground.itemsize * 3).astype(np.int64))
    atoms = pa.Array.from_buffers(pa.large_binary(), len(a), [None, ends, pa.py_buffer(np.ascontiguousarray(ground))])
    columns = {
        "hydrant_id": pa.array(a.inputs.hydrants.id, pa.string()),
        "job": pa.array(a.job, pa.int64()),
        "family": pa.array(cases.family, pa.int64()),
        **{name: _real(getattr(cases, name)) for name in _NUMBERS},
        "shared_before": _real(cases.shared[:, 0]),
        "shared_after": _real(cases.shared[:, 1]),
        "in_the_way": _real(way),
        "outside": pa.array(cases.outside.astype(np.int64), pa.int64()),
        "firm": pa.array(a.computed_firm.astype(np.int64), pa.int64()),
        "atoms": atoms,
    }
    return pa.table(columns)


def _real(values: Floats) -> pa.Array:
    return pa.array(values, pa.float64(), mask=np.isnan(values))


def cases_of(table: pa.Table, lengths: tuple[tuple[float, ...], ...], measure_sd: float) -> tuple[Cases, Ints, Bools]:
    """The cases, the job of each and whether it is firm, from the rows of `order_basis`."""
    rows = [np.frombuffer(blob, dtype="<f8").reshape(-1, 3) for blob in table.column("atoms").to_pylist()]
    start = np.concatenate(([0], np.cumsum([len(r) for r in rows]))).astype(np.int64)
    atoms = np.concatenate(rows).astype(np.float64) if rows else np.zeros((0, 3))
    numbers = {name: _floats(table, name) for name in _NUMBERS}
    way = _floats(table, "in_the_way")
    cases = Cases(
        **numbers,
        ground=Mixture(start, *(np.ascontiguousarray(c) for c in atoms.T)),
        shared=np.stack([_floats(table, "shared_before"), _floats(table, "shared_after")], axis=1),
        family=_ints(table, "family"),
        lengths=lengths,
        outside=_ints(table, "outside") != 0,
        measure_sd=measure_sd,
        in_the_way=None if np.isnan(way).all() else way,
    )
    return cases, _ints(table, "job"), _ints(table, "firm") != 0


def _floats(table: pa.Table, name: str) -> Floats:
    return np.array([np.nan if v is None else v for v in table.column(name).to_pylist()], dtype=np.float64)


def _ints(table: pa.Table, name: str) -> Ints:
    return np.asarray(table.column(name).to_numpy(), dtype=np.int64)
