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
  const query = (each, at) => el('div', {class: 'query', 'data-query': each.sequence, 'data-query-gauge': each.gauge},
    at ? '' : el('h2', {}, bench.sign('remeasure'), fill('query')),  // one question over all of them
    el('div', {class: 'actions'},
      button(each, 'data-take-back', fill('take_back'), fill('take_back_this', {words: bench.whatOf(each), value: value(each)})),
      button(each, 'data-keep', fill('keep'), fill('keep_this', {words: bench.whatOf(each), value: value(each)}))),
    el('p', {class: 'told'},
      isLast(each) ? '' : el('strong', {class: 'asks', text: `${bench.capital(fill('query_value', {words: bench.whatOf(each), value: value(each)}))}. `}),
      bench.sentence(each, 'text')));
  // One stands open, so that the last reading keeps its place on the screen; the others wait behind a line that counts them.
  // The newest reading comes first: its gauge is still in the hand.
  const age = (each) => {
    const at = (bench.snap?.recent ?? []).findIndex((one) => bench.queryKey(one) === bench.queryKey(each));
    return at < 0 ? Infinity : at;
  };
  const newestFirst = (queries) => {
    const ages = new Map(queries.map((each) => [each, age(each)]));
    return [...queries].sort((a, b) => (ages.get(a) === ages.get(b) ? 0 : ages.get(a) - ages.get(b)));
  };
  const questions = (queries) => {
    const drawn = queries.map(query), waiting = drawn.splice(1);
    return waiting.length ? [...drawn, el('details', {'data-fold': 'queries'}, el('summary', {text: bench.count('query_more', waiting.length)}), ...waiting)] : drawn;
  };

  bench.drawQueries = ({queries}) => {
    const list = newestFirst(queries ?? []), node = bench.by('queries');
    bench.keepOpen(node, () => bench.draw(node, [bench.unit, list, [...asked], list.map(isLast)], () => questions(list)));
  };

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
