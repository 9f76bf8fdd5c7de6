"""How a frame differs from the clean plate, pixel by pixel: by how much, against what noise, and whether light and
shade on the backdrop could look like that: they change softly and scale its colour; an object has an outline.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import cv2
import numpy as np

from builder import colour
from builder.finished.tints import WEIGHTS, ShadeTints

UNDER = 0.75  # linear: what lies under a thing sees less than half of the light's directions; lighter isn't under it
DEEPEST_SHADE = 0.28  # linear; diffuse light in a room fills a shadow on a board at least this much…
_NO_LIGHT = 0.08  # …but for the crevice under a thing; darker than this is a dark thing
_SQUARE = np.ones((3, 3), np.uint8)
_NOISE_CODES = 1.0  # least noise of a small neighbourhood's mean, sRGB codes: JPEG at a phone's quality, reduced
_RINGING = 0.03  # 1 σ over the step of an outline nearby: what JPEG spreads over the blocks the outline runs through
_BLOCK = np.ones((9, 9), np.uint8)
SOFT_EDGE = 0.012  # of the backdrop's level in sRGB codes, over two pixels of the grid
# Two lights of two colours: where one is shaded the channels keep different shares of their light. The shares differ
# by no more than the lights do (a share of the depth while it is shallow, of what is left when it is deep).
_TINT = 0.05
_TINT_BY_DEPTH = 0.35
_TINT_BY_LIGHT = 0.25
_CAST = 0.8  # linear: a shadow with an edge takes at least a fifth of the light
_BOUNCE = 0.03  # linear, of the plate: how far a coloured thing's light on the board leads off the shade's tints


@dataclass(frozen=True, eq=False, slots=True)
class Look:
    """How a frame differs from the plate, (h, w) each."""

    soft: np.ndarray  # (h, w, 3): the smoothed difference, codes
    size: np.ndarray  # codes, the largest of the channels
    noise: np.ndarray  # codes, 1 σ of `size`
    ratio: np.ndarray  # (h, w, 3): linear light over the lit plate's
    shade: np.ndarray  # the same in one number
    no_shade: np.ndarray  # bool: no light or shade on the plate looks like that
    flat: np.ndarray  # bool: no outline runs here
    calm: np.ndarray  # bool: within noise of the plate
    guessed: np.ndarray  # bool: as near as that to what is guessed where no frame shows the plate
    shaded: np.ndarray  # bool: within noise of a soft shade on it
    relit: np.ndarray  # bool: out of the shade that the plate has there, the plate's edges apart no outline runs here


@dataclass(frozen=True, eq=False, slots=True)
class _Expected:
    """What a plate says of every frame alike."""

    noise: np.ndarray  # codes (h, w): 1 σ of a small neighbourhood's mean
    light: np.ndarray  # (h, w, 3): linear, of the lit set
    unsure: np.ndarray  # (h, w): by which a ratio of light may be wrong
    soft_edge: np.ndarray  # codes (h, w): what changes more from pixel to pixel has an outline
    tolerance: np.ndarray  # codes (h, w): by which a guess may be wrong, 0 where the plate is seen
    full: np.ndarray  # codes (h, w, 3): the lit set's brightest nearby
    cast: np.ndarray  # bool (h, w): by that, a shade that mostly stands there is in the plate


@functools.lru_cache(maxsize=1)  # all frames of a turn are held against one plate
def _expected(clean) -> _Expected:
    usual = usual_noise(clean)
    most = largest(clean.lit)
    side = max(most.shape)
    full = cv2.dilate(cv2.GaussianBlur(clean.lit, (0, 0), 1.5), np.ones((side // 20 | 1, side // 10 | 1), np.uint8))
    cast = largest(_light(clean.lit) / _light(full)) < _CAST
    # Near a code c the sRGB curve turns one code into a change of light of about 2.4 / (c + 14).
    return _Expected(
        noise=np.where(clean.steady, np.maximum(usual, clean.spread / 1.6), usual).astype(np.float32),
        light=_light(clean.lit),
        unsure=2 * usual * 2.4 / (most + 14),
        soft_edge=3 * usual + SOFT_EDGE * most,
        tolerance=np.where(clean.seen, 0, guess_tolerance(clean.seen)),
        full=full,
        cast=cv2.dilate(cast.astype(np.uint8), _BLOCK) > 0,
    )


def _light(codes: np.ndarray) -> np.ndarray:
    light = colour.to_light(np.rint(codes).astype(np.uint8))
    light += np.float32(0.004)
    return light


def look_at(frame: np.ndarray, clean) -> Look:
    """frame: sRGB codes, float32 (h, w, 3), registered and evened, on the grid of `clean` (a Plate or CleanSet)."""
    expected = _expected(clean)
    soft = cv2.GaussianBlur(frame - clean.colour, (0, 0), 0.8)
    size, steady = largest(np.abs(soft)), clean.steady
    noise = np.where(steady, np.maximum(expected.noise, _RINGING * cv2.dilate(size, _BLOCK)), expected.noise)
    ratio, shade, no_shade = _shade(frame, expected, clean.tints)
    # Shade's edges are soft: a few hundredths of the backdrop's level from pixel to pixel, and noise, of which nine
    # values span 3 σ on average.
    flat = steepness(soft) < expected.soft_edge
    shaded = ~steady & flat & ~no_shade & (shade >= DEEPEST_SHADE) & (shade < 1.03)
    relit = expected.cast & (shade > 0.97) & (shade < 1 / DEEPEST_SHADE)
    if relit.any():
        relit &= largest(frame - expected.full) < 4 * expected.noise
        back = cv2.divide(1.0, ratio)
        relit &= _tint(back, 1 / shade) <= _tint_of_shade(1 / shade) + expected.unsure
        relit &= steepness(cv2.GaussianBlur(frame, (0, 0), 0.8)) < expected.soft_edge
    calm = size < 2.2 * noise
    return Look(soft, size, noise, ratio, shade, no_shade, flat, calm, size < expected.tolerance, shaded, relit)


def guess_tolerance(known: np.ndarray) -> np.ndarray:
    """Codes by which a sight of the backdrop may differ from a filled-in guess: more, the farther it was carried."""
    away = cv2.distanceTransform((~known).astype(np.uint8), cv2.DIST_L2, 3)
    return 8.0 + np.minimum(0.4 * away, 16.0)


def could_be_shade(frame: np.ndarray, lit: np.ndarray) -> np.ndarray:
    """Where a frame could show a shade on a lit set, bool (h, w): both sRGB codes, float32 (h, w, 3)."""
    ratio = cv2.blur(cv2.divide(_light(frame), _light(lit)), (3, 3))
    shade = cv2.transform(ratio, WEIGHTS[None])
    return (shade >= DEEPEST_SHADE) & (shade < 1.03) & (_tint(ratio, shade) <= _tint_of_shade(shade))


@functools.lru_cache(maxsize=2)
def usual_noise(clean) -> float:
    """1 σ, codes, of a small neighbourhood's mean where no shade falls."""
    steady = clean.steady
    # 90 % to 1 σ: 1.6
    return max(_NOISE_CODES, float(np.median(clean.spread[steady])) / 1.6 if steady.any() else 0.0)


def _shade(
    frame: np.ndarray, expected: _Expected, tints: ShadeTints | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ratio of light (3 channels), light left on the backdrop (linear, 1 = the plate's), and where no shade makes that."""
    ratio = cv2.blur(cv2.divide(_light(frame), expected.light), (3, 3))
    shade, unsure = cv2.transform(ratio, WEIGHTS[None]), expected.unsure
    odd = _tint(ratio, shade) > _tint_of_shade(shade) + unsure
    if tints is not None:  # `off` of a ratio's tint; of the mean itself it would be its three parts' sum
        away = cv2.transform(ratio, np.float32(tints.off)[None]) - shade * np.float32(sum(tints.off))
        odd |= np.abs(away) > (tints.limit + unsure) * shade + _BOUNCE
    return ratio, shade, odd | (shade < _NO_LIGHT) | (shade > 1.12 + unsure)


def _tint(ratio: np.ndarray, shade: np.ndarray) -> np.ndarray:
    return largest(cv2.absdiff(ratio, cv2.merge([shade, shade, shade])))


def _tint_of_shade(shade: np.ndarray) -> np.ndarray:
    """The most that two lights' colours give a shade."""
    return _TINT + np.minimum(_TINT_BY_DEPTH * np.clip(1 - shade, 0, 1), _TINT_BY_LIGHT * shade)


def largest(values: np.ndarray) -> np.ndarray:
    """The largest of three channels, (h, w)."""
    one, two, three = cv2.split(values)
    return cv2.max(cv2.max(one, two), three)


def steepness(values: np.ndarray) -> np.ndarray:
    """Codes between the least and the most of each pixel's neighbourhood (3 by 3), the largest of the channels, (h, w)."""
    return largest(cv2.subtract(cv2.dilate(values, _SQUARE), cv2.erode(values, _SQUARE)))


def around(mask: np.ndarray, border: int) -> tuple[slice, slice]:
    """Rows and columns of what is in a mask, and a border; all of an empty one."""
    if not mask.any():
        return slice(None), slice(None)
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return slice(max(0, rows[0] - border), rows[-1] + border + 1), slice(
        max(0, columns[0] - border), columns[-1] + border + 1
    )
