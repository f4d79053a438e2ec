// Unit, light or dark, and sound: switches that this browser remembers.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const prefersDark = window.matchMedia('(prefers-color-scheme: dark)');

  const theme = () => bench.recall('theme') || (prefersDark.matches ? 'dark' : 'light');
  const press = (id, on) => bench.by(id)?.setAttribute('aria-pressed', String(on));
  const show = () => {
    document.documentElement.dataset.theme = theme();
    press('unit-mm', bench.unit === 'mm');
    press('unit-in', bench.unit === 'in');
    press('dark', theme() === 'dark');
    press('sound', bench.tones.on);
  };

  const work = {
    'unit-mm': () => bench.setUnit('mm'),
    'unit-in': () => bench.setUnit('in'),
    dark: () => {
      bench.keep('theme', theme() === 'dark' ? 'light' : 'dark');
      bench.tell('look');
    },
    sound: () => bench.tones.turn(!bench.tones.on),
  };

  document.documentElement.dataset.theme = theme();
  prefersDark.addEventListener('change', () => bench.tell('look'));
  document.addEventListener('click', (event) => {
    const id = event.target.closest?.('button')?.id;
    if (!Object.hasOwn(work, id)) return;
    work[id]();
    show();
  });
  bench.on('ready', show);
  bench.on('look', show);
})();
