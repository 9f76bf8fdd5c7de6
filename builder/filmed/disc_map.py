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
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.disc_view import COLUMNS, LEAST_LEVELS, see_disc, unrolled
from builder.measured.place import Axis

SLOWEST, FINEST = 4, 240  # waves round the disc: below shading, above coding noise
LAGS = (1, 2, 4, 8, 16, 30)  # pictures apart that are compared, at first the near ones: up to about a quarter of a turn
NEAR = 2  # of them, for the first angles
REACH_DEG = 6.0  # how far from what is known already an agreement is looked for
AWAY = 0.3  # correlation by which a peak so far away must be greater to be taken
ALIKE = 0.3  # correlation from which two pictures agree
MISFIT_DEG = 0.2  # of pairs, typically: about a pixel of the near rim; more is no disc that turns
CLEARLY = 0.5  # of the misfit of the same disc turning the other way
MOST_STRETCHED = 0.1  # by which turns of one length may be drawn too long or too short; more is another mark
SEAM_DEG = 1.0  # by which pairs over the seam may be off; more is another mark: the turn doesn't close
LEAST_OFF_DEG = 0.02  # a twelfth of a column: no pair is known better
CLOSED_SCALES, OPEN_SCALES = (0.7, 1.0, 1.4), (0.5, 0.7, 1.0, 1.4, 2.0)  # times the guess: how fast it may turn there
LATER, LATER_DEG = 2, 9.0  # pictures later, where the disc went on by less than this
SAME_CELL = 0.3  # correlation over the turn from which a place of the map is the disc's, not the subject's


@dataclass(frozen=True)
class MapAngles:
    """angles: (n,) degrees from the first picture, growing; off_deg: their typical error, by what the left half of the
    disc and the right say."""

    angles: np.ndarray
    off_deg: float


def map_angles(
    greys: Sequence[np.ndarray], focal_px: float, axis: Axis | None, guess: np.ndarray, closed: bool
) -> MapAngles | None:
    """None where the disc isn't found or shows too little.

    greys: uint8 (h, w) of places along the turn, about evenly; closed: the last one's next is the first again.
    axis: in these pixels, its row about where it meets the disc; None: amid what turns. guess: (n,) degrees, near each other's truth from
    neighbour to neighbour.
    """
    view = see_disc(greys, focal_px, axis)
    strips = None if view is None else _standing_off(unrolled(greys, view))
    if strips is None:
        return None
    scales = CLOSED_SCALES if closed else OPEN_SCALES
    tries = [(sign, _disc_cells(strips, guess, sign, scales)) for sign in (1, -1)]
    (both, sign, cells), (other, _, _) = sorted(
        ((_near_and_far(strips, cells, guess, sign, closed), sign, cells) for sign, cells in tries),
        key=lambda one: one[0].misfit_deg,
    )
    if both.misfit_deg > min(MISFIT_DEG, CLEARLY * other.misfit_deg):
        return None
    side = np.arange(COLUMNS) < COLUMNS // 2  # the middle is nearest the camera
    left, right = (_put_together(strips, cells * half, both.angles, sign, closed, LAGS) for half in (side, ~side))
    scale = 1.0 if closed else left.angles[-1] / max(right.angles[-1], 1e-9)  # of a part turn each half has its own
    off = float(np.std(left.angles - scale * right.angles)) / 2
    return MapAngles(both.angles, off) if max(left.misfit_deg, right.misfit_deg, off) < MISFIT_DEG else None


def _near_and_far(strips: np.ndarray, cells: np.ndarray, guess: np.ndarray, sign: int, closed: bool) -> "_Answer":
    near = _put_together(strips, cells, guess, sign, closed, LAGS[:NEAR])
    return near if np.isinf(near.misfit_deg) else _put_together(strips, cells, near.angles, sign, closed, LAGS)


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


def _links(
    strips: np.ndarray, cells: np.ndarray, guess: np.ndarray, sign: int, closed: bool, lags: Sequence[int]
) -> tuple[np.ndarray, ...]:
    """For pairs of pictures: first, second, the turn between them in degrees, how much they agree (correlation), lag."""
    count, rows = len(strips), cells.any(axis=1)
    strips, cells = strips[:, rows] * cells[rows], cells[rows]
    own, power, where = (np.fft.rfft(part, axis=-1) for part in (strips, strips**2, cells))
    found = []
    for lag in lags:
        first = np.arange(count if closed else count - lag)
        second = (first + lag) % count
        turned = (guess[second] - guess[first]) % 360 if closed else guess[second] - guess[first]

        def slid(a: np.ndarray, b: np.ndarray) -> np.ndarray:
            return np.fft.irfft((np.conj(a) * b).sum(axis=1), COLUMNS, axis=-1)

        both = slid(own[first], own[second])
        alike = both / np.sqrt(np.maximum(slid(power[first], where[None]) * slid(where[None], power[second]), 1e-6))
        turn, agree = _peak(alike, sign * turned, sign)
        found.append(np.stack([first, second, sign * turn, agree, np.full(len(first), lag)]))
    return tuple(np.concatenate(found, axis=1))


def _peak(alike: np.ndarray, turned: np.ndarray, sign: int) -> tuple[np.ndarray, np.ndarray]:
    """Degrees (m,) near `turned` at which the rows of alike (m, COLUMNS) are greatest, between columns; and how great.
    Of peaks that are as great, as those of evenly spaced marks, the nearest; none that lies back."""
    cell = 360.0 / COLUMNS
    reach = round(REACH_DEG / cell)
    near = np.rint(turned / cell).astype(int)[:, None] + np.arange(-reach - 1, reach + 2)
    values = np.take_along_axis(alike, near % COLUMNS, axis=1)
    peaks = (values[:, 1:-1] >= values[:, :-2]) & (values[:, 1:-1] > values[:, 2:])
    peaks &= sign * near[:, 1:-1] >= -1
    far = AWAY * ((near[:, 1:-1] * cell - turned[:, None]) / REACH_DEG) ** 2
    rows, best = np.arange(len(values)), np.where(peaks, values[:, 1:-1] - far, -np.inf).argmax(axis=1) + 1
    before, here, after = values[rows, best - 1], values[rows, best], values[rows, best + 1]
    bend = before - 2 * here + after
    part = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    return (near[rows, best] + part) * cell, np.where(peaks.any(axis=1), here, 0.0)


@dataclass(frozen=True)
class _Answer:
    """angles: (n,) degrees; misfit_deg: how far pairs of pictures are off them, typically; infinite: none was found."""

    angles: np.ndarray
    misfit_deg: float


def _put_together(
    strips: np.ndarray, cells: np.ndarray, guess: np.ndarray, sign: int, closed: bool, lags: Sequence[int]
) -> _Answer:
    """Angles that agree best with all pairs, robustly. Of a closed turn each lag has a scale of its own: the map
    is drawn with a camera known roughly, which stretches turns of one length alike, and where the turn closes the
    sum of them is known."""
    first, second, turn, agree, lag = _links(strips, cells, guess, sign, closed, lags)
    count, good = len(guess), agree > ALIKE
    if _gaps(first[good], lag[good], count, closed):
        return _Answer(guess, np.inf)
    first, second, turn, agree, lag = (part[good] for part in (first, second, turn, agree, lag))
    first, second, rows = first.astype(int), second.astype(int), np.arange(len(turn))
    matrix = np.zeros((len(turn), count + len(lags)))
    matrix[rows, second] += 1
    matrix[rows, first] -= 1
    value = turn - np.where(second < first, 360.0, 0.0)
    if closed:
        matrix[rows, count + np.searchsorted(lags, lag)] = -turn  # turn · (1 + stretch)
    free = np.r_[False, np.ones(count - 1, bool), np.isin(lags, lag) & closed]
    start = np.r_[guess - guess[0], np.zeros(len(lags))]  # what nothing holds stays there
    value = value - matrix @ start
    more, off, scale = _solved(matrix[:, free], value, agree**2)
    answer = start
    answer[free] += more
    seam = off[second < first]
    if np.abs(answer[count:]).max() > MOST_STRETCHED or (len(seam) and np.median(seam) > SEAM_DEG):
        return _Answer(guess, np.inf)
    return _Answer(np.maximum.accumulate(answer[:count]), scale)


def _solved(
    matrix: np.ndarray, value: np.ndarray, trust: np.ndarray, rounds: int = 8
) -> tuple[np.ndarray, np.ndarray, float]:
    """Least squares in which what lies far off fades out; the unknowns, how far off each row is, and the usual offness."""
    weight = trust
    for _ in range(rounds):
        weighed = matrix.T * weight
        normal = weighed @ matrix
        found = np.linalg.solve(normal + 1e-9 * np.trace(normal) * np.eye(len(normal)), weighed @ value)
        off = np.abs(value - matrix @ found)
        scale = max(1.4826 * float(np.median(off)), LEAST_OFF_DEG)
        weight = trust / (1 + (off / (2.5 * scale)) ** 2) ** 2
    return found, off, scale


def _gaps(first: np.ndarray, lag: np.ndarray, count: int, closed: bool) -> bool:
    """Whether there are neighbours over whose step no pair reaches: what lies beyond hangs by nothing."""
    over = np.zeros(2 * count, int)
    np.add.at(over, first.astype(int), 1)
    np.add.at(over, (first + lag).astype(int), -1)
    over = np.cumsum(over)
    return bool(((over[:count] + over[count:]) == 0)[: count if closed else count - 1].any())


def _disc_cells(strips: np.ndarray, guess: np.ndarray, sign: int, scales: Sequence[float]) -> np.ndarray:
    """float32 (ROWS, COLUMNS), 1 where what is seen is met again a little later, as far on as the disc turned, and not
    where it was: there is the disc, and not the subject before it. scales: by which the guess may be off."""
    near = np.flatnonzero((guess[LATER:] - guess[:-LATER]) < LATER_DEG)
    if not len(near):
        return np.zeros(strips.shape[1:], np.float32)
    before, later = strips[near], strips[near + LATER]
    turns = sign * (guess[near + LATER] - guess[near]) / 360
    waves, each = np.fft.rfft(before, axis=-1), np.arange(COLUMNS // 2 + 1)

    def same(one: np.ndarray) -> np.ndarray:
        dot, power = (one * later).sum(axis=0), (one**2).sum(axis=0) * (later**2).sum(axis=0)
        return cv2.blur((dot / np.sqrt(np.maximum(power, 1e-6))).astype(np.float32), (9, 1))

    phase = (-2j * np.pi * turns[:, None] * each)[:, None]
    moved = (np.fft.irfft(waves * np.exp(scale * phase).astype(np.complex64), COLUMNS, axis=-1) for scale in scales)
    turning = np.max([same(one) for one in moved], axis=0)
    return ((turning > SAME_CELL) & (turning > same(before) + SAME_CELL)).astype(np.float32)
