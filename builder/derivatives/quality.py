"""Encoder quality by measurement: the lowest whose pictures are as like the originals as wanted."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder import colour
from builder.derivatives.encoding import decode_picture, encode_picture
from builder.derivatives.reducing import Box, flatten

# Where a quality may lie. Below the lower end smooth shading bands, and white beside the subject is no longer
# white (at 60, 70 and 74 about one pixel in 70 is off by more than 2 codes), although SSIM, an average over
# calm areas too, still looks good; above the upper end bytes grow without anything to see.
QUALITY_RANGE = {"avif": (60, 86), "webp": (70, 92), "jpeg": (74, 93)}
TARGET_SSIM = 0.982
# ln(1 - SSIM) falls by about this much a step of quality in all three formats: only the first guess of a
# search that then measures.
_SLOPE_GUESS = -0.022
_TRIALS = 3
_BAND = 64  # rows of a picture that are compared at once…
_MARGIN = 3  # …and what the window of 7 px needs of the rows beside them
_NEAR = 6  # steps of quality over which the line is trusted beyond its trials


def structural_similarity(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """SSIM of two lumas (uint8 or float32, 0..255) at every pixel, float32 (h, w), 1 = alike.

    Wang, Bovik, Sheikh and Simoncelli, IEEE Trans. Image Processing 13(4), 2004, with a flat window of
    7 × 7 px and sample covariance: scikit-image's default.
    """
    window, samples = (7, 7), 49
    a, b = first.astype(np.float32), second.astype(np.float32)

    def mean(values: np.ndarray) -> np.ndarray:
        return cv2.blur(values, window, borderType=cv2.BORDER_REFLECT)

    unbias = samples / (samples - 1)
    mean_a, mean_b = mean(a), mean(b)
    product, squares = mean_a * mean_b, mean_a * mean_a + mean_b * mean_b
    variances = unbias * (mean(a * a + b * b) - squares)
    covariance = unbias * (mean(a * b) - product)
    c1, c2 = (0.01 * 255) ** 2, (0.03 * 255) ** 2
    return (2 * product + c1) * (2 * covariance + c2) / ((squares + c1) * (variances + c2))


def _luma(pixels: np.ndarray) -> np.ndarray:
    """float32 (h, w), 0..255, weights of ITU-R BT.709; transparent pictures as on white."""
    codes = np.ascontiguousarray(flatten(pixels)).astype(np.float32)
    return cv2.transform(codes, colour.LUMINANCE[None])


@dataclass(frozen=True, slots=True)
class _Sample:
    """A picture ready for trials, and the part of it that is judged."""

    pixels: np.ndarray
    judged: tuple[slice, slice]  # rows and columns of the subject's box
    luma: np.ndarray  # of the judged part

    def loss(self, format: str, quality: int) -> float:
        """1 - mean SSIM inside the box after encoding."""
        decoded = decode_picture(encode_picture(self.pixels, format, quality, trial=True))[self.judged]
        tall, total = len(self.luma), 0.0
        for first in range(0, tall, _BAND):  # the dozen arrays in between stay in the processor's cache
            top = max(0, first - _MARGIN)
            part = slice(top, first + _BAND + _MARGIN)
            alike = structural_similarity(self.luma[part], _luma(decoded[part]))
            total += float(alike[first - top : first - top + _BAND].sum(dtype=np.float64))
        return 1 - total / self.luma.size


def _sample(pixels: np.ndarray, box: Box | None, format: str) -> _Sample:
    """AVIF and WebP share their bits over the whole picture, so they are tried whole; for JPEG the box and
    the blocks of 16 px around it do.
    """
    tall, wide = pixels.shape[:2]
    x0, y0, x1, y1 = (round(value) for value in box or (0, 0, wide, tall))
    x0, y0, x1, y1 = max(0, x0), max(0, y0), min(wide, x1), min(tall, y1)
    if x1 - x0 < 16 or y1 - y0 < 16:
        x0, y0, x1, y1 = 0, 0, wide, tall
    if format == "jpeg":
        left, top = x0 // 16 * 16, y0 // 16 * 16
        pixels = pixels[top : -(-y1 // 16) * 16, left : -(-x1 // 16) * 16]
        x0, y0, x1, y1 = x0 - left, y0 - top, x1 - left, y1 - top
    judged = (slice(y0, y1), slice(x0, x1))
    return _Sample(pixels, judged, _luma(pixels[judged]))


def choose_quality(
    samples: Sequence[np.ndarray],
    format: str,
    boxes: Sequence[Box | None] | None = None,
    target: float = TARGET_SSIM,
) -> int:
    """The lowest quality at which the samples' mean SSIM (luma, inside their boxes) reaches `target`.

    samples: a few frames of one spin at one width, as they will be encoded. boxes: where the subject is in
    each; None: the whole picture. ln(1 - SSIM) is nearly straight in quality, and alike steep in every sample: one
    trial of one sample says where to look, one of all where the line lies; another only where it leads far away.
    The answer keeps to QUALITY_RANGE.
    """
    boxes = boxes or [None] * len(samples)
    trials = [_sample(pixels, box, format) for pixels, box in zip(samples, boxes, strict=True)]

    @functools.cache
    def lost(place: int, quality: int) -> float:
        return trials[place].loss(format, quality)

    def loss(quality: int, count: int = len(trials)) -> float:
        return math.log(max(1e-6, float(np.mean([lost(place, quality) for place in range(count)]))))

    limits, wanted = QUALITY_RANGE[format], math.log(1 - target)
    first = sum(limits) // 2
    start = _next_quality({first: loss(first, 1)}, wanted, limits)
    tried = {start: loss(start)}
    if start != first:
        tried[first] = loss(first, 1) + tried[start] - loss(start, 1)
    quality = _next_quality(tried, wanted, limits)
    while quality not in tried and len(tried) < _TRIALS:
        if len(tried) > 1 and min(abs(quality - key) for key in tried) <= _NEAR:
            break
        tried[quality] = loss(quality)
        quality = _next_quality(tried, wanted, limits)
    return quality


def _next_quality(tried: Mapping[int, float], wanted: float, limits: tuple[int, int]) -> int:
    """The lowest quality whose loss should be `wanted`, by the line through the two trials nearest."""
    near = sorted(tried, key=lambda quality: abs(tried[quality] - wanted))
    poor = max((quality for quality in tried if tried[quality] > wanted), default=near[0])
    good = min((quality for quality in tried if tried[quality] <= wanted), default=near[0])
    first, second = (poor, good) if poor != good else (near[0], near[min(1, len(near) - 1)])
    slope = (tried[second] - tried[first]) / (second - first) if first != second else _SLOPE_GUESS
    guess = first + math.ceil((wanted - tried[first]) / min(slope, _SLOPE_GUESS / 4))
    return min(max(guess, limits[0]), limits[1])
