"""Upright edges as evidence of a step: a spout, a handle, the side of a box.

A plain object has few corners, but whatever stands out from its round body has upright edges, and turning moves those
sideways, across themselves: along its whole length each tells its place as well as a corner does. Edges are placed
by the frames on one side of a step, as corners are, and looked for on the other side at every turn that might lie
between. An outline of the round body itself moves nowhere, and is left out.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from builder.measured.turn_camera import rays, turned
from builder.measured.turn_features import PLACE_PX, STATIC_PX, Shot, noise_level
from builder.measured.turn_fit import Fit
from builder.measured.turn_tracks import Guess, along_sight, likeness, seen_at, small_patches

FINE = 13  # depths tried between one of the coarse ones and its neighbours
MOST = 150  # of a frame
APART_PX = 9  # half a patch: nearer, two say the same
TALL_PX = 9  # over which an edge's slope is gathered
SURE_LIKE = 0.7  # correlation from which an edge is seen again, in the frames that place it
STILL_WORSE = 0.15  # correlation by which it must be less like what is where it was: else it may well stand still
UNLIKE, LIKE = 0.5, 0.8  # correlations: below, an edge speaks for nothing; above, in full


def edge_points(shot: Shot, most: int = MOST) -> np.ndarray:
    """Places (m, 2), own px, of the frame less what stands still: where noise lets an upright edge's column be known to
    PLACE_PX or better, APART_PX or more from one another, the clearest first."""
    slope = cv2.Sobel(shot.moving, cv2.CV_32F, 1, 0) / 8
    power = cv2.boxFilter(slope * slope, -1, (3, TALL_PX), normalize=False)
    # a column's error is noise / sqrt(summed squared slopes); the picture was softened, its noise is known before that
    limit = (noise_level(shot.even) / PLACE_PX) ** 2
    peak = cv2.dilate(power, np.ones((1, 5), np.uint8))
    ys, xs = np.nonzero((power == peak) & (power > limit))
    order = np.argsort(-power[ys, xs], kind="stable")
    taken = np.zeros(power.shape, bool)
    found = []
    for y, x in zip(ys[order].tolist(), xs[order].tolist()):
        if not taken[y, x]:
            found.append((x, y))
            taken[max(y - APART_PX + 1, 0) : y + APART_PX, max(x - APART_PX + 1, 0) : x + APART_PX] = True
            if len(found) == most:
                break
    return np.array(found, float).reshape(-1, 2)


def edges_speak(
    shots: Sequence[Shot], found: Fit, side: Sequence[int], beyond: int, shifts: np.ndarray, radius: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """How far each edge of the side's first frame speaks for each shift (radians) of the angle of the frame beyond the
    step, (m, S) from 0 to 1; how far it has its like at the way that shift leads, (m, S); and where it is, (m, 3)."""
    home, others = side[0], list(side[1:])
    first = shots[home]
    own = edge_points(first)
    none = np.zeros((0, len(shifts)))
    if not others or not len(own):
        return none, none, np.zeros((0, 3))
    patches = small_patches(first, own)
    points, sure = _placed(shots, found, side, own, patches, radius)
    points, patches = points[sure], patches[sure]
    there = seen_at(shots[beyond], found.camera, points[:, None], found.angles[beyond] - found.angles[home] + shifts)
    placed = turned(points, -found.angles[home])
    return (
        _clear(likeness(shots[beyond], patches, there)),
        likes_beside(first, found, patches, placed, found.angles[home], shifts),
        placed,
    )


def _placed(
    shots: Sequence[Shot], found: Fit, side: Sequence[int], own: np.ndarray, patches: np.ndarray, radius: float
) -> tuple[np.ndarray, np.ndarray]:
    """Where on their lines of sight the side's other frames put edges (m, 3), at the home frame's angle; and whether
    they surely are there, and turn."""
    home, others, first = side[0], list(side[1:]), shots[side[0]]
    ray, guess = rays(found.camera, first.referred(own)), Guess(found.camera, found.angles, radius)
    stayed = [shots[other].own(first.referred(own))[:, None] for other in others]

    def seen(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Likeness and movement, (others, m, D)."""
        places = [seen_at(shots[k], found.camera, points, found.angles[k] - found.angles[home]) for k in others]
        alike = np.stack([likeness(shots[k], patches, place) for k, place in zip(others, places)])
        return alike, np.stack([np.hypot(*np.moveaxis(p - s, -1, 0)) for p, s in zip(places, stayed)])

    rows = np.arange(len(own))
    points, inside = along_sight(guess, ray)
    score = np.mean([widened(alike) for alike in seen(points)[0]], axis=0)  # it may lie between two of the depths tried
    depth = np.where(inside, score, -1.0).argmax(1)
    before, after = (points[rows, np.clip(depth + way, 0, points.shape[1] - 1)] for way in (-1, 1))
    points = before[:, None] + np.linspace(0, 1, FINE)[:, None] * (after - before)[:, None]
    alike, moved = seen(points)
    score = alike.mean(0)
    best = score.argmax(1)
    still = np.mean([likeness(shots[k], patches, place)[:, 0] for k, place in zip(others, stayed)], axis=0)
    sure = (score[rows, best] > SURE_LIKE) & (score[rows, best] > still + STILL_WORSE)
    return points[rows, best], sure & (moved.max(0)[rows, best] > 2 * STATIC_PX)


def likes_beside(
    home: Shot, found: Fit, patches: np.ndarray, points: np.ndarray, angle: float, shifts: np.ndarray
) -> np.ndarray:
    """(m, S) how far points (m, 3, at angle 0) have their like in their own frame, at `angle`, as far round as each shift.

    Such a one, come to the same place after another turn, is taken for the point; before or behind it, as the shift may be meant.
    """
    here = seen_at(home, found.camera, points, angle)
    alike = np.zeros((len(points), len(shifts)))
    for way in (1, -1):
        places = seen_at(home, found.camera, points[:, None], angle + way * shifts)
        apart = np.hypot(*np.moveaxis(places - here[:, None], -1, 0)) >= APART_PX / 2  # nearer, it is itself
        alike = np.maximum(alike, np.where(apart, _clear(likeness(home, patches, places)), 0.0))
    return alike


def widened(values: np.ndarray) -> np.ndarray:
    """(m, S), the largest of each value and those beside it."""
    return sliding_window_view(np.pad(values, ((0, 0), (1, 1)), mode="edge"), 3, axis=1).max(-1)


def _clear(alike: np.ndarray) -> np.ndarray:
    return np.clip((alike - UNLIKE) / (LIKE - UNLIKE), 0.0, 1.0)
