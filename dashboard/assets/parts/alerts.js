// Tones and spoken words for a new reading. A snapshot may stand for several readings: the bench carries the number of
// the newest failing one, so that a fail is heard even when a pass came right behind it.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const SAY_MS = 1500;
  let heard = null;

  const words = (last) => ({
    words: last.words ?? '', value: bench.valueWords(last), because: last.because ?? '',
    verdict: last.verdict ? bench.large(last.verdict) : bench.fill(last.unassigned ? 'unassigned' : 'unjudged'),
  });
  const say = bench.every(SAY_MS, () => {
    const last = bench.snap?.last;
    if (last) bench.by('say').textContent = bench.fill('said', words(last));
  });
  const alarm = ({last, bad_seq: bad}) => {
    const own = last?.verdict === 'fail';
    bench.by('alarm').textContent = own ? bench.fill('alarm', words(last)) : bench.fill('alarm_plain', {n: bad});
  };

  bench.on('snapshot', (snap) => {
    const seq = snap.seq ?? 0, bad = snap.bad_seq ?? 0;
    const same = heard && heard.store === snap.store && seq >= heard.seq;
    const before = heard;
    heard = {store: snap.store, seq, bad};
    if (!same || seq === before.seq) return;  // the first look, another store, or nothing new
    const failed = bad > before.seq;
    if (failed) alarm(snap);
    bench.tones.play(failed ? 'fail' : snap.last?.verdict);
    setTimeout(say, 0);
  });
})();
