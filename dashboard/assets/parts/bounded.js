// Texts that may have so many characters: what is typed or pasted stays whole, a line says how many are too many, and the
// form is not sent before they are fewer. The browser's own maxlength would cut what is pasted without a word.
(() => {
  const bench = (window.fretledger = window.fretledger || {});
  const {el} = bench;
  const over = (field) => [...field.value].length - Number(field.dataset.most);

  bench.bounded = (field, most) => {
    const line = el('small', {class: 'too-long', role: 'alert'});
    field.dataset.most = most;
    field.addEventListener('input', () => {
      const n = over(field);
      line.textContent = n > 0 ? bench.count('too_long', n, {most}) : '';
      field.setAttribute('aria-invalid', String(n > 0));
      if (n > 0 && !line.isConnected) field.after(line);
      if (n <= 0) line.remove();
    });
    return field;
  };
  // True while one of the fields within holds too much; it gets the focus.
  bench.tooLong = (node) => {
    const field = [...node.querySelectorAll('[data-most]')].find((each) => over(each) > 0);
    field?.dispatchEvent(new Event('input'));
    field?.focus();
    return Boolean(field);
  };
})();
