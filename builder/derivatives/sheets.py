"""Pictures with words on them: the contact sheet of a spin, and the watermark of proofs.

Frame numbers are printed from 1. Returns bytes or arrays, touches no file but the two fonts beside this one
(fonts/LICENSE.txt), so that a sheet looks the same on every machine.
"""

from __future__ import annotations

import functools
import math
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from builder.derivatives.encoding import encode_picture
from builder.derivatives.reducing import fitted_height, flatten, reduce_picture
from builder.spin import Finding, Severity

_FONTS = Path(__file__).parent / "fonts"
_SHEET_WIDTH = 1800  # px: a page at 220 dots an inch
_MARGIN, _GAP = 64, 20
_TITLE_PX, _LINE_PX, _NUMBER_PX = 46, 25, 22
_CAPTION = 40  # px below a cell
_COLUMNS = range(3, 10)
_PAGE_SHAPE = 1.3  # height to width to aim for: ISO 216 pages are 1.41, less what a printer can't reach
_QUALITY = 86
_INK, _QUIET, _HAIRLINE = (28, 28, 28), (104, 104, 104), (222, 222, 222)
# on white, contrast 6.5:1 or more (WCAG 1.4.3); the words say the same, so colour isn't the only sign
_MARK_COLOURS: dict[Severity, tuple[int, int, int]] = {
    "note": (38, 84, 124),
    "warn": (126, 80, 0),
    "fail": (170, 24, 24),
}
_SEVERITIES: tuple[Severity, ...] = ("note", "warn", "fail")

_WATERMARK_SHADE = 0.3  # opacity of letters and of their outline
_WATERMARK_TILT_DEG = 30


@dataclass(frozen=True, slots=True)
class Mark:
    """A word on a frame of the contact sheet."""

    severity: Severity
    word: str


def marks_of(findings: Sequence[Finding]) -> dict[int, Mark]:
    """Frame index -> its gravest finding."""
    marks: dict[int, Mark] = {}
    for finding in sorted(findings, key=lambda finding: _SEVERITIES.index(finding.severity)):
        marks |= {index: Mark(finding.severity, finding.kind.replace("-", " ")) for index in finding.frames}
    return marks


# ---- contact sheet -----------------------------------------------------------------------------------------


def make_contact_sheet(
    pictures: Sequence[np.ndarray],
    title: str,
    line: str = "",
    *,
    angles_deg: Sequence[float | None] | None = None,
    marks: Mapping[int, Mark] | None = None,
) -> bytes:
    """JPEG with every frame, its number from 1 below it, and its angle where known.

    pictures: uint8 (h, w, 3|4) in turning order, any one size. line: what stands under the title (the shop,
    say); the number of frames follows it. marks: by frame index.
    """
    tall, wide = pictures[0].shape[:2]
    columns = _sheet_columns(len(pictures), wide, tall)
    width = (_SHEET_WIDTH - 2 * _MARGIN - _GAP * (columns - 1)) // columns
    height = fitted_height(wide, tall, width)
    top = _MARGIN + _TITLE_PX + _LINE_PX + 56
    rows = math.ceil(len(pictures) / columns)
    page = Image.new("RGB", (_SHEET_WIDTH, top + rows * (height + _CAPTION + _GAP) - _GAP + _MARGIN), "white")
    draw = ImageDraw.Draw(page)
    _draw_heading(draw, title, " · ".join(filter(None, (line, f"{len(pictures)} frames"))))
    for index, picture in enumerate(pictures):
        corner = (
            _MARGIN + index % columns * (width + _GAP),
            top + index // columns * (height + _CAPTION + _GAP),
        )
        cell = reduce_picture(flatten(picture), width, height)
        mark = (marks or {}).get(index)
        _draw_cell(page, draw, corner, (width, height), cell, mark)
        _draw_caption(draw, corner, (width, height), index, mark, angles_deg[index] if angles_deg else None)
    return encode_picture(np.asarray(page), "jpeg", _QUALITY)


def _sheet_columns(count: int, wide: int, tall: int) -> int:
    """Columns that give about a page's shape, with a last row as full as can be."""

    def misfit(columns: int) -> float:
        rows = math.ceil(count / columns)
        cell = (_SHEET_WIDTH - 2 * _MARGIN) / columns
        shape = (rows * (cell * tall / wide + _CAPTION) + 3 * _TITLE_PX) / _SHEET_WIDTH
        return abs(math.log(shape / _PAGE_SHAPE)) + 0.6 * (rows * columns - count) / columns

    return min(_COLUMNS, key=misfit)


def _draw_heading(draw: ImageDraw.ImageDraw, title: str, line: str) -> None:
    room = _SHEET_WIDTH - 2 * _MARGIN
    bold, regular = _font(_TITLE_PX, bold=True), _font(_LINE_PX)
    draw.text((_MARGIN, _MARGIN), _fitting(title, bold, room), font=bold, fill=_INK, anchor="la")
    draw.text(
        (_MARGIN, _MARGIN + _TITLE_PX + 20),
        _fitting(line, regular, room),
        font=regular,
        fill=_QUIET,
        anchor="la",
    )


def _draw_cell(
    page: Image.Image,
    draw: ImageDraw.ImageDraw,
    corner: tuple[int, int],
    size: tuple[int, int],
    cell: np.ndarray,
    mark: Mark | None,
) -> None:
    """A picture smaller than its cell stands in the middle."""
    left, top = corner
    page.paste(Image.fromarray(cell), (left + (size[0] - cell.shape[1]) // 2, top + (size[1] - cell.shape[0]) // 2))
    border = 5 if mark else 1
    draw.rectangle(
        (left - border, top - border, left + size[0] - 1 + border, top + size[1] - 1 + border),
        outline=_MARK_COLOURS[mark.severity] if mark else _HAIRLINE,
        width=border,
    )


def _draw_caption(
    draw: ImageDraw.ImageDraw,
    corner: tuple[int, int],
    size: tuple[int, int],
    index: int,
    mark: Mark | None,
    angle_deg: float | None,
) -> None:
    """Number at the left, the mark's word after it; the angle at the right if there is room."""
    left, base = corner[0], corner[1] + size[1] + _CAPTION - 10
    bold, regular = _font(_NUMBER_PX, bold=True), _font(_NUMBER_PX - 2)
    number = str(index + 1)
    draw.text((left, base), number, font=bold, fill=_INK, anchor="ls")
    used = bold.getlength(number) + 12
    if mark:
        word = _fitting(mark.word, bold, size[0] - used)
        draw.text((left + used, base), word, font=bold, fill=_MARK_COLOURS[mark.severity], anchor="ls")
        used += bold.getlength(word) + 12
    angle = "" if angle_deg is None else f"{angle_deg % 360:.0f}°".replace("360°", "0°")
    if angle and used + regular.getlength(angle) <= size[0]:
        draw.text((left + size[0], base), angle, font=regular, fill=_QUIET, anchor="rs")


# ---- letters -----------------------------------------------------------------------------------------------


@functools.cache
def _font(size_px: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(_FONTS / name, size_px, layout_engine=ImageFont.Layout.BASIC)


@functools.cache
def _has_letter(letter: str) -> bool:
    font = _font(20)
    drawn, missing = font.getmask(letter), font.getmask("\U0010ffff")
    return letter == " " or (drawn.size, bytes(drawn)) != (missing.size, bytes(missing))


def printable(text: str) -> str:
    """What the fonts can draw of a text: letters they lack lose their accents, or go."""
    kept = []
    for letter in unicodedata.normalize("NFC", " ".join(text.split())):
        plain = (part for part in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(part))
        kept.append(letter if _has_letter(letter) else "".join(part for part in plain if _has_letter(part)))
    return " ".join("".join(kept).split())


def _fitting(text: str, font: ImageFont.FreeTypeFont, room_px: float) -> str:
    """As much of the text as fits, with an ellipsis where something is left out."""
    text = printable(text)
    if font.getlength(text) <= room_px:
        return text
    while text and font.getlength(text + "…") > room_px:
        text = text[:-1]
    return text.rstrip() + "…"


# ---- watermark ---------------------------------------------------------------------------------------------


def watermark(pixels: np.ndarray, text: str) -> np.ndarray:
    """The picture with a text across it, again and again, slanting; same shape and type.

    Letters are white with a dark outline, both translucent: the outline carries on light pictures, the
    letters on dark ones. A text of nothing printable leaves the picture as it is.
    """
    text = printable(text)
    if not text:
        return pixels
    letters, outline = _watermark_masks(text, pixels.shape[1], pixels.shape[0])
    result = pixels.astype(np.float32)
    for mask, tone in ((outline, 0.0), (letters, 255.0)):
        cover = mask * _WATERMARK_SHADE
        result[..., :3] += (tone - result[..., :3]) * cover
        result[..., 3:] += (255 - result[..., 3:]) * cover
    return np.rint(result).astype(np.uint8)


@functools.lru_cache(maxsize=8)
def _watermark_masks(text: str, width: int, height: int) -> tuple[np.ndarray, np.ndarray]:
    """Cover 0..1 of the letters and of the outline around them, each float32 (height, width, 1)."""
    size = max(10, round(min(width, height) / 16))
    font = _font(size, bold=True)
    reach = math.ceil(math.hypot(width, height))
    step_x, step_y = math.ceil(font.getlength(text)) + 2 * size, round(3.2 * size)
    stroke = max(1, size // 14)
    layers = []
    for edge in (0, stroke):
        layer = Image.new("L", (reach, reach))
        draw = ImageDraw.Draw(layer)
        for row, y in enumerate(range(0, reach, step_y)):
            for x in range(-(row % 2) * step_x // 2, reach, step_x):
                draw.text((x, y), text, font=font, fill=255, stroke_width=edge, anchor="la")
        turned = layer.rotate(_WATERMARK_TILT_DEG, Image.Resampling.BILINEAR)
        left, top = (reach - width) // 2, (reach - height) // 2
        layers.append(np.asarray(turned.crop((left, top, left + width, top + height)), np.float32)[..., None] / 255)
    letters, thick = layers
    return letters, np.maximum(thick - letters, 0)
