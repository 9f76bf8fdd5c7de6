"""Taste, last: contrast, saturation, and sharpening for the output's size."""

from __future__ import annotations

import cv2
import numpy as np

from builder import colour


def toned(light: np.ndarray, plan) -> np.ndarray:
    """Contrast and saturation as the plan says; linear light in and out. 0 and 0: the same array."""
    if plan.saturation:
        grey = colour.luminance(light)[..., None]
        light = np.maximum(grey + (1 + plan.saturation) * (light - grey), 0)
    if plan.contrast:
        light = _contrasted(light, plan.contrast)
    return light


def _contrasted(light: np.ndarray, amount: float) -> np.ndarray:
    """A smooth S in lightness that keeps black, white and the middle (L* 50), and each pixel's chromaticity.

    L* is CIE 1976 lightness over 100, t; t + amount·c·t(1−t)(2t−1) has slope 1 − c·amount/2... at the middle; c = 1
    keeps it rising for amount in -1..1.
    """
    grey = np.maximum(colour.luminance(light), 1e-6)
    lightness = np.where(grey > (6 / 29) ** 3, 1.16 * np.cbrt(grey) - 0.16, 9.033 * grey)
    curved = lightness + amount * lightness * (1 - lightness) * (2 * lightness - 1)
    wanted = np.where(curved > 0.08, ((curved + 0.16) / 1.16) ** 3, curved / 9.033)
    return light * (wanted / grey)[..., None].astype(light.dtype)


def sharpen(pixels: np.ndarray, amount: float, width: int) -> np.ndarray:
    """Unsharp mask after the last resize: uint8 (h, w, 3|4) in and out; a fourth channel stays as it is.

    amount: 0 none, 0.5 usual, 2 strong. width: px, of the output: the radius grows from 0.5 px at phone sizes to 1 px
    at zoom sizes, so that the same share of the picture is touched. Lightness alone is sharpened, so that no colour
    fringe appears; differences under 2 codes (noise, flat backdrop) are left alone.
    """
    if amount <= 0:
        return pixels
    sigma = float(np.clip(0.5 + 0.5 * (width - 480) / 1120, 0.5, 1.2))
    sharp = pixels.copy()
    part = sharp[_busy(pixels)]
    channels = cv2.split(part)[:3]
    grey = cv2.transform(part[..., :3].astype(np.float32), np.float32([[0.2126, 0.7152, 0.0722]]))
    detail = cv2.subtract(grey, cv2.GaussianBlur(grey, (0, 0), sigma))
    detail -= np.clip(detail, -1, 1)
    low = cv2.erode(grey, np.ones((3, 3), np.uint8))
    high = cv2.dilate(grey, np.ones((3, 3), np.uint8))
    # No halo: the result stays within a tenth of the neighbourhood's own range.
    spare = cv2.subtract(high, low)
    spare *= np.float32(0.1)
    detail *= np.float32(2 * amount)
    change = cv2.min(cv2.max(cv2.add(grey, detail), cv2.subtract(low, spare)), cv2.add(high, spare))
    change -= grey
    part[..., :3] = cv2.merge([cv2.add(codes, change, dtype=cv2.CV_8U) for codes in channels])  # rounded by OpenCV
    return sharp


def _busy(pixels: np.ndarray) -> tuple[slice, slice]:
    """Rows and columns outside of which the picture has the one colour of its corner, which nothing here changes."""
    height, width, channels = pixels.shape
    busy = pixels.reshape(height, -1) != np.tile(pixels[0, 0], width)
    border = 8  # more than the blur reaches
    rows = np.flatnonzero(busy.any(axis=1))
    columns = np.flatnonzero(busy.any(axis=0).reshape(width, channels).any(axis=1))
    if not len(rows):
        return slice(0, 2), slice(0, 2)
    return slice(max(0, rows[0] - border), rows[-1] + border + 1), slice(
        max(0, columns[0] - border), columns[-1] + border + 1
    )
