"""The disc as a map: where each picture of the film lies on it, told by marks, grain, print and dirt.

Seen by a camera that stands still, the disc's top is always in the same place, and turning only slides it round. So
each picture is unrolled about the axis (columns: direction as seen from the axis, rows: distance from it), what stands
still is taken off, and one picture is slid along another until they agree. Pictures next to one another agree near
what the film says anyhow; with the angles so found those far apart are compared, and all the angles are put together
by least squares. Errors don't add up along the turn as those of steps do, and evenly spaced marks can't be taken for
one another, since each is followed from picture to picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from builder.measured.disc import Disc, find_disc
from builder.measured.place import Axis
from builder.measured.turn_camera import Camera, project

COLUMNS = 1440  # a quarter of a degree each: about a pixel of the near rim in a measured copy
ROWS = 24
REACH = (0.35, 1.03)  # of the disc's radius, from the axis: within, the subject stands
FOOT_ERROR = 0.4  # of what turns: how far off the row may be where the axis meets the disc
LEAST_LEVELS = 1.0  # of 255, spread over the turn: less is coding noise
SLOWEST, FINEST = 4, 240  # waves round the disc: below shading, above coding noise
LAGS = (1, 2, 4, 8, 14, 22)  # pictures apart that are compared, at first the near ones: up to about a quarter of a turn
NEAR = 3  # of them, for the first angles
REACH_DEG = 3.0  # how far from what is known already an agreement is looked for: a quarter of the spacing of 30 marks
ALIKE = 0.3  # correlation from which two pictures agree
LATER, LATER_DEG = 2, 9.0  # pictures later, where the disc went on by less than this
SAME_CELL = 0.3  # correlation over the turn from which a place of the map is the disc's, not the subject's


@dataclass(frozen=True)
class MapAngles:
    """angles: (n,) degrees from the first picture, growing; off_deg: their typical error, by left and right apart."""

    angles: np.ndarray
    off_deg: float


def map_angles(greys: Sequence[np.ndarray], rough: Camera, axis: Axis, guess: np.ndarray, closed: bool) -> MapAngles | None:
    """None where the disc isn't found or shows too little.

    greys: uint8 (h, w) of places along the turn, about evenly; closed: the last one's next is the first again.
    axis: in these pixels, its row about where it meets the disc. guess: (n,) degrees, near each other's truth from
    neighbour to neighbour.
    """
    view = _seen_disc(greys, rough, axis)
    strips = None if view is None else _standing_off(_unrolled(greys, view))
    if strips is None:
        return None
    level, sign = max(((_disc_cells(strips, guess, sign), sign) for sign in (1, -1)), key=lambda one: one[0].sum())
    strips = strips * level
    angles = _put_together(strips, level, guess, sign, closed, LAGS[:NEAR])
    if angles is None:
        return None
    middle = np.arange(COLUMNS)[None] < COLUMNS // 2  # column 0 is the far side, the middle nearest the camera
    halves = [_put_together(strips, level * side, angles, sign, closed, LAGS) for side in (middle, ~middle)]
    both = _put_together(strips, level, angles, sign, closed, LAGS)
    if both is None:
        return None
    off = np.inf
    if all(half is not None for half in halves):
        apart = halves[0] - halves[1]
        off = float(np.sqrt(np.mean((apart - apart.mean()) ** 2)) / 2)
    return MapAngles(both, off)


@dataclass(frozen=True)
class _View:
    """How the disc's top is seen. height: of the camera over it, radius: its own, camera distances."""

    camera: Camera
    height: float
    radius: float

    def at(self, radius: np.ndarray, around: np.ndarray) -> np.ndarray:
        """Pixels (…, 2) of places of the disc; around: radians, counter-clockwise seen from above, 0 nearest the camera."""
        x, y, z = np.broadcast_arrays(radius * np.cos(around), radius * np.sin(around), -self.height)
        return project(self.camera, np.stack([x, y, z], -1))


def _seen_disc(greys: Sequence[np.ndarray], rough: Camera, axis: Axis) -> _View | None:
    """The rim's ellipse as a circle about the axis; only the focal length is taken from the rough camera."""
    plate = np.median(np.stack(greys[:: max(len(greys) // 30, 1)]), axis=0)
    spread = cv2.blur(np.mean([np.abs(grey - plate) for grey in greys[::2]], axis=0), (5, 5))
    columns = np.flatnonzero((spread - np.median(spread) > LEAST_LEVELS).any(axis=0))
    if not len(columns):
        return None
    swing = (columns[-1] - columns[0]) / 2
    disc = find_disc(np.repeat(plate.astype(np.uint8)[..., None], 3, axis=2), axis, axis.row, swing, FOOT_ERROR * swing)
    return None if disc is None else _circle(disc, rough)


def _circle(disc: Disc, rough: Camera) -> _View | None:
    around = np.radians(np.arange(0, 360, 15))

    def view(p: np.ndarray) -> _View:
        return _View(replace(rough, pan=p[0], tilt=p[1], roll=0.0), np.exp(p[2]), np.exp(p[3]))

    def off(p: np.ndarray) -> np.ndarray:
        x, y = ((view(p).at(view(p).radius, around) - [disc.x, disc.y]) / [disc.a, disc.b]).T
        return np.hypot(x, y) - 1.0

    start = [rough.pan, rough.tilt, np.log(disc.b / disc.a), np.log(disc.a / rough.focal_px)]
    found = least_squares(off, start, x_scale=[0.05, 0.05, 0.3, 0.3])
    return view(found.x) if np.abs(found.fun).max() < 0.02 else None


def _unrolled(greys: Sequence[np.ndarray], view: _View) -> np.ndarray:
    """float32 (n, ROWS, COLUMNS); columns by direction, counter-clockwise from above, nearest the camera in the middle."""
    radius = view.radius * np.linspace(*REACH, ROWS)[:, None]
    around = (np.arange(COLUMNS) - COLUMNS // 2) * (2 * np.pi / COLUMNS)
    x, y = np.moveaxis(view.at(radius, around[None]).astype(np.float32), -1, 0)
    return np.stack([cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for grey in greys]).astype(np.float32)


def _standing_off(strips: np.ndarray) -> np.ndarray | None:
    """What turns: less the median over the turn, less waves that only light makes, each place by its own spread.
    None where nothing does."""
    strips = strips - np.median(strips, axis=0)
    waves = np.fft.rfft(strips, axis=-1)
    waves[..., :SLOWEST] = 0
    waves[..., FINEST:] = 0
    strips = np.fft.irfft(waves, COLUMNS, axis=-1).astype(np.float32)
    spread = strips.std(axis=0)
    turning = spread > LEAST_LEVELS
    return strips * turning / np.maximum(spread, LEAST_LEVELS) if turning.any() else None


def _links(strips: np.ndarray, level: np.ndarray, guess: np.ndarray, sign: int, closed: bool, lags: Sequence[int]) -> tuple[np.ndarray, ...]:
    """For pairs of pictures: first, second, the turn between them in degrees, how much they agree (correlation), lag."""
    count = len(strips)
    own, power, where = (np.fft.rfft(part, axis=-1) for part in (strips * level, strips**2 * level, level))
    found = []
    for lag in lags:
        first = np.arange(count if closed else count - lag)
        second = (first + lag) % count
        turned = (guess[second] - guess[first]) % 360 if closed else guess[second] - guess[first]

        def slid(a: np.ndarray, b: np.ndarray) -> np.ndarray:
            return np.fft.irfft((np.conj(a) * b).sum(axis=1), COLUMNS, axis=-1)

        both = slid(own[first], own[second])
        alike = both / np.sqrt(np.maximum(slid(power[first], where[None]) * slid(where[None], power[second]), 1e-6))
        turn, agree = _peak(alike, sign * turned)
        found.append(np.stack([first, second, sign * turn, agree, np.full(len(first), lag)]))
    return tuple(np.concatenate(found, axis=1))


def _peak(alike: np.ndarray, turned: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Degrees (m,) near `turned` at which the rows of alike (m, COLUMNS) are greatest, between columns; and how great."""
    cell = 360.0 / COLUMNS
    reach = round(REACH_DEG / cell)
    near = np.rint(turned / cell).astype(int)[:, None] + np.arange(-reach - 1, reach + 2)
    values = np.take_along_axis(alike, near % COLUMNS, axis=1)
    rows, best = np.arange(len(values)), values[:, 1:-1].argmax(axis=1) + 1
    before, here, after = values[rows, best - 1], values[rows, best], values[rows, best + 1]
    bend = before - 2 * here + after
    part = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    inside = np.abs(part) <= 1.0  # else it still grows at the edge of what was looked at
    return (near[rows, best] + np.clip(part, -1, 1)) * cell, np.where(inside, here, 0.0)


def _put_together(strips: np.ndarray, level: np.ndarray, guess: np.ndarray, sign: int, closed: bool, lags: Sequence[int]) -> np.ndarray | None:
    """Angles (n,) that agree best with all pairs, robustly. Of a closed turn each lag has a scale of its own: the map
    is drawn with a camera known roughly, which stretches turns of one length alike, and where the turn closes the
    sum of them is known."""
    first, second, turn, agree, lag = _links(strips, level, guess, sign, closed, lags)
    good = agree > ALIKE
    if good.sum() < 2 * len(guess) or not np.isin(np.arange(len(guess)), np.r_[first[good], second[good]]).all():
        return None
    first, second, turn, agree, lag = (part[good] for part in (first, second, turn, agree, lag))
    first, second, count, rows = first.astype(int), second.astype(int), len(guess), np.arange(len(turn))
    matrix = np.zeros((len(turn), count + len(lags)))
    matrix[rows, second] += 1
    matrix[rows, first] -= 1
    value = turn - np.where(second < first, 360.0, 0.0)
    if closed:
        matrix[rows, count + np.searchsorted(lags, lag)] = -turn
        value -= turn
    free = np.r_[np.zeros(1, bool), np.ones(count - 1, bool), np.full(len(lags), closed)]
    weight = agree**2
    for _ in range(8):
        root = np.sqrt(weight)
        answer = np.zeros(matrix.shape[1])
        answer[free] = np.linalg.lstsq(matrix[:, free] * root[:, None], value * root, rcond=None)[0]
        off = np.abs(value - matrix @ answer)
        scale = max(1.4826 * float(np.median(off)), 0.02)
        weight = agree**2 / (1 + (off / (2.5 * scale)) ** 2) ** 2
    return np.maximum.accumulate(answer[:count])


def _disc_cells(strips: np.ndarray, guess: np.ndarray, sign: int) -> np.ndarray:
    """float32 (ROWS, COLUMNS), 1 where what is seen is met again a little later, as far on as the disc turned, and not
    where it was: there is the disc, and not the subject before it."""
    near = np.flatnonzero((guess[LATER:] - guess[:-LATER]) < LATER_DEG)
    if not len(near):
        return np.zeros(strips.shape[1:], np.float32)
    before, later = strips[near], strips[near + LATER]
    turns = sign * (guess[near + LATER] - guess[near]) / 360
    waves = np.fft.rfft(before, axis=-1) * np.exp(-2j * np.pi * np.arange(COLUMNS // 2 + 1) * turns[:, None])[:, None]
    moved = np.fft.irfft(waves, COLUMNS, axis=-1)

    def same(one: np.ndarray) -> np.ndarray:
        dot, power = (one * later).sum(axis=0), (one**2).sum(axis=0) * (later**2).sum(axis=0)
        return cv2.blur((dot / np.sqrt(np.maximum(power, 1e-6))).astype(np.float32), (9, 1))

    turning = same(moved)
    return ((turning > SAME_CELL) & (turning > same(before) + SAME_CELL)).astype(np.float32)
