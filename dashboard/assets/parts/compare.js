// Two visits of one neck: which verdicts changed, and which heights beyond their uncertainty.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;

  // What is chosen and was found, by instrument: a row of the rack is drawn again with every reading of its visits.
  const kept = new Map(), SIDES = {compare_earlier: 1, compare_later: 0};
  const readingsOf = (one, {earlier, later}) => [earlier, later].map((id) => one.sessions.find((visit) => visit.session === id)?.readings);
  const option = (visit, chosen) => el('option', {value: visit.session, selected: chosen === visit.session,
    text: `${bench.day(visit.started_at)}, ${bench.clock(visit.started_at)}`});
  const choice = (one, label, chosen) => el('label', {}, `${fill(label)} `,
    el('select', {'data-side': label}, ...one.sessions.map((visit) => option(visit, chosen))));
  bench.compareForm = (one) => {
    const mine = kept.get(one.instrument) ?? {chosen: {}};
    kept.set(one.instrument, mine);
    mine.one = one;
    const form = el('form', {class: 'compare', 'data-compare': one.instrument, 'aria-label': fill('compare_of', {name: one.name})},
      ...Object.entries(SIDES).map(([label, index]) => choice(one, label, mine.chosen[label] ?? one.sessions[index].session)),
      el('button', {type: 'submit', class: 'switch', text: fill('compare_do')}), el('div', {class: 'compared', role: 'status'}));
    if (mine.told) {
      show(form.lastChild, mine.told);
      if (String(readingsOf(one, mine.asked)) !== String(mine.readings)) compare(one.instrument);
    }
    return form;
  };

  // A value with its uncertainty; the unit stands in the head of the column.
  bench.plusMinus = (mm, U) => (typeof mm === 'number' ? `${bench.number(mm)} ${typeof U === 'number' ? `\u00b1 ${bench.spread(U)}` : `(${fill('unknown_u')})`}` : '');
  bench.table = (heads, rows) => el('table', {}, el('thead', {}, el('tr', {}, ...heads.map((text) => el('th', {scope: 'col', text})))),
    el('tbody', {}, ...rows.map((cells) => el('tr', {}, ...cells.map((cell, i) => el('td', {'data-head': heads[i]}, cell))))));
  bench.verdictWord = (verdict) => el('span', {class: 'said'}, bench.sign(verdict), ` ${bench.words.verdicts[verdict].large}`);

  const side = (one) => (one ? el('span', {class: 'side'}, bench.verdictWord(one.verdict), ` ${bench.plusMinus(one.value_mm, one.U_mm)}`)
    : el('span', {class: 'calm', text: fill('compare_gone')}));
  const where = (one) => bench.where(one.fret, one.place);
  const heightTable = (heights) => bench.table([fill('column_where'), fill('compare_change', {unit: bench.unit})],
    heights.map((one) => [where(one), bench.plusMinus(one.change_mm, one.U_mm)]));
  const heights = (told) => {
    const apart = told.heights.filter((one) => one.told_apart), n = told.heights.length, {unit} = bench;
    if (!n) return [el('p', {text: fill('compare_no_common')})];
    return [
      ...(apart.length ? [el('h4', {text: fill('compare_heights', {unit})}), heightTable(apart)] : [el('p', {text: fill('compare_no_heights', {n})})]),
      el('details', {'data-fold': 'heights'}, el('summary', {text: fill('compare_all_heights', {n, unit})}), heightTable(told.heights)),
    ];
  };
  const changes = ({changes}) => (changes.length ? [el('h4', {text: fill('compare_changes')}),
    bench.table([fill('column_check'), fill('column_where'), ...['compare_before', 'compare_after'].map((name) => fill(name, {unit: bench.unit}))],
      changes.map((one) => [bench.capital(one.words), bench.where(one.fret, one.place), side(one.before), side(one.after)]))]
    : [el('p', {text: fill('compare_no_changes')})]);
  const day = (visit) => `${bench.day(visit.started_at)}, ${bench.clock(visit.started_at)}`;
  const result = (told) => [
    el('h4', {text: fill('compare_title', {name: told.name, earlier: day(told.earlier), later: day(told.later)})}),
    el('p', {text: [told.days === null ? '' : bench.count('compare_days', Math.round(told.days)), fill('compare_fails', {before: told.before.fail, after: told.after.fail}),
      fill('compare_kept', told)].filter(Boolean).join('; ')}),
    ...changes(told), ...heights(told),
  ];

  const show = (place, told) => bench.keepOpen(place, () => bench.draw(place, [told, bench.unit], () => result(told)));
  const placeOf = (instrument) => document.querySelector(`form[data-compare="${CSS.escape(instrument)}"] .compared`);
  bench.on('look', () => kept.forEach(({told}, instrument) => { if (told && placeOf(instrument)) show(placeOf(instrument), told); }));
  const say = (instrument, given) => {
    const place = placeOf(instrument);
    if (place) bench.draw(place, given, () => el('p', given));
  };

  // The form may be drawn anew while the bench answers, so that its place is looked for again.
  const compare = async (instrument) => {
    const mine = kept.get(instrument), asked = mine.asked, readings = readingsOf(mine.one, asked);
    mine.readings = readings;
    try {
      const told = await bench.look('compare', asked);
      if (mine.asked !== asked || mine.readings !== readings) return;
      mine.told = told;
      if (placeOf(instrument)) show(placeOf(instrument), told);
    } catch (error) {
      mine.told = null;
      say(instrument, {role: 'alert', text: fill('not_told', {why: error.message})});
    }
  };
  const sideOf = (form, label) => form.querySelector(`[data-side=${label}]`).value;
  document.addEventListener('submit', (event) => {
    const form = event.target;
    if (!form.matches?.('form.compare')) return;
    event.preventDefault();
    const {compare: instrument} = form.dataset, mine = kept.get(instrument);
    mine.asked = {earlier: sideOf(form, 'compare_earlier'), later: sideOf(form, 'compare_later')};
    mine.told = null;
    const same = mine.asked.earlier === mine.asked.later;
    say(instrument, same ? {text: fill('compare_same')} : {class: 'calm', text: fill('looking')});
    if (!same) compare(instrument);
  });
  document.addEventListener('change', ({target}) => {
    const form = target.matches?.('[data-side]') && target.closest('form.compare');
    if (form) kept.get(form.dataset.compare).chosen[target.dataset.side] = target.value;
  });
})();
