"""A whole turn at once, on reduced copies: its clean plate, the subject in each frame, and whether to trust that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from builder import colour
from builder.finished.cut import cut_subject
from builder.finished.disc import flatness_seen_by
from builder.finished.gaps import Gaps
from builder.finished.look import largest, usual_noise
from builder.finished.plate import Plate, filled_apart, find_plate, second_look, swept
from builder.finished.sample import matrix, read_copy, sample_light, scale_of, scaling
from builder.finished.seeds import could_be_backdrop, shade_tints
from builder.finished.tints import ShadeTints, learn_tints
from builder.finished.values import CleanSet, Rgb, reduced
from builder.measured.abreast import abreast, one_by_one
from builder.spin import Affine, Photo, TurnCamera

SURVEY_SIDE = 400  # px, long side of the copies the whole turn is held in
GRID_SIDE = 640  # px, long side of the plate that frames are cut against
MOST_COPIES = 48  # frames that statistics are drawn from; more say nothing new
_TINT_FRAMES = 12  # spread over the turn, from which the shade's colours are learnt

_NOISE_TOO_HIGH = 6.0  # codes: a still set's own change from frame to frame, nine of ten frames; above: not still
_TEXTURE_TOO_HIGH = 10.0  # codes: a backdrop whose neighbouring pixels differ more than this is patterned
_TOO_FULL = 0.75  # share of the picture that the subject sweeps: too little set is left to tell what is set
_WHOLE = 0.6  # share of the cut in its largest piece: below, it is in pieces…
_PIECE = 0.05  # …of which those of this share count
_AREA_JUMP = 1.6  # the subject's area may change by this from one frame to the next, turned on its side


@dataclass(frozen=True, eq=False, slots=True)
class Survey:
    """Copies of up to MOST_COPIES frames, registered and evened, and what they say."""

    picks: tuple[int, ...]  # which frames
    scale: float  # copy pixels a source pixel
    stack: np.ndarray  # uint8 (n, h, w, 3) sRGB codes
    plate: Plate | None  # None: nothing holds still around something that moves
    cuts: np.ndarray | None  # bool (n, h, w): the subject
    doubts: tuple[str, ...]  # why the subject can't be told from the set safely, in words; empty: it can

    def to_source(self) -> np.ndarray:
        """3×3, copy pixel -> reference pixel."""
        return np.linalg.inv(scaling(self.scale, self.scale))

    def subject_colours(self) -> np.ndarray:
        """A sample of the subject's linear light over the turn, (n, 3)."""
        light = [colour.to_light(frame[cut][::7][:, None])[:, 0] for frame, cut in zip(self.stack, self.cuts)]
        return np.concatenate(light) if light else np.zeros((0, 3), np.float32)


def survey_turn(
    photos: Sequence[Photo],
    to_reference: Sequence[Affine],
    evening: Sequence[Rgb],
    axis_x: float | None,
    empty_set: Photo | None = None,
    tape: Sequence[tuple[float, float]] = (),
    lean_deg: float = 0.0,
    camera: TurnCamera | None = None,
) -> Survey:
    """axis_x: column of the axis in reference pixels, or None. empty_set: a photo of the set without the subject.
    tape: outline of the coded rim tape in reference pixels; it turns, and yet it is part of the set. lean_deg: of the
    axis, clockwise. camera: as the turn tells it, or None.
    """
    first = photos[0]
    scale = min(1.0, SURVEY_SIDE / max(first.width, first.height))
    size = (max(1, round(first.width * scale)), max(1, round(first.height * scale)))
    grid = scaling(size[0] / first.width, size[1] / first.height)
    picks = tuple(int(k) for k in np.unique(np.linspace(0, len(photos) - 1, min(len(photos), MOST_COPIES)).round()))
    stack = np.stack(abreast(lambda k: coarse(photos[k], grid @ matrix(to_reference[k]), size, evening[k]), picks))
    empty = None
    if empty_set is not None:
        own = scaling(size[0] / empty_set.width, size[1] / empty_set.height)
        empty = coarse(empty_set, own, size, (1.0, 1.0, 1.0))
    axis = None if axis_x is None else (axis_x + 0.5) * scale - 0.5
    flatness = None if camera is None else flatness_seen_by(camera, scaling(scale, scale))
    plate = find_plate(stack, axis, empty, lean_deg, flatness)
    if plate is None:
        return Survey(picks, scale, stack, None, None, ("nothing turns before a backdrop that holds still",))
    plate = _judged(stack, _tape_is_set(plate, tape, scale))
    cuts = _cuts(stack, plate)
    plate = replace(plate, tints=_tints(stack, plate, cuts))
    if empty is None and cuts.any():
        plate = _judged(stack, _tape_is_set(second_look(plate, stack, cuts), tape, scale))
    cuts = _cuts(stack, plate)
    return Survey(picks, scale, stack, plate, cuts, tuple(_doubts(plate, cuts)))


def _judged(stack: np.ndarray, plate: Plate) -> Plate:
    """The plate with the share of frames that could show it."""
    box = plate.box()
    part, clear = plate.part(box), plate.seen.astype(np.float32)
    could = abreast(lambda frame: could_be_backdrop(frame[box].astype(np.float32), part).astype(np.float32), stack)
    clear[box] = sum(could) / len(stack)
    return replace(plate, clear=clear)


def _tape_is_set(plate: Plate, tape: Sequence[tuple[float, float]], scale: float) -> Plate:
    """No subject is looked for on the tape, and no shadow: its bars would be taken for both."""
    if not len(tape):
        return plate
    inside = np.zeros(plate.way.shape, np.uint8)
    outline = (np.array(tape) + 0.5) * scale - 0.5
    cv2.fillPoly(inside, [np.rint(outline * 16).astype(np.int32)], 1, shift=4)
    band = cv2.dilate(inside, np.ones((5, 5), np.uint8)) > 0
    return replace(plate, way=plate.way & ~band, steady=plate.steady | band, seen=plate.seen | band)


def _cuts(stack: np.ndarray, plate: Plate) -> np.ndarray:
    box = plate.box()
    part, cuts = plate.part(box), np.zeros(stack.shape[:3], bool)
    found = abreast(lambda frame: cut_subject(frame[box].astype(np.float32), part), stack)
    for cut, own in zip(cuts, found):
        cut[box] = own
    return cuts


def _tints(stack: np.ndarray, plate: Plate, cuts: np.ndarray) -> ShadeTints | None:
    box = plate.box()
    part = plate.part(box)
    few = range(0, len(stack), max(1, len(stack) // _TINT_FRAMES))
    return learn_tints(np.concatenate([shade_tints(stack[k][box].astype(np.float32), part, cuts[k][box]) for k in few]))


def coarse(photo: Photo, to_grid: np.ndarray, size: tuple[int, int], gain: Rgb) -> np.ndarray:
    """A frame on a coarse grid, for statistics: uint8 (h, w, 3) sRGB codes."""
    copy = read_copy(photo, scale_of(to_grid), exact=True)
    return colour.to_codes(sample_light(copy, to_grid, size, gain, cv2.INTER_LINEAR))


def _doubts(plate: Plate, cuts: np.ndarray) -> list[str]:
    """Reasons not to lay the subject on a new backdrop."""
    areas = cuts.sum(axis=(1, 2)).astype(float)
    if not (areas > 0).all():
        return ["in some frames no subject can be told from the backdrop"]
    doubts = []
    outside = ~plate.way
    if swept(plate.motion).mean() > _TOO_FULL or outside.mean() < 0.05:
        doubts.append("the subject fills the picture, so that no backdrop is left to tell it from")
    if outside.any() and np.quantile(plate.spread[outside], 0.25) > _NOISE_TOO_HIGH:
        doubts.append("the backdrop doesn't hold still from frame to frame")
    grey = plate.colour.mean(axis=2)
    fine = np.abs(grey - cv2.GaussianBlur(grey, (0, 0), 2.0))
    ring = outside & (cv2.dilate(plate.way.astype(np.uint8), np.ones((41, 41), np.uint8)) > 0)
    if ring.any() and np.quantile(fine[ring], 0.75) > _TEXTURE_TOO_HIGH:
        doubts.append("the backdrop is patterned")
    pieces = np.median([_pieces(cut) for cut in cuts])
    if pieces >= 3:
        doubts.append("the subject looks so much like the backdrop that it comes apart")
    elif pieces == 2:
        doubts.append("two things stand on the disc, or the subject comes apart")
    jumps = np.maximum(areas[1:] / areas[:-1], areas[:-1] / areas[1:])
    if len(jumps) and np.median(jumps) > _AREA_JUMP:
        doubts.append("the subject can't be followed from frame to frame")
    return doubts


def _pieces(cut: np.ndarray) -> int:
    """How many pieces of some size a cut is in; 1 when one of them is most of it."""
    areas = cv2.connectedComponentsWithStats(cut.astype(np.uint8), connectivity=8)[2][1:, 4] / cut.sum()
    return 1 if areas.max() >= _WHOLE else int((areas >= _PIECE).sum())


def clean_set(
    photos: Sequence[Photo],
    to_reference: Sequence[Affine],
    evening: Sequence[Rgb],
    to_box: np.ndarray,
    box_size: tuple[int, int],
    survey: Survey,
) -> tuple[CleanSet, list[np.ndarray]]:
    """The plate on the grid that frames are cut on: the survey's, made sharp by a second look at the box alone.

    to_box: 3×3, reference pixel -> pixel of the output's box at full size. Also returns the survey's picks at
    HULL_SIDE, uint8 (h, w, 3) sRGB codes each.
    """
    plate = survey.plate
    factor = min(1.0, GRID_SIDE / max(box_size))
    size = width, height = max(1, round(box_size[0] * factor)), max(1, round(box_size[1] * factor))
    to_grid = scaling(width / box_size[0], height / box_size[1]) @ to_box
    from_survey = (to_grid @ survey.to_source())[:2]

    def carried(values: np.ndarray, how: int = cv2.INTER_LINEAR) -> np.ndarray:
        moved = values.astype(np.float32)
        return cv2.warpAffine(moved, from_survey, size, flags=how, borderMode=cv2.BORDER_REPLICATE)

    guess, spread = carried(plate.colour, cv2.INTER_CUBIC), carried(plate.spread)
    square = np.ones((3, 3), np.uint8)
    steep = largest(cv2.dilate(plate.colour, square) - cv2.erode(plate.colour, square))
    tolerance = 8.0 + np.minimum(carried(steep), 25.0)  # the survey's plate is blurred where it is steep
    total, count = np.zeros_like(guess), np.zeros((height, width), np.float32)
    copies = []
    seen, way, steady = (carried(one) > 0.5 for one in (plate.seen, plate.way, plate.steady))
    gaps = Gaps(guess, seen, steady, way, usual_noise(plate))
    looks = one_by_one(lambda k: coarse(photos[k], to_grid @ matrix(to_reference[k]), size, evening[k]), survey.picks)
    for codes, cut in zip(looks, survey.cuts, strict=True):
        copies.append(reduced(codes))
        gaps.look_through(codes)
        subject = carried(cv2.dilate(cut.astype(np.uint8), square)) > 0
        near = ~subject & (largest(cv2.absdiff(codes.astype(np.float32), guess)) < tolerance)
        cv2.accumulate(codes, total, mask=near.astype(np.uint8))
        count += near
    fine = np.where(count[..., None] >= 2, total / np.maximum(count, 1)[..., None], guess)
    gap, behind = gaps.found()
    seen = seen | gap
    if gap.any():  # what was guessed about the gaps was as wrong as there
        fine = np.where(gap[..., None], behind, fine)
        hidden = way & ~seen & steady
        parts = [carried(one) > 0.5 for one in plate.parts()]
        np.copyto(fine, filled_apart(fine, seen & steady, parts), where=hidden[..., None])
    lit = np.where(steady[..., None], fine, np.maximum(carried(plate.lit), fine))
    clean = CleanSet(
        colour=fine.clip(0, 255).astype(np.float16),
        seen=seen,
        steady=steady,
        spread=spread.astype(np.float16),
        stands=carried(plate.stands) > 0.5,
        lit=lit.clip(0, 255).astype(np.float16),
        way=way,
        clear=carried(plate.clear).astype(np.float16),
        tints=plate.tints,
    )
    return clean, copies
