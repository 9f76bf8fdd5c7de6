"""A film of the turn to frames, as if they had been shot one by one.

In order: how the film runs and where it turns (`course`), the first whole turn (`loop`), the angle at each
picture (`angles`), and frames evenly in angle, the sharpest near each (`choose`). Each reads the film as a
stream. The frames are written without loss and measured afterwards like photos.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from builder.errors import PhotoError
from builder.filmed.angles import FilmAngles, measure_angles
from builder.filmed.choose import candidates, frame_name, write_sharpest
from builder.filmed.course import Course, read_course
from builder.filmed.loop import Loop, find_loop
from builder.filmed.smear import measure_smear
from builder.filmed.words import film_findings, film_note
from builder.frames.footage import film_pictures, open_footage
from builder.spin import FilmTake

__all__ = ["USUAL_FRAMES", "film_findings", "film_note", "take_frames"]

USUAL_FRAMES = 36
LEAST_TURN_DEG = 20.0  # a smaller movement is no turn: two steps


def take_frames(
    film: Path, folder: Path, *, count: int = USUAL_FRAMES, closed: bool = True,
    start_s: float | None = None, end_s: float | None = None,
) -> FilmTake:  # fmt: skip
    """Write the frames of a film's turn to a folder as PNG, evenly in angle.

    count: frames of a whole turn (of the part turn, where closed is False). start_s, end_s: seconds of the film
    between which to look. Raises PhotoError when the film can't be read or nothing turns in it.
    """
    cv2.setNumThreads(1)
    open_footage(film)
    course = read_course(film_pictures(film, start_s or 0.0, float("inf") if end_s is None else end_s))
    loop, angles = _turn(film, course, closed, given=start_s is not None and end_s is not None)
    chosen = write_sharpest(film, course, candidates(angles, count, part=not closed), folder)
    times = [float(course.times[place]) for place in chosen]
    digits = len(f"{times[-1]:.3f}")
    return FilmTake(
        names=tuple(frame_name(film, time, digits) for time in times),
        angles_deg=tuple(float(angles.angles[place - angles.first]) for place in chosen),
        start_s=float(course.times[angles.first]),
        end_s=float(course.times[angles.first + len(angles.angles) - 1]),
        turned_deg=angles.turned_deg,
        turned_sigma_deg=angles.turned_sigma_deg,
        off_deg=angles.off_deg,
        closed=closed and angles.closed,
        turns=loop.turns,
        judged=angles.judged,
        wanted=count,
        smear_px=measure_smear(film, course, angles),
    )


def _turn(film: Path, course: Course, closed: bool, *, given: bool) -> tuple[Loop, FilmAngles]:
    """given: both ends of the turn were given, so that something is taken whatever the pictures show."""
    if len(course.times) < 2:
        what = "it holds fewer than two pictures" + (" between from and to" if given else "")
        raise PhotoError.at(film, "", what, "Film the whole turn; from and to are times of the film.")
    part = course.moving_part()
    if part is None and not given:
        raise _nothing_turns(film)
    first, last = part or (0, len(course.times) - 1)
    loop = find_loop(course, first, last)
    if given and not loop.closed and closed:  # the ends given are the turn's own
        loop = Loop(0, len(course.times) - 1, loop.closed, True, loop.turns)
    angles = measure_angles(film, course, loop, part=not closed)
    if not given and angles.turned_deg is not None and angles.turned_deg < LEAST_TURN_DEG:
        raise _nothing_turns(film)
    if given and not angles.judged:
        share = np.linspace(0, 1, len(angles.angles)) if part is None else angles.angles / 360
        return loop, FilmAngles(angles.first, 360 * share, 360.0, closed, False)
    if not angles.judged and not angles.closed:
        raise PhotoError.at(
            film, "", "something moves in it, but no whole turn can be made out",
            "Film a whole turn and a little more, from a stand; or say where it begins and ends with from and to.",
        )  # fmt: skip
    return loop, angles


def _nothing_turns(film: Path) -> PhotoError:
    return PhotoError.at(
        film,
        "",
        "nothing is seen to turn in it",
        "Film the whole turn; or say where it begins and ends with from and to.",
    )
