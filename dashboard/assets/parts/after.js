// What comes next in the trade when the sheet is complete: each step with the view, or the list of flags, that helps.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const LEADS = {reseat: 'flag-list', level: 'levelling', board: 'sweep', fit: 'fit', seal: 'record', seal_later: 'record'};
  const SAID = {
    skipped: 'after_skipped', again: 'after_again', reseat: 'after_reseat', level: 'after_level',
    board: 'after_board', fit: 'after_fit', seal: 'after_seal', seal_later: 'after_seal_later',
  };
  const MOST = 8;

  const which = (frets = []) => (frets.length ? bench.count('after_frets', frets.length, {frets: frets.length > MOST ? `${frets.slice(0, MOST).join(', ')} \u2026` : frets.join(', ')}) : '');
  const stages = (names = []) => names.map((name) => bench.words.stages[name]?.title ?? name).join(', ');
  const step = ({step: name, frets, stages: skipped}) => el('li', {'data-after': name},
    LEADS[name] ? el('a', {href: `#${LEADS[name]}`, text: fill(SAID[name])}) : el('b', {text: fill(SAID[name])}),
    el('span', {text: ` ${[which(frets), stages(skipped), fill(`${SAID[name]}_more`)].filter(Boolean).join('; ')}`}));
  bench.afterSteps = ({after = []}) => (after.length ? el('ol', {class: 'after', 'aria-label': fill('after')}, ...after.map(step)) : null);
})();
