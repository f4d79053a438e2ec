// Keys of the bench, for a hand that holds a gauge and a foot on a pedal. None of them works while something is typed.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const PEDALS = {space: ' ', enter: 'Enter', pagedown: 'PageDown', b: 'b'};
  const PEDAL_WORDS = {space: 'pedal_space', enter: 'key_enter', pagedown: 'pedal_pagedown', b: 'pedal_b'};
  const PRESSING = [' ', 'Enter'], FORGET_MS = 8000;

  bench.pedal = () => (Object.hasOwn(PEDALS, bench.recall('pedal') ?? '') ? bench.recall('pedal') : 'space');
  bench.isPedal = ({key}) => key === PEDALS[bench.pedal()] || (bench.pedal() === 'b' && key === 'B');

  // Taking back takes two presses: the first says which reading it would be, the second does it.
  let armed = null, forget = 0;
  const keyOf = ({gauge, sequence}) => `${gauge}|${sequence}`;
  const takeable = () => (bench.snap?.recent ?? []).filter((each) => !each.taken_back && Number.isInteger(each.sequence));
  const disarm = (words = '') => {
    clearTimeout(forget);
    if (armed) bench.said(words);
    armed = null;
  };
  const arm = (reading) => {
    clearTimeout(forget);
    armed = reading;
    bench.said(fill('back_armed', {words: bench.capital(bench.whatOf(reading)), value: bench.valueWords(reading)}), {stays: true});
    bench.by('said').scrollIntoView({block: 'nearest'});  // asked where it is seen, wherever the page stands
    forget = setTimeout(() => disarm(fill('back_left')), FORGET_MS);
  };
  const back = () => {
    if (!armed) {
      const [newest] = takeable();
      if (newest) arm(newest);
      else bench.said(fill('back_none'));
      return;
    }
    const {gauge, sequence} = armed;
    disarm();
    bench.ask({do: 'take_back', gauge, sequence});
  };
  bench.asking = () => Boolean(armed);
  const another = (by) => {
    const list = takeable(), now = list.findIndex((each) => keyOf(each) === keyOf(armed));
    arm(list[Math.min(Math.max(now + by, 0), list.length - 1)] ?? armed);
  };

  const line = (key, words) => [el('dt', {}, el('kbd', {text: key})), el('dd', {text: fill(words)})];
  bench.keyList = () => el('div', {class: 'key-table'}, el('dl', {class: 'key-lines'}, ...[
    [fill('key_digits'), 'key_digits_do'], [fill('key_enter'), 'key_enter_do'], [fill('key_escape'), 'key_escape_do'],
    [fill(PEDAL_WORDS[bench.pedal()]), 'key_pedal_do'], [fill('key_right'), 'key_right_do'], [fill('key_left'), 'key_left_do'],
    [fill('key_back'), 'key_back_do'], [fill('key_up_down'), 'key_up_down_do'], ['F2', 'repeat'], ['F4', 'take_now'], ['F8', 'skip'],
    ['F9', 'take_back'], [fill('key_map'), 'key_map_do'], [fill('key_help'), 'key_help_do']].flatMap(([key, words]) => line(key, words))),
  el('p', {class: 'calm', text: fill('keys_more')}));
  const show = () => {
    const box = bench.by('key-list');
    box.replaceChildren(el('div', {class: 'head'}, el('h2', {tabindex: -1, text: fill('keys')}),
      el('button', {type: 'button', class: 'action', 'data-close': true}, fill('close'), ' ', el('kbd', {text: fill('key_escape')}))),
    el('div', {class: 'body', tabindex: 0, role: 'group', 'aria-label': fill('keys')}, bench.keyList()));
    box.showModal();
    box.querySelector('h2').focus();
  };

  // A pedal pressed where no gauge waits to be read says so; as a space in the field it would stop every other key.
  const take = () => (!bench.by('take-now').hidden ? bench.work['take-now'] : bench.pedal() !== 'pagedown' ? () => bench.said(fill('pedal_nothing')) : null);
  const onBench = () => bench.view() === 'bench' && document.documentElement.dataset.role !== 'reader';
  const unskip = () => { if (!bench.by('unskip').hidden) bench.work.unskip(); };
  const plain = {ArrowRight: () => bench.work.skip(), ArrowLeft: unskip, Backspace: back};
  const whenArmed = {ArrowUp: () => another(1), ArrowDown: () => another(-1), Escape: () => disarm(fill('back_left'))};

  const workOf = (event, field, active) => {
    const inField = active === field, onControl = Boolean(active?.closest?.('button, a, summary, input, [role=gridcell]')) && !inField;
    if (event.key === '?') return show;
    if (!onBench()) return null;
    if (armed && whenArmed[event.key]) return whenArmed[event.key];
    const presses = onControl && PRESSING.includes(event.key);  // the button that has the focus
    if (bench.isPedal(event) && !presses) return take();
    if (inField && event.key === 'Escape') return () => field.blur();
    if (active?.closest?.('[role=grid]') || (inField && event.key === 'Backspace' && bench.deleting)) return null;
    return plain[event.key] ?? null;
  };
  // True when the key was one of these; what it would do by itself is then not wanted.
  bench.benchKey = (event, field) => {
    const active = document.activeElement, typing = active === field ? field.value !== '' : bench.editable(active);
    if (typing || document.querySelector('dialog[open]')) return false;
    const work = workOf(event, field, active);
    if (armed && event.key !== 'Backspace' && !whenArmed[event.key]) disarm();
    if (!work) return false;
    if (!event.repeat) work();
    return true;
  };

  document.addEventListener('click', ({target}) => {
    const box = bench.by('key-list'), button = target.closest?.('button');
    if (button?.id === 'show-keys') show();
    if (box && (target === box || (box.contains(target) && button))) box.close();
  });
  const again = () => document.querySelectorAll('#view-settings .key-table').forEach((node) => node.replaceWith(bench.keyList()));
  bench.on('look', again);
})();
