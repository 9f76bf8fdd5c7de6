"""Focus and shake: how soft each frame's edges are, and against the frames beside it in angle.

An edge is soft by sigma b px (the width of its Gaussian spread). Blurred again by two known amounts, its slope
falls in a ratio that gives b whatever the edge's contrast (Zhuo and Sim 2011, "Defocus map estimation from a
single image", section 3): a side with little detail, or darker, isn't taken for blurred. Motion softens edges
across it only, so edges are kept apart by direction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.abreast import abreast
from builder.measured.light import mad_sigma

FINE, COARSE = 1.0, 2.0  # px, the two known blurs
# px^2, with the difference of neighbours, a box of 2 px, whose variance is 1/3
SPREAD_FINE, SPREAD_COARSE = FINE**2 + 1 / 3, COARSE**2 + 1 / 3
SHARPER = 0.35  # share of a direction's edges that is at least this sharp: shading and depth leave many soft
DIRECTIONS = 4  # bins of 45 degrees
LEAST_EDGES = 120  # edge pixels a direction needs
MOST_EDGES = 3000  # the strongest count: outlines and marks rather than grain
CLEAR = 8.0  # times the noise a slope must have
BESIDE = 3  # frames on either side that a frame is held against
SURE = 5.0
SELDOM_SEEN = 0.75  # of the frames
PIXEL = 0.25  # px^2: a pixel's own spread

# A Gaussian blur of sigma s passes detail of f cycles a pixel at exp(-2 (pi s f)^2). At s = 0.75 px detail of
# 4 px a cycle is halved: the least blur worth a reshoot, in pixels of the widest output.
SEEN_PX = 0.75
# Detail that passes at less than 10 % counts as not resolved (ISO 12233's limiting resolution, common practice).
# At this sigma that is half of what the pixels could hold: half the width would show all there is.
HALF_WIDTH_PX = float(np.sqrt(np.log(10) / 2) / (np.pi * 0.25))
# Edges of sigma b hold detail up to the f at which exp(-2 (pi b f)^2) is a tenth; a blur halves that where its
# variance is this share of b^2. Where all frames are soft, no less is worth a reshoot of one.
HALVES = float(np.log(2) / np.log(10))
# A smear of length L along one direction spreads by L^2 / 12 cos^2 of the angle to it: at most 0.17 of that is left
# across the nearest of four directions. Defocus spreads alike in all.
ONE_WAY, ALL_WAYS = 0.25, 0.5
WAYS = ("sideways", "slantwise", "up and down", "slantwise")


@dataclass(frozen=True)
class Sharpness:
    """ratio: (n,) sharpness against the neighbours, 1 = the same, less = softer, NaN = can't be said.

    extra_px: (n,) blur beyond the neighbours', sigma in px of the widest output, 0 where there is none.
    limit_px: (n,) what extra_px is held against. extra: (n, directions) the same as a variance, px^2 of the detail,
    against the middle neighbour. spread_px: (n,) sigma of the edges themselves, across the direction in which they
    are sharpest, px of the widest output; NaN where it can't be said.
    """

    ratio: np.ndarray
    extra_px: np.ndarray
    limit_px: np.ndarray
    extra: np.ndarray
    spread_px: np.ndarray

    def way(self, index: int) -> str | None:
        """How a blurred frame is blurred: one of WAYS for a smear, "all" for defocus, None where it isn't sure."""
        across = smeared_across(self.extra[index])
        if across is not None:
            return WAYS[across]
        known = np.isfinite(self.extra[index]).all()
        return "all" if known and self.extra[index].min() > ALL_WAYS * self.extra[index].max() else None

    @property
    def usual_spread_px(self) -> float:
        """Median of the frames that aren't blurred against their neighbours; NaN where nothing can be said."""
        steady = self.spread_px[~self.blurred & np.isfinite(self.spread_px)]
        return float(np.median(steady)) if len(steady) else float("nan")

    @property
    def blurred(self) -> np.ndarray:
        return self.extra_px > self.limit_px


def measure_sharpness(
    detail: Sequence[np.ndarray], mask: np.ndarray, output_scale: float, closed: bool, covers: np.ndarray | None = None
) -> Sharpness:
    """Sharpness of what turns.

    detail: uint8, n of (H, W), luma. mask: bool (H, W), where the subject may be. output_scale: pixels of the
    widest output for one of `detail`. covers: bool (n, h, w), any size, what covers the backdrop in each frame: a
    pattern behind the subject stays sharp however the subject is smeared. Read with it and without, for within it
    a small subject may have too few edges.
    """

    def soft(index: int) -> np.ndarray:
        if covers is None:
            return softness_of(detail[index], mask)
        cover = cv2.resize(covers[index].astype(np.uint8), mask.shape[::-1], interpolation=cv2.INTER_NEAREST)
        return softness_of(detail[index], mask, mask & (cover > 0))

    softness = np.stack(abreast(soft, range(len(detail))))
    return compare_softness(softness, output_scale, closed)


def compare_softness(softness: np.ndarray, output_scale: float, closed: bool) -> Sharpness:
    """softness: (n, k * directions) b^2 in px^2 of the detail, NaN where a direction has too few edges."""
    count = len(softness)
    rows = np.arange(count)
    usual, softest = (np.array(part) for part in zip(*(_beside(softness, i, closed) for i in rows), strict=True))
    scatter = np.array([mad_sigma(column[np.isfinite(column)]) for column in (softness - usual).T])
    held = np.array([np.median(c[np.isfinite(c)]) if np.isfinite(c).any() else 0.0 for c in softness.T])
    limit = np.maximum((SEEN_PX / output_scale) ** 2, np.maximum(HALVES * held, SURE * scatter))
    limit = np.fmax(limit, SURE * _borrowed(softness, usual))
    # against a soft neighbour: a view comes and goes gradually, blur does not. And, for a run of blurred frames,
    # against the softer half of the whole turn, by four times the limit
    whole = np.array([np.quantile(c[np.isfinite(c)], 0.75) if np.isfinite(c).any() else np.nan for c in softness.T])
    extra = np.fmax(softness - softest, np.where(softness - whole > 4 * limit, softness - whole, -np.inf))
    extra = np.where(_between_readings(softness, closed), extra, np.nan)
    known = np.isfinite(extra)
    over = np.where(known, extra / limit, -np.inf)
    worst = np.argmax(over, axis=1)
    ratio = np.sqrt((usual + PIXEL) / (softness + PIXEL))[rows, worst]
    ratio = np.where(known.any(axis=1), ratio, np.nan)
    most = np.where(known.any(axis=1), np.nan_to_num(extra[rows, worst], nan=0.0, neginf=0.0), 0.0)
    least = np.where(np.isfinite(softness), softness, np.inf).min(axis=1)
    spread = np.sqrt(np.where(np.isfinite(least), least, np.nan)) * output_scale
    return Sharpness(
        ratio, np.sqrt(np.maximum(most, 0.0)) * output_scale, np.sqrt(limit[rows, worst]) * output_scale,
        _clearest(softness - usual), spread,
    )  # fmt: skip


def _between_readings(softness: np.ndarray, closed: bool) -> np.ndarray:
    """bool (n, columns): both frames beside have a reading in that direction as well.

    Where they have none, the view is about to lose its edges, and the few left may be shading or gloss.
    """
    known = np.isfinite(softness)
    before, after = np.roll(known, 1, axis=0), np.roll(known, -1, axis=0)
    if not closed:
        before[0], after[-1] = True, True
    return before & after


def _borrowed(softness: np.ndarray, usual: np.ndarray) -> np.ndarray:
    """(n, columns) scatter of readings that many frames lack: the usual share of all directions; 0 for others.

    Where edges come and go they are few, and the readings too few to show how they scatter.
    """
    shares = (softness - usual) / (usual + PIXEL)
    known = np.isfinite(shares)
    whole = [
        mad_sigma(column[here]) for column, here in zip(shares.T, known.T, strict=True) if here.mean() > SELDOM_SEEN
    ]
    share = float(np.median(whole)) if whole else 0.0
    return np.where(known.mean(axis=0) > SELDOM_SEEN, 0.0, share * (usual + PIXEL))


def _clearest(extra: np.ndarray) -> np.ndarray:
    """(n, DIRECTIONS): of each frame's readings (n, k * DIRECTIONS), the one that gains most in some direction."""
    readings = extra.reshape(len(extra), -1, DIRECTIONS)
    best = np.where(np.isfinite(readings), readings, -np.inf).max(axis=2).argmax(axis=1)
    return readings[np.arange(len(extra)), best]


def smeared_across(extra: np.ndarray) -> int | None:
    """Direction of a smear among DIRECTIONS, from the variances (directions,) it adds; None: it isn't one, or unsure."""
    if not np.isfinite(extra).any():
        return None
    most = int(np.nanargmax(extra))
    crosswise = extra[(most + DIRECTIONS // 2) % DIRECTIONS]
    return most if extra[most] > 0 and crosswise < ONE_WAY * extra[most] else None


def still_smear(detail: np.ndarray, still: np.ndarray, index: int, across: int) -> float | None:
    """Variance, px^2 of the detail, that a frame's still parts gain in a direction against the frames beside it.

    detail: uint8 (n, H, W). still: bool (H, W). None: the still parts have too few edges.
    """
    beside = [place for place in (index - 1, index + 1) if 0 <= place < len(detail)]
    here, *there = (softness_of(detail[place], still)[across] for place in [index, *beside])
    return float(here - np.median(there)) if np.isfinite([here, *there]).all() else None


def _beside(softness: np.ndarray, index: int, closed: bool) -> tuple[np.ndarray, np.ndarray]:
    """Of the neighbours in angle, by direction: the median, and the softest but one."""
    count = len(softness)
    places = [index + k for k in range(-BESIDE, BESIDE + 1) if k]
    places = [p % count for p in places] if closed and count > 2 * BESIDE else [p for p in places if 0 <= p < count]
    near = softness[places]
    usual, softest = np.full(softness.shape[1], np.nan), np.full(softness.shape[1], np.nan)
    for direction, column in enumerate(near.T):
        column = np.sort(column[np.isfinite(column)])
        if len(column) >= 2:
            usual[direction], softest[direction] = np.median(column), column[-2]
    return usual, softest


def softness_of(frame: np.ndarray, mask: np.ndarray, *parts: np.ndarray) -> np.ndarray:
    """b^2 of the sharper edges among the strong ones, for each direction: (DIRECTIONS,) px^2 or NaN.

    parts: of the mask, of which the same is told after it: (k * DIRECTIONS,) in all.
    """
    found = np.full((1 + len(parts), DIRECTIONS), np.nan)
    box = _box(mask)
    if box is None:
        return found.ravel()
    picture = frame[box]
    grain = _grain(picture)
    picture = picture.astype(np.float32)
    fine, _, _ = _slope(picture, FINE)
    coarse, gx, gy = _slope(picture, COARSE)
    for row, part in zip(found, (mask, *parts)):
        part = part[box]
        inner = _box(part)
        if inner is not None:
            _soften(row, part[inner], *(one[inner] for one in (grain, fine, coarse, gx, gy)))
    return found.ravel()


def _box(mask: np.ndarray) -> tuple[slice, slice] | None:
    """Rows and columns of what is in a mask; None where that is too small to say anything of."""
    x, y, w, h = cv2.boundingRect(mask.astype(np.uint8))
    return None if w < 16 or h < 16 else (slice(y, y + h), slice(x, x + w))


def _soften(found: np.ndarray, mask: np.ndarray, grain, fine, coarse, gx, gy) -> None:
    """Fills in what `softness_of` tells of a mask."""
    # white noise of sigma n leaves slopes of n / (sqrt(8 pi) sigma^2) after a Gaussian and a difference
    least = max(1.0, CLEAR * _noise(grain) / (np.sqrt(8 * np.pi) * COARSE**2))
    places, bins = _ridges(np.where(mask, coarse, 0), gx, gy, least)
    strength = coarse[places]
    ratio = fine[places] / strength
    spread = (SPREAD_COARSE - ratio**2 * SPREAD_FINE) / np.maximum(ratio**2 - 1.0, 0.02)
    spread = np.maximum(spread, 0.0)  # lines and specks fall faster than edges
    for direction in range(DIRECTIONS):
        here = bins == direction
        if here.sum() < LEAST_EDGES:
            continue
        top = np.argsort(-strength[here], kind="stable")[:MOST_EDGES]
        found[direction] = np.quantile(spread[here][top], SHARPER)


def _ridges(
    strength: np.ndarray, gx: np.ndarray, gy: np.ndarray, least: float
) -> tuple[tuple[np.ndarray, np.ndarray], np.ndarray]:
    """Places (rows, columns) and direction bins of the crests of edges: highest of three across the edge."""
    inner = np.zeros_like(strength)
    inner[2:-2, 2:-2] = strength[2:-2, 2:-2]
    flat, width = strength.ravel(), strength.shape[1]
    place = np.flatnonzero(inner > least)
    rows, columns = np.divmod(place, width)
    angle = np.arctan2(gy[rows, columns], gx[rows, columns])
    bins = np.rint(angle / (np.pi / DIRECTIONS)).astype(int) % DIRECTIONS
    across = np.array([1, width + 1, width, width - 1])[bins]
    here = flat[place]
    crest = (here >= flat[place + across]) & (here > flat[place - across])
    return (rows[crest], columns[crest]), bins[crest]


def _grain(picture: np.ndarray) -> np.ndarray:
    """A difference that is blind to edges and slopes (Immerkaer 1996), uint16 (h, w), from uint8."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    return np.abs(cv2.filter2D(picture, cv2.CV_16S, kernel)).astype(np.uint16)


def _noise(grain: np.ndarray) -> float:
    """Noise in levels, by the grain's median: of whole numbers, so they are counted."""
    upto = np.cumsum(np.bincount(grain.ravel()))
    low, high = (int(np.searchsorted(upto, rank, side="right")) for rank in ((grain.size - 1) // 2, grain.size // 2))
    return (low + high) / 2 * 1.4826 / 6


def _slope(picture: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Length and parts of the gradient of the blurred picture, levels a px."""
    soft = cv2.GaussianBlur(picture, (0, 0), sigma)
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=0.125)
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=0.125)
    return cv2.magnitude(gx, gy), gx, gy
