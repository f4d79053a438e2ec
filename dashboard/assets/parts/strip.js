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

  // What was passed over looks and reads as passed over: hatched in the bar, a word below it, and a way back.
  const bar = ({name, words, done = 0, skipped = 0, of}) => el('span', {class: 'bar'},
    el('progress', {max: of || 1, value: Math.min(done, of || 1), 'aria-label': words || name,
      'aria-valuetext': fill(skipped ? 'stage_skipped' : 'stage_done', {done, of, skipped})}),
    skipped ? el('i', {style: `left: ${100 * done / of}%; width: ${100 * skipped / of}%`, 'aria-hidden': 'true'}) : null);
  const passed = ({name, skipped}, title) => (skipped ? el('span', {class: 'passed'}, el('span', {text: fill('skipped', {n: skipped})}), ' ',
    el('button', {type: 'button', 'data-ask-again': name, 'aria-label': fill('ask_again_stage', {stage: title}), text: fill('ask_again')})) : null);
  const stage = (each, current) => {
    const {name, done, skipped = 0, of} = each, title = each.words || bench.words.stages[name]?.title || name;
    return el('li', {'data-stage': name, 'aria-current': name === current ? 'step' : null, 'data-full': of > 0 && done >= of, 'data-skipped': skipped},
      el('span', {text: title}), el('b', {text: of ? `${done}/${of}` : ''}), bar({...each, words: title}), passed(each, title));
  };
  document.addEventListener('click', ({target}) => {
    const again = target.closest?.('[data-ask-again]');
    if (again) bench.ask({do: 'unskip', stage: again.dataset.askAgain});
  });

  // Every reading waits for its commit, for a moment; only a disk that does not get on with it is worth a cry.
  const PATIENT_MS = 1000;
  let behind = null, timer = 0, late = false;
  const stuck = ({waiting = 0, trouble, seq, boot}) => {
    const key = waiting > 0 ? `${boot} ${seq}` : '';
    if (behind?.key !== key) behind = {key, since: performance.now()};
    clearTimeout(timer);
    if (!key || trouble) return Boolean(key);
    const left = PATIENT_MS - (performance.now() - behind.since);
    if (left > 0) timer = setTimeout(() => bench.drawWarnings(bench.snap, bench.lost), left);
    return left <= 0;
  };
  // A check that is open is told on every view but its own: whether it takes what its gauge sends, and whether that sends.
  const elsewhere = ({check, gauges}) => {
    if (!check || check.result || bench.view() === 'all-gauges') return null;
    const sends = (gauges ?? []).some(({name, status}) => name === check.gauge && status === 'alive');
    return {gauge: check.gauge, said: check.live && sends ? 'check_warns' : 'check_typed_open'};
  };
  const warnings = ({waiting, trouble, shop}, lost, checked) => [
    trouble ? el('p', {class: 'loud', text: bench.capital(trouble)}) : '',
    late ? el('p', {class: 'loud', text: bench.count('waiting_disk', waiting)}) : '',
    lost ? el('p', {text: fill('old')}) : '',
    checked ? el('p', {}, fill(checked.said, {gauge: checked.gauge}), ' ', el('a', {href: `#all-gauges/${encodeURIComponent(checked.gauge)}`, text: fill('check_to_other')})) : '',
    shop?.text ? el('p', {'data-shop': shop.waiting, text: bench.capital(shop.text)}) : '',
  ].filter(Boolean);

  bench.drawWarnings = (snap, lost) => {
    if (lost) behind = null;  // a bench that is not heard may have written it long ago
    else late = stuck(snap ?? {});
    bench.draw(bench.by('warnings'), [late && snap?.waiting, snap?.trouble, snap?.shop?.text, lost, elsewhere(snap ?? {})], () => warnings(snap ?? {}, lost, elsewhere(snap ?? {})));
  };
  bench.drawStrip = (snap) => {
    bench.draw(bench.by('instrument'), [bench.unit, snap.instrument, snap.demo, snap.study?.gauge, snap.study?.people.length], () => instrument(snap));
    bench.draw(bench.by('stages'), [snap.stages, snap.stage], () => (snap.stages ?? []).map((each) => stage(each, snap.stage)));
    bench.drawGauges(snap.gauges ?? [], bench.lost);
  };
})();
