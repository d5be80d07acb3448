"""Feature services: whole layers by pages or nothing, judged by what the services on this machine hold."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest
import shapely

from gradecheck import InputError, Plan, compute, run, webs
from gradecheck.layers import VectorLayer, read_layer
from tests.projects import plan_values, three, tiny_plan, write_grounds
from tests.services import PAGE, N, Service, collection_features, feature_server, feature_types, serving


def rows(degrees: bool) -> list[dict[str, Any]]:
    """Hydrants whose last pages alone have a column more."""
    to_degrees = pyproj.Transformer.from_crs(32615, 4326, always_xy=True).transform
    found = []
    for i in range(N):
        x, y = 500_001.0 + 2 * i, 4_600_003.0 + (i * 7) % 90
        x, y = to_degrees(x, y) if degrees else (x, y)
        late = {"late": i} if i >= N - 5 else {}
        found.append({"id": 100 + i, "asset_id": f"H-{i}", "flange_in": 4.0 + i / 8, "x": x, "y": y, **late})
    return found


@dataclass
class Kind:
    """A protocol: who answers, and addresses with the layer where that is to be named."""

    answer: Callable[..., Any]
    degrees: bool
    addresses: tuple[tuple[str, str | None], ...]


KINDS = {
    "oapif": Kind(
        collection_features,
        True,
        (
            ("/ogc/collections/hydrants", None),
            ("/ogc/collections/hydrants/items", None),
            ("/ogc", "hydrants"),
            ("/ogc/collections", "hydrants"),
        ),
    ),
    "wfs": Kind(
        feature_types,
        False,
        (
            ("/ows?service=WFS", "town:hydrants"),
            ("/ows?SERVICE=WFS&request=GetCapabilities", "hydrants"),
            ("/ows?service=WFS&version=1.1.0&typeName=town:hydrants", None),
        ),
    ),
    "esrijson": Kind(
        feature_server,
        False,
        (
            ("/rest/services/Water/FeatureServer/3", None),
            ("/rest/services/Water/FeatureServer/3/query?where=1%3D1", None),
            ("/rest/services/Water/FeatureServer", "Hydrants"),
            ("/rest/services/Water/FeatureServer", "3"),
        ),
    ),
}


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def serve() -> Iterator[Callable[..., Service]]:
    """A service of a kind, misbehaving as told."""
    with ExitStack() as stack:

        def start(kind: str, **manners: Any) -> Service:
            chosen = KINDS[kind]
            service = Service(features=rows(chosen.degrees), **manners)
            return stack.enter_context(serving(chosen.answer, service))

        yield start


def read(service: Service, kind: str, at: int = 0, select: str | None = None) -> VectorLayer:
    address, layer = KINDS[kind].addresses[at]
    return read_layer(Path(), service.base + address, "hydrants", layer, select)


def told(call: Callable[[], object]) -> tuple[str, str, str]:
    with pytest.raises(InputError) as caught:
        call()
    (finding,) = caught.value.findings
    return finding.where, finding.what, finding.mend


PLACES = [(name, i) for name, chosen in KINDS.items() for i in range(len(chosen.addresses))]


@pytest.mark.parametrize(("kind", "at"), PLACES)
def test_all_pages_come_with_all_columns_and_places(kind: str, at: int, serve: Callable[..., Service]) -> None:
    service = serve(kind)
    got = read(service, kind, at)
    assert N > 4 * PAGE
    assert got.table["asset_id"].to_pylist() == [f["asset_id"] for f in service.features]
    assert got.table["flange_in"].to_pylist() == [f["flange_in"] for f in service.features]
    assert got.table["late"].to_pylist() == [f.get("late") for f in service.features]
    assert np.allclose(shapely.get_coordinates(got.geometry), [(f["x"], f["y"]) for f in service.features], atol=1e-9)
    assert got.place.tolist() == list(range(1, N + 1))
    assert got.total == N
    assert got.crs is not None
    assert got.crs.to_epsg() == (4326 if KINDS[kind].degrees else 32615)
    assert got.notes == ()


@pytest.mark.parametrize(
    ("system", "swapped"),
    [("urn:ogc:def:crs:EPSG::4326", True), ("http://www.opengis.net/gml/srs/epsg.xml#4326", False)],
)
def test_axes_of_gml_follow_its_name_of_the_system(
    system: str, swapped: bool, serve: Callable[..., Service], monkeypatch: pytest.MonkeyPatch
) -> None:
    # OGC 07-092r3 and OGC 05-096r1: a URN has the authority's order of axes, the older form has x first.
    service = serve("wfs", srs=system)
    service.features = rows(True)
    for f in service.features if swapped else ():
        f["x"], f["y"] = f["y"], f["x"]
    got = read(service, "wfs")
    assert np.allclose(shapely.get_coordinates(got.geometry), [(f["x"], f["y"]) for f in rows(True)], atol=1e-9)
    assert got.crs is not None
    assert got.crs.to_epsg() == 4326


def test_where_keeps_its_rows_and_their_places(kind: str, serve: Callable[..., Service]) -> None:
    got = read(serve(kind), kind, select="flange_in >= 5 AND asset_id <> 'H-9'")
    assert got.table["asset_id"].to_pylist() == [f"H-{i}" for i in range(8, N) if i != 9]
    assert got.place.tolist() == [i + 1 for i in range(8, N) if i != 9]
    assert got.total == N


@pytest.mark.parametrize("says", [N + 1, N - 1, 0])
def test_a_service_that_counts_otherwise_is_not_believed(kind: str, says: int, serve: Callable[..., Service]) -> None:
    _, what, _ = told(lambda: read(serve(kind, says=says), kind))
    assert f"{N} features came, and the service counts {says}" in what


def test_features_lost_on_the_way_are_missed(kind: str, serve: Callable[..., Service]) -> None:
    _, what, _ = told(lambda: read(serve(kind, drop=7), kind))
    assert f"{N - 7} features came, and the service counts {N}" in what


def test_a_service_that_counts_nothing_is_read_and_that_is_said(kind: str, serve: Callable[..., Service]) -> None:
    got = read(serve(kind, says=None), kind)
    assert len(got) == N
    assert [note for note in got.notes if f"{N} came, and cannot be checked" in note]


@pytest.mark.parametrize("says", ["true", None])
def test_a_service_that_breaks_midway_gives_nothing(
    kind: str, says: int | str | None, serve: Callable[..., Service]
) -> None:
    where, what, _ = told(lambda: read(serve(kind, breaks_at=20, says=says), kind))
    assert where == "hydrants.path"
    assert "500" in what or "out of order" in what


def test_an_answer_that_is_cut_short_gives_nothing(kind: str, serve: Callable[..., Service]) -> None:
    _, what, _ = told(lambda: read(serve(kind, cut=True), kind))
    assert "broke off" in what


def test_a_slow_service_is_left(kind: str, serve: Callable[..., Service], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(webs, "ANSWER_S", 0.2)
    _, what, mend = told(lambda: read(serve(kind, slow=2), kind))
    assert "took too long" in what
    assert "later" in mend


def test_an_answer_in_drops_is_left_in_the_end(serve: Callable[..., Service], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(webs, "WHOLE_S", -1.0)
    _, what, _ = told(lambda: read(serve("oapif"), "oapif"))
    assert "took too long" in what


def test_pages_in_a_circle_and_to_elsewhere_are_refused(serve: Callable[..., Service]) -> None:
    circle = serve("oapif", next_link=lambda address: address.replace("offset=20", "offset=10"))
    assert "circle" in told(lambda: read(circle, "oapif"))[1]
    away = serve("oapif", next_link=lambda address: "file:///etc/passwd")
    assert "no web address" in told(lambda: read(away, "oapif"))[1]


@pytest.mark.parametrize("says", ["true", None])
@pytest.mark.parametrize("kind", ["wfs", "esrijson"])
def test_a_service_that_does_not_page_is_no_endless_loop(
    kind: str, says: int | str | None, serve: Callable[..., Service]
) -> None:
    assert "does not page" in told(lambda: read(serve(kind, stuck=True, says=says), kind))[1]


def test_a_system_that_positions_are_kept_in_is_said_where_they_come_in_another(serve: Callable[..., Service]) -> None:
    system = "http://www.opengis.net/def/crs/EPSG/0/26915"
    (note,) = read(serve("oapif", keeps=system), "oapif").notes
    assert f"keeps positions in {system} and gives them in WGS 84" in note
    assert not read(serve("oapif", keeps="http://www.opengis.net/def/crs/OGC/1.3/CRS84"), "oapif").notes


def test_an_encoding_goes_with_files_alone(serve: Callable[..., Service]) -> None:
    address = serve("oapif").base + "/ogc/collections/hydrants"
    assert told(lambda: read_layer(Path(), address, "hydrants", encoding="cp1252"))[0] == "hydrants.encoding"


def test_features_that_come_twice_are_told(serve: Callable[..., Service]) -> None:
    shifted = serve("oapif", next_link=lambda address: address.replace("offset=20", "offset=19"), says=None)
    assert "twice" in told(lambda: read(shifted, "oapif"))[1]


CAUSES = [
    ("oapif", "/ogc/collections/hydrant", None, "answers 404", "check the address"),
    ("oapif", "/ogc", None, "has 2 collections: hydrants, valves", "name one"),
    ("oapif", "/ogc", "hydrnts", "no collection 'hydrnts'", "did you mean 'hydrants'?"),
    ("wfs", "/ows?service=WFS", None, "has 2 feature types: town:valves, town:hydrants", "name one"),
    ("wfs", "/ows?service=WFS", "town:hydrant", "no feature type", "did you mean 'town:hydrants'?"),
    ("esrijson", "/rest/services/Water/FeatureServer", None, "has 2 layers: Valves, Hydrants", "name one"),
    ("esrijson", "/rest/services/Water/FeatureServer/9", None, "400 Invalid URL", "check the address"),
]


@pytest.mark.parametrize(("kind", "address", "layer", "words", "mend"), CAUSES)
def test_what_is_in_the_way_is_told(
    kind: str, address: str, layer: str | None, words: str, mend: str, serve: Callable[..., Service]
) -> None:
    base = serve(kind).base
    _, what, how = told(lambda: read_layer(Path(), base + address, "hydrants", layer))
    assert words in what
    assert mend in how


def test_nobody_there_is_told() -> None:
    _, what, mend = told(lambda: read_layer(Path(), "http://127.0.0.1:9/collections/h", "hydrants"))
    assert "cannot be reached" in what
    assert "network" in mend


def test_a_key_goes_to_the_plans_own_server_alone_and_into_no_message(
    serve: Callable[..., Service], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    other = serve("oapif")
    service = serve("oapif", next_link=lambda address: address.replace(service_of[0], other.base))
    service_of = [service.base]
    monkeypatch.setenv("GDAL_HTTP_HEADERS", "Authorization: Bearer sw0rdfish")
    assert len(read(service, "oapif")) == N
    assert {h.get("Authorization") for h in service.headers} == {"Bearer sw0rdfish"}
    assert {h.get("Authorization") for h in other.headers} == {None}
    assert other.headers
    monkeypatch.delenv("GDAL_HTTP_HEADERS")
    (tmp_path / ".netrc").write_text("machine 127.0.0.1 login me password sw0rdfish\n")
    (tmp_path / ".netrc").chmod(0o600)
    monkeypatch.setenv("HOME", str(tmp_path))
    refusing = serve("oapif", breaks_at=0, status=401)
    _, what, mend = told(lambda: read(refusing, "oapif"))
    assert refusing.headers[-1]["Authorization"] == "Basic bWU6c3cwcmRmaXNo"  # RFC 7617: base64 of me:sw0rdfish
    assert "sw0rdfish" not in what
    assert "~/.netrc" in mend


def test_the_whole_run_decides_as_it_does_from_a_file(kind: str, serve: Callable[..., Service], tmp_path: Path) -> None:
    service = serve(kind)
    degrees = KINDS[kind].degrees
    service.features = [
        {"id": i, "asset_id": row.asset_id, "flange_in": row.flange_in, "x": row.geometry.x, "y": row.geometry.y}
        for i, row in enumerate(three().to_crs(4326 if degrees else 32615).itertuples())
    ]
    wanted = compute(tiny_plan(tmp_path)).hydrants
    address, layer = KINDS[kind].addresses[0]
    place = {"path": service.base + address, "layer": layer}
    write_grounds(tmp_path)
    got = run(Plan.parse(plan_values(hydrants=place, project={"allow_remote": True, "crs": "EPSG:32615"}), tmp_path))
    assert got.hydrants.action.tolist() == wanted.action.tolist()
    assert got.hydrants.grade_change_in.tolist() == pytest.approx(wanted.grade_change_in.tolist())
    assert (tmp_path / "out" / "run.json").exists()
