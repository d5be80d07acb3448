"""What is known of many tiles, kept in a folder of one's own, so that a run need not open each of them again.

An index is one file of JSON below the digest of what stands in it: nothing in it is code. A row counts only while the
tile and all that lies beside it under its name are as they were; an index that is not whole is made anew.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyproj
import rasterio
from affine import Affine
from pyproj import CRS
from pyproj.exceptions import CRSError

from gradecheck import __version__, cache
from gradecheck.surfaces.remote import Said
from gradecheck.surfaces.tiles import Tile, stamp_of

_FORM = 1
"""Raised whenever what stands in an index, or what a tile holds, changes."""
_KEPT = 30
"""Indexes; the ones longest unused go."""

State = list[list[Any]]
"""Files as [name, bytes, time of change]; or what a server said."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A tile as it was opened: the state of its files just before, and what was said aloud."""

    tile: Tile
    state: State
    notes: list[str]


def key_of(tiles: Sequence[tuple[Path | str, str]], settings: Sequence[object]) -> str:
    """The name of the index of tiles (path or GDAL's name, as shown) opened with settings of the plan.

    Addresses count as shown: a signature is another each time, and is not to be kept.
    """
    versions = _FORM, __version__, rasterio.__gdal_version__, pyproj.proj_version_str
    digest = hashlib.sha256(json.dumps([versions, [str(s) for s in settings], os.getcwd()]).encode())  # noqa: PTH109
    for file, shown in tiles:
        digest.update(f"{file if isinstance(file, Path) else ''}\0{shown}\0".encode("utf-8", "surrogatepass"))
    return digest.hexdigest()


@dataclass(slots=True)
class Beside:
    """The files under each tile's name, a folder listed once: "dem.tif", "dem.tfw", "dem.tif.aux.xml" are of "dem"."""

    folders: dict[str, dict[str, list[os.DirEntry[str]]]] = field(default_factory=dict)

    def state(self, file: Path, others: Iterable[str] = ()) -> State:
        """The tile, what lies under its name, and other files that it is made of; in a fixed order."""
        place, name = os.path.split(file)
        stem = name.rpartition(".")[0].lower()
        found: State = []
        for entry in self._names(place).get(stem, ()):
            with suppress(OSError):
                stat = entry.stat()
                found.append([entry.name, stat.st_size, stat.st_mtime_ns])
        for other in others:
            its_place, its_name = os.path.split(other)
            if its_place != place or not its_name.lower().startswith(stem + "."):
                with suppress(OSError):
                    stat = os.stat(other)  # noqa: PTH116
                    found.append([other, stat.st_size, stat.st_mtime_ns])
        return sorted(found)

    def _names(self, place: str) -> dict[str, list[os.DirEntry[str]]]:
        if place not in self.folders:
            groups: dict[str, list[os.DirEntry[str]]] = {}
            with suppress(OSError), os.scandir(place or os.curdir) as entries:
                for entry in entries:
                    parts = entry.name.lower().split(".")
                    for end in range(1, len(parts)):
                        groups.setdefault(".".join(parts[:end]), []).append(entry)
            self.folders[place] = groups
        return self.folders[place]


def read(key: str) -> tuple[list[Any] | None, str]:
    """The rows of an index, None where there is none to use, and a note where it was damaged."""
    damaged = "the index of its tiles was damaged: all were opened, and it is made anew"
    try:
        content = cache.read(_path(key))
        if content is None:
            return None, ""
        values = json.loads(content)
        systems = [CRS.from_wkt(text) for text in values["systems"]]
        rows = [None if row is None else {**row, "systems": systems} for row in values["rows"]]
    except (ValueError, KeyError, TypeError, CRSError):
        return None, damaged
    return rows, ""


def _path(key: str) -> Path:
    return cache.folder() / f"tiles-{key}.json"


def tile_of(row: Any, file: Path | str, shown: str, said: tuple[Said, ...]) -> Tile:
    """The tile of a row. Raises KeyError, TypeError, ValueError or IndexError where the row is none."""
    grid = Affine(*map(float, row["grid"]))
    block = int(row["block"][0]), int(row["block"][1])
    return Tile(
        path=str(file),
        shown=shown,
        crs=row["systems"][row["crs"]],
        grid=grid,
        width=int(row["width"]),
        height=int(row["height"]),
        block=block,
        flip_x=bool(row["flip_x"]),
        flip_y=bool(row["flip_y"]),
        nodata=None if row["nodata"] is None else float(row["nodata"]),
        mask=int(row["mask"]),
        scale=float(row["scale"]),
        offset=float(row["offset"]),
        to_metres=float(row["to_metres"]),
        unit=str(row["unit"]),
        vertical=None if row["vertical"] is None else row["systems"][row["vertical"]],
        stamp=stamp_of(file, said),
        files=tuple(map(str, row["files"])) if isinstance(file, Path) else (str(file),),
        said=said,
    )


_PLAIN = ("width", "height", "block", "flip_x", "flip_y", "nodata", "mask", "scale", "offset", "to_metres", "unit")


def write(key: str, entries: Sequence[Entry | None]) -> str:
    """Keep an index, None for tiles that cannot be kept; a note where it could not be written."""
    systems: dict[str, int] = {}
    known: dict[int, int] = {}

    def number(crs: CRS) -> int:
        if id(crs) not in known:
            known[id(crs)] = systems.setdefault(crs.to_wkt(), len(systems))
        return known[id(crs)]

    rows: list[dict[str, Any] | None] = []
    for entry in entries:
        if entry is None:
            rows.append(None)
            continue
        tile = entry.tile
        row = {name: getattr(tile, name) for name in _PLAIN}
        row |= {"state": entry.state, "notes": entry.notes, "grid": list(tile.grid)[:6]}
        row |= {"crs": number(tile.crs), "vertical": None if tile.vertical is None else number(tile.vertical)}
        rows.append({**row, "files": [] if tile.remote else tile.files})
    content = json.dumps({"systems": list(systems), "rows": rows}).encode()
    path = _path(key)
    try:
        cache.keep(path, content)
    except OSError as error:
        why = error.strerror or type(error).__name__
        place = path.parent.as_posix()
        return f"the index of its tiles could not be kept in {place} ({why}): each run opens all of them"
    _prune(path.parent)
    return ""


def _prune(place: Path) -> None:
    with suppress(OSError):
        found = sorted(place.glob("tiles-*.json"), key=lambda p: p.stat().st_mtime)
        for path in found[:-_KEPT]:
            path.unlink()
