/* Marks, drawn once for each size and then copied. */
const paths = data.actions.map(([, mark]) => new Path2D(mark.path));
const sprites = new Map();

/* What is drawn on paper is dark on white, whatever the screen has. */
const inks = { '--map': '#ffffff', '--ink': '#000000', '--soft': '#3a3a3a', '--rule': '#9a9a9a', '--mark-edge': '#000000', '--focus': '#000000' };
let onPaper = false;

function colour(name) {
  if (onPaper) return inks[name];
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

function sprite(action, size, ratio, edge) {
  const key = [action, size.toFixed(1), ratio, edge].join();
  if (!sprites.has(key)) {
    const wide = Math.ceil((size * 2.6 + 2) * ratio);
    const canvas = element('canvas', { width: wide, height: wide });
    const c = canvas.getContext('2d');
    c.translate(wide / 2, wide / 2);
    c.scale(size * ratio, size * ratio);
    c.fillStyle = data.actions[action][1].fill;
    c.strokeStyle = edge;
    c.lineWidth = 0.16;
    c.fill(paths[action]);
    c.stroke(paths[action]);
    sprites.set(key, canvas);
  }
  return sprites.get(key);
}

function markPicture(action) {
  const mark = data.actions[action][1];
  const svg = drawn('svg', { class: 'mark', viewBox: '-1.2 -1.2 2.4 2.4', 'aria-hidden': 'true' });
  const scale = Math.min(1, mark.size / 4);
  svg.append(drawn('path', { d: mark.path, fill: mark.fill, transform: `scale(${scale})` }));
  return svg;
}
