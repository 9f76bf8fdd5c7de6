"""Each frame in every width and format.

Takes arrays and returns bytes; nothing here touches disk or knows where pixels came from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from builder.derivatives.encoding import encode_picture
from builder.derivatives.quality import QUALITY_RANGE, choose_quality
from builder.derivatives.reducing import Box, Sharpen, fitted_height, reduce_picture

_FILM_WIDTH = 960


@dataclass(frozen=True, slots=True)
class Ladder:
    """Which pictures a frame becomes. Qualities come from `fit_ladder`; absent: the middle of the range."""

    widths: tuple[int, ...]  # px, as `ladder_widths` gives them
    formats: tuple[str, ...] = ("avif", "webp")
    qualities: Mapping[tuple[str, int], int] = field(default_factory=dict)  # (format, width) -> quality
    film_width: int = _FILM_WIDTH

    def quality(self, format: str, width: int) -> int:
        return self.qualities.get((format, width), sum(QUALITY_RANGE[format]) // 2)


@dataclass(frozen=True, slots=True)
class Derived:
    """What one frame became."""

    files: Mapping[tuple[str, int], bytes]  # (format, width) -> file
    sizes: Mapping[int, tuple[int, int]]  # width -> (width, height) in px
    picture: np.ndarray  # for strip, film and sheets: at most `film_width` wide, sharpened, not encoded


def ladder_widths(widths: Sequence[int], finished_width: int) -> tuple[int, ...]:
    """Widths that can be had without enlarging: those above the finished frame become its own width, once."""
    return tuple(sorted({min(width, finished_width) for width in widths}))


def fit_ladder(ladder: Ladder, samples: Sequence[np.ndarray], boxes: Sequence[Box | None], sharpen: Sharpen) -> Ladder:
    """The ladder with its qualities measured.

    samples: three or so finished frames of the spin, well apart, as wide as the widest rung.
    boxes: the subject's in each, in the sample's pixels.
    """
    rungs = [sharp_rungs(pixels, ladder.widths, sharpen) for pixels in samples]
    return replace(
        ladder,
        qualities={
            (format, width): rung_quality([rung[width] for rung in rungs], format, boxes, max(ladder.widths))
            for format in ladder.formats
            for width in ladder.widths
        },
    )


def rung_quality(pictures: Sequence[np.ndarray], format: str, boxes: Sequence[Box | None], box_width: int) -> int:
    """Quality for one width of the ladder in one format.

    pictures: the samples at that width, sharpened. boxes: the subject's in each, in pixels of a picture
    `box_width` wide.
    """
    scale = pictures[0].shape[1] / box_width
    scaled = [box and tuple(value * scale for value in box) for box in boxes]
    return choose_quality(pictures, format, scaled)


def sharp_rungs(pixels: np.ndarray, widths: Sequence[int], sharpen: Sharpen) -> dict[int, np.ndarray]:
    """Width -> the frame at that width, sharpened for it."""
    return {width: sharpen(rung, width) for width, rung in _rungs(pixels, widths).items()}


def derive_frame(
    pixels: np.ndarray, ladder: Ladder, sharpen: Sharpen, rungs: Mapping[int, np.ndarray] | None = None
) -> Derived:
    """Every file of one frame, from its finished pixels at least as wide as the widest rung.

    rungs: `sharp_rungs` of them where they are there already.
    """
    widths = ladder_widths((*ladder.widths, ladder.film_width), pixels.shape[1])
    if rungs is None or not rungs.keys() >= set(widths):
        rungs = sharp_rungs(pixels, widths, sharpen)
    files = {
        (format, width): encode_picture(rungs[width], format, ladder.quality(format, width))
        for width in ladder.widths
        for format in ladder.formats
    }
    sizes = {width: (width, rungs[width].shape[0]) for width in ladder.widths}
    return Derived(files, sizes, rungs[min(ladder.film_width, pixels.shape[1])])


def film_picture(
    pixels: np.ndarray, widths: Sequence[int], sharpen: Sharpen, film_width: int = _FILM_WIDTH
) -> np.ndarray:
    """`Derived.picture` alone, from the same pixels and the ladder's widths."""
    width = min(film_width, pixels.shape[1])
    rungs = _rungs(pixels, ladder_widths((*widths, film_width), pixels.shape[1]))
    return sharpen(rungs[width], width)


def _rungs(pixels: np.ndarray, widths: Sequence[int]) -> dict[int, np.ndarray]:
    """Each width, made from the smallest larger rung that is at least half as wide again, else from the top.

    An area average of an area average is as good as one from the top when the steps are that large.
    """
    rungs: dict[int, np.ndarray] = {}
    tall, wide = pixels.shape[:2]
    for width in sorted(widths, reverse=True):
        source = min(
            (rung for key, rung in rungs.items() if key >= 1.5 * width),
            key=lambda rung: rung.shape[1],
            default=pixels,
        )
        rungs[width] = reduce_picture(source, width, fitted_height(wide, tall, width))
    return rungs
