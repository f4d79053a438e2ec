// Who this browser is to the bench, and on the bench's own machine the code that lets others in.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const AGAIN_MS = 5000;
  let told = {role: '', lan: false};

  const alone = () => [el('h2', {text: fill('network')}), el('p', {text: fill('network_off')}), el('pre', {class: 'command', text: 'fretledger bench --lan'})];
  const guest = () => [el('h2', {text: fill('network')}), el('p', {text: fill(told.role === 'reader' ? 'onlooker' : 'paired_here')})];
  const link = ({token, address}, number) => el('li', {},
    el('input', {type: 'text', readonly: true, value: address, 'aria-label': fill('link_n', {n: number + 1})}),
    el('button', {type: 'button', class: 'small', 'data-revoke': token, 'aria-label': fill('end_link_n', {n: number + 1}), text: fill('end_link')}));
  const host = ({address, qr, code, links}) => [
    el('h2', {text: fill('network')}), el('p', {text: fill('pair_how')}), el('p', {class: 'address', text: address}),
    el('div', {class: 'pairing'}, el('img', {src: qr, alt: fill('qr_of', {address})}), el('div', {},
      el('h3', {text: fill('pairing_code')}), el('p', {class: 'code', text: code}), el('p', {class: 'calm', text: fill('code_more')}))),
    el('p', {class: 'caution', text: fill('unencrypted')}),
    el('h3', {text: fill('links')}), el('p', {class: 'calm', text: fill('links_more')}),
    el('ul', {id: 'links'}, ...(links.length ? links.map(link) : [el('li', {text: fill('no_links')})])),
    el('button', {type: 'button', class: 'action', 'data-add-link': true, text: fill('add_link')}), el('p', {id: 'network-said', role: 'alert'})];

  const shown = () => (told.role !== 'bench' ? guest() : told.lan ? host(told) : alone());
  const draw = () => {
    document.documentElement.dataset.role = told.role;
    const note = bench.by('onlooker'), card = bench.by('network'), {left_s: _, ...rest} = told;
    note.hidden = told.role !== 'reader';
    if (note.textContent !== fill('onlooker')) note.textContent = fill('onlooker');
    if (card && told.role) bench.draw(card, rest, shown);
  };
  const ask = async (path, body) => {
    const reply = await fetch(path, body ? {method: 'POST', headers: {'Content-Type': 'application/json'}, body: JSON.stringify(body)} : {cache: 'no-store'});
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
    if (button && 'addLink' in button.dataset) change('/network/link', {});
    if (button?.dataset.revoke) change('/network/revoke', {token: button.dataset.revoke});
  });
  document.addEventListener('focusin', ({target}) => { if (target.matches?.('#links input')) target.select(); });
  bench.on('ready', look);
  bench.on('link', (lost) => { if (!lost && !told.role) look(); });
  setInterval(() => { if (bench.view() === 'settings' && !document.hidden) look(); }, AGAIN_MS);
})();
