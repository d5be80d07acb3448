"""Vertical datums: published values, PROJ's own cs2cs where its grids are at hand, and everything that is refused.

Where the grids of `../shared/data/vertical_grids` are absent, what needs them skips. Each case of PROJ that looks safe
and is not (a ballpark that passes for a transformation) is one test.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from pyproj import CRS

from gradecheck import Given, InputError, Plan, compute, confirm, vertical
from gradecheck.vertical import lift, metric_twin
from tests.drawings import half, write_landxml
from tests.projects import CRS as PLANE
from tests.projects import hydrants, plan_values, write_ground, write_grounds

FT, US_FT = 0.3048, 1200 / 3937
GRIDS = Path(__file__).resolve().parents[2] / "shared" / "data" / "vertical_grids"
LONGLAT = CRS("EPSG:4326")
OLD = 100 * FT


@pytest.fixture
def grids() -> Iterator[Path]:
    """The folder of grids, known to PROJ for one test."""
    if not GRIDS.is_dir():
        pytest.skip("no vertical grids in ../shared/data")
    before = pyproj.datadir.get_data_dir()
    vertical.use_grids([GRIDS])
    yield GRIDS
    pyproj.datadir.set_data_dir(before)
    vertical._transformer.cache_clear()


def at(source: str, target: str, lon: float, lat: float, z: float, base: str = "EPSG:4269") -> float:
    """A height brought over, by the way that runs take."""
    x, y = np.array([lon]), np.array([lat])
    found = lift(CRS(source), CRS(target), CRS(base), LONGLAT, x, y, "here")
    assert found is not None
    return float(found.heights(x, y, np.array([z]))[0])


def refused(source: str, target: str, lon: float, lat: float, base: str = "EPSG:4269") -> str:
    with pytest.raises(InputError) as told:
        at(source, target, lon, lat, 100.0, base)
    return str(told.value.findings[0])


# --- published values ---------------------------------------------------------------------------------------------

# NAVD88 less NGVD29, National Geodetic Survey's VERTCON pages.
PUBLISHED = [(-(98 + 40 / 60 + 10 / 3600), 0.202), (-(78 + 40 / 60 + 10 / 3600), -0.267)]


@pytest.mark.parametrize(("lon", "wanted"), PUBLISHED)
@pytest.mark.parametrize(("source", "target"), [("EPSG:7968", "EPSG:5703"), ("EPSG:5702", "EPSG:6360")])
def test_ngvd29_to_navd88_is_as_published_whatever_unit_the_systems_count_in(
    grids: Path, lon: float, wanted: float, source: str, target: str
) -> None:
    # Heights are metres inside, also of systems in feet: PROJ has no grid between the latter and would guess.
    assert at(source, target, lon, 36 + 10 / 60 + 35 / 3600, 100.0) - 100 == pytest.approx(wanted, abs=0.001)


def test_the_way_back_is_the_way_there_reversed(grids: Path) -> None:
    x, y, z = np.array([-98.5, -93.2]), np.array([36.1, 41.7]), np.array([312.4, 290.0])
    found = lift(CRS("EPSG:5702"), CRS("EPSG:5703"), CRS("EPSG:4269"), LONGLAT, x, y, "here")
    assert found is not None
    there = found.heights(x, y, z)
    assert np.abs(there - z).min() > 0.01
    assert found.back(x, y, there) == pytest.approx(z, abs=1e-9)


def test_the_epsg_example_of_bilinear_offsets_through_a_grid_made_for_it(tmp_path: Path) -> None:
    # EPSG guidance note 7-2, method 9658: 29.4667897 N 98.4803739 W, corners NW .144 NE .132 SE .121 SW .125: +0.129 m.
    # The corners stand in a grid of PROJ's own form under the name of the one that PROJ looks for there; in a process
    # of its own, so that nobody else meets it.
    step = 0.05
    profile = {"driver": "GTiff", "width": 4, "height": 4, "count": 1, "dtype": "float32", "crs": "EPSG:4269"}
    grid = Affine(step, 0, -98.50 - 1.5 * step, 0, -step, 29.50 + 1.5 * step)
    values = np.full((4, 4), 9.0, dtype="float32")
    values[1:3, 1:3] = [[0.144, 0.132], [0.125, 0.121]]
    with rasterio.open(tmp_path / "us_noaa_vertconc.tif", "w", transform=grid, **profile) as out:
        out.write(values, 1)
        out.update_tags(AREA_OR_POINT="Point", TYPE="VERTICAL_OFFSET_VERTICAL_TO_VERTICAL")
        out.set_band_description(1, "vertical_offset")
    code = f"""
import numpy as np
from pathlib import Path
from pyproj import CRS
from gradecheck import vertical
vertical.use_grids([Path({str(tmp_path)!r})])
x, y = np.array([-98.4803739]), np.array([29.4667897])
found = vertical.lift(CRS("EPSG:5702"), CRS("EPSG:5703"), CRS("EPSG:4269"), CRS("EPSG:4269"), x, y, "here")
print(found.heights(x, y, np.array([100.0]))[0], found.operation(x, y).accuracy)
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    height, accuracy = map(float, ran.stdout.split())
    assert height - 100 == pytest.approx(0.1288, abs=5e-5)
    assert accuracy == 0.02


def test_ellipsoidal_heights_come_down_to_the_geoid_as_proj_itself_brings_them(grids: Path) -> None:
    whole = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:9707", always_xy=True)  # WGS 84 + EGM96, as one system
    lon, lat, h = -71.1, 42.37, 12.5
    assert at("EPSG:4979", "EPSG:5773", lon, lat, h, "EPSG:4326") == pytest.approx(
        whole.transform(lon, lat, h)[2], abs=1e-6
    )


# --- what looks safe and is not -----------------------------------------------------------------------------------


def test_a_grid_that_is_not_there_is_named_with_where_it_is_had() -> None:
    text = refused("EPSG:6319", "EPSG:5703", -93.0, 45.0)  # NAD83(2011) ellipsoidal heights to NAVD88
    assert "a grid is not at hand" in text
    assert "us_noaa_g2018u0.tif" in text
    assert "`grids` under [project]" in text


def test_outside_the_grid_there_is_no_height_and_no_silent_no_op(grids: Path) -> None:
    # Hawaii: PROJ says that its best operation is at hand, and hands heights back unchanged.
    best = pyproj.transformer.TransformerGroup("EPSG:7968", "EPSG:5703")
    assert best.best_available
    assert "no grid at hand reaches latitude 21.3000, longitude -157.8000" in refused(
        "EPSG:7968", "EPSG:5703", -157.8, 21.3
    )


def test_where_proj_knows_only_a_guess_it_is_not_taken() -> None:
    guess = pyproj.Transformer.from_crs("EPSG:4326+5703", "EPSG:4326+5701")  # NAVD88 taken for Ordnance Datum Newlyn
    assert guess.transform(41.0, -93.0, 100.0)[2] == pytest.approx(100.0)
    assert "PROJ knows no transformation but a guess (ballpark)" in refused("EPSG:5703", "EPSG:5701", -93.0, 41.0)


def test_a_harmless_change_of_the_horizontal_frame_stands_in_nobodys_way(grids: Path) -> None:
    # With ballparks forbidden PROJ also refuses NAD83 to NAD83(2011), which moves no height.
    with pytest.raises(pyproj.exceptions.ProjError):
        pyproj.Transformer.from_crs("EPSG:6318+5702", "EPSG:4269+5703", allow_ballpark=False).transform(
            36.2, -98.7, 100.0, errcheck=True
        )
    assert at("EPSG:5702", "EPSG:5703", -98.7, 36.2, 100.0, "EPSG:6318") == pytest.approx(
        at("EPSG:5702", "EPSG:5703", -98.7, 36.2, 100.0, "EPSG:4269"), abs=1e-4
    )


@pytest.mark.parametrize("code", ["EPSG:5703", "EPSG:6360", "EPSG:8228"])
def test_one_datum_in_three_units_needs_no_transformation(code: str) -> None:
    x = np.array([-93.0])
    assert lift(CRS(code), CRS("EPSG:5703"), LONGLAT, LONGLAT, x, np.array([45.0]), "here") is None
    assert metric_twin(CRS(code)).to_epsg() == 5703


# --- through a run ------------------------------------------------------------------------------------------------


def on_two_datums(folder: Path, **sections: Any) -> Plan:
    """The ground today in feet on NGVD29, the design on NAVD88; at this place NAVD88 is some 2 in lower or higher."""
    before = {"vertical": "EPSG:5702", "unit": None} | sections.pop("before", {})
    after = {"vertical": "EPSG:8228", "unit": None}
    project = {"grids": str(GRIDS)} | sections.pop("project", {})
    return written(folder, before=before, after=after, project=project, **sections)


def written(folder: Path, **sections: Any) -> Plan:
    layer = hydrants({"asset_id": ["H-1"], "flange_in": [4.0], "z": [100.9]}, [(11, 23)])
    layer.to_file(folder / "hydrants.gpkg", layer="hydrants")
    write_grounds(folder)
    return Plan.parse(plan_values(**sections), folder)


def difference() -> float:
    """NAVD88 less NGVD29 at the square, metres, by PROJ between systems in metres with positions."""
    lon, lat = pyproj.Transformer.from_crs(PLANE, 4269, always_xy=True).transform(500_011, 4_600_023)
    way = pyproj.Transformer.from_crs("EPSG:4269+7968", "EPSG:4269+5703", always_xy=True)
    return float(way.transform(lon, lat, 30.0)[2] - 30.0)


def test_a_run_brings_the_old_ground_to_the_designs_datum_and_says_how(grids: Path, tmp_path: Path) -> None:
    result = compute(on_two_datums(tmp_path))
    step = difference()
    assert abs(step) > 0.01
    before = 100 * US_FT + step
    assert result.hydrants["grade_before_ft"][0] == pytest.approx(before / FT, abs=1e-4)
    assert result.hydrants["grade_change_in"][0] == pytest.approx((100.5 * FT - before) / 0.0254, abs=0.002)
    (said,) = [w for w in result.summary["warnings"] if "brought from" in w]
    assert said == (
        "before.tif: heights brought from EPSG:5702 (NGVD29 height (ftUS)) to EPSG:8228 (NAVD88 height (ft)) by "
        "'NGVD29 height (m) to NAVD88 height (2)', accuracy 0.02 m"
    )


def test_the_accuracy_of_the_transformation_is_an_error_that_all_hydrants_share(grids: Path, tmp_path: Path) -> None:
    result = compute(on_two_datums(tmp_path, before={"sd": "0 ft"}, hydrants={"position_sd": "0 m"}))
    own = 0.01 * FT
    assert result.hydrants["grade_change_sd_in"][0] == pytest.approx(np.hypot(own, 0.02) / 0.0254, abs=1e-6)
    assert result.assessment.clearance.shared[0].tolist() == [pytest.approx(0.02), pytest.approx(0.0)]


def test_surveyed_flanges_on_another_datum_are_brought_over_too(grids: Path, tmp_path: Path) -> None:
    flange = {"column": "z", "unit": "ftUS", "sd": "0.02 ft", "vertical": "EPSG:5702"}
    result = compute(on_two_datums(tmp_path, hydrants={"flange_elevation": flange}))
    wanted = 100.9 * US_FT + difference() - 100.5 * FT
    assert result.hydrants["clearance_after_in"][0] == pytest.approx(wanted / 0.0254, abs=0.002)
    assert any("surveyed flanges: heights brought from EPSG:5702" in w for w in result.summary["warnings"])


def test_without_the_grid_a_run_stops_and_so_does_inspect(tmp_path: Path) -> None:
    plan = written(
        tmp_path, before={"vertical": "EPSG:5702", "unit": None}, after={"vertical": "EPSG:8228", "unit": None}
    )
    with pytest.raises(InputError) as told:
        compute(plan)
    (finding,) = told.value.findings
    assert finding.where == "before.tif"
    assert "us_noaa_vertconc.tif" in finding.mend


def test_a_depth_is_refused_by_name(tmp_path: Path) -> None:
    plan = written(tmp_path, before={"vertical": "EPSG:6358", "unit": None})
    with pytest.raises(InputError, match="NAVD88 depth"):
        compute(plan)


def test_a_folder_of_grids_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        compute(written(tmp_path, project={"grids": "nowhere"}))


@pytest.mark.parametrize("version", ["1.0", "1.1"])
def test_the_vertical_system_of_a_geotiff_counts_whatever_version_it_is_of(
    grids: Path, tmp_path: Path, version: str
) -> None:
    # GDAL keeps that of version 1.0 to itself unless it is asked: files of before 2019 are of it.
    plan = written(tmp_path, project={"grids": str(GRIDS)}, before={"unit": None}, after={"unit": None})
    for name, code in (("before", 5702), ("after", 8228)):
        with rasterio.open(tmp_path / f"{name}.tif") as old:
            values, profile = old.read(1), {**old.profile, "crs": CRS(f"EPSG:32615+{code}").to_wkt()}
        with rasterio.open(tmp_path / f"{name}.tif", "w", GEOTIFF_VERSION=version, **profile) as out:
            out.write(values, 1)
    result = compute(plan)
    before = 100 * US_FT + difference()
    assert result.hydrants["grade_before_ft"][0] == pytest.approx(before / FT, abs=1e-4)


def test_tiles_of_one_lattice_on_one_datum_are_told_together(grids: Path, tmp_path: Path) -> None:
    plan = on_two_datums(tmp_path, before={"raster": ["before.tif", "again.tif"]})
    (tmp_path / "again.tif").write_bytes((tmp_path / "before.tif").read_bytes())
    with rasterio.open(tmp_path / "again.tif", "r+") as out:
        out.transform = out.transform @ Affine.translation(0.5, 0.5)  # another lattice
    texts = [w for w in compute(plan).summary["warnings"] if "brought from" in w]
    assert len(texts) == 1
    assert texts[0].startswith("before.tif and 1 more: heights brought")


def test_flanges_of_forms_are_in_the_system_that_the_plan_states_for_flanges(grids: Path, tmp_path: Path) -> None:
    flange = {"column": "z", "unit": "ftUS", "sd": "0.02 ft", "vertical": "EPSG:5702"}
    (tmp_path / "form.csv").write_text(
        "hydrant_id,date,flange_elevation\n,,ftUS\nH-1,2027-01-05,100.9\n", encoding="utf-8"
    )
    plan = on_two_datums(tmp_path, hydrants={"flange_elevation": flange}, measurements={"path": "form.csv"})
    wanted = 100.9 * US_FT + difference() - 100.5 * FT
    assert compute(plan).hydrants["clearance_after_in"][0] == pytest.approx(wanted / 0.0254, abs=0.002)


@pytest.mark.parametrize("drawn", ["points", "raster"])
def test_ground_as_built_on_another_datum_is_brought_over(grids: Path, tmp_path: Path, drawn: str) -> None:
    plan = on_two_datums(tmp_path)
    real = 100.5 * FT - difference()  # what NGVD29 calls the design's height
    if drawn == "points":
        places = gpd.GeoSeries([shapely.Point(500_011, 4_600_023)], crs="EPSG:32615+7968")
        frame = gpd.GeoDataFrame({"hydrant_id": ["H-1"], "elevation": [real]}, geometry=places, crs=places.crs)
        frame.to_file(tmp_path / "built.gpkg")
        path = tmp_path / "built.gpkg"
    else:
        path = write_ground(tmp_path / "built.tif", real, crs=CRS("EPSG:32615+7968").to_wkt())
    result, _ = confirm(plan, Given(path.as_posix(), "m" if drawn == "points" else None), today=date(2027, 6, 1))
    assert result.asbuilt.ground[0] == pytest.approx(100.5 * FT, abs=0.003)
    assert result.asbuilt.ground_sd[0] == pytest.approx(np.hypot(0.05 * FT, 0.02), rel=1e-3)
    assert any("brought from EPSG:7968" in text for text in result.notes)


NAMED = [
    ('verticalDatum="NGVD29"', 7968), ('verticalDatum="NAVD88"', None), ('verticalDatum="7968"', 7968),
    ('verticalCoordinateSystemName="NGVD29 - local (Meters)"', 7968),
]  # fmt: skip


@pytest.mark.parametrize(("said", "code"), NAMED)
def test_a_datum_that_landxml_calls_by_name_is_that_datum(grids: Path, tmp_path: Path, said: str, code: int) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD + 0.5 * FT))
    text = (tmp_path / "d.xml").read_text(encoding="utf-8")
    (tmp_path / "d.xml").write_text(text.replace('epsgCode="32615"', f'epsgCode="32615" {said}'), encoding="utf-8")
    before = {"vertical": "EPSG:5703", "unit": None, "raster": "metres.tif"}
    write_ground(tmp_path / "metres.tif", OLD)
    after = {"landxml": "d.xml", "raster": None, "unit": None}
    plan = written(tmp_path, project={"grids": str(GRIDS)}, before=before, after=after)
    lower = difference() if code else 0.0  # NAVD88 less NGVD29: the old ground goes to the design's datum
    change = compute(plan).hydrants["grade_change_in"][0]
    assert change == pytest.approx((0.5 * FT + lower) / 0.0254, abs=0.01)


def test_a_datum_of_landxml_that_nobody_knows_beside_one_that_is_known_stops(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD))
    text = (tmp_path / "d.xml").read_text(encoding="utf-8")
    (tmp_path / "d.xml").write_text(
        text.replace('epsgCode="32615"', 'epsgCode="32615" verticalDatum="Mill Creek 1931"'), encoding="utf-8"
    )
    write_ground(tmp_path / "metres.tif", OLD)
    before = {"vertical": "EPSG:5703", "unit": None, "raster": "metres.tif"}
    plan = written(tmp_path, before=before, after={"landxml": "d.xml", "raster": None, "unit": None})
    with pytest.raises(InputError, match="'Mill Creek 1931', which is not understood"):
        compute(plan)


def test_several_datums_in_one_landxml_stop(tmp_path: Path) -> None:
    write_landxml(tmp_path / "d.xml", half(OLD))
    text = (tmp_path / "d.xml").read_text(encoding="utf-8")
    said = 'epsgCode="32615" verticalDatum="NAVD88" verticalCoordinateSystemName="EPSG:7968"'
    (tmp_path / "d.xml").write_text(text.replace('epsgCode="32615"', said), encoding="utf-8")
    plan = written(tmp_path, after={"landxml": "d.xml", "raster": None, "unit": None})
    with pytest.raises(InputError, match="names several vertical datums"):
        compute(plan)


def test_ellipsoidal_heights_are_brought_down_by_the_best_operation_that_there_is(grids: Path) -> None:
    # By way of NAD83(1986) and WGS 84 PROJ states 2 m; from NAD83(2011) itself, by its geoid model, 0.015 m.
    x, y = np.array([-66.5]), np.array([18.2])
    found = lift(CRS("EPSG:6319"), CRS("EPSG:6641"), CRS("EPSG:26920"), LONGLAT, x, y, "here")
    assert found is not None
    assert found.operation(x, y).accuracy == pytest.approx(0.015)
    direct = pyproj.Transformer.from_crs("EPSG:6319", "EPSG:6318+6641", always_xy=True)
    assert found.heights(x, y, np.array([50.0]))[0] == pytest.approx(direct.transform(-66.5, 18.2, 50.0)[2], abs=1e-3)


def test_heights_of_a_frame_that_moves_with_time_are_refused_without_their_epoch() -> None:
    assert "depend on their epoch, which is not known" in refused("EPSG:7912", "EPSG:6319", -71.06, 42.36)
