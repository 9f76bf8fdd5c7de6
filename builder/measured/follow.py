"""Following a frame: its shift and roll against a template, by least squares on brightness.

Direct least squares (Lucas and Kanade 1981; many frames against one template as in Baker and Matthews 2004), on
points of strong gradient spread over the still parts, with Tukey's weights. What can't be seen (a plain sheet;
along a single straight edge) isn't guessed: it counts as no movement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.abreast import abreast
from builder.measured.light import mad_sigma

LEVELS = (8, 4, 2, 1)  # reductions of the copy, coarse to fine
CELLS = 24  # points come from a grid this fine along the long side, so that no one thing leads
BROAD = 15  # px of a level: what changes over more than that isn't followed
POINTS_A_CELL = 30
LEAST_POINTS = 40
CLEAR = 4.0  # a gradient counts when it is this many times its own noise
WORST_SIGMA_PX = 0.25  # of a frame by itself: known less well, a movement is as likely error as any
CORRELATED = 6.0  # neighbouring pixels share JPEG blocks and lens blur: this many count as one
USUALLY = 2 / 3  # of the frames; marks a mark's width apart would cover a rim in half of them, and they are wider apart
REAL = 4.0  # times what slopes of noise alone add up to: a slope must be twice its noise
TUKEY = 4.685  # 95 % efficiency for normal errors (Holland and Welsch 1977)


def half_diagonal(shape: tuple[int, ...]) -> float:
    """How far a corner moves for one radian of roll, px. shape: (h, w)."""
    return float(np.hypot(shape[0], shape[1]) / 2)


@dataclass(frozen=True)
class Level:
    """Points of one reduction. x, y: from the picture's centre, level px; value: band-passed brightness;
    slope: (n, 3) change of brightness with x, y and roll (roll in units of one px at the corner).
    slope_noise: variance of a slope that is noise alone. still: uint8 (h, w), what values are rid of slow change by;
    None: all."""

    reduction: int
    x: np.ndarray
    y: np.ndarray
    value: np.ndarray
    slope: np.ndarray
    noise: float
    slope_noise: float
    still: np.ndarray | None

    def banded(self, frame: np.ndarray, motion: np.ndarray, radius: float) -> np.ndarray:
        """A frame as the level's values are, if it is off by about so much (level px)."""
        if self.still is None:
            return banded(frame, self.reduction)
        cos, sin = np.cos(motion[2] / radius), np.sin(motion[2] / radius)
        middle = (np.array(self.still.shape[::-1]) - 1) / 2
        turn = np.array([[cos, -sin], [sin, cos]])
        to_frame = np.c_[turn, middle + motion[:2] - turn @ middle]
        return banded(frame, self.reduction, cv2.warpAffine(self.still, to_frame, self.still.shape[::-1]))


@dataclass(frozen=True)
class Template:
    """What frames are registered against: still points of the reference, coarse to fine."""

    levels: tuple[Level, ...]
    shape: tuple[int, int]
    coarse: np.ndarray  # band-passed, for the first search
    coarse_still: np.ndarray
    worst_px: float = WORST_SIGMA_PX  # a direction known less well than this (copy px) counts as not seen

    @classmethod
    def of(
        cls,
        reference: np.ndarray,
        frames: np.ndarray,
        still: np.ndarray,
        reductions: Sequence[int],
        *,
        outlines: bool = False,
        worst_px: float = WORST_SIGMA_PX,
    ) -> "Template | None":
        """None: too little to hold on to.

        outlines: with the edges that stay where they are while what they belong to turns (`outlines_of`).
        """
        sample = frames[:: max(1, len(frames) // 5)]
        whole_levels = _stored_error(banded(sample[len(sample) // 2], 1), banded(reference, 1), still)

        def level_of(reduction: int) -> Level | None:
            if min(still.shape) // reduction < 24:
                return None
            mask = reduced_mask(still, reduction)
            if mask.sum() < 50:
                return None
            by = None if outlines else mask.astype(np.uint8)
            picture = banded(reference, reduction, by)
            # most of the picture has hardly any gradient, so its differences are noise
            seen = float(np.median([_noise((banded(f, reduction, by) - picture)[mask]) for f in sample]))
            noise = max(0.05, math.hypot(seen, whole_levels))
            if outlines:
                mask |= outlines_of(picture, [banded(frame, reduction) for frame in frames], noise)
            # of a median of so many (Kenney and Keeping 1962: pi / 2 times the mean's), stored in whole levels
            own = np.pi / 2 * noise**2 / max(1, len(frames)) + 1 / 12 / reduction**2
            return _level(picture, mask, noise, reduction, half_diagonal(still.shape) / reduction, own / 2, by)

        levels = [level for level in abreast(level_of, reductions) if level is not None]
        if not levels:
            return None
        coarsest = min(LEVELS[0], max(1, min(still.shape) // 24))
        return cls(tuple(levels), still.shape, banded(reference, coarsest), reduced_mask(still, coarsest), worst_px)

    def follow(self, frame: np.ndarray, start: np.ndarray) -> tuple[np.ndarray, float, int, float]:
        """Motion (x, y, roll) of a frame, its expected error at the corners (px), directions seen (0 to 3), misfit."""
        radius = half_diagonal(self.shape)
        motion = np.asarray(start, float) * [1, 1, radius]  # all three in px
        sigma, seen, misfit = np.inf, 0, np.inf
        for level in self.levels:
            at = level.reduction
            picture = level.banded(frame, motion / at, radius / at)
            found, sigma, seen, misfit = _refine(level, picture, motion / at, radius / at, self.worst_px)
            motion, sigma = found * at, sigma * at
        return motion / [1, 1, radius], sigma, seen, misfit

    @property
    def weakest(self) -> np.ndarray:
        """(3,) the direction of motion (px, roll at the corner) that is seen least, unit length."""
        slope = self.levels[-1].slope
        return np.linalg.eigh(slope.T @ slope)[1][:, 0]

    def first_guess(self, frame: np.ndarray) -> tuple[float, float]:
        """Whole-pixel shift that fits the coarse still parts best, where that is clearly better than none."""
        reduction = frame.shape[1] / self.coarse.shape[1]
        picture = banded(frame, round(reduction))
        limit = 4 * max(1.0, mad_sigma(picture))
        picture, coarse = np.clip(picture, -limit, limit), np.clip(self.coarse, -limit, limit)
        reach = min(picture.shape) // 8
        mask = self.coarse_still.astype(np.float32)
        mask[:reach], mask[-reach:], mask[:, :reach], mask[:, -reach:] = 0, 0, 0, 0
        if mask.sum() < 50:
            return 0.0, 0.0
        padded = cv2.copyMakeBorder(picture, reach, reach, reach, reach, cv2.BORDER_REPLICATE)
        cross = cv2.matchTemplate(padded, coarse * mask, cv2.TM_CCORR)
        power = cv2.matchTemplate(padded * padded, mask, cv2.TM_CCORR)
        cost = power - 2 * cross + float((coarse * coarse * mask).sum())
        row, column = np.unravel_index(np.argmin(cost), cost.shape)
        if cost[row, column] > 0.7 * cost[reach, reach] or max(abs(row - reach), abs(column - reach)) <= 1:
            return 0.0, 0.0
        return (column - reach) * reduction, (row - reach) * reduction


def _noise(off: np.ndarray) -> float:
    """Levels, root mean square but for outliers. Most differences of whole levels are none or one: no median tells their spread."""
    inliers = off[np.abs(off) < 4 * max(mad_sigma(off), 0.5)]
    return float(np.sqrt(np.mean(inliers**2))) if len(inliers) else 0.0


def _stored_error(frame: np.ndarray, reference: np.ndarray, still: np.ndarray) -> float:
    """Levels, root mean square: the error of whole levels that noise doesn't even out, for it is the same in every frame.

    A plain sheet without noise is stored as steps of one level, whose borders go far for the least change of light.
    Of a value with normal noise, exp(-2 pi^2 noise^2) of that error is left in the mean (Widrow and Kollar 2008, for
    its first and largest term).
    """
    noise = _noise((frame - reference)[still])
    return math.exp(-2 * math.pi**2 * noise**2) / math.sqrt(12)


def banded(picture: np.ndarray, reduction: int, still: np.ndarray | None = None) -> np.ndarray:
    """Reduced, and rid of everything that changes slowly: shadows, fall-off, exposure. float32.

    still: uint8 (h, w) of the reduced size, 1 where nothing turns: what does would lend its movement to all around it.
    """
    size = picture.shape[1] // reduction, picture.shape[0] // reduction
    crop = picture[: size[1] * reduction, : size[0] * reduction]
    small = cv2.resize(crop, size, interpolation=cv2.INTER_AREA) if reduction > 1 else crop
    small = small.astype(np.float32)
    if still is None:
        return small - _broad(small)
    return small - _broad(small * still) / np.maximum(_broad(still.astype(np.float32)), 1 / BROAD**2)


def _broad(picture: np.ndarray) -> np.ndarray:
    return cv2.blur(picture, (BROAD, BROAD), borderType=cv2.BORDER_REPLICATE)


def reduced_mask(mask: np.ndarray, reduction: int) -> np.ndarray:
    size = mask.shape[1] // reduction, mask.shape[0] // reduction
    crop = mask[: size[1] * reduction, : size[0] * reduction].astype(np.uint8) * 255
    small = cv2.resize(crop, size, interpolation=cv2.INTER_AREA) == 255 if reduction > 1 else crop > 0
    return cv2.erode(small.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) > 0


def outlines_of(picture: np.ndarray, frames: Sequence[np.ndarray], noise: float) -> np.ndarray:
    """bool (h, w): clear edges that are where they are in most of the frames, though other things pass over them.

    The rim of a disc and the side of a round pot stay when they turn; rim marks and a handle pass. A mark that comes
    back to the same place whenever the disc is turned on by one doesn't come back exactly, and is told by that.
    picture: the frames' median; all band-passed, float32 (h, w).
    """
    across, down = _slopes(picture)
    slope = np.hypot(across, down)
    alike = np.zeros(picture.shape)
    for frame in frames:
        its_across, its_down = _slopes(frame)
        alike += np.hypot(its_across - across, its_down - down) < slope / 4
    return (alike >= USUALLY * len(frames)) & (slope > 2 * CLEAR * noise / np.sqrt(2))


def _slopes(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    across = cv2.filter2D(picture, -1, np.array([[-0.5, 0, 0.5]], np.float32))
    return across, cv2.filter2D(picture, -1, np.array([[-0.5], [0], [0.5]], np.float32))


def _level(
    picture: np.ndarray,
    mask: np.ndarray,
    noise: float,
    reduction: int,
    radius: float,
    slope_noise: float,
    still: np.ndarray | None,
) -> Level | None:
    across, down = _slopes(picture)
    strength = np.hypot(across, down)
    rows, columns = _spread_points(np.where(mask, strength, 0), CLEAR * noise / np.sqrt(2))
    if len(rows) < LEAST_POINTS:
        return None
    height, width = picture.shape
    x, y = columns - (width - 1) / 2, rows - (height - 1) / 2
    gx, gy = across[rows, columns], down[rows, columns]
    slope = np.stack([gx, gy, (gy * x - gx * y) / radius], axis=1).astype(float)
    return Level(reduction, x, y, picture[rows, columns].astype(float), slope, noise, slope_noise, still)


def _spread_points(strength: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray]:
    """The strongest points above `least`, at most POINTS_A_CELL from each cell of a grid."""
    cell = max(4, -(-max(strength.shape) // CELLS))
    rows, columns = np.nonzero(strength > least)
    home = (rows // cell) * 10_000 + columns // cell
    order = np.lexsort((-strength[rows, columns], home))
    rows, columns, home = rows[order], columns[order], home[order]
    starts = np.r_[0, np.nonzero(np.diff(home))[0] + 1] if len(home) else np.zeros(0, int)
    rank = np.arange(len(home)) - np.repeat(starts, np.diff(np.r_[starts, len(home)]))
    kept = rank < POINTS_A_CELL
    return rows[kept], columns[kept]


def _refine(
    level: Level, picture: np.ndarray, motion: np.ndarray, radius: float, worst_px: float
) -> tuple[np.ndarray, float, int, float]:
    """One level's least squares. motion in level px (roll times radius).

    Returns motion, sigma, directions seen, and the misfit: mean of the errors' squares, outliers held down.
    Steps go in the directions that the noise alone would let be seen; what they reach counts only where the
    errors that are left let it be seen as well.
    """
    height, width = picture.shape
    cx, cy = (width - 1) / 2, (height - 1) / 2
    start = motion
    for _ in range(15):
        roll = motion[2] / radius
        cos, sin = np.cos(roll), np.sin(roll)
        at_x = cos * level.x - sin * level.y + cx + motion[0]
        at_y = sin * level.x + cos * level.y + cy + motion[1]
        inside = (at_x >= 0) & (at_x <= width - 1) & (at_y >= 0) & (at_y <= height - 1)
        found = cv2.remap(
            picture, at_x.astype(np.float32)[None], at_y.astype(np.float32)[None], cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )[0].astype(float)  # fmt: skip
        fit = _robust_fit(level, found, inside, worst_px)
        motion = motion - fit.step
        if np.abs(fit.step).max() < 0.003:
            break
    kept = fit.axes[:, fit.clear] @ (fit.axes[:, fit.clear].T @ (motion - start))
    if not fit.clear.all() and level.reduction == LEVELS[-1]:
        kept = fit.axes[:, fit.clear] @ (fit.axes[:, fit.clear].T @ motion) - start  # nor from coarser levels
    sigma = float(np.sqrt((fit.sigma[fit.clear] ** 2).sum())) if fit.clear.any() else np.inf
    return start + kept, sigma, int(fit.clear.sum()), fit.misfit


@dataclass(frozen=True)
class _Fit:
    """step: to take, level px. axes, sigma: directions and their errors. clear: which of them can be seen."""

    step: np.ndarray
    axes: np.ndarray
    sigma: np.ndarray
    clear: np.ndarray
    misfit: float


def _robust_fit(level: Level, found: np.ndarray, inside: np.ndarray, worst_px: float) -> _Fit:
    """Least squares for x, y, roll beside a free contrast, by Tukey's weights."""
    contrast = float(found @ level.value / max(level.value @ level.value, 1e-9))
    contrast = min(max(contrast, 0.5), 2.0)
    error = found / contrast - level.value
    scale = max(level.noise, mad_sigma(error[inside])) if inside.any() else level.noise
    weight = np.where(np.abs(error) < TUKEY * scale, (1 - (error / (TUKEY * scale)) ** 2) ** 2, 0.0) * inside
    weighted = (level.slope * weight[:, None]).T
    normal, right = weighted @ level.slope, weighted @ error
    strength, axes = np.linalg.eigh(normal)
    spread = np.sqrt(CORRELATED / np.maximum(strength, 1e-12))
    # an edge's slope along itself is noise, squared and added up over many points: that tells nothing
    enough = (np.count_nonzero(weight) >= LEAST_POINTS) & (strength > REAL * level.slope_noise * weight.sum())
    open_ = enough & (level.noise * spread * level.reduction < worst_px)
    step = axes[:, open_] @ ((axes[:, open_].T @ right) / strength[open_]) if open_.any() else np.zeros(3)
    held = np.minimum(np.abs(error), 8 * level.noise) * inside
    misfit = float((held**2).sum() / max(1, inside.sum()))
    clear = enough & (scale * spread * level.reduction < worst_px)
    return _Fit(np.clip(step, -4, 4), axes, scale * spread, clear, misfit)
