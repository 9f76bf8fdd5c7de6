"""Spins as a phone takes them, their subjects wearing real photographs: a good one comes back clean, faults are named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from builder.frames.photos import find_photos
from builder.measured import measure_spin
from builder.measured.sharpness import HALF_WIDTH_PX
from builder.spin import Finding, SpinMeasures
from tests.phone import Phone, PhotographedTable, smeared
from tests.pictures import write_photo
from tests.turntable import Scene, uneven_angles

COUNT, WIDTH, HEIGHT = 18, 560, 420
TURNS = uneven_angles(COUNT, seed=5, sigma_deg=0.6)
DISC_TURNING, CAMERA_SHOOK, OUT_OF_FOCUS = 3, 8, 13


@pytest.fixture(scope="module")
def table() -> PhotographedTable:
    scene = Scene(shape="pot", clutter=True, body_rgb=(0.3, 0.3, 0.3), seed=3)
    return PhotographedTable(scene, width=WIDTH, height=HEIGHT, wears="coffee", wall="brick", pan_px=20)


@pytest.fixture(scope="module")
def light(table) -> list[np.ndarray]:
    return [table.linear(turn)[0] for turn in TURNS]


def shot(
    folder: Path, light: Sequence[np.ndarray], phone: Phone, shaken: Mapping[int, np.ndarray] = {}
) -> SpinMeasures:
    for index, scene in enumerate(light):
        write_photo(
            folder / f"IMG_{index:04d}.jpg", phone.shoot(shaken.get(index, scene), index), quality=85, subsampling=2
        )
    return measure_spin(find_photos(folder).photos, slug="pot", source="", widest=WIDTH)


def told(measures: SpinMeasures) -> list[Finding]:
    """What isn't a note."""
    return [finding for finding in measures.findings if finding.severity != "note"]


@pytest.mark.parametrize("phone", [
    Phone(),  # barrel distortion of 1.5 %, vignette, wandering exposure and white balance, smoothing, halos
    Phone(distortion=0.02, noise=0.03, smooth=20, shake_px=0.7, sway_px=0.2),
], ids=["steady", "shaky and noisy"])  # fmt: skip
def test_a_good_spin_comes_back_clean(tmp_path, light, table, phone):
    measures = shot(tmp_path, light, phone)
    assert told(measures) == [] and measures.verdict == "ready"
    assert measures.turn == "counterclockwise"
    assert measures.axis_x == pytest.approx(table.axis_x, abs=0.0015 * WIDTH)
    steps = np.diff([frame.angle_deg for frame in measures.frames])
    assert np.abs(steps - np.diff(TURNS)).mean() < 0.7


def test_each_blur_is_found_and_its_cause_named(tmp_path, light, table):
    # the side of a disc's load that faces the camera goes sideways; what stands still stays sharp
    cover = smeared(table.linear(TURNS[DISC_TURNING])[1], 8, 0.0)[..., None]
    turning = smeared(light[DISC_TURNING], 8, 0.0) * cover + light[DISC_TURNING] * (1 - cover)
    measures = shot(tmp_path, light, Phone(), {
        DISC_TURNING: turning,
        CAMERA_SHOOK: smeared(light[CAMERA_SHOOK], 7, 0.0),
        OUT_OF_FOCUS: cv2.GaussianBlur(light[OUT_OF_FOCUS], (0, 0), 2.2),
    })  # fmt: skip
    blurred = {f.frames: f.message for f in told(measures) if f.kind == "blurred"}
    assert set(blurred) == {(DISC_TURNING,), (CAMERA_SHOOK,), (OUT_OF_FOCUS,)}
    # the pot is small here: where it has too few level edges, no cause is given rather than a wrong one
    assert "out of focus" not in blurred[(CAMERA_SHOOK,)] and "still turning" not in blurred[(CAMERA_SHOOK,)]
    assert "out of focus" in blurred[(OUT_OF_FOCUS,)]
    assert "the disc was still turning" in blurred[(DISC_TURNING,)]


@pytest.mark.parametrize(("soft_px", "severity"), [(2.4, "note"), (5.0, "warn")])
def test_a_spin_soft_throughout_is_said_to_be(tmp_path, light, soft_px, severity):
    measures = shot(tmp_path, light, Phone(soft_px=soft_px))
    (soft,) = [finding for finding in measures.findings if finding.kind == "blurred"]
    assert soft.frames == () and soft.severity == severity and soft.limit == HALF_WIDTH_PX
    assert soft.measured == pytest.approx(soft_px, rel=0.4)  # the phone's own sharpening takes some of it back


def test_wandering_light_is_evened_by_the_numbers(tmp_path, light):
    measures = shot(tmp_path, light, replace(Phone(), wander_ev=0.15, wander_colour=0.05))
    assert {finding.kind for finding in measures.findings} >= {"flicker", "cast"}
    ev = []
    for index in range(COUNT):  # as in Phone.shoot, which draws exposure last of its lens's and colour's numbers
        rng = np.random.default_rng([index, 77])
        colour = 2.0 ** rng.normal(0, 0.05, 3) * 2.0 ** rng.normal(0, 0.15)
        ev.append(np.log2(np.dot(colour * (1.1, 1.0, 0.85), (0.2126, 0.7152, 0.0722))))
    error = np.array([frame.exposure_ev for frame in measures.frames]) - ev
    assert np.abs(error - np.median(error)).max() < 0.03
