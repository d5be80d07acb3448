"""Files put in place all together, or none of them."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from gradecheck.errors import Finding, OutputError
from gradecheck.outputs.layer import held_open
from gradecheck.readback import PACKAGE


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


def nothing() -> None:
    """Nothing is left to do."""


def in_place(
    target: Path,
    make: Callable[[Path], list[Path]],
    stale: Sequence[str] = (),
    last: Callable[[], None] = nothing,
) -> list[Path]:
    """Files made aside in a folder of the target's own, then moved into it, all or none.

    stale: former files that go where none of that name was made. last: what must succeed for the files to stay.
    """
    new = not target.exists()
    try:
        target.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=".gradecheck-", dir=target))
    except OSError as error:
        mend = "choose another output folder"
        raise OutputError(Finding(target.as_posix(), f"cannot be written to ({error.strerror})", mend)) from None
    try:
        made = make(aside)
        _move_in(made, target, aside, last)
    except OSError as error:
        mend = "close the file, free some space or choose another folder"
        raise OutputError(Finding(target.as_posix(), f"could not be written ({error.strerror})", mend)) from None
    finally:
        shutil.rmtree(aside, ignore_errors=True)
        if new and not any(target.iterdir()):
            target.rmdir()
    for name in set(stale) - {path.name for path in made}:
        (target / name).unlink(missing_ok=True)  # of a former, longer order
    return [target / path.name for path in made]


def _move_in(made: list[Path], target: Path, aside: Path, last: Callable[[], None]) -> None:
    """Put all files in place, or none: what cannot be replaced, or fails at last, puts back what was."""
    former: list[tuple[Path, Path | None]] = []
    try:
        for path in made:
            place, kept = target / path.name, aside / f"former-{path.name}"
            there = place.exists()
            if place.is_dir():
                raise IsADirectoryError(None, f"{path.name} is a folder there")
            if there:
                place.replace(kept)
            former.append((place, kept if there else None))
            path.replace(place)
        last()
    except BaseException:
        for place, before in former:
            if before is None:
                place.unlink(missing_ok=True)
            else:
                before.replace(place)
        raise
