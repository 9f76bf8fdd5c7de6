"""What a photo file claims about itself that no camera would: told before anything is decoded.

A file of a few kilobytes can ask for gigabytes of memory (a flat PNG), or for minutes of time (thousands of progressive
scans, of Exif segments). Limits are what a worker can afford: about 1 GB, and a few seconds.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from builder.errors import PhotoError

if TYPE_CHECKING:
    from PIL import Image

# Megapixels by format. JPEG: phones write 200; it is decoded straight to a smaller size. The others are decoded whole,
# at 8 to 11 bytes a pixel at the peak (tests/bench/hostile.py measures it): medium-format cameras write 102.
MOST_MEGAPIXELS = {"JPEG": 210, "MPO": 210, "PNG": 110, "TIFF": 110, "WEBP": 110, "AVIF": 100, "HEIF": 80}
MOST_SCANS = 100  # of a progressive JPEG; encoders write about ten
MOST_EXIF_SEGMENTS = 16  # CIPA DC-008 allows one; Pillow joins them, in time by the square of their number


def refuse_claims(path: Path, image: "Image.Image") -> None:
    """Raises PhotoError for a picture of more pixels than this program can hold."""
    most = MOST_MEGAPIXELS.get(image.format or "", 100)
    if image.width * image.height > most * 1_000_000:
        raise PhotoError.at(
            path, "", f"it claims {image.width} × {image.height} pixels, more than {most} megapixels",
            "Save it smaller, or as JPEG.",
        )  # fmt: skip


def refuse_jpeg(path: Path) -> None:
    """Raises PhotoError for a JPEG whose header or scans would take minutes. The file begins as a JPEG."""
    with open(path, "rb") as file:
        exif_segments, is_progressive = _walk_header(file)
        if exif_segments > MOST_EXIF_SEGMENTS:
            raise PhotoError.at(path, "", f"its header holds {exif_segments} Exif blocks, and one is usual")
        if is_progressive and _more_scans_than(file, MOST_SCANS):
            raise PhotoError.at(path, "", f"it is drawn in more than {MOST_SCANS} passes, and about ten are usual")


def _walk_header(file: BinaryIO) -> tuple[int, bool]:
    """Exif segments before the first scan, and whether the picture is progressive (ITU-T T.81, annex B.1.1.4).

    Leaves the file where the first scan begins, or anywhere if it has none.
    """
    file.seek(2)
    exif_segments, is_progressive = 0, False
    while (head := file.read(4)) and len(head) == 4:
        if head[0] != 0xFF:  # fill bytes or nonsense: the decoder looks for the next marker
            file.seek(-3, 1)
            continue
        if head[1] in (0xFF, 0x00, 0x01) or 0xD0 <= head[1] <= 0xD8:  # fill, stuffing, markers without a length
            file.seek(-3 if head[1] == 0xFF else -2, 1)
            continue
        if head[1] in (0xDA, 0xD9):
            break
        length = int.from_bytes(head[2:], "big")
        start = file.tell()
        exif_segments += head[1] == 0xE1 and file.read(6) == b"Exif\0\0"
        is_progressive |= head[1] in (0xC2, 0xC6, 0xCA, 0xCE)
        file.seek(start + max(0, length - 2))
    return exif_segments, is_progressive


def _more_scans_than(file: BinaryIO, most: int) -> bool:
    """Whether more scans follow; in coded data 0xFF is always followed by 0, so that a marker is a marker."""
    count, tail = 1, b""
    while count <= most and (block := file.read(1 << 20)):
        block = tail + block
        end = block.find(b"\xff\xd9")
        count += block.count(b"\xff\xda", 0, end if end >= 0 else len(block))
        if end >= 0:
            break
        tail = block[-1:]
    return count > most
