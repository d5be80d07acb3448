"""Features from services: OGC API Features, WFS 2.0, ESRI-JSON; fetched by pages into one file for OGR to read.

OGR's own drivers for them end a layer without a word where a page fails, and take the columns from the first page
alone, so that pages are fetched here: each must come, and all together must be as many as the service counts.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, quote, unquote, urlencode, urljoin, urlsplit, urlunsplit
from xml.etree import ElementTree as ET

from pyproj import CRS

from gradecheck import webs
from gradecheck.addresses import protocol
from gradecheck.errors import Finding, InputError, listed
from gradecheck.validation import nearest

_PAGE = 1000
"""Features asked for at once; a service may give fewer."""
_MOST_PAGES = 100_000
_DECLARES = re.compile(rb"<!(DOCTYPE|ENTITY)", re.IGNORECASE)
_WFS, _GML = "{http://www.opengis.net/wfs/2.0}", "{http://www.opengis.net/gml/3.2}"
for _prefix, _name in (("wfs", _WFS), ("gml", _GML)):  # as OGR looks for them
    ET.register_namespace(_prefix, _name.strip("{}"))
_WFS_KEYS = ("request", "version", "service", "typename", "typenames", "count", "startindex", "resulttype")


@dataclass(frozen=True, slots=True)
class Fetched:
    """All features of a layer in a file that OGR reads: how many, their system where the file does not say it.

    notes: what must be said aloud.
    """

    path: Path
    count: int
    crs: CRS | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Asked:
    """Where to ask, how the plan calls it, and the plan's section."""

    address: str
    shown: str
    where: str

    def wrong(self, what: str, mend: str, key: str = "path") -> InputError:
        return InputError(Finding(f"{self.where}.{key}", f"{self.shown}: {what}", mend))

    def json(self, address: str, accept: str = "application/geo+json, application/json") -> dict[str, Any]:
        """An answer that is a JSON object."""
        try:
            found = json.loads(webs.get(address, self.address, self.shown, f"{self.where}.path", accept))
        except ValueError:
            found = None
        if not isinstance(found, dict):
            raise self.wrong("the answer is no JSON object", "check the address, in a browser")
        return found

    def counted(self, got: int, said: int | None) -> tuple[str, ...]:
        """What is to be said of the count. Raises InputError where it is another than the service's own."""
        if said is None:
            return (f"{self.shown} does not say how many features it has: {got} came, and cannot be checked",)
        if got != said:
            what = f"{got} features came, and the service counts {said}: some are lost, or its data changed meanwhile"
            raise self.wrong(what, "run again; if it stays so, tell who runs the service")
        return ()


@contextmanager
def fetched(shown: str, where: str, layer: str | None) -> Iterator[Fetched]:
    """The features of the service at an address, in a file that lives as long as the context.

    where: the plan's section, for messages; layer: the collection, type or layer, only where the address names none.
    Raises InputError: a service that fails midway gives nothing.
    """
    kind, address = protocol(shown)
    readers = {"oapif": _collection, "wfs": _feature_types, "esrijson": _feature_server}
    with tempfile.TemporaryDirectory(prefix="gradecheck-") as folder:
        yield readers[kind](_Asked(address, shown, where), layer, Path(folder))


def _with(address: str, **more: object) -> str:
    """An address with parameters put in, those of the same name, whatever their case, replaced."""
    at = urlsplit(address)
    new = {name.lower() for name in more}
    kept = [(n, v) for n, v in parse_qsl(at.query, keep_blank_values=True) if n.lower() not in new]
    return urlunsplit(at._replace(query=urlencode([*kept, *more.items()])))


def _deeper(address: str, *names: str) -> str:
    """An address some levels down, its parameters kept."""
    at = urlsplit(address)
    return urlunsplit(at._replace(path="/".join([at.path.rstrip("/"), *names])))


def _link(found: Mapping[str, Any], rel: str, base: str) -> str | None:
    """The address of a link, the one to JSON first."""
    links = [x for x in found.get("links") or () if isinstance(x, dict) and x.get("rel") == rel and x.get("href")]
    links.sort(key=lambda x: "json" not in str(x.get("type", "")))
    return urljoin(base, str(links[0]["href"])) if links else None


def _one_of(asked: _Asked, names: list[str], layer: str | None, what: str) -> int:
    """Which of several layers is meant."""
    if layer is not None and layer in names:
        return names.index(layer)
    if layer is not None:
        raise asked.wrong(f"has no {what} {layer!r}", nearest(layer, names), "layer")
    if len(names) != 1:
        raise asked.wrong(f"has {len(names)} {what}s: {', '.join(names[:8])}", "name one as `layer`", "layer")
    return 0


def _whole(value: object) -> int | None:
    """A count that a service gives; None where it gives none."""
    try:
        return int(str(value))
    except ValueError:
        return None


def _collection(asked: _Asked, layer: str | None, folder: Path) -> Fetched:
    """OGC API Features, part 1 (OGC 17-069r4); positions are longitude and latitude, as RFC 7946 has them."""
    items, kept = _items(asked, layer)
    features: list[Any] = []
    said: int | None = None
    page: str | None = _with(items, limit=_PAGE)
    seen: set[str] = set()
    while page is not None:
        if page in seen or len(seen) > _MOST_PAGES:
            raise asked.wrong("its pages lead round in a circle", "tell who runs the service")
        seen.add(page)
        answer = asked.json(page)
        features += _features(asked, answer)
        counted = _whole(answer.get("numberMatched"))
        said = counted if said is None else said
        if counted is not None and counted != said:
            raise asked.wrong(f"counted {said} features, then {counted}: its data changed meanwhile", "run again")
        page = _link(answer, "next", page)
    _no_repeats(asked, [f.get("id") for f in features])
    notes = asked.counted(len(features), said)
    if kept is not None and "CRS84" not in kept:
        notes += (f"{asked.shown} keeps positions in {kept} and gives them in WGS 84, changed by ways of its own",)
    return Fetched(_written(folder, {"type": "FeatureCollection", "features": features}), len(features), notes=notes)


def _items(asked: _Asked, layer: str | None) -> tuple[str, str | None]:
    """Where a collection's features are, and the system that it says they are kept in (OGC 18-058r1)."""
    address = asked.address
    parts = [p for p in urlsplit(address).path.split("/") if p]
    if parts[-1:] == ["items"]:
        return address, None
    found = asked.json(address)
    if "collections" in parts[-2:-1]:
        if layer is not None and layer != unquote(parts[-1]):
            raise asked.wrong(f"is the collection {parts[-1]!r} already", "leave `layer` out", "layer")
    else:
        if parts[-1:] != ["collections"]:
            address = _link(found, "data", address) or _deeper(address, "collections")
            found = asked.json(address)
        there = [c for c in found.get("collections") or () if isinstance(c, dict) and "id" in c]
        found = there[_one_of(asked, [str(c["id"]) for c in there], layer, "collection")]
        address = _deeper(address, quote(str(found["id"]), safe=""))
    kept = found.get("storageCrs")
    return _link(found, "items", address) or _deeper(address, "items"), None if kept is None else str(kept)


def _features(asked: _Asked, answer: Mapping[str, Any]) -> list[Any]:
    """The features of a page, as many as it says it has."""
    features = answer.get("features")
    if not isinstance(features, list) or not all(isinstance(f, dict) for f in features):
        raise asked.wrong("an answer holds no features", "check that the address is of a collection or its items")
    _as_many(asked, answer.get("numberReturned"), len(features))
    return features


def _as_many(asked: _Asked, returned: Any, there: int) -> None:
    """A page must hold as many features as it says that it returns."""
    stated = _whole(returned)
    if stated is not None and stated != there:
        what = f"a page of {stated} features holds {there}"
        raise asked.wrong(what, "run again; if it stays so, tell who runs the service")


def _no_repeats(asked: _Asked, ids: list[Any]) -> None:
    """Pages that overlap give some features twice, and others, most likely, not at all."""
    known = [str(i) for i in ids if i is not None]
    if len(set(known)) != len(known):
        raise asked.wrong("gives some features twice: its data changed between pages", "run again")


def _written(folder: Path, content: Mapping[str, Any]) -> Path:
    path = folder / "features.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def _feature_server(asked: _Asked, layer: str | None, folder: Path) -> Fetched:
    """ESRI-JSON over REST: a layer by its number, features by pages in the order of their ids."""
    address = urlunsplit(urlsplit(asked.address)._replace(query="", fragment="")).rstrip("/").removesuffix("/query")
    if not address.rpartition("/")[2].isdigit():
        there = [x for x in _said(asked, address).get("layers") or () if isinstance(x, dict)]
        numbers = [str(x.get("id")) for x in there]
        names = numbers if layer in numbers else [str(x.get("name")) for x in there]
        address = f"{address}/{numbers[_one_of(asked, names, layer, 'layer')]}"
    facts = _said(asked, address)
    fields = facts.get("fields") or ()
    key = str(next((f["name"] for f in fields if f.get("type") == "esriFieldTypeOID"), facts.get("objectIdField", "")))
    everything = {"where": "1=1", "f": "json"}
    query = f"{address}/query"
    said = _whole(_said(asked, query, **everything, returnCountOnly="true").get("count"))
    size = min(_whole(facts.get("maxRecordCount")) or _PAGE, _PAGE)
    merged: dict[str, Any] = {}
    features: list[Any] = []
    more = True
    while more:
        asked_for = {"outFields": "*", "returnGeometry": "true", "returnZ": "true", "resultOffset": len(features)}
        order = {"orderByFields": key} if key else {}
        answer = _said(asked, query, **everything, **asked_for, **order, resultRecordCount=size)
        page = _features(asked, answer)
        merged = merged or answer
        if page and page == features[-len(page) :]:
            raise asked.wrong("gives the same page again and again: it does not page", "tell who runs the service")
        features += page
        full = said is None and len(page) >= size
        more = bool(page) and (full or bool(answer.get("exceededTransferLimit")) or len(features) < (said or 0))
    _no_repeats(asked, [(f.get("attributes") or {}).get(key) for f in features])
    notes = asked.counted(len(features), said)
    return Fetched(_written(folder, merged | {"features": features}), len(features), notes=notes)


def _said(asked: _Asked, address: str, **parameters: object) -> dict[str, Any]:
    """An answer, which is an error in spite of its status where it says so."""
    answer = asked.json(_with(address, **{"f": "json", **parameters}), "application/json")
    error = answer.get("error")
    if isinstance(error, dict):
        text = webs.short(f"{error.get('code', '')} {error.get('message', '')}")
        raise asked.wrong(f"the service answers with an error ({text})", "check the address and your right to it")
    return answer


def _feature_types(asked: _Asked, layer: str | None, folder: Path) -> Fetched:
    """WFS 2.0 (OGC 09-025r2): pages of GML put into one, beside the schema that says what its columns are."""
    named = {n.lower(): v for n, v in parse_qsl(urlsplit(asked.address).query)}
    base = _with(_without(asked.address, *_WFS_KEYS), service="WFS", version="2.0.0")
    name = _feature_type(asked, base, layer or named.get("typenames") or named.get("typename"))
    get = _with(base, request="GetFeature", typenames=name)
    said = _whole(_xml(asked, _with(get, resulttype="hits"))[0].get("numberMatched"))
    (folder / "features.xsd").write_bytes(_xml(asked, _with(base, request="DescribeFeatureType", typenames=name))[1])
    merged = ET.Element(f"{_WFS}FeatureCollection")
    systems: set[str] = set()
    more = True
    while more:
        page = _xml(asked, _with(get, count=_PAGE, startindex=len(merged)))[0]
        members = _members(asked, page)
        if members and len(merged) and ET.tostring(members[-1]) == ET.tostring(merged[-1]):
            raise asked.wrong("gives the same page again and again: it does not page", "tell who runs the service")
        merged.extend(members)
        systems |= {str(e.get("srsName")) for e in page.iter() if e.get("srsName")}
        # Who pages says so by `next`, or by a count that is not reached; who does not gives all at once.
        full = said is None and len(members) >= _PAGE
        more = bool(members) and (full or page.get("next") is not None or len(merged) < (said or 0))
    _no_repeats(asked, [feature.get(f"{_GML}id") for member in merged for feature in member])
    count = len(merged)
    if len(systems) > 1:
        raise asked.wrong(
            f"gives features in several reference systems: {listed(sorted(systems))}", "ask for one of them"
        )
    for system in systems:
        merged.insert(0, _bounds(system))
    path = folder / "features.gml"
    ET.ElementTree(merged).write(path, encoding="utf-8", xml_declaration=True)
    return Fetched(path, count, notes=asked.counted(count, said))


def _bounds(system: str) -> ET.Element:
    """What stands at the head of GML, where alone OGR looks for the system; the corners are nobody's."""
    bounds = ET.Element(f"{_WFS}boundedBy")
    envelope = ET.SubElement(bounds, f"{_GML}Envelope", srsName=system)
    for corner in ("lowerCorner", "upperCorner"):
        ET.SubElement(envelope, f"{_GML}{corner}").text = "0 0"
    return bounds


def _feature_type(asked: _Asked, base: str, layer: str | None) -> str:
    """The name of the feature type that is meant, with its prefix."""
    about = _xml(asked, _with(base, request="GetCapabilities"))[0]
    if not about.tag.startswith(_WFS):
        raise asked.wrong(f"is no WFS 2.0 ({about.tag.rpartition('}')[2]})", "ask who runs it for one, or for a file")
    names = [str(n.text).strip() for n in about.iterfind(f".//{_WFS}FeatureType/{_WFS}Name") if n.text]
    meant = [n for n in names if layer is not None and layer in (n, n.rpartition(":")[2])]
    return meant[0] if len(meant) == 1 else names[_one_of(asked, names, layer, "feature type")]


def _members(asked: _Asked, page: ET.Element) -> list[ET.Element]:
    """The features of a page, as many as it says it has."""
    members = page.findall(f"{_WFS}member")
    if page.tag != f"{_WFS}FeatureCollection" or not all(len(member) == 1 for member in members):
        raise asked.wrong("an answer holds no features", "check the address and the feature type")
    _as_many(asked, page.get("numberReturned"), len(members))
    return members


def _without(address: str, *names: str) -> str:
    """An address without some parameters."""
    at = urlsplit(address)
    kept = [(n, v) for n, v in parse_qsl(at.query, keep_blank_values=True) if n.lower() not in names]
    return urlunsplit(at._replace(query=urlencode(kept)))


def _xml(asked: _Asked, address: str) -> tuple[ET.Element, bytes]:
    """An answer that is XML, parsed and as it came; an exception report is an error."""
    data = webs.get(address, asked.address, asked.shown, f"{asked.where}.path", "text/xml, application/xml, */*;q=0.1")
    if _DECLARES.search(data.replace(b"\0", b"")):
        what = "the answer has a document type declaration, which can define entities: not read for safety"
        raise asked.wrong(what, "tell who runs the service, or get the data as a file")
    try:
        root = ET.fromstring(data)
    except ET.ParseError:
        raise asked.wrong("the answer is no XML", "check the address, in a browser") from None
    if root.tag.rpartition("}")[2] in ("ExceptionReport", "ServiceExceptionReport"):
        text = webs.short(" ".join("".join(root.itertext()).split()))
        raise asked.wrong(f"the service answers with an error ({text})", "check the address and the feature type")
    return root, data
