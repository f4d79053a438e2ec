// The gauges: what each does, since when, its battery, how still it is; what it sent last is in its details.
// A gauge keeps its place on the page while what it says changes: details stay open, a finger meets what it aimed at.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const LOW_PERCENT = 15;

  const says = (gauge) => [
    fill('gauge_since', {status: bench.words.statuses[gauge.status] ?? gauge.status, time: bench.clock(gauge.since)}),
    gauge.detail, bench.count('readings', gauge.readings ?? 0),
    gauge.unreadable ? fill('unreadable_more', {n: gauge.unreadable}) : '', gauge.unreadable && bench.snap?.demo ? fill('unreadable_demo') : '',
    gauge.last_raw ? fill('last_raw', {raw: gauge.last_raw}) : '',
  ].filter(Boolean).map((text, i) => (i ? text : bench.capital(text))).join('; ');

  const status = (gauge, away) => {
    const word = bench.words.statuses[away ? 'unknown' : gauge.status] ?? gauge.status;
    return !away && ['lost', 'silent'].includes(gauge.status) ? fill('gauge_since', {status: word, time: bench.clock(gauge.since)}) : word;
  };
  bench.lowBattery = ({battery_percent: percent}) => typeof percent === 'number' && percent < LOW_PERCENT;
  const battery = ({battery_percent: percent}) => {
    if (typeof percent !== 'number') return '';
    const low = bench.lowBattery({battery_percent: percent});
    return el('span', {class: 'battery', 'data-low': low, text: fill(low ? 'battery_low' : 'battery', {n: percent})});
  };
  bench.gaugeStatus = status;
  bench.gaugeBattery = battery;
  const head = (gauge, away) => [
    el('span', {class: 'name', text: gauge.name}), el('b', {text: status(gauge, away)}), away ? '' : battery(gauge)];
  // the place of what was unreadable is kept while there is none
  const MANY = 5;
  const many = ({readings = 0, unreadable = 0}) => unreadable >= MANY && unreadable > readings;
  const more = (gauge) => [
    el('span', {class: 'kind', text: gauge.words && gauge.words !== gauge.name ? gauge.words : ''}),
    el('span', {class: 'unreadable', 'data-n': gauge.unreadable ?? 0, 'data-many': many(gauge) ? 'yes' : null, text: fill('unreadable', {n: gauge.unreadable ?? 0})})];

  const frame = ({name}) => el('li', {'data-gauge': name},
    el('i', {class: 'lamp', 'aria-hidden': 'true'}),
    el('details', {}, el('summary', {class: 'said'}), el('p', {class: 'says'})),
    el('span', {class: 'said more'}),
    el('span', {class: 'settling', hidden: true}, el('progress', {max: 1, value: 0}), el('span', {class: 'phase'})),
    el('span', {class: 'detail', hidden: true}));

  // Moves many times a second: set in place, so that a screen reader is not told of it.
  const settle = (node, gauge, away) => {
    const steady = !away && gauge.status === 'alive' ? gauge.steadiness : null;
    node.hidden = away || !gauge.captured || gauge.status !== 'alive';
    node.dataset.phase = steady?.phase ?? 'away';
    node.title = steady?.why ?? '';
    const [bar, phase] = node.children, words = bench.words.phases[node.dataset.phase] ?? node.dataset.phase;
    bar.value = steady?.fraction ?? 0;
    bar.setAttribute('aria-label', fill('settling_of', {gauge: gauge.name}));
    if (phase.textContent !== words) phase.textContent = words;
  };
  const draw = (node, gauge, away) => {
    const [, details, rest, settling, detail] = node.children;
    // What the bench said of a gauge holds only while the bench can be heard.
    node.dataset.status = away ? 'unknown' : gauge.status;
    const {name, words, unreadable, battery_percent: percent, since} = gauge;
    bench.draw(details.firstChild, [name, gauge.status, since, percent, away], () => head(gauge, away));
    bench.draw(details.lastChild, [away ? '' : says(gauge), away], () => [away ? fill('old_gauge') : says(gauge)]);
    bench.draw(rest, [name, words, unreadable, many(gauge)], () => more(gauge));
    settle(settling, gauge, away);
    detail.hidden = away || !['lost', 'silent'].includes(gauge.status) || !gauge.detail;
    bench.draw(detail, [gauge.detail], () => [bench.capital(gauge.detail ?? '')]);
  };
  const streams = (gauge) => gauge.captured && gauge.status === 'alive';

  bench.drawGauges = (gauges, away) => {
    const node = bench.by('gauges');
    bench.draw(node, gauges.map(({name}) => name), () => (gauges.length ? gauges.map(frame) : [el('li', {text: fill('no_gauges')})]));
    gauges.forEach((gauge, i) => draw(node.children[i], gauge, away));
    bench.by('take-now').hidden = away || !gauges.some(streams);
  };
})();
