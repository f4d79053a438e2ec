// The second sweep against the plan: which places came to lie within the tolerance, and which did not.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;

  const verdict = (one) => (!one.sure ? 'remeasure' : one.within ? 'pass' : 'fail');
  const state = (one) => fill(one.within ? (one.sure ? 'level_within' : 'level_within_unsure') : one.sure ? 'level_outside' : 'level_outside_unsure');
  const rest = (one) => el('li', {'data-verdict': verdict(one)}, bench.sign(verdict(one)),
    el('span', {class: 'text', text: `${bench.where(one.fret, one.place)}: ${fill('level_left', {size: bench.sized(one.left_mm, one.U_mm)})}, ${state(one)}`}),
    one.flat_too_wide ? el('span', {class: 'todo', text: fill('level_wide')}) : '');
  const section = ({taken_at: at, places}) => {
    const within = places.filter((one) => one.within), sure = within.filter((one) => one.sure);
    const off = places.filter((one) => !one.within || one.flat_too_wide);
    const when = at && Date.parse(at) > 0 ? fill('level_second_at', {time: `${bench.day(at)}, ${bench.clock(at)}`}) : fill('level_second_untimed');
    return bench.section(fill('level_second'), el('p', {class: 'calm', text: when}), el('p', {class: 'lead', text: fill('level_reached', {n: within.length, of: places.length, sure: sure.length})}),
      off.length ? el('ul', {class: 'judged'}, ...off.map(rest)) : null);
  };
  // Fill a place on the view once the bench has answered; without a second sweep it says how there comes to be one.
  const none = (told) => (told.report.plan?.feasible ? el('p', {class: 'calm for-screen', text: fill('level_second_none')}) : '');
  bench.secondSweep = (told, node) => bench.look('second_sweep', {id: told.session})
    .then((found) => { node.replaceChildren(found.session ? section(found) : none(told)); })
    .catch((error) => node.replaceChildren(el('p', {role: 'alert', text: fill('not_told', {why: error.message})})));
})();
