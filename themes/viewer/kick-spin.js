// <kick-spin>: the element. Attributes, start, stop and wiring; no arithmetic.
//
// In a page of the site (the data lies in the page, so that it works from disk):
//   <kick-spin data-spin="ID" base="PREFIX">   data-spin: id of a <script type="application/json">
//     <img class="kick-poster" src=… width=… height=… alt=…>   base: prefix of its paths (default "")
//     <noscript>links to the MP4 and GIF</noscript>
//   </kick-spin>
//   <script src="…/assets/kick-spin.HASH.js" defer></script>
// In a shop's page:
//   <kick-spin src="https://host/base/SLUG/spin.js" width="960" height="720"></kick-spin>
//   <script async src="https://host/base/assets/kick-spin.HASH.js"></script>
// Attributes: src | data-spin + base; width, height (keep the place free before the data is here; else
//   a child <img>'s); autoplay; embed (in an <iframe> of ours: posts {kind: 'kick-spin', slug, aspect} to
//   the page around, takes {kind: 'kick-spin', frame} from it).
// Properties: frame (get, set), angle, count, playing.
// Methods, once it is ready: turnTo(degrees), play(), pause(), showHotspot(id).
// Events: ready (it can be turned), frame {detail: {frame, angle}}.
// Style: custom properties --kick-surface, --kick-ink, --kick-accent, --kick-background, --kick-radius.

class KickSpin extends Stage {
  static observedAttributes = ['src', 'data-spin', 'base'];

  // ---- start and stop

  connectedCallback() {
    const shape = [this, this.querySelector('img')].find(element => element?.hasAttribute('height')) || this;
    this.running = true;
    this.view = this.goal = WHOLE;
    this.speed = 0;
    this.thrown = new Throw();
    this.stage.replaceChildren(make('slot'));
    this.ratio(shape.getAttribute('width'), shape.getAttribute('height'));
    if (this.hasAttribute('data-spin')) this.load();
    // Nothing is fetched until the element is near the viewport; nothing plays out of it.
    const observe = (rootMargin, act) => {
      const observer = new IntersectionObserver(seen => act(seen.pop().isIntersecting), { rootMargin });
      observer.observe(this);
      return observer;
    };
    const resized = new ResizeObserver(() => this.resize());
    resized.observe(this.stage);
    this.observers = [
      resized,
      observe('50%', near => near && this.approach()),
      observe('0px', seen => {
        this.seen = seen;
        this.wake();
      }),
    ];
  }

  disconnectedCallback() {
    this.running = this.near = this.told = false;
    this.listeners.clear();
    for (const observer of this.observers) observer.disconnect();
    cancelAnimationFrame(this.asked);
    clearTimeout(this.resting);
    this.asked = this.playing = this.moving = 0;
    this.frames?.stop();
    this.spin = this.frames = this.spots = null;
    this.stage.className = 'stage';
  }

  attributeChangedCallback(name, before, now) {
    if (!this.running || before === now) return;
    this.index = undefined;
    this.restart();
  }

  restart() {
    this.disconnectedCallback();
    this.connectedCallback();
  }

  async approach() {
    if (this.near) return;
    this.near = true;
    if (!this.spin) await this.load();
    this.frames?.start(navigator.connection?.saveData);
  }

  async load() {
    const src = this.getAttribute('src');
    const block = document.getElementById(this.getAttribute('data-spin'));
    const base = new URL(src || this.getAttribute('base') || '', document.baseURI).href;
    try {
      const spin = src ? await readSpin(base) : JSON.parse(block.textContent);
      if (!this.running || this.spin || this.getAttribute('src') !== src) return;
      this.turn = new Turn(spin.frames, spin.closed, spin.turn);
      this.frames = new Frames(spin, base, this.turn, index => this.arrived(index));
      this.begin(spin);
    } catch {
      if (this.running) this.complain();
    }
  }

  begin(spin) {
    const { stage, canvas, turn } = this;
    const labels = (this.labels = { ...ENGLISH, ...spin.labels });
    this.buttons = {};
    const group = actions => {
      const element = make('div', { class: 'group' });
      for (const name in actions) {
        element.append((this.buttons[name] = makeButton(name, labels)));
        this.listeners.add(this.buttons[name], 'click', actions[name]);
      }
      return element;
    };
    const turning = { left: () => this.glide(-30), play: () => this.toggle(), right: () => this.glide(30) };
    const viewing = { farther: () => this.zoom(1 / 1.6), nearer: () => this.zoom(1.6), fill: () => this.fill() };
    this.rim = make('div', { class: 'rim' });
    this.rim.style.width = 100 / turn.count + '%';
    const bar = make('div', { class: 'bar' }, group(turning), group(viewing), this.rim);
    this.buttons.fill.hidden = !document.fullscreenEnabled && window.parent !== window;
    this.spin = spin;
    this.spots = new Hotspots(spin.hotspots || [], labels, canvas, () => this.touch());
    this.ratio(spin.width, spin.height);
    if (spin.labels) stage.lang = spin.language;
    setAttributes(canvas, { 'aria-valuemax': turn.count - 1, 'aria-label': fillIn(labels.turn, spin) });
    stage.append(canvas, this.spots.layer, bar, this.spots.note);
    this.position = turn.angles[this.index ?? this.frames.home];
    this.index = undefined;
    this.listen();
    this.resize();
    this.update();
    this.tell();
    if (this.hasAttribute('autoplay') && !this.still.matches) this.play();
  }

  listen() {
    const { canvas } = this;
    const hear = (target, type, heard, options) => this.listeners.add(target, type, heard, options);
    hear(canvas, 'keydown', event => this.key(event));
    hear(canvas, 'wheel', event => this.wheel(event), { passive: false });
    hear(document, 'fullscreenchange', () => this.filled());
    hear(window, 'message', event => this.message(event));
    this.still = matchMedia('(prefers-reduced-motion: reduce)');
    hear(this.still, 'change', () => this.pause());
    this.spots.listen(this.listeners);
    new Pointers(canvas, this.listeners, {
      press: () => this.touch(),
      drag: (dx, dy, ms) => this.drag(dx, dy, ms),
      release: (ms, thrown) => this.release(ms, thrown),
      pinch: (ratio, x, y, dx, dy) => this.zoom(ratio, this.centre(x, y), [dx, dy]),
      tap: (x, y, twice) => this.tap(this.centre(x, y), twice),
    });
  }

  // ---- what the visitor does

  // Any touch ends what moves by itself.
  touch() {
    this.pause();
    this.speed = 0;
    this.aim = null;
    this.thrown.clear();
    this.frames.touch();
  }

  drag(dx, dy, ms) {
    this.stage.classList.add('held');
    if (this.view.scale > 1) return this.pan(dx, dy, true);
    this.turnTo(this.position + this.turn.degrees(dx, this.picture.width));
    this.thrown.add(this.position, ms);
    this.frames.turns(Math.abs(this.thrown.speed(ms)) > PLAY_SPEED);
  }

  release(ms, thrown) {
    this.stage.classList.remove('held');
    if (thrown && !this.still.matches) this.speed = this.thrown.speed(ms);
    if (this.goal.scale < 1.05) this.look(WHOLE); // a hair's breadth of zoom would only stop the turning
    this.wake();
  }

  // Twice: zoom in there, or out again. Once, zoomed: that point to the middle, as dragging would bring it.
  tap(at, twice) {
    if (twice) this.zoom(this.view.scale > 1 ? 0 : 2.5, at);
    else if (this.view.scale > 1) this.pan(-at.x, -at.y);
  }

  key(event) {
    const [verb, amount, down] = keyMeaning(event, this.turn.count, this.view.scale > 1);
    if (verb === 'play') this.toggle();
    else if (verb === 'zoom') this.zoom(amount);
    else if (verb === 'pan') this.pan(-amount * 60, -down * 60);
    else if (verb === 'show') this.frame = amount;
    else if (verb === 'step') this.frame = this.turn.step(this.index, amount);
    else if (verb !== 'escape' || (!this.spots.close() && this.goal === WHOLE)) return;
    else this.look(WHOLE);
    event.preventDefault();
  }

  wheel(event) {
    if (!event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    this.touch();
    this.zoom(Math.exp(-event.deltaY / 200), this.centre(event.clientX, event.clientY), [0, 0]);
  }

  // A button's turn: the near side goes left (-) or right (+).
  glide(degrees) {
    const goal = this.turn.hold((this.aim ?? this.position) + this.turn.sign * degrees);
    this.touch();
    if (this.still.matches) return this.turnTo(goal);
    this.aim = goal;
    this.wake();
  }

  // ratio 0: the whole picture again. `moved` [dx, dy]: a gesture, followed at once, not glided to.
  zoom(ratio, at = WHOLE, moved) {
    const most = mostZoom(Math.max(...this.frames.widths), this.picture.width, this.density);
    this.look(ratio ? zoomAt(this.goal, ratio, at, most) : WHOLE, moved);
    if (moved) this.pan(...moved, true);
  }

  pan(dx, dy, atOnce) {
    const { scale, x, y } = this.goal;
    this.look({ scale, x: x + dx, y: y + dy }, atOnce);
  }

  look(view, atOnce) {
    const zoomed = view.scale > 1.0001;
    this.goal = zoomed ? holdView(view, this.box, this.picture) : WHOLE;
    if (atOnce || this.still.matches) this.view = this.goal;
    this.stage.classList.toggle('zoomed', zoomed);
    this.buttons.farther.disabled = !zoomed;
    this.wake();
  }

  fill() {
    if (document.fullscreenElement) document.exitFullscreen();
    else if (document.fullscreenEnabled) this.requestFullscreen().catch(() => {});
    else this.filled(!this.stage.matches('.filling'));
  }

  // Where a browser has no full screen for elements, the stage fills the window instead.
  filled(filling = false) {
    this.stage.classList.toggle('filling', filling);
    dress(this.buttons.fill, filling || document.fullscreenElement === this ? 'leave' : 'fill', this.labels);
  }

  toggle() {
    if (this.playing) this.pause();
    else this.play();
  }

  // ---- for the page around

  get frame() {
    return this.index;
  }

  set frame(index) {
    const angle = this.turn?.angles[index];
    if (!this.spin || angle === undefined) return;
    this.touch();
    this.turnTo(angle);
  }

  get angle() {
    return this.turn?.angles[this.index];
  }

  get count() {
    return this.turn?.count;
  }

  turnTo(degrees) {
    if (!this.spin) return;
    this.position = this.turn.hold(degrees);
    this.update();
    this.wake();
  }

  play() {
    if (!this.spin) return;
    this.touch();
    this.playing = 1;
    dress(this.buttons.play, 'pause', this.labels);
    this.wake();
  }

  pause() {
    if (!this.spin) return;
    this.playing = 0;
    dress(this.buttons.play, 'play', this.labels);
  }

  showHotspot(id) {
    const mark = this.spots?.marks.find(one => one.spot.id === id);
    if (!mark) return;
    this.frame = bestFrame(mark.spot.places, this.turn);
    this.spots.show(mark);
  }

  // Opened by itself, our page has nobody around: it would answer its own messages for ever.
  get framed() {
    return this.hasAttribute('embed') && window.parent !== window;
  }

  // To the page around our own <iframe>, at the start and when asked by {kind: 'kick-spin'}: the shape,
  // nothing else.
  tell() {
    if (!this.framed) return;
    const { slug, width, height } = this.spin;
    window.parent.postMessage({ kind: 'kick-spin', slug, aspect: width / height }, '*');
  }

  message({ data, source }) {
    if (!this.framed || source !== window.parent || data?.kind !== 'kick-spin') return;
    if (Number.isInteger(data.frame)) this.frame = data.frame;
    else this.tell();
  }
}
