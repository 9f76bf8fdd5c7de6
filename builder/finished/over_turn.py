"""What the frames of a turn say pixel by pixel: the colour most of them show, how much changes, where the subject
passes, and how far light and shade carry the backdrop. Frames are registered and evened: uint8 (n, h, w, 3) sRGB codes.
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from builder.finished.look import largest
from builder.finished.standing import Standing
from builder.measured.abreast import abreast
from builder.measured.light import quantiles

SUBJECT_CODES = 20.0  # a change over the turn above this, over a broad area, is more than a soft shadow
_OUTLINE_CODES = 4.0  # sRGB codes a pixel in one frame: shade is softer
_SHADE_CODES = 6.0  # the subject's shade moves the table by this much, and by twice what moves the wall behind


def densest(stack: np.ndarray, share: float = 0.4) -> tuple[np.ndarray, np.ndarray]:
    """Mean colour of each pixel's densest `share` of values by brightness, and the share within noise of it."""
    count, height, width = stack.shape[:3]
    keep = max(2, math.ceil(share * count))
    colour = np.empty((height, width, 3), np.float32)
    support = np.empty((height, width), np.float32)

    def of_band(top: int) -> None:
        band = stack[:, top : top + 32].astype(np.float32)
        grey = (band[..., 0] + band[..., 1] + band[..., 2]) / 3
        order = np.argsort(grey, axis=0, kind="stable")
        ranked = np.take_along_axis(grey, order, axis=0)
        start = np.argmin(ranked[keep - 1 :] - ranked[: count - keep + 1], axis=0)
        low = np.take_along_axis(ranked, start[None], 0)[0]
        high = np.take_along_axis(ranked, (start + keep - 1)[None], 0)[0]
        inside = (grey >= low) & (grey <= high)
        mean = (band * inside[..., None]).sum(0) / inside.sum(0)[..., None]
        colour[top : top + 32] = mean
        support[top : top + 32] = (_largest_of(np.abs(band - mean)) < 6.0).mean(axis=0)

    abreast(of_band, range(0, height, 32))
    return colour, support


def change(stack: np.ndarray) -> np.ndarray:
    """Codes between the 5th and the 95th percentile over the turn, the largest of the channels, float32 (h, w)."""
    few = len(stack) * 5 // 100 + 1  # at least one frame off each end: a hand, a blur
    low, high = quantiles(stack, (few / (len(stack) - 1), 1 - few / (len(stack) - 1)))
    return largest(high.astype(np.float32) - low)


def ever_changed(stack: np.ndarray) -> np.ndarray:
    """Codes between the least and the most over the turn, the largest of the channels, float32 (h, w)."""
    return largest(stack.max(axis=0).astype(np.float32) - stack.min(axis=0))


def subjects_way(
    motion: np.ndarray, axis_x: float | None, standing: Standing | None, ever: np.ndarray
) -> tuple[np.ndarray, float] | None:
    """Where the subject passes: rows of broad movement, as wide on either side of the axis as on the wider one.

    What reaches out farthest, a spout's tip, is there in a frame or two only: `ever`, any frame's change, counts where
    it hangs together with the broad movement and has its like on the other side of the axis, as what turns has.

    Everything that turns sweeps a stretch about the axis. Below the broad movement the way goes on for as much
    again, at the neighbouring width: a round foot hardly moves. So does a round neck, a lid, a knob, of which nothing
    says how high it is: the way goes on to the picture's top.
    """
    kernel = np.ones((3, 3), np.uint8)
    strong = cv2.morphologyEx((motion > SUBJECT_CODES).astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    broad = cv2.morphologyEx(strong, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7)))
    count, labels, stats, middle = cv2.connectedComponentsWithStats(broad)
    if count < 2 and standing is None:
        return None
    parts = [k for k in range(1, count) if stats[k, 4] >= 0.15 * stats[1:, 4].max()]
    mask = np.isin(labels, parts)
    if axis_x is not None:
        mask |= _reaching_out(ever > SUBJECT_CODES, mask, axis_x)
    if standing is not None:
        mask |= standing.thing | standing.parts
    rows = np.nonzero(mask.any(axis=1))[0]
    centre = axis_x if axis_x is not None else float(np.nonzero(mask)[1].mean())
    columns = np.arange(mask.shape[1])
    reach = np.array([np.abs(columns[row] - centre).max() if row.any() else 0.0 for row in mask])
    height = rows[-1] - rows[0] + 1
    spare = int(0.5 * height) + 3
    reach = cv2.dilate(reach.reshape(-1, 1).astype(np.float32), np.ones((2 * (spare // 2) + 1, 1))).ravel()
    top, bottom = 0, min(len(reach), rows[-1] + height + 1)
    inner = reach[rows[0] : rows[-1] + 1]
    reach[top : rows[0]] = inner[: max(1, height // 4)].max()
    reach[rows[-1] + 1 : bottom] = inner[-max(1, height // 4) :].max()
    reach[bottom:] = 0
    return np.abs(columns[None, :] - centre) <= reach[:, None] + 3 * (reach[:, None] > 0), float(rows[-1])


def _reaching_out(ever: np.ndarray, mask: np.ndarray, axis_x: float) -> np.ndarray:
    """Of what ever changed, the parts that are alike on both sides of the axis and hang together with the mask.

    Between two frames the far end of a thing of radius r passes its widest point by up to r · (1 − cos(step / 2)): a
    fiftieth at 24 frames.
    """
    rows = mask.any(axis=1)
    level = np.arange(len(rows))  # marks at the disc's rim turn too: they are thin, and mostly lower
    rows = (level >= np.argmax(rows)) & (level < len(rows) - np.argmax(rows[::-1]))
    ever = cv2.morphologyEx(ever.astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)) > 0
    ever &= rows[:, None]
    reach = 2 * (ever.shape[1] // 50) + 3
    grown = cv2.dilate(ever.astype(np.uint8), np.ones((reach, reach), np.uint8))
    flip = np.float32([[-1, 0, 2 * axis_x], [0, 1, 0]])
    alike = ever & (cv2.warpAffine(grown, flip, ever.shape[::-1], flags=cv2.INTER_NEAREST) > 0)
    labels = cv2.connectedComponents((alike | mask).astype(np.uint8))[1]
    return alike & np.isin(labels, np.unique(labels[mask]))


def crossed_by_outlines(stack: np.ndarray, colour: np.ndarray) -> np.ndarray:
    """Where something with an outline passes in any frame, bool (h, w): shade is soft, an outline isn't."""
    steep = np.zeros(colour.shape[:2], np.float32)
    for frame in stack:
        away = cv2.GaussianBlur(frame.astype(np.float32) - colour, (0, 0), 0.8)
        across = cv2.Sobel(away, cv2.CV_32F, 1, 0, scale=1 / 8)
        down = cv2.Sobel(away, cv2.CV_32F, 0, 1, scale=1 / 8)
        steep = np.maximum(steep, largest(np.sqrt(across * across + down * down)))
    return cv2.dilate((steep > _OUTLINE_CODES).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0


def spread_of(
    stack: np.ndarray, colour: np.ndarray, crossed: np.ndarray, way: np.ndarray, ground: float
) -> tuple[np.ndarray, np.ndarray]:
    """How far light and shade carry the backdrop from the plate, codes, nine of ten frames; and where it is steady.

    Measured where nothing with an outline passes. In the subject's way, the most that is seen on the same rows: what
    lies at one height in the picture lies about as far behind, on the wall or on the table, and is shaded alike.
    """
    out, ever = (np.empty(colour.shape[:2], np.float32) for _ in range(2))
    nine_of_ten, but_one = int(0.9 * (len(stack) - 1)), max(0, len(stack) - 2)

    def of_band(top: int) -> None:
        away = _largest_of(np.abs(stack[:, top : top + 32] - colour[None, top : top + 32]))
        ranked = np.partition(away, (nine_of_ten, but_one), axis=0)
        out[top : top + 32], ever[top : top + 32] = ranked[nine_of_ten], ranked[but_one]

    abreast(of_band, range(0, out.shape[0], 32))
    out, ever = cv2.blur(out, (3, 3)), cv2.blur(ever, (3, 3))
    known = cv2.erode((~crossed).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    near = known & (cv2.dilate(way.astype(np.uint8), np.ones((1, 2 * (way.shape[1] // 8) + 1), np.uint8)) > 0)
    measured = near.sum(axis=1) > 8
    if not measured.any():
        return np.full_like(out, 2 * _SHADE_CODES), np.zeros(out.shape, bool)
    most, ever_most = (_most_of_rows(values, near, measured) for values in (out, ever))
    # The wall is above, the table below: once shade falls on the table, it may fall anywhere farther down. A spout's
    # shade reaches its farthest in few frames: two are enough.
    rows = np.nonzero(way.any(axis=1))[0]
    wall = float(np.median(ever_most[rows[0] : rows[0] + max(1, len(rows) // 3)]))
    shaded = np.maximum.accumulate(ever_most >= max(_SHADE_CODES, 2 * wall))
    reach = len(most) // 25
    shaded[: len(shaded) - reach] |= shaded[reach:]
    shaded[max(0, int(ground)) :] = True
    most = np.where(shaded, np.maximum.accumulate(np.where(shaded, most, 0)), most).reshape(-1, 1).astype(np.float32)
    known &= ~shaded[:, None]
    return np.where(known, out, np.maximum(most, out * known)), np.repeat(~shaded[:, None], way.shape[1], axis=1)


def _most_of_rows(values: np.ndarray, near: np.ndarray, measured: np.ndarray) -> np.ndarray:
    """The most of each row's values (h, w) in `near`, bool (h, w), (h,): smoothed, and carried over rows not measured."""
    rows = np.flatnonzero(measured)
    most = np.interp(np.arange(len(values)), rows, [np.quantile(values[row][near[row]], 0.97) for row in rows])
    return np.convolve(np.pad(most, 4, mode="edge"), np.ones(9) / 9, mode="valid")


def without_shade(stack: np.ndarray, colour: np.ndarray, steady: np.ndarray) -> np.ndarray:
    """The plate without the subject's own shade, where shade falls on it so often that it is part of the plate.

    No brighter than the pixel itself gets over the turn, and no brighter than the plate gets nearby.
    """
    best = quantiles(stack, (int(0.95 * (len(stack) - 1)) / max(1, len(stack) - 1),))[0].astype(np.float32)
    reach = max(3, stack.shape[2] // 10) | 1
    nearby = cv2.dilate(cv2.GaussianBlur(colour, (0, 0), 1.5), np.ones((reach // 2 | 1, reach), np.uint8))
    lit = np.maximum(colour, cv2.GaussianBlur(np.minimum(best, nearby), (0, 0), 3.0))
    return np.where(steady[..., None], colour, lit)


def _largest_of(values: np.ndarray) -> np.ndarray:
    """The largest of three channels of many pictures, (n, h, w)."""
    return np.maximum(np.maximum(values[..., 0], values[..., 1]), values[..., 2])
