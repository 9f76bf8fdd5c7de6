"""Is the turn so fast that it smears? Edges while the disc turns against edges at rest, before or after.

A film's frames are all turned at, so a smear that they share isn't seen by holding them against each other.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from builder.filmed.angles import FilmAngles
from builder.filmed.course import Course
from builder.frames.footage import film_pictures
from builder.measured.sharpness import SEEN_PX, softness_of

DETAIL_SIDE = 1600  # px, the widest site picture
NEAR_DEG = (8.0, 45.0)  # from rest: turning, and still much the same view
PICTURES = 3  # looked at, the fastest
OTHER_VIEW = 4.0  # times the limit for blur, as between frames that aren't neighbours


def measure_smear(film: Path, course: Course, angles: FilmAngles) -> float | None:
    """By how much edges are softer while the disc turns: sigma, px of a picture of DETAIL_SIDE or the film's own
    width; 0 where it doesn't show; None where the film has no rest to hold it against."""
    rest = _rest(course, angles)
    if rest is None:
        return None
    place, near = rest
    speed = np.gradient(angles.angles, course.times[angles.first : angles.first + len(angles.angles)])
    fastest = sorted(near, key=lambda k: (-speed[k], k))[:PICTURES]
    wanted = {float(course.times[k]) for k in (place, *(angles.first + k for k in fastest))}
    greys = {p.time_s: p.grey(DETAIL_SIDE) for p in film_pictures(film, min(wanted), max(wanted)) if p.time_s in wanted}
    still = greys.pop(float(course.times[place]))
    area = _area(course, still.shape)
    more = np.stack([softness_of(grey, area) for grey in greys.values()]) - softness_of(still, area)
    if not np.isfinite(more).any():
        return None
    worst = float(np.nanmax(np.nanmedian(more[:, np.isfinite(more).any(axis=0)], axis=0)))
    return worst**0.5 if worst > OTHER_VIEW * SEEN_PX**2 else 0.0


def _rest(course: Course, angles: FilmAngles) -> tuple[int, list[int]] | None:
    """A picture at rest, and the turning ones (counted from the turn's first) near it in angle; before the turn, or after it."""
    quiet = np.convolve(course.change, np.ones(5), "same") < 0.02 * max(float(course.change.max()), 1e-9)
    last = angles.first + len(angles.angles) - 1
    close, far = NEAR_DEG
    before = np.flatnonzero(quiet[: angles.first + int(np.searchsorted(angles.angles, 1.0))])
    if len(before):
        near = np.flatnonzero((angles.angles > close) & (angles.angles < far))
        return (int(before[-1]), near.tolist()) if len(near) else None
    turned = float(angles.angles[-1])
    start = angles.first + int(np.searchsorted(angles.angles, turned - 1.0))
    after = start + np.flatnonzero(quiet[start : last + 1])
    near = np.flatnonzero((turned - angles.angles > close) & (turned - angles.angles < far))
    return (int(after[0]), near.tolist()) if len(after) and len(near) else None


def _area(course: Course, shape: tuple[int, int]) -> np.ndarray:
    """bool, of the given shape: where the film changes."""
    moving = course.copies.astype(np.float32).std(axis=0)
    mask = cv2.dilate((moving > 0.1 * moving.max()).astype(np.uint8), np.ones((3, 3), np.uint8))
    return cv2.resize(mask, shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
