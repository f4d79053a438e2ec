// The link to the bench. Every message is a whole snapshot: the newest one is enough after a restart or a sleep.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const DEAD_MS = 12000, ASLEEP_MS = 6000, LOOK_MS = 2000, POLL_MS = 1000, OPEN_MS = 5000;
  let stream = null, heardAt = 0, polling = 0, opening = 0;
  bench.lost = false;

  const link = (state) => {
    const text = bench.fill(state), node = bench.by('link');
    bench.lost = state === 'lost';
    if (node.textContent !== text) node.textContent = text;
    node.dataset.link = state;
    document.documentElement.dataset.link = state;
    bench.tell('link', bench.lost);
  };
  const alive = () => {
    heardAt = performance.now();
    if (bench.lost || bench.by('link').dataset.link !== 'live') link('live');
  };
  const take = (snap) => {
    const old = bench.snap;
    alive();
    const same = old && old.boot === snap.boot && old.store === snap.store;
    if (same && old.version >= snap.version) return;
    if (same && snap.cells === undefined) snap.cells = old.cells;
    bench.snap = snap;
    bench.tell('snapshot', snap);
  };
  // The cells of the map come in a message of their own, in a pause between readings.
  const takeCells = ({boot, cells}) => {
    alive();
    if (bench.snap?.boot !== boot) return;
    bench.snap.cells = cells;
    bench.tell('cells');
  };

  // At readyState CLOSED (the bench had no stream left, say) the browser never tries again: we do, and poll meanwhile.
  const poll = async () => {
    try {
      const reply = await bench.fetch('snapshot', {cache: 'no-store'});
      if (reply.status === 401) bench.toPairing();
      if (reply.ok) take(await reply.json());
    } catch { /* still away; the link says so already */ }
  };
  const openLater = () => {
    polling = polling || setInterval(poll, POLL_MS);
    opening = opening || setTimeout(open, OPEN_MS);
  };
  function open() {
    clearTimeout(opening);
    opening = 0;
    stream?.close();
    heardAt = performance.now();
    const own = (stream = new EventSource('feed'));
    own.onopen = () => {
      clearInterval(polling);
      polling = 0;
    };
    own.onmessage = (event) => take(JSON.parse(event.data));
    own.addEventListener('cells', (event) => takeCells(JSON.parse(event.data)));
    own.addEventListener('ping', alive);
    own.addEventListener('refused', ({data}) => {
      own.close();
      link('lost');
      if (data === '401') bench.toPairing();
      else openLater();
    });
    own.onerror = () => {
      if (own !== stream) return;
      link('lost');
      if (own.readyState === EventSource.CLOSED) openLater();
    };
  }

  bench.on('ready', () => {
    link('connecting');
    open();
    setInterval(() => {  // a half-open link gives no error
      if (performance.now() - heardAt <= DEAD_MS) return;
      link('lost');
      open();
    }, LOOK_MS);
    document.addEventListener('visibilitychange', () => {
      if (!document.hidden && performance.now() - heardAt > ASLEEP_MS) open();
    });
    window.addEventListener('pagehide', () => stream?.close());
    window.addEventListener('pageshow', (event) => { if (event.persisted) open(); });
  });
})();
