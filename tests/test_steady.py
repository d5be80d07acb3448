"""Stable ground in a plan: what is told of an offset, a tilt, too hopeful errors; what a correction does; correlation.

Every surface here is drawn, so that the truth is known: the numbers beside the checks are the drawn ones.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from scipy import ndimage, stats

from gradecheck import InputError, Plan, compute, inspect, run, steady
from gradecheck.outputs.summary import summary_text
from tests.projects import CRS, EAST, NORTH, hydrants, plan_values, write_ground

FT, IN = 0.3048, 0.0254
SIDE = 260.0
YARD = shapely.box(EAST + 60, NORTH - 35, EAST + 135, NORTH + 135)
"""The east of the square: nothing is built there."""

ROAD = shapely.box(EAST - 30, NORTH - 30, EAST + 45, NORTH + 130)
"""Limits of work in the west, where the road rises."""

Noise = Callable[[np.ndarray, np.ndarray], np.ndarray]


def old(x: Any, y: Any) -> Any:
    return 100 + 0.02 * x - 0.013 * y


def town(folder: Path, error: Noise | float = 0.0, noise: float = 0.02, **sections: Any) -> Plan:
    """A road in the west that rises 6 in; everywhere `after` is off by `error` feet, and by noise of that sd."""
    rng = np.random.default_rng(5)

    def new(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        off = error(x, y) if callable(error) else np.full(x.shape, error)
        return old(x, y) + np.where(x < 45, 0.5, 0.0) + off + noise * rng.standard_normal(x.shape)

    layer = hydrants({"asset_id": ["H-1", "H-2"], "flange_in": [4.0, 4.5]}, [(11, 23), (23, 67)])
    layer.to_file(folder / "hydrants.gpkg", layer="hydrants")
    write_ground(folder / "before.tif", old)
    write_ground(folder / "after.tif", new)
    gpd.GeoDataFrame({"what": ["yard"]}, geometry=[YARD], crs=CRS).to_file(folder / "yard.gpkg")
    given = {"stable": {"path": "yard.gpkg", "spacing": "5 m"}} | sections
    given = {k: v for k, v in given.items() if v is not None}
    return Plan.parse(plan_values(**given), folder)


def limits(folder: Path) -> dict[str, str]:
    """The limits of work as a paving plan, and what a plan says of it."""
    gpd.GeoDataFrame({"job_id": ["Q"]}, geometry=[ROAD], crs=CRS).to_file(folder / "paving.gpkg")
    return {"path": "paving.gpkg", "job": "job_id"}


def told(plan: Plan) -> list[str]:
    return [w for w in compute(plan).summary["warnings"] if w.startswith("stable ground: ")]


EXACT = {"before": {"sd": "0.01 ft"}, "after": {"sd": "0.02 ft"}}


def test_where_the_surfaces_agree_within_what_is_stated_nothing_is_said_and_all_is_recorded(tmp_path: Path) -> None:
    plan = town(tmp_path, **EXACT)
    assert told(plan) == []
    found = compute(plan).summary["stable"]
    assert found["points"] > 300
    assert abs(found["median_m"]) < 0.002
    # bilinear interpolation of noise at cell middles' crossings: sd of the mean of up to four values
    assert 0.3 * 0.02 * FT < found["nmad_m"] < 0.02 * FT * 1.1
    assert found["corrected_m"] == 0


# --- the four faults of a pair of surfaces ------------------------------------------------------------------------


def test_a_bias_of_three_tenths_of_a_foot_is_told_in_plain_words(tmp_path: Path) -> None:
    (text, *_) = told(town(tmp_path, 0.3, **EXACT))
    assert "after lies 0.3 ft above before" in text.replace("0.299", "0.3").replace("0.301", "0.3")
    assert "vertical datums or epochs" in text
    assert "correct = true in [stable] takes it out" in text


def test_a_bias_is_told_without_stable_ground_too_where_it_lies_away_from_the_limits_of_work(tmp_path: Path) -> None:
    paving = limits(tmp_path)
    warnings = compute(town(tmp_path, 0.3, stable=None, paving=paving)).summary["warnings"]
    (text,) = [w for w in warnings if "differ by almost one amount" in w]
    assert "away from the limits of work: 0.3 ft" in text.replace("0.299", "0.3").replace("0.301", "0.3")
    assert not any(
        "almost one" in w for w in compute(town(tmp_path, 0.0, stable=None, paving=paving)).summary["warnings"]
    )


def test_a_tilt_is_told_with_its_way_and_size(tmp_path: Path) -> None:
    texts = told(town(tmp_path, lambda x, y: 0.003 * (y - 50), **EXACT))
    (text,) = [t for t in texts if "tilted" in t]
    assert "towards the north" in text  # 0.003 ft a metre over the 170 m of the yard: 0.5 ft
    assert "rises by 0.498 ft" in text


def test_surfaces_in_mixed_units_stop_the_run(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="ft against m"):
        compute(town(tmp_path, stable=None, after={"unit": "m"}))


def test_too_hopeful_errors_are_told(tmp_path: Path) -> None:
    (text,) = told(town(tmp_path, noise=0.2, **EXACT))
    assert "too hopeful" in text


# --- what is done about it ----------------------------------------------------------------------------------------


def test_a_correction_takes_the_median_out_says_so_everywhere_and_adds_its_standard_error(tmp_path: Path) -> None:
    plain = compute(town(tmp_path, 0.3, **EXACT))
    plan = town(tmp_path, 0.3, **EXACT, stable={"path": "yard.gpkg", "spacing": "5 m", "correct": True})
    result = run(plan)
    found = result.summary["stable"]
    median, error = found["median_m"], found["standard_error_m"]
    assert median / FT == pytest.approx(0.3, abs=0.004)
    less = plain.hydrants["grade_change_in"] - result.hydrants["grade_change_in"]
    assert less.to_numpy() == pytest.approx(np.full(2, median / IN), abs=1e-5)
    assert result.hydrants["grade_before_ft"].to_numpy() == pytest.approx(
        plain.hydrants["grade_before_ft"].to_numpy() + median / FT, abs=1e-5
    )
    assert result.hydrants["grade_after_ft"].tolist() == plain.hydrants["grade_after_ft"].tolist()
    assert result.assessment.clearance.shared[:, 0].tolist() == [pytest.approx(error)] * 2
    said = f"the before surface is raised by {median / FT:.3g} ft"
    record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert any(said in w for w in record["warnings"])
    assert record["stable"]["corrected_m"] == pytest.approx(median)
    assert "The\nbefore surface is moved by" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "before raised by" in summary_text(result.summary)
    points = pyogrio.read_dataframe(tmp_path / "out" / "gradecheck.gpkg", layer="stable_points")
    assert len(points) == found["points"]
    assert points["difference_in"].median() == pytest.approx(median / IN, abs=0.001)
    assert points["left_in"].median() == pytest.approx(0, abs=0.001)


def test_the_figures_are_those_of_pandas_and_scipy_over_the_points_of_the_layer(tmp_path: Path) -> None:
    run(town(tmp_path, lambda x, y: 0.05 * np.sin(x / 9.0), **EXACT))
    dz = pyogrio.read_dataframe(tmp_path / "out" / "gradecheck.gpkg", layer="stable_points")["difference_in"] * IN
    found = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))["stable"]
    assert found["median_m"] == pytest.approx(dz.median(), abs=3e-6)
    assert found["nmad_m"] == pytest.approx(stats.median_abs_deviation(dz, scale="normal"), abs=1e-5)
    assert found["rmse_m"] == pytest.approx(np.sqrt((dz**2).mean()), abs=1e-5)
    assert [found["p05_m"], found["p95_m"]] == pytest.approx(pd.Series(dz).quantile([0.05, 0.95]).tolist(), abs=3e-6)


def test_where_the_plan_states_no_sd_the_spread_is_the_estimate_and_is_marked(tmp_path: Path) -> None:
    plan = town(tmp_path, noise=0.2, before={"sd": None}, after={"sd": None}, hydrants={"position_sd": "0 m"})
    result = compute(plan)
    nmad = result.summary["stable"]["nmad_m"]
    # with its standard error, which all hydrants share
    total = np.hypot(nmad, result.summary["stable"]["standard_error_m"])
    assert result.hydrants["grade_change_sd_in"].to_numpy() * IN == pytest.approx(np.full(2, total), rel=1e-3)
    marked = [text for text in result.summary["assumed"] if "estimated from the spread on stable ground" in text]
    assert [text.split(".")[0] for text in marked] == ["before", "after"]
    assert not any("vertical error of this raster ground is assumed" in t for t in result.summary["assumed"])
    assert any("no independent check survey" in text for text in result.summary["accuracy"])


def test_one_unstated_sd_is_what_the_spread_leaves_to_it(tmp_path: Path) -> None:
    plan = town(tmp_path, noise=0.2, before={"sd": None}, after={"sd": "0.05 ft"}, hydrants={"position_sd": "0 m"})
    result = compute(plan)
    own = np.sqrt(result.summary["stable"]["nmad_m"] ** 2 - (0.05 * FT) ** 2)
    assert result.assessment.change.before_sd == pytest.approx(np.full(2, own), abs=2e-5)


def test_stable_ground_beyond_the_limits_of_work_needs_no_layer(tmp_path: Path) -> None:
    plan = town(tmp_path, 0.3, **EXACT, paving=limits(tmp_path), stable={"beyond": "10 m"})
    result = run(plan)
    assert result.summary["stable"]["median_m"] == pytest.approx(0.3 * FT, abs=0.002)
    points = pyogrio.read_dataframe(tmp_path / "out" / "gradecheck.gpkg", layer="stable_points")
    assert points.distance(ROAD).min() > 9.99


def test_points_are_taken_as_they_are(tmp_path: Path) -> None:
    places = [shapely.Point(EAST + 70 + 3 * k, NORTH + 10 * (k % 7)) for k in range(12)]
    gpd.GeoDataFrame({"n": range(12)}, geometry=places, crs=CRS).to_crs(4326).to_file(tmp_path / "points.gpkg")
    result = compute(town(tmp_path, 0.3, **EXACT, stable={"path": "points.gpkg"}))
    assert result.summary["stable"]["points"] == 12
    assert result.summary["stable"]["few"]
    assert any("Only 12 points" in w for w in result.summary["warnings"])


def test_stable_ground_that_waits_for_a_grid_is_refused(tmp_path: Path) -> None:
    places = [shapely.Point(EAST + 70 + 3 * k, NORTH + 10 * (k % 7)) for k in range(12)]
    gpd.GeoDataFrame({"n": range(12)}, geometry=places, crs="EPSG:26715").to_file(tmp_path / "points.gpkg")  # NAD27
    with pytest.raises(InputError, match=r"stable: .*NAD27.*for want of a grid.*under .project."):
        compute(town(tmp_path, 0.3, **EXACT, stable={"path": "points.gpkg"}))


@pytest.mark.parametrize(
    ("stable", "words"),
    [
        ({}, "give path .polygons or points., or beyond"),
        ({"path": "yard.gpkg", "beyond": "9 m"}, "give path .polygons or points., or beyond"),
        ({"path": "none.gpkg"}, "no such file"),
        ({"beyond": "10 m"}, "no limits are known"),
        ({"path": "yard.gpkg", "spacing": "1 mm"}, "20,000 are the most"),
    ],
    ids=str,
)
def test_what_cannot_be_looked_at_is_told_with_how_to_mend_it(tmp_path: Path, stable: Any, words: str) -> None:
    with pytest.raises(Exception, match=words):
        compute(town(tmp_path, stable=stable))


def test_a_design_without_ground_there_is_told(tmp_path: Path) -> None:
    plan = town(tmp_path, lambda x, y: np.where(x > 50, np.nan, 0.0))
    with pytest.raises(InputError, match="do both surfaces have a height"):
        compute(plan)


# --- correlated errors --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rho", [0.0, 0.4, 0.9, 1.0])
def test_two_surfaces_on_one_survey_share_their_errors(tmp_path: Path, rho: float) -> None:
    plan = town(
        tmp_path, stable=None, hydrants={"position_sd": "0 m"}, before={"sd": "0.2 ft"},
        after={"sd": "0.1 ft", "correlation": rho},
    )  # fmt: skip
    got = compute(plan).hydrants["grade_change_sd_in"].to_numpy()
    a, b = np.random.default_rng(1).multivariate_normal(
        [0, 0], [[0.04, rho * 0.02], [rho * 0.02, 0.01]], 400_000
    ).T  # fmt: skip
    assert got * IN / FT == pytest.approx(np.full(2, (b - a).std()), rel=0.01)


def test_correlation_makes_decisions_firmer_and_the_order_smaller(tmp_path: Path) -> None:
    def settled(rho: float) -> tuple[float, int]:
        plan = town(tmp_path, stable=None, before={"sd": "0.15 ft"}, after={"sd": "0.15 ft", "correlation": rho})
        result = compute(plan)
        return float(result.hydrants["confidence"].min()), int(result.order["quantity_order"].sum())

    loose, tight = settled(0.0), settled(0.95)
    assert tight[0] > loose[0]
    assert tight[1] <= loose[1]


def test_a_correlation_beyond_one_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Exception, match="correlation"):
        town(tmp_path, after={"correlation": 1.2})


# --- hydrants that touch nothing ----------------------------------------------------------------------------------


def moved(folder: Path, layer: gpd.GeoDataFrame) -> list[str]:
    plan = town(folder, stable=None)
    (folder / "hydrants.gpkg").unlink()
    layer.to_file(folder / "hydrants.gpkg", layer="hydrants")
    return [w for w in compute(plan).summary["warnings"] if "no hydrant lies within" in w]


def test_hydrants_with_swapped_axes_are_told_so(tmp_path: Path) -> None:
    layer = hydrants({"asset_id": ["H-1", "H-2"], "flange_in": [4.0, 4.0]}, [(11, 23), (23, 67)])
    turned = [shapely.Point(p.y, p.x) for p in layer.geometry]
    with pytest.raises(InputError, match="inside with x and y swapped"):  # there no hydrant of that system can be
        moved(tmp_path, layer.set_geometry(gpd.GeoSeries(turned, crs=CRS), crs=CRS))


def test_hydrants_in_a_likely_other_system_are_told_which(tmp_path: Path) -> None:
    layer = hydrants({"asset_id": ["H-1", "H-2"], "flange_in": [4.0, 4.0]}, [(11, 23), (23, 67)])
    wrong = layer.set_crs("EPSG:32616", allow_override=True)  # the next zone
    (text,) = moved(tmp_path, wrong)
    assert "EPSG:32615" in text


def test_hydrants_that_are_there_are_not_told_to_be_elsewhere(tmp_path: Path) -> None:
    layer = hydrants({"asset_id": ["H-1", "H-2"], "flange_in": [4.0, 4.0]}, [(11, 23), (23, 67)])
    assert moved(tmp_path, layer) == []


# --- a known truth ------------------------------------------------------------------------------------------------


def test_confidence_stays_calibrated_under_step_position_correlation_and_correction_together() -> None:
    """Beside the calibration of the first kind in tests/reference; here the surfaces share a bias that is corrected.

    Drawn: a bias of the before surface, known from stable ground with a standard error; own errors with correlation;
    a curb within the position error. The decision's confidence is the share of draws in which it comes true.
    """
    from gradecheck.decision import decide
    from tests.cases import IN as INCH
    from tests.cases import atoms, policy
    from tests.cases import hydrants as cases_of

    rng = np.random.default_rng(20)
    n = 60_000
    step, share, own_b, own_a, rho, shared = 5.0, 0.3, 0.5, 0.4, 0.6, 0.3
    own = np.sqrt(own_b**2 + own_a**2 - 2 * rho * own_b * own_a)
    hits, said = [], []
    for centre in (-4.0, -1.0, 1.5, 3.0, 5.0):
        ground = atoms([(0.0, 1 - share, own), (step, share, own)])
        found = decide(cases_of([centre], ground=ground, clearance_sd=0.25, shared=(shared, 0.0)), policy())
        rise = found.tables[0].rise[found.best[0]] / INCH if found.best[0] >= 0 else 0.0
        errors = rng.multivariate_normal([0, 0], [[own_b**2, rho * own_b * own_a], [rho * own_b * own_a, own_a**2]], n)
        change = np.where(rng.random(n) < share, step, 0.0) + errors[:, 1] - errors[:, 0]
        truth = centre - change + rng.normal(0, 0.25, n) + shared * rng.normal(size=n) + rise
        hits.append(((truth >= 1) & (truth <= 7)).mean())
        said.append(found.confidence[0] if found.best[0] >= 0 else np.nan)
    known = np.isfinite(said)
    assert np.array(hits)[known] == pytest.approx(np.array(said)[known], abs=0.01)
    assert known.sum() >= 3


def test_smooth_fields_are_seen_to_hang_together(tmp_path: Path) -> None:
    field = ndimage.gaussian_filter(np.random.default_rng(3).standard_normal((400, 400)), 4)
    field *= 0.1 / field.std()

    def error(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return field[np.round(y + 150).astype(int), np.round(x + 150).astype(int)]

    found = compute(town(tmp_path, error, noise=0.0, **EXACT)).summary["stable"]
    assert 5 < found["range_m"] < 60
    # far fewer independent points than there are: the standard error is larger than that of so many alone
    assert found["standard_error_m"] > 1.5 * 1.2533 * found["nmad_m"] / np.sqrt(found["points"])


def test_what_common_errors_change_is_told_by_run_and_inspect(tmp_path: Path) -> None:
    def plan(**after: Any) -> Plan:
        return town(tmp_path, stable=None, before={"sd": "0.15 ft"}, after={"sd": "0.15 ft"} | after)

    assert compute(plan()).summary["errors"]["effect"] is None
    alone = compute(plan())
    result = compute(plan(correlation=0.95, sd_shared="0.04 ft"))
    effect = result.assessment.effect
    assert effect is not None
    decided = ("keep", "extend", "shorten")
    assert effect.decided == result.hydrants["action"].isin(decided).sum()
    assert effect.decided_alone == alone.hydrants["action"].isin(decided).sum()
    pieces = [int(r.order.loc[r.order["length_in"].notna(), "quantity_order"].sum()) for r in (result, alone)]
    assert [effect.ordered, effect.ordered_alone] == pieces
    assert effect.text.capitalize()[:40] in summary_text(result.summary)
    facts = dict(inspect(plan(correlation=0.95)).facts)
    assert "were all errors independent" in facts["common errors"][0]
    assert "common errors" not in dict(inspect(plan()).facts)


# --- fields that once fooled it ----------------------------------------------------------------------------------


def test_one_survey_in_both_surfaces_is_not_taken_for_a_perfect_one(tmp_path: Path) -> None:
    # The design's own survey beside the road is the old surface itself, as nearly every design model is made.
    plan = town(tmp_path, noise=0.0, before={"sd": None}, after={"sd": None})
    result = compute(plan)
    assert result.summary["stable"]["sd_estimated"] == []
    assert any("both surfaces hold the same survey" in w for w in result.summary["warnings"])
    assert any("before.sd = 0.33 ft" in text for text in result.summary["assumed"])
    assert (result.hydrants["grade_change_sd_in"] > 3.9).all()


def test_what_is_built_is_no_stable_ground(tmp_path: Path) -> None:
    paving = limits(tmp_path)
    gpd.GeoDataFrame({"n": [1]}, geometry=[shapely.box(EAST - 20, NORTH, EAST + 120, NORTH + 90)], crs=CRS).to_file(
        tmp_path / "half.gpkg"
    )
    stable = {"path": "half.gpkg", "correct": True}
    result = compute(town(tmp_path, 0.1, **EXACT, paving=paving, stable=stable))
    assert result.summary["stable"]["median_m"] == pytest.approx(0.1 * FT, abs=0.002)  # and nothing of the road's 6 in
    assert any("points inside the limits of work are left out" in w for w in result.summary["warnings"])
    gpd.GeoDataFrame({"n": [1]}, geometry=[ROAD], crs=CRS).to_file(tmp_path / "road.gpkg")
    with pytest.raises(InputError, match="where the paving plan or the design builds"):
        compute(town(tmp_path, 0.1, **EXACT, paving=paving, stable={"path": "road.gpkg"}))


@pytest.mark.parametrize("count", [1, 3, 29])
def test_a_correction_from_few_points_carries_the_surfaces_own_error(tmp_path: Path, count: int) -> None:
    places = [shapely.Point(EAST + 65 + 2 * k, NORTH + 7 * (k % 9)) for k in range(count)]
    gpd.GeoDataFrame({"n": range(count)}, geometry=places, crs=CRS).to_file(tmp_path / "points.gpkg")
    own = {"before": {"sd": "0.05 ft"}, "after": {"sd": "0.03 ft"}}
    result = compute(town(tmp_path, 0.3, noise=0.0, **own, stable={"path": "points.gpkg", "correct": True}))
    least = np.hypot(0.05, 0.03) * FT * np.sqrt(np.pi / 2 / count)  # of the median of so many normal values
    assert result.summary["errors"]["before_shared_m"] == pytest.approx(least, rel=1e-6)
    assert result.summary["stable"]["standard_error_m"] == pytest.approx(least, rel=1e-6)


def test_small_areas_far_apart_need_no_grid_over_all_between_them() -> None:
    areas = shapely.union_all([shapely.box(0, 0, 5, 5), shapely.box(12_000, 12_000, 12_005, 12_005)])
    x, y = steady._grid(areas, None)
    assert len(x) == pytest.approx(900, abs=90)
    assert shapely.contains_xy(areas, x, y).all()
    assert sorted({int(v > 100) for v in x}) == [0, 1]


def test_yards_that_say_different_things_give_no_sharp_offset(tmp_path: Path) -> None:
    yards = [
        shapely.box(EAST + 60, NORTH - 35, EAST + 135, NORTH + 20),
        shapely.box(EAST + 60, NORTH + 80, EAST + 135, NORTH + 135),
    ]
    gpd.GeoDataFrame({"n": [1, 2]}, geometry=yards, crs=CRS).to_file(tmp_path / "two.gpkg")
    plan = town(
        tmp_path, lambda x, y: np.where(y > 50, 1.0, 0.0), **EXACT, stable={"path": "two.gpkg", "correct": True}
    )
    result = compute(plan)
    # one yard says 0 and the other 1 ft: the offset of a third place is known to about half a foot, not to a hundredth
    assert result.summary["errors"]["before_shared_m"] > 0.2 * FT
    told_ = " ".join(result.summary["warnings"])
    assert "count as a few" in told_
    assert "parts of the stable ground differ" not in told_
    assert "tilted" not in told_


def test_a_belt_that_says_something_else_makes_parts_differ_and_the_error_grow_with_them(tmp_path: Path) -> None:
    stable = {"path": "yard.gpkg", "spacing": "5 m", "correct": True}
    result = run(town(tmp_path, lambda x, y: np.where(np.abs(y - 50) < 20, 0.3, 0.0), **EXACT, stable=stable))
    (text,) = [w for w in result.summary["warnings"] if "parts of the stable ground differ" in w]
    assert not any("tilted" in w for w in result.summary["warnings"])
    points = pyogrio.read_dataframe(tmp_path / "out" / "gradecheck.gpkg", layer="stable_points")
    # The yard is 75 by 170 m: four parts along it, two across, each about square.
    across, along = (
        pd.cut(v, n, right=False, labels=False) for v, n in ((points.geometry.x, 2), (points.geometry.y, 4))
    )
    medians = (points["difference_in"] * IN).groupby([across, along]).median()
    assert len(medians) == 8
    assert f"standard deviation of their medians {medians.std():.3f} m" in text
    assert result.summary["errors"]["before_shared_m"] == pytest.approx(medians.std() / np.sqrt(8), rel=1e-3)
    # Beside it the standard error of the median alone, of so many points, would have said far less.
    assert result.assessment.inputs.steady.ground.standard_error < 0.5 * medians.std() / np.sqrt(8)


def test_a_tilt_that_is_left_is_an_error_that_counts(tmp_path: Path) -> None:
    plan = town(tmp_path, lambda x, y: 0.003 * (y - 50), **EXACT, stable={"path": "yard.gpkg", "correct": True})
    result = compute(plan)
    # 0.5 ft from end to end: uniform between -0.25 and 0.25 ft about the middle, sd 0.5 / sqrt(12)
    assert result.summary["errors"]["before_shared_m"] == pytest.approx(0.5 / np.sqrt(12) * FT, rel=0.05)


def test_a_correction_larger_than_any_survey_is_off_by_is_asked_about_and_a_huge_one_stops(tmp_path: Path) -> None:
    plan = town(tmp_path, 2.0, **EXACT, stable={"path": "yard.gpkg", "correct": True})
    assert any("may hide another vertical datum" in w for w in compute(plan).summary["warnings"])
    with pytest.raises(InputError, match="which is no survey's error"):
        compute(town(tmp_path, 90.0, **EXACT, stable={"path": "yard.gpkg", "correct": True}))


def test_without_ground_today_stable_ground_is_refused_in_plain_words(tmp_path: Path) -> None:
    layer = hydrants({"asset_id": ["H-1"], "z": [100.9]}, [(11, 23)])
    layer.to_file(tmp_path / "hydrants.gpkg", layer="hydrants")
    write_ground(tmp_path / "after.tif", 100.5)
    values = plan_values(
        hydrants={"flange_elevation": {"column": "z", "unit": "ft"}, "clearance": None}, stable={"beyond": "9 m"}
    )
    with pytest.raises(InputError, match=r"there is no \[before\] ground"):
        compute(Plan.parse({k: v for k, v in values.items() if k != "before"}, tmp_path))


def test_several_sources_of_the_old_ground_are_not_corrected_by_one_amount(tmp_path: Path) -> None:
    plan = town(tmp_path, 0.3, **EXACT, stable={"path": "yard.gpkg", "correct": True})
    values = plan.as_written()
    values["before"] = [values["before"], {**values["before"], "raster": ["before.tif"]}]
    with pytest.raises(InputError, match="each may be off by its own"):
        compute(Plan.parse(values, tmp_path))
