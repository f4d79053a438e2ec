// What would change with another relief, least crown or number of re-seats: answered as the value changes.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const WAIT_MS = 350;
  const LENGTHS = ['relief_mm', 'crown_min_mm'], ALL = [...LENGTHS, 'reseats'];
  const LABELS = {relief_mm: 'level_relief_mm', crown_min_mm: 'level_crown_min_mm', reseats: 'level_reseats_wish'};
  const MM_PER = {mm: 1, in: 25.4};

  const shown = (name, value) => (LENGTHS.includes(name) ? bench.number(value).replace('\u2212', '-') : String(value));
  const asked = (name, text) => {
    const trimmed = text.trim().replace(',', '.');
    if (!LENGTHS.includes(name) || trimmed === '' || !Number.isFinite(Number(trimmed))) return trimmed;
    return String(Number((Number(trimmed) * MM_PER[bench.unit]).toFixed(6)));
  };
  // The bench refuses the same; said here, it is said at once and in the unit of the field.
  const fault = (given, {wishes}) => ALL.filter((name) => name in given).map((name) => {
    const value = Number(given[name]), most = wishes.most[name], long = LENGTHS.includes(name);
    if (given[name] !== '' && value >= 0 && value <= most && (long || Number.isInteger(value))) return '';
    return fill(long ? 'level_out' : 'level_out_whole', {what: fill(LABELS[name], {unit: bench.unit}), most: long ? bench.length(most) : most});
  }).find(Boolean);
  const own = (session) => {
    try { return Object.fromEntries(Object.entries(JSON.parse(bench.recall(`wishes.${session}`) ?? '{}')).filter(([name, value]) => ALL.includes(name) && typeof value === 'string')); } catch { return {}; }
  };

  const field = (name, told, given, changed) => {
    const {wishes} = told.beside, most = wishes.most[name];
    const long = LENGTHS.includes(name), value = given[name] ?? String(wishes[name]);
    const box = el('input', {type: 'number', inputmode: long ? 'decimal' : 'numeric', id: `wish-${name}`, min: 0, max: long ? shown(name, most) : most,
      step: !long ? 1 : bench.unit === 'mm' ? (name === 'relief_mm' ? 0.01 : 0.05) : (name === 'relief_mm' ? 0.0005 : 0.002)});
    box.value = value === '' ? '' : shown(name, Number(value));
    box.addEventListener('input', () => changed(name, asked(name, box.value)));
    return el('div', {class: 'wish'}, el('label', {for: box.id, text: fill(LABELS[name], {unit: bench.unit})}), box,
      el('span', {class: 'calm', text: fill('level_bounds', {own: long ? bench.length(wishes[name]) : wishes[name], most: long ? bench.length(most) : most})}));
  };
  const notes = ({wishes}) => bench.told([!wishes.stated && fill('level_unstated'), !wishes.one_relief && fill('level_two_reliefs'),
    !wishes.seated && fill('level_unseated'), !wishes.crown_known && fill('level_no_crown')].filter(Boolean));

  const compare = (told, found) => {
    const before = told.report.plan?.feasible ? bench.planFacts(told.report.plan) : null;
    const now = found.plan?.feasible ? bench.planFacts(found.plan) : null;
    if (!now) return [el('p', {class: 'lead', text: fill('level_no_plan')}), el('p', {text: bench.capital(bench.inMyUnit(found.plan?.sentence ?? fill('level_too_little')))})];
    return [bench.figures.table('compare', [fill('level_cost'), fill('level_file'), fill('level_now')], now.map(([name, value], i) => {
      const line = bench.figures.row(String(i), name, [before ? before[i][1] : '\u2013', value]);
      if (before && before[i][1] !== value) line.dataset.changed = 'yes';
      return line;
    }))];
  };

  const ownPlan = ({report: {plan}}) => (plan?.feasible ? [bench.figures.table('compare', [fill('level_cost'), fill('level_file')], bench.planFacts(plan).map(([name, value], i) => bench.figures.row(String(i), name, [value])))] : []);

  // Give the panel; show(found) is called with the plan that the work list is to follow, side(plan, wished) with what
  // else could be done beside it.
  bench.wishes = (told, show, side) => {
    const {session} = told, file = {plan: told.report.plan, work: told.beside.work, wished: false};
    let given = own(session), number = 0, timer = 0, found = null;
    const answer = el('div', {class: 'answered', role: 'status'}), follow = el('input', {type: 'checkbox', id: 'follow-wishes'});
    follow.checked = bench.recall(`follow.${session}`) === 'yes';
    const list = () => show(follow.checked && found ? {...found, wished: true} : file);
    const settle = () => {
      follow.disabled = !found;
      list();
    };
    const refuse = (why) => {
      found = null;
      delete answer.dataset.busy;
      answer.replaceChildren(el('p', {class: 'refused', text: bench.capital(why)}));
      settle();
    };
    // What else could be done takes several plans: it comes after the answer, and only for the wish that stands.
    const aside = async (mine) => {
      try {
        const most = String(Math.max(told.beside.wishes.reseats, Number(given.reseats ?? 0)));
        const {plan} = await bench.look('levelling', {id: session, ...given, reseats: most, others: 'yes'});
        if (mine === number) side(plan, true);
      } catch (error) {
        if (mine === number) refuse(error.message);
      }
    };
    const ask = async () => {
      const mine = ++number;
      if (!Object.keys(given).length) {
        found = null;
        delete answer.dataset.busy;
        answer.replaceChildren(el('p', {class: 'calm', text: fill('level_same')}), ...ownPlan(told));
        settle();
        side(told.report.plan, false);
        return;
      }
      const why = fault(given, told.beside);
      if (why) {
        refuse(why);
        return;
      }
      answer.dataset.busy = 'yes';
      try {
        const told_ = await bench.look('levelling', {id: session, ...given});
        if (mine !== number) return;
        found = told_;
        answer.replaceChildren(...compare(told, found));
        aside(mine);
      } catch (error) {
        if (mine !== number) return;
        refuse(error.message);
      }
      delete answer.dataset.busy;
      settle();
    };
    const changed = (name, value) => {
      if (value === String(told.beside.wishes[name]) || Number(value).toFixed(4) === Number(told.beside.wishes[name]).toFixed(4) && value !== '') delete given[name];
      else given[name] = value;
      bench.keep(`wishes.${session}`, JSON.stringify(given));
      clearTimeout(timer);
      timer = setTimeout(ask, WAIT_MS);
    };
    follow.addEventListener('change', () => { bench.keep(`follow.${session}`, follow.checked ? 'yes' : 'no'); list(); });
    const fields = el('div', {class: 'wishes'});
    const build = () => fields.replaceChildren(...ALL.map((name) => field(name, told, given, changed)));
    const reset = el('button', {type: 'button', class: 'small', text: fill('level_reset')});
    reset.addEventListener('click', () => {
      given = {};
      bench.keep(`wishes.${session}`, '{}');
      build();
      ask();
    });
    build();
    ask();
    bench.wishReseats = (n) => {
      follow.checked = true;
      bench.keep(`follow.${session}`, 'yes');
      changed('reseats', String(n));
      build();
      bench.by('wish-reseats').scrollIntoView({block: 'nearest'});
      bench.by('wish-reseats').focus();
    };
    return bench.section(fill('level_wish'), fields, notes(told.beside), answer, el('div', {class: 'follow'}, el('label', {}, follow, ' ', fill('level_follow')), reset));
  };
})();
