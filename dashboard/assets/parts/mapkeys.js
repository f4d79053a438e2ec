// How the neck map lies, by the room that its numbers have, and the way through its cells with the arrow keys.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const GAP_PX = 3, EDGE_PX = 6, LABEL_REM = 3.6, NARROW_LABEL_REM = 3, DOWN_COLUMNS = 4;
  // A number has as many widths of a digit as its longest: minus, digit, point and decimals; digits are about 0.56 em wide.
  const EMS = {mm: 3.4, in: 4}, WORD_EMS = 4.4;
  const LEAST_REM = 1.05, MOST_REM = 1.35, WORD_LEAST_REM = 0.72, WORD_MOST_REM = 1;

  const clamp = (low, value, high) => Math.min(Math.max(low, value), high);
  const lays = (width, rem, frets, fold) => {
    const cell = (columns, label) => (width - label * rem) / columns - GAP_PX;
    return [['across', cell(frets, LABEL_REM)], ['folded', cell(fold, LABEL_REM)], ['down', cell(DOWN_COLUMNS, NARROW_LABEL_REM)]];
  };
  // Numbers are to be read at arm's length: the first way in which they are large enough, else down.
  bench.layMap = (frets, fold) => {
    const table = document.querySelector('.neckmap'), width = bench.by('map').clientWidth;
    if (!table || !width) return;
    const rem = parseFloat(getComputedStyle(document.documentElement).fontSize), ems = EMS[bench.unit];
    const ways = lays(width, rem, frets, fold);
    const [lay, cell] = ways.find(([, px]) => (px - EDGE_PX) / ems >= LEAST_REM * rem) ?? ways.at(-1);
    table.dataset.lay = lay;
    table.style.setProperty('--number', `${clamp(0.75 * rem, (cell - EDGE_PX) / ems, MOST_REM * rem)}px`);
    table.style.setProperty('--word', `${clamp(WORD_LEAST_REM * rem, (cell - EDGE_PX) / WORD_EMS, WORD_MOST_REM * rem)}px`);
    rove();
  };

  // One cell at a time is a stop of the Tab key; the arrows go from there to the next one that says something.
  const open = () => [...document.querySelectorAll('.neckmap .worst[data-worst]:not([data-worst=""]), .neckmap [data-layer]:not([hidden]) .cell[data-check]')];
  const rove = (to = null) => {
    const cells = open(), before = cells.find((node) => node.tabIndex === 0);
    const now = to ?? before ?? cells.find((node) => node.dataset.check) ?? cells[0];
    for (const node of cells) node.tabIndex = node === now ? 0 : -1;
  };
  const DIRECTIONS = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]};
  const middle = (node) => {
    const {left, right, top, bottom} = node.getBoundingClientRect();
    return [(left + right) / 2, (top + bottom) / 2];
  };
  // The nearest in that direction; what lies in the same row or column comes before what lies aside.
  const towards = (from, [dx, dy]) => {
    const [x, y] = middle(from), tall = from.offsetHeight / 2, wide = from.offsetWidth / 2;
    const seen = open().filter((node) => node !== from).map((node) => {
      const [a, b] = middle(node);
      return {node, ahead: dx ? (a - x) * dx : (b - y) * dy, aside: Math.abs(dx ? b - y : a - x)};
    }).filter(({ahead, aside}) => ahead > (dx ? wide : tall) && (dy || aside < tall));
    return seen.sort((one, other) => one.ahead + 2 * one.aside - other.ahead - 2 * other.aside)[0]?.node;
  };
  const ends = {Home: (cells) => cells[0], End: (cells) => cells.at(-1)};
  document.addEventListener('keydown', (event) => {
    const from = event.target.closest?.('.neckmap .cell');
    if (!from || event.ctrlKey || event.altKey || event.metaKey) return;
    const to = DIRECTIONS[event.key] ? towards(from, DIRECTIONS[event.key]) : ends[event.key]?.(open());
    if (DIRECTIONS[event.key] || ends[event.key]) event.preventDefault();
    if (!to) return;
    rove(to);
    to.focus();
  });
  bench.atCell = (node) => rove(node);

  const again = bench.every(150, () => { if (bench.snap) bench.drawMap(bench.snap); });
  bench.on('ready', () => new ResizeObserver(again).observe(bench.by('map')));
})();
