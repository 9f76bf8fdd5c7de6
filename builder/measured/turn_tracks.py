"""Points of the object followed over neighbouring frames, with a rough idea of the turn to guide them.

Knowing roughly where the camera looks and how far each frame turned, a corner's place in the
neighbouring frames depends on one unknown, its depth along the line of sight. All depths are tried and the
patches of several frames vote together, so the repeats that fool a match of two frames (rim marks,
stripes, speckle) rarely line up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from builder.measured.abreast import abreast
from builder.measured.turn_camera import EYE, Camera, project, rays, turned
from builder.measured.turn_features import Shot, follow, sampled
from builder.measured.turn_fit import Tracks

DEPTHS = 36
NEAR = np.radians(5)  # between the frames of a point, where there are frames enough
REACH = 3  # frames to each side in which a corner is looked for
SIDE, STEP_PX = 8, 2.25  # patches of 18 px, 8 × 8 samples


@dataclass(frozen=True)
class Guess:
    """A rough turn: enough to look for corners by."""

    camera: Camera
    angles: np.ndarray  # radians (n,), counter-clockwise
    radius: float  # largest distance from the axis, in camera distances


def neighbours(angles: np.ndarray, closed: bool, reach: int = REACH) -> list[list[int]]:
    """For each frame the `reach` next in angle to each side, across the seam of a closed turn; no further than 60°.

    Of very many frames the next, and others further on, at NEAR apart: those beside it show no depth.
    """
    count = len(angles)
    stride = (
        max(1, int(NEAR / max(2 * np.pi / count, 1e-9)))
        if closed
        else max(1, int(NEAR * (count - 1) / max(abs(np.ptp(angles)), 1e-9)))
    )
    found = []
    for home in range(count):
        apart = angles - angles[home]
        if closed:
            apart = (apart + np.pi) % (2 * np.pi) - np.pi
        order = sorted(
            (k for k in range(count) if k != home and abs(apart[k]) < np.radians(60)), key=lambda k: (abs(apart[k]), k)
        )
        ahead = [k for k in order if apart[k] > 0 or (apart[k] == 0 and k > home)]
        behind = [k for k in order if apart[k] < 0 or (apart[k] == 0 and k < home)]
        ahead, behind = ((side[:1] + side[max(stride - 1, 1) :: stride])[:reach] for side in (ahead, behind))
        found.append(sorted(ahead + behind, key=lambda k: (abs(apart[k]), k)))
    return found


def sweep(
    shots: Sequence[Shot],
    guess: Guess,
    others: Sequence[Sequence[int]],
    homes: Sequence[int],
    most: int = 200,
    votes: int = 4,
) -> Tracks:
    """Tracks of up to `most` corners of each home frame; others[i]: frames to look in, nearest first.

    The nearest `votes` of them vote on depth; in all of them the corner is then followed.
    """
    parts = abreast(lambda home: _sweep_frame(shots, home, guess, others[home], most, votes), homes)
    return joined([part for part in parts if len(part.points)])


def joined(parts: Sequence[Tracks]) -> Tracks:
    if not parts:
        return Tracks(np.zeros((0, 1), int), np.zeros((0, 1, 2)), np.zeros((0, 1), bool), np.zeros((0, 3)))
    widest = max(part.frames.shape[1] for part in parts)
    padded = [_padded(part, widest) for part in parts]
    return Tracks(
        *(np.concatenate([getattr(part, name) for part in padded]) for name in ("frames", "xy", "seen", "points"))
    )


def _padded(part: Tracks, widest: int) -> Tracks:
    add = widest - part.frames.shape[1]
    return Tracks(
        np.pad(part.frames, ((0, 0), (0, add)), mode="edge"),
        np.pad(part.xy, ((0, 0), (0, add), (0, 0)), mode="edge"),
        np.pad(part.seen, ((0, 0), (0, add))),
        part.points,
    )


def _sweep_frame(
    shots: Sequence[Shot], home: int, guess: Guess, others: Sequence[int], most: int, votes: int
) -> Tracks:
    shot = shots[home]
    corners = shot.corners[:most].astype(float)
    if not len(corners) or not others:
        return joined([])
    patches = small_patches(shot, corners)
    points, inside = along_sight(guess, rays(guess.camera, shot.referred(corners)))
    score = np.zeros(points.shape[:2])
    for other in others[:votes]:
        places = seen_at(shots[other], guess.camera, points, guess.angles[other] - guess.angles[home])
        score += np.maximum(likeness(shots[other], patches, places), 0.0)
    score[~inside] = -1
    chosen = points[np.arange(len(points)), score.argmax(1)]
    xy, seen = [shot.referred(corners)], [np.ones(len(corners), bool)]
    for other in others:
        there = shots[other]
        start = seen_at(there, guess.camera, chosen, guess.angles[other] - guess.angles[home])
        place, held = follow(shot, there, corners, start, levels=1)
        held &= np.abs(place - start).max(1) < 8
        held &= likeness(there, patches, place[:, None])[:, 0] > 0.7
        xy.append(there.referred(place))
        seen.append(held)
    keep = np.sum(seen, 0) >= 2
    frames = np.tile(np.array([home, *others]), (int(keep.sum()), 1))
    return Tracks(frames, np.stack(xy, 1)[keep], np.stack(seen, 1)[keep], turned(chosen, -guess.angles[home])[keep])


def along_sight(guess: Guess, ray: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points (m, D, 3) along lines of sight (m, 3), evenly in inverse depth, and which lie inside the radius.

    Depth is counted along the horizontal run of each ray.
    """
    run = 1.0 / np.linspace(1 / (1 - guess.radius), 1 / (1 + guess.radius), DEPTHS)
    points = EYE + (run / np.maximum(-ray[:, :1], 0.2))[..., None] * ray[:, None]
    return points, np.hypot(points[..., 0], points[..., 1]) <= guess.radius


def seen_at(shot: Shot, camera: Camera, points: np.ndarray, turn: float | np.ndarray) -> np.ndarray:
    """Own pixels (…, 2) of a shot where points (…, 3), turned further by `turn` (scalar or (…)), appear."""
    return shot.own(project(camera, turned(points, np.asarray(turn))))


def small_patches(shot: Shot, xy: np.ndarray) -> np.ndarray:
    """(m, 64) zero mean, unit length: what `likeness` compares."""
    values = _small(shot, xy)
    values = values - values.mean(-1, keepdims=True)
    return values / (np.linalg.norm(values, axis=-1, keepdims=True) + 4.0)


def _small(shot: Shot, places: np.ndarray, warps: np.ndarray | None = None) -> np.ndarray:
    offset = (np.arange(SIDE) - (SIDE - 1) / 2) * STEP_PX
    grid_x, grid_y = (part.ravel().astype(np.float32) for part in np.meshgrid(offset, offset))
    flat = places.reshape(-1, 2, 1).astype(np.float32)
    if warps is None:
        values = sampled(shot.moving, flat[:, 0] + grid_x, flat[:, 1] + grid_y)
    else:
        spread = warps.reshape(-1, 2, 2).astype(np.float32) @ np.stack([grid_x, grid_y]) + flat
        values = sampled(shot.moving, spread[:, 0], spread[:, 1])
    return values.reshape(*places.shape[:-1], SIDE * SIDE)


def likeness(shot: Shot, patches: np.ndarray, places: np.ndarray, warps: np.ndarray | None = None) -> np.ndarray:
    """Correlation (m, D) of small patches (m, 64) with the picture at places (m, D, 2).

    warps (m, D, 2, 2): how offsets in the patch's own picture become offsets at the place; none: as they are.
    """
    values = _small(shot, places, warps)
    dot = (values @ patches[..., None])[..., 0]  # patches have zero mean: no need to centre the values
    power = np.einsum("mdk,mdk->md", values, values) - values.sum(-1) ** 2 / values.shape[-1]
    return dot / (np.sqrt(np.maximum(power, 0.0)) + 4.0)
