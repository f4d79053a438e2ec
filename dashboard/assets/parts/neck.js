// The neck to scale, nut on the left, treble edge on top: what to measure next is marked, so that nobody counts frets.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const DOTS = [3, 5, 7, 9, 12, 15, 17, 19, 21, 24];  // position markers, common practice, no source
  const PLACE_AT = {treble: 0.14, centre: 0.5, bass: 0.86};
  const NARROW_PX = 620, LOW_PX = 860;
  // Asked once for every change of the page's width, never while a reading is drawn: an answer costs a layout of the page.
  let width = 0, rem = 17, low = false;
  bench.measureNeck = () => {
    width = Math.round(bench.by('neck').parentElement.clientWidth);
    low = innerHeight <= LOW_PX;
    rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
  };
  // All sizes below are for type of 17 px and grow with it.
  const grown = (px) => px * rem / 17;

  // Twelve-tone equal temperament: x_n = L (1 - 2^(-n/12)), from the nut.
  bench.fretAt = (fret, scale) => scale * (1 - 2 ** (-fret / 12));

  const sizes = (width, frets) => {
    const small = width < NARROW_PX;
    const left = small ? 16 : grown(58), right = 6, top = grown(small ? 34 : 38), board = grown(small || low ? 62 : 78);
    const end = bench.fretAt(frets, 1) + 0.45 * (bench.fretAt(frets, 1) - bench.fretAt(frets - 1, 1));
    const along = (fret) => left + bench.fretAt(fret, 1) / end * (width - left - right);
    const flare = (x) => (1 - (x - left) / (width - left)) * board * 0.09;  // narrower at the nut
    const across = (x, place) => top + flare(x) + (PLACE_AT[place] ?? 0.5) * (board - 2 * flare(x));
    return {small, left, right: width - right, top, board, along, flare, across, height: top + board + grown(28), width, grown};
  };

  const wood = (at) => {
    const {left, right, top, board, flare} = at;
    const points = [[left, top + flare(left)], [right, top], [right, top + board], [left, top + board - flare(left)]];
    return bench.svg('polygon', {class: 'wood', points: points.map((point) => point.join(',')).join(' ')});
  };
  const wire = (at, fret, kind) => {
    const x = at.along(fret), y = at.top + at.flare(x), far = at.top + at.board - at.flare(x);
    return bench.svg('line', {class: kind, x1: x, x2: x, y1: y, y2: far});
  };
  const dots = (at, frets) => DOTS.filter((fret) => fret <= frets).flatMap((fret) => {
    const x = (at.along(fret - 1) + at.along(fret)) / 2, middle = at.top + at.board / 2;
    const ys = fret % 12 ? [middle] : [middle - at.board * 0.2, middle + at.board * 0.2];
    return ys.map((y) => bench.svg('circle', {class: 'dot', cx: x, cy: y, r: grown(at.small ? 2.5 : 4)}));
  });

  // Every fret has its number where there is room; the one to measure always has, on its flag if nowhere else.
  const numbered = (at, frets, next, tags) => {
    const tight = at.along(frets) - at.along(frets - 1) < grown(22);
    let free = -Infinity;
    return Array.from({length: frets}, (_, i) => i + 1).filter((fret) => {
      const x = at.along(fret), near = tags.some((tag) => Math.abs(x - tag.x) < tag.half + grown(12))
        || (next && fret !== next && Math.abs(x - at.along(next)) < grown(19));
      if ((tight && !DOTS.includes(fret) && fret !== next) || near || x < free) return false;
      free = x + grown(19);
      return true;
    });
  };
  // The numbers stay in the page and only come and go: their text need not be laid out for every reading.
  const numbers = (at, frets) => {
    const all = Array.from({length: frets}, (_, i) => bench.svg('text', {class: 'number', x: at.along(i + 1), y: at.top + at.board + grown(20), text: String(i + 1)}));
    const node = bench.svg('g');
    const show = (wanted, next) => all.forEach((each, i) => {
      const name = i + 1 === next ? 'number here' : 'number', shown = wanted.includes(i + 1);
      if (each.getAttribute('class') !== name) each.setAttribute('class', name);
      if (shown && !each.parentNode) node.append(each);
      if (!shown && each.parentNode) each.remove();
    });
    return {node, show};
  };

  const FLAG_HALF = 28, JOIN_LONG = 84;
  const joined = (frets, fret) => Boolean(fret) && fret <= frets;
  const joinLine = (at, frets, fret) => {
    if (!joined(frets, fret)) return [];
    const x = at.along(fret);
    return [bench.svg('line', {class: 'join', x1: x, x2: x, y1: at.top - 8, y2: at.top + at.board + 5})];
  };
  // The word stands on the side where the flag of the next fret is not, or nowhere.
  const joinLabel = (at, frets, fret, next) => {
    if (at.small || !joined(frets, fret)) return [];
    const x = at.along(fret), flag = next ? at.along(next) : -Infinity, room = grown(FLAG_HALF) + grown(JOIN_LONG);
    const left = flag > x - grown(FLAG_HALF) && flag < x + room, right = flag > x - room && flag < x + grown(FLAG_HALF);
    if (left && right) return [];
    return [bench.svg('text', {class: left ? 'edge side' : 'edge', x: left ? x - 5 : x + 5, y: at.top - grown(4), text: bench.fill('join_short')})];
  };
  const edges = (at) => (at.small ? [] : ['treble', 'bass'].map((place) => bench.svg('text', {
    class: 'edge side', x: at.left - 10, y: at.across(at.left, place) + grown(5), text: bench.place(place),
  })));

  const lastMark = (at, last) => {
    if (!last?.fret || !last.verdict) return [];
    return [bench.markAt(at, last.fret, last.place, last.verdict, at.small ? 17 : 22)];
  };
  const nextMark = (at, next, frets) => {
    if (!next?.fret || next.fret > frets) return [];
    const x = at.along(next.fret), y = at.across(x, next.place);
    const half = grown(FLAG_HALF), label = Math.min(Math.max(x, half + 1), at.width - half - 1);
    const flag = [
      bench.svg('rect', {class: 'flag', x: label - half, y: 0, width: 2 * half, height: grown(26), rx: 5}),
      bench.svg('path', {class: 'flag', d: `M${x - grown(6)} ${grown(25)}h${grown(12)}l${grown(-6)} ${grown(8)}z`}),
      bench.svg('text', {class: 'flagged', x: label, y: grown(19), text: String(next.fret)}),
    ];
    const ring = next.place ? [bench.svg('circle', {class: 'ring', cx: x, cy: y, r: grown(at.small ? 12 : 15)})] : [];
    return [wire(at, next.fret, 'target'), ...ring, ...flag];
  };

  const say = (snap, marks) => [
    snap.next ? bench.fill('neck_next', {words: bench.whatOf(snap.next)}) : '',
    snap.last?.verdict ? bench.fill('neck_last', {words: bench.whatOf(snap.last), verdict: bench.large(snap.last.verdict)}) : '',
    bench.flaggedWords(marks),
  ].filter(Boolean).join('. ') || bench.fill('neck');

  // What stands still is drawn once for a width; a reading moves only the marks.
  let parts = null;
  const build = (frets, joins) => {
    const at = sizes(width, frets), counted = numbers(at, frets), marks = bench.svg('g');
    const wires = Array.from({length: frets}, (_, i) => wire(at, i + 1, 'wire'));
    const still = bench.svg('g', {}, wood(at), ...dots(at, frets), wire(at, 0, 'nut'), ...wires, ...edges(at), ...joinLine(at, frets, joins));
    return {at, counted, marks, svg: bench.svg('svg', {width, 'aria-hidden': 'true'}, still, counted.node, marks)};
  };
  const high = (svg, height) => {
    if (svg.getAttribute('height') === String(height)) return;
    svg.setAttribute('height', height);
    svg.setAttribute('viewBox', `0 0 ${width} ${height}`);
  };

  bench.drawNeck = (snap) => {
    const node = bench.by('neck'), frets = snap.instrument?.frets, joins = snap.instrument?.join_fret;
    node.hidden = !frets;
    if (!frets || !width) return;
    bench.draw(node, [width, rem, low, frets, joins], () => (parts = build(frets, joins)).svg);
    const {next, last} = snap, flagged = bench.flaggedFrets(snap).filter(({fret}) => fret <= frets);
    const state = [width, rem, low, frets, joins, next?.fret, next?.place, next?.words, last?.fret, last?.place, last?.verdict, last?.words, flagged];
    const {at, counted, marks, svg} = parts;
    bench.draw(marks, state, () => {
      const {tags, more} = bench.tagsAt(at, flagged);
      high(svg, at.height + more);
      counted.show(numbered(at, frets, next?.fret, tags), next?.fret);
      node.setAttribute('aria-label', say(snap, flagged));
      return [...joinLabel(at, frets, joins, next?.fret), ...bench.flagMarks(at, tags), ...lastMark(at, last), ...nextMark(at, next, frets)];
    });
  };
})();
