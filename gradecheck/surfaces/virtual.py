"""Raster files that are words: what other datasets they name, and which of those are on a network."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

from gradecheck import locations

_HEAD = 1024
_NO_NAMES = ("Metadata", "SRS", "GCPList", "Description", "CategoryNames", "UnitType", "GeoTransform")
_QUOTED = re.compile(r"[\"'>]([^\"'<>]+)[\"'<]")
_DEEPEST = 8


def on_network(file: Path, depth: int = 0) -> list[str]:
    """The names on a network that a virtual raster, or one that it names, leads to; none for a file of pixels."""
    try:
        with file.open("rb") as opened:
            head = opened.read(_HEAD).removeprefix(b"\xef\xbb\xbf").lstrip()
            if not head.startswith((b"<", b"{", b"[")):
                return []
            opened.seek(0)
            content = opened.read()
    except OSError:
        return []
    names = list(dict.fromkeys(_names(content)))
    away = [name for name in names if locations.leads_away(name)]
    if depth < _DEEPEST:
        for name in names:
            beside = file.parent / name
            if name not in away and len(name) < 1000 and beside != file and beside.suffix and beside.is_file():
                away += on_network(beside, depth + 1)
    return list(dict.fromkeys(away))


def _names(content: bytes) -> Iterator[str]:
    """All that may name a dataset: texts and attributes, but what is said of data and systems."""
    try:
        root = ElementTree.fromstring(content)
    except (ElementTree.ParseError, LookupError, ValueError):
        yield from _QUOTED.findall(content.decode("utf-8", "replace"))
        return
    waiting = [root]
    while waiting:
        element = waiting.pop()
        if element.tag in _NO_NAMES:
            continue
        yield from (text.strip() for text in (element.text, *element.attrib.values()) if text and text.strip())
        waiting.extend(element)
