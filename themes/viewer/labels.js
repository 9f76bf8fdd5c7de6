// What the viewer says. English is built in; another language travels with the spin's data
// ("labels" and "language"), so that no further request is needed.

const ENGLISH = {
  turn: 'Turn: {title}',
  position: 'View {n} of {count}, {deg} degrees',
  left: 'Turn left',
  right: 'Turn right',
  play: 'Play',
  pause: 'Pause',
  nearer: 'Zoom in',
  farther: 'Zoom out',
  fill: 'Full screen',
  leave: 'Leave full screen',
  close: 'Close note',
  broken: 'The pictures could not be loaded.',
  again: 'Try again',
};

function fillIn(text, values) {
  return text.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
}
