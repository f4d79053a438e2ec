// Tones that differ in pitch, number and timbre: one high for pass, two middle rising for again, three low for fail.
// A reading of a study is judged by nobody: one short tone says that it is kept.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const PATTERNS = {
    pass: {wave: 'sine', notes: [[1175, 0, 0.09]]},
    remeasure: {wave: 'triangle', notes: [[523, 0, 0.12], [698, 0.16, 0.16]]},
    kept: {wave: 'sine', notes: [[784, 0, 0.07]]},
    fail: {wave: 'sawtooth', notes: [[196, 0, 0.16], [196, 0.22, 0.16], [156, 0.44, 0.3]]},
  };
  const LOUDEST = 0.5, USUAL = 50, QUIET = 0.0001, EDGE_S = 0.012, KEPT = 100;

  let context = null;
  const tones = (bench.tones = {on: bench.recall('sound') === 'on', played: []});

  // From 0 to 100; whatever else is kept counts as never set.
  tones.volume = () => {
    const kept = bench.recall('volume');
    return /^\d{1,3}$/.test(kept ?? '') ? Math.min(100, Number(kept)) : USUAL;
  };
  tones.setVolume = (volume) => bench.keep('volume', String(volume));
  tones.chosen = (tone) => bench.recall(`tone.${tone}`) !== 'off';
  tones.choose = (tone, on) => bench.keep(`tone.${tone}`, on ? 'on' : 'off');

  const note = (wave, [pitch, after, length], delay_s) => {
    const start = context.currentTime + after + delay_s;
    const source = context.createOscillator(), gain = context.createGain();
    source.type = wave;
    source.frequency.value = pitch;
    source.connect(gain).connect(context.destination);
    gain.gain.setValueAtTime(QUIET, start);
    gain.gain.exponentialRampToValueAtTime(Math.max(QUIET, LOUDEST * tones.volume() / 100), start + EDGE_S);
    gain.gain.exponentialRampToValueAtTime(QUIET, start + length);
    source.start(start);
    source.stop(start + length + EDGE_S);
  };

  // Browsers let a page sound only after a touch or a key.
  const wake = () => {
    if (!tones.on) return;
    begin();
  };
  const begin = () => {
    context = context || new AudioContext();
    if (context.state !== 'running') context.resume();
  };
  tones.state = () => (context ? context.state : 'none');
  tones.turn = (on) => {
    tones.on = on;
    bench.keep('sound', on ? 'on' : 'off');
    wake();
  };
  const sound = (pattern, delay_s = 0) => pattern.notes.forEach((each) => note(pattern.wave, each, delay_s));
  // Asked for by a press, it is heard even where the sound is off.
  tones.sample = (tone) => {
    begin();
    sound(PATTERNS[tone]);
    tones.sampled = tone;
  };
  tones.play = (verdict, delay_s = 0) => {
    const pattern = PATTERNS[verdict];
    if (!pattern || !tones.on || !tones.chosen(verdict) || context?.state !== 'running') return;
    sound(pattern, delay_s);
    tones.played.push(verdict);
    tones.played.splice(0, Math.max(0, tones.played.length - KEPT));
  };
  document.addEventListener('pointerdown', wake);
  document.addEventListener('keydown', wake);
})();
