// The gauges that this bench knows: all in a list, one at length with what to do about it first.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const STATES = {pass: 'gauges_in_order', remeasure: 'gauges_wants', fail: 'gauges_doubt'};
  const STEPS = {
    failed: 'step_failed', drifts: 'step_drifts', moved: 'step_moved', overdue: 'step_overdue', never: 'step_never', worth_unknown: 'step_worth_unknown',
    go_on: 'step_go_on', zero: 'step_zero', restart: 'step_restart', study: 'step_study', connect: 'step_connect', leaves: 'step_leaves',
  };
  const SIGNS = {failed: 'fail', drifts: 'fail', moved: 'fail', overdue: 'remeasure', never: 'remeasure', worth_unknown: 'remeasure'};
  const WAYS = {serial: 'gauges_way_serial', bluetooth: 'gauges_way_bluetooth', typed: 'gauges_way_typed', '': 'gauges_way_none'};
  const known = (value) => typeof value === 'number' && Number.isFinite(value);
  const fine = (mm) => `${bench.fine(mm)}\u00a0${bench.unit}`;
  const to = (name) => `#all-gauges/${encodeURIComponent(name)}`;

  // How a gauge is right now comes with every snapshot; the rest is asked for.
  const live = (name) => (bench.snap?.gauges ?? []).find((one) => one.name === name);
  const kindOf = ({kind}) => bench.words.gauge_kinds[kind] ?? kind;
  const statusOf = (gauge) => {
    const now = live(gauge.gauge);
    if (now) return {status: bench.lost ? 'unknown' : now.status, words: bench.gaugeStatus(now, bench.lost)};
    return gauge.way === 'typed' ? {status: 'typed', words: fill('gauges_typed')} : {status: 'absent', words: fill('gauges_absent')};
  };
  const status = (gauge) => {
    const {status: name, words} = statusOf(gauge);
    return el('span', {class: 'alive', 'data-status': name}, el('i', {class: 'lamp', 'aria-hidden': 'true'}), words);
  };

  const step = (name, more, {sign = '', command = '', title = {}, inside = []} = {}) => el('li', {'data-step': name, 'data-verdict': sign || null}, sign ? bench.sign(sign) : el('span', {class: 'sign', 'aria-hidden': 'true', text: '\u2013'}),
    el('span', {class: 'text', text: fill(name, title)}), ...more.filter(Boolean).map((text) => el('span', {class: 'why', text})), ...inside,
    ...(command ? [el('div', {class: 'in-terminal'}, el('p', {class: 'calm', text: fill('gauges_close_first')}), ...bench.command(command, `do-${name}`))] : []));
  const during = (zone) => { const [stage] = zone.split(' of '); return bench.words.stages[stage]?.title ?? stage; };
  const more = (gauge, {name}) => {
    if (name === 'failed') return [fill('step_failed_more'), gauge.good_until ? fill('step_failed_since', {day: bench.day(gauge.good_until)}) : fill('step_failed_ever')];
    if (name === 'drifts') return [fill('step_drifts_more'), gauge.good_until && fill('step_failed_since', {day: bench.day(gauge.good_until)})];
    if (name === 'moved') return [fill('step_moved_more', {during: gauge.zero.moved.map((one) => during(one.during)).join(', ')})];
    return [fill(name === 'connect' && gauge.saved ? 'step_plug_in' : `${STEPS[name]}_more`)];
  };
  const asked = (gauge) => bench.snap?.next?.kind === 'gauge_zero' && (bench.snap.next.gauge ? bench.snap.next.gauge === gauge.gauge : bench.snap.next.gauge_kind === gauge.kind);
  const CHECKS = ['failed', 'drifts', 'overdue', 'never'];
  const insideOf = (gauge, name) => (name === 'leaves' ? [bench.caution(fill('step_leaves_more'))] : CHECKS.includes(name) && gauge.check_with ? [bench.checkStep()] : []);
  const toBench = () => el('a', {class: 'action', href: '#bench', text: fill('step_to_bench')});
  // What the gauge itself says is most urgent, and changes while one looks.
  const urgent = (gauge) => {
    const now = bench.lost ? null : live(gauge.gauge);
    return [
      now?.status === 'lost' && step('step_lost', [bench.capital(now.detail ?? '')], {sign: 'fail'}),
      now?.status === 'silent' && step('step_silent', [fill('step_silent_more')], {sign: 'remeasure'}),
      now && bench.lowBattery(now) && step('step_battery', [], {sign: 'remeasure', title: {n: now.battery_percent}, inside: [bench.caution(fill('step_battery_more'))]}),
      now && asked(gauge) && step('step_zero_now', [fill('step_zero_now_more')], {inside: [toBench()]}),
    ].filter(Boolean);
  };
  const lasting = (gauge) => gauge.steps.filter((one) => one.name !== 'zero' || !asked(gauge)).map((one) => step(STEPS[one.name], one.name === 'leaves' ? [] : more(gauge, one), {
    sign: SIGNS[one.name], command: one.command, inside: insideOf(gauge, one.name)}));
  const todo = (gauge) => {
    const list = [...urgent(gauge), ...lasting(gauge)];
    return list.length ? list : [step('step_none', [fill('step_none_more')], {sign: 'pass'})];
  };

  const when = (at) => fill('gauges_last_at', {day: bench.day(at), time: bench.clock(at)});
  const value = ({value_nm: nm, low_nm: low, high_nm: high}) => (low === null ? bench.length(bench.mm(nm)) : fill('within', {low: bench.number(bench.mm(low)), high: bench.length(bench.mm(high))}));
  const last = ({last: one}) => (one ? [value(one), el('small', {text: [bench.capital(bench.whatOf(one)), one.taken_back && fill('gauges_last_back'), one.at && when(one.at)].filter(Boolean).join('; ')})] : [fill('gauges_last_none')]);
  const zero = ({zero: {taken, moved}}) => {
    if (!taken.length) return [fill('gauges_zero_none')];
    const first = taken[0], now = taken.at(-1);
    return [fill('gauges_zero_is', {size: fine(now.value_mm), time: bench.clock(now.at)}),
      taken.length > 1 ? el('small', {text: fill('gauges_zero_drift', {size: bench.fineSized(now.value_mm - first.value_mm), n: taken.length})}) : '',
      ...moved.map((one) => el('small', {class: 'moved'}, bench.sign('fail'), ' ', fill('gauges_zero_moved', {size: bench.fineSized(one.moved_mm, one.U_mm), during: during(one.during)})))];
  };
  const way = ({way: name, port}) => fill(name === 'serial' && !port ? 'gauges_way_serial_unsaid' : WAYS[name], {port});
  const now = (gauge) => bench.section(fill('gauges_now'), el('p', {class: 'status'}), bench.facts([
    [fill('gauges_link'), way(gauge)], gauge.profile && [fill('gauges_profile'), gauge.profile], [fill('gauges_last'), ...last(gauge)], gauge.kind !== 'leaves' && [fill('gauges_zero_now'), ...zero(gauge)]]));

  const known_error = ({error_mm: mm, error_about_mm: about, error_slope: slope}) => {
    if (!mm && !slope) return null;
    return [fill('gauges_error'), slope ? fill('gauges_error_grows', {size: bench.fineSized(mm), at: bench.length(about), share: (1000 * slope).toFixed(2).replace('-', '\u2212')}) : fill('gauges_error_is', {size: bench.fineSized(mm)})];
  };
  const repeats = ({u_mm: u, kind}) => (known(u) ? fill('gauges_u_is', {u: fine(u)}) : fill(kind === 'leaves' ? 'gauges_u_leaves' : 'gauges_u_none'));
  const worth = (gauge) => bench.section(fill('gauges_worth'), bench.facts([
    [fill('gauges_u'), repeats(gauge)], known(gauge.u_mm) && [fill('gauges_from'), [bench.words.sources[gauge.u_from] ?? gauge.u_from, known(gauge.u_dof) && fill('worth_dof', {n: gauge.u_dof})].filter(Boolean).join(', ')],
    known(gauge.resolution_mm) && [fill('digit'), `${bench.digit(gauge.resolution_mm)}\u00a0${bench.unit}`], gauge.zero_u_mm > 0 && [fill('gauges_zero_u'), fill('gauges_zero_u_is', {u: fine(gauge.zero_u_mm)})],
    known_error(gauge), gauge.worth_since && [fill('gauges_counts_since'), bench.day(gauge.worth_since)]]));
  const past = ({gauge, uses}) => bench.section(fill('gauges_past'), bench.facts([
    [fill('gauges_past_sittings'), String(uses.sittings)], [fill('gauges_past_readings'), String(uses.readings)], [fill('gauges_past_back'), String(uses.taken_back)], [fill('gauges_past_kept'), String(uses.kept)],
    [fill('gauges_past_asked'), String((bench.snap?.queries ?? []).filter((one) => one.gauge === gauge).length)]]));

  const detail = (gauge) => el('article', {class: 'gauge', 'aria-labelledby': 'gauge-name'},
    el('div', {class: 'named'}, el('h2', {id: 'gauge-name', tabindex: -1, text: gauge.gauge}), el('span', {class: 'calm', text: bench.capital(kindOf(gauge))})),
    el('div', {class: 'side'}, el('div', {class: 'column'}, bench.section(fill('gauges_todo'), el('ul', {class: 'judged gauge-steps'})), bench.checkDesk(gauge), bench.gaugeChecks(gauge), bench.gaugeStudy(gauge)),
      el('div', {class: 'column'}, now(gauge), worth(gauge), past(gauge))));
  const standing = ({state, step: first, used}) => {
    if (!used) return bench.capital(fill('gauges_unused'));
    return bench.capital(fill(STATES[state])) + (first && state !== 'pass' ? `: ${fill(STEPS[first])}` : '');
  };
  const entry = (chosen) => (gauge) => el('li', {}, el('a', {class: 'gauge-pick', id: `pick-${gauge.gauge}`, href: to(gauge.gauge), 'data-state': gauge.state, 'aria-current': gauge.gauge === chosen ? 'true' : null}, bench.sign(gauge.state),
    el('span', {class: 'name', text: gauge.gauge}), el('span', {class: 'how'}), el('span', {class: 'step', text: standing(gauge)})));
  const roster = ({gauges, chosen}) => el('nav', {class: 'card roster', 'aria-label': fill('gauges_known')}, el('h2', {text: fill('gauges_known')}), el('ul', {}, ...gauges.map(entry(chosen.gauge))));
  const empty = () => bench.section(fill('gauges_none'), el('p', {text: fill('gauges_none_more')}),
    el('pre', {class: 'command', tabindex: 0, text: 'fretledger gauges listen PORT --profile PROFILE --save NAME\nfretledger bench --gauge NAME'}), toBench());

  let shown = null, picked = false;
  const refresh = () => {
    const view = bench.by('view-all-gauges');
    if (!shown || view.hidden || !view.querySelector('.roster')) return;
    view.querySelectorAll('.gauge-pick').forEach((node, i) => {
      const gauge = shown.gauges[i];
      bench.draw(node.querySelector('.how'), statusOf(gauge), () => [status(gauge)]);
    });
    const gauge = shown.chosen, at = live(gauge.gauge);
    bench.draw(view.querySelector('.status'), [statusOf(gauge), at?.since, at?.battery_percent], () => [status(gauge), at && !bench.lost ? bench.gaugeBattery(at) : '']);
    const steps = view.querySelector('.gauge-steps'), held = steps.contains(document.activeElement) ? document.activeElement.id : '';
    const drawn = bench.draw(steps, [bench.unit, gauge, at?.status, at?.detail, at?.battery_percent, asked(gauge), Boolean(bench.lost)], () => todo(gauge));
    if (drawn && held) bench.by(held)?.focus();  // whoever is in a step stays there
    bench.drawCheckDesk(view.querySelector('.desk'), gauge);
  };
  const draw = (node, told) => {
    shown = told;
    bench.drawView(node, [bench.unit, told, (bench.snap?.queries ?? []).length], () => [
      told.trouble ? el('p', {role: 'alert', class: 'refused', text: told.trouble}) : null,
      ...(told.chosen ? [el('div', {class: 'gauges-view'}, roster(told), detail(told.chosen))] : [empty()])].filter(Boolean));
    refresh();
    if (picked) bench.by('gauge-name')?.focus();
    picked = false;
  };
  // Whoever picks a gauge is taken to it, by eye and by ear.
  document.addEventListener('click', ({target}) => { if (target.closest?.('#view-all-gauges .gauge-pick')) picked = true; });
  bench.on('snapshot', refresh);
  bench.on('link', refresh);
  bench.addView('all-gauges', {what: 'gauges', wanted: () => ({gauge: bench.looked()}), rests: () => [bench.snap?.told, (bench.snap?.gauges ?? []).map(({name, status: now}) => [name, now])], draw});
})();
