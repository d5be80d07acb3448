"""A disk that is full, a file that may not grow, another run in the folder: told in words, the former files whole."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.projects import plan_values, tiny_plan, toml_text

COMMAND = [sys.executable, "-m", "gradecheck", "run", "plan.toml", "--quiet"]


@pytest.fixture
def town(tmp_path: Path) -> Path:
    """A project with all deliverables."""
    tiny_plan(tmp_path)
    (tmp_path / "plan.toml").write_text(toml_text(plan_values()), encoding="utf-8")
    return tmp_path


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """Where small disks can be put."""
    place = tmp_path / "disk"
    place.mkdir()
    yield place
    subprocess.run(["umount", str(place)], capture_output=True, check=False)


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if not p.name.startswith(".")}


def refused(run: subprocess.CompletedProcess[str]) -> None:
    """One message, no traceback."""
    assert run.returncode == 2, run.stderr
    assert "the output folder cannot be used" in run.stderr
    assert "could not be written" in run.stderr
    assert "mend: " in run.stderr


def test_a_full_disk_is_said_and_nothing_is_left_on_it(town: Path, disk: Path) -> None:
    full = 0
    for size in (60, 200, 300):
        made = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}k", "tmpfs", str(disk)], capture_output=True)
        if made.returncode:
            pytest.skip("no right to mount a small disk here")
        run = subprocess.run([*COMMAND, "--out", str(disk / "out")], cwd=town, capture_output=True, text=True)
        if run.returncode:
            refused(run)
            full += 1
            assert list(disk.iterdir()) == []
        else:
            assert (disk / "out" / "run.json").exists()
        subprocess.run(["umount", str(disk)], check=True)
    assert full >= 2


@pytest.mark.parametrize("most", [0, 4_000, 60_000, 200_000])
def test_a_file_that_may_not_grow_is_said_and_the_former_files_are_whole(town: Path, most: int) -> None:
    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # so that writing fails as on a full disk, instead of a death
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))

    subprocess.run(COMMAND, cwd=town, check=True)
    before = contents(town / "out")
    run = subprocess.run(COMMAND, cwd=town, capture_output=True, text=True, preexec_fn=limit, check=False)
    refused(run)
    assert contents(town / "out") == before
    assert [p.name for p in (town / "out").iterdir() if p.name.startswith(".")] == [".gradecheck.lock"]


def test_a_second_run_into_one_folder_is_refused_while_the_first_is_at_work(town: Path) -> None:
    code = (
        "import sys, time; from gradecheck import pipeline; real = pipeline.compute\n"
        "def slow(*a, **k):\n    print('at work', flush=True); sys.stdin.readline(); return real(*a, **k)\n"
        "pipeline.compute = slow\n"
        "from gradecheck.cli import main; sys.argv = ['gradecheck', 'run', 'plan.toml', '-q']; main()"
    )
    first = subprocess.Popen(
        [sys.executable, "-c", code], cwd=town, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert first.stdin is not None
    assert first.stdout is not None
    assert first.stdout.readline() == "at work\n"
    second = subprocess.run(COMMAND, cwd=town, capture_output=True, text=True, check=False)
    assert second.returncode == 2
    assert "another gradecheck is at work in this folder" in second.stderr
    assert "wait until it has ended" in second.stderr
    first.communicate("\n")
    assert first.returncode == 0
    assert (town / "out" / "run.json").exists()
    third = subprocess.run(COMMAND, cwd=town, capture_output=True, text=True, check=False)
    assert third.returncode == 0, third.stderr


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_without_the_right_to_write_is_refused(town: Path) -> None:
    (town / "out").mkdir(mode=0o500)
    run = subprocess.run(COMMAND, cwd=town, capture_output=True, text=True, check=False)
    assert run.returncode == 2
    assert "no right to write" in run.stderr
