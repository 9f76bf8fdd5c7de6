"""The ring of marks for the disc top, at true scale, tiled over as many sheets as it takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from builder.capture.disc import Disc
from builder.capture.drawing import (
    BOLD_MM,
    HAIR_MM,
    LINE_MM,
    Area,
    Circle,
    Line,
    Paper,
    Room,
    Shape,
    Sheet,
    Text,
    Window,
    framed,
    outline,
    rectangle,
    room_on,
)
from builder.capture.lengths import plain
from builder.spin import Turn

OVERLAP_MM = 10.0
EDGE_MM = 2.0  # blank kept outside the disc's edge, to cut in
MOST_SHEETS = 24  # past two dozen sheets the joins cost more than the marks are worth; our own limit


@dataclass(frozen=True, slots=True)
class Tiling:
    """A grid of windows over the disc. Positions are from the disc's centre, x right, y down."""

    paper: Paper
    room: Room
    columns: int
    rows: int

    @property
    def step_x(self) -> float:
        return self.room.width - OVERLAP_MM

    @property
    def step_y(self) -> float:
        return self.room.height - OVERLAP_MM

    def corner(self, column: int, row: int) -> tuple[float, float]:
        """The window's top left corner; the grid as a whole is centred on the disc."""
        width = self.columns * self.step_x + OVERLAP_MM
        height = self.rows * self.step_y + OVERLAP_MM
        return column * self.step_x - width / 2, row * self.step_y - height / 2

    def joins(self) -> tuple[list[float], list[float]]:
        """Middle lines of the overlaps: x of the upright ones, y of the level ones."""
        middle = OVERLAP_MM / 2
        return (
            [self.corner(column, 0)[0] + middle for column in range(1, self.columns)],
            [self.corner(0, row)[1] + middle for row in range(1, self.rows)],
        )


def tile_disc(disc: Disc, paper: Paper) -> Tiling:
    """The tiling with the fewest sheets, upright or lying; see MOST_SHEETS for what is too many."""
    across = disc.diameter_mm + 2 * EDGE_MM
    tilings = []
    for sheet in (paper, paper.turned()):
        room = room_on(sheet)
        columns = max(1, math.ceil((across - OVERLAP_MM) / (room.width - OVERLAP_MM)))
        rows = max(1, math.ceil((across - OVERLAP_MM) / (room.height - OVERLAP_MM)))
        tilings.append(Tiling(sheet, room, columns, rows))
    return min(tilings, key=lambda tiling: tiling.columns * tiling.rows)


def largest_disc_mm(paper: Paper) -> float:
    """The largest diameter, in whole cm, that MOST_SHEETS of this paper carry."""
    diameter = 10.0
    while True:
        tiling = tile_disc(Disc(diameter + 10), paper)
        if tiling.columns * tiling.rows > MOST_SHEETS:
            return diameter
        diameter += 10


def ring_sheets(
    disc: Disc, frames: int, turn: Turn, footprint_mm: tuple[float, float] | None, paper: Paper
) -> list[Sheet]:
    """The ring, one sheet a tile, left to right and top to bottom. Marks stand at exact angles, not at the
    ruler's: the printer has no ruler."""
    tiling = tile_disc(disc, paper)
    drawing = ring_shapes(disc, frames, turn, footprint_mm)
    count = tiling.columns * tiling.rows
    sheets = []
    for row in range(tiling.rows):
        for column in range(tiling.columns):
            name = f"{'ABCDEFGH'[row]}{column + 1}"
            place = f"Sheet {name} of {count}: row {row + 1}, column {column + 1}. " if count > 1 else ""
            note = (
                f"{place}Disc {plain(disc.diameter_mm)} mm, {frames} marks, numbered for a {turn} turn seen from above."
            )
            shapes = _tile(tiling, column, row, drawing)
            sheets.append(
                framed(
                    f"ring-{name.lower()}" if count > 1 else "ring",
                    "Ring of marks for the disc top",
                    note,
                    tiling.paper,
                    shapes,
                )
            )
    return sheets


def ring_shapes(disc: Disc, frames: int, turn: Turn, footprint_mm: tuple[float, float] | None) -> list[Shape]:
    """The whole ring about (0, 0). Frame 1's mark points down, to where the photographer stands.

    Turning clockwise seen from above, the next mark to come by is the one to the right of it.
    """
    radius, step = disc.radius_mm, 360 / frames
    long = min(10.0, radius / 4)
    shapes: list[Shape] = [Circle(0, 0, radius, HAIR_MM), *_cross(radius)]
    size = min(3.4, 0.55 * math.radians(step) * (radius - long))  # numbers of up to three digits fit between marks
    every = 1 if size >= 1.6 else math.ceil(1.6 / size)
    for index in range(frames):
        angle = math.radians(index * step) * (1 if turn == "clockwise" else -1)
        dx, dy = math.sin(angle), math.cos(angle)
        quarter = (4 * index) % frames == 0
        inner = radius - (long if quarter else 0.6 * long)
        shapes.append(Line(dx * radius, dy * radius, dx * inner, dy * inner, BOLD_MM if index == 0 else LINE_MM))
        if index % every == 0:
            base = radius - long - 1 - max(size, 1.6) * (1 if every == 1 else 1.1)
            shapes.append(_blank(base, angle, max(size, 1.6), len(str(index + 1))))
            shapes.append(
                Text(
                    dx * base,
                    dy * base,
                    str(index + 1),
                    max(size, 1.6),
                    "middle",
                    bold=index == 0 or quarter,
                    turn=-math.degrees(angle),
                )
            )
    if footprint_mm:
        width, depth = footprint_mm
        shapes += outline(rectangle(-width / 2, -depth / 2, width, depth), HAIR_MM, (3, 1.5), 0.35)
        shapes.append(Circle(0, 0, math.hypot(width, depth) / 2, HAIR_MM, (1, 1.5), 0.35))
    return shapes


def _blank(base: float, angle: float, size: float, digits: int) -> Area:
    """White behind a number, so that no join line runs through it."""
    (out_x, out_y), (side_x, side_y) = (math.sin(angle), math.cos(angle)), (math.cos(angle), -math.sin(angle))
    half = 0.3 * size * digits + 0.2
    return Area(
        tuple(
            (out_x * (base + along) + side_x * across, out_y * (base + along) + side_y * across)
            for along, across in ((0.3, -half), (0.3, half), (-0.85 * size, half), (-0.85 * size, -half))
        ),
        1.0,
    )


def _cross(radius: float) -> list[Shape]:
    arm = min(25.0, radius / 2)
    return [
        Line(-arm, 0, arm, 0, HAIR_MM),
        Line(0, -arm, 0, arm, HAIR_MM),
        Circle(0, 0, min(3.0, arm / 3), HAIR_MM),
    ]


def _tile(tiling: Tiling, column: int, row: int, drawing: list[Shape]) -> list[Shape]:
    left, top = tiling.corner(column, row)
    room = tiling.room
    shift = room.x - left, room.y - top
    inside: list[Shape] = []
    upright, level = tiling.joins()
    for x in upright:
        inside.append(moved(Line(x, top, x, top + room.height, HAIR_MM, (2, 2), 0.5), *shift))
    for y in level:
        inside.append(moved(Line(left, y, left + room.width, y, HAIR_MM, (2, 2), 0.5), *shift))
    for x, y in _register_places(tiling):
        if left - 5 <= x <= left + room.width + 5 and top - 5 <= y <= top + room.height + 5:
            inside += [moved(shape, *shift) for shape in _register(x, y)]
    inside += [moved(shape, *shift) for shape in drawing]
    return [Window(room.x, room.y, room.width, room.height, tuple(inside))]


def _register_places(tiling: Tiling) -> list[tuple[float, float]]:
    """Two on each shared edge, a quarter in from its ends, so that each pair of sheets meets at two
    points.
    """
    upright, level = tiling.joins()
    places = []
    for row in range(tiling.rows):
        top = tiling.corner(0, row)[1]
        places += [(x, top + tiling.room.height * share) for x in upright for share in (0.25, 0.75)]
    for column in range(tiling.columns):
        left = tiling.corner(column, 0)[0]
        places += [(left + tiling.room.width * share, y) for y in level for share in (0.25, 0.75)]
    return places


def _register(x: float, y: float) -> list[Shape]:
    return [Line(x - 4, y, x + 4, y, HAIR_MM), Line(x, y - 4, x, y + 4, HAIR_MM), Circle(x, y, 2, HAIR_MM)]


def moved(shape: Shape, dx: float, dy: float) -> Shape:
    """The shape, pushed dx right and dy down."""
    match shape:
        case Line(x1, y1, x2, y2, width, dash, grey):
            return Line(x1 + dx, y1 + dy, x2 + dx, y2 + dy, width, dash, grey)
        case Circle(x, y, radius, width, dash, grey):
            return Circle(x + dx, y + dy, radius, width, dash, grey)
        case Area(points, grey):
            return Area(tuple((x + dx, y + dy) for x, y in points), grey)
        case Text(x, y, text, size, align, bold, turned, grey):
            return Text(x + dx, y + dy, text, size, align, bold, turned, grey)
    raise TypeError(f"not a shape of the ring: {shape!r}")
