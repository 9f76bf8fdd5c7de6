"""Where the turn closes: the first place that looks again as the beginning did."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from builder.filmed.course import Course

PLACES = 720  # looked at, evenly along the run of the turning: half a degree apart in one turn
CLOSE_DEG = 1.5  # the place of closing must look more like the beginning than a turn by this much does, or by a place
# An end that looks like a turn by less than this from the beginning: near enough to be followed over the seam
NEARLY_DEG = 25.0
LEFT_SHARE = 0.25  # of that: half as far, since unlikeness grows with the square of the turn
SAME_LEVELS = 1.0  # of 255, root mean square: less is no difference
NO_BETTER = 2.0  # times the best likeness: of beginnings met again as well as that the first is taken


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
    # of the beginnings early in the film the one that is met again best: a hand may still be leaving the picture
    met = [
        (value, start, end) for start in range(max(1, len(places) // 12)) for end, value in _first_return(apart, start)
    ]
    if not met:
        nearly = bool(apart[0, -1] < _typical(apart[0], NEARLY_DEG, len(places)) and apart[0, -1] < far)
        return Loop(first, last, False, nearly, 0.0)
    least = min(value for value, _, _ in met)
    _, start, end = next(one for one in met if one[0] <= NO_BETTER * least + SAME_LEVELS**2)
    begins, ends = int(course.places[places[start]]), int(course.places[places[end]])
    return Loop(begins, ends, True, True, float((run[last] - run[begins]) / max(run[ends] - run[begins], 1e-9)))


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


def _first_return(apart: np.ndarray, start: int) -> list[tuple[int, float]]:
    """The first place that looks as the place `start` does, after others didn't at all; none or one.

    Returned with how unlike it is at least: between two places, by a parabola, since the moment itself may lie there.
    """
    row = apart[start]
    far = 0.5 * float(np.max(row))
    away = start + int(np.argmax(row[start:] > far))
    reach = max(2, len(row) // 60)
    for place in range(max(away, start + 2 * reach), len(row)):
        around = row[max(place - reach, 0) : place + reach + 1]
        if away > start and row[place] == around.min() and row[place] < far:
            least = _bottom(*row[place - 1 : place + 2]) if place + 1 < len(row) else float(row[place])
            whole = place - start
            near = (
                _typical(row[start : place + 1], CLOSE_DEG, whole),
                _typical(apart[place, place : start - 1 if start else None : -1], CLOSE_DEG, whole),
            )
            if least < LEFT_SHARE * max(near) + SAME_LEVELS**2:
                return [(place, least)]
    return []


def _bottom(before: float, here: float, after: float) -> float:
    bend = before - 2 * here + after
    return max(float(here - (after - before) ** 2 / (8 * bend)), 0.0) if bend > 0 else float(here)


def _typical(row: np.ndarray, turn_deg: float, whole: int) -> float:
    """How unlike its beginning a place becomes by a turn of turn_deg, if `whole` places make a turn."""
    step = max(1.0, turn_deg / 360 * whole)
    return float(np.interp(step, np.arange(len(row)), row))
