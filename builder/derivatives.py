"""Finished pixels in, files of pictures out: frame ladder, first-turn strip, poster, still, link picture.

Everything here takes arrays and returns bytes; nothing touches disk or knows where pixels came from.
Pixels are uint8 (h, w, 3) sRGB, or (h, w, 4) with straight alpha where the backdrop is transparent.
One thread an encode, so the same pixels give the same bytes whatever the number of cores. No encoder is
handed an ICC profile, Exif or XMP: untagged pictures are sRGB on the web, and AVIF says so in its own words.

Encoder effort is chosen by bytes saved per second of work: `tests/bench/derivatives.py` prints the table.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from PIL import Image

from builder import colour

Sharpen = Callable[[np.ndarray, int], np.ndarray]  # (pixels, width in px) -> pixels
Box = tuple[float, float, float, float]  # x0, y0, x1, y1 in pixels of the picture it goes with
Colour = tuple[int, int, int]  # sRGB, 0..255

WHITE: Colour = (255, 255, 255)
ENDINGS = {"avif": ".avif", "webp": ".webp", "jpeg": ".jpg"}

# Where a quality may lie. Below the lower end smooth shading bands, and white beside the subject is no longer
# white (at 60, 70 and 74 about one pixel in 70 is off by more than 2 codes), although SSIM, an average over
# calm areas too, still looks good; above the upper end bytes grow without anything to see.
QUALITY_RANGE = {"avif": (60, 86), "webp": (70, 92), "jpeg": (74, 93)}
TARGET_SSIM = 0.982
# ln(1 - SSIM) falls by about this much a step of quality in all three formats: only the first guess of a
# search that then measures.
_SLOPE_GUESS = -0.022
_TRIALS = 3
_LARGE = 1080  # px of the shorter side
_NEAR = 6  # steps of quality over which the line is trusted beyond its trials

_FILM_WIDTH = 960
_POSTER_WIDTH = 960
_STILL_SIDE = 1080
_LINK_SIZE = (1200, 630)  # the size that readers of Open Graph pictures show large, common practice
STRIP_BUDGET = 60_000  # bytes
_STRIP_WIDEST = 240  # px a cell
_STRIP_SIDE = 4096  # px, the largest picture that old phones' graphics take
_STRIP_QUALITY = (42, 72)
# Of the strip as AVIF, which most browsers take instead: the look of WebP at 42 for two thirds of its bytes
# (tests/bench/derivatives.py prints both), and every 20 kB are 100 ms at 1.6 Mbit/s.
_AVIF_STRIP_QUALITY = 40
AVIF_STRIP_BUDGET = 40_000  # bytes


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


@dataclass(frozen=True, slots=True)
class Strip:
    """One sheet with every frame at low resolution, row by row."""

    file: bytes  # WebP: half of a JPEG's bytes, and every engine that has pointer events decodes it
    columns: int
    width: int  # of one cell, px
    height: int
    avif: bytes | None = None  # the same sheet, lighter, for browsers that decode it


# ---- light -------------------------------------------------------------------------------------------------

# 16 bit linear light keeps every code apart, down to black: code -> light -> code is exact.
_TO_LINEAR = np.rint(colour.decode(np.arange(256) / 255) * 65535).astype(np.uint16)
_TO_CODE = np.rint(colour.encode(np.arange(65536) / 65535) * 255).astype(np.uint8)


def flatten(pixels: np.ndarray, backdrop: Colour = WHITE) -> np.ndarray:
    """(h, w, 3|4) -> (h, w, 3): a transparent picture laid on a colour, blended in linear light."""
    if pixels.shape[2] == 3:
        return pixels
    alpha = pixels[..., 3:].astype(np.float32) / 255
    light = cv2.LUT(np.ascontiguousarray(pixels[..., :3]), _TO_LINEAR).astype(np.float32)
    under = _TO_LINEAR[np.array(backdrop)].astype(np.float32)
    return np.take(_TO_CODE, np.rint(light * alpha + under * (1 - alpha)).astype(np.uint16))


def reduce_picture(pixels: np.ndarray, width: int, height: int | None = None) -> np.ndarray:
    """Area average in linear light to `width` px; height keeps the shape unless given. Never enlarges.

    Linear costs up to twice the time of averaging the codes (tests/bench prints it), some ms where an encode
    takes a hundred: no reason to let fine bright detail darken.
    """
    tall, wide = pixels.shape[:2]
    width = min(width, wide)
    height = min(height or fitted_height(wide, tall, width), tall)
    if (width, height) == (wide, tall):
        return pixels
    size = (width, height)
    if pixels.shape[2] == 3:
        light = cv2.LUT(np.ascontiguousarray(pixels), _TO_LINEAR)
        return np.take(_TO_CODE, cv2.resize(light, size, interpolation=cv2.INTER_AREA))
    return _reduce_transparent(pixels, size)


def _reduce_transparent(pixels: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """As `reduce_picture`, colour weighted by coverage so that hidden colour can't leak into the edge."""
    alpha = pixels[..., 3:].astype(np.float32) / 255
    light = cv2.LUT(np.ascontiguousarray(pixels[..., :3]), _TO_LINEAR).astype(np.float32) * alpha
    light = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    alpha = cv2.resize(alpha, size, interpolation=cv2.INTER_AREA)[..., None]
    light = np.clip(np.rint(light / np.maximum(alpha, 1e-4)), 0, 65535).astype(np.uint16)
    return np.dstack([np.take(_TO_CODE, light), np.rint(alpha * 255).astype(np.uint8)])


def edge_colour(picture: np.ndarray) -> Colour:
    """Median sRGB of the outermost pixels of (h, w, 3): the backdrop's colour."""
    edges = np.concatenate([picture[0], picture[-1], picture[:, 0], picture[:, -1]])
    return tuple(int(value) for value in np.median(edges, axis=0))


def fitted_height(wide: int, tall: int, width: int) -> int:
    """Height that keeps the shape of wide × tall at `width`."""
    return max(1, round(tall * width / wide))


def _spread_colour(pixels: np.ndarray) -> np.ndarray:
    """Under full transparency, colour like the nearest visible one.

    Lossy encoders mix neighbours (chroma at half size above all): black or white under the hidden part
    would fringe the edge.
    """
    alpha = pixels[..., 3].astype(np.float32) / 255
    shown = pixels[..., :3].astype(np.float32)
    premultiplied = shown * alpha[..., None]
    hidden = pixels[..., 3] == 0
    for reach in (9, 65):
        weight = cv2.blur(alpha, (reach, reach))
        near = hidden & (weight > 1e-3)
        shown[near] = cv2.blur(premultiplied, (reach, reach))[near] / weight[near][:, None]
        hidden = hidden & ~near
    shown[hidden] = 255
    return np.dstack([np.clip(np.rint(shown), 0, 255).astype(np.uint8), pixels[..., 3]])


# ---- encoding and its quality ------------------------------------------------------------------------------


def encode_picture(pixels: np.ndarray, format: str, quality: int, *, trial: bool = False) -> bytes:
    """A file of "avif", "webp" or "jpeg". JPEG has no transparency: flattened on white.

    trial: to see what a quality looks like, whatever it weighs: large AVIFs at the encoder's quickest, where
    that looks the same.
    """
    if format == "jpeg":
        pixels = flatten(pixels)
    elif pixels.shape[2] == 4:
        pixels = _spread_colour(pixels)
    options = {
        "avif": {
            "codec": "aom",
            "subsampling": "4:2:0",
            "max_threads": 1,
            "advanced": {"tune": "ssim"},
            "speed": _avif_speed(pixels, trial),
        },
        "webp": {"method": 4, "alpha_quality": 90},
        "jpeg": {"optimize": True, "progressive": True, "subsampling": "4:2:0"},
    }[format]
    file = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).save(file, format.upper(), quality=quality, **options)
    return file.getvalue()


def _avif_speed(pixels: np.ndarray, trial: bool) -> int:
    """The slowest that still saves 50 bytes for each ms more (tests/bench prints them): 7, above 1080 px 8.

    The encoder's presets change there. 10 looks like 8 (SSIM within 0.0002) in half its time, but worse
    than 7.
    """
    if min(pixels.shape[:2]) < _LARGE:
        return 7
    return 10 if trial else 8


def decode_picture(file: bytes) -> np.ndarray:
    """(h, w, 3), or (h, w, 4) for a file with transparency."""
    with Image.open(io.BytesIO(file)) as image:
        return np.asarray(image.convert("RGBA" if image.mode in ("RGBA", "LA", "PA") else "RGB"))


def pack_picture(picture: np.ndarray) -> bytes:
    """Lossless and small, for a cache; `decode_picture` gives the same array back."""
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "WEBP", lossless=True, method=0, quality=0, exact=True)
    return file.getvalue()


def structural_similarity(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """SSIM of two lumas (uint8 or float32, 0..255) at every pixel, float32 (h, w), 1 = alike.

    Wang, Bovik, Sheikh and Simoncelli, IEEE Trans. Image Processing 13(4), 2004, with a flat window of
    7 × 7 px and sample covariance: scikit-image's default.
    """
    window, samples = (7, 7), 49
    a, b = first.astype(np.float32), second.astype(np.float32)

    def mean(values: np.ndarray) -> np.ndarray:
        return cv2.blur(values, window, borderType=cv2.BORDER_REFLECT)

    unbias = samples / (samples - 1)
    mean_a, mean_b = mean(a), mean(b)
    product, squares = mean_a * mean_b, mean_a * mean_a + mean_b * mean_b
    variances = unbias * (mean(a * a + b * b) - squares)
    covariance = unbias * (mean(a * b) - product)
    c1, c2 = (0.01 * 255) ** 2, (0.03 * 255) ** 2
    return (2 * product + c1) * (2 * covariance + c2) / ((squares + c1) * (variances + c2))


def _luma(pixels: np.ndarray) -> np.ndarray:
    """float32 (h, w), 0..255, weights of ITU-R BT.709; transparent pictures as on white."""
    codes = np.ascontiguousarray(flatten(pixels)).astype(np.float32)
    return cv2.transform(codes, colour.LUMINANCE[None])


@dataclass(frozen=True, slots=True)
class _Sample:
    """A picture ready for trials, and the part of it that is judged."""

    pixels: np.ndarray
    judged: tuple[slice, slice]  # rows and columns of the subject's box
    luma: np.ndarray  # of the judged part

    def loss(self, format: str, quality: int) -> float:
        """1 - mean SSIM inside the box after encoding."""
        decoded = decode_picture(encode_picture(self.pixels, format, quality, trial=True))
        return 1 - float(structural_similarity(self.luma, _luma(decoded[self.judged])).mean())


def _sample(pixels: np.ndarray, box: Box | None, format: str) -> _Sample:
    """AVIF and WebP share their bits over the whole picture, so they are tried whole; for JPEG the box and
    the blocks of 16 px around it do.
    """
    tall, wide = pixels.shape[:2]
    x0, y0, x1, y1 = (round(value) for value in box or (0, 0, wide, tall))
    x0, y0, x1, y1 = max(0, x0), max(0, y0), min(wide, x1), min(tall, y1)
    if x1 - x0 < 16 or y1 - y0 < 16:
        x0, y0, x1, y1 = 0, 0, wide, tall
    if format == "jpeg":
        left, top = x0 // 16 * 16, y0 // 16 * 16
        pixels = pixels[top : -(-y1 // 16) * 16, left : -(-x1 // 16) * 16]
        x0, y0, x1, y1 = x0 - left, y0 - top, x1 - left, y1 - top
    judged = (slice(y0, y1), slice(x0, x1))
    return _Sample(pixels, judged, _luma(pixels[judged]))


def choose_quality(
    samples: Sequence[np.ndarray],
    format: str,
    boxes: Sequence[Box | None] | None = None,
    target: float = TARGET_SSIM,
) -> int:
    """The lowest quality at which the samples' mean SSIM (luma, inside their boxes) reaches `target`.

    samples: a few frames of one spin at one width, as they will be encoded. boxes: where the subject is in
    each; None: the whole picture. ln(1 - SSIM) is nearly straight in quality, so two trials give the line; a
    third only where it leads far away. The answer keeps to QUALITY_RANGE.
    """
    boxes = boxes or [None] * len(samples)
    trials = [_sample(pixels, box, format) for pixels, box in zip(samples, boxes, strict=True)]

    def loss(quality: int) -> float:
        return math.log(max(1e-6, float(np.mean([sample.loss(format, quality) for sample in trials]))))

    limits, wanted = QUALITY_RANGE[format], math.log(1 - target)
    quality = sum(limits) // 2
    tried: dict[int, float] = {}
    while quality not in tried and len(tried) < _TRIALS:
        tried[quality] = loss(quality)
        quality = _next_quality(tried, wanted, limits)
        if len(tried) > 1 and min(abs(quality - key) for key in tried) <= _NEAR:
            break
    return quality


def _next_quality(tried: Mapping[int, float], wanted: float, limits: tuple[int, int]) -> int:
    """The lowest quality whose loss should be `wanted`, by the line through the two trials nearest."""
    near = sorted(tried, key=lambda quality: abs(tried[quality] - wanted))
    poor = max((quality for quality in tried if tried[quality] > wanted), default=near[0])
    good = min((quality for quality in tried if tried[quality] <= wanted), default=near[0])
    first, second = (poor, good) if poor != good else (near[0], near[min(1, len(near) - 1)])
    slope = (tried[second] - tried[first]) / (second - first) if first != second else _SLOPE_GUESS
    guess = first + math.ceil((wanted - tried[first]) / min(slope, _SLOPE_GUESS / 4))
    return min(max(guess, limits[0]), limits[1])


# ---- the frame ladder --------------------------------------------------------------------------------------


def ladder_widths(widths: Sequence[int], finished_width: int) -> tuple[int, ...]:
    """Widths that can be had without enlarging: those above the finished frame become its own width, once."""
    return tuple(sorted({min(width, finished_width) for width in widths}))


def fit_ladder(
    ladder: Ladder, samples: Sequence[np.ndarray], boxes: Sequence[Box | None], sharpen: Sharpen
) -> Ladder:
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


def rung_quality(
    pictures: Sequence[np.ndarray], format: str, boxes: Sequence[Box | None], box_width: int
) -> int:
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


def derive_frame(pixels: np.ndarray, ladder: Ladder, sharpen: Sharpen) -> Derived:
    """Every file of one frame, from its finished pixels at least as wide as the widest rung."""
    widths = ladder_widths((*ladder.widths, ladder.film_width), pixels.shape[1])
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


# ---- single pictures ---------------------------------------------------------------------------------------


def encode_jpeg(pixels: np.ndarray, box: Box | None = None) -> bytes:
    """A JPEG at the lowest quality that measures well for this one picture."""
    pixels = flatten(pixels)
    return encode_picture(pixels, "jpeg", choose_quality([pixels], "jpeg", [box]))


def make_poster(pixels: np.ndarray, sharpen: Sharpen, width: int = _POSTER_WIDTH) -> bytes:
    """JPEG of the home frame, at most `width` px wide."""
    picture = reduce_picture(flatten(pixels), width)
    return encode_jpeg(sharpen(picture, picture.shape[1]))


def make_still(
    pixels: np.ndarray, sharpen: Sharpen, backdrop: Colour | None = None, side: int = _STILL_SIDE
) -> bytes:
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
    around = np.array(backdrop, np.float32) if backdrop else _from_afar(picture)[rows][:, columns]
    ramp = max(2, round(0.04 * max(tall, wide)))
    across, down = _cover(x0, x1, wide, ramp), _cover(y0, y1, tall, ramp)
    cover = (down[:, None] * across[None, :])[..., None]
    return np.rint(picture[rows][:, columns] * cover + around * (1 - cover)).astype(np.uint8)


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


# ---- first-turn strip --------------------------------------------------------------------------------------


def make_strip(pictures: Sequence[np.ndarray], budget: int = STRIP_BUDGET, *, avif: bool = True) -> Strip:
    """All frames on one sheet, cells as large and as good as `budget` bytes allow.

    pictures: `Derived.picture` of each frame, in turning order. Cells are whole blocks of the encoder, so
    that neighbours don't bleed into each other, but for chroma in the outermost pixel, which decoders smooth.
    They may be off the frame's shape by a percent and are meant to be shown in the frame's shape.
    """
    wide, tall = pictures[0].shape[1], pictures[0].shape[0]
    lowest, highest = _STRIP_QUALITY
    wanted = math.inf
    for width, height in _cells(wide, tall, len(pictures)):
        if width > wanted:
            continue
        columns = _columns(len(pictures), width, height)
        sheet = _sheet([reduce_picture(picture, width, height) for picture in pictures], columns)
        file = encode_picture(sheet, "webp", lowest)
        if len(file) <= budget:
            break
        wanted = width * (budget / len(file)) ** 0.6  # bytes grow a little slower than the area
    best = _better_strip(sheet, file, budget, (lowest, highest))
    return Strip(best, columns, width, height, _avif_strip(sheet) if avif else None)


def _avif_strip(sheet: np.ndarray) -> bytes:
    """At the wanted quality, or at as much as the budget takes."""
    quality, file = _AVIF_STRIP_QUALITY, encode_picture(sheet, "avif", _AVIF_STRIP_QUALITY)
    while len(file) > AVIF_STRIP_BUDGET and quality > 20:
        # bytes grow by about 3 % a step of quality
        quality = max(20, quality - max(2, round(math.log(len(file) / AVIF_STRIP_BUDGET) / 0.03)))
        file = encode_picture(sheet, "avif", quality)
    return file


def _better_strip(sheet: np.ndarray, file: bytes, budget: int, qualities: tuple[int, int]) -> bytes:
    """What the budget has left goes into quality; `file` is the sheet at the lowest."""
    low, high = qualities
    best = encode_picture(sheet, "webp", high)
    if len(best) <= budget or len(file) > budget:
        return min(best, file, key=lambda made: (len(made) > budget, -len(made)))
    # ln(bytes) is nearly straight in quality; one step back if the line promised too much
    slope = math.log(len(best) / len(file)) / (high - low)
    quality = low + int(math.log(budget / len(file)) / slope)
    for step in (0, 2, 4):
        if quality - step > low:
            made = encode_picture(sheet, "webp", quality - step)
            if len(made) <= budget:
                return made
    return file


def _cells(wide: int, tall: int, count: int) -> list[tuple[int, int]]:
    """Cell sizes to try, largest first: sides multiples of 8 px, shape within 1 % where that is possible."""
    widths = range(min(_STRIP_WIDEST, wide) // 8 * 8, 0, -8)
    cells = [(width, max(8, round(tall * width / wide / 8) * 8)) for width in widths]
    cells = [(width, height) for width, height in cells if height <= tall and _columns(count, width, height)]
    true = [cell for cell in cells if abs(cell[1] * wide / (cell[0] * tall) - 1) <= 0.01]
    return true or cells or [(wide, tall)]


def _columns(count: int, width: int, height: int) -> int:
    """Columns for a sheet about as wide as tall; 0: no sheet within the largest side holds the cells."""
    most_rows = max(1, _STRIP_SIDE // height)
    columns = max(math.ceil(math.sqrt(count * height / width)), math.ceil(count / most_rows))
    return columns if columns * width <= _STRIP_SIDE else 0


def _sheet(cells: Sequence[np.ndarray], columns: int) -> np.ndarray:
    """Cells side by side, row by row; what is left of the last row is white (or clear)."""
    tall, wide, channels = cells[0].shape
    rows = math.ceil(len(cells) / columns)
    sheet = np.full((rows * tall, columns * wide, channels), 255, np.uint8)
    sheet[..., 3:] = 0
    for index, cell in enumerate(cells):
        top, left = index // columns * tall, index % columns * wide
        sheet[top : top + tall, left : left + wide] = cell
    return sheet
