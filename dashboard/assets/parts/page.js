// Begin when Dash has laid the containers out; draw the tile at once and the rest in a later task.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const TILE_MS = 40, TILE_MOST_MS = 100;  // one slow tile must not keep the next reading back
  const AFTER_MS = 20;
  const CALM_MS = 100, SLOW_MS = 1000;  // the map and the lists come in a pause between readings, or at least so often
  const CHART_CALM_MS = 150, CHARTS_MS = 2000;
  const NEEDED = ['link', 'flagged', 'climate', 'taken', 'next', 'queries', 'sure', 'study-chart-box', 'worth', 'reading', 'entry', 'take-now', 'map', 'flags', 'recent', 'chart-box'];

  // The rest waits for the frame that shows the reading, or the neck and the map would stand between it and the eye.
  const afterFrame = (work) => {
    let asked = false;
    return () => {
      if (asked || document.hidden) return;
      asked = true;
      requestAnimationFrame(() => {
        asked = false;
        setTimeout(work, AFTER_MS);  // other pages of this machine show the same reading: theirs goes first
      });
    };
  };
  // Nothing in these two asks the page how large something is: the answer would cost a layout of what was just written.
  const around = afterFrame(() => {
    bench.drawNext(bench.snap);
    bench.drawNeck(bench.snap);
    bench.drawFlagged(bench.snap);
    bench.drawTaken(bench.snap);
    bench.drawStrip(bench.snap);
  });
  const tile = bench.every(TILE_MS, () => {
    bench.drawMode(bench.snap);
    bench.drawReading(bench.snap);
    bench.drawQueries(bench.snap);
    bench.drawSure(bench.snap);
    bench.drawWarnings(bench.snap, bench.lost);
    around();
  }, TILE_MOST_MS);
  const charts = () => {
    bench.drawChart(bench.snap);
    bench.drawByPart(bench.snap);
  };
  const slow = () => {
    bench.drawMap(bench.snap);
    bench.drawFlags(bench.snap);
    bench.drawRecent(bench.snap);
    bench.drawOutcome(bench.snap);
    bench.drawWorth(bench.snap);
    drawCharts();
  };
  const drawCharts = bench.inPause(CHART_CALM_MS, CHARTS_MS, charts);
  const slowly = afterFrame(slow);
  const afterwards = bench.inPause(CALM_MS, SLOW_MS, slowly);
  const all = () => {
    if (!bench.snap) return;
    tile();
    afterwards();
  };

  bench.on('snapshot', all);
  bench.on('cells', slowly);
  bench.on('look', all);
  bench.on('link', (lost) => {
    bench.drawWarnings(bench.snap, lost);
    if (bench.snap) bench.drawStrip(bench.snap);
  });
  document.addEventListener('visibilitychange', () => { if (!document.hidden) all(); });

  const begin = () => {
    if (!NEEDED.every(bench.by)) return false;
    bench.tell('ready');
    new ResizeObserver(() => {
      bench.measureNeck();
      if (bench.snap) bench.drawNeck(bench.snap);
    }).observe(bench.by('neck').parentElement);
    return true;
  };
  // Dash lays the page out some time after these scripts have run.
  document.addEventListener('DOMContentLoaded', () => {
    if (begin()) return;
    new MutationObserver((_, watch) => { if (begin()) watch.disconnect(); }).observe(document.body, {childList: true, subtree: true});
  });
})();
