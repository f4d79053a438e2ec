// The values of the chosen check by fret, with their expanded uncertainty, below the map.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const SHIFT = {'': 0, bass: -0.18, centre: 0, treble: 0.18};  // side by side, so that bars do not hide each other
  const FEWEST = 3, ROOM_REM = 14, FULL_PX = 700;

  // Under a map that lies across, every value stands below the cell of its fret.
  const label = () => document.querySelector('.neckmap[data-lay=across] .label')?.offsetWidth;
  const levels = (limits) => limits.filter((mm) => typeof mm === 'number').map((mm) => ({mm, words: bench.fill('chart_limit', {size: bench.length(mm)})}));
  const marks = (cells) => cells.map(({fret, place, mm, U, verdict}) => ({x: fret + SHIFT[place], mm, U: U ?? 0, place, verdict}));
  const plot = (check, cells, frets, limits, edge) => {
    const drawn = marks(cells), lines = levels(limits), step = frets > 15 && innerWidth < FULL_PX ? 2 : 1;
    const seen = [...drawn.flatMap(({mm, U}) => [mm - U, mm + U]), ...lines.map(({mm}) => mm)];
    const places = bench.places.filter((place) => cells.some((cell) => cell.place === place));
    return [
      bench.plot({
        words: bench.fill('chart_words', {check: bench.words.checks[check].title}), x: [0.5, frets + 0.5], low: Math.min(...seen), high: Math.max(...seen),
        rem: ROOM_REM, marks: drawn, levels: lines, edges: edge ? [edge + 4, 4] : null,
        ticks: Array.from({length: frets}, (_, i) => ({at: i + 1, text: String(i + 1)})).filter(({at}) => at % step === 0),
      }),
      places.length ? bench.plotKey(...places.map((place) => [place, bench.place(place)])) : '',
    ];
  };

  bench.drawChart = (snap) => {
    const check = bench.shownCheck(snap.stage), node = bench.by('chart-box');
    const cells = bench.cellsOf(snap).filter((cell) => cell.check === check && typeof cell.mm === 'number');
    const limits = snap.limits?.[check] ?? [], frets = Math.max(snap.instrument?.frets ?? 0, ...cells.map((cell) => cell.fret)), edge = label();
    node.hidden = cells.length < FEWEST;
    if (!node.hidden) bench.draw(node, [bench.unit, limits, check, cells, frets, edge, innerWidth < FULL_PX], () => plot(check, cells, frets, limits, edge));
  };
})();
