// What a key on the slider means, after the ARIA slider pattern: right and up are the next frame,
// left and down the one before, Page Up and Page Down a larger step, Home and End the first and last.
// Returns [verb, amount] or []. Pure: no page.

function keyMeaning({ key, shiftKey, ctrlKey, altKey, metaKey }, count, zoomed) {
  if (ctrlKey || altKey || metaKey) return [];
  const across = (key === 'ArrowRight') - (key === 'ArrowLeft');
  const down = (key === 'ArrowDown') - (key === 'ArrowUp');
  if (across || down) return shiftKey && zoomed ? ['pan', across, down] : ['step', across - down];
  const page = Math.max(2, Math.round(count / 12)); // 30 degrees of a whole turn
  const meanings = {
    PageUp: ['step', page],
    PageDown: ['step', -page],
    Home: ['show', 0],
    End: ['show', count - 1],
    '+': ['zoom', 1.6],
    '-': ['zoom', 1 / 1.6],
    0: ['zoom', 0],
    ' ': ['play'],
    Escape: ['escape'],
  };
  return meanings[key] || [];
}
