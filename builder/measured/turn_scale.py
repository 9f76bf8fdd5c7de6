"""How far a closed turn's steps really add up, told by perspective alone: is one of them a mark too short?

A fit holds all steps to 360° together. With one of them wrong by a mark, the others are stretched to make up for it, and
depths and focal length bend along. Cut at the steps in doubt, the ring is free: what the certain steps add up to then,
against what they do in the fit, is what those in doubt have too little.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from builder.measured.turn_doubt import SCALE
from builder.measured.turn_fit import Fit, Prior, Tracks, fit

SPREAD = 2.0  # errors that points share beyond their slices, as for steps
PLENTY = 1000  # points, enough for one number
LEAST_CERTAIN = 1 / 3  # of the steps; of fewer, the others' sum says too little


@dataclass(frozen=True)
class Closing:
    """missing: what the steps in doubt have too little in all, and its standard error; usual steps."""

    missing: float
    sigma: float


def measure_closing(found: Fit, order: Sequence[int], doubtful: Collection[int], prior: Prior, usual: float) -> Closing:
    """order: frames by angle; doubtful: frames before which a step is in doubt; usual: step, radians, signed."""
    by_rule = SCALE * 2 * np.pi / abs(usual)
    count = len(order)
    if not doubtful or count - len(doubtful) < LEAST_CERTAIN * count:
        return Closing(0.0, by_rule)
    tracks = _cut(found.tracks, found.weights > 0.25, order, doubtful)
    tracks = tracks.taken(np.arange(0, len(tracks.points), max(1, len(tracks.points) // PLENTY)))
    if not len(tracks.points):
        return Closing(0.0, by_rule)
    free = fit(found.camera, found.angles, tracks, prior, start_px=max(2 * found.scale_px, 0.5), valley=True)
    sums = np.zeros(count)  # of the certain steps: how often each frame's angle counts in it
    for at, frame in enumerate(order):
        if frame not in doubtful:
            sums[frame] += 1
            sums[order[at - 1]] -= 1
    error = SPREAD * np.sqrt(max(*(float(sums @ part @ sums) for part in free.covariance), 0.0))
    return Closing(float(sums @ (found.angles - free.angles) / usual), float(np.hypot(by_rule, error / abs(usual))))


def _cut(tracks: Tracks, fits: np.ndarray, order: Sequence[int], doubtful: Collection[int]) -> Tracks:
    """Tracks that fit, without their sightings beyond a step in doubt."""
    count = len(order)
    place = np.empty(count, int)
    place[list(order)] = np.arange(count)
    # Steps in doubt up to and with the one before each place
    passed = np.cumsum([frame in doubtful for frame in order])
    there, home = place[tracks.frames], place[tracks.frames[:, :1]]
    between = np.abs(passed[there] - passed[home])
    round_ = np.abs(there - home) > count / 2  # over the seam
    crossed = np.where(round_, passed[-1] - between, between) > 0
    cut = replace(tracks, seen=tracks.seen & fits & ~crossed)
    return cut.taken(cut.seen.sum(1) >= 2)
