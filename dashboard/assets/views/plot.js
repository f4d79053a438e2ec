// Values along the neck as a drawing in SVG: bands, lines, limits and marks. It is laid out for the width it is given.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, svg} = bench;
  const TIMES = [2000, 1000, 500, 400, 300, 200, 150, 100, 50, 20, 10, 5, 2, 1];
  const ROOM = 1.12, MOST_TICKS = 6;
  const OUTLINES = {bass: 'M-5-5h10v10h-10z', centre: 'M-5.500 0a5.500 5.500 0 1 0 11 0a5.500 5.500 0 1 0-11 0z', treble: 'M0-6l6 11h-12z'};
  const OTHER = 'M0-6.500l6.500 6.500l-6.500 6.500l-6.500-6.500z';
  OUTLINES.out = OTHER;

  const rem = () => parseFloat(getComputedStyle(document.documentElement).fontSize);
  // Round steps in the unit that is shown, as millimetres.
  const ticks = (low, high) => {
    const [from, to] = [bench.scaled(low), bench.scaled(high)];
    const rough = (to - from) / MOST_TICKS, ten = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((n) => n * ten).find((n) => n >= rough);
    const first = Math.ceil(from / step - 1e-9), decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    return Array.from({length: Math.floor(to / step + 1e-9) - first + 1}, (_, i) => (first + i) * step).map((value) => ({
      mm: value / bench.scaled(1), text: (Object.is(value, -0) ? 0 : value).toFixed(decimals).replace('-', '\u2212')}));
  };
  // Heights are drawn a round number of times larger than lengths, as large as there is room for.
  const fitted = ({x, low, high, spread, times}, width, height) => {
    const need = Math.max(spread ?? high - low, 1e-3) * ROOM;
    if (!times) return {range: need, n: null};
    const perMm = width / (x[1] - x[0]);
    const n = TIMES.find((each) => need * each * perMm <= height) ?? 1;
    return {range: height / (n * perMm), n};
  };

  const paths = (spec, at) => {
    const area = (band) => `M${band.map((one) => `${at.x(one.x)} ${at.y(one.mm + one.U)}`).join('L')}`
      + `L${[...band].reverse().map((one) => `${at.x(one.x)} ${at.y(one.mm - one.U)}`).join('L')}z`;
    const line = (points) => `M${points.map((one) => `${at.x(one.x)} ${at.y(one.mm)}`).join('L')}`;
    return [
      ...(spec.bands ?? []).filter((band) => band.length > 1).map((band) => svg('path', {class: 'band', d: area(band)})),
      ...(spec.lines ?? []).filter(({points}) => points.length > 1).map(({kind, points}) => svg('path', {class: `line ${kind}`, d: line(points)})),
    ];
  };
  // Names of marks that stand close go over, or under, one another; where they would still meet, the later is left out,
  // and its mark and the list of verdicts tell it.
  const named = (marks, at) => {
    const line = 1.45 * at.size, wide = ({label}) => 0.66 * at.size * label.length, laid = [];
    const free = (x, y, one) => y >= 0.9 * at.size && y <= at.bottom && laid.every((each) => Math.abs(each.x - x) >= (wide(each.one) + wide(one)) / 2 || Math.abs(each.y - y) >= line);
    for (const one of marks.filter(({label}) => label)) {
      const half = wide(one) / 2, x = Math.min(Math.max(at.x(one.x), half), at.width - half), over = Math.max(0.9 * at.size, at.y(one.mm + (one.U ?? 0)) - 9), under = at.y(one.mm - (one.U ?? 0)) + line + 4;
      const y = [over, over - line, over - 2 * line, under, under + line, over + line].find((each) => free(x, each, one));
      if (y !== undefined) laid.push({one, x, y});
    }
    return laid.map(({one, x, y}) => svg('text', {class: 'named', x, y, text: one.label}));
  };
  const mark = (one, at) => {
    const left = at.x(one.x), top = at.y(one.mm);
    const bar = one.U ? svg('path', {class: 'bar', d: `M${left} ${at.y(one.mm + one.U)}V${at.y(one.mm - one.U)}`}) : null;
    return svg('g', {class: 'mark', 'data-place': one.place ?? '', 'data-verdict': one.verdict}, bar,
      svg('g', {transform: `translate(${left} ${top})`}, svg('path', {class: 'outline', d: OUTLINES[one.place] ?? OTHER})));
  };
  const numbers = (spec, at, size) => {
    let last = -Infinity;
    return spec.ticks.filter(({at: x}) => at.x(x) - last >= 1.35 * size && ((last = at.x(x)), true))
      .map(({at: x, text}) => svg('text', {class: 'under', x: at.x(x), y: at.bottom + 1.5 * size, text}));
  };

  const draw = (node, spec, width) => {
    const size = 0.8 * rem(), [left, right] = spec.edges ?? [4.4 * size, 0.8 * size], top = (spec.times ? 2.2 : 0.9) * size, bottom = 2.1 * size;
    const height = (spec.rem ?? 13) * rem(), inner = height - top - bottom;
    const {range, n} = fitted(spec, width - left - right, inner);
    const middle = (spec.low + spec.high) / 2, low = middle - range / 2;
    const at = {
      x: (x) => left + (x - spec.x[0]) / (spec.x[1] - spec.x[0]) * (width - left - right),
      y: (mm) => top + (low + range - mm) / range * inner, top, bottom: height - bottom, size, width,
    };
    const across = (mm, kind) => svg('path', {class: kind, d: `M${left} ${at.y(mm)}H${width - right}`});
    const span = spec.span && svg('rect', {class: 'span', x: left, width: width - left - right, y: at.y(spec.span[1]), height: Math.max(1, at.y(spec.span[0]) - at.y(spec.span[1]))});
    const seen = (mm) => mm >= low && mm <= low + range;
    node.replaceChildren(svg('svg', {width, height, viewBox: `0 0 ${width} ${height}`, role: 'img', 'aria-label': spec.words}, span,
      ...ticks(low, low + range).flatMap(({mm, text}) => [across(mm, 'grid'), svg('text', {class: 'beside', x: left - 6, y: at.y(mm) + 0.35 * size, text})]),
      svg('text', {class: 'beside unit', x: left - 6, y: at.bottom + 1.5 * size, text: bench.unit}), ...numbers(spec, at, size),
      ...(spec.levels ?? []).filter(({mm}) => seen(mm)).flatMap(({mm, words}) => [across(mm, 'level'), svg('text', {class: 'on', x: width - right - 3, y: at.y(mm) - 4, text: words})]),
      ...paths(spec, at), ...spec.marks.map((one) => mark(one, at)), ...named(spec.marks, at)));
    return n;
  };

  const specs = new WeakMap();
  const watch = new ResizeObserver((entries) => entries.forEach(({target}) => lay(target)));
  const lay = (node) => {
    const spec = specs.get(node), width = Math.floor(node.clientWidth);
    if (!spec || width < 100) return;
    const n = draw(node, spec, width);
    if (spec.caption) node.nextElementSibling.textContent = spec.caption(n);
  };
  // x: [from, to]; low, high: values in mm to be seen; edges: room left and right in px, where it must be that of something else; spread: room that several drawings share; caption(n): what stands below.
  bench.plot = (spec) => {
    const box = el('div', {class: 'plot'}), below = el('p', {class: 'calm'});
    specs.set(box, spec);
    watch.observe(box);
    return el('div', {class: 'plotted'}, spec.title && el('h3', {text: spec.title}), box, below);
  };
  bench.plotKey = (...entries) => el('p', {class: 'key calm'}, ...entries.map(([kind, words]) => el('span', {class: 'item'},
    svg('svg', {viewBox: '-10 -8 20 16', 'aria-hidden': 'true'}, ...(OUTLINES[kind]
      ? [svg('g', {class: 'mark', 'data-place': kind}, svg('path', {d: OUTLINES[kind]}))]
      : [svg('path', {class: kind === 'span' || kind === 'band' ? `${kind} swatch` : `line ${kind}`, d: kind === 'span' || kind === 'band' ? 'M-10-6h20v12h-20z' : 'M-10 0h20'})])), words)));
})();
