"""Reads the coded rim tape along its middle line: which place of the rim faces the camera, or nothing.

An answer is given only when chance can't explain it; where too little is seen, or what is seen fits no place,
the answer is None. Needs numpy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from builder.rim.code import CELL_DEG, CELLS, half_cells

SIDE_DEG = 66.0  # the tape is followed this far to each side: beyond, a half cell shrinks below 0.4 of its width
FINE = 16  # samples a cell
STEP_DEG = CELL_DEG / FINE
CHANCE = 1e-6  # largest probability that a random pattern is taken for the code, in one picture
CLEAR = 0.5  # a cell's contrast, against the median cell's, below which it counts as covered


@dataclass(frozen=True, slots=True)
class RimView:
    """How the tape's middle line lies in the picture, in px of the upright picture (pixel centres at .0).

    A rim point φ to the right of the front is at
        x = axis_x + reach·sin φ / (1 − near·cos φ),
        y = level + drop·cos φ / (1 − near·cos φ) + lean·(x − axis_x):
    a circle in perspective. `near` is radius·cos(elevation) / distance; `band` is the code's height at the
    front.
    """

    axis_x: float
    level: float
    reach: float
    near: float
    drop: float
    band: float
    lean: float = 0.0

    def at(self, phi_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """x, y of rim points."""
        phi = np.radians(phi_deg)
        shrink = 1 / (1 - self.near * np.cos(phi))
        x = self.axis_x + self.reach * np.sin(phi) * shrink
        return x, self.level + self.drop * np.cos(phi) * shrink + self.lean * (x - self.axis_x)

    def scale(self, phi_deg: np.ndarray) -> np.ndarray:
        """Size of upright things at φ, against the front."""
        return (1 - self.near) / (1 - self.near * np.cos(np.radians(phi_deg)))


@dataclass(frozen=True, slots=True)
class RimReading:
    """`angle_deg` 0..360: the tape's place that faces the camera, counted rightwards; grows when the disc
    turns clockwise seen from above."""

    angle_deg: float
    cells_seen: int
    cells_right: int
    chance: float  # that a random pattern fits as well


def sampled_angles() -> np.ndarray:
    """φ of the samples, in degrees from the front, rightwards."""
    count = int(SIDE_DEG / STEP_DEG)
    return np.arange(-count, count + 1) * STEP_DEG


def read_rim(picture: np.ndarray, view: RimView) -> RimReading | None:
    """picture: grey or RGB, any range, (h, w) or (h, w, 3), same size as the view's."""
    return match_profile(rim_profile(picture, view))


def rim_profile(picture: np.ndarray, view: RimView) -> np.ndarray:
    """Grey along the tape's middle line, one value a sampled angle; the mean over the code's inner half. NaN
    outside the picture."""
    phi = sampled_angles()
    x, y = view.at(phi)
    scale = view.scale(phi)
    lines = [_bilinear(picture, x, y + up * view.band * scale) for up in (-0.24, -0.12, 0.0, 0.12, 0.24)]
    return np.mean(lines, axis=0)


def match_profile(profile: np.ndarray) -> RimReading | None:
    """The place whose code fits the profile (one value a `sampled_angles`), unless chance could explain the
    fit.
    """
    seen = np.isfinite(profile)
    if seen.sum() < 20 * FINE:
        return None
    even = evened(profile)
    scores = _scores(even)
    best = int(np.argmax(scores))
    shift = best + _peak_offset(scores, best)
    front_deg = (shift * STEP_DEG) % 360
    right, clear = _judged_cells(even, best)
    chance = _chance(int(clear.sum()), int((right & clear).sum()))
    if chance > CHANCE:
        return None
    return RimReading(front_deg, int(clear.sum()), int((right & clear).sum()), chance)


def evened(profile: np.ndarray) -> np.ndarray:
    """The profile without light and shade: what is left after the mean over two cells is taken off. NaN
    becomes 0.
    """
    seen = np.isfinite(profile)
    filled = np.where(seen, profile, 0.0)
    window = np.ones(2 * FINE + 1)
    weight = np.convolve(seen, window, "same")
    local = np.convolve(filled, window, "same") / np.maximum(weight, 1)
    return np.where(seen, profile - local, 0.0)


def _scores(even: np.ndarray) -> np.ndarray:
    """Correlation with the code for each place (FINE a cell) that could face the camera. Signs, softened by
    the profile's own typical contrast, so that a glaring spot weighs no more than a cell."""
    typical = np.median(np.abs(even[even != 0])) if np.any(even) else 1.0
    soft = np.tanh(even / max(typical, 1e-12))
    ring = np.zeros(CELLS * FINE)
    middle = len(soft) // 2
    ring[(np.arange(len(soft)) - middle) % len(ring)] = soft
    return np.fft.irfft(np.fft.rfft(_code_ring()) * np.conj(np.fft.rfft(ring)), len(ring))


@cache
def _code_ring() -> np.ndarray:
    """The code, evened like a profile, FINE samples a cell; sample k stands for the angle k·STEP_DEG."""
    halves = np.repeat(np.array(half_cells(), float), FINE // 2)
    middles = (halves + np.roll(halves, 1)) / 2  # sample k lies on the border of two half-open sample cells
    window = np.ones(2 * FINE + 1) / (2 * FINE + 1)
    around = np.concatenate([middles[-2 * FINE :], middles, middles[: 2 * FINE]])
    return (around - np.convolve(around, window, "same"))[2 * FINE : -2 * FINE]


def _peak_offset(scores: np.ndarray, best: int) -> float:
    """Where between samples the peak lies, by a parabola through a quarter cell around it."""
    reach = FINE // 4
    offsets = np.arange(-reach, reach + 1)
    a, b, _ = np.polyfit(offsets, scores[(best + offsets) % len(scores)], 2)
    return float(np.clip(-b / (2 * a), -reach, reach)) if a < 0 else 0.0


def _judged_cells(even: np.ndarray, shift: int) -> tuple[np.ndarray, np.ndarray]:
    """For each whole cell in view: is it as the code says, and is it clear enough to be counted?"""
    middle = len(even) // 2
    start = -(-(shift - middle) // FINE)  # first whole cell
    count = (shift + middle) // FINE - start
    cells = start + np.arange(count)
    first = cells * FINE - shift + middle
    inner = np.arange(1, FINE // 2)  # samples well inside a half
    left = even[first[:, None] + inner].mean(1)
    right = even[first[:, None] + FINE // 2 + inner].mean(1)
    expected = np.array(half_cells())[(2 * cells) % (2 * CELLS)]
    contrast = left - right
    clear = np.abs(contrast) > CLEAR * np.median(np.abs(contrast))
    return contrast * expected > 0, clear


def _chance(seen: int, right: int) -> float:
    """Probability that random bits fit so well at any of the 2·127 places tried (union bound; half cells
    apart they are nearly independent): 2·127 · P(binomial(seen, ½) ≥ right)."""
    tail = sum(math.comb(seen, k) for k in range(right, seen + 1)) / 2**seen
    return min(1.0, 2 * CELLS * tail)


def _bilinear(picture: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    height, width = picture.shape[:2]
    inside = (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)
    left = np.clip(np.floor(np.where(inside, x, 0)).astype(int), 0, width - 2)
    top = np.clip(np.floor(np.where(inside, y, 0)).astype(int), 0, height - 2)
    dx, dy = np.where(inside, x, 0) - left, np.where(inside, y, 0) - top

    def grey(rows, columns):
        part = picture[rows, columns].astype(float)
        return part if part.ndim == 1 else part.mean(1)

    value = (1 - dy) * ((1 - dx) * grey(top, left) + dx * grey(top, left + 1)) + dy * (
        (1 - dx) * grey(top + 1, left) + dx * grey(top + 1, left + 1)
    )
    return np.where(inside, value, np.nan)
