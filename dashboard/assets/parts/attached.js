// Pictures and other files of a record: chosen or taken with the tablet's camera, sent one after another, shown small.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const MOST = 10_000_000, MOST_NOTE = 500, MOST_WHO = 80, KB = 1000, MB = 1_000_000;
  const TAKES = 'image/jpeg,image/png,image/webp,application/pdf,text/plain,.txt,.csv,.md';

  const sized = (bytes) => (bytes >= MB ? fill('file_mb', {n: (bytes / MB).toFixed(1)}) : fill('file_kb', {n: Math.max(1, Math.round(bytes / KB))}));

  // -- what is there
  const card = (one) => el('li', {'data-file': one.name},
    one.picture ? el('img', {src: `/attached/${one.sha256}/small`, alt: one.note ? fill('file_picture_of', {name: one.name, note: one.note}) : fill('file_picture', {name: one.name}), loading: 'lazy'}) : el('span', {class: 'no-picture', 'aria-hidden': 'true', text: one.name.split('.').at(-1)}),
    el('div', {}, el('b', {class: 'file-name', text: one.name}), one.note ? el('p', {text: one.note}) : '',
      el('p', {class: 'calm', text: [sized(one.size), one.who && fill('file_by', {who: one.who}), `${bench.day(one.at)}, ${bench.clock(one.at)}`].filter(Boolean).join(', ')}),
      one.wrong ? el('p', {class: 'refused', text: fill('file_wrong', {state: one.wrong})}) : '',
      ...one.cautions.map((text) => el('p', {class: 'take-care', text: bench.capital(text)})),
      one.wrong ? '' : el('a', {class: 'switch get', href: `/attached/${one.sha256}`, download: one.name, 'aria-label': fill('file_get_named', {name: one.name}), text: fill('file_get')})));
  const group = (title, files) => (files.length ? [title ? el('h3', {text: fill(title)}) : '', el('ul', {class: 'files'}, ...files.map(card))] : []);
  const there = ({attachments: files}) => {
    if (!files.length) return [el('p', {class: 'calm', text: fill('files_none')})];
    const late = files.filter((one) => one.sealed === false), rest = files.filter((one) => one.sealed !== false);
    return [...group(late.length && rest.length ? 'files_sealed' : '', rest), ...group(late.length ? 'files_after' : '', late)];
  };

  // -- what is added: one form for each session, so that a redrawn record takes nothing from under a hand
  const send = (file, given, moved) => new Promise((done, failed) => {
    const ask = new XMLHttpRequest();
    ask.open('POST', `/attach?${new URLSearchParams({...given, name: file.name})}`);
    ask.setRequestHeader('Content-Type', 'application/octet-stream');
    ask.setRequestHeader(bench.OWN_PAGE, 'yes');
    ask.upload.addEventListener('progress', (event) => moved(event.loaded, event.total));
    ask.addEventListener('load', () => {
      const status = Number(ask.getResponseHeader('Refused')) || ask.status;
      if (status === 200) done(JSON.parse(ask.responseText));
      else failed(Object.assign(new Error(ask.responseText.trim()), {again: status === 503}));
    });
    ask.addEventListener('error', () => failed(new Error(fill('file_lost'))));
    ask.send(file);
  });
  const AGAIN_MS = 2000, TRIES = 5;
  const patiently = async (file, given, moved) => {
    for (let left = TRIES; ; left -= 1) {
      try {
        return await send(file, given, moved);
      } catch (error) {
        if (!error.again || left <= 1) throw error;
        await new Promise((go) => { setTimeout(go, AGAIN_MS); });
      }
    }
  };
  const refusal = (file) => (file.size === 0 ? fill('file_empty') : file.size > MOST ? fill('file_too_large', {most: sized(MOST), size: sized(file.size)}) : '');
  const line = (file) => {
    const bar = el('progress', {max: 100, value: 0, 'aria-label': fill('file_sending', {name: file.name})}), says = el('span', {text: fill('file_waiting')});
    return {bar, says, node: el('li', {'data-sending': 'waiting'}, el('b', {text: file.name}), bar, says)};
  };
  const ended = ({bar, says, node}, state, text) => {
    bar.remove();
    node.dataset.sending = state;
    says.textContent = text;
  };
  const become = (done) => [fill(done.new ? 'file_done' : done.noted ? 'file_noted' : 'file_known', {name: done.name, size: sized(done.size)}), ...done.cautions.map(bench.capital)].join('. ');

  let chain = Promise.resolve();
  const forms = new Map();
  const form = (session, people) => {
    const note = bench.bounded(el('input', {type: 'text', id: 'file-note', autocomplete: 'off'}), MOST_NOTE), who = bench.bounded(el('input', {type: 'text', id: 'file-who', autocomplete: 'off'}), MOST_WHO);
    who.value = bench.recall('file-who') ?? people;
    who.addEventListener('change', () => bench.keep('file-who', who.value));
    const sending = el('ul', {class: 'sending', 'aria-live': 'polite'});
    const take = (files) => {
      if (bench.tooLong(words)) return;
      const given = {session, note: note.value, who: who.value};
      const lines = [...files].map((file) => [file, line(file)]);
      sending.replaceChildren(...lines.map(([, {node}]) => node));
      for (const [file, shown] of lines) chain = chain.then(async () => {
        const why = refusal(file);
        if (why) return ended(shown, 'refused', why);
        shown.node.dataset.sending = 'sending';
        shown.says.textContent = '';
        try {
          ended(shown, 'done', become(await patiently(file, given, (sent, of) => { shown.bar.value = of ? 100 * sent / of : 0; })));
        } catch (error) {
          ended(shown, 'refused', error.message);
        }
        return null;
      });
      // What was refused may be sent again with its note.
      const kept = () => lines.every(([, {node}]) => node.dataset.sending === 'done');
      chain = chain.then(() => { if (kept() && note.value === given.note) note.value = ''; bench.lookAgain(); });
    };
    const chooser = (id, words, more) => {
      const input = el('input', {type: 'file', id, hidden: true, ...more}), button = el('button', {type: 'button', class: 'action', 'data-opens': id, text: fill(words)});
      button.addEventListener('click', () => input.click());
      input.addEventListener('change', () => {
        take(input.files);
        input.value = '';
      });
      return [button, input];
    };
    const words = el('div', {class: 'file-words'}, el('label', {}, el('span', {text: fill('file_note')}), note), el('label', {}, el('span', {text: fill('file_who')}), who));
    return el('div', {class: 'attaching'}, words,
      el('p', {class: 'actions'}, ...chooser('file-choose', 'file_choose', {accept: TAKES, multiple: true}), ...chooser('file-camera', 'file_camera', {accept: 'image/*', capture: 'environment'})),
      el('p', {class: 'calm', text: fill('file_takes', {most: sized(MOST)})}), sending);
  };
  bench.filesOf = (told) => {
    if (!forms.has(told.session)) forms.set(told.session, form(told.session, told.people));
    return el('section', {class: 'card kept-files', 'aria-label': fill('files')}, el('h2', {text: fill('files')}), ...there(told), forms.get(told.session));
  };
})();
