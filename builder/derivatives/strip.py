"""The first-turn strip: all frames, small, in one file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from builder.derivatives.encoding import encode_picture
from builder.derivatives.reducing import reduce_picture

STRIP_BUDGET = 60_000  # bytes
_STRIP_WIDEST = 240  # px a cell
_STRIP_SIDE = 4096  # px, the largest picture that old phones' graphics take
_STRIP_QUALITY = (42, 72)
# Of the strip as AVIF, which most browsers take instead: the look of WebP at 42 for two thirds of its bytes
# (tests/bench/derivatives.py prints both), and every 20 kB are 100 ms at 1.6 Mbit/s.
_AVIF_STRIP_QUALITY = 40
AVIF_STRIP_BUDGET = 40_000  # bytes


@dataclass(frozen=True, slots=True)
class Strip:
    """One sheet with every frame at low resolution, row by row."""

    file: bytes  # WebP: half of a JPEG's bytes, and every engine that has pointer events decodes it
    columns: int
    width: int  # of one cell, px
    height: int
    avif: bytes | None = None  # the same sheet, lighter, for browsers that decode it


def make_strip(pictures: Sequence[np.ndarray], budget: int = STRIP_BUDGET, *, avif: bool = True) -> Strip:
    """All frames on one sheet, cells as large and as good as `budget` bytes allow.

    pictures: `Derived.picture` of each frame, in turning order. Cells are whole blocks of the encoder, so
    that neighbours don't bleed into each other, but for chroma in the outermost pixel, which decoders smooth.
    They may be off the frame's shape by a percent and are meant to be shown in the frame's shape.
    """
    wide, tall = pictures[0].shape[1], pictures[0].shape[0]
    lowest, highest = _STRIP_QUALITY
    wanted = math.inf
    for width, height in _cells(wide, tall, len(pictures)):
        if width > wanted:
            continue
        columns = _columns(len(pictures), width, height)
        sheet = _sheet([reduce_picture(picture, width, height) for picture in pictures], columns)
        file = encode_picture(sheet, "webp", lowest)
        if len(file) <= budget:
            break
        wanted = width * (budget / len(file)) ** 0.6  # bytes grow a little slower than the area
    best = _better_strip(sheet, file, budget, (lowest, highest))
    return Strip(best, columns, width, height, _avif_strip(sheet) if avif else None)


def _avif_strip(sheet: np.ndarray) -> bytes:
    """At the wanted quality, or at as much as the budget takes."""
    quality, file = _AVIF_STRIP_QUALITY, encode_picture(sheet, "avif", _AVIF_STRIP_QUALITY)
    while len(file) > AVIF_STRIP_BUDGET and quality > 20:
        # bytes grow by about 3 % a step of quality
        quality = max(20, quality - max(2, round(math.log(len(file) / AVIF_STRIP_BUDGET) / 0.03)))
        file = encode_picture(sheet, "avif", quality)
    return file


def _better_strip(sheet: np.ndarray, file: bytes, budget: int, qualities: tuple[int, int]) -> bytes:
    """What the budget has left goes into quality; `file` is the sheet at the lowest."""
    low, high = qualities
    best = encode_picture(sheet, "webp", high)
    if len(best) <= budget or len(file) > budget:
        return min(best, file, key=lambda made: (len(made) > budget, -len(made)))
    # ln(bytes) is nearly straight in quality; one step back if the line promised too much
    slope = math.log(len(best) / len(file)) / (high - low)
    quality = low + int(math.log(budget / len(file)) / slope)
    for step in (0, 2, 4):
        if quality - step > low:
            made = encode_picture(sheet, "webp", quality - step)
            if len(made) <= budget:
                return made
    return file


def _cells(wide: int, tall: int, count: int) -> list[tuple[int, int]]:
    """Cell sizes to try, largest first: sides multiples of 8 px, shape within 1 % where that is possible."""
    widths = range(min(_STRIP_WIDEST, wide) // 8 * 8, 0, -8)
    cells = [(width, max(8, round(tall * width / wide / 8) * 8)) for width in widths]
    cells = [(width, height) for width, height in cells if height <= tall and _columns(count, width, height)]
    true = [cell for cell in cells if abs(cell[1] * wide / (cell[0] * tall) - 1) <= 0.01]
    return true or cells or [(wide, tall)]


def _columns(count: int, width: int, height: int) -> int:
    """Columns for a sheet about as wide as tall; 0: no sheet within the largest side holds the cells."""
    most_rows = max(1, _STRIP_SIDE // height)
    columns = max(math.ceil(math.sqrt(count * height / width)), math.ceil(count / most_rows))
    return columns if columns * width <= _STRIP_SIDE else 0


def _sheet(cells: Sequence[np.ndarray], columns: int) -> np.ndarray:
    """Cells side by side, row by row; what is left of the last row is white (or clear)."""
    tall, wide, channels = cells[0].shape
    rows = math.ceil(len(cells) / columns)
    sheet = np.full((rows * tall, columns * wide, channels), 255, np.uint8)
    sheet[..., 3:] = 0
    for index, cell in enumerate(cells):
        top, left = index // columns * tall, index % columns * wide
        sheet[top : top + tall, left : left + wide] = cell
    return sheet
