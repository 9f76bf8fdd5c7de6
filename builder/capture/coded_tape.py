"""The printed sheets of the coded rim tape (`builder.rim.code`)."""

from __future__ import annotations

from builder.capture.disc import Disc
from builder.capture.drawing import LINE_MM, Area, Line, Paper, Shape, Sheet, Text, rectangle
from builder.capture.lengths import plain
from builder.capture.tape import Strip, lay_out, tape_length
from builder.rim.code import BAND_SHARE, CELLS, black_bars
from builder.spin import Turn


def coded_tape_sheets(
    disc: Disc, frames: int, turn: Turn, paper_mm: float, height_mm: float, paper: Paper
) -> list[Sheet]:
    """The coded tape: the code along the top, marks and frame numbers below it."""
    length = tape_length(disc, paper_mm)
    spacing, cell = length / frames, length / CELLS
    band = height_mm * BAND_SHARE
    bars = [(start * length, end * length) for start, end in black_bars()]

    def pattern(strip: Strip, x: float, y: float) -> list[Shape]:
        shapes: list[Shape] = []
        for start, end in bars:
            left, right = max(start, strip.start_mm), min(end, strip.end_mm)
            if right > left:
                shapes.append(Area(rectangle(x + left - strip.start_mm, y, right - left, band)))
        size = min(3.4, height_mm * 0.2, spacing * 0.45)
        for place in range(frames):
            at = (place + 0.5) * spacing
            if strip.start_mm <= at <= strip.end_mm:
                index = place if turn == "clockwise" else (frames - place) % frames
                left = x + at - strip.start_mm
                shapes.append(Line(left, y + band + 0.4, left, y + height_mm, LINE_MM))
                if size >= 1.4:
                    shapes.append(Text(left + 0.7, y + height_mm - 1.2, str(index + 1), size, bold=index == 0))
        return shapes

    note = (
        f"{CELLS} cells of {plain(cell, 2)} mm, {frames} marks; {plain(length, 1)} mm long, for a "
        f"{plain(disc.diameter_mm)} mm disc and paper {plain(paper_mm, 2)} mm thick. Code upwards; keep it "
        "in "
        "the picture."
    )
    return lay_out("coded-tape", "Coded rim tape", note, length, cell, height_mm, paper, pattern)
