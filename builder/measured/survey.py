"""Everything measured on one spin's copies, in the order in which one number needs another."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np

from builder.measured.abreast import abreast, side_by_side
from builder.measured.backdrop import Backdrop, measure_backdrop
from builder.measured.camera import Camera, measure_camera, motion_matrix, warped
from builder.measured.clipping import measure_clipping
from builder.measured.copies import Copies
from builder.measured.disc import Disc, find_rounds, rim_of
from builder.measured.exposure import Exposure, measure_exposure
from builder.measured.light import gain_table
from builder.measured.neutral import Neutral, measure_neutral
from builder.measured.nudges import Course, read_course, unseen_moves
from builder.measured.obstruction import LEAST_COVER, Foreground, Obstruction, measure_foreground, measure_obstruction
from builder.measured.place import Axis, Turning, measure_axis, measure_turning
from builder.measured.sharpness import Sharpness, measure_sharpness, smeared_across, still_smear
from builder.measured.steps import find_repeats
from builder.measured.tape import Tape, read_tape, with_tape
from builder.measured.turn_marks import MarkedTurn, marked_turns, may_have_marks
from builder.measured.turntable import (
    DIAGONAL35_MM,
    KNOWN_FOCAL_SPREAD,
    USUAL_FOCAL35_MM,
    USUAL_FOCAL_SPREAD,
    TurnFit,
    measure_turn,
    unjudged,
)
from builder.spin import Affine
from builder.workers import give_back

FARTHER_OUT = 1.1  # times as far as the subject: what turns there on both sides is on the disc
LARGEST_SIGMA = 0.2  # of a step: at 4 standard errors a repeat is then as likely as a small step


@dataclass(frozen=True)
class Survey:
    """The copies and what was found on them; lengths in copy px.

    axis: at the row of the subject's foot. repeats: frames that look like the frame before.
    blown: (n,) share of the subject that is pure white.
    """

    copies: Copies
    exposure: Exposure
    camera: Camera
    course: Course
    backdrop: Backdrop
    turning: Turning
    axis: Axis | None
    disc: Disc | None
    neutral: Neutral
    foreground: Foreground
    obstruction: Obstruction
    sharpness: Sharpness
    blown: np.ndarray
    repeats: tuple[int, ...]
    turn: TurnFit
    tape: Tape | None
    closed: bool

    @property
    def count(self) -> int:
        return len(self.copies.pictures)

    def still_parts_of(self, frame: int) -> Literal["sharp", "smeared"] | None:
        """How the parts that don't turn came out in a smeared frame; None: no smear, or it isn't sure."""
        extra = self.sharpness.extra[frame]
        across = smeared_across(extra)
        if across is None:
            return None
        gained = still_smear(self.copies.detail, ~_subject_zone(self.copies, self.turning), frame, across)
        if gained is None:
            return None
        # as much as the subject, or hardly any of it: on a disc that turns the middle moves least
        return "sharp" if gained < 0.25 * extra[across] else "smeared" if gained > 0.5 * extra[across] else None


def survey_spin(copies: Copies, *, closed: bool, widest: int) -> Survey:
    """Measure the copies of one spin. widest: px, the widest output: what can't be seen there is no fault."""
    cv2.setNumThreads(1)
    exposure = measure_exposure(copies.pictures)
    camera = measure_camera(_evened_luma(copies.pictures, exposure))
    shape = copies.pictures.shape[1:3]
    visible_px = shape[1] / min(widest, copies.size[0])
    course = read_course(camera.motion, float(np.hypot(*shape) / 2), visible_px)
    camera = camera.seen_from(course.home)
    if not _read_from(exposure, camera.still):
        exposure = measure_exposure(copies.pictures, camera.still)
    usual_focal = focal_px(copies) or USUAL_FOCAL35_MM / DIAGONAL35_MM * float(np.hypot(*shape))
    backdrop = measure_backdrop(copies.pictures, exposure, camera)
    turning = measure_turning(backdrop, camera.still)
    axis = measure_axis(turning, usual_focal)
    foreground = measure_foreground(backdrop, axis)
    obstruction = measure_obstruction(foreground, backdrop.pictures, closed)
    if obstruction.frames:  # once more without what doesn't belong there
        turning = measure_turning(backdrop, camera.still, leave_out=obstruction.frames)
        axis = measure_axis(turning, usual_focal)
    repeats = find_repeats(backdrop.pictures, turning.shares)
    tape = _tape(copies, camera)
    sharpness, (rounds, marked) = side_by_side(
        lambda: _sharpness(copies, camera, turning, foreground, widest, closed),
        lambda: (
            _disc_and_marks(copies, exposure, camera, backdrop, turning, axis, repeats, usual_focal)
            if closed and tape is None
            else ([], [])
        ),
    )
    give_back()
    turn = judged(_turn(copies, camera, course, turning, closed, ~sharpness.blurred, repeats, marked))
    give_back()
    turn = with_tape(turn, tape, closed)
    settled = _settled_axis(turn, axis, turning, marked[0].foot if turn.by_marks else None)
    if settled is not None and turn.sigma_deg is not None:
        foot_error = _foot_error(turning, judged=True)
        rounds = [disc for disc in rounds if disc.stands_at(settled.row, foot_error) and disc.is_about(settled)]
    rounds = rounds or _rounds(backdrop, turning, settled, judged=turn.sigma_deg is not None)
    disc = rim_of(rounds)
    if disc is not None and settled is not None:  # one look more: the rim that it turns in
        if turn.sigma_deg is None:
            settled = Axis((settled.at(disc.y) + disc.x) / 2, settled.slope, disc.y)
        elif not turn.by_marks:
            settled = _settled_axis(turn, axis, turning, (disc.x, disc.y))
    return Survey(
        copies=copies, exposure=exposure, camera=camera, course=course, backdrop=backdrop, turning=turning,
        axis=settled,
        disc=disc,
        neutral=measure_neutral(backdrop, turning, settled, disc),
        foreground=foreground,
        obstruction=obstruction,
        sharpness=sharpness,
        blown=measure_clipping(copies.pictures, camera, foreground, backdrop.plate),
        repeats=repeats,
        turn=turn,
        tape=tape,
        closed=closed,
    )  # fmt: skip


def _read_from(exposure: Exposure, still: np.ndarray) -> bool:
    """Whether the exposure was read from parts that stand still, as far as there are enough of them."""
    cells = cv2.resize(still.astype(np.float32), exposure.still.shape[::-1], interpolation=cv2.INTER_AREA)
    return still.mean() < 0.2 or bool(exposure.still.any() and cells[exposure.still].mean() > 0.95)


def _sharpness(
    copies: Copies, camera: Camera, turning: Turning, foreground: Foreground, widest: int, closed: bool
) -> Sharpness:
    scale = min(widest, copies.size[0]) / copies.detail.shape[2]
    zone = _subject_zone(copies, turning)
    return measure_sharpness(copies.detail, zone, scale, closed, _covers(camera, turning, foreground))


def _covers(camera: Camera, turning: Turning, foreground: Foreground) -> np.ndarray | None:
    """bool (n, h, w): what covers the plate in each frame's own pixels; None where that is too little to be the body.

    White on white, gloss that stays: a round body is itself part of the plate, and what is left is a handle now and a
    spout then, with edges of their own.
    """
    masks = foreground.masks
    turns = cv2.resize((turning.shares > 0).astype(np.uint8), masks.shape[:0:-1], interpolation=cv2.INTER_NEAREST) > 0
    if np.median(masks.sum(axis=(1, 2))) < LEAST_COVER * turns.sum() or not masks.any():
        return None
    shrink = [1 / foreground.scale, 1 / foreground.scale, 1.0]
    return np.stack([
        warped(cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)), motion_matrix(-motion * shrink, mask.shape)) > 0
        for mask, motion in zip(masks, camera.motion, strict=True)
    ])  # fmt: skip


def _subject_zone(copies: Copies, turning: Turning) -> np.ndarray:
    """bool (H, W) of the detail: what turns, up to its outline from either side, and the camera's small movements."""
    height, width = copies.detail.shape[1:]
    mask = cv2.resize((turning.shares > 0).astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST)
    return cv2.dilate(mask, np.ones((9, 9), np.uint8)) > 0


def _evened_luma(pictures: Sequence[np.ndarray], exposure: Exposure) -> np.ndarray:
    """uint8 (n, h, w): brightness as if all frames had the same exposure."""

    def evened(index: int) -> np.ndarray:
        return cv2.LUT(
            cv2.cvtColor(pictures[index], cv2.COLOR_RGB2GRAY), gain_table(2.0 ** -exposure.exposure_ev[index])
        )

    return np.stack(abreast(evened, range(len(pictures))))


def _as_reference(greys: np.ndarray, camera: Camera) -> list[np.ndarray]:
    """Pictures (n, h, w) as the spin's reference camera saw them."""
    size = greys.shape[:0:-1]

    def moved(index: int) -> np.ndarray:
        affine = camera.to_reference(index)
        if np.allclose(affine, np.eye(3)[:2]):
            return greys[index]
        return cv2.warpAffine(greys[index], affine, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    return abreast(moved, range(len(greys)))


def judged(turn: TurnFit) -> TurnFit:
    """The fit, unless its error is so large that a repeat couldn't be told from a step: then not judged.

    Where the disc's marks hold the steps, one in doubt, which may be another by a spacing, says nothing of the others.
    """
    if turn.sigma_deg is None:
        return turn
    typical = float(np.median(turn.step_sigma_deg)) if turn.by_marks else turn.sigma_deg
    if typical < LARGEST_SIGMA * float(np.median(np.abs(turn.steps_deg))):
        return turn
    return replace(turn, sigma_deg=None, direction=None, reason="what can be followed doesn't agree on one turn")


def _settled_axis(
    turn: TurnFit | None, mirror: Axis | None, turning: Turning, ring: tuple[float, float] | None = None
) -> Axis | None:
    """The axis, told at the row where the subject stands: by the fit of the turn, the mirror line and the ring of marks
    or, where none turn, the disc's rim; x and y of its middle, copy px.

    Their errors have nothing in common (gloss that doesn't turn; few and uneven views, or cast shadows; a rim that isn't
    seen sharply), so their median, of two the mean, is the better guess of the column. The lean is the fit's, which sees
    all three dimensions.
    """
    if turn is not None and turn.axis_x is not None and turn.axis_y is not None and turn.sigma_deg is not None:
        slope = -math.tan(math.radians(turn.axis_tilt_deg))
        columns = [turn.axis_x]
        if mirror is not None:
            columns.append(mirror.at(turn.axis_y))
        if ring is not None:
            columns.append(Axis(ring[0], slope, ring[1]).at(turn.axis_y))
        return Axis(float(np.median(columns)), slope, turn.axis_y)
    if mirror is None or turning.box is None:
        return None
    _, top, _, bottom = turning.box
    row = bottom - 0.2 * (bottom - top)  # the disc's near rim, or the subject's front, lies below its foot
    return Axis(mirror.at(row), mirror.slope, row)


def _rounds(
    backdrop: Backdrop, turning: Turning, axis: Axis | None, *, judged: bool, aside: bool = False
) -> list[Disc]:
    if axis is None or turning.box is None:
        return []
    swing = _swing(turning, axis)
    return find_rounds(
        backdrop.plate,
        axis,
        axis.row,
        swing,
        _foot_error(turning, judged=judged),
        _reach(turning, axis),
        aside=aside,
    )


def _swing(turning: Turning, axis: Axis) -> float:
    """How far from the axis the subject turns, px."""
    left, _, right, _ = turning.box
    return max(right - axis.column, axis.column - left)


def _foot_error(turning: Turning, *, judged: bool) -> float:
    """By the fit of the turn the foot's row is known to a pixel or two; else it is a guess from the subject's height."""
    left, top, right, bottom = turning.box
    return 0.02 * (right - left) if judged else 0.2 * (bottom - top)


def _reach(turning: Turning, axis: Axis) -> float:
    """How far from the axis anything turns, px: on both sides, for what moves on one only is no disc."""
    columns = np.flatnonzero((turning.shares > 0).any(axis=0))
    return float(min(columns[-1] - axis.column, axis.column - columns[0])) if len(columns) else 0.0


def _tape(copies: Copies, camera: Camera) -> Tape | None:
    scale = copies.detail.shape[2] / copies.pictures.shape[2]
    affines = [
        np.array(source_affine(camera.to_reference(index), (scale, scale))) for index in range(len(copies.pictures))
    ]
    return read_tape(copies.detail, affines)


def _disc_and_marks(
    copies: Copies,
    exposure: Exposure,
    camera: Camera,
    backdrop: Backdrop,
    turning: Turning,
    axis: Axis | None,
    repeats: tuple[int, ...],
    focal: float,
) -> tuple[list[Disc], list[MarkedTurn]]:
    """What is round about the mirror line, and what marks on it say of the turn."""
    guess, turns = _settled_axis(None, axis, turning), turning.shares > 0

    def with_marks(rounds: list[Disc]) -> list[Disc]:
        return [disc for disc in rounds if may_have_marks(disc, turns)]

    def aside() -> list[Disc]:
        return with_marks(_rounds(backdrop, turning, guess, judged=False, aside=True))

    rounds = _rounds(backdrop, turning, guess, judged=False)
    marked = with_marks(rounds)
    if not marked and (guess is None or _reach(turning, guess) <= FARTHER_OUT * _swing(turning, guess)):
        return rounds, []
    greys = _as_reference(_evened_luma(copies.pictures, exposure), camera)
    spread = KNOWN_FOCAL_SPREAD if focal_px(copies) else USUAL_FOCAL_SPREAD
    return rounds, marked_turns(greys, marked, focal, spread, repeats, aside)


def _turn(
    copies: Copies,
    camera: Camera,
    course: Course,
    turning: Turning,
    closed: bool,
    sharp: np.ndarray,
    repeats: tuple[int, ...],
    marked: Sequence[MarkedTurn],
) -> TurnFit:
    if turning.box is None:
        return unjudged(len(copies.pictures), closed, "nothing in the picture turns")
    affines = [affine_of(camera.to_reference(index)) for index in range(len(copies.pictures))]
    return measure_turn(
        copies.pictures, to_reference=affines, foreground=turning.shares > 0, closed=closed,
        focal_px=focal_px(copies), sharp=sharp.tolist(), repeats=repeats,
        unseen_px=unseen_moves(course, camera.seen).tolist(), marked=marked,
    )  # fmt: skip


def focal_px(copies: Copies) -> float | None:
    """Focal length in copy px by Exif: 35 mm-equivalents go by the ratio of diagonals."""
    focals = [photo.focal35_mm for photo in copies.photos if photo.focal35_mm]
    if not focals:
        return None
    return float(np.median(focals)) / DIAGONAL35_MM * float(np.hypot(*copies.pictures.shape[1:3]))


def affine_of(matrix: np.ndarray) -> Affine:
    (a, b, c), (d, e, f) = matrix.tolist()
    return (a, b, c), (d, e, f)


def source_affine(matrix: np.ndarray, scale: tuple[float, float]) -> Affine:
    """An affine between copies as one between source photos."""
    sx, sy = scale
    up = np.array([[sx, 0, sx / 2 - 0.5], [0, sy, sy / 2 - 0.5], [0, 0, 1.0]])
    return affine_of((up @ np.vstack([matrix, [0, 0, 1]]) @ np.linalg.inv(up))[:2])
