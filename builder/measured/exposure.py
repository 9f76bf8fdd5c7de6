"""Exposure and colour of each frame, from the backdrop that stands still. Linear light, EV."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.colour import LUMINANCE, to_light
from builder.measured.abreast import abreast
from builder.measured.light import DARKEST, LIGHTEST, mad_sigma, median

GRID_SIDE = 125  # px: a cell averages 8 x 8 pixels of a copy, an eighth of their noise
LEAST_SHARE = 0.005  # of the grid, that must stand still and be neither black nor clipped
MOST_SPREAD_EV = 0.15  # of the stillest pixels: beyond it nothing stands still, so nothing is known


@dataclass(frozen=True)
class Exposure:
    """ev: (n, 3) log2 light of each frame and channel against the spin's median, r, g, b.

    exposure_ev: (n,) the same for luminance. still: bool (gh, gw), grid cells it was read from.
    sigma_ev: expected error of one frame's value. known: False where nothing could be read (ev is then 0).
    """

    ev: np.ndarray
    exposure_ev: np.ndarray
    still: np.ndarray
    sigma_ev: float
    known: bool

    @property
    def gains(self) -> np.ndarray:
        """(n, 3) linear factors that even each frame to the spin's median."""
        return 2.0**-self.ev


def measure_exposure(pictures: Sequence[np.ndarray], usable: np.ndarray | None = None) -> Exposure:
    """Light of each frame from the cells whose light changes least over the turn.

    pictures: uint8, n of (h, w, 3). usable: bool (h, w), where cells may be taken from (None: anywhere).
    A moving shadow or the subject's colour on the backdrop changes some cells in some frames; the cells that
    change least are the far backdrop, and the median over them stands for the frame.
    """
    small = np.stack(abreast(lambda k: _reduced(pictures[k], 2 * GRID_SIDE), range(len(pictures))))
    grid = np.stack(abreast(lambda picture: _reduced(to_light(picture), GRID_SIDE), small))
    shape = grid.shape[1:3]
    cells = np.stack([cv2.resize(picture, shape[::-1], interpolation=cv2.INTER_AREA) for picture in small])
    readable = (cells.min(axis=3) >= DARKEST) & (cells.max(axis=3) <= LIGHTEST)
    often = readable.mean(axis=0) > 0.8
    if usable is not None:
        often &= cv2.resize(usable.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA) > 0.99
    count = len(pictures)
    nothing = Exposure(np.zeros((count, 3)), np.zeros(count), np.zeros(grid.shape[1:3], bool), np.inf, False)
    if often.sum() < max(30, LEAST_SHARE * often.size):
        return nothing
    log_light = np.log2(np.maximum(grid[:, often], 1e-5))
    ev, cells, spread = _even(log_light, readable[:, often], _ring(shape)[often])
    if spread > MOST_SPREAD_EV:
        return nothing
    still = np.zeros_like(often)
    still[often] = cells
    ev -= np.median(ev, axis=0)
    weights = LUMINANCE * 2.0 ** np.median(log_light[:, cells], axis=(0, 1))
    total = np.log2((2.0**ev * weights).sum(axis=1) / weights.sum())
    # Errors of neighbouring cells hang together (interreflection, vignette): as if every 25th counted.
    sigma = spread * 1.25 / np.sqrt(max(1.0, cells.sum() / 25))
    return Exposure(ev, total - np.median(total), still, float(sigma), True)


def _reduced(picture: np.ndarray, long_side: int) -> np.ndarray:
    shrink = min(1.0, long_side / max(picture.shape[:2]))
    size = max(1, round(picture.shape[1] * shrink)), max(1, round(picture.shape[0] * shrink))
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA)


def _ring(shape: tuple[int, int]) -> np.ndarray:
    """The outer eighth of the picture: where a subject is least likely, for a first guess."""
    height, width = shape
    inside = np.zeros(shape, bool)
    inside[height // 8 : height - height // 8, width // 8 : width - width // 8] = True
    return ~inside


def _even(log_light: np.ndarray, readable: np.ndarray, ring: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Frame values (n, 3), the still cells, and how much these cells still vary once evened (EV)."""
    cells = ring if ring.sum() >= 30 else np.ones_like(ring)
    plate = median(log_light)
    ev = _frame_values(log_light - plate, readable, cells)
    spread = np.inf
    for _ in range(4):
        evened = log_light - ev[:, None, :]
        plate = median(evened)
        vary = np.abs(evened - plate).mean(axis=(0, 2))  # mean, not median: one hand must count
        cells = vary <= 1.5 * np.quantile(vary, 0.2) + 1e-4
        spread = 1.2533 * float(np.median(vary[cells]))  # mean absolute deviation of normal values to sigma
        ev = _frame_values(log_light - plate, readable, cells)
    return ev, cells, spread


def _frame_values(difference: np.ndarray, readable: np.ndarray, cells: np.ndarray) -> np.ndarray:
    values = np.zeros((len(difference), 3))
    for index, (row, good) in enumerate(zip(difference, readable, strict=True)):
        if (good & cells).any():
            values[index] = np.median(row[good & cells], axis=0)
    return values


def flicker_and_drift(ev: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Split a turn's exposures (n,) into drift and flicker.

    Returns flicker (sigma of frame-to-frame change, EV), drift (last minus first of a straight line through
    the turn, EV), and each frame's departure from its neighbours' course (n,).
    """
    count = len(ev)
    if count < 4:
        return 0.0, 0.0, np.zeros(count)
    # A line by Theil and Sen: the median of all slopes, so that one odd frame doesn't tilt it.
    first, second = np.triu_indices(count, 1)
    slope = float(np.median((ev[second] - ev[first]) / (second - first)))
    drift = slope * (count - 1)
    # Second differences are blind to a smooth course; independent flicker of sigma s gives them s * sqrt(6)/2.
    bend = ev[1:-1] - (ev[:-2] + ev[2:]) / 2
    flicker = mad_sigma(bend) / np.sqrt(1.5)
    course = _running_median(ev, 5)
    return flicker, drift, ev - course


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    half = width // 2
    padded = np.pad(values, half, mode="reflect" if len(values) > half else "edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
