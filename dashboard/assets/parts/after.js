// What comes next in the trade when the sheet is complete: each step with the view, or the list of flags, that helps.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const LEADS = {reseat: 'flag-list', level: 'levelling', board: 'sweep', fit: 'fit', seal: 'record', seal_later: 'record'};
  const MOST = 8;

  const which = (frets = []) => (frets.length ? bench.count('after_frets', frets.length, {frets: frets.length > MOST ? `${frets.slice(0, MOST).join(', ')} \u2026` : frets.join(', ')}) : '');
  const stages = (names = []) => names.map((name) => bench.words.stages[name]?.title ?? name).join(', ');
  const step = ({step: name, frets, stages: skipped}) => el('li', {'data-after': name},
    LEADS[name] ? el('a', {href: `#${LEADS[name]}`, text: fill(`after_${name}`)}) : el('b', {text: fill(`after_${name}`)}),
    el('span', {text: ` ${[which(frets), stages(skipped), fill(`after_${name}_more`)].filter(Boolean).join('; ')}`}));
  bench.afterSteps = ({after = []}) => (after.length ? el('ol', {class: 'after', 'aria-label': fill('after')}, ...after.map(step)) : null);
})();
