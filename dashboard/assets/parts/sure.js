// How sure the verdicts of the last reading are: each part of their uncertainty with its size and its share.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;

  const titleOf = (key) => {
    const [check, fret, place] = key.split('|');
    const where = [/^\d+$/.test(fret ?? '') ? fill('fret_n', {n: fret}).toLowerCase() : '', bench.places.includes(place) ? bench.place(place) : ''];
    return [bench.words.checks[check]?.title ?? check, ...where].filter(Boolean).join(', ');
  };
  const part = ([words, mm, percent]) => bench.figures.row(words, words, [
    typeof mm === 'number' ? bench.fine(mm) : '\u2013', typeof percent === 'number' ? bench.shareBar(percent) : '\u2013']);
  const budget = ([key, parts]) => [
    el('h3', {text: titleOf(key)}),
    bench.figures.table('budget', [fill('sure_part'), fill('sure_size', {unit: bench.unit}), fill('sure_share')], parts.map(part)),
  ];

  bench.drawSure = ({budgets}) => {
    const node = bench.by('sure'), list = Object.entries(budgets ?? {}).filter(([, parts]) => parts.length);
    node.hidden = !list.length;
    bench.keepOpen(node, () => bench.draw(node, [bench.unit, list], () =>
      el('details', {'data-fold': 'sure'}, el('summary', {text: fill('sure')}), ...list.flatMap(budget))));
  };
})();
