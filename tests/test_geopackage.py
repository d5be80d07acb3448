"""The GeoPackage and how it is put in place, judged by the OGC standard's lists, sqlite3, GDAL and geopandas.

Required tables, columns and values: OGC 12-128r19, GeoPackage Encoding Standard 1.4, clauses 1.1 and 2.1 and
Annexes C and F. Colour vision: the matrices of Machado, Oliveira and Fernandes 2009 at full severity.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import shutil
import sqlite3
import struct
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from gradecheck import Action, Catalog, OutputError, Plan, inspect, run
from gradecheck.outputs import order_files, workbook
from gradecheck.placing import LOCK
from tests.conftest import TODAY, Sample
from tests.edits import with_functions
from tests.projects import hydrants, plan_values, point, three, tiny_plan, write_ground, write_grounds

LAYERS = [
    "hydrants",
    "rejected",
    "measuring_walks",
    "stable_points",
    "limits",
    "order",
    "options",
    "review_kept",
    "order_basis",
]
VIEWS = ["to_extend", "to_measure_first", "for_the_engineer"]


@pytest.fixture
def db(sample: Sample) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(f"file:{sample.package}?mode=ro", uri=True)) as connection:
        yield connection


def rows(db: sqlite3.Connection, query: str) -> list[tuple]:
    return db.execute(query).fetchall()


def columns(db: sqlite3.Connection, table: str) -> list[str]:
    return [r[1] for r in db.execute(f'PRAGMA table_info("{table}")')]


# -- the standard -----------------------------------------------------------------------------------------------


def test_the_file_says_that_it_is_a_geopackage_and_which(db: sqlite3.Connection) -> None:
    assert rows(db, "PRAGMA application_id") == [(0x47504B47,)]  # "GPKG"
    assert 10200 <= rows(db, "PRAGMA user_version")[0][0] < 10500


def test_sqlite_finds_no_fault_in_it(db: sqlite3.Connection) -> None:
    assert rows(db, "PRAGMA integrity_check") == [("ok",)]
    assert rows(db, "PRAGMA foreign_key_check") == []


REQUIRED = {
    "gpkg_spatial_ref_sys": "srs_name srs_id organization organization_coordsys_id definition description",
    "gpkg_contents": "table_name data_type identifier description last_change min_x min_y max_x max_y srs_id",
    "gpkg_geometry_columns": "table_name column_name geometry_type_name srs_id z m",
    "gpkg_extensions": "table_name column_name extension_name definition scope",
    "gpkg_data_columns": "table_name column_name name title description mime_type constraint_name",
    "gpkg_data_column_constraints": (
        "constraint_name constraint_type value min min_is_inclusive max max_is_inclusive description"
    ),
    "gpkg_metadata": "id md_scope md_standard_uri mime_type metadata",
    "gpkg_metadata_reference": (
        "reference_scope table_name column_name row_id_value timestamp md_file_id md_parent_id"
    ),
}


@pytest.mark.parametrize("table", REQUIRED)
def test_the_tables_of_the_standard_have_its_columns(db: sqlite3.Connection, table: str) -> None:
    assert columns(db, table) == REQUIRED[table].split()


def test_the_three_reference_systems_that_every_geopackage_has_are_there(db: sqlite3.Connection) -> None:
    found = {
        r[0]: r[1:]
        for r in rows(db, "SELECT srs_id, organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys")
    }
    assert found[-1] == ("NONE", -1, "undefined")
    assert found[0] == ("NONE", 0, "undefined")
    assert found[4326][:2] == ("EPSG", 4326)
    assert found[32615][:2] == ("EPSG", 32615)


def test_contents_list_every_layer_with_its_kind_and_a_time(db: sqlite3.Connection) -> None:
    kinds = dict(rows(db, "SELECT table_name, data_type FROM gpkg_contents"))
    assert {name: kinds[name] for name in LAYERS} == dict.fromkeys(LAYERS, "attributes") | {
        "hydrants": "features",
        "rejected": "features",
        "limits": "features",
        "measuring_walks": "features",
        "stable_points": "features",
    }
    for (when,) in rows(db, "SELECT last_change FROM gpkg_contents"):
        assert when.endswith("Z")
        pd.Timestamp(when)
    identifiers = [r[0] for r in rows(db, "SELECT identifier FROM gpkg_contents")]
    assert len(set(identifiers)) == len(identifiers)


def test_every_table_has_a_whole_number_as_key_and_only_the_standard_s_types(db: sqlite3.Connection) -> None:
    plain = {"BOOLEAN", "TINYINT", "SMALLINT", "MEDIUMINT", "INT", "INTEGER", "FLOAT", "DOUBLE", "REAL"}
    plain |= {"TEXT", "BLOB", "DATE", "DATETIME", "POINT", "LINESTRING", "POLYGON", "GEOMETRY"}
    views = {r[0] for r in rows(db, "SELECT name FROM sqlite_master WHERE type = 'view'")}
    for (table,) in rows(db, "SELECT table_name FROM gpkg_contents"):
        info = rows(db, f'PRAGMA table_info("{table}")')
        key = [r for r in info if r[5]] if table not in views else info[:1]
        assert [(r[1], r[2]) for r in key] in ([("fid", "INTEGER")], [("id", "INTEGER")])
        assert {r[2].split("(")[0] for r in info} <= plain


def test_geometry_columns_name_real_columns_and_their_reference_system(db: sqlite3.Connection) -> None:
    found = rows(db, "SELECT table_name, column_name, geometry_type_name, srs_id, z, m FROM gpkg_geometry_columns")
    assert found == [
        ("hydrants", "geom", "POINT", 32615, 0, 0),
        ("rejected", "geom", "GEOMETRY", 32615, 0, 0),
        ("measuring_walks", "geom", "LINESTRING", 32615, 0, 0),
        ("stable_points", "geom", "POINT", 32615, 0, 0),
        ("limits", "geom", "POLYGON", 32615, 0, 0),
        *((view, "geom", "POINT", 32615, 0, 0) for view in VIEWS),
    ]
    for table, column, *_ in found:
        assert column in columns(db, table)
        assert rows(db, f"SELECT srs_id FROM gpkg_contents WHERE table_name = '{table}'") == [(32615,)]


def test_geometries_are_standard_blobs_of_the_same_reference_system(db: sqlite3.Connection, sample: Sample) -> None:
    wanted = {
        r: (g.x, g.y) for r, g in zip(sample.result.hydrants.hydrant_id, sample.result.hydrants.geometry, strict=True)
    }
    for name, blob in rows(db, "SELECT hydrant_id, geom FROM hydrants"):
        magic, version, flags, srs = struct.unpack("<2sBBi", blob[:8])
        assert (magic, version, srs) == (b"GP", 0, 32615)
        assert flags & 0b111 in (0b001,)  # little-endian, no envelope: points have none; bit 4 is "empty"
        got = shapely.from_wkb(blob[8:])
        assert (got.x, got.y) == wanted[name]


def test_the_extents_in_the_contents_are_those_of_the_points(db: sqlite3.Connection, sample: Sample) -> None:
    (box,) = rows(db, "SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = 'hydrants'")
    assert box == tuple(sample.result.hydrants.total_bounds)


@pytest.mark.parametrize("table", ["hydrants", "rejected"])
def test_the_spatial_index_holds_every_point_where_it_is(db: sqlite3.Connection, table: str) -> None:
    index = {r[0]: r[1:] for r in rows(db, f"SELECT id, minx, maxx, miny, maxy FROM rtree_{table}_geom")}
    layer = {k: shapely.from_wkb(b[8:]) for k, b in rows(db, f"SELECT fid, geom FROM {table} WHERE geom IS NOT NULL")}
    assert set(index) == set(layer)
    for key, at in layer.items():
        left, right, bottom, top = index[key]  # single precision, rounded outward
        assert left <= at.x <= right
        assert bottom <= at.y <= top
        assert top - bottom <= 2


def test_extensions_in_use_are_declared_and_name_real_tables(db: sqlite3.Connection) -> None:
    found = rows(db, "SELECT table_name, column_name, extension_name, definition, scope FROM gpkg_extensions")
    assert {(r[0], r[1], r[2], r[4]) for r in found} >= {
        ("hydrants", "geom", "gpkg_rtree_index", "write-only"),
        ("rejected", "geom", "gpkg_rtree_index", "write-only"),
        ("gpkg_data_columns", None, "gpkg_schema", "read-write"),
        ("gpkg_data_column_constraints", None, "gpkg_schema", "read-write"),
        ("gpkg_metadata", None, "gpkg_metadata", "read-write"),
        ("gpkg_metadata_reference", None, "gpkg_metadata", "read-write"),
    }
    tables = {r[0] for r in rows(db, "SELECT name FROM sqlite_master WHERE type = 'table'")}
    for table, column, _, definition, scope in found:
        assert table in tables
        assert column is None or column in columns(db, table)
        assert definition
        assert scope in ("read-write", "write-only")


def test_every_column_of_ours_is_described_and_every_description_has_its_column(db: sqlite3.Connection) -> None:
    found = rows(db, "SELECT table_name, column_name, title, description FROM gpkg_data_columns")
    for table, column, title, description in found:
        assert column in columns(db, table)
        assert title
        assert description
    # From the published list of columns, output in inches and feet.
    ours = [
        "hydrant_id",
        "job",
        "grade_before_ft",
        "grade_after_ft",
        "grade_change_in",
        "grade_change_sd_in",
        "before_source",
        "after_source",
        "clearance_before_in",
        "clearance_basis",
        "clearance_after_in",
        "clearance_after_sd_in",
        "action",
        "extension_in",
        "extension_parts",
        "extension_out_in",
        "raise_in",
        "runner_up",
        "clearance_final_in",
        "window_miss_in",
        "confidence",
        "firm",
        "measure_rank",
        "reason",
        "cautions",
        "review_action",
        "review_extension_in",
        "review_note",
        "review_changed",
    ]
    assert {r[1] for r in found if r[0] == "hydrants"} == set(ours)
    assert [c for c in columns(db, "hydrants") if c in ours] == ours


def test_the_types_of_our_columns_are_the_published_ones(db: sqlite3.Connection) -> None:
    kinds = {r[1]: r[2].split("(")[0] for r in db.execute("PRAGMA table_info(hydrants)")}
    text = "hydrant_id job before_source after_source clearance_basis action extension_parts runner_up reason cautions"
    assert {kinds[c] for c in f"{text} review_action review_note review_changed".split()} == {"TEXT"}
    assert {kinds[c] for c in ("grade_change_in", "confidence", "review_extension_in", "raise_in")} == {"REAL"}
    assert kinds["firm"] == "BOOLEAN"


# -- metadata ---------------------------------------------------------------------------------------------------


def made_from(db: sqlite3.Connection) -> dict:
    found = rows(db, "SELECT id, md_scope, md_standard_uri, mime_type, metadata FROM gpkg_metadata")
    ((number, scope, uri, mime, text),) = found
    assert (scope, mime) == ("dataset", "application/json")
    assert uri.startswith("http")
    ((kind, table, column, row, when, file, parent),) = rows(db, "SELECT * FROM gpkg_metadata_reference")
    assert (kind, table, column, row, file, parent) == ("geopackage", None, None, None, number, None)
    pd.Timestamp(when)
    return json.loads(text)


def test_the_metadata_hold_the_plan_the_catalogue_and_the_dates_of_the_jobs(
    db: sqlite3.Connection, sample: Sample
) -> None:
    made = made_from(db)
    assert Plan.parse(made["plan"]).as_written() == sample.plan.as_written()
    assert Catalog.parse(made["catalog"]) == sample.result.assessment.inputs.catalog
    assert made["day"] == TODAY.isoformat()
    # As the sample's own paving layer says.
    paving = gpd.read_file(sample.folder / "paving.gpkg")
    assert {j["name"]: j["starts"] for j in made["jobs"]} == {
        job: min(str(d)[:10] for d in group.start_date) for job, group in paving.groupby("job_id")
    }


# -- readers ----------------------------------------------------------------------------------------------------


def test_gdal_and_geopandas_read_the_layers(sample: Sample) -> None:
    listed = dict(pyogrio.list_layers(sample.package))
    assert {name for name in listed if name != "layer_styles"} == {*LAYERS, *VIEWS}
    assert listed["hydrants"] == "Point"
    for name, wanted in (("hydrants", sample.result.hydrants), ("rejected", sample.result.rejected)):
        got = gpd.read_file(sample.package, layer=name)
        assert got.crs == "EPSG:32615"
        assert len(got) == len(wanted)
        assert list(got.columns) == list(wanted.columns)
    assert len(pyogrio.read_dataframe(sample.package, layer="order")) == len(sample.result.order)


def test_what_gdal_reads_is_what_the_library_returns(sample: Sample) -> None:
    got = gpd.read_file(sample.package, layer="hydrants")
    want = sample.result.hydrants
    for name in ("hydrant_id", "job", "action", "extension_parts", "reason", "cautions", "before_source"):
        assert got[name].fillna("-").tolist() == want[name].fillna("-").tolist()
    for name in ("grade_change_in", "clearance_after_in", "confidence", "extension_in", "window_miss_in"):
        np.testing.assert_array_equal(got[name].to_numpy(float), want[name].to_numpy(float))
    assert got.firm.astype(bool).tolist() == want.firm.astype(bool).tolist()


def test_feature_counts_kept_for_gdal_are_true(db: sqlite3.Connection) -> None:
    for table, count in rows(db, "SELECT table_name, feature_count FROM gpkg_ogr_contents"):
        assert rows(db, f'SELECT count(*) FROM "{table}"') == [(count,)]


def test_options_are_probabilities_of_the_open_hydrants(sample: Sample) -> None:
    got = pyogrio.read_dataframe(sample.package, layer="options")
    assert (got.probability > 0).all()
    assert (got.groupby("hydrant_id").probability.sum() <= 1 + 1e-5).all()  # six digits each
    assert not got.duplicated(["hydrant_id", "raise"]).any()
    layer = sample.result.hydrants.set_index("hydrant_id")
    assert set(layer.action[got.hydrant_id]) == {"measure", "on_site"}


def test_decided_parts_and_options_weighted_by_their_chance_are_the_expected_quantities(sample: Sample) -> None:
    layer = sample.result.hydrants.set_index("hydrant_id")
    decided = layer[layer.action.isin(["keep", "extend", "shorten"])]
    options = pyogrio.read_dataframe(sample.package, layer="options").set_index("hydrant_id")
    found: Counter[tuple[str, str, float]] = Counter()
    for parts, chance in ((decided.extension_parts, 1.0), (options.parts, options.probability)):
        for (name, pieces), p in zip(parts.items(), np.broadcast_to(chance, len(parts)), strict=True):
            for piece in pieces.split("+") if isinstance(pieces, str) else ():
                found[layer.job[name], layer.family[name], float(piece)] += p
    lengths = sample.result.order[sample.result.order.item == "extension"]
    wanted = {(r.job, r.family, r.length_in): r.quantity_expected for r in lengths.itertuples()}
    assert {k: v for k, v in found.items() if v >= 0.005} == pytest.approx(wanted, abs=2e-3)


@pytest.mark.parametrize("z", [[None, 280.5], [280.5, None], [None] * 70 + [280.5]], ids=["last", "first", "late"])
def test_layers_with_and_without_heights_declare_what_they_hold(tmp_path: Path, z: list[float | None]) -> None:
    # z in gpkg_geometry_columns: 0 prohibited, 1 mandatory, 2 optional.
    shapes = [point(3 + i, 5 + i / 2, h) for i, h in enumerate(z)]
    layer = hydrants({"asset_id": [f"H{i}" for i in range(len(z))], "flange_in": 4.0}, shapes)
    write_grounds(tmp_path)
    layer.to_parquet(tmp_path / "h.parquet")
    run(Plan.parse(plan_values("h.parquet"), tmp_path))
    with closing(sqlite3.connect(tmp_path / "out" / "gradecheck.gpkg")) as db:
        ((rule,),) = rows(db, "SELECT z FROM gpkg_geometry_columns WHERE table_name = 'hydrants'")
        has = {shapely.from_wkb(b[8:]).has_z for (b,) in rows(db, "SELECT geom FROM hydrants")}
    assert has <= {0: {False}, 1: {True}, 2: {True, False}}[rule]


def test_a_layer_in_degrees_and_one_in_a_system_without_a_code_are_written_as_they_came(tmp_path: Path) -> None:
    own = "+proj=tmerc +lat_0=41 +lon_0=-93 +k=1 +x_0=1000 +y_0=2000 +datum=WGS84 +units=us-ft +no_defs"
    for name, crs in (("degrees", "EPSG:4326"), ("own", own)):
        folder = tmp_path / name
        folder.mkdir()
        layer = three().to_crs(crs)
        run(tiny_plan(folder, layer))
        got = gpd.read_file(folder / "out" / "gradecheck.gpkg", layer="hydrants")
        assert got.crs.equals(layer.crs) or got.crs.to_proj4() == layer.crs.to_proj4()
        assert got.geometry.geom_equals_exact(layer.geometry, 0).all()


# -- the default look -------------------------------------------------------------------------------------------

QML_SHAPES = {"triangle", "star", "square", "circle", "cross_fill", "cross2", "cross", "diamond", "pentagon"}
SLD_NAME = "{http://www.opengis.net/sld}"
OGC_NAME = "{http://www.opengis.net/ogc}"
# Well-known names of SLD 1.0.0 (OGC 02-070), clause 11.3.2.
SLD_SHAPES = {"square", "circle", "triangle", "star", "cross", "x"}


def style(db: sqlite3.Connection) -> tuple[ET.Element, ET.Element]:
    columns = "f_geometry_column, useAsDefault, styleQML, styleSLD"
    ((column, default, qml, sld),) = rows(db, f"SELECT {columns} FROM layer_styles WHERE f_table_name = 'hydrants'")
    assert (column, default) == ("geom", 1)
    return ET.fromstring(qml), ET.fromstring(sld)


def qml_marks(root: ET.Element) -> dict[str, tuple[str, str, str]]:
    """Shape, turn and colour by action."""
    renderer = root.find("renderer-v2")
    assert renderer is not None
    assert (renderer.get("type"), renderer.get("attr")) == ("categorizedSymbol", "action")
    symbols = {s.get("name"): s for s in renderer.iter("symbol")}
    out = {}
    for category in renderer.iter("category"):
        options = {o.get("name"): o.get("value") for o in symbols[category.get("symbol")].iter("Option")}
        red, green, blue = (int(v) for v in str(options["color"]).split(",")[:3])
        assert options["name"] in QML_SHAPES
        out[category.get("value")] = (options["name"], options["angle"], f"#{red:02x}{green:02x}{blue:02x}")
    return out


def sld_marks(root: ET.Element) -> dict[str, tuple[str, str, str]]:
    out = {}
    for rule in root.iter(f"{SLD_NAME}Rule"):
        if rule.find(f"{SLD_NAME}PointSymbolizer") is None:
            continue  # labels
        test = rule.find(f"{OGC_NAME}Filter/{OGC_NAME}PropertyIsEqualTo")
        assert test is not None
        assert test.findtext(f"{OGC_NAME}PropertyName") == "action"
        shape = rule.findtext(f".//{SLD_NAME}WellKnownName")
        assert shape in SLD_SHAPES
        colour = rule.findtext(f".//{SLD_NAME}Fill/{SLD_NAME}CssParameter")
        out[test.findtext(f"{OGC_NAME}Literal")] = (shape, rule.findtext(f".//{SLD_NAME}Rotation"), colour)
    return out


def test_both_styles_cover_every_action_and_no_other(db: sqlite3.Connection) -> None:
    qml, sld = style(db)
    actions = {a.name for a in Action}
    assert set(qml_marks(qml)) == set(sld_marks(sld)) == actions
    assert {r[0] for r in rows(db, "SELECT DISTINCT action FROM hydrants")} <= actions


def test_both_styles_show_the_same_colours_and_turns(db: sqlite3.Connection) -> None:
    qml, sld = style(db)
    assert {k: v[1:] for k, v in qml_marks(qml).items()} == {k: v[1:] for k, v in sld_marks(sld).items()}


VISION = {
    "normal": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
TOLD_APART = 15.0
"""CIE 1976 colour difference: 2.3 is just noticeable side by side, some 10 can be confused at a glance."""


def seen(colour: str, vision: str) -> np.ndarray:
    """CIELAB of an sRGB colour (IEC 61966-2-1, D65) as seen by a kind of colour vision."""
    srgb = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    linear = np.clip(VISION[vision] @ linear, 0, 1)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    relative = to_xyz @ linear / np.array([0.95047, 1.0, 1.08883])
    f = np.where(relative > (6 / 29) ** 3, np.cbrt(relative), relative / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_simulation_confuses_what_readers_confuse() -> None:
    # Red and green of the same lightness are one to a deutan reader; blue and yellow are not.
    apart = [np.linalg.norm(seen("#b05a00", v) - seen("#6f7a00", v)) for v in ("normal", "deutan")]
    assert apart[0] > 30 > 15 > apart[1]
    assert np.linalg.norm(seen("#0000ff", "deutan") - seen("#ffff00", "deutan")) > 100


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("kind", ["qml", "sld"])
def test_actions_differ_in_shape_or_in_a_colour_that_everyone_tells_apart(
    db: sqlite3.Connection, kind: str, vision: str
) -> None:
    qml, sld = style(db)
    marks = qml_marks(qml) if kind == "qml" else sld_marks(sld)
    for (one, a), (other, b) in itertools.combinations(marks.items(), 2):
        if a[:2] == b[:2]:
            difference = float(np.linalg.norm(seen(a[2], vision) - seen(b[2], vision)))
            assert difference >= TOLD_APART, (one, other, difference)


# -- put into place, or not at all ------------------------------------------------------------------------------


def digests(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


DELIVERABLES = [
    "gradecheck.gpkg",
    "measurements.csv",
    "notices.csv",
    "order.csv",
    "order.xlsx",
    "report.html",
    "run.json",
    "worksheets.pdf",
]


def test_a_run_writes_its_deliverables_and_touches_nothing_else(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("mine", encoding="utf-8")
    before = digests(tmp_path)
    run(plan)
    after = digests(tmp_path)
    assert {k: after[k] for k in before} == before
    assert set(after) - set(before) == {f"out/{name}" for name in (*DELIVERABLES, LOCK)}
    assert sorted(p.name for p in out.iterdir()) == sorted([*DELIVERABLES, LOCK, "notes.txt"])


def test_a_second_run_replaces_the_first(tmp_path: Path) -> None:
    run(tiny_plan(tmp_path))
    write_ground(tmp_path / "after.tif", 100.0)
    run(Plan.parse(plan_values(), tmp_path))
    got = gpd.read_file(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants")
    assert got.grade_change_in.tolist() == [0, 0, 0]


def _fail_on_csv(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(order_files, "write_csv", full)


def _fail_on_xlsx(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a fault of ours")

    monkeypatch.setattr(workbook, "write_workbook", broken)


def _fail_on_input(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "after.tif").write_bytes(b"no raster")


def _fail_on_sqlite(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from gradecheck.outputs import layer

    monkeypatch.setattr(layer, "_DDL", "CREATE TABLE broken (")


@pytest.mark.parametrize("fail", [_fail_on_csv, _fail_on_xlsx, _fail_on_input, _fail_on_sqlite])
def test_a_run_that_fails_leaves_the_former_files_as_they_were(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fail: object
) -> None:
    plan = tiny_plan(tmp_path)
    run(plan)
    before = digests(tmp_path / "out")
    fail(tmp_path, monkeypatch)  # type: ignore[operator]
    with pytest.raises(Exception):  # noqa: B017 - whatever it is, the files must stand
        run(plan)
    assert digests(tmp_path / "out") == before
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == sorted([*DELIVERABLES, LOCK])


@pytest.mark.parametrize("name", DELIVERABLES)
def test_a_deliverable_that_cannot_be_replaced_leaves_all_the_others_as_they_were(tmp_path: Path, name: str) -> None:
    # A folder of that name stands for a workbook held open by an office program: it cannot be replaced.
    plan = tiny_plan(tmp_path)
    run(plan)
    (tmp_path / "out" / name).unlink()
    (tmp_path / "out" / name).mkdir()
    (tmp_path / "out" / name / "kept").write_text("x", encoding="utf-8")
    before = digests(tmp_path / "out")
    with pytest.raises(OutputError):
        run(plan)
    assert digests(tmp_path / "out") == before
    assert [p.name for p in (tmp_path / "out").iterdir() if p.name.startswith(".")] == [LOCK]


def test_a_first_run_that_fails_leaves_no_folder_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = tiny_plan(tmp_path)
    _fail_on_csv(tmp_path, monkeypatch)
    with pytest.raises(OutputError, match="No space left"):
        run(plan)
    assert not (tmp_path / "out").exists()


def refused(plan: Plan, package: Path) -> str:
    """The message of a run that must not touch the package; `inspect` must say the same."""
    before = hashlib.sha256(package.read_bytes()).hexdigest()
    with pytest.raises(OutputError) as caught:
        run(plan)
    assert hashlib.sha256(package.read_bytes()).hexdigest() == before
    (finding,) = caught.value.findings
    assert finding in inspect(plan).stops
    assert "gradecheck.gpkg" in finding.where
    assert finding.mend
    return finding.what


@pytest.mark.parametrize("lock", ["BEGIN IMMEDIATE", "BEGIN EXCLUSIVE"])
def test_a_file_that_another_program_is_writing_is_refused_with_a_clear_message(tmp_path: Path, lock: str) -> None:
    plan = tiny_plan(tmp_path)
    run(plan)
    package = tmp_path / "out" / "gradecheck.gpkg"
    with closing(sqlite3.connect(package)) as other:
        other.execute(lock)
        assert "open" in refused(plan, package)
        other.rollback()
    run(plan)


def test_a_file_that_another_program_is_reading_is_refused(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    run(plan)
    package = tmp_path / "out" / "gradecheck.gpkg"
    with closing(sqlite3.connect(package)) as other:
        other.execute("BEGIN")
        other.execute("SELECT count(*) FROM hydrants").fetchall()
        assert "open" in refused(plan, package)


def test_a_file_open_in_write_ahead_mode_is_refused(tmp_path: Path) -> None:
    # Desktop GIS open GeoPackages so: files ending in -wal and -shm stand beside it.
    plan = tiny_plan(tmp_path)
    run(plan)
    package = tmp_path / "out" / "gradecheck.gpkg"
    with closing(sqlite3.connect(package)) as other:
        other.execute("PRAGMA journal_mode = WAL")
        other.execute("CREATE TABLE scratch (a)")
        assert Path(f"{package}-wal").exists()
        what = refused(plan, package)
    assert "-wal" in what
    assert "open" in what


def test_a_half_written_file_from_elsewhere_is_replaced(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "gradecheck.gpkg").write_bytes(b"half a file")
    run(plan)
    assert len(gpd.read_file(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants")) == 3


@pytest.mark.parametrize(
    ("column", "value"), [("review_action", "'keep'"), ("review_extension_in", "0.0"), ("review_note", "'looked at'")]
)
def test_review_edits_are_never_overwritten(tmp_path: Path, column: str, value: str) -> None:
    plan = tiny_plan(tmp_path)
    run(plan)
    package = tmp_path / "out" / "gradecheck.gpkg"
    with closing(sqlite3.connect(package)) as db:
        with_functions(db)
        db.execute(f"UPDATE hydrants SET {column} = {value} WHERE hydrant_id = 'H-2'")
        db.commit()
    written = gpd.read_file(package, layer="hydrants").set_index("hydrant_id").loc["H-2", column]
    run(plan)
    assert gpd.read_file(package, layer="hydrants").set_index("hydrant_id").loc["H-2", column] == written


def test_blank_edits_are_no_edits(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    run(plan)
    with closing(sqlite3.connect(tmp_path / "out" / "gradecheck.gpkg")) as db:
        with_functions(db)
        db.execute("UPDATE hydrants SET review_action = '', review_note = NULL")
        db.commit()
    run(plan)


def test_an_output_place_that_is_no_folder_is_refused(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    (tmp_path / "out").write_text("a file", encoding="utf-8")
    for place in ("out", "out/deeper"):
        with pytest.raises(OutputError, match="is a file, not a folder"):
            run(plan.with_output(place))
    assert (tmp_path / "out").read_text(encoding="utf-8") == "a file"


# -- run.json ---------------------------------------------------------------------------------------------------


def test_run_json_names_the_files_read_and_written_with_size_and_digest(sample: Sample) -> None:
    told = json.loads((sample.out / "run.json").read_text(encoding="utf-8"))
    assert set(told["outputs"]) == set(DELIVERABLES) - {"run.json"}
    for name in told["outputs"]:
        content = (sample.out / name).read_bytes()
        assert told["outputs"][name] == {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    read = {(f["role"], f["path"]): f for f in told["inputs"]}
    assert set(read) == {
        ("plan", "plan.toml"),
        ("hydrants", "hydrants.gpkg"),
        ("paving", "paving.gpkg"),
        ("catalog", "extensions.toml"),
        ("before", "existing/west.tif"),
        ("before", "existing/east.tif"),
        ("after", "design.tif"),
    }
    for (_, path), entry in read.items():
        content = (sample.folder / path).read_bytes()
        assert (entry["bytes"], entry["sha256"]) == (len(content), hashlib.sha256(content).hexdigest())


def test_run_json_tells_versions_plan_counts_assumptions_and_timings(sample: Sample) -> None:
    told = json.loads((sample.out / "run.json").read_text(encoding="utf-8"))
    assert told["plan"] == sample.plan.as_written()
    assert told["counts"]["hydrants"] == len(sample.result.hydrants)
    assert told["actions"] == sample.result.hydrants.action.value_counts().to_dict()
    assert told["versions"]["pandas"] == pd.__version__
    assert told["versions"]["gdal_layers"] == pyogrio.__gdal_version_string__
    assert told["assumed"] == list(sample.result.assessment.inputs.assumed)
    assert set(told) >= {"warnings", "timings_s", "day"}


# -- the sample project -----------------------------------------------------------------------------------------


def test_every_action_but_relocate_occurs_in_the_sample(sample: Sample) -> None:
    assert set(sample.result.hydrants.action) == {a.name for a in Action} - {"relocate"}
    assert sample.result.summary["counts"]["rejected"] >= 3
    assert sample.result.hydrants.job.nunique() == 3


def test_the_sample_is_the_same_wherever_it_is_written(sample: Sample, tmp_path: Path) -> None:
    copy = tmp_path / "moved"
    shutil.copytree(sample.folder, copy, ignore=shutil.ignore_patterns("out"))
    again = run(Plan.load(copy / "plan.toml"), today=date(2027, 2, 1))
    pd.testing.assert_frame_equal(again.order, sample.result.order)
    pd.testing.assert_frame_equal(
        pd.DataFrame(again.hydrants.drop(columns="geometry")),
        pd.DataFrame(sample.result.hydrants.drop(columns="geometry")),
    )
