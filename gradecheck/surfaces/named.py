"""Files by the paths, patterns and folders of a plan; why there are none, or none that can be read."""

from __future__ import annotations

import glob
import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path

from gradecheck import locations
from gradecheck.errors import Finding, InputError

SUFFIXES = (".tif", ".tiff", ".vrt", ".img", ".asc", ".bil", ".flt", ".dem", ".hgt", ".jp2")
_MAGIC = "*?["
_ANY_DEPTH = re.compile(r"(?:(?<=/)|^)\*\*(?:/|$)")
_SUBDATASET = re.compile(r"[A-Za-z]\w+:")


def find(
    patterns: tuple[str, ...],
    folder: Path,
    where: str,
    suffixes: tuple[str, ...] = SUFFIXES,
    kind: str = "raster",
) -> list[tuple[Path, str]]:
    """The files that paths, patterns and folders name, in the order given, each once: (path, as shown).

    Raises InputError naming every entry that leads nowhere.
    """
    found: dict[Path, str] = {}
    findings = []
    for pattern in patterns:
        path = folder / pattern
        if locations.is_remote(pattern):
            what = f"a {kind} is not read from a network: {locations.shown(pattern)}"
            findings.append(Finding(where, what, "download it, and name the file"))
            continue
        if path.is_dir():
            files = sorted(p for p in path.iterdir() if p.suffix.lower() in suffixes)
        elif path.is_file():
            files = [path]
        elif any(c in pattern for c in _MAGIC):
            files = [Path(p) for p in sorted(_matching(path.as_posix())) if Path(p).is_file()]
        else:
            findings.append(_not_there(path, pattern, where))
            continue
        if not files:
            findings.append(Finding(where, f"no {kind} in or matching {pattern}", f"looked for {' '.join(suffixes)}"))
        for file in files:
            found.setdefault(file, _shown(file, folder))
    if findings:
        raise InputError(findings)
    return list(found.items())


def _matching(pattern: str) -> Iterator[str]:
    """What a pattern matches; below "**" each folder once, though links lead to it again."""
    above, *below = _ANY_DEPTH.split(pattern, maxsplit=1)
    if not below:
        yield from glob.glob(pattern)  # noqa: PTH207
        return
    seen: set[str] = set()
    for top in glob.glob(above) if above else [os.curdir]:  # noqa: PTH207
        for folder, names, _ in os.walk(top, followlinks=True):
            real = os.path.realpath(folder)
            if real in seen:
                names.clear()
                continue
            seen.add(real)
            names[:] = [name for name in names if not name.startswith(".")]
            yield from _matching(f"{glob.escape(folder).rstrip('/')}/{below[0] or '*'}")


def _not_there(path: Path, pattern: str, where: str) -> Finding:
    """Why a path names no file."""
    if path.exists():
        return Finding(where, f"is a pipe or a device, not a file: {pattern}", "name a file")
    if path.is_symlink():
        return Finding(where, f"a link that leads nowhere: {pattern}", "mend the link, or name the file itself")
    if _SUBDATASET.match(pattern):
        what = f"no such file or folder: {pattern}"
        return Finding(where, what, "GDAL's names of subdatasets are not read: write that one to a file of its own")
    mend = "paths are relative to the plan file" + (', and written with "/"' if "\\" in pattern else "")
    return Finding(where, f"no such file or folder: {pattern}", mend)


def _shown(file: Path, folder: Path) -> str:
    """A file as others may see it: relative to the plan's folder, or below "~", the home of who runs it."""
    for base, before in ((folder, ""), (folder.resolve(), ""), (Path.home(), "~/")):
        if file.is_relative_to(base):
            return before + file.relative_to(base).as_posix()
    return file.as_posix()


def no_file(file: Path, shown: str) -> Finding | None:
    """Why no raster can be read from a path, or not without waiting for ever; None for a file or a folder."""
    try:
        now = file.stat()
    except OSError as error:
        if file.is_symlink():
            return Finding(shown, "is a link that leads nowhere", "mend the link, or take it away")
        return Finding(shown, f"cannot be opened ({error.strerror})", "check the path and the right to read it")
    if stat.S_ISREG(now.st_mode) and not now.st_size:
        return Finding(shown, "is empty (0 bytes)", "copy or download it again")
    whole = stat.S_ISREG(now.st_mode) or stat.S_ISDIR(now.st_mode)
    return None if whole else Finding(shown, "is a pipe or a device, not a file", "name a file")
