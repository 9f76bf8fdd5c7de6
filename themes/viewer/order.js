// Which pictures to fetch, and in what order. Pure: no page.

// Bit-reversed: home first, then half way round, then the quarters, … so that what has arrived so far is
// always spread evenly over the turn. A frame's level is the greatest power of two in its distance from home.
// Within a level the nearest to the frame now shown comes first, and that one before all.
function loadingOrder(wanted, turn, home, current) {
  const level = index => {
    const from = wrap(index - home, turn.count);
    return from ? from & -from : turn.count;
  };
  const near = index => turn.between(index, current);
  return wanted.sort((a, b) => !near(b) - !near(a) || level(b) - level(a) || near(a) - near(b));
}

// The narrowest width that is enough for `needPx` device pixels (a tenth short is not seen).
function enough(widths, needPx) {
  return Math.min(...widths.filter(width => width >= needPx * 0.9), Math.max(...widths));
}
