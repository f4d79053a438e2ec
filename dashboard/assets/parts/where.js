// This bench or the whole shop: a switch that each view remembers in this browser.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;

  bench.whereSwitch = (view, where) => el('div', {role: 'group', class: 'filter', 'aria-label': fill('rack_where')},
    ...[['', fill('rack_this')], ['shop', fill('rack_whole')]].map(([name, text]) =>
      el('button', {type: 'button', class: 'switch', id: `${view}-where-${name || 'bench'}`, 'data-where-of': view, 'data-where': name, 'aria-pressed': String(name === where), text})));
  document.addEventListener('click', ({target}) => {
    const {whereOf, where} = target.closest?.('[data-where-of]')?.dataset ?? {};
    if (whereOf === undefined) return;
    bench.keep(`where.${whereOf}`, where);
    bench.tell('where', whereOf, where);
  });
})();
