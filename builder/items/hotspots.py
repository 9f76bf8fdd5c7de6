"""Points marked by hand in two or more frames -> where they are in every frame.

The object turns about one axis before one camera (measured/turn_camera.py), so a point is fixed by its place in two
frames of known angle, and more frames make it surer: least squares. Where the steps couldn't be judged the camera
isn't known; then it is fitted along with all points of the turn, held by what is known of it: the axis, the focal
length by Exif, and that turntables are looked at from somewhat above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from builder.measured.turn_camera import GLOBALS, Camera, nearest_point, project, turned
from builder.spin import Affine, SpinMeasures, TurnCamera

MARK_SHARE = 1e-3  # of the picture's diagonal: how well a hand places a mark, 2 px of 2000; common practice, no source
LARGE_SHARE = 5 * MARK_SHARE  # a fit worse than this marks two different things, or names the wrong frame
NEAREST_DEG = 15.0  # between two marked frames: 1 / sin 15° is 4, so a mark off by 1 px is off by 4 a quarter turn on
FACING_DEG = 90.0  # how far to either side of facing the camera a point is shown
TILT_DEG, TILT_SPREAD_DEG = 20.0, 10.0  # of the line of sight below the horizontal; common practice, no source
DIAGONAL35_MM = 43.27  # of 36 × 24 mm
USUAL_FOCAL35_MM, USUAL_FOCAL_SPREAD = 30.0, 0.4  # phones 24 to 28, longer lenses 50 to 80; spread in ln
KNOWN_FOCAL_SPREAD = 0.03  # Exif gives whole millimetres, and lenses breathe
AXIS_PX = 2.0  # how well the axis is measured in a picture
REACH = 0.5  # camera distances: no point of the object is much further from the axis, or the camera would meet it


@dataclass(frozen=True, slots=True)
class Mark:
    """The place of a point in one frame."""

    angle_deg: float  # of the frame, growing with the frames
    xy: tuple[float, float]  # px of the spin's reference, pixel centres at .0


@dataclass(frozen=True, slots=True)
class Fitted:
    """A point on the turn. facing_deg: angle of the turn at which it faces the camera; None: it sits on the axis."""

    point: tuple[float, float, float]  # at angle 0, in camera-to-axis distances (turn_camera.py)
    facing_deg: float | None
    error_px: float  # root mean square distance of the marks from the fit, px of the photo
    worst: int  # which mark is furthest off


@dataclass(frozen=True, slots=True)
class TurnView:
    """The camera and the way the turn goes: all it takes to place a point."""

    camera: Camera
    sign: int  # 1: counterclockwise seen from above

    def place(self, point: Sequence[float], angles_deg: Sequence[float]) -> np.ndarray:
        """(n, 2) px of the reference at each angle of the turn."""
        return _seen(self.camera, np.asarray(point), self.sign * np.radians(angles_deg))


def too_near(angles_deg: Sequence[float]) -> bool:
    """Whether no two of these frames are far enough apart to tell depth; half a turn apart tells none either."""
    angles = np.radians(angles_deg)
    return bool(np.abs(np.sin(angles[:, None] - angles)).max() < np.sin(np.radians(NEAREST_DEG)))


def fit_points(
    spots: Sequence[Sequence[Mark]], measures: SpinMeasures, size: tuple[int, int], focal35_mm: float | None
) -> tuple[TurnView, list[Fitted]]:
    """Fit each spot's point to its marks (two or more, not `too_near`). size: width and height of the photos, px.

    A turn of unknown direction is taken the way that meets the marks better.
    """
    signs = {"counterclockwise": (1,), "clockwise": (-1,), None: (1, -1)}[measures.turn]
    tries = [_Fit(spots, measures, size, focal35_mm, sign) for sign in signs]
    best = min(tries, key=lambda one: one.cost)
    return TurnView(best.camera, best.sign), best.fitted()


def in_sight(fitted: Fitted, angles_deg: Sequence[float], visible: tuple[float, float] | None) -> list[bool]:
    """In which frames the point is in front. visible: from and to in degrees of the turn; None: as it faces."""
    angles = np.asarray(angles_deg, float)
    if visible is not None:
        start, end = visible
        return [True] * len(angles) if abs(end - start) >= 360 else list((angles - start) % 360 <= (end - start) % 360)
    if fitted.facing_deg is None:
        return [True] * len(angles)
    return list(np.abs((angles - fitted.facing_deg + 180) % 360 - 180) <= FACING_DEG)


class _Fit:
    def __init__(
        self, spots, measures: SpinMeasures, size: tuple[int, int], focal35_mm: float | None, sign: int
    ) -> None:
        self.sign, self.mark_px = sign, MARK_SHARE * float(np.hypot(*size))
        self.angles = [sign * np.radians([mark.angle_deg for mark in marks]) for marks in spots]
        self.marks = [np.array([mark.xy for mark in marks], float) for marks in spots]
        if measures.camera is not None:
            self.camera = _camera(measures.camera)
            solved = [self._solved(np.empty(0), [number]) for number in range(len(spots))]
            self.points = [one.x for one in solved]
            self.cost = sum(one.cost for one in solved)
        else:
            self.mean, self.spread = _likely_camera(size, focal35_mm)
            self.camera = Camera(0, 0, 0, 1, (0, 0)).moved(self.mean)
            self.axis = _axis_line(measures, size)
            both = self._solved(self.mean, range(len(spots)))
            self.camera = self.camera.moved(both.x[:GLOBALS])
            self.points = list(both.x[GLOBALS:].reshape(-1, 3))
            self.cost = both.cost

    def _solved(self, camera: np.ndarray, numbers: Sequence[int]):
        """Least squares over these spots' points, and the camera unless it is empty."""
        starts = [self._start(number) for number in numbers]

        def off(unknown: np.ndarray) -> np.ndarray:
            look = self.camera.moved(unknown[:GLOBALS]) if len(camera) else self.camera
            points = unknown[len(camera) :].reshape(-1, 3)
            parts = [
                (_seen(look, point, self.angles[n]) - self.marks[n]) / self.mark_px for point, n in zip(points, numbers)
            ]
            parts += [points / REACH]  # so weak that it only keeps a point from running off along its ray
            if len(camera):
                parts += [(unknown[:GLOBALS] - self.mean) / self.spread, *self._off_axis(look)]
            return np.concatenate([np.ravel(part) for part in parts])

        # One mark in the wrong place shall not drag the others, nor the camera: beyond 3 sigma it pulls evenly.
        return least_squares(off, np.concatenate([camera, *starts]), x_scale="jac", loss="soft_l1", f_scale=3.0)

    def _start(self, number: int) -> np.ndarray:
        """By the two marks whose lines of sight cross at the largest angle."""
        angles, marks = self.angles[number], self.marks[number]
        one, two = np.unravel_index(np.abs(np.sin(angles[:, None] - angles)).argmax(), (len(angles),) * 2)
        met = nearest_point(self.camera, marks[one][None], marks[two][None], angles[two : two + 1] - angles[one])
        return turned(met, -angles[one])[0].clip(-REACH, REACH)

    def _off_axis(self, look: Camera) -> list[np.ndarray]:
        """How far two points of the axis are from its measured line, in AXIS_PX."""
        if self.axis is None:
            return []
        column, slope, row = self.axis
        ends = project(look, np.array([[0, 0, -np.tan(look.tilt) + height] for height in (-0.1, 0.1)]))
        return [(ends[:, 0] - column - slope * (row - ends[:, 1])) / AXIS_PX]

    def fitted(self) -> list[Fitted]:
        return [self._fitted(point, number) for number, point in enumerate(self.points)]

    def _fitted(self, point: np.ndarray, number: int) -> Fitted:
        off = np.hypot(*(_seen(self.camera, point, self.angles[number]) - self.marks[number]).T)
        radius = float(np.hypot(point[0], point[1]))
        # Marks are as sure as a hand is: a point nearer to the axis than twice that faces nowhere.
        known = 2 * self.mark_px / self.camera.focal_px
        facing = None if radius < known else float(np.degrees(-self.sign * np.arctan2(point[1], point[0]))) % 360
        return Fitted(tuple(map(float, point)), facing, float(np.sqrt(np.mean(off**2))), int(off.argmax()))


def _seen(camera: Camera, point: np.ndarray, angles: np.ndarray) -> np.ndarray:
    return project(camera, turned(np.broadcast_to(point, (len(angles), 3)), angles))


def _camera(known: TurnCamera) -> Camera:
    return Camera(known.pan, known.tilt, known.roll, known.focal_px, known.centre)


def _likely_camera(size: tuple[int, int], focal35_mm: float | None) -> tuple[np.ndarray, np.ndarray]:
    """What is known of a camera before any look at the turn: means and spreads in `Camera.vector` order."""
    diagonal = float(np.hypot(*size))
    focal = (focal35_mm or USUAL_FOCAL35_MM) / DIAGONAL35_MM * diagonal
    mean = Camera(0.0, np.radians(TILT_DEG), 0.0, focal, ((size[0] - 1) / 2, (size[1] - 1) / 2)).vector
    focal_spread = KNOWN_FOCAL_SPREAD if focal35_mm else USUAL_FOCAL_SPREAD
    centre = 0.01 * diagonal  # lenses and crops are off the middle by about so much
    return mean, np.array([np.radians(15), np.radians(TILT_SPREAD_DEG), np.radians(2), focal_spread, centre, centre])


def _axis_line(measures: SpinMeasures, size: tuple[int, int]) -> tuple[float, float, float] | None:
    """Column, lean (columns a row upwards) and the row where that column is told: the disc's, low in the picture."""
    if measures.axis_x is None:
        return None
    return measures.axis_x, float(np.tan(np.radians(measures.axis_tilt_deg))), 0.75 * size[1]


def moved(affine: Affine, xy: Sequence[float]) -> tuple[float, float]:
    (a, b, c), (d, e, f) = affine
    return a * xy[0] + b * xy[1] + c, d * xy[0] + e * xy[1] + f
