"""Pixels as they come out of a file to plain sRGB: modes, depths, transparency, embedded ICC profiles."""

from __future__ import annotations

import functools
import io
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL import Image

BAND_ROWS = 256
LARGEST_PROFILE = 8_000_000  # bytes of ICC profile; printers' are about 2 MB


def plain_mode(image: "Image.Image") -> "Image.Image":
    """Modes that can be averaged and colour-managed: L, RGB, CMYK. Alpha is laid on white."""
    import numpy as np
    from PIL import Image

    if image.mode in ("L", "RGB", "CMYK"):
        return image
    profile = image.info.get("icc_profile")
    if image.mode.startswith("I"):  # 16 bit: 65535 / 257 = 255
        plain = Image.new("L", image.size)
        for top, band in bands(image):
            values = np.clip(np.asarray(band).astype(np.int64), 0, 65535)
            plain.paste(Image.fromarray(((values + 128) // 257).astype(np.uint8)), (0, top))
    elif image.has_transparency_data:
        plain = Image.new("RGB", image.size)
        for top, band in bands(image):
            on_white = Image.new("RGBA", band.size, "white")
            on_white.alpha_composite(band.convert("RGBA"))
            plain.paste(on_white.convert("RGB"), (0, top))
    else:
        plain = image.convert("L" if image.mode in ("1", "LA", "F") else "RGB")
    plain.info["icc_profile"] = profile
    return plain


def bands(image: "Image.Image") -> Iterator[tuple[int, "Image.Image"]]:
    """(top row, part of the picture) from top to bottom: so that a large picture is never held several times over."""
    for top in range(0, image.height, BAND_ROWS):
        yield top, image.crop((0, top, image.width, min(image.height, top + BAND_ROWS)))


def to_srgb(image: "Image.Image") -> "Image.Image":
    """The picture in sRGB after its ICC profile (`info`), mode RGB, alpha laid on white; the profile is gone."""
    from PIL import ImageCms

    image = plain_mode(image)
    if not needs_transform(image):
        return image.convert("RGB")
    transform = _srgb_transform(image.info["icc_profile"], image.mode)
    return ImageCms.applyTransform(image, transform)


def needs_transform(image: "Image.Image") -> bool:
    """Whether a picture of mode L, RGB or CMYK has a profile that `to_srgb` would change its pixels by."""
    profile = image.info.get("icc_profile")
    return bool(profile) and len(profile) <= LARGEST_PROFILE and _srgb_transform(profile, image.mode) is not None


@functools.lru_cache(maxsize=16)
def _srgb_transform(profile: bytes, mode: str):
    """Colour transform of an embedded ICC profile to sRGB; None where it changes nothing or can't be used.

    Relative colorimetric with black-point compensation: white stays white, in-gamut colours stay exact.
    A profile whose transform moves no colour of a 9 × 9 × 9 grid by more than one 8-bit step is sRGB itself,
    as nearly every phone and camera writes it, and is skipped: a rounding round trip saved.
    """
    import numpy as np
    from PIL import Image, ImageCms

    try:
        transform = ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(profile)),
            ImageCms.createProfile("sRGB"),
            mode,
            "RGB",
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
        )
    except (ImageCms.PyCMSError, OSError, ValueError):
        return None  # a broken profile, or one for another mode: the pixels are taken as sRGB
    if mode == "RGB":
        levels = np.linspace(0, 255, 9).astype(np.uint8)
        grid = np.stack(np.meshgrid(levels, levels, levels, indexing="ij"), axis=-1).reshape(27, 27, 3)
        moved = np.asarray(ImageCms.applyTransform(Image.fromarray(grid), transform)).astype(int) - grid
        if np.abs(moved).max() <= 1:
            return None
    return transform
