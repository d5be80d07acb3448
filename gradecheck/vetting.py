"""Files of layers before OGR opens them: what leads elsewhere, what is not whole, what is no file at all.

OGR follows whatever a file names: other files, servers, SQL of its own. Nothing of that is asked for by a plan that
names one file; so what a file's driver would follow is looked for in its first bytes, where drivers look for it too.
"""

from __future__ import annotations

import os
import re
import sqlite3
import zipfile
from pathlib import Path, PurePosixPath

from gradecheck.errors import Finding, InputError, listed

_HEAD = 65_536
_LEADS_AWAY = re.compile(
    rb"<OGR\w+DataSource|<(?:\w+:)?WFS_Capabilities|\"gdal_streamed_alg\"|<VRTDataset|<GDAL_WMS", re.IGNORECASE
)
_ASKS = re.compile(rb"request=DescribeFeatureType", re.IGNORECASE)
_ADDRESS_FILES = (".vrt", ".moaw", ".url")
_HARMLESS_MODULES = {"rtree", "rtree_i32", "fts3", "fts4", "fts5", "geopoly"}
_VIRTUAL = re.compile(r"\s*CREATE\s+VIRTUAL\s+TABLE\b.*?\bUSING\s+[\"'`\[]?(\w+)", re.IGNORECASE | re.DOTALL)
_SHAPE_PARTS = (".shx", ".dbf")
_MOST_UNPACKED, _MOST_RATIO = 200_000_000, 100
"""An archive that unpacks to more bytes than the first, and so many times its own, is made to fill a machine."""


def vet(path: Path, shown: str, key: str) -> None:
    """Raise InputError where a file is not to be opened. key: of the plan, whose path it is."""
    told = _told(path, shown)
    if told is not None:
        raise InputError(Finding(key, *told))


def _told(path: Path, shown: str) -> tuple[str, str] | None:
    """What stands against a file, and how to mend it."""
    if path.is_dir():
        return None
    if not path.is_file():
        return f"{shown} is no file but a pipe or a device", "save it as a file first"
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError as error:
        return f"{shown} cannot be read ({error.strerror})", "check your right to read it, and who else has it open"
    if size == 0:
        return f"{shown} is empty: it has no bytes", "copy or save it again"
    if leads_away(shown, head):
        return (
            f"{shown} holds no layer itself but leads to other files or to a server",
            "name the file that it leads to",
        )
    if path.suffix.lower() in (".zip", ".shz", ".kmz"):
        return _archive(path, shown)
    if path.suffix.lower() == ".shp":
        return _shapefile(path, shown)
    return _database(path, shown) if head.startswith(b"SQLite format 3\0") else None


def leads_away(name: str, head: bytes) -> bool:
    """Whether a driver of OGR would open other files or ask servers, by a file's name and its first bytes.

    >>> leads_away("a.json", b'{"type": "FeatureCollection"}'), leads_away("a.gml", b"<OGRVRTDataSource>")
    (False, True)
    """
    return PurePosixPath(name).suffix.lower() in _ADDRESS_FILES or _LEADS_AWAY.search(head) is not None


def asks_for_its_schema(path: Path) -> bool:
    """Whether a GML file names a server that would be asked for its schema, or any file would be put beside it."""
    if path.suffix.lower() in (".gml", ".xml"):
        return True
    with path.open("rb") as file:
        return b"opengis.net/gml" in file.read(_HEAD)


def _archive(path: Path, shown: str) -> tuple[str, str] | None:
    unpack = "unpack it, and name the file of the layer"
    try:
        with zipfile.ZipFile(path) as archive:
            members = [m for m in archive.infolist() if not m.is_dir()]
            if not members:
                return f"{shown} is an archive with nothing in it", "pack it again"
            locked = [m.filename for m in members if m.flag_bits & 1]
            if locked:
                return f"{shown} is an archive that is encrypted: {listed(locked)}", unpack
            out = [m.filename for m in members if _leaves(m.filename)]
            if out:
                return f"{shown} has members whose paths lead out of the archive: {listed(out)}", "pack it again"
            unpacked = sum(m.file_size for m in members)
            if unpacked > _MOST_UNPACKED and unpacked > _MOST_RATIO * max(1, path.stat().st_size):
                what = f"{shown} would unpack to {unpacked / 1e9:.1f} GB, far more than layers do"
                return what, "ask where it is from; unpack it by hand if it is good"
            for member in members:
                with archive.open(member) as file:
                    head = file.read(_HEAD)
                if leads_away(member.filename, head) or _ASKS.search(head):
                    what = f"{shown}: {member.filename} in it leads to other files or to a server"
                    return what, "name the file that it leads to"
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, EOFError, ValueError) as error:
        return f"{shown} is no whole archive ({str(error)[:100]})", "download or pack it again"
    return None


def members(path: Path) -> list[str]:
    """Names of the files in an archive that is whole."""
    try:
        with zipfile.ZipFile(path) as archive:
            return [m.filename for m in archive.infolist() if not m.is_dir()]
    except (zipfile.BadZipFile, OSError):
        return []


def _leaves(name: str) -> bool:
    """Whether the path of a member leads out of its archive."""
    parts = PurePosixPath(name.replace("\\", "/")).parts
    return ".." in parts or name.startswith(("/", "\\")) or (len(name) > 1 and name[1] == ":")


def _shapefile(path: Path, shown: str) -> tuple[str, str] | None:
    """A shapefile is several files, and all that hold rows must hold as many."""
    beside = {p.name.lower(): p for p in path.parent.iterdir() if p.stem.lower() == path.stem.lower()}
    parts = {suffix: beside.get(f"{path.stem.lower()}{suffix}") for suffix in _SHAPE_PARTS}
    lost = [f"{PurePosixPath(shown).stem}{suffix}" for suffix, part in parts.items() if part is None]
    if lost:
        what = f"{shown} lacks {' and '.join(lost)}: a shapefile is several files of one name"
        return what, "copy all of them: .shp, .shx, .dbf, .prj"
    index, table = parts[".shx"], parts[".dbf"]
    if index is None or table is None:
        return None
    shapes = (index.stat().st_size - 100) // 8
    with table.open("rb") as file:
        rows = int.from_bytes(file.read(8)[4:], "little")
    if shapes != rows:
        return f"{shown} has {shapes} shapes, and its .dbf {rows} rows", "copy or export all of its files again"
    return None


def _database(path: Path, shown: str) -> tuple[str, str] | None:
    """A table that SQLite has from elsewhere is opened by looking at it."""
    left = path.with_name(f"{path.name}-journal")
    if left.exists() and left.stat().st_size:
        what = f"{shown} was being written when its program stopped: {left.name} lies beside it"
        return what, "open and close it in that program, which mends it"
    fixed = "" if path.with_name(f"{path.name}-wal").exists() else "&immutable=1"
    try:
        base = sqlite3.connect(f"{Path(os.path.abspath(path)).as_uri()}?mode=ro{fixed}", uri=True)  # noqa: PTH100
        try:
            made = base.execute("SELECT name, sql FROM sqlite_master WHERE sql LIKE '%VIRTUAL%'").fetchall()
        finally:
            base.close()
    except sqlite3.Error:
        return None  # OGR says what of it is damaged
    for name, sql in made:
        found = _VIRTUAL.match(str(sql))
        if found and found[1].lower() not in _HARMLESS_MODULES:
            return f"{shown}: its table {name} leads to another file ({found[1]})", "name the file that it leads to"
    return None
