// Which frets are flagged, above the fold: one line that leads to the list, and a mark for each on the neck.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, svg, fill} = bench;
  const TAG = {half: 12, above: 8, high: 18, base: 14, lane: 24};  // px at type of 17 px, as all sizes of the neck

  // Frets in order, each with the places that are flagged; none where the whole fret is.
  bench.flaggedFrets = ({flags = []}) => {
    const found = new Map();
    for (const {fret, place} of flags) {
      if (!Number.isInteger(fret) || fret < 1) continue;
      const places = found.get(fret) ?? found.set(fret, new Set()).get(fret);
      if (bench.places.includes(place)) places.add(place);
    }
    return [...found].sort(([a], [b]) => a - b).map(([fret, places]) => ({fret, places: [...places]}));
  };
  const named = ({fret, places}) => [fret, ...places.map(bench.place)].join(' ');
  bench.flaggedWords = (marks) => (marks.length ? fill('neck_flagged', {frets: marks.map(named).join(', ')}) : '');

  bench.ofFixture = ({check}) => check === 'fixture_zero' || check === 'gauge_zero';
  const line = (marks, wire, fixture) => [
    fixture ? fill('fixture_flagged') : '', wire ? fill('wire_flagged') : '', marks.length ? bench.count('frets_flagged', marks.length, {frets: marks.map(({fret}) => fret).join(', ')}) : '',
  ].filter(Boolean).join('; ');
  bench.drawFlagged = (snap) => {
    const marks = bench.flaggedFrets(snap), node = bench.by('flagged');
    const rest = (snap.flags ?? []).filter(({fret}) => !Number.isInteger(fret));
    const fixture = rest.some(bench.ofFixture), wire = rest.some((each) => !bench.ofFixture(each));
    node.hidden = !snap.instrument;
    const said = line(marks, wire, fixture);
    bench.draw(node, [marks.map(({fret}) => fret), wire, fixture], () => (said
      ? el('a', {href: '#flag-list'}, bench.sign('fail'), el('span', {text: said}))
      : el('span', {class: 'calm', text: fill('none_flagged')})));
  };

  // Tags are pushed apart as little as keeps them readable: pool neighbours that violate the gap, share the push.
  const apart = (wanted, gap, low, high) => {
    const blocks = [];
    wanted.forEach((x, i) => {
      let block = {sum: x - i * gap, n: 1};
      while (blocks.length && blocks.at(-1).sum / blocks.at(-1).n > block.sum / block.n) {
        const before = blocks.pop();
        block = {sum: before.sum + block.sum, n: before.n + block.n};
      }
      blocks.push(block);
    });
    const most = high - (wanted.length - 1) * gap;
    return blocks.flatMap(({sum, n}) => Array(n).fill(sum / n)).map((x, i) => Math.min(Math.max(x, low), most) + i * gap);
  };
  // Where each tag stands; more than fit side by side go into lanes.
  bench.tagsAt = (at, marks) => {
    const half = at.grown(TAG.half), low = half, high = at.width - half;
    const lanes = Math.max(1, Math.ceil(marks.length * 2 * (half + 1) / at.width));
    const tags = Array.from({length: lanes}, (_, lane) => {
      const own = marks.filter((_each, i) => i % lanes === lane);
      return apart(own.map(({fret}) => at.along(fret)), 2 * (half + 1), low, high).map((x, i) => ({...own[i], x, half, lane}));
    });
    return {tags: tags.reverse().flat(), more: (lanes - 1) * at.grown(TAG.lane)};
  };

  // A house with its roof at the wire: another outline than the flag of the next fret, also where colours are not seen.
  const tag = (at, {fret, x, half, lane}) => {
    const wire = at.along(fret), edge = at.top + at.board;
    const top = edge + at.grown(TAG.above) + lane * at.grown(TAG.lane), end = top + at.grown(TAG.high);
    const roof = `M${wire} ${edge - at.flare(wire) + 1}L${x + half} ${top}V${end}H${x - half}V${top}z`;
    return [svg('path', {class: 'tag', d: roof}), svg('text', {class: 'tagged', x, y: top + at.grown(TAG.base), text: String(fret)})];
  };
  const whole = (at, fret) => {
    const x = at.along(fret), top = at.top + at.flare(x), far = at.top + at.board - at.flare(x), wide = at.grown(at.small ? 5 : 7);
    const d = `M${x} ${top}L${x + wide} ${(top + far) / 2}L${x} ${far}L${x - wide} ${(top + far) / 2}z`;
    return [svg('path', {class: 'whole back', d}), svg('path', {class: 'whole', d})];
  };
  bench.markAt = (at, fret, place, verdict, px) => {
    const x = at.along(fret), size = at.grown(px), sign = bench.sign(verdict);
    for (const [name, value] of Object.entries({x: x - size / 2, y: at.across(x, place) - size / 2, width: size, height: size}))
      sign.setAttribute(name, value);
    return sign;
  };
  const onBoard = (at, {fret, places}) => (places.length
    ? places.map((place) => bench.markAt(at, fret, place, 'fail', at.small ? 13 : 17)) : whole(at, fret));
  bench.flagMarks = (at, tags) => tags.map((each) =>
    svg('g', {'data-flagged-fret': each.fret, 'data-places': each.places.join(' ')}, ...tag(at, each), ...onBoard(at, each)));
})();
