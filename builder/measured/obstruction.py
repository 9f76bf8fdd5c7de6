"""What is in the picture in one frame only: a hand, a sleeve, a tool.

A body that turns sweeps the same solid of revolution whichever frames are looked at: its outline is symmetric
about the axis, and what one frame alone adds to it is no more than the motion of a step or two can add. Within
that outline, what neither frame beside it explains is a stranger (`strangers`).
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.colour import to_light
from builder.measured.abreast import abreast
from builder.measured.backdrop import Backdrop
from builder.measured.light import mad_sigma
from builder.measured.place import Axis
from builder.measured.strangers import largest_piece, measure_strangers

FEWEST_TO_COMPARE = 5  # frames: of fewer, what is in the way and what belongs there can't be told apart by majority
SIDE = 320  # px, long side that masks are made at
SEEN_SHARE = 0.002  # of the picture: a thumb's tip across a subject of half the picture's height
LEAST_PX = 50  # of a mask: in small pictures, a piece under 7 × 7 px may be the outline's own pixels coming and going
COMMON_SHARE = 0.1  # what shows in this share of the frames belongs to the turn
REACHING_SHARE = 0.25  # a subject that the picture's edge cuts in more frames than this belongs there
# Of all that turns: if less stands out from the plate in most frames, it is a handle rather than the body
LEAST_COVER = 1 / 8
SHADOW = 0.45  # a cast shadow keeps at least this share of the light: the room fills it


@dataclass(frozen=True)
class Foreground:
    """masks: bool (n, h, w), what covers the plate in each frame, shadows left out, at SIDE px.

    scale: copy px per mask px. envelope: bool (h, w), what the turning body may cover; swing: half the width of
    what it does cover, mask px.
    """

    masks: np.ndarray
    envelope: np.ndarray
    scale: float
    swing: float = 0.0

    def edges(self) -> dict[str, np.ndarray]:
        """Length (n,) in mask px along which what belongs to the body touches each side of the picture."""
        joined = np.stack([_joined(mask, self.envelope) for mask in self.masks])
        sides = {"left": joined[:, :, :2], "right": joined[:, :, -2:], "top": joined[:, :2], "bottom": joined[:, -2:]}
        return {
            side: strip.any(axis=2 if side in ("left", "right") else 1).sum(axis=1) for side, strip in sides.items()
        }


@dataclass(frozen=True)
class Obstruction:
    """share: (n,) of the picture that is covered in that frame only. limit: what it is held against."""

    share: np.ndarray
    limit: float

    @property
    def frames(self) -> tuple[int, ...]:
        return tuple(int(i) for i in np.nonzero(self.share > self.limit)[0])


def measure_foreground(backdrop: Backdrop, axis: Axis | None) -> Foreground:
    """Cover of each frame and the envelope of all."""
    height, width = backdrop.plate.shape[:2]
    shrink = min(1.0, SIDE / max(height, width))
    size = max(1, round(width * shrink)), max(1, round(height * shrink))
    plate = cv2.resize(backdrop.plate, size, interpolation=cv2.INTER_AREA)
    small = abreast(lambda k: _shrunk(backdrop.pictures[k], size[::-1]), range(len(backdrop.pictures)))
    # what a registration error of a pixel of these makes on an edge of the plate
    patch = np.ones((3, 3), np.uint8)
    slack = cv2.subtract(cv2.dilate(plate, patch), cv2.erode(plate, patch)).max(axis=2)
    noise = mad_sigma(
        np.stack([p[::4, ::4].astype(np.int16) - plate[::4, ::4] for p in small[:: max(1, len(small) // 8)]])
    )
    limit = max(8.0, 6.0 * noise) + slack
    # Where the subject's shade falls in most frames the plate is in shade itself: lit is what some frames show there.
    lit = np.sort(np.stack(small), axis=0)[-min(_common(len(small)), len(small))]
    masks = np.stack(abreast(lambda picture: _cover(picture, plate, lit, limit), small))
    scale = width / size[0]
    envelope, swing = _envelope(masks, axis, scale)
    return Foreground(masks, envelope, scale, swing)


def _cover(picture: np.ndarray, plate: np.ndarray, lit: np.ndarray, limit: np.ndarray) -> np.ndarray:
    differs = functools.reduce(cv2.max, cv2.split(cv2.absdiff(picture, plate))) > limit
    light, behind = to_light(picture), to_light(plate)
    usual = functools.reduce(cv2.max, cv2.split(cv2.subtract(picture, lit))) < limit
    mask = (differs & ~_shadow_on(behind, light) & ~(usual & _shadow_on(light, behind))).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)) > 0


def _shadow_on(behind: np.ndarray, light: np.ndarray) -> np.ndarray:
    """Where the light, linear (h, w, 3), could be that behind it in shadow, bool (h, w): a shadow takes the same share of
    all three colours, but for what the room's colour puts back."""
    channels = cv2.split(light / np.maximum(behind, 1e-4))
    low, high = functools.reduce(cv2.min, channels), functools.reduce(cv2.max, channels)
    return (high < 1.02) & (low > SHADOW * 0.8) & (high - low < 0.25 * (1.0 - low) + 0.05)


def _common(count: int) -> int:
    """In how many frames of `count` what shows belongs to the turn."""
    return max(3, round(COMMON_SHARE * count))


def _envelope(masks: np.ndarray, axis: Axis | None, scale: float) -> tuple[np.ndarray, float]:
    """What the turning body may cover, and its swing: rows between its outermost common cover, mirrored, with a step's motion.

    Cover counts as common in COMMON_SHARE of the frames, seen with half a step of motion to either side. What
    reaches in from the picture's edge in few frames doesn't count: a hand comes from there, time and again from
    the same side. Where frames near an outermost position are too few to count, or were left out, the body
    reaches further out by R (1 - cos of that part of the turn); R is its swing.
    """
    count, height, width = masks.shape
    common = _common(count)
    masks, left_out = _without_reaching_in(masks)
    rough = masks.sum(axis=0) >= common
    columns = np.nonzero(rough.any(axis=0))[0]
    if not len(columns):
        return np.zeros((height, width), bool), 0.0
    middle = (columns[0] + columns[-1]) / 2 if axis is None else (axis.column + 0.5) / scale - 0.5
    swing = max(columns[-1] - middle, middle - columns[0], 1.0)
    step = int(np.ceil(swing * np.pi / count))
    patch = np.ones((2 * step + 1, 2 * step + 1), np.uint8)
    grown = abreast(lambda mask: cv2.dilate(mask.astype(np.uint8), patch), masks)
    often = (np.sum(grown, axis=0) >= common).astype(np.uint8)
    filled = _row_filled(often > 0, axis, scale)
    unseen = np.pi * max(common, left_out) / count
    reach = int(np.ceil(swing * (1 - np.cos(unseen)))) + 2
    return cv2.dilate(filled.astype(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0, float(swing)


def _without_reaching_in(masks: np.ndarray) -> tuple[np.ndarray, int]:
    """The masks without pieces that touch a side of the picture in few frames only, and in how many they did."""
    kept, most = masks.copy(), 0
    sides = (np.s_[:, :2], np.s_[:, -2:], np.s_[:2], np.s_[-2:])
    labels = [cv2.connectedComponents(mask.astype(np.uint8))[1] for mask in masks]
    for side in sides:
        touching = [np.unique(found[side][found[side] > 0]) for found in labels]
        frames = [index for index, pieces in enumerate(touching) if len(pieces)]
        if not 0 < len(frames) <= REACHING_SHARE * len(masks):
            continue
        most = max(most, len(frames))
        for index in frames:
            kept[index] &= ~np.isin(labels[index], touching[index])
    return kept, most


def _row_filled(mask: np.ndarray, axis: Axis | None, scale: float) -> np.ndarray:
    """Each row filled between its outermost pixels, and as far on the other side of the axis."""
    filled = np.zeros_like(mask)
    width = mask.shape[1]
    for row in np.nonzero(mask.any(axis=1))[0]:
        columns = np.nonzero(mask[row])[0]
        left, right = columns[0], columns[-1]
        if axis is not None:
            middle = (axis.at((row + 0.5) * scale - 0.5) + 0.5) / scale - 0.5
            reach = max(right - middle, middle - left)
            left, right = int(np.floor(middle - reach)), int(np.ceil(middle + reach))
        filled[row, max(0, left) : min(width, right + 1)] = True
    return filled


def measure_obstruction(foreground: Foreground, pictures: Sequence[np.ndarray], closed: bool) -> Obstruction:
    """The largest piece of each frame's cover that isn't the body's: outside its envelope, or strange within.

    pictures: uint8, n of (H, W, 3), evened and registered. Where more frames than what counts as common hold
    something strange, the turn isn't one of a rigid body in still light, and nothing is said of the inside.
    """
    if len(pictures) < FEWEST_TO_COMPARE:
        return Obstruction(np.zeros(len(pictures)), SEEN_SHARE)
    limit = max(SEEN_SHARE, LEAST_PX / foreground.masks[0].size)
    outside = foreground.masks & ~foreground.envelope
    small = np.stack(abreast(lambda k: _shrunk(pictures[k], foreground.masks.shape[1:]), range(len(pictures))))
    strange = measure_strangers(small, foreground.masks, foreground.swing, closed, limit)
    shares = np.array(abreast(largest_piece, strange))
    if np.count_nonzero(shares > limit) <= max(2, COMMON_SHARE * len(shares)):
        outside |= strange
    return Obstruction(np.array(abreast(largest_piece, outside)), limit)


def _shrunk(picture: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    return cv2.resize(picture, shape[::-1], interpolation=cv2.INTER_AREA)


def _joined(mask: np.ndarray, envelope: np.ndarray) -> np.ndarray:
    """The pieces of a mask that lie in the envelope for the most part."""
    _, labels = cv2.connectedComponents(mask.astype(np.uint8))
    inside = np.bincount(labels[envelope], minlength=labels.max() + 1)
    whole = np.bincount(labels.ravel())
    belongs = inside > 0.5 * whole
    belongs[0] = False
    return belongs[labels]
