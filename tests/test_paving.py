"""Which job a hydrant belongs to, judged by distances that can be worked in the head and by Shapely's own."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from gradecheck import InputError, Plan, compute
from gradecheck.paving import Jobs, read_jobs
from tests.projects import CRS, EAST, NORTH, hydrants, plan_values, point, tiny_plan, write_grounds

START = date(2027, 5, 3)


def box(left: float, bottom: float, right: float, top: float) -> shapely.Polygon:
    """A rectangle in metres of the square."""
    return shapely.box(EAST + left, NORTH + bottom, EAST + right, NORTH + top)


def line(*places: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(EAST + x, NORTH + y) for x, y in places])


def write_paving(folder: Path, rows: list[tuple[Any, ...]], crs: str = CRS, name: str = "paving.gpkg") -> Path:
    """Rows of (job, start, shape)."""
    jobs, starts, shapes = zip(*rows, strict=True)
    table = pd.DataFrame({"job_id": list(jobs), "start_date": list(starts)})
    gpd.GeoDataFrame(table, geometry=list(shapes), crs=CRS).to_crs(crs).to_file(folder / name)
    return folder / name


def jobs_of(
    folder: Path, rows: list[tuple[Any, ...]], work: str = CRS, crs: str = CRS, **more: Any
) -> tuple[Jobs, list[str]]:
    """The jobs of a paving plan, and what was said aloud."""
    write_paving(folder, rows, crs)
    paving = {"path": "paving.gpkg", "job": "job_id", "starts": "start_date", **more}
    return read_jobs(Plan.parse(plan_values(project={"starts": START}, paving=paving), folder), pyproj.CRS(work))


def assigned(jobs: Jobs, *places: tuple[float, float]) -> list[str | None]:
    """The job of each place in the square, None where none reaches it."""
    x, y = np.array(places, dtype=float).T
    found, _ = jobs.assign(EAST + x, NORTH + y)
    return [jobs.names[k] if k >= 0 else None for k in found.tolist()]


def test_a_hydrant_belongs_to_the_job_within_reach_and_to_none_beyond_it(tmp_path: Path) -> None:
    jobs, _ = jobs_of(tmp_path, [("Q", None, box(20, 30, 50, 40))])
    # 15 m by default: inside, 14.99 and 15.01 m east, then 9 and 12 m off a corner: exactly 15.
    places = [(30, 35), (64.99, 33), (65.01, 33), (59, 52), (59.1, 52)]
    assert assigned(jobs, *places) == ["Q", "Q", None, "Q", None]


@pytest.mark.parametrize(("reach", "wanted"), [("3 m", [None, None]), ("10 ft", ["Q", None]), ("4 m", ["Q", "Q"])])
def test_the_reach_is_the_one_that_the_plan_states(tmp_path: Path, reach: str, wanted: list[str | None]) -> None:
    jobs, _ = jobs_of(tmp_path, [("Q", None, box(20, 30, 50, 40))], reach=reach)  # 10 ft are 3.048 m
    assert assigned(jobs, (53.04, 31), (53.9, 31)) == wanted


def test_the_reach_holds_in_a_working_system_in_feet_and_for_a_plan_in_degrees(tmp_path: Path) -> None:
    # Iowa South in US survey feet; grid lengths there and in UTM differ by less than 1 part in 1000 at this place.
    work = "EPSG:3418"
    jobs, _ = jobs_of(tmp_path, [("Q", None, box(20, 30, 50, 40))], work=work, crs="EPSG:4326")
    at = gpd.GeoSeries.from_xy(EAST + np.array([64.9, 65.1]), NORTH + np.array([33.0, 33.0]), crs=CRS).to_crs(work)
    assert jobs.assign(at.x.to_numpy(), at.y.to_numpy())[0].tolist() == [0, -1]


def test_a_job_that_waits_for_a_grid_is_refused_and_one_known_to_metres_is_told(tmp_path: Path) -> None:
    # NAD27 to NAD83: 11 m without NOAA's grid. NAD83 to WGS 84 (1): 4 m. Both figures are EPSG's, as PROJ states them.
    with pytest.raises(InputError, match=r"paving: .*NAD27.*accuracy is 11 m, for want of a grid.*nadcon5"):
        jobs_of(tmp_path, [("Q", None, box(20, 30, 50, 40))], work="EPSG:26915", crs="EPSG:26715")
    _, notes = jobs_of(tmp_path, [("Q", None, box(20, 30, 50, 40))], work=CRS, crs="EPSG:26915")
    assert any("with an accuracy of 4 m" in note for note in notes)


@pytest.mark.parametrize("crs", ["EPSG:3857", "EPSG:32655", "EPSG:3031"])
def test_a_working_system_that_stretches_lengths_here_is_refused_or_said_aloud(tmp_path: Path, crs: str) -> None:
    # 14 m from the job, within its 15; web Mercator calls that 18.7 m at 41.5 degrees, the others far more.
    layer = hydrants({"asset_id": ["in", "near"], "flange_in": [4.0, 4.0]}, [(15, 7), (34, 7)])
    write_paving(tmp_path, [("Q", None, box(10, 0, 20, 30))])
    plan = tiny_plan(tmp_path, layer, project={"crs": crs}, paving={"path": "paving.gpkg", "job": "job_id"})
    try:
        result = compute(plan)
        said, right = " ".join(result.summary["warnings"]), result.hydrants.job.tolist() == ["Q", "Q"]
    except InputError as error:
        said, right = str(error), False
    assert right or crs in said or "project.crs" in said


def test_lines_and_polygons_both_reach(tmp_path: Path) -> None:
    rows = [("road", None, line((0, 0), (60, 0))), ("square", None, box(0, 60, 30, 80))]
    jobs, _ = jobs_of(tmp_path, rows)
    assert assigned(jobs, (30, 14), (30, 16), (70, 8), (10, 70), (10, 46)) == ["road", None, "road", "square", "square"]
    assert jobs.limits is None


def test_only_polygons_are_limits_of_the_design(tmp_path: Path) -> None:
    jobs, _ = jobs_of(tmp_path, [("a", None, box(0, 0, 10, 5)), ("b", None, box(10, 0, 17, 5))])
    assert jobs.limits is not None
    assert jobs.limits.area == pytest.approx(17 * 5)


def test_a_height_of_the_line_plays_no_part(tmp_path: Path) -> None:
    raised = shapely.LineString([(EAST, NORTH, 300), (EAST + 60, NORTH, 300)])
    jobs, _ = jobs_of(tmp_path, [("road", None, raised)])
    assert assigned(jobs, (30, 14)) == ["road"]


def test_the_nearest_job_wins_whatever_its_start(tmp_path: Path) -> None:
    rows = [("late", date(2028, 1, 1), box(0, 0, 10, 50)), ("early", date(2027, 1, 1), box(30, 0, 40, 50))]
    jobs, _ = jobs_of(tmp_path, rows)
    assert assigned(jobs, (19, 7), (21, 7)) == ["late", "early"]


@pytest.mark.parametrize(
    ("left", "right", "wanted"),
    [
        (("b", date(2027, 6, 1)), ("a", date(2027, 5, 1)), "a"),
        (("b", date(2027, 5, 1)), ("a", date(2027, 6, 1)), "b"),
        (("b", date(2027, 5, 1)), ("a", date(2027, 5, 1)), "a"),
        (("10", date(2027, 5, 1)), ("9", date(2027, 5, 1)), "10"),
    ],
)
def test_ties_go_to_the_earliest_start_then_the_name(
    tmp_path: Path, left: tuple[str, date], right: tuple[str, date], wanted: str
) -> None:
    rows = [(*left, box(0, 0, 10, 50)), (*right, box(30, 0, 40, 50))]
    for ordered in (rows, rows[::-1]):
        jobs, _ = jobs_of(tmp_path, ordered)
        assert assigned(jobs, (20, 7)) == [wanted]


def test_where_jobs_overlap_the_earliest_start_has_the_hydrant(tmp_path: Path) -> None:
    rows = [("a", date(2027, 6, 1), box(0, 0, 40, 50)), ("b", date(2027, 5, 1), box(20, 10, 60, 50))]
    jobs, _ = jobs_of(tmp_path, rows)
    assert assigned(jobs, (10, 20), (30, 20), (50, 20)) == ["a", "b", "b"]


def test_a_start_that_is_not_known_comes_last_in_a_tie(tmp_path: Path) -> None:
    write_paving(tmp_path, [("a", None, box(0, 0, 10, 50)), ("b", date(2029, 1, 1), box(30, 0, 40, 50))])
    paving = {"path": "paving.gpkg", "job": "job_id", "starts": "start_date"}
    jobs, _ = read_jobs(Plan.parse(plan_values(paving=paving), tmp_path), pyproj.CRS(CRS))
    assert assigned(jobs, (20, 7)) == ["b"]
    assert dict(jobs.starts) == {"a": None, "b": date(2029, 1, 1)}


def test_a_job_may_span_rows_and_starts_with_the_earliest(tmp_path: Path) -> None:
    rows = [
        ("Q", date(2027, 7, 1), box(0, 0, 10, 10)),
        ("R", date(2027, 6, 15), box(50, 50, 60, 60)),
        ("Q", date(2027, 6, 1), box(80, 0, 90, 10)),
        ("Q", date(2027, 9, 1), line((0, 90), (20, 90))),
    ]
    jobs, _ = jobs_of(tmp_path, rows)
    assert jobs.names == ("Q", "R")
    assert jobs.starts["Q"] == date(2027, 6, 1)
    assert assigned(jobs, (5, 5), (85, 5), (10, 80), (55, 55)) == ["Q", "Q", "Q", "R"]


@pytest.mark.parametrize(
    "given",
    [
        date(2027, 6, 14),
        datetime(2027, 6, 14, 15, 30),
        "2027-06-14",
        " 2027-06-14 ",
        "2027/06/14",
        "2027-06-14T07:00:00",
    ],
    ids=str,
)
def test_start_dates_may_be_dates_times_or_text(tmp_path: Path, given: object) -> None:
    jobs, notes = jobs_of(tmp_path, [("Q", given, box(0, 0, 10, 10))])
    assert jobs.starts["Q"] == date(2027, 6, 14)
    assert notes == []


@pytest.mark.parametrize("given", ["next June", "14/06/2027", "2027-13-40", 2027])
def test_a_start_that_cannot_be_read_is_said_and_the_project_s_taken(tmp_path: Path, given: object) -> None:
    rows = [("P", given, box(50, 0, 60, 10)), ("Q", given, box(0, 0, 10, 10))]
    jobs, notes = jobs_of(tmp_path, rows)
    assert dict(jobs.starts) == {"P": START, "Q": START}
    assert len(notes) == 1
    assert "row 1" in notes[0]
    assert repr(given) in notes[0]


def test_a_blank_start_is_the_project_s_without_a_word(tmp_path: Path) -> None:
    jobs, notes = jobs_of(tmp_path, [("P", None, box(50, 0, 60, 10)), ("Q", "2027-09-01", box(0, 0, 10, 10))])
    assert dict(jobs.starts) == {"P": START, "Q": date(2027, 9, 1)}
    assert notes == []


def test_jobs_without_a_name_are_named_by_their_row_and_numbers_without_a_point(tmp_path: Path) -> None:
    jobs, _ = jobs_of(tmp_path, [(101.0, None, box(0, 0, 10, 10)), (None, None, box(80, 0, 90, 10))])
    assert sorted(jobs.names) == ["101", "row-2"]


def test_rows_without_a_shape_are_passed_over_and_broken_polygons_mended_aloud(tmp_path: Path) -> None:
    bow_tie = shapely.Polygon([(EAST, NORTH), (EAST + 20, NORTH + 20), (EAST + 20, NORTH), (EAST, NORTH + 20)])
    rows = [("P", None, None), ("Q", None, bow_tie), ("R", None, shapely.Point(EAST, NORTH))]
    jobs, notes = jobs_of(tmp_path, rows)
    assert jobs.names == ("Q",)
    said = " ".join(notes)
    assert "passed over: 1, 3" in said
    assert "mended: rows 2" in said
    assert assigned(jobs, (18, 10), (2, 10)) == ["Q", "Q"]


def test_a_paving_plan_that_cannot_be_used_stops_with_what_and_where(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no usable polygons or lines"):
        jobs_of(tmp_path, [("P", None, shapely.Point(EAST, NORTH))])
    with pytest.raises(InputError, match=r"paving\.job = 'job'.*did you mean 'job_id'"):
        jobs_of(tmp_path, [("P", None, box(0, 0, 9, 9))], job="job")
    with pytest.raises(InputError, match=r"paving\.starts = 'start'"):
        jobs_of(tmp_path, [("P", None, box(0, 0, 9, 9))], starts="start")
    with pytest.raises(InputError, match=r"no such file: none\.gpkg"):
        jobs_of(tmp_path, [("P", None, box(0, 0, 9, 9))], path="none.gpkg")
    gpd.GeoDataFrame({"job_id": ["P"]}, geometry=[box(0, 0, 9, 9)]).to_file(tmp_path / "bare.gpkg")
    with pytest.raises(InputError, match="no reference system"):
        jobs_of(tmp_path, [("P", None, box(0, 0, 9, 9))], path="bare.gpkg")


def test_assignment_equals_shapely_s_distances_over_many_places(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    shapes = [box(0, 0, 13, 40), line((30, 90), (70, 60), (95, 66)), box(60, 10, 75, 19)]
    jobs, _ = jobs_of(tmp_path, [(f"J{i}", date(2027, 5, 1 + i), s) for i, s in enumerate(shapes)])
    x, y = EAST + rng.uniform(-40, 140, 3000), NORTH + rng.uniform(-40, 140, 3000)
    away = np.stack([shapely.distance(s, shapely.points(x, y)) for s in shapes])
    wanted = np.where(away.min(axis=0) <= 15, away.argmin(axis=0), -1)
    found, distance = jobs.assign(x, y)
    np.testing.assert_array_equal(found, wanted)
    near = away.min(axis=0) <= 30
    np.testing.assert_allclose(distance[near], away.min(axis=0)[near])
    assert np.isinf(distance[~near]).all()


def test_without_a_paving_plan_every_hydrant_is_of_one_job(tmp_path: Path) -> None:
    result = compute(tiny_plan(tmp_path, project={"name": "Sorrel Street", "starts": START}))
    assert result.hydrants.job.tolist() == ["Sorrel Street"] * 3
    assert compute(tiny_plan(tmp_path)).hydrants.job.tolist() == ["all"] * 3


def _three_beside_one_job(folder: Path, rise: float) -> Any:
    """Hydrants inside the job, 20 m off it and 40 m off it; the ground rises everywhere by `rise` feet."""
    layer = hydrants({"asset_id": ["in", "near", "far"], "flange_in": [4.0, 4.0, 4.0]}, [(15, 7), (40, 7), (60, 7)])
    write_paving(folder, [("Q", None, box(10, 0, 20, 30))])
    paving = {"path": "paving.gpkg", "job": "job_id"}
    return compute(tiny_plan(folder, layer, after=100.0 + rise, paving=paving)).hydrants.set_index("hydrant_id")


def test_a_hydrant_that_no_job_reaches_is_outside_and_costs_nothing(tmp_path: Path) -> None:
    got = _three_beside_one_job(tmp_path, 0.5)
    assert got.action.to_dict() == {"in": "extend", "near": "outside", "far": "outside"}
    assert got.job.isna().to_dict() == {"in": False, "near": True, "far": True}
    for column in ("extension_in", "raise_in", "clearance_after_in", "clearance_before_in", "confidence"):
        assert pd.isna(got.loc["near", column])
    assert not got.firm["near"]


def test_a_change_within_twice_the_reach_raises_missed_by_reach(tmp_path: Path) -> None:
    # 6 in of rise against 1 in of dressing: told at 20 m, not looked at beyond 30 m.
    got = _three_beside_one_job(tmp_path, 0.5)
    assert ["missed_by_reach" in str(c) for c in got.cautions] == [False, True, False]
    assert got.grade_change_in["near"] == pytest.approx(6)
    assert pd.isna(got.grade_change_in["far"])
    # 0.05 ft is 0.6 in, within the dressing.
    assert not any("missed_by_reach" in str(c) for c in _three_beside_one_job(tmp_path, 0.05).cautions)


def test_a_job_s_hydrants_are_ordered_under_its_name(tmp_path: Path) -> None:
    write_grounds(tmp_path)
    layer = hydrants({"asset_id": list("abc"), "flange_in": [4.0] * 3}, [(15, 7), (80, 70), (85, 73)])
    rows = [("first", date(2027, 5, 1), box(10, 0, 20, 30)), ("second", date(2027, 4, 1), box(75, 60, 95, 80))]
    write_paving(tmp_path, rows)
    paving = {"path": "paving.gpkg", "job": "job_id", "starts": "start_date"}
    order = compute(tiny_plan(tmp_path, layer, paving=paving)).order
    assert list(zip(order.job, order.quantity_order, strict=True)) == [("second", 2), ("first", 1)]


def test_a_job_whose_design_reaches_none_of_its_hydrants_is_pointed_out(tmp_path: Path) -> None:
    # Two roads, one design: over the south one only. "keep" beyond a design that was never delivered is no all-clear.
    roads = gpd.GeoDataFrame(
        {"job": ["south", "north"]},
        geometry=[shapely.LineString([point(0, y), point(100, y)]) for y in (10, 90)],
        crs=CRS,
    )
    roads.to_file(tmp_path / "roads.gpkg")
    layer = hydrants({"asset_id": ["a", "b"], "flange_in": [4.0, 4.0]}, [(50, 8), (50, 88)])

    def designed(_: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where(y < 40, 100.5, np.nan)

    plan = tiny_plan(tmp_path, layer, after=designed, paving={"path": "roads.gpkg", "job": "job"})
    result = compute(plan)
    assert result.hydrants.action.tolist() == ["extend", "keep"]
    (said,) = [w for w in result.summary["warnings"] if "design has ground at no hydrant" in w]
    assert "north" in said
    assert "south" not in said
