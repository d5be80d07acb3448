"""Small feature services on this machine, which speak by the standards or break them as they are told."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl, urlsplit

N = 45
PAGE = 10
"""The most features that these services give at once."""


@dataclass
class Service:
    """What it holds, and how it misbehaves.

    breaks_at: the offset from which on it answers with `status`. says: the count that it states, None for none, "true"
    for its own. slow: seconds before it answers. next_link: what it makes of the address of the next page. drop: how
    many of the last features it never gives. cut: answers end too early. srs: its name of the system in GML. keeps: the
    system that it says its features are kept in. stuck: it gives the first page alone.
    """

    base: str = ""
    features: list[dict[str, Any]] = field(default_factory=list)
    says: int | str | None = "true"
    breaks_at: int | None = None
    status: int = 500
    slow: float = 0.0
    asked: list[str] = field(default_factory=list)
    headers: list[dict[str, str]] = field(default_factory=list)
    next_link: Callable[[str], str] = lambda address: address
    drop: int = 0
    cut: bool = False
    srs: str = "urn:ogc:def:crs:EPSG::32615"
    keeps: str | None = None
    stuck: bool = False

    @property
    def count(self) -> int | None:
        """The count that it states."""
        return len(self.features) if self.says == "true" else self.says  # type: ignore[return-value]


Answer = tuple[int, str, bytes]


@contextmanager
def serving(answer: Callable[[Service, str, dict[str, str]], Answer], service: Service) -> Iterator[Service]:
    """The service on a port of this machine, asked by path and parameters."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            service.asked.append(self.path)
            service.headers.append(dict(self.headers))
            at = urlsplit(self.path)
            time.sleep(service.slow)
            status, kind, body = answer(service, at.path, {k.lower(): v for k, v in parse_qsl(at.query)})
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body) + (100 if service.cut else 0)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    service.base = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield service
    finally:
        server.shutdown()
        server.server_close()


def _json(content: Any, status: int = 200) -> Answer:
    return status, "application/geo+json", json.dumps(content).encode()


def _page(service: Service, offset: int, limit: int) -> tuple[list[dict[str, Any]], bool]:
    """Features of a page and whether there are more; what the service is told to lose is lost."""
    rows = service.features[: len(service.features) - service.drop]
    offset = 0 if service.stuck else offset
    part = rows[offset : offset + min(limit, PAGE)]
    return part, offset + len(part) < len(rows)


def collection_features(service: Service, path: str, asked: dict[str, str]) -> Answer:
    """OGC API Features, part 1: a landing page and one collection, `hydrants`."""
    items = f"{service.base}/ogc/collections/hydrants/items"
    about = {
        "id": "hydrants",
        "links": [
            {"rel": "items", "type": "text/html", "href": f"{items}?f=html"},
            {"rel": "items", "type": "application/geo+json", "href": items},
        ],
    } | ({"storageCrs": service.keeps} if service.keeps else {})
    if path == "/ogc":
        return _json(
            {"links": [{"rel": "data", "type": "application/json", "href": f"{service.base}/ogc/collections"}]}
        )
    if path == "/ogc/collections":
        return _json({"collections": [about, {"id": "valves", "links": []}], "links": []})
    if path == "/ogc/collections/hydrants":
        return _json(about)
    if path != "/ogc/collections/hydrants/items":
        return 404, "text/plain", b"no such thing"
    offset = int(asked.get("offset", 0))
    if service.breaks_at is not None and offset >= service.breaks_at:
        return service.status, "text/plain", b"out of order"
    page, more = _page(service, offset, int(asked.get("limit", 10)))
    answer: dict[str, Any] = {"type": "FeatureCollection", "numberReturned": len(page), "links": []}
    answer["features"] = [
        {
            "type": "Feature",
            "id": f["id"],
            "properties": {k: v for k, v in f.items() if k not in ("x", "y", "id")},
            "geometry": {"type": "Point", "coordinates": [f["x"], f["y"]]},
        }
        for f in page
    ]
    if service.count is not None:
        answer["numberMatched"] = service.count
    if more:
        onward = service.next_link(f"{items}?offset={offset + len(page)}&limit={asked.get('limit', 10)}")
        answer["links"] = [{"rel": "next", "type": "application/geo+json", "href": onward}]
    return _json(answer)


def feature_server(service: Service, path: str, asked: dict[str, str]) -> Answer:
    """ESRI-JSON over REST: a server of two layers, of which 3 is `Hydrants`."""
    if path == "/rest/services/Water/FeatureServer":
        return _json({"layers": [{"id": 0, "name": "Valves"}, {"id": 3, "name": "Hydrants"}]})
    fields = [
        {"name": "OBJECTID", "type": "esriFieldTypeOID"},
        {"name": "asset_id", "type": "esriFieldTypeString"},
        {"name": "flange_in", "type": "esriFieldTypeDouble"},
        {"name": "late", "type": "esriFieldTypeInteger"},
    ]
    if path == "/rest/services/Water/FeatureServer/3":
        return _json({"id": 3, "fields": fields, "maxRecordCount": PAGE, "objectIdField": "OBJECTID"})
    if path != "/rest/services/Water/FeatureServer/3/query":
        return _json({"error": {"code": 400, "message": "Invalid URL"}})
    if asked.get("returncountonly") == "true":
        return _json({} if service.count is None else {"count": service.count})
    offset = int(asked.get("resultoffset", 0))
    if service.breaks_at is not None and offset >= service.breaks_at:
        return _json({"error": {"code": 500, "message": "out of order"}})
    page, more = _page(service, offset, int(asked.get("resultrecordcount", 1000)))
    return _json(
        {
            "objectIdFieldName": "OBJECTID",
            "geometryType": "esriGeometryPoint",
            "spatialReference": {"wkid": 32615, "latestWkid": 32615},
            "fields": fields,
            "exceededTransferLimit": more,
            "features": [
                {
                    "attributes": {"OBJECTID": f["id"]} | {k: f.get(k) for k in ("asset_id", "flange_in", "late")},
                    "geometry": {"x": f["x"], "y": f["y"]},
                }
                for f in page
            ],
        }
    )


_HEAD = 'xmlns:wfs="http://www.opengis.net/wfs/2.0" xmlns:gml="http://www.opengis.net/gml/3.2" xmlns:t="http://town.example"'
_SCHEMA = """<?xml version="1.0"?>
<xsd:schema xmlns:xsd="http://www.w3.org/2001/XMLSchema" xmlns:gml="http://www.opengis.net/gml/3.2"
  xmlns:t="http://town.example" targetNamespace="http://town.example" elementFormDefault="qualified">
 <xsd:import namespace="http://www.opengis.net/gml/3.2" schemaLocation="http://schemas.opengis.net/gml/3.2.1/gml.xsd"/>
 <xsd:complexType name="hydrantsType"><xsd:complexContent><xsd:extension base="gml:AbstractFeatureType"><xsd:sequence>
  <xsd:element name="asset_id" type="xsd:string" minOccurs="0" nillable="true"/>
  <xsd:element name="flange_in" type="xsd:double" minOccurs="0" nillable="true"/>
  <xsd:element name="late" type="xsd:int" minOccurs="0" nillable="true"/>
  <xsd:element name="geom" type="gml:PointPropertyType" minOccurs="0" nillable="true"/>
 </xsd:sequence></xsd:extension></xsd:complexContent></xsd:complexType>
 <xsd:element name="hydrants" type="t:hydrantsType" substitutionGroup="gml:AbstractFeature"/>
</xsd:schema>"""


def feature_types(service: Service, path: str, asked: dict[str, str]) -> Answer:
    """WFS 2.0: the feature types `town:valves` and `town:hydrants`."""
    kind = "text/xml"
    request = asked.get("request", "").lower()
    if path != "/ows" or asked.get("service", "").upper() != "WFS":
        return 404, "text/plain", b"no such thing"
    if request == "getcapabilities":
        types = "".join(
            f"<wfs:FeatureType><wfs:Name>town:{n}</wfs:Name></wfs:FeatureType>" for n in ("valves", "hydrants")
        )
        body = f"<wfs:WFS_Capabilities {_HEAD} version='2.0.0'><wfs:FeatureTypeList>{types}</wfs:FeatureTypeList>"
        return 200, kind, f"{body}</wfs:WFS_Capabilities>".encode()
    if request == "describefeaturetype":
        return 200, kind, _SCHEMA.encode()
    matched = "unknown" if service.count is None else service.count
    if asked.get("resulttype") == "hits":
        head = f"<wfs:FeatureCollection {_HEAD} numberMatched='{matched}' numberReturned='0'/>"
        return 200, kind, head.encode()
    offset = int(asked.get("startindex", 0))
    if service.breaks_at is not None and offset >= service.breaks_at:
        text = (
            "<ows:ExceptionReport xmlns:ows='http://www.opengis.net/ows/1.1'><ows:Exception><ows:ExceptionText>out of"
        )
        return 200, kind, f"{text} order</ows:ExceptionText></ows:Exception></ows:ExceptionReport>".encode()
    page, more = _page(service, offset, int(asked.get("count", 1000)))
    onward = f" next='{service.base}/ows?startindex={offset + len(page)}'" if more else ""
    head = f"<wfs:FeatureCollection {_HEAD} numberMatched='{matched}' numberReturned='{len(page)}'{onward}>"
    return 200, kind, "".join([head, *(_member(f, service.srs) for f in page), "</wfs:FeatureCollection>"]).encode()


def _member(f: dict[str, Any], srs: str) -> str:
    late = f"<t:late>{f['late']}</t:late>" if "late" in f else ""
    place = "<gml:Point srsName='{3}' gml:id='{0}.g'><gml:pos>{1!r} {2!r}</gml:pos></gml:Point>"
    return (
        f"<wfs:member><t:hydrants gml:id='hydrants.{f['id']}'><t:asset_id>{f['asset_id']}</t:asset_id>"
        f"<t:flange_in>{f['flange_in']}</t:flange_in>{late}"
        f"<t:geom>{place.format(f['id'], f['x'], f['y'], srs)}</t:geom></t:hydrants></wfs:member>"
    )
