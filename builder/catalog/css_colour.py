"""CSS colours as the catalogue may write them: names, #hex, rgb(), hsl()."""

from __future__ import annotations

import re


def parse_colour(text: str) -> tuple[int, int, int]:
    """8-bit sRGB of an opaque CSS colour (CSS Color Module Level 4: names, hex, rgb(), hsl()).

    Raises ValueError with a sentence for the user.
    """
    from PIL import ImageColor

    legacy = re.sub(  # `rgb(240 240 240)` is written `rgb(240, 240, 240)` in the older syntax Pillow reads
        r"\(\s*([^\s,()]+)\s+([^\s,()]+)\s+([^\s,()]+)\s*\)", r"(\1, \2, \3)", text.strip().lower()
    ).replace("deg", "")
    try:
        colour = ImageColor.getrgb(legacy)
    except ValueError:
        raise ValueError(
            'a CSS colour is wanted ("white", "#f4f1ea", "rgb(244 241 234)"), or "keep" or "transparent"'
        ) from None
    if len(colour) == 4 and colour[3] != 255:
        raise ValueError('the colour must be opaque; for none at all write "transparent"')
    red, green, blue = (min(255, max(0, round(part))) for part in colour[:3])  # CSS clips what is out of range
    return red, green, blue
