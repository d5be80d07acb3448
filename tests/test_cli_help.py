"""What people meet first: help whose examples run, completion, plans that explain themselves, newcomers' mistakes."""

from __future__ import annotations

import os
import pty
import re
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pytest

from gradecheck import Plan, pipeline, write_starter
from gradecheck.errors import GradecheckError
from tests.conftest import Outcome

COMMANDS = ("", "run", "inspect", "order", "confirm", "starter")
START = [sys.executable, "-c", "import sys; sys.argv[0] = 'gradecheck'; from gradecheck.cli import main; main()"]


def call(*arguments: str, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, its streams in pipes."""
    env = {**os.environ, "OGR_SQLITE_SYNCHRONOUS": "OFF", **environment}
    return subprocess.run([*START, *arguments], cwd=cwd, capture_output=True, text=True, env=env, timeout=120)


# -- help -------------------------------------------------------------------------------------------------------


def examples(text: str) -> list[str]:
    """The example calls in a help text, continued lines joined."""
    joined = text.replace("\\\n", " ")
    return [line.strip() for line in joined.splitlines() if line.startswith("  gradecheck ")]


@pytest.mark.parametrize("command", COMMANDS)
def test_help_fits_80_columns_in_a_pipe_without_colour_and_has_an_example(command: str, tmp_path: Path) -> None:
    wanted = [command, "--help"] if command else ["--help"]
    texts = [call(*wanted, cwd=tmp_path, **more) for more in ({}, {"NO_COLOR": "1"}, {"COLUMNS": "200"})]
    for done in texts:
        assert (done.returncode, done.stderr) == (0, "")
        assert "\x1b" not in done.stdout
        assert [line for line in done.stdout.splitlines() if len(line) > 80] == []
        assert not any(line.endswith("...") for line in done.stdout.splitlines()[1:]), "a command's line is cut short"
        assert any(line.startswith(f"gradecheck {command}".rstrip()) for line in examples(done.stdout))


def test_help_on_a_terminal_that_wants_no_colour_has_none(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    env = {**os.environ, "NO_COLOR": "1", "TERM": "xterm-256color"}
    subprocess.run([*START, "run", "--help"], cwd=tmp_path, stdout=theirs, stderr=theirs, env=env, timeout=60)
    os.close(theirs)
    shown = os.read(ours, 10_000).decode()
    os.close(ours)
    assert "Usage: gradecheck run" in shown
    assert "\x1b" not in shown


def test_every_example_in_every_help_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: Callable[..., Outcome]
) -> None:
    calls = dict.fromkeys(line for command in COMMANDS for line in examples(said(*command.split(), "--help")[1]))
    assert {line.split()[1] for line in calls} == set(COMMANDS) - {""}
    monkeypatch.chdir(tmp_path)
    for line in sorted(
        calls, key=lambda text: ("starter", "run", "inspect", "order", "confirm").index(text.split()[1])
    ):
        status, _, error = said(*shlex.split(line)[1:])
        assert (status, error) == (0, ""), line
    assert (tmp_path / "one-off" / "gradecheck.gpkg").is_file()


# -- completion -------------------------------------------------------------------------------------------------


def completed(shell: str, line: str, cwd: Path) -> str:
    """What a shell's script gets for a line that ends at the cursor."""
    words = line.split(" ")
    asked = {
        "_GRADECHECK_COMPLETE": f"complete_{shell}",
        "COMP_WORDS": line,
        "COMP_CWORD": str(len(words) - 1),
        "_TYPER_COMPLETE_ARGS": line,
        "_TYPER_COMPLETE_FISH_ACTION": "get-args",
    }
    done = call(cwd=cwd, **asked)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


@pytest.mark.parametrize(
    ("shell", "words"),
    [("bash", "complete -o default -F"), ("zsh", "#compdef gradecheck"), ("fish", "complete --command gradecheck")],
)
def test_a_script_is_printed_for_each_shell(shell: str, words: str, tmp_path: Path) -> None:
    done = call(cwd=tmp_path, _GRADECHECK_COMPLETE=f"source_{shell}")
    assert (done.returncode, done.stderr) == (0, "")
    assert words in done.stdout
    assert f"complete_{shell}" in done.stdout


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_commands_and_flags_are_completed(shell: str, tmp_path: Path) -> None:
    assert "inspect" in completed(shell, "gradecheck ins", tmp_path)
    assert "--before-unit" in completed(shell, "gradecheck run --before-", tmp_path)


def test_a_path_is_left_to_the_shell_to_complete_as_a_file(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").touch()
    assert completed("bash", "gradecheck run pl", tmp_path).strip() == ""  # -o default: files
    assert completed("zsh", "gradecheck run pl", tmp_path).strip() == "_files"
    assert completed("fish", "gradecheck run pl", tmp_path).strip() == ""


def test_the_script_of_bash_is_one_that_bash_runs(tmp_path: Path) -> None:
    (tmp_path / "script").write_text(call(cwd=tmp_path, _GRADECHECK_COMPLETE="source_bash").stdout, encoding="utf-8")
    (tmp_path / "gradecheck").write_text(f'#!/bin/sh\nexec {shlex.join(START)} "$@"\n', encoding="utf-8")
    (tmp_path / "gradecheck").chmod(0o755)
    body = "source ./script; COMP_WORDS=(gradecheck sta); COMP_CWORD=1; _gradecheck_completion ./gradecheck"
    line = ["bash", "-c", f'{body}; echo "${{COMPREPLY[*]}}"']
    done = subprocess.run(line, cwd=tmp_path, capture_output=True, text=True, timeout=60)
    assert (done.stdout, done.stderr) == ("starter\n", "")


@pytest.mark.parametrize("flag", ["--show-completion", "--install-completion"])
def test_where_no_shell_is_found_it_is_said_how_to_get_the_script(
    flag: str, monkeypatch: pytest.MonkeyPatch, said: Callable[..., Outcome]
) -> None:
    import shellingham

    def none() -> None:
        raise shellingham.ShellDetectionFailure

    monkeypatch.setattr(shellingham, "detect_shell", none)
    status, _, error = said(flag)
    assert status == 2
    assert "_GRADECHECK_COMPLETE=source_bash gradecheck" in error


# -- plans that explain themselves ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The starter's project, with mistakes to come."""
    folder = tmp_path_factory.mktemp("mistakes") / "town"
    write_starter(folder)
    rows = gpd.read_file(folder / "hydrants.gpkg")
    rows.iloc[:0].to_file(folder / "empty.gpkg")
    placed = rows[rows.geometry.notna()]
    table = placed.drop(columns="geometry").assign(east=placed.geometry.x, north=placed.geometry.y)
    table.to_csv(folder / "hydrants.csv", index=False)
    return folder


def test_lines_of_the_starters_files_are_at_most_100_characters(town: Path) -> None:
    for path in town.glob("*.toml"):
        assert [line for line in path.read_text(encoding="utf-8").splitlines() if len(line) > 100] == [], path.name


def test_every_section_and_key_of_the_starters_plan_has_a_word_and_the_next_steps_are_named(town: Path) -> None:
    text = (town / "plan.toml").read_text(encoding="utf-8")
    for line in text.splitlines():
        assert not line.startswith("[") or "#" in line, line
    for words in (
        "gradecheck inspect",
        "gradecheck run",
        "review_action",
        "gradecheck order",
        "gradecheck confirm",
        "MUST",
        "may be left",
    ):
        assert words in text
    for name in ("yarrow", "quince", "bramble"):
        other = (town / f"{name}.toml").read_text(encoding="utf-8")
        assert f"gradecheck run {name}.toml" in other
        assert "plan.toml says what each section is for" in other


def test_what_the_starters_plan_calls_a_must_is_one_and_all_else_can_be_dropped(town: Path) -> None:
    lines = (town / "plan.toml").read_text(encoding="utf-8").splitlines()
    keys = [i for i, line in enumerate(lines) if re.match(r"[a-z_]+ = ", line)]
    assert len(keys) > 30
    for i in keys:
        values = tomllib.loads("\n".join(lines[:i] + lines[i + 1 :]))
        try:
            Plan.parse(values, town)
            loads = True
        except GradecheckError:
            loads = False
        assert loads == ("# MUST" not in lines[i]), lines[i]


def test_sections_that_may_be_left_out_can_be(town: Path) -> None:
    text = (town / "plan.toml").read_text(encoding="utf-8")
    values = tomllib.loads(text)
    optional = re.findall(r"^\[(\w+)\] +# may be left out", text, re.M)
    assert set(values) - set(optional) == {"hydrants", "before", "after"}
    left = {k: v for k, v in values.items() if k not in optional}
    assert not pipeline.inspect(Plan.parse(left, town)).stops


# -- mistakes of a newcomer -------------------------------------------------------------------------------------

Change = Callable[[str], str | bytes]


def swap(old: str, new: str) -> Change:
    """The plan with one text for another."""

    def change(text: str) -> str:
        assert old in text
        return text.replace(old, new, 1)

    return change


MISTAKES: dict[str, tuple[Change, str, str]] = {
    "hydrants a folder": (swap('"hydrants.gpkg"', '"existing"'), "existing is a folder", "name the file in it"),
    "a typo in a path": (swap('"hydrants.gpkg"', '"hydrant.gpkg"'), "no such file", "did you mean 'hydrants.gpkg'?"),
    "a typo in a key": (swap("position_sd", "postion_sd"), "hydrants.postion_sd", "did you mean 'position_sd'?"),
    "a typo in a section": (swap("[policy]", "[polcy]"), "polcy: unknown key", "did you mean 'policy'?"),
    "a bare number": (swap('"1 in"', "1"), "policy.dressing", 'such as "2 in", not 1'),
    "a length without quotes": (swap('"1 in"', "1 in"), "dressing = 1 in", 'in quotes, such as "2 in"'),
    "a wrong unit": (swap('"1 in"', '"1 yd"'), "unknown unit 'yd'", "known: in, ft, ftUS, mm, cm, m"),
    "no unit": (swap('"1 in"', '"1"'), "policy.dressing", "a number and a unit"),
    "no [after]": (lambda t: re.sub(r"\n\[after\].*?\n(?=\[)", "\n", t, flags=re.S), "after:", "section [after]"),
    "an empty layer": (swap('"hydrants.gpkg"', '"empty.gpkg"'), "gives no rows", "check the layer"),
    "a CSV without crs": (
        swap('"hydrants.gpkg"', '"hydrants.csv"\nx = "east"\ny = "north"'), "crs not stated", 'crs = "EPSG:32615"',
    ),
    "a wrong column": (swap('id = "asset_id"', 'id = "assetid"'), "no such column", "did you mean 'asset_id'?"),
    "backslashes": (swap("existing/west", "existing\\west"), r"existing\west", 'write paths with "/"'),
    "a drive and backslashes": (swap("existing/west", r"C:\Users\me\west"), r"C:\Users", 'write paths with "/"'),
    "backslashes that are signs": (swap("existing/west", r"data\new\tile"), "before.raster", 'write paths with "/"'),
    "backslashes in straight quotes": (
        swap('"existing/west.tif"', r"'existing\west.tif'"), r"existing\west.tif", 'written with "/"',
    ),
    "a bracket left open": (swap("[before]  ", "[before"), "[before", "a section stands in brackets"),
    "a colon": (swap('id = "asset_id"', 'id: "asset_id"'), 'id: "asset_id"', "with = and not :"),
    "a quote left open": (swap('"asset_id"', '"asset_id'), 'id = "asset_id', "close the quotes"),
    "curly quotes": (swap('"asset_id"', "\u201casset_id\u201d"), "id = \u201casset_id\u201d", "straight quotes"),
    "a key twice": (swap('id = "asset_id"', 'id = "asset_id"\nid = "x"'), 'id = "x"', "keep one"),
    "another way of dates": (swap("2027-05-03", "05/03/2027"), "starts = 05/03/2027", "2027-05-03, without quotes"),
    "a where without quotes": (swap("'ACT'", "ACT"), "hydrants.where", "write it as SQL: status = 'ACT'"),
    "UTF-16": (lambda t: t.encode("utf-16"), "UTF-16", "save it as UTF-8"),
    "a western code page": (
        lambda t: t.replace("Quillhaven paving", "Mühle").encode("cp1252"), "is not UTF-8 text (line 23)",
        "save it as UTF-8",
    ),
    "nothing": (lambda t: "", "hydrants: is needed", "add a section [hydrants]"),
}  # fmt: skip


@pytest.mark.parametrize("name", MISTAKES)
def test_a_newcomers_mistake_is_told_with_what_where_and_how_to_mend_it(
    name: str, town: Path, said: Callable[..., Outcome]
) -> None:
    change, what, mend = MISTAKES[name]
    changed = change((town / "plan.toml").read_text(encoding="utf-8"))
    path = town / "mistaken.toml"
    path.write_bytes(changed if isinstance(changed, bytes) else changed.encode())
    status, out, error = said("run", path)
    path.unlink()
    assert (status, out) == (2, "")
    assert what in error
    assert mend in error
    assert "Traceback" not in error
    assert len(error.splitlines()) <= 12
    assert not (town / "out").exists()


CALLS: dict[str, tuple[tuple[str, ...], str, str]] = {
    "a wrong path": (("run", "plam.toml"), "plam.toml: no such plan file", "did you mean 'plan.toml'?"),
    "a folder": (("run", "."), ".: is a folder", "plan.toml"),
    "a folder without plans": (("inspect", "existing"), "existing: is a folder", "gradecheck starter"),
    "a raster": (("run", "design.tif"), "design.tif: is not UTF-8 text", "gradecheck starter"),
    "a GeoPackage": (("run", "hydrants.gpkg"), "a database", "gradecheck order"),
    "an order of none of ours": (("order", "hydrants.gpkg"), "no GeoPackage of this", "name the gradecheck.gpkg"),
    "an order of a folder": (("order", "existing"), "existing: is a folder", "gradecheck.gpkg"),
    "an order of nothing": (("order", "out/gradecheck.gpkg"), "no such file", "that a run wrote"),
    "output a file": (("run", "plan.toml", "--out", "plan.toml"), "is a file, not a folder", "another output folder"),
    "output empty": (("run", "plan.toml", "--out", ""), "--out is empty", "leave it out"),
    "no plan": (("run",), "nothing to run", "gradecheck starter"),
    "an empty plan": (("run", ""), "PLAN.toml is empty", "name a file"),
    "a wrong flag": (("run", "plan.toml", "--output", "x"), "--out", "see gradecheck run --help"),
    "a wrong command": (("runn", "plan.toml"), "runn", "see gradecheck --help"),
    "a starter here": (("starter", "."), "not empty", "name a new folder"),
    "a starter in a file": (("starter", "plan.toml"), "is a file, not a folder", "name a new folder"),
    "a starter below a file": (("starter", "plan.toml/x"), "cannot be made", "where you may write"),
}  # fmt: skip


@pytest.mark.parametrize("name", CALLS)
def test_a_call_that_cannot_be_is_told_with_what_where_and_how_to_mend_it(
    name: str, town: Path, monkeypatch: pytest.MonkeyPatch, said: Callable[..., Outcome]
) -> None:
    arguments, what, mend = CALLS[name]
    monkeypatch.chdir(town)
    status, out, error = said(*arguments)
    assert (status, out) == (2, "")
    assert what in error
    assert mend in error
    assert "Traceback" not in error
    assert not (town / "out").exists()


def test_an_output_folder_without_the_right_to_write_is_told(
    town: Path, monkeypatch: pytest.MonkeyPatch, said: Callable[..., Outcome]
) -> None:
    monkeypatch.setattr("gradecheck.placing.os.access", lambda *a, **k: False)  # who runs the tests may write anywhere
    status, out, error = said("run", town / "plan.toml")
    assert (status, out) == (2, "")
    assert "no right to write" in error
    assert "choose another output folder" in error


@pytest.mark.parametrize("form", ["byte-order mark", "line ends of Windows", "both"])
def test_a_plan_saved_by_a_windows_editor_is_the_same_plan(form: str, town: Path) -> None:
    text = (town / "plan.toml").read_text(encoding="utf-8")
    content = (text if form == "byte-order mark" else text.replace("\n", "\r\n")).encode()
    path = town / "windows.toml"
    path.write_bytes(content if form == "line ends of Windows" else b"\xef\xbb\xbf" + content)
    assert Plan.load(path).as_written() == Plan.load(town / "plan.toml").as_written()
    path.unlink()
