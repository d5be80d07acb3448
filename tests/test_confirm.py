"""`gradecheck confirm` from end to end: surveys of every kind, what crews wrote, the files as others read them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
from pypdf import PdfReader
from scipy.interpolate import LinearNDInterpolator, RegularGridInterpolator
from scipy.spatial import Delaunay

from gradecheck import Given, InputError, OutputError, Plan, confirm, run
from gradecheck.confirmation import State
from gradecheck.placing import LOCK
from tests import drawings
from tests.conftest import Outcome, Sample
from tests.projects import (
    CELL,
    CRS,
    EAST,
    MARGIN,
    NORTH,
    SIDE,
    hydrants,
    plan_values,
    tiny_plan,
    toml_text,
    write_ground,
)
from tests.test_fieldwork import form, row

TODAY = date(2027, 6, 1)
PLACES = [(11, 23), (37, 5), (71, 62)]


def survey(folder: Path, *heights: Any, head: str = "hydrant_id,elevation,what", unit: str | None = "ft") -> str:
    """A table of points; heights are cells of rows."""
    lines = [head, *([",".join(unit if c.endswith("elevation") else "" for c in head.split(","))] if unit else [])]
    lines += [",".join(map(str, cells)) for cells in heights]
    (folder / "survey.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(folder / "survey.csv")


def as_designed(folder: Path) -> str:
    return survey(folder, *((f"H-{n}", 100.5, "ground") for n in (1, 2, 3)))


def confirmed(plan: Plan, asbuilt: str, *field: str, out: str | None = None, jobs: tuple[str, ...] = (), **more: Any):
    """The layer `confirmed` by id, and the summary."""
    _, summary = confirm(plan, Given(asbuilt, **more), field=field, out=out, jobs=jobs, today=TODAY)
    folder = Path(out) if out else plan.resolve(plan.output.dir) / "confirm"
    frame = pyogrio.read_dataframe(folder / "confirm.gpkg", layer="confirmed")
    assert len(frame) == summary["counts"]["hydrants"]
    return frame.set_index("hydrant_id", drop=False), summary


# -- what stands ------------------------------------------------------------------------------------------------


def test_planned_done_and_built_are_laid_side_by_side(tmp_path: Path) -> None:
    # The ground rises by 6 in. H-1, 4 in above it, gets 6 in; H-2, 4.5 in, too; H-3, 10.25 in, is left: ends at 4.25.
    plan = tiny_plan(tmp_path)
    form(tmp_path, row("H-1", "2027-05-03", length_fitted=6, length_taken_out=0))
    frame, summary = confirmed(plan, as_designed(tmp_path), str(tmp_path / "m.csv"))
    assert frame.state.to_dict() == {"H-1": "stands", "H-2": "to_do", "H-3": "stands"}
    assert frame.clearance_final_in.round(3).to_dict() == {"H-1": 4, "H-2": 4.5, "H-3": 4.25}
    assert set(frame.clearance_rests_on) == {"planned"}
    # sd: clearance 0.1 in, old ground 0.01 ft = 0.12 in, ground as built 0.05 ft = 0.6 in
    assert frame.clearance_final_sd_in["H-1"] == pytest.approx((0.1**2 + 0.12**2 + 0.6**2) ** 0.5, abs=1e-3)
    assert (frame.work_planned["H-2"], frame.work_done["H-1"]) == ("add 6 in", "put in 6 in")
    assert frame.why["H-2"] == "planned, and nothing says that it was done"
    assert frame.ground_off_in.round(6).abs().max() == 0
    assert summary["states"] == {"to_do": 1, "stands": 2}
    assert summary["to_do"][0]["hydrant_id"] == "H-2"
    assert "--asbuilt-sd = 0.05 ft" in " ".join(summary["assumed"])


def test_ground_built_too_high_leaves_a_hydrant_too_low_and_is_off_the_design(tmp_path: Path) -> None:
    form(tmp_path, row("H-1", "2027-05-03", length_fitted=6))
    asbuilt = survey(tmp_path, ("H-1", 100.8, ""), ("H-2", 100.5, ""), ("H-3", 100.5, ""))
    frame, summary = confirmed(tiny_plan(tmp_path), asbuilt, str(tmp_path / "m.csv"))
    h = frame.loc["H-1"]  # 0.3 ft = 3.6 in: 4 - 3.6
    assert (h.state, h.window, bool(h.off_design)) == ("too_low", "outside", True)
    assert h.clearance_final_in == pytest.approx(0.4, abs=1e-3)
    assert h.window_miss_in == pytest.approx(-1.6, abs=1e-3)
    assert h.ground_off_in == pytest.approx(3.6, abs=1e-3)
    assert summary["counts"]["off_design"] == 1
    assert summary["outside"] == [{"hydrant_id": "H-1", "state": "too_low", "miss": "1.6 in"}]


def test_a_flange_surveyed_as_built_goes_before_the_plan(tmp_path: Path) -> None:
    asbuilt = survey(
        tmp_path, ("H-1", 100.5, 101.0), ("H-2", 100.5, ""), head="hydrant_id,ground_elevation,flange_elevation"
    )
    frame, _ = confirmed(tiny_plan(tmp_path), asbuilt)
    assert (frame.clearance_final_in["H-1"], frame.clearance_rests_on["H-1"]) == (
        pytest.approx(6, abs=1e-3),
        "surveyed",
    )
    assert frame.state["H-1"] == "stands"  # whatever nobody said of the work
    assert frame.state["H-3"] == "unknown"
    assert "no point of its ground" in frame.why["H-3"]


def test_work_otherwise_than_planned_is_named_with_both_lengths(tmp_path: Path) -> None:
    form(tmp_path, row("H-1", "2027-05-03", length_fitted=12, length_taken_out=0))
    frame, summary = confirmed(tiny_plan(tmp_path), as_designed(tmp_path), str(tmp_path / "m.csv"))
    assert frame.work_differs["H-1"] == "put in 12 in, planned 6 in"
    assert frame.state["H-1"] == "too_high"  # -2 + 12 = 10
    assert summary["differs"] == [{"hydrant_id": "H-1", "what": "put in 12 in, planned 6 in"}]


def test_dangers_come_first_and_those_of_unknown_ids_are_told(tmp_path: Path) -> None:
    form(
        tmp_path, row("H-3", "2027-05-04", leak_ok="no", back_at="2027-05-04 09:00"),
        row("H-2", "2027-05-04", out_at="2027-05-04 08:00"), row("GONE", "2027-05-04", out_at="2027-05-04 10:00"),
    )  # fmt: skip
    frame, summary = confirmed(tiny_plan(tmp_path), as_designed(tmp_path), str(tmp_path / "m.csv"))
    assert list(frame.index) == ["H-2", "H-3", "H-1"]
    assert [d["hydrant_id"] for d in summary["dangers"]] == ["H-2", "H-3", "GONE"]
    assert frame.danger["H-2"] == "out of service since 2027-05-04 08:00 and not back"
    assert frame.state["H-2"] == "to_do"  # gone out is not done
    assert "no hydrant has this id" in summary["dangers"][2]["what"]


def test_a_measurement_counts_as_final_only_with_a_day_since_the_job_began(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, project={"name": "P", "starts": date(2027, 5, 3)})
    form(
        tmp_path,
        row("H-1", "2027-05-02", clearance=5),
        row("H-2", "2027-05-03", clearance=-1.25),
        row("H-3", clearance=5),
    )
    frame, summary = confirmed(plan, as_designed(tmp_path), str(tmp_path / "m.csv"))
    assert frame.clearance_rests_on.to_dict() == {"H-1": "planned", "H-2": "measured", "H-3": "planned"}
    assert "2 measurements count as made before the work, having no date since" in " ".join(summary["warnings"])


def test_rows_of_the_plans_own_forms_since_the_start_are_asked_about(tmp_path: Path) -> None:
    form(tmp_path, row("H-1", "2027-05-03", clearance=5), row("H-2", "2027-05-02", clearance=5))
    plan = tiny_plan(tmp_path, project={"starts": date(2027, 5, 3)}, measurements={"path": "m.csv"})
    frame, summary = confirmed(plan, as_designed(tmp_path))
    assert frame.clearance_rests_on["H-1"] == "planned"
    told = " ".join(summary["warnings"])
    assert (
        "1 measurement counts as made before the work, in spite of a date since the job's start: H-1 (line 3)" in told
    )


def test_another_length_found_fitted_since_the_job_began_tells_of_work(tmp_path: Path) -> None:
    ext = {"extension_fitted": {"column": "ext_in", "unit": "in"}}
    frame = hydrants({"asset_id": list("abcd"), "flange_in": [4.0] * 4, "ext_in": [0, 12, None, None]},
                     [*PLACES, (90, 12)])  # fmt: skip
    form(tmp_path, *(row(n, "2027-05-03", length_fitted=v) for n, v in zip("abcd", (6, 18, 6, 12), strict=True)))
    asbuilt = survey(tmp_path, *((n, 100.5, "") for n in "abcd"))
    plan = tiny_plan(tmp_path, frame, hydrants=ext)
    got, _ = confirmed(plan, asbuilt, str(tmp_path / "m.csv"))
    assert got.work_planned.to_dict() == {
        "a": "add 6 in", "b": "exchange 12 in for 18 in", "c": "add 6 in", "d": "add 6 in",
    }  # fmt: skip
    # Of d nobody knew what was fitted: 12 in may have been there all along.
    assert got.state.to_dict() == {"a": "stands", "b": "stands", "c": "stands", "d": "to_do"}
    assert got.work_done["b"] == "put in 18 in, took out 12 in"
    assert got.work_differs.isna().all()


def test_forms_that_the_plan_names_are_read_for_the_work_in_them(tmp_path: Path) -> None:
    form(tmp_path, row("H-1", "2027-04-01", clearance=5), row("H-1", "2027-05-03", length_fitted=6, part_number="X"))
    plan = tiny_plan(tmp_path, measurements={"path": "m.csv"})
    for field in ((), (str(tmp_path / "m.csv"),)):  # named twice it counts once
        frame, summary = confirmed(plan, as_designed(tmp_path), *field)
        assert frame.clearance_final_in["H-1"] == pytest.approx(5, abs=1e-3)  # 5 - 6 + 6
        assert frame.clearance_rests_on["H-1"] == "planned"
        assert [(k["part_number"], k["used"]) for k in summary["kits"]] == [("X", 1)]


def test_a_review_is_the_plan(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    run(plan, today=TODAY)
    package = tmp_path / "out" / "gradecheck.gpkg"
    layer = pyogrio.read_dataframe(package, layer="hydrants")
    layer.loc[layer.hydrant_id == "H-2", "review_action"] = "keep"
    layer.to_file(package, layer="hydrants")
    frame, _ = confirmed(plan, as_designed(tmp_path))
    assert (frame.action["H-2"], frame.work_planned["H-2"]) == ("keep", "keep")
    assert frame.state["H-2"] == "too_low"  # 4.5 - 6 and nothing done
    assert frame.clearance_planned_in["H-2"] == pytest.approx(-1.5, abs=1e-3)


def test_the_errors_are_those_of_the_run(tmp_path: Path) -> None:
    # Feet; inches in the files. Stable ground has a standard error, which a correction puts in place of sd_shared.
    rng = np.random.default_rng(5)
    noise = rng.normal(0, 0.05, (36, 36))
    yard = gpd.GeoDataFrame(geometry=[shapely.box(EAST, NORTH + 70, EAST + 100, NORTH + 100)], crs=CRS)
    yard.to_file(tmp_path / "yard.gpkg")
    stable = {"path": "yard.gpkg", "spacing": "3 m", "correct": True}
    tiny_plan(tmp_path)
    sections = {"before": {"sd": "0.3 ft", "sd_shared": "2 ft"}, "after": {"sd": "0.3 ft", "correlation": 0.5}}
    plan = Plan.parse(plan_values(stable=stable, hydrants={"position_sd": "0 m"}, **sections), tmp_path)
    write_ground(tmp_path / "before.tif", lambda x, y: 100 + noise)
    write_ground(tmp_path / "after.tif", lambda x, y: np.where(y < 60, 100.5, 100.0))
    ran = run(plan, today=TODAY).summary["errors"]
    error = ran["before_shared_m"] / 0.0254
    assert 0 < error < 2 * 12 / 10
    frame, _ = confirmed(plan, as_designed(tmp_path))
    # Clearance 0.1 in, old ground 0.3 ft and the standard error, ground as built 0.05 ft: of H-1 without any work.
    sd = (0.1**2 + 3.6**2 + error**2 + 0.6**2) ** 0.5
    assert frame.clearance_final_sd_in["H-1"] == pytest.approx(sd, abs=1e-3)
    # The design has its own 0.3 ft, whatever it shares with the old ground.
    assert frame.ground_off_sd_in["H-1"] == pytest.approx((3.6**2 + 0.6**2) ** 0.5, abs=1e-3)


def test_where_the_design_leaves_the_ground_the_flange_of_today_is_asked_for_anew(tmp_path: Path) -> None:
    plan = tiny_plan(
        tmp_path, after=lambda x, y: np.where(x < 30, 100.5, np.nan), before=100.0,
    )  # fmt: skip
    plan = Plan.parse(
        {**plan.as_written(), "after": {**plan.as_written()["after"], "unchanged_past": "0 ft"}}, tmp_path
    )
    asbuilt = survey(tmp_path, ("H-1", 100.5, ""), ("H-3", 100.25, ""))
    frame, _ = confirmed(plan, asbuilt)
    assert frame.clearance_final_in["H-3"] == pytest.approx(10.25 - 3, abs=1e-3)  # 0.25 ft more than today


# -- surveys ----------------------------------------------------------------------------------------------------


def slope(x: Any, y: Any) -> Any:
    return 100.5 + 0.011 * x - 0.007 * y + 0.3 * np.sin(x / 9.0) * np.cos(y / 7.0)


def test_a_raster_is_sampled_as_scipy_interpolates_its_cells(tmp_path: Path) -> None:
    write_ground(tmp_path / "built.tif", slope)
    frame, _ = confirmed(tiny_plan(tmp_path), str(tmp_path / "built.tif"))
    with rasterio.open(tmp_path / "built.tif") as data:
        z = data.read(1)[::-1]
    centre = (np.arange(round((SIDE + 2 * MARGIN) / CELL)) + 0.5) * CELL - MARGIN
    judge = RegularGridInterpolator((centre, centre), z.astype(float))
    want = judge([(y, x) for x, y in PLACES])
    assert frame.ground_asbuilt_ft.to_numpy() == pytest.approx(want, abs=2e-4)  # the plan's unit of [after] is lent


CORNERS = [(-20, -25, 30.6), (118, -20, 30.9), (-15, 122, 30.4), (121, 119, 31.1), (40, 35, 30.8), (60, 70, 30.2)]


@pytest.mark.parametrize("kind", ["xml", "dxf"])
def test_triangles_are_sampled_as_scipy_does(kind: str, tmp_path: Path) -> None:
    corners = np.array(CORNERS)
    mesh = Delaunay(corners[:, :2])
    path = tmp_path / f"built.{kind}"
    if kind == "xml":
        drawings.write_landxml(path, drawings.surface(CORNERS, [tuple(map(int, f)) for f in mesh.simplices]))
    else:
        faces = [[drawings.at(*corners[i]) for i in f] for f in mesh.simplices]
        drawings.write_dxf(path, lambda space: [space.add_3dface([*f, f[-1]]) for f in faces])
    plan = tiny_plan(tmp_path)
    more = {"unit": "m", "crs": CRS} if kind == "dxf" else {}
    frame, summary = confirmed(plan, str(path), **more)
    want = LinearNDInterpolator(mesh, corners[:, 2])(PLACES) / 0.3048  # metres
    assert frame.ground_asbuilt_ft.to_numpy() == pytest.approx(want, abs=2e-4)
    assert "vertical reference taken as that of the design" in " ".join(summary["assumed"])


def test_what_a_file_is_goes_by_how_it_begins_where_its_suffix_says_nothing(tmp_path: Path) -> None:
    write_ground(tmp_path / "built.tif", 100.5)
    (tmp_path / "built.dat").write_bytes((tmp_path / "built.tif").read_bytes())
    frame, _ = confirmed(tiny_plan(tmp_path), str(tmp_path / "built.dat"))
    assert frame.ground_asbuilt_ft.to_numpy() == pytest.approx([100.5] * 3, abs=1e-4)


def test_points_in_a_layer_serve_hydrants_within_a_metre(tmp_path: Path) -> None:
    places = [(EAST + 11.5, NORTH + 23), (EAST + 11, NORTH + 24), (EAST + 50, NORTH + 50)]
    frame = gpd.GeoDataFrame({"elevation": [30.5, 30.6, 99.0]}, geometry=[shapely.Point(p) for p in places], crs=CRS)
    frame.to_crs("EPSG:4326").to_file(tmp_path / "survey.gpkg", layer="points")
    found, summary = confirmed(tiny_plan(tmp_path), str(tmp_path / "survey.gpkg"), unit="m")
    # 0.5 and 1 m away: weights 4 and 1
    assert found.ground_asbuilt_ft["H-1"] == pytest.approx((30.5 * 4 + 30.6 * 1) / 5 / 0.3048, abs=1e-3)
    assert "2 points within 1 m" in found.asbuilt_source["H-1"]
    assert "1 ground point without an id serves nobody" in " ".join(summary["warnings"])


def test_coordinates_of_a_table_are_taken_in_the_hydrants_system_and_said_so(tmp_path: Path) -> None:
    asbuilt = survey(tmp_path, (100.5, EAST + 11, NORTH + 23), head="elevation,easting,northing")
    frame, summary = confirmed(tiny_plan(tmp_path), asbuilt)
    assert frame.ground_asbuilt_ft["H-1"] == pytest.approx(100.5)
    assert "coordinates taken in EPSG:32615" in " ".join(summary["assumed"])


def test_a_spreadsheet_of_points_is_a_table_of_them(tmp_path: Path) -> None:
    cells = {
        "x": ["", str(EAST + 11)],
        "y": ["", str(NORTH + 23)],
        "elevation": ["ft", "100.5"],
        "what": ["", "ground"],
    }
    pd.DataFrame(cells).to_excel(tmp_path / "survey.xlsx", index=False)
    frame, _ = confirmed(tiny_plan(tmp_path), str(tmp_path / "survey.xlsx"))
    assert frame.ground_asbuilt_ft["H-1"] == pytest.approx(100.5)


def test_a_point_far_from_the_hydrant_whose_id_it_has_is_asked_about(tmp_path: Path) -> None:
    asbuilt = survey(tmp_path, ("H-1", 100.5, EAST + 37, NORTH + 5), head="hydrant_id,elevation,x,y")
    _, summary = confirmed(tiny_plan(tmp_path), asbuilt)
    assert "more than 5 m from the hydrant whose id they have: H-1" in " ".join(summary["warnings"])


def problems(folder: Path) -> dict[str, tuple[Callable[[], str], dict[str, str], str]]:
    """By name: what makes the survey, what is stated of it, and what is then told."""

    def text(name: str, content: str | bytes) -> str:
        data = content if isinstance(content, bytes) else content.encode()
        (folder / name).write_bytes(data)
        return str(folder / name)

    def other_datum() -> str:
        path = write_ground(folder / "datum.tif", 100.5, crs="EPSG:32615+5702")
        return str(path)

    row_ = ("H-1", 100.5, "ground")
    return {
        "no file": (lambda: str(folder / "gone.tif"), {}, "no such file"),
        "no unit": (lambda: survey(folder, row_, unit=None), {}, "does not say the unit of elevation"),
        "another unit": (lambda: survey(folder, row_), {"unit": "m"}, "says elevation is in ft, --asbuilt-unit says m"),
        "no heights": (lambda: survey(folder, ("H-1", "", "")), {}, "no height that can be read"),
        "no column": (lambda: text("a.csv", "hydrant_id,height\nH-1,5\n"), {}, "has no column elevation"),
        "a wrong what": (lambda: survey(folder, ("H-1", 100.5, "kerb")), {}, "what is 'kerb', not ground or flange"),
        "off the Earth": (lambda: survey(folder, ("H-1", 99999, "")), {}, "is no elevation on Earth"),
        "no crs": (lambda: survey(folder, row_), {"crs": "EPSG:1"}, "is no reference system"),
        "a drawing of nothing": (lambda: text("a.dxf", "0\nSECTION\n0\nEOF\n"), {}, "a.dxf"),
        "a picture": (lambda: text("a.png", b"\x89PNG"), {}, "is neither a raster, LandXML"),
        "broken": (lambda: text("a.tif", b"II*\0nothing"), {}, "cannot be opened as a raster"),
        "metres": (
            lambda: survey(folder, *((f"H-{n}", 100.5, "") for n in (1, 2, 3)), unit="m"), {}, "as high as the design",
        ),
        "roads": (
            lambda: str(drawings.write_landxml(folder / "r.xml", drawings.street(drawings.level(30.6)))), {},
            "no surface",
        ),
        "another datum": (other_datum, {}, "heights are EPSG:5702"),
    }  # fmt: skip


@pytest.mark.parametrize("name", problems(Path()))
def test_a_survey_that_cannot_be_used_is_told_with_how_to_mend_it(name: str, tmp_path: Path) -> None:
    make, stated, told = problems(tmp_path)[name]
    vertical = {"vertical": "EPSG:8228"}
    plan = tiny_plan(tmp_path)
    values = plan.as_written()
    plan = Plan.parse({**values, "before": values["before"] | vertical, "after": values["after"] | vertical}, tmp_path)
    with pytest.raises(InputError) as error:
        confirm(plan, Given(make(), **stated), today=TODAY)
    assert told in str(error.value)
    assert all(f.mend for f in error.value.findings), error.value.findings
    assert not (tmp_path / "out").exists()


# -- the files --------------------------------------------------------------------------------------------------

HOSTILE = ["=1+1", "-3", "@home", "0012", "1E5", 'H;1,"x"']


def hostile_plan(folder: Path) -> Plan:
    frame = hydrants({"asset_id": HOSTILE, "flange_in": [4.0] * 6}, [(10 + 12 * n, 23 + 7 * n) for n in range(6)])
    return tiny_plan(folder, frame, project={"name": "=P", "starts": date(2027, 5, 3)})


def test_hostile_ids_come_back_the_same_and_inert(tmp_path: Path) -> None:
    plan = hostile_plan(tmp_path)
    run(plan, today=TODAY)
    form_ = pd.read_csv(tmp_path / "out" / "measurements.csv", dtype=str, keep_default_na=False)
    form_.loc[1:, ["date", "length_fitted"]] = ["2027-05-04", "6"]
    form_.to_csv(tmp_path / "done.csv", index=False)
    quoted = [f'"{name}"'.replace('"H;1,"x""', '"H;1,""x"""') for name in HOSTILE]
    asbuilt = survey(tmp_path, *((name, 100.5, "") for name in quoted))
    frame, _ = confirmed(plan, asbuilt, str(tmp_path / "done.csv"))
    assert sorted(frame.index) == sorted(HOSTILE)
    assert set(frame.state) == {"stands"}
    register = pd.read_csv(tmp_path / "out" / "confirm" / "register.csv", dtype=str)
    assert register.hydrant_id.tolist() == ["'=1+1", "-3", "'@home", "0012", "1E5", 'H;1,"x"']
    book = openpyxl.load_workbook(tmp_path / "out" / "confirm" / "acceptance.xlsx")
    (sheet,) = book.worksheets
    cells = [c for line in sheet.iter_rows() for c in line if c.value is not None]
    assert not [c.coordinate for c in cells if c.data_type == "f"]
    assert {c.value for c in cells if c.column == 2} >= set(HOSTILE)


def test_the_list_to_sign_has_a_sheet_a_job_a_row_a_hydrant_and_prints_one_page_wide(tmp_path: Path) -> None:
    form(tmp_path, row("H-1", "2027-05-03", length_fitted=6, part_number="X"), row("H-3", out_at="2027-05-04 08:00"))
    plan = tiny_plan(tmp_path, project={"name": "A/B [1]"})
    confirmed(plan, as_designed(tmp_path), str(tmp_path / "m.csv"))
    book = openpyxl.load_workbook(tmp_path / "out" / "confirm" / "acceptance.xlsx")
    (sheet,) = book.worksheets
    assert sheet.title == "A_B _1_"
    heads = [c.value for c in sheet[7]]
    assert heads[:2] == ["No.", "Hydrant"]
    assert heads[-1] == "Initials"
    rows = [dict(zip(heads, (c.value for c in line), strict=True)) for line in sheet.iter_rows(min_row=8, max_row=10)]
    assert [r["Hydrant"] for r in rows] == ["H-3", "H-1", "H-2"]
    assert [r["In the window?"] for r in rows] == ["DANGER", "yes", "NO: to do"]
    assert rows[1]["Clearance (in)"] == pytest.approx(4, abs=1e-3)
    assert rows[1]["Done"] == "put in 6 in (X)"
    text = " ".join(str(c.value) for line in sheet.iter_rows() for c in line if c.value)
    for words in ("Total: 3 hydrants", "Signature", "Accepted for the owner", "to do: planned work"):
        assert words in text
    assert sheet.page_setup.orientation == "landscape"
    assert sheet.sheet_properties.pageSetUpPr.fitToPage
    assert (sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight) == (1, 0)
    assert sheet.print_title_rows == "$7:$7"
    assert sheet.page_setup.paperSize in ("1", 1)


@pytest.mark.parametrize(
    ("output", "paper"),
    [({}, "letter"), ({"paper": "a4"}, "a4"), ({"unit": "mm"}, "a4"), ({"unit": "mm", "paper": "letter"}, "letter")],
    ids=str,
)
def test_work_sheets_order_and_list_to_sign_are_on_one_paper(
    tmp_path: Path, output: dict[str, str], paper: str
) -> None:
    plan = tiny_plan(tmp_path, output=output)
    run(plan)
    confirmed(plan, as_designed(tmp_path))
    out = tmp_path / "out"
    # Papers of a spreadsheet by ECMA-376, part 1, 18.3.1.63; of a PDF in points.
    code, width = {"letter": (1, 612), "a4": (9, 595)}[paper]
    for book in (out / "order.xlsx", out / "confirm" / "acceptance.xlsx"):
        sheets = openpyxl.load_workbook(book).worksheets
        assert [int(sheet.page_setup.paperSize) for sheet in sheets] == [code] * len(sheets)
    assert {round(float(page.mediabox.width)) for page in PdfReader(out / "worksheets.pdf").pages} == {width}


def test_the_register_gets_facts_alone_bury_as_bought_and_the_length_now_fitted(tmp_path: Path) -> None:
    frame = hydrants(
        {"asset_id": ["H-1", "H-2", "H-3", "H-4"], "flange_in": [4.0, 4.5, 10.25, 4.0], "ext_in": [0, 12, 0, 0],
         "bury_ft": [5.0, 5.5, 6.0, 5.0]},
        [*PLACES, (90, 12)],
    )  # fmt: skip
    columns = {
        "extension_fitted": {"column": "ext_in", "unit": "in"}, "bury": {"column": "bury_ft", "unit": "ft"},
        "outlet_above_flange": "20 in",
    }  # fmt: skip
    form(
        tmp_path, row("H-1", "2027-05-03", length_fitted=6, length_taken_out=0, clearance=4.25),
        row("H-2", "2027-05-04", length_fitted=18, length_taken_out=12),
    )  # fmt: skip
    asbuilt = survey(tmp_path, ("H-1", 100.5, ""), ("H-2", 100.5, ""), ("H-3", 100.52, ""), ("H-2", 100.9, "flange"))
    confirmed(tiny_plan(tmp_path, frame, hydrants=columns), asbuilt, str(tmp_path / "m.csv"))
    got = pd.read_csv(tmp_path / "out" / "confirm" / "register.csv").set_index("hydrant_id")
    assert list(got.index) == ["H-1", "H-2", "H-3"]  # of H-4 nothing new is known
    assert got.date.tolist() == ["2027-05-03", "2027-05-04", "2027-06-01"]
    assert got.bury_ft.tolist() == [5, 5.5, 6]
    assert got.extension_fitted_in.tolist() == [6, 18, 0]
    assert got.ground_elevation_ft.tolist() == [100.5, 100.5, 100.52]
    # H-1: 100.5 ft + 4.25 in; H-2 as surveyed; of H-3 nobody measured the flange since
    assert got.flange_elevation_ft["H-1"] == pytest.approx(100.5 + 4.25 / 12, abs=1e-4)
    assert got.flange_elevation_ft["H-2"] == 100.9
    assert got.clearance_in["H-2"] == pytest.approx(4.8)
    assert got.outlet_height_in.round(3).tolist()[:2] == [24.25, 24.8]
    assert got.loc["H-3", ["flange_elevation_ft", "clearance_in", "outlet_height_in"]].isna().all()


def test_confirm_json_names_inputs_and_outputs_with_their_digests(tmp_path: Path) -> None:
    form(tmp_path, row("H-1", "2027-05-03", length_fitted=6))
    _, summary = confirmed(tiny_plan(tmp_path), as_designed(tmp_path), str(tmp_path / "m.csv"))
    folder = tmp_path / "out" / "confirm"
    seen = {p.name for p in folder.iterdir() if p.name != LOCK}
    assert seen == {"confirm.gpkg", "acceptance.xlsx", "register.csv", "confirm.json"}
    content = json.loads((folder / "confirm.json").read_text(encoding="utf-8"))
    assert {i["role"] for i in content["inputs"]} == {"hydrants", "before", "after", "asbuilt", "field"}
    for name, entry in content["outputs"].items():
        assert entry["sha256"] == hashlib.sha256((folder / name).read_bytes()).hexdigest()
    assert content["states"] == summary["states"]


def test_every_part_of_a_survey_has_its_digest(tmp_path: Path) -> None:
    points = hydrants({"hydrant_id": ["H-1", "H-2", "H-3"], "elevation": [100.5] * 3}, PLACES)
    points.to_file(tmp_path / "survey.shp")
    confirmed(tiny_plan(tmp_path), str(tmp_path / "survey.shp"), unit="ft")
    told = json.loads((tmp_path / "out" / "confirm" / "confirm.json").read_text(encoding="utf-8"))
    read = {Path(f["path"]).suffix: f["sha256"] for f in told["inputs"] if f["role"] == "asbuilt"}
    assert set(read) == {".shp", ".shx", ".dbf", ".prj", ".cpg"}
    assert read[".dbf"] == hashlib.sha256((tmp_path / "survey.dbf").read_bytes()).hexdigest()


def test_a_survey_of_several_layers_is_refused_in_words_of_the_command(tmp_path: Path) -> None:
    for layer in ("points", "lines"):
        hydrants({"hydrant_id": ["H-1"], "elevation": [100.5]}, PLACES[:1]).to_file(
            tmp_path / "survey.gpkg", layer=layer
        )
    with pytest.raises(InputError, match=r"^--asbuilt: .*2 layers.*keep it in a file of its own"):
        confirmed(tiny_plan(tmp_path), str(tmp_path / "survey.gpkg"), unit="ft")


def test_all_files_are_replaced_or_none_and_a_runs_own_are_left_alone(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    out = tmp_path / "out"
    run(plan, today=TODAY)
    (out / "order_trace.csv").write_text("of the run", encoding="utf-8")
    confirmed(plan, as_designed(tmp_path), out=str(out))
    assert (out / "order_trace.csv").exists()
    assert (out / "gradecheck.gpkg").exists()
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    (out / "register.csv").unlink()
    (out / "register.csv").mkdir()
    with pytest.raises(OutputError, match=r"register\.csv is a folder there"):
        confirm(plan, Given(as_designed(tmp_path)), out=str(out), today=TODAY)
    (out / "register.csv").rmdir()
    assert {p.name: p.read_bytes() for p in out.iterdir()} == {k: v for k, v in before.items() if k != "register.csv"}


# -- the command ------------------------------------------------------------------------------------------------


def on_disk(folder: Path) -> Path:
    plan = tiny_plan(folder)
    (folder / "plan.toml").write_text(toml_text(plan.as_written()), encoding="utf-8")
    return folder / "plan.toml"


def test_the_command_prints_a_summary_of_80_columns_dangers_first(tmp_path: Path, said: Callable[..., Outcome]) -> None:
    plan = on_disk(tmp_path)
    form(tmp_path, row("H-1", "2027-05-03", length_fitted=12, out_at="2027-05-03 08:00"))
    arguments = ("confirm", plan, "--asbuilt", as_designed(tmp_path), "--field", tmp_path / "m.csv")
    status, out, error = said(*arguments)
    assert (status, error) == (0, "")
    lines = out.splitlines()
    assert [line for line in lines if len(line) > 80 and "/" not in line] == []
    assert lines[2] == "DANGER"
    for words in ("H-1: out of service", "Still to do", "H-2: add 6 in", "put in 12 in, planned 6 in", "Written to"):
        assert words in out
    assert said(*arguments, "--quiet") == (0, "", "")
    status, out, error = said(*arguments, "--json", "--out", tmp_path / "elsewhere")
    content = json.loads(out)
    assert (status, error, content["ok"]) == (0, "", True)
    assert content["states"] == {"to_do": 1, "too_high": 1, "stands": 1}
    assert Path(content["folder"]) == tmp_path / "elsewhere"
    assert (tmp_path / "elsewhere" / "confirm.json").exists()


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (("--asbuilt", "gone.csv"), "no such file: gone.csv"),
        (("--asbuilt", "SURVEY", "--field", "gone.csv"), "no such file: gone.csv"),
        (("--asbuilt", "SURVEY", "--asbuilt-unit", "furlong"), "'furlong' is no known unit"),
        (("--asbuilt", "SURVEY", "--asbuilt-sd", "5"), "a length is a number and a unit"),
        (("--asbuilt", "SURVEY", "--job", "Q-9"), "no such job: 'Q-9'"),
        (("--asbuilt", ""), "--asbuilt is empty"),
        ((), "--asbuilt"),
    ],
)
def test_what_stands_in_the_way_ends_with_2_and_says_where_what_and_how(
    more: tuple[str, ...], told: str, tmp_path: Path, said: Callable[..., Outcome]
) -> None:
    plan, asbuilt = on_disk(tmp_path), as_designed(tmp_path)
    arguments = ("confirm", plan, *(asbuilt if m == "SURVEY" else m for m in more))
    status, out, error = said(*arguments)
    assert (status, out) == (2, "")
    assert told in error
    assert "mend: " in error
    status, out, error = said(*arguments, "--json")
    assert (status, error, json.loads(out)["ok"]) == (2, "", False)


def test_the_sample_shows_every_state_and_a_job_alone(sample: Sample) -> None:
    asbuilt, field = str(sample.folder / "asbuilt.csv"), str(sample.folder / "measurements_done.csv")
    out = str(sample.folder / "confirmed")
    frame, summary = confirmed(sample.plan, asbuilt, field, out=out)
    assert set(frame.state) == {s.name for s in State}
    assert len(summary["dangers"]) == 2
    assert frame.index[:2].tolist() == [d["hydrant_id"] for d in summary["dangers"]]
    assert {"measured", "surveyed", "planned", "assumed"} == set(frame.clearance_rests_on.dropna())
    one, _ = confirmed(sample.plan, asbuilt, field, out=out, jobs=("Q-101",))
    assert set(one.job) == {"Q-101"}
    assert len(openpyxl.load_workbook(Path(out) / "acceptance.xlsx").worksheets) == 1
    assert frame[frame.job == "Q-101"].state.sort_index().equals(one.state.sort_index())


def test_built_exactly_as_designed_every_decided_hydrant_ends_where_the_plan_said(sample: Sample) -> None:
    built, out = str(sample.folder / "design.tif"), str(sample.folder / "exact")
    frame, summary = confirmed(sample.plan, built, out=out)
    plan = sample.result.hydrants.set_index("hydrant_id")
    mine = frame[frame.action.isin(["keep", "extend", "shorten"]) & (frame.clearance_rests_on == "planned")]
    assert len(mine) > 20
    want = plan.loc[mine.index].clearance_final_in
    assert mine.clearance_final_in.to_numpy() == pytest.approx(want.to_numpy(), abs=1e-3)
    assert frame.ground_off_in.abs().max() < 1e-3
    assert summary["counts"]["off_design"] == 0


def test_ground_that_no_job_leaves_behind_is_not_taken(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    # a blank that a surveyor wrote as 0, and heights of one hydrant that contradict one another
    points = survey(
        tmp_path, ("H-1", 0, "ground"), ("H-2", 100.5, "ground"), ("H-2", 102, "ground"), ("H-3", 100.5, "ground")
    )
    frame, summary = confirmed(plan, points)
    assert frame.ground_asbuilt_ft.isna().tolist() == [True, True, False]
    assert "stands" not in (frame.state["H-1"], frame.state["H-2"])
    told = " ".join(summary["warnings"])
    assert "more than 10 ft off the design, not taken: H-1" in told
    assert "more than 0.5 ft apart in height, not taken: H-2" in told


def test_points_as_built_get_the_checks_of_positions_that_all_else_gets(tmp_path: Path) -> None:
    path = survey(tmp_path, ("", -93.0, 41.5, 100.5), head="hydrant_id,x,y,elevation")
    with pytest.raises(InputError, match="depend on their epoch"):
        confirmed(tiny_plan(tmp_path), path, crs="EPSG:9000")
    nad27 = survey(tmp_path, ("", 500_020, 4_599_800, 100.5), head="hydrant_id,x,y,elevation")
    with pytest.raises(InputError, match="for want of a grid"):
        confirmed(tiny_plan(tmp_path), nad27, crs="EPSG:26715")
