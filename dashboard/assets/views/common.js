// What the views that look at a judged session share: sizes with their uncertainty, notes, verdicts as rows.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const known = (value) => typeof value === 'number' && Number.isFinite(value);

  bench.sized = (mm, U) => {
    if (!known(mm)) return '\u2013';
    return known(U) ? `${bench.number(mm)}\u00a0\u00b1\u00a0${bench.spread(U)}\u00a0${bench.unit}` : fill('size_unsure', {size: bench.length(mm)});
  };
  bench.plain = (mm) => (known(mm) ? bench.length(mm) : '\u2013');
  bench.where = (fret, place) => (known(fret) ? fill(place ? 'at_place' : 'fret_n', {n: fret, fret, place: bench.place(place)}) : fill('of_the_wire'));
  bench.verdictOf = (name) => [bench.sign(name), bench.words.verdicts[name].large];

  // A view is drawn into a box of its own, so that what stood in its place, a fault or a word of patience, goes;
  // whoever was in a field of it stays there.
  bench.drawView = (node, state, make) => {
    let whole = node.querySelector(':scope > .whole');
    if (!whole) node.replaceChildren(whole = el('div', {class: 'whole'}));
    const held = whole.contains(document.activeElement) ? document.activeElement.id : '';
    bench.keepOpen(whole, () => bench.draw(whole, state, make));
    if (held && document.activeElement?.id !== held) bench.by(held)?.focus();
  };
  bench.section = (title, ...inside) => el('section', {class: 'card looked'}, el('h2', {text: title}), ...inside);
  bench.told = (lines) => (lines.length ? el('ul', {class: 'told'}, ...lines.map((line) => el('li', {text: bench.capital(line)}))) : null);
  bench.facts = (pairs, kind = '') => el('dl', {class: kind}, ...pairs.filter(Boolean).flatMap(([name, ...values]) => [el('dt', {text: name}), el('dd', {}, ...values)]));
  // Of several cautions together each sentence is said once, at its last place.
  const once = (text) => text.split(/(?<=\.) /).filter((one, i, all) => all.lastIndexOf(one) === i).join(' ');
  bench.caution = (text) => el('p', {class: 'caution'}, el('b', {text: `${fill('caution')}: `}), once(text));
  // Readings from a file may have no time; the store then holds the beginning of its clock.
  const timed = ({taken_at: at}) => at && Date.parse(at) > 0;
  // Which instrument and which readings a view stands on; people's names are texts.
  bench.standing = (told) => el('p', {class: 'calm standing'}, el('b', {text: told.report.instrument}), ' ',
    !told.report.readings ? fill('no_readings_yet') : timed(told) ? bench.count('as_of', told.report.readings, {time: `${bench.day(told.taken_at)}, ${bench.clock(told.taken_at)}`})
      : bench.count('untimed', told.report.readings));

  // A verdict in a line: sign, word, where, check, size, limits.
  const limits = ([low, high]) => {
    if (known(low) && known(high)) return fill('limits_both', {low: bench.number(low), high: bench.length(high)});
    return known(high) ? fill('limit_high', {high: bench.length(high)}) : fill('limit_low', {low: bench.length(low)});
  };
  bench.judgedRow = (one, told) => el('li', {'data-verdict': one.verdict}, bench.sign(one.verdict),
    el('span', {class: 'text', text: `${bench.words.verdicts[one.verdict].large}: ${bench.where(one.fret, one.place)}, ${bench.words.checks[one.check].title.toLocaleLowerCase(fill('locale'))} ${bench.sized(one.value_mm, one.U_mm)}`}),
    one.verdict === 'fail' ? el('span', {class: 'todo', text: bench.capital(told.beside.to_do[`${one.check}|${one.fret}|${one.place}`] ?? '')}) : '',
    el('span', {class: 'calm', text: [limits(told.beside.limits[one.check]), known(one.p) && one.verdict !== 'pass' ? fill('chance', {p: Math.round(100 * one.p)}) : '',
      one.verdict === 'fail' ? '' : settle(one)].filter(Boolean).join('; ')}));
  const settle = (one) => (known(one.repeats_to_settle) && one.repeats_to_settle > 0 ? bench.count('more_settle', one.repeats_to_settle) : '');
  // The number of a cell with its verdict as sign and, for readers, as word.
  bench.judgedCell = (one) => (one ? el('td', {'data-verdict': one.verdict}, bench.sign(one.verdict), bench.sized(one.value_mm, one.U_mm),
    el('span', {class: 'unseen', text: `, ${bench.words.verdicts[one.verdict].large}`})) : el('td', {text: '\u2013'}));
})();
