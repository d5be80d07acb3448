"""The rasters of one source: files and addresses found, opened several at a time, many of them through an index."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from pyproj import CRS

from gradecheck import engine, locations
from gradecheck.errors import Finding, InputError, listed
from gradecheck.surfaces import footprints, remote
from gradecheck.surfaces.footprints import Beside, Entry, State
from gradecheck.surfaces.named import find
from gradecheck.surfaces.remote import Said
from gradecheck.surfaces.tiles import ALLOW, Tile, open_tile

MANY = 100
"""Tiles from which on an index is kept."""
_TOLD = 5
"""Tiles that cannot be had, each told; of more, how many there are."""

Found = tuple[Path | str, str]
"""A path, or GDAL's name of a raster on a network, and how it is shown."""
_Opened = tuple[Tile | None, list[Finding], list[str]]


def find_rasters(patterns: Sequence[str], folder: Path, where: str, allow_remote: bool) -> list[Found]:
    """The rasters that paths, patterns, folders and addresses name, in the order given, each once.

    Raises InputError naming every entry that leads nowhere, or to a network without leave.
    """
    found: dict[Path | str, str] = {}
    findings: list[Finding] = []
    given: dict[str, int] = {}
    for pattern in patterns:
        if not locations.is_remote(pattern):
            try:
                for path, shown in find((pattern,), folder, where):
                    found.setdefault(path, shown)
            except InputError as error:
                findings.extend(error.findings)
            continue
        shown = locations.shown(pattern)
        name = locations.gdal_name(pattern)
        if name is None:
            findings.append(Finding(where, f"{shown} cannot be read", f"known are {locations.KNOWN}"))
        elif not allow_remote:
            findings.append(Finding(where, f"{shown} is on a network", ALLOW))
        elif name not in found:  # addresses that differ in what is not shown are told apart by number
            given[shown] = given.get(shown, 0) + 1
            found[name] = shown if given[shown] == 1 else f"{shown} ({given[shown]})"
    if findings:
        raise InputError(findings)
    return list(found.items())


def open_rasters(
    files: Sequence[Found],
    unit: str | None,
    vertical: CRS | None,
    crs: CRS | None,
    allow_remote: bool,
    notes: list[str],
    findings: list[Finding],
    within: Sequence[Path] = (),
) -> list[Tile]:
    """The tiles, in order; what stands in the way is added to `findings`, what must be said to `notes`.

    within: folders that virtual rasters may lead to besides their own.
    Of many tiles those are opened that are not in an index as they are now; see `footprints`.
    """
    names = [file for file, _ in files if isinstance(file, str)]
    said = dict(zip(names, remote.ask_all(names), strict=True))
    keep = len(files) >= MANY
    beside = Beside()
    known: list[tuple[Tile, list[str], State] | None] = [None] * len(files)
    key = ""
    if keep:
        key = footprints.key_of(files, (unit, *(c and c.to_wkt() for c in (vertical, crs)), allow_remote, *within))
        known = _known(key, files, said, beside, notes)
    lacking = [i for i, one in enumerate(known) if one is None]
    states = {i: _state(files[i][0], said, beside, ()) for i in lacking} if keep else {}
    opened: dict[int, _Opened] = {}

    def work(numbers: Sequence[int]) -> None:
        for i in numbers:
            file, shown = files[i]
            heard = said[file] if isinstance(file, str) else None
            opened[i] = open_tile(file, shown, unit, vertical, crs, allow_remote, heard, within)

    _spread(work, lacking, bool(names))
    return _told(known, opened, states, key, beside, notes, findings)


def _told(
    known: Sequence[tuple[Tile, list[str], State] | None],
    opened: dict[int, _Opened],
    states: dict[int, State],
    key: str,
    beside: Beside,
    notes: list[str],
    findings: list[Finding],
) -> list[Tile]:
    """All tiles in order, what is said of them in that order too, and the index written where it has changed."""
    tiles: list[Tile] = []
    entries: list[Entry | None] = []
    wrong: list[Finding] = []
    for i, one in enumerate(known):
        if one is not None:
            tile, said, state = one
        else:
            found, why, said = opened[i]
            wrong.extend(why)
            if found is None:
                notes.extend(said)
                continue
            tile = found
            state = [*states[i], *_elsewhere(tile, beside)] if key else []
        notes.extend(said)
        tiles.append(tile)
        entries.append(Entry(tile, state, said) if state and _keeps(tile) else None)
    findings.extend(wrong[:_TOLD] if len(wrong) > 2 * _TOLD else wrong)
    if len(wrong) > 2 * _TOLD:
        where = listed([f.where for f in wrong[_TOLD:]], most=3)
        findings.append(Finding(where, "cannot be used either", "mend the ones above first"))
    if key and opened and not wrong:
        note = footprints.write(key, entries)
        notes.extend([note] if note else [])
    return tiles


def _keeps(tile: Tile) -> bool:
    """Whether a change of the tile would be noticed without opening it."""
    return all(one.firm for one in tile.said) if tile.remote else not tile.said


def _state(file: Path | str, said: dict[str, Said], beside: Beside, others: Sequence[str]) -> State:
    return beside.state(file, others) if isinstance(file, Path) else [list(said[file].facts)]


def _elsewhere(tile: Tile, beside: Beside) -> State:
    """The state of the files that a virtual raster is made of, beyond those under its own name."""
    if tile.remote:
        return []
    file = Path(tile.path)
    own = {name for name, _, _ in beside.state(file)}
    return [row for row in beside.state(file, tile.files) if row[0] not in own]


def _known(
    key: str, files: Sequence[Found], said: dict[str, Said], beside: Beside, notes: list[str]
) -> list[tuple[Tile, list[str], State] | None]:
    """The tiles that the index has as they are now."""
    nothing: list[tuple[Tile, list[str], State] | None] = [None] * len(files)
    rows, note = footprints.read(key)
    notes.extend([note] if note else [])
    if rows is None or len(rows) != len(files):
        return nothing
    found = list(nothing)
    try:
        for i, ((file, shown), row) in enumerate(zip(files, rows, strict=True)):
            if row is None:
                continue
            heard = (said[file],) if isinstance(file, str) else ()
            state = [list(one) for one in row["state"]]
            now = sorted(_state(file, said, beside, [str(name) for name in row["files"]]))
            if sorted(state) == now and not any(one.trouble for one in heard):
                found[i] = footprints.tile_of(row, file, shown, heard), [str(n) for n in row["notes"]], state
    except (KeyError, TypeError, ValueError, IndexError, OSError):
        notes.append("the index of its tiles was damaged: all were opened, and it is made anew")
        return nothing
    remote.remember([one for one in said.values() if not one.trouble])
    return found


def _spread(work: Callable[[Sequence[int]], None], numbers: Sequence[int], waiting: bool) -> None:
    """Do the work on several threads: on many where it is mostly waiting for servers."""
    size = max(1, len(numbers) // 64)
    pieces = [numbers[a : a + size] for a in range(0, len(numbers), size)]
    if waiting and len(numbers) > 1:
        with ThreadPoolExecutor(remote.AT_ONCE, thread_name_prefix="gradecheck-open") as pool:
            list(pool.map(work, pieces))
    else:
        engine.each(work, pieces)
