"""One frame, finished: pass 2. Everything it needs is in the plan and the photo."""

from __future__ import annotations

import functools

import cv2
import numpy as np

from builder import colour
from builder.finished.cut import cut_subject
from builder.finished.edge import Sides, soft_edge, two_sides
from builder.finished.light import balanced
from builder.finished.sample import affine, matrix, read_copy, sample_light, scale_of, scaling
from builder.finished.shadow import light_left
from builder.finished.tone import toned
from builder.finished.values import CleanSet, Finished, FinishPlan

BAND_ROWS = 64  # worked on at once: the arrays in between stay in the processor's cache


def finish_frame(plan: FinishPlan, index: int, *, width: int | None = None) -> Finished:
    """Frame `index` of the plan's photos at `width` px (None: full size; never larger).

    Raises PhotoError when the photo can't be decoded any more, IndexError for a frame that isn't there.
    """
    size = plan.size_at(width)
    shrink = scaling(size[0] / plan.width, size[1] / plan.height)
    to_box = matrix(plan.placement) @ matrix(plan.to_reference[index])
    to_output = shrink @ to_box
    copy = read_copy(plan.photos[index], scale_of(to_output))
    if plan.keep:
        return Finished(colour.to_codes(sample_light(copy, to_output, size)), None, affine(to_output))
    if plan.clean_set is None:
        light = sample_light(copy, to_output, size, plan.gains[index])
        return Finished(colour.to_codes(toned(light, plan)), None, affine(to_output))
    clean, plain, lit = _set(plan.clean_set)
    grid = clean.size
    to_grid = scaling(grid[0] / plan.width, grid[1] / plan.height)
    small = sample_light(copy, to_grid @ to_box, grid, plan.evening[index], cv2.INTER_LINEAR)
    cut = cut_subject(colour.to_codes(small).astype(np.float32), clean, plan.reach(index), plan.agreed(index))
    sides = two_sides(small, cut, plain)
    shade = None
    if plan.shadow > 0:
        left = light_left(small, lit, clean.steady, (sides.cut | sides.band) > 0)
        shade = 1 - plan.shadow * (1 - left)
    pixels, matte = _composed(plan, copy, index, to_output, size, sides, shade)
    return Finished(pixels, matte, affine(to_output))


@functools.lru_cache(maxsize=1)  # a worker finishes frame after frame of one turn
def _set(clean: CleanSet) -> tuple[CleanSet, np.ndarray, np.ndarray]:
    """The set as float32, and its light and that of the lit set: linear, float32 (h, w, 3)."""
    return clean.as_float(), clean.light(), colour.to_light(np.rint(clean.lit).astype(np.uint8))


def _composed(
    plan: FinishPlan, copy, index: int, to_output, size, sides: Sides, shade
) -> tuple[np.ndarray, np.ndarray]:
    """The subject on its new backdrop: pixels uint8 and matte uint8, (h, w, …) of `size`.

    shade: light left on the backdrop, float32 on the sides' grid; None: no shadow.
    """
    width, height = size
    left, top, right, bottom = _window((sides.core | sides.band) > 0, size)
    to_part = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1.0]]) @ to_output
    light = sample_light(copy, to_part, (right - left, bottom - top), plan.evening[index])
    gains, full = plan.column_gains(width)[left:right], min(plan.evening[index])

    grid_height, grid_width = sides.cut.shape
    x = (np.arange(left, right) + 0.5) * grid_width / width - 0.5
    y = (np.arange(top, bottom) + 0.5) * grid_height / height - 0.5
    near_y, near_x = np.rint(y).clip(0, grid_height - 1).astype(int), np.rint(x).clip(0, grid_width - 1).astype(int)
    core, band = ((part > 0).take(near_x, axis=1).take(near_y, axis=0) for part in (sides.core, sides.band))
    row, column = np.nonzero(band)
    alpha, own = soft_edge(light[row, column], sides, (x[column], y[row]))

    matte = np.zeros((height, width), np.uint8)
    here = matte[top:bottom, left:right]
    here[core] = 255
    here[row, column] = np.rint(alpha * 255)
    pixels = _backdrop(plan, size, shade)
    view = pixels[top:bottom, left:right]
    edge = toned(balanced(own, gains[column], full), plan)
    if plan.transparent:
        behind = view[row, column, 3] / np.float32(255)
        over = alpha + (1 - alpha) * behind
        view[row, column, 3] = np.rint(over * 255)
        view[core, 3] = 255
        edge = edge / np.maximum(over, 1 / 255)[:, None]
    else:
        edge = edge + (1 - alpha)[:, None] * colour.to_light(view[row, column][:, None])[:, 0]
    view[row, column, :3] = colour.to_codes(edge)
    for first in range(0, len(core), BAND_ROWS):  # all of a band costs less than gathering and spreading the subject
        band = slice(first, first + BAND_ROWS)
        across = np.flatnonzero(core[band].any(axis=0))
        if len(across):
            part = band, slice(across[0], across[-1] + 1)
            codes = colour.to_codes(toned(balanced(light[part], gains[part[1]], full), plan))
            _lay(codes, np.ascontiguousarray(core[part]), view[part])
    return pixels, matte


def _lay(codes: np.ndarray, where: np.ndarray, on: np.ndarray) -> None:
    """Colours (h, w, 3) onto a part of a picture, (h, w, 3|4), where the mask says so."""
    if on.shape[2] == 3:
        cv2.copyTo(codes, where.view(np.uint8), on)  # fifty times as fast as by numpy's mask
    else:
        np.copyto(on[..., :3], codes, where=where[..., None])


def _backdrop(plan: FinishPlan, size: tuple[int, int], shade: np.ndarray | None) -> np.ndarray:
    """The new backdrop with the subject's shadow on it: uint8 (h, w, 3), or black shade with alpha (h, w, 4)."""
    width, height = size
    if plan.transparent:
        pixels = np.zeros((height, width, 4), np.uint8)
    else:
        pixels = np.empty((height, width, 3), np.uint8)
        pixels.reshape(height, -1)[:] = np.tile(np.uint8(plan.backdrop), width)  # by rows: 20 times as fast
    if shade is None or shade.min() > 0.998:
        return pixels
    left, top, right, bottom = _window(shade < 0.998, size)
    window = scaling(width / shade.shape[1], height / shade.shape[0])
    window[:2, 2] -= (left, top)
    part = cv2.warpAffine(shade, window[:2], (right - left, bottom - top), flags=cv2.INTER_LINEAR, borderValue=1.0)
    view = pixels[top:bottom, left:right]
    if plan.transparent:
        view[..., 3] = np.rint((1 - part) * 255)
        return pixels
    # One table of 256 shades for each channel: the backdrop has one colour.
    steps = np.linspace(0, 1, 256)[:, None] * colour.decode(np.array(plan.backdrop) / 255)
    table = np.rint(255 * colour.encode(steps)).astype(np.uint8)
    light = np.rint(part * 255).astype(np.uint8)
    view[:] = cv2.LUT(cv2.merge([light, light, light]), table[None])
    return pixels


def _window(some: np.ndarray, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """Left, top, right, bottom, in an output of `size`, of all that is true on a coarser grid."""
    width, height = size
    if not some.any():
        return 0, 0, 1, 1
    rows, columns = np.nonzero(some.any(axis=1))[0], np.nonzero(some.any(axis=0))[0]
    grid_height, grid_width = some.shape
    left, right = int((columns[0] - 1) * width / grid_width), int((columns[-1] + 2) * width / grid_width) + 1
    top, bottom = int((rows[0] - 1) * height / grid_height), int((rows[-1] + 2) * height / grid_height) + 1
    return max(0, left), max(0, top), min(width, right), min(height, bottom)
