// Spoken words for whoever looks at the fret and not at the page: the verdict, and where the gauge goes next.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {fill} = bench;
  const PLACES = {bass: 'spoken_bass', centre: 'spoken_centre', treble: 'spoken_treble'}, SAMPLE = {fret: 7, place: 'treble'};
  const voice = window.speechSynthesis;
  const speech = (bench.speech = {on: bench.recall('speech') === 'on'});
  let heard = null;

  speech.able = () => Boolean(voice?.getVoices().length);
  const say = (text) => {
    if (!speech.able() || !text) return;
    const words = new SpeechSynthesisUtterance(text);
    words.lang = fill('locale');
    voice.cancel();  // only the newest is worth hearing
    voice.speak(words);
  };
  // In full words of the page's own language; what belongs to no fret is called by its kind.
  const where = ({fret, place, kind, words}) => {
    if (fret) return PLACES[place] ? fill('spoken_fret', {fret, place: fill(PLACES[place])}) : fill('spoken_whole', {fret});
    return bench.words.kinds[kind] ?? words;
  };
  speech.sample = () => say(where(SAMPLE));
  speech.turn = (on) => {
    speech.on = on;
    bench.keep('speech', on ? 'on' : 'off');
    if (on) speech.sample();
    else voice?.cancel();
  };

  bench.on('snapshot', (snap) => {
    const before = heard;
    heard = {store: snap.store, seq: snap.seq ?? 0};
    if (!speech.on || !before || before.store !== snap.store || heard.seq <= before.seq) return;
    const verdict = snap.last?.verdict ? bench.large(snap.last.verdict) : '';
    say([verdict, snap.next ? where(snap.next) : fill('done')].filter(Boolean).join('. '));
  });
  voice?.addEventListener?.('voiceschanged', () => bench.tell('voices'));
})();
