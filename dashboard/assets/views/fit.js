// Fit: what fails first between wire and slots, every slot's width against the wire, and the back-bow to expect.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const CHECKS = ['tang_clearance', 'barb_bite', 'slot_depth_spare'];
  const SHIFT = {bass: -0.22, centre: 0, treble: 0.22};
  const MOST_NAMED = 8, NEAREST = 3;
  const known = (value) => typeof value === 'number' && Number.isFinite(value);

  const judgedOf = ({report}) => report.verdicts.filter((one) => CHECKS.includes(one.check))
    .sort((a, b) => (a.p ?? 0.5) - (b.p ?? 0.5) || Math.abs(b.value_mm) - Math.abs(a.value_mm));
  const failing = (told) => {
    const judged = judgedOf(told), bad = judged.filter((one) => one.verdict !== 'pass');
    const shown = bad.length ? bad.slice(0, MOST_NAMED) : judged.slice(0, NEAREST);
    const lead = bad.length ? bench.count('fit_fails', bad.length) : fill('fit_holds');
    return bench.section(fill('fit_first'), el('p', {class: 'lead', text: judged.length ? lead : fill('fit_unjudged')}),
      shown.length ? el('ul', {class: 'judged'}, ...shown.map((one) => bench.judgedRow(one, told))) : null,
      bad.length > MOST_NAMED ? el('p', {class: 'calm', text: fill('fit_more', {n: bad.length - MOST_NAMED})}) : null,
      bench.caution(told.beside.cautions.fit));
  };

  const wordOf = (one, {beside}) => bench.words.checks[one.check][one.value_mm < (beside.limits[one.check][0] ?? -Infinity) ? 'below' : 'above'];
  const span = (window_) => (window_ && !window_.never ? [window_.low_mm, window_.high_mm] : null);
  const chart = (told) => {
    const {widths, wire} = told.beside, fits = span(told.report.fit?.slots_that_fit);
    if (widths.length < 2) return null;
    const worst = new Map(judgedOf(told).reverse().filter((one) => one.check !== 'slot_depth_spare').map((one) => [`${one.fret}|${one.place}`, one]));
    const levels = ['tang_thickness', 'barb_span'].filter((kind) => wire[kind]).map((kind) => ({mm: wire[kind].mm, words: fill(kind === 'barb_span' ? 'fit_span' : 'fit_tang')}));
    const marks = widths.map((one) => {
      const found = worst.get(`${one.fret}|${one.place}`), verdict = found?.verdict ?? '';
      return {x: one.fret + (SHIFT[one.place] ?? 0), mm: one.mm, U: one.U_mm, place: one.place, verdict, label: verdict === 'fail' ? `${one.fret} ${wordOf(found, told)}` : ''};
    });
    const seen = [...marks.flatMap((one) => [one.mm - (one.U ?? 0), one.mm + (one.U ?? 0)]), ...levels.map((one) => one.mm), ...(fits ?? [])].filter(known);
    const last = Math.max(told.frets, ...widths.map((one) => one.fret));
    return bench.section(fill('fit_widths'), bench.plot({
      words: fill('fit_chart'), x: [0.4, last + 0.6], low: Math.min(...seen), high: Math.max(...seen), rem: 17, marks, levels,
      span: fits && fits.every(known) ? fits : null, ticks: Array.from({length: last}, (_, i) => ({at: i + 1, text: String(i + 1)})),
    }), bench.plotKey(...bench.places.map((place) => [place, bench.place(place)]), ...(fits ? [['span', fill('fit_band')]] : [])), el('p', {class: 'calm', text: fill('fit_key')}));
  };

  const windowWords = (found) => {
    if (!found) return fill('fit_no_window');
    if (found.never) return fill('fit_never', {low: bench.plain(found.spread_low_mm), high: bench.plain(found.spread_high_mm)});
    return fill('fit_window', {low: bench.plain(found.low_mm), high: bench.plain(found.high_mm)});
  };
  const coil = (one) => [bench.capital(bench.words.kinds[one.kind]), fill('fit_coil', {size: bench.sized(one.mean_mm, 1.96 * one.u_mean_mm),
    low: bench.number(one.next_low_mm), high: bench.length(one.next_high_mm), of: bench.count('readings', one.readings)})];
  const pieces = (fit) => {
    const moved = fit.pieces.filter(({slot, piece}) => slot !== piece);
    if (!fit.pieces.length) return [fill('fit_pieces'), el('small', {class: 'calm', text: fill('fit_pieces_none')})];
    if (!moved.length) return [fill('fit_pieces'), fill('fit_pieces_same', {p: Math.round(100 * fit.pieces_least_chance)})];
    return [fill('fit_pieces'), moved.map(({slot, piece}) => fill('fit_piece', {slot, piece})).join('; ')
      + (known(fit.pieces_least_chance) ? `; ${fill('fit_pieces_chance', {p: Math.round(100 * fit.pieces_least_chance)})}` : '')];
  };
  const bow = ({report, beside}) => {
    const found = report.back_bow_mm;
    if (!found) return [fill('fit_bow'), fill('fit_no_bow', {why: beside.why_no_back_bow ?? fill('fit_unjudged')})];
    return [fill('fit_bow'), fill('fit_bow_is', {size: bench.length(found.median_mm), low: bench.number(found.low_mm), high: bench.length(found.high_mm)})];
  };
  const wire = (told) => bench.section(fill('fit_wire'), bench.facts([
    [fill('fit_slots'), windowWords(told.report.fit.slots_that_fit)], ...told.report.fit.wire.map(coil), pieces(told.report.fit), bow(told),
  ], 'stacked'));

  const table = (told) => {
    const at = (check, one) => told.report.verdicts.find((each) => each.check === check && each.fret === one.fret && each.place === one.place);
    const chances = new Map(told.report.fit.frets.map((one) => [`${one.fret}|${one.place}`, one.chance]));
    const rows = told.beside.widths.map((one) => bench.figures.row(`${one.fret}${one.place ?? ''}`, bench.where(one.fret, one.place), [
      bench.sized(one.mm, one.U_mm), bench.judgedCell(at('tang_clearance', one)), bench.judgedCell(at('barb_bite', one)), bench.judgedCell(at('slot_depth_spare', one)),
      chances.has(`${one.fret}|${one.place}`) ? `${Math.round(100 * chances.get(`${one.fret}|${one.place}`))} %` : '']));
    const checks = CHECKS.map((check) => bench.words.checks[check].title);
    return rows.length ? bench.section(fill('fit_table'), el('details', {'data-fold': 'slots'}, el('summary', {text: fill('fit_all', {n: rows.length})}), bench.figures.table('slots', [fill('fit_slot'), fill('fit_width'), ...checks, fill('fit_chance')], rows),
      el('p', {class: 'calm', text: fill('fit_chance_more')}))) : null;
  };

  const draw = (node, told) => bench.drawView(node, [bench.unit, told], () => [bench.standing(told),
    ...(told.report.fit || told.beside.widths.length
      ? [el('div', {class: 'side'}, failing(told), told.report.fit ? wire(told) : null), bench.workedWith(told), bench.whichWire(told), chart(told), told.report.fit ? table(told) : null].filter(Boolean)
      : [bench.section(fill('fit_first'), el('p', {class: 'lead', text: fill('fit_none')}), bench.caution(told.beside.cautions.fit)), bench.workedWith(told), bench.whichWire(told)])]);
  bench.addView('fit', {what: 'session', wanted: () => ({id: bench.looked()}), rests: () => bench.snap?.told, draw});
})();
