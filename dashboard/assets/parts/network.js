// Who this browser is to the bench, and on the bench's own machine the code that lets others in.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const AGAIN_MS = 5000, MOST_NAME = 60;
  let told = {role: '', lan: false};

  const alone = () => [el('h2', {text: fill('network')}), el('p', {text: fill('network_off')}), el('pre', {class: 'command', text: 'fretledger bench --lan'})];
  const minute = (at) => new Date(at).toLocaleTimeString(fill('locale'), {hour: '2-digit', minute: '2-digit'});
  const moment = (at) => `${bench.day(at)}, ${minute(at)}`;
  const looksOnly = () => (told.until ? fill('onlooker_until', {until: moment(told.until)}) : fill('onlooker'));
  const guest = () => [el('h2', {text: fill('network')}), el('p', {text: told.role === 'reader' ? looksOnly() : fill('paired_here')})];
  const link = ({token, address, qr, name, made_at: made, until}) => el('li', {},
    el('div', {class: 'holder'}, el('b', {text: name}), el('button', {type: 'button', class: 'small', 'data-revoke': token, 'aria-label': fill('end_link_of', {name}), text: fill('end_link')})),
    el('p', {class: 'calm', text: fill('link_holds', {made: moment(made), until: moment(until)})}),
    el('input', {type: 'text', readonly: true, value: address, 'aria-label': fill('link_of', {name})}),
    el('details', {'data-fold': token}, el('summary', {text: fill('link_qr'), 'aria-label': fill('link_qr_of', {name})}), el('img', {src: qr, alt: fill('link_qr_of', {name})})));
  // What is typed and chosen stays while the codes and links around it are drawn again.
  const made = {name: '', days: null};
  const maker = (days) => el('form', {class: 'link-maker'},
    el('div', {class: 'whom'}, el('label', {for: 'link-name', text: fill('link_for')}),
      bench.bounded(el('input', {id: 'link-name', type: 'text', required: true, autocomplete: 'off', value: made.name}), MOST_NAME)),
    el('div', {}, el('label', {for: 'link-days', text: fill('link_days')}), el('select', {id: 'link-days'},
      ...days.map((n) => el('option', {value: n, selected: n === (made.days ?? days[0]), text: bench.count('link_n_days', n)})))),
    el('button', {type: 'submit', class: 'action', text: fill('add_link')}));
  const host = ({address, qr, code, links, days}) => [
    el('h2', {text: fill('network')}), el('p', {text: fill('pair_how')}), el('p', {class: 'address', text: address}),
    el('div', {class: 'pairing'}, el('img', {src: qr, alt: fill('qr_of', {address})}), el('div', {},
      el('h3', {text: fill('pairing_code')}), el('p', {class: 'code', text: code}), el('p', {class: 'calm', text: fill('code_more')}))),
    el('p', {class: 'caution', text: fill('unencrypted')}),
    el('h3', {text: fill('links')}), el('p', {class: 'calm', text: fill('links_more')}),
    el('ul', {id: 'links'}, ...(links.length ? links.map(link) : [el('li', {text: fill('no_links')})])),
    maker(days), el('p', {id: 'network-said', role: 'alert'})];

  const shown = () => (told.role !== 'bench' ? guest() : told.lan ? host(told) : alone());
  const draw = () => {
    document.documentElement.dataset.role = told.role;
    const note = bench.by('onlooker'), card = bench.by('network'), {left_s: _, ...rest} = told;
    note.hidden = told.role !== 'reader';
    if (note.textContent !== looksOnly()) note.textContent = looksOnly();
    if (!card || !told.role) return;
    const held = card.contains(document.activeElement) && document.activeElement.id;
    bench.keepOpen(card, () => bench.draw(card, rest, shown));
    if (held && !card.contains(document.activeElement)) bench.by(held)?.focus();
  };
  const ask = async (path, body) => {
    const reply = await bench.fetch(path, body ? {method: 'POST', headers: {'Content-Type': 'application/json'}, body: JSON.stringify(body)} : {cache: 'no-store'});
    if (!reply.ok) throw new Error((await reply.text()).trim());
    told = await reply.json();
    draw();
  };
  // While the bench is away the link in the page's head says so; the next look finds it again.
  const look = () => ask('/network').catch(() => draw());
  bench.lookAtNetwork = look;

  const change = (path, body) => ask(path, body).catch((error) => { bench.by('network-said').textContent = error.message; });
  document.addEventListener('click', ({target}) => {
    const button = target.closest?.('#network button');
    if (button?.dataset.revoke) change('/network/revoke', {token: button.dataset.revoke});
  });
  document.addEventListener('input', ({target}) => {
    if (target.id === 'link-name') made.name = target.value;
    if (target.id === 'link-days') made.days = Number(target.value);
  });
  document.addEventListener('submit', async (event) => {
    if (!event.target.matches?.('.link-maker')) return;
    event.preventDefault();
    if (bench.tooLong(event.target)) return;
    const name = made.name, wanted = {name, days: Number(bench.by('link-days').value)};
    made.name = '';
    await ask('/network/link', wanted).then(() => { bench.by('link-name').value = ''; }, (error) => {
      made.name = name;
      bench.by('network-said').textContent = error.message;
    });
  });
  document.addEventListener('focusin', ({target}) => { if (target.matches?.('#links input')) target.select(); });
  bench.on('ready', look);
  bench.on('link', (lost) => { if (!lost && !told.role) look(); });
  setInterval(() => { if (bench.view() === 'settings' && !document.hidden) look(); }, AGAIN_MS);
})();
