// What the person wants, kept until the bench has acknowledged it: a queue that survives a reload and a lost link.
// Every action has an id, so that sending it again does nothing twice.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const BATCH = 50, AGAIN_MS = 700, KEEP = 'outbox';

  // crypto.randomUUID needs a secure context, which a tablet on the workshop network has not.
  const page = Array.from(crypto.getRandomValues(new Uint32Array(3)), (part) => part.toString(36)).join('');
  let queue = JSON.parse(bench.recall(KEEP, sessionStorage) ?? '[]');
  let count = 0, busy = false;

  const keep = () => {
    bench.keep(KEEP, JSON.stringify(queue), sessionStorage);
    bench.tell('queue', queue.length);
  };
  const settle = (batch, answers) => {
    const byId = new Map(answers.map((answer) => [answer.id, answer]));
    queue = queue.filter((item) => !batch.includes(item));
    keep();
    for (const item of batch) bench.tell('answer', item, byId.get(item.id) ?? {done: false, text: bench.fill('no_answer')});
  };
  // 401: the bench was started again and asks for a code first; what was typed waits for it.
  const refused = (status) => status >= 400 && status < 500 && ![401, 408, 429].includes(status);

  const send = async (batch, signal = null) => {
    const reply = await bench.fetch('act', {method: 'POST', headers: {'Content-Type': 'application/json'}, body: JSON.stringify(batch), signal});
    if (reply.ok) return (await reply.json()).answers;
    if (!refused(reply.status)) throw new Error(String(reply.status));
    const text = bench.fill('refused_status', {status: reply.status});
    return batch.map(({id}) => ({id, done: false, text}));
  };
  const pump = async () => {
    if (busy || !queue.length) return;
    busy = true;
    const batch = queue.slice(0, BATCH);
    try {
      settle(batch, await send(batch));
      busy = false;
      pump();
    } catch {
      busy = false;
      setTimeout(pump, AGAIN_MS);
    }
  };

  bench.ask = (action) => {
    count += 1;
    queue.push({id: `${page}-${count}`, ...action});
    keep();
    pump();
  };
  // A press means this moment: it is sent now or not at all.
  const PRESS_MS = 2000;
  const sentNow = async (item) => {
    try {
      return (await send([item], AbortSignal.timeout(PRESS_MS)))[0];
    } catch {
      return null;
    }
  };
  bench.press = async (action) => {
    count += 1;
    const item = {id: `${page}-${count}`, ...action};
    bench.tell('answer', item, (await sentNow(item)) ?? {done: false, text: bench.fill('press_lost')});
  };
  bench.unsent = () => queue.length;
  bench.unsentReadings = () => queue.filter((item) => item.do === 'typed').length;
  bench.on('ready', () => { keep(); pump(); });
  // To the page that asks for the code: what waits is kept over it, so nobody is asked whether to leave.
  let pairing = false;
  bench.toPairing = () => {
    pairing = true;
    location.reload();
  };
  window.addEventListener('beforeunload', (event) => { if (queue.length && !pairing) event.preventDefault(); });
})();
