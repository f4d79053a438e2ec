// The field for typed readings and the buttons. A person types, or a gauge that types, at any speed: the line is
// taken out of the field at Enter in the capture phase, before anything else can touch it.
// The field is made here and not by Dash, which would write it back from its own state while keys arrive.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const MOST = 200;
  const ELSEWHERE = ['climate', 'factors', 'note'];
  const KEYS = {F2: 'repeat', F4: 'take-now', F8: 'skip', F9: 'take-back'};
  let field = null;
  // Whoever deletes what was typed goes on pressing Backspace: in the field it asks about a reading only after an Enter.
  bench.deleting = false;

  const submit = (text) => {
    const line = text.trim().slice(0, MOST);
    if (line) bench.ask({do: 'typed', text: line, unit: bench.unit});
  };
  const enter = () => {
    const line = field.value;
    field.value = '';
    bench.deleting = false;
    submit(line);
  };

  // The reading that the person sees is the one that goes, unless typed ones are still on their way.
  const newest = (snap) => (snap?.recent ?? (snap?.last ? [snap.last] : [])).find((each) => !each.taken_back);
  const takeBack = () => {
    const seen = newest(bench.snap);
    const named = seen && !bench.unsentReadings() && typeof seen.gauge === 'string' && Number.isInteger(seen.sequence);
    bench.ask(named ? {do: 'take_back', gauge: seen.gauge, sequence: seen.sequence} : {do: 'take_back'});
  };
  const work = {repeat: () => bench.ask({do: 'repeat'}), skip: () => bench.ask({do: 'skip'}), unskip: () => bench.ask({do: 'unskip'}), 'take-back': takeBack, 'take-now': () => bench.press({do: 'trigger'}), enter};

  // What keys on the bench do without a button of their own.
  bench.work = work;
  // What was done makes room again by itself; what was not stays until the next answer.
  const SAID_MS = 6000;
  let forget = 0;
  bench.said = (text, {done = true, stays = false} = {}) => {
    const said = bench.by('said');
    clearTimeout(forget);
    said.dataset.done = done ? 'yes' : 'no';
    said.textContent = text;
    if (done && !stays) forget = setTimeout(() => { said.textContent = ''; }, SAID_MS);
  };
  const editable = bench.editable = (node) => Boolean(node?.closest?.('input:not([type=checkbox]), textarea, select, [contenteditable]'));
  const onKey = (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing || !field) return;
    if (bench.benchKey(event, field)) {
      event.preventDefault();
      event.stopPropagation();
      return;
    }
    if (Object.hasOwn(KEYS, event.key)) {
      event.preventDefault();
      if (!event.repeat && !bench.by(KEYS[event.key]).hidden) work[KEYS[event.key]]();
    } else if (document.activeElement === field) {
      inField(event);
    } else if (!editable(document.activeElement)) {
      elsewhere(event);
    }
  };
  const inField = (event) => {
    if (event.key === 'Escape') field.value = '';
    if (event.key !== 'Enter') return;
    event.preventDefault();
    event.stopPropagation();
    enter();
  };
  const elsewhere = (event) => {
    const onControl = Boolean(document.activeElement?.closest?.('button, a, summary, [role=gridcell]'));
    const led = /^[0-9.,+\-\u2212/]$/.test(event.key);
    const finish = event.key === 'Enter' && field.value && !onControl;
    if (!led && !finish) return;
    event.preventDefault();
    if (finish) return void enter();
    field.focus({preventScroll: true});
    field.setRangeText(event.key, field.value.length, field.value.length, 'end');
  };
  const onPaste = (event) => {
    const text = event.clipboardData?.getData('text') ?? '';
    if (!/[\r\n]/.test(text)) return;  // a single line goes into the field as usual
    event.preventDefault();
    (field.value + text).split(/[\r\n]+/).forEach(submit);
    field.value = '';
  };

  const answered = (item, answer) => {
    if (ELSEWHERE.includes(item.do) || item.do.startsWith('check_') || (item.do === 'example' && answer.done)) return;  // said where it was typed
    if (answer.done && bench.asking()) return;  // what is asked about taking back stays to be read
    bench.said(bench.capital(answer.text), answer);
    if (item.do !== 'typed' || answer.done) return;
    const line = fill('not_taken', {text: item.text, why: answer.text});
    bench.said('');
    bench.by('refused').append(el('li', {'data-refused': item.text}, el('span', {text: line}),
      el('button', {type: 'button', class: 'small', 'data-put-back': item.text, text: fill('put_back')}),
      el('button', {type: 'button', class: 'small', 'data-dismiss': true, text: fill('dismiss')})));
  };
  const queued = (n) => {
    const note = bench.by('queued');
    if (note) note.textContent = n && bench.lost ? fill('queued', {n}) : '';
  };

  const onClick = (event) => {
    const button = event.target.closest?.('button, summary');
    if (!button) return;
    if (event.detail) button.blur();  // or the next Enter of a gauge that types would press it again
    if (Object.hasOwn(work, button.id)) work[button.id]();
    if (button.dataset.takeBack) bench.ask({do: 'take_back', gauge: button.dataset.gaugeOf, sequence: Number(button.dataset.takeBack)});
    if (button.dataset.keep) bench.ask({do: 'keep', gauge: button.dataset.gaugeOf, sequence: Number(button.dataset.keep)});
    if (button.dataset.putBack) field.focus();
    if (button.dataset.putBack && field.value) return;  // what is being typed is worth as much
    if (button.dataset.putBack) field.value = button.dataset.putBack;
    if (button.dataset.putBack || 'dismiss' in button.dataset) button.closest('li').remove();
  };

  const look = () => {
    const both = Boolean(bench.snap?.next?.bracket);
    field.inputMode = both ? 'text' : 'decimal';  // two values need a space, which number pads lack
    field.placeholder = fill(both ? 'typed_hint_bracket' : 'typed_hint');
    bench.by('typed-unit').textContent = fill(bench.unit);
  };
  bench.on('ready', () => {
    field = el('input', {id: 'typed', type: 'text', autocomplete: 'off', autocapitalize: 'off', spellcheck: 'false', maxlength: MOST, enterkeyhint: 'send'});
    bench.by('entry').replaceChildren(
      el('label', {for: 'typed', text: fill('typed')}),
      el('div', {class: 'box'}, field, el('span', {id: 'typed-unit'}), el('button', {id: 'enter', type: 'button', text: fill('enter')})),
      el('span', {id: 'queued', role: 'status'}));
    field.addEventListener('paste', onPaste);
    field.addEventListener('input', () => { bench.deleting = true; });
    field.addEventListener('blur', () => { bench.deleting = false; });
    look();
    queued(bench.unsent());
  });
  const undo = ({skipped}) => {
    const button = bench.by('unskip');
    button.hidden = !skipped;
    button.setAttribute('aria-label', fill('unskip_this', {words: skipped ?? ''}));
    button.title = skipped ?? '';
  };
  bench.on('look', look);
  bench.on('snapshot', undo);
  bench.on('snapshot', look);
  bench.on('answer', answered);
  bench.on('queue', queued);
  bench.on('link', () => queued(bench.unsent()));
  document.addEventListener('keydown', onKey, true);
  document.addEventListener('click', onClick);
})();
