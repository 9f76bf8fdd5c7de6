"""The coded rim tape: a pattern that differs at every place round the rim, so a picture of its front tells
the angle.

127 cells go round, whatever the disc's size: then a cell is always the same share of the disc's picture.
Their bits are a maximal-length sequence (linear feedback, x⁷ + x⁶ + 1; S. W. Golomb, Shift Register
Sequences): any 7 in a row occur once round the rim, and two longer stretches differ in about half their bits.
Each cell is half black, half white (1: black first), so every cell has an edge in its middle and no light or
dark stretch is longer than one cell.
"""

from __future__ import annotations

from functools import cache

from builder.capture.disc import Disc
from builder.capture.drawing import LINE_MM, Area, Line, Paper, Shape, Sheet, Text, rectangle
from builder.capture.lengths import plain
from builder.capture.tape import Strip, lay_out, tape_length
from builder.spin import Turn

CELLS = 127
CELL_DEG = 360 / CELLS
BAND_SHARE = 0.62  # of the tape's height; the rest carries marks and numbers for the hand that turns


@cache
def rim_bits() -> tuple[int, ...]:
    """127 bits, in the order read from left to right by someone who looks at the rim."""
    register, bits = 0b1111111, []
    for _ in range(CELLS):
        bits.append(register & 1)
        feedback = (register ^ (register >> 1)) & 1
        register = (register >> 1) | (feedback << 6)
    return tuple(bits)


@cache
def half_cells() -> tuple[int, ...]:
    """254 half cells: -1 black, +1 white."""
    return tuple(sign for bit in rim_bits() for sign in ((-1, 1) if bit else (1, -1)))


def black_bars() -> list[tuple[float, float]]:
    """(start, end) of the black bars, in shares of the rim's length from the tape's left end; touching ones
    joined.
    """
    bars: list[tuple[float, float]] = []
    for place, sign in enumerate(half_cells()):
        if sign < 0:
            start, end = place / (2 * CELLS), (place + 1) / (2 * CELLS)
            if bars and abs(bars[-1][1] - start) < 1e-9:
                bars[-1] = (bars[-1][0], end)
            else:
                bars.append((start, end))
    return bars


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
                    shapes.append(
                        Text(left + 0.7, y + height_mm - 1.2, str(index + 1), size, bold=index == 0)
                    )
        return shapes

    note = (
        f"{CELLS} cells of {plain(cell, 2)} mm, {frames} marks; {plain(length, 1)} mm long, for a "
        f"{plain(disc.diameter_mm)} mm disc and paper {plain(paper_mm, 2)} mm thick. Code upwards; keep it "
        "in "
        "the picture."
    )
    return lay_out("coded-tape", "Coded rim tape", note, length, cell, height_mm, paper, pattern)
