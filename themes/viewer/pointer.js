// Press, move, release -> pixels moved. Mouse, touch and pen alike; has never heard of a frame.
// Tells `on`: press(), drag(dx, dy, ms), release(ms, thrown), pinch(ratio, x, y, dx, dy), tap(x, y, twice).
// x and y are client coordinates.

const SLACK_PX = 4; // a press that moves less is a tap
const TWICE_MS = 350; // between the taps of a double tap
const TWICE_PX = 30;

class Pointers {
  constructor(target, listeners, on) {
    this.target = target;
    this.on = on;
    this.down = new Map();
    this.tapped = { ms: -1e9 };
    const listen = (type, heard) => listeners.add(target, type, heard);
    listen('pointerdown', event => this.press(event));
    listen('pointermove', event => this.move(event));
    listen('pointerup', event => this.release(event, true));
    listen('pointercancel', event => this.release(event, false));
    // Two fingers are a pinch from the start, or the browser would scroll with them.
    const pinching = event => event.touches.length > 1 && event.preventDefault();
    listeners.add(target, 'touchstart', pinching, { passive: false });
  }

  press(event) {
    if (event.button || this.down.size > 1) return;
    try {
      this.target.setPointerCapture(event.pointerId);
    } catch {
      // the pointer is gone already; its moves end with it
    }
    this.down.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (this.down.size === 1) this.moved = false;
    else {
      if (this.moved) this.on.release(event.timeStamp, false);
      this.moved = true;
    }
    this.on.press();
  }

  move(event) {
    const last = this.down.get(event.pointerId);
    if (!last) return;
    // A mouse that comes back without its button was released where we couldn't see it.
    if (!event.buttons) return this.release(event, false);
    const dx = event.clientX - last.x;
    const dy = event.clientY - last.y;
    const before = this.spread();
    if (!this.moved && Math.hypot(dx, dy) < SLACK_PX) return;
    last.x = event.clientX;
    last.y = event.clientY;
    if (this.down.size > 1) {
      const now = this.spread();
      this.on.pinch(now.length / before.length, now.x, now.y, dx / 2, dy / 2);
    } else if (this.moved) this.on.drag(dx, dy, event.timeStamp);
    else this.moved = true;
  }

  spread() {
    const [one, other = one] = this.down.values();
    return {
      length: Math.hypot(one.x - other.x, one.y - other.y) || 1,
      x: (one.x + other.x) / 2,
      y: (one.y + other.y) / 2,
    };
  }

  release(event, thrown) {
    if (!this.down.delete(event.pointerId) || this.down.size) return;
    if (this.moved) this.on.release(event.timeStamp, thrown);
    else if (thrown) this.tap(event.clientX, event.clientY, event.timeStamp);
  }

  tap(x, y, ms) {
    const last = this.tapped;
    const twice = ms - last.ms < TWICE_MS && Math.hypot(x - last.x, y - last.y) < TWICE_PX;
    this.tapped = twice ? { ms: -1e9 } : { x, y, ms };
    this.on.tap(x, y, twice);
  }
}
