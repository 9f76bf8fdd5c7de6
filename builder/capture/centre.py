"""A centre finder: two flaps hug the rim; the edge midway between them runs through the disc's centre."""

from __future__ import annotations

import math
from dataclasses import dataclass

from builder.capture.disc import Disc
from builder.capture.drawing import (
    HAIR_MM,
    LINE_MM,
    Line,
    Paper,
    Shape,
    Sheet,
    Text,
    framed,
    outline,
    room_on,
)
from builder.capture.lengths import plain

HALF_OPENING_DEG = 60.0  # of the notch: wide, so that a large disc still touches on a small sheet
FLAP_MM = 12.0
BAND_MM = 25.0  # what is left of the right half, beside its flap
INSTRUCTIONS = (
    "1  Cut along the thin outline.",
    "2  Score and fold both flaps down along the dashed lines.",
    "3  Lay it on the disc, both flaps firmly against the rim.",
    "4  Draw along the long straight edge.",
    "5  Turn it a third of the way round the rim and draw again;",
    "    then once more.",
    "6  The lines cross at the centre. If they make a small",
    "    triangle, take its middle.",
)


@dataclass(frozen=True, slots=True)
class Notch:
    """Where a disc rests in the notch, in mm from its apex."""

    touch_mm: float  # along a side: where the rim touches it
    centre_mm: float  # along the middle: where the disc's centre comes to lie


def rest_in_notch(disc: Disc, reach_mm: float) -> Notch:
    """A circle of radius R in a notch of half-opening α touches R / tan α along the sides, its centre R / sin
    α up the middle. Flaps too short for that hold it by their ends; the middle line still meets its
    centre."""
    alpha = math.radians(HALF_OPENING_DEG)
    touch = disc.radius_mm / math.tan(alpha)
    if touch <= reach_mm:
        return Notch(touch, disc.radius_mm / math.sin(alpha))
    half_chord = reach_mm * math.sin(alpha)
    return Notch(reach_mm, reach_mm * math.cos(alpha) + math.sqrt(disc.radius_mm**2 - half_chord**2))


def centre_sheet(disc: Disc, paper: Paper) -> Sheet:
    """One upright sheet; the apex is at the bottom, the disc above it."""
    room = room_on(paper)
    alpha = math.radians(HALF_OPENING_DEG)
    x, y = room.x + room.width / 2, room.y + room.height - 14
    reach = (room.width / 2 - 1) / math.sin(alpha) - FLAP_MM * math.cos(alpha) / math.sin(alpha) + 2
    notch = rest_in_notch(disc, reach)
    first = min(10.0, notch.touch_mm / 2)  # flaps start here

    def on_side(sign: int, along: float, out: float = 0.0) -> tuple[float, float]:
        """A point `along` a side from the apex and `out` from it, away from the disc."""
        return (
            x + sign * (along * math.sin(alpha) + out * math.cos(alpha)),
            y - along * math.cos(alpha) + out * math.sin(alpha),
        )

    def flap(sign: int) -> list[tuple[float, float]]:
        return [
            on_side(sign, first),
            on_side(sign, first + 3, FLAP_MM),
            on_side(sign, reach - 3, FLAP_MM),
            on_side(sign, reach),
        ]

    band_top = y - BAND_MM / math.sin(alpha)
    cut = [
        (x, room.y),
        (x, band_top),
        on_side(1, reach, -BAND_MM),
        *reversed(flap(1)),
        (x, y),
        *flap(-1),
        (x - 40, room.y),
    ]
    shapes: list[Shape] = outline(cut, HAIR_MM)
    for sign in (-1, 1):
        shapes.append(Line(*on_side(sign, first), *on_side(sign, reach), LINE_MM, (2, 1.2)))
        shapes.append(
            Text(
                *on_side(sign, reach / 2, FLAP_MM / 2 + 1),
                "fold down",
                2.8,
                "middle",
                turn=-sign * (90 - HALF_OPENING_DEG),
            )
        )
    shapes += _centre_tick(disc, x, y - notch.centre_mm, room.y)
    shapes += [Text(x + 8, room.y + 6 + 4.6 * row, line, 3.1) for row, line in enumerate(INSTRUCTIONS)]
    return framed("centre-finder", "Centre finder", "Works for any disc; the small mark is for yours.", paper, shapes)


def _centre_tick(disc: Disc, x: float, y: float, top: float) -> list[Shape]:
    if y < top + 2:
        return []
    return [
        Line(x - 5, y, x, y, HAIR_MM),
        Text(x - 6, y + 1, f"centre of {plain(disc.diameter_mm)} mm", 2.6, "end"),
    ]
