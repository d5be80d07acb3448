"""Real elevation models of one place against each other: two reference systems, two cell sizes, two units.

Every height and change is judged against SciPy's map_coordinates on the whole array, at points that pyproj takes
from their own system (a third one) to each raster's here in the test. What cannot be told (an unknown system,
centimetres said to be metres) must stop the run with a message, never give numbers.
"""

import json
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import rasterio
from pyproj import Transformer
from scipy import ndimage

from gradecheck import pipeline
from gradecheck.errors import InputError
from gradecheck.plan import Plan

DATA = Path(__file__).resolve().parents[2] / ".." / "shared" / "data"
GIRONDE = DATA / "dem_pair_gironde_apache"
REF, SEC, SEC_CM = GIRONDE / "gironde_ref.tif", GIRONDE / "gironde_sec.tif", GIRONDE / "gironde_sec_cm.tif"
GRENOBLE, GRENOBLE_COARSE = (DATA / "dem_copernicus_grenoble" / f"grenoble_cop{s}.tif" for s in ("", "_bs"))
UNKNOWN = DATA / "dem_unknown_crs_mit" / "whitebox_dem.tif"

LAMBERT = 2154  # the points' system: neither raster's
TODAY = date(2026, 11, 25)

gironde = pytest.mark.skipif(not (REF.exists() and SEC.exists() and SEC_CM.exists()), reason="open pair not here")
grenoble = pytest.mark.skipif(not (GRENOBLE.exists() and GRENOBLE_COARSE.exists()), reason="open model not here")
unknown = pytest.mark.skipif(not UNKNOWN.exists(), reason="model of unknown system not here")


def spread(folder, left, bottom, right, top, source, to=LAMBERT, count=3000):
    """Points at random over a box of system `source`, written in system `to`; their coordinates there."""
    random = np.random.default_rng(20261125)
    x, y = random.uniform(left, right, count), random.uniform(bottom, top, count)
    x, y = Transformer.from_crs(source, to, always_xy=True).transform(x, y)
    features = [
        {"type": "Feature", "properties": {"tag": f"P{i}"}, "geometry": {"type": "Point", "coordinates": [a, b]}}
        for i, (a, b) in enumerate(zip(x.tolist(), y.tolist(), strict=True))
    ]
    crs = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{to}"}}
    path = folder / "points.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": features}), encoding="utf-8")
    return SimpleNamespace(path=path, x=x, y=y, crs=to)


def scipy_heights(path, points, metres=1.0, code=None):
    """SciPy's linear interpolation between the cell centres of band 1, NaN outside and beside a missing cell."""
    with rasterio.open(path) as data:
        array, transform, code = data.read(1).astype(float), data.transform, code or data.crs.to_epsg()
        array[array == data.nodata] = np.nan
    x, y = Transformer.from_crs(points.crs, code, always_xy=True).transform(points.x, points.y)
    column, row = (x - transform.c) / transform.a - 0.5, (y - transform.f) / transform.e - 0.5
    return metres * ndimage.map_coordinates(array, [row, column], order=1, mode="constant", cval=np.nan)


def stated(**keys):
    return {name: value for name, value in keys.items() if value is not None}


def plan_of(points, before, after, before_unit="m", after_unit="m", before_crs=None, **more):
    before = [str(p.resolve()) for p in (before if isinstance(before, list) else [before])]
    return Plan.parse(
        {
            "hydrants": {"path": str(points.path), "id": "tag"},
            "before": stated(raster=before, unit=before_unit, crs=before_crs),
            "after": stated(raster=str(after.resolve()), unit=after_unit) | {"beyond": "missing"} | more,
            "output": {"unit": "m", "dir": str(points.path.parent / "out")},
        }
    )


def sampled(*arguments, **more):
    return pipeline.compute(plan_of(*arguments, **more), today=TODAY).hydrants


def assert_same(found, expected, within=1e-6):
    """NaN in the same places, the same numbers elsewhere."""
    found = found.to_numpy(dtype=float)
    assert np.isnan(found).tolist() == np.isnan(expected).tolist()
    assert found == pytest.approx(expected, abs=within, nan_ok=True)


def assert_changes(table, zb, za, within=1e-6):
    """After and change everywhere, before wherever the design has ground (nobody asks elsewhere)."""
    assert table.hydrant_id.tolist() == [f"P{i}" for i in range(len(table))]
    assert_same(table.grade_after_m, za, within)
    assert_same(table.grade_before_m, np.where(np.isnan(za), np.nan, zb), within)
    assert_same(table.grade_change_m, za - zb, within)
    assert (table.action == "no_elevation").tolist() == np.isnan(za - zb).tolist()


@pytest.fixture(scope="module")
def estuary(tmp_path_factory):
    """Points over the estuary and past the edges of both surveys of it."""
    return spread(tmp_path_factory.mktemp("estuary"), 598_000, 5_000_000, 652_000, 5_102_000, 32630)


@gironde
def test_changes_between_two_systems_and_cell_sizes_are_scipys(estuary):
    zb, za = scipy_heights(REF, estuary), scipy_heights(SEC, estuary)
    assert np.isfinite(za - zb).sum() > 200
    assert np.isnan(za).sum() > 200
    assert_changes(sampled(estuary, REF, SEC), zb, za)


@gironde
def test_changes_the_other_way_around_are_scipys_with_the_sign_turned(estuary):
    zb, za = scipy_heights(SEC, estuary), scipy_heights(REF, estuary)
    table = sampled(estuary, SEC, REF)
    assert_changes(table, zb, za)
    there = sampled(estuary, REF, SEC)
    both = np.isfinite(za - zb)
    assert table.grade_change_m[both].to_numpy() == pytest.approx(-there.grade_change_m[both].to_numpy(), abs=1e-9)


@gironde
def test_nan_cells_that_no_file_declares_are_missing_ground_and_not_a_height(estuary):
    # SOURCES.md of the data: 36,125 NaN cells and no nodata declared.
    with rasterio.open(SEC) as data:
        assert data.nodata is None
        assert np.isnan(data.read(1)).sum() == 36_125
    table = sampled(estuary, REF, SEC)
    lost = np.isnan(scipy_heights(SEC, estuary))
    assert table.grade_after_m[lost].isna().all()
    assert not table.after_source[lost].str.contains("gironde_sec.tif", regex=False).any()


@gironde
def test_a_copy_in_centimetres_said_to_be_so_gives_the_same_heights(estuary):
    metres, centimetres = sampled(estuary, REF, SEC), sampled(estuary, REF, SEC_CM, "m", "cm")
    # float32 holds 1,000 to 10,000 cm to 0.0005 cm.
    assert_same(centimetres.grade_after_m, metres.grade_after_m.to_numpy(dtype=float), 1e-5)
    assert_same(centimetres.grade_change_m, metres.grade_change_m.to_numpy(dtype=float), 1e-5)
    assert_changes(centimetres, scipy_heights(REF, estuary), scipy_heights(SEC_CM, estuary, 0.01))


@gironde
@pytest.mark.parametrize(("before", "after"), [(SEC, SEC_CM), (SEC_CM, SEC)], ids=["after", "before"])
def test_a_copy_in_centimetres_said_to_be_metres_is_stopped_on_either_side(estuary, before, after):
    plan = plan_of(estuary, before, after, "m", "m")
    with pytest.raises(InputError, match="unit"):
        pipeline.compute(plan, today=TODAY)
    assert any("unit" in str(stop) for stop in pipeline.inspect(plan).stops)


@gironde
def test_heights_out_of_range_are_not_taken_for_the_end_of_the_design(tmp_path):
    # Most centimetres taken for metres are no elevation on Earth: unheard, yet no ground that stays as it is.
    few = spread(tmp_path, 598_000, 5_040_000, 640_000, 5_080_000, 32630, count=150)
    with pytest.raises(InputError, match="unit"):
        pipeline.compute(plan_of(few, SEC, SEC_CM, "m", "m", beyond="unchanged"), today=TODAY)


@gironde
def test_metres_said_to_be_feet_are_stopped(estuary):
    with pytest.raises(InputError, match="unit") as caught:
        sampled(estuary, REF, SEC, "m", "ft")
    assert "ft" in str(caught.value)


@gironde
def test_a_raster_that_does_not_say_its_unit_is_not_taken_for_metres(estuary):
    plan = plan_of(estuary, REF, SEC_CM, "m", None)
    with pytest.raises(InputError, match="unit"):
        pipeline.compute(plan, today=TODAY)


@gironde
def test_an_earlier_survey_wins_and_a_later_one_of_another_system_fills_its_holes(estuary, tmp_path):
    first, second = scipy_heights(SEC, estuary), scipy_heights(REF, estuary)
    with rasterio.open(REF) as data:  # a design that lies everywhere: the old ground's holes are all asked for
        flat, profile = np.zeros(data.shape, dtype=np.float32), data.profile
    with rasterio.open(tmp_path / "flat.tif", "w", **profile) as out:
        out.write(flat, 1)
    table = sampled(estuary, [SEC, REF], tmp_path / "flat.tif")
    has = np.isfinite(second)  # the flat design is on the grid of the second
    assert_same(table.grade_before_m, np.where(has, np.where(np.isnan(first), second, first), np.nan))
    sources = table.before_source[has].str.extract(r"(gironde_\w+)\.tif")[0]
    assert sources.tolist() == np.where(np.isnan(first[has]), "gironde_ref", "gironde_sec").tolist()
    assert set(sources) == {"gironde_ref", "gironde_sec"}


@pytest.fixture(scope="module")
def mountains(tmp_path_factory):
    """Points over the mountains, those near the edges past the coarser model's end."""
    return spread(tmp_path_factory.mktemp("mountains"), 4.995, 44.995, 6.004, 46.003, 4326)


@grenoble
def test_changes_of_a_mountain_model_and_its_coarser_copy_are_scipys_both_ways(mountains):
    fine, coarse = scipy_heights(GRENOBLE, mountains), scipy_heights(GRENOBLE_COARSE, mountains)
    assert (np.isfinite(fine) & np.isnan(coarse)).sum() > 0
    assert np.isfinite(fine - coarse).sum() > 2800
    assert_changes(sampled(mountains, GRENOBLE, GRENOBLE_COARSE), fine, coarse)
    assert_changes(sampled(mountains, GRENOBLE_COARSE, GRENOBLE), coarse, fine)


@grenoble
@gironde
def test_models_of_another_region_give_no_ground_and_say_so(estuary):
    result = pipeline.compute(plan_of(estuary, GRENOBLE, GRENOBLE_COARSE), today=TODAY)
    assert set(result.hydrants.action) == {"no_elevation"}
    assert result.hydrants.grade_change_m.isna().all()
    assert any("cover" in warning for warning in result.summary["warnings"])


@pytest.fixture(scope="module")
def hills(tmp_path_factory):
    """Points over the model whose system is unknown, by its own numbers."""
    return spread(tmp_path_factory.mktemp("hills"), 664_000, 4_878_800, 686_200, 4_896_000, 32617, to=32617)


@unknown
@pytest.mark.parametrize("side", ["before", "after"])
def test_a_model_of_an_unknown_system_is_refused_by_name_on_either_side(hills, tmp_path, side):
    known = tmp_path / "known.tif"
    with rasterio.open(UNKNOWN) as data:
        array, profile = data.read(1), data.profile
    with rasterio.open(known, "w", **profile | {"crs": "EPSG:32617"}) as out:
        out.write(array, 1)
    plan = plan_of(hills, UNKNOWN, known) if side == "before" else plan_of(hills, known, UNKNOWN)
    with pytest.raises(InputError, match=r"whitebox_dem\.tif.*reference system"):
        pipeline.compute(plan, today=TODAY)
    stops = [str(stop) for stop in pipeline.inspect(plan).stops]
    assert len(stops) == 1
    assert "whitebox_dem.tif" in stops[0]


@unknown
def test_a_model_of_an_unknown_system_is_read_once_the_plan_states_it(hills):
    expected = scipy_heights(UNKNOWN, hills, code=32617)
    assert np.isfinite(expected).sum() > 2000
    table = sampled(hills, UNKNOWN, UNKNOWN, before_crs="EPSG:32617", crs="EPSG:32617")
    assert_changes(table, expected, expected)
