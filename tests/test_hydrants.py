"""The hydrant layer: what is read, kept, mended and rejected, judged by what GDAL, pandas and pyarrow wrote into it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import pyogrio.raw
import pytest
import shapely

from gradecheck import InputError, Plan, Result, compute, run
from tests.projects import CRS, EAST, NORTH, hydrants, plan_values, point, three, tiny_plan, write_ground, write_grounds

Write = Callable[[gpd.GeoDataFrame, Path], None]


def _csv(layer: gpd.GeoDataFrame, path: Path) -> None:
    table = pd.DataFrame(layer.drop(columns="geometry")).assign(east=layer.geometry.x, north=layer.geometry.y)
    table.to_csv(path, index=False)


# What each writer leaves behind, and what the plan must say of it.
FORMATS: dict[str, tuple[Write, dict[str, Any]]] = {
    "h.gpkg": (lambda f, p: f.to_file(p, layer="anything"), {}),
    "h.shp": (lambda f, p: f.to_file(p), {}),
    "h.geojson": (lambda f, p: f.to_crs(4326).to_file(p, driver="GeoJSON"), {}),
    "h.fgb": (lambda f, p: f.to_file(p, driver="FlatGeobuf"), {}),
    "h.parquet": (lambda f, p: f.to_parquet(p), {}),
    "h.gdb": (lambda f, p: f.to_file(p, driver="OpenFileGDB", layer="anything"), {}),
    "h.csv": (_csv, {"x": "east", "y": "north", "crs": CRS}),
}


def computed(folder: Path, layer: gpd.GeoDataFrame, name: str = "h.gpkg", **source: Any) -> Result:
    """The layer written as the file's name says, and worked on."""
    write_grounds(folder)
    write, needed = FORMATS[name]
    write(layer, folder / name)
    return compute(Plan.parse(plan_values(name, hydrants={**needed, **source}), folder))


def from_text(folder: Path, text: str, **source: Any) -> Result:
    """A CSV given as text."""
    write_grounds(folder)
    (folder / "h.csv").write_text(text, encoding="utf-8")
    needed = {"x": "east", "y": "north", "crs": CRS}
    return compute(Plan.parse(plan_values("h.csv", hydrants={**needed, **source}), folder))


def by_id(result: Result) -> pd.DataFrame:
    return result.hydrants.set_index("hydrant_id")


def ids_of(folder: Path, ids: list[Any], places: list[Any] | None = None) -> Result:
    places = places or [(10.0 + 3 * i, 20.0 + i * i / 10) for i in range(len(ids))]
    return computed(folder, hydrants({"asset_id": ids, "flange_in": [4.0] * len(ids)}, places))


def cautions(result: Result) -> list[set[str]]:
    return [set(text.split(";")) if isinstance(text, str) else set() for text in result.hydrants.cautions]


def reasons(result: Result) -> dict[int, str]:
    return dict(zip(result.rejected.row.tolist(), result.rejected.reason.tolist(), strict=True))


# -- formats ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_gives_the_same_hydrants_and_decisions(tmp_path: Path, name: str) -> None:
    layer = three()
    got = by_id(computed(tmp_path, layer, name))
    # Ground rises 6 in: 4 and 4.5 in end below it and take 6 in of extension; 10.25 in ends at 4.25.
    assert got.loc[["H-1", "H-2", "H-3"], "action"].tolist() == ["extend", "extend", "keep"]
    assert got.loc[["H-1", "H-2", "H-3"], "clearance_after_in"].tolist() == pytest.approx([-2, -1.5, 4.25])
    places = gpd.GeoSeries(got.geometry).to_crs(CRS).loc[["H-1", "H-2", "H-3"]]
    assert places.distance(gpd.GeoSeries(layer.geometry.to_numpy(), index=places.index, crs=CRS)).max() < 1e-3


@pytest.mark.parametrize("name", [n for n in FORMATS if n != "h.csv"])
def test_heights_of_the_points_are_kept(tmp_path: Path, name: str) -> None:
    layer = hydrants({"asset_id": ["a", "b"], "flange_in": [4.0, 4.0]}, [point(11, 23, 280.5), point(37, 5, 281.25)])
    got = by_id(computed(tmp_path, layer, name))
    assert [got.geometry[i].z for i in ("a", "b")] == [280.5, 281.25]


def test_heights_of_the_points_stand_in_the_file(tmp_path: Path) -> None:
    layer = hydrants({"asset_id": ["a"], "flange_in": [4.0]}, [point(11, 23, 280.5)])
    run(tiny_plan(tmp_path, layer))
    info = pyogrio.read_info(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants")
    assert info["geometry_type"] == "Point Z"
    assert gpd.read_file(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants").geometry[0].z == 280.5


def test_points_with_a_measure_are_read_and_written(tmp_path: Path) -> None:
    shapes = [shapely.from_wkt(f"POINT M ({EAST + 5} {NORTH + 9} 7)"), point(11, 23)]
    write_grounds(tmp_path)
    hydrants({"asset_id": ["a", "b"], "flange_in": [4.0, 4.0]}, shapes).to_parquet(tmp_path / "h.parquet")
    run(Plan.parse(plan_values("h.parquet"), tmp_path))
    got = gpd.read_file(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants")
    assert list(zip(got.geometry.x - EAST, got.geometry.y - NORTH, strict=True)) == [(5, 9), (11, 23)]


def test_the_reference_system_of_the_layer_is_kept(tmp_path: Path) -> None:
    result = computed(tmp_path, three().to_crs(4326))
    assert result.hydrants.crs == "EPSG:4326"
    # Distances need a projected system: the design's own is said aloud.
    assert any("EPSG:32615" in w for w in result.summary["warnings"])


def test_the_layer_must_be_named_where_there_are_several(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    three().to_file(tmp_path / "hydrants.gpkg", layer="valves")
    with pytest.raises(InputError, match=r"hydrants\.layer: .*2 layers: hydrants, valves"):
        compute(plan)
    with pytest.raises(InputError, match="did you mean 'hydrants'"):
        compute(Plan.parse(plan_values(hydrants={"layer": "hydrant"}), tmp_path))
    assert len(compute(Plan.parse(plan_values(hydrants={"layer": "hydrants"}), tmp_path)).hydrants) == 3


def test_old_encodings_are_read_where_they_are_stated(tmp_path: Path) -> None:
    write_grounds(tmp_path)
    text = "asset_id,flange_in,street,east,north\nH-1,4,Rübenweg,500011,4600023\n"
    (tmp_path / "h.csv").write_bytes(text.encode("cp1252"))
    source = {"x": "east", "y": "north", "crs": CRS, "street": "street"}
    with pytest.raises(InputError, match="encoding"):
        compute(Plan.parse(plan_values("h.csv", hydrants=source), tmp_path))
    told = Plan.parse(plan_values("h.csv", hydrants={**source, "encoding": "cp1252"}), tmp_path)
    assert compute(told).hydrants.street.tolist() == ["Rübenweg"]


# -- rows that cannot be placed ---------------------------------------------------------------------------------

SQUARE = shapely.box(EAST, NORTH, EAST + 3, NORTH + 2)
ODD_SHAPES: list[tuple[str, Any, str]] = [
    ("none", None, "no geometry"),
    ("empty", shapely.Point(), "empty geometry"),
    ("empty several", shapely.MultiPoint(), "empty geometry"),
    ("infinite", shapely.Point(EAST, np.inf), "not finite"),
    ("another continent", shapely.Point(-4e6, 480_000), "area of use of EPSG:32615"),
    ("degrees taken for metres", shapely.Point(-93.0, 41.55), "area of use of EPSG:32615"),
    ("polygon", SQUARE, "a polygon, not a point"),
    ("polygons", shapely.MultiPolygon([SQUARE]), "several polygons, not a point"),
    ("line", shapely.LineString([(EAST, NORTH), (EAST + 1, NORTH)]), "a line, not a point"),
    ("two places", shapely.MultiPoint([(EAST, NORTH), (EAST + 5, NORTH)]), "2 places in one row"),
]


@pytest.mark.parametrize(("shape", "why"), [s[1:] for s in ODD_SHAPES], ids=[s[0] for s in ODD_SHAPES])
def test_a_row_without_a_place_is_rejected_with_its_reason(tmp_path: Path, shape: Any, why: str) -> None:
    result = ids_of(tmp_path, ["good", "odd", "good too"], [(1, 2), shape, (5, 3)])
    assert result.hydrants.hydrant_id.tolist() == ["good", "good too"]
    assert list(reasons(result)) == [2]
    assert why in reasons(result)[2]
    assert result.rejected.asset_id.tolist() == ["odd"]


def test_multipoints_of_one_place_are_points(tmp_path: Path) -> None:
    one = shapely.MultiPoint([(EAST + 7, NORTH + 31)])
    twice = shapely.MultiPoint([(EAST + 17, NORTH + 41)] * 2)
    result = ids_of(tmp_path, ["one", "twice", "plain"], [one, twice, (3, 4)])
    assert [(g.geom_type, g.x - EAST, g.y - NORTH) for g in result.hydrants.geometry] == [
        ("Point", 7, 31),
        ("Point", 17, 41),
        ("Point", 3, 4),
    ]


def test_an_empty_part_does_not_cost_a_multipoint_its_place(tmp_path: Path) -> None:
    write_grounds(tmp_path)
    shape = shapely.from_wkt(f"MULTIPOINT (EMPTY, ({EAST + 7} {NORTH + 31}))")
    hydrants({"asset_id": ["a"], "flange_in": [4.0]}, [shape]).to_parquet(tmp_path / "h.parquet")
    result = compute(Plan.parse(plan_values("h.parquet"), tmp_path))
    assert [(g.x - EAST, g.y - NORTH) for g in result.hydrants.geometry] == [(7, 31)]


@pytest.mark.parametrize(
    ("east", "north"), [("", "4600023"), ("500011", ""), ("inf", "4600023"), ("500011", "north"), ('"500,0"', "1")]
)
def test_a_csv_row_without_two_numbers_is_rejected(tmp_path: Path, east: str, north: str) -> None:
    text = f"asset_id,flange_in,east,north\nA,4,500011,4600023\nB,4,{east},{north}\n"
    result = from_text(tmp_path, text)
    assert result.hydrants.hydrant_id.tolist() == ["A"]
    assert list(reasons(result)) == [2]
    assert "'east' or 'north'" in reasons(result)[2]


def test_rows_read_are_rows_out_and_rows_rejected(tmp_path: Path) -> None:
    shapes = [s[1] for s in ODD_SHAPES] + [(1, 2), (1, 2), (9, 7)]
    result = ids_of(tmp_path, [f"H-{i}" for i in range(10)] + ["same", "same", None], shapes)
    counts = result.summary["counts"]
    assert (counts["read"], counts["hydrants"], counts["rejected"]) == (13, 2, 11)
    assert len(result.hydrants) + len(result.rejected) == 13
    assert result.rejected.row.tolist() == sorted(result.rejected.row.tolist())


def test_a_layer_without_any_usable_row_stops_with_the_reason(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none of 2 rows .* no geometry"):
        ids_of(tmp_path, ["a", "b"], [None, None])


# -- ids --------------------------------------------------------------------------------------------------------


def test_a_missing_or_blank_id_is_made_up_from_the_place_in_the_layer(tmp_path: Path) -> None:
    result = ids_of(tmp_path, ["a", None, "", "  ", "b"])
    assert result.hydrants.hydrant_id.tolist() == ["a", "row-2", "row-3", "row-4", "b"]
    assert ["no_id" in c for c in cautions(result)] == [False, True, True, True, False]


def test_without_a_column_of_ids_all_are_made_up_and_that_is_said(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, hydrants={"id": None})
    result = compute(plan)
    assert result.hydrants.hydrant_id.tolist() == ["row-1", "row-2", "row-3"]
    assert any("hydrants.id" in text for text in result.summary["assumed"])


def test_repeated_ids_are_told_apart_and_cautioned(tmp_path: Path) -> None:
    result = ids_of(tmp_path, ["a", "b", "a", "a"])
    assert result.hydrants.hydrant_id.tolist() == ["a", "b", "a#2", "a#3"]
    assert ["repeated_id" in c for c in cautions(result)] == [True, False, True, True]


@pytest.mark.parametrize(
    ("ids", "wanted"),
    [
        (["a", "a", "a#2"], ["a", "a#3", "a#2"]),
        (["a#2", "a", "a", "a"], ["a#2", "a", "a#3", "a#4"]),
        (["a", "a", "a#2", "a#2"], ["a", "a#3", "a#2", "a#2#2"]),
    ],
)
def test_a_mended_id_never_falls_onto_one_that_is_there(tmp_path: Path, ids: list[str], wanted: list[str]) -> None:
    assert ids_of(tmp_path, ids).hydrants.hydrant_id.tolist() == wanted


@pytest.mark.parametrize("ids", [["row-2", None, "c"], ["a", None, "row-2"]])
def test_a_made_up_id_leaves_the_real_one_of_that_name_alone(tmp_path: Path, ids: list[str | None]) -> None:
    got = ids_of(tmp_path, ids).hydrants.hydrant_id.tolist()
    assert len(set(got)) == 3
    assert got[ids.index("row-2")] == "row-2"


def test_a_repeat_of_id_and_place_within_a_centimetre_is_rejected(tmp_path: Path) -> None:
    places = [(10, 20), (10.006, 20.007), (10.02, 20), (50, 20)]  # 0.9 cm off, 2 cm off, 40 m off
    result = ids_of(tmp_path, ["a", "a", "a", "b"], places)
    assert result.hydrants.hydrant_id.tolist() == ["a", "a#2", "b"]
    assert list(reasons(result)) == [2]
    assert "row 1" in reasons(result)[2]
    assert "'a'" in reasons(result)[2]


def test_a_centimetre_is_a_centimetre_in_degrees_and_in_feet(tmp_path: Path) -> None:
    # 1e-7 degrees of latitude are 1.1 cm, 5e-8 are 0.6 cm; 0.03 ftUS are 0.9 cm, 0.04 are 1.2 cm.
    degrees = three().to_crs(4326).geometry[0]
    feet = three().to_crs("EPSG:3418").geometry[0]  # Iowa South, US survey feet
    for crs, at, near, far in (("EPSG:4326", degrees, 5e-8, 1.5e-7), ("EPSG:3418", feet, 0.03, 0.04)):
        shapes = [at, shapely.Point(at.x, at.y + near), shapely.Point(at.x, at.y + far)]
        folder = tmp_path / crs.replace(":", "")
        folder.mkdir()
        layer = hydrants({"asset_id": ["a"] * 3, "flange_in": [4.0] * 3}, shapes, crs)
        assert list(reasons(computed(folder, layer))) == [2]


def test_rows_without_an_id_are_never_taken_for_repeats(tmp_path: Path) -> None:
    result = ids_of(tmp_path, [None, None], [(10, 20), (10, 20)])
    assert result.hydrants.hydrant_id.tolist() == ["row-1", "row-2"]


ODD_IDS = ["0012", "1E5", "=1+1", "-3", "+7", "1.50", "NA", "null", "ÄÖ-1", 'a"b', "x,y", "07:30", "TRUE", "1e400"]


@pytest.mark.parametrize("name", FORMATS)
def test_ids_come_back_as_they_were_written(tmp_path: Path, name: str) -> None:
    layer = hydrants({"asset_id": ODD_IDS, "flange_in": [4.0] * 14}, [(3.0 + i, 5.0 + 2 * i) for i in range(14)])
    assert sorted(computed(tmp_path, layer, name).hydrants.hydrant_id) == sorted(ODD_IDS)


@pytest.mark.parametrize("ids", [[12, 7, 9], [12.0, 7.0, 9.0], pd.array([12, None, 9], dtype="Int64")])
def test_numbers_as_ids_are_written_without_a_point(tmp_path: Path, ids: Any) -> None:
    got = ids_of(tmp_path, ids).hydrants.hydrant_id.tolist()
    assert got == ["12", "row-2" if ids[1] is pd.NA else "7", "9"]


# -- numbers ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["?", "4 in", "4,5", "inf", "n/a", "four"])
def test_a_number_that_cannot_be_read_is_unknown_and_cautioned(tmp_path: Path, text: str) -> None:
    layer = hydrants({"asset_id": ["a", "b", "c"], "flange_in": ["4", text, " 10.25 "]}, [(1, 2), (3, 4), (5, 7)])
    result = computed(tmp_path, layer)
    assert result.hydrants.clearance_basis.tolist() == ["measured", "assumed", "measured"]
    assert ["unreadable_value" in c for c in cautions(result)] == [False, True, False]
    assert result.hydrants.clearance_after_in.tolist()[::2] == [-2.0, 4.25]
    assert result.hydrants.flange_in.tolist() == ["4", text, " 10.25 "]


def test_blank_and_null_are_unknown_and_no_fault(tmp_path: Path) -> None:
    layer = hydrants({"asset_id": ["a", "b", "c"], "flange_in": ["", "   ", None]}, [(1, 2), (3, 4), (5, 7)])
    result = computed(tmp_path, layer)
    assert result.hydrants.clearance_basis.tolist() == ["assumed"] * 3
    assert not any("unreadable_value" in c for c in cautions(result))


def test_a_negative_length_on_the_hydrant_is_unreadable_and_a_buried_flange_is_not(tmp_path: Path) -> None:
    columns = {"asset_id": ["a", "b"], "flange_in": [-3.0, 4.0], "ext_in": [0.0, -6.0]}
    layer = hydrants(columns, [(1, 2), (3, 4)])
    result = computed(tmp_path, layer, extension_fitted={"column": "ext_in", "unit": "in"})
    assert result.hydrants.clearance_before_in.tolist() == [-3, 4]
    assert ["unreadable_value" in c for c in cautions(result)] == [False, True]
    assert ["extension_unknown" in c for c in cautions(result)] == [False, True]


def test_a_marker_for_no_measurement_is_no_clearance(tmp_path: Path) -> None:
    columns = {"asset_id": ["a", "b", "c"], "flange_in": [-9999.0, 4.0, 99999.0]}
    result = computed(tmp_path, hydrants(columns, [(1, 2), (3, 4), (5, 7)]))
    assert result.hydrants.clearance_basis.tolist() == ["assumed", "measured", "assumed"]
    assert ["unreadable_value" in c for c in cautions(result)] == [True, False, True]


def test_flanges_that_cannot_belong_to_their_ground_are_warned_of(tmp_path: Path) -> None:
    # Ground at 100 ft: 100.4 is a flange, 0 and the same flange in metres (30.6) are not.
    columns = {"asset_id": ["a", "b", "c"], "flange_in": [4.0] * 3, "flange_ft": [100.4, 0.0, 30.6]}
    source = {"column": "flange_ft", "unit": "ft"}
    result = computed(tmp_path, hydrants(columns, [(1, 2), (3, 4), (5, 7)]), flange_elevation=source)
    assert any("2 surveyed flanges" in w for w in result.summary["warnings"])


@pytest.mark.parametrize(("unit", "value"), [("in", 4.0), ("ft", 1 / 3), ("mm", 101.6), ("cm", 10.16), ("m", 0.1016)])
def test_columns_are_read_in_the_unit_that_the_plan_states(tmp_path: Path, unit: str, value: float) -> None:
    layer = hydrants({"asset_id": ["a"], "flange_in": [value]}, [(1, 2)])
    result = computed(tmp_path, layer, clearance={"column": "flange_in", "unit": unit})
    assert result.hydrants.clearance_before_in[0] == pytest.approx(4.0, abs=1e-5)


def test_what_is_not_known_to_be_fitted_is_taken_as_none_and_held_back(tmp_path: Path) -> None:
    # All three end 2 in below ground: 6 in more, or 18 for 12 where 12 are fitted.
    columns = {"asset_id": ["a", "b", "c"], "flange_in": [4.0] * 3, "ext_in": [0.0, None, 12.0]}
    layer = hydrants(columns, [(1, 2), (3, 4), (5, 7)])
    got = computed(tmp_path, layer, extension_fitted={"column": "ext_in", "unit": "in"}).hydrants
    assert got.extension_parts.tolist() == ["6", "6", "18"]
    assert got.extension_out_in.tolist() == [0, 0, 12]
    assert got.firm.tolist() == [True, False, True]
    unmapped = computed(tmp_path, layer).hydrants
    assert unmapped.firm.tolist() == [False] * 3


def test_columns_that_are_not_there_are_told_all_at_once_with_the_nearest(tmp_path: Path) -> None:
    source = {"id": "asset", "street": "strete", "bury": {"column": "flange", "unit": "ft"}}
    with pytest.raises(InputError) as caught:
        computed(tmp_path, three().assign(street="x"), **source)
    told = {f.where: f.mend for f in caught.value.findings}
    assert told == {
        "hydrants.id = 'asset'": "did you mean 'asset_id'?",
        "hydrants.street = 'strete'": "did you mean 'street'?",
        "hydrants.bury = 'flange'": "did you mean 'flange_in'?",
    }


# -- where ------------------------------------------------------------------------------------------------------


def _with_status() -> gpd.GeoDataFrame:
    columns = {
        "asset_id": ["a", "b", None, "d", None],
        "flange_in": [4.0, 4.25, 4.5, 4.75, 5.0],
        "status": ["RET", "ACT", "ACT", None, "ACT"],
        "laid": pd.Series([date(1990 + i, 3, 4) for i in range(5)]),
    }
    # A coarse diagonal: FlatGeobuf sorts by place, so rows are told by their clearance and not by their order.
    return hydrants(columns, [(5.0 + 15 * i, 8.0 + 11 * i) for i in range(5)])


@pytest.mark.parametrize("name", FORMATS)
def test_where_leaves_rows_out_and_counts_them(tmp_path: Path, name: str) -> None:
    result = computed(tmp_path, _with_status(), name, where="status = 'ACT'")
    counts = result.summary["counts"]
    assert (counts["rows_in_layer"], counts["left_out_by_where"], counts["read"]) == (5, 2, 3)
    assert (counts["hydrants"], counts["rejected"]) == (3, 0)
    assert sorted(float(v) for v in result.hydrants.flange_in) == [4.25, 4.5, 5.0]


@pytest.mark.parametrize("name", [n for n in FORMATS if n != "h.fgb"])
def test_made_up_ids_count_places_before_where(tmp_path: Path, name: str) -> None:
    result = computed(tmp_path, _with_status(), name, where="status = 'ACT'")
    assert result.hydrants.hydrant_id.tolist() == ["b", "row-3", "row-5"]


def test_places_count_rows_even_where_a_layer_has_lost_some(tmp_path: Path) -> None:
    # GeoPackage keys need not be 1, 2, 3: rows deleted in a GIS leave gaps.
    write_grounds(tmp_path)
    _with_status().to_file(tmp_path / "h.gpkg", layer="h")
    with sqlite3.connect(tmp_path / "h.gpkg") as db:
        for (trigger,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f'DROP TRIGGER "{trigger}"')
        db.execute("DELETE FROM h WHERE fid IN (1, 2)")
    db.close()
    result = compute(Plan.parse(plan_values("h.gpkg", hydrants={"where": "status = 'ACT'"}), tmp_path))
    assert result.hydrants.hydrant_id.tolist() == ["row-1", "row-3"]


@pytest.mark.parametrize("name", ["h.gpkg", "h.csv", "h.parquet"])
@pytest.mark.parametrize("where", ["status = ", "sttus = 'ACT'", "status == == 1", "'"])
def test_a_where_that_cannot_be_understood_is_told(tmp_path: Path, name: str, where: str) -> None:
    with pytest.raises(InputError) as caught:
        computed(tmp_path, _with_status(), name, where=where)
    (finding,) = caught.value.findings
    assert finding.where == "hydrants.where"
    assert repr(where) in finding.what


@pytest.mark.parametrize("name", ["h.gpkg", "h.csv", "h.parquet"])
def test_a_where_that_leaves_nothing_stops_with_the_count(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="5 left out by `where`"):
        computed(tmp_path, _with_status(), name, where="status = 'SOLD'")


def test_rejected_rows_that_where_leaves_out_are_in_no_layer(tmp_path: Path) -> None:
    layer = hydrants(
        {"asset_id": ["a", "b", "c"], "flange_in": [4.0] * 3, "status": ["ACT", "RET", "ACT"]}, [(1, 2), None, None]
    )
    result = computed(tmp_path, layer, where="status = 'ACT'")
    assert reasons(result) == {3: "no geometry"}


def test_a_repeat_names_rows_as_they_stand_before_where(tmp_path: Path) -> None:
    columns = {"asset_id": ["x", "a", "y", "a"], "flange_in": [4.0] * 4, "status": ["RET", "ACT", "RET", "ACT"]}
    layer = hydrants(columns, [(1, 2), (9, 7), (3, 4), (9, 7)])
    result = computed(tmp_path, layer, where="status = 'ACT'")
    assert list(reasons(result)) == [4]
    assert "row 2" in reasons(result)[4]


# -- the input's own columns ------------------------------------------------------------------------------------


def _typed() -> pa.Table:
    """Columns of every type that a register has, with gaps."""
    columns = {
        "asset_id": pa.array(["a", "b", "c"], pa.string()),
        "flange_in": pa.array([4.0, 4.5, None], pa.float64()),
        "installed": pa.array([1987, None, 2_147_483_000], pa.int32()),
        "book": pa.array([9_007_199_254_740_993, None, -1], pa.int64()),  # past what a float can hold
        "private": pa.array([True, None, False], pa.bool_()),
        "laid": pa.array([date(1987, 5, 3), None, date(1899, 12, 31)], pa.date32()),
        "seen": pa.array([datetime(2026, 5, 3, 10, 20, 30, 125000), None, datetime(1969, 1, 2)], pa.timestamp("ms")),
        "flow": pa.array([0.1, None, -7.25], pa.float32()),
        "Straße & №": pa.array(["Rübenweg", None, ""], pa.string()),
        "empty": pa.array([None, None, None], pa.string()),
    }
    return pa.table(columns)


def _write_typed(path: Path) -> None:
    wkb = pa.array(shapely.to_wkb([point(1, 2), point(30, 4), point(5, 60)]).tolist(), pa.binary())
    pyogrio.raw.write_arrow(
        _typed().append_column("geom", wkb), path, layer="h", geometry_name="geom", geometry_type="Point", crs=CRS
    )


def _values(table: pa.Table, column: str) -> list[Any]:
    """Values without the time zone: a GeoPackage has no times but those in UTC."""
    found = table.column(column).to_pylist()
    return [v.replace(tzinfo=None) if isinstance(v, datetime) else v for v in found]


@pytest.mark.parametrize("name", ["h.gpkg", "h.parquet"])
def test_columns_types_and_values_survive_into_the_output(tmp_path: Path, name: str) -> None:
    write_grounds(tmp_path)
    _write_typed(tmp_path / "h.gpkg")
    if name == "h.parquet":
        frame = gpd.GeoDataFrame(_typed().to_pandas(types_mapper=pd.ArrowDtype), geometry=[point(1, 2)] * 3, crs=CRS)
        frame.geometry = [point(1, 2), point(30, 4), point(5, 60)]
        frame.to_parquet(tmp_path / name)
    run(Plan.parse(plan_values(name), tmp_path))
    meta, got = pyogrio.raw.read_arrow(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants")
    _, given = pyogrio.raw.read_arrow(tmp_path / "h.gpkg")
    names = _typed().column_names
    assert list(meta["fields"][: len(names)]) == names
    for column in names:
        assert _values(got, column) == _values(given, column) == _typed()[column].to_pylist()
        assert got.schema.field(column).type == given.schema.field(column).type


def test_the_result_of_the_library_keeps_whole_numbers_and_booleans_with_gaps(tmp_path: Path) -> None:
    write_grounds(tmp_path)
    _write_typed(tmp_path / "h.gpkg")
    got = compute(Plan.parse(plan_values("h.gpkg"), tmp_path)).hydrants
    assert got.book.tolist() == [9_007_199_254_740_993, pd.NA, -1]
    assert got.private.tolist() == [True, pd.NA, False]
    assert got.installed.dtype == "Int32"


def test_rejected_rows_keep_the_columns_of_the_input(tmp_path: Path) -> None:
    write_grounds(tmp_path)
    table = _typed().append_column("geom", pa.array([shapely.to_wkb(point(1, 2)), None, None], pa.binary()))
    pyogrio.raw.write_arrow(table, tmp_path / "h.gpkg", layer="h", geometry_name="geom", geometry_type="Point", crs=CRS)
    run(Plan.parse(plan_values("h.gpkg"), tmp_path))
    _, got = pyogrio.raw.read_arrow(tmp_path / "out" / "gradecheck.gpkg", layer="rejected")
    for column in _typed().column_names:
        assert _values(got, column) == _typed()[column].to_pylist()[1:]
    assert got.column("row").to_pylist() == [2, 3]


CLASHES = [
    (["Action", "HYDRANT_ID", "firm"], ["Action_input", "HYDRANT_ID_input", "firm_input"]),
    (["review_note", "Extension_in", "reason"], ["review_note_input", "Extension_in_input", "reason_input"]),
    (["action", "action_input", "x"], ["action_input2", "action_input", "x"]),
    (["fid", "geom", "GEOM"], ["fid_input", "geom_input", None]),
    (["grade_after_ft", "grade_after_m", "raise_mm"], ["grade_after_ft_input", "grade_after_m", "raise_mm"]),
]


@pytest.mark.parametrize(("given", "wanted"), CLASHES, ids=[c[0][0] for c in CLASHES])
def test_a_name_that_clashes_with_ours_gets_a_suffix(
    tmp_path: Path, given: list[str], wanted: list[str | None]
) -> None:
    write_grounds(tmp_path)
    layer = three().assign(**{name: [f"{name} {i}" for i in range(3)] for name in given})
    layer.to_parquet(tmp_path / "h.parquet")
    run(Plan.parse(plan_values("h.parquet"), tmp_path))
    got = pyogrio.read_dataframe(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants")
    for name, new in zip(given, wanted, strict=True):
        new = new or next(c for c in got.columns if c.startswith(f"{name}_input"))
        assert got[new].tolist() == [f"{name} {i}" for i in range(3)]
    assert got.action.tolist() == ["extend", "extend", "keep"] if "action" not in given else True
    assert len({c.lower() for c in got.columns}) == len(got.columns)


# Names that readers of these formats use for keys of their own: a register may have them as plain columns.
@pytest.mark.parametrize(
    "column", ["id", "fid", "OGC_FID", "ogc_fid", "FID", "OBJECTID", "wkb_geometry", "geom", "WKT"]
)
@pytest.mark.parametrize("name", [n for n in FORMATS if n != "h.gdb"])
def test_a_column_named_like_a_key_is_a_column_like_any_other(tmp_path: Path, name: str, column: str) -> None:
    if (name, column) in {("h.gpkg", "fid"), ("h.gpkg", "FID"), ("h.gpkg", "geom")}:
        pytest.skip("GeoPackage's own key and geometry, no column of the register")
    result = by_id(computed(tmp_path, three().assign(**{column: [70, 80, 110]}), name))
    short = column[:10] if name == "h.shp" else column  # dBASE names end there
    found = [c for c in result.columns if c in (short, f"{short}_input")]
    assert [str(v) for v in result.loc[["H-1", "H-2", "H-3"], found[0]]] == ["70", "80", "110"]


def test_our_own_output_can_be_put_in_again(tmp_path: Path) -> None:
    run(tiny_plan(tmp_path))
    again = {"path": "out/gradecheck.gpkg", "layer": "hydrants"}
    result = compute(Plan.parse(plan_values(hydrants=again), tmp_path))
    assert result.hydrants.action.tolist() == result.hydrants.action_input.tolist() == ["extend", "extend", "keep"]


@pytest.mark.parametrize(
    ("ground", "work", "accuracy"), [(32615, None, 0.0), (26915, None, 4.0), (26915, 32615, 4.0), (32615, 26915, 0.0)]
)
def test_the_accuracy_of_a_change_of_reference_system_is_added_to_the_error_of_positions(
    ground: int, work: int | None, accuracy: float, tmp_path: Path
) -> None:
    # EPSG states 4 m for NAD83 to WGS 84 (1), operation 1188, which moves nothing: only the error changes. There by
    # another working system and back again adds nothing.
    tilt = 0.05  # feet a metre
    plan = tiny_plan(tmp_path, project={"crs": f"EPSG:{work}" if work else None})
    for name, slope in (("before", 0.0), ("after", tilt)):
        write_ground(tmp_path / f"{name}.tif", lambda x, y, s=slope: 100 + s * x, crs=f"EPSG:{ground}")
    result = compute(plan)
    # A plane moves by its slope times the error along it. Both surfaces' own 0.01 ft, 0.17 in together, are beside it.
    assert result.hydrants.grade_change_sd_in.to_numpy() == pytest.approx(
        12 * tilt * np.hypot(0.1, accuracy), rel=0.02, abs=0.2
    )
    told = [text for text in result.summary["warnings"] if "position_sd" in text]
    if accuracy:
        assert told == [
            "hydrants.position_sd = 0.1 m is counted as 4 m: positions are known in one reference system to 4 m, which "
            "is added; where hydrants and ground are really in one, correct the system that their files state"
        ]
    else:
        assert not told
