"""Readings of light, and order statistics over a stack of pictures."""

from __future__ import annotations

from functools import cache

import numpy as np

from builder.colour import decode, encode
from builder.measured.abreast import abreast

# Encoded values at which a reading stops being one: below, 8-bit rounding (half a step of 8 is 6 %) and the
# lens's veiling light rule; above, a camera's shoulder bends the curve before it clips.
DARKEST, LIGHTEST = 8, 250


def gain_table(gain: float) -> np.ndarray:
    """uint8 (256,): what each 8-bit sRGB value becomes when its light is multiplied by `gain`."""
    return np.rint(255.0 * encode(decode(np.arange(256) / 255.0) * gain)).astype(np.uint8)


@cache
def _sorting_network(count: int) -> tuple[tuple[int, int], ...]:
    """Batcher's odd-even merge sort for any count (Knuth, TAOCP 3, 5.2.2, algorithm M)."""
    pairs = []
    p = 1 << max(0, (count - 1).bit_length() - 1)
    top = p
    while p > 0:
        q, r, d = top, 0, p
        while True:
            pairs += [(i, i + d) for i in range(count - d) if i & p == r]
            if q == p:
                break
            d, q, r = q - p, q >> 1, p
        p >>= 1
    return tuple(pairs)


def quantiles(stack: np.ndarray, shares: tuple[float, ...]) -> list[np.ndarray]:
    """Pixel-wise order statistics of a stack (n, ...) along its first axis; nearest rank for each share 0..1.

    A sorting network of whole-array minima and maxima: ten times as fast as a partition along the short axis.
    Works in slabs that fit the processor's cache. `stack` is left alone.
    """
    count = len(stack)
    ranks = [min(count - 1, int(share * (count - 1) + 0.5)) for share in shares]
    flat = stack.reshape(count, -1)
    found = [np.empty(flat.shape[1], stack.dtype) for _ in ranks]
    slab = max(4096, 1_500_000 // max(1, count * stack.itemsize))

    def sort(start: int) -> None:
        lanes = list(flat[:, start : start + slab].copy())
        spare = np.empty_like(lanes[0])
        for low, high in _sorting_network(count):
            np.minimum(lanes[low], lanes[high], out=spare)
            np.maximum(lanes[low], lanes[high], out=lanes[high])
            lanes[low], spare = spare, lanes[low]
        for rank, out in zip(ranks, found, strict=True):
            out[start : start + slab] = lanes[rank]

    abreast(sort, range(0, flat.shape[1], slab))
    return [out.reshape(stack.shape[1:]) for out in found]


def median(stack: np.ndarray) -> np.ndarray:
    """`numpy.median` along the first axis of a stack (n, ...) of floats, ten times as fast."""
    low, high = quantiles(stack, ((len(stack) - 1) // 2 / max(1, len(stack) - 1), 0.5))
    return (low + high) / 2


def mad_sigma(values: np.ndarray) -> float:
    """Standard deviation of normal values, from their median absolute deviation (factor 1.4826)."""
    values = np.asarray(values, float)
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if values.size else 0.0
