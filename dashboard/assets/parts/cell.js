// What stands behind a cell of the neck map: its readings, its uncertainty, its verdicts, and what earlier visits said.
// It is shown at once from what the page knows; the bench tells the rest.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const AGAIN_MS = 1000;
  const known = (value) => typeof value === 'number' && Number.isFinite(value);
  const percent = (p) => (known(p) ? `${Math.round(100 * p)} %` : '\u2013');

  let shown = null, told = null, past = null, fault = '', asked = '', askedPast = '';

  const box = () => bench.by('cell');
  const same = (cell) => (one) => one.check === cell.check && one.fret === cell.fret && one.place === cell.place;
  const inSnap = () => bench.cellsOf(bench.snap ?? {}).find(same(shown));
  const title = (check) => bench.words.checks[check]?.title ?? check;

  const limitsOf = () => {
    const [low, high] = told?.limits ?? bench.snap?.limits?.[shown.check] ?? [];
    if (known(low) && known(high)) return fill('limits_both', {low: bench.number(low), high: bench.length(high)});
    return known(high) ? fill('limit_high', {high: bench.length(high)}) : known(low) ? fill('limit_low', {low: bench.length(low)}) : '';
  };
  const verdictNow = (cell) => el('section', {class: 'now', 'data-verdict': cell.verdict},
    el('p', {class: 'verdict'}, ...bench.verdictOf(cell.verdict), el('span', {class: 'amount', text: bench.sized(cell.mm, cell.U)})),
    el('p', {text: bench.capital(fill(known(cell.p) ? 'cell_limits' : 'cell_limits_only', {limits: limitsOf(), p: Math.round(100 * (cell.p ?? 0))}))}),
    told ? el('p', {class: 'calm', text: fill('cell_rule', {pass: Math.round(100 * told.p_pass), fail: Math.round(100 * told.p_fail)})}) : '',
    told && cell.verdict !== 'pass' ? el('p', {text: bench.sentence(told.own, 'text')}) : '',
    told?.own.todo ? el('p', {class: 'todo', text: bench.capital(told.own.todo)}) : '');

  const value = (one) => (known(one.low_nm) && known(one.high_nm) && one.low_nm !== one.high_nm
    ? fill('within', {low: bench.number(bench.mm(one.low_nm)), high: bench.length(bench.mm(one.high_nm))}) : bench.length(bench.mm(one.value_nm)));
  const by = (one) => (one.taken_at ? fill('cell_by', {gauge: one.gauge, time: `${bench.day(one.taken_at)}, ${bench.clock(one.taken_at)}`})
    : fill('cell_by_untimed', {gauge: one.gauge}));
  const undo = (one) => (one.taken_back ? '' : el('button', {type: 'button', class: 'small', 'data-take-back': one.sequence, 'data-gauge-of': one.gauge,
    'aria-label': fill('take_back_this', {words: bench.whatOf(one), value: value(one)}), text: fill('take_back')}));
  const reading = (one) => el('li', {'data-reading': one.sequence, 'data-taken-back': one.taken_back ? 'yes' : 'no'},
    el('span', {class: 'amount', text: value(one)}), el('span', {class: 'what'}, el('span', {text: bench.capital(bench.whatOf(one))}),
      el('small', {text: by(one)}), one.taken_back ? el('small', {class: 'back', text: fill('cell_old', {why: one.why})}) : ''), undo(one));
  const readings = () => section('cell_readings', el('ol', {class: 'readings'}, ...told.readings.map(reading)));

  const part = ({cause, u_mm: mm, share}) => bench.figures.row(cause, bench.capital(cause), [bench.fine(mm), bench.shareBar(100 * share)]);
  const budget = (cell) => section('cell_budget', told.budget.length
    ? bench.figures.table('budget', [fill('sure_part'), fill('sure_size', {unit: bench.unit}), fill('sure_share')], told.budget.map(part)) : '',
  el('p', {class: 'calm', text: told.budget.length && known(told.own.U_mm)
    ? fill('cell_budget_sum', {u: `${bench.fine(told.u_mm)} ${bench.unit}`, size: `${bench.spread(told.own.U_mm)} ${bench.unit}`, percent: told.coverage_percent}) : fill('cell_no_budget')}));

  const other = (one) => el('li', {'data-verdict': one.verdict}, bench.sign(one.verdict),
    el('button', {type: 'button', class: 'plain', 'data-open-check': one.check, 'data-open-place': one.place ?? '', text: title(one.check)}),
    el('span', {class: 'amount', text: bench.sized(one.value_mm, one.U_mm)}),
    el('span', {class: 'calm', text: `${bench.large(one.verdict)}, ${fill('cell_chance')} ${percent(one.p)}`}));
  const beside = () => (told.verdicts.length ? section('cell_beside', el('ul', {class: 'others'}, ...told.verdicts.map(other))) : '');

  const visit = (one) => bench.figures.row(one.session, one.here ? fill('cell_here') : bench.day(one.started_at), one.verdict
    ? [el('td', {class: 'said'}, ...bench.verdictOf(one.verdict)), bench.sized(one.value_mm, one.U_mm).replace(/\u00a0(mm|in)$/, ''), percent(one.p)]
    : [el('td', {class: 'said', text: one.why || fill('cell_not_judged')}), '\u2013', '\u2013']);
  const history = () => section('cell_history', past.visits.length > 1
    ? bench.figures.table('visits', ['cell_visit', 'cell_verdict', 'cell_size', 'cell_chance'].map((name) => fill(name, {unit: bench.unit})), past.visits.map(visit))
    : el('p', {class: 'calm', text: fill('cell_first')}), past.more ? el('p', {class: 'calm', text: bench.count('cell_more', past.more)}) : '');

  const section = (words, ...inside) => el('section', {}, el('h3', {text: fill(words)}), ...inside);
  const waits = (words) => el('p', {class: 'calm', role: 'status', text: words});
  const inside = (cell) => {
    if (!cell) return [waits(fill('cell_gone'))];
    if (fault) return [verdictNow(cell), el('p', {role: 'alert', text: fill('not_told', {why: fault})})];
    if (!told) return [verdictNow(cell), waits(fill('cell_asking'))];
    return [verdictNow(cell), readings(), budget(cell), beside(), past ? history() : waits(fill('cell_asking'))].filter(Boolean);
  };
  const head = () => [el('h2', {id: 'cell-title', tabindex: -1, text: fill('cell_title', {where: bench.where(shown.fret, shown.place), check: title(shown.check).toLocaleLowerCase(fill('locale'))})}),
    el('button', {type: 'button', class: 'action', 'data-close': true}, fill('close'), ' ', el('kbd', {text: fill('key_escape')}))];
  const draw = () => {
    const node = box();
    if (!shown || !node.open) return;
    if (!node.firstChild) node.replaceChildren(el('div', {class: 'head'}), el('div', {class: 'body', tabindex: 0, role: 'group', 'aria-label': fill('cell_box')}));
    const [top, body] = node.children, cell = inSnap();
    const held = body.contains(document.activeElement) && document.activeElement !== body;
    bench.draw(top, shown, head);
    bench.draw(body, [bench.unit, shown, cell, told, past, fault], () => inside(cell));
    if (held && !body.contains(document.activeElement)) bench.by('cell-title').focus();
  };

  const wanted = ({check, fret, place}) => ({check, fret, place});
  const state = () => JSON.stringify([shown, bench.snap?.store, bench.snap?.seq, bench.cellsOf(bench.snap ?? {}).filter(({fret}) => fret === shown.fret)]);
  const ask = async () => {
    if (!shown || !box().open || state() === asked || !inSnap()) return;
    const now = (asked = state()), cell = shown;
    const answer = await bench.look('cell', wanted(cell)).catch((error) => ({fault: error.message}));
    if (shown !== cell) return;
    fault = answer.fault ?? '';
    if (!fault) told = answer;
    draw();
    if (now !== state()) again();  // something came meanwhile
    else if (askedPast !== now) askPast(cell, now);
  };
  const askPast = async (cell, now) => {
    askedPast = now;
    const answer = await bench.look('cell_history', wanted(cell)).catch((error) => ({fault: error.message}));
    if (shown !== cell) return;
    fault = answer.fault ?? '';
    if (!fault) past = answer;
    draw();
  };
  const again = bench.every(AGAIN_MS, ask);

  bench.openCell = ({check, fret, place}) => {
    shown = {check, fret, place: place ?? ''};
    told = past = null;
    fault = asked = askedPast = '';
    if (!box().open) box().showModal();
    draw();
    box().querySelector('.body').scrollTop = 0;
    bench.by('cell-title').focus();
    ask();
  };
  const worstOf = (fret, verdict) => bench.cellsOf(bench.snap ?? {}).find((one) => one.fret === fret && one.verdict === verdict);
  const openAt = (node) => {
    const {check, fret, place, worstFret, worst} = node.dataset;
    const cell = check ? {check, fret: Number(fret), place} : worst && worstOf(Number(worstFret), worst);
    if (!cell) return;
    bench.atCell(node);
    node.focus({preventScroll: true});  // so that the dialog gives the focus back to it
    bench.openCell(cell);
  };
  const close = () => { if (box().open) box().close(); };

  document.addEventListener('click', ({target}) => {
    const node = target.closest?.('.neckmap .cell'), button = target.closest?.('#cell button');
    if (node) openAt(node);
    if (button && 'close' in button.dataset) close();
    if (button?.dataset.openCheck) bench.openCell({check: button.dataset.openCheck, fret: shown.fret, place: button.dataset.openPlace});
    if (target === box()) close();  // beside it
  });
  document.addEventListener('keydown', (event) => {
    const node = event.target.closest?.('.neckmap .cell');
    if (node && event.key === 'Enter' && !event.repeat) {
      event.preventDefault();
      openAt(node);
    }
  });
  // A gauge that types, or a pedal, goes on measuring: its key closes what lies over the field.
  document.addEventListener('keydown', (event) => {
    const open = document.querySelector('dialog[open]'), pedal = bench.isPedal(event) && !event.target.closest?.('button');
    if (!open || event.ctrlKey || event.altKey || event.metaKey) return;
    if (pedal || /^[0-9.,+\-\u2212]$/.test(event.key)) open.close();
  }, true);
  for (const news of ['snapshot', 'cells']) bench.on(news, () => { if (shown && box()?.open) { draw(); again(); } });
  bench.on('look', draw);
  bench.on('ready', () => box().addEventListener('close', () => { shown = null; }));
})();
