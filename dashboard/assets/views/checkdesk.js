// A gauge against known sizes, on the page: what is at hand is said, readings come from the gauge or are typed, and it is judged.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const KINDS = {standard: 'check_kind_standard', expanded: 'check_kind_expanded', limits: 'check_kind_limits'};
  const MOST = 12, MOST_WHO = 80, MOST_REPEATS = 20, MOST_TEXT = 2000, SURE_MS = 6000;

  // A size as text in the unit that is shown, as exact as it is kept.
  const MM = {mm: 1, in: 25.4};
  const exact = (mm) => String(Number((mm / MM[bench.unit]).toFixed(7)));
  const say = (node, text, done = '') => {
    node.textContent = text;
    node.dataset.done = done;
  };
  const line = () => el('p', {class: 'told-said', role: 'status'});
  const button = (what, words, given = {}) => el('button', {type: 'button', class: 'action', 'data-check-do': what, ...given, text: fill(words)});
  const labelled = (label, field, more = null) => el('div', {class: 'told-field'}, el('label', {for: field.id, text: label}), field, more);

  // -- what is at hand: one form for each gauge
  const forms = new Map();
  const rowOf = (kept, known) => {
    kept.count += 1;
    const id = kept.count, input = (name, value) => el('input', {id: `check-${name}-${id}`, 'data-part': name, type: 'text', inputmode: 'decimal', autocomplete: 'off', maxlength: 40, value});
    const kind = el('select', {id: `check-kind-${id}`, 'data-part': 'kind'}, ...Object.entries(KINDS).map(([value, words]) => el('option', {value, text: fill(words)})));
    const size = input('size', known ? exact(known.mm) : ''), spread = input('spread', known ? exact(known.u_mm) : '');
    const less = el('button', {type: 'button', class: 'small', text: fill('check_less')});
    const row = el('div', {class: 'known-size', role: 'group'}, labelled('', size), labelled('', spread), labelled(fill('check_kind'), kind), less);
    less.addEventListener('click', () => {
      row.remove();
      kept.label();
      kept.more.focus();
    });
    return row;
  };
  const make = (gauge) => {
    const kept = {count: 0, unit: bench.unit}, {sizes, both_ways: both, repeats} = gauge.check_with;
    const rows = el('div', {class: 'known-sizes'}), said = line();
    kept.more = el('button', {type: 'button', class: 'small', text: fill('check_more_sizes')});
    const count = el('input', {id: 'check-repeats', type: 'number', min: 1, max: MOST_REPEATS, step: 1, value: repeats}), ways = el('input', {id: 'check-both-ways', type: 'checkbox', checked: both});
    const who = bench.bounded(el('input', {id: 'check-who', type: 'text', autocomplete: 'off', value: bench.recall('file-who') ?? ''}), MOST_WHO);
    const air = bench.snap?.climate?.temperature_c, warm = el('input', {id: 'check-temperature', type: 'text', inputmode: 'decimal', maxlength: 12, autocomplete: 'off', value: typeof air === 'number' ? air.toFixed(1) : ''});
    const what = el('p', {class: 'calm'});
    // What stands there as a bare number goes on to mean the same length when the page changes its unit.
    const convert = () => rows.querySelectorAll('input').forEach((input) => {
      const number = Number(input.value.replace(',', '.'));
      if (input.value.trim() && Number.isFinite(number)) input.value = exact(number * MM[kept.unit]);
    });
    kept.label = () => {
      if (kept.unit !== bench.unit) convert();
      kept.unit = bench.unit;
      [...rows.children].forEach((row, i) => {
        row.setAttribute('aria-label', fill('check_size_n', {n: i + 1}));
        row.querySelector('[data-part=size]').previousSibling.textContent = fill('check_size', {n: i + 1, unit: fill(bench.unit)});
        row.querySelector('[data-part=spread]').previousSibling.textContent = fill('check_spread', {unit: fill(bench.unit)});
        row.querySelector('button').setAttribute('aria-label', fill('check_less_named', {n: i + 1}));
      });
      what.textContent = fill('check_what', {unit: fill(bench.unit)});
      kept.more.hidden = rows.children.length >= MOST;
    };
    rows.append(...(sizes.length ? sizes : [null]).map((one) => rowOf(kept, one)));
    kept.more.addEventListener('click', () => {
      rows.append(rowOf(kept, null));
      kept.label();
      rows.lastChild.querySelector('input').focus();
    });
    const value = (row, part) => row.querySelector(`[data-part=${part}]`).value.trim();
    const form = kept.form = el('form', {class: 'telling checking', novalidate: true}, el('p', {class: 'calm', text: fill('check_here_more')}), rows, el('p', {}, kept.more), what, bench.caution(fill('step_leaves_more')),
      el('div', {class: 'told-fields'}, labelled(fill('check_repeats'), count), labelled(fill('check_who'), who), labelled(fill('check_temperature'), warm), el('label', {class: 'choice'}, ways, fill('check_both_ways'))),
      el('p', {class: 'told-actions'}, el('button', {type: 'submit', class: 'action', text: fill('check_begin')}), said));
    form.addEventListener('submit', (event) => {
      event.preventDefault();
      if (bench.tooLong(form)) return null;
      const given = [...rows.children].filter((row) => value(row, 'size') || value(row, 'spread')).map((row) => [value(row, 'size'), value(row, 'spread'), value(row, 'kind')]);
      const at = warm.value.trim().replace(',', '.'), celsius = at === '' ? null : Number(at);
      if (at !== '' && !Number.isFinite(celsius)) return say(said, fill('bad_temperature'), 'no');
      bench.keep('file-who', who.value.trim());
      say(said, '');
      return bench.ask({do: 'check_begin', gauge: gauge.gauge, sizes: given, unit: bench.unit, repeats: Math.round(Number(count.value)) || 0, both_ways: ways.checked, who: who.value.trim(), temperature_c: celsius});
    });
    bench.on('answer', (item, answer) => {
      if (item.do !== 'check_begin' || item.gauge !== gauge.gauge) return;
      say(said, answer.done ? '' : fill('check_refused', {why: answer.text}), 'no');
      leading = answer.done;
      lead();
    });
    return kept;
  };

  // Whoever began a check here goes on where its first reading is asked for, which stands above what was filled in.
  let leading = false;
  const lead = () => {
    const desk = bench.by('check-desk'), field = desk?.querySelector('#check-typed');
    if (!leading || !field) return;
    leading = false;
    desk.scrollIntoView({block: 'start'});
    field.focus({preventScroll: true});
  };

  // -- under way: one field for whichever check it is
  const typed = el('textarea', {id: 'check-typed', rows: 1, maxlength: MOST_TEXT, inputmode: 'decimal', autocomplete: 'off', enterkeyhint: 'send'}), answered = line();
  let stopping = -Infinity;
  const enter = () => {
    const text = typed.value.trim();
    if (!text) return;
    typed.value = '';
    say(answered, '');
    bench.ask({do: 'check_typed', text, unit: bench.unit});
  };
  typed.addEventListener('keydown', (event) => {
    if (event.key !== 'Enter' || event.shiftKey) return;
    event.preventDefault();
    enter();
  });
  const work = {
    enter,
    press: () => bench.press({do: 'check_press'}),
    back: () => bench.ask({do: 'check_back'}),
    finish: () => bench.ask({do: 'check_finish'}),
    stop: () => {
      const sure = performance.now() - stopping < SURE_MS;
      stopping = sure ? -Infinity : performance.now();
      if (sure) return bench.ask({do: 'check_stop'});
      return say(answered, fill('check_stop_sure'), 'no');
    },
    correct: () => bench.ask({do: 'check_correct', gauge: bench.snap?.check?.gauge ?? ''}),
    close: () => bench.ask({do: 'check_close'}),
  };
  document.addEventListener('click', ({target}) => {
    const what = target.closest?.('[data-check-do]')?.dataset.checkDo;
    if (Object.hasOwn(work, what ?? '')) work[what]();
  });
  bench.on('answer', (item, answer) => {
    if (!item.do.startsWith('check_') || item.do === 'check_begin') return;
    say(answered, answer.done ? '' : fill('check_refused', {why: answer.text}), 'no');
    if (item.do !== 'check_typed' || answer.done) return;
    if (!typed.value) typed.value = item.text;  // what was not taken can be mended
    typed.focus();
  });

  const at = (mm) => (mm ? fill('check_at', {size: bench.length(mm)}) : fill('check_at_zero'));
  const WAYS = {up: 'check_up', down: 'check_down'};
  const placed = ({nominal_mm: mm, direction}) => [at(mm), WAYS[direction] && fill(WAYS[direction])].filter(Boolean).join(', ');
  const point = (one) => el('li', {}, el('span', {text: placed(one)}), el('b', {text: `${bench.fine(one.value_mm)}\u00a0${bench.unit}`}));
  const underWay = (check, captured, sends) => [
    el('p', {class: 'lead', text: check.next ? fill('check_under_way', {n: check.done + 1, of: check.of}) : fill('check_all_in', {of: check.of})}),
    el('progress', {max: check.of, value: check.done, 'aria-label': check.next ? fill('check_under_way', {n: check.done + 1, of: check.of}) : fill('check_all_in', {of: check.of})}),
    check.next ? el('p', {class: 'check-next', role: 'status'}, el('b', {text: placed(check.next)}), ` ${fill('check_repeat', check.next)}`) : '',
    check.next ? el('div', {class: 'telling'}, labelled(fill('check_typed'), typed, el('small', {class: 'calm', text: fill(check.live && sends ? 'check_live' : 'check_by_hand')}))) : '',
    check.said ? el('p', {class: 'told-said', 'data-done': 'no', role: 'alert', text: bench.capital(check.said)}) : '', answered,
    el('p', {class: 'told-actions'}, check.next ? button('enter', 'check_enter') : button('finish', 'check_finish', {id: 'check-finish'}), check.next && captured ? button('press', 'check_press') : '',
      check.done ? button('back', 'check_back') : '', button('stop', 'check_stop')),
    el('h3', {text: fill('check_taken')}), check.points.length ? el('ol', {class: 'check-points', reversed: true}, ...[...check.points].reverse().map(point)) : el('p', {class: 'calm', text: fill('check_none')})];
  const result = ({result: found}) => [el('h3', {id: 'check-result', tabindex: -1, text: fill('check_result')}), bench.checkSays(found, fill('check_kept'), found.failed ? 'check_this_failed' : 'check_this_passed'), answered,
    found.corrected ? el('p', {text: fill('check_corrected')}) : found.reads_true && !found.grows ? '' : el('p', {class: 'calm', text: fill('check_correct_more')}),
    el('p', {class: 'told-actions'}, button('close', 'check_close'), found.corrected || (found.reads_true && !found.grows) ? '' : button('correct', 'check_correct'))];

  bench.checkDesk = (gauge) => (gauge.check_with ? el('section', {class: 'card looked check-desk', id: 'check-desk', tabindex: -1, 'aria-label': fill('check_here')}, el('h2', {text: fill('check_here')}), el('div', {class: 'desk'})) : null);
  let last = null;
  bench.drawCheckDesk = (node, gauge) => {
    if (!node) return;
    const check = bench.snap?.check ?? null, own = check?.gauge === gauge.gauge, now = (bench.snap?.gauges ?? []).find((one) => one.name === gauge.gauge);
    if (!forms.has(gauge.gauge)) forms.set(gauge.gauge, make(gauge));
    const held = node.contains(document.activeElement) ? document.activeElement : null;
    const inside = () => {
      if (check && own) return check.result ? result(check) : underWay(check, Boolean(now?.captured), now?.status === 'alive');
      if (check && !check.result) return [el('p', {text: fill('check_other', {gauge: check.gauge})}), el('a', {class: 'action', href: `#all-gauges/${encodeURIComponent(check.gauge)}`, text: fill('check_to_other')})];
      return [forms.get(gauge.gauge).form];
    };
    const before = last;
    if (!bench.draw(node, [bench.unit, gauge.gauge, check, Boolean(now?.captured), now?.status === 'alive'], inside)) return;
    forms.get(gauge.gauge).label();
    last = check && own ? (check.result ? 'result' : check.next ? 'under way' : 'all in') : '';
    lead();
    if (held) (before === last && bench.by(held.id) ? bench.by(held.id) : bench.by({'under way': 'check-typed', 'all in': 'check-finish', result: 'check-result'}[last] ?? 'check-desk'))?.focus({preventScroll: true});
  };
  // A step that asks for a check leads to it.
  bench.checkStep = () => {
    const made = el('button', {type: 'button', class: 'action', text: fill('check_here')});
    made.addEventListener('click', () => {
      bench.by('check-desk')?.scrollIntoView({block: 'start'});
      (bench.by('check-desk')?.querySelector('input, textarea, button') ?? bench.by('check-desk'))?.focus({preventScroll: true});
    });
    return made;
  };

  // A command to copy: by the browser where it may, else selected for the hand.
  bench.command = (text, id) => {
    const shown = el('pre', {class: 'command', id, tabindex: 0, text}), said = el('span', {class: 'calm', role: 'status'}), copy = el('button', {type: 'button', class: 'small', text: fill('copy_command')});
    copy.addEventListener('click', async () => {
      try {
        await navigator.clipboard.writeText(text);
        said.textContent = fill('copied');
      } catch {
        getSelection().selectAllChildren(shown);
        said.textContent = fill('copy_by_hand');
      }
    });
    return [shown, el('p', {class: 'copying'}, copy, said)];
  };
})();
