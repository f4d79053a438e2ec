// The readings of a study by part and person, each mean with its 95 % interval.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {ink, type, axis, layout, plain, holder} = bench.graph;
  const SYMBOLS = ['square', 'triangle-up', 'circle', 'diamond', 'cross', 'star', 'pentagon'];
  const INKS = ['--series-bass', '--series-treble', '--series-centre', '--focus', '--again-ink', '--ink'];
  const APART = 0.64, BESIDE = 0.055;  // of the way from one part to the next

  bench.mean = (list) => list.reduce((sum, each) => sum + each, 0) / list.length;
  // All means share the study's repeatability and its degrees of freedom; `half` is half an interval in mm.
  bench.meansOf = ({result}) => ({half: (n) => bench.student(result.dof) * result.repeatability_mm / Math.sqrt(n)});

  const look = (index) => ({symbol: SYMBOLS[index % SYMBOLS.length], color: ink(INKS[index % INKS.length])});
  const shiftOf = (index, count) => (count > 1 ? APART * (index / (count - 1) - 0.5) : 0);
  // Many parts on a narrow screen leave little room for each sign.
  const sizeOf = ({parts, people}) => Math.max(4, Math.min(0.6 * type() + 2, 0.7 * innerWidth / (parts.length * (people.length + 1))));
  const traces = (study, person, index) => {
    const cells = bench.studyCells(study), {half} = bench.meansOf(study), shift = shiftOf(index, study.people.length);
    const filled = study.parts.map((part, at) => ({x: at + shift, list: cells(part, person)})).filter(({list}) => list.length);
    const {color, symbol} = look(index), size = sizeOf(study);
    return [
      {type: 'scatter', mode: 'markers', showlegend: false, x: filled.flatMap(({x, list}) => list.map(() => x - BESIDE)),
        y: filled.flatMap(({list}) => list.map(bench.scaled)), marker: {symbol: `${symbol}-open`, size: size * 0.6, color}},
      {type: 'scatter', mode: 'markers', name: plain(person), x: filled.map(({x}) => x + BESIDE), y: filled.map(({list}) => bench.scaled(bench.mean(list))),
        error_y: {type: 'data', array: filled.map(({list}) => bench.scaled(half(list.length))), thickness: 1.8, width: size / 3, color},
        marker: {symbol, size, color}},
    ];
  };
  // Thin lines between the parts keep the people of one part together.
  const borders = (count) => Array.from({length: Math.max(0, count - 1)}, (_, i) => ({
    type: 'line', yref: 'paper', y0: 0, y1: 1, x0: i + 0.5, x1: i + 0.5, line: {color: ink('--rule'), width: 1},
  }));
  const figure = (study) => ({
    data: study.people.flatMap((person, index) => traces(study, person, index)),
    layout: layout({
      margin: {l: 4 * type(), r: 4, t: 2.6 * type(), b: 2.3 * type()}, shapes: borders(study.parts.length),
      xaxis: axis({range: [-0.5, study.parts.length - 0.5], showgrid: false, automargin: true,
        tickvals: study.parts.map((_, at) => at), ticktext: study.parts.map(plain)}),
      yaxis: axis({title: {text: bench.unit, standoff: 6}, nticks: 6, automargin: true}),
    }),
  });

  const chart = holder('study-chart-box', 'study-chart');
  let drawn = '';
  bench.drawByPart = ({study}) => {
    if (!study?.result) return;
    const state = JSON.stringify([bench.unit, document.documentElement.dataset.theme, Math.round(innerWidth / 100), study.parts, study.people, study.readings, study.result.dof, study.result.repeatability_mm]);
    if (state === drawn || !chart.ready()) return;
    drawn = state;
    chart.give(figure(study), bench.fill('study_chart_words'));
  };
})();
