// The neck to scale, nut on the left, treble edge on top: what to measure next is marked, so that nobody counts frets.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const DOTS = [3, 5, 7, 9, 12, 15, 17, 19, 21, 24];  // position markers, common practice, no source
  const PLACE_AT = {treble: 0.14, centre: 0.5, bass: 0.86};
  const NARROW_PX = 620;
  // All sizes below are for type of 17 px and grow with it.
  const grown = (px) => px * parseFloat(getComputedStyle(document.documentElement).fontSize) / 17;

  // Twelve-tone equal temperament: x_n = L (1 - 2^(-n/12)), from the nut.
  bench.fretAt = (fret, scale) => scale * (1 - 2 ** (-fret / 12));

  const sizes = (width, frets) => {
    const small = width < NARROW_PX;
    const left = small ? 16 : grown(58), right = 6, top = grown(small ? 34 : 38), board = grown(small ? 62 : 78);
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
  const numbers = (at, frets, next, tags) => {
    const tight = at.along(frets) - at.along(frets - 1) < grown(22);
    let free = -Infinity;
    return Array.from({length: frets}, (_, i) => i + 1).filter((fret) => {
      const x = at.along(fret), near = tags.some((tag) => Math.abs(x - tag.x) < tag.half + grown(12))
        || (next && fret !== next && Math.abs(x - at.along(next)) < grown(19));
      if ((tight && !DOTS.includes(fret) && fret !== next) || near || x < free) return false;
      free = x + grown(19);
      return true;
    }).map((fret) => bench.svg('text', {
      class: fret === next ? 'number here' : 'number', x: at.along(fret), y: at.top + at.board + grown(20), text: String(fret),
    }));
  };

  const FLAG_HALF = 28, JOIN_LONG = 84;
  // The word stands on the side where the flag of the next fret is not, or nowhere.
  const joinLabel = (at, x, next) => {
    const flag = next ? at.along(next) : -Infinity, room = grown(FLAG_HALF) + grown(JOIN_LONG);
    const left = flag > x - grown(FLAG_HALF) && flag < x + room, right = flag > x - room && flag < x + grown(FLAG_HALF);
    if (left && right) return [];
    return [bench.svg('text', {class: left ? 'edge side' : 'edge', x: left ? x - 5 : x + 5, y: at.top - grown(4), text: bench.fill('join_short')})];
  };
  const join = (at, frets, fret, next) => {
    if (!fret || fret > frets) return [];
    const x = at.along(fret);
    const line = bench.svg('line', {class: 'join', x1: x, x2: x, y1: at.top - 8, y2: at.top + at.board + 5});
    return at.small ? [line] : [line, ...joinLabel(at, x, next)];
  };
  const edges = (at) => (at.small ? [] : ['treble', 'bass'].map((place) => bench.svg('text', {
    class: 'edge side', x: at.left - 10, y: at.across(at.left, place) + grown(5), text: place,
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
    snap.next ? bench.fill('neck_next', {words: snap.next.words}) : '',
    snap.last?.verdict ? bench.fill('neck_last', {words: snap.last.words, verdict: bench.large(snap.last.verdict)}) : '',
    bench.flaggedWords(marks),
  ].filter(Boolean).join('. ') || bench.fill('neck');

  bench.drawNeck = (snap) => {
    const node = bench.by('neck'), frets = snap.instrument?.frets, width = Math.round(node.clientWidth);
    node.hidden = !frets;
    if (!frets || !width) return;
    const {next, last, instrument} = snap, marks = bench.flaggedFrets(snap).filter(({fret}) => fret <= frets);
    const state = [width, frets, instrument.join_fret, next?.fret, next?.place, next?.words, last?.fret, last?.place, last?.verdict, marks];
    bench.draw(node, state, () => {
      const at = sizes(width, frets), {tags, more} = bench.tagsAt(at, marks);
      const all = Array.from({length: frets}, (_, i) => wire(at, i + 1, 'wire'));
      const parts = [wood(at), ...dots(at, frets), wire(at, 0, 'nut'), ...all, ...edges(at), ...join(at, frets, instrument.join_fret, next?.fret),
        ...numbers(at, frets, next?.fret, tags), ...bench.flagMarks(at, tags), ...lastMark(at, last), ...nextMark(at, next, frets)];
      node.setAttribute('aria-label', say(snap, marks));
      return bench.svg('svg', {viewBox: `0 0 ${width} ${at.height + more}`, width, height: at.height + more, 'aria-hidden': 'true'}, ...parts);
    });
  };
})();
