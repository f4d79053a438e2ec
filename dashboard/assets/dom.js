// Small tools for building the page. Whatever people or gauges wrote becomes text, never HTML.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const SVG = 'http://www.w3.org/2000/svg';

  bench.words = JSON.parse(document.getElementById('words').textContent);

  // Data name places by what they are called in the store; people read the page's words for them.
  bench.places = Object.keys(bench.words.places);
  bench.place = (name) => bench.words.places[name] ?? name;

  // Fill the names in braces of one of the page's sentences.
  bench.fill = (name, values = {}) =>
    (bench.words.page[name] ?? name).replace(/\{(\w+)\}/g, (_, key) => String(values[key] ?? ''));
  bench.count = (name, n, more = {}) => bench.fill(n === 1 ? `${name}_one` : name, {n, ...more});
  // The bench writes half sentences; what stands alone begins with a capital, for the eye and for the ear.
  bench.capital = (text) => {
    const [first = ''] = String(text ?? '');
    return first.toLocaleUpperCase(bench.fill('locale')) + String(text ?? '').slice(first.length);
  };

  // What a reading is of, as the bench says it, in the page's words: where, and what is measured there. Zeros and the parts
  // of a study have sentences by the bench; the part before the colon is what the eye looks for.
  const WIDE = {fret_step: 'what_fret_step', board_step: 'what_board_step'}, GAPS = ['straightedge_gap', 'board_gap'], WHOLE = ['fixture_zero', 'gauge_zero', 'study'];
  const measured = ({kind, feet}) => {
    const [low, high] = feet ?? [], known = bench.words.kinds[kind];
    if (feet && GAPS.includes(kind)) return bench.fill('what_blocks', {kind: known, low, high});
    return feet && WIDE[kind] && high - low !== 2 ? bench.fill(WIDE[kind], {low, high}) : known;
  };
  bench.partsOf = (one) => {
    const {kind, fret, place, words = ''} = one, numbered = Number.isInteger(fret);
    if (bench.words.kinds[kind] && !WHOLE.includes(kind) && (numbered || !place) && one.feet !== undefined) {
      const where = bench.fill(!numbered ? 'what_wire' : place ? 'what_place' : 'what_fret', {fret, place: bench.place(place)});
      return [where, measured(one)];
    }
    const [, where, what] = /^(.*?): (.*)$/s.exec(words) ?? [null, words, ''];
    return [where, what];
  };
  bench.whatOf = (one) => bench.partsOf(one).filter(Boolean).join(': ');

  const attributes = (node, given) => {
    for (const [name, value] of Object.entries(given)) {
      if (value === null || value === undefined || value === false) continue;
      if (name === 'text') node.textContent = value;
      else node.setAttribute(name, value === true ? '' : String(value));
    }
    return node;
  };
  const build = (node, given, children) => {
    attributes(node, given).append(...children.filter((child) => child !== null && child !== undefined && child !== ''));
    return node;
  };
  bench.el = (tag, given = {}, ...children) => build(document.createElement(tag), given, children);
  bench.svg = (tag, given = {}, ...children) => build(document.createElementNS(SVG, tag), given, children);
  bench.by = (id) => document.getElementById(id);

  // Redraw a container only when what it shows has changed: a screen reader and a finger keep their place.
  const shown = new WeakMap();
  bench.draw = (node, state, make) => {
    const key = JSON.stringify(state);
    if (shown.get(node) === key) return false;
    shown.set(node, key);
    node.replaceChildren(...[make()].flat());
    return true;
  };

  // Verdicts differ in outline, not only in colour: a disc, a diamond, a square.
  const SHAPES = {
    pass: [['circle', {cx: 12, cy: 12, r: 10}], ['path', {d: 'M7 12.500l3.500 3.500L17 8.500', class: 'stroke'}]],
    fail: [['path', {d: 'M12 0.500L23.500 12L12 23.500L0.500 12z'}], ['path', {d: 'M8.500 8.500l7 7M15.500 8.500l-7 7', class: 'stroke'}]],
    remeasure: [['rect', {x: 2, y: 2, width: 20, height: 20, rx: 3}],
      ['path', {d: 'M16.500 9A5.500 5.500 0 1 0 17.500 13M17.500 5.500V9.500H13.500', class: 'stroke'}]],
  };
  bench.sign = (verdict) => {
    const parts = (SHAPES[verdict] || []).map(([tag, given]) => bench.svg(tag, given));
    return bench.svg('svg', {viewBox: '0 0 24 24', class: 'sign', 'data-sign': verdict, 'aria-hidden': 'true'}, ...parts);
  };

  // Leading and trailing throttle; the gap grows with the measured cost, so that a slow tablet keeps up, to `mostMs`.
  bench.every = (gapMs, work, mostMs = Infinity) => {
    let last = -Infinity, timer = 0, gap = gapMs;
    const go = () => {
      timer = 0;
      const start = performance.now();
      work();
      last = performance.now();
      gap = Math.min(Math.max(gapMs, 5 * (last - start)), mostMs);
    };
    return () => {
      if (timer) return;
      const wait = gap - (performance.now() - last);
      if (wait <= 0) go();
      else timer = setTimeout(go, wait);
    };
  };

  // Work that can wait for a pause: done when nobody has asked again for `calmMs`, at the latest `mostMs` after the last.
  bench.inPause = (calmMs, mostMs, work) => {
    let last = -Infinity, timer = 0;
    const go = () => {
      timer = 0;
      last = performance.now();
      work();
    };
    return () => {
      clearTimeout(timer);
      const late = last + mostMs - performance.now();
      timer = setTimeout(go, Math.max(0, Math.min(calmMs, late)));
    };
  };

  // Private windows may refuse storage; the page then simply forgets.
  const guarded = (work) => { try { return work(); } catch { return null; } };
  bench.recall = (name, where = localStorage) => guarded(() => where.getItem(`fretledger.${name}`));
  bench.keep = (name, value, where = localStorage) => guarded(() => where.setItem(`fretledger.${name}`, value));

  // What the page asks for itself: a refusal comes as a success with its status in a header, or the browser would print an
  // error of its own beside the words in which the page tells it.
  bench.OWN_PAGE = 'Own-Page';
  bench.fetch = async (path, given = {}) => {
    const reply = await fetch(path, {...given, headers: {...given.headers, [bench.OWN_PAGE]: 'yes'}}), refused = Number(reply.headers.get('Refused'));
    return refused ? {ok: false, status: refused, statusText: '', text: () => reply.text()} : reply;
  };

  const listeners = {};
  bench.on = (event, work) => (listeners[event] = listeners[event] || []).push(work);
  bench.tell = (event, ...given) => (listeners[event] || []).forEach((work) => work(...given));
})();
