"""The shop's logo as it goes into the site: small, and without what a camera wrote into it."""

from __future__ import annotations

import io
import re
import warnings
from pathlib import Path

from builder.errors import InputError
from builder.pages.svg_cleaning import clean_svg

WIDEST_PX = 800  # twice what any page shows
LARGEST_SVG = 500_000  # bytes
MOST_PIXELS = 40_000_000
TALLEST_PX = 48  # CSS px on a page
_NUMBER = r"\s*([\d.]+)\s*(?:px)?\s*"


def read_logo(path: Path) -> tuple[bytes, str, int | None, int | None]:
    """Content, ending, and the size in CSS px at which pages show it; None for an SVG that states no shape.

    Pages state the size, so that nothing moves when the picture arrives. Raises InputError.
    """
    if path.suffix.lower() == ".svg":
        content = _read_svg(path)
        return content, "svg", *_shown(_svg_size(content.decode("utf-8", "replace")))
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
    return file.getvalue(), "png", *_shown(picture.size)


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


def _svg_size(text: str) -> tuple[float, float] | None:
    """Width and height of its viewBox, or as stated (SVG 2, section 8.6)."""
    head = text[text.index("<svg") :].partition(">")[0]
    box = re.search(r"""\bviewBox=["']\s*[-\d.]+[\s,]+[-\d.]+[\s,]+([\d.]+)[\s,]+([\d.]+)""", head)
    if box is None:
        sides = [re.search(rf"""\s{side}=["']{_NUMBER}["']""", head) for side in ("width", "height")]
        if None in sides:
            return None
        values = [side[1] for side in sides if side]
    else:
        values = list(box.groups())
    try:
        width, height = map(float, values)
    except ValueError:
        return None
    return (width, height) if width > 0 and height > 0 else None


def _shown(size: tuple[float, float] | None) -> tuple[int, int] | tuple[None, None]:
    if size is None:
        return None, None
    scale = min(1.0, TALLEST_PX / size[1])
    return max(1, round(size[0] * scale)), max(1, round(size[1] * scale))
