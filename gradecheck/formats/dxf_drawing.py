"""A drawing opened, mended where it must be, and what is seen in it: entities of model space and of its blocks."""

from __future__ import annotations

import io
import logging
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from ezdxf import recover
from ezdxf.audit import AuditError
from ezdxf.document import Drawing
from ezdxf.lldxf.tagger import binary_tags_loader
from ezdxf.lldxf.validator import dxf_info

from gradecheck.errors import Finding, InputError
from gradecheck.probability import Floats

_HEADER = re.compile(rb"SECTION\s+2\s+HEADER[ \t]*(?:\r\n|\n|\r)")
_VERSION = re.compile(rb"\$ACADVER\s+1\s+(AC\d{4})")
_GUESSED = re.compile(r'value "(.*)" near line (\d+)', re.DOTALL)
_NUMBER = re.compile(r"\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*")
FROZEN, OFF, INVISIBLE = "on frozen layers", "on layers switched off", "made invisible"
_DEEPEST = 32
"""Block references within one another that are followed."""
_MOST = 2_000_000
"""Entities that block references may make of a drawing."""
_UNITS = {1: "in", 2: "ft", 4: "mm", 5: "cm", 6: "m", 21: "ftUS"}
_BINARY = re.compile(rb"[ -~]{7} Binary DXF\r\n\x1a\x00")
_BEGINNING = re.compile(rb"(?:\xef\xbb\xbf)?\s*(?:999[ \t]*[\r\n]|0\s+SECTION)")
_END = re.compile(rb"(?:(?:^|[\r\n])[ \t]*0[ \t]*[\r\n]+[ \t]*EOF|\x00EOF\x00)[\s\x00\x1a]*$")

# Warnings of the library must not reach the terminal; what matters of them is in the notes.
logging.getLogger("ezdxf").addHandler(logging.NullHandler())


def opened(path: Path, shown: str) -> tuple[Drawing, str | None, list[str]]:
    """The drawing, the unit that its header states (None for none of ours), what must be said of both.

    Raises InputError: no file, no DXF, cut short, broken beyond repair.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(Finding(shown, f"the drawing cannot be read ({error.strerror})", "check the path")) from None
    if problem := _no_dxf(data):
        raise InputError(Finding(shown, *problem))
    data, notes = _dated(data), list[str]()
    try:
        document = _parsed(data)
    except Exception:  # whatever the library trips over, its own repair is tried next
        document, mended = _mended(data, shown)
        notes.append(f"the file is broken and was mended on reading ({mended}): compare it with the drawing")
    # The library fills in metres where the header says nothing.
    code = document.header.get("$INSUNITS", 0) if b"$INSUNITS" in data else 0
    if code not in (0, *_UNITS):
        notes.append(f"its header counts in a unit that is not used here (code {code} of $INSUNITS)")
    return document, _UNITS.get(code), notes


def _mended(data: bytes, shown: str) -> tuple[Drawing, str]:
    """The drawing as the library repairs it, and what it did. A number that it could only guess at is refused."""
    try:
        document, audit = recover.read(io.BytesIO(data))
    except Exception as error:  # beyond repair, in any of many ways
        raise InputError(unreadable(shown, error)) from None
    said = [e.message for e in audit.errors if e.code == AuditError.INVALID_FLOATING_POINT_VALUE]
    guessed = [match for text in said if (match := _GUESSED.search(text)) and not _NUMBER.fullmatch(match[1])]
    if guessed:
        what = (
            f"numbers in it cannot be read: {len(guessed)}, such as {clean(guessed[0][1])!r} near line {guessed[0][2]}"
        )
        raise InputError(Finding(shown, what, "save the drawing anew where it was made"))
    return document, f"{len(audit.fixes)} repairs, {len(audit.errors)} faults"


def _no_dxf(data: bytes) -> tuple[str, str] | None:
    """Why a file is no whole DXF, and how to mend that."""
    if not data.strip():
        return "the file is empty", "export it again"
    if re.match(rb"AC10\d\d\x00", data):
        return "it is a drawing in the format DWG", "save it as DXF"
    if not _BINARY.match(data) and not _BEGINNING.match(data):
        return "it is not a DXF drawing", "give a drawing saved as DXF"
    if not _END.search(data[-1000:]):
        return "it ends too early: the mark EOF is not at its end", "copy or export it again"
    return None


def _dated(data: bytes) -> bytes:
    """A drawing that says it is of R12, or nothing, but has entities of later versions: dated as one of those.

    The library would lose their layers and elevations without a word.
    """
    if _BINARY.match(data) or b"AcDbEntity" not in data:
        return data
    version = _VERSION.search(data)
    if version is not None:
        return data if version[1] > b"AC1009" else data[: version.start(1)] + b"AC1015" + data[version.end(1) :]
    stated = b"  9\n$ACADVER\n  1\nAC1015\n"
    if header := _HEADER.search(data):
        return data[: header.end()] + stated + data[header.end() :]
    return b"  0\nSECTION\n  2\nHEADER\n" + stated + b"  0\nENDSEC\n" + data.removeprefix(b"\xef\xbb\xbf")


def _parsed(data: bytes) -> Drawing:
    if _BINARY.match(data):
        return Drawing.load(binary_tags_loader(data, errors="surrogateescape"))
    try:
        data.decode("utf-8")
        encoding = "utf-8-sig"  # whatever its header says
    except UnicodeDecodeError:
        info = dxf_info(io.TextIOWrapper(io.BytesIO(data), "utf-8", "ignore"))
        encoding = "utf-8" if info.version >= "AC1021" else info.encoding
    return Drawing.read(io.TextIOWrapper(io.BytesIO(data), encoding, "surrogateescape"))


def unreadable(shown: str, error: Exception) -> Finding:
    """A drawing that the library fails on, in a person's words and the library's."""
    said = clean(str(error).strip().split("\n")[0])[:150] or type(error).__name__
    mend = "open it where it was made and save it anew as DXF"
    return Finding(shown, f"the drawing is broken and cannot be read ({said})", mend)


def clean(text: str) -> str:
    """Without the stand-ins for bytes that were no text, which nothing could print."""
    return text.encode("utf-8", "replace").decode("utf-8")


class Seen(NamedTuple):
    """An entity where it is seen: its `layer`, why it is `hidden` or "", the way from its axes to the world's."""

    entity: Any
    layer: str
    hidden: str
    matrix: Floats | None


class Walk:
    """The way through model space and the blocks that it refers to.

    not_followed: how many block references were left out, by reason; whole once `entities` has been gone through.
    """

    def __init__(self, document: Drawing, shown: str):
        self.document, self.shown = document, shown
        self.not_followed: Counter[str] = Counter()
        self._states = {clean(layer.dxf.name).casefold(): layer for layer in document.layers}
        self._count = 0
        self._made: dict[str, int] = {}

    def entities(self) -> Iterator[Seen]:
        """All entities of model space and, in their place, of the blocks referred to."""
        return self._of(self.document.modelspace(), Seen(None, "0", "", None), ())

    def _of(self, layout: Iterable[Any], within: Seen, path: tuple[str, ...]) -> Iterator[Seen]:
        for entity in layout:
            self._add(1 if path else 0)
            layer = clean(entity.dxf.get("layer", "0"))
            layer = within.layer if layer == "0" else layer
            here = Seen(entity, layer, within.hidden or self._hidden(entity, layer), within.matrix)
            if entity.dxftype() == "INSERT":
                yield from self._inside(here, path)
            else:
                yield here

    def _inside(self, here: Seen, path: tuple[str, ...]) -> Iterator[Seen]:
        insert, name = here.entity, str(here.entity.dxf.get("name", ""))
        block = self.document.blocks.get(name)
        problem = _not_followed(block, name.casefold(), path)
        if not problem:
            if not path and self._count + max(insert.mcount, 1) * self._makes(name, path) > _MOST:
                self._add(_MOST + 1)  # said before they are made, which would take a minute
            self._add(max(insert.mcount, 1))
            matrices = _placings(insert)
            problem = "" if matrices else "block references left out, they are broken"
        if problem:
            self.not_followed[problem] += 1
            return
        # A layer switched off hides what is on it, not what a block there has on others; a frozen one hides all.
        here = here._replace(hidden="" if here.hidden == OFF else here.hidden)
        for matrix in matrices:
            with np.errstate(all="ignore"):
                matrix = matrix if here.matrix is None else matrix @ here.matrix
            yield from self._of(block or (), here._replace(matrix=matrix), (*path, name.casefold()))

    def _makes(self, name: str, path: tuple[str, ...]) -> int:
        """How many entities a block makes, with those that it refers to."""
        key = name.casefold()
        if key not in self._made:
            within, made = (*path, key), 0
            block: Iterable[Any] = self.document.blocks.get(name) or ()
            for entity in block:
                made += 1
                if entity.dxftype() == "INSERT":
                    inner = str(entity.dxf.get("name", ""))
                    if not _not_followed(self.document.blocks.get(inner), inner.casefold(), within):
                        made += max(entity.mcount, 1) * (1 + self._makes(inner, within))
            self._made[key] = made
        return self._made[key]

    def _add(self, count: int) -> None:
        self._count += count
        if self._count > _MOST:
            what = f"its block references make more than {_MOST:,} entities"
            raise InputError(Finding(self.shown, what, "explode or take out what is not ground"))

    def _hidden(self, entity: Any, layer: str) -> str:
        state = self._states.get(layer.casefold())
        if state is not None and state.is_frozen():
            return FROZEN
        if entity.dxf.get("invisible", 0):
            return INVISIBLE
        return OFF if state is not None and state.is_off() else ""


def _not_followed(block: Any, name: str, path: tuple[str, ...]) -> str:
    if block is None:
        return "block references left out, their block is missing"
    if block.block.dxf.get("flags", 0) & 0b1100:
        return "references to other drawings left out, bind them to have them read"
    if name in path:
        return "block references left out, their block holds itself"
    return "block references left out, nested too deeply" if len(path) >= _DEEPEST else ""


def _placings(insert: Any) -> list[Floats]:
    """(4, 4) from a block's axes to those of what refers to it, row vectors; one for each place of a grid."""
    try:
        placed = list(insert.multi_insert()) if insert.mcount > 1 else [insert]
        return [np.array(list(p.matrix44()), dtype=np.float64).reshape(4, 4) for p in placed]
    except Exception:  # it may lack anything; it is counted
        return []
