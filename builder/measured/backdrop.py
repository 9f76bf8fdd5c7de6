"""What stands behind the subject: the clean plate, what turns before it, and what colour it has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.abreast import one_by_one
from builder.measured.camera import Camera, warped
from builder.measured.exposure import Exposure
from builder.measured.light import LIGHTEST, gain_table
from builder.measured.stack import Stack


@dataclass(frozen=True)
class Backdrop:
    """pictures: uint8, n of (h, w, 3), evened in light and laid onto the reference.

    plate: uint8 (h, w, 3), median over the turn: the backdrop wherever the subject covers it in fewer than half
    of the frames. spread: float32 (h, w), standard deviation over the turn by the quartiles, encoded levels.
    noise: the same, of the still parts alone (one number, levels).
    """

    pictures: Stack
    plate: np.ndarray
    spread: np.ndarray
    noise: float


def measure_backdrop(pictures: Sequence[np.ndarray], exposure: Exposure, camera: Camera) -> Backdrop:
    """Lay the copies onto each other and take the plate. pictures: uint8, n of (h, w, 3)."""
    evened = Stack.of(one_by_one(lambda k: _evened(pictures[k], exposure.gains[k], camera, k), range(len(pictures))))
    low, plate, high = evened.quantiles((0.25, 0.5, 0.75))
    evened = Stack.of(one_by_one(lambda k: _uncensored(evened[k], pictures[k], plate, camera, k), range(len(pictures))))
    spread = (high.astype(np.float32) - low).max(axis=2) / 1.349  # quartiles of normal values to sigma
    still = spread[camera.still]
    noise = float(np.median(still)) if still.size else 1.0
    return Backdrop(evened, plate, spread, max(noise, 0.5))


def _evened(picture: np.ndarray, gain: np.ndarray, camera: Camera, index: int) -> np.ndarray:
    table = np.stack([gain_table(float(g)) for g in gain], axis=1)[None]
    evened = cv2.LUT(picture, table)
    motion = camera.motion[index]
    return warped(evened, camera.to_frame(index)) if np.abs(motion).max() > 0 else evened


def _uncensored(evened: np.ndarray, picture: np.ndarray, plate: np.ndarray, camera: Camera, index: int) -> np.ndarray:
    """A clipped channel says no more than "as bright as this, or brighter": it is the plate's where that is brighter.

    Else a board next to white changes colour in a frame that the camera exposed or balanced otherwise than most.
    """
    clipped = (picture >= LIGHTEST).astype(np.uint8)
    if not clipped.any():
        return evened
    if np.abs(camera.motion[index]).max() > 0:
        clipped = warped(clipped, camera.to_frame(index))
    return np.where(clipped > 0, cv2.max(evened, plate), evened)
