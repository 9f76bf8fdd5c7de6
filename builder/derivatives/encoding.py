"""Pixels to the bytes of one picture, and back.

One thread an encode, so the same pixels give the same bytes whatever the number of cores. No encoder is
handed an ICC profile, Exif or XMP: untagged pictures are sRGB on the web, and AVIF says so in its own words.
Encoder effort is chosen by bytes saved per second of work: `tests/bench/derivatives.py` prints the table.
"""

from __future__ import annotations

import io

import numpy as np
from PIL import Image

from builder.derivatives.reducing import flatten, spread_colour

ENDINGS = {"avif": ".avif", "webp": ".webp", "jpeg": ".jpg"}
_LARGE = 1080  # px of the shorter side


def encode_picture(pixels: np.ndarray, format: str, quality: int, *, trial: bool = False) -> bytes:
    """A file of "avif", "webp" or "jpeg". JPEG has no transparency: flattened on white.

    trial: to see what a quality looks like, whatever it weighs: large AVIFs at the encoder's quickest, where
    that looks the same.
    """
    if format == "jpeg":
        pixels = flatten(pixels)
    elif pixels.shape[2] == 4:
        pixels = spread_colour(pixels)
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
