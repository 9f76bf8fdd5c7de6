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
