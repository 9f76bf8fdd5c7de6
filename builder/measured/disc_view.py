"""The top of the disc as the camera sees it, and pictures of it unrolled about the axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import least_squares

from builder.measured.disc import Disc, find_disc
from builder.measured.place import Axis
from builder.measured.turn_camera import Camera, project

COLUMNS = 1440  # a quarter of a degree each: about a pixel of the near rim in a measured copy
ROWS = 24
REACH = (0.35, 1.03)  # of the disc's radius, from the axis: within, the subject stands
FLATNESS = 0.35  # of a disc as it is usually seen: short side by long, a camera 20° up
FOOT_ERROR = 0.4  # of what turns: how far off the row may be where the axis meets the disc
LEAST_LEVELS = 1.0  # of 255, spread over the turn: less is coding noise


@dataclass(frozen=True)
class DiscView:
    """How the disc's top is seen. height: of the camera over it, radius: its own, camera distances."""

    camera: Camera
    height: float
    radius: float

    def at(self, radius: np.ndarray, around: np.ndarray) -> np.ndarray:
        """Pixels (…, 2) of places of the disc; around: radians, counter-clockwise seen from above, 0 nearest the camera."""
        x, y, z = np.broadcast_arrays(radius * np.cos(around), radius * np.sin(around), -self.height)
        return project(self.camera, np.stack([x, y, z], -1))


def see_disc(greys: Sequence[np.ndarray], focal_px: float, axis: Axis | None) -> DiscView | None:
    """The rim's ellipse as a circle about the axis, before an upright camera of this focal length. None where no rim stands out."""
    some = np.stack(greys[:: max(len(greys) // 30, 1)])
    plate = np.median(some, axis=0).astype(np.uint8)
    spread = cv2.blur(np.mean([cv2.absdiff(one, plate) for one in some], axis=0), (5, 5))
    turning = spread - np.median(spread) > LEAST_LEVELS
    if not turning.any():
        return None
    columns, rows = np.flatnonzero(turning.any(axis=0)), np.flatnonzero(turning.any(axis=1))
    swing = (columns[-1] - columns[0]) / 2
    axis = axis or Axis((columns[0] + columns[-1]) / 2, 0.0, rows[-1] - FLATNESS * swing)
    disc = find_disc(np.repeat(plate[..., None], 3, axis=2), axis, axis.row, swing, FOOT_ERROR * swing)
    return None if disc is None else circle(disc, focal_px, plate.shape)


def circle(disc: Disc, focal_px: float, shape: tuple[int, int]) -> DiscView | None:
    """The circle about the axis that is seen as that ellipse; None where none is, to a fiftieth of its size."""
    around = np.radians(np.arange(0, 360, 15))
    middle = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)

    def view(p: np.ndarray) -> DiscView:
        return DiscView(Camera(p[0], p[1], 0.0, focal_px, middle), np.exp(p[2]), np.exp(p[3]))

    def off(p: np.ndarray) -> np.ndarray:
        x, y = ((view(p).at(view(p).radius, around) - [disc.x, disc.y]) / [disc.a, disc.b]).T
        return np.hypot(x, y) - 1.0

    elevation = np.arcsin(disc.b / disc.a)  # as in parallel projection
    right, down = (np.array([disc.x, disc.y]) - middle) / focal_px
    distance = 1 / np.cos(elevation)
    start = [
        -np.arctan(right),
        elevation - np.arctan(down),
        np.log(np.tan(elevation)),
        np.log(disc.a / focal_px * distance),
    ]
    found = least_squares(off, start, x_scale=[0.05, 0.05, 0.3, 0.3])
    return view(found.x) if np.abs(found.fun).max() < 0.02 else None


def unrolled(greys: Sequence[np.ndarray], view: DiscView) -> np.ndarray:
    """float32 (n, ROWS, COLUMNS); columns by direction, counter-clockwise from above, nearest the camera in the middle."""
    radius = view.radius * np.linspace(*REACH, ROWS)[:, None]
    around = (np.arange(COLUMNS) - COLUMNS // 2) * (2 * np.pi / COLUMNS)
    x, y = np.moveaxis(view.at(radius, around[None]).astype(np.float32), -1, 0)
    return np.stack(
        [cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for grey in greys]
    ).astype(np.float32)
