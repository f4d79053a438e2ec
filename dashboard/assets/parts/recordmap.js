// What the record draws: the worst verdict by fret and place, the fret tops along the neck, the code of a seal.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, svg, fill} = bench;
  const ROWS = ['treble', 'centre', 'bass', ''];
  const NARROW_PX = 320, WIDE_PX = 1500, HEIGHT = 250, TOP = 14, FOOT = 24, SIDE = 96;
  const STEPS = [0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5], INCH_STEPS = [0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2], MOST_TICKS = 6;
  const PATHS = {treble: ['--series-treble', ''], centre: ['--series-centre', '9 5'], bass: ['--series-bass', '2 5']};

  const cell = (fret, place, one) => {
    if (!one) return el('td', {class: 'blank'});
    const checks = one.checks.map((check) => bench.words.checks[check]?.title.toLowerCase() ?? check).join(', ');
    return el('td', {'data-worst-of': one.verdict}, bench.sign(one.verdict), el('span', {class: 'unseen',
      text: fill('worst_cell', {fret, place: place ? bench.place(place) : fill('worst_whole'), verdict: bench.words.verdicts[one.verdict].large, checks})}));
  };
  bench.worstMap = (told) => {
    const frets = Array.from({length: told.instrument.frets}, (_, i) => i + 1), at = new Map(told.map.map((one) => [`${one.fret}|${one.place}`, one]));
    const rows = ROWS.filter((place) => told.map.some((one) => one.place === place));
    if (!rows.length) return '';
    const head = el('tr', {}, el('th', {scope: 'col', text: fill('fret')}), ...frets.map((fret) => el('th', {scope: 'col', text: fret})));
    const lines = rows.map((place) => el('tr', {}, el('th', {scope: 'row', text: place ? bench.place(place) : fill('worst_whole')}), ...frets.map((fret) => cell(fret, place, at.get(`${fret}|${place}`)))));
    return el('section', {class: 'card worst-map', 'aria-label': fill('worst_map')}, el('h2', {text: fill('worst_map')}),
      el('div', {class: 'scrolled', tabindex: 0, role: 'group', 'aria-label': fill('worst_map')}, el('table', {}, el('thead', {}, head), el('tbody', {}, ...lines))));
  };

  // Nothing while the view is hidden: it has no width then.
  bench.topsWidth = () => {
    const room = bench.by('view-record').clientWidth;
    return room && Math.round(Math.min(Math.max(room - 60, NARROW_PX), WIDE_PX) / 20) * 20;
  };
  const plot = (told, width) => {
    const {frets} = told.instrument, heights = told.profile;
    const low = Math.min(...heights.map((one) => one.height_mm - 2 * one.u_mm)), high = Math.max(...heights.map((one) => one.height_mm + 2 * one.u_mm));
    const span = Math.max(high - low, 0.02), first = bench.fretAt(1, 1), last = bench.fretAt(frets, 1);
    const x = (fret) => SIDE + (frets > 1 ? (bench.fretAt(fret, 1) - first) / (last - first) : 0.5) * (width - SIDE - 16);
    const y = (mm) => TOP + (high - mm) / span * (HEIGHT - TOP - FOOT);
    const times = ((HEIGHT - TOP - FOOT) / span) / ((width - SIDE - 16) / ((last - first) * told.instrument.scale_mm));
    return {x, y, low, high, span, frets, width, times};
  };
  const ticks = ({low, high}) => {
    const per = bench.unit === 'in' ? 25.4 : 1, steps = bench.unit === 'in' ? INCH_STEPS : STEPS;
    const step = steps.find((one) => (high - low) / per / one <= MOST_TICKS) ?? (high - low) / per;
    const from = Math.ceil(low / per / step), n = Math.floor(high / per / step) - from + 1;
    return Array.from({length: n}, (_, i) => (from + i) * step * per);
  };
  const grid = (at) => ticks(at).flatMap((mm) => [svg('line', {class: 'grid', x1: SIDE, x2: at.width - 8, y1: at.y(mm), y2: at.y(mm)}),
    svg('text', {class: 'tick', x: SIDE - 8, y: at.y(mm) + 4, text: bench.length(mm)})]);
  const numbers = (at) => Array.from({length: at.frets}, (_, i) => i + 1).filter((fret) => fret === 1 || fret % (at.width < 700 ? 4 : at.frets > 24 ? 2 : 1) === 0)
    .map((fret) => svg('text', {class: 'fret', x: at.x(fret), y: HEIGHT - 5, text: fret}));
  const path = (at, heights, name) => {
    const own = heights.filter((one) => one.place === name), [ink, dash] = PATHS[name];
    return svg('g', {class: `path ${name}`, style: `stroke: var(${ink}); fill: var(${ink})`},
      svg('polyline', {points: own.map((one) => `${at.x(one.fret)},${at.y(one.height_mm)}`).join(' '), 'stroke-dasharray': dash || null}),
      ...own.map((one) => svg('line', {x1: at.x(one.fret), x2: at.x(one.fret), y1: at.y(one.height_mm - 2 * one.u_mm), y2: at.y(one.height_mm + 2 * one.u_mm)})),
      ...own.map((one) => svg('circle', {cx: at.x(one.fret), cy: at.y(one.height_mm), r: 2.6})));
  };
  const key = (name) => el('span', {class: 'key'}, svg('svg', {viewBox: '0 0 44 10', width: 44, height: 10, 'aria-hidden': 'true'},
    svg('line', {x1: 0, x2: 44, y1: 5, y2: 5, style: `stroke: var(${PATHS[name][0]})`, 'stroke-dasharray': PATHS[name][1] || null})), ` ${bench.place(name)}`);
  const numbersTable = (told, paths) => {
    const at = new Map(told.profile.map((one) => [`${one.fret}|${one.place}`, one]));
    const frets = [...new Set(told.profile.map((one) => one.fret))];
    const size = (one) => (one ? bench.plusMinus(one.height_mm, 2 * one.u_mm) : '');
    return el('details', {class: 'for-shop table-box'}, el('summary', {text: fill('tops_numbers', {unit: bench.unit})}),
      bench.table([fill('fret'), ...paths.map(bench.place)], frets.map((fret) => [String(fret), ...paths.map((name) => size(at.get(`${fret}|${name}`)))])));
  };
  bench.tops = (told) => {
    if (!told.profile.length) return '';
    const at = plot(told, bench.topsWidth()), paths = Object.keys(PATHS).filter((name) => told.profile.some((one) => one.place === name));
    const [top, bottom] = [1, -1].map((sign) => told.profile.reduce((a, b) => (sign * b.height_mm > sign * a.height_mm ? b : a)));
    const words = fill('tops_words', {high: bench.length(top.height_mm), high_fret: top.fret, low: bench.length(bottom.height_mm), low_fret: bottom.fret});
    return el('section', {class: 'card tops', 'aria-label': fill('tops')}, el('h2', {text: fill('tops')}),
      el('div', {class: 'plot', role: 'img', 'aria-label': words}, svg('svg', {viewBox: `0 0 ${at.width} ${HEIGHT}`, 'aria-hidden': 'true'},
        ...grid(at), ...numbers(at), ...paths.map((name) => path(at, told.profile, name)))),
      el('p', {class: 'keys calm'}, ...paths.map(key), el('span', {text: fill('tops_key', {times: Math.round(at.times)})})), numbersTable(told, paths));
  };

  // Four light modules all around. Source: ISO/IEC 18004.
  bench.codeOf = ({code, modules}) => {
    const n = modules.length + 8;
    const dark = modules.flatMap((line, row) => [...line].map((module, column) => (module === '1' ? `M${column + 4} ${row + 4}h1v1h-1z` : ''))).join('');
    return svg('svg', {class: 'qr', viewBox: `0 0 ${n} ${n}`, role: 'img', 'aria-label': fill('record_qr', {code})},
      svg('rect', {width: n, height: n, fill: '#fff'}), svg('path', {d: dark, fill: '#000'}));
  };

  // Paper is white whatever the page's colours are; what is folded opens for the shop's sheet.
  let opened = [], theme = '';
  const root = document.documentElement;
  const before = () => {
    theme = root.dataset.theme;
    root.dataset.theme = 'light';
    if (root.dataset.sheet !== 'shop' || bench.view() !== 'record') return;
    opened = [...document.querySelectorAll('#view-record details:not([open])')];
    opened.forEach((node) => { node.open = true; });
  };
  const after = () => {
    root.dataset.theme = theme;
    opened.forEach((node) => { node.open = false; });
    opened = [];
    delete root.dataset.sheet;
  };
  window.addEventListener('beforeprint', before);
  window.addEventListener('afterprint', after);
  document.addEventListener('click', ({target}) => {
    const audience = target.closest?.('[data-print]')?.dataset.print;
    if (!audience) return;
    root.dataset.sheet = audience;
    window.print();
  });
})();
