/* One hydrant: its numbers, the reason, and the heights drawn. */
function makeDetail() {
  const box = document.getElementById('detail');
  const u = data.unit, e = data.elevation_unit;

  function pairs(list) {
    const made = element('dl', { class: 'pairs' });
    for (const [name, value] of list) if (value !== '') made.append(element('div', {}, element('dt', {}, name), element('dd', {}, value)));
    return made;
  }
  const with_ = (text, unit) => (text === '' ? '' : `${text} ${unit}`);
  const within = (v, sd) => (known(v) ? `${small(v)}${known(sd) ? ` ± ${small(sd)}` : ''} ${u}` : '');

  function levels(k) {
    const now = at(rows.now, k), undone = at(rows.undone, k), final = at(rows.final, k);
    const low = at(rows.low, k), high = at(rows.high, k), change = at(rows.change, k);
    if (![now, undone, low, high, change].every(known)) return null;
    const stand = [[now, 0, 'today'], [undone, change, 'if left']];
    if (known(final) && final !== undone) stand.push([final, change, 'then']);
    const all = stand.flatMap(([f, g]) => [f + g, g, g + low, g + high]);
    const bottom = Math.min(...all), span = Math.max(...all) - bottom || 1, tall = 120, wide = 320, each = wide / stand.length;
    const y = (v) => 14 + tall - ((v - bottom) / span) * tall;
    const svg = drawn('svg', { class: 'levels', viewBox: `0 0 ${wide} ${tall + 52}`, role: 'img', 'aria-label': 'Flange and ground today and after the job, to one scale; the band is the window' });
    stand.forEach(([flange, ground, name], i) => {
      const x = i * each;
      svg.append(drawn('rect', { class: 'band', x: x + 6, width: each - 12, y: y(ground + high), height: y(ground + low) - y(ground + high) }));
      svg.append(drawn('line', { class: 'new', x1: x + 4, x2: x + each - 4, y1: y(ground), y2: y(ground) }));
      svg.append(drawn('line', { class: 'stem', x1: x + each / 2, x2: x + each / 2, y1: y(ground), y2: y(ground + flange) }));
      svg.append(drawn('line', { class: 'outlet', x1: x + each / 2 - 16, x2: x + each / 2 + 16, y1: y(ground + flange), y2: y(ground + flange) }));
      svg.append(drawn('text', { x: x + each / 2, y: tall + 32, 'text-anchor': 'middle' }, name));
      svg.append(drawn('text', { x: x + each / 2, y: tall + 47, 'text-anchor': 'middle' }, `${small(flange)} ${u}`));
    });
    return svg;
  }

  function show() {
    const k = state.chosen;
    if (k < 0) return;
    const [, mark] = actionOf(k), reviewed = at(rows.reviewed, k), choice = choiceOf(k), final = at(rows.final, k);
    const title = element('h3', {}, markPicture(rows.action[k]), ` ${rows.id[k]}`);
    const place = [streetOf(k), jobOf(k)].filter(Boolean).join(' · ');
    const what = `${mark.label[0].toUpperCase()}${mark.label.slice(1)}${choice && choice !== 'nothing' ? `: ${choice}` : ''}${reviewed ? ' (by review)' : ''}${at(rows.firm, k) ? ', firm' : ''}`;
    const parts = [title, element('p', { class: 'small' }, place), element('p', { class: 'do' }, what), element('p', {}, reasonOf(k))];
    const picture = levels(k);
    if (picture) parts.push(picture);
    parts.push(pairs([
      ['Sure', known(at(rows.sure, k)) ? number(at(rows.sure, k), 3) : ''],
      ['Ground changes', known(at(rows.change, k)) ? `${signed(at(rows.change, k))}${known(at(rows.change_sd, k)) ? ` ± ${small(at(rows.change_sd, k))}` : ''} ${u}` : ''],
      ['Ground today', with_(elevation(at(rows.before, k)), e)],
      ['Ground as designed', with_(elevation(at(rows.after, k)), e)],
      ['Flange today', known(at(rows.now, k)) ? `${small(at(rows.now, k))} ${u}, ${at(rows.basis, k)}` : ''],
      ['Flange if nothing is done', within(at(rows.undone, k), at(rows.undone_sd, k))],
      ['Flange then', known(final) ? `${small(final)} ${u}` : ''],
      ['Window', known(at(rows.low, k)) ? `${small(at(rows.low, k))} to ${small(at(rows.high, k))} ${u}` : ''],
      ['Outlet above flange', with_(small(at(rows.outlet, k)), u)],
      ['Design from', sourceOf(k)],
    ]));
    const cautions = cautionsOf(k);
    if (cautions.length) parts.push(element('ul', {}, ...cautions.map(([code, meaning]) => element('li', {}, element('code', {}, code), ` ${meaning}`))));
    if (at(rows.note, k)) parts.push(element('p', {}, `Review: ${rows.note[k]}`));
    box.replaceChildren(...parts);
    box.classList.remove('empty');
    document.getElementById('told').textContent = `${rows.id[k]}: ${what}. ${reasonOf(k)}`;
  }
  state.listeners.push((what) => { if (what.chosen) show(); });
}
