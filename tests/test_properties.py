"""What must hold for any hydrants at all, through the whole job: nothing here knows what the right answers are."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gradecheck import Plan, Result, compute
from tests.projects import CRS, EAST, NORTH, plan_values, point, write_grounds

TODAY = date(2027, 2, 1)
FEW = settings(max_examples=12, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))

# Inches of each output unit: 1 in = 25.4 mm by definition.
INCHES = {"in": 1.0, "ft": 12.0, "mm": 1 / 25.4, "cm": 1 / 2.54, "m": 1 / 0.0254}
LENGTHS = ("grade_change", "grade_change_sd", "clearance_before", "clearance_after", "clearance_after_sd", "extension")
LENGTHS += ("extension_out", "raise", "clearance_final", "window_miss")
WORDS = ("job", "action", "firm", "cautions", "clearance_basis", "before_source", "after_source")


def existing(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A slope in feet, no two directions alike."""
    return 100 + 0.02 * x - 0.013 * y


def designed(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Lifted, cut, with a step of 6 in across it; none in a corner."""
    rise = 0.012 * x + 0.004 * y - 0.35 + 0.5 * (x + 0.3 * y > 60)
    return np.where((x > 95) & (y < 30), np.nan, existing(x, y) + rise)


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("town")
    write_grounds(folder, existing, designed)
    jobs = {"job_id": ["late", "early"], "start_date": ["2027-09-01", "2027-05-03"]}
    shapes = [
        shapely.box(EAST, NORTH, EAST + 60, NORTH + 45),
        shapely.box(EAST + 40, NORTH + 40, EAST + 98, NORTH + 90),
    ]
    gpd.GeoDataFrame(jobs, geometry=shapes, crs=CRS).to_file(folder / "paving.gpkg")
    (folder / "parts.csv").write_text(
        "family,length,part_number,unit_cost,on_hand,lead_days,pack_size,description,quantity,per\n"
        "A,6 in,A-6,240,1,42,1,,,\nA,12 in,A-12,310.5,0,42,2,,,\nB,9 in,B-9,,0,,1,,,\n"
        "A,,A-G,6.5,3,14,10,gasket,2,piece\nB,,B-L,9,0,14,1,grease,1,visit\n",
        encoding="utf-8",
    )
    return folder


@dataclass(frozen=True)
class Row:
    """A row of a hydrant register; `shape` None is a point at x, y."""

    x: float
    y: float
    id: str | None = None
    family: str | None = "A"
    clearance: str | None = "4"
    fitted: float | None = 0.0
    shape: str | None = None

    def geometry(self) -> Any:
        if self.shape is None:
            return point(self.x, self.y)
        return {
            "none": None,
            "empty": shapely.Point(),
            "far": shapely.Point(-4e6, 5.0),
            "line": shapely.LineString([(EAST, NORTH), (EAST + self.x + 200, NORTH)]),
            "multi": shapely.MultiPoint([point(self.x, self.y)]),
            "two": shapely.MultiPoint([point(self.x, self.y), point(self.x + 9, self.y)]),
        }[self.shape]


metres = st.integers(-30, 130).map(float)
clearances = (
    st.none() | st.sampled_from(["?", "", "4", "2.5", "-7.25", "13"]) | st.integers(-30, 40).map(lambda v: str(v / 4))
)
fitted = st.sampled_from([None, 0.0, 0.0, 6.0, 12.0, 18.0])
ROWS = st.builds(
    Row,
    x=metres,
    y=metres,
    id=st.none() | st.sampled_from(["a", "b", "a#2", "0012", "", "row-2"]),
    family=st.sampled_from([None, "A", "B", "Z"]),
    clearance=clearances,
    fitted=fitted,
    shape=st.none() | st.sampled_from(["none", "empty", "far", "line", "multi", "two"]),
)
PLACED = st.builds(
    Row, x=metres, y=metres, family=st.sampled_from([None, "A", "B", "Z"]), clearance=clearances, fitted=fitted
)


def named(rows: list[Row]) -> list[Row]:
    """The same rows with ids of their own."""
    return [replace(row, id=f"H-{i}") for i, row in enumerate(rows)]


def worked(town: Path, rows: list[Row], *, paving: bool = True, **sections: Any) -> Result:
    table = pd.DataFrame(
        {
            "asset_id": pd.Series([r.id for r in rows], dtype="str"),
            "fam": pd.Series([r.family for r in rows], dtype="str"),
            "flange_in": pd.Series([r.clearance for r in rows], dtype="str"),
            "ext_in": pd.Series([r.fitted for r in rows], dtype="float64"),
        }
    )
    gpd.GeoDataFrame(table, geometry=[r.geometry() for r in rows], crs=CRS).to_parquet(town / "h.parquet")
    source = {"family": "fam", "extension_fitted": {"column": "ext_in", "unit": "in"}, "position_sd": "0.3 m"}
    usual: dict[str, Any] = {
        "hydrants": source,
        "before": {"sd": "0.05 ft", "sd_shared": "0.03 ft"},
        "after": {"sd": "0.03 ft", "unchanged_past": "20 ft"},
        "catalog": {"path": "parts.csv"},
    }
    if paving:
        usual["paving"] = {"path": "paving.gpkg", "job": "job_id", "starts": "start_date", "reach": "8 m"}
    return compute(Plan.parse(plan_values("h.parquet", **{**usual, **sections}), town), today=TODAY)


def same(one: pd.DataFrame, other: pd.DataFrame, factor: float = 1.0, units: tuple[str, str] = ("in", "in")) -> None:
    """Two layers say the same of the same hydrants; lengths of the second times `factor` are those of the first."""
    one, other = (frame.set_index("hydrant_id").sort_index() for frame in (one, other))
    assert list(one.index) == list(other.index)
    for name in WORDS:
        assert one[name].fillna("-").tolist() == other[name].fillna("-").tolist(), name
    np.testing.assert_allclose(one.confidence.astype(float), other.confidence.astype(float), atol=2e-6)
    for name in LENGTHS:
        a, b = one[f"{name}_{units[0]}"].astype(float), other[f"{name}_{units[1]}"].astype(float) * factor
        np.testing.assert_allclose(a, b, atol=1e-4, err_msg=name)


@FEW
@given(rows=st.lists(ROWS, max_size=9), good=PLACED)
def test_rows_read_are_rows_out_and_rows_rejected(town: Path, rows: list[Row], good: Row) -> None:
    result = worked(town, [*rows, good])
    assert len(result.hydrants) + len(result.rejected) == len(rows) + 1
    counts = result.summary["counts"]
    assert (counts["read"], counts["hydrants"], counts["rejected"]) == (
        len(rows) + 1,
        len(result.hydrants),
        len(result.rejected),
    )
    assert result.hydrants.hydrant_id.is_unique
    assert result.rejected.reason.str.len().gt(0).all()
    # A hydrant is left out only for want of a place, or for saying again what another row says.
    placeable = [i + 1 for i, row in enumerate([*rows, good]) if row.shape in (None, "multi")]
    lost = result.rejected[result.rejected.row.isin(placeable)]
    assert lost.reason.str.contains("repeats").all()


@FEW
@given(rows=st.lists(PLACED, min_size=1, max_size=9), data=st.data())
def test_decisions_and_order_do_not_depend_on_the_order_of_the_rows(
    town: Path, rows: list[Row], data: st.DataObject
) -> None:
    given_order = named(rows)
    mixed = data.draw(st.permutations(given_order))
    one, other = worked(town, given_order), worked(town, mixed)
    same(one.hydrants, other.hydrants)
    pd.testing.assert_frame_equal(one.order, other.order, atol=2e-3)


@FEW
@given(rows=st.lists(PLACED, min_size=1, max_size=9), unit=st.sampled_from(["ft", "mm", "cm", "m"]))
def test_decisions_and_order_do_not_depend_on_the_unit_of_the_output(town: Path, rows: list[Row], unit: str) -> None:
    inches, other = worked(town, named(rows)), worked(town, named(rows), output={"unit": unit})
    same(inches.hydrants, other.hydrants, INCHES[unit], ("in", unit))
    for name in ("job", "part_number", "quantity_firm", "quantity_order", "quantity_buy", "order_by"):
        assert inches.order[name].astype(str).tolist() == other.order[name].astype(str).tolist()
    e = "ft" if unit == "ft" else "m"
    metres = inches.hydrants.grade_after_ft.astype(float) * (0.3048 if e == "m" else 1)
    np.testing.assert_allclose(metres, other.hydrants[f"grade_after_{e}"].astype(float), atol=2e-6)


@FEW
@given(rows=st.lists(PLACED, min_size=2, max_size=9), data=st.data())
def test_decisions_do_not_depend_on_splitting_the_layer_in_two(
    town: Path, rows: list[Row], data: st.DataObject
) -> None:
    everyone = named(rows)
    cut = data.draw(st.integers(1, len(rows) - 1))
    halves = [worked(town, part).hydrants for part in (everyone[:cut], everyone[cut:])]
    same(worked(town, everyone).hydrants, pd.concat(halves, ignore_index=True))


@FEW
@given(rows=st.lists(PLACED, min_size=1, max_size=9))
def test_numbers_of_a_row_agree_with_one_another(town: Path, rows: list[Row]) -> None:
    layer = worked(town, named(rows)).hydrants
    known = layer.clearance_after_in.notna() & (layer.action != "outside")
    some = layer[known]
    np.testing.assert_allclose(some.raise_in, some.extension_in - some.extension_out_in, atol=1e-5)
    np.testing.assert_allclose(some.clearance_final_in, some.clearance_after_in + some.raise_in, atol=1e-5)
    both = some[some.grade_change_in.notna()]
    np.testing.assert_allclose(both.clearance_after_in, both.clearance_before_in - both.grade_change_in, atol=1e-5)
    for parts, length in zip(some.extension_parts, some.extension_in, strict=True):
        assert sum(map(float, parts.split("+"))) == length if isinstance(parts, str) else length == 0
    assert some.confidence.between(0, 1).all()
    firm = layer[layer.firm.astype(bool)]
    assert set(firm.action) <= {"keep", "extend", "shorten"}
    assert set(firm.clearance_basis) <= {"measured"}
    holding = {"fill_over_review", "cut_over_review", "cover_below_min", "extension_unknown"}
    assert not any(holding & set(text.split(";")) for text in firm.cautions.dropna())


@FEW
@given(rows=st.lists(PLACED, min_size=1, max_size=9), inches=st.integers(1, 30))
def test_raising_the_design_lowers_every_clearance_by_as_much(town: Path, rows: list[Row], inches: int) -> None:
    higher = town / "higher"
    if not higher.exists():
        higher.mkdir()
    write_grounds(higher, existing, lambda x, y: designed(x, y) + inches / 12)
    no_paving = named(rows)
    low = worked(town, no_paving, paving=False).hydrants
    high = worked(
        town, no_paving, paving=False, after={"raster": "higher/after.tif", "unchanged_past": "20 ft"}
    ).hydrants
    moved = ~low.cautions.fillna("").str.contains("beyond_design")
    fall = (low.clearance_after_in - high.clearance_after_in).astype(float)
    np.testing.assert_allclose(fall[moved & fall.notna()], inches, atol=2e-3)  # single precision heights of 100 ft
    np.testing.assert_allclose(fall[~moved & fall.notna()], 0, atol=1e-9)


@FEW
@given(rows=st.lists(PLACED, min_size=1, max_size=9), grow=st.sampled_from(["before", "after"]))
def test_a_larger_error_makes_no_row_firm_that_was_not(town: Path, rows: list[Row], grow: str) -> None:
    sure = worked(town, named(rows)).hydrants
    less = {"before": {"sd": "0.3 ft"}, "after": {"sd": "0.3 ft", "unchanged_past": "20 ft"}}
    unsure = worked(town, named(rows), **{grow: less[grow]}).hydrants
    gained = unsure.firm.astype(bool) & ~sure.firm.astype(bool)
    assert sure.action[gained].tolist() == unsure.action[gained].tolist() == []
