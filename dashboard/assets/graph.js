// What every chart of the page shares: inks, axes, and the way of a figure through a Dash property.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const root = document.documentElement;

  const ink = (name) => getComputedStyle(root).getPropertyValue(name).trim();
  const type = () => 0.78 * parseFloat(getComputedStyle(root).fontSize);
  const axis = (more) => ({gridcolor: ink('--rule'), zeroline: false, tickfont: {size: type()}, fixedrange: true, ...more});
  const layout = (more) => ({
    paper_bgcolor: 'rgba(0,0,0,0)', plot_bgcolor: 'rgba(0,0,0,0)', font: {color: ink('--soft'), family: 'inherit', size: type()},
    showlegend: true, legend: {orientation: 'h', x: 0, y: 1.02, yanchor: 'bottom'}, ...more,
  });
  // The chart's library reads tags in texts; names that people gave are texts only.
  const plain = (text) => String(text).replaceAll('&', '&amp;').replaceAll('<', '&lt;').replaceAll('>', '&gt;');

  // Dash makes a chart when it is first needed and gets the figures afterwards; the page is live long before.
  const holder = (box, id) => {
    let made = false;
    const set = (...given) => window.dash_clientside.set_props(...given);
    return {
      ready: () => Boolean(window.dash_clientside?.set_props),
      give: (figure, words) => {
        if (made) {
          set(id, {figure});
          set(box, {hidden: false});
        } else {
          const props = {id, figure, config: {staticPlot: true}, responsive: true};
          set(box, {hidden: false, role: 'img', children: {namespace: 'dash_core_components', type: 'Graph', props}});
          made = true;
        }
        bench.by(box).setAttribute('aria-label', words);
      },
    };
  };
  bench.graph = {ink, type, axis, layout, plain, holder};
})();
