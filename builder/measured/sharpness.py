"""Focus and shake: how soft each frame's edges are, and against the frames beside it in angle.

An edge is soft by sigma b px (the width of its Gaussian spread). Blurred again by two known amounts, its slope
falls in a ratio that gives b whatever the edge's contrast (Zhuo and Sim 2011, "Defocus map estimation from a
single image", section 3): a side with little detail, or darker, isn't taken for blurred. Motion softens edges
across it only, so edges are kept apart by direction.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.light import mad_sigma

FINE, COARSE = 1.0, 2.0  # px, the two known blurs
# px^2, with the difference of neighbours, a box of 2 px, whose variance is 1/3
SPREAD_FINE, SPREAD_COARSE = FINE**2 + 1 / 3, COARSE**2 + 1 / 3
SHARPER = 0.35  # share of a direction's edges that is at least this sharp: shading and depth leave many soft
DIRECTIONS = 4  # bins of 45 degrees
LEAST_EDGES = 120  # edge pixels a direction needs
MOST_EDGES = 3000  # the strongest count: outlines and marks rather than grain
CLEAR = 8.0  # times the noise a slope must have
BESIDE = 3  # frames on either side that a frame is held against
SURE = 5.0

# A Gaussian blur of sigma s passes detail of f cycles a pixel at exp(-2 (pi s f)^2). At s = 0.75 px detail of
# 4 px a cycle is halved: the least blur worth a reshoot, in pixels of the widest output.
SEEN_PX = 0.75


@dataclass(frozen=True)
class Sharpness:
    """ratio: (n,) sharpness against the neighbours, 1 = the same, less = softer, NaN = can't be said.

    extra_px: (n,) blur beyond the neighbours', sigma in px of the widest output, 0 where there is none.
    limit_px: (n,) what extra_px is held against.
    """

    ratio: np.ndarray
    extra_px: np.ndarray
    limit_px: np.ndarray

    @property
    def blurred(self) -> np.ndarray:
        return self.extra_px > self.limit_px


def measure_sharpness(detail: Iterable[np.ndarray], mask: np.ndarray, output_scale: float, closed: bool) -> Sharpness:
    """Sharpness of what turns.

    detail: uint8, n of (H, W), luma. mask: bool (H, W), where the subject may be. output_scale: pixels of the
    widest output for one of `detail`.
    """
    softness = np.stack([_softness(frame, mask) for frame in detail])
    return compare_softness(softness, output_scale, closed)


def compare_softness(softness: np.ndarray, output_scale: float, closed: bool) -> Sharpness:
    """softness: (n, directions) b^2 in px^2 of the detail, NaN where a direction has too few edges."""
    count = len(softness)
    rows = np.arange(count)
    usual, softest = (np.array(part) for part in zip(*(_beside(softness, i, closed) for i in rows), strict=True))
    scatter = np.array([mad_sigma(column[np.isfinite(column)]) for column in (softness - usual).T])
    limit = np.maximum((SEEN_PX / output_scale) ** 2, SURE * scatter)
    # against a soft neighbour: a view comes and goes gradually, blur does not. And, for a run of blurred frames,
    # against the softer half of the whole turn, by four times the limit
    whole = np.array([np.quantile(c[np.isfinite(c)], 0.75) if np.isfinite(c).any() else np.nan for c in softness.T])
    extra = np.fmax(softness - softest, np.where(softness - whole > 4 * limit, softness - whole, -np.inf))
    known = np.isfinite(extra)
    over = np.where(known, extra / limit, -np.inf)
    worst = np.argmax(over, axis=1)
    ratio = np.sqrt((usual + 0.25) / (softness + 0.25))[rows, worst]  # 0.25 px^2: a pixel's own spread
    ratio = np.where(known.any(axis=1), ratio, np.nan)
    most = np.where(known.any(axis=1), np.nan_to_num(extra[rows, worst], nan=0.0, neginf=0.0), 0.0)
    return Sharpness(ratio, np.sqrt(np.maximum(most, 0.0)) * output_scale, np.sqrt(limit[worst]) * output_scale)


def _beside(softness: np.ndarray, index: int, closed: bool) -> tuple[np.ndarray, np.ndarray]:
    """Of the neighbours in angle, by direction: the median, and the softest but one."""
    count = len(softness)
    places = [index + k for k in range(-BESIDE, BESIDE + 1) if k]
    places = [p % count for p in places] if closed and count > 2 * BESIDE else [p for p in places if 0 <= p < count]
    near = softness[places]
    usual, softest = np.full(softness.shape[1], np.nan), np.full(softness.shape[1], np.nan)
    for direction, column in enumerate(near.T):
        column = np.sort(column[np.isfinite(column)])
        if len(column) >= 2:
            usual[direction], softest[direction] = np.median(column), column[-2]
    return usual, softest


def _softness(frame: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """b^2 of the sharper edges among the strong ones, for each direction: (DIRECTIONS,) px^2 or NaN."""
    found = np.full(DIRECTIONS, np.nan)
    x, y, w, h = cv2.boundingRect(mask.astype(np.uint8))
    if w < 16 or h < 16:
        return found
    picture = frame[y : y + h, x : x + w].astype(np.float32)
    fine, _, _ = _slope(picture, FINE)
    coarse, gx, gy = _slope(picture, COARSE)
    # white noise of sigma n leaves slopes of n / (sqrt(8 pi) sigma^2) after a Gaussian and a difference
    least = max(1.0, CLEAR * _noise(picture) / (np.sqrt(8 * np.pi) * COARSE**2))
    rows, columns, bins = _ridges(np.where(mask[y : y + h, x : x + w], coarse, 0), gx, gy, least)
    strength = coarse[rows, columns]
    ratio = fine[rows, columns] / strength
    spread = (SPREAD_COARSE - ratio**2 * SPREAD_FINE) / np.maximum(ratio**2 - 1.0, 0.02)
    spread = np.maximum(spread, 0.0)  # lines and specks fall faster than edges
    for direction in range(DIRECTIONS):
        here = bins == direction
        if here.sum() < LEAST_EDGES:
            continue
        top = np.argsort(-strength[here], kind="stable")[:MOST_EDGES]
        found[direction] = np.quantile(spread[here][top], SHARPER)
    return found


def _ridges(
    strength: np.ndarray, gx: np.ndarray, gy: np.ndarray, least: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows, columns and direction bins of the crests of edges: highest of three across the edge."""
    inner = np.zeros_like(strength)
    inner[2:-2, 2:-2] = strength[2:-2, 2:-2]
    rows, columns = np.nonzero(inner > least)
    angle = np.arctan2(gy[rows, columns], gx[rows, columns])
    bins = np.rint(angle / (np.pi / DIRECTIONS)).astype(int) % DIRECTIONS
    across = np.array([[0, 1], [1, 1], [1, 0], [1, -1]])[bins]
    here = strength[rows, columns]
    after = strength[rows + across[:, 0], columns + across[:, 1]]
    before = strength[rows - across[:, 0], columns - across[:, 1]]
    crest = (here >= after) & (here > before)
    return rows[crest], columns[crest], bins[crest]


def _noise(picture: np.ndarray) -> float:
    """Noise in levels, from a difference that is blind to edges and slopes (Immerkaer 1996), by its median."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    return float(np.median(np.abs(cv2.filter2D(picture, -1, kernel)))) * 1.4826 / 6


def _slope(picture: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Length and parts of the gradient of the blurred picture, levels a px."""
    soft = cv2.GaussianBlur(picture, (0, 0), sigma)
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=0.125)
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=0.125)
    return cv2.magnitude(gx, gy), gx, gy
