"""The single pictures of a spin: poster, square still, picture for links."""

from __future__ import annotations

import cv2
import numpy as np

from builder.derivatives.encoding import encode_picture
from builder.derivatives.quality import choose_quality
from builder.derivatives.reducing import WHITE, Box, Colour, Sharpen, flatten, reduce_picture

_POSTER_WIDTH = 960
_STILL_SIDE = 1080
_LINK_SIZE = (1200, 630)  # the size that readers of Open Graph pictures show large, common practice
_BAND = 128  # rows blended at once: of a whole picture, as floats, it is the most memory anything takes


def encode_jpeg(pixels: np.ndarray, box: Box | None = None) -> bytes:
    """A JPEG at the lowest quality that measures well for this one picture."""
    pixels = flatten(pixels)
    return encode_picture(pixels, "jpeg", choose_quality([pixels], "jpeg", [box]))


def make_poster(pixels: np.ndarray, sharpen: Sharpen, width: int = _POSTER_WIDTH) -> bytes:
    """JPEG of the home frame, at most `width` px wide."""
    picture = reduce_picture(flatten(pixels), width)
    return encode_jpeg(sharpen(picture, picture.shape[1]))


def make_still(pixels: np.ndarray, sharpen: Sharpen, backdrop: Colour | None = None, side: int = _STILL_SIDE) -> bytes:
    """Square JPEG of the whole picture, the backdrop carried on where it isn't square itself."""
    picture = flatten(pixels, backdrop or WHITE)
    tall, wide = picture.shape[:2]
    longer = max(tall, wide)
    x0, y0 = (wide - longer) // 2, (tall - longer) // 2
    square = reduce_picture(_window(picture, (x0, y0, x0 + longer, y0 + longer), backdrop), side)
    return encode_jpeg(sharpen(square, square.shape[1]))


def make_link_picture(
    pixels: np.ndarray,
    box: Box | None,
    sharpen: Sharpen,
    backdrop: Colour | None = None,
    size: tuple[int, int] = _LINK_SIZE,
    margin: float = 0.075,
) -> bytes:
    """JPEG of exactly `size`, the subject's box fitted in with `margin` of the height free above and below.

    Never enlarged: a small picture stands in the middle. backdrop: colour to carry on beyond the picture's
    edges; None: the median of the edges.
    """
    picture = flatten(pixels, backdrop or WHITE)
    tall, wide = picture.shape[:2]
    x0, y0, x1, y1 = box or (0, 0, wide, tall)
    free = 1 - 2 * margin
    # source pixels a target pixel: the box fits both ways, and nothing is drawn larger than it is
    step = max((x1 - x0) / (size[0] * free), (y1 - y0) / (size[1] * free), 1.0)
    span = (round(size[0] * step), round(size[1] * step))
    left, top = round((x0 + x1 - span[0]) / 2), round((y0 + y1 - span[1]) / 2)
    cut = _window(picture, (left, top, left + span[0], top + span[1]), backdrop)
    return encode_jpeg(sharpen(reduce_picture(cut, *size), size[0]))


def _window(picture: np.ndarray, window: tuple[int, int, int, int], backdrop: Colour | None) -> np.ndarray:
    """The picture seen through a window that may reach beyond it.

    Beyond it lies the backdrop's colour, or where that isn't one colour, what the edge looks like from
    afar. The last 4 % before an open edge fade into it, so that no line shows.
    """
    x0, y0, x1, y1 = window
    tall, wide = picture.shape[:2]
    if x0 >= 0 and y0 >= 0 and x1 <= wide and y1 <= tall:
        return picture[y0:y1, x0:x1]
    columns, rows = np.clip(np.arange(x0, x1), 0, wide - 1), np.clip(np.arange(y0, y1), 0, tall - 1)
    afar = None if backdrop else _from_afar(picture)
    ramp = max(2, round(0.04 * max(tall, wide)))
    across, down = _cover(x0, x1, wide, ramp), _cover(y0, y1, tall, ramp)
    seen = np.empty((len(rows), len(columns), 3), np.uint8)
    for start in range(0, len(rows), _BAND):
        part = slice(start, start + _BAND)
        cover = (down[part, None] * across[None, :])[..., None]
        around = np.array(backdrop, np.float32) if afar is None else afar[rows[part]][:, columns]
        seen[part] = np.rint(picture[rows[part]][:, columns] * cover + around * (1 - cover))
    return seen


def _from_afar(picture: np.ndarray) -> np.ndarray:
    """The picture with everything smaller than a sixteenth of it smoothed away, same shape."""
    tall, wide = picture.shape[:2]
    small = cv2.resize(
        picture,
        (max(1, wide * 16 // max(tall, wide)), max(1, tall * 16 // max(tall, wide))),
        interpolation=cv2.INTER_AREA,
    )
    return cv2.resize(small, (wide, tall), interpolation=cv2.INTER_CUBIC)


def _cover(start: int, stop: int, length: int, ramp: int) -> np.ndarray:
    """How much of the picture shows at places start..stop of a side: 0 beyond it, rising to 1 over `ramp` px
    from an end that the window passes, float32.
    """
    place = np.arange(start, stop, dtype=np.float32)
    inside = np.ones_like(place)
    if start < 0:
        inside = np.minimum(inside, np.clip(place / ramp, 0, 1))
    if stop > length:
        inside = np.minimum(inside, np.clip((length - 1 - place) / ramp, 0, 1))
    return inside * inside * (3 - 2 * inside)
