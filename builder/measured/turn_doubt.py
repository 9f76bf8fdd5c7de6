"""What else a step could be: corners on one side of it, placed by that side alone, looked for on the other side.

Each turn that might lie between says where a placed corner must show beyond the step. A corner followed to that
very place speaks for the turn; a rim mark speaks as well for the turn that brings its neighbour there, and so
decides nothing between the two. This costs more than a look at points already in the fit (`turn_place`), so it is
kept for the steps that the first look leaves open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from builder.measured.turn_camera import project, slopes, turned
from builder.measured.turn_edges import edges_speak, widened
from builder.measured.turn_features import Shot, follow
from builder.measured.turn_fit import Fit, Tracks
from builder.measured.turn_tracks import likeness, seen_at, small_patches

CORNERS = 160  # of a frame, followed over a step
# Between the places a corner is looked for at: a patch of 18 px is like itself 2 px off, halfway and beside
APART_PX = 3.0
FAINT = 0.2  # correlation from which such a place is worth following a corner from
REACH_PX = 8.0  # how far a corner may be followed from where a turn wants it
PLACE_PX = 1.5  # and how far it may end from where a turn wants it, and still speak for that turn
UNLIKE, LIKE = 0.5, 0.7  # correlations of what was followed: below, it speaks for nothing; above, in full
BY_HAND = 0.25  # usual steps: how far a stop by hand is off its mark, generously
# 0.02 of steps are none, as many are two: a mistake in two turns, generously; anything else is ten times rarer
SELDOM = 0.02
# Usual steps: a smaller one repeats the frame before, and changes the picture by half of what a step does, at most
SMALL = 0.25
UNSEEN = 0.02  # of pictures that change in spite of that: a hand came in, the camera was bumped. Generously
LEFT_OPEN = 0.05  # of turns that should close don't, or go past their start: generously
SCALE = 0.012  # of an open turn, whose scale rests on perspective alone: lenses aren't quite without distortion
# Log odds of a seam that the other steps leave no room for: one in 8000, if one of them is wrong after all
NO_ROOM = -9.0
RING = 0.015  # camera distances, 9 mm at 60 cm: the length of a rim mark, and how well one point is placed in depth
# Share of a ring's points that speak for a wrong turn though nothing on it repeats: places looked at, by their size
BY_CHANCE = 0.15
CERTAIN = 12.0  # log odds beyond which nothing is more certain: models are wrong more often than once in 10⁵


def log_prior(turns: np.ndarray, changed: bool = False) -> np.ndarray:
    """How likely a step is before a look at it, by its length in usual steps; about 0 for the usual one.

    changed: the picture is another than before, as far as by a step.
    """
    usual, double, none = (np.exp(-0.5 * ((turns - length) / BY_HAND) ** 2) for length in (1.0, 2.0, 0.0))
    return np.log((usual + SELDOM * (double + none + 0.1)) * np.where(changed & (turns < SMALL), UNSEEN, 1.0))


def log_prior_seam(turns: np.ndarray) -> np.ndarray:
    """The same of the step over the seam: the usual one, if not any other, for a turn may be left open or go on too far."""
    return np.log(np.exp(-0.5 * ((turns - 1.0) / BY_HAND) ** 2) + LEFT_OPEN)


def log_odds(
    z: np.ndarray, turns: np.ndarray, shifts: np.ndarray, room: float | None = None, changed: bool = False
) -> np.ndarray:
    """Of each turn against the one with no shift. z: standard errors by which that fits better; lengths in usual steps.

    room: standard error of what all the other steps leave, for the step over the seam: that, too, it must fill.
    changed: as in `log_prior`.
    """
    seen = -np.sign(z) * z**2 / 2  # log likelihood ratio of two Gaussians at the distance seen
    if room is None:
        habit = log_prior(turns, changed) - log_prior(turns - shifts, changed)
    else:
        habit = (
            np.maximum(-0.5 * (shifts / room) ** 2, NO_ROOM) + log_prior_seam(turns) - log_prior_seam(turns - shifts)
        )
    return np.clip(seen + habit, -CERTAIN, CERTAIN)


def contest_z(better: np.ndarray, share: float = 1.0) -> np.ndarray:
    """(S,) standard errors from zero of advantages (m, S), −1 to 1 each, summed over m.

    share: how many points go by the same error, because they are near one another or one print; one more that says nothing is added.
    """
    return better.sum(0) / np.sqrt(share * ((better**2).sum(0) + 1.0))


def ring_z(
    speaks: np.ndarray, weights: np.ndarray | float, rings: np.ndarray, home: int, share: float = 1.0
) -> np.ndarray:
    """(S,) as `contest_z`, of what points (m, S) say for column `home` and against each other one.

    rings: (m,) groups whose members come by the same places. Where a ring speaks for both turns, its members are taken
    for one another, and may all be wrong in the same way however many they are: it is one voice then, by its sum
    (the cluster-robust variance of Liang and Zeger 1986). Where it speaks for one turn only, each member counts.
    """
    better = (speaks[:, [home]] - speaks) * weights
    said, sums = np.zeros((2, int(rings.max(initial=-1)) + 1, speaks.shape[1]))
    np.add.at(said, rings, speaks)
    np.add.at(sums, rings, better)
    both = np.minimum(said, said[:, [home]]) / np.maximum(np.maximum(said, said[:, [home]]), 1e-9)
    return better.sum(0) / np.sqrt(share * ((better**2).sum(0) + 1.0) + ((both > BY_CHANCE) * sums**2).sum(0))


def rings_of(points: np.ndarray) -> np.ndarray:
    """int (m,): points (m, 3) of one height and one distance from the axis come by the same places as they turn, and of a
    row of look-alikes (rim marks, a band of ornament) each is mistaken for the next: they are one voice."""
    slices = np.floor(np.stack([np.hypot(points[:, 0], points[:, 1]), points[:, 2]], 1) / RING)
    return np.unique(slices, axis=0, return_inverse=True)[1].reshape(-1)


def told_apart(speaks: np.ndarray) -> np.ndarray:
    """Evidence (m, S), that of corners that speak for K turns well apart divided by K².

    They can be mistaken for their likes, and so can what is seen of them where one of those turns is the right one.
    """
    edge = np.pad(speaks, ((0, 0), (2, 2)))
    peak = (speaks > 0.3) & (speaks > np.maximum(edge[:, 3:-1], edge[:, 4:]))
    peak &= speaks >= np.maximum(edge[:, 1:-3], edge[:, :-4])
    return speaks / np.maximum(peak.sum(1, keepdims=True), 1) ** 2


def evidence(
    shots: Sequence[Shot],
    found: Fit,
    before: Sequence[int],
    after: Sequence[int],
    shifts: np.ndarray,
    nominal: float,
    radius: float,
) -> np.ndarray:
    """(S,) standard errors by which the step as it is fits better than with each shift (usual steps, evenly spaced, one
    of them 0): corners and upright edges of one side, looked for on the other.

    before: frames up to the step, nearest first; after: from it on. nominal: the usual step, radians, signed.
    """
    crossings = [(before, after[0], shifts * nominal), (after, before[0], -shifts * nominal)]
    seen = [look(shots, found, *crossing, radius) for look in (_crossing, edges_speak) for crossing in crossings]
    speaks, alike, points = (np.concatenate(parts) for parts in zip(*seen))
    return ring_z(told_apart(speaks), 1.0 - widened(alike), rings_of(points), int(np.argmin(np.abs(shifts))))


def _crossing(
    shots: Sequence[Shot],
    found: Fit,
    side: Sequence[int],
    beyond: int,
    shifts: np.ndarray,
    radius: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Corners, as `edges_speak` does edges; shifts in radians."""
    home = side[0]
    xy, points = _placed(shots, found, side, radius)
    if not len(points):
        return np.zeros((0, len(shifts))), np.zeros((0, len(shifts))), points
    first, there = shots[home], shots[beyond]
    wanted = seen_at(there, found.camera, points[:, None], found.angles[beyond] + shifts)  # (m, S, 2)
    own = first.own(xy)
    patches = small_patches(first, own)
    corner, start = _worth_following(there, patches, wanted)
    place, held = follow(first, there, own[corner], start, levels=1)
    held &= np.abs(place - start).max(-1) < REACH_PX
    corner, place = corner[held], place[held]
    alike = likeness(there, patches[corner], place[:, None])
    alike = np.clip((alike - UNLIKE) / (LIKE - UNLIKE), 0.0, 1.0)
    off = _off_ways(place, wanted[corner]) / PLACE_PX**2
    speaks = np.zeros(wanted.shape[:2])
    np.maximum.at(speaks, corner, alike * np.maximum(0.0, 1.0 - off))
    return speaks, np.zeros_like(speaks), points  # those that have their like are told by `told_apart`


def _off_ways(place: np.ndarray, ways: np.ndarray) -> np.ndarray:
    """(k, S) squared distance of places (k, 2) from ways (k, S, 2), half-way to the turns beside: between two of the
    turns tried, where a look-alike may well be, a place must not seem worse than on one of them."""
    half = np.gradient(ways, axis=1) / 2
    apart = place[:, None] - ways
    along = (apart * half).sum(-1) / np.maximum((half**2).sum(-1), 1e-9)
    return ((apart - np.clip(along, -1.0, 1.0)[..., None] * half) ** 2).sum(-1)


def _worth_following(there: Shot, patches: np.ndarray, wanted: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Along the ways (m, S, 2) on which turns want corners: where one looks more like itself than before and after.

    Returns which corner (k,) and the place (k, 2).
    """
    moves = np.hypot(*np.moveaxis(np.diff(wanted, axis=1), -1, 0)).max(1)
    stride = max(int(APART_PX / max(float(np.percentile(moves, 90)), 1e-6)), 1)
    tried = wanted[:, :: min(stride, wanted.shape[1])]
    alike = np.pad(likeness(there, patches, tried), ((0, 0), (1, 1)), constant_values=-1.0)
    corner, at = np.nonzero(
        (alike[:, 1:-1] > FAINT) & (alike[:, 1:-1] >= alike[:, :-2]) & (alike[:, 1:-1] >= alike[:, 2:])
    )
    return corner, tried[corner, at]


def _placed(shots: Sequence[Shot], found: Fit, side: Sequence[int], radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the side's first frame, reference px (m, 2), that its other frames place, and where: (m, 3) at angle 0."""
    home, others = side[0], list(side[1:])
    if not others:
        return np.zeros((0, 2)), np.zeros((0, 3))
    mine = found.tracks.taken(found.tracks.frames[:, 0] == home)
    tracks = replace(mine, seen=mine.seen & np.isin(mine.frames, [home, *others]))
    tracks = tracks.taken(tracks.seen.sum(1) >= 2)
    if not len(tracks.points):
        return np.zeros((0, 2)), np.zeros((0, 3))
    tracks, off = _triangulated(found, tracks)
    fits = tracks.seen & (off < 1.0)
    good = fits[:, 0] & fits[:, 1:].any(1)
    return tracks.xy[good, 0], tracks.points[good]


def _triangulated(found: Fit, tracks: Tracks, rounds: int = 4) -> tuple[Tracks, np.ndarray]:
    """The points where their sightings meet best, camera and angles held; and how far off each sighting is, px (P, K)."""
    angles, points = found.angles[tracks.frames], tracks.points
    for _ in range(rounds):
        flat, _, _, bend = slopes(found.camera, points[:, None], angles)
        off = tracks.xy - flat
        root = np.where(tracks.seen, 1.0 / (1.0 + (off**2).sum(-1) / (2.5 * 0.6) ** 2), 0.0)[..., None]
        bend = (bend * root[..., None]).reshape(len(points), -1, 3)
        bend_t = bend.transpose(0, 2, 1)
        inner = bend_t @ bend
        inner += (1e-6 * np.trace(inner, axis1=1, axis2=2) + 1e-9)[:, None, None] * np.eye(3)
        step = np.linalg.solve(inner, bend_t @ (off * root).reshape(len(points), -1, 1))[..., 0]
        length = np.linalg.norm(step, axis=1, keepdims=True)
        points = points + step * np.minimum(1.0, 0.05 / np.maximum(length, 1e-12))
    off = tracks.xy - project(found.camera, turned(points[:, None], angles))
    return replace(tracks, points=points), np.hypot(off[..., 0], off[..., 1])
