"""Units, reference systems and names of design files: file and plan are settled, or the run stops with one message."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

from gradecheck import InputError, Plan, compute
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


def test_grounds_on_two_vertical_datums_are_refused_whatever_they_are_read_from(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD))
    with_vertical(tmp_path / "d.xml", "EPSG:5703")
    stops(
        project(tmp_path, {"landxml": "d.xml"}, before={"vertical": "EPSG:5702", "unit": None}),
        "different vertical datums",
    )


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
    table = {"path": "t.csv", "road": "name", "station": "sta", "elevation": "z", "unit": "ft"}
    after = {"landxml": "d.xml", "alignment": "Sorrel St", "table": table}
    # The file is in metres, and so are heights, whatever unit the stations are in.
    result = compute(project(tmp_path, after, layer=near(), before={"unit": "m"}))
    assert result.hydrants["grade_change_in"][0] == pytest.approx(0.5 / 0.0254)
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
