// What a study found: the sizes the gauge can tell apart, where the spread comes from, and the tables behind it.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const ROWS = ['part', 'person', 'part_person', 'repeatability', 'total'];
  const SPREAD = ['repeatability', 'person', 'part_person', 'measuring', 'part'];
  const MEASURING = ['repeatability', 'person', 'part_person'];

  const known = (value) => typeof value === 'number' && Number.isFinite(value);
  const text = (value, write) => (known(value) ? write(value) : '\u2013');
  // A table wider than the screen can be moved with the keys; one that fits is no stop for them.
  const sized = new ResizeObserver((entries) => {
    for (const {target} of entries) {
      if (target.scrollWidth > target.clientWidth) target.tabIndex = 0;
      else target.removeAttribute('tabindex');
    }
  });
  bench.wide = (inside) => {
    const node = el('div', {class: 'wide'}, inside);
    sized.observe(node);
    return node;
  };
  const table = (kind, head, rows) => bench.wide(el('table', {class: `figures ${kind}`},
    el('thead', {}, el('tr', {}, ...head.map((name) => el('th', {scope: 'col', text: name})))), el('tbody', {}, ...rows)));
  const row = (key, first, cells) => el('tr', {'data-row': key}, el('th', {scope: 'row', text: first}),
    ...cells.map((cell) => (cell instanceof Node ? cell : el('td', {text: cell}))));
  bench.figures = {table, row};

  const deviations = (variances) => {
    const list = MEASURING.map((name) => variances[name]).filter(known);
    const all = {...variances, measuring: list.length ? list.reduce((sum, each) => sum + each, 0) : null};
    return (name) => (known(all[name]) ? Math.sqrt(all[name]) : null);
  };

  const answer = (words, large, more) => el('div', {class: 'answer'}, el('p', {class: 'asked', text: words}),
    el('p', {class: 'large', text: large}), more && el('p', {class: 'calm', text: more}));
  const sizes = ({sizes: n}) => {
    if (!known(n)) return answer(fill('sizes'), '\u2013', fill('sizes_none'));
    return answer(fill('sizes'), String(n), n < 2 ? fill('sizes_few') : null);
  };
  const answers = (study) => [
    el('h2', {text: fill('outcome', {gauge: study.gauge})}),
    el('div', {class: 'answers'}, sizes(study.result), answer(fill('one_reading'),
      `${bench.fine(study.result.repeatability_mm)} ${bench.unit}`, fill('one_reading_more', {dof: study.result.dof}))),
  ];

  bench.shareBar = (percent) => {
    const bar = el('i', {class: 'share', 'aria-hidden': 'true'});
    bar.style.setProperty('--share', `${Math.max(0, Math.min(100, percent))}%`);
    return el('td', {class: 'shared'}, bar, el('span', {text: `${Math.round(percent)} %`}));
  };
  const spreadRow = (name, result, of) => {
    const mm = of(name), [low, high] = result.intervals?.[name] ?? [];
    if (mm === null) return null;
    const span = known(low) && known(high) ? `${bench.fine(low)}\u00a0\u2013 ${bench.fine(high)}` : '\u2013';
    return row(name, bench.words.parts[name], [bench.fine(mm), span, known(result.shares?.[name]) ? bench.shareBar(result.shares[name]) : '\u2013']);
  };
  bench.spreadTable = (result) => {
    const of = deviations(result.components ?? {});
    return table('spreads', ['', fill('deviation', {unit: bench.unit}), fill('interval'), fill('share')], SPREAD.map((name) => spreadRow(name, result, of)).filter(Boolean));
  };
  const spread = (result) => el('section', {}, el('h3', {text: fill('spread')}), bench.spreadTable(result), el('p', {class: 'calm', text: fill('spread_more')}));
  const folded = (name, title, ...inside) => el('details', {'data-fold': name}, el('summary', {text: title}), ...inside);
  const pooled = (result) => {
    const of = deviations(result.pooled ?? {});
    const rows = SPREAD.filter((name) => of(name) !== null).map((name) => row(name, bench.words.parts[name], [bench.fine(of(name))]));
    return rows.length && result.pooled ? folded('pooled', fill('pooled'), table('pooled', ['', fill('deviation', {unit: bench.unit})], rows)) : '';
  };
  const chance = (p) => text(p, (value) => (value < 0.001 ? fill('below_p') : value.toFixed(3)));
  const anova = ({anova: rows}) => {
    const unit = bench.squareUnit();
    return el('section', {}, el('h3', {text: fill('anova')}), table('anova',
      [fill('source'), fill('ss', {unit}), fill('df'), fill('ms', {unit}), fill('f'), fill('p')],
      ROWS.filter((name) => rows?.[name]).map((name) => row(name, bench.words.parts[name], [
        text(rows[name].ss, bench.square), String(rows[name].df), name === 'total' ? '' : text(rows[name].ms, bench.square),
        text(rows[name].f, (f) => f.toFixed(2)), chance(rows[name].p)]))));
  };
  const means = (study) => {
    const cells = bench.studyCells(study), {half} = bench.meansOf(study);
    const rows = study.parts.map((part) => row(part, part, study.people.map((person) => {
      const list = cells(part, person);
      return list.length ? `${bench.number(bench.mean(list))} \u00b1 ${bench.spread(half(list.length))}` : '\u2013';
    })));
    return folded('means', fill('means', {unit: bench.unit}), table('means', ['', ...study.people], rows));
  };

  // What was opened stays open when the numbers change.
  const keepOpen = (node, work) => {
    const open = new Set([...node.querySelectorAll('details[open]')].map((each) => each.dataset.fold));
    if (work()) for (const each of node.querySelectorAll('details')) each.open = open.has(each.dataset.fold);
  };
  bench.keepOpen = keepOpen;

  bench.drawOutcome = ({study}) => {
    const result = study?.result, node = bench.by('outcome-tables');
    bench.by('study').hidden = !result;
    if (!result) return;
    bench.draw(bench.by('outcome'), [bench.unit, study.gauge, result], () => answers(study));
    keepOpen(node, () => bench.draw(node, [bench.unit, study.readings, result], () => [el('p', {class: 'calm', text: fill('study_legend')}), means(study), spread(result), pooled(result),
      anova(result), result.method ? el('p', {class: 'calm', text: fill('how_found', {method: result.method})}) : '']));
  };
})();
