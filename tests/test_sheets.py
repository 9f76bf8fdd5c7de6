"""The contact sheet read back as a picture, and the watermark on light and dark."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageDraw

from builder.derivatives import sheets
from builder.spin import Finding
from tests.test_derivatives import TELL_TALES, assert_jpeg_is_bare, on_white, see_through


def page_of(file: bytes) -> np.ndarray:
    image = Image.open(io.BytesIO(file))
    assert image.format == "JPEG" and image.mode == "RGB"
    return np.asarray(image)


def cell_corners(page: np.ndarray, count: int, wide: int, tall: int) -> list[tuple[int, int, int, int]]:
    """(left, top, width, height) of each picture, from the sheet's own measures."""
    columns = sheets._sheet_columns(count, wide, tall)
    width = (sheets._SHEET_WIDTH - 2 * sheets._MARGIN - sheets._GAP * (columns - 1)) // columns
    height = round(tall * width / wide)
    rows = -(-count // columns)
    pitch = height + sheets._CAPTION + sheets._GAP
    top = page.shape[0] - sheets._MARGIN + sheets._GAP - rows * pitch
    return [
        (
            sheets._MARGIN + index % columns * (width + sheets._GAP),
            top + index // columns * pitch,
            width,
            height,
        )
        for index in range(count)
    ]


@pytest.mark.parametrize("count", [2, 24, 36])
def test_every_frame_stands_in_turning_order(count):
    pictures = [np.full((180, 240, 3), (30 + 200 * index // count, 80, 120), np.uint8) for index in range(count)]
    page = page_of(sheets.make_contact_sheet(pictures, "Coffee pot", "Saltmarsh Bench"))
    for index, (left, top, width, height) in enumerate(cell_corners(page, count, 240, 180)):
        centre = page[top + height // 2, left + width // 2].astype(int)
        assert abs(centre - pictures[index][0, 0]).max() <= 4


def test_the_number_from_1_is_printed_below_each_frame():
    count = 14
    page = page_of(sheets.make_contact_sheet([np.full((180, 240, 3), 128, np.uint8)] * count, "Pot"))
    font = sheets._font(sheets._NUMBER_PX, bold=True)
    drawn = []
    for number in range(1, count + 1):
        image = Image.new("L", (40, sheets._CAPTION), 255)
        ImageDraw.Draw(image).text((0, sheets._CAPTION - 10), str(number), font=font, fill=28, anchor="ls")
        drawn.append(np.asarray(image, float))
    for index, (left, top, _, height) in enumerate(cell_corners(page, count, 240, 180)):
        caption = page[top + height : top + height + sheets._CAPTION, left : left + 40].mean(axis=2)
        misfits = [abs(caption - number)[3:].mean() for number in drawn]
        assert int(np.argmin(misfits)) == index and misfits[index] < 4


def test_marks_frame_the_right_picture_and_no_other():
    count = 12
    marks = {4: sheets.Mark("fail", "blurred")}
    page = page_of(sheets.make_contact_sheet([on_white(i, count) for i in range(count)], "Pot", marks=marks))
    red = np.array(sheets._MARK_COLOURS["fail"])
    for index, (left, top, _, height) in enumerate(cell_corners(page, count, 240, 180)):
        edge = page[top + height // 2, left - 4 : left - 1].astype(int)
        assert (abs(edge - red).max() < 40) == (index == 4)


def test_mark_is_the_gravest_finding_of_a_frame():
    findings = [
        Finding(kind, frames, severity, 0.0, 0.0, "", "")
        for kind, frames, severity in (
            ("blurred", (3,), "fail"),
            ("exposure-drift", (2, 3), "warn"),
            ("small-frames", (2, 9), "note"),
        )
    ]
    marks = sheets.marks_of(findings)
    assert {index: mark.word for index, mark in marks.items()} == {
        3: "blurred",
        2: "exposure drift",
        9: "small frames",
    }


def contrast(colour: tuple[int, int, int]) -> float:
    """Against white: WCAG 2.2, definitions of contrast ratio and relative luminance."""
    linear = [
        value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
        for value in (channel / 255 for channel in colour)
    ]
    return 1.05 / (np.dot(linear, (0.2126, 0.7152, 0.0722)) + 0.05)


def test_contrast_formula():
    assert contrast((0x76, 0x76, 0x76)) == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("colour", [sheets._INK, sheets._QUIET, *sheets._MARK_COLOURS.values()])
def test_words_have_enough_contrast(colour):
    assert contrast(colour) >= 4.5  # WCAG 2.2, 1.4.3


def test_sheet_carries_no_metadata():
    file = sheets.make_contact_sheet([on_white()] * 3, "Pot")
    assert_jpeg_is_bare(file)
    assert not [tell for tell in TELL_TALES if tell in file]


def test_same_sheet_same_bytes():
    pictures = [on_white(index, 5) for index in range(5)]
    assert sheets.make_contact_sheet(pictures, "Pot") == sheets.make_contact_sheet(pictures, "Pot")


@pytest.mark.parametrize(
    "title",
    [
        "",
        "Théière émaillée № 4",
        "Käsereibe – „groß“",
        "猫🙂",
        "<script>alert(1)</script>",
        "x" * 400,
        "a\nb\tc\x00",
    ],
)
def test_any_title_can_be_drawn(title):
    page_of(sheets.make_contact_sheet([on_white()] * 2, title, title, angles_deg=[0.0, None]))


@pytest.mark.parametrize(
    ("text", "drawn"),
    [
        ("Théière", "Théière"),
        ("The\u0301", "Thé"),
        ("Чайник", "Чайник"),
        ("Pot 猫 two", "Pot two"),
        ("🙂", ""),
        ("ḡold", "gold"),
        ("  a \n b ", "a b"),
    ],
)
def test_printable_keeps_what_the_fonts_have(text, drawn):
    assert sheets.printable(text) == drawn


def test_odd_shapes_and_transparent_frames():
    for wide, tall in ((60, 400), (400, 60), (33, 47)):
        page_of(sheets.make_contact_sheet([see_through(on_white(i, 5, wide, tall)) for i in range(5)], "Pot"))


# ---- watermark ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("tone", [0, 40, 128, 215, 255])
@pytest.mark.parametrize("channels", [3, 4])
def test_watermark_shows_on_light_and_dark_and_leaves_the_picture_visible(tone, channels):
    pixels = np.full((480, 640, channels), 255, np.uint8)
    pixels[..., :3] = tone
    marked = sheets.watermark(pixels, "Proof")
    assert marked.shape == pixels.shape and marked.dtype == np.uint8
    change = abs(marked[..., :3].astype(int) - tone).max(axis=2)
    assert 0.02 < (change > 30).mean() < 0.4  # seen, and not a curtain
    assert change.max() < 90  # translucent
    thirds = [change[y : y + 160, x : x + 213] for y in (0, 160, 320) for x in (0, 213, 426)]
    assert all((third > 30).any() for third in thirds)  # nowhere to crop it away


def test_watermark_shows_on_a_clear_picture():
    marked = sheets.watermark(np.zeros((200, 300, 4), np.uint8), "Proof")
    assert (marked[..., 3] > 60).mean() > 0.02 and (marked[..., 3] == 0).mean() > 0.5


def test_watermark_is_the_same_every_time_and_needs_letters():
    pixels = on_white()
    assert (sheets.watermark(pixels, "Proof 3") == sheets.watermark(pixels, "Proof 3")).all()
    assert sheets.watermark(pixels, " 🙂 ") is pixels
    assert (pixels == on_white()).all()
