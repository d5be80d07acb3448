"""Roads as ground, tried hard: false all-clears, keys that are passed over in silence, stations and names that do
not meet. Existing ground stands at 100 ft, the street runs east at y = 40 from x = -20 (station 0) to x = 120."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import Transformer

from gradecheck import GradecheckError, Plan, Result, compute
from tests.drawings import FT, at, design_profile, half, level, place, street, write_dxf, write_landxml, write_lines
from tests.projects import CRS, EAST, NORTH, hydrants, plan_values, write_ground

OLD = 100 * FT
LINES = {"road": "road", "unit": "ft", "sd": "0.01 ft"}
ALONG = [(-20, 40), (120, 40)]


def some(*places: tuple[float, float], **columns: Any) -> gpd.GeoDataFrame:
    """Hydrants whose flanges were measured 4 in above ground."""
    ids = [f"H-{i}" for i in range(len(places))]
    return hydrants({"asset_id": ids, "flange_in": [4.0] * len(places), **columns}, list(places))


def job(
    folder: Path, layer: gpd.GeoDataFrame, after: Any, before: Any = None, old: Any = 100.0, **sections: Any
) -> Plan:
    """A plan over `before.tif`, or over `before` as given."""
    layer.to_file(folder / "hydrants.gpkg", layer="hydrants")
    write_ground(folder / "before.tif", old)
    values = plan_values(**sections) | {"after": after}
    return Plan.parse(values | ({"before": before} if before else {}), folder)


def lines_at(z: float, points: list[tuple[float, float]] | None = None) -> list[tuple[float, float, float]]:
    """A level line."""
    return [(x, y, z) for x, y in points or ALONG]


def write_section(folder: Path, text: str) -> None:
    (folder / "s.toml").write_text(text, encoding="utf-8")


def actions(result: Result) -> list[str]:
    return [str(a) for a in result.hydrants.action]


def metres(result: Result) -> list[float]:
    """Grade changes."""
    return [float(v) * 0.0254 for v in result.hydrants["grade_change_in"]]


def told(result: Result) -> str:
    """All that the summary says aloud."""
    return " ".join([*result.summary["warnings"], *result.summary["assumed"]])


def outcome(make: Callable[[], Plan]) -> Result | str:
    """What comes of a plan, or the text of the refusal."""
    try:
        return compute(make())
    except GradecheckError as error:
        return str(error)


def never_kept(make: Callable[[], Plan]) -> None:
    """Whoever cannot know must not say "keep": either the plan is refused or nobody is told to leave it."""
    result = outcome(make)
    if isinstance(result, Result):
        assert "keep" not in actions(result), result.hydrants[["hydrant_id", "action", "after_source"]].to_string()


def heard(make: Callable[[], Plan], word: str) -> None:
    """Refused, or the word is said aloud."""
    result = outcome(make)
    assert word in (told(result) if isinstance(result, Result) else result)


def told_or_right(make: Callable[[], Plan], right: list[float]) -> None:
    """Refused, or said aloud with the word station, or right."""
    result = outcome(make)
    if isinstance(result, Result):
        assert "station" in told(result) or metres(result) == pytest.approx(right, abs=1e-3)


# --- false all-clears: the existing ground is unknown where a change is carried ----------------------------------


def test_a_new_profile_without_an_existing_one_is_no_all_clear(tmp_path: Path) -> None:
    write_lines(tmp_path / "old.gpkg", {"Sorrel St": lines_at(100.0, [(-20, 40), (40, 40)])})
    across = lines_at(103.0, [(100, -20), (100, 120)])
    write_lines(tmp_path / "new.gpkg", {"Sorrel St": lines_at(101.0), "Bramble": across})
    layer = some((45, 38), (60, 38), (103, 100))  # 2 and 3 m from new roads of which nobody knows the old height
    after = {"profile": "new.gpkg", "tie_in": "60 ft", **LINES}
    never_kept(lambda: job(tmp_path, layer, after, {"profile": "old.gpkg", **LINES}))


def test_a_change_carried_over_a_hole_in_the_existing_ground_is_no_all_clear(tmp_path: Path) -> None:
    write_lines(tmp_path / "new.gpkg", {"Sorrel St": lines_at(101.0)})

    def torn(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where((x > 40) & (x < 80) & (y > 30) & (y < 43), np.nan, 100.0)

    after = {"profile": "new.gpkg", "carry": "change", "tie_in": "30 ft", **LINES}
    never_kept(lambda: job(tmp_path, some((60, 38), (60, 45)), after, old=torn))


def test_a_change_carried_without_any_existing_ground_is_no_all_clear(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 0.5 * FT)))
    layer = hydrants({"asset_id": ["A"], "flange_z": [100.9]}, [(40, 38)])
    layer.to_file(tmp_path / "hydrants.gpkg", layer="hydrants")
    surveyed = {"flange_elevation": {"column": "flange_z", "unit": "ft"}, "clearance": None}
    values = plan_values(hydrants=surveyed) | {"after": {"landxml": "d.xml", "carry": "change"}}
    del values["before"]
    never_kept(lambda: Plan.parse(values, tmp_path))


@pytest.mark.parametrize(
    "tie_slope",
    [
        "",
        'tie_slope = "5 %"\n',
    ],
)
def test_a_tie_in_from_an_edge_without_existing_ground_is_no_all_clear(tmp_path: Path, tie_slope: str) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 2 * FT)))
    write_section(tmp_path, f'{tie_slope}[[strip]]\nkind = "lane"\nwidth = "4 m"\n')

    def torn(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where((y > 30) & (y < 45), np.nan, 100.0)

    fade = {} if tie_slope else {"tie_in": "80 ft"}
    after = {"landxml": "d.xml", "section": "s.toml", "reach": "30 m", **fade}
    never_kept(
        lambda: job(tmp_path, some((50, 25.5)), after, old=torn)
    )  # 10.5 m out: at 5 % the fill still stands 0.3 ft high


def test_a_reach_longer_than_that_of_the_existing_profiles_is_no_all_clear(tmp_path: Path) -> None:
    write_lines(tmp_path / "old.gpkg", {"Sorrel St": lines_at(100.0)})
    write_lines(tmp_path / "new.gpkg", {"Sorrel St": lines_at(101.0)})
    after = {"profile": "new.gpkg", "reach": "40 m", **LINES}
    never_kept(lambda: job(tmp_path, some((50, 14)), after, {"profile": "old.gpkg", **LINES}))


# --- false all-clears: ends of what is designed ------------------------------------------------------------------


@pytest.mark.parametrize("x", [52, 56])
def test_beside_the_line_just_past_the_end_of_its_profile_nothing_is_known(tmp_path: Path, x: float) -> None:
    write_landxml(tmp_path / "d.xml", street(design_profile("<PVI>0 31</PVI>", "<PVI>70 31</PVI>")))  # ends at x = 50
    never_kept(lambda: job(tmp_path, some((x, 35)), {"landxml": "d.xml", "section": "street"}))


def test_just_past_the_last_cross_section_nothing_is_known(tmp_path: Path) -> None:
    points = f"<PntList2D>-6 {OLD + 1} 6 {OLD + 1}</PntList2D>"
    ground = "".join(
        f'<CrossSect sta="{s}"><CrossSectSurf name="FG">{points}</CrossSectSurf></CrossSect>' for s in (0, 70)
    )
    text = street(level(OLD)).replace("</Profile>", f"</Profile><CrossSects>{ground}</CrossSects>")
    write_landxml(tmp_path / "d.xml", text)
    never_kept(lambda: job(tmp_path, some((55, 38)), {"landxml": "d.xml", "cross_sections": "FG"}))


def test_eight_metres_past_the_end_of_a_road_is_nearer_than_thirty_feet(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 1)))
    never_kept(lambda: job(tmp_path, some((128, 35)), {"landxml": "d.xml", "section": "street"}))  # ground at (120, 35)


def test_beside_a_bulb_of_the_section_its_ground_is_near(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 1)))
    write_section(tmp_path, '[[strip]]\nkind = "lane"\nstation = [60, 60.5]\nwidth = ["3 m", "14 m"]\n')
    after = {"landxml": "d.xml", "section": "s.toml", "reach": "20 m"}
    never_kept(lambda: job(tmp_path, some((39, 27)), after))  # 1.5 m west of ground that is 14 m wide from x = 40.5 on


@pytest.mark.parametrize("tie_slope", ["", 'tie_slope = "4 %"\n'])
def test_a_tie_in_wider_than_the_reach_is_no_all_clear(tmp_path: Path, tie_slope: str) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 3 * FT)))
    write_section(tmp_path, f'{tie_slope}[[strip]]\nkind = "lane"\nwidth = "4 m"\n')
    fade = {} if tie_slope else {"tie_in": "100 ft"}
    after = {"landxml": "d.xml", "section": "s.toml", **fade}
    # 24.5 m from the line: at 4 % the fill of 3 ft meets the ground 26.9 m out; the fade of 100 ft ends at 34.5 m.
    never_kept(lambda: job(tmp_path, some((50, 15.5)), after))


def test_a_reach_that_ends_on_the_section_is_told(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + FT)))
    after = {"landxml": "d.xml", "section": "street", "reach": "4 m", "unchanged_past": "1 ft"}
    never_kept(lambda: job(tmp_path, some((50, 35.5)), after))  # on the verge, 4.5 m from the line


def test_a_side_of_which_the_section_says_nothing_is_unknown(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 0.5 * FT)))
    write_section(tmp_path, 'tie_slope = "33 %"\n[[strip]]\nside = "left"\nkind = "lane"\nwidth = "4 m"\n')
    after = {"landxml": "d.xml", "section": "s.toml"}
    never_kept(lambda: job(tmp_path, some((50, 38)), after))  # 2 m right of the centreline of a road


# --- wrong elevations --------------------------------------------------------------------------------------------


def test_the_road_that_a_hydrant_names_gives_both_grounds_of_its_change(tmp_path: Path) -> None:
    across = [(50, -20), (50, 120)]
    write_lines(tmp_path / "old.gpkg", {"Sorrel St": lines_at(100.0), "Bramble": lines_at(103.0, across)})
    write_lines(tmp_path / "new.gpkg", {"Sorrel St": lines_at(100.5), "Bramble": lines_at(103.0, across)})
    named = {**LINES, "roads": "at"}
    after = {"profile": "new.gpkg", **named}
    plan = job(tmp_path, some((54, 35), at=["Sorrel St"]), after, {"profile": "old.gpkg", **named})
    assert metres(compute(plan)) == pytest.approx([0.5 * FT], abs=1e-6)


def test_a_surveyed_flange_is_held_against_a_fade_with_the_error_of_the_ground_it_rests_on(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD)))
    write_section(tmp_path, '[[strip]]\nkind = "lane"\nwidth = "4 m"\n')
    layer = hydrants({"asset_id": ["A"], "flange_z": [100.33]}, [(50, 31)])  # halfway between 4 m and 14 m out
    surveyed = {"column": "flange_z", "unit": "ft", "sd": "0.01 ft"}
    after = {"landxml": "d.xml", "section": "s.toml", "tie_in": "10 m", "offset_sd": "0 %", "sd": "0.01 ft"}
    before = {"raster": "before.tif", "unit": "ft", "sd": "0.33 ft"}
    settings = {"flange_elevation": surveyed, "clearance": None, "position_sd": "0 m"}
    result = compute(job(tmp_path, layer, after, before, hydrants=settings))
    # At least half of the raster's 0.33 ft, were its error at the edge and at the hydrant one and the same.
    assert result.hydrants["clearance_after_sd_in"][0] > 0.5 * 0.33 * 12


def in_feet(folder: Path, vertical: str, after: Any, unit: str | None = "USSurveyFoot", extra: str = "") -> Plan:
    """The street in state plane feet, stations from 10+00; hydrants 2 m right at 11+00 and 13+00."""
    there = Transformer.from_crs(CRS, "EPSG:3418", always_xy=True)
    ends = [there.transform(EAST + x, NORTH + y) for x, y in ALONG]
    start, end = (f"{n:.5f} {e:.5f}" for e, n in ends)
    geometry = f"<CoordGeom><Line><Start>{start}</Start><End>{end}</End></Line></CoordGeom>"
    text = f'<Alignment name="Sorrel St" staStart="1000">{geometry}{extra}<Profile>{vertical}</Profile></Alignment>'
    write_landxml(folder / "d.xml", f"<Alignments>{text}</Alignments>", unit=unit, system="3418")
    layer = some((-20 + 100 * FT, 38), (-20 + 300 * FT, 38))
    return job(folder, layer, {"landxml": "d.xml", "sd": "0.01 ft", **after})


STATIONS = "road,station,elevation\nSorrel St,10+00,100\nSorrel St,14+59.3,104.593\n"


def test_a_table_of_stations_goes_with_a_file_in_feet(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(STATIONS, encoding="utf-8")
    assert metres(compute(in_feet(tmp_path, "", {"table": {"path": "t.csv"}}))) == pytest.approx([FT, 3 * FT], abs=1e-3)


def test_a_table_of_stations_goes_with_a_file_whose_unit_the_plan_states(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(STATIONS, encoding="utf-8")
    after = {"table": {"path": "t.csv"}, "unit": "ftUS"}
    assert metres(compute(in_feet(tmp_path, "", after, unit=None))) == pytest.approx([FT, 3 * FT], abs=1e-3)


EQUATION = '<StaEquation staInternal="1200" staBack="1200" staAhead="5000"/>'


def test_stations_of_a_section_are_those_that_people_are_told(tmp_path: Path) -> None:
    vertical = design_profile("<PVI>1000 100</PVI>", "<PVI>1459.3 100</PVI>")
    strip = 'station = ["13+40", "13+50"]\nwidth = "20 ft"\nslope = ["0 %", "5 %"]\n'
    write_section(tmp_path, f'[[strip]]\nkind = "lane"\n{strip}')
    ahead = EQUATION.replace("5000", "1250")  # the second hydrant, internally at 13+00, is told as "13+50": 5 % of 2 m
    told_or_right(lambda: in_feet(tmp_path, vertical, {"section": "s.toml"}, extra=ahead), [0.0, 0.1])


def test_stations_of_a_table_are_those_that_people_are_told(tmp_path: Path) -> None:
    rows = "Sorrel St,10+00,100\nSorrel St,12+00,102\nSorrel St,50+00,102\nSorrel St,52+59.3,104.593\n"
    (tmp_path / "t.csv").write_text(f"road,station,elevation\n{rows}", encoding="utf-8")
    told_or_right(lambda: in_feet(tmp_path, "", {"table": {"path": "t.csv"}}, extra=EQUATION), [FT, 3 * FT])


def test_stations_of_a_section_are_in_the_unit_of_the_stations(tmp_path: Path) -> None:
    write_lines(tmp_path / "s.gpkg", {"Sorrel St": ALONG})
    (tmp_path / "t.csv").write_text(
        "road,station,elevation\nSorrel St,0+00,100\nSorrel St,4+59.3,100\n", encoding="utf-8"
    )
    write_section(
        tmp_path, '[[strip]]\nkind = "lane"\nstation = ["1+00", "2+00"]\nwidth = "20 ft"\nslope = ["0 %", "5 %"]\n'
    )
    after = {"profile": "s.gpkg", "road": "road", "unit": "ft", "table": {"path": "t.csv"}, "section": "s.toml"}
    layer = some((-20 + 50 * FT, 38), (-20 + 150 * FT, 38), (-20 + 300 * FT, 38))
    told_or_right(lambda: job(tmp_path, layer, after), [0.0, 0.05, 0.1])


@pytest.mark.parametrize("stations", [(0, 459.3), (1000, 1140)])
def test_a_table_that_does_not_fit_its_alignment_is_told(tmp_path: Path, stations: tuple[float, float]) -> None:
    write_landxml(tmp_path / "d.xml", street(""))
    rows = "".join(f"Sorrel St,{s},{31 + i}\n" for i, s in enumerate(stations))
    (tmp_path / "t.csv").write_text(f"road,station,elevation\n{rows}", encoding="utf-8")
    told_or_right(lambda: job(tmp_path, some((50, 38)), {"landxml": "d.xml", "table": {"path": "t.csv"}}), [np.inf])


def test_a_profile_outside_what_is_possible_is_no_ground(tmp_path: Path) -> None:
    write_lines(tmp_path / "new.gpkg", {"Sorrel St": lines_at(1e9)})
    result = outcome(lambda: job(tmp_path, some((50, 38)), {"profile": "new.gpkg", **LINES}))
    assert isinstance(result, str) or actions(result) == ["no_elevation"]


# --- names that do not meet, keys that nobody hears --------------------------------------------------------------


def test_a_section_for_a_road_that_is_not_there_is_told(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD)))
    strip = '[[section.strip]]\nkind = "lane"\nwidth = "4 m"\n'
    write_section(tmp_path, f'[[section]]\nroads = ["Sorel St"]\n{strip}slope = "5 %"\n[[section]]\n{strip}')
    heard(lambda: job(tmp_path, some((50, 38)), {"landxml": "d.xml", "section": "s.toml"}), "Sorel St")


def test_a_road_named_by_hydrants_that_is_not_there_is_told(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 0.5 * FT)))
    after = {"landxml": "d.xml", "section": "street", "roads": "at"}
    heard(lambda: job(tmp_path, some((50, 38), at=["Sorel St"]), after), "Sorel St")


def test_a_table_for_an_alignment_that_is_not_there_is_told(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD)))
    (tmp_path / "t.csv").write_text("road,station,elevation\nSorel St,0,31\nSorel St,140,31\n", encoding="utf-8")
    heard(lambda: job(tmp_path, some((50, 38)), {"landxml": "d.xml", "table": {"path": "t.csv"}}), "Sorel St")


def test_the_order_of_sources_counts_before_the_road_that_a_hydrant_names(tmp_path: Path) -> None:
    write_landxml(tmp_path / "a.xml", street(level(OLD + 0.5 * FT)))
    across = f"<Line><Start>{place(50, -20)}</Start><End>{place(50, 120)}</End></Line>"
    write_landxml(tmp_path / "b.xml", street(level(OLD + 2 * FT), "Tansy Ln", across))
    after = [{"landxml": "a.xml", "roads": "at"}, {"landxml": "b.xml", "roads": "at"}]
    result = compute(job(tmp_path, some((54, 35), at=["Tansy Ln"]), after))
    assert result.hydrants.after_source[0].startswith("Sorrel St")
    one = compute(job(tmp_path, some((54, 35), at=["Tansy Ln"]), {"landxml": ["a.xml", "b.xml"], "roads": "at"}))
    assert one.hydrants.after_source[0].startswith("Tansy Ln")


def two_pieces(folder: Path) -> None:
    """Sorrel St in two pieces with a gap, Bramble across it in the gap."""
    shapes = [
        shapely.LineString([(EAST + x, NORTH + y, z) for x, y in points])
        for points, z in (
            ([(-20, 40), (40, 40)], 100.5),
            ([(60, 40), (120, 40)], 100.5),
            ([(44, -20), (44, 120)], 103.0),
        )
    ]
    frame = gpd.GeoDataFrame({"road": ["Sorrel St", "Sorrel St", "Bramble"]}, geometry=shapes, crs=CRS)
    frame.to_file(folder / "new.gpkg", layer="lines")


def test_a_road_in_two_pieces_answers_to_its_name(tmp_path: Path) -> None:
    two_pieces(tmp_path)
    after = {"profile": "new.gpkg", "roads": "at", **LINES}
    result = compute(job(tmp_path, some((39, 34), at=["Sorrel St"]), after))
    assert result.hydrants.after_source[0].startswith("Sorrel St")


def test_a_road_in_two_pieces_has_the_section_of_its_name(tmp_path: Path) -> None:
    two_pieces(tmp_path)
    strip = '[[section.strip]]\nkind = "lane"\nwidth = "4 m"\n'
    write_section(tmp_path, f'[[section]]\nroads = ["Sorrel St"]\n{strip}[[section]]\nroads = ["Bramble"]\n{strip}')
    after = {"profile": "new.gpkg", "section": "s.toml", **LINES}
    assert metres(compute(job(tmp_path, some((20, 38)), after))) == pytest.approx([0.5 * FT])


def test_an_alignment_answers_to_its_own_name_whatever_is_in_it(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD), "Sorrel [North]"))
    after = {"landxml": "d.xml", "alignment": "Sorrel [North]", "section": "street"}
    assert actions(compute(job(tmp_path, some((50, 40)), after))) == ["keep"]


@pytest.mark.parametrize(
    ("key", "value"),
    [("profile_name", "no such"), ("table", {"path": "gone.csv"}), ("tie_in", "10 ft"), ("carry", "change")],
)
def test_keys_of_roads_that_nobody_hears_are_told(tmp_path: Path, key: str, value: Any) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD + 0.5 * FT), street(level(OLD)))
    heard(lambda: job(tmp_path, some((40, 38)), {"landxml": "d.xml", key: value}), {"carry": "carried"}.get(key, key))


def test_keys_of_roads_with_a_drawing_of_faces_are_told(tmp_path: Path) -> None:
    corners = [at(-20, -20, 31), at(120, -20, 31), at(120, 120, 31)]
    write_dxf(tmp_path / "d.dxf", lambda space: space.add_3dface(corners))
    after = {"dxf": "d.dxf", "crs": CRS, "unit": "m", "section": "street"}
    heard(lambda: job(tmp_path, some((80, 20)), after), "section")


@pytest.mark.parametrize("key", ["section", "tie_in"])
def test_keys_that_cross_sections_pass_over_are_told(tmp_path: Path, key: str) -> None:
    ground = "".join(
        f'<CrossSect sta="{s}"><CrossSectSurf name="FG"><PntList2D>-6 31 6 31</PntList2D></CrossSectSurf></CrossSect>'
        for s in (0, 140)
    )
    text = street(level(OLD)).replace("</Profile>", f"</Profile><CrossSects>{ground}</CrossSects>")
    write_landxml(tmp_path / "d.xml", text)
    write_section(tmp_path, '[[strip]]\nkind = "lane"\nwidth = "6 m"\n')
    more = {"section": "s.toml"} if key == "section" else {"tie_in": "20 ft"}
    after = {"landxml": "d.xml", "alignment": "Sorrel St", "cross_sections": "FG", **more}
    heard(lambda: job(tmp_path, some((50, 38)), after), key)


def test_a_tie_in_is_heard_without_a_section_too(tmp_path: Path) -> None:
    write_lines(tmp_path / "new.gpkg", {"Sorrel St": lines_at(100.5)})
    plan = job(tmp_path, some((50, 30)), {"profile": "new.gpkg", "tie_in": "10 ft", **LINES})
    result = compute(plan)
    assert metres(result) == [0.0] or "tie_in" in told(result)


def test_existing_ground_has_no_carry(tmp_path: Path) -> None:
    write_lines(tmp_path / "old.gpkg", {"Sorrel St": lines_at(100.0)})
    before = {"profile": "old.gpkg", "carry": "change", **LINES}
    heard(lambda: job(tmp_path, some((50, 35)), {"raster": "before.tif", "unit": "ft"}, before), "carry")


def test_a_table_of_strips_may_have_two_lanes_side_by_side(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD)))
    rows = "right,lane,0,1 m,-2 %\nright,lane,50,1 m,-2 %\nright,lane,0,3 m,4 %\nright,lane,50,3 m,4 %\n"
    (tmp_path / "s.csv").write_text(f"side,kind,station,width,slope\n{rows}", encoding="utf-8")
    plan = job(tmp_path, some((50, 38)), {"landxml": "d.xml", "section": "s.csv"})
    assert metres(compute(plan)) == pytest.approx([-0.02 + 0.04])


def test_a_station_of_a_section_is_a_number(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD)))
    write_section(tmp_path, '[[strip]]\nkind = "lane"\nstation = [nan, nan]\nwidth = "4 m"\n')
    assert isinstance(outcome(lambda: job(tmp_path, some((50, 38)), {"landxml": "d.xml", "section": "s.toml"})), str)


def test_an_existing_profile_with_a_gap_is_ground_on_both_sides_of_it(tmp_path: Path) -> None:
    parts = "".join(f"<PntList2D>{a} {OLD} {b} {OLD}</PntList2D>" for a, b in ((0, 50), (90, 140)))
    write_landxml(tmp_path / "d.xml", street(f'<ProfSurf name="ground">{parts}</ProfSurf>'))
    after = {"raster": "before.tif", "unit": "ft"}
    result = compute(job(tmp_path, some((10, 38), (100, 38)), after, {"landxml": "d.xml"}))
    assert metres(result) == pytest.approx([0, 0], abs=1e-5)


def test_alignments_may_be_spread_over_the_files_of_a_source(tmp_path: Path) -> None:
    write_landxml(tmp_path / "a.xml", street(level(OLD + 0.5 * FT)))
    across = f"<Line><Start>{place(50, -20)}</Start><End>{place(50, 120)}</End></Line>"
    write_landxml(tmp_path / "b.xml", street(level(OLD + 2 * FT), "Tansy Ln", across))
    after = {"landxml": ["a.xml", "b.xml"], "alignment": ["Sorrel St", "Tansy Ln"], "section": "street"}
    result = compute(job(tmp_path, some((20, 38), (48, 80)), after))
    assert [s.split(" ")[0] for s in result.hydrants.after_source] == ["Sorrel", "Tansy"]


def test_roads_do_not_disagree_where_one_only_fades_over_the_pavement_of_the_other(tmp_path: Path) -> None:
    north = lines_at(102.0, [(-20, 54), (120, 54)])
    write_lines(tmp_path / "new.gpkg", {"Sorrel St": lines_at(101.0), "Tansy Ln": north})
    after = {"profile": "new.gpkg", "section": "street", "tie_in": "40 ft", **LINES}
    result = compute(job(tmp_path, some((50, 53)), after))  # a metre from the centreline of Tansy Ln
    assert "roads_disagree" not in str(result.hydrants.cautions[0])


# --- right, and worth keeping ------------------------------------------------------------------------------------

STRIPS = """
[[strip]]
kind = "lane"
width = "4 m"
slope = "-2 %"
[[strip]]
kind = "curb"
width = "0 m"
rise = "0.15 m"
[[strip]]
kind = "verge"
width = "3 m"
slope = "2 %"
"""


@pytest.mark.parametrize(
    ("settings", "rises"),
    [
        # By hand: the centreline stands 0.08 above the edge of pavement, which is the flowline; the curb 0.15 above it.
        ('profile_on = "edge"', [0.08, 0.02, 0.16, 0.02]),
        ('profile_on = "top_of_curb"\nprofile_side = "right"', [-0.07, -0.13, 0.01, -0.13]),
        ('profile_on = "flowline"\nline_on = "flowline"\nline_side = "left"', [0.15, 0.06, 0.07, 0.21]),
    ],
)
def test_where_profile_and_line_run_on_the_section_is_heeded(tmp_path: Path, settings: str, rises: list[float]) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + 1)))
    write_section(tmp_path, settings + STRIPS)
    layer = some((50, 40), (50, 37), (50, 35.5), (50, 43))
    result = compute(job(tmp_path, layer, {"landxml": "d.xml", "section": "s.toml"}))
    assert [v - 1 for v in metres(result)] == pytest.approx(rises, abs=1e-5)


@pytest.mark.parametrize("rise", [1.0, -1.0])
def test_a_slope_meets_level_ground_where_reckoning_says(tmp_path: Path, rise: float) -> None:
    write_landxml(tmp_path / "d.xml", street(level(OLD + rise)))
    write_section(tmp_path, 'tie_slope = "33 %"\n[[strip]]\nkind = "lane"\nwidth = "4 m"\n')
    layer = some((50, 35), (50, 45), (50, 33.1), (50, 32.9), (50, 30))  # met at 4 + 1 / 0.33 = 7.03 m
    result = compute(job(tmp_path, layer, {"landxml": "d.xml", "section": "s.toml"}))
    share = [1 - 0.33, 1 - 0.33, 1 - 0.33 * 2.9, 0, 0]
    assert metres(result) == pytest.approx([rise * s for s in share], abs=1e-5)


def test_elevations_do_not_hang_on_the_working_system_or_the_order_of_rows(tmp_path: Path) -> None:
    places = [(float(x), 40 + float(d)) for x in range(0, 100, 9) for d in (-9, -6.5, -3, 2, 5.5, 8.3)]
    found = []
    for name, crs, layer in (
        ("a", CRS, some(*places)),
        ("b", "EPSG:3418", some(*places)),
        ("c", CRS, some(*places).iloc[::-1]),
        ("d", CRS, some(*places).iloc[17:29]),
    ):
        folder = tmp_path / name
        folder.mkdir()
        write_landxml(folder / "d.xml", street(level(OLD + 0.2)))
        after = {"landxml": "d.xml", "section": "street", "tie_in": "6 ft"}
        result = compute(job(folder, layer, after, project={"crs": crs}))
        found.append(dict(zip(result.hydrants.hydrant_id, metres(result), strict=True)))
    assert all(found[0][h] == pytest.approx(z, abs=1e-6, nan_ok=True) for other in found[1:] for h, z in other.items())
