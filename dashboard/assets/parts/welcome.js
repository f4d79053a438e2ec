// A guide for whoever has measured nothing yet: to a seated fret, three heights, a verdict. Put away, it stays away.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const BEFORE = ['wire', 'board', 'slots'], TRIAL_MM = [1.2, 1.21];
  let begun = false, asked = null, example = false, judged = false;

  const wanted = (snap) => bench.recall('welcome') !== 'done' && !snap.demo && !snap.study && document.documentElement.dataset.role !== 'reader'
    && (begun || (snap.state === 'measuring' && (snap.seq ?? 0) === 0));
  // Once there was a verdict the guide goes back to no earlier step.
  const step = (snap) => ((judged ||= Boolean(snap.last?.verdict)) ? 3 : BEFORE.includes(snap.stage) ? 1 : 2);
  const line = (number, now, title, more) => el('li', {'aria-current': number === now ? 'step' : null}, el('strong', {text: fill(title)}), el('span', {text: fill(more, {one: bench.round(TRIAL_MM[0]), two: bench.round(TRIAL_MM[1])})}));
  const button = (id, words, given = {}) => el('button', {id, type: 'button', class: 'action', ...given, text: fill(words)});
  // On the bench's own machine a press starts it; elsewhere its address would lead nowhere.
  const own = () => ['127.0.0.1', 'localhost', '[::1]'].includes(location.hostname);
  const told = ({url, why} = {}) => {
    if (url) return [fill('example_ready'), ' ', el('a', {href: url, target: '_blank', rel: 'noopener', text: fill('example_open')})];
    if (own() && !why) return [fill('example_starts')];
    return [why ? `${bench.capital(why)}. ` : '', fill('example_how'), ' ', el('code', {text: 'fretledger demo'})];
  };
  const guide = (now) => [
    el('h2', {text: fill('welcome')}),
    el('ol', {class: 'steps'}, line(1, now, 'step_fret', 'step_fret_more'), line(2, now, 'step_type', 'step_type_more'), line(3, now, 'step_verdict', 'step_verdict_more')),
    el('div', {class: 'actions'},
      now === 1 ? button('to-a-fret', 'to_a_fret') : '',
      button('show-example', 'show_example', {'aria-expanded': String(example), 'aria-controls': 'example'}),
      button('away', 'put_away')),
    el('p', {id: 'example', role: 'status', hidden: !example}, ...told(bench.snap.example ?? undefined)),
  ];
  const draw = () => {
    const node = bench.by('welcome'), snap = bench.snap;
    if (!snap) return;
    begun = wanted(snap);
    node.hidden = !begun;
    if (!begun) return;
    const now = step(snap), focused = document.activeElement?.closest?.('#welcome') ? document.activeElement.id : '';
    node.dataset.slim = Boolean(snap.last);  // beside a reading there is room for the step at hand alone
    bench.draw(node, [now, example, bench.unit, bench.snap.example], () => guide(now));
    if (focused) (bench.by(focused) ?? bench.by('typed')).focus();
  };

  // One stage after another, as the bench says that it has come to the next.
  const pass = ({stage}) => {
    if (asked === null || stage === asked) return;
    asked = BEFORE.includes(stage) ? stage : null;
    if (asked) bench.ask({do: 'skip_stage'});
    else bench.by('typed').focus();
  };
  const work = {
    'to-a-fret': () => { asked = ''; pass(bench.snap); },
    'show-example': () => {
      example = !example;
      if (example && own() && !bench.snap.example?.url) bench.ask({do: 'example'});
      draw();
    },
    away: () => { bench.keep('welcome', 'done'); draw(); bench.by('typed').focus(); },
  };
  document.addEventListener('click', ({target}) => {
    const id = target.closest?.('#welcome button')?.id;
    if (Object.hasOwn(work, id ?? '')) work[id]();
  });
  bench.on('snapshot', pass);
  bench.on('snapshot', draw);
  bench.on('look', draw);
})();
