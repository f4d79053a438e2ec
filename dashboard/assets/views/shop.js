// Shop: what all records say together. First what to do, then blades, lots, ends, visits, verdicts, and the numbers.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, svg, fill} = bench;
  const AGAIN_MS = 1500, AWAY_MS = 10000, MOST_DRAWN = 60, MOST_TOLD = 5, MOST_VISITS = 50, MUCH = 0.05;
  const FACTORS = ['seating', 'glue', 'caul', 'wire', 'wood', 'lot', 'blade'];
  const known = (value) => typeof value === 'number' && Number.isFinite(value);
  const percent = (share) => `${(100 * share).toFixed(1)}\u00a0%`;
  const chance = (p) => (p < 0.001 ? '< 0.001' : p.toFixed(3));
  const named = (text) => text || fill('shop_unnamed');
  const factor = (name) => bench.words.factors[name] ?? name;
  const whole = (n) => n.toLocaleString(fill('locale'));

  // -- what to do, each with the stage whose caution goes with it ---------------------------------------------------------
  const driftOf = ({drift}, {p}) => {
    const told = drift.p <= p, size = bench.sized(10 * (told ? Math.abs(drift.per_neck_mm) : drift.per_neck_mm), 10 * drift.U_mm);
    return fill(!told ? 'shop_still' : drift.per_neck_mm < 0 ? 'shop_narrow' : 'shop_widen', {size});
  };
  const signalOf = ({drift, widths_mm: widths}) => (drift.chart.beyond.includes(widths.length - 1) ? fill('shop_beyond') : drift.run ? fill('shop_run') : fill('shop_no_signal'));
  const ways = ({lessons, limits}) => Object.entries(lessons.proud_ends.by).flatMap(([name, levels]) => levels
    .filter((one) => one.enough && known(one.p) && one.p <= limits.p && one.least_p <= limits.p).map((one) => ({...one, name})));
  const todo = (told) => {
    const {lessons, limits} = told, found = [];
    for (const one of lessons.blades.filter(({drift}) => drift?.moved)) found.push(['slots', fill('shop_do_blade', {blade: one.blade, why: `${signalOf(one)}; ${driftOf(one, limits)}`})]);
    for (const one of lessons.fit.filter(({failed}) => failed?.enough && failed.low > MUCH)) {
      found.push(['wire', fill('shop_do_fit', {lot: named(one.lot), blade: named(one.blade), share: percent(one.failed.share), check: bench.words.checks[one.check].title.toLocaleLowerCase(fill('locale'))})]);
    }
    for (const one of ways(told).sort((a, b) => a.p - b.p)) {
      const more = one.difference > 0, pair = told.lessons.proud_ends.by[one.name].length === 2;
      if (pair && more) continue;  // the two of a pair say the same; what to do stands with the better one
      found.push(['seating', fill(more ? 'shop_do_worse' : 'shop_do_keep', {factor: factor(one.name), way: one.way, share: percent(one.share), difference: percent(Math.abs(one.difference))})]);
    }
    for (const one of lessons.repeat_visits.filter(({change_mm: mm, U_mm: U}) => known(mm) && known(U) && Math.abs(mm) > U).sort((a, b) => Math.abs(b.change_mm) - Math.abs(a.change_mm)).slice(0, 1)) {
      found.push(['seating', fill('shop_do_moved', {name: one.instrument, size: bench.sized(one.change_mm, one.U_mm)})]);
    }
    return found;
  };
  const enough = ({lessons}) => lessons.proud_ends.all?.enough || lessons.blades.some(({drift}) => drift) || lessons.fit.some(({failed}) => failed?.enough);
  const leadOf = (told, found) => {
    const {lessons, judging, limits, here} = told;
    if (!here.sessions && !judging.of) return fill('shop_none');
    if (found.length) return found[0][1];
    if (judging.judged < judging.of && !lessons.necks) return fill('shop_wait');
    return enough(told) ? fill('shop_calm') : fill('shop_few', {...limits, have: lessons.necks});
  };
  const bar = ({judged, of, trouble}) => {
    const words = fill('shop_judging', {n: whole(judged), m: whole(of)});
    return [el('p', {class: 'judging', role: 'status'}, el('progress', {max: of, value: judged, 'aria-label': words}), el('span', {text: words})),
      trouble ? el('p', {class: 'why', text: fill('rack_stopped', {why: trouble})}) : null];
  };
  const lead = (told) => {
    const found = todo(told), {judging} = told;
    return bench.section(fill('shop_says'), told.shop ? bench.whereSwitch('shop', told.where) : null,
      told.away ? el('p', {class: 'why', role: 'status', text: fill('rack_away', {why: told.away})}) : null,
      ...(judging.judged < judging.of ? bar(judging) : []),
      el('p', {class: 'lead', text: leadOf(told, found)}),
      found.length > 1 ? bench.told(found.slice(1, MOST_TOLD).map(([, text]) => text)) : null,
      found.length ? el('p', {class: 'calm', text: fill('shop_by_chance')}) : null,
      found.length ? bench.caution([...new Set(found.slice(0, MOST_TOLD).map(([stage]) => told.cautions[stage]))].join(' ')) : null,
      told.lessons.left_out.length ? el('details', {'data-fold': 'left-out'}, el('summary', {text: fill('shop_left_out', {n: told.lessons.left_out.length})}), bench.told(told.lessons.left_out)) : null);
  };

  // -- shares with their intervals -------------------------------------------------------------------------------------
  const at = (share, most) => `${(100 * Math.min(1, share / most)).toFixed(2)}%`;
  const track = (rate, most) => svg('svg', {class: 'interval', 'aria-hidden': 'true', height: 18},
    svg('line', {class: 'track', x1: 0, x2: '100%', y1: 9, y2: 9}),
    rate.enough ? svg('rect', {class: 'between', x: at(rate.low, most), width: at(Math.max(rate.high - rate.low, 0.002 * most), most), y: 4, height: 10, rx: 3}) : '',
    rate.enough ? svg('circle', {class: 'share', cx: at(rate.share, most), cy: 9, r: 5.5}) : '');
  const rateWords = (rate) => (rate.enough ? fill('shop_rate', {share: percent(rate.share), low: percent(rate.low), high: percent(rate.high)}) : fill('shop_not_enough'));
  const rateCell = (rate, most, words = rateWords(rate)) => el('td', {}, el('span', {class: 'rate'}, track(rate, most), el('span', {text: words})));
  // The scale ends at a round share that holds every interval.
  const mostOf = (rates) => {
    const high = Math.max(0, ...rates.filter(({enough: told}) => told).map((one) => one.high));
    return [0.05, 0.1, 0.2, 0.3, 0.5, 0.75].find((each) => each >= high) ?? 1;
  };

  const ends = (told) => {
    const {all, open, by} = told.lessons.proud_ends;
    if (!all) return bench.section(fill('shop_ends'), el('p', {class: 'calm', text: fill('shop_no_ends')}));
    const most = mostOf([all, ...Object.values(by).flat()]), missing = FACTORS.filter((name) => !by[name]).map(factor);
    const heads = (name) => [fill('shop_way', {factor: factor(name)}), fill('shop_share', {most: `${Math.round(100 * most)}\u00a0%`}), fill('shop_counts'), fill('shop_necks'), fill('shop_against')];
    const against = (one, levels) => {
      if (levels.length < 2) return fill('shop_only');
      if (!known(one.p) || !one.enough) return fill('shop_not_enough');
      if (one.least_p > told.limits.p) return fill('shop_too_few');
      return fill(one.p > told.limits.p ? 'shop_not_told' : one.difference > 0 ? 'shop_more' : 'shop_fewer', {p: chance(one.p)});
    };
    const line = (one, levels, i) => bench.figures.row(String(i), one.way, [rateCell(one, most), `${one.bad} / ${one.of}`, String(one.necks), against(one, levels)]);
    return bench.section(fill('shop_ends'), el('p', {class: 'sum'}, `${fill('shop_all_ends', all)}: `, el('b', {text: rateWords(all)}), open ? `; ${bench.count('shop_open_ends', open)}` : ''),
      ...FACTORS.filter((name) => by[name]).map((name) => bench.figures.table(`ends ${name}`, heads(name), by[name].map((one, i) => line(one, by[name], i)))),
      el('p', {class: 'calm', text: fill('shop_once')}), missing.length ? el('p', {class: 'calm', text: fill('shop_missing', {factors: missing.join(', ')})}) : null);
  };

  // -- blades and lots -------------------------------------------------------------------------------------------------
  const chart = (one, told) => {
    const skip = Math.max(0, one.widths_mm.length - MOST_DRAWN), beyond = new Set(one.drift?.chart.beyond);
    const marks = one.widths_mm.map((mm, i) => ({x: i + 1, mm, verdict: beyond.has(i) ? 'fail' : '', place: beyond.has(i) ? '' : 'centre'})).slice(skip);
    const limits = one.drift ? [['shop_upper', 'upper_mm'], ['shop_centre', 'centre_mm'], ['shop_lower', 'lower_mm']].map(([words, key]) => ({mm: one.drift.chart[key], words: fill(words)})) : [];
    const seen = [...marks, ...limits].map(({mm}) => mm), last = one.widths_mm.length;
    const words = one.drift ? bench.capital(`${driftOf(one, told.limits)}; ${signalOf(one)}.`) : fill('shop_blade_few', {...told.limits, n: last});
    return el('div', {class: 'blade'}, bench.plot({
      title: fill('shop_blade', {blade: one.blade}), words: fill('shop_blade_chart', {n: last, blade: one.blade}), x: [skip + 0.4, last + 0.6], low: Math.min(...seen), high: Math.max(...seen) + 1e-6, rem: 12,
      marks, levels: limits, lines: [{kind: 'found', points: marks}], ticks: marks.map(({x}) => ({at: x, text: String(x)})),
    }), el('p', {text: words}), skip ? el('p', {class: 'calm', text: fill('shop_blade_newest', {n: MOST_DRAWN, m: last})}) : null,
    el('details', {'data-fold': `blade ${one.blade}`}, el('summary', {text: fill('shop_widths')}), bench.figures.table('widths', [fill('shop_neck'), fill('shop_width')],
      one.widths_mm.map((mm, i) => bench.figures.row(String(i), `${i + 1}. ${one.necks[i]}`, [bench.plain(mm)])))));
  };
  const blades = (told) => bench.section(fill('shop_blades'), ...(told.lessons.blades.length
    ? [el('div', {class: 'blades'}, ...told.lessons.blades.map((one) => chart(one, told))), el('p', {class: 'calm', text: fill('shop_blade_key')})]
    : [el('p', {class: 'calm', text: fill('shop_no_blades')})]));
  const lots = ({lessons}) => {
    if (!lessons.fit.length) return bench.section(fill('shop_lots'), el('p', {class: 'calm', text: fill('shop_no_lots')}));
    const most = mostOf(lessons.fit.map(({failed}) => failed).filter(Boolean));
    const size = (one) => `${bench.number(one.mean_mm)}${known(one.sd_mm) ? `\u00a0\u00b1\u00a0${bench.spread(one.sd_mm)}` : ''}`;
    return bench.section(fill('shop_lots'), bench.figures.table('lots', [fill('shop_lot_head'), fill('shop_check'), fill('shop_mean', {unit: bench.unit}), fill('shop_slots'), fill('shop_failed')],
      lessons.fit.map((one, i) => bench.figures.row(String(i), fill('shop_lot', {lot: named(one.lot), blade: named(one.blade)}), [bench.words.checks[one.check].title, size(one), String(one.slots),
        one.failed ? rateCell(one.failed, most, `${one.failed.bad} / ${one.failed.of}: ${rateWords(one.failed)}`) : fill('shop_no_verdict')]))));
  };

  // -- visits, verdicts, numbers ---------------------------------------------------------------------------------------
  const visits = ({lessons}) => {
    const all = [...lessons.repeat_visits].sort((a, b) => b.second.localeCompare(a.second)).slice(0, MOST_VISITS);
    if (!all.length) return bench.section(fill('shop_again'), el('p', {class: 'calm', text: fill('shop_no_again')}));
    return bench.section(fill('shop_again'), bench.figures.table('visits', [fill('shop_neck'), fill('shop_visits'), fill('shop_proud'), fill('shop_moved'), fill('shop_places')],
      all.map((one, i) => bench.figures.row(String(i), one.instrument, [`${bench.day(one.first)}, ${bench.day(one.second)}`, fill('shop_then', {a: one.proud[0], b: one.judged[0], c: one.proud[1], d: one.judged[1]}),
        known(one.change_mm) ? bench.sized(one.change_mm, one.U_mm) : fill('shop_no_common'), String(one.places)]))));
  };
  const verdicts = ({checks}) => {
    const names = Object.keys(bench.words.checks).filter((name) => checks[name]), kinds = ['fail', 'remeasure', 'pass'];
    if (!names.length) return bench.section(fill('shop_verdicts'), el('p', {class: 'calm', text: fill('shop_no_verdicts')}));
    const share = (counts) => {
      const sum = kinds.reduce((n, kind) => n + counts[kind], 0);
      let x = 0;
      return svg('svg', {class: 'stack', 'aria-hidden': 'true', height: 14}, ...kinds.map((kind) => {
        const part = svg('rect', {'data-verdict': kind, x: `${100 * x / sum}%`, width: `${100 * counts[kind] / sum}%`, height: 14});
        x += counts[kind];
        return part;
      }));
    };
    return bench.section(fill('shop_verdicts'), bench.figures.table('checks', [fill('shop_check'), ...kinds.map((kind) => bench.words.verdicts[kind].large), fill('shop_part')],
      names.map((name) => bench.figures.row(name, bench.words.checks[name].title, [...kinds.map((kind) => el('td', {}, bench.sign(kind), ` ${whole(checks[name][kind])}`)), el('td', {}, share(checks[name]))]))),
    el('p', {class: 'calm', text: fill('shop_verdicts_of')}));
  };
  const when = (at_) => (at_ ? `${bench.day(at_)}, ${bench.clock(at_)}` : fill('shop_never'));
  const benchRow = (one, {there}, snap) => {
    const own = one.store === there.own, waits = own && snap?.shop ? whole(snap.shop.waiting) : fill('shop_waits_unknown');
    return bench.figures.row(one.store, own ? `${one.login} (${fill('rack_own')})` : `${one.login}, ${one.store.slice(0, 8)}`, [whole(one.rows), when(one.last_sent), when(one.last_seen), waits]);
  };
  const numbers = (told, snap) => {
    const {here, there} = told, row = (name, of) => bench.figures.row(name, fill(name), ['instruments', 'sessions', 'readings'].map((each) => whole(of[each])));
    const parts = [bench.figures.table('numbers', [fill('rack_where'), fill('shop_instruments'), fill('shop_sessions'), fill('shop_readings')], [row('shop_bench', here), there ? row('shop_whole', there) : ''].filter(Boolean))];
    if (there) {
      parts.push(el('p', {class: 'calm', text: fill('shop_at', {address: told.address})}), el('h3', {text: fill('shop_benches')}),
        bench.figures.table('benches', [fill('shop_name'), fill('shop_rows'), fill('shop_last_sent'), fill('shop_last_seen'), fill('shop_waits')], there.benches.map((one) => benchRow(one, told, snap))));
      if (there.kinds.length) {
        parts.push(el('details', {'data-fold': 'kinds'}, el('summary', {text: fill('shop_kinds')}), bench.figures.table('kinds', [fill('shop_kind'), fill('shop_readings'), fill('shop_sd', {unit: bench.unit}), fill('shop_spread', {unit: bench.unit})],
          there.kinds.map((one) => bench.figures.row(one.kind, bench.capital(one.kind ? bench.words.kinds[one.kind] ?? one.kind : fill('shop_no_kind')), [whole(one.readings), bench.number(one.mean_mm), known(one.sd_mm) ? bench.spread(one.sd_mm) : '\u2013'])))));
      }
    } else if (!told.shop) parts.push(el('p', {class: 'calm', text: fill('shop_no_shop')}));
    return bench.section(fill('shop_numbers'), ...parts);
  };

  let where = bench.recall('where.shop') ?? '';
  const wanted = () => ({where});
  const draw = (node, told, snap) => {
    if (told.where !== where) return;
    bench.drawView(node, [bench.unit, told, snap?.shop ?? null], () => [lead(told),
      ...(told.here.sessions || told.judging.of ? [blades(told), lots(told), ends(told), visits(told), verdicts(told)] : []), numbers(told, snap)]);
    const {judging} = told;
    if (judging.background && (judging.due || told.away)) again(judging.trouble || !judging.due ? AWAY_MS : AGAIN_MS);
  };
  let waiting = 0;
  const look = async () => {
    waiting = 0;
    if (bench.view() !== 'shop' || document.hidden) return;
    try {
      draw(bench.by('view-shop'), await bench.look('shop', wanted()), bench.snap);
    } catch {
      again(AWAY_MS);  // the bench is away for a moment; the page says so by itself
    }
  };
  const again = (ms) => { waiting = waiting || setTimeout(look, ms); };
  bench.on('where', (view, chosen) => {
    if (view !== 'shop') return;
    where = chosen;
    clearTimeout(waiting);
    look();
  });
  bench.addView('shop', {what: 'shop', wanted, rests: () => bench.snap?.told, draw});
})();
