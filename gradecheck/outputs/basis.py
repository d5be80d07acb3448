"""What the order rests on, kept in the GeoPackage: enough to decide and total again from it alone."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from gradecheck.assessment import Assessment
from gradecheck.cases import Cases
from gradecheck.outputs.columns import pieces
from gradecheck.probability import Bools, Floats, Ints, Mixture

_NUMBERS = ("clearance_after", "change", "clearance_sd", "spread", "fitted", "outlet")


def basis_pieces(a: Assessment) -> Iterator[pa.Table]:
    """The attributes `order_basis`, a row for every row of `hydrants`, metres; not for reading by people.

    atoms: offset, weight, sd of each atom of the ground about the point, as little-endian doubles. In tables of at most
    `columns.PIECE` rows, at least one.
    """
    cases, ids = a.cases, a.inputs.hydrants.id
    way = np.full(len(a), np.nan) if cases.in_the_way is None else cases.in_the_way
    for rows in pieces(len(a)):
        starts = cases.ground.start[rows.start : rows.stop + 1]
        some = slice(starts[0], starts[-1])
        parts = (cases.ground.offset[some], cases.ground.weight[some], cases.ground.sd[some])
        ground = np.ascontiguousarray(np.stack(parts, axis=1).astype("<f8"))
        ends = pa.py_buffer(((starts - starts[0]) * ground.itemsize * 3).astype(np.int64))
        atoms = pa.Array.from_buffers(pa.large_binary(), len(starts) - 1, [None, ends, pa.py_buffer(ground)])
        columns = {
            "hydrant_id": pa.array(ids[rows], pa.string()),
            "job": pa.array(a.job[rows], pa.int64()),
            "family": pa.array(cases.family[rows], pa.int64()),
            **{name: _real(getattr(cases, name)[rows]) for name in _NUMBERS},
            "shared_before": _real(cases.shared[rows, 0]),
            "shared_after": _real(cases.shared[rows, 1]),
            "in_the_way": _real(way[rows]),
            "outside": pa.array(cases.outside[rows].astype(np.int64), pa.int64()),
            "firm": pa.array(a.computed_firm[rows].astype(np.int64), pa.int64()),
            "atoms": atoms,
        }
        yield pa.table(columns)


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
