"""Where the subject stands in the picture: axis, envelope, distance from the edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.abreast import abreast
from builder.measured.backdrop import Backdrop
from builder.measured.light import quantiles

STEEPEST_DEG = 4.0  # lean of the axis that is looked for; a phone on a stand is nearer than that


@dataclass(frozen=True)
class Axis:
    """x = column + slope * (y - row), copy px."""

    column: float
    slope: float
    row: float

    def at(self, y: float) -> float:
        return self.column + self.slope * (y - self.row)

    @property
    def tilt_deg(self) -> float:
        """Lean, clockwise as seen is positive: the top to the right."""
        return float(np.degrees(np.arctan(-self.slope)))


@dataclass(frozen=True)
class Turning:
    """What turns. shares: float32 (h, w), in how many of the frames a pixel shows fine change (share 0..1).
    box: x0, y0, x1, y1 of its envelope, copy px (ends excluded); None: nothing turns."""

    shares: np.ndarray
    box: tuple[int, int, int, int] | None


def measure_turning(backdrop: Backdrop, still: np.ndarray, leave_out: Sequence[int] = ()) -> Turning:
    """Find what turns by its fine detail: a shadow is soft and drops out, edges and texture stay.

    leave_out: frames with something in the way.
    """
    kept = [index for index in range(len(backdrop.pictures)) if index not in leave_out]
    height, width = backdrop.plate.shape[:2]
    size = max(1, width // 2), max(1, height // 2)
    fine = np.stack(abreast(lambda k: _fine(backdrop.pictures[k], size), kept or range(len(backdrop.pictures))))
    plate = quantiles(fine, (0.5,))[0]
    change = np.abs(fine - plate)
    limit = max(4.0, 5.0 * 1.4826 * float(np.median(change[:, ::4, ::4])))
    shares = (change > limit).mean(axis=0, dtype=np.float32)
    shares[cv2.resize(still.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0] = 0
    return Turning(cv2.resize(shares, (width, height)), _largest_box(shares > 0, (width, height)))


def _fine(picture: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    luma = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.int16)
    return luma - cv2.blur(luma, (9, 9))


def _largest_box(mask: np.ndarray, full: tuple[int, int]) -> tuple[int, int, int, int] | None:
    """Bounding box of the largest group of changes, gaps of up to 2 % of the picture closed; in full pixels."""
    reach = max(3, mask.shape[1] // 50) | 1
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((reach, reach), np.uint8))
    closed = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(closed)
    if count < 2:
        return None
    x, y, w, h = stats[1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])), :4]
    sx, sy = full[0] / mask.shape[1], full[1] / mask.shape[0]
    return round(x * sx), round(y * sy), round((x + w) * sx), round((y + h) * sy)


def measure_axis(turning: Turning, focal_px: float) -> Axis | None:
    """The mirror line of what turns; None where nothing turns. focal_px: about; of the copies.

    Over a whole turn, whatever a point does on the left it does on the right, at the same height and distance:
    shares of change are symmetric about the axis. Leant by each of several angles, each row is correlated with
    its own mirror image; the highest sum names the lean, its peak the column.
    """
    if turning.box is None:
        return None
    x0, y0, x1, y1 = turning.box
    if x1 - x0 < 8 or y1 - y0 < 16:
        return None

    def mirrored(leans_deg: np.ndarray) -> list[tuple[float, Axis]]:
        return abreast(lambda lean: _mirrored(turning, float(lean), focal_px), leans_deg)

    coarse = mirrored(np.arange(-STEEPEST_DEG, STEEPEST_DEG + 0.1, 0.5))
    best = max(coarse, key=lambda found: found[0])[1].tilt_deg
    fine = mirrored(best + 0.1 * np.arange(-6, 7))
    at, _ = _peak(np.array([score for score, _ in fine]))
    columns = [axis.column for _, axis in fine]
    lean = np.radians(best + 0.1 * (at - 6))
    return Axis(float(np.interp(at, np.arange(13), columns)), -float(np.tan(lean)), fine[0][1].row)


def _mirrored(turning: Turning, lean_deg: float, focal_px: float) -> tuple[float, Axis]:
    """How well the shares fit their mirror image about the best line of this lean, and that line."""
    height, width = turning.shares.shape
    x0, y0, x1, y1 = turning.box
    middle = (x0 + x1 - 1) / 2, (y0 + y1 - 1) / 2
    upright = cv2.getRotationMatrix2D(middle, lean_deg, 1.0)  # positive: counterclockwise, undoes a clockwise lean
    level = cv2.warpAffine(turning.shares, upright, (width, height), flags=cv2.INTER_LINEAR)
    margin = max(4, (x1 - x0) // 4)
    left, right = max(0, x0 - margin), min(width, x1 + margin)
    rows = np.arange(y0, y1 - 3, 4)
    bands = np.stack([level[y : y + 4, left:right].mean(axis=0) for y in rows])
    bands = np.minimum(1.0, 3.0 * cv2.blur(bands, (5, 1)))
    length = 1 << int(np.ceil(np.log2(2 * (right - left))))
    spectrum = np.fft.rfft(bands, length, axis=1) ** 2  # of row * mirrored row: peak at twice the axis
    spectrum /= np.sqrt(np.maximum((bands**2).sum(axis=1), 1e-6))[:, None]  # a wide row counts more, not by the square
    # Seen by a camera that looks past the axis by an angle b, what lies at +-a from it has its middle not at
    # f tan b but at f (tan(b + a) + tan(b - a)) / 2, nearly x (1 + (w / f)^2) from the picture's centre.
    aside = (middle[0] - (width - 1) / 2) * np.minimum(_half_widths(bands) / focal_px, 1.0) ** 2
    back = np.exp(4j * np.pi * aside[:, None] * np.arange(spectrum.shape[1]) / length)
    peak, score = _peak(np.fft.irfft((spectrum * back).sum(axis=0), length))
    slope = -np.tan(np.radians(lean_deg))
    # a line that stands upright after turning about `middle` passes through this column at its height
    column = middle[0] + (left + peak / 2 - middle[0]) / np.cos(np.radians(lean_deg))
    return score, Axis(float(column), float(slope), float(middle[1]))


def _half_widths(bands: np.ndarray) -> np.ndarray:
    """Half the width of each row's change, px."""
    some = bands > 0
    first = np.argmax(some, axis=1)
    last = bands.shape[1] - 1 - np.argmax(some[:, ::-1], axis=1)
    return np.where(some.any(axis=1), (last - first) / 2, 0.0)


def _peak(values: np.ndarray) -> tuple[float, float]:
    """Place and height of the highest value, between samples by a parabola."""
    k = int(np.argmax(values))
    if not 0 < k < len(values) - 1:
        return float(k), float(values[k])
    a, b, c = values[k - 1], values[k], values[k + 1]
    bend = a - 2 * b + c
    offset = 0.0 if bend >= 0 else 0.5 * (a - c) / bend
    return k + float(offset), float(b - 0.25 * (a - c) * offset)
