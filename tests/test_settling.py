"""Units, reference systems and names of design files: file and plan are settled, or the run stops with one message."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

from gradecheck import InputError, Plan, PlanError, compute
from tests.drawings import FT, at, half, level, place, street, write_dxf, write_landxml, write_lines
from tests.projects import CRS, EAST, NORTH, hydrants, plan_values, three, write_ground

OLD = 100 * FT
NEAR = [(30.0, 35.0)]
"""Five metres beside the street."""


def project(folder: Path, after: Any, layer: Any = None, **sections: Any) -> Plan:
    (three() if layer is None else layer).to_file(folder / "hydrants.gpkg", layer="hydrants")
    write_ground(folder / "before.tif", 100.0)
    values = plan_values(**sections)
    values["after"] = after
    return Plan.parse(values, folder)


def near(**columns: Any) -> Any:
    return hydrants({"asset_id": ["A"], "flange_in": [4.0], **columns}, NEAR)


def stops(plan: Plan, words: str) -> None:
    with pytest.raises(InputError) as told:
        compute(plan)
    assert len(told.value.findings) == 1, [str(f) for f in told.value.findings]
    assert words in str(told.value.findings[0])
    assert told.value.findings[0].mend


def warned(plan: Plan, words: str) -> Any:
    result = compute(plan)
    assert any(words in w for w in result.summary["warnings"]), result.summary["warnings"]
    return result


# --- units and systems ------------------------------------------------------------------------------------------


def test_a_file_without_a_unit_needs_one_in_the_plan(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD + 0.5 * FT), unit=None)
    stops(project(tmp_path, {"landxml": "d.xml"}), "does not say its unit")
    result = compute(project(tmp_path, {"landxml": "d.xml", "unit": "m"}))
    assert result.hydrants["grade_change_in"][0] == pytest.approx(6)


def test_a_file_without_a_system_needs_one_in_the_plan(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD + 0.5 * FT), system=None)
    stops(project(tmp_path, {"landxml": "d.xml"}), "does not say its reference system by a code")
    result = compute(project(tmp_path, {"landxml": "d.xml", "crs": CRS}))
    assert result.hydrants["grade_change_in"][0] == pytest.approx(6)


def test_a_system_that_is_none_is_said_and_asked_for(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD + 0.5 * FT), system="999999")
    with pytest.raises(InputError, match="does not say its reference system"):
        compute(project(tmp_path, {"landxml": "d.xml"}))
    warned(project(tmp_path, {"landxml": "d.xml", "crs": CRS}), "'EPSG:999999' is not understood")


def test_a_design_in_degrees_is_refused(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(30), system="4326")
    stops(project(tmp_path, {"landxml": "d.xml"}), "is not projected, and a design is drawn in lengths")


def with_vertical(path: Path, code: str) -> None:
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('epsgCode="32615"', f'epsgCode="32615" verticalDatum="{code}"'), encoding="utf-8")


def test_vertical_systems_of_file_and_plan_must_agree_and_be_in_the_files_unit(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD + 0.5 * FT))
    with_vertical(tmp_path / "d.xml", "EPSG:5703")
    assert compute(project(tmp_path, {"landxml": "d.xml"})).hydrants["grade_change_in"][0] == pytest.approx(6)
    stops(project(tmp_path, {"landxml": "d.xml", "vertical": "EPSG:3900"}), "the plan says EPSG:3900")
    stops(project(tmp_path, {"landxml": "d.xml", "vertical": "EPSG:26915"}), "is not a vertical reference system")
    write_landxml(tmp_path / "d.xml", half(OLD))
    with_vertical(tmp_path / "d.xml", "EPSG:6360")
    stops(project(tmp_path, {"landxml": "d.xml"}), "its heights are in m, EPSG:6360")
    write_landxml(tmp_path / "d.xml", half(OLD + 0.5 * FT))
    with_vertical(tmp_path / "d.xml", "EPSG:999999")
    warned(project(tmp_path, {"landxml": "d.xml"}), "is not understood")


def test_turning_the_axes_is_for_triangles_only(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD)))
    stops(
        project(tmp_path, {"landxml": "d.xml", "axes": "easting, northing"}), "this file's roads are drawn by them too"
    )


def test_lines_without_a_system_or_a_unit_need_them_in_the_plan(tmp_path: Path) -> None:
    shape = shapely.LineString([(EAST - 20, NORTH + 40, 100.5), (EAST + 120, NORTH + 40, 100.5)])
    gpd.GeoDataFrame({"road": ["R"]}, geometry=[shape]).to_file(tmp_path / "new.gpkg")
    stops(project(tmp_path, {"profile": "new.gpkg", "unit": "ft"}), "does not say its reference system")
    stops(project(tmp_path, {"profile": "new.gpkg", "crs": CRS}), "does not say its unit")
    result = compute(project(tmp_path, {"profile": "new.gpkg", "crs": CRS, "unit": "ft"}, layer=near()))
    assert result.hydrants["grade_change_in"][0] == pytest.approx(6)


def test_a_drawing_s_unit_is_a_hint_that_the_plan_may_overrule_aloud(tmp_path: Path) -> None:
    def draw(space: Any) -> None:
        space.add_3dface([at(-20, -20, 100.5), at(50, -20, 100.5), at(50, 120, 100.5), at(-20, 120, 100.5)])
        space.add_polyline3d([at(0, 0, 100), at(9, 9, 101)])

    write_dxf(tmp_path / "d.dxf", draw, insunits=6)
    plan = {"dxf": "d.dxf", "crs": CRS}
    result = warned(
        project(tmp_path, {**plan, "unit": "ft"}), "its header says m; a hint only: heights are taken in ft"
    )
    assert result.hydrants["grade_change_in"][0] == pytest.approx(6)
    assert any("its 1 lines are passed over" in w for w in result.summary["warnings"])
    write_dxf(tmp_path / "d.dxf", draw, insunits=0)
    stops(project(tmp_path, plan), "does not say the unit of its heights for certain (header: none)")
    stops(project(tmp_path, {"dxf": "d.dxf", "unit": "ft"}), "does not say its reference system")


def test_a_drawing_in_the_unit_of_its_system_needs_no_more(tmp_path: Path) -> None:
    z = OLD + 0.5 * FT
    write_dxf(tmp_path / "d.dxf", lambda s: s.add_3dface([at(-20, -20, z), at(50, -20, z), at(50, 120, z)]), insunits=6)
    result = warned(project(tmp_path, {"dxf": "d.dxf", "crs": CRS}), "heights are taken in m, as the header and the")
    assert result.hydrants["grade_change_in"][1] == pytest.approx(6)


# --- roads and their names -----------------------------------------------------------------------------------------


def test_an_alignment_takes_its_heights_from_a_table(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(""))
    text = "name,sta,z\nSorrel St,0,100.5\nSorrel St,459.32,100.5\n"
    (tmp_path / "t.csv").write_text(text, encoding="utf-8")
    table = {
        "path": "t.csv",
        "road": "name",
        "station": "sta",
        "elevation": "z",
        "station_unit": "ft",
        "elevation_unit": "ft",
    }
    after = {"landxml": "d.xml", "alignment": "Sorrel St", "table": table}
    result = compute(project(tmp_path, after, layer=near()))
    assert result.hydrants["grade_change_in"][0] == pytest.approx(6)
    other = text.replace("Sorrel St", "Sorel Street")
    (tmp_path / "other.csv").write_text(other, encoding="utf-8")
    stops(project(tmp_path, {**after, "table": {**table, "path": "other.csv"}}), "none of its roads ('Sorel Street')")
    (tmp_path / "more.csv").write_text(text + other.partition("\n")[2], encoding="utf-8")
    warned(project(tmp_path, {**after, "table": {**table, "path": "more.csv"}}), "does not have: 'Sorel Street'")
    stops(project(tmp_path, {**after, "table": {**table, "road": "nam"}}), "did you mean 'name'?")
    stops(project(tmp_path, {**after, "table": {**table, "path": "gone.csv"}}), "after.table.path: no such file")


def test_a_road_without_a_section_of_its_own_is_named(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD)))
    text = '[[section]]\nroads = ["Tansy Ln"]\n[[section.strip]]\nkind = "lane"\nwidth = "4 m"\n'
    (tmp_path / "s.toml").write_text(text, encoding="utf-8")
    stops(project(tmp_path, {"landxml": "d.xml", "section": "s.toml"}), "no section is given for road 'Sorrel St'")


def test_cross_sections_of_a_file_are_ground(tmp_path: Path) -> None:
    def section(station: int, z: float) -> str:
        pairs = f"-12 {z + 1:.4f} 0 {z:.4f} 12 {z:.4f}"
        surface = f'<CrossSectSurf name="FG"><PntList2D>{pairs}</PntList2D></CrossSectSurf>'
        return f'<CrossSect sta="{station}">{surface}</CrossSect>'

    sections = "".join(section(s, OLD + 0.5 * FT) for s in (0, 60, 140))
    text = street(level(99.0)).replace("</Profile>", f"</Profile><CrossSects>{sections}</CrossSects>")
    write_landxml(tmp_path / "d.xml", text)
    layer = hydrants({"asset_id": ["R", "L"], "flange_in": [4.0, 4.0]}, [(30, 34), (30, 46)])
    result = compute(project(tmp_path, {"landxml": "d.xml", "cross_sections": "FG"}, layer=layer))
    # Right: level at 0.5 ft up; left, 6 m out, half of the metre that the section rises there.
    assert (result.hydrants["grade_change_in"] * 0.0254).tolist() == pytest.approx([0.5 * FT, 0.5 * FT + 0.5])
    stops(project(tmp_path, {"landxml": "d.xml", "cross_sections": "GF"}), "has no cross-sections 'GF'")


def test_roads_of_one_name_in_several_files_are_told_apart_aloud(tmp_path: Path) -> None:
    write_landxml(tmp_path / "a.xml", street(level(OLD + 0.5 * FT)))
    far = f"<Line><Start>{place(-20, 90)}</Start><End>{place(120, 90)}</End></Line>"
    write_landxml(tmp_path / "b.xml", street(level(OLD + 1.0 * FT), geometry=far))
    layer = hydrants({"asset_id": ["A", "B"], "flange_in": [4.0, 4.0]}, [(30, 36), (30, 86)])
    plan = project(tmp_path, {"landxml": ["a.xml", "b.xml"], "section": "street"}, layer=layer)
    result = warned(plan, "several roads are named 'Sorrel St'")
    assert [s.partition(" 0+")[0] for s in result.hydrants.after_source] == ["Sorrel St", "Sorrel St (2)"]


def test_a_column_of_roads_that_is_not_there_is_named(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD)))
    stops(project(tmp_path, {"landxml": "d.xml", "roads": "assetid"}), "did you mean 'asset_id'?")


def test_shared_errors_of_several_sources_are_the_greatest_of_them_aloud(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD, east=30.0), street(level(OLD)))
    after = [
        {"landxml": "d.xml", "surface": "FG", "sd_shared": "0.01 ft"},
        {"landxml": "d.xml", "alignment": "Sorrel St", "section": "street", "sd_shared": "0.2 ft"},
    ]
    warned(project(tmp_path, after), "after: sd_shared of 0.2 ft is taken for all of its sources")


def test_a_folder_of_files_is_all_of_them_and_an_empty_one_a_message(tmp_path: Path) -> None:
    (tmp_path / "designs").mkdir()
    stops(project(tmp_path, {"landxml": "designs"}), "no landxml in or matching designs")
    write_landxml(tmp_path / "designs" / "a.xml", street(level(OLD + 0.5 * FT)))
    result = compute(project(tmp_path, {"landxml": "designs", "section": "street"}, layer=near()))
    assert result.hydrants.after_source[0].startswith("Sorrel St")


def test_a_table_where_lines_are_wanted_is_one_message(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("road,station,elevation\nR,0,1\nR,9,2\n", encoding="utf-8")
    with pytest.raises(InputError) as told:
        compute(project(tmp_path, {"profile": "t.csv", "unit": "ft", "crs": CRS}))
    assert len(told.value.findings) == 1


def test_flat_lines_without_a_table_are_one_message(tmp_path: Path) -> None:
    write_lines(tmp_path / "flat.gpkg", {"R": [(-20, 40), (120, 40)]})
    with pytest.raises(InputError) as told:
        compute(project(tmp_path, {"profile": "flat.gpkg", "unit": "ft"}))
    assert len(told.value.findings) == 1


# --- what would have no effect, or the wrong one --------------------------------------------------------------------


def test_section_stations_off_the_road_or_in_feet_on_a_metric_line_stop_the_run(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD)))
    strip = '[[strip]]\nkind = "lane"\nwidth = "4 m"\nstation = {}\nslope = ["-2 %", "2 %"]\n'
    after = {"landxml": "d.xml", "section": "s.toml"}
    (tmp_path / "s.toml").write_text(strip.format("[500, 900]"), encoding="utf-8")
    stops(project(tmp_path, after), "its stations, 500 to 900, lie off road 'Sorrel St', 0 to 140")
    (tmp_path / "s.toml").write_text(strip.format('["1+00", "2+00"]'), encoding="utf-8")
    stops(project(tmp_path, after), "written as in feet (12+50), the road's line is in metres")
    text = 'station_unit = "ft"\n' + strip.format('["1+00", "2+00"]')
    (tmp_path / "s.toml").write_text(text, encoding="utf-8")
    compute(project(tmp_path, after))


def test_what_is_not_there_is_said(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD)))
    text = '[[section]]\nroads = ["Lost Ln"]\n[[section.strip]]\nkind = "lane"\nwidth = "4 m"\n'
    text += '[[section]]\n[[section.strip]]\nkind = "lane"\nwidth = "4 m"\n'
    (tmp_path / "s.toml").write_text(text, encoding="utf-8")
    layer = near(at_road=["Lost Ln"])
    result = warned(
        project(tmp_path, {"landxml": "d.xml", "section": "s.toml", "roads": "at_road"}, layer=layer),
        "sections for roads that are not there: Lost Ln",
    )
    assert any("1 hydrants name roads that are not there (Lost Ln)" in w for w in result.summary["warnings"])


def test_a_section_wider_than_the_reach_is_spoken_for_and_that_is_said(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 1.0)))
    (tmp_path / "s.toml").write_text('[[strip]]\nkind = "verge"\nwidth = "26 m"\n', encoding="utf-8")
    layer = hydrants({"asset_id": ["A"], "flange_in": [4.0]}, [(30.0, 40 - 25.0)])
    plan = project(tmp_path, {"landxml": "d.xml", "section": "s.toml"}, layer=layer)
    result = warned(plan, "after.reach of 15 m is less than section and tie-in go")
    assert result.hydrants["grade_change_in"][0] * 0.0254 == pytest.approx(1.0)


def test_a_file_in_another_part_of_the_world_stops_the_run(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD), system="32616")
    stops(project(tmp_path, {"landxml": "d.xml"}), "lies more than 50 km from every hydrant, in EPSG:32616")


def test_lines_whose_axes_are_swapped_stop_the_run(tmp_path: Path) -> None:
    shape = shapely.LineString([(NORTH + 40, EAST - 20, 100.5), (NORTH + 40, EAST + 120, 100.5)])
    gpd.GeoDataFrame({"road": ["R"]}, geometry=[shape], crs=CRS).to_file(tmp_path / "new.gpkg")
    stops(project(tmp_path, {"profile": "new.gpkg", "unit": "ft"}), "lie outside the area of use of EPSG:32615")


def test_a_drawing_whose_axes_are_swapped_can_be_turned(tmp_path: Path) -> None:
    z = OLD + 0.5 * FT

    def swapped(x: float, y: float) -> tuple[float, float, float]:
        east, north, height = at(x, y, z)
        return north, east, height

    corners = [swapped(-20, -20), swapped(50, -20), swapped(50, 120), swapped(-20, 120)]
    write_dxf(tmp_path / "d.dxf", lambda space: space.add_3dface(corners))
    after = {"dxf": "d.dxf", "crs": CRS, "unit": "m"}
    stops(project(tmp_path, after), 'state axes = "northing, easting"')
    result = compute(project(tmp_path, {**after, "axes": "northing, easting"}))
    assert result.hydrants["grade_change_in"][0] == pytest.approx(6)


def test_the_vertical_half_of_a_stated_system_counts(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD + 0.5 * FT), system=None)
    before = {"vertical": "EPSG:5702", "unit": None}
    stops(project(tmp_path, {"landxml": "d.xml", "crs": "EPSG:32615+5703"}, before=before), "EPSG:5702 (NGVD29")
    both = {"landxml": "d.xml", "crs": "EPSG:32615+5703", "vertical": "EPSG:3900"}
    stops(project(tmp_path, both), "crs says heights are EPSG:5703")


def test_a_table_given_as_the_lines_is_told_where_it_belongs(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("road,station,elevation\nR,0,1\nR,9,2\n", encoding="utf-8")
    stops(project(tmp_path, {"profile": "t.csv", "unit": "ft", "crs": CRS}), "has no lines, it is a table")


@pytest.mark.parametrize(
    ("after", "words"),
    [
        ({"landxml": "a.xml", "section": "s.toml", "cross_sections": "FG"}, "section goes with a profile"),
        ({"landxml": "a.xml", "surface": "FG", "cross_sections": "FG"}, "cross_sections goes with alignment"),
        ({"landxml": "a.xml", "surface": "FG", "profile_name": "FG"}, "profile_name goes with alignment"),
        ({"landxml": "a.xml", "alignment": "A", "section": "s.toml", "carry": "change"}, "carry goes with profiles"),
        ({"landxml": "a.xml", "cross_sections": "FG", "tie_in": "3 m"}, "tie_in goes with a profile"),
        ({"dxf": "a.dxf", "longest_side": "3 m"}, "longest_side goes with lines"),
        ({"profile": "a.gpkg", "start": "sta"}, "start goes with table"),
        ({"raster": "a.tif", "under": []}, "'under' is no key"),
        ({"raster": "a.tif", "undr": []}, "unknown key"),
    ],
)
def test_a_key_without_effect_is_refused(after: dict[str, Any], words: str) -> None:
    values = plan_values()
    values["after"] = after
    with pytest.raises(PlanError) as told:
        Plan.parse(values)
    assert len(told.value.findings) == 1
    assert words in str(told.value.findings[0])
    assert "'under'?" not in str(told.value.findings[0])


@pytest.mark.parametrize("key", [{"tie_in": "3 m"}, {"carry": "level"}])
def test_existing_ground_ties_into_nothing(key: dict[str, str]) -> None:
    values = plan_values()
    values["before"] = {"landxml": "a.xml", **key}
    with pytest.raises(PlanError, match="unknown key"):
        Plan.parse(values)


def test_the_table_after_written_twice_says_how_to_write_several(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text('[after]\nraster = "a.tif"\n[after]\nraster = "b.tif"\n', encoding="utf-8")
    with pytest.raises(PlanError, match=r"write \[\[after\]\]"):
        Plan.load(tmp_path / "plan.toml")
