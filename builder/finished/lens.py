"""The camera once more, by the subject's outlines. A plain thing on a marked disc is followed by the disc alone, which is
flat: it leaves open how long the lens is and how the camera leans, and what stands high on it is then looked for in the
wrong place. Only with the right camera do a turn's outlines agree on one solid (`hull`)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import cv2
import numpy as np

from builder.finished.disc import Disc
from builder.finished.hull import carve
from builder.measured.disc import Disc as Rim
from builder.measured.disc_view import circle
from builder.spin import TurnCamera

_LENS_STEP = 0.2  # ln of the focal length
_LEAN_STEP = math.radians(0.5)
_FARTHEST = 6  # steps of each: a lens three times as long or as short, three degrees
_FRAMES = 18  # spread over the turn: more say nothing new
_CLEARLY = 0.5  # of what the outlines disagree by, at most, that another camera must leave
_AGREED = 0.01  # share of the outlines' area: as little as that is the cuts' own error


def told_by_outlines(
    camera: TurnCamera, disc: Disc, cuts: np.ndarray, ground: np.ndarray, angles: Sequence[float], to_grid: np.ndarray
) -> TurnCamera:
    """The camera with the focal length and the lean that the outlines agree on best, seeing the disc where it is; as it was
    where none is clearly better.

    cuts: bool (n, h, w), one a frame; ground: bool (h, w), where they may be wrong, for shade falls there; disc: in pixels
    of these. angles: radians, counter-clockwise. to_grid: 3×3, reference pixel -> pixel of the cuts.
    """
    some = np.unique(np.linspace(0, len(cuts) - 1, min(len(cuts), _FRAMES)).round().astype(int))
    cuts, angles = cuts[some], [angles[k] for k in some]
    high = cuts & ~ground
    rows, columns = (np.flatnonzero(cuts.any(axis=(0, axis))) for axis in (2, 1))
    if not high.any():
        return camera
    open_ = np.zeros_like(ground)
    box = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    open_[box] = ground[box]
    masks = [(cv2.dilate(cut.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0) | open_ for cut in cuts]

    def lost(camera: TurnCamera | None) -> float:
        hull = None if camera is None else carve(masks, angles, camera, to_grid)
        if hull is None:
            return math.inf
        return sum((cut & ~hull.outline(angle)).sum() for cut, angle in zip(high, angles)) / high.sum()

    def seen(lens: int, lean: int) -> TurnCamera | None:
        focal_px = camera.focal_px * math.exp(lens * _LENS_STEP)
        return _seeing(camera, disc, ground.shape, to_grid, focal_px, camera.roll + lean * _LEAN_STEP)

    start = lost(camera)
    if start <= _AGREED:
        return camera
    lens, _ = _lowest(lambda step: lost(seen(step, 0)))
    lean, least = _lowest(lambda step: lost(seen(lens, step)))
    return seen(lens, lean) if least < _CLEARLY * start else camera


def _lowest(of: Callable[[int], float]) -> tuple[int, float]:
    """Downhill from 0 by whole steps: where it is lowest, and how low."""
    best, low = 0, of(0)
    for way in (1, -1):
        for step in range(way, way * (_FARTHEST + 1), way):
            here = of(step)
            if here >= low:
                break
            best, low = step, here
        if best:
            break
    return best, low


def _seeing(
    camera: TurnCamera, disc: Disc, shape: tuple[int, int], to_grid: np.ndarray, focal_px: float, roll: float
) -> TurnCamera | None:
    """A camera of that focal length (reference px) and roll that looks at the picture's middle and sees the disc as it is;
    None where none does. disc: in pixels of a picture of `shape`."""
    # A camera that rolls sees all of it turned about its middle: the disc's place, that is, for the axis leans as well.
    middle = np.array([shape[1] - 1, shape[0] - 1]) / 2
    x, y = middle + _turned(np.array([disc.x, disc.y]) - middle, -roll)
    view = circle(Rim(x, y, disc.semi_x, disc.semi_y, 1.0, 1.0), focal_px * to_grid[0, 0], shape)
    if view is None:
        return None
    centre = np.linalg.inv(to_grid) @ [*middle, 1.0]
    return replace(
        camera,
        pan=float(view.camera.pan),
        tilt=float(view.camera.tilt),
        roll=roll,
        focal_px=focal_px,
        centre=(float(centre[0]), float(centre[1])),
    )


def _turned(place: np.ndarray, roll: float) -> np.ndarray:
    """Where a camera with that roll sees what one without sees at a place (x, y from the middle, px)."""
    sin, cos = math.sin(roll), math.cos(roll)
    return np.array([cos * place[0] + sin * place[1], cos * place[1] - sin * place[0]])
