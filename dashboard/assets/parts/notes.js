// Notes of a visit: what stands, and one form for each session to write another or change one. A draft outlives a reload.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const MOST = 2000, NEAR = 1600, MOST_WHO = 80;

  const when = (at) => ({day: bench.day(at), time: bench.clock(at)});
  const more = (one) => [fill('note_at', when(one.at)), one.who && fill('note_by', {who: one.who}), one.changed && fill('note_changed', when(one.changed)),
    fill(one.customer ? 'note_for_customer' : 'note_for_shop'), one.sealed === false && fill('note_late')].filter(Boolean).join(', ');
  const button = (what, [words, named], one, press) => {
    const made = el('button', {type: 'button', class: 'small', 'data-note-do': what, 'aria-label': fill(named, when(one.at)), text: fill(words)});
    made.addEventListener('click', () => press(one));
    return made;
  };
  const note = (kept) => (one) => el('li', {class: one.customer ? null : 'for-shop', 'data-note': one.number}, el('p', {class: 'note-text', text: one.text}), el('p', {class: 'calm', text: more(one)}),
    el('p', {class: 'note-do'}, button('change', ['note_change', 'note_change_named'], one, kept.change), button('away', ['note_away', 'note_away_named'], one, kept.away)));

  const draftOf = (session) => `note ${session}`;
  const make = (session, people) => {
    const kept = {replaces: null, pending: null};
    const label = el('label', {for: 'note-text', text: fill('note_text')}), left = el('small', {class: 'calm', id: 'note-left', role: 'status'});
    const text = bench.bounded(el('textarea', {id: 'note-text', rows: 4, 'aria-describedby': 'note-left note-more'}), MOST);
    const who = bench.bounded(el('input', {id: 'note-who', type: 'text', autocomplete: 'off'}), MOST_WHO), customer = el('input', {id: 'note-customer', type: 'checkbox'});
    const said = el('p', {class: 'told-said', role: 'status'}), leave = el('button', {type: 'button', class: 'action', hidden: true, text: fill('note_leave')});
    text.value = bench.recall(draftOf(session), sessionStorage) ?? '';
    who.value = bench.recall('file-who') ?? people;
    const say = (words, done) => {
      said.textContent = words;
      said.dataset.done = done;
    };
    const count = () => {
      left.textContent = text.value.length > NEAR ? fill('note_left', {n: text.value.length, most: MOST}) : '';
      if (kept.replaces === null) bench.keep(draftOf(session), text.value, sessionStorage);
    };
    const fresh = () => {
      kept.replaces = null;
      label.textContent = fill('note_text');
      text.value = bench.recall(draftOf(session), sessionStorage) ?? '';
      customer.checked = false;
      leave.hidden = true;
      text.dispatchEvent(new Event('input'));
    };
    kept.change = (one) => {
      kept.replaces = one.number;
      label.textContent = fill('note_change_text', when(one.at));
      text.value = one.text;
      who.value = one.who || who.value;
      customer.checked = one.customer;
      leave.hidden = false;
      say('', '');
      text.dispatchEvent(new Event('input'));
      text.focus();
    };
    const send = (action) => {
      if (kept.pending) return;
      kept.pending = action;
      say('', '');
      bench.ask({do: 'note', session, ...action});
    };
    kept.away = (one) => send({text: '', who: who.value.trim(), customer: one.customer, replaces: one.number});
    const submit = (event) => {
      event.preventDefault();
      if (bench.tooLong(kept.form)) return;
      send({text: text.value, who: who.value.trim(), customer: customer.checked, replaces: kept.replaces});
    };
    const answered = (item, answer) => {
      if (item.do !== 'note' || item.session !== session || !kept.pending) return;
      const {text: sent, replaces} = kept.pending;
      kept.pending = null;
      if (!answer.done) return void say(fill('note_refused', {why: answer.text}), 'no');
      say(fill(sent ? 'note_kept' : 'note_taken_away'), 'yes');
      if (sent && replaces === null && text.value === sent) bench.keep(draftOf(session), '', sessionStorage);
      if (sent || kept.replaces === replaces) fresh();
      bench.lookAgain();
    };
    text.addEventListener('input', count);
    text.addEventListener('keydown', (event) => { if (event.key === 'Enter' && (event.ctrlKey || event.metaKey)) submit(event); });
    who.addEventListener('change', () => bench.keep('file-who', who.value.trim()));
    leave.addEventListener('click', () => {
      fresh();
      text.focus();
    });
    kept.form = el('form', {class: 'telling', novalidate: true}, el('div', {class: 'told-field'}, label, text, left),
      el('div', {class: 'told-fields'}, el('div', {class: 'told-field'}, el('label', {for: 'note-who', text: fill('note_who')}), who), el('label', {class: 'choice'}, customer, fill('note_customer'))),
      el('p', {class: 'told-actions'}, el('button', {type: 'submit', class: 'action', text: fill('note_keep')}), leave, said), el('p', {class: 'calm', id: 'note-more', text: fill('note_sealed_too')}));
    kept.form.addEventListener('submit', submit);
    bench.on('answer', answered);
    return kept;
  };

  const forms = new Map();
  bench.notesOf = (told) => {
    if (!forms.has(told.session)) forms.set(told.session, make(told.session, told.people));
    const kept = forms.get(told.session), list = told.visit_notes;
    const shop = list.every((one) => !one.customer) ? ' for-shop' : '';
    return el('section', {class: `card visit-notes${shop}`, 'aria-label': fill('visit_notes')}, el('h2', {text: fill('visit_notes')}),
      list.length ? el('ul', {}, ...list.map(note(kept))) : el('p', {class: 'calm for-screen', text: fill('notes_none')}), kept.form);
  };

  // From the bench straight into the field.
  let led = false;
  document.addEventListener('click', ({target}) => { if (target.closest?.('#to-note')) led = true; });
  bench.noteFocus = () => {
    if (!led) return;
    led = false;
    bench.by('note-text')?.focus();
  };
})();
