"""The colour and the level of the light on the subject: white balance, its change across the picture, exposure.

Neutral comes from the set (a white, grey or black board has no colour of its own), from a grey card, or as given. Where
a window lights one side and a lamp the other, one balance can't be right for both: the disc's own colour, column by
column, says how the light's colour changes across the picture at the subject's depth. Only the colour of the light is
evened that way: its level across a flat disc says little about the level on a solid thing, whose sides face the light.
"""

from __future__ import annotations

import cv2
import numpy as np

from builder import colour

_BOARD = 0.90  # linear: how bright a white board is wanted; a white of the subject's own then stays below 1
_WHITE_BOARD = 0.25  # linear: a board darker than this under the camera's exposure isn't a white one
_TOP = 0.97  # linear: the subject's lights are brought up to this at most…
_TOP_SHARE = 0.999  # …all but one in a thousand
_COLOUR_SHARE = 0.99  # of the subject keeps all its colour
_KNEE, _CEILING = 0.80, 0.975  # linear, codes 231 and 252: lights above the knee are pressed together below the ceiling
_CLIPPING, _CLIPPED = 0.955, 0.9955  # linear, codes 250 to 254.5: a camera's curve loses colour, then all detail
_MOST_GAIN = 2.5  # more than 1.3 EV would show the noise of the dark parts


def neutral_of_card(card: np.ndarray, plate: np.ndarray) -> tuple[float, float, float] | None:
    """White-balance gains, g = 1, from a frame with a grey card.

    card, plate: uint8-range sRGB codes (h, w, 3) on one grid. The card is the largest even patch that isn't in the
    plate; None when there is none.
    """
    away = np.abs(card - plate).max(axis=2) > 12
    change = cv2.morphologyEx(card, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)).max(axis=2)
    even = (away & (change < 10)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(cv2.erode(even, np.ones((3, 3), np.uint8)))
    if count < 2:
        return None
    best = 1 + int(stats[1:, 4].argmax())
    if stats[best, 4] < 0.002 * labels.size:
        return None
    light = np.median(colour.decode(card[labels == best] / 255.0), axis=0)
    if light.min() < 0.01:
        return None
    return tuple(float(light[1] / value) for value in light)


def across(lit: np.ndarray, table: np.ndarray, neutral: np.ndarray) -> np.ndarray | None:
    """Gains (w, 3) that take the light's change of colour across the columns out; luminance is left alone.

    lit: linear (h, w, 3), the backdrop without the subject's shade. table: bool (h, w), disc and table at the
    subject's depth. neutral: gains (3,) of the white balance, so that the luminance kept is that of balanced light.
    Returns None when too little of the table is seen.
    """
    table = table & (colour.luminance(lit) > 0.004)  # darker than this a code's rounding is a cast
    count = table.sum(axis=0).astype(np.float32)
    if (count >= 8).mean() < 0.5:
        return None
    weight = np.minimum(count, 40)[None, :]
    total = (lit * table[..., None]).sum(axis=0) / np.maximum(count, 1)[:, None]
    total = total * neutral.astype(np.float32)
    total /= np.maximum(colour.luminance(total), 1e-4)[:, None]
    sigma = lit.shape[1] / 20
    smooth = cv2.GaussianBlur((total * weight[0][:, None])[None], (0, 0), sigma)[0]
    smooth /= np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma)[0], 1e-6)[:, None]
    middle = np.average(smooth, axis=0, weights=weight[0])
    gains = np.clip(middle / smooth, 0.7, 1.4)
    gains /= colour.luminance(smooth * gains / middle)[:, None]
    return gains.astype(np.float32)


def exposure(board: float, subject: np.ndarray, neutral: np.ndarray) -> float:
    """One gain for the turn: a white board to near white, as far as the subject's own lights allow; never darker.

    board: luminance of the lit set beside the subject. subject: linear colours (n, 3) of the subject over the turn.
    neutral: gains (3,). Where the photo is burnt out it must stay white: no channel's gain may fall below 1.
    """
    least = 1.0 / float(neutral.min())
    wanted = _BOARD / board if board >= _WHITE_BOARD else 1.0
    if len(subject):
        whole = subject[subject.max(axis=1) < 0.99] * neutral  # what the camera burnt out itself is gone anyway
        if not len(whole):
            whole = np.ones((1, 3))
        # A pixel is burnt when all its channels are, and has lost its colour when one is.
        burnt, faded = np.quantile(whole.min(axis=1), _TOP_SHARE), np.quantile(whole.max(axis=1), _COLOUR_SHARE)
        wanted = min(wanted, _TOP / max(float(burnt), 1e-3), 1 / max(float(faded), 1e-3))
    return float(np.clip(max(wanted, least), least, max(_MOST_GAIN, least)))


def balanced(light: np.ndarray, gains: np.ndarray, full: float = 1.0) -> np.ndarray:
    """Light times gains, linear (…, 3), without new burnt-out pixels: white only where the camera itself clipped.

    light: evened light as the camera saw it, `full` where it clipped (the frame's evening gain); gains (…, 3) broadcast
    to it. A pixel is burnt when its darkest channel is;
    above the knee that channel approaches the ceiling, slope 1 at the knee, and takes the others along in proportion.
    What was clipped before any gain has no colour left: it stays white, whatever the balance.
    """
    dark = _darkest(light)
    out = light * gains
    lowest = _darkest(out)
    high = lowest > _KNEE
    if high.any():
        spare, own = _CEILING - _KNEE, lowest[high]
        pressed = _KNEE + spare * (1 - np.exp(-(own - _KNEE) / spare))
        out[high] *= (pressed / own).astype(out.dtype)[:, None]
    gone = dark > _CLIPPING * full
    if gone.any():
        share, part = np.minimum((dark[gone] / full - _CLIPPING) / (_CLIPPED - _CLIPPING), 1)[:, None], out[gone]
        out[gone] = ((1 - share) * part + share * np.maximum(part, 1)).astype(out.dtype)
    return out.astype(light.dtype, copy=False)


def _darkest(light: np.ndarray) -> np.ndarray:
    """The smallest of three channels: (…, 3) to (…)."""
    return np.minimum(np.minimum(light[..., 0], light[..., 1]), light[..., 2])
