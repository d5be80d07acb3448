"""Files put in place all together, or none of them, even where the machine stops in between.

A command has its output folder to itself (`claimed`). What it makes is made aside, in a folder `.gradecheck-...` within
the output folder, and brought to the disk; a journal there then says what is to be put in place, and only then is
anything moved, `run.json` last. Whatever moment a process is killed at, the next command finds either no journal, and
removes what lies aside, or a journal, and completes what it says.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from filelock import FileLock, Timeout

from gradecheck.errors import Finding, OutputError
from gradecheck.outputs.layer import held_open
from gradecheck.readback import PACKAGE

_ASIDE = ".gradecheck-"
_JOURNAL = "placing.json"
_DONE = "placed.json"
_FORMER = "former-"
_REMOVED = "a command was cut short before its files were whole: what it left is removed, and nothing else was touched"
_UNDONE = (
    "a command was cut short before it was known whether all could stay: the former files are back in place; tables "
    "of a database may be newer until the plan has been run again"
)
_COMPLETED = "a command was cut short while it put its files in place: all of them are in place now"
LOCK = ".gradecheck.lock"
"""An empty file that stays in an output folder: who holds it has the folder to itself."""


def check_place(folder: Path, package_name: str = PACKAGE) -> None:
    """Raises OutputError where the deliverables, a GeoPackage among them, could not be put into `folder`."""
    name = folder.as_posix()
    at = folder
    while not at.exists():
        at = at.parent
    if not at.is_dir():
        raise OutputError(Finding(name, f"{at.as_posix()} is a file, not a folder", "choose another output folder"))
    if not os.access(at, os.W_OK):
        raise OutputError(Finding(name, f"no right to write in {at.as_posix()}", "choose another output folder"))
    package = folder / package_name
    held = held_open(package)
    if held:
        mend = "close it in the desktop GIS and run again, or choose another output folder"
        raise OutputError(Finding(package.as_posix(), held, mend))


@contextmanager
def claimed(folder: Path, package_name: str = PACKAGE) -> Iterator[tuple[str, ...]]:
    """Have an output folder to oneself; tells what was made good of a command that was cut short in it.

    The folder is made where it is not there, and goes again where nothing is put into it. Raises OutputError where
    another process has it, or nothing can be written to it.
    """
    check_place(folder, package_name)
    made = [at for at in (folder, *folder.parents) if not at.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = FileLock(folder / LOCK, timeout=0)
        lock.acquire()
    except Timeout:
        what = "another gradecheck is at work in this folder"
        raise OutputError(
            Finding(folder.as_posix(), what, "wait until it has ended, or choose another output folder")
        ) from None
    except OSError as error:
        what = f"cannot be written to ({error.strerror})"
        raise OutputError(Finding(folder.as_posix(), what, "choose another output folder")) from None
    try:
        yield _settled(folder)
    finally:
        lock.release()
        if made and {path.name for path in folder.iterdir()} <= {LOCK}:
            with suppress(OSError):
                (folder / LOCK).unlink(missing_ok=True)
                for at in made:
                    at.rmdir()


def nothing() -> None:
    """Nothing is left to do."""


def in_place(
    target: Path,
    make: Callable[[Path], list[Path]],
    stale: Sequence[str] = (),
    last: Callable[[], None] = nothing,
) -> list[Path]:
    """Files made aside in a folder of the target's own, then moved into it in their order, all or none.

    target: a folder that is `claimed`. stale: former files that go where none of that name was made. last: what must
    succeed for the files to stay; where the process dies before that is known, the former files are put back.
    """
    try:
        aside = Path(tempfile.mkdtemp(prefix=_ASIDE, dir=target))
    except OSError as error:
        mend = "choose another output folder"
        raise OutputError(Finding(target.as_posix(), f"cannot be written to ({error.strerror})", mend)) from None
    try:
        made = make(aside)
        names = tuple(path.name for path in made)
        for path in made:
            _flush(path)
        journal = _Journal(names, tuple(sorted(set(stale) - set(names))), undo=last is not nothing)
        journal.write(aside)
    except BaseException as error:
        _discard(aside)
        if isinstance(error, OSError):
            raise _not_written(target, error) from None
        raise
    try:
        _move_in(journal, aside, target, last)
    except BaseException as error:
        replace(journal, undo=True).write(aside)
        _put_back(journal, aside, target)  # where this fails too, what lies aside stays for the next command
        _discard(aside)
        if isinstance(error, OSError):
            raise _not_written(target, error) from None
        raise
    _discard(aside)
    return [target / name for name in names]


def _not_written(target: Path, error: OSError) -> OutputError:
    mend = "close the file, free some space or choose another folder"
    return OutputError(Finding(target.as_posix(), f"could not be written ({error.strerror or error})", mend))


def _flush(path: Path) -> None:
    """Have a file on the disk before others speak of it."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


# --- moving in, and making good ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Journal:
    """What is to be put in place, in this order, and what goes. undo: what was begun is undone, not completed."""

    names: tuple[str, ...]
    gone: tuple[str, ...]
    undo: bool

    def write(self, aside: Path) -> None:
        """Whole or not at all, and on the disk: from now on the files are as good as in place."""
        fresh = aside / f"{_JOURNAL}.new"
        with fresh.open("w", encoding="utf-8") as file:
            json.dump({"files": self.names, "gone": self.gone, "undo": self.undo}, file)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(aside / _JOURNAL)
        _flush_folder(aside)

    @classmethod
    def read(cls, aside: Path) -> _Journal | None:
        """The journal of a folder; None where there is none that can be followed."""
        try:
            said = json.loads((aside / _JOURNAL).read_text(encoding="utf-8"))
            names, gone, undo = tuple(said["files"]), tuple(said["gone"]), bool(said["undo"])
        except (OSError, ValueError, KeyError, TypeError):
            return None
        plain = all(isinstance(name, str) and name == Path(name).name for name in (*names, *gone))
        return cls(names, gone, undo) if plain and names else None

    @property
    def steps(self) -> list[tuple[str, bool]]:
        """Each name, and whether a file of it is put in place; the last of those, run.json, after all else."""
        return [*((n, True) for n in self.names[:-1]), *((n, False) for n in self.gone), (self.names[-1], True)]


def _move_in(journal: _Journal, aside: Path, target: Path, last: Callable[[], None]) -> None:
    """Put all files in place, each former one aside."""
    for name, new in journal.steps:
        place = target / name
        if place.is_dir():
            raise IsADirectoryError(None, f"{name} is a folder there")
        if place.exists():
            place.replace(aside / f"{_FORMER}{name}")
        if new:
            (aside / name).replace(place)
    _flush_folder(target)
    last()


def _put_back(journal: _Journal, aside: Path, target: Path) -> None:
    """Undo what was moved. What lies where says how far it came, so that it may be cut short and done again."""
    for name, new in reversed(journal.steps):
        former = aside / f"{_FORMER}{name}"
        if new and not (aside / name).exists():
            (target / name).replace(aside / name)
        if former.exists():
            former.replace(target / name)
    _flush_folder(target)


def _settled(folder: Path) -> tuple[str, ...]:
    """Make good what commands that were cut short left in a folder; says what was done. Raises OutputError."""
    said = []
    for aside in sorted(folder.glob(f"{_ASIDE}*")):
        if not aside.is_dir() or aside.is_symlink():
            continue
        journal = _Journal.read(aside)
        try:
            if journal is None:
                if any(aside.iterdir()) and not (aside / _DONE).exists():
                    said.append(_REMOVED)
            elif journal.undo:
                _put_back(journal, aside, folder)
                said.append(_UNDONE)
            else:
                _complete(journal, aside, folder)
                said.append(_COMPLETED)
        except OSError as error:
            what = f"a command was cut short here, and its files cannot be put in place ({error.strerror or error})"
            raise OutputError(Finding(folder.as_posix(), what, "close them, and run again")) from None
        _discard(aside)
    return tuple(said)


def _complete(journal: _Journal, aside: Path, target: Path) -> None:
    """Go on where putting in place was cut short."""
    for name, new in journal.steps:
        if not new:
            (target / name).unlink(missing_ok=True)
        elif (aside / name).exists():
            (aside / name).replace(target / name)
    _flush_folder(target)


def _discard(aside: Path) -> None:
    """Remove what lies aside; its journal counts no more before the first file goes.

    What cannot be removed now, the next command removes.
    """
    with suppress(OSError):
        if (aside / _JOURNAL).exists():
            (aside / _JOURNAL).replace(aside / _DONE)
        for path in aside.iterdir():
            if path.name != _DONE:
                shutil.rmtree(path) if path.is_dir() else path.unlink()
        shutil.rmtree(aside)


def _flush_folder(folder: Path) -> None:
    """Have the names in a folder on the disk; not every platform opens folders."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
