// The Settings view: what this browser shows, sounds and says. It is built once, so that no reading takes the focus away.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const TYPES = {usual: 'type_usual', larger: 'type_larger', largest: 'type_largest'};
  const THEMES = {system: 'theme_system', light: 'theme_light', dark: 'theme_dark'};
  const TONES = {pass: 'tone_pass', remeasure: 'tone_remeasure', fail: 'tone_fail', kept: 'tone_kept'};
  const PEDALS = {space: 'pedal_space', enter: 'key_enter', pagedown: 'pedal_pagedown', b: 'pedal_b'};

  bench.type = () => (Object.hasOwn(TYPES, bench.recall('type') ?? '') ? bench.recall('type') : 'usual');
  const showType = () => { document.documentElement.dataset.type = bench.type(); };
  const setType = (type) => { bench.keep('type', type); showType(); };
  showType();

  const group = (words, ...inside) => el('fieldset', {}, el('legend', {text: fill(words)}), ...inside);
  const choice = (name, value, words) => el('label', {class: 'choice'}, el('input', {type: 'radio', name, value}), fill(words));
  const one = (words, name, values) => group(words, el('div', {class: 'choices'}, ...Object.entries(values).map(([value, each]) => choice(name, value, each))));
  const tick = (name, words) => el('label', {class: 'choice'}, el('input', {type: 'checkbox', name}), fill(words));
  const tryIt = (given, words, name) => el('button', {type: 'button', class: 'small', ...given, 'aria-label': fill('try_this', {name}), text: fill(words)});
  const toneLine = ([tone, words]) => el('div', {class: 'tone'}, tick(`tone-${tone}`, words), tryIt({'data-try-tone': tone}, 'try', fill(words)));
  const sounds = () => group('sounds', tick('sound-on', 'sound_on'),
    el('label', {class: 'volume'}, fill('volume'), el('input', {type: 'range', name: 'volume', min: 0, max: 100, step: 5})),
    ...Object.entries(TONES).map(toneLine));
  const speech = () => group('speech', el('div', {class: 'tone'}, tick('speech-on', 'speech_on'), tryIt({'data-try-speech': true}, 'try', fill('speech'))),
    el('p', {id: 'no-voice', class: 'calm', role: 'status'}));
  const keys = () => el('section', {class: 'card'}, el('h2', {text: fill('keys')}), bench.keyList());
  const language = () => el('section', {class: 'card'}, el('h2', {text: fill('language')}), el('p', {text: fill('language_name')}), el('p', {class: 'calm', text: fill('language_more')}));
  // What counts at this bench; set by a file, so that a slip of the finger never moves a limit.
  const limits = () => {
    const node = bench.by('limits'), given = Object.entries(bench.snap?.limits ?? {}).filter(([check]) => check in bench.words.checks);
    const size = (mm) => (typeof mm === 'number' ? bench.number(mm) : '\u2013');
    bench.draw(node, [bench.unit, given], () => [el('h2', {text: fill('limits_title')}), el('div', {class: 'table-box'},
      bench.table([fill('column_check'), fill('limits_least', {unit: bench.unit}), fill('limits_most', {unit: bench.unit})],
        given.map(([check, [low, high]]) => [bench.words.checks[check].title, size(low), size(high)]))), el('p', {class: 'calm', text: fill('limits_more')})]);
  };
  const form = () => el('form', {id: 'choices', class: 'card'}, el('h2', {text: fill('in_this_browser')}),
    one('unit', 'unit', {mm: 'mm', in: 'in'}), one('theme', 'theme', THEMES), one('type', 'type', TYPES), sounds(), speech(),
    group('pedal', el('p', {class: 'calm', text: fill('pedal_more')}), el('div', {class: 'choices'}, ...Object.entries(PEDALS).map(([value, each]) => choice('pedal', value, each)))));

  const at = (name) => bench.by('choices').elements[name];
  const sync = () => {
    if (!bench.by('choices')) return;
    limits();
    at('unit').value = bench.unit;
    at('theme').value = bench.recall('theme') || 'system';
    at('type').value = bench.type();
    at('sound-on').checked = bench.tones.on;
    at('volume').value = bench.tones.volume();
    for (const tone of Object.keys(TONES)) at(`tone-${tone}`).checked = bench.tones.chosen(tone);
    at('pedal').value = bench.pedal();
    at('speech-on').checked = bench.speech.on;
    bench.by('no-voice').textContent = bench.speech.able() ? '' : fill('no_voice');
  };
  const work = {
    unit: ({value}) => bench.setUnit(value),
    theme: ({value}) => { bench.keep('theme', value === 'system' ? '' : value); bench.tell('look'); },
    type: ({value}) => setType(value),
    'sound-on': ({checked}) => { bench.tones.turn(checked); bench.tell('look'); },
    volume: ({value}) => bench.tones.setVolume(Number(value)),
    pedal: ({value}) => { bench.keep('pedal', value); bench.tell('look'); },
    'speech-on': ({checked}) => bench.speech.turn(checked),
  };
  const changed = ({target}) => {
    if (target.form?.id !== 'choices') return;
    if (target.name.startsWith('tone-')) bench.tones.choose(target.name.slice('tone-'.length), target.checked);
    else work[target.name]?.(target);
  };
  const pressed = ({target}) => {
    const button = target.closest?.('button');
    if (button?.dataset.tryTone) bench.tones.sample(button.dataset.tryTone);
    if (button && 'trySpeech' in button.dataset) bench.speech.sample();
  };
  const draw = (node) => {
    if (!bench.by('choices')) {
      node.replaceChildren(el('h1', {class: 'unseen', text: fill('settings')}), el('div', {class: 'settings'}, form(),
        el('div', {class: 'beside'}, el('section', {id: 'limits', class: 'card'}), el('section', {id: 'network', class: 'card'}), keys(), language())));
      bench.by('choices').addEventListener('submit', (event) => event.preventDefault());
    }
    sync();
    bench.lookAtNetwork();
  };

  document.addEventListener('change', changed);
  document.addEventListener('click', pressed);
  bench.on('look', sync);
  bench.on('snapshot', () => { if (bench.by('limits')) limits(); });
  bench.on('voices', sync);
  bench.on('ready', () => bench.addView('settings', {draw}));
})();
