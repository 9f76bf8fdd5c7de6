"""The clean plate: the set with the subject gone, from a whole turn of a still camera.

A pixel of the backdrop shows the same colour in every frame in which the subject isn't before it. Outside the subject's
way that is all of them. In its way (much of the middle) what most frames show may be the subject itself: there the plate
grows inwards, by what a frame or two join to the backdrop outside with no outline between, as far as it looks like the
set or a shade on it; what no frame shows so is filled in smoothly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import cv2
import numpy as np

from builder.colour import decode, encode
from builder.finished.disc import Disc, Flatness, find_disc, front_of, parts_about
from builder.finished.look import SOFT_EDGE, could_be_shade, guess_tolerance, largest, steepness
from builder.finished.over_turn import (
    SUBJECT_CODES,
    change,
    crossed_by_outlines,
    densest,
    ever_changed,
    spread_of,
    subjects_way,
    without_shade,
)
from builder.finished.seeds import reached, shut_in_patches
from builder.finished.standing import find_standing
from builder.finished.tints import ShadeTints
from builder.measured.abreast import one_by_one

_FLAT = 0.35  # height over width of level circles where the camera isn't known: seen from 20° above
_SPAN = 3.3  # σ between the 5th and the 95th percentile of noise
_USUAL_CODES = 6  # as near as that a frame shows what most do
_STILL_EDGE = 6  # codes over three pixels: the edge of a shade that stands still is softer, an outline steeper
_LEAST_SIGHTS = 2  # frames that show the backdrop at a place
_SQUARE = np.ones((3, 3), np.uint8)
_EDGE_OF_SET = np.ones((9, 9), np.uint8)  # its blur, and what else an outline keeps clear of
_GAP = np.ones((5, 5), np.uint8)  # in an outline: the flood doesn't pass
_TO_OUTLINE = np.ones((9, 9), np.uint8)
_JOINT_LINES = (6.0, 3.0, 1.5)  # px, σ of what smooths the joints of a filled gap
_REACH = 24  # px: how far the widest of these reaches (OpenCV: 4 σ)
_BODY = np.ones((5, 5), np.uint8)  # px: a pen's line on the disc is 2 to 3 broad, and its place in error by 1 or 2
_LEG = np.ones((21, 1), np.uint8)  # px: taller than the disc's rim, with what of a mark lies on its top
_MARKS_ZONE = 0.75  # of the radius: an edge found in the wrong place is off by a mark's length
_BROAD = 7  # px: movement less broad than that is noise, or a mark's
_OFTEN = 0.4  # share of the frames in which a place is clear: then some show it out of the subject's shade


@dataclass(frozen=True, eq=False, slots=True)
class Plate:
    """Values are sRGB codes as float32, on the grid of the statistics."""

    colour: np.ndarray  # (h, w, 3)
    seen: np.ndarray  # bool (h, w): some frames show the backdrop here
    way: np.ndarray  # bool (h, w): the subject's way, where it passes in any frame (generous)
    steady: np.ndarray  # bool (h, w): too far behind the subject for its shade
    spread: np.ndarray  # (h, w): by how many codes the backdrop itself varies over the turn (shadows, noise)
    stands: np.ndarray  # bool (h, w): the same thing that isn't backdrop stands here in most frames
    lit: np.ndarray  # (h, w, 3): the backdrop where the subject's shade doesn't fall on it
    motion: np.ndarray  # (h, w): by how many codes the pixel changes over the turn
    clear: np.ndarray  # (h, w): share of the frames that could show the backdrop here
    base_row: float  # lowest row of broad movement
    tints: ShadeTints | None = None  # what shade on it looks like; None: that isn't known
    disc: Disc | None = None  # the turntable's; None: it can't be made out

    def box(self) -> tuple[slice, slice]:
        """Rows and columns of the subject's way, with a border."""
        return _box(self.way)

    def parts(self) -> tuple[np.ndarray, ...]:
        """The disc's top, and what lies behind it, bool (h, w) each; none where the disc can't be made out."""
        return () if self.disc is None else parts_about(self.disc, self.way.shape)

    def part(self, box: tuple[slice, slice]) -> Plate:
        """The plate in a box of rows and columns."""
        arrays = {
            one.name: getattr(self, one.name) for one in fields(self) if one.name not in ("base_row", "tints", "disc")
        }
        return replace(self, **{name: np.ascontiguousarray(values[box]) for name, values in arrays.items()})


def find_plate(
    stack: np.ndarray,
    axis_x: float | None,
    empty: np.ndarray | None = None,
    lean_deg: float = 0.0,
    flatness: Flatness | None = None,
) -> Plate | None:
    """The plate of registered, evened frames: stack uint8 (n, h, w, 3) sRGB codes.

    axis_x: column of the axis in the stack; None: the middle of what moves. empty: uint8 (h, w, 3), the set without
    the subject, in place of what the turn says. lean_deg: of the axis, clockwise. flatness: of circles about the axis,
    where the camera is known. Returns None when nothing holds still around something that moves.
    """
    dense, support = densest(stack)
    motion = change(stack)
    standing = find_standing(dense, motion, axis_x) if axis_x is not None and empty is None else None
    moving, ever, disc = motion, ever_changed(stack), None
    if axis_x is not None:
        disc, marks = _disc_and_marks(stack, dense, motion, axis_x, lean_deg, flatness)
        moving, ever = (np.where(marks, 0, values) for values in (motion, ever))
    way = subjects_way(moving, axis_x, standing, ever)
    if way is None:
        return None
    hull, base_row = way
    through = swept(moving)
    if disc is not None:
        hull &= ~front_of(disc, hull.shape) | (cv2.dilate(through.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0)
    sure = ~hull & (support >= 0.4)
    if sure.mean() < 0.05:
        return None
    if empty is not None:
        colour, seen = _from_empty(empty, dense, sure)
        sure = seen
    else:
        widest = _widest_ground(hull, base_row, axis_x, flatness)
        thing = np.zeros(sure.shape, bool) if standing is None else standing.thing
        colour, seen = _grown(_Turn(stack, dense, support, moving, hull, base_row, axis_x, widest, thing), sure, disc)
    passed = ~seen | ~sure & (motion >= SUBJECT_CODES) | crossed_by_outlines(stack, colour)
    ground = _ground(through, seen, base_row, axis_x, flatness)
    spread, steady = spread_of(stack, colour, passed, hull, ground)
    return Plate(
        colour=colour,
        seen=seen,
        way=hull,
        steady=steady,
        spread=spread,
        stands=(cv2.erode((~seen).astype(np.uint8), _TO_OUTLINE) > 0) & (support >= 0.5),
        lit=without_shade(stack, colour, steady),
        motion=motion,
        clear=seen.astype(np.float32),
        base_row=base_row,
        disc=disc,
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Turn:
    """What a turn's frames say, as `Plate` and `over_turn` name it."""

    stack: np.ndarray
    dense: np.ndarray
    support: np.ndarray
    motion: np.ndarray
    way: np.ndarray
    base_row: float
    axis_x: float | None
    ground: float  # row below which the subject's shade may fall on the disc
    thing: np.ndarray  # a round thing that stands still on the axis: no backdrop, whatever it looks like


def _ground(
    passed: np.ndarray, seen: np.ndarray, base_row: float, axis_x: float | None, flatness: Flatness | None
) -> float:
    """The farthest row of the ground the subject stands on: of the circle that its foot sweeps, whose near side is the
    lowest row of broad movement; that row itself where what moves lowest hangs over a still foot.

    passed: bool (h, w), what broad movement goes through.
    """
    hidden = np.flatnonzero((~seen).any(axis=1))
    if axis_x is None or len(hidden) and hidden[-1] > base_row + _BROAD:
        return base_row
    columns = np.abs(np.arange(passed.shape[1]) - axis_x)
    half_width = (columns * passed).max(axis=1)
    half_width = cv2.dilate(half_width.reshape(-1, 1), np.ones((_BROAD, 1), np.uint8)).ravel()
    # In the row of its middle, where it is widest, something as wide is swept.
    farthest = base_row
    for radius in range(1, int(half_width.max()) + 1):
        tall = _half_height(base_row, radius, flatness)
        if half_width[max(0, int(base_row - tall))] < radius:
            break
        farthest = base_row - 2 * tall
    return farthest


def _widest_ground(way: np.ndarray, base_row: float, axis_x: float | None, flatness: Flatness | None) -> float:
    """The same were its foot as wide as its way is there."""
    reach = way[min(int(base_row), len(way) - 1)].sum() / 2
    return base_row - 2 * _half_height(base_row, reach, None if axis_x is None else flatness)


def _half_height(row: float, half_width: float, flatness: Flatness | None) -> float:
    """Of a level circle's picture about the axis, px."""
    return _FLAT * half_width if flatness is None else float(flatness(np.array([row]), half_width)[0])


def swept(motion: np.ndarray) -> np.ndarray:
    """What broad movement goes through and what lies between on the same row, bool (h, w)."""
    square = np.ones((_BROAD, _BROAD), np.uint8)
    broad = cv2.morphologyEx((motion > SUBJECT_CODES).astype(np.uint8), cv2.MORPH_OPEN, square) > 0
    return np.maximum.accumulate(broad, axis=1) & np.maximum.accumulate(broad[:, ::-1], axis=1)[:, ::-1]


def _disc_and_marks(
    stack: np.ndarray,
    dense: np.ndarray,
    motion: np.ndarray,
    axis_x: float,
    lean_deg: float,
    flatness: Flatness | None,
) -> tuple[Disc | None, np.ndarray]:
    """The disc behind what turns on it, and where along its near edge only marks move, bool (h, w)."""

    def found(moving: np.ndarray, through: np.ndarray) -> Disc | None:
        return find_disc(dense, moving, through, axis_x, lean_deg, flatness, hidden=True, marks=motion)

    through = swept(motion)
    disc = found(motion, through)
    if disc is None:
        return None, np.zeros(motion.shape, bool)
    thin = ~_passed_by_bodies(stack, dense, motion)
    moving = np.where(thin & front_of(disc, thin.shape, _MARKS_ZONE), 0, motion)
    without_marks = swept(moving)
    if (without_marks != through).any():  # what seemed a body's movement hid the disc's edge
        disc = found(moving, without_marks) or disc
    return disc, thin & front_of(disc, thin.shape)


def _passed_by_bodies(stack: np.ndarray, dense: np.ndarray, motion: np.ndarray) -> np.ndarray:
    """Where something passes, in some frame, that is broader or taller than a mark, bool (h, w).

    Where a turn steps by its marks they come to stand, but for the hand's error, where marks stood before, and over the
    turn they move as broadly as a body does; in each frame they are thin and low.
    """
    box = _box(motion > SUBJECT_CODES)
    found = np.zeros(motion.shape, np.uint8)
    for frame in stack:
        away = (largest(np.abs(frame[box].astype(np.float32) - dense[box])) > SUBJECT_CODES).astype(np.uint8)
        for body in (_BODY, _LEG):
            found[box] |= cv2.morphologyEx(away, cv2.MORPH_OPEN, body)
    return found > 0


def second_look(plate: Plate, stack: np.ndarray, cuts: np.ndarray) -> Plate:
    """The plate again, now from the pixels of each frame that aren't subject: cuts bool (n, h, w).

    What the cut leaves over can't be far from the first plate, or it is a piece of the subject.
    """
    box = _box(plate.way)
    around = np.ones((5, 5), np.uint8)
    colour, lit = plate.colour.copy(), plate.lit.copy()
    free = np.stack([cv2.dilate(cut[box].astype(np.uint8), around) == 0 for cut in cuts])
    part = stack[(slice(None), *box)].copy()
    for frame, clear in zip(part, free):
        clear &= _alike(frame.astype(np.float32), colour[box], np.where(plate.steady[box], 12.0, 60.0))
    part[~free] = 255  # what is left out comes last
    count = free.sum(axis=0)
    known = count >= max(2, len(stack) // 16)
    ranked = np.sort(part, axis=0)
    middle, bright = (_ranked(ranked, (count * share).astype(int)) for share in (0.5, 0.9))
    known &= plate.seen[box]
    parts = [one[box] for one in plate.parts()]
    colour[box] = filled_apart(np.where(known[..., None], middle, colour[box]), known, parts)
    bright = cv2.GaussianBlur(np.where(known[..., None], bright, lit[box]), (0, 0), 1.0)
    # A place that is rarely clear is rarely out of the shade: the light there is carried on from around.
    often = (count >= _OFTEN * len(stack)) & ~plate.steady[box]
    carried = filled_apart(bright * often[..., None], often, parts) if often.any() else bright
    bright = np.where(often[..., None], bright, np.maximum(bright, carried))
    lit[box] = np.where(plate.steady[box][..., None], colour[box], np.maximum(colour[box], bright))
    return replace(plate, colour=colour, lit=lit)


def _ranked(ranked: np.ndarray, place: np.ndarray) -> np.ndarray:
    chosen = np.take_along_axis(ranked, place[None, ..., None].clip(0, len(ranked) - 1), axis=0)[0]
    return chosen.astype(np.float32)


def _from_empty(empty: np.ndarray, dense: np.ndarray, sure: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A photo of the empty set at the turn's exposure and balance, and where most frames show it."""
    light = (decode(empty / 255.0) + 1e-4).astype(np.float32)
    gain = np.median((decode(dense[sure] / 255.0) + 1e-4) / light[sure], axis=0)
    colour = (255 * encode(light * gain)).astype(np.float32)
    return colour, largest(np.abs(dense - colour)) < 12


def _grown(turn: _Turn, sure: np.ndarray, disc: Disc | None) -> tuple[np.ndarray, np.ndarray]:
    """Plate colour and where it was seen, growing into what isn't sure by sights of the backdrop.

    In a frame the backdrop is what hangs together with the sure one and looks like what is guessed there, no outline
    between: an outline alone tells white from white.
    """
    noise = max(1.0, float(np.median(turn.motion[sure])) / _SPAN)  # of a pixel, codes
    sure = (sure | _set_details(~sure, turn.motion, turn.way, turn.base_row)) & ~turn.thing
    parts = () if disc is None else parts_about(disc, sure.shape)
    out, seen = filled_apart(turn.dense, sure, parts), sure.copy()
    box = _box(~sure)
    whole, parts = parts, [part[box] for part in parts]
    sure, dense, colour = sure[box], turn.dense[box], out[box]
    free = ~(turn.thing & (turn.motion < SUBJECT_CODES))[box]
    still = turn.support[box] >= 0.4
    # On the ground still shade has edges of its own; above it a still edge is a body's.
    quiet = (turn.motion[box] < SUBJECT_CODES) & (np.arange(len(turn.way)) >= turn.ground)[box[0], None]
    for _ in range(3):
        tolerance = guess_tolerance(sure)
        soft_edge = 3 * noise + SOFT_EDGE * largest(colour)
        total, count = np.zeros_like(colour), np.zeros(sure.shape, np.float32)

        def sights(frame: np.ndarray, colour=colour, tolerance=tolerance, soft_edge=soft_edge) -> tuple:
            """A frame and where it shows the backdrop."""
            frame = frame[box].astype(np.float32)
            away = cv2.GaussianBlur(frame - colour, (0, 0), 0.8)
            alike = _alike(frame, colour, tolerance) | could_be_shade(frame, colour)
            usual = still & (largest(np.abs(frame - dense)) < _USUAL_CODES)
            flat = steepness(away) < soft_edge
            soft = flat & alike | quiet & usual & (steepness(cv2.GaussianBlur(frame, (0, 0), 0.8)) < _STILL_EDGE)
            near = reached((soft | sure) & free, sure, _GAP)
            near |= shut_in_patches(flat & (largest(np.abs(away)) < 3 * noise) & free & ~near, flat & ~near)
            # The backdrop goes on to the outline itself, and over an edge of the set, the disc's rim or a crease.
            sight = (largest(np.abs(away)) < 4 * noise) | quiet & usual
            near |= sight & (cv2.dilate(near.astype(np.uint8), _TO_OUTLINE) > 0)
            near |= usual & (cv2.morphologyEx(near.astype(np.uint8), cv2.MORPH_CLOSE, _EDGE_OF_SET) > 0)
            near &= free
            return frame * near[..., None], near

        for shown, near in one_by_one(sights, turn.stack):
            total += shown
            count += near
        seen[box] = sure | (count >= _LEAST_SIGHTS)
        nearest = total / np.maximum(count, 1)[..., None]
        out[box] = colour = filled_apart(np.where(sure[..., None], dense, nearest), seen[box], parts)
    usual = np.zeros(seen.shape, bool)
    if turn.axis_x is not None:
        usual = ~seen & ~_mirrored(~seen, turn.axis_x)
    usual |= _set_details(~(seen | usual), turn.motion, turn.way, turn.base_row)
    usual &= ~turn.thing
    known = seen | usual & (turn.support >= 0.4) & (turn.motion < SUBJECT_CODES)
    return filled_apart(np.where((usual & known)[..., None], turn.dense, out), known, whole), seen | usual


def filled_apart(values: np.ndarray, known: np.ndarray, parts: Sequence[np.ndarray]) -> np.ndarray:
    """`fill`, each part of the set from what is known of it clear of its edge, which is blurred, and known to a few px."""
    out = fill(values, known)
    for part in parts:
        inner = cv2.erode(part.astype(np.uint8), _EDGE_OF_SET) > 0
        if (part & ~known).any() and (inner & known).any():
            np.copyto(out, fill(values, inner & known), where=(part & ~known)[..., None])
    return out


def _set_details(unsure: np.ndarray, motion: np.ndarray, way: np.ndarray, base_row: float) -> np.ndarray:
    """Unsure patches that hold little of what moves and go on outside the subject's way (a rim's front, a crease) or lie
    apart below all that moves (a smudge on the disc): nothing hovers under a subject.

    The subject's own patch holds nearly all of the strong movement that isn't backdrop in most frames.
    """
    square = np.ones((5, 5), np.uint8)
    broad = cv2.morphologyEx(unsure.astype(np.uint8), cv2.MORPH_OPEN, square)
    patches, labels, _, middle = cv2.connectedComponentsWithStats(broad)
    near = cv2.dilate((motion > SUBJECT_CODES).astype(np.uint8), square) > 0
    outside = cv2.dilate((~way).astype(np.uint8), square) > 0
    moving = np.bincount(labels[near], minlength=patches)
    moving[0] = 0
    reaches_out = np.bincount(labels[outside], minlength=patches) > 0
    apart = reaches_out | (middle[:, 1] > base_row)
    found = (apart & (moving < 0.2 * moving.max()))[labels] & (broad > 0)
    return (cv2.dilate(found.astype(np.uint8), square) > 0) & unsure


def _box(mask: np.ndarray, border: int = 16) -> tuple[slice, slice]:
    """The smallest box around a mask, with a border for smoothing."""
    if not mask.any():
        return slice(0, 1), slice(0, 1)
    (top, bottom), (left, right) = (np.flatnonzero(mask.any(axis=axis))[[0, -1]] for axis in (1, 0))
    return slice(max(0, top - border), bottom + border + 1), slice(max(0, left - border), right + border + 1)


def fill(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    """`values` (h, w, c) where known; elsewhere a smooth surface through them, by averages over growing areas."""
    total = np.empty((*known.shape, values.shape[2] + 1), np.float32)
    np.multiply(values, known[..., None], out=total[..., :-1])
    total[..., -1] = known
    levels = [total]
    while min(levels[-1].shape[:2]) > 2:
        levels.append(cv2.resize(levels[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    coarse = levels[-1]
    mean = coarse[..., :-1] / np.maximum(coarse[..., -1:], 1e-6)
    if not (coarse[..., -1] > 0).all():
        mean[:] = coarse[..., :-1].sum((0, 1)) / max(float(coarse[..., -1].sum()), 1e-6)
    for level in reversed(levels[1:-1]):
        weight = np.minimum(level[..., -1:], 1.0)
        here = level[..., :-1] / np.maximum(level[..., -1:], 1e-6)
        mean = weight * here + (1 - weight) * _enlarged(mean, level.shape)
    filled = np.where(known[..., None], values, _enlarged(mean, known.shape)).astype(np.float32, copy=False)
    box = _box(~known, border=_REACH)  # what is farther from a gap takes no part
    part, gaps = filled[box], ~known[box][..., None]
    for sigma in _JOINT_LINES:
        soft = cv2.GaussianBlur(part, (0, 0), sigma).reshape(part.shape)
        np.copyto(part, soft, where=gaps)
    return filled


def _enlarged(values: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """values (h, w, c) at the height and width of a shape."""
    height, width = shape[:2]
    return cv2.resize(values, (width, height), interpolation=cv2.INTER_LINEAR).reshape(height, width, -1)


def _mirrored(mask: np.ndarray, axis_x: float) -> np.ndarray:
    """Of a mask what has its like on the other side of the axis, give or take a lean of the axis.

    What a turning thing never uncovers is round about the axis; what has no counterpart is shade or a fold of the set.
    """
    flip = np.float32([[-1, 0, 2 * axis_x], [0, 1, 0]])
    reach = max(mask.shape) // 40 | 1
    grown = cv2.dilate(mask.astype(np.uint8), np.ones((reach, reach), np.uint8))
    return mask & (cv2.warpAffine(grown, flip, mask.shape[::-1], flags=cv2.INTER_NEAREST) > 0)


def _alike(frame: np.ndarray, guess: np.ndarray, tolerance: np.ndarray) -> np.ndarray:
    """Within the tolerance in brightness, and within a third of it in the channels' balance."""
    away = frame - guess
    mean = cv2.transform(away, np.full((1, 3), 1 / 3, np.float32))
    return (np.abs(mean) < tolerance) & (largest(np.abs(away - mean[..., None])) < 2.0 + tolerance / 4)
