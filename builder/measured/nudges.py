"""When the camera was touched: a lasting bump, or a single shake, in the course of its positions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from builder.measured.light import mad_sigma

SURE = 5.0  # a movement counts when it is this many times the usual one between two frames


@dataclass(frozen=True)
class Nudge:
    """frame: the first after the bump, or the shaken one. moved: (x, y, roll) as in `Camera.motion`."""

    frame: int
    lasting: bool
    moved: np.ndarray
    size_px: float  # how far the picture's corner moved, copy px


@dataclass(frozen=True)
class Course:
    """nudges in order; home: median motion of the run that frame 0 belongs to; limit_px: copy px."""

    nudges: tuple[Nudge, ...]
    home: np.ndarray
    limit_px: float


def read_course(motion: np.ndarray, radius: float, visible_px: float) -> Course:
    """Find the nudges in (n, 3) motions.

    radius: half the diagonal, px: turns roll into movement of the corner. visible_px: smaller movements are
    no nudge however steady the stand is (copy px). A stand that is never quite steady raises the limit: it is
    SURE times the usual movement between two frames.
    """
    places = motion * [1.0, 1.0, radius]
    steps = np.diff(places, axis=0)
    usual = float(np.sqrt(sum(mad_sigma(steps[:, k]) ** 2 for k in range(3)))) if len(steps) > 2 else 0.0
    limit = max(visible_px, SURE * usual)
    nudges: list[Nudge] = []
    first_run: list[int] | None = None
    run = [0]
    for frame in range(1, len(places)):
        here = np.median(places[run[-5:]], axis=0)  # the last few: a stand that sags slowly is no bump
        moved = places[frame] - here
        size = _size(moved)
        if size <= limit:
            run.append(frame)
            continue
        back = frame + 1 < len(places) and _size(places[frame + 1] - here) <= limit
        nudges.append(Nudge(frame, not back, moved / [1.0, 1.0, radius], size))
        if not back:
            first_run = first_run or run
            run = [frame]
    home = np.median(places[first_run or run], axis=0) / [1.0, 1.0, radius]
    return Course(tuple(nudges), home, limit)


def unseen_moves(course: Course, seen: np.ndarray) -> np.ndarray:
    """(n,) px by which each frame may have moved from the one before (the first: from the last) and it didn't show: a
    standard error. Where a nudge's three directions aren't all seen, the others are as likely to be as large.

    seen: (n,) directions seen in each frame, as of `Camera`.
    """
    count, moves = len(seen), np.zeros(len(seen))
    cuts = sorted({0, count, *(nudge.frame for nudge in course.nudges), *_ends(course)})
    blind = {start: seen[start:end].max(initial=0) < 3 for start, end in zip(cuts, cuts[1:])}
    for nudge in course.nudges:
        before = max(cut for cut in cuts if cut < nudge.frame) if nudge.frame else 0
        if not (blind[before] or blind[nudge.frame]):
            continue
        size = nudge.size_px / np.sqrt(max(1, int(seen[nudge.frame])))
        back = 0 if nudge.lasting else (nudge.frame + 1) % count
        for frame in (nudge.frame, back):
            moves[frame] = np.hypot(moves[frame], size)
    return moves


def _ends(course: Course) -> list[int]:
    """The frames after a single shake."""
    return [nudge.frame + 1 for nudge in course.nudges if not nudge.lasting]


def _size(moved: np.ndarray) -> float:
    return float(np.hypot(moved[0], moved[1]) + abs(moved[2]))
