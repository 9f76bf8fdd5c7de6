"""Where a spin stands in its frame: axis upright and in the middle column, one box for the turn. Never enlarged."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Extent:
    """How far the subject reaches over the turn, in pixels of the upright picture about the axis' foot."""

    half_width: float  # to the farther side of the axis
    above: float  # of the foot
    below: float


@dataclass(frozen=True, eq=False, slots=True)
class Placement:
    """The box of a turn at full size, one output pixel a source pixel."""

    width: int
    height: int
    matrix: np.ndarray  # 3×3, reference pixel -> output pixel
    axis_x: float  # output column of the axis


def upright(axis_x: float, foot_y: float, lean_deg: float) -> np.ndarray:
    """3×3 that turns the picture about the axis' foot until the axis stands, and makes the foot the origin."""
    turn = math.radians(lean_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    about = np.array([[1, 0, -axis_x], [0, 1, -foot_y], [0, 0, 1.0]])
    return np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1.0]]) @ about


def aspect_ratio(aspect: str, extent: Extent) -> float:
    """Width over height; "auto" is the subject's own."""
    if aspect == "auto":
        return 2 * extent.half_width / max(1.0, extent.above + extent.below)
    wide, high = aspect.split(":")
    return float(wide) / float(high)


def box_around(extent: Extent, aspect: str, margin: float, least_height: float = 0.0) -> tuple[float, float, float]:
    """Width, height and the foot's row of a box about the axis: `margin` of the side free on each side that is tight.

    least_height: px, for boxes of a common scale.
    """
    ratio = aspect_ratio(aspect, extent)
    free = 1 - 2 * margin
    tall = extent.above + extent.below
    height = max(tall / free, 2 * extent.half_width / free / ratio, least_height)
    if aspect == "auto":  # the same margin, in pixels, on all sides
        height = max(height, tall + 2 * margin * max(tall, 2 * extent.half_width) / free)
    foot = height / 2 + (extent.above - extent.below) / 2
    return height * ratio, height, foot


def raised_above(
    box: tuple[float, float, float], x: np.ndarray, y: np.ndarray, extent: Extent
) -> tuple[float, float, float] | None:
    """The box, moved up until it shows none of the points (about the foot); None if the subject would be cut."""
    width, height, foot = box
    inside = np.abs(x) <= width / 2
    if not inside.any() or y[inside].min() >= height - foot:
        return box
    limit = float(y[inside].min())
    return (width, height, height - limit) if limit >= extent.below else None


def placed(turned: np.ndarray, box: tuple[float, float, float], whole: bool = True) -> Placement:
    """The placement of a box; turned: reference pixel -> picture about the foot. Sizes are rounded to even pixels."""
    width, height = (max(2, 2 * round(side / 2)) for side in box[:2])
    foot = box[2] * height / box[1]
    axis_x = (width - 1) / 2  # the middle of the picture when pixel centres are at .0
    shift = np.array([[1, 0, axis_x], [0, 1, foot - 0.5], [0, 0, 1.0]])
    return Placement(width, height, shift @ turned, axis_x)


def fixed_box(left: float, top: float, width: float, height: float, axis_x: float | None) -> Placement:
    """A box of the reference picture as given; whole pixels, no turning."""
    matrix = np.array([[1, 0, -round(left)], [0, 1, -round(top)], [0, 0, 1.0]])
    middle = (round(width) - 1) / 2 if axis_x is None else axis_x - round(left)
    return Placement(round(width), round(height), matrix, float(middle))
