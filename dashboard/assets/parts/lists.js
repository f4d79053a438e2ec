// Flags grouped by fret with what to do, and the recent readings, each of which can be taken back.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;

  // The sentence says how much and how sure; the number stands beside it only where it does not, or not in this unit.
  const told = (flag) => /\d\s\u00b1\s\d/.test(bench.sentence(flag, 'text')) && (bench.unit === 'mm' || Boolean(flag.text_in));
  const amount = (flag) => {
    if (typeof flag.value_mm !== 'number' || told(flag)) return '';
    const U = typeof flag.expanded_u_mm === 'number' ? ` \u00b1 ${bench.spread(flag.expanded_u_mm)}` : '';
    return `${bench.number(flag.value_mm)}${U} ${bench.unit}`;
  };
  const flag = (each) => el('li', {'data-flag-check': each.check, 'data-flag-fret': each.fret ?? '', 'data-flag-place': each.place ?? ''},
    bench.sign('fail'), el('div', {}, el('p', {class: 'text', text: bench.sentence(each, 'text')}),
      each.what_to_do ? el('p', {class: 'todo', text: bench.capital(each.what_to_do)}) : ''), el('span', {class: 'amount', text: amount(each)}));
  const FIXTURE = -1, WIRE = 0;
  const groupOf = (each) => each.fret ?? (bench.ofFixture(each) ? FIXTURE : WIRE);
  const group = ([fret, flags]) => el('section', {class: 'group'},
    el('h3', {text: fill(fret > 0 ? 'fret_n' : fret === FIXTURE ? 'of_the_fixture' : 'of_the_wire', {n: fret})}), el('ul', {}, ...flags.map(flag)));

  const byFret = (flags) => {
    const groups = new Map();
    for (const each of flags) groups.set(groupOf(each), [...(groups.get(groupOf(each)) ?? []), each]);
    return [...groups].sort(([a], [b]) => a - b);
  };
  bench.drawFlags = ({flags = []}) => bench.draw(bench.by('flags'), [bench.unit, flags], () =>
    (flags.length ? byFret(flags).map(group) : el('p', {class: 'calm', text: fill('no_flags')})));

  const undo = (each, value) => (each.taken_back || each.sequence === undefined ? '' : el('button', {
    type: 'button', class: 'small', 'data-take-back': each.sequence, 'data-gauge-of': each.gauge,
    'aria-label': fill('take_back_this', {words: bench.whatOf(each), value}), text: fill('take_back'),
  }));
  const small = (text) => (text ? el('small', {text}) : '');
  const reading = (each) => {
    const value = bench.valueWords(each);
    const asked = bench.isQueried(each) ? fill('queried') : '';
    const said = each.taken_back ? fill('taken_back') : each.unassigned ? fill('unassigned') : asked;
    return el('li', {'data-recent': each.sequence ?? '', 'data-taken-back': each.taken_back ? 'yes' : 'no'},
      each.verdict ? bench.sign(each.verdict) : el('span', {class: 'sign'}),
      el('span', {class: 'what'}, el('span', {text: bench.capital(bench.whatOf(each))}), said ? el('em', {text: said}) : '',
        ...(each.taken_back ? [] : [small(bench.shadowWords(each)), small(bench.sentence(each, 'settle'))])),
      el('span', {class: 'amount', text: value}), undo(each, value));
  };
  bench.drawRecent = ({recent = [], queries = []}) => bench.draw(bench.by('recent'), [bench.unit, recent, queries], () =>
    (recent.length ? recent.map(reading) : el('li', {class: 'calm', text: fill('no_recent')})));
})();
