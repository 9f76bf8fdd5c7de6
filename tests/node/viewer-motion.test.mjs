import assert from 'node:assert/strict';
import { test } from 'node:test';
import { declared } from './viewer-sources.mjs';

const { Throw, coast, slowed, nearing, SLOWING_MS, SLOWEST, FASTEST, PAUSE_MS } = declared(
  ['motion.js'], 'Throw, coast, slowed, nearing, SLOWING_MS, SLOWEST, FASTEST, PAUSE_MS');

function thrownFrom(speed, frameMs) {
  let position = 0;
  let ms = 0;
  while (Math.abs(speed) > SLOWEST) {
    position += coast(speed, frameMs);
    speed = slowed(speed, frameMs);
    ms += frameMs;
  }
  return { position, ms };
}

test('a throw rests at the same place at 30, 60, 120 and 144 Hz', () => {
  const rests = [30, 60, 120, 144].map(hertz => thrownFrom(0.6, 1000 / hertz));
  for (const rest of rests) {
    // they stop at the first frame below the slowest speed: at most one frame's way apart
    assert.ok(Math.abs(rest.position - rests[1].position) < SLOWEST * 34, `${rest.position}`);
    assert.ok(Math.abs(rest.ms - rests[1].ms) < 34);
  }
});

test('slowing composes: one step of 50 ms is five of 10 ms', () => {
  let position = 0;
  let speed = -0.8;
  for (let step = 0; step < 5; step++) {
    position += coast(speed, 10);
    speed = slowed(speed, 10);
  }
  assert.ok(Math.abs(position - coast(-0.8, 50)) < 1e-12);
  assert.ok(Math.abs(speed - slowed(-0.8, 50)) < 1e-12);
});

test('the way coasted is the integral of the speed', () => {
  // Numerical integration of v·exp(-t/τ), midpoint rule; the closed form is school calculus.
  let sum = 0;
  for (let ms = 0.05; ms < 400; ms += 0.1) sum += 0.5 * Math.exp(-ms / SLOWING_MS) * 0.1;
  assert.ok(Math.abs(sum - coast(0.5, 400)) < 1e-4);
  assert.ok(Math.abs(coast(0.5, 1e9) - 0.5 * SLOWING_MS) < 1e-9);
});

test('speed at release is that of the last movement', () => {
  const thrown = new Throw();
  for (let ms = 0; ms <= 300; ms += 10) thrown.add(ms < 200 ? 0 : (ms - 200) * 0.4, ms); // still, then 0.4 deg/ms
  assert.ok(Math.abs(thrown.speed(305) - 0.4) < 1e-9);
});

test('a rest before lifting, a single sample or none throws nothing', () => {
  const thrown = new Throw();
  assert.equal(thrown.speed(0), 0);
  thrown.add(10, 0);
  assert.equal(thrown.speed(1), 0);
  thrown.add(20, 10);
  assert.ok(thrown.speed(10 + PAUSE_MS) > 0);
  assert.equal(thrown.speed(11 + PAUSE_MS), 0);
  thrown.clear();
  assert.equal(thrown.speed(11), 0);
});

test('two samples of one moment throw nothing, and no throw is faster than the fastest', () => {
  const thrown = new Throw();
  thrown.add(0, 5);
  thrown.add(90, 5);
  assert.equal(thrown.speed(5), 0);
  thrown.add(900, 6);
  assert.equal(thrown.speed(6), FASTEST);
  thrown.clear();
  thrown.add(0, 0);
  thrown.add(-900, 1);
  assert.equal(thrown.speed(1), -FASTEST);
});

test('a glide gets as near in two short frames as in one long', () => {
  assert.ok(Math.abs((1 - nearing(8)) * (1 - nearing(8)) - (1 - nearing(16))) < 1e-12);
});
