"""Design files and profile lines through the whole job: every kind of source, mixed ones, and what stops a run."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from gradecheck import Finding, InputError, Plan, PlanError, Result, compute, inspect, run
from tests.drawings import (
    FT,
    at,
    design_profile,
    ground_profile,
    half,
    level,
    place,
    street,
    surface,
    write_dxf,
    write_landxml,
    write_lines,
)
from tests.projects import EAST, NORTH, hydrants, plan_values, three, write_ground, write_grounds

# Hydrants at (11, 23), (37, 5), (71, 62); existing ground 100 ft; the street runs east at y = 40.
OLD = 100 * FT


def project(folder: Path, after: Any, before: Any = None, layer: Any = None, **sections: Any) -> Plan:
    """The usual hydrants and existing raster, and another design."""
    (three() if layer is None else layer).to_file(folder / "hydrants.gpkg", layer="hydrants")
    write_ground(folder / "before.tif", 100.0)
    values = plan_values(**sections)
    values["after"] = after
    if before is not None:
        values["before"] = before
    return Plan.parse(values, folder)


def stopped(plan: Plan) -> list[Finding]:
    """What stops a run, told by `inspect` alike."""
    with pytest.raises(InputError) as told:
        compute(plan)
    seen = inspect(plan).stops
    assert [(f.where, f.what) for f in seen] == [(f.where, f.what) for f in told.value.findings]
    return list(told.value.findings)


def one(findings: list[Finding], words: str) -> None:
    """One clear message with the words in it, and how to mend it."""
    assert len(findings) == 1, [str(f) for f in findings]
    assert words in str(findings[0])
    assert findings[0].mend


def change(result: Result) -> list[float]:
    """Grade changes in inches."""
    return result.hydrants["grade_change_in"].round(6).tolist()


# --- each kind of source -------------------------------------------------------------------------------------------


def test_triangles_of_a_landxml_file_are_ground(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD + 0.5 * FT))
    result = compute(project(tmp_path, {"landxml": "d.xml", "beyond": "missing"}))
    assert change(result)[:2] == [6.0, 6.0]
    assert np.isnan(change(result)[2])
    assert result.hydrants.after_source.tolist() == ["d.xml: FG", "d.xml: FG", "beyond the design"]


def test_an_alignment_with_profile_and_section_is_ground(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 0.5 * FT)))
    off = hydrants({"asset_id": ["F"], "flange_in": [4.0]}, [(30, 26)])
    row = compute(project(tmp_path, {"landxml": "d.xml", "section": "street"}, layer=off)).hydrants.iloc[0]
    # 14 m south of the line is past the built-in section of 23.5 ft, and nearer to it than 30 ft.
    assert row.after_source.startswith("the design stops short of here: beyond the road's section")
    assert "no design ground: the design stops short" in row.reason
    near = hydrants({"asset_id": ["N"], "flange_in": [4.0]}, [(30, 40 - 17 * FT)])
    row = compute(project(tmp_path, {"landxml": "d.xml", "section": "street"}, layer=near)).hydrants.iloc[0]
    # The worked section: 0.24 ft above the profile at 17.0 ft.
    assert row.grade_change_in == pytest.approx((0.5 + 0.24) * 12)
    assert row.after_source == "Sorrel St 0+050.0, 5.2 m R"


def test_one_file_gives_existing_ground_and_design_along_one_alignment(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(ground_profile(OLD) + level(OLD + 0.5 * FT)))
    layer = hydrants({"asset_id": ["A", "B"], "flange_in": [4.0, None]}, [(30, 40 - 5), (30, 40 + 13)])
    source = {"landxml": "d.xml", "sd": "0.01 ft"}
    plan = project(tmp_path, {**source, "tie_in": "10 m"}, before=source, layer=layer)
    result = compute(plan)
    # The profile's change of 6 in fades to half of that 5 m out, and to nothing past the tie-in.
    assert change(result) == [3.0, 0.0]
    assert result.hydrants.after_source[0] == "Sorrel St 0+050.0, 5.0 m R (profile's change carried, no section)"
    assert result.hydrants.action[1] == "keep"
    assert any("profiles alone, before and after" in text for text in result.summary["assumed"])


def test_surveyed_flanges_are_not_held_against_profiles_alone_and_that_is_said(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(ground_profile(OLD) + level(OLD + 0.5 * FT)))
    layer = hydrants({"asset_id": ["A"], "flange_z": [100.3]}, [(30, 40 - 5)])
    section = {"flange_elevation": {"column": "flange_z", "unit": "ft"}, "clearance": None}
    result = compute(
        project(tmp_path, {"landxml": "d.xml"}, before={"landxml": "d.xml"}, layer=layer, hydrants=section)
    )
    assert result.hydrants.clearance_basis.tolist() == ["assumed"]
    assert any("1 surveyed flanges are passed over" in text for text in result.summary["warnings"])


def test_a_profile_carried_level_says_so_and_its_error_grows(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 0.5 * FT)))
    layer = hydrants({"asset_id": ["A"], "flange_in": [4.0]}, [(30, 40 - 10)])
    plan = project(tmp_path, {"landxml": "d.xml", "sd": "0.01 ft"}, layer=layer)
    row = compute(plan).hydrants.iloc[0]
    assert row.grade_change_in == pytest.approx(6.0)
    # Two per cent of 10 m, and a hundredth of a foot on either side.
    assert row.grade_change_sd_in == pytest.approx(np.sqrt((0.02 * 10 / 0.0254) ** 2 + 2 * 0.12**2), rel=1e-3)
    assert row.after_source == "Sorrel St 0+050.0, 10.0 m R (profile carried level, no section)"
    assert any("carried level" in text and "2 %" in text for text in compute(plan).summary["assumed"])


def test_faces_of_a_drawing_are_ground(tmp_path: Path) -> None:
    def draw(space: Any) -> None:
        z = OLD + 0.5 * FT
        space.add_3dface([at(-20, -20, z), at(50, -20, z), at(50, 120, z), at(-20, 120, z)], {"layer": "FG-FACES"})
        space.add_3dface([at(-20, -20, 3.0), at(120, -20, 3.0), at(120, 120, 3.0)], {"layer": "OTHER"})

    write_dxf(tmp_path / "d.dxf", draw)
    after = {"dxf": "d.dxf", "layers": ["fg-*"], "crs": "EPSG:32615", "unit": "m", "beyond": "missing"}
    result = compute(project(tmp_path, after))
    assert change(result)[:2] == [6.0, 6.0]
    assert result.hydrants.after_source[0] == "d.dxf: faces"


def drawn_edges(z: float) -> Any:
    def draw(space: Any) -> None:
        for y in (10, 30, 70):
            space.add_polyline3d([at(-20, y, z), at(40, y, z + 0.6), at(120, y, z + 1.4)], dxfattribs={"layer": "EDGE"})

    return draw


def test_lines_of_a_drawing_are_what_the_plan_says_they_are(tmp_path: Path) -> None:
    write_dxf(tmp_path / "d.dxf", drawn_edges(OLD))
    after = {"dxf": "d.dxf", "crs": "EPSG:32615", "unit": "m"}
    one(stopped(project(tmp_path, after)), "3 lines and no triangles: what are they?")
    result = compute(project(tmp_path, {**after, "lines": "breaklines", "longest_side": "90 m", "beyond": "missing"}))
    # A slope of 1 cm a metre from x = -20 between the outer lines at y = 10 and y = 70.
    metres = (result.hydrants["grade_change_in"] * 0.0254).tolist()
    assert metres == pytest.approx([0.31, np.nan, 0.91], nan_ok=True)
    assert result.hydrants.after_source[0] == "d.dxf: breaklines"
    profiles = compute(project(tmp_path, {**after, "lines": "profiles", "reach": "9 m"})).hydrants
    assert profiles["grade_change_in"][0] * 0.0254 == pytest.approx(0.31)
    assert profiles.after_source[0].startswith("EDGE")


def test_three_dimensional_lines_are_profiles(tmp_path: Path) -> None:
    write_lines(tmp_path / "new.gpkg", {"Sorrel St": [(-20, 40, 100.5), (120, 40, 107.5)]})
    layer = hydrants({"asset_id": ["A"], "flange_in": [4.0]}, [(30, 35)])
    after = {"profile": "new.gpkg", "road": "road", "unit": "ft"}
    row = compute(project(tmp_path, after, layer=layer)).hydrants.iloc[0]
    assert row.grade_change_in == pytest.approx((0.5 + 2.5) * 12)
    assert row.after_source.startswith("Sorrel St 0+050.0, 5.0 m R")


def test_flat_lines_with_a_table_of_stations_in_feet_are_profiles(tmp_path: Path) -> None:
    write_lines(tmp_path / "streets.gpkg", {"Sorrel St": [(-20, 40), (120, 40)], "No table": [(0, 90), (90, 90)]})
    text = "road,station,elevation\nSorrel St,0+00,100.5\nSorrel St,2+00,100.5\nSorrel St,4+59.3,105\nLost Ln,0+00,99\n"
    (tmp_path / "stations.csv").write_text(text, encoding="utf-8")
    layer = hydrants({"asset_id": ["A"], "flange_in": [4.0]}, [(30, 35)])
    after = {"profile": "streets.gpkg", "road": "road", "unit": "ft", "table": {"path": "stations.csv"}}
    result = compute(project(tmp_path, after, layer=layer))
    assert change(result) == [6.0]
    told = " ".join(result.summary["warnings"])
    assert "No table" in told
    assert "Lost Ln" in told


def test_lines_in_degrees_are_measured_in_metres(tmp_path: Path) -> None:
    import geopandas as gpd

    write_lines(tmp_path / "m.gpkg", {"Sorrel St": [(-20, 40, 100.5), (120, 40, 107.5)]})
    gpd.read_file(tmp_path / "m.gpkg").to_crs("EPSG:4326").to_file(tmp_path / "deg.gpkg")
    layer = hydrants({"asset_id": ["A"], "flange_in": [4.0]}, [(30, 35)])
    after = {"profile": "deg.gpkg", "road": "road", "unit": "ft"}
    result = compute(project(tmp_path, after, layer=layer))
    assert result.hydrants["grade_change_in"][0] == pytest.approx(36.0, abs=1e-3)
    assert any("lengths along its lines are taken in EPSG:32615" in w for w in result.summary["warnings"])


# --- several at once -----------------------------------------------------------------------------------------------


def mixed(folder: Path, **sections: Any) -> Plan:
    """Finished ground as triangles in the west, the road with its section elsewhere, over an existing raster."""
    write_landxml(folder / "d.xml", half(OLD + 0.5 * FT, east=30.0), street(level(OLD + 1.0 * FT)))
    layer = hydrants(
        {"asset_id": ["W", "E", "S", "END"], "flange_in": [4.0] * 4}, [(11, 36), (50, 34), (50, 27), (100, 95)]
    )
    after = [
        {"landxml": "d.xml", "surface": "FG", "sd": "0.01 ft", "unchanged_past": "15 ft"},
        {"landxml": "d.xml", "alignment": "Sorrel St", "section": "street", "tie_in": "5 m", "sd": "0.02 ft"},
    ]
    return project(folder, after, layer=layer, **sections)


def test_a_mixed_plan_says_hydrant_by_hydrant_which_source_answered(tmp_path: Path) -> None:
    result = run(mixed(tmp_path))
    assert result.hydrants.after_source.tolist() == [
        "d.xml: FG",
        "Sorrel St 0+070.0, 6.0 m R",
        "past where the design ties into the existing ground: unchanged",
        "beyond the design: unchanged",
    ]
    assert result.hydrants.action.tolist()[2:] == ["keep", "keep"]
    told = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert [(f["role"], f["path"]) for f in told["inputs"] if f["role"] == "after"] == [("after", "d.xml")]
    assert [source.get("surface") for source in told["plan"]["after"]] == ["FG", None]
    assert Plan.parse(told["plan"], tmp_path).as_written() == told["plan"]


def test_inspect_lists_what_is_in_the_files(tmp_path: Path) -> None:
    facts = dict(inspect(mixed(tmp_path)).facts)
    text = "\n".join(facts["after"])
    for words in (
        "LandXML 1.2, unit m", "EPSG:32615", "surface 'FG': 4 points, 2 triangles", "heights 30.63",
        "alignment 'Sorrel St': 1 piece, stations 0.00 to 140.00", "design profile 'design'",
    ):  # fmt: skip
        assert words in text


def test_inspect_lists_readable_files_although_another_stops_the_run(tmp_path: Path) -> None:
    plan = mixed(tmp_path, hydrants={"path": "gone.gpkg"})
    found = inspect(plan)
    assert [f.where for f in found.stops] == ["hydrants.path"]
    assert "surface 'FG'" in "\n".join(dict(found.facts)["after"])


def test_roads_of_several_files_know_of_one_another_at_crossings(tmp_path: Path) -> None:
    write_landxml(tmp_path / "a.xml", street(level(OLD + 0.5 * FT)))
    across = f"<Line><Start>{place(50, -20)}</Start><End>{place(50, 120)}</End></Line>"
    write_landxml(tmp_path / "b.xml", street(level(OLD + 2.0 * FT), "Tansy Ln", across))
    layer = hydrants(
        {"asset_id": ["A", "B", "C"], "flange_in": [4.0] * 3, "at_road": [None, "Tansy Ln", "Nowhere Rd"]},
        [(50 + 5.5, 40 - 4.5)] * 3,
    )
    after = {"landxml": ["a.xml", "b.xml"], "section": "street", "roads": "at_road"}
    result = compute(project(tmp_path, after, layer=layer))
    source = result.hydrants.after_source
    assert source[0].startswith(
        "Sorrel St 0+075.5, 4.5 m R; Tansy Ln 0+055.5, 5.5 m R says 0.48 m higher"
    )  # 1.5 ft and a metre of verge
    assert source[1].startswith("Tansy Ln")
    assert source[2] == source[0]
    assert ["roads_disagree" in (c or "") for c in result.hydrants.cautions] == [True, False, True]


def test_each_source_has_its_own_error(tmp_path: Path) -> None:
    result = compute(mixed(tmp_path))
    # Before 0.01 ft; triangles 0.01 ft, road 0.02 ft: in inches.
    assert result.hydrants["grade_change_sd_in"][0] == pytest.approx(0.12 * np.sqrt(2), rel=1e-3)
    assert result.hydrants["grade_change_sd_in"][1] == pytest.approx(0.12 * np.sqrt(5), rel=0.05)


# --- what stops a run ----------------------------------------------------------------------------------------------


def test_a_truncated_file_is_one_message(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(30.0))
    text = (tmp_path / "d.xml").read_text(encoding="utf-8")
    (tmp_path / "d.xml").write_text(text[: len(text) // 2], encoding="utf-8")
    found = stopped(project(tmp_path, {"landxml": "d.xml"}))
    assert len(found) == 1
    assert "d.xml" in str(found[0])


def test_swapped_axes_are_one_message_and_the_plan_can_say_so(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD + 0.5 * FT, swap=True))
    one(stopped(project(tmp_path, {"landxml": "d.xml"})), "northing and easting swapped")
    after = {"landxml": "d.xml", "axes": "easting, northing", "beyond": "missing"}
    assert change(compute(project(tmp_path, after)))[:2] == [6.0, 6.0]


def test_coordinates_in_another_unit_are_one_message(tmp_path: Path) -> None:
    # Drawn in metres and said to be so, but stated to lie in a system in US survey feet.
    write_landxml(tmp_path / "d.xml", half(30.0), unit="meter", system=None)
    one(stopped(project(tmp_path, {"landxml": "d.xml", "crs": "EPSG:2263"})), "its coordinates are in m, EPSG:2263")
    # Numbers that are feet in a system of metres.
    feet = surface(
        [((x - EAST * FT + EAST) / FT, (y - NORTH * FT + NORTH) / FT, 99) for x, y in ((0, 0), (50, 0), (50, 50))],
        [(0, 1, 2)],
    )
    write_landxml(tmp_path / "d.xml", feet)
    one(stopped(project(tmp_path, {"landxml": "d.xml"})), "would if its coordinates were ft and not m")


def test_feet_taken_for_metres_in_heights_are_caught_against_the_existing_ground(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(100.5, east=120.0))
    found = stopped(project(tmp_path, {"landxml": "d.xml"}))
    assert len(found) == 1
    assert "as high as before" in found[0].what


def test_ft_and_us_survey_ft_coordinates_are_told_apart(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(100.0), unit="foot", system="2263")
    one(stopped(project(tmp_path, {"landxml": "d.xml"})), "4 ft apart at an easting of 2,000,000")


@pytest.mark.parametrize(
    ("contents", "words"),
    [
        (
            street(design_profile('<PVI>0 30</PVI>', '<ParaCurve length="80">50 31</ParaCurve>',
                                  '<ParaCurve length="60">100 30</ParaCurve>', "<PVI>140 31</PVI>")),
            "overlap",
        ),
        (
            street(level(30), geometry=(
                '<Spiral length="40" radiusStart="INF" radiusEnd="100" rot="cw" spiType="bloss">'
                f"<Start>{place(0, 40)}</Start><PI>{place(20, 40)}</PI><End>{place(39.8, 37.4)}</End></Spiral>")),
            "bloss",
        ),
        (street(design_profile("<PVI>0 30</PVI>", "<PVI>90 31</PVI>", "<PVI>80 30</PVI>")), "80"),
        (street(""), "no alignment has a profile"),
        ("", "has no surface and no alignment"),
        (half(30, "A") + half(31, "B"), "has 2 surfaces: A, B"),
        (street(level(30) + level(31).replace("design", "second")), "several profiles"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_a_landxml_file_is_one_message(tmp_path: Path, contents: str, words: str) -> None:
    write_landxml(tmp_path / "d.xml", contents)
    found = stopped(project(tmp_path, {"landxml": "d.xml"}))
    assert len(found) == 1, [str(f) for f in found]
    assert words in str(found[0])


def test_an_alignment_that_cannot_be_read_stops_only_who_asks_for_it(tmp_path: Path) -> None:
    spiral = f'<Spiral length="40" spiType="bloss"><Start>{place(0, 40)}</Start><End>{place(39.8, 37.4)}</End></Spiral>'
    write_landxml(tmp_path / "d.xml", street(level(OLD + 0.5 * FT)), street(level(30), "Odd Ln", spiral), half(30.6))
    after = {"landxml": "d.xml", "alignment": "Sorrel St", "section": "street"}
    result = compute(project(tmp_path, after))
    assert any("'Odd Ln' cannot be read and is not asked for" in w for w in result.summary["warnings"])
    compute(project(tmp_path, {"landxml": "d.xml", "surface": "FG"}))
    one(stopped(project(tmp_path, {**after, "alignment": "*"})), "bloss")
    one(stopped(project(tmp_path, {**after, "alignment": "Odd Ln"})), "bloss")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"surface": "FX"}, "known here: FG"),
        ({"alignment": "Sorel St", "section": "street"}, "did you mean 'Sorrel St'?"),
        ({"alignment": "Sorrel St", "profile_name": "desing"}, "did you mean 'design'?"),
        ({"alignment": "Sorrel St", "cross_sections": "x"}, "has no cross-sections 'x'"),
        ({"alignment": "Sorrel St", "section": "gone.toml"}, "gone.toml"),
        ({"surface": "FG", "unit": "ft"}, "says m by the file, the plan says ft"),
        ({"surface": "FG", "crs": "EPSG:26915"}, "the plan says EPSG:26915"),
        ({"surface": "FG", "vertical": "EPSG:6360"}, "its heights are in m"),
    ],
)
def test_keys_that_do_not_fit_the_file_are_one_message(tmp_path: Path, more: dict[str, Any], words: str) -> None:
    write_landxml(tmp_path / "d.xml", half(30.5), street(level(30.5)))
    found = stopped(project(tmp_path, {"landxml": "d.xml", **more}))
    assert len(found) == 1, [str(f) for f in found]
    assert words in str(found[0])


@pytest.mark.parametrize(
    ("after", "words"),
    [
        ({}, "names no ground: give exactly one of raster, landxml, dxf, profile"),
        ({"raster": "a.tif", "landxml": "b.xml"}, "has raster and landxml"),
        ({"raster": "a.tif", "section": "street"}, "section does not go with raster"),
        ({"landxml": "a.xml", "layers": ["A"]}, "layers does not go with landxml"),
        ({"profile": "a.gpkg", "offset_sd": "5"}, "is a share of the distance"),
        ({"profile": "a.gpkg", "reach": "0 m"}, "must be above 0"),
        ({"dxf": "a.dxf", "lines": "edges"}, "is not one of 'profiles', 'breaklines'"),
        (
            [{"landxml": "a.xml"}, {"landxml": "b.xml", "beyond": "missing"}],
            "beyond: of the whole design, stands in the first [[after]]",
        ),
        ([{"landxml": "a.xml"}, {"landxml": "b.xml", "tie_inn": "3 m"}], "did you mean 'tie_in'?"),
    ],
)
def test_a_source_that_cannot_be_is_told_where_it_stands(after: Any, words: str) -> None:
    values = plan_values()
    values["after"] = after
    with pytest.raises(PlanError) as told:
        Plan.parse(values)
    assert len(told.value.findings) == 1
    assert words in str(told.value.findings[0])


def test_before_as_profile_needs_no_raster_at_all(tmp_path: Path) -> None:
    write_lines(tmp_path / "old.gpkg", {"Sorrel St": [(-20, 40, 100.0), (120, 40, 100.0)]})
    write_lines(tmp_path / "new.gpkg", {"Sorrel St": [(-20, 40, 100.5), (120, 40, 100.5)]})
    layer = hydrants({"asset_id": ["A", "B"], "flange_in": [4.0, 4.0]}, [(30, 38), (115, 80)])
    source = {"road": "road", "unit": "ft", "sd": "0.01 ft"}
    plan = project(tmp_path, {"profile": "new.gpkg", **source}, before={"profile": "old.gpkg", **source}, layer=layer)
    result = compute(plan)
    assert change(result)[0] == pytest.approx(6.0)
    assert result.hydrants.before_source[0] == "Sorrel St 0+050.0, 2.0 m R (profile carried level, no section)"


def test_two_bad_files_are_both_told(tmp_path: Path) -> None:
    write_grounds(tmp_path)
    three().to_file(tmp_path / "hydrants.gpkg", layer="hydrants")
    (tmp_path / "a.xml").write_text("<html/>", encoding="utf-8")
    (tmp_path / "b.dxf").write_text("nothing", encoding="utf-8")
    values = plan_values()
    values["after"] = [{"landxml": "a.xml"}, {"dxf": "b.dxf", "crs": "EPSG:32615"}]
    with pytest.raises(InputError) as told:
        compute(Plan.parse(values, tmp_path))
    assert len(told.value.findings) == 2
    assert "is not LandXML" in str(told.value)


def test_a_road_in_us_survey_feet_serves_hydrants_in_metres_and_in_its_own_system(tmp_path: Path) -> None:
    # Iowa North in US survey feet; the road runs north-east there, 400 ft long, level at 900 ft.
    from pyproj import Transformer

    x0, y0 = 4_700_000.0, 3_500_000.0
    line = f"<Line><Start>{y0} {x0}</Start><End>{y0 + 400 / np.sqrt(2):.6f} {x0 + 400 / np.sqrt(2):.6f}</End></Line>"
    vertical = design_profile("<PVI>1000 900</PVI>", "<PVI>1400 900</PVI>")
    text = street(vertical, geometry=line).replace('staStart="0"', 'staStart="1000"')
    write_landxml(tmp_path / "d.xml", text, unit="USSurveyFoot", system="3417")
    # 12+00, 17.0 ft right of a line that heads north-east: south-east of it.
    px, py = x0 + (200 + 17) / np.sqrt(2), y0 + (200 - 17) / np.sqrt(2)
    write_ground_around(tmp_path / "before.tif", px, py)
    after = {"landxml": "d.xml", "section": "street", "sd": "0.01 ft"}
    for crs in ("EPSG:3417", "EPSG:26915", "EPSG:32615"):
        x, y = Transformer.from_crs("EPSG:3417", crs, always_xy=True).transform(px, py)
        layer = hydrants({"asset_id": ["A"], "flange_in": [4.0]}, [shapely.Point(x, y)], crs=crs)
        layer.to_file(tmp_path / "hydrants.gpkg", layer="hydrants")
        values = plan_values(before={"unit": None})
        values["after"] = after
        row = compute(Plan.parse(values, tmp_path)).hydrants.iloc[0]
        assert row.after_source == "Sorrel St 12+00.0, 17.0 ft R"
        assert row.grade_after_ft == pytest.approx(900.24, abs=0.005)  # the worked section: 0.24 ft up at 17.0 ft


def write_ground_around(path: Path, x: float, y: float) -> None:
    """A level raster at 899 ft around a place in Iowa North, US survey feet."""
    import rasterio
    from affine import Affine

    profile = {"driver": "GTiff", "width": 20, "height": 20, "count": 1, "dtype": "float32", "crs": "EPSG:3417"}
    with rasterio.open(path, "w", transform=Affine(30, 0, x - 300, 0, -30, y + 300), **profile) as out:
        out.write(np.full((20, 20), 899.0, dtype="float32"), 1)
        out.set_band_unit(1, "ft")
