// The stage of a <kick-spin>: its shadow root, the canvas, what moves by itself, and drawing.
// Inside the open shadow root: .stage > slot (the poster), canvas[role=slider] (a leaf), .marks, .bar,
// .note, .message.

class Stage extends HTMLElement {
  constructor() {
    super();
    this.listeners = new Listeners();
    this.canvas = make('canvas', { role: 'slider', tabindex: 0, 'aria-valuemin': 0 });
    this.stage = make('div', { class: 'stage' });
    const root = this.attachShadow({ mode: 'open' });
    root.append(this.stage);
    try {
      const sheet = new CSSStyleSheet();
      sheet.replaceSync(STYLE);
      root.adoptedStyleSheets = [sheet];
    } catch {
      root.append(make('style', {}, STYLE)); // before constructable sheets (2023)
    }
  }

  ratio(width, height) {
    this.stage.style.aspectRatio = width && height ? width + '/' + height : '';
  }

  get density() {
    return Math.min(window.devicePixelRatio, 2); // photographs gain nothing from more
  }

  centre(clientX, clientY) {
    const { left, top, width, height } = this.canvas.getBoundingClientRect();
    return { x: clientX - left - width / 2, y: clientY - top - height / 2 };
  }

  resize() {
    const { canvas, spin, density } = this;
    if (!spin) return;
    this.box = { width: canvas.clientWidth, height: canvas.clientHeight };
    this.picture = fit(this.box, spin);
    canvas.width = Math.round(this.box.width * density);
    canvas.height = Math.round(this.box.height * density);
    this.look(WHOLE, true);
    this.paint();
    this.frames.need(Math.round(this.picture.width * density));
  }

  arrived(index) {
    if (this.frames.broken) this.complain();
    if (this.frames.ready && !this.told) {
      this.told = true;
      this.dispatchEvent(new Event('ready'));
    }
    this.wake();
  }

  update() {
    const index = this.turn.frameAt(this.position);
    if (index === this.index) return;
    this.index = index;
    const { angle, count, canvas } = this;
    const said = fillIn(this.labels.position, { n: index + 1, count, deg: Math.round(wrap(angle, 360)) });
    setAttributes(canvas, { 'aria-valuenow': index, 'aria-valuetext': said });
    this.frames.show(index);
    this.dispatchEvent(new CustomEvent('frame', { detail: { frame: index, angle } }));
  }

  wake() {
    this.asked ||= requestAnimationFrame(now => this.tick(now));
  }

  tick(now) {
    this.asked = 0;
    if (!this.spin) return;
    const moving = this.advance(Math.min(now - (this.moving || now - 16), 100));
    this.moving = moving && now;
    this.update();
    this.paint();
    clearTimeout(this.resting);
    if (moving) this.wake();
    else this.resting = setTimeout(() => this.rest(), 150);
  }

  rest() {
    this.frames.turns(false);
    if (this.view.scale > 1) this.frames.widen(this.index);
  }

  // Moves everything on by `ms`; true while something moves.
  advance(ms) {
    const { turn, position, view, goal } = this;
    const playing = this.playing && this.seen;
    if (playing) this.position = turn.hold(position + this.playing * PLAY_SPEED * ms);
    else if (this.aim != null) {
      this.position += (this.aim - position) * nearing(ms);
      if (Math.abs(this.aim - position) < 0.5) this.aim = null;
    } else {
      this.position = turn.hold(position + coast(this.speed, ms));
      const rests = this.position === position || Math.abs(this.speed) < SLOWEST;
      this.speed = rests ? 0 : slowed(this.speed, ms);
    }
    if (playing && this.position === position) this.playing *= -1; // a part turn plays to and fro
    this.view = towards(view, goal, nearing(ms));
    return playing || this.aim != null || this.speed || this.view !== goal;
  }

  paint() {
    const { canvas, frames, picture, box, view, index, stage } = this;
    const from = index !== undefined && frames.best(index);
    const width = picture.width * view.scale;
    const height = picture.height * view.scale;
    const left = (box.width - width) / 2 + view.x;
    const top = (box.height - height) / 2 + view.y;
    // The poster is the home frame, and sharper than its cell of the strip.
    const poster = !stage.matches('.live') && this.querySelector('img');
    if (from && !(poster?.naturalWidth && index === frames.home && from[0] === frames.sheet)) {
      const pen = canvas.getContext('2d');
      // Whole pixels: a frame decoded at the size drawn is then copied, not scaled once more.
      const place = [left, top, width, height].map(px => Math.round((px * canvas.width) / box.width));
      pen.clearRect(0, 0, canvas.width, canvas.height);
      pen.drawImage(...from, ...place);
      stage.classList.add('live');
    }
    this.spots.place(index, (x, y) => {
      const at = { x: left + x * width, y: top + y * height };
      return at.x >= 0 && at.y >= 0 && at.x <= box.width && at.y <= box.height && at;
    });
    this.rim.style.transform = 'translateX(' + index * 100 + '%)';
  }

  // When nothing can be shown.
  complain() {
    const { stage, labels = ENGLISH } = this;
    if (stage.querySelector('.message')) return;
    const again = make('button', { type: 'button' }, labels.again);
    stage.append(make('div', { class: 'message', role: 'alert' }, make('p', {}, labels.broken), again));
    this.listeners.add(again, 'click', () => this.restart());
  }
}
