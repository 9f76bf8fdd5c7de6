"""The likeliest of several starts: each is tried on a few frames, and the best of them from where that took it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from builder.measured.abreast import abreast
from builder.measured.turn_camera import Camera
from builder.measured.turn_features import Shot
from builder.measured.turn_fit import Prior, fit, followed
from builder.measured.turn_marks import MarkedTurn
from builder.measured.turn_start import Pair, Start, likely_starts, settle_angles, vote
from builder.measured.turn_tracks import Guess, neighbours, sweep

ENOUGH = 0.85  # of the best explanation: among starts that explain as much, the more even turn is taken
SURE = 3.0  # standard errors of a count by which one way of turning must explain more than the other
TRIES, AGAIN = 4, 3  # starts of each sign tried on a few frames; of those, tried again from where they came to
# 2 of the starts of each sign, tried with even steps as well: where marks look alike, two frames alone vote for wrong
# ones
EVEN_TRIES = 2


def first_guess(
    shots: Sequence[Shot],
    moving: Sequence[Pair],
    camera: Camera,
    prior: Prior,
    area: np.ndarray,
    nominal: float,
    closed: bool,
    still: Collection[int],
) -> tuple[Guess, Start]:
    """A turn to start the fit from. moving: pairs of frames that differ; camera: a guess; area: bool (h, w), what turns;
    nominal: the usual step, radians; still: frames the same as the one before."""
    prior = prior.tied(still, len(shots))  # else marks a step apart pull a repeat to the next of them
    starts = likely_starts(moving, camera, nominal if closed else None, area.shape[1])
    begun = []
    for sign in (1, -1):
        best = sorted((s for s in starts if s.sign == sign), key=lambda s: -s.score)[:TRIES]
        begun += [
            (start, even)
            for place, start in enumerate(best)
            for even in ((False, True) if place < EVEN_TRIES else (False,))
        ]

    def tried(one: tuple[Start, bool]) -> tuple[float, Guess, Start]:
        start, even = one
        votes = () if even else [vote(start, pair) for pair in moving]
        angles = settle_angles(start, votes, len(shots), closed, set(still))
        guess = Guess(start.camera, angles, _radius(start.camera, area))
        return (*_tried(guess, shots, prior, closed, start.nominal), start)

    def tried_again(found: tuple[float, Guess, Start]) -> tuple[float, Guess, Start]:
        return (*_tried(found[1], shots, prior, closed, found[2].nominal), found[2])

    tries = abreast(tried, begun)
    again = abreast(tried_again, sorted(tries, key=lambda found: -found[0])[:AGAIN])
    enough = ENOUGH * max(found[0] for found in again)
    _, first, start = min(
        (found for found in again if found[0] >= enough), key=lambda found: _unevenness(found[1], closed)
    )
    return first, start


def ways_by_marks(
    shots: Sequence[Shot],
    turns: Sequence[MarkedTurn],
    prior: Prior,
    area: np.ndarray,
    nominal: float,
    still: Collection[int],
) -> list[tuple[MarkedTurn, Guess, Prior]]:
    """The ways that the disc may have turned, each with what is then known of the steps; of two, the one alone that explains
    clearly more of what is followed, if one does. Arguments as above."""

    def tried(turn: MarkedTurn) -> tuple[float, MarkedTurn, Guess, Prior]:
        sigma = np.where(turn.held, np.radians(turn.sigma_deg), prior.step_sigma)[1:]
        own = replace(prior, step_sigma=sigma, seam_sigma=np.radians(turn.sigma_deg)).tied(still, len(shots))
        guess = Guess(turn.camera, turn.angles, _radius(turn.camera, area))
        score = _tried(guess, shots, own, True, nominal)[0] if len(turns) > 1 else 0.0
        return score, turn, guess, own

    found = sorted(abreast(tried, turns), key=lambda one: -one[0])
    if len(found) > 1 and surely_more(found[0][0], found[1][0], ENOUGH):
        found = found[:1]
    return [one[1:] for one in found]


def _tried(guess: Guess, shots: Sequence[Shot], prior: Prior, closed: bool, nominal: float) -> tuple[float, Guess]:
    """How much of a few frames' corners a guess explains, and where a fit of those takes it."""
    homes = sorted({round(k) for k in np.linspace(0, len(shots) - 1, 7)})
    near = [others[:4] for others in neighbours(guess.angles, closed)]
    tracks = sweep(shots, guess, near, homes, most=80, votes=2)
    if not len(tracks.points):
        return 0.0, guess
    found = fit(guess.camera, guess.angles, tracks, prior, rounds=6)
    return followed(found, reach_px(guess, nominal)), replace(guess, camera=found.camera, angles=found.angles)


def reach_px(guess: Guess, nominal: float) -> float:
    """How far a point at the rim moves in a usual step (radians), about, px."""
    return guess.radius * guess.camera.focal_px * nominal


def surely_more(more: float, less: float, share: float) -> bool:
    """Whether the less of two counts is below a share of the other, and beyond what chance does to counts (their sum's
    root is their difference's error)."""
    return less < share * more and more - less >= SURE * (more + less) ** 0.5


def _unevenness(guess: Guess, closed: bool) -> float:
    """How far steps are from even, each odd one counting little more than once: marks are what a hand turns by."""
    turned = np.diff(guess.angles, append=np.sign(guess.angles[-1]) * 2 * np.pi) if closed else np.diff(guess.angles)
    usual = np.median(turned)
    return float(np.log1p(((turned / usual - 1) / 0.15) ** 2).sum())


def _radius(camera: Camera, area: np.ndarray) -> float:
    """Farthest from the axis that anything turning seems to be, in camera distances."""
    columns = np.nonzero(area)[1]
    low, high = np.percentile(columns, [0.5, 99.5])
    middle = camera.centre[0] + np.tan(camera.pan) * camera.focal_px
    return float(np.clip(1.1 * np.sin(np.arctan(max(middle - low, high - middle) / camera.focal_px)), 0.08, 0.45))
