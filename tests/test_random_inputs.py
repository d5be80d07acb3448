"""Random plans, catalogues, tables and rasters: taken, or refused with findings, nothing else; no row is lost."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from gradecheck import GradecheckError, Plan, compute
from gradecheck.formats.tables import read_catalog
from gradecheck.hydrants import read_hydrants
from tests.projects import CRS, EAST, MARGIN, NORTH, SIDE, plan_values, three, toml_text, write_ground

FEW = settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
FEWER = settings(FEW, max_examples=40)

KEYS = ("path", "id", "clearance", "raster", "unit", "sd", "crs", "confidence", "max_extensions", "clearance_min",
        "dressing", "where", "kit", "dir", "sheets", "family", "limits", "bench_mark", "crs ", "Path", "")  # fmt: skip
COLUMNS = ("family", "length", "part_number", "unit_cost", "stock", "kit", "lenght")
TABLES = ("project", "hydrants", "before", "after", "paving", "policy", "catalog", "output", "measurements", "stable",
          "settle", "hydrant", "Before")  # fmt: skip
scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(
        ["6 in", "-1 ft", "nan m", "1e400 m", "0 in", "1,5 ft", "in 6", "6", "\0", "../..", "x" * 5000, "🚒"]
    )
)
anything = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)


@contextmanager
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


@FEW
@given(st.lists(st.tuples(st.sampled_from(TABLES), st.sampled_from(KEYS), anything), min_size=1, max_size=4))
def test_a_plan_of_anything_is_taken_or_refused_with_how_to_mend_it(changes: list[tuple[str, str, Any]]) -> None:
    values: dict[str, Any] = plan_values()
    for table, key, value in changes:
        values.setdefault(table, {})[key] = value
    try:
        json.dumps(Plan.parse(values).as_written())
    except GradecheckError as error:
        told(error)


def told(error: GradecheckError) -> None:
    """Each finding says where, what, and how to mend it."""
    assert error.findings
    for finding in error.findings:
        assert finding.where, error
        assert finding.mend, error


@FEW
@given(st.dictionaries(st.sampled_from(TABLES), anything, max_size=4))
def test_tables_of_anything_are_refused(values: dict[str, Any]) -> None:
    with pytest.raises(GradecheckError):
        Plan.parse(values)


@FEW
@given(st.lists(st.dictionaries(st.sampled_from(COLUMNS), scalars, max_size=5), max_size=5), st.booleans())
def test_a_catalogue_of_anything_is_taken_whole_or_refused(rows: list[dict[str, Any]], as_csv: bool) -> None:
    with folder() as place:
        if as_csv:
            names = sorted({name for row in rows for name in row}) or ["length"]
            lines = [names, *[[str(row.get(name, "")) for name in names] for row in rows]]
            text = "\n".join(",".join(f'"{cell.replace(chr(34), chr(34) * 2)}"' for cell in line) for line in lines)
            path = place / "catalog.csv"
        else:
            cells = [{k: v for k, v in row.items() if isinstance(v, str | int | float)} for row in rows]
            plain = [
                {k: v.encode("ascii", "replace").decode() if isinstance(v, str) else v for k, v in c.items()}
                for c in cells
            ]
            text = "\n".join("[[extension]]\n" + toml_text({"x": c}).partition("\n")[2] for c in plain)
            path = place / "catalog.toml"
        path.write_text(text, encoding="utf-8", errors="replace")
        try:
            catalog = read_catalog(path, path.name)
        except GradecheckError as error:
            told(error)
            return
        assert all(part.length.metres > 0 for part in catalog.extension)


cells = st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\0\r\n"), max_size=12) | st.sampled_from(
    ["H-1", "", " ", "4.0", "500011", "4600023", "nan", "inf", "1e400", "4,5", "=1+1", "NULL", "-9999", '"']
)


@FEW
@given(st.lists(st.tuples(cells, cells, cells, cells), min_size=1, max_size=12), st.sampled_from(",;\t|"))
def test_rows_of_anything_are_taken_or_rejected_and_none_is_lost(rows: list[tuple[str, ...]], mark: str) -> None:
    def quoted(cell: str) -> str:
        return '"' + cell.replace('"', '""') + '"'

    lines = ["asset_id", "flange_in", "x", "y"], ("H-0", "4.5", "500011", "4600023"), *rows
    values = plan_values("hydrants.csv")
    values["hydrants"] |= {"x": "x", "y": "y", "crs": CRS}
    with folder() as place:
        text = "\n".join(mark.join(quoted(cell) for cell in line) for line in lines) + "\n"
        (place / "hydrants.csv").write_text(text, encoding="utf-8", errors="surrogatepass")
        try:
            read = read_hydrants(Plan.parse(values, place))
        except GradecheckError as error:
            told(error)
            return
    assert read.read == len(read) + len(read.rejected) == len(rows) + 1
    assert all(read.rejected.reason)
    assert np.isfinite(read.x).all()


kinds = st.sampled_from(["uint8", "int16", "int32", "float32", "float64"])


@FEWER
@given(st.data())
def test_a_raster_of_anything_gives_heights_of_its_own_or_none(data: st.DataObject) -> None:
    kind = np.dtype(data.draw(kinds))
    height, width = data.draw(st.integers(1, 40)), data.draw(st.integers(1, 40))
    values = data.draw(arrays.arrays(kind, (height, width)))
    nodata = data.draw(st.none() | st.just(float(values.flat[0])) | st.just(0.0))
    if nodata is not None and not np.isfinite(nodata) and kind.kind != "f":
        nodata = None
    size = data.draw(st.sampled_from([1.0, 5.0, 40.0, 1e-3, 1e5]))
    sign = data.draw(st.sampled_from([-1, 1]))
    left, top = EAST - MARGIN, NORTH + (SIDE + MARGIN if sign < 0 else -MARGIN)
    grid = Affine(size, 0, left, 0, sign * size, top)
    with folder() as place:
        write_ground(place / "before.tif", 100.0)
        three().to_file(place / "hydrants.gpkg")
        profile = {"driver": "GTiff", "width": width, "height": height, "count": 1, "dtype": kind.name}
        with rasterio.open(place / "after.tif", "w", crs=CRS, transform=grid, nodata=nodata, **profile) as out:
            out.write(values, 1)
        try:
            found = compute(Plan.parse(plan_values(), place)).assessment
        except GradecheckError as error:
            told(error)
            return
        after = found.change.after[found.change.after_source >= 0] / 0.3048
    known = values[np.isfinite(values.astype(float))].astype(float)
    assert np.isfinite(after).all()
    if len(after):
        spread = max(1.0, float(np.abs(known).max())) * 1e-6
        assert (after >= known.min() - spread).all()
        assert (after <= known.max() + spread).all()
