// One gauge against known sizes: the last check, all of them along time between their limits, the worst, and the last study.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const DAY_MS = 86_400_000, MARGIN = 0.07, DAYS_AT = [0.12, 0.5, 0.88], MOST_BARS = 60;
  const known = (value) => typeof value === 'number' && Number.isFinite(value);

  // Errors are small against the decimals of a reading: one more of them.
  const fine = (mm) => `${bench.fine(mm)}\u00a0${bench.unit}`;
  bench.fineSized = (mm, U) => `${mm > 0 ? '+' : ''}${bench.fine(mm)}${known(U) ? `\u00a0\u00b1\u00a0${bench.fine(U)}` : ''}\u00a0${bench.unit}`;
  const at = (mm) => (mm ? fill('gauges_at_size', {size: bench.length(mm)}) : fill('gauges_at_zero'));
  const off = ({nominal_mm: nominal, error_mm: error, expanded_u_mm: U}) => {
    const size = `${bench.fine(Math.abs(error))}\u00a0\u00b1\u00a0${bench.fine(U)}\u00a0${bench.unit}`;
    if (!Number(bench.fine(Math.abs(error)))) return fill('gauges_true', {at: at(nominal)});
    return fill(error > 0 ? 'gauges_much' : 'gauges_little', {size, at: at(nominal)});
  };
  const heavy = ({error_mm: error, expanded_u_mm: U}) => Math.abs(error) / U;

  const faults = ({errors, reads_true: isTrue, grows, slope, hysteresis_mm: back, hysteresis_at_mm: where}) => [
    !isTrue && fill('gauges_check_untrue', {off: off(errors.reduce((worst, one) => (heavy(one) > heavy(worst) ? one : worst)))}),
    grows && fill('gauges_check_grows', {share: (1000 * slope).toFixed(2).replace('-', '\u2212')}),
    known(back) && fill('gauges_check_back', {size: fine(back), at: at(where)}),
  ].filter(Boolean);
  const verdict = (failed) => (failed ? 'fail' : 'pass');
  const newest = ({check}) => el('ul', {class: 'judged'}, el('li', {'data-verdict': verdict(check.failed)}, bench.sign(verdict(check.failed)),
    el('span', {class: 'text', text: fill(check.failed ? 'gauges_check_failed' : 'gauges_check_passed', {day: bench.day(check.at)})}),
    ...faults(check).map((text) => el('span', {class: 'todo', text: bench.capital(text)}))));
  bench.checkSays = (found, more, said = found.failed ? 'gauges_check_failed' : 'gauges_check_passed') => el('ul', {class: 'judged'}, el('li', {'data-verdict': verdict(found.failed)}, bench.sign(verdict(found.failed)),
    el('span', {class: 'text', text: fill(said, {day: bench.day(found.at)})}),
    ...faults(found).map((text) => el('span', {class: 'todo', text: bench.capital(text)})), found.drifts ? el('span', {class: 'todo', text: fill('gauges_drifting')}) : '', el('span', {class: 'calm', text: more})));
  const drift = ({drifts, limits, history}) => {
    if (drifts) return el('p', {class: 'drift'}, bench.sign('fail'), ' ', fill('gauges_drifting'));
    return el('p', {text: limits ? fill('gauges_steady') : bench.count('gauges_few', history.length)});
  };

  // A check beyond the limits of its own history is a diamond, as a fail is everywhere on the page; the others are discs.
  const outside = (mm, limits) => Boolean(limits) && (mm < limits.lower_mm || mm > limits.upper_mm);
  const ticks = (from, to) => {
    const days = DAYS_AT.map((share) => from + share * (to - from));
    const short = (ms) => new Date(ms).toLocaleDateString(fill('locale'), {day: 'numeric', month: 'short', year: '2-digit'});
    return (to - from < DAYS_AT.length * DAY_MS ? [(from + to) / 2] : days).map((ms) => ({at: ms, text: short(ms)}));
  };
  const chart = ({history, limits}) => {
    const times = history.map((one) => Date.parse(one.at)), [from, to] = [Math.min(...times), Math.max(...times)];
    const margin = Math.max(MARGIN * (to - from), DAY_MS), ends = history.flatMap(({value_mm: mm, expanded_u_mm: U}) => [mm - (U ?? 0), mm + (U ?? 0)]);
    const all = limits ? [...ends, limits.lower_mm, limits.upper_mm] : ends;
    const said = limits ? fill('gauges_chart_limits', {low: bench.fine(limits.lower_mm), high: fine(limits.upper_mm)}) : fill('gauges_chart_free');
    const many = history.length > MOST_BARS, points = history.map((one, i) => ({x: times[i], mm: one.value_mm, U: one.expanded_u_mm}));
    const entries = [['centre', fill(many ? 'gauges_chart_many' : 'gauges_chart_bars')], ...(many ? [['band', fill('sweep_band')]] : []), ...(limits ? [['span', fill('gauges_chart_band')]] : []),
      ...(history.some((one) => outside(one.value_mm, limits)) ? [['out', fill('gauges_chart_out')]] : [])];
    return el('div', {class: 'over-time'}, bench.plot({
      x: [from - margin, to + margin], low: Math.min(...all), high: Math.max(...all), rem: 12, ticks: ticks(from, to), words: bench.count('gauges_chart', history.length, {limits: said}),
      span: limits && [limits.lower_mm, limits.upper_mm],
      levels: limits ? [{mm: limits.upper_mm, words: fill('gauges_upper')}, {mm: limits.lower_mm, words: fill('gauges_lower')}] : [],
      bands: many ? [points] : [], lines: [{kind: 'trace', points}],
      marks: points.map(({x, mm, U}) => ({x, mm, U: many ? 0 : U, place: outside(mm, limits) ? 'out' : 'centre', verdict: verdict(outside(mm, limits))})),
    }), bench.plotKey(...entries));
  };

  const worst = ({worst: list, checks}) => [el('h3', {text: fill('gauges_worst')}), el('p', {class: 'calm', text: fill('gauges_worst_of', {n: list.length, of: checks})}),
    el('ul', {class: 'judged worst'}, ...list.map((one) => el('li', {'data-verdict': verdict(one.failed)}, bench.sign(verdict(one.failed)),
      el('span', {class: 'text', text: bench.capital(off(one))}), el('span', {class: 'calm', text: `${bench.words.verdicts[verdict(one.failed)].large}, ${bench.day(one.at)}`}))))];
  const fold = (name, title, table) => el('details', {'data-fold': name}, el('summary', {id: `fold-${name}`, text: title}), table);
  const sizes = ({check}) => fold('sizes', fill('gauges_sizes'), bench.figures.table('sizes', [fill('gauges_size'), fill('gauges_off', {unit: bench.unit}), fill('gauges_taken')],
    check.errors.map((one) => bench.figures.row(String(one.nominal_mm), one.nominal_mm ? bench.length(one.nominal_mm) : bench.capital(fill('gauges_at_zero')), [
      bench.fineSized(one.error_mm, one.expanded_u_mm), String(one.readings)]))));
  const numbers = ({history}) => fold('checks', bench.count('gauges_numbers', history.length), bench.figures.table('checks', [fill('day'), fill('found', {unit: bench.unit})],
    [...history].reverse().map((one) => bench.figures.row(one.at, bench.day(one.at), [bench.fineSized(one.value_mm, one.expanded_u_mm)]))));
  const due = ({due: day, due_days: days, overdue, used}) => {
    if (!used) return null;
    const words = !day ? fill('gauges_due_never') : overdue ? fill('gauges_due_late', {day: bench.day(day)}) : fill('gauges_due_is', {day: bench.day(day), n: days});
    return bench.facts([[fill('gauges_due'), overdue ? el('span', {class: 'late'}, bench.sign('remeasure'), words) : words]]);
  };
  bench.gaugeChecks = (gauge) => bench.section(fill('gauges_checks'), ...(gauge.check
    ? [newest(gauge), drift(gauge), chart(gauge), due(gauge), ...worst(gauge), sizes(gauge), numbers(gauge)]
    : [el('p', {text: fill('gauges_checks_none')}), due(gauge)]).filter(Boolean), el('p', {class: 'calm', text: fill('gauges_calibration')}));

  const told = (study) => [
    el('p', {text: fill('gauges_study_at', {day: bench.day(study.at), parts: bench.count('parts', study.parts), people: bench.count('people', study.people), trials: bench.count('trials', study.trials)})}),
    el('p', {class: 'lead', text: `${fill('one_reading')} ${fine(study.repeatability_mm)}`}), el('p', {class: 'calm', text: fill('one_reading_more', {dof: study.dof})}),
    bench.spreadTable(study), el('p', {class: 'calm', text: fill('spread_more')}),
    known(study.sizes) ? el('p', {text: study.sizes > 1 ? fill('gauges_study_tells', {n: study.sizes}) : fill('gauges_study_tells_one')}) : null,
    el('p', {class: 'calm', text: fill('how_found', {method: study.method})})];
  const STUDIES = ['worth_unknown', 'go_on', 'study'];
  // A step above has the command already where a study is what to do.
  const begin = (command, steps) => [el('h3', {class: 'in-terminal', text: fill('gauges_study_begin')}), el('p', {class: 'in-terminal', text: fill('gauges_study_why')}),
    ...(steps.some((one) => STUDIES.includes(one.name)) ? [] : [el('div', {class: 'in-terminal'}, el('p', {class: 'calm', text: fill('gauges_close_first')}), ...bench.command(command, 'do-begin-study'))])];
  bench.gaugeStudy = ({study, open_study: open, u_from: from, study_command: command, steps}) => bench.section(fill('gauges_study'),
    open ? el('p', {class: 'bar'}, el('span', {text: fill('gauges_study_open', open)}), el('progress', {max: open.of, value: open.done, 'aria-label': fill('gauges_study_open', open)})) : null,
    ...(study ? told(study) : [el('p', {text: fill(from === 'study' ? 'gauges_study_file' : 'gauges_study_none')})]), ...begin(command, steps));
})();
