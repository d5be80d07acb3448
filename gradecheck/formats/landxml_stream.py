"""XML as a stream: what is met is kept as a small tree, gathered in bulk, or passed over.

A file is never held whole. Nothing that it points to is fetched and no entity is resolved: a document type
declaration, which could name either, is refused. Names are local names, whatever the namespace.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Literal
from xml.parsers import expat

from gradecheck.errors import Finding, InputError
from gradecheck.formats.landxml_bulk import ENDED, MARKED, Gather, Run
from gradecheck.formats.landxml_numbers import brief, number

_CHUNK = 1 << 20
_DEEPEST = 30
"""Levels of a kept tree; what lies deeper is left out."""
_DECLARED = re.compile(rb"""\s*<\?xml\b[^>]*?\bencoding\s*=\s*["']([A-Za-z][\w.:-]*)["']""")
_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
    (b"<\0\0\0", "utf-32-le"),
    (b"\0\0\0<", "utf-32-be"),
    (b"<\0", "utf-16-le"),
    (b"\0<", "utf-16-be"),
)
"""How files that are not ASCII at heart begin."""
_CUT_SHORT = (3, 5, 6)
"""Errors of expat where the file ends too early: no element, unclosed token, partial character."""
_INVALID = 4


@dataclass(slots=True)
class Node:
    """An element: its local name, attributes, line in the file (from 1), own text, and the elements inside it."""

    name: str
    attributes: dict[str, str]
    line: int
    text: str = ""
    inside: list[Node] = field(default_factory=list)

    def all(self, *names: str) -> Iterator[Node]:
        """The elements directly inside that have one of these names, in order."""
        return (node for node in self.inside if node.name in names)

    def first(self, name: str) -> Node | None:
        """The first of them, or None."""
        return next(self.all(name), None)

    def said(self, key: str) -> str:
        """An attribute with its white space made plain; empty where it is not there."""
        return " ".join(self.attributes.get(key, "").split())

    def number(self, key: str) -> float:
        """An attribute that is a number. Raises ValueError in words."""
        if not self.said(key):
            raise ValueError(f"has no {key}")
        try:
            return number(self.said(key))
        except ValueError as error:
            raise ValueError(f"its {key} {error}") from None


@dataclass(frozen=True, slots=True)
class Keep:
    """Keep the element as a tree and hand it over; elements named in `without` are left out."""

    done: Callable[[Node], None]
    without: frozenset[str] = frozenset()


Action = Keep | Gather | Literal["skip", "enter"]
Begin = Callable[[Node, int], Action]
"""Asked of each element met, with its level (the root is 1), what to do with it."""


@dataclass(slots=True)
class Said:
    """What is wrong with a file, and what must be said aloud about it."""

    shown: str
    findings: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def wrong(self, line: int, what: str, mend: str) -> None:
        """Add a finding at a line."""
        self.findings.append(Finding(f"{self.shown} line {line}", what, mend))

    @contextmanager
    def unless(self, wanted: bool, whose: str) -> Iterator[Callable[[], bool]]:
        """What is found wrong with something inside is a note only, unless it is wanted; whether it is good so far."""
        before = len(self.findings)
        yield lambda: wanted or len(self.findings) == before
        if not wanted and len(self.findings) > before:
            first = self.findings[before]
            at = first.where.removeprefix(self.shown).strip()
            self.notes.append(f"{whose} cannot be read and is not asked for: {at}: {first.what}")
            del self.findings[before:]

    def retell(self, error: InputError, line: int, whose: str) -> None:
        """Add the findings about something that stands at a line."""
        for finding in error.findings:
            self.wrong(line, f"{whose}: {finding.what}", finding.mend)


def stream(path: Path, said: Said, begin: Begin) -> None:
    """Read a file, asking `begin` about each element. Raises InputError where it is no well-formed XML."""
    shown = said.shown
    try:
        with path.open("rb") as file:
            encoding = _encoding(file, said)
            parser = _Parser(shown, begin, encoding and "utf-8")
            as_it_is = encoding in (None, "utf-8")
            parser.feed(iter(lambda: file.read(parser.chunk), b"") if as_it_is else _decoded(file, str(encoding)))
    except OSError as error:
        finding = Finding(shown, f"cannot be read ({error.strerror})", "check the path and the right to read it")
        raise InputError(finding) from None
    except UnicodeError as error:
        name = getattr(error, "encoding", "text")
        what = f"is not the {name} that its beginning states, or was cut short"
        raise InputError(Finding(shown, what, "save it as UTF-8")) from None


def _encoding(file: BinaryIO, said: Said) -> str | None:
    """What the file is in where expat must not go by what is stated, else None; the file is back at its start."""
    head = file.read(1024)
    file.seek(0)
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8"
    for mark, encoding in _MARKS:
        if head.startswith(mark):
            return encoding
    declared = _DECLARED.match(head)
    if declared is None:
        return None
    name = declared[1].decode("ascii")
    try:
        known = codecs.lookup(name).name
        plain = b"<?xml".decode(known) == "<?xml"
    except (LookupError, UnicodeError):
        known, plain = name.lower(), False
    if plain:
        return known
    if known.startswith(("utf-16", "utf-32")):
        said.notes.append(f"states the encoding {name}, which it is not in; read as UTF-8")
        return "utf-8"
    what = f"states the encoding {brief(name)!r}, which is not known or not the one it is in"
    raise InputError(Finding(said.shown, what, "save it as UTF-8"))


def _decoded(file: BinaryIO, encoding: str) -> Iterator[bytes]:
    decoder = codecs.getincrementaldecoder(encoding)()
    while data := file.read(_CHUNK):
        yield decoder.decode(data).encode()
    yield decoder.decode(b"", final=True).encode()


def _local(name: str) -> str:
    return name.rpartition(":")[2]


class _Parser:
    """Expat with handlers changed by context: entering, keeping a tree, gathering, passing over."""

    def __init__(self, shown: str, begin: Begin, encoding: str | None):
        self.shown = shown
        self.begin = begin
        self.level = 0
        self.rooted = False
        self.chunk = _CHUNK
        self.run: Run | None = None
        self.pushed = 0
        self.expat = expat.ParserCreate(encoding)
        self.expat.buffer_text = True
        self.expat.StartDoctypeDeclHandler = self._doctype
        self._enter()

    def feed(self, chunks: Iterator[bytes]) -> None:
        """Parse to the end. Raises InputError at the first thing that is not well-formed."""
        try:
            for data in chunks:
                before = self.expat.CurrentByteIndex
                self._push(self._without_plain(data))
                if self.expat.CurrentByteIndex == before:
                    # Within one endless tag, which expat scans anew each time: fewer, longer chunks.
                    self.chunk *= 2
            self.expat.Parse(b"", True)
        except expat.ExpatError as error:
            raise InputError(self._broken(error)) from None

    def _push(self, data: bytes) -> None:
        self.pushed += len(data)
        self.expat.Parse(data)

    def _without_plain(self, data: bytes) -> bytes:
        """What of a chunk is left to parse once plain elements are taken from it.

        Where an element of a gathering ends, and nowhere else, elements may be taken out and leave good XML. Their
        line ends stay, so that lines are counted right.
        """
        run = self.run
        if run is None:
            return data
        begin, end = data.find(run.close) + len(run.close), data.rfind(run.close) + len(run.close)
        if begin >= end:
            return data
        self._push(data[:begin])
        at_an_end = self.run is run and run.ended and self.expat.CurrentByteIndex == self.pushed
        if at_an_end and run.plain(data[begin:end]):
            self._push(b"\n" * data.count(b"\n", begin, end))
            return data[end:]
        return data[begin:]

    def _broken(self, error: expat.ExpatError) -> Finding:
        if error.code in _CUT_SHORT:
            if not self.rooted:
                return Finding(self.shown, "is empty or ends before its first element", "export it again")
            what = f"ends in the middle, at line {error.lineno}: it was cut short"
            return Finding(self.shown, what, "copy or export it again, whole")
        text = expat.ErrorString(error.code) or "not well-formed"
        if not self.rooted:
            return Finding(self.shown, f"is not XML (line {error.lineno}: {text})", "give a LandXML file")
        mend = "mend that line, or export it again"
        if error.code == _INVALID:
            mend += "; letters with accents there: save it in the encoding that its first line states (UTF-8 if none)"
        return Finding(f"{self.shown} line {error.lineno}", f"broken XML: {text}", mend)

    def _doctype(self, *_: object) -> None:
        what = "has a document type declaration (<!DOCTYPE ...>), which can define entities: not read for safety"
        line = self.expat.CurrentLineNumber
        raise InputError(Finding(f"{self.shown} line {line}", what, "take out the <!DOCTYPE ...> part; none is needed"))

    def _handle(
        self,
        start: Callable[[str, dict[str, str]], None],
        end: Callable[[str], None],
        text: Callable[[str], None] | None,
    ) -> None:
        self.expat.StartElementHandler = start
        self.expat.EndElementHandler = end
        self.expat.CharacterDataHandler = text

    def _enter(self) -> None:
        self._handle(self._start, self._end, None)

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self.level += 1
        self.rooted = True
        node = Node(_local(name), attributes, self.expat.CurrentLineNumber)
        action = self.begin(node, self.level)
        if isinstance(action, Keep):
            self._keep(node, action)
        elif isinstance(action, Gather):
            self._gather(name, action)
        elif action == "skip":
            self._skip(self._leave)

    def _end(self, _: str) -> None:
        self.level -= 1

    def _leave(self) -> None:
        self.level -= 1
        self._enter()

    def _skip(self, resume: Callable[[], None]) -> None:
        """Pass over the rest of the element just begun, then go on with `resume`."""
        depth = 1

        def start(_: str, __: dict[str, str]) -> None:
            nonlocal depth
            depth += 1

        def end(_: str) -> None:
            nonlocal depth
            depth -= 1
            if not depth:
                resume()

        self._handle(start, end, None)

    def _keep(self, root: Node, keep: Keep) -> None:
        open_nodes: list[tuple[Node, list[str]]] = [(root, [])]

        def listen() -> None:
            self._handle(start, end, open_nodes[-1][1].append)

        def start(name: str, attributes: dict[str, str]) -> None:
            node = Node(_local(name), attributes, self.expat.CurrentLineNumber)
            if node.name in keep.without or len(open_nodes) > _DEEPEST:
                self._skip(listen)
                return
            open_nodes[-1][0].inside.append(node)
            open_nodes.append((node, []))
            listen()

        def end(_: str) -> None:
            node, texts = open_nodes.pop()
            node.text = "".join(texts).strip()
            if open_nodes:
                listen()
            else:
                self._leave()
                keep.done(root)

        listen()

    def _gather(self, parent: str, gather: Gather) -> None:
        """The hot loop: texts go from expat straight into a list."""
        run = Run(gather, parent.removesuffix(_local(parent)) + gather.tag)
        tag, mark, default, pieces = run.tag, gather.mark, gather.default, run.pieces

        def listen() -> None:
            self.run = run
            self._handle(start, end, pieces.append)

        def start(name: str, attributes: dict[str, str]) -> None:
            if name != tag:
                self.run = None
                self._skip(listen)
                return
            if run.full:
                run.flush()
            pieces.append(attributes.get(mark, default) + MARKED)

        def end(name: str) -> None:
            if name == tag:
                pieces.append(ENDED)
                return
            self.run = None
            run.flush()
            self._leave()

        listen()
