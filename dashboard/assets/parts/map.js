// The map of the neck: a cell for every judged place of every check; the checks not chosen are there and hidden.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const CHECKS = Object.keys(bench.words.checks);
  const PLACES = bench.places;
  const ROWS = {proud_end: ['bass', 'treble'], uneven_seating: [''], tilted_fret: [''],
    both_ends_proud: [''], middle_high: ['centre'], lifted_end: ['bass', 'treble']};  // others: all three places
  const WORST = ['pass', 'remeasure', 'fail'];
  const FIRST_ROW = 3;  // below the fret numbers and the worst of all checks

  let frets = 0, rows = {}, cells = new Map(), worst = [], chosen = null, chosenIn = null, lastStage = null;

  const fieldsOf = ([check, fret, place, verdict, mm, U, p]) => ({check, fret, place: place ?? '', verdict, mm, U, p});
  const keyOf = (check, fret, place) => `${check}|${fret}|${place}`;

  // Folded, the neck stands in parts of twelve frets below each other.
  const FOLD = 12;
  const put = (node, fret, across, along, part = Math.floor(Math.max(fret - 1, 0) / FOLD)) => {
    node.style.setProperty('--fret', fret);
    node.style.setProperty('--in-part', fret - part * FOLD);
    node.style.setProperty('--part', part);
    node.style.setProperty('--across', across);
    node.style.setProperty('--along', along);
    return node;
  };
  // On a wide screen rows run treble to bass as the neck is drawn; on a narrow one columns run bass to treble.
  const rowAt = (place, used) => {
    const index = used.indexOf(place), count = used.length;
    return [FIRST_ROW + count - 1 - index, FIRST_ROW + index];
  };

  const label = (text, fret, across, along, role) => put(el('div', {class: 'label', role, text}), fret, across, along);
  // The name of a row, once more before every further part of a folded neck.
  const names = (text, across, along, role) => [label(text, 0, across, along, role), ...Array.from({length: Math.ceil(frets / FOLD) - 1}, (_, i) => {
    const again = put(el('div', {class: 'label again', 'aria-hidden': 'true', text}), 0, across, along, i + 1);
    again.style.setProperty('--in-part', 0);
    return again;
  })];
  const layer = (check, used) => {
    const lines = used.map((place) => {
      const [across, along] = rowAt(place, used);
      const blanks = Array.from({length: frets}, (_, i) => {
        const cell = put(el('div', {class: 'cell', role: 'gridcell'}), i + 1, across, along);
        cells.set(keyOf(check, i + 1, place), cell);
        return cell;
      });
      return el('div', {class: 'line', role: 'row'}, ...names(place ? bench.place(place) : fill('whole'), across, along, 'rowheader'), ...blanks);
    });
    return el('div', {class: used.length > 1 ? 'layer' : 'layer alone', 'data-layer': check, role: 'rowgroup', hidden: true}, ...lines);
  };
  const head = () => el('div', {class: 'line', role: 'row'}, ...names(fill('fret'), 1, 1, 'columnheader'),
    ...Array.from({length: frets}, (_, i) => label(String(i + 1), i + 1, 1, 1, 'columnheader')));
  const overview = () => {
    worst = Array.from({length: frets}, (_, i) => put(el('div', {class: 'cell worst', role: 'gridcell', 'data-worst-fret': i + 1}), i + 1, 2, 2));
    return el('div', {class: 'line', role: 'row'}, ...names(fill('worst'), 2, 2, 'rowheader'), ...worst);
  };

  const build = (count, used) => {
    frets = count;
    rows = used;
    cells = new Map();
    const table = el('div', {class: 'neckmap', role: 'grid', 'aria-label': fill('map')},
      head(), overview(), ...CHECKS.map((check) => layer(check, used[check])));
    table.style.setProperty('--frets', frets);
    bench.by('map').replaceChildren(table, el('p', {class: 'legend'}), el('p', {class: 'how', text: fill('map_how')}));
  };

  // Rows stand from the start, so that the map does not jump when a first place is judged.
  const rowsOf = (check, found) => {
    const usual = ROWS[check] ?? PLACES;
    const used = found.size && !usual.some((place) => found.has(place)) ? [] : usual;
    return ['', ...PLACES].filter((place) => used.includes(place) || found.has(place));
  };
  const rowsFor = (list) => Object.fromEntries(CHECKS.map((check) =>
    [check, rowsOf(check, new Set(list.filter((cell) => cell.check === check).map((cell) => cell.place)))]));

  bench.cellWord = ({check, verdict, mm}) => {
    if (verdict !== 'fail') return bench.words.verdicts[verdict]?.short ?? verdict;
    const words = bench.words.checks[check];
    return typeof mm === 'number' && mm < 0 ? words.below : words.above;
  };
  const tell = (cell) => {
    const U = typeof cell.U === 'number' ? ` \u00b1 ${bench.spread(cell.U)}` : '';
    const value = typeof cell.mm === 'number' ? `${bench.number(cell.mm)}${U} ${bench.unit}` : '';
    const chance = typeof cell.p === 'number' ? `; ${fill('chance', {p: Math.round(100 * cell.p)})}` : '';
    const check = bench.words.checks[cell.check].title;
    return fill('cell', {...cell, place: bench.place(cell.place), check, value, verdict: bench.large(cell.verdict)}) + chance;
  };
  const clear = (node) => bench.draw(node, null, () => {
    for (const name of ['data-check', 'data-fret', 'data-place', 'data-verdict', 'title', 'tabindex']) node.removeAttribute(name);
    return [];
  });
  const write = (node, cell) => bench.draw(node, [bench.unit, cell], () => {
    Object.assign(node.dataset, {check: cell.check, fret: cell.fret, place: cell.place, verdict: cell.verdict});
    node.title = tell(cell);
    return [
      el('span', {class: 'number', text: typeof cell.mm === 'number' ? bench.number(cell.mm) : '\u2013'}),
      el('span', {class: 'word'}, bench.sign(cell.verdict), ` ${bench.cellWord(cell)}`),
    ];
  });

  const writeWorst = (list) => {
    const rank = new Array(frets + 1).fill(-1);
    for (const {fret, verdict} of list) rank[fret] = Math.max(rank[fret] ?? -1, WORST.indexOf(verdict));
    worst.forEach((node, i) => bench.draw(node, rank[i + 1], () => {
      const verdict = WORST[rank[i + 1]];
      node.dataset.worst = verdict ?? '';
      return verdict ? [bench.sign(verdict), el('span', {class: 'unseen', text: bench.large(verdict)})] : [];
    }));
  };

  const tabs = (list, shown) => {
    const tally = (check, verdict) => list.filter((cell) => cell.check === check && cell.verdict === verdict).length;
    const state = CHECKS.map((check) => [check, ...['fail', 'remeasure', 'pass'].map((verdict) => tally(check, verdict))]);
    const offered = state.filter(([check, ...counts]) => bench.words.usual.includes(check) || counts.some((n) => n > 0));
    bench.draw(bench.by('checks'), [offered, shown], () => offered.map(([check, fails, agains, passes]) => el('button', {
      type: 'button', class: 'pick', 'data-tab': check, 'aria-pressed': String(check === shown), 'data-judged': fails + agains + passes > 0,
    }, el('span', {text: bench.words.checks[check].title}),
    ...[['fail', fails], ['remeasure', agains]].filter(([, n]) => n).map(([verdict, n]) =>
      el('b', {class: 'tally', 'data-verdict-of': verdict}, bench.sign(verdict), String(n), el('span', {class: 'unseen', text: bench.large(verdict)}))))));
  };

  // The map opens with the check of the stage; a choice made by hand holds until the stage changes. When the sheet is
  // done it stays with the last stage; a page opened then shows what failed, or else what was judged.
  const shownCheck = (stage) => {
    if (stage) lastStage = stage;
    if (chosenIn !== stage) chosen = null;
    const judged = (verdicts) => CHECKS.find((check) => bench.cellsOf(bench.snap ?? {}).some((cell) => cell.check === check && verdicts.includes(cell.verdict)));
    return chosen ?? bench.words.stages[lastStage]?.opens ?? judged(['fail']) ?? judged(['remeasure', 'pass']) ?? CHECKS[0];
  };
  bench.shownCheck = shownCheck;
  bench.cellsOf = (snap) => (snap.cells ?? []).map(fieldsOf).filter(({check, fret}) => check in bench.words.checks && Number.isInteger(fret) && fret > 0);

  // Cells are given as one list, anew when one of them changed.
  let drawn = [];
  const stale = (...now) => {
    const same = now.every((each, i) => each === drawn[i]);
    drawn = now;
    return !same;
  };
  bench.drawMap = (snap) => {
    if (stale(snap.cells, snap.instrument?.frets, bench.unit, shownCheck(snap.stage))) redraw(snap);
    bench.layMap(frets, FOLD);
  };
  const redraw = (snap) => {
    const list = bench.cellsOf(snap), used = rowsFor(list);
    const count = Math.max(snap.instrument?.frets ?? 0, ...list.map((cell) => cell.fret));
    if (count !== frets || JSON.stringify(used) !== JSON.stringify(rows)) build(count, used);
    const blank = new Map(cells);
    for (const cell of list) {
      const key = keyOf(cell.check, cell.fret, cell.place);
      write(cells.get(key), cell);
      blank.delete(key);
    }
    blank.forEach(clear);
    writeWorst(list);
    const shown = shownCheck(snap.stage);
    for (const node of document.querySelectorAll('[data-layer]')) node.hidden = node.dataset.layer !== shown;
    const any = list.some((cell) => cell.check === shown);
    const legend = any ? bench.capital(`${bench.words.checks[shown].of}, ${bench.unit}; ${fill('legend_u')}`) : fill('nothing_judged');
    bench.draw(document.querySelector('#map .legend'), legend, () => legend);
    tabs(list, shown);
  };
  document.addEventListener('click', (event) => {
    const tab = event.target.closest?.('[data-tab]');
    if (!tab) return;
    const check = tab.dataset.tab;
    chosen = check;
    chosenIn = bench.snap?.stage;
    bench.tell('look');
    document.querySelector(`[data-tab="${check}"]`)?.focus();  // the row of tabs was drawn anew
  });
})();
