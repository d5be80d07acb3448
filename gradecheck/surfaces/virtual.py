"""Raster files that are words: what other datasets they name, and which of those they may not lead to.

Such a file comes from somebody else, and GDAL opens whatever it names. Here it may lead to files below its own folder
and below folders that the plan names, and to a network with leave.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import unquote
from xml.parsers import expat

from gradecheck import locations
from gradecheck.errors import Finding, listed

_HEAD = 1024
_LONGEST = 256 * 2**20
"""Bytes of words that are looked through: a mosaic of a million tiles."""
_NO_NAMES = ("metadata", "srs", "gcplist", "description", "categorynames", "unittype", "geotransform")
"""Elements that say something of the data; their names in small letters, as GDAL takes any."""
_NAMES = ("sourcefilename", "sourcedataset", "indexdataset", "dempath", "datafile", "indexfile", "overviewfile")
"""Elements whose text is a name, whatever it looks like."""
_KIND = re.compile(rb"<(VRT|GDAL|OGRVRT|MRF_META|WMS|WCS)", re.IGNORECASE)
_DECLARES = re.compile(rb"<!(DOCTYPE|ENTITY)", re.IGNORECASE)
_PAGE = re.compile(rb"<(!doctype\s+html|html)\b", re.IGNORECASE)
_LIKE_A_PATH = re.compile(r"[/\\]|\.[A-Za-z]")
_ARCHIVE = re.compile(r"/vsi(?:zip|gzip|tar|7z|rar)/", re.IGNORECASE)
_DRIVER = re.compile(r"[A-Za-z]\w+:(?!//)")
_VRT = "vrt://"
_NOT_FOLLOWED = re.compile(r"/vsi(?!zip/|gzip/|tar/|7z/|rar/)\w+[/?]", re.IGNORECASE)
_LONGEST_NAME = 4000
_NOTHING = ("", "/", ".", "..")


@dataclass(slots=True)
class Leads:
    """Where a virtual raster leads. away: names on a network; wrong: what must not be opened, and how to mend it."""

    away: list[str] = field(default_factory=list)
    wrong: list[Finding] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Name:
    """What may name a dataset. sure: it does; relative: as GDAL is told, None not told."""

    text: str
    sure: bool = False
    relative: bool | None = None


def follow(file: Path, shown: str, within: Iterable[Path] = ()) -> Leads:
    """Where a virtual raster leads, itself and by those that it names; nowhere, for a file of pixels.

    within: the folders that the plan names.
    """
    walk = _Walk(file, shown, folders([file.parent, Path(os.path.realpath(file)).parent, *within]))
    while walk.waiting:
        walk.step()
    found = walk.found
    if walk.outside:
        names = [_told(name, where, shown) for name, where in walk.outside.items()]
        found.wrong.append(leads_outside(shown, names, file.parent))
    if walk.lost:
        what = f"is made of files that are not there: {listed(dict.fromkeys(walk.lost), most=3)}"
        found.wrong.append(Finding(shown, what, "bring them back"))
    found.away, found.wrong = list(dict.fromkeys(found.away)), list(dict.fromkeys(found.wrong))
    return found


class _Walk:
    """The files of words that lead to one another, each read once, depth first."""

    def __init__(self, file: Path, shown: str, roots: tuple[str, ...]):
        self.file, self.shown, self.roots = file, shown, roots
        self.found = Leads()
        self.outside: dict[str, str] = {}
        self.lost: list[str] = []
        self.seen: set[str] = set()
        self.waiting: list[tuple[Path, tuple[str, ...]]] = [(file, ())]
        self._folders: dict[str, str] = {}

    def real(self, place: str) -> str:
        """Where a path truly leads; folders, which many tiles share, are looked up once."""
        folder, name = os.path.split(place)
        if folder not in self._folders:
            self._folders[folder] = os.path.realpath(folder)
        full = os.path.join(self._folders[folder], name)  # noqa: PTH118
        return os.path.realpath(full) if name in _NOTHING or os.path.islink(full) else full  # noqa: PTH114

    def step(self) -> None:
        """Read the next file."""
        one, above = self.waiting.pop()
        real = self.real(str(one))
        if real in self.seen:
            return
        self.seen.add(real)
        where = self.shown if one == self.file else one.name
        own = [str(one.parent), os.path.dirname(real)]  # noqa: PTH120
        for name in _read(one, where, self.found.wrong):
            away = locations.leads_away(_without_vrt(name.text))
            if away and "file:" not in unquote(name.text).lower():
                self.found.away.append(name.text)
            elif away or _NOT_FOLLOWED.match(_without_vrt(name.text)):
                self.outside.setdefault(name.text, where)
            else:
                for place in _places(name, own):
                    self._meet(name, place, where, (*above, real))

    def _meet(self, name: _Name, place: str, where: str, above: tuple[str, ...]) -> None:
        inner = self.real(place)
        if not _below(inner, self.roots):
            plain = os.path.join(os.path.realpath(os.path.dirname(place)), os.path.basename(place))  # noqa: PTH118, PTH119, PTH120
            linked = f", a link to {inner}" if _below(plain, self.roots) else ""
            self.outside.setdefault(name.text + linked, where)
        elif inner in above:
            loop = " -> ".join(Path(p).name for p in (*above[above.index(inner) :], inner))
            self._wrong(f"leads back to itself: {loop}", "make it anew from its tiles")
        elif os.path.isfile(inner):  # noqa: PTH113
            self.waiting.append((Path(place), above))
        elif os.path.isdir(inner):  # noqa: PTH112
            return
        elif os.path.lexists(inner):
            self._wrong(f"names {name.text}, which is no file but a pipe, a device or a broken link", "name files")
        elif name.sure and len(above) > 1:  # of its own ones GDAL tells
            self.lost.append(f"{name.text} (in {where})")

    def _wrong(self, what: str, mend: str) -> None:
        self.found.wrong.append(Finding(self.shown, what, mend))


def _told(name: str, where: str, shown: str) -> str:
    return name[:200] if where == shown else f"{name[:200]} (in {where})"


def leads_outside(shown: str, names: Sequence[str], folder: Path) -> Finding:
    """What is said of names that lead elsewhere on the disk."""
    what = f"leads out of its folder and those that the plan names: {listed(names, most=3)}"
    place = folder.name or folder.as_posix()
    return Finding(shown, what, f"put the tiles into {place} and make it anew there, or name their folder in the plan")


def strays(files: Iterable[str], file: Path | str, shown: str, within: Iterable[Path]) -> list[Finding]:
    """What is wrong with a dataset's files as GDAL lists them, whatever its format: those beyond where it may lead.

    From a network, a raster may not lead to this disk at all.
    """
    here = [name for name in files if not name.startswith("/vsi")]
    if isinstance(file, Path):  # what bears its name beside it is its own, though it be a link
        here = [n for n in here if (Path(n).parent, _stem(n)) != (file.parent, _stem(file.name))]
    if isinstance(file, str):
        what = f"leads from a network to files of this machine: {listed(here, most=2)}"
        return [Finding(shown, what, "download it, and name the file")] if here else []
    roots = folders([file.parent, Path(os.path.realpath(file)).parent, *within])
    found = [name for name in here if not _below(os.path.realpath(name), roots)]
    return [leads_outside(shown, found, file.parent)] if found else []


def _stem(name: str) -> str:
    return Path(name).name.partition(".")[0]


def folders(named: Iterable[Path]) -> tuple[str, ...]:
    """Folders as they truly are; never a whole disk, which would be no bound."""
    found = dict.fromkeys(os.path.realpath(folder) for folder in named)
    return tuple(folder for folder in found if Path(folder) != Path(Path(folder).anchor))


def _below(real: str, roots: Sequence[str]) -> bool:
    return any(real == root or real.startswith(root.rstrip(os.sep) + os.sep) for root in roots)


def _places(name: _Name, own: list[str]) -> Iterator[str]:
    """The places on this disk that a name may mean: GDAL's disguises taken off, relative ones by what they go by.

    own: the folder of the file that names it, and that of the file which that is a link to.
    """
    for text in _plain(name.text):
        disguised = text != name.text
        if text in _NOTHING or len(text) > _LONGEST_NAME or "\0" in text:
            continue
        if not (name.sure or disguised or _LIKE_A_PATH.search(text)):
            continue
        told = None if disguised or not name.sure else name.relative
        bases = {True: own, False: [os.getcwd()], None: [*own, os.getcwd()]}[told]  # noqa: PTH109
        for place in dict.fromkeys(os.path.join(base, text) for base in bases):  # noqa: PTH118
            inner = _archive(place) if disguised else place
            if told is not None or (name.sure and os.path.isabs(text)) or os.path.lexists(inner):  # noqa: PTH117
                yield inner


def _archive(place: str) -> str:
    """The file that is there of a path that may go on inside of it."""
    tried = place
    while not os.path.lexists(tried) and os.path.dirname(tried) != tried:  # noqa: PTH120
        tried = os.path.dirname(tried)  # noqa: PTH120
    return tried if os.path.isfile(tried) else place  # noqa: PTH113


def _without_vrt(text: str) -> str:
    while text.lower().startswith(_VRT):
        text = text[len(_VRT) :].partition("?")[0]
    return text


def _plain(text: str) -> list[str]:
    """A name without vrt://, archives and drivers before it; what may be a path after a driver."""
    text = _without_vrt(text)
    while match := _ARCHIVE.match(text):
        text = text[match.end() :].strip("{}")
    if match := _DRIVER.match(text):
        return [text, *(part for part in re.split(r'[":,]+', text[match.end() :]) if part)]
    return [text]


def _read(file: Path, where: str, wrong: list[Finding]) -> list[_Name]:
    """The names in a file of words, each once; what must not be opened at all is told instead."""
    try:
        with file.open("rb") as opened:
            head = opened.read(_HEAD)
            start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
            if not (start.startswith((b"<", b"{", b"[")) or _KIND.search(head.partition(b"\0")[0])):
                return []
            content = head + opened.read(_LONGEST)
    except OSError:
        return []
    if _PAGE.match(start):
        what = "is a web page, not a raster: perhaps a portal asked for a password"
        wrong.append(Finding(where, what, "download the file itself again"))
        return []
    if file.name.lower().endswith(".json") or start.startswith((b"{", b"[")):
        return list(dict.fromkeys(_of_json(content)))
    if len(content) > _LONGEST:
        wrong.append(Finding(where, "is a virtual raster of too many words", "name the folder of its tiles instead"))
    elif _DECLARES.search(content):
        what = "has a document type declaration (<!DOCTYPE ...>), which can define entities: not read for safety"
        wrong.append(Finding(where, what, "take out the <!DOCTYPE ...> part; none is needed"))
    else:
        return list(dict.fromkeys(_of_xml(content, where, wrong)))
    return []


def _of_json(content: bytes) -> Iterator[_Name]:
    """All texts."""
    try:
        waiting = [json.loads(content)]
    except (ValueError, RecursionError):
        text = content.decode("utf-8", "replace").replace("\\/", "/")
        yield from (_Name(name) for name in re.findall(r'"([^"]+)"', text))
        return
    while waiting:
        value = waiting.pop()
        if isinstance(value, str) and value.strip():
            yield _Name(value.strip())
        elif isinstance(value, dict):
            waiting.extend(value.values())
        elif isinstance(value, list):
            waiting.extend(value)


def _of_xml(content: bytes, where: str, wrong: list[Finding]) -> list[_Name]:
    """All that may name a dataset: texts and attributes, but what is said of data and systems."""
    sift = _Sift()
    try:
        sift.parse(content)
    except (expat.ExpatError, ValueError, LookupError) as error:
        sift.finish()
        line = getattr(error, "lineno", 1)
        what = f"is broken XML at line {line}: it was cut short, or is not in the encoding that it states"
        wrong.append(Finding(where, what, "make it anew from its tiles"))
    if sift.python:
        what = "computes its cells with a function in Python, which is not run: a raster may not bring a program"
        wrong.append(Finding(where, what, "write it out as a raster of its own, such as a GeoTIFF"))
    inside = [n for n in sift.names if n.text.startswith("<")]
    for name in inside:  # a whole virtual raster in place of a name
        sift.names += _of_xml(name.text.encode(), where, wrong)
    return [n for n in sift.names if not n.text.startswith("<")]


class _Sift:
    """Names as a stream: nothing is kept of the rest."""

    def __init__(self) -> None:
        self.names: list[_Name] = []
        self.python = False
        self.open: list[tuple[str, bool | None, list[str]]] = []
        self.quiet = 0
        self.expat = expat.ParserCreate()
        self.expat.buffer_text = True
        self.expat.StartElementHandler = self._start
        self.expat.EndElementHandler = self._end
        self.expat.CharacterDataHandler = self._text

    def parse(self, content: bytes) -> None:
        """Raises expat's error where it is no well-formed XML."""
        self.expat.Parse(content, True)

    def finish(self) -> None:
        """Take what stood open when the words ended."""
        while self.open:
            self._end("")

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        tag, own = tag.lower(), {key.lower(): value for key, value in attributes.items()}
        told = own.get("relativetovrt")
        if "Python" in own.get("pixelfunctionlanguage", ""):
            self.python = True
        # The key of a geolocation array stands among the metadata, and names a dataset.
        array = tag == "mdi" and own.get("key", "").upper().endswith("_DATASET")
        if tag in _NO_NAMES:
            self.quiet += 1
        relative = {None: False, "0": False, "1": True}.get(told)
        self.open.append((_NAMES[0] if array else tag, None if array else relative, []))
        if not self.quiet:
            self.names += [_Name(value.strip()) for value in attributes.values() if value.strip()]

    def _text(self, text: str) -> None:
        if self.open:
            self.open[-1][2].append(text)

    def _end(self, _: str) -> None:
        tag, relative, texts = self.open.pop()
        text = "".join(texts).strip()
        if text and (not self.quiet or tag in _NAMES):
            self.names.append(_Name(text, tag in _NAMES, relative))
        if tag == "pixelfunctionlanguage" and text.lower() == "python":
            self.python = True
        if tag in _NO_NAMES:
            self.quiet -= 1
