"""The shop's logo as it goes into the site: small, and without what a camera wrote into it."""

from __future__ import annotations

import io
from pathlib import Path

from builder.errors import InputError

WIDEST_PX = 800  # twice what any page shows
LARGEST_SVG = 500_000  # bytes


def read_logo(path: Path) -> tuple[bytes, str, int | None, int | None]:
    """Content, ending, and size in px (None for SVG, which has none of its own to rely on). Raises InputError."""
    if path.suffix.lower() == ".svg":
        content = path.read_bytes()
        if b"<svg" not in content or len(content) > LARGEST_SVG:
            raise InputError.at(path, "[shop] logo", "it is no SVG picture, or a very large one", "Use a small SVG or PNG.")
        return content, "svg", None, None
    from PIL import Image, ImageOps

    try:
        with Image.open(path, formats=["PNG", "JPEG", "WEBP"]) as image:
            picture = ImageOps.exif_transpose(image).convert("RGBA")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise InputError.at(
            path, "[shop] logo", f"the picture can't be read ({error})", "Use an SVG, PNG, JPEG or WebP file."
        ) from None
    picture.thumbnail((WIDEST_PX, WIDEST_PX))
    file = io.BytesIO()
    picture.save(file, "PNG", optimize=True)
    return file.getvalue(), "png", *picture.size
