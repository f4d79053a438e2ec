// The instrument, its stages, the gauges and whatever must be said loudly.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;

  const studied = (study) => fill('study_facts', {
    parts: bench.count('parts', study.parts.length), people: bench.count('people', study.people.length), trials: bench.count('trials', study.trials),
  });
  const instrument = ({instrument: what, demo, study}) => {
    if (study) what = {name: fill('study_of', {gauge: study.gauge})};
    const facts = study ? studied(study) : what ? [
      what.frets && fill('frets', {n: what.frets}),
      what.scale_mm && fill('scale', {length: bench.long(what.scale_mm)}),
    ].filter(Boolean).join(', ') : '';
    return [
      el('strong', {text: what?.name ?? ''}), el('span', {class: 'facts', text: facts}),
      demo ? el('span', {class: 'demo', text: fill('demo')}) : '',
    ];
  };

  const stage = ({name, words, done, of}, current) => el('li', {
    'data-stage': name, 'aria-current': name === current ? 'step' : null, 'data-full': of > 0 && done >= of,
  }, el('span', {text: words || bench.words.stages[name]?.title || name}), el('b', {text: of ? `${done}/${of}` : ''}),
  el('progress', {max: of || 1, value: Math.min(done ?? 0, of || 1), 'aria-label': words || name}));

  const gaugeSays = (gauge) => [
    fill('gauge_since', {status: bench.words.statuses[gauge.status] ?? gauge.status, time: bench.clock(gauge.since)}),
    gauge.detail, bench.count('readings', gauge.readings ?? 0),
    gauge.unreadable ? fill('unreadable', {n: gauge.unreadable}) : '',
    gauge.last_raw ? fill('last_raw', {raw: gauge.last_raw}) : '',
  ].filter(Boolean).join('; ');
  const gauge = (each) => {
    const status = bench.words.statuses[each.status] ?? each.status;
    const bad = each.status === 'lost' && each.detail;
    return el('li', {'data-gauge': each.name, 'data-status': each.status, title: gaugeSays(each)},
      el('i', {class: 'lamp', 'aria-hidden': 'true'}), el('span', {class: 'name', text: each.words || each.name}),
      el('b', {text: status}), bad ? el('span', {class: 'detail', text: each.detail}) : '',
      each.unreadable ? el('span', {class: 'detail', text: fill('unreadable', {n: each.unreadable})}) : '');
  };

  const warnings = ({waiting, trouble}, lost) => [
    trouble ? el('p', {class: 'loud', text: trouble}) : '',
    waiting > 0 ? el('p', {class: 'loud', text: bench.count('waiting_disk', waiting)}) : '',
    lost ? el('p', {text: fill('old')}) : '',
  ].filter(Boolean);

  bench.drawWarnings = (snap, lost) => bench.draw(bench.by('warnings'), [snap?.waiting, snap?.trouble, lost], () => warnings(snap ?? {}, lost));
  bench.drawStrip = (snap) => {
    bench.draw(bench.by('instrument'), [bench.unit, snap.instrument, snap.demo, snap.study?.gauge, snap.study?.people.length], () => instrument(snap));
    bench.draw(bench.by('stages'), [snap.stages, snap.stage], () => (snap.stages ?? []).map((each) => stage(each, snap.stage)));
    const gauges = snap.gauges ?? [];
    bench.draw(bench.by('gauges'), gauges, () => (gauges.length ? gauges.map(gauge) : [el('li', {text: fill('no_gauges')})]));
  };
})();
