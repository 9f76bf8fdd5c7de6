"""Soft coverage at the subject's edge, and the subject's own colour there: no old backdrop stays in the outline.

A pixel on the outline is a mixture in linear light, I = α·F + (1 − α)·B (T. Porter, T. Duff, Compositing digital
images, SIGGRAPH 1984). B is the backdrop just outside and F the subject just inside; α is I's place between them, read
off by projection on F − B.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from builder.finished.look import around

_SOFTNESS = 0.8  # px of the grid: half the breadth of the outline's mixture, of a sharp picture
_ERROR = 0.5  # px of the grid: by how much the cut's line, which runs where the picture changes most, may be wrong
_TOO_BROAD = 1.0  # px of the grid: by how much a thin part's line may lie outside, since the lens broadens it


@dataclass(frozen=True, eq=False, slots=True)
class Sides:
    """The outline's two sides on the grid of the cut: what is certain, and the colours on either side of it."""

    cut: np.ndarray  # uint8 (h, w): the hard cut
    core: np.ndarray  # uint8 (h, w): certainly all subject
    band: np.ndarray  # uint8 (h, w): where the outline may run
    depth: np.ndarray  # float32 (h, w): px inside the cut's line, negative outside
    inside: np.ndarray  # float32 (h, w, 3) linear: the subject's light near each pixel
    outside: np.ndarray  # float32 (h, w, 3) linear: the backdrop's
    mixed: np.ndarray  # float32 (h, w): variance of both, summed over the channels
    excess: np.ndarray  # float32 (h, w): px by which the cut's line may lie outside the outline


def two_sides(light: np.ndarray, cut: np.ndarray, backdrop: np.ndarray, reach: int = 2) -> Sides:
    """light, backdrop: linear, float32 (h, w, 3); cut: bool (h, w). reach: px to either side of the cut."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    cut = cut.astype(np.uint8)
    core, outer = cv2.erode(cut, kernel), cv2.dilate(cut, kernel)
    size = 2 * reach + 3
    near = around(outer, 2 * size)  # farther away nothing is asked
    own = cut[near]
    depth = np.full(cut.shape, -np.inf, np.float32)
    inside, outside, mixed = light.copy(), backdrop.copy(), np.zeros(cut.shape, np.float32)
    excess = np.full(cut.shape, _ERROR, np.float32)
    outside[near], shaded = _near_mean(light[near], 1 - outer[near], size, backdrop[near])
    inside[near], varied = _near_mean(light[near], core[near], size, light[near])
    thin = cv2.dilate(core[near], kernel, iterations=2) == 0
    most, known = _most_apart(light[near] - outside[near], np.where(thin, own, 0))
    inside[near] = np.where(known[..., None], outside[near] + most, inside[near])
    excess[near] = np.where(thin, _TOO_BROAD, _ERROR)
    varied = np.where(known, 0, varied)
    mixed[near] = varied + shaded
    line = cv2.distanceTransform(own, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - own, cv2.DIST_L2, 5)
    depth[near] = line - 0.5 * np.sign(line)  # the line runs between pixels
    return Sides(cut, core, outer - core, depth, inside, outside, mixed, excess)


def _most_apart(apart: np.ndarray, thin: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What parts too thin to have a core differ by from the backdrop, (h, w, 3), and where that is known, (h, w).

    They are mixtures all through: those that differ most are most of the thing itself. apart: linear, (h, w, 3).
    """
    square = cv2.transform(cv2.multiply(apart, apart), np.ones((1, 3), np.float32)) * thin
    most = cv2.dilate(square, np.ones((5, 5), np.uint8))
    weight = (square / np.maximum(most, np.float32(1e-9))) ** 2  # of what is half a mixture a sixteenth counts
    total = cv2.blur(weight, (5, 5))
    mean = cv2.divide(cv2.blur(cv2.multiply(apart, cv2.merge([weight] * 3)), (5, 5)), cv2.merge([total] * 3))
    return mean, total > 1e-3


def _near_mean(light, mask: np.ndarray, size: int, elsewhere: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance (summed over channels) of the masked pixels in a square of `size` around each pixel.

    `elsewhere` and 0 where there are none.
    """
    weight = mask.astype(np.float32)
    masked = cv2.multiply(light, cv2.merge([weight] * 3))  # three times as fast as numpy's (h, w, 1)
    count = cv2.blur(weight, (size, size))
    here = count > 1e-3
    count = np.where(here, count, np.float32(1))
    mean = cv2.divide(cv2.blur(masked, (size, size)), cv2.merge([count] * 3))
    total = np.ones((1, 3), np.float32)
    square = cv2.blur(cv2.transform(cv2.multiply(masked, masked), total), (size, size)) / count
    variance = np.maximum(square - cv2.transform(cv2.multiply(mean, mean), total), 0)
    cv2.copyTo(np.ascontiguousarray(elsewhere), (~here).view(np.uint8), mean)
    return mean, np.where(here, variance, 0)


def _covered(depth: np.ndarray) -> np.ndarray:
    """Coverage of a pixel whose middle lies `depth` grid px inside a straight outline, lens and sampling included."""
    return np.clip(0.5 + depth / (2 * _SOFTNESS), 0, 1)


def soft_edge(light: np.ndarray, sides: Sides, place: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Coverage α (n,) and the subject's own light times it, αF (n, 3), of single pixels in the band.

    light: linear (n, 3). place: x and y (n,) of the pixels on the sides' grid.
    """
    x, y = (part.astype(np.float32).reshape(1, -1) for part in place)

    def at(values: np.ndarray) -> np.ndarray:
        # Rows of a remap may hold at most 32767 pixels: folded.
        parts = [slice(k, k + 30000) for k in range(0, x.shape[1], 30000)]
        how = {"interpolation": cv2.INTER_LINEAR, "borderMode": cv2.BORDER_REPLICATE}
        return np.concatenate([cv2.remap(values, x[:, part], y[:, part], **how)[0] for part in parts])

    if not x.size:
        return np.zeros(0, np.float32), np.zeros((0, 3), np.float32)
    inside, outside, depth = at(sides.inside), at(sides.outside), at(sides.depth)
    mixed, excess = at(sides.mixed), at(sides.excess)
    span = inside - outside
    length = (span * span).sum(axis=1)
    between = ((light - outside) * span).sum(axis=1) / np.maximum(length, 1e-6)
    # Where the sides vary in themselves by a quarter of what they differ (a mirror's edge), the line decides by itself;
    # and nowhere may the outline run farther from it than the cut can be wrong.
    trust = length / (length + 16 * mixed + 2e-4 * (0.02 + (outside * outside).sum(axis=1)))
    plain = _covered(depth)
    alpha = trust * between + (1 - trust) * plain
    alpha = np.clip(alpha, _covered(depth - excess), _covered(depth + _ERROR))[:, None]
    alpha = np.where(alpha < 0.03, 0, np.where(alpha > 0.97, 1, alpha))
    # αF is what is left of the pixel without the backdrop's part; where little is left that is mostly noise, and the
    # subject's colour beside it is the better guess.
    own = np.clip((alpha - 0.25) / 0.5, 0, 1)
    left = np.maximum(light - (1 - alpha) * outside, 0)
    return alpha[:, 0], own * left + (1 - own) * alpha * inside
