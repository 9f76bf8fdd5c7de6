"""Faint rims of the subject: what the cut's steepest line leaves outside, told from light that only leaks over the edge."""

from __future__ import annotations

import math

import cv2
import numpy as np
from scipy.special import erfc

from builder.finished.look import Look, around, usual_noise

_SQUARE = np.ones((3, 3), np.uint8)
_REACH = 3  # px of the grid: how far outside the steepest line a rim is looked for
_EVEN = 2.5  # px of the grid, σ: shorter pieces of rim than about twice this are noise
_STEP = 50.0  # codes: edges at least this strong say how far this photo spreads an edge
_SPREAD = 0.85  # px of the grid, σ: least spread of an edge by lens, reduction and the smoothing of the difference…
_UNLIKELY = 2.0  # …and the factor within which nearly all places of an outline keep
_COLOUR_SPREAD = 1.3  # colour's over brightness': JPEG stores colour at half the resolution


def with_rims(found: np.ndarray, look: Look, clean) -> np.ndarray:
    """The cut with its faint rims: a dark edge of polished metal before a dark wall differs by little from the wall
    and by much from the light beside it, and the steepest line runs between those two.

    Light from inside the cut leaks out over its edge as far as the photo is unsharp: at d px a share Q((d − ½) / σ) of
    the step (Q: the normal distribution's upper tail), more of colour. What differs by more than that, and than noise,
    isn't leaked. Only where no shade can fall.
    """
    box = around(found, _REACH + math.ceil(4 * _EVEN) + 3)  # of what bears on a rim
    soft, inner = look.soft[box], found[box]
    away = cv2.distanceTransform(1 - inner.astype(np.uint8), cv2.DIST_L2, 5)
    near = (away > 0) & (away <= _REACH + 0.1) & clean.steady[box] & clean.way[box]
    if not near.any():
        return found
    grey = cv2.transform(soft, np.float32([[0.299, 0.587, 0.114]]))
    red, green, blue = cv2.split(soft)
    tint = cv2.max(np.abs(red - green), np.abs(blue - green))
    wide = np.ones((2 * _REACH + 1,) * 2, np.uint8)
    rim = np.zeros_like(inner)
    grey, grey_step = np.abs(grey), cv2.dilate(np.where(inner, np.abs(grey), 0), wide)
    tint_step = cv2.dilate(np.where(inner, tint, 0), wide)
    spread = _UNLIKELY * _edge_spread(grey, grey_step, near, away)
    noise = 4.5 * usual_noise(clean)
    for size, step, sigma in ((grey, grey_step, spread), (tint, tint_step, _COLOUR_SPREAD * spread)):
        leaked = _upper_tail((away[near] - 0.5) / sigma)
        # At one pixel it decides nothing: there the outline's own unevenness is as large.
        rim[near] |= (away[near] > 1.5) & (size[near] > np.maximum(noise, leaked * step[near]))
    whole = cv2.morphologyEx((inner | rim).astype(np.uint8), cv2.MORPH_CLOSE, _SQUARE).astype(np.float32)
    # A rim runs along the outline; a tooth of it is noise.
    near &= cv2.dilate(rim.astype(np.uint8), _SQUARE) > 0
    out = found.copy()
    out[box] |= (cv2.GaussianBlur(whole, (0, 0), _EVEN) > 0.5) & near
    return out


def _edge_spread(size: np.ndarray, step: np.ndarray, near: np.ndarray, away: np.ndarray) -> float:
    """σ of this photo's strong edges, px of the grid: from the share of the step seen two pixels outside."""
    strong = near & (step > _STEP) & (np.abs(away - 2) < 0.15)
    if strong.sum() < 30:
        return _SPREAD
    shares = np.linspace(_SPREAD, 3.0, 44)
    return float(np.interp(np.median(size[strong] / step[strong]), _upper_tail(1.5 / shares), shares))


def _upper_tail(x: np.ndarray) -> np.ndarray:
    return 0.5 * erfc(x / np.sqrt(2.0))
