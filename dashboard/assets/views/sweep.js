// Board and sweep: what stands high, the height profile of every path with its band, the bare board, and what to trust.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const K95 = 1.959963985, TABLE_PLACES = ['bass', 'centre', 'treble', null];
  const known = (value) => typeof value === 'number' && Number.isFinite(value);
  const paths = (profile) => TABLE_PLACES.filter((place) => profile.some((one) => one.place === place && known(one.height_mm)));
  const pathWords = (place) => (place ? fill('sweep_path', {place: bench.capital(bench.place(place))}) : fill('sweep_one_path'));

  // Several drawings share one exaggeration, so that they can be compared by eye.
  const profiles = (told, profile, shape, verdicts) => {
    const at = (fret) => told.beside.positions_mm[fret];
    const drawn = paths(profile).map((place) => {
      const own = profile.filter((one) => one.place === place && known(one.height_mm)).map((one) => ({...one, x: at(one.fret), mm: one.height_mm, U: known(one.u_mm) ? K95 * one.u_mm : null}));
      const wanted = shape.filter((one) => one.place === place).map((one) => ({x: at(one.fret), mm: one.height_mm}));
      const seen = [...own.flatMap((one) => [one.mm - (one.U ?? 0), one.mm + (one.U ?? 0)]), ...wanted.map((one) => one.mm)];
      return {place, own, wanted, low: Math.min(...seen), high: Math.max(...seen)};
    });
    const spread = Math.max(...drawn.map((one) => one.high - one.low));
    const frets = profile.map((one) => one.fret), last = Math.max(...frets);
    return drawn.map(({place, own, wanted, low, high}) => bench.plot({
      title: pathWords(place), words: fill('sweep_chart', {path: pathWords(place)}), x: [0, at(last) * 1.02], low, high, spread, times: true, rem: 12,
      bands: own.every((one) => one.U !== null) ? [own] : [], lines: [{kind: 'wanted', points: wanted}, {kind: 'found', points: own}],
      ticks: [...new Set(frets)].sort((a, b) => a - b).map((fret) => ({at: at(fret), text: String(fret)})),
      marks: own.map((one) => {
        const bad = verdicts.find((each) => each.fret === one.fret && each.place === place && each.verdict === 'fail');
        const open = verdicts.some((each) => each.fret === one.fret && each.place === place && each.verdict === 'remeasure');
        return {x: one.x, mm: one.mm, U: one.U, place, verdict: bad ? 'fail' : open ? 'remeasure' : '', label: bad ? `${one.fret} ${bench.words.checks[bad.check].above}` : ''};
      }),
      caption: (n) => fill('sweep_times', {n}),
    }));
  };
  const key = (withPlaces) => bench.plotKey(...withPlaces.map((place) => [place, bench.place(place)]), ['band', fill('sweep_band')], ['wanted', fill('sweep_wanted')]);

  const high = (told, verdicts) => {
    const {faults, next, cautions} = told.beside, bad = new Set(verdicts.filter((one) => one.verdict === 'fail').map((one) => one.fret)).size;
    const open = new Set(verdicts.filter((one) => one.verdict === 'remeasure').map((one) => one.fret)).size;
    const lead = bad ? bench.count('sweep_bad', bad) : open ? fill('sweep_open_lead') : fill('sweep_good');
    return bench.section(fill('sweep_off'), el('p', {class: 'lead', text: verdicts.length ? lead : fill('sweep_none')}),
      faults.length ? el('ul', {class: 'judged'}, ...faults.map((one) => {
        const worst = verdicts.some((each) => each.fret === one.fret && each.verdict === 'fail') ? 'fail' : 'remeasure';
        return el('li', {'data-verdict': worst}, bench.sign(worst), el('span', {class: 'text', text: bench.sentence(one, 'text')}),
          worst === 'remeasure' ? el('span', {class: 'calm', text: fill('sweep_beside')}) : '');
      })) : null,
      open ? el('p', {class: 'calm', text: bench.count('sweep_open', open)}) : null,
      next ? bench.facts([[fill('sweep_next'), bench.capital(next)]]) : null, bench.caution(cautions.sweep));
  };

  const roundOf = (name) => name.split('/').slice(1).join('/') || name;
  const feature = (one) => [bench.words.kinds[one.kind] ?? one.kind, known(one.fret) ? bench.where(one.fret, one.place).toLocaleLowerCase(fill('locale')) : '',
    one.feet ? fill('sweep_feet', {low: one.feet[0], high: one.feet[1]}) : ''].filter(Boolean).join(', ');
  const trust = (told) => {
    const {report} = told, whole = report.fit_of_the_whole;
    const suspects = [...report.suspects, ...(report.survey?.suspects ?? [])];
    return bench.section(fill('sweep_trust'),
      suspects.length ? el('ul', {class: 'judged'}, ...suspects.map((one) => el('li', {'data-verdict': 'remeasure'}, bench.sign('remeasure'),
        el('span', {class: 'text', text: fill('sweep_suspect', {what: bench.capital(feature(one)), off: bench.length(one.off_mm)})}))))
        : el('p', {text: fill('sweep_no_suspect')}),
      report.inseparable.length ? bench.told(report.inseparable.map((group) => fill('sweep_alike', {which: group.map(feature).join('; ')}))) : null,
      whole ? bench.facts([[fill('sweep_whole'), fill('sweep_whole_is', {p: whole.p < 0.001 ? fill('below_p') : whole.p.toFixed(3)})]]) : null,
      report.zero_errors.length ? el('h3', {text: fill('sweep_zeros')}) : null,
      report.zero_errors.length ? bench.figures.table('zeros', [fill('sweep_gauge'), fill('sweep_zero')], report.zero_errors.map((one, i) =>
        bench.figures.row(String(i), `${one.gauge}, ${roundOf(one.round)}`, [bench.sized(one.value_mm, known(one.u_mm) ? K95 * one.u_mm : null)]))) : null,
      report.zeros_moved.length ? bench.told(report.zeros_moved.map((one) => fill('sweep_moved', {setting: one.setting, size: bench.sized(one.moved_mm, K95 * one.u_mm)}))) : null,
      told.notes.length ? bench.told(told.notes) : null);
  };

  const board = (told) => {
    const {survey} = told.report;
    if (!survey) return null;
    const sanding = told.beside.sanding[bench.unit];
    const humps = told.report.verdicts.filter((one) => one.check === 'hump');
    const on = (place) => (place ? `, ${pathWords(place).toLocaleLowerCase(fill('locale'))}` : '');
    const pairs = [
      ...survey.humps.map((one) => [fill('sweep_hump'), fill('sweep_hump_is', {size: bench.sized(one.height.value_mm, one.height.U_mm), fret: one.fret, first: one.first, last: one.last}) + on(one.place)]),
      ...survey.fall_away.filter((one) => one.drop).map((one) => [fill('sweep_fall'), fill('sweep_fall_is', {size: bench.sized(one.drop.value_mm, one.drop.U_mm)}) + on(one.place)]),
      survey.twist && [fill('sweep_twist'), bench.sized(survey.twist.value_mm, survey.twist.U_mm)],
      ...survey.straightness.filter((one) => known(one.minimum_zone_mm)).map((one) => [fill('sweep_straight'), bench.sized(one.minimum_zone_mm, known(one.u_minimum_zone_mm) ? K95 * one.u_minimum_zone_mm : null) + on(one.place)]),
    ];
    return bench.section(fill('sweep_board'), ...profiles(told, survey.profile, told.beside.board_shape, humps), key([]), bench.facts(pairs),
      humps.length ? el('ul', {class: 'judged'}, ...humps.map((one) => bench.judgedRow(one, told))) : null,
      sanding.length ? el('h3', {text: fill(told.beside.fretted ? 'sweep_sand_later' : 'sweep_sand')}) : null, bench.told(sanding), bench.caution(told.beside.cautions.board));
  };

  const table = (profile) => {
    const places = paths(profile), frets = [...new Set(profile.map((one) => one.fret))].sort((a, b) => a - b);
    const cell = (fret, place) => {
      const one = profile.find((each) => each.fret === fret && each.place === place);
      return one && known(one.height_mm) ? bench.sized(one.height_mm, known(one.u_mm) ? K95 * one.u_mm : null) : '\u2013';
    };
    return el('details', {'data-fold': 'heights'}, el('summary', {text: fill('sweep_heights')}), bench.figures.table('heights', [fill('fret'), ...places.map(pathWords)],
      frets.map((fret) => bench.figures.row(String(fret), fill('fret_n', {n: fret}), places.map((place) => cell(fret, place))))));
  };

  const tops = (told, verdicts) => {
    const {profile} = told.report;
    if (!paths(profile).length) return null;
    return bench.section(fill('sweep_tops'), el('p', {class: 'calm', text: fill('sweep_chord')}), ...profiles(told, profile, told.beside.shape, verdicts), key(paths(profile).filter(Boolean)), table(profile));
  };
  const draw = (node, told) => bench.drawView(node, [bench.unit, told], () => {
    const verdicts = told.report.verdicts.filter((one) => one.check === 'high_fret' || one.check === 'low_fret');
    return [bench.standing(told), el('div', {class: 'side'}, high(told, verdicts), trust(told)), tops(told, verdicts), board(told)].filter(Boolean);
  });
  bench.addView('sweep', {what: 'session', wanted: () => ({id: bench.looked()}), draw});
})();
