"""The command line from outside: exit status, what stands on which stream, and no traceback for any bad input.

Exit status as published: 0 done, 2 a plan, an input or an output place that cannot be used, 130 interrupted,
1 a fault of the program itself; `inspect` exits 2 where `run` would.
"""

from __future__ import annotations

import json
import os
import pty
import shutil
import signal
import sqlite3
import subprocess
import sys
import termios
from collections.abc import Callable
from contextlib import closing
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

from gradecheck import Plan, compute
from gradecheck.outputs.summary import summary_text
from tests.conftest import Outcome, Sample
from tests.projects import (
    CRS,
    EAST,
    NORTH,
    hydrants,
    plan_values,
    three,
    tiny_plan,
    toml_text,
    write_ground,
    write_grounds,
)

START = [sys.executable, "-c", "from gradecheck.cli import main; main()"]


def call(*arguments: object, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own."""
    command = [*START, *map(str, arguments)]
    env = {**os.environ, "OGR_SQLITE_SYNCHRONOUS": "OFF", **environment}
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, env=env, encoding="utf-8", timeout=120)


def strict_json(text: str) -> Any:
    """One JSON value and nothing else; NaN and Infinity are no JSON."""

    def refuse(name: str) -> None:
        raise ValueError(name)

    return json.loads(text, parse_constant=refuse)


def project(folder: Path, **sections: Any) -> Path:
    """A tiny project with a plan file."""
    tiny_plan(folder)
    return write_plan(folder, **sections)


def write_plan(folder: Path, name: str = "hydrants.gpkg", **sections: Any) -> Path:
    path = folder / "plan.toml"
    path.write_text(toml_text(plan_values(name, **sections)), encoding="utf-8")
    return path


# -- in processes of their own ----------------------------------------------------------------------------------


def test_the_installed_command_is_the_one_tested_here() -> None:
    (script,) = entry_points(group="console_scripts", name="gradecheck")
    assert script.value == "gradecheck.cli:main"


def test_a_run_is_done_with_0_a_summary_on_standard_output_and_nothing_on_standard_error(
    sample: Sample, tmp_path: Path
) -> None:
    done = call("run", sample.folder / "plan.toml", "--out", "here", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "here" / "gradecheck.gpkg").exists()  # --out is relative to where the command is given
    for words in ("Quillhaven", "extend", "rejected", "QA-12", "Assumed", "Written to"):
        assert words in done.stdout


def test_json_of_a_run_is_the_summary_and_nothing_but_json(tmp_path: Path) -> None:
    done = call("run", project(tmp_path), "--json", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    told = strict_json(done.stdout)
    assert told["ok"] is True
    assert (told["counts"]["read"], told["counts"]["hydrants"], told["counts"]["rejected"]) == (3, 3, 0)
    assert told["actions"] == {"keep": 1, "extend": 2}
    assert Path(told["folder"]) == tmp_path / "out"


def test_quiet_says_nothing_when_all_is_well_and_the_fault_when_not(tmp_path: Path) -> None:
    done = call("run", project(tmp_path), "--quiet", cwd=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    bad = call("run", "none.toml", "--quiet", cwd=tmp_path)
    assert (bad.returncode, bad.stdout) == (2, "")
    assert "none.toml: no such plan file" in bad.stderr


def test_what_a_library_warns_of_does_not_reach_the_streams(tmp_path: Path) -> None:
    # GDAL takes a column of this name for a geometry, and complains of every value that is none.
    write_grounds(tmp_path)
    text = "asset_id,flange_in,east,north,WKT\nH,4,500011,4600023,70\n"
    (tmp_path / "h.csv").write_text(text, encoding="utf-8")
    plan = write_plan(tmp_path, "h.csv", hydrants={"x": "east", "y": "north", "crs": CRS})
    done = call("run", plan, "--quiet", cwd=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize(
    "arguments",
    [
        ("run", "--json"),
        ("run", "none.toml", "--json"),
        ("run", "--json", "--nonsense"),
        ("inspect", "--json"),
        ("nonsense", "--json"),
        ("run", "--hydrants", "h.gpkg", "--json"),
    ],
    ids=" ".join,
)
def test_errors_of_every_kind_are_json_too_where_it_is_asked_for(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    done = call(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr == ""
    told = strict_json(done.stdout)
    assert told["ok"] is False
    assert all(f["what"] for f in told["findings"])


@pytest.mark.parametrize(
    "arguments", [("run",), ("run", "--nonsense"), ("nonsense",), ("inspect",), ("starter",)], ids=" ".join
)
def test_a_command_that_cannot_be_used_says_so_on_standard_error(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    done = call(*arguments, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("gradecheck: ")
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "arguments", [(), ("--help",), ("run", "--help"), ("inspect", "--help"), ("starter", "--help")]
)
def test_help_is_there_for_every_command(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    done = call(*arguments, cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert "Usage: " in done.stdout
    if not arguments or arguments == ("--help",):
        assert all(name in done.stdout for name in ("run", "inspect", "starter"))


HEAVY = ["numpy", "scipy", "pandas", "geopandas", "pyogrio", "rasterio", "shapely", "pyproj", "pyarrow", "pydantic"]


def test_help_loads_no_heavy_library(tmp_path: Path) -> None:
    script = (
        "import sys\nfrom gradecheck.cli import main\nsys.argv = ['gradecheck', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print('LOADED', [m for m in {HEAVY} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, timeout=60)
    assert done.stdout.splitlines()[-1] == "LOADED []"


def scripted(folder: Path, body: str, *arguments: str) -> list[str]:
    """A command whose `pipeline.run` does what `body` says."""
    code = f"import sys, time\nfrom gradecheck import cli, pipeline\ndef fake(plan, **more):\n{body}\n"
    code += "pipeline.run = fake\n"
    code += f"sys.argv = ['gradecheck', 'run', {str(folder / 'plan.toml')!r}, *{list(arguments)!r}]\ncli.main()"
    return [sys.executable, "-c", code]


@pytest.mark.parametrize("flags", [(), ("--json",)])
def test_a_fault_of_the_program_itself_is_1_and_said_to_be_one(tmp_path: Path, flags: tuple[str, ...]) -> None:
    project(tmp_path)
    command = scripted(tmp_path, "    raise RuntimeError('boom')", *flags)
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr + done.stdout
    text = done.stdout if flags else done.stderr
    assert "fault in gradecheck itself" in text
    assert "boom" in text
    assert (strict_json(done.stdout)["ok"] is False) if flags else (done.stdout == "")


@pytest.mark.parametrize("flags", [(), ("--json",)])
def test_an_interrupted_run_is_130(tmp_path: Path, flags: tuple[str, ...]) -> None:
    project(tmp_path)
    command = scripted(tmp_path, "    print('ready', file=sys.stderr, flush=True)\n    time.sleep(60)", *flags)
    listening = {
        "preexec_fn": lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)
    }  # a job in the background has it off
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **listening) as process:
        assert process.stderr is not None
        assert process.stderr.readline() == "ready\n"
        process.send_signal(signal.SIGINT)
        out, error = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Traceback" not in error
    assert "interrupted" in (out if flags else error)
    if flags:
        assert strict_json(out)["ok"] is False


SLOW = "    more['progress']('grade change', 1, 3)\n    time.sleep(1.2)\n    more['progress']('grade change', 1, 3)\n"
SLOW += "    raise SystemExit(0)"


def test_long_work_shows_progress_on_a_terminal_and_none_elsewhere(tmp_path: Path) -> None:
    project(tmp_path)
    piped = subprocess.run(scripted(tmp_path, SLOW), capture_output=True, text=True, timeout=60)
    assert (piped.stdout, piped.stderr) == ("", "")
    ours, theirs = pty.openpty()
    os.set_blocking(ours, False)
    termios.tcsetwinsize(theirs, (24, 80))
    with subprocess.Popen(scripted(tmp_path, SLOW), stdout=subprocess.PIPE, stderr=theirs) as process:
        out, _ = process.communicate(timeout=60)
    shown = os.read(ours, 10_000).decode()
    os.close(theirs)
    os.close(ours)
    assert out == b""
    assert "grade change" in shown


def test_names_that_the_terminal_cannot_show_are_no_fault(tmp_path: Path) -> None:
    plan = project(tmp_path, project={"name": "Rübenweg №5"})
    for flags in ((), ("--json",)):
        done = call("run", plan, *flags, cwd=tmp_path, PYTHONIOENCODING="ascii", PYTHONUTF8="0", LC_ALL="C")
        assert done.returncode == 0, done.stderr + done.stdout


def test_the_flags_of_a_one_off_do_the_same_as_a_plan(tmp_path: Path) -> None:
    tiny_plan(tmp_path)
    (tmp_path / "cut.tif").write_bytes((tmp_path / "before.tif").read_bytes())
    flags = ["--hydrants", "hydrants.gpkg", "--before", "before.tif", "--before", "cut.tif", "--after", "after.tif"]
    units = ["--before-unit", "ft", "--after-unit", "ft", "--id", "asset_id", "--unit", "mm"]
    done = call("run", *flags, *units, "--out", "o", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    tables = {
        "hydrants": {"path": "hydrants.gpkg", "id": "asset_id"},
        "before": {"raster": ["before.tif", "cut.tif"], "unit": "ft"},
        "after": {"raster": ["after.tif"], "unit": "ft"},
        "output": {"dir": "o", "unit": "mm"},
    }
    got = gpd.read_file(tmp_path / "o" / "gradecheck.gpkg", layer="hydrants")
    want = compute(Plan.parse(tables, tmp_path)).hydrants
    assert got.hydrant_id.tolist() == want.hydrant_id.tolist() == ["H-1", "H-2", "H-3"]
    assert got.action.tolist() == want.action.tolist()
    assert got.grade_change_mm.tolist() == want.grade_change_mm.tolist() == [152.4] * 3


# -- bad inputs, each to `run` and to `inspect` -----------------------------------------------------------------


def test_starter_writes_a_project_and_refuses_a_folder_with_anything_in_it(
    tmp_path: Path, said: Callable[..., Outcome]
) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine", encoding="utf-8")
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    for name, words in (("full", "is there and not empty"), ("file", "is a file, not a folder")):
        status, out, error = said("starter", tmp_path / name)
        assert (status, out) == (2, "")
        assert f"{name}: {words}" in error
    assert [p.name for p in (tmp_path / "full").iterdir()] == ["mine.txt"]
    (tmp_path / "empty").mkdir()
    status, out, error = said("starter", tmp_path / "empty", "--json")
    assert (status, error) == (0, "")
    assert strict_json(out) == {"ok": True, "plan": (tmp_path / "empty" / "plan.toml").as_posix()}
    assert Plan.load(tmp_path / "empty" / "plan.toml").project.name == "Quillhaven paving 2027"


def _raster(path: Path, count: int = 1, dtype: str = "float32", **profile: Any) -> None:
    usual = {"driver": "GTiff", "width": 40, "height": 40, "crs": CRS}
    usual["transform"] = rasterio.Affine(5, 0, EAST - 40, 0, -5, NORTH + 140)
    with rasterio.open(path, "w", **{**usual, **profile}, count=count, dtype=dtype) as out:
        out.write(np.full((count, 40, 40), 100, dtype=dtype))


def _layer(shapes: list[Any], crs: str | None = CRS) -> gpd.GeoDataFrame:
    columns = {"asset_id": [f"H{i}" for i in range(len(shapes))], "flange_in": [4.0] * len(shapes)}
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)


def _hydrants(write: Callable[[Path], Any], name: str = "h.gpkg", **source: Any) -> Callable[[Path], dict[str, Any]]:
    def spoil(folder: Path) -> dict[str, Any]:
        write(folder / name)
        return {"hydrants": {"path": name, **source}}

    return spoil


def _ground(side: str, write: Callable[[Path], Any], **source: Any) -> Callable[[Path], dict[str, Any]]:
    def spoil(folder: Path) -> dict[str, Any]:
        write(folder / "bad.tif")
        return {side: {"raster": "bad.tif", **source}}

    return spoil


def _says(**sections: Any) -> Callable[[Path], dict[str, Any]]:
    return lambda folder: sections


def _cut(path: Path) -> None:
    three().to_file(path)
    path.write_bytes(path.read_bytes()[:5000])


def _bare_shp(path: Path) -> None:
    three().to_file(path)
    for suffix in (".shx", ".dbf"):
        path.with_suffix(suffix).unlink()


def _half_tif(path: Path) -> None:
    write_ground(path, 100.0)
    path.write_bytes(path.read_bytes()[:60])


def _text(text: str) -> Callable[[Path], Any]:
    return lambda path: path.write_text(text, encoding="utf-8")


def _noise(path: Path) -> None:
    path.write_bytes(np.random.default_rng(3).bytes(3000))


def _held(folder: Path) -> dict[str, Any]:
    (folder / "out").mkdir()
    three().to_file(folder / "out" / "gradecheck.gpkg", layer="hydrants")
    (folder / "out" / "gradecheck.gpkg-wal").write_bytes(b"x")
    return {}


def _broken_former(folder: Path) -> dict[str, Any]:
    (folder / "out").mkdir()
    (folder / "out" / "gradecheck.gpkg").write_bytes(b"SQLite format 3\0" + b"and no more of it" * 50)
    return plan_values()


def _package_is_folder(folder: Path) -> dict[str, Any]:
    (folder / "out" / "gradecheck.gpkg").mkdir(parents=True)
    (folder / "out" / "gradecheck.gpkg" / "kept").write_bytes(b"")
    return {}


def _out_is_file(folder: Path) -> dict[str, Any]:
    (folder / "out").write_text("mine", encoding="utf-8")
    return {}


def _paving(**columns: Any) -> Callable[[Path], dict[str, Any]]:
    def spoil(folder: Path) -> dict[str, Any]:
        shape = columns.pop("shape", shapely.box(EAST, NORTH, EAST + 50, NORTH + 90))
        crs = columns.pop("crs", CRS)
        gpd.GeoDataFrame({"job_id": ["Q"]}, geometry=[shape], crs=crs).to_file(folder / "paving.gpkg")
        return {"paving": {"path": "paving.gpkg", "job": "job_id", **columns}}

    return spoil


def _catalog(text: str) -> Callable[[Path], dict[str, Any]]:
    def spoil(folder: Path) -> dict[str, Any]:
        (folder / "parts.toml").write_text(text, encoding="utf-8")
        return {"catalog": {"path": "parts.toml"}}

    return spoil


def _limits(folder: Path) -> dict[str, Any]:
    line = shapely.LineString([(EAST, NORTH), (EAST + 9, NORTH + 3)])
    gpd.GeoDataFrame({"a": [1]}, geometry=[line], crs=CRS).to_file(folder / "limits.gpkg")
    return {"after": {"limits": "limits.gpkg"}}


def _two_datums(folder: Path) -> dict[str, Any]:
    return {"before": {"vertical": "EPSG:5702", "unit": "ftUS"}, "after": {"vertical": "EPSG:6360", "unit": "ftUS"}}


def _csv(header: str = "asset_id,flange_in,east,north") -> Callable[[Path], Any]:
    return _text(f"{header}\nH,4,500011,4600023\n")


HERE = {"x": "east", "y": "north", "crs": CRS}
RIDGE = 'LOCAL_CS["a site\'s own",UNIT["metre",1]]'

# What is wrong with a project, and a word that the message must hold.
BAD: dict[str, tuple[Callable[[Path], dict[str, Any]], str]] = {
    "hydrants not there": (_says(hydrants={"path": "none.gpkg"}), "no such file: none.gpkg"),
    "hydrants a folder": (_says(hydrants={"path": "."}), "hydrants"),
    "hydrants blank": (_says(hydrants={"path": ""}), "hydrants"),
    "hydrants noise": (_hydrants(_noise), "cannot be read as a layer"),
    "hydrants empty file": (_hydrants(lambda p: p.write_bytes(b"")), "h.gpkg is empty"),
    "hydrants text": (_hydrants(_text("hello")), "cannot be read as a layer"),
    "hydrants cut short": (_hydrants(_cut), "cannot be read as a layer"),
    "hydrants broken GeoJSON": (_hydrants(_text('{"type": "FeatureColl'), "h.geojson"), "cannot be read as a layer"),
    "hydrants empty GeoJSON": (
        _hydrants(_text('{"type": "FeatureCollection", "features": []}'), "h.geojson"),
        "h.geojson",
    ),
    "hydrants noise as parquet": (_hydrants(_noise, "h.parquet"), "cannot be read as a layer"),
    "hydrants shapefile alone": (_hydrants(_bare_shp, "h.shp"), "hydrants"),
    "hydrants a raster": (_says(hydrants={"path": "before.tif"}), "hydrants"),
    "hydrants no rows": (_hydrants(lambda p: _layer([]).to_file(p)), "gives no rows"),
    "hydrants polygons": (_hydrants(lambda p: _layer([shapely.box(0, 0, 1, 2)]).to_file(p)), "a polygon, not a point"),
    "hydrants no system": (_hydrants(lambda p: _layer([shapely.Point(1, 2)], None).to_file(p)), "no reference system"),
    "hydrants local system": (_hydrants(lambda p: _layer([shapely.Point(1, 2)], RIDGE).to_file(p)), "hydrants.crs"),
    "hydrants two systems": (_says(hydrants={"crs": "EPSG:26915"}), "hydrants.crs"),
    "hydrants unknown column": (_says(hydrants={"street": "strete"}), "no such column"),
    "hydrants unknown layer": (_says(hydrants={"layer": "valves"}), "has no layer 'valves'"),
    "hydrants bad where": (_says(hydrants={"where": "status ="}), "hydrants.where"),
    "hydrants nothing left": (_says(hydrants={"where": "asset_id = 'X'"}), "left out by `where`"),
    "csv without x": (_hydrants(_csv(), "h.csv"), "x, y, crs not stated"),
    "csv without system": (_hydrants(_csv(), "h.csv", x="east", y="north"), "crs not stated"),
    "csv mistyped x": (_hydrants(_csv(), "h.csv", **{**HERE, "x": "est"}), "did you mean 'east'?"),
    "csv unknown system": (_hydrants(_csv(), "h.csv", **{**HERE, "crs": "EPSG:0"}), "is no reference system"),
    "csv empty": (_hydrants(_text(""), "h.csv", **HERE), "hydrants"),
    "csv unknown encoding": (_hydrants(_csv(), "h.csv", **HERE, encoding="klingon"), "encoding"),
    "before not there": (_says(before={"raster": "none.tif"}), "no such file or folder: none.tif"),
    "before no match": (_says(before={"raster": "none*.tif"}), "no raster in or matching none*.tif"),
    "before blank": (_says(before={"raster": ""}), "before.raster"),
    "before noise": (_ground("before", _noise), "cannot be opened as a raster"),
    "before cut short": (_ground("before", _half_tif), "bad.tif"),
    "before text": (_ground("before", _text("hello")), "cannot be opened as a raster"),
    "before a layer": (_says(before={"raster": "hydrants.gpkg"}), "hydrants.gpkg"),
    "before no system": (_ground("before", lambda p: _raster(p, crs=None)), "no reference system"),
    "before no place": (_ground("before", lambda p: _raster(p, transform=rasterio.Affine.identity())), "georeference"),
    "before a picture": (_ground("before", lambda p: _raster(p, 3, "uint8", photometric="RGB")), "colour picture"),
    "before complex": (_ground("before", lambda p: _raster(p, dtype="complex64")), "complex numbers"),
    "before no unit": (_says(before={"unit": None}), "does not say the unit"),
    "before two units": (_ground("before", lambda p: write_ground(p, 100.0, unit="metre")), "contradicts itself"),
    "before unknown vertical": (_says(before={"vertical": "EPSG:0"}), "is no reference system"),
    "before vertical is flat": (_says(before={"vertical": "EPSG:32615"}), "not a vertical reference system"),
    "before a depth": (_says(before={"vertical": "EPSG:6358", "unit": None}), "before.vertical"),
    "before in metres": (_ground("before", lambda p: write_ground(p, 30.5)), "ft against m?"),
    "after in metres": (_ground("after", lambda p: write_ground(p, 30.5)), "m against ft?"),
    "after not there": (_says(after={"raster": ["after.tif", "none.tif"]}), "no such file or folder: none.tif"),
    "after noise": (_ground("after", _noise), "cannot be opened as a raster"),
    "two datums": (_two_datums, "needed as"),
    "limits not there": (_says(after={"limits": "none.gpkg"}), "no such file: none.gpkg"),
    "limits are lines": (_limits, "no usable polygons"),
    "paving not there": (_says(paving={"path": "none.gpkg", "job": "job_id"}), "no such file: none.gpkg"),
    "paving points": (_paving(shape=shapely.Point(EAST, NORTH)), "no usable polygons or lines"),
    "paving no system": (_paving(crs=None), "no reference system"),
    "paving mistyped job": (_paving(job="jobid"), "did you mean 'job_id'?"),
    "paving mistyped starts": (_paving(starts="start"), "no such column"),
    "catalogue not there": (_says(catalog={"path": "none.toml"}), "cannot be read"),
    "catalogue a folder": (_says(catalog={"path": "."}), "cannot be read"),
    "catalogue broken": (_catalog("[[extension"), "is not TOML"),
    "catalogue bad": (
        _catalog('[[extension]]\nfamily = "A"\nlength = "7"\npart_number = "Q"\n'),
        "extension[1].length",
    ),
    "work in no system": (_says(project={"crs": "Sorrel"}), "is no reference system"),
    "work in degrees": (_says(project={"crs": "EPSG:4326"}), "is not projected"),
    "work in heights": (_says(project={"crs": "EPSG:5703"}), "project.crs"),
    "output a file": (_out_is_file, "is a file, not a folder"),
    "output below a file": (lambda f: {**_out_is_file(f), "output": {"dir": "out/deep/er"}}, "is a file, not a folder"),
    "output held open": (_held, "-wal"),
    "output of a broken former run": (_broken_former, "review edits in it would be lost"),
    "output's package a folder": (_package_is_folder, "gradecheck.gpkg"),
    "plan bare length": (_says(policy={"dressing": 1}), "policy.dressing"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_input_is_2_with_a_clear_message_and_no_traceback_and_inspect_agrees(
    tmp_path: Path, said: Callable[..., Outcome], name: str
) -> None:
    tiny_plan(tmp_path)
    spoil, words = BAD[name]
    plan = write_plan(tmp_path, **spoil(tmp_path))
    status, out, error = said("run", plan)
    assert (status, out) == (2, ""), error
    assert words in error
    assert "Traceback" not in error
    status, out, error = said("inspect", plan)
    assert status == 2
    assert words in out + error
    for command in ("run", "inspect"):
        status, out, error = said(command, plan, "--json")
        assert (status, error) == (2, "")
        told = strict_json(out)
        assert told["ok"] is False
        assert words in json.dumps(told.get("findings", told.get("stops")), ensure_ascii=False)


def test_nothing_is_written_for_a_bad_input(tmp_path: Path, said: Callable[..., Outcome]) -> None:
    plan = project(tmp_path, after={"raster": "none.tif"})
    before = sorted(p.name for p in tmp_path.iterdir())
    assert said("run", plan)[0] == said("inspect", plan)[0] == 2
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_everything_that_is_wrong_is_told_at_once(tmp_path: Path, said: Callable[..., Outcome]) -> None:
    tiny_plan(tmp_path)
    _out_is_file(tmp_path)
    plan = write_plan(
        tmp_path,
        hydrants={"path": "none.gpkg"},
        before={"raster": ["before.tif", "gone.tif"]},
        after={"unit": None},
        catalog={"path": "none.toml"},
    )
    told = said("inspect", plan)[1]
    for words in ("none.gpkg", "gone.tif", "does not say the unit", "none.toml", "is a file, not a folder"):
        assert words in told


@pytest.mark.parametrize("text", ["", "[hydrants", "= 1", "[policy]\ndressing = 2 in\n", "\x00\x01"])
def test_a_plan_file_that_is_none_is_2(tmp_path: Path, said: Callable[..., Outcome], text: str) -> None:
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    for command in ("run", "inspect"):
        status, out, error = said(command, tmp_path / "plan.toml")
        assert (status, out) == (2, "")
        assert "plan.toml" in error or "hydrants" in error


@pytest.mark.parametrize("section", ["hydrants.path", "before.raster", "catalog.path", "output.dir"])
def test_a_path_that_no_file_can_have_is_2(tmp_path: Path, said: Callable[..., Outcome], section: str) -> None:
    table, key = section.split(".")
    for path in ("a\\u0000b", "x" * 5000):
        plan = project(tmp_path, **{table: {key: "HERE"}})
        plan.write_text(plan.read_text(encoding="utf-8").replace("HERE", path), encoding="utf-8")
        for command in ("run", "inspect"):
            status, _, error = said(command, plan)
            assert status == 2, error


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["run", "plan.toml", "--hydrants", "h.gpkg"], "both a plan and --hydrants"),
        (["run", "--hydrants", "h.gpkg", "--before", "b.tif"], "--after not given"),
        (["run", "--out", "o"], "--hydrants, --before, --after not given"),
        (["run", "--hydrants", "h", "--before", "b", "--after", "a", "--unit", "yd"], "'yd' is not one of"),
        (["run", "--hydrants", "h", "--before", "b", "--after", "a", "--before-unit", "yd"], "before.unit"),
        (["run", "--hydrants", "h.gpkg", "--before", "b.tif", "--after", "a.tif"], "no such file: h.gpkg"),
    ],
)
def test_flags_that_cannot_be_used_are_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: Callable[..., Outcome], arguments: list[str], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, error = said(*arguments)
    assert (status, out) == (2, "")
    assert words in error


def test_flags_beside_a_plan_are_never_passed_over_in_silence(tmp_path: Path, said: Callable[..., Outcome]) -> None:
    plan = project(tmp_path)
    for flag, value in (("--before-unit", "m"), ("--after-unit", "m"), ("--id", "flange_in"), ("--unit", "mm")):
        status, _, error = said("run", plan, flag, value)
        assert status == 2, flag
        assert flag in error


# -- good inputs, each to `run` and to `inspect` ----------------------------------------------------------------


def _far(folder: Path) -> dict[str, Any]:
    hydrants({"asset_id": ["a", "b"], "flange_in": [4.0, 4.0]}, [(9000, 7000), (9100, 7050)]).to_file(
        folder / "far.gpkg"
    )
    return {"hydrants": {"path": "far.gpkg"}}


def _some_rejected(folder: Path) -> dict[str, Any]:
    hydrants({"asset_id": ["a", "b"], "flange_in": [4.0, 4.0]}, [(9, 7), None]).to_file(folder / "h.gpkg")
    return {"hydrants": {"path": "h.gpkg"}}


GOOD: dict[str, tuple[Callable[[Path], dict[str, Any]], str]] = {
    "plain": (_says(), "3 hydrants"),
    "rows rejected": (_some_rejected, "1 rejected"),
    "no job reaches": (_paving(shape=shapely.box(0, 0, 1, 2)), "no job of the paving plan reaches"),
    "far from every ground": (_far, "2 beyond_design"),
    "beyond missing": (lambda f: {**_far(f), "after": {"beyond": "missing"}}, "no hydrant has both grounds"),
    "a large change": (_ground("after", lambda p: write_ground(p, 110.0)), "the typical grade change is"),
}


@pytest.mark.parametrize("name", GOOD)
def test_what_can_be_run_is_0_and_what_is_odd_is_said(tmp_path: Path, said: Callable[..., Outcome], name: str) -> None:
    tiny_plan(tmp_path)
    prepare, words = GOOD[name]
    plan = write_plan(tmp_path, **prepare(tmp_path))
    status, out, error = said("run", plan)
    assert (status, error) == (0, "")
    assert words in " ".join(out.split())
    assert said("inspect", plan)[0] == 0
    for command in ("run", "inspect"):
        status, out, error = said(command, plan, "--json")
        assert (status, error) == (0, "")
        assert strict_json(out)["ok"] is True


def test_hydrants_that_meet_no_ground_at_all_are_warned_of(tmp_path: Path, said: Callable[..., Outcome]) -> None:
    # Ten kilometres off everything, all would be "keep": a false all-clear where a reference system is wrong.
    tiny_plan(tmp_path)
    plan = write_plan(tmp_path, **_far(tmp_path))
    assert strict_json(said("run", plan, "--json")[1])["warnings"]


def test_inspect_writes_nothing_and_says_what_the_inputs_are(sample: Sample, tmp_path: Path, said: Any) -> None:
    copy = tmp_path / "town"
    shutil.copytree(sample.folder, copy, ignore=shutil.ignore_patterns("out"))
    before = sorted(str(p) for p in copy.rglob("*"))
    status, out, _ = said("inspect", copy / "plan.toml")
    assert status == 0
    assert sorted(str(p) for p in copy.rglob("*")) == before
    rows = len(gpd.read_file(copy / "hydrants.gpkg"))
    for words in (f"{rows} rows", "EPSG:32615", "west.tif", "unit ft", "Q-102", "2027-06-14", "family B", "overlap"):
        assert words in out
    # Family B sells 12 and 24 in only. A window of 8 in (dressing on both sides) and steps of 12 leave gaps of 4 to
    # 6: with W from 1 to 7, nothing mends a flange that ends from 1 in above to 5 below ground, or 11 to 17 below.
    assert "-1 in to 5 in, 11 in to 17 in" in " ".join(out.split())
    assert [line for line in out.splitlines() if len(line) > 80] == []
    assert [line for line in out.splitlines() if line.startswith("[")] == [
        "[x] hydrants", "[x] paving", "[x] before", "[x] after", "[x] reference", "[x] stable", "[x] overlap",
        "[x] common errors", "[x] catalogue",
        "[x] nothing here would stop a run",
    ]  # fmt: skip


def test_the_summary_fits_a_terminal_of_80_columns(sample: Sample) -> None:
    text = summary_text(sample.result.summary, "out")
    assert [line for line in text.splitlines() if len(line) > 80] == []
    days = [line.order_by.split()[0] for line in sample.result.assessment.order if line.quantity_buy and line.order_by]
    assert f"order by {min(days)}" in text
    assert text.endswith("Written to out: open report.html first")


def test_a_run_of_no_jobs_and_one_of_many_leave_the_database_closed(tmp_path: Path, said: Any) -> None:
    plan = project(tmp_path)
    assert said("run", plan)[0] == said("run", plan)[0] == 0
    with closing(sqlite3.connect(tmp_path / "out" / "gradecheck.gpkg")) as db:
        db.execute("BEGIN EXCLUSIVE")
        db.rollback()


def test_a_plan_in_another_folder_reads_and_writes_beside_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: Callable[..., Outcome]
) -> None:
    town = tmp_path / "town"
    town.mkdir()
    project(town)
    write_grounds(tmp_path, 100.0, 999.0)  # must not be taken for the town's
    monkeypatch.chdir(tmp_path)
    assert said("run", "town/plan.toml")[0] == 0
    assert (town / "out" / "run.json").exists()
    assert not (tmp_path / "out").exists()
