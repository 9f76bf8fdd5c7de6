"""The clean plate: the set with the subject gone, from a whole turn of a still camera.

A pixel of the backdrop shows the same colour in every frame in which the subject isn't before it. Where that is most
frames, the densest group of its values is the plate. In the subject's way (much of the middle) the densest group may be
the subject itself: there the plate grows inwards from what is sure, by values that some frames do show and that carry on
smoothly; what no frame shows is filled in smoothly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from builder.colour import decode, encode
from builder.finished.cut import largest
from builder.finished.standing import Standing, find_standing

_SUBJECT_CODES = 20.0  # a change over the turn above this, over a broad area, is more than a soft shadow
_STEP_CODES = 3.0  # sRGB codes a pixel: a plate's own shading is softer than this, an outline, white on white even, steeper
_OUTLINE_CODES = 4.0  # the same in one frame, which is noisier
_SHADE_CODES = 6.0  # the subject's shade moves the table by this much, and by twice what moves the wall behind
_LEAST_SHARE = 0.12  # of the frames: this many alike values are a sight of the backdrop, not chance


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

    def box(self) -> tuple[slice, slice]:
        """Rows and columns of the subject's way, with a border."""
        return _box(self.way)

    def part(self, box: tuple[slice, slice]) -> Plate:
        """The plate in a box of rows and columns."""
        arrays = {one.name: getattr(self, one.name) for one in fields(self) if one.name != "base_row"}
        return replace(self, **{name: np.ascontiguousarray(values[box]) for name, values in arrays.items()})


def find_plate(stack: np.ndarray, axis_x: float | None, empty: np.ndarray | None = None) -> Plate | None:
    """The plate of registered, evened frames: stack uint8 (n, h, w, 3) sRGB codes.

    axis_x: column of the axis in the stack; None: the middle of what moves. empty: uint8 (h, w, 3), the set without
    the subject, in place of what the turn says. Returns None when nothing holds still around something that moves.
    """
    dense, support = _densest(stack)
    motion = _motion(stack)
    standing = find_standing(dense, motion, axis_x) if axis_x is not None and empty is None else None
    way = _way(motion, axis_x, standing)
    if way is None:
        return None
    hull, base_row = way
    sure = ~hull & (support >= 0.4)
    if sure.mean() < 0.05:
        return None
    if empty is not None:
        colour, seen = _from_empty(empty, dense, sure)
        sure = seen
    else:
        thing = np.zeros(sure.shape, bool) if standing is None else standing.thing
        sure |= _carried_on(dense, np.where(thing, 0, support), sure)
        sure |= _set_details(~sure, motion, hull) & ~thing
        colour, seen = fill(dense, sure), sure.copy()
        box = _box(~sure)
        colour[box], more = _grown(stack[(slice(None), *box)], dense[box], sure[box])
        seen[box] |= more
        seen &= ~thing
        if axis_x is not None:
            seen |= ~_mirrored(~seen, axis_x)
    spread, steady = _spread(stack, colour, _crossed(stack, colour) | ~sure, hull)
    return Plate(
        colour=colour,
        seen=seen,
        way=hull,
        steady=steady,
        spread=spread,
        stands=~seen & (support >= 0.5),
        lit=_lit(stack, colour, steady),
        motion=motion,
        clear=seen.astype(np.float32),
        base_row=base_row,
    )


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


def _set_details(unsure: np.ndarray, motion: np.ndarray, way: np.ndarray) -> np.ndarray:
    """Unsure patches that hold little of what moves and go on outside the subject's way: a rim's front, a crease.

    The subject's own patch holds nearly all of the strong movement that isn't backdrop in most frames.
    """
    patches, labels = cv2.connectedComponents(unsure.astype(np.uint8))
    square = np.ones((5, 5), np.uint8)
    near = cv2.dilate((motion > _SUBJECT_CODES).astype(np.uint8), square) > 0
    outside = cv2.dilate((~way).astype(np.uint8), square) > 0
    moving = np.bincount(labels[near], minlength=patches)
    moving[0] = 0
    reaches_out = np.bincount(labels[outside], minlength=patches) > 0
    return (reaches_out & (moving < 0.2 * moving.max()))[labels] & unsure


def _largest_of(values: np.ndarray) -> np.ndarray:
    """The largest of three channels of many pictures, (n, h, w)."""
    return np.maximum(np.maximum(values[..., 0], values[..., 1]), values[..., 2])


def _box(mask: np.ndarray) -> tuple[slice, slice]:
    """The smallest box around a mask, with a border for smoothing."""
    if not mask.any():
        return slice(0, 1), slice(0, 1)
    rows, columns = np.nonzero(mask.any(axis=1))[0], np.nonzero(mask.any(axis=0))[0]
    return slice(max(0, rows[0] - 16), rows[-1] + 17), slice(max(0, columns[0] - 16), columns[-1] + 17)


def fill(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    """`values` (h, w, c) where known; elsewhere a smooth surface through them, by averages over growing areas."""
    total = np.dstack([values * known[..., None], known]).astype(np.float32)
    levels = [total]
    while min(levels[-1].shape[:2]) > 2:
        levels.append(cv2.resize(levels[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    coarse = levels[-1]
    mean = coarse[..., :-1] / np.maximum(coarse[..., -1:], 1e-6)
    if not (coarse[..., -1] > 0).all():
        mean[:] = coarse[..., :-1].sum((0, 1)) / max(float(coarse[..., -1].sum()), 1e-6)
    for level in reversed(levels[:-1]):
        height, width = level.shape[:2]
        below = cv2.resize(mean, (width, height), interpolation=cv2.INTER_LINEAR).reshape(height, width, -1)
        weight = np.minimum(level[..., -1:], 1.0)
        here = level[..., :-1] / np.maximum(level[..., -1:], 1e-6)
        mean = weight * here + (1 - weight) * below
    smooth = mean
    for sigma in (6.0, 3.0, 1.5):  # the joints of the pyramid go, the known values stay
        soft = cv2.GaussianBlur(smooth, (0, 0), sigma).reshape(smooth.shape)
        smooth = np.where(known[..., None], values, soft)
    return smooth.astype(np.float32)


def _densest(stack: np.ndarray, share: float = 0.4) -> tuple[np.ndarray, np.ndarray]:
    """Mean colour of each pixel's densest `share` of values by brightness, and the share within noise of it."""
    count, height, width = stack.shape[:3]
    keep = max(2, math.ceil(share * count))
    colour = np.empty((height, width, 3), np.float32)
    support = np.empty((height, width), np.float32)
    for top in range(0, height, 32):
        band = stack[:, top : top + 32].astype(np.float32)
        grey = (band[..., 0] + band[..., 1] + band[..., 2]) / 3
        order = np.argsort(grey, axis=0, kind="stable")
        ranked = np.take_along_axis(grey, order, axis=0)
        start = np.argmin(ranked[keep - 1 :] - ranked[: count - keep + 1], axis=0)
        low = np.take_along_axis(ranked, start[None], 0)[0]
        high = np.take_along_axis(ranked, (start + keep - 1)[None], 0)[0]
        inside = (grey >= low) & (grey <= high)
        mean = (band * inside[..., None]).sum(0) / inside.sum(0)[..., None]
        colour[top : top + 32] = mean
        support[top : top + 32] = (_largest_of(np.abs(band - mean)) < 6.0).mean(axis=0)
    return colour, support


def _motion(stack: np.ndarray) -> np.ndarray:
    """Codes between the 5th and the 95th percentile over the turn, the largest of the channels, float32 (h, w)."""
    few = len(stack) * 5 // 100 + 1  # at least one frame off each end: a hand, a blur
    out = np.empty(stack.shape[1:3], np.float32)
    for top in range(0, out.shape[0], 32):
        band = np.sort(stack[:, top : top + 32], axis=0)
        span = band[len(stack) - 1 - few].astype(np.float32) - band[few]
        out[top : top + 32] = largest(span)
    return out


def _way(motion: np.ndarray, axis_x: float | None, standing: Standing | None) -> tuple[np.ndarray, float] | None:
    """Where the subject passes: rows of broad movement, as wide on either side of the axis as on the wider one.

    Everything that turns sweeps a stretch about the axis. Below the broad movement the way goes on for as much
    again, at the neighbouring width: a round foot hardly moves. So does a round neck, a lid, a knob, of which nothing
    says how high it is: the way goes on to the picture's top.
    """
    kernel = np.ones((3, 3), np.uint8)
    strong = cv2.morphologyEx((motion > _SUBJECT_CODES).astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    broad = cv2.morphologyEx(strong, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7)))
    count, labels, stats, middle = cv2.connectedComponentsWithStats(broad)
    if count < 2 and standing is None:
        return None
    parts = [k for k in range(1, count) if stats[k, 4] >= 0.15 * stats[1:, 4].max()]
    mask = np.isin(labels, parts)
    if standing is not None:
        mask |= standing.thing | standing.parts
    rows = np.nonzero(mask.any(axis=1))[0]
    centre = axis_x if axis_x is not None else float(np.nonzero(mask)[1].mean())
    columns = np.arange(mask.shape[1])
    reach = np.array([np.abs(columns[row] - centre).max() if row.any() else 0.0 for row in mask])
    height = rows[-1] - rows[0] + 1
    spare = int(0.5 * height) + 3
    reach = cv2.dilate(reach.reshape(-1, 1).astype(np.float32), np.ones((2 * (spare // 2) + 1, 1))).ravel()
    top, bottom = 0, min(len(reach), rows[-1] + height + 1)
    inner = reach[rows[0] : rows[-1] + 1]
    reach[top : rows[0]] = inner[: max(1, height // 4)].max()
    reach[rows[-1] + 1 : bottom] = inner[-max(1, height // 4) :].max()
    reach[bottom:] = 0
    return np.abs(columns[None, :] - centre) <= reach[:, None] + 3 * (reach[:, None] > 0), float(rows[-1])


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


def _spread(stack: np.ndarray, colour: np.ndarray, crossed: np.ndarray, way: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How far light and shade carry the backdrop from the plate, codes, nine of ten frames; and where it is steady.

    Measured where nothing with an outline passes. In the subject's way, the most that is seen on the same rows: what
    lies at one height in the picture lies about as far behind, on the wall or on the table, and shade falls on it alike.
    """
    out = np.empty(colour.shape[:2], np.float32)
    for top in range(0, out.shape[0], 32):
        away = _largest_of(np.abs(stack[:, top : top + 32] - colour[None, top : top + 32]))
        out[top : top + 32] = np.quantile(away, 0.9, axis=0, method="lower")
    out = cv2.blur(out, (3, 3))
    known = cv2.erode((~crossed).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    near = known & (cv2.dilate(way.astype(np.uint8), np.ones((1, 2 * (way.shape[1] // 8) + 1), np.uint8)) > 0)
    most = np.array([np.quantile(row[sure], 0.97) if sure.sum() > 8 else np.nan for row, sure in zip(out, near)])
    measured = np.isfinite(most)
    if not measured.any():
        return np.full_like(out, 2 * _SHADE_CODES), np.zeros(out.shape, bool)
    most = np.interp(np.arange(len(most)), np.nonzero(measured)[0], most[measured])
    most = np.convolve(np.pad(most, 4, mode="edge"), np.ones(9) / 9, mode="valid")
    # The wall is above, the table below: once shade falls on the table, it may fall anywhere farther down.
    rows = np.nonzero(way.any(axis=1))[0]
    wall = float(np.median(most[rows[0] : rows[0] + max(1, len(rows) // 3)]))
    shaded = np.maximum.accumulate(most >= max(_SHADE_CODES, 2 * wall))
    reach = len(most) // 25
    shaded[: len(shaded) - reach] |= shaded[reach:]
    most = np.where(shaded, np.maximum.accumulate(np.where(shaded, most, 0)), most).reshape(-1, 1).astype(np.float32)
    known &= ~shaded[:, None]
    return np.where(known, out, np.maximum(most, out * known)), np.repeat(~shaded[:, None], way.shape[1], axis=1)


def _lit(stack: np.ndarray, colour: np.ndarray, steady: np.ndarray) -> np.ndarray:
    """The plate without the subject's own shade, where shade falls on it so often that it is part of the plate.

    No brighter than the pixel itself gets over the turn, and no brighter than the plate gets nearby.
    """
    best = np.sort(stack, axis=0)[int(0.95 * (len(stack) - 1))].astype(np.float32)
    reach = max(3, stack.shape[2] // 10) | 1
    nearby = cv2.dilate(cv2.GaussianBlur(colour, (0, 0), 1.5), np.ones((reach // 2 | 1, reach), np.uint8))
    lit = np.maximum(colour, cv2.GaussianBlur(np.minimum(best, nearby), (0, 0), 3.0))
    return np.where(steady[..., None], colour, lit)


def _crossed(stack: np.ndarray, colour: np.ndarray) -> np.ndarray:
    """Where something with an outline passes in any frame, bool (h, w): shade is soft, an outline isn't."""
    steep = np.zeros(colour.shape[:2], np.float32)
    for frame in stack:
        away = cv2.GaussianBlur(frame.astype(np.float32) - colour, (0, 0), 0.8)
        across = cv2.Sobel(away, cv2.CV_32F, 1, 0, scale=1 / 8)
        down = cv2.Sobel(away, cv2.CV_32F, 0, 1, scale=1 / 8)
        steep = np.maximum(steep, largest(np.sqrt(across * across + down * down)))
    return cv2.dilate((steep > _OUTLINE_CODES).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
