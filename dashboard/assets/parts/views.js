// Which view is shown, and what it asks of the bench; a view is drawn when it is opened and when something was added.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const AGAIN_MS = 2000;
  const makers = new Map();

  // A view says how it is drawn: draw(node, told, bench.snap) with what `look` gives, asked as `what` with `wanted()`.
  // It is asked anew when a reading was added, and when what `rests()` gives, what else its answer rests on, has changed.
  bench.addView = (name, {what, wanted = () => ({}), rests = () => '', draw}) => makers.set(name, {what, wanted, rests, draw});

  const names = () => [...document.querySelectorAll('.view')].map((node) => node.id.replace('view-', ''));
  const named = () => decodeURIComponent(location.hash.slice(1).split('/')[0]);
  bench.view = () => (names().includes(named()) ? named() : 'bench');
  // What follows the view's name in the address: the session that is looked at, empty for the one at the bench; or a gauge.
  bench.looked = () => decodeURIComponent(location.hash.slice(1).split('/')[1] ?? '');

  bench.look = async (what, wanted = {}) => {
    const answer = await bench.fetch(`/look/${what}?${new URLSearchParams(wanted)}`).catch(() => { throw new Error(fill('bench_away')); });
    if (!answer.ok) throw new Error((await answer.text()).trim() || answer.statusText);
    return answer.json();
  };

  let asked = '', busy = false, away = false, again = 0;
  const state = (name, {what, wanted, rests}) => JSON.stringify([name, what, wanted(), rests(), bench.snap?.seq ?? 0, bench.unit]);
  const show = async () => {
    const name = bench.view(), node = bench.by(`view-${name}`), maker = makers.get(name);
    if (maker && node && !node.firstChild) node.replaceChildren(el('p', {class: 'calm', role: 'status', text: fill('looking')}));  // also while another view is asked for
    if (!maker || !node || document.hidden || busy || state(name, maker) === asked) return;
    const now = state(name, maker), wanted = JSON.stringify(maker.wanted()), since = again;
    busy = true;
    try {
      const told = maker.what ? await bench.look(maker.what, maker.wanted()) : {};
      if (bench.view() === name) maker.draw(node, told, bench.snap);
      asked = since === again ? now : '';
    } catch (error) {
      node.replaceChildren(el('p', {role: 'alert', text: fill('not_told', {why: error.message})}));
      asked = now;
      away = error.message === fill('bench_away');
    } finally {
      busy = false;
    }
    const other = () => JSON.stringify(maker.wanted()) !== wanted || since !== again;
    if (bench.view() !== name || other()) show();  // something else was opened meanwhile, or more was kept
  };
  bench.on('link', (lost) => {
    if (lost || !away) return;
    away = false;
    bench.lookAgain();
  });
  // Something was kept that no snapshot tells of: the view that is shown asks again.
  bench.lookAgain = () => {
    asked = '';
    again += 1;
    show();
  };
  const turn = () => {
    const name = bench.view();
    for (const each of names()) {
      const node = bench.by(`view-${each}`), link = bench.by(`to-${each}`);
      node.hidden = each !== name;
      if (each === name) link?.setAttribute('aria-current', 'page');
      else link?.removeAttribute('aria-current');
    }
    show();
    if (led === name) bench.by(`view-${name}`).focus({preventScroll: true});
    led = '';
    bench.tell('look');
  };
  // Whoever follows a view's link goes on in the view: the next Tab is its first control, and a screen reader says its name.
  let led = '';
  document.addEventListener('click', ({target}) => {
    led = target.closest?.('#views a')?.hash.slice(1) ?? '';
    if (led && led === bench.view() && !bench.looked()) turn();  // the address stays as it is
  });
  const later = bench.every(AGAIN_MS, show);
  bench.on('ready', turn);
  bench.on('snapshot', later);
  bench.on('look', show);
  window.addEventListener('hashchange', turn);
})();
