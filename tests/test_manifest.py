"""run.json: what it says of the program and its parts, and that it tells nobody where somebody's home is."""

from __future__ import annotations

import json
import sqlite3
from importlib.metadata import version
from pathlib import Path

import pytest

from gradecheck import Plan, pipeline
from gradecheck.outputs import manifest
from tests.projects import tiny_plan, toml_text


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Somebody's home folder."""
    folder = tmp_path / "home" / "somebody"
    folder.mkdir(parents=True)
    monkeypatch.setattr(Path, "home", classmethod(lambda _: folder))
    return folder


def test_no_file_says_where_somebodys_home_is(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    town, data = home / "town", home / "data"
    town.mkdir()
    data.mkdir()
    values = tiny_plan(data).as_written()
    values["hydrants"]["path"] = str(data / "hydrants.gpkg")
    values["before"]["raster"] = [str(data / "before.tif")]
    values["after"]["raster"] = [str(town / "after.tif")]
    (data / "after.tif").replace(town / "after.tif")
    (town / "plan.toml").write_text(
        toml_text({name: values[name] for name in ("hydrants", "before", "after")}), encoding="utf-8"
    )
    monkeypatch.chdir(home.parent)
    pipeline.run(Plan.load(town / "plan.toml"))
    out = town / "out"
    for path in out.iterdir():
        assert str(home).encode() not in path.read_bytes(), path.name
    record = json.loads((out / "run.json").read_text())
    assert {"before ~/data/before.tif", "after after.tif", "hydrants ~/data/hydrants.gpkg"} <= {
        f"{one['role']} {one['path']}" for one in record["inputs"]
    }
    assert record["plan"]["hydrants"]["path"] == "~/data/hydrants.gpkg"
    with sqlite3.connect(out / "gradecheck.gpkg") as db:
        said = " ".join(text for (text,) in db.execute("SELECT metadata FROM gpkg_metadata"))
    assert "~/data/before.tif" in said


def test_the_bill_of_materials_names_what_is_installed_and_asked_for(tmp_path: Path) -> None:
    pipeline.run(tiny_plan(tmp_path))
    said = json.loads((tmp_path / "out" / "run.json").read_text())["versions"]["materials"]
    assert said == manifest.materials()
    asked = {"numpy", "rasterio", "shapely", "reportlab", "filelock", "gradecheck", "MarkupSafe", "pydantic_core"}
    assert asked <= set(said)
    assert "pytest" not in said
    assert all(said[name] == version(name) for name in said)


def test_a_digest_is_taken_again_once_a_file_has_changed(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"")
    # FIPS 180-4: the digest of nothing, and of "abc".
    assert manifest.digest(path) == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    path.write_bytes(b"abc")
    assert manifest.digest(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
