// Which wire, which blade: candidates typed on the view Fit, and the chance that a fret fits, as the bench answers it.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const WAIT_MS = 350, MOST = 12, MOST_NAME = 80, MM_PER_IN = 25.4, SURE = 0.95, NEVER = 0.05;
  const SIZES = {wire: ['tang', 'span'], blade: ['kerf']}, KINDS = Object.keys(SIZES);
  const MOST_MM = 10, MOST_SPREAD_MM = 1;  // the bench refuses the same; said here, it is said at the field
  const keysOf = (kind) => ['name', ...SIZES[kind].flatMap((size) => [`${size}_mm`, `${size}_u_mm`, `${size}_sd_mm`])];
  const mainOf = (kind) => ['name', ...SIZES[kind].map((size) => `${size}_mm`)];
  const LABELS = {
    name: 'choose_name', tang_mm: 'choose_tang', span_mm: 'choose_span', kerf_mm: 'choose_kerf', tang_u_mm: 'choose_tang_u', tang_sd_mm: 'choose_tang_sd',
    span_u_mm: 'choose_span_u', span_sd_mm: 'choose_span_sd', kerf_u_mm: 'choose_kerf_u', kerf_sd_mm: 'choose_kerf_sd',
  };
  const SAID = {
    wire: {all: 'choose_wires', one: 'choose_wire_n', add: 'choose_add_wire', here: 'choose_this_wire'},
    blade: {all: 'choose_blades', one: 'choose_blade_n', add: 'choose_add_blade', here: 'choose_this_blade'},
  };
  const words = (key) => fill(LABELS[key], {unit: bench.unit});
  const spread = (key) => /_(u|sd)_mm$/.test(key);
  const known = (value) => typeof value === 'number' && Number.isFinite(value);

  // What is kept is mm as text; what is no number stays as it was typed.
  const isNumber = (text) => /^[+-]?(\d+\.?\d*|\.\d+)$/.test(text);
  const toMm = (typed) => {
    const text = typed.trim().replace(',', '.').replace('\u2212', '-');
    return isNumber(text) ? String(Number((Number(text) * (bench.unit === 'in' ? MM_PER_IN : 1)).toFixed(6))) : typed.trim();
  };
  const shown = (mm) => (isNumber(mm) ? String(Number((Number(mm) / (bench.unit === 'in' ? MM_PER_IN : 1)).toFixed(bench.unit === 'in' ? 6 : 5))) : mm);
  const told = (kind) => {
    try {
      const rows = JSON.parse(bench.recall(`choose.${kind}`) ?? '[]');
      return rows.slice(0, MOST).map((row) => Object.fromEntries(keysOf(kind).map((key) => [key, typeof row[key] === 'string' ? row[key] : ''])));
    } catch { return []; }
  };

  // Rounding never lifts a chance over the line that its word is said by.
  const rounded = (p) => (p >= SURE || p <= NEVER ? Math.round(100 * p) : Math.min(100 * SURE - 1, Math.max(100 * NEVER + 1, Math.round(100 * p))));
  const percent = (p) => (p > 0.99 ? fill('choose_nearly') : p < 0.01 ? fill('choose_hardly') : fill('choose_percent', {p: rounded(p)}));
  const judged = (p) => (p >= SURE ? ['pass', 'choose_fits'] : p <= NEVER ? ['fail', 'choose_not'] : ['', 'choose_may']);
  const cell = (p, best) => {
    const [verdict, said] = judged(p);
    return el('td', {'data-verdict': verdict || null, 'data-best': best ? 'yes' : null}, el('span', {class: 'chance'}, verdict ? bench.sign(verdict) : '', fill(said)), `, ${percent(p)}`,
      best ? el('b', {class: 'best', text: ` \u2605\u00a0${fill('choose_is_best')}`}) : '');
  };

  // One panel for the page: what is being typed stays under the hand, whatever is drawn anew around it.
  const make = () => {
    const rows = Object.fromEntries(KINDS.map((kind) => [kind, told(kind)]));
    const state = {session: '', unit: '', sent: '', asked: 0, timer: 0, offered: null, offeredFor: ''};
    let number = 0;
    const lists = Object.fromEntries(KINDS.map((kind) => [kind, el('div', {class: 'candidates'})]));
    const adders = Object.fromEntries(KINDS.map((kind) => [kind, el('button', {type: 'button', class: 'small', id: `choose-add-${kind}`})]));
    const offers = Object.fromEntries(KINDS.map((kind) => [kind, el('div', {class: 'offers'})]));
    const full = Object.fromEntries(KINDS.map((kind) => [kind, el('p', {class: 'calm', role: 'status'})]));
    const answer = el('div', {class: 'chosen', role: 'status'});

    const nameOf = (kind, row) => row.name.trim() || fill(SAID[kind].one, {n: rows[kind].indexOf(row) + 1});
    const faultOf = (kind, row, key) => {
      const value = row[key].trim(), most = spread(key) ? MOST_SPREAD_MM : MOST_MM, over = [...row.name].length - MOST_NAME;
      if (key === 'name' && over > 0) return bench.count('too_long', over, {most: MOST_NAME});
      if (key === 'name') return rows[kind].some((other) => other !== row && nameOf(kind, other) === nameOf(kind, row)) ? fill('choose_twice') : '';
      if (!value) return '';
      if (!isNumber(value)) return fill('choose_number', {text: value});
      const holds = spread(key) ? Number(value) >= 0 : Number(value) > 0;
      return holds && Number(value) <= most ? '' : fill(spread(key) ? 'choose_spread_range' : 'choose_range', {most: bench.length(most)});
    };
    const sizesOf = (kind) => keysOf(kind).filter((key) => key !== 'name');
    const empty = (kind, row) => keysOf(kind).every((key) => !row[key].trim());
    const wanting = (kind, row) => SIZES[kind].map((size) => `${size}_mm`).filter((key) => !row[key].trim());
    const wrong = (kind, row) => keysOf(kind).some((key) => faultOf(kind, row, key));

    const mark = () => {
      for (const kind of KINDS) {
        for (const input of lists[kind].querySelectorAll('input')) {
          const row = rows[kind][Number(input.closest('fieldset').dataset.at)], why = faultOf(kind, row, input.name);
          if (why) input.setAttribute('aria-invalid', 'true');
          else input.removeAttribute('aria-invalid');
          input.nextElementSibling.textContent = bench.capital(why);
        }
        lists[kind].querySelectorAll('fieldset').forEach((set) => {
          const row = rows[kind][Number(set.dataset.at)];
          set.querySelector('.away').setAttribute('aria-label', fill('choose_away_named', {name: nameOf(kind, row)}));
          if ([...set.querySelectorAll('details [aria-invalid=true]')].length) set.querySelector('details').open = true;
        });
      }
    };

    const table = (found, usable) => {
      const wires = usable.wire.map((row) => nameOf('wire', row)), blades = usable.blade.map((row) => nameOf('blade', row));
      const chances = new Map(found.pairs.map((one) => [JSON.stringify([one.wire, one.blade]), one.chance]));
      const top = Math.max(...found.pairs.map((one) => one.chance)), fits = top > NEVER;
      const slots = new Map(found.slots.map((one) => [one.wire, one])), sawn = found.slots.some((one) => one.of);
      const inSlots = (one) => el('td', {class: 'in-slots', text: one?.of ? fill('choose_sure', {n: one.sure, of: one.of, p: percent(one.least), where: bench.where(one.fret, one.place)}) : fill('choose_no_slots')});
      const best = found.pairs[0];
      const lead = !best ? '' : fits ? fill('choose_best', {wire: best.wire, blade: best.blade, p: percent(best.chance)}) : fill('choose_best_none');
      const lines = wires.map((wire, i) => bench.figures.row(String(i), wire, [
        ...blades.map((blade) => { const p = chances.get(JSON.stringify([wire, blade])); return cell(p, fits && p === top); }), ...(sawn ? [inSlots(slots.get(wire))] : [])]));
      return [lead ? el('p', {class: 'lead', text: lead}) : null, bench.figures.table('choosing', [fill('choose_wire'), ...blades, ...(sawn ? [fill('choose_slots')] : [])], lines),
        el('p', {class: 'calm', text: fill('choose_key')})];
    };
    const left = () => KINDS.flatMap((kind) => rows[kind].filter((row) => !empty(kind, row)).map((row) => {
      if (wrong(kind, row)) return fill('choose_wrong', {name: nameOf(kind, row)});
      const still = wanting(kind, row);
      return still.length ? fill('choose_wanting', {name: nameOf(kind, row), what: still.map(words).join('; ')}) : '';
    })).filter(Boolean);
    const show = (...inside) => {
      delete answer.dataset.busy;
      answer.replaceChildren(...inside.flat().filter(Boolean));
      const why = left();
      if (why.length) answer.prepend(el('ul', {class: 'told'}, ...why.map((text) => el('li', {text}))));  // a name keeps its own first letter
    };
    const ask = async () => {
      const mine = ++state.asked, usable = {}, wanted = {id: state.session};
      for (const kind of KINDS) {
        usable[kind] = rows[kind].filter((row) => !empty(kind, row) && !wrong(kind, row) && !wanting(kind, row).length);
        usable[kind].forEach((row, i) => {
          wanted[`${kind}.${i}.name`] = nameOf(kind, row);
          sizesOf(kind).forEach((key) => { if (row[key].trim()) wanted[`${kind}.${i}.${key}`] = row[key].trim(); });
        });
      }
      if (!usable.wire.length) return show(left().length ? [] : el('p', {class: 'calm', text: fill('choose_none')}));
      answer.dataset.busy = 'yes';
      try {
        const found = await bench.look('choose', wanted);
        if (mine !== state.asked) return undefined;
        const any = found.pairs.length || found.slots.some((one) => one.of);
        return show(any ? table(found, usable) : el('p', {class: 'calm', text: fill('choose_none')}));
      } catch (error) {
        return mine === state.asked ? show(el('p', {class: 'refused', text: bench.capital(error.message)})) : undefined;
      }
    };
    const changed = (kind) => {
      bench.keep(`choose.${kind}`, JSON.stringify(rows[kind]));
      mark();
      clearTimeout(state.timer);
      state.timer = setTimeout(ask, WAIT_MS);
    };

    const field = (kind, row, key) => {
      const id = `choose-${kind}-${key}-${++number}`, text = key === 'name';
      const input = el('input', {id, name: key, type: 'text', inputmode: text ? 'text' : 'decimal', autocomplete: 'off', maxlength: text ? null : 20, 'aria-describedby': `${id}-why`});
      input.value = text ? row[key] : shown(row[key]);
      input.addEventListener('input', () => {
        row[key] = text ? input.value : toMm(input.value);
        changed(kind);
      });
      return el('div', {class: `candidate-field${text ? ' named' : ''}`}, el('label', {for: id, text: words(key)}), input, el('small', {id: `${id}-why`, class: 'refused'}));
    };
    const line = (kind, row, at) => {
      const away = el('button', {type: 'button', class: 'small away', text: fill('choose_away')});
      away.addEventListener('click', () => {
        rows[kind].splice(rows[kind].indexOf(row), 1);
        build(kind);
        changed(kind);
        (lists[kind].querySelectorAll('.away')[Math.min(at, rows[kind].length - 1)] ?? adders[kind]).focus();
      });
      const more = keysOf(kind).filter((key) => !mainOf(kind).includes(key));
      return el('fieldset', {'data-at': at}, el('legend', {text: fill(SAID[kind].one, {n: at + 1})}), el('div', {class: `candidate ${kind}`}, ...mainOf(kind).map((key) => field(kind, row, key)), away),
        el('details', {'data-fold': `choose-${kind}-${at}`}, el('summary', {text: fill('choose_known')}), el('div', {class: 'candidate-more'}, ...more.map((key) => field(kind, row, key))), el('p', {class: 'calm', text: fill('choose_unsaid')})));
    };
    const build = (kind) => {
      lists[kind].replaceChildren(...rows[kind].map((row, at) => line(kind, row, at)));
      adders[kind].textContent = fill(SAID[kind].add);
      adders[kind].disabled = rows[kind].length >= MOST;
      full[kind].textContent = adders[kind].disabled ? fill('choose_full', {most: MOST}) : '';
      offer(kind);
    };
    const add = (kind, given = {}) => {
      const blank = rows[kind].findIndex((row) => empty(kind, row)), row = Object.fromEntries(keysOf(kind).map((key) => [key, given[key] ?? '']));
      if (Object.keys(given).length && blank >= 0) rows[kind][blank] = row;
      else rows[kind].push(row);
      build(kind);
      changed(kind);
    };

    // What the store knows: each says where it was measured; a touch puts its sizes into a row, to be changed at will.
    const called = (kind, one) => {
      const name = one.name || fill(SAID[kind].here);
      return kind === 'wire' && one.lot ? fill('choose_lot', {name, lot: one.lot}) : name;
    };
    const offer = (kind) => {
      const found = state.offered?.[`${kind}s`] ?? [];
      const fresh = found.filter((one) => !rows[kind].some((row) => row.name === called(kind, one)));
      offers[kind].replaceChildren(...(fresh.length ? [el('p', {class: 'calm', text: fill('choose_offered')})] : []), ...fresh.map((one) => {
        const where = one.here ? fill('choose_here') : fill('choose_visit', {instrument: one.instrument, day: bench.day(one.at)}), name = called(kind, one);
        const text = kind === 'wire' ? fill('choose_offer_wire', {name, where, tang: bench.length(one.tang_mm), span: bench.length(one.span_mm)})
          : bench.count('choose_offer_blade', one.slots, {name, where, kerf: bench.length(one.kerf_mm)});
        const button = el('button', {type: 'button', class: 'small offer', text});
        button.disabled = rows[kind].length >= MOST && !rows[kind].some((row) => empty(kind, row));
        button.addEventListener('click', () => {
          add(kind, {name, ...Object.fromEntries(sizesOf(kind).filter((key) => known(one[key])).map((key) => [key, String(one[key])]))});
          (offers[kind].querySelector('button') ?? adders[kind]).focus();
        });
        return button;
      }));
    };
    const offeredNow = async (session, stands) => {
      try {
        const found = await bench.look('candidates', {id: session});
        if (state.offeredFor !== stands) return;
        state.offered = found;
        KINDS.forEach(offer);
      } catch (error) {
        if (state.offeredFor === stands) offers.wire.replaceChildren(el('p', {class: 'calm', text: fill('choose_offered_not', {why: error.message})}));
      }
    };

    for (const kind of KINDS) {
      adders[kind].addEventListener('click', () => {
        add(kind);
        lists[kind].querySelector('fieldset:last-child input').focus();
      });
      if (!rows[kind].length) rows[kind].push(Object.fromEntries(keysOf(kind).map((key) => [key, ''])));
    }
    const part = (kind) => el('div', {class: 'column', role: 'group', 'aria-label': fill(SAID[kind].all)}, el('h3', {text: fill(SAID[kind].all)}), lists[kind], el('p', {class: 'candidate-do'}, adders[kind]), full[kind], offers[kind]);
    const section = bench.section(fill('choose'), el('p', {class: 'calm', text: fill('choose_more')}), el('div', {class: 'both-candidates'}, ...KINDS.map(part)), answer);
    section.classList.add('choosing-card');
    const follow = (now) => {
      const stands = JSON.stringify([now.session, now.beside.wire, now.beside.widths, now.worked_with?.now]), other = state.unit !== bench.unit;
      state.session = now.session;
      if (other) {
        state.unit = bench.unit;
        KINDS.forEach(build);
        mark();
      }
      if (state.offeredFor !== stands) {
        state.offeredFor = stands;
        offeredNow(now.session, stands);
      }
      const sent = JSON.stringify([stands, now.beside.limits, bench.unit]);
      if (state.sent !== sent) {
        state.sent = sent;
        ask();
      }
    };
    return {section, follow};
  };

  let panel = null;
  bench.whichWire = (now) => {
    panel ??= make();
    panel.follow(now);
    return panel.section;
  };
})();
