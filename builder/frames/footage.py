"""A film of the turn, read as it streams: times, sizes and upright pictures. Used through `filmed` only.

One picture is held at a time, whatever the film's length. Times are seconds from the film's first picture, so a
variable frame rate needs no care. Pictures are turned upright by the film's own rotation, made of square
pixels, and given as sRGB: ordinary film (BT.709, BT.601) has its code values taken as they are, as screens
do; high dynamic range film (BT.2100, HLG or PQ) is brought to that range first.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from builder.errors import PhotoError

if TYPE_CHECKING:
    import av
    import numpy as np

MOST_PIXELS = 40_000_000  # 8K is 33 million; beyond it a file's claim would cost gigabytes
DAMAGED = "Copy the film from the camera again, or film it again."
# ITU-T H.273 code points, as FFmpeg numbers them
BT709, BT601, BT2020 = 1, 5, 9
HLG, PQ = 18, 16
ROWS_AT_ONCE = 128  # of a high dynamic range picture: light of a whole 4K one would take half a gigabyte
HD_HEIGHT = 720  # an untagged film this high or higher is BT.709, a smaller one BT.601: common practice


@dataclass(frozen=True, slots=True)
class Footage:
    """What a film's header says. width, height: px, upright, square pixels."""

    path: Path
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class FilmPicture:
    """One picture of a film, decoded but not yet converted. time_s: from the film's first picture."""

    time_s: float
    frame: "av.VideoFrame"
    aspect: float = 1.0  # width of a pixel against its height

    def grey(self, long_side: int) -> "np.ndarray":
        """uint8 (h, w), brightness, upright, averaged down until the long side is at most this."""
        return self._converted("gray", long_side)

    def colour(self, long_side: int | None = None) -> "np.ndarray":
        """uint8 (h, w, 3), sRGB, upright; long_side as above, None: full size."""
        if self.frame.color_trc in (HLG, PQ):
            return _from_hdr(self._converted("rgb48le", long_side), self.frame.color_trc)
        return self._converted("rgb24", long_side)

    def _converted(self, pixels: str, long_side: int | None) -> "np.ndarray":
        import numpy as np
        from av.video.reformatter import Interpolation

        width, height = round(self.frame.width * self.aspect), self.frame.height
        scale = min(1.0, long_side / max(width, height)) if long_side else 1.0
        size = max(1, round(width * scale)), max(1, round(height * scale))
        way = Interpolation.AREA if scale < 1 else Interpolation.BICUBIC
        array = self.frame.to_ndarray(
            width=size[0], height=size[1], format=pixels, src_colorspace=_colour_space(self.frame), threads=1,
            interpolation=way | Interpolation.FULL_CHR_H_INT | Interpolation.ACCURATE_RND | Interpolation.BITEXACT,
        )  # fmt: skip
        return np.ascontiguousarray(np.rot90(array, _quarter_turns(self.frame)))


def open_footage(path: Path) -> Footage:
    """Header and first picture of a film. Raises PhotoError when it can't be used as one."""
    with _opened(path) as (container, stream):
        for picture in _decoded(path, container, stream):
            width, height = round(picture.frame.width * picture.aspect), picture.frame.height
            if width * height > MOST_PIXELS:
                what = f"its pictures are {width} × {height}, more than {MOST_PIXELS // 1_000_000} megapixels"
                raise PhotoError.at(path, "", what, "Film in a smaller size.")
            if _quarter_turns(picture.frame) % 2:
                width, height = height, width
            return Footage(path, width, height)
    raise PhotoError.at(path, "", "it holds no picture that can be read", DAMAGED)


def film_pictures(path: Path, start_s: float = 0.0, end_s: float = float("inf")) -> Iterator[FilmPicture]:
    """The film's pictures from start_s to end_s, both included, as they are decoded. Raises PhotoError."""
    with _opened(path) as (container, stream):
        for picture in _decoded(path, container, stream, start_s):
            if picture.time_s > end_s:
                return
            if picture.time_s >= start_s:
                yield picture


@contextmanager
def _opened(path: Path) -> Iterator[tuple]:
    import av

    try:
        container = av.open(str(path), metadata_errors="ignore")
    except (av.FFmpegError, OSError, ValueError) as error:
        raise PhotoError.at(path, "", f"the film can't be read ({_why(error)})", DAMAGED) from None
    with container:
        streams = [s for s in container.streams.video if not s.disposition & av.stream.Disposition.attached_pic]
        if not streams:
            what = "it holds sound only, no pictures" if container.streams.audio else "it holds no pictures"
            raise PhotoError.at(path, "", what, "Name a film of the turn.")
        streams[0].thread_type = "AUTO"
        yield container, streams[0]


def _decoded(path: Path, container, stream, start_s: float = 0.0) -> Iterator[FilmPicture]:
    """Pictures in order of time; from a little before start_s where the film can be entered there."""
    import av

    base = float(stream.time_base)
    first_s = float((stream.start_time or 0) * base)
    aspect = stream.sample_aspect_ratio
    last_s = 0.0
    try:
        if start_s > 1.0:
            container.seek(max(0, int((start_s + first_s - 0.5) / base)), stream=stream)
        for number, frame in enumerate(container.decode(stream)):
            if frame.is_corrupt:
                continue
            time_s = number / float(stream.average_rate or 30) if frame.pts is None else frame.pts * base - first_s
            last_s = time_s
            yield FilmPicture(time_s, frame, float(aspect) if aspect else 1.0)
    except (av.FFmpegError, OSError, ValueError) as error:
        what = f"the film is damaged at {last_s:.1f} s ({_why(error)})"
        raise PhotoError.at(path, "", what, f"{DAMAGED[:-1]}; or use the sound part with from and to.") from None


def _why(error: Exception) -> str:
    return " ".join(str(getattr(error, "strerror", None) or error).split())[:80] or type(error).__name__


def _quarter_turns(frame: "av.VideoFrame") -> int:
    """Counter-clockwise quarter turns that make the picture upright."""
    return round(frame.rotation / 90) % 4


def _colour_space(frame: "av.VideoFrame") -> int:
    named = int(frame.colorspace)
    if named in (BT709, 4, BT601, 6, 7, BT2020):
        return BT601 if named == 6 else named
    return BT709 if frame.height >= HD_HEIGHT else BT601


def _from_hdr(codes: "np.ndarray", curve: int) -> "np.ndarray":
    """uint8 sRGB of BT.2100 code values, uint16 (h, w, 3), full range.

    Light by the inverse curves of ITU-R BT.2100-2 tables 4 and 5; white is the reference white of ITU-R BT.2408
    (75 % HLG; 203 cd/m² PQ), and what is brighter is clipped; primaries by ITU-R BT.2087.
    """
    import numpy as np

    from builder.colour import to_codes

    levels = np.arange(65536, dtype=np.float64) / 65535
    light = (
        _hlg_light(levels) / _hlg_light(np.array([0.75]))[0] if curve == HLG else _pq_light(levels) / 203.0
    ).astype(np.float32)
    to_709 = np.linalg.inv(np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]))
    to_709 = to_709.T.astype(np.float32)
    found = np.empty(codes.shape, np.uint8)
    for row in range(0, len(codes), ROWS_AT_ONCE):
        part = slice(row, row + ROWS_AT_ONCE)
        found[part] = to_codes(np.clip(light[codes[part]] @ to_709, 0.0, 1.0))
    return found


def _hlg_light(levels: "np.ndarray") -> "np.ndarray":
    """Scene light 0..1: BT.2100-2 table 5."""
    import numpy as np

    a, b, c = 0.17883277, 0.28466892, 0.55991073
    return np.where(levels <= 0.5, levels**2 / 3, (np.exp((levels - c) / a) + b) / 12)


def _pq_light(levels: "np.ndarray") -> "np.ndarray":
    """cd/m²: BT.2100-2 table 4."""
    import numpy as np

    m1, m2, c1, c2, c3 = 2610 / 16384, 2523 / 4096 * 128, 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    power = levels ** (1 / m2)
    return 10000 * (np.maximum(power - c1, 0) / (c2 - c3 * power)) ** (1 / m1)
