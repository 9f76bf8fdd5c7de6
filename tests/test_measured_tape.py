"""The coded rim tape read by check: exact steps for a plain pot, and silence where there is no tape."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from builder.colour import to_codes
from builder.frames.photos import find_photos
from builder.measured import measure_spin
from builder.measured.tape import Tape, read_tape, with_tape
from builder.measured.turntable import unjudged
from builder.rim.reader import RimView
from tests.pictures import write_photo
from tests.rim_scene import Scene as Rim
from tests.rim_scene import draw
from tests.turntable import Scene, Turntable

SCENE = Rim(width=640, rows=460, focal_px=1200, aim_mm=75, elevation_deg=11)
COUNT, SKIPPED, REPEATED, COVERED, BUMPED = 24, 8, 15, 4, 19


def plain_pot(picture: np.ndarray) -> np.ndarray:
    """A white pot in front of a white wall: round, without a mark, the same from every side."""
    height, width = picture.shape
    left, right, top, foot = width * 0.36, width * 0.64, height * 0.12, height * 0.60
    rows, columns = np.mgrid[0:height, 0:width]
    across = (columns - (left + right) / 2) / ((right - left) / 2)
    bulge = np.sqrt(np.maximum(1 - across**2, 0)) * 12
    inside = (np.abs(across) < 1) & (rows > top - bulge) & (rows < foot + bulge)
    picture = np.where(rows < height * 0.45, np.maximum(picture, 0.62), picture)
    return np.where(inside, 0.5 + 0.3 * np.sqrt(np.maximum(1 - across**2, 0)), picture)


def true_turns() -> np.ndarray:
    step = np.full(COUNT, 360 / 24)
    step[0], step[SKIPPED], step[REPEATED] = 0, 30, 0
    return np.cumsum(step) + np.random.default_rng(3).normal(0, 0.6, COUNT) * (np.arange(COUNT) != REPEATED) * (
        np.arange(COUNT) != REPEATED - 1
    )


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """24 frames, counter-clockwise: one mark skipped, one frame repeated, the tape covered in one, a bumped camera."""
    folder, turns = tmp_path_factory.mktemp("plain"), true_turns()
    for k, turn in enumerate(turns):
        cover = (200, 430, 0.3) if k == COVERED else None
        light = plain_pot(draw(SCENE, 77.0 - turn, seed=k, noise=0.004, cover=cover))
        if k >= BUMPED:
            light = cv2.warpAffine(
                light, np.array([[1, 0, 3.0], [0, 1, -2.0]]), light.shape[::-1], borderMode=cv2.BORDER_REPLICATE
            )
        pixels = to_codes((light[..., None] * (1.0, 0.97, 0.9)).astype(np.float32))
        write_photo(folder / f"IMG_{k:04d}.jpg", pixels, quality=93, subsampling=2)
    return measure_spin(find_photos(folder).photos, slug="pot", source="pot", widest=640), turns


def test_a_plain_white_pot_has_exact_angles(measured):
    measures, turns = measured
    angles = np.array([frame.angle_deg for frame in measures.frames])
    off = angles - (turns - turns[0])
    read = np.arange(COUNT) != COVERED
    assert np.abs(off[read] - np.median(off[read])).max() <= 0.3
    assert measures.turn == "counterclockwise"
    steps = np.array([frame.step_deg for frame in measures.frames])
    true = np.diff(turns, prepend=turns[-1] - 360)
    beside = ~np.isin(np.arange(COUNT), (COVERED, COVERED + 1))
    assert np.sqrt(np.mean((steps - true)[beside] ** 2)) <= 2 * measures.angle_sigma_deg <= 0.3


def test_a_skipped_mark_and_a_repeat_are_found(measured):
    measures, _ = measured
    found = {f.kind: f.frames for f in measures.findings if f.kind in ("skipped-step", "duplicate", "open-loop")}
    assert found["skipped-step"] == (SKIPPED - 1, SKIPPED) and found["duplicate"] == (REPEATED,)


def test_the_axis_is_where_the_disc_is(measured):
    measures, _ = measured
    assert measures.axis_x == pytest.approx((SCENE.width - 1) / 2, abs=0.02 * SCENE.width)


def test_a_frame_that_shows_no_tape_takes_its_place_between_its_neighbours():
    fit = unjudged(6, True, "plain")
    tape = Tape(np.array([10.0, 70.0, np.nan, 190.0, 250.0, 310.0]), RimView(320, 200, 240, 0.2, 40, 8))
    joined = with_tape(fit, tape, True)
    assert joined.angles_deg == pytest.approx([0, 60, 120, 180, 240, 300]) and joined.direction == "clockwise"
    assert joined.step_sigma_deg[2] == joined.step_sigma_deg[3] == pytest.approx(30)
    assert joined.step_sigma_deg[1] == pytest.approx(joined.sigma_deg)
    back = with_tape(fit, replace(tape, angles_deg=-tape.angles_deg % 360), True)
    assert back.angles_deg == pytest.approx(joined.angles_deg) and back.direction == "counterclockwise"
    assert with_tape(fit, None, True) is fit


@pytest.mark.parametrize(
    "scene", [Scene(), Scene(shape="boat", marks=36, zero_mark=True), Scene(disc_rgb=(0.05,) * 3, clutter=True)]
)
def test_plain_rim_marks_are_never_read_as_the_code(scene):
    table = Turntable(scene, width=480, height=360)
    pictures = [cv2.cvtColor(table.photo(k * 51.0, noise_seed=k), cv2.COLOR_RGB2GRAY) for k in range(4)]
    assert read_tape(pictures) is None
