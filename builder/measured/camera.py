"""The camera's own movement: shift and roll of each frame, from the parts that don't turn.

What stands still is found first, then each frame is followed against its median (`follow`), and so on in turns.

A motion is (x, y, roll): a still point q of the reference is seen at R(roll)(q - centre) + centre + (x, y).
Roll in radians, clockwise as seen is positive (y points down).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.abreast import abreast
from builder.measured.follow import LEVELS, Template, banded, half_diagonal, reduced_mask
from builder.measured.light import mad_sigma, quantiles
from builder.measured.nudges import read_course

OUTLINE_SIGMA_PX = 1.0  # at the corner, of one frame: what several together then know by half or better
TOGETHER = 3  # frames; of fewer, the median is one frame's word
NEAR = 1 / 12  # of the frames: 30 degrees of a turn, in which what passes has passed
# The golden section of a turn: what moves slowly, near the axis, has moved, and nothing even fits on itself
FAR = 0.382
ILL = 2.0  # times the usual misfit, a mean of thousands of squares: more is no chance
NUDGE_SHARE = 0.008  # of the long side: a nudge this small is looked past when what stands still is found


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
    still &= still_parts(alike, often=0.1, reach_px=1.5, apart=(NEAR, FAR))
    for levels, reach_px in ((LEVELS[:3], 1.5), (LEVELS[2:3], 0.75), (LEVELS[2:], 0.5)):
        template = Template.of(quantiles(alike, (0.5,))[0], alike, _around(still), levels)
        if template is None:
            return Camera(nothing.motion, nothing.sigma_px, nothing.seen, still)
        found = _follow_all(template, luma, None if camera is nothing else camera.motion)
        motion, sigma, seen = (np.array(column) for column in zip(*found, strict=True))
        camera = Camera(motion, sigma, seen, still)
        if reach_px > 0.5:
            alike = np.stack(abreast(lambda k: warped(luma[k], motion_matrix(motion[k], shape)), range(count)))
            still = still_parts(alike, often=0.08, reach_px=reach_px, apart=(NEAR, FAR))
    return _held_by_outlines(camera, luma) if camera.seen.min() < 3 else camera


def _held_by_outlines(camera: Camera, luma: np.ndarray) -> Camera:
    """The movement once more, held by outlines that stay as they turn as well: before a plain sheet there is little else.

    They tell the weakest direction too badly for one frame: marks on a rim that stop a little off their places pull at
    it. But a stand stays where it is between the bumps that show in the other directions, and there frames tell it
    together. The camera as it was, where no more is seen then.
    """
    shape = luma.shape[1:]
    radius, told = half_diagonal(shape), camera
    cuts = _cuts(camera.motion, radius)
    for _ in range(2):
        longest = int(np.argmax(np.diff(cuts)))
        run = slice(cuts[longest], cuts[longest + 1])
        told = told.seen_from(np.median(told.motion[run], axis=0))
        alike = np.stack([warped(f, motion_matrix(m, shape)) for f, m in zip(luma[run], told.motion[run], strict=True)])
        template = Template.of(
            quantiles(alike, (0.5,))[0], alike, told.still, LEVELS[1:], outlines=True, worst_px=OUTLINE_SIGMA_PX
        )
        if template is None:
            return camera
        motion, sigma, seen = (np.array(c) for c in zip(*_follow_all(template, luma, told.motion), strict=True))
        places, weakest = motion * [1, 1, radius], template.weakest
        along = places @ weakest
        cuts = _cuts((places - np.outer(along, weakest)) / [1, 1, radius], radius)
        for start, end in zip(cuts, cuts[1:]):
            sure = seen[start:end] == 3
            if sure.sum() >= TOGETHER:
                common = np.median(along[start:end][sure])
            else:  # one frame's word: as before
                common = np.median(told.motion[start:end] * [1, 1, radius] @ weakest)
                seen[start:end] = np.minimum(seen[start:end], 2)
            places[start:end] += np.outer(common - along[start:end], weakest)
        told = Camera(places / [1, 1, radius], sigma, seen, told.still)
    return told if told.seen.sum() > camera.seen.sum() else camera


def _cuts(motion: np.ndarray, radius: float) -> list[int]:
    """Where a run of frames between two nudges begins, and the end."""
    nudges = read_course(motion, radius, 1.0).nudges
    cuts = {frame for nudge in nudges for frame in ([nudge.frame] if nudge.lasting else [nudge.frame, nudge.frame + 1])}
    return sorted({0, *cuts, len(motion)})


def _follow_all(template: "Template", luma: np.ndarray, starts: np.ndarray | None) -> list[tuple]:
    """Motion, sigma and directions seen of every frame. Without starts, from where it fits: no movement, unless
    the place of the frame before or of a coarse search fits clearly better; with starts, where a frame fits ill from its
    own, likewise."""

    def by_itself(frame: np.ndarray) -> tuple:
        best, guess = template.follow(frame, np.zeros(3)), (*template.first_guess(frame), 0.0)
        return _better(best, template.follow(frame, np.array(guess))) if any(guess) else best

    if starts is not None:
        found = abreast(lambda k: template.follow(luma[k], starts[k]), range(len(luma)))
        usual = float(np.median([misfit for *_, misfit in found]))
        # A first template that shows little may have sent a frame astray, too far to come back by itself.
        return [
            (best if best[3] <= ILL * usual else _better(best, by_itself(frame)))[:3]
            for best, frame in zip(found, luma, strict=True)
        ]

    found, before = [], np.zeros(3)
    for frame, best in zip(luma, abreast(by_itself, luma), strict=True):
        best = _better(best, template.follow(frame, before)) if before.any() else best
        before = best[0]
        found.append(best[:3])
    return found


def _better(one: tuple, other: tuple) -> tuple:
    """Of two answers of `Template.follow` the first, unless the other fits clearly better."""
    return other if other[3] < 0.7 * one[3] else one


def _quiet_run(luma: np.ndarray, still: np.ndarray) -> slice:
    """The longest run of frames between which nothing sudden happened to the still edges.

    Their median is a sharp template; the median over a bump is not. From frame to frame the subject turns by
    much the same; a bump, a hand or a blurred frame stands out.
    """
    count, reduction = len(luma), 4
    mask = reduced_mask(still, reduction)
    if mask.sum() < 200:
        return slice(0, count)
    bands = np.stack(abreast(lambda frame: banded(frame, reduction)[mask], luma))
    change = np.abs(np.diff(bands, axis=0))
    keen = change.mean(axis=0)
    change = change[:, keen >= np.quantile(keen, 0.8)].mean(axis=1)
    cuts = np.nonzero(change > 1.3 * np.median(change))[0] + 1
    starts, ends = np.r_[0, cuts], np.r_[cuts, count]
    longest = int(np.argmax(ends - starts))
    if ends[longest] - starts[longest] < max(3, count // 8):
        return slice(0, count)
    return slice(int(starts[longest]), int(ends[longest]))


def still_parts(luma: np.ndarray, *, often: float, reach_px: float, apart: Sequence[float] = (NEAR,)) -> np.ndarray:
    """Which parts of the picture neither turn nor change: bool (h, w).

    Frames so far `apart` (shares of all) are compared at a reduced size. A part stands still where, in all but a share
    `often` of the pairs, the difference is no more than noise and a nudge of `reach_px` can make: a camera
    that was touched doesn't count, a subject passing by does.
    """
    count, height, width = luma.shape
    reduction = 4 if reach_px >= 4 else 2
    size = max(1, width // reduction), max(1, height // reduction)
    small = np.stack([cv2.resize(frame, size, interpolation=cv2.INTER_AREA) for frame in luma])
    slack = _slack(small, reach_px / reduction)
    moving = np.zeros(size[::-1], bool)
    for lag in {min(max(1, round(count * share)), max(1, count - 1)) for share in apart}:
        sample = small[lag:, ::3, ::3].astype(np.int16) - small[:-lag, ::3, ::3]
        limit = max(2.0, 5.0 * mad_sigma(sample))
        changed = np.zeros(size[::-1], np.int32)
        for index in range(count - lag):
            over = cv2.absdiff(small[index + lag], small[index])
            changed += cv2.subtract(over, slack[index]) > limit
        moving |= changed > max(2, often * (count - lag))
    moving = cv2.dilate(moving.astype(np.uint8), np.ones((5, 5), np.uint8))
    return cv2.resize(moving, (width, height), interpolation=cv2.INTER_NEAREST) == 0


def _around(still: np.ndarray) -> np.ndarray:
    """bool (h, w), without what moving parts enclose: the plain middle of a pot or of a disc hardly changes, and turns."""
    moving = (~still).astype(np.uint8)
    outlines, _ = cv2.findContours(moving, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(moving, outlines, -1, 1, cv2.FILLED) == 0


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
