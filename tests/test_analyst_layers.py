"""What the GeoPackage offers in a desktop GIS, judged by the OGC standard, sqlite3, GDAL, geopandas and QGIS.

Rules: OGC 12-128r19, GeoPackage Encoding Standard 1.4, annex F.9 (Schema extension) and clause 2.1 (features);
OGC 02-070, Styled Layer Descriptor 1.0. QGIS is asked in a process of its own, where Debian's package is installed.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import geopandas as gpd
import pyogrio
import pytest

from gradecheck import Action
from gradecheck.outputs import analyst
from tests.conftest import Sample
from tests.edits import with_functions

VIEWS = {
    "to_extend": {"extend", "shorten"},
    "to_measure_first": {"measure"},
    "for_the_engineer": {"too_high", "between_lengths", "relocate", "no_elevation", "on_site"},
}
SLD = "{http://www.opengis.net/sld}"
OGC = "{http://www.opengis.net/ogc}"


@pytest.fixture(scope="module")
def dressed(sample: Sample, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample's GeoPackage, dressed. Not to be changed: copy it first."""
    path = tmp_path_factory.mktemp("dressed") / "gradecheck.gpkg"
    shutil.copy(sample.package, path)
    with closing(sqlite3.connect(path)) as db, db:
        analyst.dress(db, "in")
    return path


@pytest.fixture
def package(dressed: Path, tmp_path: Path) -> Path:
    """A copy to change."""
    return Path(shutil.copy(dressed, tmp_path / "gradecheck.gpkg"))


@pytest.fixture
def db(dressed: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(f"file:{dressed}?mode=ro", uri=True)) as connection:
        yield connection


def rows(db: sqlite3.Connection, query: str, *values: object) -> list[tuple]:
    return db.execute(query, values).fetchall()


# -- pick list and aliases --------------------------------------------------------------------------------------


def test_review_action_is_an_enumeration_of_every_action_as_the_schema_extension_writes_one(
    db: sqlite3.Connection,
) -> None:
    # Annex F.9: of an enum, value is not null and min, max and their flags are null.
    ((name,),) = rows(
        db,
        "SELECT constraint_name FROM gpkg_data_columns WHERE table_name = 'hydrants' AND column_name = 'review_action'",
    )
    found = rows(db, "SELECT * FROM gpkg_data_column_constraints WHERE constraint_name = ?", name)
    assert {r[1] for r in found} == {"enum"}
    assert {r[3:7] for r in found} == {(None, None, None, None)}
    assert sorted(r[2] for r in found) == sorted(a.name for a in Action)
    assert len({r[7] for r in found}) == len(found)
    assert all(r[7] for r in found)


def test_every_constraint_that_a_column_names_is_there(db: sqlite3.Connection) -> None:
    named = {r[0] for r in rows(db, "SELECT constraint_name FROM gpkg_data_columns WHERE constraint_name NOTNULL")}
    assert named == {r[0] for r in rows(db, "SELECT constraint_name FROM gpkg_data_column_constraints")}


def test_columns_have_names_for_people_with_their_unit_no_two_the_same(db: sqlite3.Connection) -> None:
    found = dict(rows(db, "SELECT column_name, name FROM gpkg_data_columns WHERE table_name = 'hydrants'"))
    assert found["grade_before_ft"] == "grade before (ft)"
    assert found["review_extension_in"] == "review extension (in)"
    assert found["extension_parts"] == "extension parts"
    assert found["job"] == "job"
    assert len(set(found.values())) == len(found)


# -- views ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("view", VIEWS)
def test_a_view_holds_the_hydrants_of_its_actions_and_all_their_columns(dressed: Path, view: str) -> None:
    layer = gpd.read_file(dressed, layer="hydrants", fid_as_index=True)
    held = layer.cautions.fillna("").str.contains("fill_over_review|cut_over_review|cover_below_min")
    wanted = layer[layer.action.isin(VIEWS[view]) | (held & (view == "for_the_engineer"))]
    got = gpd.read_file(dressed, layer=view, fid_as_index=True)
    assert len(wanted)
    assert got.crs == layer.crs
    assert set(got.columns) == set(layer.columns)
    columns = [c for c in layer.columns if c not in ("geometry", "measure_rank")]
    assert got.measure_rank.fillna(0).tolist() == wanted.measure_rank.fillna(0).tolist()  # whole numbers, or floats
    assert got[columns].astype(str).equals(wanted[columns].astype(str))
    assert got.geometry.geom_equals(wanted.geometry).all()


@pytest.mark.parametrize("view", VIEWS)
def test_gdal_finds_those_of_a_view_within_a_box(dressed: Path, view: str) -> None:
    everything = gpd.read_file(dressed, layer=view)
    middle = everything.geometry.x.median()
    left, bottom, _, top = everything.total_bounds
    got = gpd.read_file(dressed, layer=view, bbox=(left, bottom, middle, top))
    assert set(got.hydrant_id) == set(everything.hydrant_id[everything.geometry.x <= middle])


def test_views_are_listed_with_a_title_their_geometry_and_a_first_column_that_is_a_key(
    db: sqlite3.Connection, dressed: Path
) -> None:
    listed = dict(pyogrio.list_layers(dressed))
    of = "geometry_type_name, srs_id, z, m FROM gpkg_geometry_columns WHERE table_name"
    for view in VIEWS:
        assert listed[view] == "Point"
        assert rows(db, f"SELECT {of} = ?", view) == rows(db, f"SELECT {of} = 'hydrants'")
        ((kind, title, description, srs),) = rows(
            db, "SELECT data_type, identifier, description, srs_id FROM gpkg_contents WHERE table_name = ?", view
        )
        assert (kind, srs) == ("features", 32615)
        assert "_" not in title
        assert "read only" in description.lower()
        info = rows(db, f"PRAGMA table_info({view})")
        assert info[0][1:3] == ("fid", "INTEGER")
        assert info == [r[:3] + i[3:] for r, i in zip(rows(db, "PRAGMA table_info(hydrants)"), info, strict=True)]
        keys = [r[0] for r in rows(db, f"SELECT fid FROM {view}")]
        assert len(set(keys)) == len(keys)
        assert None not in keys


REVIEWS = [
    ("extend", "measure", None, "to_measure_first"),
    ("extend", "Too High", None, "for_the_engineer"),
    ("extend", " on-site ", None, "for_the_engineer"),
    ("extend", "keep", None, None),
    ("extend", "", None, "to_extend"),
    ("extend", "perhaps", 24.0, "to_extend"),
    ("measure", None, 12.0, "to_extend"),
    ("measure", "perhaps", 12.0, "to_measure_first"),
    ("outside", "shorten", 0.0, "to_extend"),
]


@pytest.mark.parametrize(("computed", "action", "length", "wanted"), REVIEWS)
def test_a_reviewed_hydrant_stands_in_the_view_of_what_the_reviewer_wrote(
    package: Path, computed: str, action: str | None, length: float | None, wanted: str | None
) -> None:
    with closing(sqlite3.connect(package)) as db:
        with_functions(db)
        ((key,),) = rows(db, "SELECT min(fid) FROM hydrants WHERE action = ?", computed)
        db.execute(
            "UPDATE hydrants SET review_action = ?, review_extension_in = ? WHERE fid = ?", (action, length, key)
        )
        found = [v for v in VIEWS if rows(db, f"SELECT fid FROM {v} WHERE fid = ?", key)]
        assert found == ([wanted] if wanted else [])


# -- the file stays sound ---------------------------------------------------------------------------------------


def test_sqlite_finds_no_fault_and_dressing_twice_changes_nothing(package: Path) -> None:
    tables = ("gpkg_contents", "gpkg_geometry_columns", "gpkg_data_columns", "gpkg_data_column_constraints")
    with closing(sqlite3.connect(package)) as db:

        def state() -> list[list[tuple]]:
            shown = [sorted(map(str, rows(db, f"SELECT * FROM {t}"))) for t in tables if t != "gpkg_contents"]
            shown.append(rows(db, "SELECT table_name, identifier, description FROM gpkg_contents ORDER BY 1"))
            shown.append(rows(db, "SELECT name, sql FROM sqlite_master ORDER BY name"))
            shown.append(rows(db, "SELECT f_table_name, styleQML, styleSLD FROM layer_styles ORDER BY 1"))
            return shown

        assert rows(db, "PRAGMA integrity_check") == [("ok",)]
        assert rows(db, "PRAGMA foreign_key_check") == []
        before = state()
        with db:
            analyst.dress(db, "in")
        assert state() == before


def test_a_column_of_the_layer_can_still_be_added_and_deleted(package: Path) -> None:
    with closing(sqlite3.connect(package)) as db:
        db.execute("ALTER TABLE hydrants ADD COLUMN crew TEXT")
        db.execute("ALTER TABLE hydrants DROP COLUMN street")
        names = [r[1] for r in rows(db, "PRAGMA table_info(to_extend)")]
    assert "crew" in names
    assert "street" not in names


# -- styles -----------------------------------------------------------------------------------------------------


def test_every_layer_with_a_place_has_one_default_style_of_well_formed_documents(db: sqlite3.Connection) -> None:
    found = rows(db, "SELECT f_table_name, f_geometry_column, useAsDefault, styleQML, styleSLD FROM layer_styles")
    assert sorted(r[0] for r in found) == sorted(
        ["hydrants", "rejected", "limits", "measuring_walks", "stable_points", *VIEWS]
    )
    for _, column, default, qml, sld in found:
        assert (column, default) == ("geom", 1)
        assert ET.fromstring(qml).tag == "qgis"
        assert ET.fromstring(sld).tag == f"{SLD}StyledLayerDescriptor"


def test_labels_of_the_sld_have_the_id_the_parts_and_a_scale_and_leave_no_hydrant_out(db: sqlite3.Connection) -> None:
    ((text,),) = rows(db, "SELECT styleSLD FROM layer_styles WHERE f_table_name = 'hydrants'")
    rules = [r for r in ET.fromstring(text).iter(f"{SLD}Rule") if r.find(f"{SLD}TextSymbolizer") is not None]
    shown = {}
    for rule in rules:
        assert rule.findtext(f"{SLD}MaxScaleDenominator") == "2500"
        # Order of the parts of a rule: OGC 02-070, annex A.
        order = ["Name", "Title", "Filter", "MaxScaleDenominator", "TextSymbolizer"]
        assert [e.tag.split("}")[1] for e in rule] == order
        label = rule.find(f"{SLD}TextSymbolizer/{SLD}Label")
        shown[rule.findtext(f"{SLD}Name")] = [(e.text, e.tail) for e in label]
    assert shown == {"parts": [("hydrant_id", ": "), ("extension_parts", " in")], "id": [("hydrant_id", None)]}
    parts, others = (
        rule.find(f"{OGC}Filter")[0] for rule in sorted(rules, key=lambda r: r.findtext(f"{SLD}Name"))[::-1]
    )
    assert others.tag == f"{OGC}Not"
    assert ET.tostring(others[0]).strip() == ET.tostring(parts).strip()


def test_layers_under_the_hydrants_are_dressed_where_they_are_there(package: Path) -> None:
    ground = gpd.read_file(package, layer="to_extend").geometry
    for name, shapes in (("limits", ground.buffer(20)), ("roads", ground.buffer(5).boundary)):
        gpd.GeoDataFrame(geometry=shapes).to_file(package, layer=name)
    with closing(sqlite3.connect(package)) as db:
        with db:
            analyst.styles(db, "in")
        found = dict(rows(db, "SELECT f_table_name, styleSLD FROM layer_styles"))
    assert "<sld:PolygonSymbolizer>" in found["limits"]
    assert "<sld:LineSymbolizer>" in found["roads"]
    assert "pavement" not in found


# -- edits of others survive ------------------------------------------------------------------------------------

EDIT = {"review_action": "extend", "review_extension_in": 18.0, "review_note": "seen on site:\n2 in of mulch"}


def edited(package: Path, name: str) -> dict[str, Any]:
    layer = gpd.read_file(package, layer="hydrants").set_index("hydrant_id")
    assert layer.review_action.notna().sum() == 1
    return layer.loc[name, list(EDIT)].to_dict()


def measured_one(package: Path) -> str:
    layer = gpd.read_file(package, layer="to_measure_first")
    return str(layer.hydrant_id.iloc[0])


def test_plain_sqlite_with_the_standard_s_functions_can_edit_the_layer(package: Path) -> None:
    name = measured_one(package)
    with closing(sqlite3.connect(package)) as db, db:
        with_functions(db)
        assert rows(db, "SELECT count(*) FROM sqlite_master WHERE name LIKE 'rtree_hydrants_geom_update%'")[0][0] > 0
        sets = ", ".join(f"{k} = ?" for k in EDIT)
        db.execute(f"UPDATE hydrants SET {sets} WHERE hydrant_id = ?", (*EDIT.values(), name))
    assert edited(package, name) == EDIT


def test_plain_sqlite_without_them_is_refused_and_changes_nothing(package: Path) -> None:
    # Annex F.3: the triggers need ST_IsEmpty and the like, which bare SQLite lacks.
    with closing(sqlite3.connect(package)) as db:
        with pytest.raises(sqlite3.OperationalError, match="ST_IsEmpty"):
            db.execute("UPDATE hydrants SET review_note = 'x'")
        assert rows(db, "SELECT count(review_note) FROM hydrants") == [(0,)]


def test_a_layer_written_back_by_geopandas_keeps_its_edits_views_and_style(package: Path) -> None:
    name = measured_one(package)
    layer = gpd.read_file(package, layer="hydrants")
    for column, value in EDIT.items():
        layer[column] = layer[column].astype(object)
        layer.loc[layer.hydrant_id == name, column] = value
    layer["review_extension_in"] = layer.review_extension_in.astype(float)
    pyogrio.write_dataframe(layer, package, layer="hydrants", geometry_name="geom")
    assert edited(package, name) == EDIT
    assert name in set(gpd.read_file(package, layer="to_extend").hydrant_id)
    assert name not in set(gpd.read_file(package, layer="to_measure_first").hydrant_id)
    with closing(sqlite3.connect(package)) as db:
        assert rows(db, "SELECT count(*) FROM layer_styles WHERE f_table_name = 'hydrants'") == [(1,)]
        assert rows(db, "PRAGMA integrity_check") == [("ok",)]


QGIS_PYTHON = shutil.which("python3", path=os.defpath)
QGIS = r"""
import json, sys
from osgeo import gdal
from qgis.core import (QgsApplication, QgsExpression, QgsExpressionContextUtils, QgsMapRendererSequentialJob,
                       QgsMapSettings, QgsVectorLayer)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor

package, edit = sys.argv[1], json.loads(sys.argv[2])
app = QgsApplication([], False)
app.initQgis()
out = {}

source = gdal.OpenEx(package, gdal.OF_VECTOR)
out["domain"] = {f.GetName(): f.GetDomainName() for f in source.GetLayer("hydrants").schema if f.GetDomainName()}
out["enumeration"] = source.GetFieldDomain(out["domain"]["review_action"]).GetEnumeration()
del source


def opened(name):
    layer = QgsVectorLayer(f"{package}|layername={name}", name, "ogr")
    assert layer.isValid()
    out.setdefault("styled", {})[name] = [layer.loadDefaultStyle()[1], layer.renderer().type(), layer.labelsEnabled()]
    return layer


def labels(layer):
    expression = QgsExpression(layer.labeling().settings().fieldName)
    assert not expression.hasParserError()
    context = lambda f: QgsExpressionContextUtils.createFeatureBasedContext(f, layer.fields())
    return {f["hydrant_id"]: expression.evaluate(context(f)) for f in layer.getFeatures()}


def pixels(layer, scale):
    box = layer.extent()
    settings = QgsMapSettings()
    settings.setLayers([layer])
    settings.setDestinationCrs(layer.crs())
    settings.setBackgroundColor(QColor("white"))
    settings.setOutputDpi(96)
    settings.setOutputSize(QSize(600, 400))
    at = next(layer.getFeatures()).geometry().asPoint()
    box.set(at.x() - 1, at.y() - 1, at.x() + 1, at.y() + 1)
    settings.setExtent(box)
    box.scale(scale / settings.scale())
    settings.setExtent(box)
    job = QgsMapRendererSequentialJob(settings)
    job.start()
    job.waitForFinished()
    image = job.renderedImage()
    return [image.pixelColor(x, y) for x in range(600) for y in range(400)]


layer = opened("hydrants")
names = layer.fields().names()
out["alias"] = {f.name(): f.alias() for f in layer.fields()}
form = layer.editFormConfig()
out["read_only"] = [n for i, n in enumerate(names) if form.readOnly(i)]
out["widget"] = {n: [layer.editorWidgetSetup(names.index(n)).type(), layer.editorWidgetSetup(names.index(n)).config()]
                 for n in names if n.startswith("review_")}
settings = layer.labeling().settings()
out["scales"] = [settings.scaleVisibility, settings.minimumScale, settings.maximumScale]
out["labels"] = labels(layer)
shown = [pixels(opened("to_extend"), scale) for scale in (2400, 2600)]
out["dark"] = [sum(max(c.red(), c.green(), c.blue()) < 100 for c in image) for image in shown]
out["blue"] = [sum(c.name() == "#0b5fa5" for c in image) for image in shown]

feature = next(f for f in layer.getFeatures() if f["hydrant_id"] == edit["hydrant_id"])
out["started"] = layer.startEditing()
for column, value in edit["set"].items():
    layer.changeAttributeValue(feature.id(), names.index(column), value)
out["committed"] = layer.commitChanges()
out["labels_after"] = labels(layer)
views = {n: opened(n) for n in edit["views"]}
out["views"] = {n: sorted(f["hydrant_id"] for f in v.getFeatures()) for n, v in views.items()}
opened("rejected")
out["view_starts"] = {n: v.startEditing() for n, v in views.items()}
out["view_flags"] = {n: int(v.flags()) == int(layer.flags()) for n, v in views.items()}
first = next(views["to_extend"].getFeatures()).id()
out["view_edit"] = views["to_extend"].dataProvider().changeAttributeValues({first: {names.index("review_note"): "x"}})
del layer, views, form
print("OUT" + json.dumps(out))
"""


@pytest.fixture(scope="module")
def in_qgis(dressed: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, dict[str, Any]]:
    """A package edited in QGIS, the hydrant that was edited, and what QGIS told on the way."""
    environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
    environment.pop("PYTHONPATH", None)
    probe = [QGIS_PYTHON or "", "-c", "import qgis.core, osgeo.gdal"]
    if QGIS_PYTHON is None or subprocess.run(probe, env=environment, capture_output=True).returncode:
        pytest.skip("QGIS for the system's Python is not installed")
    package = Path(shutil.copy(dressed, tmp_path_factory.mktemp("qgis") / "gradecheck.gpkg"))
    name = measured_one(package)
    edit = json.dumps({"hydrant_id": name, "set": EDIT, "views": list(VIEWS)})
    done = subprocess.run(
        [QGIS_PYTHON, "-c", QGIS, str(package), edit], env=environment, capture_output=True, text=True, timeout=120
    )
    told = [line for line in done.stdout.splitlines() if line.startswith("OUT")]
    assert told, done.stderr
    return package, name, json.loads(told[0][3:])


def test_qgis_edits_the_layer_and_the_views_follow(in_qgis: tuple[Path, str, dict[str, Any]]) -> None:
    package, name, told = in_qgis
    assert (told["started"], told["committed"]) == (True, True)
    assert edited(package, name) == EDIT
    assert name in told["views"]["to_extend"]
    assert name not in told["views"]["to_measure_first"]
    with closing(sqlite3.connect(package)) as db:
        assert rows(db, "PRAGMA integrity_check") == [("ok",)]


def test_qgis_does_not_let_a_view_be_edited(in_qgis: tuple[Path, str, dict[str, Any]]) -> None:
    package, _, told = in_qgis
    assert told["view_starts"] == dict.fromkeys(VIEWS, False)
    assert told["view_flags"] == dict.fromkeys(VIEWS, True)  # can still be selected, searched, taken away
    assert told["view_edit"] is False
    assert not gpd.read_file(package, layer="to_extend").review_note.eq("x").any()


def test_gdal_reads_the_pick_list_as_the_domain_of_the_field(in_qgis: tuple[Path, str, dict[str, Any]]) -> None:
    told = in_qgis[2]
    assert list(told["domain"]) == ["review_action"]
    assert set(told["enumeration"]) == {a.name for a in Action}


def test_the_form_in_qgis_offers_the_actions_and_locks_what_is_computed(
    in_qgis: tuple[Path, str, dict[str, Any]], db: sqlite3.Connection
) -> None:
    told = in_qgis[2]
    kind, settings = told["widget"]["review_action"]
    offered = [value for pair in settings["map"] for value in pair.values()]
    assert kind == "ValueMap"
    # QGIS's own sign for NULL, QgsValueMapFieldFormatter::NULL_VALUE: an edit can be taken back.
    assert offered[0] == "{2839923C-8B7D-419E-B84B-CA2FE9B80EC7}"
    assert sorted(offered[1:]) == sorted(a.name for a in Action)
    assert told["widget"]["review_note"] == ["TextEdit", {"IsMultiline": True, "UseHtml": False}]
    assert told["widget"]["review_extension_in"][0] == "TextEdit"
    ours = {r[0] for r in rows(db, "SELECT column_name FROM gpkg_data_columns WHERE table_name = 'hydrants'")}
    assert set(told["read_only"]) == ours - set(EDIT)
    assert told["alias"]["grade_change_in"] == "grade change (in)"


def test_qgis_finds_a_style_for_every_layer_with_a_place(in_qgis: tuple[Path, str, dict[str, Any]]) -> None:
    labelled = ["hydrants", *VIEWS]
    assert in_qgis[2]["styled"] == {n: [True, "categorizedSymbol", n in labelled] for n in [*labelled, "rejected"]}


def test_labels_in_qgis_show_the_id_the_parts_and_the_review(
    in_qgis: tuple[Path, str, dict[str, Any]], dressed: Path
) -> None:
    _, name, told = in_qgis
    for row in gpd.read_file(dressed, layer="hydrants").itertuples():
        parts = f"\n{row.extension_parts} in" if row.action in ("extend", "shorten") else ""
        assert told["labels"][row.hydrant_id] == row.hydrant_id + parts
    assert told["labels_after"][name] == f"{name}\nreview: extend 18 in"


def test_labels_are_drawn_from_their_scale_on_and_marks_always(in_qgis: tuple[Path, str, dict[str, Any]]) -> None:
    told = in_qgis[2]
    assert told["scales"] == [True, 2500, 0]
    near, far = told["dark"]
    assert near > far + 50
    assert min(told["blue"]) > 20
