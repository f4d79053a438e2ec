// The rack: all instruments, newest first; found as one types, filtered by state, a page at a time.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const STATES = {'': 'rack_all', measuring: 'rack_measuring', failed: 'rack_failed', ended: 'rack_ended', unmeasured: 'rack_unmeasured'};
  const OFFERED = ['', 'measuring', 'failed', 'ended'], OPENS = ['record', 'sweep', 'levelling'];
  const TYPED_MS = 120, JUDGE_MS = 300, AGAIN_MS = 1500, AWAY_MS = 10000;

  const chosen = {find: '', state: '', page: 0, where: bench.recall('where.rack') ?? ''};
  const wanted = () => ({find: chosen.find, state: chosen.state, page: String(chosen.page), where: chosen.where});
  let frame = null, told = null;

  const stateOf = ([newest]) => (!newest ? 'unmeasured' : newest.ended === null ? 'measuring' : 'ended');
  bench.countsOf = (counts) => el('span', {class: 'counts'}, ...Object.entries(counts).filter(([, n]) => n).map(([verdict, n]) =>
    el('span', {class: 'tally'}, bench.sign(verdict), ` ${fill('of_counts', {n, verdict: bench.words.verdicts[verdict].large.toLowerCase()})}`)));
  const outcome = (told) => {
    if (!told) return el('span', {class: 'calm', text: fill('rack_judging')});
    if (!told.counts) return el('span', {class: 'why', text: fill('rack_not_judged', {why: told.why})});
    return Object.values(told.counts).some((n) => n) ? bench.countsOf(told.counts) : el('span', {class: 'calm', text: fill('rack_no_verdict')});
  };
  const title = (name) => bench.by(`to-${name}`)?.textContent ?? name;
  const links = (one, visit) => el('span', {class: 'opens'}, ...OPENS.map((view) => el('a', {
    href: `#${view}/${encodeURIComponent(visit.session)}`, text: title(view),
    'aria-label': fill('rack_open', {view: title(view), name: one.name, day: bench.day(visit.started_at)}),
  })));
  // What another bench measured can be counted here, and looked at there.
  const mine = (one) => !one.bench || one.bench.own;
  const stands = ({bench: at}) => (at ? el('span', {class: 'at-bench', text: at.own ? fill('rack_own') : fill('rack_at', {name: at.name, store: at.store.slice(0, 8)})}) : '');
  const visitLine = (one, visit) => el('li', {'data-visit': visit.session},
    el('span', {class: 'when', text: bench.count('rack_visit', visit.readings, {day: bench.day(visit.started_at)})}),
    visit.here ? el('span', {class: 'here', text: fill('rack_here')}) : '',
    el('span', {class: 'outcome'}), mine(one) ? links(one, visit) : el('span', {class: 'opens calm', text: fill('rack_elsewhere')}));
  const inside = (one) => {
    const [newest, ...older] = one.sessions;
    return [
      el('h3', {}, el('span', {text: one.name}), el('span', {class: 'rack-state', text: fill(STATES[stateOf(one.sessions)])}), stands(one)),
      newest ? el('ul', {class: 'visits'}, visitLine(one, newest)) : '',
      older.length ? el('details', {class: 'more', 'data-fold': 'visits'}, el('summary', {text: bench.count('rack_visits', one.sessions.length)}),
        el('ul', {class: 'visits'}, ...older.map((visit) => visitLine(one, visit))), mine(one) ? bench.compareForm(one) : '') : '',
    ];
  };
  const putOutcome = (visit) => {
    const node = frame?.querySelector(`[data-visit="${CSS.escape(visit.session)}"] .outcome`);
    if (node) bench.draw(node, visit.outcome, () => outcome(visit.outcome));
  };
  // Whoever is choosing two visits goes on choosing when the row is drawn again under their fingers.
  const HELD = ['[data-side=compare_earlier]', '[data-side=compare_later]', '.compare button', '[data-fold=visits] > summary'];
  const heldIn = (node) => HELD.find((selector) => node.contains(document.activeElement) && document.activeElement.matches(selector));
  // A row stays the same node while it is shown, so that what is open in it stays open.
  const rows = new Map();
  const rowOf = (one) => {
    const node = rows.get(one.instrument) ?? el('li', {class: 'racked', 'data-instrument': one.instrument});
    rows.set(one.instrument, node);
    node.dataset.state = stateOf(one.sessions);
    const held = heldIn(node);
    bench.keepOpen(node, () => bench.draw(node, [one.name, one.bench, one.sessions.map(({outcome, ...visit}) => visit)], () => inside(one)));
    if (held && !node.contains(document.activeElement)) node.querySelector(held)?.focus();
    return node;
  };
  const drawRows = ({instruments}) => {
    const kept = new Set(instruments.map((one) => one.instrument));
    [...rows.keys()].filter((id) => !kept.has(id)).forEach((id) => rows.delete(id));
    const nodes = instruments.map(rowOf), list = part('.rows');
    if (nodes.length !== list.children.length || nodes.some((node, i) => list.children[i] !== node)) list.replaceChildren(...nodes);
    instruments.flatMap((one) => one.sessions).forEach(putOutcome);
  };

  const button = (given, text) => el('button', {type: 'button', class: 'switch', ...given, text});
  const make = () => {
    const find = el('input', {id: 'rack-find', type: 'search', autocomplete: 'off', spellcheck: 'false', maxlength: 100});
    find.value = chosen.find;
    frame = el('section', {class: 'card rack', 'aria-label': fill('rack')},
      el('h2', {text: fill('rack')}),
      el('div', {class: 'find'}, el('label', {for: 'rack-find', text: fill('rack_find')}), find,
        el('div', {role: 'group', class: 'filter', 'aria-label': fill('rack_filter')},
          ...OFFERED.map((state) => button({'data-rack-state': state}, fill(STATES[state]))))),
      el('div', {class: 'whole-shop'}), el('p', {class: 'away', role: 'status', hidden: true}), el('p', {class: 'calm judged', hidden: true}), el('p', {class: 'shown calm', role: 'status'}), el('ul', {class: 'rows'}),
      el('nav', {class: 'pages', 'aria-label': fill('rack_pages')}, button({'data-rack-step': -1}, fill('rack_before')), button({'data-rack-step': 1}, fill('rack_after'))));
    return frame;
  };
  const part = (selector) => frame.querySelector(selector);
  const shown = () => {
    const from = told.page * told.rows;
    if (told.instruments.length) return fill('rack_shown', {from: from + 1, to: from + told.instruments.length, of: told.of});
    return fill(chosen.find || chosen.state || chosen.page ? 'rack_nothing' : 'rack_empty');
  };
  const show = (found) => {
    if (['find', 'state', 'page', 'where'].some((name) => found[name] !== chosen[name])) return;
    told = found;
    part('.shown').textContent = shown();
    const {judging} = found, all = judging.judged >= judging.of;
    bench.draw(part('.whole-shop'), [found.shop, found.where], () => (found.shop ? bench.whereSwitch('rack', found.where) : []));
    part('.away').hidden = !found.away;
    part('.away').textContent = found.away ? fill('rack_away', {why: found.away}) : '';
    part('.judged').hidden = chosen.state !== 'failed' && (all || !judging.background);
    part('.judged').textContent = [fill(all ? 'rack_all_judged' : 'rack_judged', {n: found.judged, m: judging.of}), judging.trouble ? fill('rack_stopped', {why: judging.trouble}) : ''].filter(Boolean).join(' ');
    for (const node of frame.querySelectorAll('[data-rack-state]')) node.setAttribute('aria-pressed', String(node.dataset.rackState === chosen.state));
    part('[data-rack-step="-1"]').disabled = !chosen.page;
    part('[data-rack-step="1"]').disabled = (chosen.page + 1) * found.rows >= found.of;
    part('.pages').hidden = found.of <= found.rows;
    drawRows(found);
    if (!judging.background) judgeLater();
    else if (judging.due || found.away) again(judging.trouble || !judging.due ? AWAY_MS : AGAIN_MS);
  };
  const draw = (node, found) => {
    if (!frame?.isConnected) node.replaceChildren(make());
    show(found);
  };
  bench.on('ready', () => bench.addView('rack', {what: 'rack', wanted, draw}));

  const failed = (error) => { if (frame) part('.shown').textContent = fill('not_told', {why: error.message}); };
  const look = () => bench.look('rack', wanted()).then(show).catch(failed);
  // While the bench judges in the background, what it has found so far comes along by itself.
  let waiting = 0;
  const again = (ms) => {
    waiting = waiting || setTimeout(() => {
      waiting = 0;
      if (bench.view() === 'rack' && !document.hidden) look();
    }, ms);
  };
  bench.on('where', (view, where) => {
    if (view !== 'rack') return;
    Object.assign(chosen, {where, page: 0});
    look();
  });
  let typing = 0;
  document.addEventListener('input', ({target}) => {
    if (target.id !== 'rack-find') return;
    Object.assign(chosen, {find: target.value, page: 0});
    clearTimeout(typing);
    typing = setTimeout(look, TYPED_MS);
  });
  document.addEventListener('click', ({target}) => {
    const {rackState, rackStep} = target.closest?.('[data-rack-state], [data-rack-step]')?.dataset ?? {};
    if (rackState === undefined && rackStep === undefined) return;
    Object.assign(chosen, rackState === undefined ? {page: Math.max(0, chosen.page + Number(rackStep))} : {state: rackState, page: 0});
    look();
  });

  // A visit is judged while its row is shown, one at a time with a pause, so that the bench itself is never kept waiting.
  let judging = false;
  const judgeLater = () => { if (!judging) setTimeout(judge, JUDGE_MS); };
  const judge = async () => {
    const visits = (told?.instruments ?? []).filter(mine).flatMap((one) => one.sessions.slice(0, 1)), next = visits.find((visit) => !visit.outcome);
    if (judging || !next || bench.view() !== 'rack' || document.hidden) return;
    judging = true;
    try {
      next.outcome = await bench.look('outcome', {id: next.session});
    } catch (error) {
      next.outcome = {counts: null, why: error.message};
    }
    judging = false;
    putOutcome(next);
    judgeLater();
  };
})();
