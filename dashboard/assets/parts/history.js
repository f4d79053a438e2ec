// The checks of one gauge in order, each with its expanded uncertainty, between the limits of its own history.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const WIDTH = 360, HEIGHT = 132, LEFT = 10, RIGHT = 292, TOP = 12, BOTTOM = 106, LABEL_PX = 15;
  const known = (value) => typeof value === 'number' && Number.isFinite(value);

  const scaleOf = (history, limits) => {
    const ends = history.flatMap(({value_mm: mm, expanded_u_mm: U}) => [mm - (U ?? 0), mm + (U ?? 0)]);
    const all = [...ends, ...Object.values(limits ?? {}).filter(known)];
    const low = Math.min(...all), high = Math.max(...all), span = high - low || 0.001;
    return (mm) => BOTTOM - (mm - low + 0.04 * span) / (1.08 * span) * (BOTTOM - TOP);
  };
  const xOf = (index, count) => (count > 1 ? LEFT + 6 + index / (count - 1) * (RIGHT - LEFT - 16) : (LEFT + RIGHT) / 2);
  const outside = (mm, limits) => known(limits?.lower_mm) && known(limits?.upper_mm) && (mm < limits.lower_mm || mm > limits.upper_mm);

  const line = (kind, y) => bench.svg('line', {class: kind, x1: LEFT, x2: RIGHT, y1: y, y2: y});
  const level = (kind, mm, y, labelled) => [line(kind, y(mm)),
    labelled ? bench.svg('text', {x: RIGHT + 6, y: y(mm) + 4.5, text: bench.number(mm)}) : ''];
  const levels = (limits, y) => {
    if (!limits) return [];
    const {lower_mm: lower, centre_mm: centre, upper_mm: upper} = limits;
    const room = [lower, upper].every((mm) => !known(mm) || !known(centre) || Math.abs(y(mm) - y(centre)) > LABEL_PX);
    return [...(known(upper) ? level('limit', upper, y, true) : []), ...(known(centre) ? level('centre', centre, y, room) : []),
      ...(known(lower) ? level('limit', lower, y, true) : [])];
  };
  // A check beyond the limits is a diamond, as a fail is everywhere on the page.
  const mark = (x, y, out) => (out ? bench.svg('path', {class: 'out', d: `M${x} ${y - 7}l7 7l-7 7l-7 -7z`}) : bench.svg('circle', {class: 'in', cx: x, cy: y, r: 4}));
  const point = ({value_mm: mm, expanded_u_mm: U}, x, y, limits) => [
    known(U) ? bench.svg('line', {class: 'bar', x1: x, x2: x, y1: y(mm - U), y2: y(mm + U)}) : '', mark(x, y(mm), outside(mm, limits))];
  const days = (history) => {
    const ends = history.length > 1 ? [history[0], history.at(-1)] : [history[0]];
    return ends.map(({at}, i) => bench.svg('text', {x: i ? RIGHT : LEFT, y: HEIGHT - 6, 'text-anchor': i ? 'end' : 'start', text: bench.day(at)}));
  };

  bench.historyChart = ({history, limits}) => {
    const y = scaleOf(history, limits), trace = history.map((one, i) => `${xOf(i, history.length)},${y(one.value_mm)}`).join(' ');
    const words = [bench.fill('history', {n: history.length, value: bench.number(history.at(-1).value_mm), unit: bench.unit}),
      known(limits?.lower_mm) && known(limits?.upper_mm)
        ? bench.fill('history_limits', {lower: bench.number(limits.lower_mm), upper: bench.number(limits.upper_mm), unit: bench.unit}) : ''];
    return bench.svg('svg', {class: 'history', viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: 'img', 'aria-label': words.filter(Boolean).join('; ')},
      ...levels(limits, y), bench.svg('polyline', {class: 'trace', points: trace}),
      ...history.flatMap((one, i) => point(one, xOf(i, history.length), y, limits)), ...days(history));
  };
})();
