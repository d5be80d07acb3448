"""Limits, roads and pavement in the GeoPackage, judged by sqlite3, GDAL, geopandas, PROJ, shapely and QGIS.

What is wanted comes from the input files themselves, read here by other means than the package's.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely
from pyproj import Transformer

from gradecheck import Plan, Result, compute, run
from gradecheck.outputs import layer as package_of
from gradecheck.outputs import supports
from gradecheck.pipeline import order
from gradecheck.reference import Path as Way
from gradecheck.surroundings import surroundings
from tests.conftest import TODAY, Sample
from tests.drawings import level, street, write_landxml, write_lines
from tests.projects import CRS, EAST, NORTH, hydrants, plan_values, three, tiny_plan, write_ground, write_grounds

SUPPORTING = ["measuring_walks", "stable_points", "roads", "limits", "limits_lines", "pavement"]
FT = 0.3048
XML = "{http://www.landxml.org/schema/LandXML-1.2}"
SLD = "{http://www.opengis.net/sld}"


def box(left: float, bottom: float, right: float, top: float) -> shapely.Polygon:
    """Metres in the square."""
    return shapely.box(EAST + left, NORTH + bottom, EAST + right, NORTH + top)


def line(*places: tuple[float, float]) -> shapely.LineString:
    """Metres in the square."""
    return shapely.LineString([(EAST + x, NORTH + y) for x, y in places])


def layers(package: Path) -> list[str]:
    """The supporting layers that are there, in the order in which GDAL lists them."""
    return [name for name in pyogrio.list_layers(package)[:, 0] if name in SUPPORTING[2:]]


def rows(package: Path, query: str) -> list[tuple]:
    with closing(sqlite3.connect(f"file:{package}?mode=ro", uri=True)) as db:
        return db.execute(query).fetchall()


def written(folder: Path, shapes: list[Any], crs: str = CRS, name: str = "paving.gpkg", **columns: Any) -> str:
    columns = columns or {"job_id": [f"J{i}" for i in range(len(shapes))]}
    gpd.GeoDataFrame(pd.DataFrame(columns), geometry=gpd.GeoSeries(shapes, crs=CRS), crs=CRS).to_crs(crs).to_file(
        folder / name
    )
    return name


def packed(plan: Plan, package: Path) -> Result:
    """What a plan gives, and of its deliverables the GeoPackage only."""
    result = compute(plan, today=TODAY)
    package_of.write_layers(result.assessment, surroundings(result.assessment.inputs), package, {})
    return result


def tiny(folder: Path, layer: gpd.GeoDataFrame | None = None, **sections: Any) -> Path:
    """The tiny project's GeoPackage."""
    packed(tiny_plan(folder, layer, **sections), folder / "gradecheck.gpkg")
    return folder / "gradecheck.gpkg"


@pytest.fixture(scope="module")
def sample_run(sample: Sample, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., tuple[Result, Path, Path]]:
    """Another plan of the sample, hydrants in a system of one's choice, run once: what was found, folder, package."""
    done: dict[tuple[str, str], tuple[Result, Path, Path]] = {}

    def once(name: str, crs: str = "EPSG:32615") -> tuple[Result, Path, Path]:
        if (name, crs) not in done:
            folder = tmp_path_factory.mktemp("sample") / "q"
            shutil.copytree(sample.folder, folder, ignore=shutil.ignore_patterns("out*"))
            if crs != "EPSG:32615":
                moved = gpd.read_file(folder / "hydrants.gpkg").to_crs(crs)
                (folder / "hydrants.gpkg").unlink()
                moved.to_file(folder / "hydrants.gpkg", layer="hydrants")
            package = folder / "gradecheck.gpkg"
            done[name, crs] = packed(Plan.load(folder / f"{name}.toml"), package), folder, package
        return done[name, crs]

    return once


# -- what is there, and what is not -----------------------------------------------------------------------------


def test_layers_are_there_only_where_they_are_given(sample: Sample, sample_run: Any, tmp_path: Path) -> None:
    assert layers(sample.package) == ["limits"]
    assert layers(sample_run("yarrow")[2]) == ["roads", "pavement"]
    assert layers(sample_run("bramble")[2]) == ["roads"]
    assert layers(sample_run("quince")[2]) == []
    assert layers(tiny(tmp_path)) == []


@pytest.mark.parametrize("name", ["plan", "yarrow", "bramble"])
def test_hydrants_are_the_first_layer_and_those_under_them_come_before_the_views(sample_run: Any, name: str) -> None:
    listed = list(pyogrio.list_layers(sample_run(name)[2])[:, 0])
    assert listed[:2] == ["hydrants", "rejected"]
    under = [i for i, layer in enumerate(listed) if layer in SUPPORTING]
    assert under == list(range(2, 2 + len(under)))
    assert listed[under[-1] + 1] == "to_extend"


def test_each_says_what_its_columns_mean_and_that_edits_do_not_last(sample_run: Any, sample: Sample) -> None:
    for package in (sample.package, sample_run("yarrow")[2]):
        for layer in layers(package):
            described = f"SELECT column_name, name, description FROM gpkg_data_columns WHERE table_name = '{layer}'"
            found = rows(package, described)
            columns = {r[1] for r in rows(package, f"PRAGMA table_info({layer})")} - {"fid", "geom"}
            assert {r[0] for r in found} == columns
            assert len({r[1] for r in found}) == len(found)
            assert all("{" not in f"{r}" and r[2] for r in found)
            assert "made anew" in pyogrio.read_info(package, layer=layer)["layer_metadata"]["DESCRIPTION"]
    assert ("length_ft", "length (ft)") in {
        r[:2] for r in rows(sample_run("yarrow")[2], "SELECT column_name, name FROM gpkg_data_columns")
    }


# -- limits -----------------------------------------------------------------------------------------------------


def test_limits_are_the_polygons_of_the_plan_with_their_job_its_start_and_how_many_it_reaches(sample: Sample) -> None:
    want = gpd.read_file(sample.folder / "paving.gpkg")
    got = gpd.read_file(sample.package, layer="limits")
    assert got.crs == gpd.read_file(sample.package, layer="hydrants").crs
    assert got.job.tolist() == want.job_id.tolist()
    assert got.geometry.geom_equals_exact(want.geometry, 0).all()
    assert [str(d)[:10] for d in got.starts] == [str(d)[:10] for d in want.start_date]
    layer = gpd.read_file(sample.package, layer="hydrants")
    assert got.hydrants.tolist() == [int((layer.job == job).sum()) for job in got.job]
    assert got.hydrants.min() > 0
    assert {r[1]: r[2] for r in rows(sample.package, "PRAGMA table_info(limits)")}["starts"] == "DATE"


def test_a_job_of_several_rows_keeps_them_and_each_says_what_the_whole_job_reaches(tmp_path: Path) -> None:
    # H-1 at (11, 23) and H-2 at (37, 5) are reached by A's two parts, H-3 at (71, 62) by C; B reaches nobody.
    shapes = [box(5, 20, 15, 30), box(30, 0, 40, 10), box(70, 60, 75, 65), box(90, 90, 99, 99)]
    paving = written(
        tmp_path, shapes, job_id=["A", "A", "C", "B"], start=["2027-06-01", "2027-05-01", "", "2027-07-01"]
    )
    keys = {"path": paving, "job": "job_id", "starts": "start", "reach": "1 m"}
    got = gpd.read_file(tiny(tmp_path, paving=keys), layer="limits")
    assert got.job.tolist() == ["A", "A", "C", "B"]
    assert got.hydrants.tolist() == [2, 2, 1, 0]
    assert [None if pd.isna(d) else pd.Timestamp(d).date() for d in got.starts] == [
        date(2027, 5, 1),
        date(2027, 5, 1),
        None,
        date(2027, 7, 1),
    ]


def test_limits_given_as_lines_are_lines(tmp_path: Path) -> None:
    shapes = [line((0, 20), (40, 20)), shapely.MultiLineString([line((60, 60), (80, 61)), line((90, 0), (91, 50))])]
    package = tiny(tmp_path, paving={"path": written(tmp_path, shapes), "job": "job_id"})
    assert layers(package) == ["limits"]
    got = gpd.read_file(package, layer="limits")
    assert dict(pyogrio.list_layers(package))["limits"] == "MultiLineString"
    assert [g.normalize() == shapely.multilinestrings([*shapely.get_parts(s)]).normalize() for g, s in zip(
        got.geometry, shapes, strict=True
    )] == [True, True]  # fmt: skip
    ((sld,),) = rows(package, "SELECT styleSLD FROM layer_styles WHERE f_table_name = 'limits'")
    assert "LineSymbolizer" in sld


def test_areas_and_lines_of_one_plan_are_a_layer_each_with_a_style_each(tmp_path: Path) -> None:
    shapes = [box(5, 20, 15, 30), line((60, 60), (80, 61)), box(30, 0, 40, 10)]
    package = tiny(tmp_path, paving={"path": written(tmp_path, shapes), "job": "job_id"})
    assert layers(package) == ["limits", "limits_lines"]
    for name, jobs, symbol in (("limits", ["J0", "J2"], "Polygon"), ("limits_lines", ["J1"], "Line")):
        got = gpd.read_file(package, layer=name)
        assert got.job.tolist() == jobs
        ((sld,),) = rows(package, f"SELECT styleSLD FROM layer_styles WHERE f_table_name = '{name}'")
        assert f"{symbol}Symbolizer" in sld


def test_single_and_multiple_areas_are_one_type_and_lose_nothing(tmp_path: Path) -> None:
    holed = shapely.difference(box(0, 0, 50, 50), box(10, 10, 20, 20))
    shapes = [holed, shapely.MultiPolygon([box(60, 60, 70, 70), box(80, 80, 90, 95)])]
    package = tiny(tmp_path, paving={"path": written(tmp_path, shapes), "job": "job_id"})
    got = gpd.read_file(package, layer="limits")
    assert dict(pyogrio.list_layers(package))["limits"] == "MultiPolygon"
    assert got.geometry.area.tolist() == pytest.approx([2400.0, 250.0], rel=1e-12)


def test_what_mending_leaves_beside_a_broken_polygon_is_not_drawn(tmp_path: Path) -> None:
    # A square with a spike: 20 m x 20 m of area, and a bare line of 30 m that mending sets free.
    corners = [(0, 0), (20, 0), (20, 10), (50, 10), (20, 10), (20, 20), (0, 20)]
    spiked = shapely.Polygon([(EAST + x, NORTH + y) for x, y in corners])
    assert not spiked.is_valid
    package = tiny(tmp_path, paving={"path": written(tmp_path, [spiked]), "job": "job_id"})
    got = gpd.read_file(package, layer="limits")
    assert got.geometry.geom_type.tolist() == ["Polygon"]
    assert got.geometry.area.tolist() == pytest.approx([400.0], rel=1e-12)


# -- roads ------------------------------------------------------------------------------------------------------


def test_a_road_of_landxml_lies_where_the_file_puts_it_with_its_length_and_stations(sample_run: Any) -> None:
    _, folder, package = sample_run("yarrow")
    (road,) = ET.parse(folder / "yarrow.xml").iter(f"{XML}Alignment")
    ends = [[float(v) for v in e.text.split()][::-1] for e in (*road.iter(f"{XML}Start"), *road.iter(f"{XML}End"))]
    got = gpd.read_file(package, layer="roads")
    (row,) = got.itertuples()
    assert (row.road, row.file, row.side) == (road.get("name"), "yarrow.xml", "after")
    assert row.length_ft * FT == pytest.approx(float(road.get("length")), abs=0.002)
    assert (row.first_station, row.last_station) == ("0+000.0", "1+075.0")
    # Chords within 2 cm: shorter than the road by a hair, and through every joint of its pieces.
    assert 0 <= row.length_ft * FT - row.geometry.length < 0.01
    assert max(row.geometry.distance(shapely.Point(p)) for p in ends) < 1e-3
    assert row.geometry.coords[0] == pytest.approx(ends[0], abs=1e-6)


def test_a_road_of_profile_lines_is_the_line_itself(sample_run: Any) -> None:
    _, folder, package = sample_run("bramble")
    (layer,) = [n for n, _ in pyogrio.list_layers(folder / "bramble.gpkg")][:1]
    given = shapely.force_2d(gpd.read_file(folder / "bramble.gpkg", layer=layer).geometry.iloc[0])
    (row,) = gpd.read_file(package, layer="roads").itertuples()
    assert row.length_ft * FT == pytest.approx(given.length, abs=0.001)
    assert shapely.hausdorff_distance(row.geometry, given) < 1e-9


@pytest.mark.parametrize(("unit", "name", "length"), [("in", "length_ft", 140 / FT), ("mm", "length_m", 140.0)])
def test_lengths_are_in_the_unit_of_elevations_and_stations_as_the_file_counts(
    tmp_path: Path, unit: str, name: str, length: float
) -> None:
    # Internal stations 0 to 140; from 50 on they are called 2000 and more.
    equation = '<StaEquation staInternal="50" staBack="50" staAhead="2000"/>'
    text = street(level(30.6)).replace("<Profile>", f"{equation}<Profile>")
    write_landxml(tmp_path / "d.xml", text)
    three().to_file(tmp_path / "hydrants.gpkg", layer="hydrants")
    write_ground(tmp_path / "before.tif", 100.0)
    values = plan_values(output={"unit": unit}) | {"after": {"landxml": "d.xml", "sd": "0.01 ft"}}
    packed(Plan.parse(values, tmp_path), tmp_path / "gradecheck.gpkg")
    (row,) = gpd.read_file(tmp_path / "gradecheck.gpkg", layer="roads").itertuples()
    assert getattr(row, name) == pytest.approx(length, abs=0.001)
    assert (row.first_station, row.last_station) == ("0+000.0", "2+090.0")
    assert (row.road, row.side) == ("Sorrel St", "after")


def test_roads_of_the_existing_ground_are_shown_where_the_design_has_none(tmp_path: Path) -> None:
    three().to_file(tmp_path / "hydrants.gpkg", layer="hydrants")
    write_grounds(tmp_path)
    write_lines(tmp_path / "old.gpkg", {"Elm": [(-20, 40, 100.0), (120, 40, 100.0)]})
    before = {"profile": "old.gpkg", "road": "road", "unit": "ft", "sd": "0.01 ft"}
    values = plan_values() | {"before": before}
    packed(Plan.parse(values, tmp_path), tmp_path / "gradecheck.gpkg")
    (row,) = gpd.read_file(tmp_path / "gradecheck.gpkg", layer="roads").itertuples()
    assert (row.road, row.file, row.side) == ("Elm", "old.gpkg", "before")


# -- pavement ---------------------------------------------------------------------------------------------------


def test_the_pavement_is_the_area_of_its_file(sample_run: Any) -> None:
    _, folder, package = sample_run("yarrow")
    given = shapely.union_all(gpd.read_file(folder / "yarrow_edges.gpkg").geometry)
    got = gpd.read_file(package, layer="pavement")
    assert got.file.unique().tolist() == ["yarrow_edges.gpkg"]
    assert got.geometry.area.sum() == pytest.approx(given.area, rel=1e-9)
    assert shapely.symmetric_difference(shapely.union_all(got.geometry), given).area < 1e-6


def paved(folder: Path, file: str) -> Path:
    """The GeoPackage of the tiny project with a pavement."""
    tiny_plan(folder)
    plan = Plan.parse(plan_values(after={"pavement": file}, policy={"setback_min": "1 ft"}), folder)
    packed(plan, folder / "gradecheck.gpkg")
    return folder / "gradecheck.gpkg"


def test_a_pavement_of_lines_is_lines(tmp_path: Path) -> None:
    edges = written(tmp_path, [line((0, 30), (100, 30)), line((0, 50), (100, 50))], name="edges.gpkg")
    got = gpd.read_file(paved(tmp_path, edges), layer="pavement")
    assert set(got.geometry.geom_type) == {"LineString"}
    assert got.geometry.length.sum() == pytest.approx(200.0)


def test_pieces_of_pavement_apart_from_one_another_are_a_row_each(tmp_path: Path) -> None:
    areas = written(tmp_path, [box(0, 30, 20, 40), box(60, 30, 90, 41)], name="edges.gpkg")
    got = gpd.read_file(paved(tmp_path, areas), layer="pavement")
    assert sorted(got.geometry.area.round(6)) == [200.0, 330.0]


# -- the hydrants' reference system -----------------------------------------------------------------------------


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", "EPSG:3417"])
@pytest.mark.parametrize("name", ["plan", "yarrow"])
def test_layers_are_in_the_hydrants_system_and_keep_their_areas_and_places(
    sample_run: Any, name: str, crs: str
) -> None:
    # Geographic, web Mercator, Iowa's southern state plane in US survey feet.
    result, folder, package = sample_run(name, crs)
    work = result.assessment.inputs.work
    files = {"limits": "paving.gpkg", "pavement": "yarrow_edges.gpkg"}
    assert set(layers(package)) == {"plan": {"limits"}, "yarrow": {"roads", "pavement"}}[name]
    for layer in layers(package):
        got = gpd.read_file(package, layer=layer)
        assert got.crs == crs
        assert got.geometry.is_valid.all()
        # Roads as they are in the design file's own system, judged from the file by the tests above.
        own = (folder / files[layer], None) if layer in files else (sample_run(name)[2], layer)
        given = gpd.read_file(own[0], layer=own[1]).to_crs(work).geometry
        # To the working system by PROJ, each side of the layer as the straight line that a GIS draws.
        fine = shapely.segmentize(got.geometry.to_numpy(), 1e-5 if crs == "EPSG:4326" else 2.0)
        back = gpd.GeoSeries(fine, crs=crs).to_crs(work)
        assert len(back) == len(given)
        for size in ("area", "length"):
            assert getattr(back, size).sum() == pytest.approx(getattr(given, size).sum(), rel=1e-6)
        lines = [g if layer == "roads" else g.boundary for g in (back, given)]
        assert shapely.hausdorff_distance(*(shapely.union_all(g) for g in lines)) < 0.002


def test_long_straight_sides_get_vertices_where_they_would_bow_and_none_where_they_would_not(tmp_path: Path) -> None:
    # 6 km of road, as a strip 20 m wide: in degrees its long sides would be off by half a metre.
    strip = box(-3000, 0, 3000, 20)
    there = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    bare = shapely.transform(strip, lambda c: np.stack(there.transform(c[:, 0], c[:, 1]), axis=1))
    for name, crs in (
        ("degrees", "EPSG:4326"),
        ("metres", CRS),
        ("feet", "+proj=utm +zone=15 +datum=WGS84 +units=us-ft"),
    ):
        folder = tmp_path / name
        folder.mkdir()
        sections: dict[str, Any] = {
            "project": {"crs": CRS},
            "paving": {"path": written(folder, [strip]), "job": "job_id"},
        }
        (got,) = gpd.read_file(tiny(folder, three().to_crs(crs), **sections), layer="limits").geometry
        if name != "degrees":
            assert len(got.exterior.coords) == 5
            continue
        back = Transformer.from_crs("EPSG:4326", CRS, always_xy=True)

        def off(shape: shapely.Polygon, back: Transformer = back) -> float:
            fine = shapely.segmentize(shape, 2e-5)
            ring = shapely.transform(fine, lambda c: np.stack(back.transform(c[:, 0], c[:, 1]), axis=1)).exterior
            return float(shapely.hausdorff_distance(ring, strip.exterior))

        assert off(bare) > 0.5
        assert off(got) < 0.001
        assert max(np.hypot(*np.diff(np.asarray(got.exterior.coords), axis=0).T)) < 0.0013  # 100 m of longitude


def test_a_place_that_the_hydrants_system_does_not_have_leaves_a_row_without_geometry() -> None:
    # A gnomonic map shows half of the Earth: the other side of it has no place there.
    way = Way.between(pyproj.CRS("EPSG:4326"), pyproj.CRS("+proj=gnom +lat_0=0 +lon_0=0"))
    shapes = np.array([shapely.box(10, 10, 11, 11), shapely.box(170, 10, 171, 11)], dtype=object)
    got = supports._moved(shapes, way, 111_000.0)
    assert got[0] is not None
    assert got[1] is None


# -- styles -----------------------------------------------------------------------------------------------------


def test_every_supporting_layer_has_one_default_style_of_well_formed_documents(sample: Sample, sample_run: Any) -> None:
    for package in (sample.package, sample_run("yarrow")[2], sample_run("bramble")[2]):
        for layer in layers(package):
            columns = "f_geometry_column, useAsDefault, styleQML, styleSLD"
            found = rows(package, f"SELECT {columns} FROM layer_styles WHERE f_table_name = '{layer}'")
            ((column, default, qml, sld),) = found
            assert (column, default) == ("geom", 1)
            root, named = ET.fromstring(qml), ET.fromstring(sld)
            assert (root.tag, root.get("readOnly")) == ("qgis", "1")
            assert named.tag == f"{SLD}StyledLayerDescriptor"
            assert named.findtext(f"{SLD}NamedLayer/{SLD}Name") == layer
            wanted = "line" if layer == "roads" else "fill"
            assert [s.get("type") for s in root.iter("symbol")] == [wanted]
            symbol = "Line" if layer == "roads" else "Polygon"
            assert len(list(named.iter(f"{SLD}{symbol}Symbolizer"))) == 1


QGIS_PYTHON = shutil.which("python3", path=os.defpath)
QGIS = r"""
import json, sys
from qgis.core import QgsApplication, QgsMapRendererSequentialJob, QgsMapSettings, QgsVectorLayer
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor

app = QgsApplication([], False)
app.initQgis()
out = {}
for source in sys.argv[1:]:
    name = source.split("=")[1]
    layer = QgsVectorLayer(source, name, "ogr")
    styled = layer.isValid() and layer.loadDefaultStyle()[1]
    settings = QgsMapSettings()
    settings.setLayers([layer])
    settings.setDestinationCrs(layer.crs())
    settings.setBackgroundColor(QColor("white"))
    settings.setOutputDpi(200)
    settings.setOutputSize(QSize(450, 300))
    box = layer.extent()
    box.scale(1.1)
    settings.setExtent(box)
    job = QgsMapRendererSequentialJob(settings)
    job.start()
    job.waitForFinished()
    image = job.renderedImage()
    colours = [image.pixelColor(x, y).name() for x in range(450) for y in range(300)]
    out[name] = {"styled": styled, "edits": layer.startEditing(), "read_only": layer.readOnly(),
                 "alias": {f.name(): f.alias() for f in layer.fields()},
                 "colours": {c: colours.count(c) for c in set(colours)}}
print("OUT" + json.dumps(out))
"""


SKETCHED = {"plan": {"limits": ["#5a5a5a"]}, "yarrow": {"roads": ["#8c8c8c"], "pavement": ["#ececec", "#8c8c8c"]}}


def test_qgis_draws_them_as_sketched_and_does_not_let_them_be_edited(sample_run: Any, tmp_path: Path) -> None:
    environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
    environment.pop("PYTHONPATH", None)
    probe = [QGIS_PYTHON or "", "-c", "import qgis.core"]
    if QGIS_PYTHON is None or subprocess.run(probe, env=environment, capture_output=True).returncode:
        pytest.skip("QGIS for the system's Python is not installed")
    asked = [
        f"{shutil.copy(sample_run(name)[2], tmp_path / f'{name}.gpkg')}|layername={layer}"
        for name, colours in SKETCHED.items()
        for layer in colours
    ]
    done = subprocess.run(
        [QGIS_PYTHON, "-c", QGIS, *asked], env=environment, capture_output=True, text=True, timeout=120
    )
    told = [text for text in done.stdout.splitlines() if text.startswith("OUT")]
    assert told, done.stderr
    wanted = SKETCHED["plan"] | SKETCHED["yarrow"]
    found = json.loads(told[0][3:])
    assert list(found) == list(wanted)
    for layer, got in found.items():
        assert (got["styled"], got["edits"], got["read_only"]) == (True, False, True)
        assert all(got["colours"].get(colour, 0) > 50 for colour in wanted[layer])
    assert found["roads"]["alias"]["length_ft"] == "length (ft)"


# -- the file stays sound, the loop stays closed ----------------------------------------------------------------


@pytest.mark.parametrize("name", ["plan", "yarrow", "bramble"])
def test_sqlite_finds_no_fault_and_extents_and_indexes_are_there(sample_run: Any, name: str) -> None:
    package = sample_run(name)[2]
    assert rows(package, "PRAGMA integrity_check") == [("ok",)]
    assert rows(package, "PRAGMA foreign_key_check") == []
    for layer in layers(package):
        got = gpd.read_file(package, layer=layer)
        (extent,) = rows(package, f"SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = '{layer}'")
        assert extent == pytest.approx(tuple(got.total_bounds))
        assert rows(package, f"SELECT count(*) FROM rtree_{layer}_geom") == [(len(got),)]


def edit(package: Path, name: str) -> None:
    layer = gpd.read_file(package, layer="hydrants")
    layer["review_action"], layer["review_note"] = layer.review_action.astype(object), layer.review_note.astype(object)
    layer.loc[layer.hydrant_id == name, ["review_action", "review_note"]] = ["keep", "seen"]
    pyogrio.write_dataframe(layer, package, layer="hydrants", geometry_name="geom")


def test_a_rerun_over_a_package_with_edits_keeps_them_and_makes_these_layers_anew(tmp_path: Path) -> None:
    sections = {"paving": {"path": written(tmp_path, [box(5, 20, 45, 30)]), "job": "job_id"}}
    run(tiny_plan(tmp_path, **sections), today=TODAY)
    package = tmp_path / "out" / "gradecheck.gpkg"
    edit(package, "H-1")
    strayed = gpd.read_file(package, layer="limits")
    strayed["job"] = "edited"
    pyogrio.write_dataframe(strayed, package, layer="limits", geometry_name="geom")
    order(package, today=TODAY)
    assert gpd.read_file(package, layer="limits").job.tolist() == ["edited"]
    run(Plan.parse(plan_values(**sections), tmp_path), today=TODAY)
    got = gpd.read_file(package, layer="hydrants").set_index("hydrant_id")
    assert got.loc["H-1", ["review_action", "review_note"]].tolist() == ["keep", "seen"]
    assert gpd.read_file(package, layer="limits").job.tolist() == ["J0"]
    # A plan without limits leaves none behind.
    run(Plan.parse(plan_values(), tmp_path), today=TODAY)
    assert layers(package) == []
    assert gpd.read_file(package, layer="hydrants").review_note.tolist()[0] == "seen"


def test_the_order_again_leaves_these_layers_as_they_are(sample: Sample, tmp_path: Path) -> None:
    package = Path(shutil.copy(sample.package, tmp_path / "gradecheck.gpkg"))
    before = {name: gpd.read_file(package, layer=name) for name in layers(package)}
    styles = rows(package, "SELECT f_table_name, styleQML, styleSLD FROM layer_styles ORDER BY 1")
    order(package, today=TODAY)
    assert layers(package) == list(before)
    for name, frame in before.items():
        assert gpd.read_file(package, layer=name).equals(frame)
    assert rows(package, "SELECT f_table_name, styleQML, styleSLD FROM layer_styles ORDER BY 1") == styles


def test_a_layer_of_the_input_by_one_of_these_names_is_no_trouble(tmp_path: Path) -> None:
    layer = hydrants({"asset_id": ["H-1"], "flange_in": [4.0]}, [(11, 23)])
    layer.to_file(tmp_path / "town.gpkg", layer="roads")
    write_grounds(tmp_path)
    paving = {"path": written(tmp_path, [box(5, 20, 45, 30)]), "job": "job_id"}
    plan = Plan.parse(plan_values("town.gpkg", hydrants={"layer": "roads"}, paving=paving), tmp_path)
    packed(plan, tmp_path / "gradecheck.gpkg")
    assert layers(tmp_path / "gradecheck.gpkg") == ["limits"]
