import assert from 'node:assert/strict';
import { test } from 'node:test';
import { declared } from './viewer-sources.mjs';

const { fit, holdView, zoomAt, mostZoom, towards, WHOLE } = declared(['view.js'], 'fit, holdView, zoomAt, mostZoom, towards, WHOLE');
const box = { width: 400, height: 300 };
const same = (found, want) => assert.deepEqual({ ...found }, want);

test('a picture fits its box, as wide or as high as it', () => {
  same(fit(box, { width: 1600, height: 1200 }), { width: 400, height: 300 });
  same(fit(box, { width: 100, height: 100 }), { width: 300, height: 300 });
  same(fit(box, { width: 1000, height: 100 }), { width: 400, height: 40 });
});

test('zooming leaves the point under the finger where it is', () => {
  const at = { x: 70, y: -40 };
  const before = { scale: 1.5, x: 12, y: -8 };
  const after = zoomAt(before, 1.7, at, 6);
  for (const axis of ['x', 'y']) {
    const onPicture = (at[axis] - before[axis]) / before.scale;
    assert.ok(Math.abs((at[axis] - after[axis]) / after.scale - onPicture) < 1e-12);
  }
});

test('never under the whole picture, never over the most', () => {
  assert.equal(zoomAt(WHOLE, 0.2, WHOLE, 4).scale, 1);
  assert.equal(zoomAt({ scale: 3, x: 0, y: 0 }, 5, WHOLE, 4).scale, 4);
  assert.equal(mostZoom(1600, 300, 1), 6);
  assert.equal(mostZoom(1600, 800, 2), 2);
  assert.equal(mostZoom(1600, 600, 1), 4);
});

test('a zoomed picture is not pulled out of its box', () => {
  same(holdView({ scale: 2, x: 900, y: -900 }, box, { width: 400, height: 300 }), { scale: 2, x: 200, y: -150 });
  same(holdView({ scale: 1, x: 9, y: 9 }, box, { width: 300, height: 300 }), { scale: 1, x: 0, y: 0 });
});

test('a glide of the view ends at its goal itself', () => {
  const goal = { scale: 2.5, x: 30, y: 10 };
  let view = WHOLE;
  for (let step = 0; step < 60 && view !== goal; step++) view = towards(view, goal, 0.2);
  assert.equal(view, goal);
});
