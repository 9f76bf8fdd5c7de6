// Where the picture lies in its box: fitted, scaled and moved. Pure: no page.
// A view is {scale, x, y}: x and y move the picture's centre off the box's, in CSS px.

const WHOLE = { scale: 1, x: 0, y: 0 };

// Size of a picture that just fits a box.
function fit(box, { width, height }) {
  const scale = Math.min(box.width / width, box.height / height);
  return { width: width * scale, height: height * scale };
}

// No further off the middle than that the picture still fills what it can of the box.
function holdView({ scale, x, y }, box, picture) {
  const hold = (value, side) => {
    const reach = Math.max(0, (picture[side] * scale - box[side]) / 2);
    return Math.min(Math.max(value, -reach), reach);
  };
  return { scale, x: hold(x, 'width'), y: hold(y, 'height') };
}

// Scale so that the point `at`, measured from the box's centre, stays where it is.
function zoomAt(view, ratio, at, most) {
  const scale = Math.min(Math.max(view.scale * ratio, 1), most);
  const by = scale / view.scale;
  return { scale, x: at.x - (at.x - view.x) * by, y: at.y - (at.y - view.y) * by };
}

// Useful up to 1.5 device pixels for a pixel of the widest frame, and twice in any case.
function mostZoom(widest, pictureWidth, density) {
  return Math.min(Math.max((1.5 * widest) / (pictureWidth * density), 2), 6);
}

// A share of the way from one view to another; the other itself when there.
function towards(view, goal, share) {
  const mix = key => view[key] + (goal[key] - view[key]) * share;
  const way = key => Math.abs(view[key] - goal[key]);
  if (way('scale') * 100 + way('x') + way('y') < 0.5) return goal;
  return { scale: mix('scale'), x: mix('x'), y: mix('y') };
}
