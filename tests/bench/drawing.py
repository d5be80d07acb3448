"""Libraries that could draw the map of a single-file offline report: `python -m tests.bench.drawing FOLDER`.

FOLDER holds node_modules, made by `npm install --prefix FOLDER leaflet@1.9 ol maplibre-gl d3-selection d3-dispatch
d3-drag d3-interpolate d3-color d3-timer d3-ease d3-transition d3-zoom d3-quadtree`; Python needs `playwright` (the
package alone) and the machine a `chromium`. Each library is inlined unmodified (of maplibre-gl the closing `export`
is made an object, since an inline module cannot be imported) in a page of 100,000 or 2,000 points of ten kinds of
shape and colour, 200 lines, 100 polygons and a picture behind, which is opened from a file in a browser of its own
without graphics hardware, network requests refused and counted. All draw the same small sprites, but for one
that fills shapes by kind, without their white edge and out of their order.

Each is measured in turn, three rounds; medians are printed. First drawing: from navigation until all is drawn, the
picture too. A redraw is a step of 63 px on a circle, or of the zoom by 1.41 in or out, without animation, until all
is drawn anew; its median is of twenty, and one pixel is read back each time so that nothing is put off. Who draws
only in the next animation frame waits for it (up to 17 ms). A pick follows a step, as a person moves and clicks.
Memory: the page's own heap with its arrays, after collection; and what the renderers and the graphics process hold,
workers included. Then, by code: clicks by a real mouse, what a strict content policy refuses, what keys do.
"""

from __future__ import annotations

import base64
import gzip
import json
import os
import platform
import random
import re
import shutil
import statistics
import struct
import sys
import tempfile
import time
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FLAGS = ["--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
FLAGS += ["--disable-component-update", "--disable-sync"]
NO_WEBGL = "--disable-3d-apis"
POLICY = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:"
WIDTH, HEIGHT, METRES = 1000, 700, 20.0  # px, px, metres a pixel when all is in sight
WEST, SOUTH = 500_000.0, 4_600_000.0
D3 = ["selection", "dispatch", "timer", "color", "interpolate", "ease", "drag", "transition", "zoom", "quadtree"]

COMMON = """
const D = JSON.parse(document.getElementById('data').textContent), [W, H] = D.size;
const COLOURS = '#d73027 #4575b4 #1a9850 #984ea3 #ff7f00 #a65628 #f781bf #333333 #00a0b0 #b8860b'.split(' ');
const ring = (n, turn = 0, inner = 1) => Array.from({length: 2 * n}, (_, i) => {
  const r = i % 2 ? inner * (inner < 1 ? 1 : Math.cos(Math.PI / n)) : 1, a = Math.PI * i / n + turn;
  return [r * Math.sin(a), -r * Math.cos(a)];
});
const SHAPES = [ring(12), ring(4, Math.PI / 4), ring(4), ring(3), ring(3, Math.PI), ring(5), ring(6), ring(5, 0, .45),
  ring(4, 0, .35), ring(4, Math.PI / 4, .35)];
const R = 5, SIDE = 13, HALF = 6.5;
const trace = (path, kind, x, y) => {
  SHAPES[kind].forEach(([u, v], i) => i ? path.lineTo(x + R * u, y + R * v) : path.moveTo(x + R * u, y + R * v));
  path.closePath();
};
const SPRITES = COLOURS.map((colour, kind) => {
  const c = Object.assign(document.createElement('canvas'), {width: SIDE, height: SIDE}), g = c.getContext('2d');
  const path = new Path2D(); trace(path, kind, HALF, HALF);
  g.fillStyle = colour; g.fill(path); g.strokeStyle = '#fff'; g.lineWidth = .75; g.stroke(path);
  return c;
});
const map_ = document.getElementById('map'), frame = () => new Promise(requestAnimationFrame);
const settle = () => new Promise(done => requestAnimationFrame(() => setTimeout(done)));
const bench = window.bench = {refused: new Set(), clicked: -1};
const fail = e => { bench.error ??= String(e.reason?.message ?? e.message ?? e); };
addEventListener('error', fail); addEventListener('unhandledrejection', fail);
document.addEventListener('securitypolicyviolation',
  e => bench.refused.add(`${e.effectiveDirective} ${e.blockedURI.split(':')[0]}:`));
function flush() {
  for (const c of map_.querySelectorAll('canvas')) {
    const g = c.getContext('2d') ?? c.getContext('webgl2');
    if (g.getImageData) g.getImageData(0, 0, 1, 1);
    else g.readPixels(0, 0, 1, 1, g.RGBA, g.UNSIGNED_BYTE, new Uint8Array(4));
  }
}
bench.ready = async (full, api) => {
  await full; flush(); bench.first = performance.now(); Object.assign(bench, api);
};
async function timed(count, act, before = () => 0) {
  const taken = [];
  for (let i = 0; i < count; i++) {
    await before(i); await settle();
    const start = performance.now();
    await act(i); flush(); taken.push(performance.now() - start);
  }
  return taken.sort((a, b) => a - b)[count >> 1];
}
const round = i => [63 * Math.cos(Math.PI * i / 10), 63 * Math.sin(Math.PI * i / 10)];
bench.measure = async () => ({
  pan: await timed(20, i => bench.pan(...round(i))),
  zoom: await timed(20, i => bench.zoom(i % 2 ? -.5 : .5)),
  pick: await timed(20, i => bench.pick(...bench.at(i)), i => bench.pan(...round(i))),
});
"""

OWN_CANVAS = """
const canvas = map_.appendChild(Object.assign(document.createElement('canvas'), {width: W, height: H}));
const g = canvas.getContext('2d', {alpha: false}), [w, s, e, n] = D.box, k0 = W / (e - w), count = D.x.length;
const px = Float64Array.from(D.x, x => (x - w) * k0), py = Float64Array.from(D.y, y => (n - y) * k0);
const paths = rows => rows.reduce((p, row) => (row.forEach(([x, y], i) =>
  i ? p.lineTo((x - w) * k0, (n - y) * k0) : p.moveTo((x - w) * k0, (n - y) * k0)), p), new Path2D());
const areas = paths(D.areas), lines = paths(D.lines), picture = new Image();
let t = d3.zoomIdentity, tree;
function draw() {
  g.setTransform(1, 0, 0, 1, 0, 0); g.fillStyle = '#fff'; g.fillRect(0, 0, W, H);
  g.setTransform(t.k, 0, 0, t.k, t.x, t.y); g.drawImage(picture, 0, 0, W, H);
  g.fillStyle = 'rgba(40,90,160,.3)'; g.fill(areas);
  g.strokeStyle = '#555'; g.lineWidth = 1.5 / t.k; g.stroke(lines);
  g.setTransform(1, 0, 0, 1, 0, 0); points();
}
const zoom = d3.zoom().scaleExtent([.5, 500]).on('zoom', event => { t = event.transform; draw(); });
const chosen = d3.select(canvas).call(zoom);
const pick = (x, y) => tree.find((x - t.x) / t.k, (y - t.y) / t.k, 8 / t.k) ?? -1;
canvas.addEventListener('click', event => { bench.clicked = pick(event.offsetX, event.offsetY); });
picture.src = D.picture;
bench.ready(picture.decode().then(draw), {
  pan: (dx, dy) => chosen.call(zoom.translateBy, dx / t.k, dy / t.k),
  zoom: by => chosen.call(zoom.scaleBy, 2 ** by),
  at: i => [t.applyX(px[i]), t.applyY(py[i])], view: () => [t.x, t.y, t.k], pick,
}).then(() => { tree = d3.quadtree(Array.from(px, (_, i) => i), i => px[i], i => py[i]); });
"""

SPRITE_POINTS = """
function points() {
  for (let i = 0; i < count; i++) {
    const x = t.k * px[i] + t.x, y = t.k * py[i] + t.y;
    if (x > -R && y > -R && x < W + R && y < H + R) g.drawImage(SPRITES[D.kind[i]], x - HALF, y - HALF);
  }
}
"""

FILLED_POINTS = """
const BATCH = 100;  // one path of all shapes of a kind takes seconds where they overlap
function points() {
  const paths = COLOURS.map(() => new Path2D()), held = COLOURS.map(() => 0);
  const fill = kind => {
    g.fillStyle = COLOURS[kind]; g.fill(paths[kind]); paths[kind] = new Path2D(); held[kind] = 0;
  };
  for (let i = 0; i < count; i++) {
    const x = t.k * px[i] + t.x, y = t.k * py[i] + t.y, kind = D.kind[i];
    if (!(x > -R && y > -R && x < W + R && y < H + R)) continue;
    trace(paths[kind], kind, x, y);
    if (++held[kind] == BATCH) fill(kind);
  }
  held.forEach((many, kind) => many && fill(kind));
}
"""

LEAFLET = """
const [w, s, e, n] = D.box, turned = rows => rows.map(row => row.map(([x, y]) => [y, x]));
const map = L.map(map_, {crs: L.CRS.Simple, renderer: L.canvas(), zoomSnap: 0, minZoom: -10, maxZoom: 10});
map.setView([(s + n) / 2, (w + e) / 2], Math.log2(W / (e - w)));
const picture = L.imageOverlay(D.picture, [[s, w], [n, e]]), loaded = new Promise(done => picture.on('load', done));
picture.addTo(map);
L.polygon(turned(D.areas), {stroke: false, fillColor: '#285aa0', fillOpacity: .3, interactive: false}).addTo(map);
L.polyline(turned(D.lines), {color: '#555', weight: 1.5, interactive: false}).addTo(map);
const Mark = L.CircleMarker.extend({_updatePath() {
  const r = this._renderer, p = this._point;
  if (r._drawing && !this._empty()) r._ctx.drawImage(SPRITES[this.options.kind], p.x - HALF, p.y - HALF);
}});
L.featureGroup(D.x.map((x, i) => new Mark([D.y[i], x], {radius: R, weight: 0, kind: D.kind[i], id: i})))
  .on('click', event => { bench.clicked = event.layer.options.id; }).addTo(map);
const at = i => { const p = map.latLngToContainerPoint([D.y[i], D.x[i]]); return [p.x, p.y]; };
bench.ready(loaded.then(frame), {
  pan: (dx, dy) => { map.panBy([-dx, -dy], {animate: false}); },
  zoom: by => { map.setZoom(map.getZoom() + by, {animate: false}); },
  pick: (x, y) => map_.querySelector('canvas').dispatchEvent(
    new MouseEvent('click', {bubbles: true, clientX: x, clientY: y})),
  at, view: () => [map.getCenter().lng, map.getCenter().lat, map.getZoom()],
});
"""

OPENLAYERS = """
const [w, s, e, n] = D.box, projection = new ol.proj.Projection({code: 'plane', units: 'm', extent: D.box});
const {Fill, Stroke, Style, Icon} = ol.style, vector = (features, style) => new ol.layer.Vector({
  source: new ol.source.Vector({features}), style, renderOrder: null});
const styles = SPRITES.map(img => new Style({image: new Icon({img, size: [SIDE, SIDE]})}));
const shapes = vector([new ol.Feature(new ol.geom.MultiPolygon(D.areas.map(a => [a]))),
  new ol.Feature(new ol.geom.MultiLineString(D.lines))], f => f.getGeometry().getType() == 'MultiPolygon'
  ? new Style({fill: new Fill({color: 'rgba(40,90,160,.3)'})})
  : new Style({stroke: new Stroke({color: '#555', width: 1.5})}));
const marks = vector(D.x.map((x, i) => new ol.Feature({geometry: new ol.geom.Point([x, D.y[i]]), id: i})),
  f => styles[D.kind[f.get('id')]]);
const picture = new ol.layer.Image({source: new ol.source.ImageStatic({
  url: D.picture, imageExtent: D.box, projection})});
const view = new ol.View({projection, center: [(w + e) / 2, (s + n) / 2], resolution: (e - w) / W});
const map = new ol.Map({target: map_, layers: [picture, shapes, marks], view});
const marked = {layerFilter: layer => layer === marks};
const pick = (x, y) => map.forEachFeatureAtPixel([x, y], f => f, marked)?.get('id') ?? -1;
map.on('click', event => { bench.clicked = pick(...event.pixel); });
bench.ready(new Promise(done => map.once('rendercomplete', done)), {
  pan: (dx, dy) => {
    const [x, y] = view.getCenter(), r = view.getResolution();
    view.setCenter([x - dx * r, y + dy * r]); map.renderSync();
  },
  zoom: by => { view.setZoom(view.getZoom() + by); map.renderSync(); },
  at: i => map.getPixelFromCoordinate([D.x[i], D.y[i]]), view: () => [...view.getCenter(), view.getZoom()], pick,
});
"""

MAPLIBRE = """
const [w, s, e, n] = D.box, degree = 111319.49079327358;  // no plane coordinates: metres about 0, 0 as degrees
const put = ([x, y]) => [(x - (w + e) / 2) / degree, (y - (s + n) / 2) / degree];
const part = (type, coordinates, properties = {}) => ({type: 'Feature', properties, geometry: {type, coordinates}});
const source = features => ({type: 'geojson', data: {type: 'FeatureCollection', features}, maxzoom: 20});
const code = document.getElementById('worker').textContent;
maplibregl.setWorkerUrl(URL.createObjectURL(new Blob([code], {type: 'text/javascript'})));
const layer = (id, type, layout = {}, paint = {}) => ({id, type, source: id, layout, paint});
const map = new maplibregl.Map({container: map_, fadeDuration: 0, center: [0, 0], maxZoom: 24,
  zoom: Math.log2(W / (e - w) * 360 * degree / 512), style: {version: 8, sources: {
    picture: {type: 'image', url: D.picture, coordinates: [[w, n], [e, n], [e, s], [w, s]].map(put)},
    areas: source(D.areas.map(a => part('Polygon', [a.map(put)]))),
    lines: source(D.lines.map(l => part('LineString', l.map(put)))),
    marks: source(D.x.map((x, i) => part('Point', put([x, D.y[i]]), {id: i, kind: `${D.kind[i]}`})))}, layers: [
    layer('picture', 'raster', {}, {'raster-fade-duration': 0}),
    layer('areas', 'fill', {}, {'fill-color': '#285aa0', 'fill-opacity': .3}),
    layer('lines', 'line', {}, {'line-color': '#555', 'line-width': 1.5}),
    layer('marks', 'symbol', {'icon-image': ['get', 'kind'], 'icon-allow-overlap': true,
      'icon-ignore-placement': true})]}});
SPRITES.forEach((c, i) => map.on('style.load', () => map.addImage(`${i}`, c.getContext('2d').getImageData(
  0, 0, SIDE, SIDE))));
map.on('error', event => fail(event.error));
const idle = () => new Promise(done => map.once('idle', done));
map.on('click', 'marks', event => { bench.clicked = event.features[0].properties.id; });
bench.ready(idle(), {
  pan: (dx, dy) => { const done = idle(); map.panBy([-dx, -dy], {animate: false}); return done; },
  zoom: by => { const done = idle(); map.setZoom(map.getZoom() + by); return done; },
  pick: (x, y) => map.queryRenderedFeatures([x, y], {layers: ['marks']})[0]?.properties.id ?? -1,
  at: i => { const p = map.project(put([D.x[i], D.y[i]])); return [p.x, p.y]; },
  view: () => [map.getCenter().lng, map.getCenter().lat, map.getZoom()],
});
"""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A library and the lines of ours that draw with it."""

    name: str
    own: str
    files: tuple[str, ...]
    """Scripts below node_modules, in order."""
    style: str = ""
    """Its style sheet below node_modules, if any."""
    worker: str = ""
    """The script of its worker below node_modules, if any; with it the library is a module."""


D3_FILES = tuple(f"d3-{part}/dist/d3-{part}.min.js" for part in D3)
CANDIDATES = (
    Candidate("d3, own canvas, sprites", SPRITE_POINTS + OWN_CANVAS, D3_FILES),
    Candidate("d3, own canvas, fill by kind", FILLED_POINTS + OWN_CANVAS, D3_FILES),
    Candidate("leaflet, canvas", LEAFLET, ("leaflet/dist/leaflet.js",), "leaflet/dist/leaflet.css"),
    Candidate("openlayers, canvas", OPENLAYERS, ("ol/dist/ol.js",), "ol/ol.css"),
    Candidate(
        "maplibre-gl, software WebGL",
        MAPLIBRE,
        ("maplibre-gl/dist/maplibre-gl.mjs",),
        "maplibre-gl/dist/maplibre-gl.css",
        "maplibre-gl/dist/maplibre-gl-worker.mjs",
    ),
)


def picture() -> str:
    """A grey wavy PNG as a data: address."""
    rows = b"".join(b"\0" + bytes(200 + (i * j // 97 + i) % 50 for j in range(500)) for i in range(350))
    parts = (b"IHDR", struct.pack(">IIBBBBB", 500, 350, 8, 0, 0, 0, 0)), (b"IDAT", zlib.compress(rows)), (b"IEND", b"")
    png = b"".join(struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in parts)
    return "data:image/png;base64," + base64.b64encode(b"\x89PNG\r\n\x1a\n" + png).decode()


def data(count: int) -> str:
    """Points, lines, polygons and picture as JSON; plane metres, y to the north."""
    rng = random.Random(7)
    wide, high = WIDTH * METRES, HEIGHT * METRES

    def walk(steps: int, size: float) -> list[list[float]]:
        x, y = WEST + rng.uniform(0, wide), SOUTH + rng.uniform(0, high)
        bends = [(rng.uniform(-size, size), rng.uniform(-size, size)) for _ in range(steps)]
        return [[round(x := x + dx, 2), round(y := y + dy, 2)] for dx, dy in bends]

    areas = [walk(8, 500) for _ in range(100)]
    made = {
        "size": [WIDTH, HEIGHT],
        "box": [WEST, SOUTH, WEST + wide, SOUTH + high],
        "x": [round(WEST + rng.uniform(0, wide), 2) for _ in range(count)],
        "y": [round(SOUTH + rng.uniform(0, high), 2) for _ in range(count)],
        "kind": [rng.randrange(10) for _ in range(count)],
        "lines": [walk(50, 150) for _ in range(200)],
        "areas": [[*ring, ring[0]] for ring in areas],
        "picture": picture(),
    }
    return json.dumps(made, separators=(",", ":"))


def library(candidate: Candidate, modules: Path) -> dict[str, str]:
    """What is inlined of a library: its script, style and worker."""
    files = {"script": candidate.files, "style": (candidate.style,), "worker": (candidate.worker,)}
    texts = {key: "\n".join((modules / f).read_text("utf-8") for f in names if f) for key, names in files.items()}
    if any("</script" in text.lower() for text in texts.values()):
        sys.exit(f"{candidate.name} cannot be inlined: it has a closing script tag in its text")
    return texts


def page_of(candidate: Candidate, texts: dict[str, str], points: str, policy: str = "") -> str:
    """The whole page."""
    meta = f'<meta http-equiv="Content-Security-Policy" content="{policy}">' if policy else ""
    script, kind = f"<script>{texts['script']}</script>\n<script>{{{candidate.own}}}</script>", "text/plain"
    if candidate.worker:
        body, names = re.split(r"export\s*\{(?=[^{}]*\}\s*;?\s*(?://.*\s*)?$)", texts["script"])
        pairs = [part.split(" as ") for part in names[: names.index("}")].split(",")]
        exported = ",".join(f"{pair[-1].strip()}:{pair[0].strip()}" for pair in pairs)
        script = f"<script type=module>{body};window.maplibregl={{{exported}}}</script>\n"
        script += f"<script type=module>{candidate.own}</script>"
    return (
        f"<!doctype html><html lang=en><meta charset=utf-8>{meta}<title>{candidate.name}</title>\n"
        f"<style>body{{margin:0}}#map{{width:{WIDTH}px;height:{HEIGHT}px}}</style><style>{texts['style']}</style>\n"
        f"<div id=map></div><script id=data type=application/json>{points}</script>\n"
        f"<script id=worker type={kind}>{texts['worker']}</script><script>{COMMON}</script>\n{script}</html>"
    )


class Opened:
    """A page in a browser of its own, network requests refused and counted."""

    def __init__(self, playwright: Any, path: Path, *more: str) -> None:
        self.browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=[*FLAGS, *more])
        self.page = self.browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        self.asked: list[str] = []
        self.page.route(re.compile(r"^(https?|wss?|ftp):"), lambda route: route.abort())
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(path.as_uri(), wait_until="commit")

    def __enter__(self) -> Opened:
        return self

    def __exit__(self, *_: object) -> None:
        self.browser.close()

    def drawn(self, seconds: float = 120) -> str:
        """Nothing once all is drawn and the page can be asked, else what stopped it."""
        end = time.monotonic() + seconds
        while not (told := self.page.evaluate("window.bench?.error ?? (window.bench?.view ? 'drawn' : '')")):
            if time.monotonic() > end:
                return f"nothing drawn in {seconds:g} s"
            self.page.wait_for_timeout(250)
        self.page.wait_for_timeout(500)
        return "" if told == "drawn" else str(told)

    def outside(self) -> int:
        """Requests other than for the page itself and what it carries."""
        return sum(not url.startswith(("data:", "blob:")) for url in self.asked) - 1

    def memory(self) -> dict[str, float]:
        """MB: the page's heap and arrays; what the renderers and the graphics process hold."""
        session = self.page.context.new_cdp_session(self.page)
        session.send("HeapProfiler.collectGarbage")
        heap = session.send("Runtime.getHeapUsage")
        told = self.browser.new_browser_cdp_session().send("SystemInfo.getProcessInfo")["processInfo"]
        rollups = [Path(f"/proc/{p['id']}/smaps_rollup") for p in told if p["type"] in ("renderer", "GPU")]
        held = sum(int(re.search(r"^Pss:\s+(\d+)", r.read_text(), re.M)[1]) for r in rollups if r.exists()) / 1e3
        return {"heap": (heap["usedSize"] + heap.get("backingStorageSize", 0)) / 1e6, "held": held}


def measured(opened: Opened) -> dict[str, Any]:
    """The figures of one page, or what it says instead."""
    if problem := opened.drawn():
        return {"problem": problem}
    figures = {"first": opened.page.evaluate("bench.first"), **opened.memory()}
    return {**figures, **opened.page.evaluate("bench.measure()"), "outside": opened.outside()}


def clicks(opened: Opened, count: int = 20) -> int:
    """Of so many clicks on points by a real mouse, how many told a point within 8 px of the click."""
    found = 0
    for i in range(count):
        x, y = opened.page.evaluate("i => bench.at(i)", i)
        opened.page.mouse.click(x, y)
        opened.page.wait_for_timeout(400)  # sooner is a double click to some
        told = opened.page.evaluate("bench.clicked < 0 ? null : bench.at(bench.clicked)")
        found += told is not None and abs(told[0] - x) <= 8 and abs(told[1] - y) <= 8
        opened.page.evaluate("bench.clicked = -1")
    return found


def keys(opened: Opened) -> str:
    """What a keyboard can do: the stops of the Tab key in the map, and the keys that move it there."""
    page, stops = opened.page, []
    about = """() => { const e = document.activeElement; if (!e || e === document.body) return '';
        const a = ['role', 'aria-label', 'title'].filter(k => e.hasAttribute(k));
        return e.tagName.toLowerCase() + a.map(k => ` ${k}="${e.getAttribute(k)}"`).join(''); }"""
    page.evaluate("document.activeElement?.blur()")
    for _ in range(8):
        page.keyboard.press("Tab")
        told = page.evaluate(about)
        if not told or any(told == name for name, _ in stops):
            break
        stops.append((told, moving(page)))
    words = "; ".join(f"{name} ({moves})" for name, moves in stops) or "no stop"
    if not any("Arrow" in moves for _, moves in stops):
        page.evaluate("map_.tabIndex = 0; map_.focus()")
        words += f"; once #map is given tabindex=0: {moving(page)}"
    return words


def moving(page: Any) -> str:
    """Which keys move the map where the focus is."""
    done = []
    for key in ("ArrowRight", "ArrowUp", "+", "-"):
        before = page.evaluate("bench.view()")
        page.keyboard.press(key)
        page.wait_for_timeout(800)
        if page.evaluate("bench.view()") != before:
            done.append(key)
    return " ".join(done) or "no keys"


def needs(playwright: Any, candidate: Candidate, modules: Path, path: Path) -> str:
    """What a content policy must allow beyond inline scripts and styles and data: pictures, found by trying."""
    allowed: dict[str, set[str]] = {}
    problem, texts, points = "", library(candidate, modules), data(2_000)
    for _ in range(5):
        policy = "; ".join([POLICY, *(f"{key} {' '.join(sorted(found))}" for key, found in sorted(allowed.items()))])
        path.write_text(page_of(candidate, texts, points, policy), "utf-8")
        with Opened(playwright, path) as opened:
            problem, refused = opened.drawn(20), opened.page.evaluate("[...bench.refused]")
        for directive, scheme in (told.split() for told in refused):
            allowed.setdefault(directive, set()).add(scheme)
        if not refused:
            break
    words = "; ".join(f"{key} {' '.join(sorted(found))}" for key, found in sorted(allowed.items())) or "nothing"
    return f"{words}; then: {problem}" if problem else words


def notes(playwright: Any, candidate: Candidate, modules: Path, folder: Path) -> list[str]:
    """Clicks, what a policy must allow, what is said without WebGL, keys."""
    path = folder / f"{candidate.name}.html"
    path.write_text(page_of(candidate, library(candidate, modules), data(2_000)), "utf-8")
    with Opened(playwright, path) as opened:
        told = opened.drawn() or keys(opened)
    with Opened(playwright, path) as opened:
        found = opened.drawn() or f"{clicks(opened)} of 20"
    with Opened(playwright, path, NO_WEBGL) as opened:
        bare = opened.drawn(20) or "drawn"
    return [candidate.name, found, needs(playwright, candidate, modules, path), bare, told]


def table(head: str, rows: list[list[str]]) -> None:
    """As markdown."""
    columns = head.split(" | ")
    clean = [[cell.replace("\n", " ").replace("|", "/") for cell in row] for row in rows]
    print("\n".join(f"| {' | '.join(row)} |" for row in [columns, ["---"] * len(columns), *clean]), end="\n\n")


def row(name: str, count: int, runs: list[dict[str, Any]]) -> list[str]:
    """Medians of the rounds, or what the library said."""
    head = [name, f"{count:,}"]
    if problems := [run["problem"] for run in runs if "problem" in run]:
        return [*head, problems[0], *[""] * 6]
    middle = {key: statistics.median(run[key] for run in runs) for key in runs[0]}
    cells = [f"{middle[key]:,.0f}" for key in ("first", "pan", "zoom")]
    return [*head, *cells, f"{middle['pick']:.1f}", *(f"{middle[key]:,.0f}" for key in ("heap", "held", "outside"))]


def sizes(candidate: Candidate, modules: Path) -> list[str]:
    """Bytes inlined, and of our own lines."""
    text = "".join(library(candidate, modules).values()).encode()
    packages = {name.split("/")[0] for name in candidate.files}
    told = [json.loads((modules / p / "package.json").read_text("utf-8")) for p in sorted(packages)]
    versions = ", ".join(f"{p['name']} {p['version']}" for p in told)
    licences = ", ".join(sorted({p["license"] for p in told}))
    cells = f"{len(text):,}", f"{len(gzip.compress(text, 9)):,}", f"{len(candidate.own):,}"
    return [candidate.name, *cells, versions, licences]


def main(modules: Path, rounds: int = 3, counts: tuple[int, ...] = (100_000, 2_000)) -> None:
    """Print the tables."""
    from playwright.sync_api import sync_playwright

    runs: dict[tuple[str, int], list[dict[str, Any]]] = {(c.name, n): [] for n in counts for c in CANDIDATES}
    with tempfile.TemporaryDirectory() as temporary, sync_playwright() as playwright:
        folder, points = Path(temporary), {n: data(n) for n in counts}
        for round_ in range(rounds):
            for (name, n), taken in runs.items():
                candidate = next(c for c in CANDIDATES if c.name == name)
                path = folder / f"{n}.html"
                path.write_text(page_of(candidate, library(candidate, modules), points[n]), "utf-8")
                with Opened(playwright, path) as opened:
                    version = opened.browser.version
                    taken.append(measured(opened))
                print(round_, name, n, taken[-1], file=sys.stderr)
        told = [notes(playwright, candidate, modules, folder) for candidate in CANDIDATES]
    print(f"{platform.machine()}, {os.cpu_count()} cores, Chromium {version}, headless, no graphics hardware\n")
    table(
        "library | bytes inlined | gzip | our lines, bytes | versions | licences",
        [sizes(c, modules) for c in CANDIDATES],
    )
    head = "library | points | first drawing, ms | pan, ms | zoom, ms | pick, ms | heap, MB | processes, MB | requests"
    table(head, [row(name, n, taken) for (name, n), taken in runs.items()])
    table("library | clicks that found their point | a content policy must also allow | without WebGL | keys", told)


if __name__ == "__main__":
    if len(sys.argv) != 2 or not (Path(sys.argv[1]) / "node_modules").is_dir():
        sys.exit("usage: python -m tests.bench.drawing FOLDER   (FOLDER holds node_modules; see the docstring)")
    main(Path(sys.argv[1]) / "node_modules")
