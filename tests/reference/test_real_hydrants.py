"""The main job on 1,960 real hydrants and the centrelines of their streets, over ground made from a formula.

Judged against: the GeoJSON as read by json and pandas (counts, ids, columns, places), geopandas and shapely by
brute force (which street), SciPy's map_coordinates on the arrays before they were cut into tiles (heights), the
formula itself (the rise of each street), a nearest-square search over the design (where it stops short), sqlite3.

The existing ground is four tiles in state-plane metres with heights in US survey feet; the design is one raster in
another zone and in metres, along eight streets only. Along some it reaches the back of the walk, along others it
ends at the curb, so that the hydrants stand behind its edge.
"""

import json
import sqlite3
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import rasterio
import rasterio.features
import shapely
from affine import Affine
from pyproj import Transformer
from rasterio.crs import CRS
from scipy import ndimage

from gradecheck import pipeline
from gradecheck.outputs.summary import summary_text
from gradecheck.plan import Plan

DATA = Path(__file__).resolve().parents[2] / ".." / "shared" / "data" / "hydrants_cambridge_pddl"
HYDRANTS = DATA / "cambridge_ma_hydrants.geojson"
STREETS = DATA / "cambridge_ma_centerlines_part.geojson"
pytestmark = pytest.mark.skipif(not HYDRANTS.exists() or not STREETS.exists(), reason="open hydrant data not here")

OLD, NEW = 26986, 32619  # systems of the existing ground and of the design
US_FOOT = 1200 / 3937
INCH = 0.0254
OLD_CELL, NEW_CELL = 3.0, 2.0
NODATA = -9999.0
TODAY = date(2026, 11, 25)
REACH = 15.0
PAST = 30 * 0.3048


@dataclass(frozen=True)
class Street:
    """Half the width that the design covers, how far it rises (both metres) and when work starts."""

    half: float
    rise: float
    starts: str


# Earlier streets win where corridors cross. Hydrants stand 4 to 10 m from the centreline.
JOBS = {
    "Massachusetts Ave": Street(20.0, 0.30, "2027-05-03"),
    "Cambridge St": Street(12.0, -0.20, "2027-05-03"),
    "Prospect St": Street(9.0, 0.80, "2027-04-01"),
    "Norfolk St": Street(8.0, -0.40, "2027-06-01"),
    "Garden St": Street(12.0, 0.60, "2027-06-14"),
    "Brattle St": Street(25.0, 0.0, "2027-07-01"),
    "Harvard St": Street(7.0, 0.15, "2027-08-02"),
    "Oxford St": Street(4.5, 0.25, "2027-09-01"),
}


def old_ground(east, north):
    """Existing ground, metres: a slope that differs by direction, and swells too long to bend within a cell."""
    swell = 1.5 * np.sin(east / 90) * np.cos(north / 130)
    return 8 + 0.004 * (east - 230_000) - 0.002 * (north - 902_000) + swell


def write(path, array, transform, crs, nodata=None):
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "height": array.shape[0], "width": array.shape[1]}
    blocks = {"tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate"}
    with rasterio.open(path, "w", **profile, **blocks, crs=CRS.from_string(crs), transform=transform) as out:
        out.nodata = nodata
        out.write(array, 1)


def centres(transform, shape):
    column, row = np.meshgrid(np.arange(shape[1]) + 0.5, np.arange(shape[0]) + 0.5)
    return transform.a * column + transform.c, transform.e * row + transform.f


def make_old(folder, bounds):
    """Existing ground cut into four unequal tiles; the whole array is kept for the judge."""
    left, bottom, right, top = bounds
    shape = int((top - bottom) / OLD_CELL) + 200, int((right - left) / OLD_CELL) + 200
    transform = Affine(OLD_CELL, 0, np.floor(left) - 301.7, 0, -OLD_CELL, np.ceil(top) + 300.4)
    array = (old_ground(*centres(transform, shape)) / US_FOOT).astype(np.float32)
    folder.mkdir()
    row, column = 750, 803
    for name, rows, columns in (
        ("nw", slice(0, row), slice(0, column)),
        ("ne", slice(0, row), slice(column, None)),
        ("sw", slice(row, None), slice(0, column)),
        ("se", slice(row, None), slice(column, None)),
    ):
        corner = transform @ Affine.translation(columns.start, rows.start)
        write(folder / f"{name}.tif", array[rows, columns], corner, f"EPSG:{OLD}+6360")
    return SimpleNamespace(array=array, transform=transform, row=row, column=column)


def make_new(path, lines):
    """The design: old ground plus the street's rise, on the corridors only. `street` is the street of each cell."""
    left, bottom, right, top = lines.total_bounds
    shape = int((top - bottom) / NEW_CELL) + 60, int((right - left) / NEW_CELL) + 60
    transform = Affine(NEW_CELL, 0, np.floor(left) - 60.9, 0, -NEW_CELL, np.ceil(top) + 59.3)
    corridors = [(lines.loc[name].buffer(JOBS[name].half), i) for i, name in enumerate(JOBS)]
    street = rasterio.features.rasterize(corridors[::-1], shape, fill=-1, transform=transform, dtype="int16")
    inside = street >= 0
    east, north = centres(transform, shape)
    back = Transformer.from_crs(NEW, OLD, always_xy=True).transform(east[inside], north[inside])
    rises = np.array([job.rise for job in JOBS.values()])
    array = np.full(shape, NODATA, dtype=np.float32)
    array[inside] = old_ground(*back) + rises[street[inside]]
    write(path, array, transform, f"EPSG:{NEW}+5703", NODATA)
    return SimpleNamespace(array=np.where(inside, array, np.nan), transform=transform, street=street)


def paving_file(path):
    """The centrelines of the eight streets as they are, with a start date each."""
    content = json.loads(STREETS.read_text(encoding="utf-8"))
    content["features"] = [f for f in content["features"] if f["properties"]["Street"] in JOBS]
    for feature in content["features"]:
        street = feature["properties"]["Street"]
        feature["properties"] = {"street": street, "start_date": JOBS[street].starts}
    path.write_text(json.dumps(content), encoding="utf-8")


def plan_of(folder, **hydrants):
    source = {"path": str(HYDRANTS.resolve()), "id": "HYDRANT_ID", "where": "LIFECYCLESTATUS = 'ACT'", **hydrants}
    return {
        "project": {"name": "Eight streets"},
        "hydrants": {k: v for k, v in source.items() if v is not None},
        "paving": {"path": "paving.geojson", "job": "street", "starts": "start_date"},
        "before": {"raster": ["existing"], "sd": "0.05 ft"},
        "after": {"raster": "design.tif", "sd": "0.02 ft"},
        "output": {"dir": str(folder / "out")},
    }


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """The made ground and the paving plan in a folder, and the real layers as pandas and json read them."""
    folder = tmp_path_factory.mktemp("eight_streets")
    features = json.loads(HYDRANTS.read_text(encoding="utf-8"))["features"]
    table = pd.DataFrame([f["properties"] for f in features])
    table["place"] = np.arange(1, len(table) + 1)
    lonlat = np.array([f["geometry"]["coordinates"] for f in features])
    lines = geopandas.read_file(STREETS).to_crs(NEW).dissolve("Street").geometry
    chosen = lines[list(JOBS)]
    old = make_old(folder / "existing", chosen.to_crs(OLD).total_bounds)
    new = make_new(folder / "design.tif", chosen)
    paving_file(folder / "paving.geojson")
    return SimpleNamespace(folder=folder, table=table, lonlat=lonlat, lines=lines, old=old, new=new)


@pytest.fixture(scope="module")
def ran(site):
    plan = Plan.parse(plan_of(site.folder), site.folder)
    inspection = pipeline.inspect(plan)
    result = pipeline.run(plan, today=TODAY)
    package = site.folder / "out" / "gradecheck.gpkg"
    layer = geopandas.read_file(package, layer="hydrants")
    active = site.table[site.table.LIFECYCLESTATUS == "ACT"]
    return SimpleNamespace(
        plan=plan, inspection=inspection, result=result, package=package, layer=layer, active=active.reset_index()
    )


@pytest.fixture(scope="module")
def judged(site, ran):
    """What the judges say of every row that `where` keeps: places, heights (m), street, distances (m)."""
    lon, lat = site.lonlat[ran.active.place - 1].T
    east, north = Transformer.from_crs(4326, NEW, always_xy=True).transform(lon, lat)
    points = shapely.points(east, north)
    before, before_at = bilinear(site.old, *Transformer.from_crs(4326, OLD, always_xy=True).transform(lon, lat))
    after, after_at = bilinear(site.new, east, north)
    street, distance = nearest(points, site.lines[list(JOBS)])
    job = np.where(distance <= REACH, street, None)
    return SimpleNamespace(
        before=before * US_FOOT, before_at=before_at, after=after, after_at=after_at, job=job, distance=distance,
        edge=ground_away(site.new, points), points=points,
    )  # fmt: skip


def bilinear(ground, x, y):
    """SciPy's linear interpolation between cell centres, NaN outside; and (row, column) of each point."""
    row = (y - ground.transform.f) / ground.transform.e - 0.5
    column = (x - ground.transform.c) / ground.transform.a - 0.5
    z = ndimage.map_coordinates(ground.array.astype(float), [row, column], order=1, mode="constant", cval=np.nan)
    return z, np.stack([row, column])


def nearest(points, lines):
    """By brute force, every point against every street: the nearest street and how far it is."""
    distance = shapely.distance(points[:, None], lines.to_numpy()[None, :])
    return lines.index.to_numpy()[distance.argmin(axis=1)], distance.min(axis=1)


def names(column):
    return [None if pd.isna(v) else v for v in column]


def ground_away(ground, points):
    """How far the nearest ground is: squares between four cell centres that all have a height."""
    has = np.isfinite(ground.array)
    row, column = np.nonzero(has[:-1, :-1] & has[1:, :-1] & has[:-1, 1:] & has[1:, 1:])
    left, top = ground.transform @ (column + 0.5, row + 0.5)
    squares = shapely.STRtree(shapely.box(left, top - NEW_CELL, left + NEW_CELL, top))
    (_, _), distance = squares.query_nearest(points, return_distance=True, all_matches=False)
    return distance


def test_the_data_are_as_dirty_as_their_source_says(site):
    # SOURCES.md of the data: 1,960 rows, 36 null ids, 41 repeated incl. nulls, 16 of another owner, 4 abandoned.
    assert len(site.table) == 1960
    assert site.table.HYDRANT_ID.isna().sum() == 36
    assert site.table.HYDRANT_ID.duplicated().sum() == 41
    assert site.table.LIFECYCLESTATUS.value_counts().to_dict() == {"ACT": 1940, "MITFL": 16, "ABN": 4}


def test_inspect_counts_what_pandas_counts_and_finds_nothing_to_stop_a_run(ran, judged):
    facts = {heading: "\n".join(lines) for heading, lines in ran.inspection.facts}
    assert ran.inspection.stops == ()
    assert "1960 rows, 1940 read, 1940 usable, 0 rejected" in facts["hydrants"]
    assert "EPSG:4326" in facts["hydrants"]
    assert f"EPSG:{NEW}" in facts["hydrants"]
    for name in JOBS:
        assert f"{name}: starts {JOBS[name].starts}, reaches {(judged.job == name).sum()} hydrants" in facts["paving"]
    assert f"no job reaches {pd.isna(judged.job).sum()} hydrants" in facts["paving"]
    assert all(f"{name}.tif" in facts["before"] for name in ("nw", "ne", "sw", "se"))
    assert facts["before"].count("unit ftUS") == 4
    assert facts["after"].count("unit m") == 1


def test_inspect_tells_known_unchanged_and_unknown_ground_apart_as_the_judges_do(ran, judged):
    overlap = "\n".join(dict(ran.inspection.facts)["overlap"])
    reached = pd.notna(judged.job)
    known = reached & np.isfinite(judged.after)
    beyond = reached & ~known & (judged.edge > PAST)
    assert known.sum() > 60
    assert beyond.sum() > 0
    assert f"of {reached.sum()} hydrants that a job reaches: design ground at {known.sum()}" in overlap
    assert f"beyond the design {beyond.sum()}, unknown {(reached & ~known & ~beyond).sum()}" in overlap


def test_every_row_that_where_keeps_comes_out_once_and_the_others_not_at_all(ran):
    assert ran.layer.OBJECTID.tolist() == ran.active.OBJECTID.tolist()
    assert len(ran.result.rejected) == 0
    counts = ran.result.summary["counts"]
    assert counts["rows_in_layer"] == 1960
    assert counts["left_out_by_where"] == 20
    assert counts["read"] == counts["hydrants"] + counts["rejected"] == 1940
    with sqlite3.connect(ran.package) as db:
        kinds = db.execute("SELECT LIFECYCLESTATUS, count(*) FROM hydrants GROUP BY 1").fetchall()
    assert kinds == [("ACT", 1940)]


def test_a_missing_id_becomes_its_place_in_the_whole_layer_and_a_repeated_one_is_numbered(ran):
    # pandas: place counted before `where`, repeats counted in the order of the layer.
    ids, place = ran.active.HYDRANT_ID, ran.active.place.astype(str)
    turn = ran.active.groupby("HYDRANT_ID", dropna=False).cumcount()
    expected = ids.where(ids.isna() | (turn == 0), ids + "#" + (turn + 1).astype(str)).fillna("row-" + place)
    assert ran.layer.hydrant_id.tolist() == expected.tolist()
    assert ran.layer.hydrant_id.is_unique
    assert expected.str.endswith("#2").sum() == 6
    assert (ran.active.place[ids.isna()] != ran.active.index[ids.isna()] + 1).any(), "where leaves out earlier rows"


def test_rows_without_a_good_id_are_cautioned_and_only_they(ran):
    ids = ran.active.HYDRANT_ID
    codes = ran.layer.cautions.fillna("").str.split(";")
    assert codes.map(lambda c: "no_id" in c).tolist() == ids.isna().tolist()
    assert codes.map(lambda c: "repeated_id" in c).tolist() == (ids.duplicated(keep=False) & ids.notna()).tolist()


def test_the_layers_own_columns_come_back_with_every_value_and_gap(ran):
    for name in ran.active.columns.drop(["index", "place"]):
        # HYDRANT_ID differs from the program's own hydrant_id by case only, which no GeoPackage can hold.
        mine, theirs = ran.active[name], ran.layer["HYDRANT_ID_input" if name == "HYDRANT_ID" else name]
        assert theirs.isna().tolist() == mine.isna().tolist(), name
        assert theirs.dropna().tolist() == mine.dropna().tolist(), name
    with sqlite3.connect(ran.package) as db:
        kinds = {row[1]: row[2] for row in db.execute("PRAGMA table_info(hydrants)")}
    # A column of whole numbers with gaps stays one of whole numbers, a text column stays text.
    assert kinds["GATE"].startswith(("INTEGER", "MEDIUMINT"))
    assert kinds["INSTALLDATE"] == "INTEGER"
    assert kinds["HYDRANT_ID_input"].startswith("TEXT")
    assert kinds["ROTATION"] in ("REAL", "DOUBLE")


def test_points_come_back_to_the_last_bit_in_their_own_system(site, ran):
    assert ran.layer.crs.to_epsg() == 4326
    assert np.array_equal(shapely.get_coordinates(ran.layer.geometry), site.lonlat[ran.active.place - 1])


def test_jobs_are_those_of_a_brute_force_search(ran, judged):
    assert np.abs(judged.distance - REACH).min() > 1e-3, "no hydrant on the line between in and out of reach"
    assert names(ran.layer.job) == judged.job.tolist()
    assert (ran.layer.action == "outside").tolist() == pd.isna(judged.job).tolist()
    assert set(judged.job[pd.notna(judged.job)]) == set(JOBS)


def test_jobs_are_those_of_a_brute_force_search_over_all_356_streets_too(site, ran, judged):
    values = plan_of(site.folder)
    values["paving"] = {"path": str(STREETS.resolve()), "job": "Street"}
    table = pipeline.compute(Plan.parse(values, site.folder), today=TODAY).hydrants
    street, distance = nearest(judged.points, site.lines)
    # Where two streets meet, a hydrant is as far from the one as from the other: the name then decides.
    rows = shapely.distance(judged.points[:, None], site.lines.to_numpy()[None, :])
    first = [sorted(site.lines.index[d <= d.min() + 1e-6])[0] for d in rows]
    assert sum(a != b for a, b in zip(street, first, strict=True)) < 5
    expected = np.where(distance <= REACH, first, None)
    assert pd.notna(expected).sum() > 600
    assert names(table.job) == expected.tolist()


def test_heights_are_scipys_at_the_true_points(ran, judged):
    reached = pd.notna(judged.job)
    known = reached & np.isfinite(judged.after)
    after = ran.layer.grade_after_ft.to_numpy()[known] * 0.3048
    before = ran.layer.grade_before_ft.to_numpy()[known] * 0.3048
    change = ran.layer.grade_change_in.to_numpy()[known] * INCH
    assert after == pytest.approx(judged.after[known], abs=2e-6)
    assert before == pytest.approx(judged.before[known], abs=2e-6)
    assert change == pytest.approx((judged.after - judged.before)[known], abs=2e-6)


def test_each_street_rises_by_what_the_formula_lifted_it(site, ran, judged):
    # Deep inside a corridor: all cells about the point are the street's own. The ground bends by less than 1 mm a cell.
    row, column = np.rint(judged.after_at).astype(int)
    seen = set()
    for i in np.flatnonzero(pd.notna(judged.job) & np.isfinite(judged.after)):
        about = site.new.street[row[i] - 1 : row[i] + 2, column[i] - 1 : column[i] + 2]
        if (about == about[1, 1]).all():
            street = list(JOBS)[about[1, 1]]
            seen.add(street)
            assert ran.layer.grade_change_in[i] * INCH == pytest.approx(JOBS[street].rise, abs=1e-3), street
    assert seen >= {"Massachusetts Ave", "Cambridge St", "Prospect St", "Norfolk St", "Garden St", "Brattle St"}


def test_the_tile_that_gave_the_existing_ground_is_named(site, ran, judged):
    row, column = judged.before_at
    north = np.where(np.rint(row) < site.old.row, "n", "s")
    west = np.where(np.rint(column) < site.old.column, "w", "e")
    known = pd.notna(judged.job) & np.isfinite(judged.after)
    expected = [f"existing/{a}{b}.tif" for a, b in zip(north[known], west[known], strict=True)]
    assert ran.layer.before_source[known].tolist() == expected
    assert len(set(expected)) == 4
    assert set(ran.layer.after_source[known]) == {"design.tif"}


def test_behind_a_curb_where_the_design_stops_short_nothing_is_cleared(ran, judged):
    # The nearest design ground by a tree search; "unchanged" must be earned by standing farther off than 30 ft.
    silent = pd.notna(judged.job) & np.isnan(judged.after)
    near, far = silent & (judged.edge <= PAST), silent & (judged.edge > PAST)
    assert near.sum() >= 8
    assert far.sum() >= 1
    assert set(judged.job[near]) >= {"Oxford St", "Harvard St"}
    assert set(ran.layer.action[near]) == {"no_elevation"}
    assert ran.layer.grade_change_in[near].isna().all()
    assert ran.layer.after_source[near].str.contains("stops short").all()
    assert set(ran.layer.action[far]) == {"keep"}
    assert (ran.layer.grade_change_in[far] == 0).all()
    assert (ran.layer.grade_change_sd_in[far] == 0).all()


def test_a_hydrant_on_design_ground_that_no_job_reaches_is_pointed_out(ran, judged):
    # Within twice the reach, where the design moves the ground by more than the dressing of 1 in.
    moved = np.abs(judged.after - judged.before) > INCH
    missed = (judged.distance > REACH) & (judged.distance <= 2 * REACH) & moved
    assert missed.sum() >= 2
    codes = ran.layer.cautions.fillna("").str.split(";")
    assert codes.map(lambda c: "missed_by_reach" in c).tolist() == missed.tolist()
    assert set(ran.layer.action[missed]) == {"outside"}


def test_what_no_job_reaches_costs_nothing(ran):
    order = ran.result.order
    assert len(order)
    assert set(order.job) <= set(JOBS)
    outside = ran.layer[ran.layer.action == "outside"]
    assert outside.confidence.isna().all()
    assert (outside["extension_in"].fillna(0) == 0).all()
    assert not outside.firm.astype(bool).any()


def test_no_order_is_made_for_a_street_that_only_gets_a_new_surface(ran):
    # Brattle Street rises by 0: hydrants deep in its corridor stay as they are and none of its rows is an extension.
    flat = ran.layer[(ran.layer.job == "Brattle St") & (ran.layer.grade_change_in.abs() < 0.04)]
    assert len(flat) >= 8
    assert set(flat.action) == {"keep"}
    assert not ((ran.result.order.job == "Brattle St") & (ran.result.order.quantity_firm > 0)).any()


def test_large_fills_and_cuts_are_held_for_review(ran, judged):
    # 0.80 m is over 2 ft of fill, 0.40 m over 1 ft of cut; 0.60 m of fill is not.
    codes = ran.layer.cautions.fillna("").str.split(";")
    change = judged.after - judged.before
    reached = pd.notna(judged.job)
    fill = reached & (change > 2 * 0.3048)
    cut = reached & (change < -0.3048)
    assert fill.sum() >= 8
    assert cut.sum() >= 8
    assert codes.map(lambda c: "fill_over_review" in c).tolist() == fill.tolist()
    assert codes.map(lambda c: "cut_over_review" in c).tolist() == cut.tolist()
    assert not ran.layer.firm.astype(bool)[fill | cut].any()


def test_the_summary_counts_what_the_layer_holds(ran):
    summary = ran.result.summary
    assert summary["actions"] == ran.layer.action.value_counts().to_dict()
    codes = ran.layer.cautions.dropna().str.split(";").explode()
    assert summary["cautions"] == codes[codes != ""].value_counts().to_dict()
    text = summary_text(summary)
    assert "1940 rows read, 20 left out by where: 1940 hydrants, 0 rejected" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_without_where_abandoned_hydrants_are_worked_on_like_any_other(site):
    table = pipeline.compute(Plan.parse(plan_of(site.folder, where=None), site.folder), today=TODAY).hydrants
    assert table.OBJECTID.tolist() == site.table.OBJECTID.tolist()
    assert (table.LIFECYCLESTATUS == "ABN").sum() == 4


def test_rows_said_twice_and_rows_without_a_place_are_set_aside_and_told_by_row(site):
    content = json.loads(HYDRANTS.read_text(encoding="utf-8"))
    features = content["features"]
    again = [json.loads(json.dumps(f)) for f in features[100:110]]
    lost = [{**f, "geometry": None} for f in features[200:205]]
    features += [*again, *lost]
    for i, feature in enumerate(features):
        feature["id"] = i + 1
    (site.folder / "twice.geojson").write_text(json.dumps(content), encoding="utf-8")
    result = pipeline.compute(Plan.parse(plan_of(site.folder, path="twice.geojson"), site.folder), today=TODAY)
    everything = pd.DataFrame([f["properties"] for f in features])
    kept = everything.LIFECYCLESTATUS == "ACT"
    assert len(result.hydrants) + len(result.rejected) == kept.sum()
    assert result.rejected.row.tolist() == list(range(1961, 1976))
    assert result.rejected.reason[:10].str.startswith("repeats the id and place of row 1").all()
    assert set(result.rejected.reason[10:]) == {"no geometry"}
