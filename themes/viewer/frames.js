// The pictures of a spin: the strip for the first turn, then each frame sharp, coarse to fine.
// Only decoded pictures are ever given out, so nothing blinks. They are decoded at the size drawn, so that
// drawing is copying, and held within a budget: those round the current frame; for the rest the strip
// stands in. The encoded files stay with their <img>, so that a picture let go comes back without the
// network.
// Files are decoded off the main thread, but Chromium decodes an <img> once more where it makes a bitmap
// of it (15 ms at 1600 px): each in a task of its own, so that taps and keys get through, and while the
// object turns fast, that waits and the strip stands in.

const AT_ONCE = 4; // requests under way
const TRIES = 2;
const BUDGET_BYTES = 80e6; // of decoded frames, 4 bytes a pixel: 36 of 4:3 on a phone 412 px wide, density 2

class Frames {
  constructor(spin, base, turn, changed) {
    Object.assign(this, { spin, base, turn, changed });
    this.home = this.current = spin.home || 0;
    this.widths = spin.sources.map(source => source.width);
    this.indices = spin.frames.map((_, index) => index);
    this.px = this.width = 0; // width as drawn and of the files, device px
    this.sharp = []; // a frame each: {width, px, img, bitmap}
    this.failed = []; // a frame each: how often
    this.busy = new Set(); // indices under way
    this.loading = new Set(); // <img> under way
  }

  // frugal: sharp frames wait for the first touch.
  async start(frugal) {
    const { strip } = this.spin;
    this.frugal = frugal;
    const take = sheet => (this.sheet = sheet);
    try {
      const files = [['image/avif', strip.avif], ['image/webp', strip.file]].filter(([, file]) => file);
      const img = await this.fetch(files, 'high');
      take(img); // turns with the decoded <img>, and with a bitmap of our own as soon as there is one
      this.decode(img, take).catch(() => {});
    } catch {
      // no strip: sharp frames will do
    }
    if (this.stopped) return;
    this.started = true;
    this.done();
  }

  done(index) {
    if (this.stopped) return;
    this.changed(index);
    this.pump();
  }

  stop() {
    this.stopped = true;
    this.started = false;
    for (const img of this.loading) {
      img.remove();
      img.src = '';
    }
    for (const picture of this.sharp) free(picture?.bitmap);
    free(this.wide);
    free(this.sheet);
  }

  // The frame in view moved on.
  show(index) {
    this.current = index;
    this.pump();
  }

  // How many device pixels wide the picture is drawn. Growing, it takes wider files and decodes larger.
  need(px) {
    this.px = Math.max(this.px, px);
    this.width = Math.max(this.width, enough(this.widths, px));
    this.pump();
  }

  touch() {
    this.frugal = false;
    this.turns(false);
  }

  turns(fast) {
    this.fast = fast;
    this.pump();
  }

  // Frames held decoded, the nearest to this one first.
  held(index) {
    const held = this.indices.filter(other => this.sharp[other]?.bitmap);
    return held.sort((a, b) => this.turn.between(a, index) - this.turn.between(b, index));
  }

  get ready() {
    return this.sheet || this.held(0).length > 1;
  }

  get broken() {
    const lost = this.failed.filter(tries => tries >= TRIES);
    return lost.length > 1 && !this.sheet && !this.sharp.length;
  }

  // How many frames may be held decoded, at the size drawn.
  get room() {
    const width = Math.min(this.width, this.px);
    return Math.max(3, Math.floor(BUDGET_BYTES / (4 * width * this.height(width))));
  }

  height(width) {
    return Math.round((width * this.spin.height) / this.spin.width);
  }

  // Whether a frame is to be decoded now.
  near(index) {
    if (this.fast) return false;
    return this.room >= this.turn.count || 2 * this.turn.between(index, this.current) < this.room;
  }

  // What to draw for a frame: [picture, x, y, width, height of the part to take], or nothing yet.
  best(index) {
    const { sheet, sharp, wide } = this;
    const { columns, width, height } = this.spin.strip || {};
    let whole = wide?.index === index ? wide : sharp[index]?.bitmap;
    if (!sheet) whole ||= sharp[this.held(index)[0]]?.bitmap;
    if (whole) return [whole, 0, 0, whole.width, whole.height];
    return sheet && [sheet, (index % columns) * width, Math.floor(index / columns) * height, width, height];
  }

  wants(index) {
    const picture = this.sharp[index];
    if (this.busy.has(index) || this.failed[index] >= TRIES) return false;
    return !(picture?.width >= this.width) || ((!picture.bitmap || picture.px < this.px) && this.near(index));
  }

  pump() {
    while (this.started && !this.frugal && this.busy.size < AT_ONCE) {
      const wanted = this.indices.filter(index => this.wants(index));
      if (!wanted.length) return;
      this.sharpen(loadingOrder(wanted, this.turn, this.home, this.current)[0]);
    }
  }

  async sharpen(index) {
    const { width, px, sharp } = this;
    const before = sharp[index];
    this.busy.add(index);
    try {
      const img = before?.width >= width ? before.img : await this.fetch(this.files(index, width), 'low');
      const take = bitmap => {
        free(before?.bitmap);
        sharp[index] = { width, px, img, bitmap };
      };
      const size = px < width ? { resizeWidth: px, resizeHeight: this.height(px), resizeQuality: 'medium' } : {};
      if (this.near(index)) await this.decode(img, take, size);
      else if (!this.stopped) take();
      // Lets go of the farthest while there are too many.
      for (const other of this.held(this.current).slice(this.room)) {
        free(sharp[other].bitmap);
        sharp[other].bitmap = null;
      }
    } catch {
      this.failed[index] = (this.failed[index] || 0) + 1;
    }
    this.busy.delete(index);
    this.done(index);
  }

  // The widest picture of one frame, for a zoomed view that has come to rest.
  async widen(index) {
    const width = Math.max(...this.widths);
    const held = this.sharp[index];
    if (this.wide?.index === index || held?.bitmap?.width >= width) return;
    const loading = held?.width >= width ? held.img : this.fetch(this.files(index, width), 'high');
    const take = bitmap => {
      free(this.wide);
      this.wide = bitmap;
      bitmap.index = index;
      this.changed(index);
    };
    await this.decode(loading, take).catch(() => {});
  }

  // [[type, file]…] of a frame at a width, best format first.
  files(index, width) {
    const fitting = this.spin.sources.filter(source => source.width === width);
    return fitting.map(source => ['image/' + source.format, source.files[index]]);
  }

  // The browser chooses the format: a <picture> does so off the page, too.
  async fetch(files, fetchpriority) {
    const address = file => new URL(file, this.base).href;
    const img = make('img', { fetchpriority });
    const sources = files.map(([type, file]) => make('source', { type, srcset: address(file) }));
    make('picture', {}, ...sources, img);
    this.loading.add(img);
    img.src = address(files.pop()[1]);
    try {
      await img.decode();
    } finally {
      this.loading.delete(img);
    }
    return img;
  }

  // Decoded off the page: an ImageBitmap is ours to hold and to let go.
  async decode(loading, take, size) {
    const img = await loading;
    await img.decode();
    await new Promise(setTimeout);
    let bitmap = img;
    try {
      bitmap = await createImageBitmap(img, size);
    } catch {
      // a browser that can't: the <img> itself is drawn
    }
    if (this.stopped) free(bitmap);
    else take(bitmap);
  }
}

function free(bitmap) {
  bitmap?.close?.();
}
