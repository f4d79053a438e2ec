// What to measure next and the last reading: written at once, in the same task as the snapshot.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;

  bench.large = (verdict) => bench.words.verdicts[verdict]?.large ?? verdict;

  const headline = (one, tag) => {
    const [where, what] = bench.partsOf(one);
    const colon = what && el('span', {class: 'unseen', text: ': '});
    return el(tag, {class: 'where'}, el('span', {class: 'first', text: bench.capital(where)}), colon, what && el('span', {class: 'what', text: what}));
  };
  const quiet = (title, more) => [el('p', {class: 'where'}, el('span', {class: 'first', text: title})), more && el('p', {class: 'how', text: more})];

  const caution = ({caution: danger, decides}) => danger && el('p', {class: 'caution'}, el('strong', {text: `${fill('caution')}:`}), ' ', bench.capital(danger),
    decides ? ' ' : null, decides ? el('small', {text: decides}) : null);
  const facts = (next, scale) => {
    const parts = [
      next.setting && fill('feet_at', {setting: next.setting, length: bench.long(next.set_feet_mm)}),
      next.gauge_words && fill('with_gauge', {gauge: next.gauge_words}),
      next.fret && scale && fill('from_nut', {length: bench.long(bench.fretAt(next.fret, scale))}),
    ].filter(Boolean);
    const repeat = next.of > 1 && el('span', {class: 'repeats'},
      ...Array.from({length: next.of}, (_, i) => el('i', {class: i < next.repeat ? 'full' : 'open', 'aria-hidden': 'true'})),
      fill('repeat_of', next));
    return el('p', {class: 'facts'}, ...parts.map((text) => el('span', {text})), repeat || null);
  };
  const measure = ({next, instrument}) => [
    headline(next, 'p'),
    next.how && el('p', {class: 'how', text: bench.capital(next.how)}),
    next.bracket && el('p', {class: 'how strong', text: fill('bracket')}),
    facts(next, instrument?.scale_mm),
  ];
  const measurePart = ({study, next}) => [
    el('p', {class: 'where'}, el('span', {class: 'first', text: bench.trialWords(study.next, study.trials)})),
    el('p', {class: 'how', text: bench.capital(next?.how) || fill('study_how')}),
    el('p', {class: 'facts'}, el('span', {text: fill('with_gauge', {gauge: study.gauge})}), el('span', {text: fill('progress', study)})),
  ];
  const nextOne = (snap) => {
    if (snap.study) return snap.study.next ? measurePart(snap) : quiet(fill('study_done'), fill('progress', snap.study));
    return snap.next ? measure(snap) : nothingNext(snap);
  };
  const nothingNext = (snap) => {
    if (snap.state === 'idle') return quiet(fill('idle'), fill('idle_more'));
    if (snap.state !== 'done') return quiet(fill('empty'));
    const passed = (snap.stages ?? []).some(({skipped}) => skipped);
    return [...quiet(fill('done'), fill(passed ? 'done_skipped' : 'done_more')), bench.afterSteps(snap)];
  };

  const studyState = ({study}) => study && [study.next, study.trials, study.gauge, study.done, study.of];
  bench.drawNext = (snap) => bench.draw(bench.by('next'), [bench.unit, snap.next, snap.state, snap.after, snap.caution, snap.decides, snap.instrument?.scale_mm, studyState(snap)], () => [
    el('h2', {text: fill(snap.after?.length ? 'after' : 'next')}),
    ...nextOne(snap).filter(Boolean),
    ...[caution(snap)].filter(Boolean),
  ]);

  const within = ({low_nm: low, high_nm: high}) => {
    if (typeof low !== 'number' || typeof high !== 'number' || low === high) return null;
    return fill('within', {low: bench.number(bench.mm(low)), high: bench.length(bench.mm(high))});
  };
  const valueMm = ({value_nm: value, low_nm: low, high_nm: high}) => {
    if (typeof value === 'number') return bench.mm(value);
    return typeof low === 'number' && typeof high === 'number' ? bench.mm((low + high) / 2) : null;
  };
  bench.valueWords = (reading) => {
    const mm = valueMm(reading);
    return mm === null ? '' : bench.length(mm);
  };

  const size = (last) => {
    const mm = valueMm(last);
    return el('p', {class: 'size'}, el('span', {class: 'number', text: mm === null ? '\u2013' : bench.number(mm)}),
      el('span', {class: 'unit', text: ` ${bench.unit}`}));
  };
  const spread = (last) => {
    const mm = valueMm(last);
    const parts = [
      within(last),
      typeof last.expanded_u_mm === 'number' ? fill('expanded_u', {size: `${bench.spread(last.expanded_u_mm)} ${bench.unit}`}) : null,
      bench.unit === 'in' && mm !== null ? bench.thousandths(mm) : null,
    ].filter(Boolean);
    return el('p', {class: 'spread'}, ...parts.map((text) => el('span', {text})));
  };
  bench.unjudged = (last) => fill(last.taken_back ? 'taken_back' : last.unassigned ? 'unassigned' : bench.snap?.study ? 'study_kept' : 'unjudged');
  const verdict = (last) => {
    if (!last.verdict) return el('p', {class: 'verdict', text: bench.unjudged(last)});
    return el('p', {class: 'verdict'}, bench.sign(last.verdict), el('span', {text: bench.large(last.verdict)}));
  };
  // A step beside a fret that stands off is small for the fret's own part only: never a verdict without this word.
  bench.shadowWords = ({verdict, shadow_of: frets = []}) => (verdict && frets.length ? fill('shadow', {frets: frets.join(', ')}) : '');
  const lastOne = (last, shadow) => [
    el('h2', {text: fill('last')}, el('time', {text: last.taken_at ? bench.clock(last.taken_at) : ''})),
    headline(last, 'p'), size(last), el('div', {class: 'under'}, verdict(last), spread(last)),
    shadow ? el('p', {class: 'shadow', text: shadow}) : '',
    last.because ? el('p', {class: 'because', text: bench.sentence(last, 'because')}) : '',
    last.settle ? el('p', {class: 'settle', text: bench.sentence(last, 'settle')}) : '',
  ];

  bench.drawReading = (snap) => {
    const last = snap.last ?? bench.lastOfStudy(snap.study);
    const tile = bench.by('reading'), shadow = last ? bench.shadowWords(last) : '';
    tile.dataset.verdict = last?.verdict ?? '';
    bench.draw(tile, [bench.unit, last ?? null, Boolean(snap.study), shadow], () => (last ? lastOne(last, shadow) : [el('h2', {text: fill('last')}), ...quiet(fill('no_last')).filter(Boolean)]));
  };
})();
