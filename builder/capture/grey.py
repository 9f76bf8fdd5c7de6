"""A printed grey card, and in plain words what it can't do."""

from __future__ import annotations

from builder.capture.drawing import (
    HAIR_MM,
    Area,
    Paper,
    Shape,
    Sheet,
    Text,
    framed,
    outline,
    rectangle,
    room_on,
)

MIDDLE_REFLECTANCE = 0.18  # the photographic middle grey; common practice
WORDS = (
    ("What it is for", True),
    (
        "Photograph it once where the subject will stand, then take it away: it shows whether light falls evenly",
        False,
    ),
    ("and gives one exposure to hold for the whole turn. Name that photo grey_card in the catalogue.", False),
    ("What it can’t do", True),
    (
        "This grey is only as neutral and as dark as your printer made it. Ink, toner and paper have a colour of",
        False,
    ),
    (
        "their own and change under different lamps; the grey may be off by several per cent and tinted. Print it",
        False,
    ),
    (
        "with black ink only (“greyscale”) on matt, uncoated paper, and let it dry. For exact colour use a bought",
        False,
    ),
    ("grey card: it is measured. The white field is your paper: many papers glow blue in daylight.", False),
)


def encoded_grey(reflectance: float) -> float:
    """Linear reflectance 0..1 -> the sRGB value 0..1 that stands for it (IEC 61966-2-1)."""
    return 12.92 * reflectance if reflectance <= 0.0031308 else 1.055 * reflectance ** (1 / 2.4) - 0.055


def grey_sheet(paper: Paper) -> Sheet:
    """One large field of middle grey, with white and black beside it."""
    room = room_on(paper)
    words_height = 40.0
    height = room.height - words_height
    side = 34.0
    shapes: list[Shape] = [
        Area(rectangle(room.x, room.y, room.width - side - 4, height), encoded_grey(MIDDLE_REFLECTANCE)),
        Area(rectangle(room.x + room.width - side, room.y, side, height / 2 - 2), 0.0),
        *outline(rectangle(room.x + room.width - side, room.y + height / 2 + 2, side, height / 2 - 2), HAIR_MM),
    ]
    y = room.y + height + 6.5
    for line, bold in WORDS:
        shapes.append(Text(room.x, y, line, 3.0, bold=bold))
        y += 4.1
    return framed("grey-card", "Grey card", "Middle grey (18 %), black, and the paper’s own white.", paper, shapes)
