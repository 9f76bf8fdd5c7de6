"""The rim tape: one long strip round the disc's edge, cut from strips that are glued end to end."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from builder.capture.disc import Disc
from builder.capture.drawing import (
    BOLD_MM,
    HAIR_MM,
    LINE_MM,
    Area,
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
from builder.spin import Turn

TAB_MM = 10.0  # glued under the next strip
GAP_MM = 6.0  # between strips on a sheet
CLEAR_MM = 3.0  # a join stays this far from any mark


@dataclass(frozen=True, slots=True)
class Strip:
    """Part of the tape, from start_mm to end_mm of its length, counted from the tape's left end."""

    start_mm: float
    end_mm: float


def tape_length(disc: Disc, paper_mm: float) -> float:
    """π(D + t): bent paper keeps its length in the middle of its thickness t. Geometry."""
    return math.pi * (disc.diameter_mm + paper_mm)


def cut_strips(length_mm: float, spacing_mm: float, longest_mm: float) -> list[Strip]:
    """The fewest strips of about equal length; joins lie midway between marks when marks are that close.

    Marks lie at (k + ½)·spacing from the left end, so midway is a multiple of the spacing.
    """
    count = math.ceil(length_mm / longest_mm)
    while True:
        ends = [_clear_of_marks(length_mm * k / count, spacing_mm, longest_mm) for k in range(1, count)]
        strips = [Strip(a, b) for a, b in zip([0.0, *ends], [*ends, length_mm])]
        if all(strip.end_mm - strip.start_mm <= longest_mm + 1e-9 for strip in strips):
            return strips
        count += 1


def _clear_of_marks(place_mm: float, spacing_mm: float, longest_mm: float) -> float:
    if spacing_mm <= longest_mm / 4:
        return round(place_mm / spacing_mm) * spacing_mm
    mark = (math.floor(place_mm / spacing_mm) + 0.5) * spacing_mm
    off = place_mm - mark
    return place_mm if abs(off) >= CLEAR_MM else mark + math.copysign(CLEAR_MM, off)


def rim_tape_sheets(
    disc: Disc, frames: int, turn: Turn, paper_mm: float, height_mm: float, paper: Paper
) -> list[Sheet]:
    """The plain tape. Turning clockwise seen from above, the near rim runs left: numbers grow to the
    right.
    """
    spacing = tape_length(disc, paper_mm) / frames

    def marks(strip: Strip, x: float, y: float) -> list[Shape]:
        shapes: list[Shape] = []
        size = min(4.0, height_mm * 0.3, spacing * 0.45)
        for place in range(frames):
            at = (place + 0.5) * spacing
            if not strip.start_mm <= at <= strip.end_mm:
                continue
            index = place if turn == "clockwise" else (frames - place) % frames
            left = x + at - strip.start_mm
            quarter = (4 * index) % frames == 0
            depth = height_mm * (0.6 if quarter else 0.45)
            shapes.append(Line(left, y, left, y + depth, BOLD_MM if index == 0 else LINE_MM))
            if size >= 1.4:
                shapes.append(
                    Text(
                        left,
                        y + height_mm * 0.6 + 1 + size * 0.75,
                        str(index + 1),
                        size,
                        "middle",
                        bold=quarter,
                    )
                )
        return shapes

    note = (
        f"{frames} marks {plain(spacing, 2)} mm apart; {plain(tape_length(disc, paper_mm), 1)} mm long, for "
        "a "
        f"{plain(disc.diameter_mm)} mm disc and paper {plain(paper_mm, 2)} mm thick."
    )
    return lay_out("rim-tape", "Rim tape", note, tape_length(disc, paper_mm), spacing, height_mm, paper, marks)


def lay_out(
    name: str,
    title: str,
    note: str,
    length_mm: float,
    spacing_mm: float,
    height_mm: float,
    paper: Paper,
    pattern: Callable[[Strip, float, float], list[Shape]],
) -> list[Sheet]:
    """Strips under one another on lying sheets. `pattern(strip, x, y)` draws what is on a strip at x, y."""
    sheet_paper = paper.turned()
    room = room_on(sheet_paper)
    strips = cut_strips(length_mm, spacing_mm, room.width - TAB_MM)
    per_sheet = max(1, int((room.height + GAP_MM) // (height_mm + GAP_MM)))
    pages = [range(first, min(first + per_sheet, len(strips))) for first in range(0, len(strips), per_sheet)]
    sheets = []
    for page, numbers in enumerate(pages):
        shapes: list[Shape] = []
        for row, number in enumerate(numbers):
            y = room.y + row * (height_mm + GAP_MM)
            shapes += pattern(strips[number], room.x, y)
            shapes += _strip_outline(strips[number], number, len(strips), room.x, y, height_mm)
        many = len(pages) > 1
        sheets.append(
            framed(
                f"{name}-{page + 1}" if many else name,
                f"{title}, sheet {page + 1} of {len(pages)}" if many else title,
                note,
                sheet_paper,
                shapes,
            )
        )
    return sheets


def _strip_outline(strip: Strip, number: int, count: int, x: float, y: float, height: float) -> list[Shape]:
    """Cut along the thin lines; the tab with its slanted end goes under the next strip, up to the dashed
    line.
    """
    end = x + strip.end_mm - strip.start_mm
    slant = min(2.0, height / 4)
    following = (number + 1) % count + 1
    tab = ((end, y), (end + TAB_MM, y + slant), (end + TAB_MM, y + height - slant), (end, y + height))
    return [
        Area(tab, 0.93),
        *outline([(x, y), tab[0], tab[1], tab[2], tab[3], (x, y + height)], HAIR_MM),
        Line(end, y, end, y + height, HAIR_MM, (1, 1)),
        Text(end + TAB_MM / 2, y + height / 2 - 0.6, "under", 2.2, "middle"),
        Text(end + TAB_MM / 2, y + height / 2 + 2.2, str(following), 2.8, "middle", bold=True),
        Text(x, y + height + 3, f"strip {number + 1} of {count}", 2.2),
    ]
