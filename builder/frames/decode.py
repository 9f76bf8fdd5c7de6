"""One photo file to pixels: upright, sRGB, 8 bit, opaque. Used through `frames` only."""

from __future__ import annotations

import calendar
import functools
import math
import re
import time
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from builder.errors import PhotoError
from builder.frames.claims import refuse_claims, refuse_jpeg
from builder.spin import Photo, Unreadable
from builder.srgb import bands, needs_transform, plain_mode, to_srgb

if TYPE_CHECKING:
    import numpy as np
    from PIL import Image

# Which endings are photos; the lower number wins where a camera wrote twins.
PHOTO_ENDINGS = {
    ending: rank for rank, ending in enumerate(".jpg .jpeg .jpe .png .tif .tiff .webp .avif .heic .heif .hif".split())
}

# Named so that Pillow never tries readers that run other programs (PostScript) on a file called .jpg.
FORMATS = ["JPEG", "PNG", "WEBP", "TIFF"]  # AVIF and HEIF are told by their file type box

_EXIF_IFD, _ORIENTATION, _TIME, _TIME_ORIGINAL, _SUBSEC_ORIGINAL, _FOCAL_35 = (
    0x8769, 0x0112, 0x0132, 0x9003, 0x9291, 0xA405,
)  # fmt: skip


def probe_photo(path: Path) -> Photo | Unreadable:
    """Size, orientation and time of a photo, from its header alone."""
    try:
        with _open(path) as image, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow remarks on odd Exif blocks, and reads what it can
            width, height = image.size
            exif = image.getexif()
            orientation = exif.get(_ORIENTATION, 1)
            detail = exif.get_ifd(_EXIF_IFD)
            taken = _exif_seconds(detail.get(_TIME_ORIGINAL) or exif.get(_TIME), detail.get(_SUBSEC_ORIGINAL))
            focal = detail.get(_FOCAL_35)
    except PhotoError as error:
        return Unreadable(path, error.faults[0].what)
    except Exception as error:  # a broken header can raise nearly anything inside a decoder
        return Unreadable(path, _why(error))
    if orientation not in range(1, 9):
        orientation = 1
    if orientation >= 5:  # CIPA DC-008: 5 to 8 swap rows and columns
        width, height = height, width
    focal35 = float(focal) if isinstance(focal, int) and 0 < focal < 2000 else None
    return Photo(path, width, height, orientation, taken, focal35)


def read_photo(photo: Photo, *, long_side: int | None = None) -> "np.ndarray":
    """Pixels of a photo: uint8 (h, w, 3), sRGB, upright.

    long_side: reduce by averaging areas until the long side is at most this many pixels; never enlarged.
    For a reduced copy, source x = (x + 0.5) * photo.width / w - 0.5, and the same for y.
    Averaging is done on encoded values, not in linear light: at these ratios the difference stays within the
    noise except on edges, and decoding straight to a smaller size (JPEG) works in encoded values as well.
    Raises PhotoError when the file can't be decoded.
    """
    import numpy as np

    read = _read(photo, long_side)
    if isinstance(read, np.ndarray):
        return read
    pixels = np.empty((read.height, read.width, 3), np.uint8)
    for top, band in bands(read):
        pixels[top : top + band.height] = band
    return pixels


def read_photo_image(photo: Photo, *, long_side: int | None = None) -> "Image.Image":
    """As `read_photo`, as a Pillow image of mode RGB."""
    from PIL import Image

    read = _read(photo, long_side)
    return read if isinstance(read, Image.Image) else Image.fromarray(read)


def _read(photo: Photo, long_side: int | None) -> "Image.Image | np.ndarray":
    """Whichever needs no copying."""
    try:
        with _open(photo.path) as image:
            return _decode(image, photo, long_side)
    except PhotoError:
        raise
    except Exception as error:  # decoders raise OSError, ValueError, SyntaxError, struct.error, MemoryError…
        raise PhotoError.at(
            photo.path, "", _why(error), "Copy it from the camera again, shoot it again, or list it in drop."
        ) from None


def _open(path: Path) -> "Image.Image":
    from PIL import Image

    _allow_large_images()
    with open(path, "rb") as file:
        head = file.read(64)
    if not head:
        raise PhotoError.at(path, "", "the file is empty")
    if head.startswith(b"\xff\xd8"):
        refuse_jpeg(path)
    formats = FORMATS
    if head[4:8] == b"ftyp":  # ISO/IEC 14496-12 file type box: both plugins claim AVIF, only one can read it
        formats = ["AVIF"] if b"avif" in head or b"avis" in head else ["HEIF"]
        if formats == ["HEIF"]:
            _register_heif()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        image = Image.open(path, formats=formats)
    try:
        refuse_claims(path, image)
    except PhotoError:
        image.close()
        raise
    return image


@functools.cache
def _allow_large_images() -> None:
    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None  # `_open` holds its own, stricter line and words it better


@functools.cache
def _register_heif() -> None:
    import pillow_heif

    pillow_heif.register_heif_opener()


def _why(error: Exception) -> str:
    from PIL import UnidentifiedImageError

    if isinstance(error, UnidentifiedImageError):
        return "it is not a picture in a format that can be read"
    if isinstance(error, PermissionError):
        return "no permission to read it"
    if isinstance(error, FileNotFoundError):
        return "the file is gone"
    detail = " ".join(str(error).split()) or type(error).__name__
    return f"the picture is damaged ({detail[:100]})"


def _exif_seconds(text: object, subsec: object) -> float | None:
    """Exif time 'YYYY:MM:DD HH:MM:SS' (CIPA DC-008) to seconds; zone unknown, so only differences count."""
    if not isinstance(text, str):
        return None
    try:
        whole = calendar.timegm(time.strptime(text.strip("\0 ")[:19], "%Y:%m:%d %H:%M:%S"))
    except ValueError:
        return None
    digits = subsec.strip("\0 ") if isinstance(subsec, str) else ""
    return whole + (float(f"0.{digits}") if digits.isdigit() else 0.0)


def _decode(image: "Image.Image", photo: Photo, long_side: int | None) -> "Image.Image | np.ndarray":
    from PIL import Image

    stored = image.size
    scale = min(1.0, long_side / max(stored)) if long_side else 1.0
    target = tuple(max(1, round(side * scale)) for side in stored)
    if scale < 1.0 and image.format in ("JPEG", "MPO"):
        image.draft(None, target)  # decodes at 1/2, 1/4 or 1/8 with a smaller inverse transform
    # A draft's size is rounded up; its pixels still cover exactly 2, 4 or 8 source pixels.
    shrink = 2 ** round(math.log2(max(stored) / max(image.size)))
    if target == image.size:
        pixels = _plain_jpeg(image, photo, shrink)
        if pixels is not None:
            return pixels
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        image.load()
    if target != image.size:
        box = (0, 0, min(image.width, stored[0] / shrink), min(image.height, stored[1] / shrink))
        profile = image.info.get("icc_profile")
        image = plain_mode(image)
        # Hamming: as sharp as plain area averaging, without its dislocations of half a pixel at odd ratios.
        image = image.resize(target, Image.Resampling.HAMMING, box=box)
        image.info["icc_profile"] = profile
    return _upright(to_srgb(image), photo.orientation)


def _plain_jpeg(image: "Image.Image", photo: Photo, shrink: int) -> "np.ndarray | None":
    """Upright pixels of a whole colour JPEG at 1/shrink, by OpenCV: the same as Pillow's in half the time and a quarter of
    the memory, since they needn't pass through Pillow's own layout. None: for Pillow to read, or to say what's wrong.
    """
    if image.format not in ("JPEG", "MPO") or image.mode != "RGB" or needs_transform(image):
        return None
    import cv2
    import numpy as np

    content = np.fromfile(photo.path, np.uint8)
    if not _is_whole_jpeg(content.data):
        return None
    grey = {
        1: 0,
        2: cv2.IMREAD_REDUCED_GRAYSCALE_2,
        4: cv2.IMREAD_REDUCED_GRAYSCALE_4,
        8: cv2.IMREAD_REDUCED_GRAYSCALE_8,
    }
    how = grey[shrink] | cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION  # the first gives the size alone
    try:
        pixels = cv2.imdecode(content, how)
    except cv2.error:
        return None
    if pixels is None or pixels.shape != (image.height, image.width, 3):
        return None
    pixels = cv2.transpose(pixels) if photo.orientation >= 5 else pixels
    flips = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}  # as `_upright`; 1: left and right, 0: top and bottom, -1: both
    return cv2.flip(pixels, flips[photo.orientation]) if photo.orientation in flips else pixels


_MARKER = re.compile(rb"\xff([^\x00\xd0-\xd7\xff])", re.DOTALL)  # what ends the pixels' bits: ISO/IEC 10918-1, B.1.1.3
_SCAN, _END = 0xDA, 0xD9


def _is_whole_jpeg(content: "bytes | memoryview") -> bool:
    """Whether the picture's end marker is there: from segment to segment by their lengths, through all scans.

    A copy that broke off lacks it, and a decoder that isn't told fills up the rest with grey.
    """
    place = 2
    while place + 4 <= len(content):
        if content[place] != 0xFF:
            return False
        marker = content[place + 1]
        if marker == _END:
            return True
        if marker == 0xFF:  # fill bytes
            place += 1
            continue
        place += 2 + int.from_bytes(content[place + 2 : place + 4], "big")
        if marker == _SCAN:
            found = _MARKER.search(content, place)
            if found is None:
                return False
            place = found.start()
    return place + 2 <= len(content) and content[place] == 0xFF and content[place + 1] == _END


def _upright(image: "Image.Image", orientation: int) -> "Image.Image":
    from PIL import Image

    turns = {  # CIPA DC-008, tag 0x0112: what undoes each orientation
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_270,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_90,
    }
    return image.transpose(turns[orientation]) if orientation in turns else image
