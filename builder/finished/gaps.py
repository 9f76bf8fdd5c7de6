"""Gaps in the subject that never join the backdrop outside, as between a cabin and the rigging that closes it off.

No single frame can tell such a gap from a patch of the subject that is painted like the backdrop. The turn can: a still
backdrop shows the same colour each time a gap comes before it, while a turning body catches the light differently.
"""

from __future__ import annotations

import cv2
import numpy as np

from builder.finished.look import SOFT_EDGE, around, guess_tolerance, largest, steepness
from builder.finished.seeds import reached, shut_in_patches

_LEAST_SIGHTS = 3  # frames: of two, one in two agrees by chance with what a body shows
_FOREIGN = 0.01  # share of a subject that differs from the backdrop by no more than twice what a guess of it may
_SAME = 1.5  # σ of the backdrop's noise: of three sights of it the spread is larger in one of ten


class Gaps:
    """Gathers from frame after frame what could be sights through gaps, where no frame has shown the backdrop yet.

    guess: sRGB codes, float32 (h, w, 3), of the backdrop; seen: bool (h, w), where it is known; steady: bool (h, w), where
    no shade falls, which a body may look like; way: bool (h, w), where the subject passes; noise: codes, 1 σ of a small
    neighbourhood's mean.
    """

    def __init__(self, guess: np.ndarray, seen: np.ndarray, steady: np.ndarray, way: np.ndarray, noise: float) -> None:
        hidden = way & ~seen & steady
        self._box = box = around(hidden, 16)
        self._guess, self._hidden, self._way, self._noise = guess[box], hidden[box], way[box], noise
        self._steady = steady[box]
        self._tolerance = np.maximum(guess_tolerance(seen | ~steady)[box], 3 * noise)
        self._soft_edge = 3 * noise + SOFT_EDGE * largest(self._guess)
        self._count = np.zeros(self._hidden.shape, np.float32)
        self._total, self._squares = np.zeros_like(self._guess), np.zeros_like(self._guess)
        self._alike, self._frames = np.zeros_like(self._count), 0
        self._same = np.zeros_like(self._count)
        self._nearly, self._unlike = 0, 0
        self._shape = way.shape

    def look_through(self, frame: np.ndarray) -> None:
        """frame: sRGB codes, uint8 (h, w, 3). Patches near the guess that end at an outline all round may be gaps."""
        away = cv2.GaussianBlur(frame[self._box] - self._guess, (0, 0), 0.8)
        flat, size = steepness(away) < self._soft_edge, largest(np.abs(away))
        # What leaves the subject's way without an outline is no gap: it goes over into what isn't alike there.
        alike = flat & (size < self._tolerance) & self._way
        body = flat & (size >= self._tolerance) & self._way & self._steady
        nearly = np.count_nonzero(body & (size < 2 * self._tolerance))
        self._nearly += nearly
        self._unlike += np.count_nonzero(body) - nearly
        # What reaches the seen backdrop through a neck that no coarser look passed is a gap as well.
        same = size < 3 * self._noise
        joined = reached(alike, ~self._hidden & same)
        gap = ((shut_in_patches(alike, flat) | joined) & self._hidden).astype(np.uint8)
        self._alike += alike
        self._frames += 1
        self._count += gap
        self._same += (gap > 0) & same
        cv2.accumulate(away, self._total, mask=gap)
        cv2.accumulateSquare(away, self._squares, mask=gap)

    def found(self) -> tuple[np.ndarray, np.ndarray]:
        """Where the backdrop was seen through gaps, bool (h, w), and its colour there, codes (h, w, 3)."""
        count = np.maximum(self._count, 1)[..., None]
        mean = self._total / count
        spread = largest(np.sqrt(np.maximum(self._squares / count - mean**2, 0)))
        found, colour = np.zeros(self._shape, bool), np.zeros((*self._shape, 3), np.float32)
        # What most frames show where none shows the backdrop is the subject itself.
        some = (self._count >= _LEAST_SIGHTS) & (self._alike <= self._frames / 2) & (self._count > self._alike / 2)
        some &= spread < _SAME * self._noise
        if self._nearly < _FOREIGN * self._unlike:
            # Of a subject that has no colour near the backdrop's one sight is enough, if no other belies it.
            some |= (self._same > 0) & (self._same == self._count)
        found[self._box] = some
        colour[self._box] = self._guess + mean
        return found, colour
