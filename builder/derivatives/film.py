"""The turn as moving pictures: preview.gif and preview.mp4, from the small pictures of all frames.

Returns bytes. Pictures are uint8 (h, w, 3) or (h, w, 4), all of one size, in turning order; transparent ones
are flattened on white. An uneven turn plays evenly: each picture is on for its share of the turn. A part turn
swings there and back instead of jumping.
"""

from __future__ import annotations

import io
import math
import struct
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from builder.derivatives.reducing import Colour, edge_colour, flatten, reduce_picture

TURN_S = 3.6  # one turn; 36 frames then stay on for 0.1 s each
_LONGEST_STAY_S = 0.2  # few frames turn faster rather than standing still one by one
_MOST_PICTURES = 120  # a turn; more go by faster than a film's 30 frames a second
GIF_BUDGET = 3_000_000  # bytes
_GIF_WIDEST = 640
_GIF_POWER = 1.7  # bytes grow like width to this power, on the demo's spins at 400 to 640 px
_GIF_LEAST_CS = 2  # 1/100 s; browsers slow anything shorter down
_MP4_LEAST_S = 3.0
_MP4_RATES = (30, 25, 24)  # frames a second, all of them common in films


# ---- timing ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Timing:
    """Which pictures a loop shows and each one's share of it (adding up to 1)."""

    order: tuple[int, ...]
    shares: tuple[float, ...]
    loop_s: float


def time_turn(count: int, angles_deg: Sequence[float] | None = None, closed: bool = True) -> Timing:
    """The loop of a turn of `count` frames.

    angles_deg: growing from frame 0, or None for even steps. A picture stays for half the step before it and
    half the step after it. closed: over the seam to the first frame; else there and back again. Of very
    many frames every second or third is shown.
    """
    if angles_deg is None or len(angles_deg) != count or any(angle is None for angle in angles_deg):
        angles_deg = [360.0 * index / count for index in range(count)]
    shown = list(range(0, count, math.ceil(count / _MOST_PICTURES)))
    angles = np.asarray(angles_deg, float)[shown]
    steps = np.maximum(np.diff(angles), 0.0)
    if closed:
        order = shown
        after = np.append(steps, max(0.0, 360.0 - (angles[-1] - angles[0])))
    else:
        order = shown + shown[-2:0:-1]
        after = np.concatenate([steps, steps[::-1]])
    stays = (after + np.roll(after, 1)) / 2
    if stays.sum() <= 0:
        stays = np.ones(len(order))
    loop_s = min(TURN_S, _LONGEST_STAY_S * len(shown)) * len(order) / len(shown)
    return Timing(tuple(order), tuple((stays / stays.sum()).tolist()), loop_s)


def spread_ticks(shares: Sequence[float], ticks: int, least: int = 0) -> list[int]:
    """Whole ticks for each share, adding up to about `ticks`; rounding never piles up. None below `least`."""
    ends = np.rint(np.cumsum(shares) * ticks).astype(int)
    return [max(least, int(stay)) for stay in np.diff(ends, prepend=0)]


# ---- GIF ---------------------------------------------------------------------------------------------------

_CLEAR = 255  # palette index that lets the picture before show through
_MIX = 16  # palette colours that stand for one colour, one for each place of the pattern
_MIX_STRENGTH = 0.5  # share of an error that the next colour of the mix makes good: less grain, fewer bytes
# Ordered dither, B. E. Bayer, IEEE ICC 1973: neighbours differ as much as they can.
_PATTERN = np.array([[0, 8, 2, 10], [12, 4, 14, 6], [3, 11, 1, 9], [15, 7, 13, 5]])


def make_gif(
    pictures: Sequence[np.ndarray],
    timing: Timing,
    budget: int = GIF_BUDGET,
    backdrop: Colour | None = None,
) -> bytes:
    """An animated GIF89a that loops for ever, as wide as `budget` bytes allow.

    One palette, the global table, serves the whole turn: no frame can differ in it. The dither is a fixed
    pattern, so that what stands still doesn't crawl, and it leaves the backdrop's own colour alone.
    backdrop: that colour; None: the median of the edges.
    """
    widest = min(_GIF_WIDEST, pictures[0].shape[1])
    few = pictures[:: max(1, len(pictures) // 6)]
    guess = len(_gif_of(few, widest, None, backdrop)) * len(timing.order) / len(few)
    width = min(widest, _fitting_width(widest, guess, budget, _GIF_POWER))
    while len(file := _gif_of(pictures, width, timing, backdrop)) > budget and width > 16:
        width = min(width - 8, _fitting_width(width, len(file), budget, _GIF_POWER))
    if width < widest and len(file) < 0.8 * budget:  # too careful: once more, by the power that was seen
        power = max(1.0, math.log(guess / len(file)) / math.log(widest / width))
        width = min(widest, _fitting_width(width, len(file), budget, power))
        wider = _gif_of(pictures, width, timing, backdrop)
        file = wider if len(wider) <= budget else file
    return file


def _fitting_width(width: int, size: float, budget: int, power: float) -> int:
    """The even width at which `size` bytes become 97 % of `budget`, if they grow like that power of width."""
    return max(16, int(width * (0.97 * budget / size) ** (1 / power)) // 2 * 2)


def _gif_of(pictures: Sequence[np.ndarray], width: int, timing: Timing | None, backdrop: Colour | None) -> bytes:
    """timing None: for a guess at the size, each picture once and whole."""
    small = [reduce_picture(flatten(picture), width) for picture in pictures]
    counts = sum(np.bincount(_colour_cells(picture).ravel(), minlength=1 << 18) for picture in small)
    palette = _palette(counts, backdrop or edge_colour(small[0]))
    table = _mixes(np.flatnonzero(counts), palette)
    tall, wide = small[0].shape[:2]
    place = np.tile(_PATTERN, (tall // 4 + 1, wide // 4 + 1))[:tall, :wide]
    indexed = [table[_colour_cells(picture), place] for picture in small]
    if timing is None:
        return b"".join(_image_block(frame, (0, 0)) for frame in indexed)
    return _gif_file(indexed, palette, timing)


def _colour_cells(picture: np.ndarray) -> np.ndarray:
    """(h, w, 3) -> (h, w) int32: r, g, b at 6 bits each, packed."""
    r, g, b = (picture[..., channel].astype(np.int32) >> 2 for channel in range(3))
    return r << 12 | g << 6 | b


def _cell_colours(cells: np.ndarray) -> np.ndarray:
    """The colour in the middle of each cell, float32 (n, 3); the brightest cell counts as white."""
    rgb = np.stack([cells >> 12, cells >> 6 & 63, cells & 63], axis=1)
    return np.where(rgb == 63, 255, rgb * 4 + 2).astype(np.float32)


def _palette(counts: np.ndarray, backdrop: Colour) -> np.ndarray:
    """float32 (255, 3): the backdrop first, then 254 colours by median cut and k-means.

    Counts go in by their square root: a small red mark on a large blue pot keeps its red.
    """
    used = np.flatnonzero(counts)
    repeats = np.ceil(np.sqrt(counts[used])).astype(int)
    samples = np.repeat(_cell_colours(used), repeats, axis=0).astype(np.uint8)
    quantized = Image.fromarray(samples[None]).quantize(254, method=Image.Quantize.MEDIANCUT, kmeans=2)
    found = np.array(quantized.getpalette("RGB"), np.float32).reshape(-1, 3)[:254]
    palette = np.tile(np.array(backdrop, np.float32), (255, 1))
    palette[1 : 1 + len(found)] = found
    return palette


def _mixes(used: np.ndarray, palette: np.ndarray) -> np.ndarray:
    """uint8 (2**18, _MIX): for each colour cell in use, palette colours whose mix looks like it, by luma.

    Each next colour is the nearest to the target plus a share of the error so far, so that the mix's mean
    closes in on the target; the pattern then picks one by place. Errors never travel across the picture.
    All numbers are halves of integers, exact in float32: the nearest doesn't hang on the order of adding.
    """
    target = _cell_colours(used)
    error = np.zeros_like(target)
    norms = (palette * palette).sum(axis=1)
    mixes = np.empty((len(used), _MIX), np.uint8)
    for turn in range(_MIX):
        wanted = target + _MIX_STRENGTH * error
        nearest = (norms - 2 * wanted @ palette.T).argmin(axis=1)
        mixes[:, turn] = nearest
        error += target - palette[nearest]
    luma = palette @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    order = np.argsort(luma[mixes], axis=1, kind="stable")
    table = np.zeros((1 << 18, _MIX), np.uint8)
    table[used] = np.take_along_axis(mixes, order, axis=1)
    table[_colour_cells(palette[:1, None].astype(np.uint8))[0]] = 0
    return table


def _gif_file(indexed: Sequence[np.ndarray], palette: np.ndarray, timing: Timing) -> bytes:
    """GIF89a: header, global table of 256, loop extension, then the frames as changes to the one before."""
    tall, wide = indexed[0].shape
    delays = spread_ticks(timing.shares, round(timing.loop_s * 100), _GIF_LEAST_CS)
    table = np.vstack([palette, palette[:1]]).astype(np.uint8)
    blocks = []
    shown = None
    for index, delay in zip(timing.order, delays, strict=True):
        frame = indexed[index]
        blocks.append([delay, *_change(shown, frame)])
        shown = frame
    head = b"GIF89a" + struct.pack("<HHBBB", wide, tall, 0b1111_0111, 0, 0) + table.tobytes()
    loop = b"\x21\xff\x0bNETSCAPE2.0\x03\x01\x00\x00\x00"  # 0: for ever
    return head + loop + b"".join(_control(*block[:2]) + block[2] for block in blocks) + b"\x3b"


def _control(delay_cs: int, clear: bool) -> bytes:
    """Graphic control extension: leave the picture standing (disposal 1), delay, which index is clear."""
    return struct.pack("<BBBBHBB", 0x21, 0xF9, 4, 1 << 2 | clear, delay_cs, _CLEAR if clear else 0, 0)


def _change(shown: np.ndarray | None, frame: np.ndarray) -> tuple[bool, bytes]:
    """(uses the clear index, image block) of what differs from the picture shown before."""
    if shown is None:
        return False, _image_block(frame, (0, 0))
    differs = frame != shown
    rows, columns = np.flatnonzero(differs.any(axis=1)), np.flatnonzero(differs.any(axis=0))
    if not len(rows):
        return False, _image_block(frame[:1, :1], (0, 0))
    box = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
    corner = int(columns[0]), int(rows[0])
    whole = _image_block(frame[box], corner)
    holed = _image_block(np.where(differs[box], frame[box], np.uint8(_CLEAR)), corner)
    return (True, holed) if len(holed) < len(whole) else (False, whole)


def _image_block(indices: np.ndarray, corner: tuple[int, int]) -> bytes:
    """Image descriptor without a local table, and LZW data by Pillow."""
    tall, wide = indices.shape
    image = Image.frombytes("P", (wide, tall), indices.tobytes())
    image.putpalette(bytes(range(256)) * 3)
    file = io.BytesIO()
    image.save(file, "GIF", optimize=False, interlace=False)
    whole = file.getvalue()
    start = 13 + 3 * 256  # header, screen descriptor, global table
    while whole[start] == 0x21:  # an extension: label, then blocks up to an empty one
        start += 2
        while whole[start]:
            start += 1 + whole[start]
        start += 1
    return struct.pack("<BHHHHB", 0x2C, *corner, wide, tall, 0) + whole[start + 10 : -1]


# ---- MP4 ---------------------------------------------------------------------------------------------------


def make_mp4(pictures: Sequence[np.ndarray], timing: Timing) -> bytes:
    """H.264 in MP4, at least 3 s long by repeating the turn, the index before the pictures.

    Constant frame rate: each picture is held for its share of the turn. Size is even: an odd row or column
    is cut off. Through imageio's PyAV plugin, which works within this process. It has no public way to set
    the encoder's options, so they go in by its stream (tests check that they arrive).
    """
    import imageio.v3 as iio

    rate, ticks = _rate_and_ticks(timing)
    stays = spread_ticks(timing.shares, ticks)
    turns = max(1, int(np.ceil(_MP4_LEAST_S * rate / ticks)))
    with tempfile.TemporaryDirectory(prefix="kickwheel-") as folder:
        path = Path(folder) / "preview.mp4"
        with iio.imopen(path, "w", plugin="pyav", container_options=_MP4_CONTAINER) as film:
            film.init_video_stream("libx264", fps=rate, pixel_format="yuv420p")
            film._video_stream.options = _MP4_ENCODER | {"g": str(ticks)}
            for planes in _held(pictures, timing.order, stays, turns):
                film.write_frame(planes, pixel_format="yuv420p")
        return path.read_bytes()


# bitexact: no program name or time in the file. faststart: the index (moov) first.
_MP4_CONTAINER = {"movflags": "+faststart", "fflags": "+bitexact"}
# threads: bytes must not depend on cores. mbtree=0: the tree reads memory that was never written, so that one
# encode in a hundred or so comes out different (x264 core 165; glibc's MALLOC_PERTURB_ brings it out, and a
# test looks for it); crf 22 without it is crf 20 with it, in bytes and in SSIM. The colour tags say what
# `_video_matrix` does.
_MP4_ENCODER = {
    "preset": "veryfast",
    "crf": "22",
    "x264-params": "mbtree=0",
    "threads": "1",
    "profile": "high",
    "colorspace": "bt709",
    "color_primaries": "bt709",
    "color_trc": "bt709",
    "color_range": "tv",
}


def _video_matrix() -> np.ndarray:
    """(3, 4): r, g, b codes 0..255 -> Y 16..235, Cb and Cr 16..240. ITU-R BT.709-6, items 3.2 to 3.5."""
    red, green, blue = 0.2126, 0.7152, 0.0722
    luma = np.array([red, green, blue])
    rows = [
        luma * 219,
        (np.array([0, 0, 1]) - luma) / 1.8556 * 224,
        (np.array([1, 0, 0]) - luma) / 1.5748 * 224,
    ]
    return np.column_stack([np.array(rows) / 255, [16, 128, 128]])


def _rate_and_ticks(timing: Timing) -> tuple[int, int]:
    """Frame rate and video frames a turn: a whole number of frames a picture, nearest to the loop's time."""
    count = len(timing.order)
    choices = [
        (rate, count * max(1, stay))
        for rate in _MP4_RATES
        for stay in (int(timing.loop_s * rate / count), int(timing.loop_s * rate / count) + 1)
    ]
    return min(choices, key=lambda choice: abs(choice[1] / choice[0] - timing.loop_s))


class _Planes(tuple):
    """Y, Cb and Cr of one video frame, uint8; what imageio asks of an array, for planes of unlike size."""

    @property
    def shape(self) -> tuple[int, int, int]:
        return (3, *self[0].shape)


def _to_planes(picture: np.ndarray) -> _Planes:
    """4:2:0 of an even-sized picture (h, w, 3). Chroma sits at the left of its 2 × 2 px, as H.264 takes for
    granted (ITU-T H.264, figure E-1, type 0): 1-2-1 across, the mean of two down.
    """
    luma, *chroma = cv2.split(cv2.transform(picture.astype(np.float32), _video_matrix()))
    across = np.array([0.25, 0.5, 0.25], np.float32)
    down = np.array([0, 0.5, 0.5], np.float32)
    halves = [cv2.sepFilter2D(plane, -1, across, down, borderType=cv2.BORDER_REPLICATE)[::2, ::2] for plane in chroma]
    return _Planes(np.rint(plane).astype(np.uint8) for plane in (luma, *halves))


def _held(pictures: Sequence[np.ndarray], order: Sequence[int], stays: Sequence[int], turns: int) -> Iterator[_Planes]:
    """Video frames, each picture repeated for as long as it stays."""
    tall, wide = (side // 2 * 2 for side in pictures[0].shape[:2])
    for _ in range(turns):
        for index, stay in zip(order, stays, strict=True):
            if stay:
                yield from [_to_planes(flatten(pictures[index])[:tall, :wide])] * stay
