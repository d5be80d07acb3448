/* What the page knows, and words for its numbers. */
const data = JSON.parse(document.getElementById('data').textContent);
const rows = data.hydrants;
const count = rows.id.length;
const [smallDigits, elevationDigits] = data.digits;

const known = (v) => v !== null && v !== undefined;
const at = (column, row) => (row < column.length ? column[row] : null);

function number(v, digits) {
  if (!known(v)) return '';
  return v.toFixed(digits).replace('-', '−');
}
const small = (v) => number(v, smallDigits);
const signed = (v) => (known(v) ? (v > 0 ? '+' : '') + small(v) : '');
const elevation = (v) => number(v, elevationDigits);

const streetOf = (row) => rows.streets[rows.street[row]];
const reasonOf = (row) => rows.reasons[rows.reason[row]];
const open = new Set(['measure', 'on_site']);
function choiceOf(row) {
  const choice = rows.choices[rows.choice[row]];
  return choice && open.has(actionOf(row)[0]) ? `${choice}?` : choice;
}
const sourceOf = (row) => rows.sources[rows.source[row]];
const jobOf = (row) => (rows.job[row] < 0 ? '' : data.jobs[rows.job[row]]);
const actionOf = (row) => data.actions[rows.action[row]];
const cautionsOf = (row) => (at(rows.cautions, row) || []).map((k) => data.cautions[k]);

function element(name, attributes, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes || {})) {
    if (key === 'class') made.className = value;
    else made.setAttribute(key, value);
  }
  made.append(...children);
  return made;
}

function drawn(name, attributes, text) {
  const made = document.createElementNS('http://www.w3.org/2000/svg', name);
  for (const [key, value] of Object.entries(attributes || {})) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

/* One state for map, table and figures: who is shown, who is chosen. */
const state = {
  shown: Uint32Array.from({ length: count }, (_, k) => k),
  chosen: -1,
  listeners: [],
  tell(what) { for (const listener of this.listeners) listener(what); },
  choose(row, from) {
    if (row === this.chosen && from !== 'map') return;
    this.chosen = row;
    this.tell({ chosen: true, from });
  },
};
