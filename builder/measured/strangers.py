"""What is in one frame and can't have come with the turn: a tool left on the disc, a sleeve before the subject.

A point of a body that turns by a step moves by no more than R times that step, R its swing; so whatever a frame
shows of the body lies that near to something of the same colour in the frame before or after. Cover near which
neither has any, or none of its colour, is no part of the body. Gloss is let pass: it may flash in one frame alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.abreast import abreast

LONGEST_STEP = 1.5  # of an even step: beyond it a mark was skipped, and the frame on the other side explains
WIDEST_STEP_DEG = 45.0  # beyond it, everything is near everything
NEARER = 1.4  # the near side of the swing, seen from two swings off, against its middle
RISE = 0.6  # a step's motion up or down against sideways: sine of the steepest view, 37 degrees
# Colour of a surface between neighbouring views, encoded levels. Brightness: by a shadow that keeps 45 % of the
# light (0.45 ** (1 / 2.2) = 0.7 of a middling level, 40) and by its slope to the light. Hue: by light that other
# parts throw on it, and by JPEG, which keeps colour at half size.
LUMA_STEP, CHROMA_STEP = 32, 10  # width of a class; the classes on either side count as the same
GLOSS = 210  # luma: what is as bright may be a reflection
CELL = 4  # px: where a class occurs is kept no finer than this, for the reach is far wider
FEWEST = 5  # px of a class in a frame, to be asked about


@dataclass(frozen=True)
class _Views:
    """What each frame shows: which cells its cover reaches, and where each kind of colour occurs in it.

    kinds: (k, 3) classes that occur. found: (n, h, w), which of them each pixel is. patch: the reach, in cells.
    """

    masks: np.ndarray
    kinds: np.ndarray
    found: np.ndarray
    present: list[np.ndarray]
    grown: np.ndarray
    patch: np.ndarray

    def strange(self, index: int, beside: tuple[int, int]) -> np.ndarray:
        """bool (h, w): cover of a frame that two others don't explain."""
        shape, mask = self.masks.shape[1:], self.masks[index]
        found = mask & ~_full(self.grown[beside[0]] | self.grown[beside[1]], shape)
        asked = np.where(mask & (self.kinds[self.found[index], 0] >= 0), self.found[index], -1)
        for kind in np.nonzero(np.bincount(asked[asked >= 0], minlength=len(self.kinds)) >= FEWEST)[0]:
            alike = np.nonzero(np.abs(self.kinds - self.kinds[kind]).max(axis=1) <= 1)[0]
            there = self.present[beside[0]][alike].any(axis=0) | self.present[beside[1]][alike].any(axis=0)
            missing = ~_spread(there, self.patch)
            if missing.any():
                found |= (asked == kind) & _full(missing, shape)
        return found


def measure_strangers(pictures: np.ndarray, masks: np.ndarray, swing: float, closed: bool, limit: float) -> np.ndarray:
    """bool (n, h, w): cover that no frames explain between which it may have been shot.

    pictures: uint8 (n, h, w, 3), evened and registered. masks: bool (n, h, w), what covers the plate.
    swing: half the width of what turns, px. limit: share of the picture that makes a frame suspect: it is then
    held against all pairs of neighbours, for it may have been shot late and belong elsewhere in the turn.
    The ends of a part turn have one neighbour, so nothing is said there.
    """
    count = len(pictures)
    strange = np.zeros(masks.shape, bool)
    step_deg = 360.0 / count * LONGEST_STEP
    if count < 4 or step_deg > WIDEST_STEP_DEG:
        return strange
    views = _views(pictures, masks, NEARER * swing * np.radians(step_deg) / CELL)

    def look(index: int) -> None:
        found = views.strange(index, ((index - 1) % count, (index + 1) % count))
        if largest_piece(found) > limit:
            pairs = [(k, (k + 1) % count) for k in range(count if closed else count - 1)]
            others = [found] + [views.strange(index, pair) for pair in pairs if index not in pair]
            found = min(others, key=largest_piece)
        strange[index] = found

    abreast(look, range(count) if closed else range(1, count - 1))
    return strange


def largest_piece(mask: np.ndarray) -> float:
    """Share of the picture that the largest piece of a mask covers, specks and threads left out."""
    opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(opened)
    return float(stats[1:, cv2.CC_STAT_AREA].max() / mask.size) if count > 1 else 0.0


def _views(pictures: np.ndarray, masks: np.ndarray, reach: float) -> _Views:
    """reach: of a step, cells."""
    patch = np.ones((2 * int(np.ceil(RISE * reach)) + 1, 2 * int(np.ceil(reach)) + 1), np.uint8)
    kinds, found = _kinds(np.stack(abreast(_classes, pictures)))
    grown = np.stack([_spread(_cells(mask), patch) for mask in masks])
    return _Views(masks, kinds, found, abreast(lambda frame: _where(frame, len(kinds)), found), grown, patch)


def _classes(picture: np.ndarray) -> np.ndarray:
    """int32 (h, w, 3): class of brightness, of red against green, of blue against green; brightness -9: gloss."""
    soft = cv2.blur(picture, (3, 3)).astype(np.int32)
    red, green, blue = np.moveaxis(soft, 2, 0)
    luma = (54 * red + 183 * green + 19 * blue) // 256  # ITU-R BT.709 weights
    found = np.stack([luma // LUMA_STEP, (red - green) // CHROMA_STEP, (blue - green) // CHROMA_STEP], axis=2)
    found[luma >= GLOSS, 0] = -9
    return found


def _kinds(classes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The classes that occur at all (k, 3), and which of them each pixel is: int32 (n, h, w)."""
    codes = (classes[..., 0].astype(np.int32) + 16) * 4096 + (classes[..., 1] + 32) * 64 + (classes[..., 2] + 32)
    used = np.nonzero(np.bincount(codes.ravel(), minlength=1 << 17))[0]
    place = np.zeros(1 << 17, np.int32)
    place[used] = np.arange(len(used))
    kinds = np.stack([used // 4096 - 16, used // 64 % 64 - 32, used % 64 - 32], axis=1)
    return kinds, place[codes]


def _where(frame: np.ndarray, kinds: int) -> np.ndarray:
    """bool (kinds, cells down, cells across): where each kind occurs in a frame (h, w) of kinds."""
    height, width = frame.shape
    down, across = -(-height // CELL), -(-width // CELL)
    cell = (np.arange(height)[:, None] // CELL) * across + np.arange(width) // CELL
    present = np.zeros((kinds, down * across), bool)
    present[frame, cell] = True
    return present.reshape(kinds, down, across)


def _cells(mask: np.ndarray) -> np.ndarray:
    """Which cells a mask reaches into."""
    return _where(mask.astype(np.int8), 2)[1]


def _spread(cells: np.ndarray, patch: np.ndarray) -> np.ndarray:
    return cv2.dilate(cells.astype(np.uint8), patch) > 0


def _full(cells: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Cells as pixels: bool (h, w)."""
    return np.repeat(np.repeat(cells, CELL, axis=0), CELL, axis=1)[: shape[0], : shape[1]]
