import assert from 'node:assert/strict';
import { test } from 'node:test';
import { declared } from './viewer-sources.mjs';

const { Turn, wrap } = declared(['turn.js'], 'Turn, wrap');
const spin = (angles, closed, turn) => new Turn(angles.map(angle_deg => ({ angle_deg })), closed, turn);
const even = count => Array.from({ length: count }, (_, index) => (index * 360) / count);

test('wrap is a true modulo, any number of turns back', () => {
  for (const [value, size, want] of [[-1, 36, 35], [-37, 36, 35], [-360.5, 360, 359.5], [720, 360, 0], [5, 36, 5]]) {
    assert.equal(wrap(value, size), want);
  }
});

test('the frame nearest in true angle, over the seam and for several turns', () => {
  const turn = spin(even(36));
  for (const [position, want] of [[0, 0], [4.9, 0], [5.1, 1], [354.9, 35], [355.1, 0], [-10, 35], [3605, 0], [3606, 1], [-725, 0], [-726, 35]]) {
    assert.equal(turn.frameAt(position), want, `${position}`);
  }
});

test('uneven steps are shown at their true angles', () => {
  const turn = spin([0, 10, 40, 41, 200]);
  assert.deepEqual([5.1, 24, 26, 40.6, 120, 121, 279, 281].map(at => turn.frameAt(at)), [1, 1, 2, 3, 3, 4, 4, 0]);
});

test('a part turn stops at its ends', () => {
  const turn = spin([0, 30, 60, 90], false);
  assert.equal(turn.hold(-20), 0);
  assert.equal(turn.hold(400), 90);
  assert.equal(turn.frameAt(turn.hold(400)), 3);
  assert.equal(turn.step(3, 1), 3);
  assert.equal(turn.step(0, -5), 0);
  assert.equal(turn.between(0, 3), 3);
});

test('a closed spin goes round', () => {
  const turn = spin(even(24));
  assert.equal(turn.step(23, 1), 0);
  assert.equal(turn.step(0, -25), 23);
  assert.equal(turn.between(1, 23), 2);
  assert.equal(turn.hold(1000), 1000);
});

test('a finger across the picture turns the object half round, the near side with it', () => {
  // counterclockwise seen from above: the near side moves right as frames advance
  assert.equal(spin(even(4), true, 'counterclockwise').degrees(200, 200), 180);
  assert.equal(spin(even(4), true, 'clockwise').degrees(200, 200), -180);
  assert.equal(spin(even(4), true, null).degrees(-100, 400), -45);
});

test('angles that could not be measured are taken as even', () => {
  const turn = new Turn([{}, { angle_deg: null }, {}, {}], true, null);
  assert.deepEqual([...turn.angles], [0, 90, 180, 270]);
});
