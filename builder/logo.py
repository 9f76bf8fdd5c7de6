"""The shop's logo as it goes into the site: small, and without what a camera wrote into it."""

from __future__ import annotations

import io
import warnings
from pathlib import Path

from builder.errors import InputError
from builder.svg_cleaning import clean_svg

WIDEST_PX = 800  # twice what any page shows
LARGEST_SVG = 500_000  # bytes
MOST_PIXELS = 40_000_000


def read_logo(path: Path) -> tuple[bytes, str, int | None, int | None]:
    """Content, ending, and size in px (None for SVG, which has none of its own to rely on). Raises InputError."""
    if path.suffix.lower() == ".svg":
        return _read_svg(path), "svg", None, None
    import numpy as np
    from PIL import Image, ImageOps

    from builder.srgb import to_srgb

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path, formats=["PNG", "JPEG", "WEBP"]) as image:
                if image.width * image.height > MOST_PIXELS:
                    raise ValueError(f"{image.width} × {image.height} pixels are too many")
                upright = ImageOps.exif_transpose(image)
                picture = upright.convert("RGBA")
                plain = picture.convert("RGB")
                plain.info["icc_profile"] = upright.info.get("icc_profile")
                plain = to_srgb(plain)
    except Exception as error:  # a broken picture can raise nearly anything inside a decoder
        raise InputError.at(
            path, "[shop] logo", f"the picture can't be read ({error})", "Use an SVG, PNG, JPEG or WebP file."
        ) from None
    plain.putalpha(picture.getchannel("A"))
    picture = Image.fromarray(np.asarray(plain))  # nothing but pixels: no profile, no words
    picture.thumbnail((WIDEST_PX, WIDEST_PX))
    file = io.BytesIO()
    picture.save(file, "PNG", optimize=True)
    return file.getvalue(), "png", *picture.size


def _read_svg(path: Path) -> bytes:
    with open(path, "rb") as file:
        content = file.read(LARGEST_SVG + 1)
    try:
        if len(content) > LARGEST_SVG:
            raise ValueError("it is a very large one")
        return clean_svg(content)
    except ValueError as error:
        raise InputError.at(
            path, "[shop] logo", f"it is no SVG picture that can be shown ({error})", "Use a small SVG or PNG."
        ) from None
