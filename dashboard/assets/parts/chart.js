// The values of the chosen check by fret, with their expanded uncertainty; the figure goes through a Dash property.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {ink, type, axis, layout, lines, holder} = bench.graph;
  const SYMBOLS = {'': 'diamond', bass: 'square', centre: 'circle', treble: 'triangle-up'};
  const INKS = {'': '--ink', bass: '--series-bass', centre: '--series-centre', treble: '--series-treble'};
  const SHIFT = {'': 0, bass: -0.18, centre: 0, treble: 0.18};  // side by side, so that bars do not hide each other
  const FEWEST = 3;

  // Under a map that lies across, every value stands below the cell of its fret.
  const across = () => document.querySelector('.neckmap')?.dataset.lay === 'across';
  const leftOf = () => (!across() ? Math.max(64, Math.round(4 * type())) : Math.round(document.querySelector('.neckmap .label')?.offsetWidth ?? 60) + 4);

  const series = (place, cells) => ({
    type: 'scatter', mode: 'markers', name: place || bench.fill('whole'),
    x: cells.map((cell) => cell.fret + SHIFT[place]), y: cells.map((cell) => bench.scaled(cell.mm)),
    error_y: {type: 'data', array: cells.map((cell) => bench.scaled(cell.U ?? 0)), thickness: 1.5, width: 3, color: ink(INKS[place])},
    marker: {symbol: SYMBOLS[place], size: 0.6 * type() + 1, color: ink(INKS[place])},
  });
  const figure = (check, cells, frets, limits) => ({
    data: ['', ...bench.words.places].map((place) => [place, cells.filter((cell) => cell.place === place)])
      .filter(([, list]) => list.length).map(([place, list]) => series(place, list)),
    layout: layout({
      margin: {l: leftOf(), r: 4, t: 2.6 * type(), b: 2.3 * type()}, shapes: lines(limits),
      xaxis: axis({range: [0.5, frets + 0.5], dtick: frets > 15 && innerWidth < 700 ? 2 : 1, tick0: 1, showgrid: false}),
      yaxis: axis({ticksuffix: ` ${bench.unit}`, nticks: 6, zeroline: true, zerolinecolor: ink('--soft')}),
    }),
  });

  const chart = holder('chart-box', 'chart');
  let drawn = '';
  bench.drawChart = (snap) => {
    const check = bench.shownCheck(snap.stage);
    const cells = bench.cellsOf(snap).filter((cell) => cell.check === check && typeof cell.mm === 'number');
    const limits = snap.limits?.[check] ?? [];
    const state = JSON.stringify([bench.unit, limits, document.documentElement.dataset.theme, check, cells, across()]);
    if (state === drawn || !chart.ready()) return;
    drawn = state;
    const words = bench.fill('chart_words', {check: bench.words.checks[check].title});
    if (cells.length >= FEWEST) chart.give(figure(check, cells, Math.max(snap.instrument?.frets ?? 0, ...cells.map((cell) => cell.fret)), limits), words);
    else chart.hide();
  };
})();
