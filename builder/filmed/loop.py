"""Where the turn closes: the first place that looks again as the beginning did."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from builder.filmed.course import Course

PLACES = 360  # looked at, evenly along the run of the turning: about a degree apart in one turn
CLOSE_DEG = 6.0  # the place of closing must look more like the beginning than a turn by this much does
NEARLY_DEG = 25.0  # an end that looks like a turn by less than this from the beginning: near enough to be followed over the seam
NO_BETTER = 2.0  # times the best likeness: among places as alike as that, the first one closes the turn


@dataclass(frozen=True)
class Loop:
    """start, end: pictures of the film. closed: the end looks as the start does; nearly: it comes close. turns: how many the film holds."""

    start: int
    end: int
    closed: bool
    nearly: bool
    turns: float


def find_loop(course: Course, first: int, last: int) -> Loop:
    """The first whole turn between two pictures of the film; all of it where the turn doesn't close."""
    run = course.run
    places = _even_places(course, first, last)
    if len(places) < 12:
        return Loop(first, last, False, False, 0.0)
    apart = _unlikeness(course.copies[places])
    far = float(np.median(apart))
    # of those early in the film, the beginning that is met again best: a hand may still be leaving the picture
    best: tuple[float, int, int] | None = None
    for start in range(max(1, len(places) // 12)):
        for end, value in _returns(apart[start]):
            if _is_close(apart[start], start, end, value) and (best is None or value < best[0] / NO_BETTER):
                best = (value, start, end)
    if best is None:
        nearly = bool(apart[0, -1] < _typical(apart[0], NEARLY_DEG, len(places)) and apart[0, -1] < far)
        return Loop(first, last, False, nearly, 0.0)
    value, start, end = best
    end = next(e for e, v in _returns(apart[start]) if v <= NO_BETTER * value and _is_close(apart[start], start, e, v))
    begins, ends = course.places[places[start]], course.places[places[end]]
    length = run[ends] - run[begins]
    return Loop(int(begins), int(ends), True, True, float((run[last] - run[begins]) / max(length, 1e-9)))


def _even_places(course: Course, first: int, last: int) -> np.ndarray:
    """Copies between two pictures, evenly along the run."""
    inside = np.flatnonzero((course.places >= first) & (course.places <= last))
    if not len(inside):
        return inside
    run = course.run[course.places[inside]]
    wanted = np.linspace(run[0], run[-1], PLACES)
    return inside[np.unique(np.searchsorted(run, wanted).clip(0, len(inside) - 1))]


def _unlikeness(copies: np.ndarray) -> np.ndarray:
    """(q, q) mean squared difference of copies, where they change, each about its own mean."""
    height, width = copies.shape[1:]
    soft = np.stack([cv2.GaussianBlur(copy.astype(np.float32), (0, 0), 1.0) for copy in copies])
    moving = soft.std(axis=0)
    chosen = soft[:, moving > 0.2 * moving.max()] if moving.max() > 0 else soft.reshape(len(soft), height * width)
    chosen = chosen - chosen.mean(axis=1, keepdims=True)
    power = (chosen**2).mean(axis=1)
    return np.maximum(power[:, None] + power[None] - 2 * chosen @ chosen.T / chosen.shape[1], 0.0)


def _returns(row: np.ndarray) -> list[tuple[int, float]]:
    """Places where the picture comes back to what it was: least of all round them, after it has been far away."""
    far = 0.5 * float(np.max(row))
    away = int(np.argmax(row > far))
    reach = max(2, len(row) // 60)
    found = []
    for place in range(max(away, 2 * reach), len(row)):
        around = row[max(place - reach, 0) : place + reach + 1]
        if row[place] == around.min() and row[place] < far:
            found.append((place, float(row[place])))
    return found


def _is_close(row: np.ndarray, start: int, end: int, value: float) -> bool:
    return value < _typical(np.roll(row, -start)[: end - start + 1], CLOSE_DEG, end - start)


def _typical(row: np.ndarray, turn_deg: float, whole: int) -> float:
    """How unlike its beginning a place becomes by a turn of turn_deg, if `whole` places make a turn."""
    step = turn_deg / 360 * whole
    return float(np.interp(step, np.arange(len(row)), row))
