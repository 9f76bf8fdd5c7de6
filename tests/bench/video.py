"""Frames from films: how near their angle they are, what the turn costs, and memory with a long 4K film.

python -m tests.bench.video            angles on drawn turns of uneven speed
python -m tests.bench.video --long     also 60 s of 4K (3840 × 2160, 30 pictures a second): some minutes
"""

from __future__ import annotations

import multiprocessing
import re
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from builder.filmed import take_frames
from builder.frames.footage import film_pictures
from tests.films import drawn_poses, uneven_turn, write_film, write_turn
from tests.turntable import Scene

CASES = [  # what, scene, seconds, degrees, options
    ("pot, 1 turn and 5°", Scene(shape="pot"), 7, 365, dict(seed=1)),
    ("pot, 2 turns", Scene(shape="pot"), 13, 725, dict(seed=2)),
    ("pot, variable frame rate", Scene(shape="pot"), 8, 400, dict(seed=3, jitter=0.3)),
    ("boat, speed ± 80 %", Scene(shape="boat", seed=2), 9, 370, dict(seed=4, uneven=0.8)),
    ("mug with a label", Scene(shape="mug", texture="label", seed=3), 8, 370, dict(seed=5)),
    ("the same mug, 960 px wide", Scene(shape="mug", texture="label", seed=3), 8, 370, dict(seed=5, width=960)),
    ("the same, disc without marks", Scene(shape="mug", texture="label", seed=3, marks=0), 8, 370, dict(seed=5)),
    (
        "plain jar, disc with marks",
        Scene(shape="jar", texture="plain", body_rgb=(0.6, 0.58, 0.55)),
        8,
        370,
        dict(seed=9),
    ),
    ("pot, 8° short of a turn", Scene(shape="pot"), 7, 352, dict(seed=6)),
    ("pot, 50 s, a jump in 8", Scene(shape="pot"), 40, 365, dict(seed=1, uneven=0.3, still_s=5)),
]


def angles() -> None:
    print(f"{'film':28} {'frames':>6} {'turn found':>10} {'off, mean':>9} {'worst':>6} {'own say':>8} {'CPU':>7}")
    drawn: dict[tuple[Scene, int], np.ndarray] = {}
    for what, scene, seconds, degrees, options in CASES:
        width = options.pop("width", 480)
        if (scene, width) not in drawn:
            drawn[scene, width] = drawn_poses(scene, 2.5, width, width * 3 // 4)
        with tempfile.TemporaryDirectory() as folder:
            film = Path(folder) / "turn.mp4"
            times, wanted = uneven_turn(seconds, degrees, **options)
            truth = write_turn(film, drawn[scene, width], times, wanted)
            began = time.process_time()
            take = take_frames(film, Path(folder))
            spent = time.process_time() - began
            seen = np.array([picture.time_s for picture in film_pictures(film)])

        def true(moment: float) -> float:
            return float(truth[int(np.argmin(np.abs(seen - moment)))])

        own = np.array([true(float(name.rpartition("-")[2][:-5])) for name in take.names])
        off = own - own[0] - np.arange(len(own)) * 10
        off -= off.mean()
        say = f"{take.off_deg:.2f}°" if take.judged and take.off_deg is not None else "unknown"
        found = f"{true(take.end_s) - true(take.start_s):.1f}°"
        print(
            f"{what:28} {len(own):6} {found:>10} {np.abs(off).mean():8.2f}° {np.abs(off).max():5.1f}° {say:>8} {spent:6.1f} s",
            flush=True,
        )


def long_film(folder: Path) -> Path:
    """60 s of 4K: a turn of 40 s in the middle, from drawn poses made large."""
    import cv2

    poses = drawn_poses(Scene(shape="pot"), 2.5, 480, 270)
    times, angles = uneven_turn(40, 365, still_s=10, seed=1, uneven=0.3)
    large = (
        cv2.resize(poses[round(angle / 2.5) % len(poses)], (3840, 2160), interpolation=cv2.INTER_LINEAR)
        for angle in angles
    )
    return write_film(folder / "long.mp4", large, times, options={"crf": "26", "preset": "ultrafast"})


def _taken(film: Path, folder: Path, results) -> None:
    began = time.process_time()
    take = take_frames(film, folder)
    status = Path("/proc/self/status").read_text()  # this program's own peak; getrusage would pass on the parent's
    results.put((int(re.search(r"VmHWM:\s+(\d+)", status)[1]), time.process_time() - began, take))


def memory() -> None:
    with tempfile.TemporaryDirectory() as folder:
        film = long_film(Path(folder))
        context = multiprocessing.get_context("spawn")  # a process of its own, so that the peak is the film's
        results = context.Queue()
        process = context.Process(target=_taken, args=(film, Path(folder), results))
        process.start()
        peak, spent, take = results.get()
        process.join()
    turned = "whole turn" if take.closed else f"{take.turned_deg:.0f}°"
    print(f"60 s of 4K, {turned}, {len(take.names)} frames: peak memory {peak / 1024:.0f} MB, CPU {spent:.0f} s")


if __name__ == "__main__":
    angles()
    if "--long" in sys.argv:
        memory()
