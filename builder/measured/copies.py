"""Reduced copies of a spin's photos: what everything else here measures on."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from builder.errors import PhotoError
from builder.frames.photos import read_photo
from builder.measured.abreast import one_by_one
from builder.measured.stack import Stack
from builder.spin import Photo, Unreadable

COPY_SIDE = 1000  # px, long side of a copy: a shift of 1 px at 1600 is 0.6 px here
DETAIL_SIDE = 1600  # px, long side of the luminance kept for sharpness: the widest site picture
MOST_BYTES = 420_000_000  # of all copies together, on disk; more frames make them smaller


@dataclass(frozen=True)
class Copies:
    """Copies of the photos that share one size.

    pictures: uint8 (n, h, w, 3) sRGB. detail: uint8 (n, H, W) luma at up to DETAIL_SIDE.
    places: index of each copy among the spin's photos. scale: source px per copy px (x, y).
    """

    pictures: Stack
    detail: Stack
    places: tuple[int, ...]
    photos: tuple[Photo, ...]
    scale: tuple[float, float]

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the source, px."""
        return self.photos[0].width, self.photos[0].height

    def source_x(self, x: float) -> float:
        return (x + 0.5) * self.scale[0] - 0.5

    def source_y(self, y: float) -> float:
        return (y + 0.5) * self.scale[1] - 0.5


def common_size(photos: Sequence[Photo]) -> tuple[int, int]:
    """Width and height most photos have; the first's where none leads."""
    return Counter((photo.width, photo.height) for photo in photos).most_common(1)[0][0]


def read_copies(photos: Sequence[Photo]) -> tuple[Copies | None, tuple[Unreadable, ...]]:
    """Copies of the photos of the common size, and the photos that failed while being decoded."""
    size = common_size(photos)
    wanted = [index for index, photo in enumerate(photos) if (photo.width, photo.height) == size]
    copy_side, detail_side = _sides(len(wanted), size)
    pictures, detail = Stack(), Stack()
    places: list[int] = []
    failed: list[Unreadable] = []
    read = one_by_one(lambda index: _read(photos[index], copy_side, detail_side), wanted)
    for place, copy in zip(wanted, read, strict=True):
        if isinstance(copy, Unreadable):
            failed.append(copy)
            continue
        pictures.append(copy[0])
        detail.append(copy[1])
        places.append(place)
    if not places:
        return None, tuple(failed)
    scale = (size[0] / pictures.shape[2], size[1] / pictures.shape[1])
    return Copies(pictures, detail, tuple(places), tuple(photos[p] for p in places), scale), tuple(failed)


def _sides(count: int, size: tuple[int, int]) -> tuple[int, int]:
    """Long sides of the copy and of the detail, within MOST_BYTES for all frames."""
    share = min(size) / max(size)
    bytes_wanted = count * share * (3 * COPY_SIDE**2 + DETAIL_SIDE**2)
    shrink = min(1.0, (MOST_BYTES / max(bytes_wanted, 1)) ** 0.5)
    return max(64, round(COPY_SIDE * shrink)), max(64, round(DETAIL_SIDE * shrink))


def _read(photo: Photo, copy_side: int, detail_side: int) -> tuple[np.ndarray, np.ndarray] | Unreadable:
    """Decoded as small as holds the detail, by halves, which a JPEG's decoder does for nothing."""
    long_side = max(photo.width, photo.height)
    halvings = max(0, math.floor(math.log2(long_side / detail_side)))
    try:
        pixels = read_photo(photo, long_side=math.ceil(long_side / 2**halvings) if halvings else None)
    except PhotoError as error:
        return Unreadable(photo.path, error.faults[0].what)
    luma = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    detail = _fitted(photo.width, photo.height, detail_side)
    if detail != luma.shape[::-1]:
        # Hamming: as sharp as plain area averaging, and alike everywhere, which the sharpness of edges is read from.
        luma = np.asarray(Image.fromarray(luma).resize(detail, Image.Resampling.HAMMING))
    copy = _fitted(*detail, copy_side)
    if copy != pixels.shape[1::-1]:
        pixels = cv2.resize(pixels, copy, interpolation=cv2.INTER_AREA)
    return pixels, luma


def _fitted(width: int, height: int, long_side: int) -> tuple[int, int]:
    """Width and height with at most that long side; never enlarged."""
    shrink = min(1.0, long_side / max(width, height))
    return max(1, round(width * shrink)), max(1, round(height * shrink))
