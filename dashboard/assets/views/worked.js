// What the neck at the bench is worked with, told on the view Fit: wire, lot and blade, and how it is fretted.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const MAIN = ['wire', 'lot', 'blade'], OTHERS = ['seating', 'glue', 'caul', 'wood'], MOST = 200;
  const SIZES = {piece_mm: 'worked_piece_mm', crown_width_mm: 'worked_crown_width_mm', barb_pitch_mm: 'worked_barb_pitch_mm',
    barb_length_mm: 'worked_barb_length_mm', radius_mm: 'worked_radius_mm'};
  const known = (value) => typeof value === 'number' && Number.isFinite(value);

  const words = (name) => bench.capital(bench.words.factors[name]);
  const nowOf = (told, name) => told.worked_with.now.find((one) => one.name === name);
  const same = (a, b) => a.trim().toLocaleLowerCase() === b.trim().toLocaleLowerCase();
  const seen = (told, name, value) => {
    if (!value.trim()) return '';
    const found = told.worked_with.seen[name].find((one) => same(one.value, value));
    return found ? bench.count('worked_seen', found.visits, {day: bench.day(found.last)}) : fill('worked_new');
  };
  const from = (one) => (one.from === 'file' ? fill('worked_from_file') : one.at ? fill('worked_at', {day: bench.day(one.at), time: bench.clock(one.at)}) : '');
  const stated = (mm) => (bench.unit === 'in' ? `${(mm / 25.4).toFixed(3)}\u00a0in` : `${Number(mm.toFixed(2))}\u00a0mm`);
  const wire = ({worked_with: {wire: stock}}) => {
    const sizes = Object.entries(SIZES).filter(([name]) => known(stock[name])).map(([name, said]) => fill(said, {size: stated(stock[name])}));
    const all = known(stock.pieces) ? [fill('worked_pieces', {n: stock.pieces}), ...sizes] : sizes;
    return all.length ? el('p', {class: 'calm', text: `${fill('worked_wire')}: ${all.join(', ')}.`}) : '';
  };
  const facts = (told, names) => bench.facts(names.map((name) => {
    const one = nowOf(told, name);
    return [words(name), one.value || fill('worked_unsaid'), el('small', {class: 'calm', text: [from(one), one.value && seen(told, name, one.value)].filter(Boolean).map(bench.capital).join('. ')})];
  }), 'stacked');

  // One form for each session, so that a redrawn view takes nothing from under a hand.
  const forms = new Map();
  const field = (name, kept) => {
    const input = bench.bounded(el('input', {id: `worked-${name}`, name, type: 'text', autocomplete: 'off', list: `seen-${name}`, 'aria-describedby': `of-${name}`, enterkeyhint: 'send'}), MOST);
    const list = el('datalist', {id: `seen-${name}`}), more = el('small', {id: `of-${name}`, class: 'calm'});
    input.addEventListener('input', () => kept.describe(name));
    return el('div', {class: 'told-field'}, el('label', {for: input.id, text: words(name)}), input, list, more);
  };
  const make = () => {
    const kept = {told: null, shown: {}, pending: false};
    const said = el('p', {class: 'told-said', role: 'status'});
    const form = el('form', {class: 'telling', novalidate: true}, el('div', {class: 'told-fields'}, ...MAIN.map((name) => field(name, kept))),
      el('details', {'data-fold': 'worked-others'}, el('summary', {text: fill('worked_other')}), el('div', {class: 'told-fields'}, ...OTHERS.map((name) => field(name, kept)))),
      el('p', {class: 'told-actions'}, el('button', {type: 'submit', class: 'action', text: fill('worked_keep')}), said));
    const at = (name) => form.elements[name];
    const say = (text, done) => {
      said.textContent = text;
      said.dataset.done = done;
    };
    kept.describe = (name) => {
      const one = nowOf(kept.told, name), value = at(name).value;
      form.querySelector(`#of-${name}`).textContent = [value === one.value ? from(one) : '', seen(kept.told, name, value)].filter(Boolean).map(bench.capital).join('. ');
    };
    kept.follow = (told) => {
      kept.told = told;
      for (const name of [...MAIN, ...OTHERS]) {
        const {value} = nowOf(told, name);
        if (at(name).value === (kept.shown[name] ?? '')) at(name).value = value;  // what is being typed stays
        kept.shown[name] = value;
        form.querySelector(`#seen-${name}`).replaceChildren(...told.worked_with.seen[name].map((each) => el('option', {value: each.value})));
        kept.describe(name);
      }
    };
    form.addEventListener('submit', (event) => {
      event.preventDefault();
      if (bench.tooLong(form)) return null;
      const changed = [...MAIN, ...OTHERS].filter((name) => at(name).value.trim() !== kept.shown[name]);
      if (!changed.length) return say(fill('worked_kept'), 'yes');
      kept.pending = true;
      say('', '');
      return bench.ask({do: 'factors', factors: Object.fromEntries(changed.map((name) => [name, at(name).value.trim()]))});
    });
    bench.on('answer', (item, answer) => {
      if (item.do !== 'factors' || !kept.pending) return;
      kept.pending = false;
      say(answer.done ? fill('worked_kept') : fill('worked_refused', {why: answer.text}), answer.done ? 'yes' : 'no');
      if (answer.done) bench.lookAgain();
    });
    kept.form = form;
    return kept;
  };

  bench.workedWith = (told) => {
    if (!told.at_bench) return bench.section(fill('worked'), facts(told, [...MAIN, ...OTHERS.filter((name) => nowOf(told, name).value)]), wire(told));
    if (!forms.has(told.session)) forms.set(told.session, make());
    const kept = forms.get(told.session);
    kept.follow(told);
    return bench.section(fill('worked'), kept.form, el('div', {class: 'for-lookers'}, facts(told, MAIN)), el('p', {class: 'calm', text: fill('worked_more')}), wire(told));
  };
})();
