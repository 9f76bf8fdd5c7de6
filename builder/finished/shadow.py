"""The shadow that the subject throws on the disc and the table, as a layer of its own: light left, 0..1.

It is what the frame shows over what the lit set would (a ratio of linear light), smoothed, without the thin marks on
the disc, without the grey veil of faint shade, and faded out away from the subject.
"""

from __future__ import annotations

import cv2
import numpy as np

from builder import colour
from builder.finished.plate import fill

_VEIL = 0.06  # linear: shade fainter than this is veil, not shadow
_FADE = 0.10  # of the picture's side: distance from the subject over which a shadow falls to 1/e


def light_left(light: np.ndarray, lit: np.ndarray, steady: np.ndarray, taken: np.ndarray) -> np.ndarray:
    """float32 (h, w), 1 where no shadow falls.

    light, lit: linear (h, w, 3), the frame and the set without the subject's shade. steady: bool (h, w), too far
    behind for the subject's shade. taken: bool (h, w), subject and its soft edge: shade there is guessed from around.
    """
    side = max(taken.shape)
    thin = 2 * max(1, round(side / 160)) + 1
    # Bright marks that turn past a place leave a bright band in the set: a frame without one there isn't in shade.
    expected = cv2.morphologyEx(_luminance(lit), cv2.MORPH_OPEN, np.ones((2 * thin + 1, 2 * thin + 1), np.uint8))
    ratio = (_luminance(light) + 0.002) / (expected + 0.002)
    ratio = np.where(steady, 1.0, np.minimum(ratio, 1.0)).astype(np.float32)
    free = ~taken
    ratio = np.where(free, ratio, 1.0).astype(np.float32)
    open_ = cv2.morphologyEx(ratio, cv2.MORPH_CLOSE, np.ones((thin, thin), np.uint8))  # dark marks go
    whole = fill(np.where(free, open_, 0)[..., None], free)[..., 0]
    soft = cv2.GaussianBlur(whole, (0, 0), side / 200)
    depth = np.clip((1 - soft - _VEIL) / (1 - _VEIL), 0, 1)
    away = cv2.distanceTransform(free.astype(np.uint8), cv2.DIST_L2, 5)
    return 1 - depth * np.exp(-away / (_FADE * side))


def _luminance(light: np.ndarray) -> np.ndarray:
    return cv2.transform(light, colour.LUMINANCE[None])
