// A repeatability study under way: whose turn it is with which part, and what is taken already.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const BENCH_ONLY = ['repeat', 'skip'];

  // A part that is called a part already is not called so twice.
  const partWords = (part) => (String(part).toLowerCase().startsWith(fill('part_n')) ? String(part) : fill('part_n', {part}));
  bench.trialWords = ({part, person, trial}, trials) =>
    bench.capital([partWords(part), person, fill('trial_n', {trial, trials})].filter(Boolean).join(', '));

  // The last reading as the tile shows it, when the bench gives none of its own.
  bench.lastOfStudy = (study) => {
    const last = study?.readings?.at(-1);
    if (!last) return null;
    const [part, person, trial, mm] = last;
    return {words: bench.trialWords({part, person, trial}, study.trials), value_nm: Math.round(mm * 1e6), verdict: null};
  };

  bench.drawMode = ({study}) => {
    document.documentElement.dataset.mode = study ? 'study' : 'bench';
    for (const id of BENCH_ONLY) bench.by(id).hidden = Boolean(study);
  };

  const keyOf = (part, person) => JSON.stringify([part, person]);
  const cellsOf = ({readings}) => {
    const cells = new Map();
    for (const [part, person, , mm] of readings ?? []) {
      const key = keyOf(part, person);
      cells.set(key, [...(cells.get(key) ?? []), mm]);
    }
    return (part, person) => cells.get(keyOf(part, person)) ?? [];
  };
  bench.studyCells = cellsOf;

  const dots = (study, part, person, done) => {
    const here = study.next?.part === part && study.next?.person === person;
    return el('td', {class: here ? 'here' : null, 'data-taken': done}, el('span', {class: 'dots', 'aria-hidden': 'true'},
      ...Array.from({length: study.trials}, (_, i) => el('i', {class: i < done ? 'full' : here && i === done ? 'now' : null}))),
    el('span', {class: 'unseen', text: fill('taken_cell', {done, of: study.trials})}));
  };
  const grid = (study) => {
    const cells = cellsOf(study);
    const head = el('tr', {}, el('td'), ...study.parts.map((part) => el('th', {scope: 'col', text: part, title: part,
      class: study.next?.part === part ? 'here' : null})));
    const rows = study.people.map((person) => el('tr', {}, el('th', {scope: 'row', text: person, title: person,
      class: study.next?.person === person ? 'here' : null}), ...study.parts.map((part) => dots(study, part, person, cells(part, person).length))));
    return bench.wide(el('table', {'aria-label': fill('taken')}, el('thead', {}, head), el('tbody', {}, ...rows)));
  };
  bench.drawTaken = ({study}) => {
    const node = bench.by('taken');
    node.hidden = !study?.next;
    if (study?.next) bench.draw(node, [study.parts, study.people, study.trials, study.next, study.readings?.length], () => [
      el('p', {class: 'bar'}, el('span', {text: fill('progress', study)}),
        el('progress', {max: study.of || 1, value: Math.min(study.done, study.of || 1), 'aria-label': fill('progress', study)})), grid(study)]);
  };
})();
