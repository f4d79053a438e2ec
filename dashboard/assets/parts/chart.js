// The values of the chosen check by fret, with their expanded uncertainty; the figure goes through a Dash property.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const SYMBOLS = {'': 'diamond', bass: 'square', centre: 'circle', treble: 'triangle-up'};
  const INKS = {'': '--ink', bass: '--series-bass', centre: '--series-centre', treble: '--series-treble'};
  const SHIFT = {'': 0, bass: -0.18, centre: 0, treble: 0.18};  // side by side, so that bars do not hide each other
  const FEWEST = 3, ACROSS_PX = 1180;

  const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const type = () => 0.78 * parseFloat(getComputedStyle(document.documentElement).fontSize);
  const scaled = (mm) => (bench.unit === 'in' ? mm / 25.4 : mm);

  // Under a map that lies across, every value stands below the cell of its fret.
  const leftOf = () => (innerWidth < ACROSS_PX ? 64 : Math.round(document.querySelector('.neckmap .label')?.offsetWidth ?? 60) + 4);

  const series = (place, cells) => ({
    type: 'scatter', mode: 'markers', name: place || bench.fill('whole'),
    x: cells.map((cell) => cell.fret + SHIFT[place]), y: cells.map((cell) => scaled(cell.mm)),
    error_y: {type: 'data', array: cells.map((cell) => scaled(cell.U ?? 0)), thickness: 1.5, width: 3, color: ink(INKS[place])},
    marker: {symbol: SYMBOLS[place], size: 0.6 * type() + 1, color: ink(INKS[place])},
  });
  const axis = (more) => ({gridcolor: ink('--rule'), zeroline: false, tickfont: {size: type()}, fixedrange: true, ...more});
  // A limit is a dashed line across; what bounds a size or a step on one side only has one.
  const limitLines = (limits) => limits.filter((mm) => typeof mm === 'number').map((mm) => ({
    type: 'line', xref: 'paper', x0: 0, x1: 1, y0: scaled(mm), y1: scaled(mm), line: {color: ink('--soft'), width: 1.5, dash: 'dash'},
  }));
  const figure = (check, cells, frets, limits) => ({
    data: ['', ...bench.words.places].map((place) => [place, cells.filter((cell) => cell.place === place)])
      .filter(([, list]) => list.length).map(([place, list]) => series(place, list)),
    layout: {
      paper_bgcolor: 'rgba(0,0,0,0)', plot_bgcolor: 'rgba(0,0,0,0)', font: {color: ink('--soft'), family: 'inherit', size: type()},
      margin: {l: leftOf(), r: 4, t: 2.6 * type(), b: 2.3 * type()}, shapes: limitLines(limits), showlegend: true, legend: {orientation: 'h', x: 0, y: 1.02, yanchor: 'bottom'},
      xaxis: axis({range: [0.5, frets + 0.5], dtick: frets > 15 && innerWidth < 700 ? 2 : 1, tick0: 1, showgrid: false}),
      yaxis: axis({ticksuffix: ` ${bench.unit}`, nticks: 6, zeroline: true, zerolinecolor: ink('--soft')}),
    },
  });

  // Dash makes the chart when it is first needed and gets the figures afterwards; the page is live long before.
  let drawn = '', made = false;
  const give = (shape, check) => {
    const set = window.dash_clientside.set_props;
    if (made) {
      set('chart', {figure: shape});
      set('chart-box', {hidden: false});
    } else {
      const props = {id: 'chart', figure: shape, config: {staticPlot: true}, responsive: true};
      set('chart-box', {hidden: false, role: 'img', children: {namespace: 'dash_core_components', type: 'Graph', props}});
      made = true;
    }
    bench.by('chart-box').setAttribute('aria-label', bench.fill('chart_words', {check: bench.words.checks[check].title}));
  };
  bench.drawChart = (snap) => {
    const check = bench.shownCheck(snap.stage);
    const cells = bench.cellsOf(snap).filter((cell) => cell.check === check && typeof cell.mm === 'number');
    const limits = snap.limits?.[check] ?? [];
    const state = JSON.stringify([bench.unit, limits, document.documentElement.dataset.theme, check, cells, innerWidth < ACROSS_PX]);
    if (state === drawn || !window.dash_clientside?.set_props) return;
    drawn = state;
    if (cells.length >= FEWEST) give(figure(check, cells, Math.max(snap.instrument?.frets ?? 0, ...cells.map((cell) => cell.fret)), limits), check);
    else if (made) window.dash_clientside.set_props('chart-box', {hidden: true});
  };
})();
