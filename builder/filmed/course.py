"""How a film runs: when the picture changes and by how much, and small copies to tell places in it alike.

One pass over the film. Numbers are kept for every picture; copies are thinned out as the film goes on, so that
memory doesn't grow with its length.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from builder.frames.footage import FilmPicture

SMALL_SIDE = 160  # px: a turn of a degree moves the rim by half a pixel or so, a whole step by several
MOST_COPIES = 2400  # kept at a time: 35 MB
LEAST_LEVELS = 2.0  # of 255: a smaller difference of two pixels is coding noise
REST_S = 1.0  # what stands still for so long is at rest
MOVING_SHARE = 0.1  # of the usual speed: more is movement for certain
STILL_TIMES = 2.0  # times the film's quietest second: no more than what coding makes of a picture at rest
FEWEST_CHANGES = 8  # pictures that differ from the one before: fewer is no turn


@dataclass(frozen=True)
class Course:
    """times: (n,) seconds. change: (n,) about how far things moved since the picture before, px of the copies.

    copies: uint8 (m, h, w) small grey copies; places: (m,) which pictures they are of.
    """

    times: np.ndarray
    change: np.ndarray
    copies: np.ndarray
    places: np.ndarray

    @property
    def run(self) -> np.ndarray:
        """(n,) change added up: how far the picture has come. Grows with the angle, whatever the speed."""
        return np.cumsum(self.change)

    def moving_part(self) -> tuple[int, int] | None:
        """First and last picture of the turning, standstill before and after left out; None: nothing turns.

        From the first to the last place that moves for certain, and on to the nearest rest on either side: a turn
        that starts slowly has a part of its angle there, without which it wouldn't close.
        """
        if np.count_nonzero(self.change) < FEWEST_CHANGES:
            return None
        speed = self._speed()
        moving = np.flatnonzero(speed > MOVING_SHARE * self._usual(speed))
        still = np.flatnonzero(speed <= STILL_TIMES * float(speed.min()))
        before, after = still[still < moving[0]], still[still > moving[-1]]
        return (int(before[-1]) if len(before) else 0), (int(after[0]) if len(after) else len(speed) - 1)

    def _speed(self) -> np.ndarray:
        """(n,) px a second, over REST_S about each picture: slow movement may show in few pictures only, recorders
        repeat pictures, and their rate may vary. At the film's ends over what there is of it."""
        begins, ends = self.times - REST_S / 2, self.times + REST_S / 2
        come = np.interp(ends, self.times, self.run) - np.interp(begins, self.times, self.run)
        return come / np.maximum(np.minimum(ends, self.times[-1]) - np.maximum(begins, self.times[0]), 1e-9)

    def _usual(self, speed: np.ndarray) -> float:
        """The speed below which half of all movement happens, however long the film stands still."""
        order = np.argsort(speed, kind="stable")
        share = np.cumsum(self.change[order])
        return float(speed[order[int(np.searchsorted(share, share[-1] / 2))]])


def read_course(pictures: Iterable[FilmPicture]) -> Course:
    times: list[float] = []
    change: list[float] = []
    copies: list[np.ndarray] = []
    places: list[int] = []
    stride, before = 1, None
    for index, picture in enumerate(pictures):
        small = picture.grey(SMALL_SIDE)
        soft = cv2.GaussianBlur(small.astype(np.float32), (0, 0), 1.0)
        times.append(picture.time_s)
        change.append(0.0 if before is None or before.shape != soft.shape else _difference(before, soft))
        before = soft
        if index % stride == 0:
            copies.append(small)
            places.append(index)
            if len(copies) > MOST_COPIES:
                stride, copies, places = 2 * stride, copies[::2], places[::2]
    alike = [copy.shape == copies[0].shape for copy in copies]
    copies, places = [c for c, same in zip(copies, alike) if same], [p for p, same in zip(places, alike) if same]
    if not copies:
        return Course(np.zeros(0), np.zeros(0), np.zeros((0, 1, 1), np.uint8), np.zeros(0, int))
    stack = np.stack(copies)
    kept = np.array(places, int)
    return Course(
        np.array(times), np.array(change) / np.interp(np.arange(len(times)), kept, _slopes(stack)), stack, kept
    )


def _slopes(copies: np.ndarray) -> np.ndarray:
    """(m,) levels a px sideways in each copy, where the film changes: a side full of detail changes more by the
    same turn than a plain one, and this makes up for it.
    """
    soft = np.stack([cv2.GaussianBlur(copy.astype(np.float32), (0, 0), 1.0) for copy in copies])
    moving = soft.std(axis=0)
    area = moving > max(LEAST_LEVELS, 0.1 * float(moving.max()))
    if not area.any():
        return np.ones(len(copies))
    return np.array(
        [float(np.sqrt((cv2.Sobel(one, cv2.CV_32F, 1, 0, scale=0.125)[area] ** 2).sum() / area.size)) for one in soft]
    )


def _difference(before: np.ndarray, after: np.ndarray) -> float:
    """Root mean square of what differs clearly; light that changes as a whole and noise don't count."""
    off = after - before
    off -= np.median(off)
    noise = 1.4826 * float(np.median(np.abs(off)))
    clear = np.abs(off) > max(LEAST_LEVELS, 4.0 * noise)
    return float(np.sqrt((off[clear] ** 2).sum() / off.size))
