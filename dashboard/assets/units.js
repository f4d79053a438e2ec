// Lengths as the person wants them: mm to three decimals, inch to four.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const MM_PER_IN = 25.4, MINUS = '\u2212';
  const DECIMALS = {mm: 3, in: 4};

  bench.unit = bench.recall('unit') === 'in' ? 'in' : 'mm';

  const fixed = (value, decimals) => {
    const text = Math.abs(value).toFixed(decimals);
    return value < 0 && Number(text) !== 0 ? MINUS + text : text;
  };
  const inUnit = (mm) => (bench.unit === 'in' ? mm / MM_PER_IN : mm);

  bench.number = (mm) => fixed(inUnit(mm), DECIMALS[bench.unit]);
  bench.length = (mm) => `${bench.number(mm)} ${bench.unit}`;
  // Scale lengths and distances along the neck need fewer decimals.
  bench.round = (mm) => fixed(inUnit(mm), DECIMALS[bench.unit] - 1);
  bench.long = (mm) => `${bench.round(mm)} ${bench.unit}`;
  bench.thousandths = (mm) => bench.fill('thousandths', {n: fixed(mm / MM_PER_IN * 1000, 1)});
  bench.mm = (nm) => nm / 1e6;
  bench.scaled = inUnit;

  // Standard uncertainties are small against the decimals of a reading: one more of them.
  bench.fine = (mm) => fixed(inUnit(mm), DECIMALS[bench.unit] + 1);
  bench.digit = (mm) => String(Number(inUnit(mm).toFixed(DECIMALS[bench.unit] + 1)));
  // Squares of lengths, in thousandths of a millimetre or of an inch, to four significant digits.
  bench.square = (mm2) => {
    const value = mm2 * (bench.unit === 'in' ? 1000 / MM_PER_IN : 1000) ** 2;
    if (value !== 0 && (Math.abs(value) < 1e-4 || Math.abs(value) >= 1e9)) return value.toExponential(3).replace('-', MINUS);
    return value === 0 || Math.abs(value) >= 1000 ? value.toFixed(0) : value.toPrecision(4);
  };
  bench.squareUnit = () => bench.fill(bench.unit === 'in' ? 'thou2' : 'um2');

  // An uncertainty too small for the decimals is not shown as nothing.
  bench.spread = (mm) => {
    const least = 10 ** -DECIMALS[bench.unit];
    return inUnit(mm) < least / 2 ? `< ${least.toFixed(DECIMALS[bench.unit])}` : bench.number(mm);
  };

  // Sentences come from the bench in both units; a number stays on one line with its uncertainty and its unit.
  const whole = (text) => text.replace(/(\d) (\u00b1) (\d[\d.]*) (?=\p{L})/gu, '$1\u00a0$2\u00a0$3\u00a0');
  bench.sentence = (from, key) => whole(bench.capital((bench.unit === 'in' && from[`${key}_in`]) || from[key]));

  // What says why there is no plan comes in mm alone.
  bench.inMyUnit = (text) => (bench.unit === 'in' ? text.replace(/(\d+\.\d+) mm/g, (_, mm) => bench.length(Number(mm))) : text);

  bench.setUnit = (unit) => {
    bench.unit = unit;
    bench.keep('unit', unit);
    bench.tell('look');
  };

  bench.clock = (when) => {
    const time = new Date(when);
    return Number.isNaN(time.getTime()) ? String(when ?? '') : time.toLocaleTimeString([], {hour12: false});
  };
  // A day without a time is a day here, not midnight in Greenwich.
  bench.day = (when) => {
    const time = new Date(/^\d{4}-\d\d-\d\d$/.test(when ?? '') ? `${when}T00:00:00` : when);
    if (!when || Number.isNaN(time.getTime())) return String(when ?? '');
    return time.toLocaleDateString(bench.fill('locale'), {day: 'numeric', month: 'short', year: 'numeric'});
  };
})();
