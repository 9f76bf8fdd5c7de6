// The proof's tick list: puts the answers into a letter, to be mailed, copied or printed. Stores nothing.
(() => {
  'use strict';
  const LONGEST = 1800; // characters of a mailto address; common practice, no source: some mail programs cut at 2048
  const id = (name) => document.getElementById(name);
  const words = id('answers').dataset;

  function letter() {
    const lines = id('client').value ? [words.name + ': ' + id('client').value, ''] : [];
    for (const section of document.querySelectorAll('.proof')) {
      const answer = section.querySelector('input:checked')?.value || words.open;
      const comment = section.querySelector('textarea').value.trim();
      lines.push(section.querySelector('h2').textContent + ' [' + section.dataset.slug + ']: ' + answer);
      if (comment) lines.push(words.comment + ': ' + comment);
      lines.push('');
    }
    return lines.join('\r\n');
  }

  function address(text) {
    const mailto = (body) => 'mailto:' + encodeURIComponent(words.to).replace('%40', '@') +
      '?subject=' + encodeURIComponent(words.subject) + '&body=' + encodeURIComponent(body);
    return mailto(text).length <= LONGEST ? mailto(text) : null;
  }

  async function copy(button) {
    const text = letter();
    const field = id('letter');
    field.value = text;
    field.hidden = false;
    field.focus();
    field.select();
    let done = true;
    try {
      await navigator.clipboard.writeText(text);
    } catch {
      done = document.execCommand('copy');
    }
    const said = id('said');
    said.classList.toggle('unseen', done);
    said.textContent = done ? button.dataset.done : button.dataset.byHand;
  }

  id('send')?.addEventListener('click', (event) => {
    const ready = address(letter());
    if (ready) return (event.currentTarget.href = ready);
    // Too long for an address: the letter is copied, and the empty mail takes it by hand.
    copy(id('copy'));
  });
  id('copy').addEventListener('click', (event) => copy(event.currentTarget));
  id('print').addEventListener('click', () => print());
})();
