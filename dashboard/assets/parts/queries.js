// Readings that do not belong with their repeats: asked about at once, kept or taken back by the person, never dropped.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const asked = new Set();  // answered by the person, on the way to the bench

  bench.queryKey = ({gauge, sequence}) => JSON.stringify([gauge, sequence]);
  bench.isQueried = (reading) => (bench.snap?.queries ?? []).some((each) => bench.queryKey(each) === bench.queryKey(reading));
  const value = (query) => bench.valueWords(query);
  bench.queryWords = (query) => fill('query_said', {title: fill('query'), words: bench.capital(bench.whatOf(query)), value: value(query), text: bench.sentence(query, 'text')});

  const button = (query, kind, words, label) => el('button', {
    type: 'button', class: 'action', [kind]: query.sequence, 'data-gauge-of': query.gauge, disabled: asked.has(bench.queryKey(query)),
    'aria-label': label, text: words,
  });
  // The last reading stands large just below.
  const isLast = (each) => Boolean(bench.snap?.last) && bench.queryKey(bench.snap.last) === bench.queryKey(each);
  const query = (each) => el('div', {class: 'query', 'data-query': each.sequence, 'data-query-gauge': each.gauge},
    el('h2', {}, bench.sign('remeasure'), fill('query')),
    el('div', {class: 'actions'},
      button(each, 'data-take-back', fill('take_back'), fill('take_back_this', {words: bench.whatOf(each), value: value(each)})),
      button(each, 'data-keep', fill('keep'), fill('keep_this', {words: bench.whatOf(each), value: value(each)}))),
    isLast(each) ? '' : el('p', {class: 'asks', text: bench.capital(fill('query_value', {words: bench.whatOf(each), value: value(each)}))}),
    el('p', {class: 'told', text: bench.sentence(each, 'text')}));

  bench.drawQueries = ({queries}) => bench.draw(bench.by('queries'), [bench.unit, queries ?? [], [...asked], (queries ?? []).map(isLast)], () => (queries ?? []).map(query));

  const redraw = () => { if (bench.snap) bench.drawQueries(bench.snap); };
  document.addEventListener('click', (event) => {
    const pressed = event.target.closest?.('#queries button');
    if (!pressed) return;
    const key = bench.queryKey({gauge: pressed.dataset.gaugeOf, sequence: Number(pressed.dataset.keep ?? pressed.dataset.takeBack)});
    if (asked.has(key)) event.stopImmediatePropagation();  // a second press may come before the buttons are drawn anew
    asked.add(key);
    setTimeout(redraw, 0);  // once the press has done its work
  }, true);
  bench.on('answer', (item, answer) => {
    if (!answer.done && asked.delete(bench.queryKey(item))) redraw();  // refused: it can be answered again
  });
  bench.on('snapshot', ({queries}) => {
    const open = new Set((queries ?? []).map(bench.queryKey));
    for (const key of asked) if (!open.has(key)) asked.delete(key);
  });
})();
