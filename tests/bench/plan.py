"""Prints how true the plan's sheets and track come out, and what they cost.  python -m tests.bench.plan"""

from __future__ import annotations

import math
import time

import numpy as np

from builder.capture import PlanInput, make_plan
from builder.capture.disc import Disc
from builder.capture.drawing import PAPERS
from builder.capture.optics import sharp_range
from builder.capture.pace import COUNTDOWN, pace_shots, render_track
from builder.capture.pdf import draw_pdf
from builder.capture.ring import ring_sheets, tile_disc
from builder.capture.write import plan_files
from builder.rim.reader import match_profile, read_rim
from builder.rim.view import find_rim
from tests.capture_reading import fitted_circle, joined_ring, onsets, pdf_pages, pdf_segments, track_samples
from tests.rim_scene import Scene, draw
from tests.test_capture_rim import random_profiles


def ring_errors(diameter: float, frames: int, paper: str) -> tuple[int, float, float, float]:
    """Sheets, and the worst error in mm of chords, radius and register marks, read back from the PDF."""
    disc, tiling = Disc(diameter), tile_disc(Disc(diameter), PAPERS[paper])
    pages = pdf_pages(draw_pdf(ring_sheets(disc, frames, "clockwise", None, PAPERS[paper]), "ring"))
    ends, apart = joined_ring([pdf_segments(page) for page in pages], tiling.columns, tiling.rows)
    x, y, radius = fitted_circle(ends)
    order = np.argsort(np.arctan2(ends[:, 1] - y, ends[:, 0] - x))
    chords = np.linalg.norm(np.diff(ends[[*order, order[0]]], axis=0), axis=1)
    wrong = np.abs(chords - diameter * math.sin(math.pi / frames)).max()
    return len(pages), float(wrong), abs(radius - diameter / 2), apart


def rim_readings() -> None:
    """The coded tape in drawn pictures (1000 px wide, disc 780 px), nothing known beforehand."""
    print("coded rim tape, 6 pictures each (limit 0.3°)")
    angles = np.array([0, 47.3, 101.1, 190.7, 260.2, 333.3])
    states = {
        "clear": {},
        "blur 2 px, noise 3 %": {"blur_px": 2.0, "noise": 0.03},
        "blur 3 px, noise 3 %": {"blur_px": 3.0, "noise": 0.03},
        "a fifth covered": {"cover": (520, 680, 0.3)},
    }
    for elevation in (6, 12, 20):
        for name, state in states.items():
            scene = Scene(elevation_deg=elevation, offset_px=11, roll_deg=0.5)
            pictures = [draw(scene, angle, seed=index, **state) for index, angle in enumerate(angles)]
            started = time.process_time()
            view = find_rim(pictures)
            spent = time.process_time() - started
            readings = [view and read_rim(picture, view) for picture in pictures]
            errors = np.array(
                [(reading.angle_deg - angle + 180) % 360 - 180 for reading, angle in zip(readings, angles) if reading]
            )
            told = (
                f"worst {np.abs(errors).max():.3f}°, between pictures {np.abs(errors - errors.mean()).max():.3f}°"
                if len(errors)
                else "not read"
            )
            print(f"  camera {elevation:>2}° up, {name:<20}: {len(errors)} read, {told}, {spent:.2f} s")
    rng = np.random.default_rng(20)
    false = sum(match_profile(profile) is not None for profile in random_profiles(rng, 10_000))
    print(f"  false readings in 10000 random patterns: {false}")


def main() -> None:
    print("ring of marks read back from the PDF (limit 0.05 mm)")
    for diameter, frames, paper in ((330, 36, "a4"), (342.9, 30, "letter"), (620, 48, "a3"), (930, 72, "a4")):
        sheets, chord, radius, register = ring_errors(diameter, frames, paper)
        print(
            f"  {diameter:>5} mm, {frames} marks, {sheets:>2} {paper}: chord {chord:.5f}  radius "
            f"{radius:.5f}  "
            f"register {register:.5f} mm"
        )
    print("pace track read back by onset detection (limit 2 ms)")
    for frames, seconds in ((30, 1.5), (36, 0.5), (72, 2.37)):
        samples, rate = track_samples(render_track(pace_shots(frames, seconds)))
        found = onsets(samples, rate, 0.55)
        wrong = np.abs(found - (COUNTDOWN + np.arange(frames) * seconds)).max()
        print(f"  {frames} shots, {seconds} s: {len(found)} found, worst {wrong * 1000:.3f} ms")
    near, far = sharp_range(4000, 50, 8, 0.03)
    print(f"depth of field, 50 mm f/8 at 4 m, c 0.03 mm: {near:.1f} to {far:.1f} mm (reference 2900.23 to 6443.3)")
    rim_readings()
    started = time.perf_counter()
    contents = dict(plan_files(make_plan(PlanInput(diameter_mm=330, subject_mm=(250, 130, 235), focal35_mm=52))))
    print(
        f"whole plan: {len(contents)} files, {sum(map(len, contents.values())) / 1e6:.1f} MB "
        f"in {time.perf_counter() - started:.2f} s"
    )


if __name__ == "__main__":
    main()
