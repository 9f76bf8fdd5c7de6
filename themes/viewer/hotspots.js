// Marks that follow the object through its frames, and the note that each one opens.

class Hotspots {
  constructor(spots, labels, otherwise, act) {
    this.otherwise = otherwise; // takes the focus when a mark can't
    this.act = act;
    this.text = make('div', { class: 'text' });
    this.shut = makeButton('close', labels);
    this.note = make('div', { class: 'note', role: 'group', tabindex: -1 }, this.text, this.shut);
    this.note.hidden = true;
    this.marks = spots.map((spot, index) => {
      const title = index + 1 + ' ' + spot.label; // the number that is seen belongs to the name, WCAG 2.5.3
      const names = { type: 'button', title, 'aria-label': title, 'aria-expanded': false };
      const mark = make('button', names, index + 1);
      mark.spot = spot;
      return mark;
    });
    this.layer = make('div', { class: 'marks' }, ...this.marks);
  }

  listen(listeners) {
    for (const mark of this.marks) {
      listeners.add(mark, 'click', () => (this.open === mark ? this.close() : this.show(mark)));
    }
    listeners.add(this.shut, 'click', () => this.close());
    listeners.add(this.note, 'keydown', event => event.key === 'Escape' && this.close());
  }

  show(button) {
    const { label, html } = button.spot;
    this.close();
    this.act();
    this.open = button;
    setAttributes(button, { 'aria-expanded': true });
    setAttributes(this.note, { 'aria-label': label });
    this.text.replaceChildren(make('strong', {}, label), readHtml(html || ''));
    this.note.hidden = false;
    this.note.focus({ preventScroll: true });
  }

  close() {
    const button = this.open;
    if (!button) return;
    this.open = null;
    setAttributes(button, { 'aria-expanded': false });
    if (this.note.matches(':focus-within')) (button.hidden ? this.otherwise : button).focus();
    return (this.note.hidden = true);
  }

  // Puts the marks where their points are in this frame; toBox turns shares of the picture into px.
  place(index, toBox) {
    for (const button of this.marks) {
      const place = button.spot.places[index];
      const at = place && toBox(place.x, place.y);
      if (!at && button.matches(':focus')) this.otherwise.focus();
      button.hidden = !at;
      if (at) button.style.transform = 'translate(' + at.x + 'px,' + at.y + 'px)';
    }
  }
}

// The frame in the middle of a mark's longest run in sight.
function bestFrame(places, turn) {
  let best = 0;
  let longest = 0;
  places.forEach((_, from) => {
    let run = 0;
    while (run < turn.count && places[turn.closed ? wrap(from + run, turn.count) : from + run]) run++;
    if (run > longest) [best, longest] = [turn.step(from, run >> 1), run];
  });
  return best;
}

// The note's text was made safe when the site was built. Where the page forbids HTML from text
// altogether, its plain words are shown.
function readHtml(html) {
  const holder = make('div');
  try {
    holder.innerHTML = html;
  } catch {
    holder.textContent = html.replace(/<[^>]*>/g, '');
  }
  return holder;
}
