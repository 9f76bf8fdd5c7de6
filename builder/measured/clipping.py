"""Blown-out parts of the subject, beyond the highlights that any gloss has."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from builder.measured.abreast import abreast
from builder.measured.camera import Camera, motion_matrix, warped
from builder.measured.obstruction import LEAST_COVER, Foreground

BLOWN = 254  # encoded: JPEG rounding leaves pure white one level short
HIGHLIGHT_SHARE = 0.02  # of the picture's long side: a smaller white spot is a highlight, and may be white


def measure_clipping(
    pictures: Sequence[np.ndarray], camera: Camera, foreground: Foreground, plate: np.ndarray
) -> np.ndarray:
    """(n,) share of the subject that is pure white. pictures: uint8, n of (h, w, 3), as shot.

    A white that the plate has too is the backdrop showing through, unless the backdrop around isn't white. A body that
    hardly stands out from the plate is taken for all that turns.
    """
    count, height, width = foreground.masks.shape
    behind = cv2.resize(plate, (width, height), interpolation=cv2.INTER_AREA).min(axis=2) >= BLOWN - 4
    around = ~foreground.envelope
    white_backdrop = around.any() and behind[around].mean() > 0.02
    bodies = np.stack([_body(mask & foreground.envelope) for mask in foreground.masks])
    if np.median(bodies.sum(axis=(1, 2))) < LEAST_COVER * foreground.envelope.sum():
        bodies[:] = foreground.envelope
    spot = max(3, round(HIGHLIGHT_SHARE * max(width, height))) | 1

    def share(index: int) -> float:
        small = cv2.resize(pictures[index], (width, height), interpolation=cv2.INTER_AREA)
        white = (small.min(axis=2) >= BLOWN).astype(np.uint8)
        if not white.any():
            return 0.0
        motion = camera.motion[index] / [foreground.scale, foreground.scale, 1.0]
        white = warped(white, motion_matrix(motion, white.shape)) > 0
        blown = white & bodies[index]
        if white_backdrop:
            blown &= ~behind
        blown = cv2.morphologyEx(blown.astype(np.uint8), cv2.MORPH_OPEN, np.ones((spot, spot), np.uint8))
        return blown.sum() / max(1, bodies[index].sum())

    return np.array(abreast(share, range(count)))


def _body(mask: np.ndarray) -> np.ndarray:
    """A frame's cover with the rows between its outermost pixels: the middle often equals the plate."""
    after = np.maximum.accumulate(mask, axis=1)
    before = np.maximum.accumulate(mask[:, ::-1], axis=1)[:, ::-1]
    return after & before
