"""The camera told by outlines: a jug of known shape, seen by a known camera, and a fit that had only the disc to go by."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from builder.finished.disc import Disc
from builder.finished.hull import carve
from builder.finished.lens import told_by_outlines
from builder.measured.disc import Disc as Rim
from builder.measured.disc_view import circle
from builder.measured.turn_camera import Camera, project, turned
from builder.spin import TurnCamera

SHAPE = (400, 500)
MIDDLE = ((SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2)
FOCAL = 1100.0
ANGLES = [math.radians(15.0 * k) for k in range(24)]


def jug() -> np.ndarray:
    """Points (n, 3) of a round body with a handle to one side, camera distances; its foot on the disc, which lies at -0.25."""
    around, height = np.meshgrid(np.linspace(0, 2 * np.pi, 240), np.linspace(-0.25, -0.08, 200))
    body = np.stack([0.06 * np.cos(around), 0.06 * np.sin(around), height], -1).reshape(-1, 3)
    bow, thick = np.meshgrid(np.linspace(-np.pi / 2, np.pi / 2, 120), np.linspace(-0.006, 0.006, 9))
    out, up = 0.06 + (0.09 + thick) * np.cos(bow), -0.15 + (0.06 + thick) * np.sin(bow)
    handle = [np.stack([out, np.full_like(out, side), up], -1).reshape(-1, 3) for side in np.linspace(-0.006, 0.006, 5)]
    return np.concatenate([body, *handle])


def outlines(camera: Camera) -> np.ndarray:
    cuts = np.zeros((len(ANGLES), *SHAPE), np.uint8)
    for cut, angle in zip(cuts, ANGLES):
        x, y = np.rint(project(camera, turned(jug(), np.array(angle)))).astype(int).T
        cut[y, x] = 1
        cut[:] = cv2.morphologyEx(cut, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    return cuts > 0


def rim_of(camera: Camera) -> Disc:
    around = np.linspace(0, 2 * np.pi, 400)
    ring = project(camera, np.stack([0.17 * np.cos(around), 0.17 * np.sin(around), np.full_like(around, -0.25)], -1))
    (x, y), size = (ring.max(axis=0) + ring.min(axis=0)) / 2, np.ptp(ring, axis=0) / 2
    return Disc(x, y, *size, 0.0)


def by_disc(disc: Disc, focal: float, roll: float) -> TurnCamera:
    seen = circle(Rim(disc.x, disc.y, disc.semi_x, disc.semi_y, 1.0, 1.0), focal, SHAPE).camera
    return TurnCamera(seen.pan, seen.tilt, roll, focal, MIDDLE)


@pytest.mark.parametrize(("lens", "lean_deg"), [(0.5, 1.0), (0.4, 0.0), (0.6, -2.0)])
def test_outlines_tell_the_lens_and_the_lean_that_the_disc_leaves_open(lens, lean_deg):
    true = Camera(0.0, 0.24, 0.0, FOCAL, MIDDLE)
    cuts, disc = outlines(true), rim_of(true)
    ground = np.zeros(SHAPE, bool)
    ground[int(disc.y - disc.semi_y) :] = True
    wrong = by_disc(disc, lens * FOCAL, math.radians(lean_deg))
    found = told_by_outlines(wrong, disc, cuts, ground, ANGLES, np.eye(3))
    assert abs(math.log(found.focal_px / FOCAL)) < 0.3  # what a small jug shows: a step and a half of those tried
    assert abs(math.degrees(found.roll)) <= 0.5

    def lost(camera: TurnCamera) -> float:
        hull = carve([cv2.dilate(cut.astype(np.uint8), np.ones((3, 3))) > 0 for cut in cuts], ANGLES, camera, np.eye(3))
        return float(np.mean([(cut & ~hull.outline(angle)).sum() / cut.sum() for cut, angle in zip(cuts, ANGLES)]))

    assert lost(found) < lost(wrong) / 3


def test_a_camera_whose_outlines_agree_stays():
    true = Camera(0.0, 0.24, 0.0, FOCAL, MIDDLE)
    camera = by_disc(rim_of(true), FOCAL, 0.0)
    ground = np.zeros(SHAPE, bool)
    assert told_by_outlines(camera, rim_of(true), outlines(true), ground, ANGLES, np.eye(3)) is camera


def test_outlines_that_agree_on_nothing_leave_the_camera():
    """Cuts that jump about are no solid's, whatever the lens."""
    true = Camera(0.0, 0.24, 0.0, FOCAL, MIDDLE)
    rng = np.random.default_rng(1)
    cuts = np.stack([np.roll(cut, rng.integers(-40, 41), axis=1) for cut in outlines(true)])
    camera = by_disc(rim_of(true), 0.6 * FOCAL, 0.0)
    assert told_by_outlines(camera, rim_of(true), cuts, np.zeros(SHAPE, bool), ANGLES, np.eye(3)) is camera
