// Levelling: the work list to tick off and print, what other wishes would change, and what else could be done.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const LONG = [7, 12, 15];
  const known = (value) => typeof value === 'number' && Number.isFinite(value);
  const hold = (name, session) => `${name}.${session}`;

  // A tick belongs to a task and its amount: a plan that asks for another amount is not done yet.
  const keyOf = (deed) => JSON.stringify([deed.fret, deed.task, ...deed.sizes.map((one) => [one.place, one.mm.toFixed(3)])]);
  const ticked = (session) => {
    try { return new Set(JSON.parse(bench.recall(hold('done', session)) ?? '[]')); } catch { return new Set(); }
  };
  const tick = (session, key, on) => {
    const all = ticked(session);
    if (on) all.add(key);
    else all.delete(key);
    bench.keep(hold('done', session), JSON.stringify([...all]));
  };

  const sizes = (deed) => deed.sizes.map((one) => `${one.place ? bench.place(one.place) : fill('level_path')}\u00a0${bench.sized(one.mm, one.U_mm)}`).join(', ');
  const after = (deed) => [known(deed.crown_left_mm) && fill('level_crown_left', {size: bench.length(deed.crown_left_mm)}),
    known(deed.flat_mm) && deed.flat_mm > 0 && fill('level_flat', {size: bench.length(deed.flat_mm)})].filter(Boolean).join('; ');
  const line = (deed, tag, mark) => el('li', {'data-task': deed.task}, el(tag, {class: 'deed'}, mark, el('span', {class: 'fret', text: bench.where(deed.fret)}),
    el('span', {class: 'todo'}, el('b', {text: bench.words.tasks[deed.task]}), ' ', sizes(deed)), el('span', {class: 'after calm', text: after(deed)})));
  const row = (session, deed, count) => {
    const key = keyOf(deed), box = el('input', {type: 'checkbox', id: `deed-${deed.fret}-${deed.task}`});
    box.checked = ticked(session).has(key);
    box.addEventListener('change', () => { tick(session, key, box.checked); count(); });
    return line(deed, 'label', box);
  };
  // What is not to be done yet has no box to tick.
  const unboxed = (deeds) => el('ol', {class: 'deeds unboxed'}, ...deeds.map((deed) => line(deed, 'div', bench.sign('remeasure'))));
  bench.deedRows = (session, deeds) => {
    const progress = el('p', {class: 'calm', role: 'status'});
    const count = () => {
      const all = ticked(session);
      progress.textContent = fill('level_done', {n: deeds.filter((one) => all.has(keyOf(one))).length, of: deeds.length});
    };
    const list = el('ol', {class: 'deeds'}, ...deeds.map((deed) => row(session, deed, count)));
    count();
    // Ticked in another tab of this browser: this one follows.
    bench.ticksMoved = (name) => {
      if (name !== `fretledger.${hold('done', session)}`) return;
      const all = ticked(session);
      list.querySelectorAll('input').forEach((box, i) => { box.checked = all.has(keyOf(deeds[i])); });
      count();
    };
    return [list, progress];
  };

  const runs = (frets) => frets.reduce((all, fret) => {
    const last = all.at(-1);
    if (last && fret === last[1] + 1) last[1] = fret;
    else all.push([fret, fret]);
    return all;
  }, []).map(([a, b]) => (a === b ? String(a) : fill('level_run', {a, b}))).join(', ');
  const least = (plan) => {
    const left = plan.places.map((one) => one.crown_left_mm).filter(known);
    return left.length ? Math.min(...left) : null;
  };
  // What a plan costs, as pairs of a name and a text; the same for the file's plan and for other wishes.
  bench.planFacts = (plan) => [
    [fill('level_total'), bench.plain(plan.total_mm)], [fill('level_largest'), bench.plain(plan.largest_mm)], [fill('level_crown'), bench.plain(least(plan))],
    [fill('level_again'), known(plan.levellings_left) ? String(plan.levellings_left) : '\u2013'], [fill('level_reseats'), plan.reseats.length ? runs(plan.reseats) : fill('level_nil')],
    [fill('level_exceptions'), plan.exceptions.length ? runs(plan.exceptions) : fill('level_nil')],
  ];
  const single = ({best_single_reseat: one}) => (one ? fill(known(one.saved_mm) ? 'level_single' : 'level_single_opens', {fret: one.fret, size: bench.plain(one.saved_mm)}) : '');

  // One sheet of paper holds it: the more there is to do, the smaller it is printed.
  bench.howLong = (deeds) => String(LONG.filter((n) => deeds.length > n).length);
  const printButton = () => {
    const button = el('button', {type: 'button', class: 'action', text: fill('level_print')});
    button.addEventListener('click', () => window.print());
    return button;
  };
  // Steps still to be measured: at the bench those of its sheet, else places without a reading on the paths that were begun.
  const atBench = () => bench.snap?.stages?.find((one) => one.name === 'sweep');
  const unfinished = ({at_bench: here, beside: {swept}}) => [here && atBench(), swept].find((one) => one && one.done < one.of);
  const work = (told, {plan, work: list, wished}) => {
    const open = unfinished(told), orders = list.deeds.filter((deed) => !deed.noise), unsure = list.deeds.filter((deed) => deed.noise);
    const rows = !orders.length ? [] : open ? [unboxed(orders)] : bench.deedRows(told.session, orders);
    const again = unsure.length ? [el('h3', {text: fill('level_unsure')}), unboxed(unsure)] : [];
    const inside = !plan ? [el('p', {class: 'lead', text: fill('level_too_little')}), el('p', {text: fill('level_sweep_first')})]
      : !plan.feasible ? [el('p', {class: 'lead', text: fill('level_no_plan')}), el('p', {text: bench.capital(bench.inMyUnit(plan.sentence))})]
        : [list.deeds.length ? null : el('p', {class: 'lead', text: fill('level_nothing')}), ...rows, ...again,
          list.idle.length ? el('p', {text: fill('level_idle', {frets: runs(list.idle)})}) : null, el('p', {class: 'sum', text: fill('level_sum', {total: bench.plain(plan.total_mm), largest: bench.plain(plan.largest_mm), tolerance: bench.plain(plan.tolerance_mm)})}),
          single(plan) ? el('p', {class: 'calm', text: single(plan)}) : null, list.deeds.length ? el('p', {}, printButton()) : null];
    const first = told.beside.first.map((line) => el('p', {class: 'doubt', text: bench.capital(line)}));
    const node = bench.section(fill('level_list'), wished ? el('p', {class: 'calm', text: fill('level_wished')}) : null, plan && open ? bench.caution(fill('level_unfinished', {n: open.done, of: open.of})) : null, bench.caution(told.beside.cautions.sweep), ...first, ...inside.filter(Boolean));
    node.classList.add('worklist');
    node.dataset.long = bench.howLong([...list.deeds, ...again, ...(open ? [open] : [])]);
    return node;
  };

  const take = (one, name) => {
    const button = el('button', {type: 'button', class: 'small', 'data-take': one.reseats_allowed, 'aria-label': fill('level_take_named', {way: name}), text: fill('level_take')});
    button.addEventListener('click', () => bench.wishReseats(one.reseats_allowed));
    return button;
  };
  const others = (plan, wished) => {
    if (!plan?.alternatives.length) return null;
    const rows = plan.alternatives.map((one, i) => {
      const name = `${bench.words.alternatives[one.kind]}${one.kind === 'reseat' ? ` (${fill('level_up_to', {n: one.reseats_allowed})})` : ''}`;
      if (!one.feasible) return el('tr', {'data-row': String(i)}, el('th', {scope: 'row', text: name}), el('td', {colspan: 6, class: 'why', text: fill('level_not', {why: bench.inMyUnit(one.sentence)})}));
      const crown = one.kind === 'board' ? '\u2013' : bench.plain(one.crown_left_mm);
      const also = [one.reseats.length && fill('level_also_reseat', {frets: runs(one.reseats)}), one.exceptions.length && fill('level_also_raise', {frets: runs(one.exceptions)})].filter(Boolean).join('; ');
      const line = bench.figures.row(String(i), name, [bench.plain(one.total_mm), bench.plain(one.largest_mm), crown, known(one.levellings_left) ? String(one.levellings_left) : '\u2013', also]);
      line.append(el('td', {}, one.kind === 'reseat' || one.kind === 'level' ? take(one, name) : ''));
      return line;
    });
    return [wished ? el('p', {class: 'calm', text: fill('level_others_wished')}) : '',
      bench.figures.table('others', [fill('level_way'), fill('level_total'), fill('level_largest'), fill('level_crown'), fill('level_again'), fill('level_also'), fill('level_list')], rows)].filter(Boolean);
  };
  const doubts = (told) => {
    const lines = told.beside.doubts[bench.unit];
    return lines.length ? bench.section(fill('level_doubts'), bench.told(lines)) : null;
  };

  const draw = (node, told) => bench.drawView(node, [bench.unit, told, unfinished(told)], () => {
    const list = el('div', {class: 'column'}), beside = bench.section(fill('level_others'));
    const show = (found) => list.replaceChildren(work(told, found));
    const side = (plan, wished) => {
      const inside = others(plan, wished);
      beside.hidden = !inside;
      if (inside) beside.replaceChildren(beside.firstChild, ...inside);
    };
    side(told.report.plan, false);
    const wishes = bench.wishes(told, show, side);
    const second = el('div', {class: 'second'});
    bench.secondSweep(told, second);
    return [bench.standing(told), el('div', {class: 'side'}, list, el('div', {class: 'column'}, wishes, doubts(told) ?? '')), beside, second].filter(Boolean);
  });
  window.addEventListener('storage', ({key}) => bench.ticksMoved?.(key));
  bench.addView('levelling', {what: 'session', wanted: () => ({id: bench.looked()}), rests: () => atBench() ?? '', draw});
})();
