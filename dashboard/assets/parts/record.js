// The record: everything of one instrument on one page, which is also the quality-check sheet when it is printed.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const VERDICTS = ['fail', 'remeasure', 'pass'];
  const LOADS = {customer: 'sheet_customer', shop: 'sheet_shop'}, PRINTS = {customer: 'print_customer', shop: 'print_shop'};
  const HEADS = ['column_verdict', 'column_check', 'column_where', 'column_value', 'column_chance', 'column_todo'];

  const both = (mm, decimals) => `${mm.toFixed(decimals)} mm (${(mm / 25.4).toFixed(decimals + 1)} in)`;
  const large = (verdict) => bench.words.verdicts[verdict].large;
  const section = (name, title, ...children) => el('section', {class: `card ${name}`, 'aria-label': title}, el('h2', {text: title}), ...children);

  const facts = ({instrument}) => [instrument.kind, fill('scale', {length: both(instrument.scale_mm, 1)}), fill('frets', {n: instrument.frets}),
    instrument.join_fret ? fill('join', {n: instrument.join_fret}) : '', instrument.wire ? fill('record_wire', {wire: instrument.wire}) : ''].filter(Boolean).join(', ');
  const taken = (told) => [told.taken_at ? bench.count('record_readings', told.readings, {day: bench.day(told.taken_at)}) : fill('record_none_taken'),
    told.people ? fill('record_by', {people: told.people}) : ''].filter(Boolean).join(', ');
  const counts = (told) => el('ul', {class: 'tallies'}, ...VERDICTS.map((verdict) => el('li', {'data-count': verdict},
    bench.sign(verdict), el('b', {text: told.counts[verdict]}), el('span', {text: large(verdict)}))));
  // On what the seal rests: since when the store's rows are counted, and what it was recovered from.
  const total = (counts) => Object.values(counts).reduce((sum, one) => sum + one, 0);
  const recovery = (one) => {
    const [day, lost, changed] = [bench.day(one.at), total(one.lost), total(one.changed)];
    return lost + changed ? fill('record_recovered_less', {day, lost, changed}) : fill(one.witnessed ? 'record_recovered' : 'record_recovered_unknown', {day});
  };
  const rests = ({counted_since: since, recovered}) => (since === null ? [fill('record_counted')] : [...recovered.map(recovery),
    ...(recovered.at(-1)?.at === since ? [] : [fill('record_counted_since', {time: `${bench.day(since)}, ${bench.clock(since)}`})])]);
  const code = ({seal}) => (seal ? el('div', {class: 'code'}, bench.codeOf(seal), el('b', {text: fill('record_code', {code: seal.code})}),
    ...(seal.rests_on ? rests(seal.rests_on) : []).map((text) => el('p', {class: 'calm rests', text}))) : '');

  const address = (told, audience, paper) => `/sheet.pdf?${new URLSearchParams({id: told.session, for: audience, unit: bench.unit, paper})}`;
  const sheets = (told) => {
    const paper = bench.recall('paper') === 'letter' ? 'letter' : 'a4';
    return el('div', {class: 'sheets', role: 'group', 'aria-label': fill('sheet')},
      el('label', {}, `${fill('sheet_paper')} `, el('select', {id: 'paper'}, ...['a4', 'letter'].map((name) => el('option', {value: name, selected: name === paper, text: fill(name)})))),
      ...Object.entries(LOADS).map(([audience, name]) => el('a', {class: 'switch', 'data-sheet': audience, download: true, href: address(told, audience, paper), text: fill(name)})),
      ...Object.entries(PRINTS).map(([audience, name]) => el('button', {type: 'button', class: 'switch', 'data-print': audience, text: fill(name)})));
  };
  const head = (told) => el('section', {class: 'card titled', 'aria-label': fill('record_of', {name: told.instrument.name})},
    el('div', {class: 'names'}, el('p', {class: 'kicker', text: fill('sheet_title')}), el('h2', {class: 'large', text: told.instrument.name}),
      el('p', {class: 'calm', text: facts(told)}), el('p', {class: 'calm', text: taken(told)}), told.note ? el('p', {text: told.note}) : '',
      told.instrument.invented ? el('p', {class: 'invented', text: fill('record_invented')}) : ''),
    code(told), counts(told), sheets(told));

  const todo = (one) => bench.capital(one.todo ?? '');
  const says = (one) => (one.text ? bench.sentence(one, 'text') : `${bench.capital(one.words)}: ${bench.where(one.fret, one.place)}`);
  const failure = (one) => el('li', {}, bench.sign('fail'), el('div', {}, el('p', {class: 'text', text: says(one)}),
    el('p', {class: 'todo', text: todo(one)})));
  // On the customer's paper one sentence stands for all frets with one fault, so that all of them are named on one page.
  const together = (one) => el('li', {}, bench.sign('fail'), el('p', {class: 'text', text: says(one)}));
  const heads = () => HEADS.map((name) => fill(name, {unit: bench.unit}));
  const chance = (p) => (typeof p === 'number' ? fill('percent', {n: Math.round(100 * p)}) : '');
  const cells = (one) => [bench.verdictWord(one.verdict), bench.capital(one.words), bench.where(one.fret, one.place), bench.plusMinus(one.value_mm, one.U_mm), chance(one.p), todo(one)];
  const rows = (list) => (list.some(todo) ? bench.table(heads(), list.map(cells)) : bench.table(heads().slice(0, -1), list.map((one) => cells(one).slice(0, -1))));
  const verdicts = (told) => {
    const of = (verdict) => told.verdicts.filter((one) => one.verdict === verdict);
    const fails = [...of('fail'), ...told.zeros_moved], agains = of('remeasure'), passes = of('pass');
    if (!told.verdicts.length) return el('section', {class: 'card', 'aria-label': fill('verdict_table')}, el('p', {class: 'calm', text: fill('worst_none')}));
    return section('verdicts', fill('verdict_table'),
      el('h3', {text: fill(fails.length ? 'outside' : 'all_within')}), ...(fails.length ? [el('ul', {class: 'fails each'}, ...fails.map(failure)),
        el('ul', {class: 'fails together'}, ...[...told.faults, ...told.zeros_moved].map(together))] : []),
      ...(agains.length ? [el('h3', {class: 'for-shop', text: fill('to_measure_again')}), el('div', {class: 'for-shop table-box'}, rows(agains))] : []),
      passes.length ? el('details', {class: 'for-shop table-box'}, el('summary', {text: bench.count('passed', passes.length)}), rows(passes)) : '');
  };

  const small = (mm) => `${bench.digit(mm)} ${bench.unit}`;
  const worth = (one) => (one.kind === 'leaves' ? fill('gauge_leaves') : typeof one.u_mm === 'number' ? fill('gauge_worth', {u: small(one.u_mm)}) : fill('gauge_worth_none'));
  const gauge = (one) => el('li', {}, el('b', {text: one.name}), `: ${[one.words, one.resolution_mm ? fill('gauge_digit', {digit: small(one.resolution_mm)}) : '', worth(one)].filter(Boolean).join(', ')}; `,
    el('span', {class: 'checked', text: `${one.checked}${one.last_check ? ` (${bench.day(one.last_check)})` : ''}`}));
  const limit = (one) => `${bench.capital(one.words)}: ${[['limit_lower', one.lower_mm], ['limit_upper', one.upper_mm]].filter(([, mm]) => typeof mm === 'number')
    .map(([name, mm]) => fill(name, {size: bench.length(mm)})).join(', ')}; ${fill('limit_chance', {pass: 100 * one.p_pass, fail: 100 * one.p_fail})}`;
  const air = (one) => `${bench.day(one.at)}: ${one.temperature_c.toFixed(1)} \u00b0C (${(one.temperature_c * 1.8 + 32).toFixed(1)} \u00b0F), ${Math.round(one.humidity_percent)} %`;
  const list = (name, title, items, shop = false) => (items.length ? section(`${name}${shop ? ' for-shop' : ''}`, fill(title),
    el('ul', {}, ...items.map((item) => (typeof item === 'string' ? el('li', {text: item}) : item)))) : '');

  const all = (told) => [
    head(told), bench.worstMap(told), bench.tops(told), verdicts(told), bench.notesOf(told), list('with', 'record_gauges', told.gauges.map(gauge)),
    list('worked', 'record_worked', told.worked_with.map((one) => `${bench.capital(bench.words.factors[one.name] ?? one.words)}: ${one.value}`), true),
    list('noted', 'record_notes', told.notes), list('caution-list', 'record_cautions', told.cautions), list('air', 'record_air', told.climate.map(air), true),
    list('limits', 'record_limits', told.limits.map(limit), true), bench.filesOf(told), section('read', fill('how_to_read'), el('p', {text: told.read_off})), bench.sealsOf(told),
  ].filter((node) => node !== '');

  let last = null;
  const show = () => {
    const node = bench.by('view-record');
    const box = node.querySelector('.whole-record') ?? el('div', {class: 'whole-record'});
    if (!box.isConnected) node.replaceChildren(box);
    if (!bench.topsWidth()) return;
    const held = box.contains(document.activeElement) ? document.activeElement.id : '';
    const drawn = bench.draw(box, [bench.unit, bench.topsWidth(), last], () => all(last));
    if (drawn && held) bench.by(held)?.focus({preventScroll: true});  // whoever writes there goes on writing
    bench.noteFocus();
  };
  const wanted = () => (bench.looked() ? {id: bench.looked()} : {});
  const draw = (_node, told) => {
    last = told;
    show();
  };
  bench.on('ready', () => bench.addView('record', {what: 'record', wanted, rests: () => bench.snap?.told, draw}));
  // Drawn again as it gets another width, and for the first time as it gets any; what took its place, a fault say, stays.
  const again = bench.every(250, () => { if (last && document.querySelector('#view-record .whole-record')) show(); });
  bench.on('ready', () => new ResizeObserver(again).observe(bench.by('view-record')));
  document.addEventListener('change', ({target}) => {
    if (target.id !== 'paper') return;
    bench.keep('paper', target.value);
    document.querySelectorAll('#view-record a[data-sheet]').forEach((link) => { link.href = address(last, link.dataset.sheet, target.value); });
  });
})();
