"""The angle of the disc at every picture of a film's turn: measured at some, followed between them.

Copies evenly along the turn are measured like photos (`measured.turntable`), and where the disc shows anything to
go by, many more are placed on its map (`disc_map`). Between two of them the angle grows as the picture changes, so
that a hand's jerks and pauses are followed.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from builder.filmed.course import Course
from builder.filmed.disc_map import map_angles
from builder.filmed.loop import NEARLY_DEG, Loop
from builder.frames.footage import film_pictures
from builder.measured.place import Axis
from builder.measured.tape import read_tape, with_tape
from builder.measured.turntable import DIAGONAL35_MM, USUAL_FOCAL35_MM, TurnFit, measure_turn, unjudged

COPY_SIDE = 960  # px, of the measured copies
# In a turn, 6.7° apart: corners can be followed over two or three of them. Not twice the marks of a disc (24, 30, 36
# are usual): then turning the other way, from mark to mark, would fit as well and close as well.
SAMPLES = 54
OPEN_SAMPLES = 30  # in a part turn, whose extent isn't known beforehand: steps of 6° if it is a half
HALF_DEG = 180.0  # guess of a part turn: others are within a factor of two or so
MAPPED = 240  # pictures placed on the disc's map: 1.5° apart in a turn, or all of a film that has fewer
FEWEST = 12
MOST_MISSING_DEG = 60.0  # of a turn whose end comes near its beginning
SAME_SHARE = 0.02  # of a closed turn: 7° in the mean
# 0.15 of a part turn, whose scale rests on perspective alone: so far two measurements may differ, and either be off
OPEN_SHARE = 0.15
# 0.06 of a part turn on the disc's map: so much it changes with the focal length, known to 40 %, of a camera 20° up
MAP_SHARE = 0.06
LOOKS = 3  # at most, at other samples each time, until two say the same
HELD = 0.3  # of the usual step: a step known no better is as well told by the time it took
HAND_SPEED = 0.5  # by which a hand's speed differs from its usual one: from half to half as much again
STRAY = 0.4  # of the way between its neighbours: a sample further from where they put it was mistaken


@dataclass(frozen=True)
class FilmAngles:
    """angles: (n,) degrees from the turn's first picture for pictures first … first + n - 1, never falling.

    turned_deg: the whole turn filmed, 360 where it closes; None: not known. turned_sigma_deg: its standard error, 0
    where the ends are seen to meet or nearly so. closed: as seen. judged: whether the angles are measured; if not,
    they go by how much the picture changes. off_deg: typical error of an angle of a closed turn; None: not known.
    """

    first: int
    angles: np.ndarray
    turned_deg: float | None
    closed: bool
    judged: bool
    turned_sigma_deg: float = 0.0
    off_deg: float | None = None


def measure_angles(film: Path, course: Course, loop: Loop, *, part: bool) -> FilmAngles:
    """part: a part turn is meant; its ends aren't expected to meet."""
    run = course.run[loop.start : loop.end + 1]
    even = 360.0 * (run - run[0]) / max(run[-1] - run[0], 1e-9)
    if loop.closed and not part:
        measured = _measured(film, course, loop, even, closed=True, whole=False)
        if measured is None:
            return FilmAngles(loop.start, even, 360.0, True, False)
        return FilmAngles(loop.start, measured[0], 360.0, True, True, off_deg=measured[1])
    if loop.nearly and not part:
        measured = _measured(film, course, loop, even, closed=True, whole=True)
        if measured is not None:
            return FilmAngles(loop.start, measured[0], float(measured[0][-1]), True, True, off_deg=measured[1])
    measured = _measured(film, course, loop, even, closed=False, whole=True)
    if measured is None:
        return FilmAngles(loop.start, even, None, False, False)
    angles, _, share = measured
    if not part:  # ends that don't meet are no whole turn, whatever the perspective says
        angles = angles * min(1.0, (360.0 if loop.nearly else 360.0 - NEARLY_DEG) / angles[-1])
    return FilmAngles(loop.start, angles, float(angles[-1]), False, True, share * float(angles[-1]))


def _measured(
    film: Path, course: Course, loop: Loop, even: np.ndarray, *, closed: bool, whole: bool
) -> tuple[np.ndarray, float | None, float] | None:
    """Angles (n,) of the turn's pictures, their typical error (None: not known) and the share by which a part turn's
    scale may be off; None where they can't be judged.

    By the disc's map, if it shows enough. Else measured again and again: on samples as far apart as the picture's change
    says, then on samples evenly in the angle so found. What none is sure of step by step is still known when two, from
    other samples, say the same. whole: up to the last picture; else one step short of it, since a closed turn's last
    picture is its first again.
    """
    mapped = _mapped(film, course, loop, None, even, closed, whole)
    if mapped is not None:
        return *mapped, MAP_SHARE
    angles, before = even, None
    for look in range(LOOKS if closed else 2):
        places = _evenly(angles, min(SAMPLES if closed else OPEN_SAMPLES, len(angles) // 2), whole)
        times = course.times[loop.start + places]
        fit = _fit(_copies(film, times), closed)
        if fit.camera is None and fit.sigma_deg is None:  # nothing to follow, and no tape
            return None
        if closed and whole and not 0 < fit.steps_deg[0] < MOST_MISSING_DEG:
            return None
        at, measured, off = even[places], np.array(fit.angles_deg), _off(np.roll(fit.step_sigma_deg, -1))
        if not whole:
            at = np.append(at, even[-1])
            measured, off = _closed_in_time(fit, np.append(times, course.times[loop.end]))
        angles = _between(*_without_strays(at, measured), even)
        mapped = _mapped(film, course, loop, fit, even, closed, whole) if look == 1 and fit.camera is not None else None
        if mapped is not None:
            return *mapped, MAP_SHARE
        apart = np.inf if before is None else float(np.abs(angles - before).mean())
        agree = apart < (SAME_SHARE if closed else OPEN_SHARE) * angles[-1]
        if agree:
            break
        before = angles
    if not agree and fit.sigma_deg is None and (whole or off is None):
        return None
    return angles, None if off is None else max(off, apart), OPEN_SHARE


def _closed_in_time(fit: TurnFit, times: np.ndarray) -> tuple[np.ndarray, float | None]:
    """Angles (n + 1,) at the samples and at the turn's end, where they meet the first again; and their typical error.

    times: (n + 1,) seconds. Steps that nothing in the pictures holds (a plain side, on a plain disc) share what the
    others leave of the turn by the time they took: a hand turns as fast there as elsewhere, give or take HAND_SPEED.
    """
    steps, sigma = (np.roll(np.array(part), -1) for part in (fit.steps_deg, fit.step_sigma_deg))
    took = np.diff(times)
    held = sigma < HELD * np.median(steps)
    if not held.any():
        return np.append(0.0, np.cumsum(steps)), _off(sigma)
    by_time = np.median(steps[held] / took[held]) * took
    # Over the seam the samples meet, as the film shows: no step is left out there
    held[-1] &= abs(steps[-1] - by_time[-1]) < 3 * np.hypot(sigma[-1], HAND_SPEED * by_time[-1])
    steps = np.where(held, steps, by_time)
    sigma = np.where(held, sigma, HAND_SPEED * by_time)
    share = sigma**2 / (sigma**2).sum()
    steps = np.maximum(steps + share * (360.0 - steps.sum()), 0.0)
    return np.append(0.0, np.cumsum(steps)) * 360.0 / steps.sum(), _off(sigma)


def _mapped(
    film: Path, course: Course, loop: Loop, fit: TurnFit | None, even: np.ndarray, closed: bool, whole: bool
) -> tuple[np.ndarray, float] | None:
    """Angles (n,) by the disc's map, and their typical error; None where the disc shows too little. fit: where the
    axis is, if that was found already.

    The guess is by how much the picture changes: that may be a third off anywhere, but never jumps as a step
    mistaken for another does.
    """
    turned = HALF_DEG if not closed else 360.0 - NEARLY_DEG / 2 if whole else 360.0
    places = _evenly(even, min(MAPPED, len(even)), whole)
    wanted = set(course.times[loop.start + places].tolist())
    pictures = film_pictures(film, min(wanted), max(wanted))
    greys = [picture.grey(COPY_SIDE) for picture in pictures if picture.time_s in wanted]
    axis = None if fit is None else Axis(fit.axis_x, -np.tan(np.radians(fit.axis_tilt_deg)), fit.axis_y)
    usual_px = USUAL_FOCAL35_MM / DIAGONAL35_MM * float(np.hypot(*greys[0].shape))
    found = map_angles(greys, usual_px, axis, turned / 360.0 * even[places], closed)
    if found is None:
        return None
    at, measured = even[places], found.angles
    if not whole:
        at, measured = np.append(at, even[-1]), np.append(measured, 360.0)
    return _between(at, measured, even), found.off_deg


def _off(sigma_deg: np.ndarray) -> float | None:
    """Typical error of a closed turn's angles, degrees: errors of steps (n,) add up along the turn, and where it closes
    their sum is known to be nothing (a Brownian bridge). None where a step has no error known."""
    come = np.cumsum(np.square(sigma_deg))
    if not 0 < come[-1] < np.inf:
        return None
    return float(np.sqrt(np.mean(come * (come[-1] - come) / come[-1])))


def _fit(copies: list[np.ndarray], closed: bool) -> TurnFit:
    """By the coded tape where every copy shows it, else by what turns."""
    tape = read_tape([cv2.cvtColor(copy, cv2.COLOR_RGB2GRAY) for copy in copies])
    if tape is not None and np.isfinite(tape.angles_deg).all():
        return with_tape(unjudged(len(copies), closed, ""), tape, closed)
    return with_tape(measure_turn(copies, closed=closed), tape, closed)


def _evenly(angles: np.ndarray, most: int, whole: bool) -> np.ndarray:
    """Places of at most so many samples, evenly in angle."""
    count = max(most, FEWEST)
    share = np.linspace(0, 1, count) if whole else np.arange(count) / count
    return np.unique([int(np.argmin(np.abs(angles - value))) for value in share * angles[-1]])


def _copies(film: Path, times: np.ndarray) -> list[np.ndarray]:
    wanted = set(times.tolist())
    pictures = film_pictures(film, float(times[0]), float(times[-1]))
    return [picture.colour(COPY_SIDE) for picture in pictures if picture.time_s in wanted]


def _without_strays(at: np.ndarray, angles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Samples that fit between their neighbours; the ends stay. One that was taken for another place stands out."""
    while len(at) > FEWEST:
        middle = np.interp(at[1:-1], at, angles)
        share = (at[1:-1] - at[:-2]) / np.maximum(at[2:] - at[:-2], 1e-9)
        off = np.abs(angles[:-2] + share * (angles[2:] - angles[:-2]) - middle)
        worst = int(np.argmax(off))
        if off[worst] < STRAY * (angles[worst + 2] - angles[worst]):
            break
        at, angles = np.delete(at, worst + 1), np.delete(angles, worst + 1)
    return at, angles


def _between(at: np.ndarray, angles: np.ndarray, where: np.ndarray) -> np.ndarray:
    """Angles at every picture: through the measured ones, never falling, without corners in speed."""
    from scipy.interpolate import PchipInterpolator

    at, kept = np.unique(at, return_index=True)
    return np.maximum.accumulate(PchipInterpolator(at, np.maximum.accumulate(angles[kept]))(where))
