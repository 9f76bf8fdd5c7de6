// Degrees and frames. Pure: no page, no clock.
// A position is in degrees of the spin's own scale: the angle_deg of its frames, which grows with
// the frame. On a closed spin it may run past 360 or below 0; on a part turn it is held at the ends.

const wrap = (value, size) => ((value % size) + size) % size;

class Turn {
  constructor(frames, closed, turn) {
    const count = frames.length;
    this.angles = frames.map((frame, index) => frame.angle_deg ?? (index * 360) / count);
    this.count = count;
    this.closed = closed !== false;
    // Counterclockwise seen from above brings the near side to the right as the frames advance.
    this.sign = turn === 'clockwise' ? -1 : 1;
  }

  hold(position) {
    return this.closed ? position : Math.min(Math.max(position, this.angles[0]), this.angles[this.count - 1]);
  }

  // Degrees between a position and a frame, the short way round.
  apart(position, index) {
    const gap = this.angles[index] - position;
    return Math.abs(this.closed ? wrap(gap + 180, 360) - 180 : gap);
  }

  // The frame nearest in true angle, so that uneven steps are shown where they belong.
  frameAt(position) {
    let best = 0;
    for (let index = 1; index < this.count; index++) {
      if (this.apart(position, index) < this.apart(position, best)) best = index;
    }
    return best;
  }

  // The frame `by` frames on: round and round, or to the end of a part turn.
  step(index, by) {
    return this.closed ? wrap(index + by, this.count) : Math.min(Math.max(index + by, 0), this.count - 1);
  }

  // Frames between two frames, the short way round.
  between(one, other) {
    const gap = Math.abs(one - other);
    return this.closed ? Math.min(gap, this.count - gap) : gap;
  }

  // A finger that crosses the picture's whole width turns the object half round: what it took
  // hold of at one edge of the silhouette then arrives with it at the other.
  degrees(movedPx, pictureWidthPx) {
    return (this.sign * movedPx * 180) / pictureWidthPx;
  }
}
