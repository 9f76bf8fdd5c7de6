// Buttons and their pictures. Made node by node: a strict policy of the page may forbid HTML from text.

const ICONS = {
  left: 'M4 11c0-6 16-6 16 0 0 3-4 4.5-8 4.5H8M11 12l-3.5 3.5L11 19',
  right: 'M20 11c0-6-16-6-16 0 0 3 4 4.5 8 4.5h4M13 12l3.5 3.5L13 19',
  play: 'M8.5 6v12l9.5-6z',
  pause: 'M9 6v12M15 6v12',
  nearer: 'M12 6v12M6 12h12',
  farther: 'M6 12h12',
  fill: 'M5 9V5h4M15 5h4v4M19 15v4h-4M9 19H5v-4',
  leave: 'M7 7l10 10M17 7L7 17',
  close: 'M7 7l10 10M17 7L7 17',
};

function make(tag, attributes, ...children) {
  const element = document.createElement(tag);
  setAttributes(element, attributes);
  element.append(...children);
  return element;
}

function setAttributes(element, attributes) {
  for (const name in attributes) element.setAttribute(name, attributes[name]);
}

// Gives a button another picture and name.
function dress(button, name, labels) {
  if (button.name === name) return;
  button.name = name;
  button.title = labels[name];
  setAttributes(button, { 'aria-label': labels[name] });
  setAttributes(button.querySelector('path'), { d: ICONS[name] });
}

function makeButton(name, labels) {
  const [svg, path] = ['svg', 'path'].map(tag => document.createElementNS('http://www.w3.org/2000/svg', tag));
  setAttributes(svg, { viewBox: '0 0 24 24', 'aria-hidden': true });
  svg.append(path);
  const button = make('button', { type: 'button' }, svg);
  dress(button, name, labels);
  return button;
}
