"""Corners on what turns, and the patches round them that tell one from another.

The camera stands still and the object turns about an upright axis, so a corner keeps its orientation
and nearly its size from frame to frame: plain upright patches say more here than descriptors that
allow for any rotation, and cost less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.abreast import abreast
from builder.measured.light import median, quantiles

CORNERS = 800  # a frame, at most
PLACE_PX = 0.2  # how well noise must let a corner be placed
STATIC_PX = 1.5  # a match that moved less says nothing about the turn
STILL_LIKENESS = 0.85  # correlation with the still plate from which a corner counts as part of it
NEAR_STEP_PX, FAR_STEP_PX, SAMPLES = 1.5, 3.5, 12  # patches of 18 and 42 px across, 12 × 12 samples each


@dataclass(frozen=True)
class Shot:
    """One frame made ready: brightness evened, corners and their patches. Own pixels, not the reference's."""

    even: np.ndarray  # uint8 (h, w), brought to one local mean and contrast: what is followed
    moving: np.ndarray  # float32 (h, w), less the still plate, blurred for the near patches
    corners: np.ndarray  # float32 (m, 2), x y
    patches: np.ndarray  # float32 (m, 288), zero mean, unit length
    to_reference: np.ndarray  # (2, 3)

    def referred(self, xy: np.ndarray) -> np.ndarray:
        return xy @ self.to_reference[:, :2].T + self.to_reference[:, 2]

    def own(self, xy: np.ndarray) -> np.ndarray:
        return (xy - self.to_reference[:, 2]) @ np.linalg.inv(self.to_reference[:, :2]).T


def grey_pictures(pictures: Sequence[np.ndarray]) -> list[np.ndarray]:
    """uint8 (h, w) each, one stretch for all: the 99.5 % point of the turn at 250, at most fourfold."""
    greys = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) if picture.ndim == 3 else picture for picture in pictures]
    bright = np.percentile(np.stack([grey[::8, ::8] for grey in greys]), 99.5)
    gain = min(4.0, max(1.0, 250.0 / max(float(bright), 1.0)))
    return [cv2.convertScaleAbs(grey, alpha=gain) for grey in greys]


def still_plate(greys: Sequence[np.ndarray], affines: np.ndarray, most: int = 11) -> np.ndarray:
    """uint8 (h, w): the median of up to `most` frames spread over the turn, in the reference's pixels."""
    chosen = np.unique(np.linspace(0, len(greys) - 1, min(most, len(greys))).round().astype(int))
    seen = np.stack(abreast(lambda k: _in_reference(greys[k], affines[k]), chosen))
    return quantiles(seen, (0.5,))[0]


def moving_area(greys: Sequence[np.ndarray], affines: np.ndarray) -> np.ndarray:
    """bool (h, w) of the reference: where the frames differ from their median by more than noise.

    Judged on quarter-size copies, each frame first brought to the turn's brightness; 2 of 255 levels
    is above the noise of a 4 × 4 mean and of 8-bit rounding, and below any corner worth following.
    A tenth of a quarter-size pixel of unsteadiness is allowed for by the slope of the median.
    """
    height, width = greys[0].shape
    quarter = (max(1, width // 4), max(1, height // 4))

    def reduced(index: int) -> np.ndarray:
        return cv2.resize(_in_reference(greys[index], affines[index]), quarter, interpolation=cv2.INTER_AREA)

    stack = np.stack(abreast(reduced, range(len(greys)))).astype(np.float32)
    gains = np.median(stack.mean((1, 2))) / np.maximum(stack.mean((1, 2)), 1.0)
    middle = median(stack * gains[:, None, None])
    gains = np.array(abreast(lambda frame: np.median((middle + 1) / (frame + 1)), stack))
    apart = np.abs(stack * gains[:, None, None] - middle).mean(0)
    slope = np.hypot(cv2.Sobel(middle, cv2.CV_32F, 1, 0), cv2.Sobel(middle, cv2.CV_32F, 0, 1)) / 8
    moving = cv2.morphologyEx((apart > 2.0 + 0.1 * slope).astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    moving = cv2.dilate(moving, np.ones((5, 5), np.uint8))
    return cv2.resize(moving, (width, height), interpolation=cv2.INTER_NEAREST).astype(bool)


def _in_reference(grey: np.ndarray, affine: np.ndarray) -> np.ndarray:
    if np.allclose(affine, np.eye(3)[:2]):
        return grey
    return cv2.warpAffine(grey, affine, (grey.shape[1], grey.shape[0]), borderMode=cv2.BORDER_REPLICATE)


def noise_level(grey: np.ndarray) -> float:
    """Noise of one picture in levels: robust spread of a second difference (Immerkaer 1996), at least rounding."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = cv2.filter2D(grey, cv2.CV_32F, kernel)[::2, ::2]
    return max(float(np.median(np.abs(response)) / 0.6745 / 6.0), 0.3)


def find_corners(grey: np.ndarray, mask: np.ndarray, most: int = CORNERS) -> np.ndarray:
    """Corners (m, 2) whose place noise lets be known to PLACE_PX or better, the best of each neighbourhood.

    A corner's place is uncertain by noise / sqrt(smaller eigenvalue of the summed squared slopes).
    """
    block = 5
    strength = cv2.cornerMinEigenVal(grey, block, ksize=3)
    strength = np.where(mask, strength, 0.0)
    # its own scaling divides each Sobel slope by 4·255·block, and that Sobel is 8 times the slope
    summed = strength * (4 * 255.0 * block / 8.0) ** 2  # levels²/px², over the block
    limit = (noise_level(grey) / PLACE_PX) ** 2
    peak = cv2.dilate(summed, np.ones((5, 5), np.uint8))
    ys, xs = np.nonzero((summed == peak) & (summed > limit))
    order = np.argsort(-summed[ys, xs], kind="stable")
    ys, xs = ys[order], xs[order]
    keep = _spread(xs, ys, most)
    corners = np.stack([xs[keep], ys[keep]], -1).astype(np.float32)
    if len(corners):
        cv2.cornerSubPix(
            grey,
            corners.reshape(-1, 1, 2),
            (2, 2),
            (-1, -1),
            (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 10, 0.03),
        )
    return corners


def _spread(xs: np.ndarray, ys: np.ndarray, most: int, cell: int = 24) -> np.ndarray:
    """Indices of the strongest, taken in rounds over cells of 24 px so that no busy part crowds out the rest."""
    cells = (ys // cell).astype(np.int64) * 100_000 + xs // cell
    order = np.argsort(cells, kind="stable")
    starts = np.r_[True, cells[order][1:] != cells[order][:-1]]
    place = np.arange(len(order)) - np.maximum.accumulate(np.where(starts, np.arange(len(order)), 0))
    rank = np.empty(len(order), int)
    rank[order] = place
    return np.lexsort((np.arange(len(rank)), rank))[:most]


def patches_at(soft: tuple[np.ndarray, np.ndarray], xy: np.ndarray) -> np.ndarray:
    """float32 (m, 288): two upright patches round each place, zero mean and unit length together."""
    offset = np.arange(SAMPLES) - (SAMPLES - 1) / 2
    grid_x, grid_y = (part.ravel() for part in np.meshgrid(offset, offset))
    parts = []
    for image, step in zip(soft, (NEAR_STEP_PX, FAR_STEP_PX)):
        map_x = (xy[:, 0, None] + grid_x * step).astype(np.float32)
        map_y = (xy[:, 1, None] + grid_y * step).astype(np.float32)
        values = sampled(image, map_x, map_y)
        values = values - values.mean(1, keepdims=True)
        parts.append(values / (np.linalg.norm(values, axis=1, keepdims=True) + 4.0))
    return np.concatenate(parts, 1) / np.float32(np.sqrt(2))


def sampled(image: np.ndarray, map_x: np.ndarray, map_y: np.ndarray) -> np.ndarray:
    """Bilinear samples; OpenCV's remap takes maps of at most 32767 rows."""
    rows = [
        cv2.remap(
            image, map_x[k : k + 30_000], map_y[k : k + 30_000], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        for k in range(0, len(map_x), 30_000)
    ]
    return np.concatenate(rows) if rows else np.zeros(map_x.shape, np.float32)


def evened(grey: np.ndarray) -> np.ndarray:
    """uint8 (h, w): each place by the mean and spread around it (about 25 px across).

    As an object turns its shading changes; without this the change is taken for movement. Spreads
    below 4 times the noise are left as they are, so that plain parts don't turn into grain.
    """
    values = grey.astype(np.float32)
    values -= cv2.blur(values, (13, 13), borderType=cv2.BORDER_REFLECT)
    spread = np.sqrt(cv2.blur(values * values, (13, 13), borderType=cv2.BORDER_REFLECT) + (4 * noise_level(grey)) ** 2)
    return cv2.convertScaleAbs(values * (40.0 / spread) + 128.0)


def soft_pair(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """float32 (h, w) twice: what the near and the far patches are sampled from."""
    near = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.0)
    return near, cv2.blur(near, (5, 5))


def make_shot(grey: np.ndarray, mask: np.ndarray, affine: np.ndarray, plate: np.ndarray, most: int = CORNERS) -> Shot:
    """Corners of what turns, and the frame less what stands still.

    mask: bool (h, w), where to look, own pixels. plate: the reference's still plate. The plate is taken off before patches are
    compared: the disc's edge, a band round a turned body, shading that stays where the light puts it
    look the same at any turn, and would drown the few marks that don't.
    """
    height, width = grey.shape
    still = cv2.warpAffine(
        plate, affine, (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float32)
    gain = float(np.median((still[::4, ::4] + 1) / (grey[::4, ::4] + np.float32(1))))
    soft, still_soft = soft_pair(grey * np.float32(gain)), soft_pair(still)
    corners = find_corners(grey, mask, most)
    turning = (patches_at(soft, corners) * patches_at(still_soft, corners)).sum(1) < STILL_LIKENESS
    corners = corners[turning]
    moving = (soft[0] - still_soft[0], soft[1] - still_soft[1])
    return Shot(evened(grey), moving[0], corners, patches_at(moving, corners), affine)


def alike(shot: Shot, which: np.ndarray, limit: float = 0.7) -> np.ndarray:
    """How many other corners of the same frame, 6 px away or more, look like each of these: rim marks have many."""
    likeness = shot.patches[which] @ shot.patches.T
    return ((likeness > limit) & ~_near(shot.corners[which], shot.corners, (6, 6))).sum(1)


def _near(these: np.ndarray, those: np.ndarray, reach: tuple[float, float]) -> np.ndarray:
    """bool (m, k): no farther apart than `reach` in x and in y."""
    return (np.abs(those[None, :, 0] - these[:, None, 0]) <= reach[0]) & (
        np.abs(those[None, :, 1] - these[:, None, 1]) <= reach[1]
    )


def match(first: Shot, second: Shot, reach: tuple[float, float]) -> np.ndarray:
    """Pairs (m, 2) of corner indices that name each other as best, clearly better than the next.

    reach: largest movement in px, sideways and up or down. The next best is looked for 4 px away or
    more; it must correlate worse by the share `1 − 0.8`: on stripes and rim marks it doesn't, and
    they drop out.
    """
    if not len(first.corners) or not len(second.corners):
        return np.zeros((0, 2), int)
    likeness = first.patches @ second.patches.T
    likeness[~_near(first.corners, second.corners, reach)] = -1
    best = likeness.argmax(1)
    rows = np.arange(len(best))
    value = likeness[rows, best]
    mutual = np.flatnonzero((likeness.argmax(0)[best] == rows) & (value > 0.5))
    best, value, likeness = best[mutual], value[mutual], likeness[mutual]
    likeness[_near(second.corners[best], second.corners, (4, 4))] = -1
    clear = (1 - value) < 0.8 * (1 - likeness.max(1, initial=-1.0))
    return np.stack([mutual[clear], best[clear]], -1)


def follow(
    first: Shot,
    second: Shot,
    xy: np.ndarray,
    guess: np.ndarray,
    window: int = 15,
    levels: int = 1,
    and_back: bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """Where places xy (m, 2) of the first frame are in the second, to a part of a pixel, from a guess.

    Lucas-Kanade. Returns places (m, 2) and whether each held: converged and, where asked, back again within 1.5 px.
    """
    if not len(xy):
        return guess, np.zeros(0, bool)
    options = dict(
        winSize=(window, window),
        maxLevel=levels,
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
        criteria=(cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 15, 0.02),
    )
    start = np.ascontiguousarray(xy, np.float32).reshape(-1, 1, 2)
    there, held, _ = cv2.calcOpticalFlowPyrLK(
        first.even, second.even, start, np.array(guess, np.float32).reshape(-1, 1, 2), **options
    )
    if not and_back:
        return there[:, 0].astype(float), held[:, 0] > 0
    back, held_back, _ = cv2.calcOpticalFlowPyrLK(second.even, first.even, there, start.copy(), **options)
    returns = np.abs(back - start).max((1, 2)) < 1.5
    return there[:, 0].astype(float), (held[:, 0] > 0) & (held_back[:, 0] > 0) & returns
