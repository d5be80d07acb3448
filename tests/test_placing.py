"""Files are put in place all or none, whatever step a process dies or fails at; what the next command makes of it."""

from __future__ import annotations

import errno
import json
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gradecheck import placing
from gradecheck.errors import OutputError
from gradecheck.placing import claimed, in_place

NAMES = ("layer.gpkg", "order.csv", "run.json")
CHANGES = {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "shutil.rmtree", "os.link", "os.truncate"}
Folder = dict[str, str]


def made(aside: Path) -> list[Path]:
    """A new set of files."""
    for name in NAMES:
        (aside / name).write_text(f"new {name}")
    return [aside / name for name in NAMES]


def old_set(folder: Path) -> Folder:
    """A former set, one file longer."""
    folder.mkdir(exist_ok=True)
    for name in (*NAMES, "rest.csv"):
        (folder / name).write_text(f"old {name}")
    return held(folder)


def held(folder: Path) -> Folder:
    """All that people see in a folder."""
    return {p.name: p.read_text() for p in sorted(folder.iterdir()) if not p.name.startswith(".")}


NEW = {name: f"new {name}" for name in NAMES}


def put(folder: Path, last: Callable[[], None] | None = None) -> None:
    """What a command does."""
    with claimed(folder):
        if last is None:
            in_place(folder, made, stale=("rest.csv",))
        else:
            in_place(folder, made, stale=("rest.csv",), last=last)


def in_child(work: Callable[[], None], at: int, strike: Callable[[], None]) -> tuple[int, bool]:
    """Do some work in a copy of this process that is struck just before its change of files number `at`.

    Its exit status, and whether it came that far.
    """
    back, forth = os.pipe()
    child = os.fork()
    if child == 0:  # the audit hook stays in the copy, as it cannot be taken off again
        seen = [0]

        def watch(event: str, given: tuple[object, ...]) -> None:
            writes = event == "open" and isinstance(given[2], int) and given[2] & (os.O_WRONLY | os.O_RDWR)
            if event in CHANGES or (writes and given[0] not in ("/dev/null",)):
                seen[0] += 1
                if seen[0] == at:
                    os.write(forth, b"x")
                    strike()

        sys.addaudithook(watch)
        status = 0
        try:
            work()
        except OutputError:
            status = 2
        except BaseException:
            status = 3
        os._exit(status)
    os.close(forth)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    came = os.read(back, 1) == b"x"
    os.close(back)
    return status, came


def die() -> None:
    """As at a loss of power."""
    os._exit(137)


def fail() -> None:
    """As on a full disk."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def every_step(folder: Path, strike: Callable[[], None], last: Callable[[], None] | None = None) -> Iterator[int]:
    """One child for each change of files that a command makes, struck there; its status."""
    for at in range(1, 200):
        for path in sorted(folder.rglob("*"), reverse=True) if folder.exists() else ():
            path.rmdir() if path.is_dir() else path.unlink()
        old_set(folder)
        status, came = in_child(lambda: put(folder, last), at, strike)
        if not came:
            return
        yield status
    raise AssertionError("no end of changes")


@pytest.mark.parametrize("last", [None, placing.nothing, lambda: None], ids=["plain", "nothing", "database"])
def test_whatever_moment_it_dies_at_the_next_command_finds_all_old_or_makes_all_new(
    tmp_path: Path, last: Callable[[], None] | None
) -> None:
    folder, old = tmp_path / "out", old_set(tmp_path / "model")
    died, words = 0, set()
    for status in every_step(folder, die, last):
        assert status == 137
        died += 1
        before = held(folder)
        left = list(folder.glob(".gradecheck-*"))
        unsettled = [p for p in left if any(p.iterdir()) and not (p / "placed.json").exists()]
        if before not in (old, NEW):  # a mix never passes for whole: a journal says what is missing
            assert [p for p in left if (p / "placing.json").exists()]
        with claimed(folder) as said:
            words.update(said)
            assert held(folder) in (old, NEW)
        assert not list(folder.glob(".gradecheck-*"))
        assert bool(said) == bool(unsettled)
        put(folder)
        assert held(folder) == NEW
    assert died > 15
    assert len(words) == 2


def test_whatever_change_fails_the_files_are_all_old_or_all_new_and_it_is_said(tmp_path: Path) -> None:
    folder, old = tmp_path / "out", old_set(tmp_path / "model")
    failed = 0
    for status in every_step(folder, fail):
        assert status in (0, 2)
        failed += status == 2
        expected = NEW if status == 0 else old
        assert held(folder) == expected
        with claimed(folder):
            assert held(folder) == expected
        assert not list(folder.glob(".gradecheck-*"))
        put(folder)
        assert held(folder) == NEW
    assert failed > 10


def test_what_fails_at_last_puts_everything_back(tmp_path: Path) -> None:
    folder, old = tmp_path / "out", old_set(tmp_path / "out")

    def refuse() -> None:
        raise OSError(errno.EIO, "the server went away")

    with pytest.raises(OutputError, match="the server went away"):
        put(folder, refuse)
    assert held(folder) == old
    assert not list(folder.glob(".gradecheck-*"))


def test_what_can_neither_be_put_in_place_nor_back_waits_for_the_next_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, old = tmp_path / "out", old_set(tmp_path / "out")
    real = Path.replace

    def stuck(self: Path, target: Path) -> Path:
        if self.name == "order.csv" and self.parent != folder:
            raise PermissionError(errno.EACCES, "held open")
        if self.name.startswith("former-"):
            raise PermissionError(errno.EACCES, "held open")
        return real(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", stuck)
        with pytest.raises(OSError, match="held open"):
            put(folder)
    assert held(folder) not in (old, NEW)
    with claimed(folder) as said:
        assert "the former files are back in place" in said[0]
    assert held(folder) == old


def test_two_commands_do_not_work_in_one_folder_and_nothing_is_left_of_the_second(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    with claimed(folder):
        status, _ = in_child(lambda: put(folder), 10_000, die)
        assert status == 2
        with pytest.raises(OutputError, match="another gradecheck is at work in this folder"), claimed(folder):
            pass
    assert not folder.exists()


def test_a_folder_goes_again_where_nothing_is_put_into_it_but_a_persons_own_stays(tmp_path: Path) -> None:
    with claimed(tmp_path / "a" / "b"):
        pass
    assert not (tmp_path / "a").exists()
    (tmp_path / "own").mkdir()
    with claimed(tmp_path / "own"):
        pass
    assert (tmp_path / "own").is_dir()


@pytest.mark.parametrize(
    "journal",
    ["", "null", '{"files": [], "gone": ["run.json"], "undo": false}',
     '{"files": ["../elsewhere"], "gone": [], "undo": false}', '{"files": [7], "gone": [], "undo": 0}',
     '{"files": ["run.json"], "gone": ["/etc/passwd"], "undo": false}'],
)  # fmt: skip
def test_a_journal_that_is_not_ours_is_not_followed(tmp_path: Path, journal: str) -> None:
    folder, old = tmp_path / "out", old_set(tmp_path / "out")
    aside = folder / ".gradecheck-x"
    aside.mkdir()
    (aside / "elsewhere").write_text("evil")
    (aside / "placing.json").write_text(journal)
    with claimed(folder) as said:
        assert "nothing else was touched" in said[0]
    assert held(folder) == old
    assert not aside.exists()
    assert not (tmp_path / "elsewhere").exists()


def test_a_link_that_is_named_like_our_own_folder_is_left_alone(tmp_path: Path) -> None:
    folder, other = tmp_path / "out", tmp_path / "other"
    old_set(folder)
    other.mkdir()
    (other / "placing.json").write_text(json.dumps({"files": [], "gone": ["run.json"], "undo": False}))
    (folder / ".gradecheck-x").symlink_to(other)
    with claimed(folder) as said:
        assert not said
    assert (other / "placing.json").exists()
    assert (folder / "run.json").exists()


@pytest.mark.skipif(not Path("/dev/shm").is_dir(), reason="no second device here")
def test_an_output_folder_may_be_on_another_device() -> None:
    import tempfile

    with tempfile.TemporaryDirectory(dir="/dev/shm") as name:
        put(Path(name))
        assert held(Path(name)) == NEW


def test_a_folder_that_cannot_be_written_to_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(OutputError, match="no right to write"), claimed(tmp_path / "out"):
        pass
