// The air at the bench: one quiet line, and two fields to write it down. What is typed there stays there.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el, fill} = bench;
  const NUMBER = /^([+-]?\d+(?:\.\d+)?)\s*(?:\u00b0?\s*([CF]))?$/i;
  let form = null, line = null, temperature = null, humidity = null, said = null, pending = false;

  const known = (value) => typeof value === 'number' && Number.isFinite(value);
  const toF = (celsius) => celsius * 9 / 5 + 32;
  const toC = (fahrenheit) => (fahrenheit - 32) * 5 / 9;
  const degrees = (celsius) => {
    const text = `${celsius.toFixed(1).replace('-', '\u2212')} \u00b0C`;
    return bench.unit === 'in' ? `${toF(celsius).toFixed(0).replace('-', '\u2212')} \u00b0F (${text})` : text;
  };
  const sentence = (climate) => {
    if (!known(climate?.temperature_c) || !known(climate?.humidity_percent)) return fill('climate_none');
    const air = fill('climate_line', {temperature: degrees(climate.temperature_c), humidity: Number(climate.humidity_percent.toFixed(1))});
    const settled = known(climate.moisture_percent) ? `${air}, ${fill('climate_moisture', {moisture: climate.moisture_percent.toFixed(1)})}` : air;
    const moved = bench.unit === 'in' ? climate.movement_words_in : climate.movement_words;
    if (moved) return `${settled}. ${moved}`;
    return climate.movement_unknown ? `${settled}; ${fill('climate_unmoved', {why: climate.movement_unknown})}` : settled;
  };
  const more = (climate) => [climate?.at && fill('climate_at', {time: bench.clock(climate.at)}), climate?.movement_source].filter(Boolean).join('; ') || null;

  // Written as people write it: a comma, a real minus, a letter for the other scale.
  const read = (field) => NUMBER.exec(field.value.trim().replace(',', '.').replace('\u2212', '-'));
  const celsius = () => {
    const found = read(temperature);
    if (!found) return null;
    const scale = (found[2] ?? (bench.unit === 'in' ? 'F' : 'C')).toUpperCase();
    return scale === 'F' ? Number(toC(Number(found[1])).toFixed(2)) : Number(found[1]);
  };
  const percent = () => {
    const found = NUMBER.exec(humidity.value.trim().replace(',', '.').replace(/\s*%$/, ''));
    const value = found && !found[2] ? Number(found[1]) : NaN;
    return value >= 0 && value <= 100 ? value : null;
  };
  const complain = (text, field) => {
    said.textContent = bench.capital(text);
    field?.focus();
  };
  const submit = (event) => {
    event.preventDefault();
    const air = celsius(), wet = percent();
    if (air === null) return void complain(fill('bad_temperature'), temperature);
    if (wet === null) return void complain(fill('bad_humidity'), humidity);
    said.textContent = '';
    pending = true;
    bench.ask({do: 'climate', temperature_c: air, humidity_percent: wet});
  };

  const show = (editing) => {
    form.hidden = !editing;
    line.hidden = editing;
  };
  const edit = () => {
    const now = bench.snap?.climate;
    temperature.value = known(now?.temperature_c) ? (bench.unit === 'in' ? toF(now.temperature_c) : now.temperature_c).toFixed(1) : '';
    humidity.value = known(now?.humidity_percent) ? String(Number(now.humidity_percent.toFixed(1))) : '';
    said.textContent = '';
    label();
    show(true);
    temperature.focus();
    temperature.select();
  };
  const close = () => {
    const inside = form.contains(document.activeElement);
    show(false);
    if (inside) line.querySelector('button').focus();
  };
  const label = () => {
    form.querySelector('label[for=temperature]').textContent = fill(bench.unit === 'in' ? 'temperature_f' : 'temperature_c');
  };

  const field = (id) => el('input', {id, type: 'text', inputmode: 'decimal', autocomplete: 'off', maxlength: 12, size: 6, enterkeyhint: 'send'});
  const build = () => {
    temperature = field('temperature');
    humidity = field('humidity');
    said = el('span', {class: 'said', role: 'alert'});
    line = el('p', {class: 'line'});
    form = el('form', {hidden: true, novalidate: true},
      el('label', {for: 'temperature'}), temperature, el('label', {for: 'humidity', text: fill('humidity')}), humidity,
      el('button', {type: 'submit', class: 'small', text: fill('climate_save')}),
      el('button', {type: 'button', class: 'small', 'data-climate': 'cancel', text: fill('climate_cancel')}), said);
    form.addEventListener('submit', submit);
    form.addEventListener('keydown', (event) => { if (event.key === 'Escape') close(); });
    bench.by('climate').replaceChildren(line, form);
  };
  const draw = () => {
    const {climate, instrument, study} = bench.snap ?? {};
    bench.by('climate').hidden = !(climate || instrument || study);
    bench.draw(line, [bench.unit, climate ?? null], () => [
      el('span', {text: sentence(climate), title: more(climate)}),
      el('button', {type: 'button', class: 'small', 'data-climate': 'edit', text: fill(climate ? 'climate_edit' : 'climate_note')})]);
  };

  document.addEventListener('click', (event) => {
    const button = event.target.closest?.('[data-climate]');
    if (button) (button.dataset.climate === 'edit' ? edit : close)();
  });
  bench.on('ready', () => { build(); draw(); });
  bench.on('snapshot', draw);
  bench.on('look', () => {
    if (!line) return;
    if (!form.hidden) label();
    draw();
  });
  bench.on('answer', (item, answer) => {
    if (item.do !== 'climate' || !pending) return;
    pending = false;
    if (answer.done) close();
    else complain(answer.text, null);
  });
})();
