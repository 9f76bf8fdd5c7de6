"""Small photos for tests, written the way cameras write them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, ImageFilter


def patchwork(width: int = 48, height: int = 32, seed: int = 1) -> np.ndarray:
    """uint8 (height, width, 3): soft colour patches, no symmetry."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(30, 225, (4, 6, 3), dtype=np.uint8)
    return np.asarray(Image.fromarray(coarse).resize((width, height), Image.Resampling.BICUBIC))


def write_photo(
    path: Path,
    pixels: np.ndarray | None = None,
    *,
    time: str | None = None,
    orientation: int | None = None,
    gps: bool = False,
    **options,
) -> Path:
    """A photo file; its format by the ending. time: Exif 'YYYY:MM:DD HH:MM:SS'."""
    exif = Image.Exif()
    if orientation:
        exif[0x0112] = orientation
    if time:
        exif.get_ifd(0x8769)[0x9003] = time
    if gps:
        exif.get_ifd(0x8769)[0xA431] = "SERIAL-12345"  # BodySerialNumber
        exif.get_ifd(0x8769)[0xA430] = "Owner Nobody"  # CameraOwnerName
        exif.get_ifd(0x8825)[1] = "N"
        exif.get_ifd(0x8825)[2] = (52.0, 12.0, 34.0)
    path.parent.mkdir(parents=True, exist_ok=True)
    image = Image.fromarray(patchwork() if pixels is None else pixels)
    if path.suffix.lower() in (".jpg", ".jpeg"):
        options = {"quality": 97, "subsampling": 0} | options
    image.save(path, exif=exif, **options)
    return path


def turning_bar(index: int, count: int, width: int = 96, height: int = 72) -> np.ndarray:
    """A frame of a spin too simple to measure but real enough to build: a bar that turns on a pale backdrop.

    Far out of focus: in a sharp one the measuring finds corners to follow, and searches for 5 s of
    processor time before it gives them up, in each build of each test; as it is, half a second.
    """
    picture = np.full((height, width, 3), (226, 222, 214), np.uint8)
    reach = abs(np.cos(np.pi * index / count)) * width * 0.3 + 4
    left, right = round(width / 2 - reach), round(width / 2 + reach)
    picture[height // 4 : height * 3 // 4, left:right] = (40, 90, 120)
    picture[height // 3 : height // 2, left : left + 4 + index] = (190, 60, 40)
    soft = np.asarray(Image.fromarray(picture).filter(ImageFilter.GaussianBlur(width / 16)))
    rng = np.random.default_rng(index)
    return np.clip(soft + rng.normal(0, 1.5, picture.shape), 0, 255).astype(np.uint8)


def write_spin(folder: Path, count: int = 8, **options) -> Path:
    for index in range(count):
        write_photo(folder / f"IMG_{index + 1:04d}.jpg", turning_bar(index, count), **options)
    return folder


def write_catalog(folder: Path, text: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "catalog.toml"
    file.write_text(text, "utf-8")
    return file
