/* Long sections: elevations along a road, and below what the crew measures, hydrant by hydrant. */
function makeFigures() {
  const figures = Array.from(document.querySelectorAll('figure.section'));
  const nice = [1, 2, 5, 10, 20, 50, 100, 200, 500];

  function stationText(s) {
    const whole = data.imperial ? 100 : 1000, digits = data.imperial ? 2 : 3;
    const hundred = Math.floor(Math.abs(s) / whole), rest = (Math.abs(s) - hundred * whole).toFixed(0).padStart(digits, '0');
    return `${s < 0 ? '−' : ''}${hundred}+${rest}`;
  }
  function ticks(low, high, about) {
    const raw = (high - low) / about, size = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((n) => n * size).find((n) => n >= raw) || raw;
    const found = [];
    for (let v = Math.ceil(low / step) * step; v <= high + step * 1e-6; v += step) found.push(v);
    return [found, step];
  }
  function path(xs, ys, x, y) {
    let d = '', pen = false;
    for (let k = 0; k < ys.length; k++) {
      if (!known(ys[k])) { pen = false; continue; }
      d += `${pen ? 'L' : 'M'}${x(xs(k)).toFixed(1)} ${y(ys[k]).toFixed(1)}`;
      pen = true;
    }
    return d;
  }

  function draw(figure, width) {
    const s = data.sections[Number(figure.dataset.section)];
    const left = 58, right = 12, plot = Math.max(width - left - right, 120), upper = 190;
    const x = (v) => left + (v / s.length) * plot;
    const stand = s.rows.map((row, k) => ({ row, at: s.at[k], after: at(rows.after, row), before: at(rows.before, row), change: at(rows.change, row), undone: at(rows.undone, row), sd: at(rows.undone_sd, row), final: at(rows.final, row), outlet: at(rows.outlet, row) }));
    for (const h of stand) h.ground = known(h.after) ? h.after : h.before;
    const levels = [...s.before, ...s.after, ...stand.flatMap((h) => (known(h.ground) ? [h.ground] : []))].filter(known);
    const svg = drawn('svg', { role: 'group', 'aria-label': `Long section of ${s.name}, ${s.how}; the same numbers are in the table` });
    let y0 = 16;
    if (levels.length) y0 = elevations(svg, s, stand, levels, { x, left, plot, upper });
    const bottom = heights(svg, s, stand, { x, left, plot, top: y0 + 34 });
    svg.setAttribute('viewBox', `0 0 ${width} ${bottom}`);
    svg.setAttribute('height', bottom);
    figure.querySelector('svg')?.remove();
    figure.append(svg);
    figure.dataset.width = width;
  }

  function elevations(svg, s, stand, levels, m) {
    const low = Math.min(...levels), high = Math.max(...levels), span = Math.max(high - low, 0.5);
    const perUnit = m.plot / s.length, times = [...nice].reverse().find((n) => span * n * perUnit <= m.upper) || 1;
    const tall = span * times * perUnit;
    // Barrels may stand higher than any ground of the section: room for them under the words.
    const over = Math.max(0, ...stand.map((h) => (barrel(h) - high) * times * perUnit).filter(Number.isFinite));
    const y = (v) => 34 + over + tall - (v - low) * times * perUnit;
    const [levelsAt, step] = ticks(low, high, Math.max(2, tall / 45));
    for (const v of levelsAt) {
      svg.append(drawn('line', { class: 'grid', x1: m.left, x2: m.left + m.plot, y1: y(v), y2: y(v) }));
      svg.append(drawn('text', { class: 'soft', x: m.left - 6, y: y(v) + 4, 'text-anchor': 'end' }, v.toFixed(step < 1 ? 1 : 0)));
    }
    svg.append(drawn('text', { x: m.left, y: 16 }, `elevation in ${data.elevation_words}; heights drawn out ${times} times`));
    const place = (k) => (k / (s.before.length - 1)) * s.length;
    svg.append(drawn('path', { class: 'old', d: path(place, s.before, m.x, y) }));
    svg.append(drawn('path', { class: 'new', d: path(place, s.after, m.x, y) }));
    for (const h of stand) {
      if (!known(h.ground)) continue;
      const flange = flangeOf(h), up = (v) => h.ground + v * data.to_elevation, px = m.x(h.at);
      svg.append(drawn('line', { class: 'grid', x1: px - 4, x2: px + 4, y1: y(h.ground), y2: y(h.ground) }));
      if (!known(flange)) continue;
      svg.append(drawn('line', { class: 'stem', x1: px, x2: px, y1: y(h.ground), y2: y(barrel(h)) }));
      svg.append(drawn('line', { class: 'outlet', x1: px - 4, x2: px + 4, y1: y(up(flange)), y2: y(up(flange)) }));
    }
    return 34 + over + tall;
  }

  const flangeOf = (h) => (known(h.final) ? h.final : h.undone);
  /* The elevation of a barrel's top: its outlet, or its flange; NaN where it is not known. */
  function barrel(h) {
    const flange = flangeOf(h);
    if (!known(h.ground) || !known(flange)) return NaN;
    return h.ground + (known(h.outlet) ? flange + h.outlet : flange) * data.to_elevation;
  }

  function heights(svg, s, stand, m) {
    const [min, , max] = data.window, tall = 170, top = m.top + 16;
    const values = [0, min - data.dressing, max + data.dressing, ...stand.flatMap((h) => [h.undone, known(h.undone) && known(h.sd) ? h.undone - h.sd : null, h.final, known(h.final) && known(h.outlet) ? h.final + h.outlet : null]).filter(known)];
    const low = Math.min(...values), high = Math.max(...values), y = (v) => top + tall - ((v - low) / (high - low || 1)) * tall;
    const whole = { x: m.left, width: m.plot };
    const what = stand.some((h) => known(h.outlet)) ? 'flange and outlet' : 'flange';
    svg.append(drawn('text', { x: m.left, y: m.top + 4 }, m.plot > 380 ? `${what} above the finished ground, in ${data.unit_words}` : `above finished ground, ${data.unit_words}`));
    if (data.outlet_from === 'ground' && stand.some((h) => known(h.outlet))) {
      for (let v = Math.max(data.outlets[0], low); v <= Math.min(data.outlets[1], high) + 1e-9; v += (high - low) / 34) svg.append(drawn('line', { class: 'outlets', x1: m.left, x2: m.left + m.plot, y1: y(v), y2: y(v) }));
    }
    svg.append(drawn('rect', { class: 'band-pale', ...whole, y: y(max + data.dressing), height: y(min - data.dressing) - y(max + data.dressing) }));
    svg.append(drawn('rect', { class: 'band', ...whole, y: y(max), height: y(min) - y(max) }));
    const [at_, step] = ticks(low, high, 6);
    for (const v of at_) svg.append(drawn('text', { class: 'soft', x: m.left - 6, y: y(v) + 4, 'text-anchor': 'end' }, number(v, step < 1 ? 2 : 0)));
    svg.append(drawn('line', { class: 'new', x1: m.left, x2: m.left + m.plot, y1: y(0), y2: y(0) }));
    let free = -Infinity;
    for (const h of stand) {
      const px = m.x(h.at), g = drawn('g', { class: h.row === state.chosen ? 'stand chosen' : 'stand', 'data-row': h.row }), [, mark] = actionOf(h.row);
      g.append(drawn('title', {}, `${rows.id[h.row]}: ${mark.label}${choiceOf(h.row) ? `, ${choiceOf(h.row)}` : ''}`));
      if (known(h.undone)) {
        if (known(h.sd)) g.append(drawn('line', { class: 'spread', x1: px, x2: px, y1: y(h.undone - h.sd), y2: y(h.undone + h.sd) }));
        g.append(drawn('circle', { class: 'undone', cx: px, cy: y(h.undone), r: 3.6 }));
      }
      const end = known(h.final) ? h.final : h.undone, where = known(end) ? y(end) : top + tall;
      if (known(h.final) && known(h.outlet)) g.append(drawn('line', { class: 'outlet', x1: px - 5, x2: px + 5, y1: y(h.final + h.outlet), y2: y(h.final + h.outlet) }));
      g.append(drawn('path', { class: 'done', d: mark.path, fill: mark.fill, transform: `translate(${px.toFixed(1)} ${where.toFixed(1)}) scale(${(mark.size * 1.5).toFixed(1)})` }));
      g.append(drawn('circle', { class: 'halo', cx: px, cy: where, r: 11 }));
      svg.append(g);
      if (px - free >= 15) {
        svg.append(drawn('text', { x: 0, y: 0, 'text-anchor': 'end', transform: `translate(${(px + 4).toFixed(1)} ${top + tall + 30}) rotate(-55)` }, rows.id[h.row].slice(0, 16)));
        free = px;
      }
    }
    stations(svg, s, m, top + tall);
    return top + tall + 106;
  }

  function stations(svg, s, m, y) {
    const [found] = ticks(s.first, s.first + s.length, Math.max(2, m.plot / 110));
    for (const v of found) {
      const px = m.x(v - s.first);
      svg.append(drawn('line', { class: 'grid', x1: px, x2: px, y1: y + 2, y2: y + 8 }));
      svg.append(drawn('text', { class: 'soft', x: px, y: y + 20, 'text-anchor': 'middle' }, s.how.includes('road') ? stationText(v) : `${v.toFixed(0)} ${data.elevation_unit}`));
    }
  }

  const wide = (figure) => Math.round(figure.clientWidth) || 700;
  const near = new IntersectionObserver((entries) => {
    for (const entry of entries) if (entry.isIntersecting && Number(entry.target.dataset.width) !== wide(entry.target)) draw(entry.target, wide(entry.target));
  }, { rootMargin: '600px' });
  figures.forEach((figure) => {
    near.observe(figure);
    figure.addEventListener('click', (event) => { const g = event.target.closest('[data-row]'); if (g) state.choose(Number(g.dataset.row), 'figure'); });
  });
  let resting = 0;
  new ResizeObserver(() => {
    clearTimeout(resting);
    resting = setTimeout(() => figures.forEach((f) => { if (f.dataset.width && Number(f.dataset.width) !== wide(f)) draw(f, wide(f)); }), 120);
  }).observe(document.getElementById('figures'));
  state.listeners.push((what) => {
    if (!what.chosen) return;
    for (const g of document.querySelectorAll('.stand')) g.classList.toggle('chosen', Number(g.dataset.row) === state.chosen);
  });
  return { all() { figures.forEach((f) => draw(f, 700)); } };
}
