"""Photo to linear light on a wanted grid: decoded as small as serves, evened, resampled once.

Geometry is 2×3 or 3×3 matrices on pixel coordinates, x right, y down, a pixel's centre at .0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from builder import colour
from builder.frames.photos import read_photo
from builder.spin import Affine, Photo

cv2.setNumThreads(1)  # results and memory must not depend on the machine; the build runs processes instead

NO_GAIN = (1.0, 1.0, 1.0)
BAND_PIXELS = 400_000  # of the photo that are turned to light at once: what a processor's cache holds a few times over

_LIGHT = colour.to_light(np.arange(256, dtype=np.uint8)[None])[0]  # of each code


def matrix(affine: Affine | np.ndarray) -> np.ndarray:
    """A 2×3 as 3×3, float64."""
    square = np.eye(3)
    square[:2] = np.asarray(affine, np.float64)[:2]
    return square


def affine(square: np.ndarray) -> Affine:
    """The upper two rows of a 3×3 as plain floats."""
    return tuple(tuple(float(value) for value in row) for row in square[:2])


def scaling(factor_x: float, factor_y: float) -> np.ndarray:
    """3×3 that takes a picture's pixels to those of a copy `factor` as large, edges on edges."""
    return np.array([[factor_x, 0, 0.5 * factor_x - 0.5], [0, factor_y, 0.5 * factor_y - 0.5], [0, 0, 1.0]])


def scale_of(to_grid: np.ndarray) -> float:
    """Grid pixels per source pixel."""
    return math.sqrt(abs(np.linalg.det(np.asarray(to_grid)[:2, :2])))


@dataclass(frozen=True, eq=False, slots=True)
class Copy:
    """A decoded photo, perhaps reduced: uint8 (h, w, 3), and source pixel -> its pixel as 3×3."""

    pixels: np.ndarray
    matrix: np.ndarray


def read_copy(photo: Photo, scale: float, *, exact: bool = False) -> Copy:
    """A photo decoded at the smallest power of two that holds `scale` grid pixels a source pixel.

    exact: then reduced to just that scale by areas, in codes; coarser, for statistics.
    """
    long_side = max(photo.width, photo.height)
    halvings = max(0, math.floor(-math.log2(scale) + 1e-6)) if scale < 1 else 0
    pixels = read_photo(photo, long_side=math.ceil(long_side / 2**halvings) if halvings else None)
    if exact:
        shrink = min(1.0, max(1, round(long_side * scale)) / long_side)
        size = max(1, round(photo.width * shrink)), max(1, round(photo.height * shrink))
        if size != pixels.shape[1::-1]:
            pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    height, width = pixels.shape[:2]
    return Copy(pixels, scaling(width / photo.width, height / photo.height))


def sample_light(
    copy: Copy, to_grid: np.ndarray, size: tuple[int, int], gain=NO_GAIN, how: int = cv2.INTER_CUBIC
) -> np.ndarray:
    """Linear light, float32 (h, w, 3), of a copy on a grid of `size` (w, h); outside the photo its edge is drawn out.

    to_grid: source pixel -> grid pixel. gain: linear r, g, b factors. What reduction is left is a Gaussian that leaves
    as much as the grid can hold; interpolation is in linear light.
    """
    warp = matrix(to_grid) @ np.linalg.inv(copy.matrix)
    width, height = size
    band = max(64, round(BAND_PIXELS * scale_of(warp) ** 2 / width))
    if scale_of(warp) < 0.5 or band >= height:
        return _sampled(copy.pixels, warp, size, gain, how)
    light = np.empty((height, width, 3), np.float32)
    for top in range(0, height, band):
        part = light[top : top + band]
        part[:] = _sampled(copy.pixels, _raised(top) @ warp, (width, len(part)), gain, how)
    return light


def _sampled(pixels: np.ndarray, warp: np.ndarray, size: tuple[int, int], gain, how: int) -> np.ndarray:
    """`sample_light` at one go. warp: 3×3, pixel -> grid pixel."""
    pixels, warp = _window(pixels, warp, size)
    left = scale_of(warp)
    if left < 0.5:  # first by area, in codes: for statistics on a grid much coarser than the picture
        pixels, warp = _halved(pixels, warp)
        left = scale_of(warp)
        small = (max(1, round(pixels.shape[1] * left)), max(1, round(pixels.shape[0] * left)))
        warp = warp @ np.linalg.inv(scaling(small[0] / pixels.shape[1], small[1] / pixels.shape[0]))
        pixels = cv2.resize(pixels, small, interpolation=cv2.INTER_AREA)
        left = scale_of(warp)
    light = _evened(pixels, gain)
    if left < 0.97:
        # A pixel of the grid averages 1/left pixels of the copy: variances of box filters, (1/left² − 1) / 12.
        sigma = math.sqrt((1 / left**2 - 1) / 12)
        cv2.GaussianBlur(light, (0, 0), sigma, dst=light, borderType=cv2.BORDER_REPLICATE)  # in place: it is large
    return resample(light, warp, size, how)


def _halved(pixels: np.ndarray, warp: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The picture as small as still holds the grid, by squares of two pixels: a quarter of the time of averaging over
    areas of any size. An odd row or column at the far edge goes.
    """
    while scale_of(warp) < 0.5 and min(pixels.shape[:2]) > 1:
        height, width = (side // 2 for side in pixels.shape[:2])
        pixels = cv2.resize(pixels[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
        warp = warp @ np.linalg.inv(scaling(0.5, 0.5))
    return pixels, warp


def _raised(rows: int) -> np.ndarray:
    """3×3 that takes a grid's pixels to those of the same grid without its first rows."""
    return np.array([[1, 0, 0], [0, 1, -rows], [0, 0, 1.0]])


def resample(light: np.ndarray, warp: np.ndarray, size: tuple[int, int], how: int = cv2.INTER_CUBIC) -> np.ndarray:
    """`light` moved by `warp` (3×3, old pixel -> new) to `size` (w, h); a pure whole-pixel shift is a copy."""
    shift = np.rint(warp[:2, 2]).astype(int)
    if np.allclose(warp[:2, :2], np.eye(2), atol=1e-9) and np.allclose(warp[:2, 2], shift, atol=1e-6):
        how = cv2.INTER_NEAREST
    moved = cv2.warpAffine(light, warp[:2], size, flags=how, borderMode=cv2.BORDER_REPLICATE)
    return moved


def _evened(pixels: np.ndarray, gain) -> np.ndarray:
    return cv2.LUT(pixels, (_LIGHT[:, None] * np.asarray(gain, np.float32))[None])


def _window(pixels: np.ndarray, warp: np.ndarray, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """The part of the picture that the grid can see, with a border for the filters, and the warp from there."""
    width, height = size
    corners = np.array([[-1, -1, 1], [width, -1, 1], [-1, height, 1], [width, height, 1]], float).T
    x, y = (np.linalg.inv(warp) @ corners)[:2]
    border = 8
    left = int(np.clip(math.floor(x.min()) - border, 0, pixels.shape[1] - 1))
    top = int(np.clip(math.floor(y.min()) - border, 0, pixels.shape[0] - 1))
    right = int(np.clip(math.ceil(x.max()) + border + 1, left + 1, pixels.shape[1]))
    bottom = int(np.clip(math.ceil(y.max()) + border + 1, top + 1, pixels.shape[0]))
    moved = warp @ np.array([[1, 0, left], [0, 1, top], [0, 0, 1.0]])
    return pixels[top:bottom, left:right], moved
