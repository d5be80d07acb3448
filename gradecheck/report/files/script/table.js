/* The table: filtered and sorted with the map, a page of rows at a time, all of them on paper. */
function makeTable() {
  const table = document.getElementById('table'), body = table.tBodies[0];
  const page = 50, most = 3000;
  const columns = [
    ['Hydrant', (k) => rows.id[k]],
    ['What to do', (k) => actionOf(k)[1].label],
    ['Choice', (k) => choiceOf(k)],
    ['Street', (k) => streetOf(k)],
    ['Job', (k) => jobOf(k)],
    ['Ground', (k) => at(rows.change, k), signed],
    ['±', (k) => at(rows.change_sd, k), small],
    ['Flange today', (k) => at(rows.now, k), small],
    ['if left', (k) => at(rows.undone, k), small],
    ['then', (k) => at(rows.final, k), small],
    ['Sure', (k) => at(rows.sure, k), (v) => number(v, 3)],
    ['Cautions', (k) => cautionsOf(k).map(([code]) => code).join(' ')],
  ];
  let sorted = 0, down = false, start = 0, list = [];
  const head = table.tHead.rows[0], buttons = [];
  columns.forEach(([name, , numeric], k) => {
    const button = element('button', { type: 'button' }, name);
    button.addEventListener('click', () => { down = sorted === k ? !down : false; sorted = k; arrange(); });
    buttons.push(button);
    head.append(element('th', { scope: 'col', class: numeric ? 'n' : '' }, button));
  });

  const words = new Intl.Collator(undefined, { numeric: true });
  function arrange() {
    const [, value, numeric] = columns[sorted];
    const keyed = Array.from(state.shown, (k) => [value(k), k]);
    keyed.sort(([a, i], [b, j]) => {
      const blank = (numeric ? !known(a) : a === '') - (numeric ? !known(b) : b === '');
      if (blank) return blank;
      const way = numeric ? a - b : words.compare(a, b);
      return (down ? -way : way) || i - j;
    });
    list = keyed.map(([, k]) => k);
    Array.from(head.cells).forEach((cell, k) => {
      if (k === sorted) cell.setAttribute('aria-sort', down ? 'descending' : 'ascending');
      else cell.removeAttribute('aria-sort');
    });
    const here = list.indexOf(state.chosen);
    start = here >= 0 ? here - (here % page) : 0;
    show();
  }

  function rowOf(k) {
    const line = element('tr', { 'data-row': k });
    if (k === state.chosen) line.setAttribute('aria-current', 'true');
    columns.forEach(([, value, numeric], c) => {
      const v = value(k);
      if (c === 0) {
        const button = element('button', { type: 'button', class: 'pick' }, v);
        line.append(element('th', { scope: 'row' }, button));
      } else if (c === 1) line.append(element('td', {}, markPicture(rows.action[k]), ` ${v}${at(rows.reviewed, k) ? ' (review)' : ''}`));
      else line.append(element('td', { class: numeric ? 'n' : '' }, numeric ? numeric(v) : v));
    });
    return line;
  }

  /* The reason under its row: of the row that is chosen, on paper of every row. */
  function whyOf(k) {
    const hint = element('span', { class: 'hidden' }, `${rows.id[k]}: `);
    return element('tr', { class: 'why' }, element('td', { colspan: columns.length }, hint, reasonOf(k)));
  }
  const lineOf = (k) => body.querySelector(`tr[data-row="${k}"]`);

  function show(everything) {
    const job = list.filter((k) => rows.job[k] >= 0), paper = job.length ? job : list;
    const part = everything ? paper.slice(0, most) : list.slice(start, start + page);
    document.getElementById('paper').textContent = everything && paper.length < list.length ? `Not printed: ${list.length - paper.length} that no job reaches.` : '';
    // Buttons in a head that is repeated on every sheet are printed on the first only.
    Array.from(head.cells).forEach((cell, k) => cell.replaceChildren(everything ? columns[k][0] : buttons[k]));
    body.replaceChildren(...part.flatMap((k) => (everything || k === state.chosen ? [rowOf(k), whyOf(k)] : [rowOf(k)])));
    document.getElementById('earlier').disabled = start === 0;
    document.getElementById('later').disabled = start + page >= list.length;
    document.getElementById('page-of').textContent = list.length ? `rows ${start + 1} to ${Math.min(start + page, list.length)} of ${list.length}` : 'no rows';
    if (everything && paper.length > most) body.append(element('tr', {}, element('td', { colspan: columns.length }, `and ${paper.length - most} more: see the layer hydrants`)));
  }

  function turn(by) {
    start = Math.max(0, Math.min(start + by * page, Math.floor(Math.max(0, list.length - 1) / page) * page));
    show();
  }

  function mark(from) {
    const here = list.indexOf(state.chosen);
    if (here >= 0 && (here < start || here >= start + page)) { start = here - (here % page); show(); }
    body.querySelectorAll('tr.why').forEach((line) => line.remove());
    body.querySelectorAll('tr[aria-current]').forEach((line) => line.removeAttribute('aria-current'));
    const line = lineOf(state.chosen);
    if (!line) return;
    line.setAttribute('aria-current', 'true');
    line.after(whyOf(state.chosen));
    if (from === 'figure') line.scrollIntoView({ block: 'nearest' });
  }

  function keys(event) {
    if (event.key !== 'ArrowDown' && event.key !== 'ArrowUp') return;
    const line = event.target.closest('tr[data-row]');
    if (!line || !body.contains(line)) return;
    const here = list.indexOf(Number(line.dataset.row)), next = here + (event.key === 'ArrowDown' ? 1 : -1);
    if (next < 0 || next >= list.length) return;
    event.preventDefault();
    if (next < start || next >= start + page) { start = next - (next % page); show(); }
    lineOf(list[next]).querySelector('.pick').focus();
  }

  body.addEventListener('click', (event) => { const line = event.target.closest('tr[data-row]'); if (line) state.choose(Number(line.dataset.row), 'table'); });
  body.addEventListener('focusin', (event) => { const line = event.target.closest('tr[data-row]'); if (line) state.choose(Number(line.dataset.row), 'table'); });
  body.addEventListener('keydown', keys);
  document.getElementById('earlier').addEventListener('click', () => turn(-1));
  document.getElementById('later').addEventListener('click', () => turn(1));
  state.listeners.push((what) => {
    if (what.shown) arrange();
    else if (what.chosen) mark(what.from);
  });
  return { show };
}

/* Who is shown: one set of filters for table and map. */
function makeFilters(map) {
  const get = (id) => document.getElementById(id);
  const chips = Array.from(document.querySelectorAll('.chip')), form = get('filters');
  data.jobs.forEach((name, k) => get('job').append(element('option', { value: String(k) }, name || 'all hydrants')));
  const tests = {
    '': () => true,
    firm: (k) => at(rows.firm, k) === 1,
    open: (k) => rows.job[k] >= 0 && at(rows.firm, k) !== 1,
    reviewed: (k) => at(rows.reviewed, k) === 1,
    caution: (k) => (at(rows.cautions, k) || []).length > 0,
  };
  let moving = 0;

  function filter() {
    const text = get('find').value.trim().toLowerCase(), job = get('job').value, test = tests[get('which').value], seen = get('in-view').checked;
    const off = new Set(chips.filter((c) => c.getAttribute('aria-pressed') === 'false').map((c) => c.dataset.action));
    const kept = [];
    for (let k = 0; k < count; k++) {
      if (off.has(actionOf(k)[0]) || (job !== '' && rows.job[k] !== Number(job)) || !test(k)) continue;
      if (text && !rows.id[k].toLowerCase().includes(text) && !streetOf(k).toLowerCase().includes(text)) continue;
      if (seen && !map.seen(k)) continue;
      kept.push(k);
    }
    state.shown = Uint32Array.from(kept);
    get('shown').textContent = `${kept.length} of ${count} hydrants shown, on the map and in the table.`;
    state.tell({ shown: true });
  }

  chips.forEach((chip) => chip.addEventListener('click', () => {
    chip.setAttribute('aria-pressed', chip.getAttribute('aria-pressed') === 'true' ? 'false' : 'true');
    filter();
  }));
  form.addEventListener('input', filter);
  form.addEventListener('submit', (event) => event.preventDefault());
  form.addEventListener('reset', () => { chips.forEach((c) => c.setAttribute('aria-pressed', 'true')); setTimeout(filter); });
  state.listeners.push((what) => {
    if (!what.moved || !get('in-view').checked) return;
    clearTimeout(moving);
    moving = setTimeout(filter, 150);
  });
  filter();
}
