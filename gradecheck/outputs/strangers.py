"""Files of other people's under the names of results: kept beside the results, under names of their own."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path


def found(folder: Path, names: Iterable[str], record: str) -> dict[str, str]:
    """The files of `names` in a folder that no command of ours wrote, and the name that each is to be kept under.

    record: the name of what tells of the files that belong together there, run.json or confirm.json.
    """
    known = _named_by(folder / record)
    there = [name for name in names if name not in known and (folder / name).is_file()]
    return {name: free_name(folder / name).name for name in there}


def _named_by(record: Path) -> set[str]:
    """What a record of ours names, itself among them; nothing where it is none of ours."""
    try:
        said = json.loads(record.read_text(encoding="utf-8"))
        return {record.name, *said["outputs"]} if "gradecheck" in said["versions"] else set()
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def words(others: Mapping[str, str], folder: Path) -> list[str]:
    """What must be said of them."""
    said = "was none of our files: it is kept as"
    return [f"{(folder / name).as_posix()} {said} {kept}" for name, kept in others.items()]


def keep(others: Mapping[str, str], folder: Path, aside: Path) -> dict[str, Path]:
    """Copies in `aside` of such files of `folder`, by the names that they are kept under."""
    for name, kept in others.items():
        shutil.copyfile(folder / name, aside / kept)
    return {kept: aside / kept for kept in others.values()}


def free_name(path: Path) -> Path:
    """A name beside a file that is not taken: measurements_former.csv, measurements_former_2.csv, ..."""
    number = 1
    while True:
        tail = "_former" if number == 1 else f"_former_{number}"
        other = path.with_name(f"{path.stem}{tail}{path.suffix}")
        if not other.exists():
            return other
        number += 1
