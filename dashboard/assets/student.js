// Student's t for whole degrees of freedom: the half-width of a 95 % interval of a mean is t s / sqrt(n).
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const MOST_STEPS = 80, MOST_DOF = 2000;  // beyond, t changes by less than a thousandth

  // The chance that |T| stays below t. Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3, 26.7.4.
  const within = (t, dof) => {
    const angle = Math.atan(t / Math.sqrt(dof)), cos = Math.cos(angle), odd = dof % 2;
    let term = odd ? cos : 1, sum = dof === 1 ? 0 : term;
    for (let k = odd ? 3 : 2; k <= dof - 2; k += 2) {
      term *= (k - 1) / k * cos * cos;
      sum += term;
    }
    return odd ? 2 / Math.PI * (angle + Math.sin(angle) * sum) : Math.sin(angle) * sum;
  };
  // Degrees of freedom that are not whole are rounded down, which widens the interval.
  bench.student = (dof, coverage = 0.95) => {
    const whole = Math.min(Math.floor(dof), MOST_DOF);
    if (!(whole >= 1)) return Infinity;
    let low = 0, high = 1;
    while (within(high, whole) < coverage) high *= 2;
    for (let step = 0; step < MOST_STEPS; step += 1) {
      const middle = (low + high) / 2;
      if (within(middle, whole) < coverage) low = middle;
      else high = middle;
    }
    return high;
  };
})();
