// Two visits of one neck: which verdicts changed, and which heights beyond their uncertainty.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;

  const option = (visit, chosen) => el('option', {value: visit.session, selected: chosen,
    text: `${bench.day(visit.started_at)}, ${bench.clock(visit.started_at)}`});
  const choice = (one, label, index) => el('label', {}, `${fill(label)} `,
    el('select', {'data-side': label}, ...one.sessions.map((visit, i) => option(visit, i === index))));
  bench.compareForm = (one) => el('form', {class: 'compare', 'aria-label': fill('compare_of', {name: one.name})},
    choice(one, 'compare_earlier', 1), choice(one, 'compare_later', 0),
    el('button', {type: 'submit', class: 'switch', text: fill('compare_do')}), el('div', {class: 'compared', role: 'status'}));

  // A value with its uncertainty; the unit stands in the head of the column.
  bench.plusMinus = (mm, U) => (typeof mm === 'number' ? `${bench.number(mm)} ${typeof U === 'number' ? `\u00b1 ${bench.spread(U)}` : `(${fill('unknown_u')})`}` : '');
  bench.table = (heads, rows) => el('table', {}, el('thead', {}, el('tr', {}, ...heads.map((text) => el('th', {scope: 'col', text})))),
    el('tbody', {}, ...rows.map((cells) => el('tr', {}, ...cells.map((cell, i) => el('td', {'data-head': heads[i]}, cell))))));
  bench.verdictWord = (verdict) => el('span', {class: 'said'}, bench.sign(verdict), ` ${bench.words.verdicts[verdict].large}`);

  const side = (one) => (one ? el('span', {class: 'side'}, bench.verdictWord(one.verdict), ` ${bench.plusMinus(one.value_mm, one.U_mm)}`)
    : el('span', {class: 'calm', text: fill('compare_gone')}));
  const where = (one) => bench.capital(`${fill('fret')} ${one.fret}, ${one.place}`);
  const heightTable = (heights) => bench.table([fill('column_where'), fill('compare_change', {unit: bench.unit})],
    heights.map((one) => [where(one), bench.plusMinus(one.change_mm, one.U_mm)]));
  const heights = (told) => {
    const apart = told.heights.filter((one) => one.told_apart), n = told.heights.length, {unit} = bench;
    if (!n) return [el('p', {text: fill('compare_no_common')})];
    return [
      ...(apart.length ? [el('h4', {text: fill('compare_heights', {unit})}), heightTable(apart)] : [el('p', {text: fill('compare_no_heights', {n})})]),
      el('details', {}, el('summary', {text: fill('compare_all_heights', {n, unit})}), heightTable(told.heights)),
    ];
  };
  const changes = ({changes}) => (changes.length ? [el('h4', {text: fill('compare_changes')}),
    bench.table([fill('column_check'), fill('column_where'), ...['compare_before', 'compare_after'].map((name) => fill(name, {unit: bench.unit}))],
      changes.map((one) => [bench.capital(one.words), bench.capital(one.where), side(one.before), side(one.after)]))]
    : [el('p', {text: fill('compare_no_changes')})]);
  const day = (visit) => `${bench.day(visit.started_at)}, ${bench.clock(visit.started_at)}`;
  const result = (told) => [
    el('h4', {text: fill('compare_title', {name: told.name, earlier: day(told.earlier), later: day(told.later)})}),
    el('p', {text: [told.days === null ? '' : bench.count('compare_days', Math.round(told.days)), fill('compare_fails', {before: told.before.fail, after: told.after.fail}),
      fill('compare_kept', told)].filter(Boolean).join('; ')}),
    ...changes(told), ...heights(told),
  ];

  const shown = new WeakMap();
  const show = (place) => bench.draw(place, [shown.get(place), bench.unit], () => result(shown.get(place)));
  bench.on('look', () => document.querySelectorAll('.compared').forEach((place) => { if (shown.has(place)) show(place); }));

  document.addEventListener('submit', async (event) => {
    if (!event.target.matches?.('form.compare')) return;
    event.preventDefault();
    const form = event.target, place = form.querySelector('.compared');
    const [earlier, later] = ['compare_earlier', 'compare_later'].map((name) => form.querySelector(`[data-side=${name}]`).value);
    shown.delete(place);
    if (earlier === later) {
      place.replaceChildren(el('p', {text: fill('compare_same')}));
      return;
    }
    place.replaceChildren(el('p', {class: 'calm', text: fill('looking')}));
    try {
      const told = await bench.look('compare', {earlier, later});
      shown.set(place, told);
      show(place);
    } catch (error) {
      place.replaceChildren(el('p', {role: 'alert', text: fill('not_told', {why: error.message})}));
    }
  });
})();
