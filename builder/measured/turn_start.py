"""First answers: where the camera may look, which way the table may turn, and about how far between frames.

Each match of two frames, given the camera, fits one angle of turning (`turn_camera.epipolar_px`), so a
pair of frames votes for its own step and nothing has to be assumed about even spacing; the likely
cameras are those under which the votes agree best. Several are handed on: rim marks at even spacing
agree among themselves on a wrong turn too, and two frames alone can't always tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from builder.measured.abreast import abreast
from builder.measured.turn_camera import Camera, epipolar_px, rays
from builder.measured.turn_doubt import log_prior
from builder.measured.turn_features import STATIC_PX, Shot, alike, follow, match

VOTE_PX = 1.0  # a match agrees with an angle when it is no further off than this
TILTS_DEG = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 37.0, 45.0, 55.0)
MATCH_SAYS = 2.0  # log odds by which an agreeing match speaks for an angle: chance in ten, and neighbours share it
UNCHANGED = 0.35  # of what most frames differ by from the next
LEAST_SUPPORT = 3.0  # votes of fewer matches than this don't count


@dataclass(frozen=True)
class Pair:
    """Matched places of two frames in the reference's pixels, (m, 2) each, weights (m,) from 0 to 1."""

    first: int
    second: int
    xy: np.ndarray
    other: np.ndarray
    weight: np.ndarray


@dataclass(frozen=True)
class Start:
    """A camera and a turn worth a closer look. nominal: the usual step, radians; sign: 1 counter-clockwise, else -1."""

    camera: Camera
    sign: int
    nominal: float
    score: float


@dataclass(frozen=True)
class Vote:
    """What a pair of frames says about the turn between them: radians, counter-clockwise positive."""

    first: int
    second: int
    angle: float
    support: float  # agreeing matches beyond what chance gives
    sigma: float


def match_neighbours(shots: Sequence[Shot], changes: np.ndarray, closed: bool) -> tuple[list[Pair], set[int]]:
    """Matches of neighbouring frames that moved, and the frames in which all but few stood still.

    changes: as by `picture_changes`.

    A match weighs by how far it moved, since a short movement fits almost any turn, and less when its
    own frame holds look-alikes, since it may have been taken for the mark next to it.
    """
    count = len(shots)
    found = abreast(lambda home: _pair(shots, home), range(count if closed else count - 1))
    stood = {home for home, (pair, stayed) in enumerate(found) if stayed > 2 * len(pair.xy) and home + 1 < count}
    return [pair for pair, _ in found], {home + 1 for home in stood if changes[home] < UNCHANGED}


def _pair(shots: Sequence[Shot], home: int) -> tuple[Pair, int]:
    """A pair's matches that moved, and how many didn't."""
    other_frame = (home + 1) % len(shots)
    first, second = shots[home], shots[other_frame]
    height, width = first.even.shape
    named = match(first, second, (0.4 * width, 0.2 * height))
    start, guess = first.corners[named[:, 0]], second.corners[named[:, 1]]
    place, held = follow(first, second, start, guess, levels=0, and_back=True)
    held &= np.abs(place - guess).max(1) < 4
    xy, other = first.referred(start[held]), second.referred(place[held])
    length = np.hypot(*(xy - other).T)
    moved = length > STATIC_PX
    weight = np.minimum(1.0, length / np.percentile(length[moved], 90)) if moved.any() else length
    weight = weight / (1 + alike(first, named[held, 0])) ** 2
    return Pair(home, other_frame, xy[moved], other[moved], weight[moved]), int((~moved).sum())


def picture_changes(shots: Sequence[Shot]) -> np.ndarray:
    """(n - 1,) how much each frame differs from the next, in shares of what most do: rim marks alone may come to the same places."""
    apart = np.array(
        abreast(lambda k: float(np.abs(shots[k].moving - shots[k + 1].moving).mean()), range(len(shots) - 1))
    )
    return apart / max(float(np.median(apart)), 1e-9)


def _scores(camera: Camera, pair: Pair, thetas: np.ndarray) -> np.ndarray:
    """(t,) summed agreement of a pair's matches with each angle."""
    off = epipolar_px(camera, rays(camera, pair.xy), rays(camera, pair.other), thetas[:, None])
    return (pair.weight * np.maximum(0.0, 1.0 - (off / VOTE_PX) ** 2)).sum(1)


def likely_starts(pairs: Sequence[Pair], guess: Camera, nominal: float | None, width: int) -> list[Start]:
    """The best start for each sign of turning and each of TILTS_DEG, in that order.

    nominal: the expected step in radians, held to within 0.75 to 1.33 of it; None (a part turn): any
    of 1.5° to 40°. The axis is tried over the middle 40 % of the picture's width; roll is 0 and the
    focal length as in `guess`.
    """
    thetas = np.geomspace(0.75 * nominal, 1.33 * nominal, 9) if nominal else np.radians(np.geomspace(1.5, 40, 24))
    signed = np.concatenate([thetas, -thetas])
    used = pairs if len(pairs) <= 24 else [pairs[k] for k in np.linspace(0, len(pairs) - 1, 24).round().astype(int)]

    def best_of(tilt: float) -> list[Start]:
        found: dict[int, Start] = {}
        for pan in np.arctan(np.linspace(-0.2, 0.2, 11) * width / guess.focal_px):
            camera = replace(guess, pan=float(pan), tilt=float(tilt))
            grids = np.stack([_scores(camera, pair, signed) for pair in used])
            for sign, part in ((1, grids[:, : len(thetas)]), (-1, grids[:, len(thetas) :])):
                score = float(part.max(1).sum())
                if sign not in found or score > found[sign].score:
                    step = nominal or float(np.median(thetas[part.argmax(1)]))
                    found[sign] = Start(camera, sign, step, score)
        return list(found.values())

    starts = [start for found in abreast(best_of, np.radians(TILTS_DEG)) for start in found]
    return sorted(starts, key=lambda start: (-start.sign, start.camera.tilt))


def vote(start: Start, pair: Pair) -> Vote:
    """The angle a pair's matches agree on, from 0.2 to 3.2 usual steps, weighed against what steps by hand are like.

    Over the seam nothing is taken for likely: a turn may be left open.
    """
    thetas = start.sign * start.nominal * np.linspace(0.2, 3.2, 121)
    u, v = rays(start.camera, pair.xy), rays(start.camera, pair.other)
    off = epipolar_px(start.camera, u, v, thetas[:, None])
    score = (pair.weight * np.maximum(0.0, 1.0 - (off / VOTE_PX) ** 2)).sum(1)
    habit = 0.0 if pair.second < pair.first else log_prior(thetas / (start.sign * start.nominal))
    k = int((MATCH_SAYS * score + habit).argmax())
    near = np.abs(off[k]) < VOTE_PX
    low, high = max(k - 1, 0), min(k + 1, len(thetas) - 1)
    slope = (off[high] - off[low]) / (thetas[high] - thetas[low])
    information = float((slope[near] ** 2).sum())
    return Vote(
        pair.first,
        pair.second,
        float(thetas[k]),
        float(score[k] - np.median(score)),
        0.5 / np.sqrt(max(information, 1e-9)),
    )


def settle_angles(start: Start, votes: Sequence[Vote], count: int, closed: bool, still: set[int]) -> np.ndarray:
    """Angles (n,) in radians that agree best with the votes, robustly, with a weak pull to the usual step.

    still: frames that didn't turn from the frame before. A vote across the seam counts with a full turn.
    """
    usual, turn = start.sign * start.nominal, start.sign * 2 * np.pi
    # rows: first frame, second frame, turn between them, its sigma
    soft = [
        (k - 1, k, 0.0, np.radians(0.05)) if k in still else (k - 1, k, usual, 0.5 * abs(usual))
        for k in range(1, count)
    ]
    if closed:
        soft.append((count - 1, 0, usual - turn, 0.5 * abs(usual)))
    hard = [
        (v.first, v.second, v.angle - (turn if v.second < v.first else 0.0), np.hypot(v.sigma, np.radians(0.5)))
        for v in votes
        if v.support >= LEAST_SUPPORT
    ]
    first, second, value, sigma = (np.array(column) for column in zip(*soft, *hard))
    matrix = np.zeros((len(value), count))
    rows = np.arange(len(value))
    matrix[rows, second.astype(int)] += 1
    matrix[rows, first.astype(int)] -= 1
    angles = usual * np.arange(count, dtype=float)
    for _ in range(15):
        off = (value - matrix @ angles) / sigma
        root = np.sqrt(np.where(rows < len(soft), 1.0, 1 / (1 + (off / 3.0) ** 2))) / sigma
        angles = np.r_[0.0, np.linalg.lstsq(matrix[:, 1:] * root[:, None], value * root, rcond=None)[0]]
    return angles
