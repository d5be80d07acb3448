"""What a plan takes off the files of a large run, and the layer as GeoParquet; nothing goes without a word."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pypdf
import pytest

from gradecheck import Plan, run
from gradecheck.assessment import Assessment
from gradecheck.outputs import columns, layer
from gradecheck.outputs.summary import summary_text
from gradecheck.pipeline import PARQUET
from gradecheck.placing import LOCK

SAMPLE = Path(__file__).parent.parent / "sample_data"


def sample(tmp_path: Path, *lines: str) -> Plan:
    """The sample with lines more in [output], written to a folder of the test's."""
    text = (SAMPLE / "plan.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^(\[output\].*)$", "\\1\n" + "\n".join(lines), text, count=1)
    for entry in SAMPLE.iterdir():
        if entry.name != "plan.toml" and not entry.name.startswith("out"):
            (tmp_path / entry.name).symlink_to(entry)
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    return Plan.load(tmp_path / "plan.toml").with_output(str(tmp_path / "out"))


@pytest.fixture(scope="module")
def limited(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output folder of a run with all limits."""
    folder = tmp_path_factory.mktemp("limited")
    run(sample(folder, "report_rows = 7", 'sheets = ["shorten"]', "geoparquet = true"))
    return folder / "out"


def page(folder: Path) -> tuple[str, dict[str, list[object]]]:
    """The report's text and the columns of its hydrants."""
    text = (folder / "report.html").read_text(encoding="utf-8")
    data = re.search(r'<script type="application/json"[^>]*>(.*?)</script>', text, re.DOTALL)
    assert data is not None
    return text, json.loads(data[1])["hydrants"]


def test_geoparquet_holds_what_the_geopackage_holds(limited: Path) -> None:
    layer = gpd.read_file(limited / "gradecheck.gpkg", layer="hydrants")
    other = gpd.read_parquet(limited / PARQUET)
    assert other.crs == layer.crs
    assert other.geometry.geom_equals(layer.geometry).all()
    assert list(other.columns.drop("geom")) == list(layer.columns.drop("geometry"))
    for name in other.columns.drop("geom"):
        same = (
            pd.Series(other[name].tolist(), dtype=object).isna() == pd.Series(layer[name].tolist(), dtype=object).isna()
        )
        assert same.all(), name
        there = other[name].notna()
        assert [str(v) for v in other[name][there]] == [str(v) for v in layer[name][there]], name
    told = json.loads(pq.read_schema(limited / PARQUET).metadata[b"geo"])
    assert told["version"] == "1.1.0"
    assert told["columns"]["geom"]["geometry_types"] == ["Point"]
    assert told["columns"]["geom"]["bbox"] == pytest.approx(layer.total_bounds.tolist())


def test_geoparquet_is_among_the_files_that_belong_together_and_goes_with_its_key(
    tmp_path: Path, limited: Path
) -> None:
    said = json.loads((limited / "run.json").read_text(encoding="utf-8"))
    assert said["outputs"][PARQUET]["bytes"] == (limited / PARQUET).stat().st_size
    plan = sample(tmp_path, "geoparquet = true")
    run(plan)
    assert (tmp_path / "out" / PARQUET).exists()
    (tmp_path / "plan.toml").write_text((SAMPLE / "plan.toml").read_text(encoding="utf-8"), encoding="utf-8")
    run(Plan.load(tmp_path / "plan.toml").with_output(str(tmp_path / "out")))
    assert not (tmp_path / "out" / PARQUET).exists()


def test_the_report_shows_as_many_as_the_plan_says_and_says_how_many_more(limited: Path) -> None:
    layer = gpd.read_file(limited / "gradecheck.gpkg", layer="hydrants")
    text, rows = page(limited)
    assert len(rows["id"]) == len(rows["x"]) == 7
    first = layer[layer["action"] != "outside"]["hydrant_id"].tolist()[:7]
    assert rows["id"] == first
    assert f"{len(layer) - 7} more are counted everywhere" in text
    for action, count in layer["action"].value_counts().items():
        assert f"{count}" in text, action


def test_sections_only_point_at_hydrants_that_are_shown(limited: Path) -> None:
    text = (limited / "report.html").read_text(encoding="utf-8")
    data = re.search(r'<script type="application/json"[^>]*>(.*?)</script>', text, re.DOTALL)
    assert data is not None
    sections = json.loads(data[1])["sections"]
    assert sections
    for section in sections:
        assert len(section["rows"]) == len(section["at"])
        assert all(0 <= row < 7 for row in section["rows"])


def test_only_the_actions_that_the_plan_names_get_a_sheet_and_that_is_said(limited: Path) -> None:
    layer = gpd.read_file(limited / "gradecheck.gpkg", layer="hydrants")
    counts = layer["action"].value_counts()
    form = pd.read_csv(limited / "measurements.csv", skiprows=[1], dtype=str)
    assert sorted(form["hydrant_id"]) == sorted(layer[layer["action"] == "shorten"]["hydrant_id"])
    said = json.loads((limited / "run.json").read_text(encoding="utf-8"))["warnings"]
    for action in ("extend", "measure", "on_site"):
        assert (
            f"{counts[action]} '{action}' have no work sheet and no row in the forms: [output] sheets says so" in said
        )
    pages = [p.extract_text() for p in pypdf.PdfReader(limited / "worksheets.pdf").pages]
    extended = layer[layer["action"] == "extend"]["hydrant_id"].iloc[0]
    assert not any(f"Hydrant {extended}" in page_ for page_ in pages)


@pytest.mark.parametrize(
    ("line", "told"),
    [("report_rows = -1", "report_rows"), ('sheets = ["dig"]', "sheets"), ("geoparquet = 3", "geoparquet")],
)
def test_a_limit_that_is_none_is_refused_by_name(tmp_path: Path, line: str, told: str) -> None:
    from gradecheck.errors import PlanError

    with pytest.raises(PlanError, match=rf"output\.{told}"):
        sample(tmp_path, line)


def rows_of(package: Path, layer: str) -> tuple[list[str], list[tuple[object, ...]]]:
    """Columns and rows of a layer, as sqlite3 gives them."""
    with closing(sqlite3.connect(package)) as db:
        found = db.execute(f'SELECT * FROM "{layer}" ORDER BY fid')
        return [str(d[0]) for d in found.description], found.fetchall()


def test_layers_made_piece_by_piece_are_those_made_at_once(
    limited: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(columns, "PIECE", 7)
    run(sample(tmp_path, "geoparquet = true"))
    package = "gradecheck.gpkg"
    for name in ("hydrants", "order_basis"):
        assert rows_of(tmp_path / "out" / package, name) == rows_of(limited / package, name)
    with closing(sqlite3.connect(tmp_path / "out" / package)) as db:
        assert db.execute("SELECT count(*) FROM rtree_hydrants_geom").fetchone() == (
            len(rows_of(limited / package, "hydrants")[1]),
        )
    assert pq.read_table(tmp_path / "out" / PARQUET).equals(pq.read_table(limited / PARQUET))
    assert pq.ParquetFile(tmp_path / "out" / PARQUET).num_row_groups > 1


@pytest.mark.parametrize("raised", [KeyboardInterrupt(), RuntimeError("a fault of ours")])
def test_what_stops_the_making_of_a_layer_is_not_told_as_an_error_of_writing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, raised: BaseException
) -> None:
    """Rows are made while GDAL writes them; an interruption must come through as one, and leave nothing."""
    plan, made = sample(tmp_path), layer.basis_pieces

    def stopped(a: Assessment) -> Iterator[pa.Table]:
        yield next(made(a))
        raise raised

    monkeypatch.setattr(layer, "basis_pieces", stopped)
    with pytest.raises(type(raised)):
        run(plan)
    assert {p.name for p in tmp_path.glob("out/*")} <= {LOCK}


def test_numbers_of_a_vast_order_do_not_run_into_one_another_in_the_terminal(tmp_path: Path) -> None:
    summary = dict(run(sample(tmp_path)).summary)
    usual = summary_text(summary, "out").splitlines()
    summary["order"] = [
        {**row, "firm": 1_250_000, "expected": 1_812_345.6, "order": 1_900_000, "buy": 1_850_000, "cost": 1_231_135_130}
        for row in summary["order"]
    ]
    summary["cost"] = 2_462_270_260
    vast = summary_text(summary, "out").splitlines()
    (row,) = {tuple(line[38:].split()) for line in vast if "1,231,135,130" in line}
    assert row == ("1250000", "1812345.6", "1900000", "1850000", "1,231,135,130")
    head, total = (next(line for line in vast if line.startswith(word)) for word in ("Order", "  total"))
    assert head.endswith("cost")
    assert total.split()[-1] == "2,462,270,260"
    assert len(head) == len(total) == max(len(line) for line in vast if "1,231,135,130" in line)
    assert len(vast) == len(usual)
