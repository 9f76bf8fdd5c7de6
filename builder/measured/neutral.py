"""What should be neutral, and the white-balance gains that make it so. Linear light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from builder.colour import lab_from_light, to_light
from builder.measured.backdrop import Backdrop
from builder.measured.disc import Disc
from builder.measured.light import DARKEST, LIGHTEST
from builder.measured.place import Axis, Turning

# A light's colour ratio that a camera's own balance leaves behind: from open shade to a household lamp shot on
# the daylight setting is about a factor of 2 in red to blue. Beyond that it is the board that has the colour.
MOST_RED_TO_BLUE = 2.2
MOST_GREEN = 1.25  # green against the mean of red and blue, either way: lamps lie near the blue-yellow line
SHADED = 0.4  # share of the disc that the subject and its own far side shade, lit from one side. Common practice


@dataclass(frozen=True)
class Neutral:
    """gain: linear r, g, b with g = 1 that turn the surface neutral; (1, 1, 1) where nothing can be told.

    light: mean linear colour of the surface (3,); ab: its CIELAB a*, b* at the lightness it has.
    known: False where no surface could be read or it isn't neutral; why: in words, then.
    """

    gain: tuple[float, float, float]
    light: tuple[float, float, float] | None
    ab: tuple[float, float] | None
    known: bool
    why: str = ""

    def ab_at(self, ev: np.ndarray) -> tuple[float, float] | None:
        """a*, b* of the surface in a frame whose channels are lighter by ev (3,) EV than the spin's median."""
        if self.light is None:
            return None
        _, a, b = lab_from_light(np.array(self.light) * 2.0 ** np.asarray(ev))
        return float(a), float(b)


def measure_neutral(backdrop: Backdrop, turning: Turning, axis: Axis | None, disc: Disc | None) -> Neutral:
    """Colour of the light, read from the lit part of what the subject stands on.

    Far backdrop has a colour of its own: every wall and curtain adds to it. The disc is lit as the subject is;
    without a disc, the sheet round the subject's foot. Of their plate what isn't SHADED counts: the lit part.
    """
    quiet = (turning.shares < 0.1) & (backdrop.spread < 4 * backdrop.noise + 2)
    foot = _foot_zone(backdrop, turning, axis) & quiet
    if disc is not None:
        found = _read_zone(backdrop, _disc_zone(backdrop, disc) & quiet)
        if found.known:
            return found
    return _read_zone(backdrop, foot)


def _read_zone(backdrop: Backdrop, zone: np.ndarray) -> Neutral:
    pixels = backdrop.plate[zone]
    readable = (pixels.min(axis=1) >= DARKEST) & (pixels.max(axis=1) <= LIGHTEST)
    if readable.sum() < 200:
        return Neutral((1.0, 1.0, 1.0), None, None, False, "no backdrop that is neither black nor blown out")
    light = to_light(pixels[readable]).astype(float)
    usual = np.median(light[:, 1])
    light = light[(light[:, 1] > usual / 2) & (light[:, 1] < usual * 2)]  # marks, and bits of the subject
    mean = light[light[:, 1] >= np.quantile(light[:, 1], SHADED)].mean(axis=0)
    ab = tuple(float(v) for v in lab_from_light(mean)[1:])
    colour = tuple(float(v) for v in mean)
    if not _plausible(mean):
        return Neutral((1.0, 1.0, 1.0), colour, ab, False, "the backdrop is coloured, not neutral")
    gain = (float(mean[1] / mean[0]), 1.0, float(mean[1] / mean[2]))
    return Neutral(gain, colour, ab, True)


def _disc_zone(backdrop: Backdrop, disc: Disc) -> np.ndarray:
    """bool (h, w): the disc between rim and foot, on the near side."""
    shape = backdrop.plate.shape[:2]
    near = np.arange(shape[0])[:, None] > disc.y - 0.2 * disc.b
    return disc.within(shape, 0.92) & ~disc.within(shape, 0.5) & near


def _plausible(light: np.ndarray) -> bool:
    red, green, blue = light
    ratio, tint = red / blue, green / np.sqrt(red * blue)
    return 1 / MOST_RED_TO_BLUE < ratio < MOST_RED_TO_BLUE and 1 / MOST_GREEN < tint < MOST_GREEN


def _foot_zone(backdrop: Backdrop, turning: Turning, axis: Axis | None) -> np.ndarray:
    """bool (h, w): round the subject's foot, without the subject."""
    height, width = backdrop.plate.shape[:2]
    zone = np.zeros((height, width), bool)
    if turning.box is None or axis is None:
        zone[height // 2 :] = True
        return zone
    x0, y0, x1, y1 = turning.box
    tall, wide = y1 - y0, x1 - x0
    top, bottom = max(0, y1 - tall // 4), min(height, y1 + tall // 10)
    zone[top:bottom, max(0, x0 - wide // 10) : min(width, x1 + wide // 10)] = True
    return zone
