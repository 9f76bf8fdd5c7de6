"""A sheet of paper as plain shapes. Millimetres from the top left corner, x right, y down.

`pdf` and `svg` draw the same shapes, so the two can't disagree. Grey: 0 black, 1 white.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

HAIR_MM = 0.15  # thin enough to cut to
LINE_MM = 0.3
BOLD_MM = 0.6
MARGIN_MM = 10.0  # most desktop printers leave 3 to 6 mm blank, some 12 at one end; common practice, no source


@dataclass(frozen=True, slots=True)
class Paper:
    name: str
    width_mm: float
    height_mm: float

    def turned(self) -> "Paper":
        """The same sheet lying on its long side."""
        return Paper(self.name, self.height_mm, self.width_mm)


# ISO 216; ANSI/ASME Y14.1 for letter and tabloid, 8.5 × 11 in and 11 × 17 in
PAPERS = {
    paper.name: paper
    for paper in (
        Paper("a4", 210, 297),
        Paper("letter", 215.9, 279.4),
        Paper("a3", 297, 420),
        Paper("tabloid", 279.4, 431.8),
        Paper("legal", 215.9, 355.6),
    )
}


@dataclass(frozen=True, slots=True)
class Line:
    x1: float
    y1: float
    x2: float
    y2: float
    width: float = LINE_MM
    dash: tuple[float, ...] = ()
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Circle:
    x: float
    y: float
    radius: float
    width: float = LINE_MM
    dash: tuple[float, ...] = ()
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Area:
    """A filled polygon, no outline."""

    points: tuple[tuple[float, float], ...]
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Text:
    """One line of type; `size` is the type size in mm, y the baseline, `turn` clockwise in degrees."""

    x: float
    y: float
    text: str
    size: float = 3.0
    align: str = "start"  # start, middle, end
    bold: bool = False
    turn: float = 0.0
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Window:
    """Shapes seen through a rectangle."""

    x: float
    y: float
    width: float
    height: float
    shapes: tuple["Shape", ...]


Shape = Line | Circle | Area | Text | Window


@dataclass(frozen=True, slots=True)
class Sheet:
    name: str  # for a file name
    title: str
    paper: Paper
    shapes: tuple[Shape, ...]


def rectangle(x: float, y: float, width: float, height: float) -> tuple[tuple[float, float], ...]:
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def outline(
    points: Iterable[tuple[float, float]],
    width: float = LINE_MM,
    dash: tuple[float, ...] = (),
    grey: float = 0.0,
) -> list[Line]:
    """The edges of a closed polygon."""
    corners = list(points)
    return [Line(*a, *b, width, dash, grey) for a, b in zip(corners, [*corners[1:], corners[0]])]


HEAD_MM = 13.0  # below the margin: title
FOOT_MM = 21.0  # above the margin: control lines


@dataclass(frozen=True, slots=True)
class Room:
    """What is left of a sheet for its drawing."""

    x: float
    y: float
    width: float
    height: float


def room_on(paper: Paper) -> Room:
    return Room(
        MARGIN_MM,
        MARGIN_MM + HEAD_MM,
        paper.width_mm - 2 * MARGIN_MM,
        paper.height_mm - 2 * MARGIN_MM - HEAD_MM - FOOT_MM,
    )


def framed(name: str, title: str, note: str, paper: Paper, shapes: Iterable[Shape]) -> Sheet:
    """A sheet with its title, a line of note, and the two control lines every sheet carries."""
    return Sheet(
        name,
        title,
        paper,
        (
            Text(MARGIN_MM, MARGIN_MM + 5, title, 5, bold=True),
            Text(MARGIN_MM, MARGIN_MM + 10, note, 2.9),
            *shapes,
            *control_lines(paper),
        ),
    )


def control_lines(paper: Paper) -> list[Shape]:
    """100 mm and 4 in, to be measured after printing."""
    x, y = MARGIN_MM, paper.height_mm - MARGIN_MM
    shapes: list[Shape] = []
    for up, length, label in ((12.5, 100.0, "100 mm"), (4.0, 101.6, "4 in")):
        shapes += [
            Line(x, y - up, x + length, y - up, HAIR_MM),
            Line(x, y - up - 2, x, y - up + 2, HAIR_MM),
            Line(x + length, y - up - 2, x + length, y - up + 2, HAIR_MM),
            Text(x + length / 2, y - up - 1.2, label, 2.9, "middle"),
        ]
    words = (
        "Print at 100 % (“actual size”), not “fit to page”.",
        "Then measure both lines. If one is more than",
        "0.5 mm off, don’t cut: correct the scale and print again.",
        "Cut away from yourself, on a mat; put the blade away.",
    )
    return shapes + [Text(x + 107, y - 13.5 + 4.1 * row, line, 2.9) for row, line in enumerate(words)]
