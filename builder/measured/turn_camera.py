"""The camera that looks at a turntable: rays, projection and the constraint of a single-axis turn.

World: the axis is z, upwards; the camera stands at (1, 0, 0), so lengths are in camera-to-axis
distances (no picture tells more) and heights are counted from the camera's own. Turning angles grow
counter-clockwise seen from above: the near rim, at x > 0, then moves right in the picture.
Perspective is kept throughout; the lens is taken as free of distortion with square pixels.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

GLOBALS = 6  # pan, tilt, roll, log focal length, principal point: the order of `Camera.vector`


@dataclass(frozen=True, slots=True)
class Camera:
    """Where the camera looks. Angles in radians, lengths in px."""

    pan: float  # turn of the optical axis away from the turntable's, about the vertical
    tilt: float  # of the optical axis below the horizontal
    roll: float  # about the optical axis
    focal_px: float
    centre: tuple[float, float]  # principal point, pixel centres at .0

    @property
    def vector(self) -> np.ndarray:
        return np.array([self.pan, self.tilt, self.roll, np.log(self.focal_px), *self.centre])

    def moved(self, vector: np.ndarray) -> "Camera":
        pan, tilt, roll, log_focal, x, y = (float(v) for v in vector)
        return Camera(pan, tilt, roll, float(np.exp(log_focal)), (x, y))

    @property
    def matrix(self) -> np.ndarray:
        """(3, 3): columns are the camera's right, down and forward in the world. Not to be written to."""
        return _axes(self.pan, self.tilt, self.roll)


@functools.lru_cache(maxsize=16)  # asked for again and again of one camera
def _axes(pan: float, tilt: float, roll: float) -> np.ndarray:
    sin_t, cos_t = np.sin(tilt), np.cos(tilt)
    tilted = np.array([[0.0, sin_t, -cos_t], [1.0, 0.0, 0.0], [0.0, -cos_t, -sin_t]])
    axes = turned_z(pan) @ tilted @ turned_z(roll)
    axes.flags.writeable = False
    return axes


EYE = np.array([1.0, 0.0, 0.0])


def turned_z(angle: float) -> np.ndarray:
    sin_a, cos_a = np.sin(angle), np.cos(angle)
    return np.array([[cos_a, -sin_a, 0.0], [sin_a, cos_a, 0.0], [0.0, 0.0, 1.0]])


def turned(points: np.ndarray, angles: np.ndarray) -> np.ndarray:
    """Points (…, 3) turned by angles (…) in radians about the axis."""
    sin_a, cos_a = np.sin(angles), np.cos(angles)
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    out = np.empty((*np.broadcast_shapes(x.shape, np.shape(sin_a)), 3), np.result_type(points, sin_a))
    out[..., 0] = cos_a * x - sin_a * y
    out[..., 1] = sin_a * x + cos_a * y
    out[..., 2] = z
    return out


def rays(camera: Camera, xy: np.ndarray) -> np.ndarray:
    """World directions (…, 3), not normalised (forward part 1), of pixels (…, 2)."""
    flat = (xy - np.asarray(camera.centre)) / camera.focal_px
    return np.concatenate([flat, np.ones((*flat.shape[:-1], 1))], -1) @ camera.matrix.T


def project(camera: Camera, points: np.ndarray) -> np.ndarray:
    """Pixels (…, 2) of world points (…, 3)."""
    seen = (points - EYE) @ camera.matrix
    depth = np.maximum(seen[..., 2:], 1e-6)
    return seen[..., :2] / depth * camera.focal_px + np.asarray(camera.centre)


def epipolar_px(camera: Camera, first: np.ndarray, second: np.ndarray, theta: np.ndarray) -> np.ndarray:
    """Distance in px of matched rays (m, 3), (m, 3) from agreeing with a turn by theta.

    theta: radians, (t, 1) or (t, m); the answer is (t, m), signed. A point turned by theta keeps its height and
    radius, so with half the turn undone on each side the two rays and the line between the two eyes are
    coplanar: cos(θ/2)·(u_z v_x − u_x v_z) + sin(θ/2)·(u_z v_y + u_y v_z) = 0, one equation a match
    (after Fitzgibbon, Cross, Zisserman 1998, 'Automatic 3D model construction for turn-table
    sequences'). Divided by its slope in the four pixel coordinates (Sampson's first-order distance).
    """
    cos_h, sin_h = np.cos(theta / 2), np.sin(theta / 2)
    ux, uy, uz = first.T
    vx, vy, vz = second.T
    value = cos_h * (uz * vx - ux * vz) + sin_h * (uz * vy + uy * vz)
    right, down = camera.matrix[:, 0], camera.matrix[:, 1]
    slope = 0.0
    for axis in (right, down):
        slope = slope + (cos_h * (-vz * axis[0] + vx * axis[2]) + sin_h * (vz * axis[1] + vy * axis[2])) ** 2
        slope = slope + (cos_h * (uz * axis[0] - ux * axis[2]) + sin_h * (uz * axis[1] + uy * axis[2])) ** 2
    return value / np.sqrt(slope + 1e-30) * camera.focal_px


def nearest_point(camera: Camera, xy: np.ndarray, other: np.ndarray, theta: np.ndarray) -> np.ndarray:
    """World points (m, 3) seen at xy (m, 2) that a turn by theta (m) carries to `other` (m, 2)."""
    first = rays(camera, xy)
    second = turned(rays(camera, other), -theta)
    eye = turned(np.broadcast_to(EYE, first.shape), -theta)
    # the middle of the shortest line between the two rays
    between = eye - EYE
    aa, bb = (first * first).sum(-1), (second * second).sum(-1)
    ab = (first * second).sum(-1)
    along_a, along_b = (first * between).sum(-1), (second * between).sum(-1)
    divisor = np.maximum(aa * bb - ab * ab, 1e-12)
    s = (along_a * bb - along_b * ab) / divisor
    t = (along_a * ab - along_b * aa) / divisor
    return (EYE + s[:, None] * first + eye + t[:, None] * second) / 2


def slopes(camera: Camera, points: np.ndarray, angles: np.ndarray) -> tuple[np.ndarray, ...]:
    """Pixels (…, 2) of points (…, 3) turned by angles (…) and their slopes.

    Returns pixels, d/d angle (…, 2), d/d globals (…, 2, 6), d/d point (…, 2, 3).
    """
    matrix = camera.matrix
    world = turned(points, angles)
    arm = world - EYE
    seen = arm @ matrix
    qx, qy = seen[..., 0], seen[..., 1]
    qz = np.maximum(seen[..., 2], 1e-6)
    scale = camera.focal_px / qz
    flat = np.stack([qx * scale, qy * scale], -1)

    def picture(d_seen: np.ndarray) -> np.ndarray:  # (…, 3) -> (…, 2)
        along = d_seen[..., 2] / qz
        return np.stack(
            [d_seen[..., 0] * scale - flat[..., 0] * along, d_seen[..., 1] * scale - flat[..., 1] * along], -1
        )

    zero = np.zeros_like(qx)
    x, y = world[..., 0], world[..., 1]
    d_angle = picture(np.stack([-y, x, zero], -1) @ matrix)
    d_pan = picture(np.stack([arm[..., 1], -arm[..., 0], zero], -1) @ matrix)
    cos_r, sin_r = np.cos(camera.roll), np.sin(camera.roll)
    level_down = -sin_r * (-qx) + cos_r * qy  # down part before the roll
    d_tilt = picture(np.stack([-sin_r * qz, -cos_r * qz, level_down], -1))
    d_roll = picture(np.stack([qy, -qx, zero], -1))
    d_centre = np.broadcast_to(np.eye(2), (*flat.shape[:-1], 2, 2))
    d_globals = np.concatenate([np.stack([d_pan, d_tilt, d_roll, flat], -1), d_centre], -1)
    cos_a, sin_a = np.cos(angles), np.sin(angles)
    columns = [
        np.stack(np.broadcast_arrays(cos_a, sin_a, 0.0), -1),
        np.stack(np.broadcast_arrays(-sin_a, cos_a, 0.0), -1),
        np.broadcast_to([0.0, 0.0, 1.0], (*np.shape(angles), 3)),
    ]
    d_point = np.stack([picture(column @ matrix) for column in columns], -1)
    return flat + np.asarray(camera.centre), d_angle, d_globals, d_point
