"""Prints how far a fitted hotspot is from where the point truly is: `python -m tests.bench.hotspots [SET]…`.

On the rendered sequences: random points of the object's size are projected with the true camera and the true turn,
marked in frames about 40° apart with 1 and 3 px of noise a coordinate, and fitted with the camera and the angles
that `check` measures from the photos. What remains is the error of a mark in all frames in which it faces the camera.
"""

from __future__ import annotations

import sys

import numpy as np

from builder.items.hotspots import Mark, fit_points, in_sight, moved
from builder.items.numbers import frame_angles
from builder.measured import measure_spin
from tests.rendered import HALF, RenderedSet, rendered_names, rendered_set, sets_folder
from tests.test_hotspots import seen

POINTS = 60
APART = 4  # frames between marks


def camera_of(one: RenderedSet) -> tuple:
    """As tests/test_hotspots.py has it; truth.json puts a pixel's centre at +0.5."""
    look, photo = one.truth["camera"], one.photos[0]
    centre = tuple(value - 0.5 for value in look["principal_point_px"])
    return (look["elevation_deg"], look["roll_deg"], look["distance_mm"], one.truth["object_swept_radius_mm"],
            look["focal_px"], centre, (photo.width, photo.height))  # fmt: skip


def true_places(one: RenderedSet, camera: tuple, rng) -> np.ndarray:
    """(n, 2) px of each frame's own photo, camera bumps included."""
    clockwise = one.truth["direction"] == "clockwise"
    turns = [frame["turn_deg"] for frame in one.truth["frames"]]
    places = seen(camera, clockwise, rng.uniform(0.1, 1) * camera[3], rng.uniform(-60, 100), rng.uniform(0, 360), turns)
    bumps = [HALF @ np.vstack([f["camera_affine"], [0, 0, 1]]) @ np.linalg.inv(HALF) for f in one.truth["frames"]]
    return np.array([(bump @ [*place, 1])[:2] for bump, place in zip(bumps, places)])


def print_errors(one: RenderedSet) -> None:
    measures = measure_spin(one.photos, slug=one.name, source=one.name)
    known = "camera measured" if measures.camera else "steps can't be judged: even steps, no camera"
    print(f"{one.name}: {known}; pictures of {one.photos[0].width} px")
    angles = frame_angles(measures, closed=True)
    camera, rng = camera_of(one), np.random.default_rng(1)
    for count in (2, 3):
        for noise_px in (1.0, 3.0):
            off = []
            while len(off) < POINTS:
                off += errors(one, measures, angles, camera, rng, count, noise_px)
            print(
                f"  {count} marks, {noise_px:.0f} px of noise: error in other frames"
                f" median {np.median(off):.1f} px, 95 % below {np.quantile(off, 0.95):.1f} px"
            )


def errors(one: RenderedSet, measures, angles, camera, rng, count: int, noise_px: float) -> list[float]:
    truth, total = true_places(one, camera, rng), len(angles)
    start = int(rng.integers(total))
    frames = [(start + APART * k) % total for k in range(count)]
    marks = [
        Mark(angles[k], moved(measures.frames[k].to_reference, truth[k] + rng.normal(0, noise_px, 2))) for k in frames
    ]
    view, (fitted,) = fit_points([marks], measures, camera[6], one.photos[0].focal35_mm)
    drawn = view.place(fitted.point, angles)
    here = in_sight(fitted, angles, None)
    backs = [np.linalg.inv(np.vstack([frame.to_reference, [0, 0, 1]]))[:2] for frame in measures.frames]
    off = [np.hypot(*np.subtract(moved(backs[k], drawn[k]), truth[k])) for k in range(total) if here[k]]
    return [float(np.sqrt(np.mean(np.square(off))))] if off else []


def main(names: list[str]) -> None:
    names = names or rendered_names()
    if not names:
        print(f"no rendered sequences in {sets_folder()}: set KICKWHEEL_SETS")
    for name in names:
        print_errors(rendered_set(name))


if __name__ == "__main__":
    main(sys.argv[1:])
