// What every gauge is worth, where that comes from, and what its checks found.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const known = (value) => typeof value === 'number' && Number.isFinite(value);

  const fact = (name, ...said) => el('div', {class: 'fact'}, el('dt', {text: name}), el('dd', {}, ...said));
  const small = (said) => (said.some(Boolean) ? [el('small', {text: bench.capital(said.filter(Boolean).join(', '))})] : []);
  const worthOf = ({u_mm: u, u_dof: dof, u_from: source}) => fact(fill('worth'),
    known(u) ? fill('worth_u', {u: bench.fine(u), unit: bench.unit}) : fill('worth_none'),
    ...small([known(u) && fill('worth_what'), source && fill('worth_from', {source: bench.words.sources[source] ?? source}), known(dof) && fill('worth_dof', {n: dof})]));
  const dueOf = ({due, overdue}) => {
    if (overdue) return el('small', {class: 'late'}, bench.sign('remeasure'), due ? fill('overdue', {day: bench.day(due)}) : fill('overdue_plain'));
    return due ? el('small', {text: fill('due', {day: bench.day(due)})}) : '';
  };
  const facts = (each) => el('dl', {}, worthOf(each),
    fact(fill('checked'), each.last_check ? bench.day(each.last_check) : bench.capital(fill('never')), dueOf(each)),
    known(each.zero_u_mm) ? fact(fill('zero'), fill('worth_u', {u: bench.fine(each.zero_u_mm), unit: bench.unit}), ...small([fill('worth_what')])) : '',
    known(each.resolution_mm) ? fact(fill('digit'), `${bench.digit(each.resolution_mm)} ${bench.unit}`) : '');

  const state = ({drifts, limits}) => {
    if (drifts) return el('p', {class: 'state', 'data-drifts': 'yes'}, bench.sign('fail'), fill('drifts'));
    return limits ? el('p', {class: 'state', 'data-drifts': 'no'}, bench.sign('pass'), fill('no_drift')) : '';
  };
  const record = (each) => [
    el('div', {class: 'named'}, el('h3', {}, el('a', {href: `#all-gauges/${encodeURIComponent(each.gauge)}`, text: each.gauge})), el('span', {class: 'calm', text: bench.words.gauge_kinds[each.kind] ?? each.kind ?? ''}), state(each)),
    each.words && each.words !== fill('never') ? el('p', {class: 'told', text: bench.sentence(each, 'words')}) : '',
    facts(each),
  ];

  bench.drawWorth = ({gauge_records: records}) => {
    const list = records ?? [], node = bench.by('worth');
    bench.by('gauge-records').hidden = !list.length;
    const cards = new Map([...node.children].map((card) => [card.dataset.record, card]));
    const kept = list.map((each) => {
      const card = cards.get(each.gauge) ?? el('article', {class: 'record', 'data-record': each.gauge, 'aria-label': each.gauge});
      card.dataset.overdue = each.overdue ? 'yes' : 'no';
      bench.draw(card, [bench.unit, each], () => record(each));
      return card;
    });
    if (kept.length !== node.children.length || kept.some((card, i) => card !== node.children[i])) node.replaceChildren(...kept);
  };
})();
