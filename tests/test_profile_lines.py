"""Profile lines written by geopandas and read back as roads: heights and places worked by head, or by shapely.

The table's numbers are those of an open-access surveying textbook (vertical curves, self-study; Mahun): PVI at 56+50
with 1325.00, +5.0 %, -3.5 %, curve of 500 ft.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gradecheck.errors import InputError
from gradecheck.formats.profile_lines import ProfileLines, lines_with_heights, lines_with_table, station_table
from gradecheck.layers import VectorLayer, read_layer

CRS = "EPSG:32615"
WHERE = "after.profile"
COLUMNS = ("road", "station", "elevation")


def line(*places: tuple[float, ...]) -> shapely.LineString:
    """About (500000, 4650000), so that rounding shows."""
    return shapely.LineString([(500_000 + x, 4_650_000 + y, *z) for x, y, *z in places])


# 3-4-5 triangles: lengths by head.
MAPLE = line((0, 0, 300), (30, 40, 301), (90, 120, 300.5))
OAK = line((10, 0, 280), (10, -7, 281))


def layer_of(folder: Path, shapes: list[Any], name: str = "lines.gpkg", **columns: list[Any]) -> VectorLayer:
    frame = gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)
    path = folder / name
    frame.to_parquet(path) if name.endswith("parquet") else frame.to_file(path)
    return read_layer(path, name, WHERE)


def table_of(folder: Path, text: str) -> VectorLayer:
    (folder / "stations.csv").write_text(text, encoding="utf-8")
    return read_layer(folder / "stations.csv", "stations.csv", "after.table")


def rows_of(*rows: tuple[Any, ...]) -> str:
    return "road,station,elevation\n" + "".join(",".join(str(v) for v in row) + "\n" for row in rows)


def joined(folder: Path, shapes, names, text: str, start=None, scale: float = 1.0, **columns) -> ProfileLines:
    layer = layer_of(folder, shapes, road=names, **columns)
    return lines_with_table(layer, "road", start, table_of(folder, text), COLUMNS, scale, WHERE)


def refusals(make) -> list[str]:
    with pytest.raises(InputError) as caught:
        make()
    assert all(f.what and f.mend for f in caught.value.findings)
    return [str(f) for f in caught.value.findings]


def names(found: ProfileLines) -> list[str]:
    assert all(one.alignment.name == one.profile.name for one in found.lines)
    return [one.alignment.name for one in found.lines]


# -- 3D lines ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["lines.gpkg", "lines.shp", "lines.geojson", "lines.fgb", "lines.parquet"])
def test_3d_lines_of_any_format_are_roads_with_heights(tmp_path, name) -> None:
    found = lines_with_heights(layer_of(tmp_path, [MAPLE, OAK], name, road=["Maple", "Oak"]), "road", WHERE)
    order = sorted(found.lines, key=lambda one: one.alignment.name)  # one format sorts by place
    assert [one.alignment.name for one in order] == ["Maple", "Oak"]
    maple = order[0]
    # 50 along to the bend, 150 to the end; 1 up in 50, 0.5 down in 100.
    assert [maple.alignment.first, maple.alignment.last] == pytest.approx([0, 150])
    assert maple.profile.heights(np.array([0, 25, 50, 100, 150.0])) == pytest.approx([300, 300.5, 301, 300.75, 300.5])
    x, y = maple.alignment.points(np.array([100.0]))
    assert (x[0], y[0]) == pytest.approx((500_060, 4_650_080))
    assert found.crs == CRS
    assert found.shown == name
    assert found.notes == ()


def test_heights_along_a_line_are_shapelys(tmp_path) -> None:
    random = np.random.default_rng(7)
    xyz = np.cumsum(random.uniform(-5, 20, (40, 3)), axis=0)
    (road,) = lines_with_heights(layer_of(tmp_path, [shapely.LineString(xyz)]), None, WHERE).lines
    stations = np.linspace(0, road.alignment.last, 300)
    expected = shapely.get_coordinates(
        shapely.line_interpolate_point(shapely.LineString(xyz), stations), include_z=True
    )
    assert np.stack(road.alignment.points(stations), axis=1) == pytest.approx(expected[:, :2], abs=1e-9)
    assert road.profile.heights(stations) == pytest.approx(expected[:, 2], abs=1e-9)


def test_roads_without_a_name_are_called_by_their_row(tmp_path) -> None:
    layer = layer_of(tmp_path, [MAPLE, OAK, OAK], road=["Maple", None, "  "])
    assert names(lines_with_heights(layer, "road", WHERE)) == ["Maple", "row 2", "row 3"]
    assert names(lines_with_heights(layer, None, WHERE)) == ["row 1", "row 2", "row 3"]


def test_whole_numbers_name_roads_as_such(tmp_path) -> None:
    layer = layer_of(tmp_path, [MAPLE, OAK], road=[12.0, 7.0])
    assert names(lines_with_heights(layer, "road", WHERE)) == ["12", "7"]


WEST, EAST, NORTH_LEG = line((0, 0, 1), (10, 0, 2)), line((10, 0, 2), (20, 0, 4)), line((20, 0, 4), (20, 5, 3))


@pytest.mark.parametrize("shapes", [[WEST, EAST, NORTH_LEG], [NORTH_LEG, WEST, EAST], [EAST, NORTH_LEG, WEST]])
@pytest.mark.parametrize("multi", [False, True])
def test_parts_that_follow_each_other_are_one_line_in_whatever_order_they_stand(tmp_path, shapes, multi) -> None:
    shapes = [shapely.MultiLineString(shapes)] if multi else shapes
    found = lines_with_heights(layer_of(tmp_path, shapes, road=["Elm"] * len(shapes)), "road", WHERE)
    (elm,) = found.lines
    assert elm.alignment.name == "Elm"
    assert elm.alignment.last == pytest.approx(25)
    assert elm.profile.heights(np.array([0, 10, 15, 20, 25.0])) == pytest.approx([1, 2, 3, 4, 3])
    assert found.notes == ()


def test_parts_that_do_not_follow_each_other_are_kept_apart_and_that_is_said(tmp_path) -> None:
    # Two that meet head to head: to join them, one would have to be turned around.
    against = line((20, 0, 5), (10, 0, 2))
    found = lines_with_heights(layer_of(tmp_path, [WEST, against, OAK], road=["Elm", "Elm", "Oak"]), "road", WHERE)
    assert names(found) == ["Elm (1)", "Elm (2)", "Oak"]
    assert found.lines[1].profile.heights(np.zeros(1))[0] == 5
    (note,) = found.notes
    assert "'Elm' (2)" in note
    assert "'Oak'" not in note


def test_at_a_fork_nothing_is_joined(tmp_path) -> None:
    branch = line((10, 0, 2), (10, 9, 2))
    found = lines_with_heights(layer_of(tmp_path, [WEST, EAST, branch], road=["Elm"] * 3), "road", WHERE)
    assert names(found) == ["Elm (1)", "Elm (2)", "Elm (3)"]


def test_a_part_that_another_name_uses_up_is_passed_over(tmp_path) -> None:
    layer = layer_of(tmp_path, [WEST, NORTH_LEG, OAK], road=["Elm", "Elm", "Elm (1)"])
    assert names(lines_with_heights(layer, "road", WHERE)) == ["Elm (2)", "Elm (3)", "Elm (1)"]


def test_a_ring_of_parts_begins_where_the_first_does(tmp_path) -> None:
    home = line((20, 5, 3), (0, 0, 1))
    found = lines_with_heights(layer_of(tmp_path, [EAST, NORTH_LEG, home, WEST], road=["Ring"] * 4), "road", WHERE)
    (ring,) = found.lines
    assert ring.alignment.x[0] == pytest.approx(500_010)
    assert ring.alignment.last == pytest.approx(25 + np.hypot(20, 5))


def test_ends_a_hair_apart_are_one_place(tmp_path) -> None:
    near = line((10.004, 0.003, 2), (20, 0, 4))
    (elm,) = lines_with_heights(layer_of(tmp_path, [WEST, near], road=["Elm"] * 2), "road", WHERE).lines
    assert elm.alignment.last == pytest.approx(20, abs=0.002)


def test_geometries_that_are_no_lines_are_passed_over_by_row(tmp_path) -> None:
    shapes = [shapely.Point(1, 2, 3), MAPLE, None, MAPLE.buffer(3), shapely.LineString()]
    found = lines_with_heights(layer_of(tmp_path, shapes, road=list("abcde")), "road", WHERE)
    assert names(found) == ["b"]
    assert found.notes == ("rows passed over: 1 (a point), 3 (no geometry), 4 (a polygon), 5 (no geometry)",)


def test_a_layer_without_lines_is_refused(tmp_path) -> None:
    layer = layer_of(tmp_path, [shapely.Point(1, 2, 3)], road=["a"])
    (text,) = refusals(lambda: lines_with_heights(layer, "road", WHERE))
    assert text.startswith("lines.gpkg: it holds no lines; rows: 1 (a point)")


def test_lines_without_heights_are_refused_all_at_once(tmp_path) -> None:
    holes = line((0, 0, 5), (9, 0, np.nan), (10, 0, 6))
    shapes = [line((0, 0), (5, 5)), MAPLE, holes, line((0, 0, 0), (5, 5, 0)), line((0, 9), (5, 5))]
    layer = layer_of(tmp_path, shapes, "lines.parquet", road=list("abcde"))
    without, some, flat = refusals(lambda: lines_with_heights(layer, "road", WHERE))
    assert "lines without heights, rows: 1, 5 -> give 3D lines, or a `table`" in without
    assert "3 (1 of 3 vertices)" in some
    assert "a flat drawing, not ground; rows: 4" in flat


@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")  # shapely's, on such coordinates
def test_coordinates_that_are_no_numbers_are_refused_by_row(tmp_path) -> None:
    shapes = [MAPLE, line((0, 0, 5), (np.nan, 7, 6)), line((np.inf, 0, 5), (3, 7, 6))]
    layer = layer_of(tmp_path, shapes, "lines.parquet", road=list("abc"))
    (text,) = refusals(lambda: lines_with_heights(layer, "road", WHERE))
    assert "rows with coordinates that are no numbers: 2, 3" in text


def test_a_stray_height_of_0_is_told_of(tmp_path) -> None:
    shapes = [line((0, 0, 300), (5, 5, 0), (9, 9, 301)), line((0, 0, -1), (5, 5, 0), (9, 9, 2))]
    found = lines_with_heights(layer_of(tmp_path, shapes, road=["a", "b"]), "road", WHERE)
    (note,) = found.notes
    assert "'a' (1)" in note
    assert "'b'" not in note


@pytest.mark.parametrize("gap", [0.0, 0.006])
def test_two_heights_at_one_place_are_refused(tmp_path, gap) -> None:
    above = line((10 + gap, 0, 7), (20, 0, 8))
    (text,) = refusals(lambda: lines_with_heights(layer_of(tmp_path, [WEST, above], road=["Elm"] * 2), "road", WHERE))
    assert "'Elm'" in text
    assert "station 10 has heights 2 and 7" in text


def test_a_line_of_one_place_is_refused_by_name_along_with_the_rest(tmp_path) -> None:
    shapes = [line((0, 0, 5), (0, 0, 5)), MAPLE, line((3, 3, 5), (3, 3, 5))]
    layer = layer_of(tmp_path, shapes, road=["Elm", "Oak", "Ash"])
    first, second = refusals(lambda: lines_with_heights(layer, "road", WHERE))
    assert "Elm" in first
    assert "Ash" in second


def test_columns_that_are_not_there_are_named_with_the_nearest(tmp_path) -> None:
    layer = layer_of(tmp_path, [MAPLE], street=["Maple"])
    (text,) = refusals(lambda: lines_with_heights(layer, "streat", WHERE))
    assert text == "after.road = 'streat': lines.gpkg has no such column -> did you mean 'street'?"


# -- tables -----------------------------------------------------------------------------------------------------

TEXTBOOK = rows_of(
    ("Maple", "54+00", 1312.5), ("Maple", "55+00", 1316.65), ("Maple", "56+00", 1319.1), ("Maple", "57+00", 1319.85),
    ("Maple", "58+00", 1318.9), ("Maple", "59+00", 1316.25),
)  # fmt: skip


def test_a_line_gets_its_heights_from_a_table(tmp_path) -> None:
    found = joined(
        tmp_path, [line((0, 0), (300, 400))], ["Maple"], TEXTBOOK, start="begins", begins=["54+00"]
    )  # 500 long
    (maple,) = found.lines
    assert (maple.alignment.first, maple.alignment.last) == pytest.approx((5400, 5900))
    assert maple.profile.heights(np.array([5400, 5700, 5850.0])) == pytest.approx([1312.5, 1319.85, 1317.575])
    x, y = maple.alignment.points(np.array([5500.0]))
    assert (x[0], y[0]) == pytest.approx((500_060, 4_650_080))
    assert found.notes == ()


def test_heights_of_the_lines_do_not_matter_where_there_is_a_table(tmp_path) -> None:
    flat = [line((0, 0, 0), (100, 0, 0))]
    (maple,) = joined(tmp_path, flat, ["Maple"], rows_of(("Maple", 0, 5), ("Maple", 100, 6))).lines
    assert maple.profile.heights(np.array([50.0]))[0] == 5.5


def test_stations_in_feet_along_a_line_in_metres_are_scaled(tmp_path) -> None:
    text = rows_of(("Maple", "10+00", 50), ("Maple", "20+00", 60))
    found = joined(tmp_path, [line((0, 0), (304.8, 0))], ["Maple"], text, "begins", 0.3048, begins=[1000])
    (maple,) = found.lines
    assert (maple.alignment.first, maple.alignment.last) == pytest.approx((304.8, 609.6))
    assert maple.profile.heights(np.array([457.2]))[0] == pytest.approx(55)
    assert found.notes == ()


@pytest.mark.parametrize(
    ("written", "value"),
    [("12+50.3", 1250.3), ("4+310", 4310), ("0+00", 0), ("-0+25", -25), ("1250", 1250), ("1250.75", 1250.75),
     (" 12+50 ", 1250), ("1.5e3", 1500)],
)  # fmt: skip
def test_stations_are_read_as_they_are_written(tmp_path, written, value) -> None:
    table = table_of(tmp_path, rows_of(("a", -100, 1), ("a", f'"{written}"', 2)))
    stations, heights = station_table(table, COLUMNS, "after.table")["a"]
    assert stations == pytest.approx([-100, value])
    assert heights.tolist() == [1, 2]


@pytest.mark.parametrize("kind", ["csv", "gpkg", "parquet"])
def test_tables_are_read_from_text_and_from_numbers(tmp_path, kind) -> None:
    frame = pd.DataFrame({"id": [7, 7, 12], "km": [0.0, 10.5, 3], "z": [1, 2, 3]})
    if kind == "csv":
        frame.to_csv(tmp_path / "t.csv", index=False)
    elif kind == "gpkg":
        gpd.GeoDataFrame(frame, geometry=[None] * 3, crs=CRS).to_file(tmp_path / "t.gpkg")
    else:
        frame.to_parquet(tmp_path / "t.parquet")
    rows = station_table(read_layer(tmp_path / f"t.{kind}", "t", "after.table"), ("id", "km", "z"), "after.table")
    assert list(rows) == ["7", "12"]
    assert [a.tolist() for a in rows["7"]] == [[0, 10.5], [1, 2]]


def test_a_repeated_station_of_the_same_height_is_one_and_blank_rows_are_none(tmp_path) -> None:
    table = table_of(tmp_path, rows_of(("a", 0, 1), ("a", 5, 2), ("", "", ""), ("a", 5, "2.0"), ("a", 9, 3)))
    assert [a.tolist() for a in station_table(table, COLUMNS, "after.table")["a"]] == [[0, 5, 9], [1, 2, 3]]


def test_roads_may_take_turns_in_a_table(tmp_path) -> None:
    table = table_of(tmp_path, rows_of(("a", 0, 1), ("b", 7, 5), ("a", 9, 3), ("b", 8, 6)))
    rows = station_table(table, COLUMNS, "after.table")
    assert [a.tolist() for a in rows["b"]] == [[7, 8], [5, 6]]


def test_all_that_is_wrong_with_a_table_is_told_at_once(tmp_path) -> None:
    text = rows_of(
        ("a", 0, 1), ("", 5, 1), ("a", "12+5", 2), ("a", 30, "high"), ("a", 40, ""), ("a", 60, 4), ("a", 50, 5),
        ("b", "1+00", 1), ("b", "1+100", 2), ("c", 0, 1), ("c", 0, 1.5), ("c", 9, 2), ("c", 8, 2),
    )  # fmt: skip
    told = "\n".join(refusals(lambda: station_table(table_of(tmp_path, text), COLUMNS, "after.table")))
    assert "rows that name no road: 2" in told
    assert "rows whose station cannot be read: 3 ('12+5')" in told
    assert "rows whose elevation cannot be read: 4 ('high'), 5 (" in told
    assert "stations out of order: road 'a' row 7 (50 after 60), road 'c' row 13 (8 after 9)" in told
    assert "stations are written in two ways: '1+00' in row 8, '1+100' in row 9" in told
    assert "two elevations at one station: road 'c' row 11 (station 0: 1 and 1.5)" in told
    assert told.count("stations.csv: ") == 6


@pytest.mark.parametrize("value", ["nan", "inf", "1_000", "12 ft", "1,250.5", "12+50+3", "TRUE", "1e999"])
def test_what_is_no_number_is_no_elevation(tmp_path, value) -> None:
    text = rows_of(("a", 0, 1), ("a", 5, f'"{value}"'))
    (told,) = refusals(lambda: station_table(table_of(tmp_path, text), COLUMNS, "after.table"))
    assert "rows whose elevation cannot be read: 2" in told


@pytest.mark.parametrize("text", ["road,station,elevation\n", rows_of(("", "", ""))])
def test_an_empty_table_is_refused(tmp_path, text) -> None:
    (told,) = refusals(lambda: station_table(table_of(tmp_path, text), COLUMNS, "after.table"))
    assert "no stations" in told


def test_a_table_of_zeros_is_not_ground(tmp_path) -> None:
    (told,) = refusals(
        lambda: station_table(table_of(tmp_path, rows_of(("a", 0, 0), ("a", 9, 0))), COLUMNS, "after.table")
    )
    assert "every elevation is 0" in told


def test_columns_that_a_table_lacks_are_told_of_together(tmp_path) -> None:
    table = table_of(tmp_path, "road,sta,elev\na,0,1\n")
    first, second = refusals(lambda: station_table(table, COLUMNS, "after.table"))
    assert first.startswith("after.table.station = 'station': stations.csv has no such column")
    assert second.startswith("after.table.elevation = 'elevation': stations.csv has no such column")


def test_what_is_wrong_with_lines_and_table_is_told_together(tmp_path) -> None:
    told = refusals(
        lambda: joined(tmp_path, [OAK, OAK], ["a", "b"], rows_of(("a", 5, 1), ("a", 0, 2)), "begins", begins=["x", "0"])
    )
    assert len(told) == 2
    assert told[0].startswith("after.start: rows whose start station cannot be read: 1 ('x')")
    assert "out of order" in told[1]


def test_roads_without_a_line_and_lines_without_rows_are_counted_and_named(tmp_path) -> None:
    text = rows_of(("Oak", 0, 1), ("Oak", 7, 2), *((f"T{i}", 0, 1) for i in range(7)))
    found = joined(tmp_path, [OAK, MAPLE, WEST], ["Oak", "Maple", "Elm"], text)
    assert names(found) == ["Oak"]
    assert found.notes == (
        "7 roads of stations.csv have no line: 'T0', 'T1', 'T2', 'T3', 'T4' and 2 more",
        "2 roads have no rows in stations.csv: 'Maple', 'Elm'",
    )


def test_names_that_never_meet_are_refused_with_both(tmp_path) -> None:
    (told,) = refusals(lambda: joined(tmp_path, [OAK], ["OAK ST"], rows_of(("Oak St", 0, 1), ("Oak St", 7, 2))))
    assert told.startswith("after.road: no line has rows in stations.csv: its roads are Oak St;")
    assert "OAK ST" in told


def ends_at(folder: Path, low: float, high: float, **more: Any) -> ProfileLines:
    return joined(folder, [line((0, 0), (600, 800))], ["a"], rows_of(("a", low, 1), ("a", high, 2)), **more)


@pytest.mark.parametrize("high", [1009, 1000, 950])
def test_a_table_may_reach_a_hundredth_past_the_line(tmp_path, high) -> None:
    (one,) = ends_at(tmp_path, 0, high).lines
    assert one.profile.last == high


@pytest.mark.parametrize(
    ("low", "high", "guess"),
    [
        (0, 3280.84, "stations in feet along a line in metres?"),
        (0, 1500, "check the unit of the stations"),
        (5400, 6400, "does the line begin at station 5400?"),
        (-50, 900, "check the unit of the stations"),
    ],
)
def test_a_table_that_reaches_farther_is_refused_with_a_likely_reason(tmp_path, low, high, guess) -> None:
    (told,) = refusals(lambda: ends_at(tmp_path, low, high))
    assert "stations.csv road 'a'" in told
    assert f"its stations go from {low} to {high}, its line from 0 to 1000" in told
    assert guess in told


def test_metres_along_a_line_in_feet_are_told_of(tmp_path) -> None:
    notes = ends_at(tmp_path, 0, 304.8).notes
    assert any("stations in metres along a line in feet? check 'a'" in note for note in notes)
    assert any("'a' (30 %)" in note for note in notes)
    assert not any("metres" in note for note in ends_at(tmp_path, 0, 500).notes)


def test_a_table_that_covers_a_part_says_so(tmp_path) -> None:
    assert ends_at(tmp_path, 250, 750).notes == ("lines with heights along a part only: 'a' (50 %)",)


def test_lines_of_one_road_in_several_places_need_their_start_stations(tmp_path) -> None:
    shapes = [line((0, 0), (100, 0)), line((150, 0), (250, 0))]
    text = rows_of(("a", 0, 1), ("a", 300, 31))
    (told,) = refusals(lambda: joined(tmp_path, shapes, ["a", "a"], text))
    assert "'a' row 1, 'a' row 2" in told
    assert "`start`" in told


def test_lines_of_one_road_in_several_places_share_its_table(tmp_path) -> None:
    shapes = [line((0, 0), (100, 0)), line((150, 0), (250, 0))]
    text = rows_of(("a", 0, 1), ("a", 300, 31))
    found = joined(tmp_path, shapes, ["a", "a"], text, "begins", begins=["0+00", "2+00"])
    assert names(found) == ["a (1)", "a (2)"]
    assert [one.alignment.first for one in found.lines] == [0, 200]
    assert found.lines[1].profile.heights(np.array([250.0]))[0] == 26


def test_parts_that_follow_each_other_may_repeat_the_station_they_have_come_to(tmp_path) -> None:
    text = rows_of(("Elm", 100, 1), ("Elm", 120, 3))
    found = joined(tmp_path, [EAST, WEST], ["Elm", "Elm"], text, "begins", begins=[110.0, 100.0])
    (elm,) = found.lines
    assert (elm.alignment.first, elm.alignment.last) == (100, pytest.approx(120))


def test_start_stations_that_contradict_each_other_are_refused(tmp_path) -> None:
    text = rows_of(("Elm", 100, 1), ("Elm", 120, 3))
    (told,) = refusals(lambda: joined(tmp_path, [WEST, EAST], ["Elm", "Elm"], text, "begins", begins=[100.0, 150.0]))
    assert "row 2 (150, not 110)" in told


def test_a_missing_start_station_is_refused_where_the_table_needs_it(tmp_path) -> None:
    text = rows_of(("Elm", 100, 1), ("Elm", 110, 3))
    (told,) = refusals(lambda: joined(tmp_path, [WEST, OAK], ["Elm", "x"], text, "begins", begins=[np.nan, np.nan]))
    assert told.startswith("after.start: lines without a start station: 'Elm' row 1")


def test_several_lines_of_one_row_cannot_share_its_start_station(tmp_path) -> None:
    shapes = [shapely.MultiLineString([line((0, 0), (100, 0)), line((150, 0), (250, 0))])]
    text = rows_of(("a", 0, 1), ("a", 300, 31))
    (told,) = refusals(lambda: joined(tmp_path, shapes, ["a"], text, "begins", begins=[0.0]))
    assert "which stations are whose?" in told


def test_one_row_of_a_road_makes_no_profile(tmp_path) -> None:
    (told,) = refusals(lambda: joined(tmp_path, [OAK], ["a"], rows_of(("a", 3, 1))))
    assert "'a'" in told


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    parts=st.lists(st.integers(1, 4), min_size=1, max_size=5),
    order=st.randoms(use_true_random=False),
    seed=st.integers(0, 99),
)
def test_a_line_cut_in_any_way_is_the_same_road(tmp_path, parts, order, seed) -> None:
    random = np.random.default_rng(seed)
    xyz = np.cumsum(random.uniform(1, 20, (sum(parts) + 1, 3)), axis=0)
    cuts = np.cumsum([0, *parts])
    pieces = [shapely.LineString(xyz[a : b + 1]) for a, b in pairwise(cuts)]
    order.shuffle(pieces)
    table = {"road": ["Elm"] * len(pieces)}
    layer = layer_of(tmp_path, pieces, "cut.parquet", **table)
    (elm,) = lines_with_heights(layer, "road", WHERE).lines
    (whole,) = lines_with_heights(
        layer_of(tmp_path, [shapely.LineString(xyz)], "w.parquet", road=["Elm"]), "road", WHERE
    ).lines
    assert elm.alignment.starts == pytest.approx(whole.alignment.starts)
    stations = np.linspace(0, whole.profile.last, 50)
    assert elm.profile.heights(stations) == pytest.approx(whole.profile.heights(stations))
