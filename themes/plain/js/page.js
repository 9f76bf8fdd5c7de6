// The index's filter, copy buttons and the browser's share sheet. All of it is extra: pages work without.
(() => {
  'use strict';
  const id = (name) => document.getElementById(name);
  // Without case and accents, so that "emaille" finds "Émaillé".
  const fold = (text) => text.normalize('NFD').replace(/\p{M}/gu, '').toLowerCase();

  function startFilter(field, found) {
    const cards = [...document.querySelectorAll('.grid > li')];
    const texts = cards.map((card) => fold(card.textContent + ' ' + card.dataset.find));
    const count = cards.length;
    function show() {
      const words = fold(field.value).split(/\s+/).filter(Boolean);
      let shown = 0;
      cards.forEach((card, place) => {
        card.hidden = !words.every((word) => texts[place].includes(word));
        shown += !card.hidden;
      });
      const { one, many, of, none } = found.dataset;
      const text = !shown ? none : words.length ? of : count === 1 ? one : many;
      found.textContent = text.replace('{shown}', shown).replace('{count}', count);
    }
    function read() {
      const asked = new URLSearchParams(location.hash.slice(1)).get('find');
      if (asked !== null) field.value = asked;
      show();
    }
    field.addEventListener('input', () => {
      show();
      try {
        // so that the way back from an item leads to the same choice
        history.replaceState(null, '', field.value ? '#' + new URLSearchParams({ find: field.value }) : location.pathname + location.search);
      } catch {
        // some browsers limit it, or forbid it on disk
      }
    });
    addEventListener('hashchange', read);
    read();
  }

  // The Clipboard API is missing outside secure pages; then the older command, then the reader's own hands.
  async function copy(button) {
    const field = id(button.dataset.copy);
    field.focus();
    field.select();
    let done = true;
    try {
      await navigator.clipboard.writeText(field.value);
    } catch {
      done = document.execCommand('copy');
    }
    const said = id('said');
    said.textContent = done ? button.dataset.done : button.dataset.byHand;
    if (!done) return said.classList.remove('unseen');
    button.focus();
    const before = button.textContent;
    if (before === button.dataset.done) return;
    button.textContent = button.dataset.done;
    setTimeout(() => (button.textContent = before), 2000);
  }

  const field = id('find');
  if (field) startFilter(field, id('found'));
  for (const button of document.querySelectorAll('[data-copy]')) button.addEventListener('click', () => copy(button));
  for (const button of document.querySelectorAll('[data-share]')) {
    button.hidden = !navigator.share;
    button.addEventListener('click', () => {
      const url = document.querySelector('link[rel=canonical]')?.href || location.href;
      navigator.share({ title: button.dataset.share, url }).catch(() => {}); // closing the sheet is an answer too
    });
  }
})();
