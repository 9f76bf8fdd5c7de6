"""The camera's own movement: shift and roll of each frame, from the parts that don't turn.

Direct least squares on brightness (Lucas and Kanade 1981; many frames against one template as in Baker and
Matthews 2004), on points of strong gradient spread over the still parts, with Tukey's weights. What can't be
seen (a plain sheet; along a single straight edge) isn't guessed: it counts as no movement.

A motion is (x, y, roll): a still point q of the reference is seen at R(roll)(q - centre) + centre + (x, y).
Roll in radians, clockwise as seen is positive (y points down).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.light import mad_sigma, quantiles

NUDGE_SHARE = 0.008  # of the long side: a nudge this small is looked past when what stands still is found
LEVELS = (8, 4, 2, 1)  # reductions of the copy, coarse to fine
CELLS = 24  # points come from a grid this fine along the long side, so that no one thing leads
POINTS_A_CELL = 30
LEAST_POINTS = 40
CLEAR = 4.0  # a gradient counts when it is this many times its own noise
WORST_SIGMA_PX = 0.25  # a direction known less well than this (copy px) counts as not seen
CORRELATED = 6.0  # neighbouring pixels share JPEG blocks and lens blur: this many count as one
TUKEY = 4.685  # 95 % efficiency for normal errors (Holland and Welsch 1977)


@dataclass(frozen=True)
class Camera:
    """motion: (n, 3) x, y in copy px and roll in radians, from the reference.

    sigma_px: (n,) expected error of the movement at the picture's corners, of what could be seen.
    seen: (n,) how many of the three directions could be seen in that frame.
    still: bool (h, w), parts of the reference that neither turn nor change.
    """

    motion: np.ndarray
    sigma_px: np.ndarray
    seen: np.ndarray
    still: np.ndarray

    @property
    def known(self) -> bool:
        return bool(self.seen.max(initial=0) > 0)

    def to_frame(self, index: int) -> np.ndarray:
        """2x3: copy pixel of the reference -> copy pixel of the frame."""
        return motion_matrix(self.motion[index], self.still.shape)

    def to_reference(self, index: int) -> np.ndarray:
        """2x3: copy pixel of the frame -> copy pixel of the reference."""
        return cv2.invertAffineTransform(self.to_frame(index))

    def seen_from(self, motion: np.ndarray) -> "Camera":
        """The same movement, told from a reference that stands at `motion` of the present one."""
        shape = self.still.shape
        back = cv2.invertAffineTransform(motion_matrix(motion, shape))
        moved = np.array([_matrix_motion(_after(motion_matrix(m, shape), back), shape) for m in self.motion])
        still = cv2.warpAffine(self.still.astype(np.uint8), motion_matrix(motion, shape), shape[::-1]) > 0
        return Camera(moved, self.sigma_px, self.seen, still)


def motion_matrix(motion: Sequence[float], shape: tuple[int, int]) -> np.ndarray:
    """2x3 affine of a motion: reference pixel -> frame pixel. shape: (h, w) of the copies."""
    x, y, roll = motion
    cos, sin = np.cos(roll), np.sin(roll)
    cx, cy = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    return np.array([[cos, -sin, cx + x - cos * cx + sin * cy], [sin, cos, cy + y - sin * cx - cos * cy]])


def _matrix_motion(matrix: np.ndarray, shape: tuple[int, int]) -> tuple[float, float, float]:
    centre = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    x, y = matrix @ [*centre, 1.0] - centre
    return x, y, float(np.arctan2(matrix[1, 0], matrix[0, 0]))


def _after(first: np.ndarray, then_from: np.ndarray) -> np.ndarray:
    """Affine that applies `then_from`, then `first`."""
    return first @ np.vstack([then_from, [0, 0, 1]])


def warped(picture: np.ndarray, to_frame: np.ndarray) -> np.ndarray:
    """A frame's picture laid onto the reference; its edge is continued where it doesn't reach."""
    return cv2.warpAffine(
        picture, to_frame, picture.shape[1::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip


def measure_camera(luma: np.ndarray) -> Camera:
    """Movement of the camera over a spin, from the place where most frames stand.

    luma: uint8 (n, h, w), sRGB-encoded, evened in exposure, in order of shooting.
    What stands still and how the camera moved are found in turns, each sharper for the other: rim marks that
    nearly repeat from frame to frame pass for still at first, and would pull the roll along.
    """
    count, shape = len(luma), luma.shape[1:]
    reach = NUDGE_SHARE * max(shape)
    still = still_parts(luma, often=0.35, reach_px=reach)  # generous: a bump disturbs a twelfth of the pairs
    nothing = Camera(np.zeros((count, 3)), np.full(count, np.inf), np.zeros(count, int), still)
    if count < 3:
        return nothing
    camera, alike = nothing, luma[_quiet_run(luma, still)]
    still &= still_parts(alike, often=0.1, reach_px=1.5)
    for levels, reach_px in ((LEVELS[:3], 1.5), (LEVELS[2:3], 0.75), (LEVELS[2:], 0.5)):
        template = Template.of(quantiles(alike, (0.5,))[0], alike, still, levels)
        if template is None:
            return Camera(nothing.motion, nothing.sigma_px, nothing.seen, still)
        found = _follow_all(template, luma, None if camera is nothing else camera.motion)
        motion, sigma, seen = (np.array(column) for column in zip(*found, strict=True))
        camera = Camera(motion, sigma, seen, still)
        if reach_px > 0.5:
            alike = np.stack([warped(f, motion_matrix(m, shape)) for f, m in zip(luma, motion, strict=True)])
            still = still_parts(alike, often=0.08, reach_px=reach_px)
    return camera


def _follow_all(template: "Template", luma: np.ndarray, starts: np.ndarray | None) -> list[tuple]:
    """Motion, sigma and directions seen of every frame. Without starts, from where it fits: no movement, unless
    the place of the frame before or of a coarse search fits clearly better."""
    if starts is not None:
        return [template.follow(frame, start)[:3] for frame, start in zip(luma, starts, strict=True)]
    found, before = [], np.zeros(3)
    for frame in luma:
        best = template.follow(frame, np.zeros(3))
        for start in {tuple(before), (*template.first_guess(frame), 0.0)} - {(0.0, 0.0, 0.0)}:
            other = template.follow(frame, np.array(start))
            best = other if other[3] < 0.7 * best[3] else best
        before = best[0]
        found.append(best[:3])
    return found


def _quiet_run(luma: np.ndarray, still: np.ndarray) -> slice:
    """The longest run of frames between which nothing sudden happened to the still edges.

    Their median is a sharp template; the median over a bump is not. From frame to frame the subject turns by
    much the same; a bump, a hand or a blurred frame stands out.
    """
    count, reduction = len(luma), 4
    mask = _reduced_mask(still, reduction)
    if mask.sum() < 200:
        return slice(0, count)
    bands = np.stack([_banded(frame, reduction)[mask] for frame in luma])
    change = np.abs(np.diff(bands, axis=0))
    keen = change.mean(axis=0)
    change = change[:, keen >= np.quantile(keen, 0.8)].mean(axis=1)
    cuts = np.nonzero(change > 1.3 * np.median(change))[0] + 1
    starts, ends = np.r_[0, cuts], np.r_[cuts, count]
    longest = int(np.argmax(ends - starts))
    if ends[longest] - starts[longest] < max(3, count // 8):
        return slice(0, count)
    return slice(int(starts[longest]), int(ends[longest]))


def _radius(shape: tuple[int, ...]) -> float:
    """Half the diagonal: how far a corner moves for one radian of roll, px."""
    return float(np.hypot(shape[0], shape[1]) / 2)


def still_parts(luma: np.ndarray, *, often: float, reach_px: float) -> np.ndarray:
    """Which parts of the picture neither turn nor change: bool (h, w).

    Frames about 30 degrees apart are compared at a reduced size. A part stands still where, in all but a share
    `often` of the pairs, the difference is no more than noise and a nudge of `reach_px` can make: a camera
    that was touched doesn't count, a subject passing by does.
    """
    count, height, width = luma.shape
    reduction = 4 if reach_px >= 4 else 2
    size = max(1, width // reduction), max(1, height // reduction)
    small = np.stack([cv2.resize(frame, size, interpolation=cv2.INTER_AREA) for frame in luma])
    lag = min(max(1, round(count / 12)), max(1, count - 1))
    sample = small[lag:, ::3, ::3].astype(np.int16) - small[:-lag, ::3, ::3]
    limit = max(2.0, 5.0 * mad_sigma(sample))
    slack = _slack(small, reach_px / reduction)
    changed = np.zeros(size[::-1], np.int32)
    for index in range(count - lag):
        over = cv2.absdiff(small[index + lag], small[index])
        changed += cv2.subtract(over, slack[index]) > limit
    moving = (changed > max(2, often * (count - lag))).astype(np.uint8)
    moving = cv2.dilate(moving, np.ones((5, 5), np.uint8))
    return cv2.resize(moving, (width, height), interpolation=cv2.INTER_NEAREST) == 0


def _slack(small: np.ndarray, reach: float) -> list[np.ndarray]:
    """uint8 (h, w) each: how much a nudge of `reach` pixels of `small` can change each frame's values."""
    side = 2 * int(np.ceil(reach)) + 1
    patch = np.ones((side, side), np.uint8)
    share = min(1.0, reach)  # within one pixel, brightness changes in proportion
    slack = []
    for frame in small:
        span = cv2.max(cv2.subtract(cv2.dilate(frame, patch), frame), cv2.subtract(frame, cv2.erode(frame, patch)))
        slack.append(cv2.convertScaleAbs(span, alpha=share))
    return slack


@dataclass(frozen=True)
class Level:
    """Points of one reduction. x, y: from the picture's centre, level px; value: band-passed brightness;
    slope: (n, 3) change of brightness with x, y and roll (roll in units of one px at the corner)."""

    reduction: int
    x: np.ndarray
    y: np.ndarray
    value: np.ndarray
    slope: np.ndarray
    noise: float


@dataclass(frozen=True)
class Template:
    """What frames are registered against: still points of the reference, coarse to fine."""

    levels: tuple[Level, ...]
    shape: tuple[int, int]
    coarse: np.ndarray  # band-passed, for the first search
    coarse_still: np.ndarray

    @classmethod
    def of(
        cls, reference: np.ndarray, frames: np.ndarray, still: np.ndarray, reductions: Sequence[int]
    ) -> "Template | None":
        """None: too little to hold on to."""
        sample = frames[:: max(1, len(frames) // 5)]
        levels = []
        for reduction in reductions:
            if min(still.shape) // reduction < 24:
                continue
            picture, mask = _banded(reference, reduction), _reduced_mask(still, reduction)
            if mask.sum() < 50:
                continue
            # half the picture has hardly any gradient, so the median of differences is noise
            noise = max(0.05, float(np.median([mad_sigma((_banded(f, reduction) - picture)[mask]) for f in sample])))
            level = _level(picture, mask, noise, reduction, _radius(still.shape) / reduction)
            if level is not None:
                levels.append(level)
        if not levels:
            return None
        coarsest = min(LEVELS[0], max(1, min(still.shape) // 24))
        return cls(
            tuple(levels), still.shape, _banded(reference, coarsest), _reduced_mask(still, coarsest)
        )

    def follow(self, frame: np.ndarray, start: np.ndarray) -> tuple[np.ndarray, float, int, float]:
        """Motion (x, y, roll) of a frame, its expected error at the corners (px), directions seen (0 to 3), misfit."""
        radius = _radius(self.shape)
        motion = np.asarray(start, float) * [1, 1, radius]  # all three in px
        sigma, seen, misfit = np.inf, 0, np.inf
        for level in self.levels:
            at = level.reduction
            found, sigma, seen, misfit = _refine(level, _banded(frame, at), motion / at, radius / at)
            motion, sigma = found * at, sigma * at
        return motion / [1, 1, radius], sigma, seen, misfit

    def first_guess(self, frame: np.ndarray) -> tuple[float, float]:
        """Whole-pixel shift that fits the coarse still parts best, where that is clearly better than none."""
        reduction = frame.shape[1] / self.coarse.shape[1]
        picture = _banded(frame, round(reduction))
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


def _banded(picture: np.ndarray, reduction: int) -> np.ndarray:
    """Reduced, and rid of everything that changes slowly: shadows, fall-off, exposure. float32."""
    size = picture.shape[1] // reduction, picture.shape[0] // reduction
    crop = picture[: size[1] * reduction, : size[0] * reduction]
    small = cv2.resize(crop, size, interpolation=cv2.INTER_AREA) if reduction > 1 else crop
    small = small.astype(np.float32)
    return small - cv2.blur(small, (15, 15), borderType=cv2.BORDER_REPLICATE)


def _reduced_mask(mask: np.ndarray, reduction: int) -> np.ndarray:
    size = mask.shape[1] // reduction, mask.shape[0] // reduction
    crop = mask[: size[1] * reduction, : size[0] * reduction].astype(np.uint8) * 255
    small = cv2.resize(crop, size, interpolation=cv2.INTER_AREA) == 255 if reduction > 1 else crop > 0
    return cv2.erode(small.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) > 0


def _level(picture: np.ndarray, mask: np.ndarray, noise: float, reduction: int, radius: float) -> Level | None:
    across = cv2.filter2D(picture, -1, np.array([[-0.5, 0, 0.5]], np.float32))
    down = cv2.filter2D(picture, -1, np.array([[-0.5], [0], [0.5]], np.float32))
    strength = np.hypot(across, down)
    rows, columns = _spread_points(np.where(mask, strength, 0), CLEAR * noise / np.sqrt(2))
    if len(rows) < LEAST_POINTS:
        return None
    height, width = picture.shape
    x, y = columns - (width - 1) / 2, rows - (height - 1) / 2
    gx, gy = across[rows, columns], down[rows, columns]
    slope = np.stack([gx, gy, (gy * x - gx * y) / radius], axis=1).astype(float)
    return Level(reduction, x, y, picture[rows, columns].astype(float), slope, noise)


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
    level: Level, picture: np.ndarray, motion: np.ndarray, radius: float
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
        fit = _robust_fit(level, found, inside)
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


def _robust_fit(level: Level, found: np.ndarray, inside: np.ndarray) -> _Fit:
    """Least squares for x, y, roll beside a free contrast, by Tukey's weights."""
    contrast = float(found @ level.value / max(level.value @ level.value, 1e-9))
    contrast = min(max(contrast, 0.5), 2.0)
    error = found / contrast - level.value
    scale = max(level.noise, mad_sigma(error[inside])) if inside.any() else level.noise
    weight = np.where(np.abs(error) < TUKEY * scale, (1 - (error / (TUKEY * scale)) ** 2) ** 2, 0.0) * inside
    normal = (level.slope * weight[:, None]).T @ level.slope
    right = (level.slope * weight[:, None]).T @ error
    strength, axes = np.linalg.eigh(normal)
    spread = np.sqrt(CORRELATED / np.maximum(strength, 1e-12))
    enough = np.count_nonzero(weight) >= LEAST_POINTS
    open_ = enough & (level.noise * spread * level.reduction < WORST_SIGMA_PX)
    step = axes[:, open_] @ ((axes[:, open_].T @ right) / strength[open_]) if open_.any() else np.zeros(3)
    held = np.minimum(np.abs(error), 8 * level.noise) * inside
    misfit = float((held**2).sum() / max(1, inside.sum()))
    clear = enough & (scale * spread * level.reduction < WORST_SIGMA_PX)
    return _Fit(np.clip(step, -4, 4), axes, scale * spread, clear, misfit)
