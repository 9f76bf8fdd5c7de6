import assert from 'node:assert/strict';
import { test } from 'node:test';
import { declared } from './viewer-sources.mjs';

const { loadingOrder, enough, Turn, keyMeaning, fillIn, ENGLISH, bestFrame } = declared(
  ['labels.js', 'turn.js', 'order.js', 'keys.js', 'hotspots.js'],
  'loadingOrder, enough, Turn, keyMeaning, fillIn, ENGLISH, bestFrame');
const spin = (count, closed = true) => new Turn(Array.from({ length: count }, (_, index) => ({ angle_deg: index * 5 })), closed);
const order = (count, home, current, closed) =>
  [...loadingOrder(Array.from({ length: count }, (_, index) => index), spin(count, closed), home, current)];

test('each frame once, whatever the number', () => {
  for (const count of [2, 3, 7, 24, 36, 72, 100]) {
    assert.deepEqual(order(count, 1, 1).sort((a, b) => a - b), Array.from({ length: count }, (_, index) => index));
  }
});

test('coarse to fine: of 16 frames the halves, the quarters, the eighths', () => {
  const found = order(16, 0, 0);
  assert.equal(found[0], 0);
  assert.equal(found[1], 8);
  assert.deepEqual(found.slice(2, 4).sort((a, b) => a - b), [4, 12]);
  assert.deepEqual(found.slice(4, 8).sort((a, b) => a - b), [2, 6, 10, 14]);
  assert.ok(found.slice(8).every(index => index % 2));
});

test('the levels are those of bit-reversed counting', () => {
  // Cooley and Tukey's order of decimation: reverse the bits of 0, 1, 2, …; level = bit length of the counter.
  const reversed = Array.from({ length: 32 }, (_, place) => parseInt(place.toString(2).padStart(5, '0').split('').reverse().join(''), 2));
  const found = order(32, 0, 0);
  for (const [from, to] of [[0, 1], [1, 2], [2, 4], [4, 8], [8, 16], [16, 32]]) {
    assert.deepEqual(found.slice(from, to).sort((a, b) => a - b), reversed.slice(from, to).sort((a, b) => a - b));
  }
});

test('the frame under the finger comes first, then near ones within a level', () => {
  const found = order(36, 0, 19);
  assert.equal(found[0], 19);
  assert.deepEqual(found.slice(1, 4), [0, 32, 16]); // home, then the 32nd and 16th from it
  const fours = found.filter(index => index % 8 === 4);
  const gaps = fours.map(index => Math.min(Math.abs(index - 19), 36 - Math.abs(index - 19)));
  assert.deepEqual(gaps, [...gaps].sort((a, b) => a - b));
});

test('what has arrived is spread evenly: no gap over twice the mean', () => {
  const found = order(64, 5, 5);
  for (let arrived = 2; arrived <= 64; arrived *= 2) {
    const here = found.slice(0, arrived).sort((a, b) => a - b);
    const gaps = here.map((index, place) => (here[(place + 1) % arrived] - index + 64) % 64 || 64);
    assert.ok(Math.max(...gaps) <= 64 / arrived, `${arrived}: ${gaps}`);
  }
});

test('the narrowest width that is enough', () => {
  const widths = [1600, 480, 960];
  assert.equal(enough(widths, 100), 480);
  assert.equal(enough(widths, 530), 480);
  assert.equal(enough(widths, 540), 960);
  assert.equal(enough(widths, 1200), 1600);
  assert.equal(enough(widths, 5000), 1600);
});

test('keys mean what the ARIA slider pattern says', () => {
  const meaning = (key, more) => [...keyMeaning({ key, ...more }, 36, more?.zoomed)];
  assert.deepEqual(['ArrowRight', 'ArrowUp', 'ArrowLeft', 'ArrowDown'].map(key => meaning(key)[1]), [1, 1, -1, -1]);
  assert.deepEqual(meaning('PageUp'), ['step', 3]);
  assert.deepEqual(meaning('PageDown'), ['step', -3]);
  assert.deepEqual(meaning('Home'), ['show', 0]);
  assert.deepEqual(meaning('End'), ['show', 35]);
  for (const key of ['Tab', 'Enter', 'a', 'F5']) assert.deepEqual(meaning(key), []);
  for (const held of ['ctrlKey', 'altKey', 'metaKey']) assert.deepEqual(meaning('ArrowRight', { [held]: true }), []);
  assert.deepEqual(meaning('ArrowUp', { shiftKey: true, zoomed: true }), ['pan', 0, -1]);
  assert.deepEqual(meaning('ArrowUp', { shiftKey: true }), ['step', 1]);
});

test('a position in words', () => {
  assert.equal(fillIn(ENGLISH.position, { n: 7, count: 36, deg: 60 }), 'View 7 of 36, 60 degrees');
  assert.equal(fillIn('{title} {else}', { title: '$& <b>' }), '$& <b> {else}');
});

test('the middle of the longest run in sight', () => {
  const places = list => list.map(seen => (seen ? {} : null));
  assert.equal(bestFrame(places([1, 1, 0, 0, 0, 1, 1, 1]), spin(8)), 7);
  assert.equal(bestFrame(places([0, 1, 1, 1, 0, 1, 1]), spin(7, false)), 2);
  assert.equal(bestFrame(places([1, 1, 1, 1]), spin(4)), 2);
});
