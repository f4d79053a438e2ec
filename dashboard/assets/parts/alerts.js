// Tones and spoken words for a new reading. A snapshot may stand for several readings: the bench carries the number of
// the newest failing one, so that a fail is heard even when a pass came right behind it.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const SAY_MS = 1500;
  let heard = null;

  const words = (last) => ({
    words: bench.capital(bench.whatOf(last)), value: bench.valueWords(last), because: bench.sentence(last, 'because'),
    verdict: last.verdict ? bench.large(last.verdict) : bench.unjudged(last),
  });
  const say = bench.every(SAY_MS, () => {
    const last = bench.snap?.last;
    if (last) bench.by('say').textContent = [bench.fill('said', words(last)), bench.shadowWords(last)].filter(Boolean).join('. ');
  });
  const alarm = ({last, bad_seq: bad}) => {
    const own = last?.verdict === 'fail';
    bench.by('alarm').textContent = own ? bench.fill('alarm', words(last)) : bench.fill('alarm_plain', {n: bad});
  };

  // A reading that may not belong has the tone of what is to be measured again, after the one of a fail if there is one.
  const FAIL_S = 0.9;
  const askAbout = (queries, failed) => {
    bench.by('alarm').textContent = [failed ? bench.by('alarm').textContent : '', ...queries.map(bench.queryWords)].filter(Boolean).join(' ');
    bench.tones.play('remeasure', failed ? FAIL_S : 0);
  };
  const toneOf = (snap) => (snap.study && !snap.last?.verdict ? 'kept' : snap.last?.verdict);

  bench.on('snapshot', (snap) => {
    const seq = snap.seq ?? 0, bad = snap.bad_seq ?? 0;
    const same = heard && heard.store === snap.store && seq >= heard.seq;
    const before = heard;
    const queries = snap.queries ?? [], asked = new Set(queries.map(bench.queryKey));
    heard = {store: snap.store, seq, bad, asked};
    if (!same) return;  // the first look or another store
    const failed = bad > before.seq, fresh = queries.filter((each) => !before.asked.has(bench.queryKey(each)));
    if (failed) alarm(snap);
    if (failed || (seq !== before.seq && !fresh.length)) bench.tones.play(failed ? 'fail' : toneOf(snap));
    if (fresh.length) askAbout(fresh, failed);
    if (seq !== before.seq) setTimeout(say, 0);
  });
})();
