/* The map: a canvas, so that a hundred thousand hydrants move as easily as a hundred. */
function makeMap() {
  const canvas = document.getElementById('canvas');
  const context = canvas.getContext('2d');
  const first = ['outside', 'keep', 'no_elevation'];
  const later = (row) => first.indexOf(actionOf(row)[0]) === -1;
  let width = 0, height = 0, ratio = 1, base = null, view = d3.zoomIdentity, waiting = false, tree = null, order = [], seenBefore = null;
  const picture = data.picture ? new Image() : null;
  const tiles = makeTiles(() => schedule());

  const left = (x) => view.applyX((x - base.x) * base.scale + width / 2);
  const top = (y) => view.applyY((base.y - y) * base.scale + height / 2);
  const pixels = () => base.scale * view.k;
  /* The place on the ground under a point of the screen. */
  function under(px, py) {
    const [x, y] = view.invert([px, py]);
    return [(x - width / 2) / base.scale + base.x, base.y - (y - height / 2) / base.scale];
  }

  function bounds(all) {
    let w = Infinity, s = Infinity, e = -Infinity, n = -Infinity;
    const add = (x, y) => { w = Math.min(w, x); e = Math.max(e, x); s = Math.min(s, y); n = Math.max(n, y); };
    const jobs = rows.job.some((j) => j >= 0);
    for (let k = 0; k < count; k++) if (all || !jobs || rows.job[k] >= 0) add(rows.x[k], rows.y[k]);
    if (!all) for (const line of data.shapes.limits) for (let k = 0; k < line.length; k += 2) add(line[k], line[k + 1]);
    return [w, s, e, n];
  }

  function fitting([w, s, e, n]) {
    // Room for names all around, and for the buttons on the right.
    const spare = 72, buttons = onPaper ? 0 : 52;
    const scale = Math.min((width - spare - buttons) / Math.max(e - w, 20 * data.metre), (height - spare) / Math.max(n - s, 20 * data.metre));
    return { x: (w + e) / 2 + buttons / 2 / scale, y: (s + n) / 2, scale };
  }

  const zoom = d3.zoom().scaleExtent([0.02, 4000]).filter((event) => {
    if (event.type === 'wheel') return event.ctrlKey || document.activeElement === canvas;
    if (event.type === 'touchstart') return event.touches.length > 1;
    return !event.button;
  }).on('zoom', (event) => { view = event.transform; schedule(); state.tell({ moved: true }); });

  const calm = matchMedia('(prefers-reduced-motion: reduce)').matches;
  function go(transform) {
    const to = d3.select(canvas);
    (calm ? to : to.transition().duration(220)).call(zoom.transform, transform);
  }
  function fit(all) {
    const want = fitting(bounds(all));
    const k = want.scale / base.scale;
    go(d3.zoomIdentity.translate(width / 2, height / 2).scale(k).translate(-(want.x - base.x) * base.scale - width / 2, (want.y - base.y) * base.scale - height / 2));
  }

  /* What was in the middle stays there; `shrink` for paper, where all that was seen must stay in sight. */
  function size(shrink = false) {
    const box = onPaper ? { width: 700, height: 460 } : canvas.parentElement.getBoundingClientRect();
    if (!box.width || (box.width === width && box.height === height)) return;
    const there = base && { middle: under(width / 2, height / 2), k: pixels() };
    const less = shrink === true ? Math.min(box.width / width, box.height / height) : 1;
    width = box.width; height = box.height;
    ratio = onPaper ? 3 : Math.min(devicePixelRatio || 1, 2);
    canvas.width = Math.round(width * ratio); canvas.height = Math.round(height * ratio);
    base = fitting(bounds(false));
    zoom.extent([[0, 0], [width, height]]);
    const k = there ? (there.k * less) / base.scale : 1;
    const x = there ? (there.middle[0] - base.x) * base.scale : 0, y = there ? (base.y - there.middle[1]) * base.scale : 0;
    d3.select(canvas).call(zoom.transform, d3.zoomIdentity.translate(width / 2, height / 2).scale(k).translate(-x - width / 2, -y - height / 2));
    schedule();
  }

  function schedule() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; draw(); });
  }

  function line(coordinates) {
    context.moveTo(left(coordinates[0]), top(coordinates[1]));
    for (let k = 2; k < coordinates.length; k += 2) context.lineTo(left(coordinates[k]), top(coordinates[k + 1]));
  }

  function shapes() {
    const soft = colour('--soft');
    context.lineJoin = 'round';
    if (data.shapes.pavement.length) {
      context.beginPath();
      data.shapes.pavement.forEach(line);
      context.strokeStyle = soft; context.lineWidth = 1;
      context.globalAlpha = 0.35; context.fillStyle = colour('--rule'); context.fill('evenodd');
      context.globalAlpha = 1; context.stroke();
    }
    context.beginPath();
    data.shapes.limits.forEach(line);
    context.setLineDash([7, 4]); context.strokeStyle = soft; context.lineWidth = 1.3; context.stroke(); context.setLineDash([]);
    context.beginPath();
    data.shapes.roads.forEach(line);
    context.lineWidth = 1.2; context.stroke();
  }

  function draw() {
    if (!width) return;
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, width, height);
    context.fillStyle = colour('--map'); context.fillRect(0, 0, width, height);
    if (tiles) tiles.draw(context, { left, top, pixels, width, height, under });
    if (picture && picture.complete && picture.naturalWidth) {
      const [w, s, e, n] = data.picture.box;
      context.imageSmoothingEnabled = false;
      context.globalAlpha = tiles ? 0.7 : 1;
      context.drawImage(picture, left(w), top(n), left(e) - left(w), top(s) - top(n));
      context.globalAlpha = 1;
    }
    shapes();
    marks();
    scaleBar();
  }

  function marks() {
    const edge = colour('--mark-edge');
    const crowd = Math.min(1.5, Math.max(0.45, 0.55 + 0.4 * Math.log10(Math.max(pixels() * data.metre, 0.05) / 0.12)));
    const ready = data.actions.map(([, mark], k) => sprite(k, mark.size * 1.9 * crowd, ratio, edge));
    const near = [];
    for (const row of order) {
      const x = left(rows.x[row]), y = top(rows.y[row]);
      if (x < -20 || y < -20 || x > width + 20 || y > height + 20) continue;
      const image = ready[rows.action[row]], wide = image.width / ratio;
      context.drawImage(image, x - wide / 2, y - wide / 2, wide, wide);
      if (near.length <= 160 && rows.job[row] >= 0) near.push([row, x, y, wide]);
    }
    if (near.length <= 160 && pixels() * data.metre > 0.35) names(near);
    if (state.chosen >= 0) ring(left(rows.x[state.chosen]), top(rows.y[state.chosen]));
  }

  /* Names beside their marks, on no mark and no other name; those with no room are left out. */
  function names(near) {
    const taken = near.map(([, x, y, wide]) => [x - wide / 2.2, y - wide / 2.2, x + wide / 2.2, y + wide / 2.2]);
    context.font = '11.5px system-ui, "DejaVu Sans", sans-serif';
    context.textBaseline = 'middle'; context.lineWidth = 4.5; context.strokeStyle = colour('--map'); context.fillStyle = colour('--ink');
    for (const [row, x, y, wide] of near.slice().reverse()) {
      const text = rows.id[row].slice(0, 24), long = context.measureText(text).width;
      const off = wide / 2, sides = [[off, -7], [-off - long, -7], [-long / 2, -off - 12], [-long / 2, off - 2]];
      const free = ([w, n]) => x + w > 2 && x + w + long < width - 2 && !taken.some((t) => t[0] < x + w + long && t[2] > x + w && t[1] < y + n + 14 && t[3] > y + n);
      const side = sides.find(free);
      if (!side) continue;
      const l = x + side[0], m = y + side[1] + 7;
      taken.push([l, m - 7, l + long, m + 7]);
      context.strokeText(text, l, m); context.fillText(text, l, m);
    }
  }

  function ring(x, y) {
    for (const [name, wide] of [['--map', 6], ['--focus', 3]]) {
      context.beginPath(); context.arc(x, y, 14, 0, 7); context.lineWidth = wide; context.strokeStyle = colour(name); context.stroke();
    }
  }

  function scaleBar() {
    const unit = (data.imperial ? 0.3048 : 1) * data.metre * pixels();
    const steps = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000];
    const length = steps.find((n) => n * unit > 70) || 50000;
    const long = Math.min(length * unit, width - 40), y = height - 14;
    context.fillStyle = colour('--map'); context.globalAlpha = 0.85; context.fillRect(6, height - 38, long + 20, 32); context.globalAlpha = 1;
    context.strokeStyle = colour('--ink'); context.fillStyle = colour('--ink'); context.lineWidth = 2;
    context.beginPath(); context.moveTo(14, y - 5); context.lineTo(14, y); context.lineTo(14 + long, y); context.lineTo(14 + long, y - 5); context.stroke();
    context.font = '12px system-ui, "DejaVu Sans", sans-serif'; context.textBaseline = 'alphabetic';
    context.fillText(`${length} ${data.imperial ? 'ft' : 'm'}`, 18, y - 6);
  }

  function arrange() {
    order = Array.from(state.shown).sort((a, b) => later(a) - later(b));
    tree = d3.quadtree().x((k) => rows.x[k]).y((k) => rows.y[k]).addAll(order);
    schedule();
  }

  function pick(event) {
    const row = tree.find(...under(...d3.pointer(event, canvas)), 16 / pixels());
    if (row !== undefined) state.choose(row, 'map');
  }

  /* The next hydrant that way: within 45 degrees, the nearest. */
  function step(dx, dy) {
    const [x, y] = state.chosen >= 0 ? [rows.x[state.chosen], rows.y[state.chosen]] : under(width / 2, height / 2);
    let best = -1, least = Infinity;
    for (const row of state.shown) {
      const ex = rows.x[row] - x, ey = rows.y[row] - y, along = ex * dx + ey * dy, aside = Math.abs(ex * dy) + Math.abs(ey * dx);
      if (row !== state.chosen && along > 0 && aside <= along && along + aside < least) { best = row; least = along + aside; }
    }
    if (best >= 0) state.choose(best, 'map');
  }

  function keep(row) {
    const x = left(rows.x[row]), y = top(rows.y[row]);
    const short = (v, size, edge) => (v < edge ? 40 - v : v > size - edge ? size - 40 - v : 0);
    const dx = short(x, width, 8), dy = short(y, height, 8);
    if (!dx && !dy) return schedule();
    return d3.select(canvas).call(zoom.translateBy, dx / view.k, dy / view.k);
  }

  function keys(event) {
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (ways[event.key]) step(...ways[event.key]);
    else if (event.key === '+' || event.key === '=') d3.select(canvas).call(zoom.scaleBy, 1.5);
    else if (event.key === '-') d3.select(canvas).call(zoom.scaleBy, 1 / 1.5);
    else if (event.key === '0') fit(true);
    else return;
    event.preventDefault();
  }

  d3.select(canvas).call(zoom).on('dblclick.zoom', null).on('click', pick);
  canvas.addEventListener('keydown', keys);
  document.getElementById('closer').addEventListener('click', () => d3.select(canvas).call(zoom.scaleBy, 1.6));
  document.getElementById('wider').addEventListener('click', () => d3.select(canvas).call(zoom.scaleBy, 1 / 1.6));
  document.getElementById('fit').addEventListener('click', () => fit(false));
  document.getElementById('fit-all').addEventListener('click', () => fit(true));
  new ResizeObserver(() => size()).observe(canvas.parentElement);
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => { sprites.clear(); schedule(); });
  state.listeners.push((what) => {
    if (what.shown) arrange();
    if (what.chosen && state.chosen >= 0) keep(state.chosen);
    else if (what.chosen) schedule();
  });
  if (picture) { picture.onload = schedule; picture.src = data.picture.url; }
  size();
  return {
    seen(row) { const x = left(rows.x[row]), y = top(rows.y[row]); return x >= 0 && y >= 0 && x <= width && y <= height; },
    paper(on) {
      if (on === onPaper) return;
      onPaper = on;
      sprites.clear();
      const untouched = view.k === 1 && !view.x && !view.y;
      if (on) seenBefore = { view, base };
      if (on && untouched) base = null;
      size(on);
      if (!on && seenBefore) { base = seenBefore.base; d3.select(canvas).call(zoom.transform, seenBefore.view); }
      draw();
    },
  };
}

/* Pictures from a server of map tiles, only where the plan names one. */
function makeTiles(ready) {
  if (!data.basemap) return null;
  const half = 20037508.342789244, held = new Map();
  function tile(z, x, y) {
    const key = `${z}/${x}/${y}`;
    if (!held.has(key)) {
      const image = new Image();
      image.onload = ready;
      image.src = data.basemap.replace('{z}', z).replace('{x}', x).replace('{y}', y);
      held.set(key, image);
    }
    return held.get(key);
  }
  return {
    draw(context, m) {
      const z = Math.max(0, Math.min(19, Math.round(Math.log2((2 * half * m.pixels()) / 256)))), span = (2 * half) / 2 ** z;
      const [w, n] = m.under(0, 0), [e, s] = m.under(m.width, m.height);
      const from = (v) => Math.max(0, Math.floor(v)), to = (v) => Math.min(2 ** z - 1, Math.floor(v));
      context.imageSmoothingEnabled = true;
      for (let x = from((w + half) / span); x <= to((e + half) / span); x++) {
        for (let y = from((half - n) / span); y <= to((half - s) / span); y++) {
          const image = tile(z, x, y);
          if (!image.complete || !image.naturalWidth) continue;
          const l = m.left(x * span - half), t = m.top(half - y * span);
          context.drawImage(image, l, t, m.left((x + 1) * span - half) - l, m.top(half - (y + 1) * span) - t);
        }
      }
    },
  };
}
