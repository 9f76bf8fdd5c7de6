"""Reads printables and tracks back by other means than the ones that made them."""

from __future__ import annotations

import io
import math
import re
import subprocess
import wave
from pathlib import Path
from xml.etree import ElementTree

import numpy as np

MM = 25.4 / 72
SVG = "{http://www.w3.org/2000/svg}"
Segment = tuple[float, float, float, float]


def pdf_pages(pdf: bytes) -> list:
    from pypdf import PdfReader

    return PdfReader(io.BytesIO(pdf)).pages


def pdf_segments(page) -> list[Segment]:
    """Stroked straight lines of a page, in mm from its top left corner, read from the content stream by
    pypdf.
    """
    from pypdf.generic import ContentStream

    height = float(page.mediabox.height)
    matrix, kept, current, path, found = np.eye(3), [], None, [], []
    for operands, operator in ContentStream(page.get_contents(), page.pdf).operations:
        numbers = [float(value) for value in operands] if operator in (b"cm", b"m", b"l") else []
        if operator == b"q":
            kept.append(matrix)
        elif operator == b"Q":
            matrix = kept.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = numbers
            matrix = matrix @ np.array([[a, c, e], [b, d, f], [0, 0, 1]])
        elif operator == b"m":
            current = matrix @ [*numbers, 1]
        elif operator == b"l":
            following = matrix @ [*numbers, 1]
            path.append((current[0] * MM, (height - current[1]) * MM, following[0] * MM, (height - following[1]) * MM))
            current = following
        elif operator == b"S":
            found, path = found + path, []
        elif operator in (b"n", b"f", b"f*"):
            path = []
    return found


def svg_segments(svg: str) -> list[Segment]:
    """The same from an SVG: straight paths, in user units, which are mm."""
    root = ElementTree.fromstring(svg)
    return [
        tuple(map(float, re.fullmatch(r"M(\S+) (\S+)L(\S+) (\S+)", path.get("d")).groups()))
        for path in root.iter(f"{SVG}path")
    ]


def length(segment: Segment) -> float:
    return math.dist(segment[:2], segment[2:])


def near(value: float, wanted: float, within: float = 0.02) -> bool:
    return abs(value - wanted) <= within


def register_places(segments: list[Segment]) -> list[tuple[float, float]]:
    """Middles of crosses with 8 mm arms."""
    level = [s for s in segments if near(length(s), 8) and near(s[1], s[3])]
    upright = [s for s in segments if near(length(s), 8) and near(s[0], s[2])]
    middles = {(round((a[0] + a[2]) / 2, 3), round(a[1], 3)) for a in level}
    return sorted(
        place for place in middles if any(near(u[0], place[0]) and near((u[1] + u[3]) / 2, place[1]) for u in upright)
    )


def fitted_circle(points: np.ndarray) -> tuple[float, float, float]:
    """x, y, radius of the least-squares circle (Kåsa's linear fit; exact for exact points)."""
    a = np.column_stack([2 * points, np.ones(len(points))])
    x, y, c = np.linalg.lstsq(a, (points**2).sum(1), rcond=None)[0]
    return float(x), float(y), math.sqrt(c + x * x + y * y)


def joined_ring(pages: list[list[Segment]], columns: int, rows: int) -> tuple[np.ndarray, float]:
    """Outer ends of the ring's marks (n, 2) in mm, the sheets laid together by their register marks;
    and the worst disagreement between the two register marks of a pair of sheets."""
    shifts, worst = {(0, 0): np.zeros(2)}, 0.0
    registers = [np.array(register_places(page)) for page in pages]
    for row in range(rows):
        for column in range(columns):
            if (row, column) == (0, 0):
                continue
            across = column > 0
            before = (row, column - 1) if across else (row - 1, column)
            axis = 0 if across else 1
            here, there = registers[row * columns + column], registers[before[0] * columns + before[1]]
            here = here[here[:, axis] < here[:, axis].min() + 1]
            there = there[there[:, axis] > there[:, axis].max() - 1]
            here, there = (part[part[:, 1 - axis].argsort()] for part in (here, there))
            steps = there - here
            worst = max(worst, float(np.abs(steps - steps.mean(0)).max()))
            shifts[row, column] = shifts[before] + steps.mean(0)
    ends = []
    for row in range(rows):
        for column in range(columns):
            for segment in pages[row * columns + column]:
                if near(length(segment), 6) or near(length(segment), 10):
                    ends.append(np.array(segment[:2]) + shifts[row, column])
    kept: list[np.ndarray] = []
    for end in ends:  # marks in an overlap are on two sheets
        if all(np.abs(end - other).max() > 1 for other in kept):
            kept.append(end)
    return np.array(kept), worst


def rasterised(pdf: Path, dpi: int, page: int = 1) -> np.ndarray:
    """A page as grey 0..255 (h, w), drawn by Poppler."""
    from PIL import Image

    target = pdf.with_suffix("")
    subprocess.run(
        ["pdftoppm", "-r", str(dpi), "-f", str(page), "-l", str(page), "-gray", "-singlefile", pdf, target],
        check=True,
        timeout=60,
    )
    with Image.open(target.with_suffix(".pgm")) as image:
        return np.asarray(image)


def dark_middles(row: np.ndarray) -> np.ndarray:
    """Middles (px) of the dark runs along a grey row, weighted by darkness: finer than a pixel."""
    dark = 255.0 - row
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (dark > 8).astype(int), [0]])))
    return np.array([np.average(np.arange(a, b), weights=dark[a:b]) for a, b in edges.reshape(-1, 2)])


def track_samples(wav: bytes) -> tuple[np.ndarray, int]:
    with wave.open(io.BytesIO(wav)) as track:
        assert (track.getnchannels(), track.getsampwidth()) == (1, 2)
        return np.frombuffer(track.readframes(track.getnframes()), "<i2") / 32768, track.getframerate()


def onsets(samples: np.ndarray, rate: int, level: float) -> np.ndarray:
    """Times at which the sound rises past `level` after 50 ms below a third of it: an onset detector by level
    only.
    """
    loud = np.abs(samples)
    over, times, last_loud = np.flatnonzero(loud > level / 3), [], -math.inf
    for index in over:
        if loud[index] > level and index - last_loud > 0.05 * rate:
            times.append(index / rate)
        if loud[index] > level or index - last_loud <= 0.05 * rate:
            last_loud = index
    return np.array(times)
