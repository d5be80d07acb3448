const map = makeMap();
makeDetail();
const figures = makeFigures();
const table = makeTable();
makeFilters(map);

/* Paper shows what the screen has, all of it: every row that is shown, every section. */
addEventListener('beforeprint', () => { map.paper(true); table.show(true); figures.all(); });
addEventListener('afterprint', () => { map.paper(false); table.show(false); });
document.documentElement.dataset.ready = 'true';
