"""Which pictures of a film become frames: evenly in angle, and of those near each angle the sharpest."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from builder.filmed.angles import FilmAngles
from builder.filmed.course import Course
from builder.frames.footage import film_pictures

OFF_SHARE = 0.05  # of a step: neighbours off by so much each change the step by a tenth, which still looks even
MOST_LOOKED_AT = 8  # pictures near one angle: a pause holds hundreds that are alike
DETAIL_SIDE = 1600  # px, the copies on which sharpness is told: the widest site picture


def candidates(angles: FilmAngles, count: int, *, part: bool) -> list[list[int]]:
    """For each wanted angle the pictures near enough to it, at least the nearest one. No picture is listed twice;
    an angle whose nearest picture is another's already has none, and is left out.

    count: of a whole turn, as far as it was filmed; part: of the part turn that was filmed.
    """
    turned = 360.0 if angles.turned_deg is None else angles.turned_deg
    step = turned / (count - 1) if part else 360.0 / count
    wanted = np.arange(count) * step
    near = OFF_SHARE * step
    wanted = wanted[wanted <= turned + near]
    taken: set[int] = set()
    lists = []
    for angle in wanted:
        off = np.abs(angles.angles - angle)
        found = [int(k) for k in np.flatnonzero(off <= near) if int(k) not in taken] or [int(np.argmin(off))]
        if len(found) > MOST_LOOKED_AT:
            found = [found[k] for k in np.linspace(0, len(found) - 1, MOST_LOOKED_AT).round().astype(int)]
        if taken.isdisjoint(found):
            taken.update(found)
            lists.append([angles.first + k for k in found])
    return lists


def write_sharpest(film: Path, course: Course, lists: Sequence[Sequence[int]], folder: Path) -> list[int]:
    """Write the sharpest picture of each list as PNG; returns which it was. One picture is held at a time."""
    owner = {float(course.times[place]): (k, place) for k, places in enumerate(lists) for place in places}
    last = [max(places) for places in lists]
    digits = len(f"{course.times[max(last)]:.3f}")
    chosen: list[int] = []
    best: tuple[float, int, np.ndarray] | None = None
    for picture in film_pictures(film, min(owner), max(owner)):
        if picture.time_s not in owner:
            continue
        wanted, place = owner[picture.time_s]
        sharp = _sharpness(picture.grey(DETAIL_SIDE)) if len(lists[wanted]) > 1 else 0.0
        if best is None or sharp > best[0]:
            best = (sharp, place, picture.colour())
        if place == last[wanted]:
            _write(folder / frame_name(film, float(course.times[best[1]]), digits), best[2])
            chosen.append(best[1])
            best = None
    return chosen


def frame_name(film: Path, time_s: float, digits: int) -> str:
    """turn-07.433s.png: named by its place in the film, so that names sort by time and stay the same."""
    return f"{film.stem}-{time_s:0{digits}.3f}s.png"


def _sharpness(grey: np.ndarray) -> float:
    """Mean square of the slope: more for a sharper picture of the same view (all here show the same)."""
    grey = cv2.GaussianBlur(grey, (0, 0), 0.8).astype(np.float32)
    return float((np.diff(grey, axis=0) ** 2).mean() + (np.diff(grey, axis=1) ** 2).mean())


def _write(path: Path, pixels: np.ndarray) -> None:
    from PIL import Image

    Image.fromarray(pixels).save(path, compress_level=1)
