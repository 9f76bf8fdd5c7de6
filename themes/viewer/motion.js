// Speed and slowing as arithmetic, time passed in. Pure: no page, no clock.
// Slowing is exponential and integrated exactly, so a throw rests at the same place at any frame rate.

const SLOWING_MS = 325; // time in which a throw loses 63 % of its speed
const MEMORY_MS = 100; // only the last movement before the release counts
const PAUSE_MS = 60; // a finger that rests so long before it lifts throws nothing
const FASTEST = 1.5; // deg/ms: 487 degrees of coasting
const SLOWEST = 0.012; // deg/ms: what is left to coast is under 4 degrees, less than half a usual step
const PLAY_SPEED = 0.09; // deg/ms: a turn in 4 s

const coast = (speed, ms) => speed * SLOWING_MS * (1 - Math.exp(-ms / SLOWING_MS));
const slowed = (speed, ms) => speed * Math.exp(-ms / SLOWING_MS);
// Share of the way to a goal covered in `ms`; for glides of buttons and zoom.
const nearing = ms => 1 - Math.exp(-ms / 70);

class Throw {
  samples = [];

  clear() {
    this.samples = [];
  }

  add(position, ms) {
    this.samples.push([position, ms]);
    while (this.samples[0][1] < ms - MEMORY_MS) this.samples.shift();
  }

  // deg/ms at the release
  speed(ms) {
    const first = this.samples[0];
    const last = this.samples[this.samples.length - 1];
    if (!first || last[1] === first[1] || ms - last[1] > PAUSE_MS) return 0;
    const speed = (last[0] - first[0]) / (last[1] - first[1]);
    return Math.max(-FASTEST, Math.min(FASTEST, speed));
  }
}
