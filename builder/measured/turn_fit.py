"""The fit: all angles, the camera and every followed point at once, by robust least squares.

Each point belongs to a home frame and is seen there and in neighbouring frames. Points are eliminated
one by one (Schur complement), so the equations that remain have one row a frame and six for the
camera; slopes are exact (`turn_camera.slopes`).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from builder.measured.turn_camera import GLOBALS, Camera, project, slopes, turned

MOST_ROUNDS, LONGEST = 60, 16.0  # along a valley; and by how much a step may be lengthened
ARRIVED = np.radians(0.01)  # a round that moves no angle by more has come to the valley's bottom
TIED = np.radians(0.001)  # of a step that is known: more than any points can say against it
FLOOR_PX = 0.15  # no corner is placed better than this, whatever the residuals say


@dataclass(frozen=True)
class Tracks:
    """Where points were seen. K sightings each, most of them taken.

    frames: int (P, K), xy: float (P, K, 2) px of the reference, seen: bool (P, K), points: float (P, 3)
    first guess of the points in the world of angle 0.
    """

    frames: np.ndarray
    xy: np.ndarray
    seen: np.ndarray
    points: np.ndarray

    def taken(self, which: np.ndarray) -> "Tracks":
        return Tracks(self.frames[which], self.xy[which], self.seen[which], self.points[which])


@dataclass(frozen=True)
class Prior:
    """What is known of the camera before a look at the turn: means and sigmas in `Camera.vector` order."""

    mean: np.ndarray
    sigma: np.ndarray
    # radians: pull of each step to where it starts, for frames that nothing else holds; one for all, or (n - 1,)
    step_sigma: float | np.ndarray
    seam_sigma: float = np.inf  # radians: the same of the last frame, which the step over the seam holds to the first

    def tied(self, still: Collection[int], count: int) -> "Prior":
        """With steps to frames that are the same as the one before held where they start."""
        sigma = np.broadcast_to(self.step_sigma, count - 1).copy()
        sigma[[frame - 1 for frame in still]] = TIED
        return replace(self, step_sigma=sigma)


@dataclass(frozen=True)
class Fit:
    camera: Camera
    angles: np.ndarray  # radians (n,), counter-clockwise, angles[0] = 0
    tracks: Tracks
    weights: np.ndarray  # (P, K), 1 for a sighting that fits, near 0 for one that doesn't
    scale_px: float  # robust residual a coordinate
    covariance: tuple[np.ndarray, np.ndarray]  # (n, n) of the angles, radians²: formal, and from scatter between parts


def residuals(camera: Camera, angles: np.ndarray, tracks: Tracks) -> np.ndarray:
    """(P, K, 2) px, seen minus computed."""
    return tracks.xy - project(camera, turned(tracks.points[:, None], angles[tracks.frames]))


def _weights(off: np.ndarray, seen: np.ndarray, scale: float) -> np.ndarray:
    """Geman-McClure weights: a quarter at one 2.5-scale, outliers fade out for good."""
    share = (off**2).sum(-1) / (2.5 * scale) ** 2
    return np.where(seen, 1.0 / (1.0 + share) ** 2, 0.0)


def robust_scale(off: np.ndarray, seen: np.ndarray, free: float) -> float:
    """px a coordinate from the median length (1.1774 sigma in two dimensions), corrected for fitted freedoms."""
    if not seen.any():
        return 1.0
    return max(float(np.median(np.hypot(*off[seen].T))) / 1.1774 / np.sqrt(max(free, 0.1)), FLOOR_PX)


@dataclass(frozen=True)
class _Parts:
    """Normal equations with the points eliminated, still apart by point: local (P, L, L), rhs (P, L)."""

    local: np.ndarray
    rhs: np.ndarray
    index: np.ndarray  # (P, L) into the unknowns: angle of each sighting's frame, then the camera
    to_point: np.ndarray  # (P, 3, L) and
    point_rhs: np.ndarray  # (P, 3): point step = point_rhs − to_point · step


def _eliminate(camera: Camera, angles: np.ndarray, tracks: Tracks, weights: np.ndarray, damping: float) -> _Parts:
    count, most = tracks.frames.shape
    frames = len(angles)
    flat, d_angle, d_globals, d_point = slopes(camera, tracks.points[:, None], angles[tracks.frames])
    root = np.sqrt(weights)[..., None]
    off = (tracks.xy - flat) * root
    own = np.zeros((count, most, 2, most + GLOBALS))
    which = np.arange(most)
    own[:, which, :, which] = np.moveaxis(d_angle * root, 1, 0)
    own[..., most:] = d_globals * root[..., None]
    own = own.reshape(count, 2 * most, -1)
    bend = (d_point * root[..., None]).reshape(count, 2 * most, 3)
    off = off.reshape(count, 2 * most)
    bend_t = bend.transpose(0, 2, 1)
    inner = bend_t @ bend
    trace = np.trace(inner, axis1=1, axis2=2)
    inner[:, range(3), range(3)] += (damping * trace + 1e-9 * trace + 1e-6)[:, None]
    inverse = np.linalg.inv(inner)
    cross = bend_t @ own  # (P, 3, L)
    to_point = inverse @ cross
    point_rhs = (inverse @ (bend_t @ off[..., None]))[..., 0]
    own_t = own.transpose(0, 2, 1)
    local = own_t @ own - cross.transpose(0, 2, 1) @ to_point
    rhs = (own_t @ off[..., None])[..., 0] - (cross.transpose(0, 2, 1) @ point_rhs[..., None])[..., 0]
    index = np.concatenate([tracks.frames, np.broadcast_to(frames + np.arange(GLOBALS), (count, GLOBALS))], 1)
    return _Parts(local, rhs, index, to_point, point_rhs)


def _gathered(parts: _Parts, size: int, which: np.ndarray | slice = slice(None)) -> tuple[np.ndarray, np.ndarray]:
    index = parts.index[which]
    pair = index[:, :, None] * size + index[:, None, :]
    matrix = np.bincount(pair.ravel(), parts.local[which].ravel(), size * size).reshape(size, size)
    return matrix, np.bincount(index.ravel(), parts.rhs[which].ravel(), size)


def _with_prior(
    matrix: np.ndarray, rhs: np.ndarray, camera: Camera, prior: Prior, scale: float, gone: np.ndarray, looks: float
) -> None:
    """Adds what is known beforehand; gone (n,): how far the angles are from where they started.

    looks: how often one sighting is counted. A corner is followed from each of the frames it is a corner of into all
    others, so a place in a picture comes up about as often as a point has sightings; what is known beforehand must then
    be counted as often, or errors that the sightings share outweigh it.
    """
    frames = len(gone)
    between = np.diff(np.eye(frames), axis=0)
    pulled = between.T * (scale / np.broadcast_to(prior.step_sigma, frames - 1)) ** 2
    matrix[:frames, :frames] += pulled @ between
    rhs[:frames] -= pulled @ (between @ gone)
    closed = (scale / prior.seam_sigma) ** 2
    matrix[frames - 1, frames - 1] += closed
    rhs[frames - 1] -= closed * gone[-1]
    pull = looks * (scale / prior.sigma) ** 2
    at = np.arange(frames, frames + GLOBALS)
    matrix[at, at] += pull
    rhs[at] += pull * (prior.mean - camera.vector)


class NothingToFollow(ValueError):
    """There is no track that a turn could be fitted to."""


def fit(
    camera: Camera,
    angles: np.ndarray,
    tracks: Tracks,
    prior: Prior,
    *,
    start_px: float = 3.0,
    rounds: int = 12,
    valley: bool = False,
) -> Fit:
    """Levenberg-Marquardt with weights that tighten from start_px to the residuals' own scale.

    valley: an open turn, where focal length, depths and all steps may grow together at hardly any cost: along such a
    valley each round goes on as far as it gets better, and there are as many as it takes.
    Raises NothingToFollow without a track.
    """
    if not len(tracks.frames):
        raise NothingToFollow
    frames = len(angles)
    size = frames + GLOBALS
    scale, damping, started = start_px, 1e-3, angles
    fixed = np.zeros(size, bool)
    fixed[0] = True
    loose = ~fixed
    looks = float(tracks.seen.sum(1).mean())
    seen_share = max(1.0 - 3.0 / (2.0 * looks), 0.2)
    off = residuals(camera, angles, tracks)
    for turn in range(MOST_ROUNDS if valley else rounds):
        weights = _weights(off, tracks.seen, scale)
        cost = _cost(off, tracks.seen, scale)
        parts = _eliminate(camera, angles, tracks, weights, damping)
        matrix, rhs = _gathered(parts, size)
        _with_prior(matrix, rhs, camera, prior, scale, angles - started, looks)
        matrix[range(size), range(size)] *= 1 + damping
        matrix[range(size), range(size)] += 1e-9 * np.trace(matrix) / size + 1e-12
        step = np.zeros(size)
        step[loose] = np.linalg.solve(matrix[np.ix_(loose, loose)], rhs[loose])
        point_step = parts.point_rhs - (parts.to_point @ step[parts.index][..., None])[..., 0]
        found = _gone(camera, angles, tracks, step, point_step)
        new_cost = _cost(found[3], tracks.seen, scale)
        if new_cost <= cost * 1.0001:
            length = 1.0
            while valley and length < LONGEST:
                further = _gone(camera, angles, tracks, 2 * length * step, 2 * length * point_step)
                further_cost = _cost(further[3], tracks.seen, scale)
                if further_cost >= new_cost:
                    break
                found, new_cost, length = further, further_cost, 2 * length
            gone = np.abs(found[1] - angles).max()
            camera, angles, tracks, off = found
            damping = max(damping / 5, 1e-7)
            if gone < (ARRIVED if valley and turn >= rounds else 1e-6) and scale < start_px:
                break
        else:
            damping *= 10
        settled = robust_scale(off, weights > 0.25, seen_share)
        scale = max(min(scale, settled), 0.6 * scale)
    weights = _weights(off, tracks.seen, scale)
    return Fit(
        camera,
        angles,
        tracks,
        weights,
        scale,
        _covariance(camera, angles, tracks, weights, prior, scale, loose),
    )


def _gone(
    camera: Camera, angles: np.ndarray, tracks: Tracks, step: np.ndarray, point_step: np.ndarray
) -> tuple[Camera, np.ndarray, Tracks, np.ndarray]:
    """Camera, angles and points after a step, and the residuals there."""
    frames = len(angles)
    camera, angles = camera.moved(camera.vector + step[frames:]), angles + step[:frames]
    tracks = replace(tracks, points=tracks.points + _bounded(point_step))
    return camera, angles, tracks, residuals(camera, angles, tracks)


def followed(found: Fit, reach_px: float) -> float:
    """How many sightings agree within about a pixel, each by how far it is from home, in full from half of reach_px."""
    off = residuals(found.camera, found.angles, found.tracks)
    length = np.hypot(*np.moveaxis(found.tracks.xy - found.tracks.xy[:, :1], -1, 0))
    return float((_weights(off, found.tracks.seen, 0.5) * np.minimum(1.0, length / (0.5 * reach_px))).sum())


def _bounded(step: np.ndarray) -> np.ndarray:
    """Point steps of no more than 0.2 camera distances: a point seen twice can run away along its ray."""
    length = np.linalg.norm(step, axis=1, keepdims=True)
    return step * np.minimum(1.0, 0.2 / np.maximum(length, 1e-12))


def _cost(off: np.ndarray, seen: np.ndarray, scale: float) -> float:
    share = (off[seen] ** 2).sum(-1) / (2.5 * scale) ** 2
    return float((share / (1 + share)).sum())


def _covariance(
    camera: Camera,
    angles: np.ndarray,
    tracks: Tracks,
    weights: np.ndarray,
    prior: Prior,
    scale: float,
    loose: np.ndarray,
    groups: int = 8,
) -> tuple[np.ndarray, np.ndarray]:
    """Delete-a-group jackknife over `groups` slices of height.

    Points near one another share their errors (one highlight, one printed letter, one picture's noise), so the formal covariance is too hopeful. Whole neighbourhoods are left out in turn
    instead, in one linear step each, and the spread of the answers is what counts.
    """
    frames = len(angles)
    size = frames + GLOBALS
    parts = _eliminate(camera, angles, tracks, weights, 0.0)
    matrix, rhs = _gathered(parts, size)
    _with_prior(matrix, rhs, camera, prior, scale, np.zeros(frames), float(tracks.seen.sum(1).mean()))
    ridge = 1e-9 * np.trace(matrix) / size + 1e-12
    whole = matrix[np.ix_(loose, loose)] + ridge * np.eye(int(loose.sum()))

    def of_angles(covariance: np.ndarray) -> np.ndarray:
        full = np.zeros((size, size))
        full[np.ix_(loose, loose)] = covariance
        return full[:frames, :frames]

    def scatter(by: np.ndarray) -> np.ndarray:
        kind = np.argsort(np.argsort(by, kind="stable"), kind="stable") * groups // max(len(by), 1)
        answers = []
        for group in range(groups):
            less, less_rhs = _gathered(parts, size, kind == group)
            left = whole - less[np.ix_(loose, loose)]
            left[range(len(left)), range(len(left))] += 1e-6 * np.diag(whole)
            answers.append(np.linalg.solve(left, (rhs - less_rhs)[loose]))
        spread = np.array(answers) - np.mean(answers, 0)
        return of_angles((groups - 1) / groups * spread.T @ spread)

    return of_angles(np.linalg.inv(whole) * scale**2), scatter(tracks.points[:, 2])
