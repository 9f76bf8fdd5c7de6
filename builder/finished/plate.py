"""The clean plate: the set with the subject gone, from a whole turn of a still camera.

A pixel of the backdrop shows the same colour in every frame in which the subject isn't before it. Where that is most
frames, the densest group of its values is the plate. In the subject's way (much of the middle) the densest group may be
the subject itself: there the plate grows inwards from what is sure, by values that some frames do show and that carry
on smoothly; what no frame shows is filled in smoothly.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import cv2
import numpy as np

from builder.colour import decode, encode
from builder.finished.disc import Disc, Flatness, find_disc, front_of
from builder.finished.look import largest
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
from builder.finished.standing import find_standing
from builder.finished.tints import ShadeTints

_STEP_CODES = 3.0  # sRGB codes a pixel: a plate's own shading is softer, an outline, white on white even, steeper
_LEAST_SHARE = 0.12  # of the frames: this many alike values are a sight of the backdrop, not chance
_JOINT_LINES = (6.0, 3.0, 1.5)  # px, σ of what smooths the joints of a filled gap
_REACH = 24  # px: how far the widest of these reaches (OpenCV: 4 σ)
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
    way = subjects_way(motion, axis_x, standing, ever_changed(stack))
    if way is None:
        return None
    hull, base_row = way
    disc = None
    if axis_x is not None:
        swept = _swept(motion)
        disc = find_disc(dense, motion, swept, axis_x, lean_deg, flatness, hidden=True)
        if disc is not None:
            hull &= ~front_of(disc, hull.shape) | (cv2.dilate(swept.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0)
    sure = ~hull & (support >= 0.4)
    if sure.mean() < 0.05:
        return None
    if empty is not None:
        colour, seen = _from_empty(empty, dense, sure)
        sure = seen
    else:
        thing = np.zeros(sure.shape, bool) if standing is None else standing.thing
        sure |= _carried_on(dense, np.where(thing, 0, support), sure)
        sure |= _set_details(~sure, motion, hull, base_row) & ~thing
        colour, seen = fill(dense, sure), sure.copy()
        box = _box(~sure)
        colour[box], more = _grown(stack[(slice(None), *box)], dense[box], sure[box])
        seen[box] |= more
        seen &= ~thing
        if axis_x is not None:
            seen |= ~_mirrored(~seen, axis_x)
    spread, steady = spread_of(stack, colour, crossed_by_outlines(stack, colour) | ~sure, hull)
    return Plate(
        colour=colour,
        seen=seen,
        way=hull,
        steady=steady,
        spread=spread,
        stands=~seen & (support >= 0.5),
        lit=without_shade(stack, colour, steady),
        motion=motion,
        clear=seen.astype(np.float32),
        base_row=base_row,
        disc=disc,
    )


def _swept(motion: np.ndarray) -> np.ndarray:
    """What broad movement goes through and what lies between on the same row, bool (h, w)."""
    broad = cv2.morphologyEx((motion > SUBJECT_CODES).astype(np.uint8), cv2.MORPH_OPEN, np.ones((7, 7), np.uint8)) > 0
    return np.maximum.accumulate(broad, axis=1) & np.maximum.accumulate(broad[:, ::-1], axis=1)[:, ::-1]


def second_look(plate: Plate, stack: np.ndarray, cuts: np.ndarray) -> Plate:
    """The plate again, now from the pixels of each frame that aren't subject: cuts bool (n, h, w).

    What the cut leaves over can't be far from the first plate, or it is a piece of the subject.
    """
    box = _box(plate.way)
    around = np.ones((5, 5), np.uint8)
    colour, lit, seen = plate.colour.copy(), plate.lit.copy(), plate.seen.copy()
    free = np.stack([cv2.dilate(cut[box].astype(np.uint8), around) == 0 for cut in cuts])
    part = stack[(slice(None), *box)].astype(np.float32)
    for frame, clear in zip(part, free):
        clear &= _alike(frame, colour[box], np.where(plate.steady[box], 12.0, 60.0))
    part[~free] = np.nan
    count = free.sum(axis=0)
    known = count >= max(2, len(stack) // 16)
    ranked = np.sort(part, axis=0)  # what is left out comes last
    middle, bright = (_ranked(ranked, (count * share).astype(int)) for share in (0.5, 0.9))
    colour[box] = fill(np.where(known[..., None], np.nan_to_num(middle), colour[box]), known)
    bright = cv2.GaussianBlur(np.where(known[..., None], np.nan_to_num(bright), lit[box]), (0, 0), 1.0)
    # A place that is rarely clear is rarely out of the shade: the light there is carried on from around.
    often = (count >= _OFTEN * len(stack)) & ~plate.steady[box]
    carried = fill(bright * often[..., None], often) if often.any() else bright
    bright = np.where(often[..., None], bright, np.maximum(bright, carried))
    lit[box] = np.where(plate.steady[box][..., None], colour[box], np.maximum(colour[box], bright))
    seen[box] |= known
    return replace(plate, colour=colour, lit=lit, seen=seen, stands=plate.stands & ~seen)


def _ranked(ranked: np.ndarray, place: np.ndarray) -> np.ndarray:
    return np.take_along_axis(ranked, place[None, ..., None].clip(0, len(ranked) - 1), axis=0)[0]


def _from_empty(empty: np.ndarray, dense: np.ndarray, sure: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A photo of the empty set at the turn's exposure and balance, and where most frames show it."""
    light = (decode(empty / 255.0) + 1e-4).astype(np.float32)
    gain = np.median((decode(dense[sure] / 255.0) + 1e-4) / light[sure], axis=0)
    colour = (255 * encode(light * gain)).astype(np.float32)
    return colour, largest(np.abs(dense - colour)) < 12


def _grown(stack: np.ndarray, dense: np.ndarray, sure: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Plate colour and where it was seen, growing into what isn't sure by sights of the backdrop."""
    colour, grown = fill(dense, sure), sure
    for _ in range(3):
        nearest, count = _nearest_group(stack, colour, _tolerance(colour, sure))
        # What most frames show and yet can't be reached from outside without a step stands still on the axis: a thing.
        seen = (count >= max(2, _LEAST_SHARE * len(stack))) & (count <= 0.6 * len(stack))
        grown = sure | seen
        colour = fill(np.where((seen & ~sure)[..., None], nearest, dense), grown)
    return colour, grown


def _set_details(unsure: np.ndarray, motion: np.ndarray, way: np.ndarray, base_row: float) -> np.ndarray:
    """Unsure patches that hold little of what moves and go on outside the subject's way (a rim's front, a crease) or lie
    apart below all that moves (a smudge on the disc): nothing hovers under a subject.

    The subject's own patch holds nearly all of the strong movement that isn't backdrop in most frames.
    """
    patches, labels, _, middle = cv2.connectedComponentsWithStats(unsure.astype(np.uint8))
    square = np.ones((5, 5), np.uint8)
    near = cv2.dilate((motion > SUBJECT_CODES).astype(np.uint8), square) > 0
    outside = cv2.dilate((~way).astype(np.uint8), square) > 0
    moving = np.bincount(labels[near], minlength=patches)
    moving[0] = 0
    reaches_out = np.bincount(labels[outside], minlength=patches) > 0
    apart = reaches_out | (middle[:, 1] > base_row)
    return (apart & (moving < 0.2 * moving.max()))[labels] & unsure


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


def _carried_on(dense: np.ndarray, support: np.ndarray, sure: np.ndarray) -> np.ndarray:
    """Pixels that join the sure backdrop by steps, neighbour to neighbour, softer than an outline.

    What is broad must be reached on a broad way: a narrow one is a gap in a faint outline. What is thin, the disc's rim
    or a crease, may be reached on any.
    """
    allowed = (support >= 0.4) | sure
    steps = [largest(np.abs(np.diff(dense, axis=axis))) < _STEP_CODES for axis in (0, 1)]
    joins = [steps[0] & allowed[1:] & allowed[:-1], steps[1] & allowed[:, 1:] & allowed[:, :-1]]
    any_way = _joined(joins, sure) & allowed
    soft = allowed.copy()  # no steep step to any of the four neighbours
    soft[1:] &= steps[0]
    soft[:-1] &= steps[0]
    soft[:, 1:] &= steps[1]
    soft[:, :-1] &= steps[1]
    square = np.ones((3, 3), np.uint8)
    middle = cv2.erode(soft.astype(np.uint8), square) > 0
    broad_way = _joined([middle[1:] & middle[:-1], middle[:, 1:] & middle[:, :-1]], sure & middle) & middle
    broad_way = (cv2.dilate(broad_way.astype(np.uint8), square) > 0) & allowed
    rest = (any_way & ~broad_way).astype(np.uint8)
    thick = max(sure.shape) // 20 | 1
    thin = cv2.morphologyEx(rest, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (thick, thick))) == 0
    return broad_way | (any_way & thin)


def _joined(joins: list[np.ndarray], start: np.ndarray) -> np.ndarray:
    """Pixels that hang together with the start. joins: which neighbours do, down (h − 1, w) and along (h, w − 1)."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    place = np.arange(start.size).reshape(start.shape)
    first = np.concatenate([place[:-1][joins[0]], place[:, :-1][joins[1]]])
    second = np.concatenate([place[1:][joins[0]], place[:, 1:][joins[1]]])
    graph = coo_matrix((np.ones(len(first), np.int8), (first, second)), shape=(start.size, start.size))
    labels = connected_components(graph, directed=False)[1]
    reached = np.zeros(labels.max() + 1, bool)
    reached[labels[start.ravel()]] = True
    return reached[labels].reshape(start.shape)


def _mirrored(mask: np.ndarray, axis_x: float) -> np.ndarray:
    """Of a mask what has its like on the other side of the axis, give or take a lean of the axis.

    What a turning thing never uncovers is round about the axis; what has no counterpart is shade or a fold of the set.
    """
    flip = np.float32([[-1, 0, 2 * axis_x], [0, 1, 0]])
    reach = max(mask.shape) // 40 | 1
    grown = cv2.dilate(mask.astype(np.uint8), np.ones((reach, reach), np.uint8))
    return mask & (cv2.warpAffine(grown, flip, mask.shape[::-1], flags=cv2.INTER_NEAREST) > 0)


def _tolerance(colour: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Codes by which a sight of the backdrop may differ from a filled-in guess: more, the farther it was carried."""
    away = cv2.distanceTransform((~known).astype(np.uint8), cv2.DIST_L2, 3)
    return 8.0 + np.minimum(0.4 * away, 16.0)


def _nearest_group(stack: np.ndarray, guess: np.ndarray, tolerance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the values within the tolerance of a guess, and how many there are."""
    total = np.zeros_like(guess)
    count = np.zeros(guess.shape[:2], np.float32)
    for frame in stack:
        near = _alike(frame.astype(np.float32), guess, tolerance).astype(np.float32)
        total += frame * near[..., None]
        count += near
    return total / np.maximum(count, 1)[..., None], count


def _alike(frame: np.ndarray, guess: np.ndarray, tolerance: np.ndarray) -> np.ndarray:
    """Within the tolerance in brightness, and within a third of it in the channels' balance."""
    away = frame - guess
    mean = cv2.transform(away, np.full((1, 3), 1 / 3, np.float32))
    return (np.abs(mean) < tolerance) & (largest(np.abs(away - mean[..., None])) < 2.0 + tolerance / 4)
