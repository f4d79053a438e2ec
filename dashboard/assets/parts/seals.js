// Sealing from the page: what a seal would hold is said before; records that there are, and how they check.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill, count} = bench;

  const post = async (session) => {
    const reply = await bench.fetch('/seal', {method: 'POST', headers: {'Content-Type': 'application/json'}, body: JSON.stringify({session})});
    if (!reply.ok) throw new Error((await reply.text()).trim());
    return reply.json();
  };
  const button = (name, words, press) => {
    const made = el('button', {type: 'button', class: 'action', 'data-seal': name, text: fill(words)});
    made.addEventListener('click', press);
    return made;
  };

  const holds = ({will, software}) => el('ul', {class: 'told'},
    ...[`${count('seal_visits', will.visits)}, ${count('seal_readings', will.readings)}, ${count('seal_files', will.files)}`, fill('seal_verdicts', {software}),
      fill('seal_people', {people: will.people.join(', ') || fill('level_nil')}), ...(will.notes ? [count('seal_notes', will.notes)] : [])].map((text) => el('li', {text})));
  const out = ({will}) => [el('p', {text: fill('seal_without')}), will.noted ? el('p', {text: fill('seal_noted')}) : '', will.open.length ? el('p', {class: 'take-care', text: fill('seal_open')}) : ''];
  const before = (told, say, anew) => {
    const press = async (event) => {
      const pressed = event.currentTarget;
      pressed.disabled = true;
      say(fill('seal_wait'));
      try {
        const made = await post(told.session);
        const what = made.new ? (made.reopens ? fill('seal_reopened', {number: made.number, reopens: made.reopens}) : fill('seal_made', {number: made.number})) : fill('seal_same', {number: made.number});
        say(`${what} ${fill('seal_code', {code: made.code})}`, 'yes');
        anew();
        bench.lookAgain();
      } catch (error) {
        say(fill('seal_refused', {why: error.message}), 'no');
        pressed.disabled = false;
      }
    };
    const last = told.records.at(-1);
    if (told.said) return [el('p', {text: fill('seal_all_said', {number: last.number})})];
    return [el('h3', {text: fill('seal_would')}), holds(told), ...out(told), last ? el('p', {text: fill('seal_reopens', {number: last.number})}) : '',
      el('p', {class: 'sealing'}, button('make', 'seal_now', press))];
  };

  const by = ({key, certificate}) => (certificate ? fill('seal_key_certified', {key, name: certificate.name, shop: certificate.shop_key}) : fill('seal_key', {key}));
  const record = (one) => el('li', {'data-record': one.number},
    el('b', {text: fill('seal_record', {number: one.number, day: bench.day(one.at), time: bench.clock(one.at)})}), el('span', {class: 'seal-code', text: one.code}),
    el('span', {class: 'calm', text: [count('seal_visits', one.visits), count('seal_readings', one.readings), count('seal_files', one.files), one.software].join(', ')}),
    el('span', {class: 'calm', text: by(one)}), one.reopens ? el('span', {text: fill('seal_stays', {number: one.reopens})}) : '', one.here ? '' : el('span', {class: 'take-care', text: fill('seal_not_here')}));

  const side = (one) => (one ? el('span', {class: 'side'}, bench.verdictWord(one.verdict), ` ${bench.plusMinus(one.value_mm, one.U_mm)}`) : fill('seal_no_verdict'));
  const beside = (told) => {
    if (!told.differs) return [];
    const versions = {sealed: told.sealed_by, now: told.software};
    const title = el('h3', {text: fill('seal_beside', {number: told.number})});
    if (told.why_not) return [title, el('p', {text: fill('seal_unjudged', {software: told.software, why: told.why_not})})];
    if (!told.differs.length) return [title, el('p', {text: fill('seal_agrees', versions)})];
    return [title, el('p', {text: count('seal_differs', told.differs.length, versions)}), el('div', {class: 'table-box'},
      bench.table([fill('column_check'), fill('column_where'), fill('seal_sealed_by', {software: told.sealed_by, unit: bench.unit}), fill('seal_found_by', {software: told.software, unit: bench.unit})],
        told.differs.map((one) => [bench.capital(one.words), bench.where(one.fret, one.place), side(one.sealed), side(one.now)])))];
  };
  const checked = (told) => [
    el('ul', {class: 'judged'}, ...told.checks.map((one) => el('li', {'data-verdict': one.good ? 'pass' : 'fail'}, bench.sign(one.good ? 'pass' : 'fail'),
      el('span', {class: 'text', text: one.good ? fill('seal_good', {says: one.says}) : fill('seal_not_good', {number: one.number, says: one.says})}))),
    ...(told.head ? [el('li', {'data-verdict': told.head.good ? 'pass' : 'fail'}, bench.sign(told.head.good ? 'pass' : 'fail'), el('span', {class: 'text', text: told.head.good ? fill('seal_head') : fill('seal_head_not', {says: told.head.says})}))] : [])),
    el('p', {class: 'calm', text: fill('seal_chain')}), ...beside(told)];

  // Asked for by itself, for the record around it may say the same as before: the key is there, the button is not.
  const look = async (session, node, kept) => {
    try {
      const told = await bench.look('seals', {id: session});
      if (kept.records !== told.records.length) delete kept.checked;
      kept.records = told.records.length;
      draw(node, told, kept);
    } catch (error) {
      node.replaceChildren(el('p', {role: 'alert', text: fill('not_told', {why: error.message})}));
    }
  };
  const draw = (node, told, kept) => {
    const said = el('p', {class: 'seal-said', role: 'status'}), answer = el('div', {class: 'checked-seals'});
    // The record may be drawn again while an answer is awaited: it is shown where the newest drawing stands.
    kept.show = () => {
      [said.textContent, said.dataset.done] = kept.said ?? ['', ''];
      answer.replaceChildren(...(kept.waits ? [el('p', {class: 'calm', role: 'status', text: fill('looking')})] : kept.why ? [el('p', {role: 'alert', text: fill('not_told', {why: kept.why})})] : kept.checked ? checked(kept.checked) : []));
      node.querySelectorAll('[data-seal=check]').forEach((one) => { one.disabled = kept.waits ?? false; });
    };
    const say = (text, done = '') => {
      kept.said = [text, done];
      kept.show();
    };
    const check = async () => {
      Object.assign(kept, {waits: true, why: ''});
      kept.show();
      try {
        kept.checked = await bench.look('verified', {id: told.session});
      } catch (error) {
        kept.why = error.message;
      }
      kept.waits = false;
      kept.show();
    };
    node.replaceChildren(el('h2', {text: fill('seal_title')}), ...before(told, say, () => look(told.session, node, kept)), said,
      ...(told.records.length ? [el('h3', {text: fill('seal_records')}), el('ul', {class: 'records'}, ...told.records.map(record)), el('p', {}, button('check', 'seal_check', check)), answer] : []),
      el('p', {class: 'calm', text: told.key ? fill('seal_own', {key: by(told)}) : fill('seal_no_key')}));
    kept.show();
  };
  // What was said and found stays while the record is drawn again; a new seal makes what was found old.
  const state = new Map();
  bench.sealsOf = ({session}) => {
    const node = el('section', {class: 'card seals for-screen', 'aria-label': fill('seal_title')}, el('h2', {text: fill('seal_title')}));
    if (!state.has(session)) state.set(session, {});
    const kept = state.get(session);
    look(session, node, kept);
    return node;
  };
})();
