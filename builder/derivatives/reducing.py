"""Finished pixels to smaller ones.

Pixels are uint8 (h, w, 3) sRGB, or (h, w, 4) with straight alpha where the backdrop is transparent.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from builder import colour

Sharpen = Callable[[np.ndarray, int], np.ndarray]  # (pixels, width in px) -> pixels
Box = tuple[float, float, float, float]  # x0, y0, x1, y1 in pixels of the picture it goes with
Colour = tuple[int, int, int]  # sRGB, 0..255
WHITE: Colour = (255, 255, 255)
# 16 bit linear light keeps every code apart, down to black: code -> light -> code is exact.
_TO_LINEAR = np.rint(colour.decode(np.arange(256) / 255) * 65535).astype(np.uint16)
_TO_CODE = np.rint(colour.encode(np.arange(65536) / 65535) * 255).astype(np.uint8)


def flatten(pixels: np.ndarray, backdrop: Colour = WHITE) -> np.ndarray:
    """(h, w, 3|4) -> (h, w, 3): a transparent picture laid on a colour, blended in linear light."""
    if pixels.shape[2] == 3:
        return pixels
    alpha = pixels[..., 3:].astype(np.float32) / 255
    light = cv2.LUT(np.ascontiguousarray(pixels[..., :3]), _TO_LINEAR).astype(np.float32)
    under = _TO_LINEAR[np.array(backdrop)].astype(np.float32)
    return np.take(_TO_CODE, np.rint(light * alpha + under * (1 - alpha)).astype(np.uint16))


def reduce_picture(pixels: np.ndarray, width: int, height: int | None = None) -> np.ndarray:
    """Area average in linear light to `width` px; height keeps the shape unless given. Never enlarges.

    Linear costs up to twice the time of averaging the codes (tests/bench prints it), some ms where an encode
    takes a hundred: no reason to let fine bright detail darken.
    """
    tall, wide = pixels.shape[:2]
    width = min(width, wide)
    height = min(height or fitted_height(wide, tall, width), tall)
    if (width, height) == (wide, tall):
        return pixels
    size = (width, height)
    if pixels.shape[2] == 3:
        light = cv2.LUT(np.ascontiguousarray(pixels), _TO_LINEAR)
        return np.take(_TO_CODE, cv2.resize(light, size, interpolation=cv2.INTER_AREA))
    return _reduce_transparent(pixels, size)


def _reduce_transparent(pixels: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """As `reduce_picture`, colour weighted by coverage so that hidden colour can't leak into the edge."""
    alpha = pixels[..., 3:].astype(np.float32) / 255
    light = cv2.LUT(np.ascontiguousarray(pixels[..., :3]), _TO_LINEAR).astype(np.float32) * alpha
    light = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    alpha = cv2.resize(alpha, size, interpolation=cv2.INTER_AREA)[..., None]
    light = np.clip(np.rint(light / np.maximum(alpha, 1e-4)), 0, 65535).astype(np.uint16)
    return np.dstack([np.take(_TO_CODE, light), np.rint(alpha * 255).astype(np.uint8)])


def edge_colour(picture: np.ndarray) -> Colour:
    """Median sRGB of the outermost pixels of (h, w, 3): the backdrop's colour."""
    edges = np.concatenate([picture[0], picture[-1], picture[:, 0], picture[:, -1]])
    return tuple(int(value) for value in np.median(edges, axis=0))


def fitted_height(wide: int, tall: int, width: int) -> int:
    """Height that keeps the shape of wide × tall at `width`."""
    return max(1, round(tall * width / wide))


def spread_colour(pixels: np.ndarray) -> np.ndarray:
    """Under full transparency, colour like the nearest visible one.

    Lossy encoders mix neighbours (chroma at half size above all): black or white under the hidden part
    would fringe the edge.
    """
    alpha = pixels[..., 3].astype(np.float32) / 255
    shown = pixels[..., :3].astype(np.float32)
    premultiplied = shown * alpha[..., None]
    hidden = pixels[..., 3] == 0
    for reach in (9, 65):
        weight = cv2.blur(alpha, (reach, reach))
        near = hidden & (weight > 1e-3)
        shown[near] = cv2.blur(premultiplied, (reach, reach))[near] / weight[near][:, None]
        hidden = hidden & ~near
    shown[hidden] = 255
    return np.dstack([np.clip(np.rint(shown), 0, 255).astype(np.uint8), pixels[..., 3]])
