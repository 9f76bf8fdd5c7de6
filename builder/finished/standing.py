"""Round things on the axis: they hardly change as they turn and never uncover what is behind them, and yet aren't set.

What gives them away is an outline of their own in the picture that all frames share, alike on both sides of the axis,
inside the columns of something wider, flat and round that they stand on: the disc. What has no such outline, or no disc
under it, isn't found here.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

_NOISES = 4.0  # an outline is steeper than the picture usually is by this factor…
_LEAST_STEP = 1.0  # …and than this, codes a pixel
_ALIKE = 0.75  # overlap of a round thing with its own mirror image about the axis, over their union
_FLATTEST = 0.85  # height over width of a disc: the camera looks down on it by less than 58°
_LEAST_WIDTH = 0.03  # of the picture's width: less is a mark, not a subject
_STILL_CODES = 14.0  # change over the turn below which a place is still: noise, JPEG, and faint shade…
_STILL_SHARE = 0.6  # …over this share of a thing: a print or a highlight may turn with it
_FINE = 16.0  # steps of a code in whole numbers, for the ridge finder
_MOVING_CODES = 8.0  # change over the turn that is more than noise
_SQUARE = np.ones((3, 3), np.uint8)


@dataclass(frozen=True, eq=False, slots=True)
class Standing:
    """bool (h, w) each."""

    thing: np.ndarray  # the round thing
    parts: np.ndarray  # what turns with it and touches it: a handle, a print


def find_standing(still: np.ndarray, motion: np.ndarray, axis_x: float) -> Standing | None:
    """A round thing that stands still on the axis.

    still: float32 (h, w, 3) sRGB codes, what most frames show. motion: (h, w), codes by which a pixel changes over the
    turn. axis_x: column of the axis. Returns None when there is none, or what there is may be the disc.
    """
    rooms = _rooms(still)
    ground = _ground([room for room in rooms if _is_round(room, axis_x) and _is_still(room, motion)])
    left, right, top, bottom = _sides(ground) if ground is not None else (-3, still.shape[1] + 3, 0, still.shape[0])
    pieces = np.zeros(still.shape[:2], bool)
    for room in rooms:
        a, b, _, foot = _sides(room)
        on = a > left + 2 and b < right - 2 and foot < bottom and room is not ground
        if on and (ground is None or not _lies_flat(room, ground)):
            pieces |= room
    # Shade on the ground has no like on the other side; what is left is as wide in each row as its widest part.
    apart = np.abs(np.arange(pieces.shape[1]) - axis_x)
    reach = np.where(pieces & _mirrored(pieces, axis_x), apart, -1).max(axis=1)
    reach = cv2.morphologyEx(reach.astype(np.float32).reshape(-1, 1), cv2.MORPH_CLOSE, np.ones((9, 1), np.uint8))
    thing = _largest((apart[None, :] <= reach).astype(np.uint8))
    if ground is not None:
        thing = _with_top(thing, axis_x, (bottom - top) / (right - left))
    # It stands on the ground, which isn't seen through it.
    low = thing.any() and _sides(thing)[3] >= top
    if not low or not _is_round(thing, axis_x) or not _is_still(thing, motion) or ground is None and _flat(thing):
        return None
    moving = (motion >= _MOVING_CODES) & ~thing
    if ground is not None:  # the marks at its rim turn as well
        whole = _filled(ground).astype(np.uint8)
        moving &= cv2.morphologyEx(whole, cv2.MORPH_GRADIENT, _disc(6)) == 0
    else:  # where the rim is unknown, what is thin may be marks
        moving = cv2.morphologyEx(moving.astype(np.uint8), cv2.MORPH_OPEN, _disc(2)) > 0
    labels = cv2.connectedComponents(cv2.dilate((moving | thing).astype(np.uint8), _SQUARE))[1]
    return Standing(thing, moving & np.isin(labels, np.unique(labels[thing])))


def _with_top(thing: np.ndarray, axis_x: float, flat: float) -> np.ndarray:
    """A thing cut off straight gets its round top: the outline found was the near edge, whose ends lie half-way up.

    flat: height over width at which the camera sees level circles.
    """
    rows = np.nonzero(thing.any(axis=1))[0]
    if not len(rows):
        return thing
    columns = np.arange(thing.shape[1])
    reach = np.array([np.abs(columns[row] - axis_x).max() for row in thing[rows[0] : rows[-1] + 1] if row.any()])
    near = reach[: max(2, round(flat * reach[0]))]
    if reach[0] < 0.9 * near.max():
        return thing
    down = np.arange(thing.shape[0])[:, None] - rows[0]
    cap = ((columns[None, :] - axis_x) / reach[0]) ** 2 + (down / max(flat * reach[0], 0.5)) ** 2 <= 1
    return thing | (cap & (down <= 0))


def _ground(rooms: list[np.ndarray]) -> np.ndarray | None:
    """Of round things the widest, if it is flat."""
    widest = max(rooms, key=lambda room: np.ptp(np.nonzero(room.any(axis=0))[0]), default=None)
    return widest if widest is not None and _flat(widest) else None


def _flat(room: np.ndarray) -> bool:
    left, right, top, bottom = _sides(room)
    return bottom - top <= _FLATTEST * (right - left)


def _mirrored(mask: np.ndarray, axis_x: float) -> np.ndarray:
    flip = np.float32([[-1, 0, 2 * axis_x], [0, 1, 0]])
    grown = cv2.dilate(mask.astype(np.uint8), _SQUARE)
    return cv2.warpAffine(grown, flip, mask.shape[::-1], flags=cv2.INTER_NEAREST) > 0


def _disc(radius: int) -> np.ndarray:
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))


def _rooms(still: np.ndarray, gap: int = 2) -> list[np.ndarray]:
    """Parts of the picture shut in by outlines, gaps of up to 2 · `gap` px closed: bool (h, w) each, holes left open.

    An outline is a ridge of steepness (J. Canny, A computational approach to edge detection, PAMI 8 (1986) 679-698):
    a round body's own shading is steep, but has no ridge.
    """
    grey = cv2.GaussianBlur(still, (0, 0), 1.0).mean(axis=2)
    across, down = (cv2.Sobel(grey, cv2.CV_32F, *order, scale=_FINE / 8) for order in ((1, 0), (0, 1)))
    usual = float(np.median(np.hypot(across, down)))
    high = max(_FINE * _LEAST_STEP, _NOISES * usual)
    ridges = cv2.Canny(across.astype(np.int16), down.astype(np.int16), high / 2, high, L2gradient=True)
    free = cv2.erode((ridges == 0).astype(np.uint8), _disc(gap))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(free, connectivity=4)
    height, width = free.shape
    rooms = []
    for k in range(1, count):
        x, y, wide, high, area = stats[k]
        if area >= 12 and x > 0 and y > 0 and x + wide < width and y + high < height:
            rooms.append(cv2.dilate((labels == k).astype(np.uint8), _disc(gap)) > 0)
    return rooms


def _is_round(room: np.ndarray, axis_x: float) -> bool:
    """Whether a room is its own mirror image about the axis, and no mark."""
    whole = _filled(room)
    other = _mirrored(whole, axis_x)
    if (whole & other).sum() < _ALIKE * (whole | other).sum():
        return False
    left, right, _, _ = _sides(room)
    return right - left >= _LEAST_WIDTH * room.shape[1]


def _is_still(room: np.ndarray, motion: np.ndarray) -> bool:
    return bool((motion[room] < _STILL_CODES).mean() >= _STILL_SHARE)


def _largest(mask: np.ndarray) -> np.ndarray:
    """The largest patch without its holes."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    return _filled(labels == 1 + stats[1:, 4].argmax()) if count > 1 else mask > 0


def _lies_flat(room: np.ndarray, ground: np.ndarray) -> bool:
    """A ring or a plate drawn on the ground about the same middle, seen as flat as the ground is."""
    left, right, top, bottom = _sides(room)
    left_, right_, top_, bottom_ = _sides(ground)
    flat, flat_ = (bottom - top) / (right - left), (bottom_ - top_) / (right_ - left_)
    apart = abs((top + bottom) - (top_ + bottom_)) / 2
    return abs(flat / flat_ - 1) < 0.2 and apart < 0.1 * (bottom_ - top_)


def _sides(room: np.ndarray) -> tuple[int, int, int, int]:
    """Left, right, top, bottom, px."""
    columns, rows = np.nonzero(room.any(axis=0))[0], np.nonzero(room.any(axis=1))[0]
    return int(columns[0]), int(columns[-1]), int(rows[0]), int(rows[-1])


def _filled(room: np.ndarray) -> np.ndarray:
    """A mask without its holes."""
    outlines, _ = cv2.findContours(room.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros(room.shape, np.uint8), outlines, -1, 1, cv2.FILLED) > 0
