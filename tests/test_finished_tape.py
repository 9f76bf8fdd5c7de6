"""The coded tape and the finish: gone with the disc on a new backdrop, cropped away where the old one is kept."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from builder.catalog import FinishSettings
from builder.colour import to_codes
from builder.finished import finish_frame, plan_finish
from builder.finished.place import Extent, raised_above
from builder.frames.photos import find_photos
from builder.measured import measure_spin
from tests.pictures import write_photo
from tests.rim_scene import Scene, draw

SCENE = Scene(width=560, rows=440, focal_px=1000, aim_mm=75, elevation_deg=18, radius=150)
COUNT = 12


def with_boat(light: np.ndarray, turn_deg: float) -> np.ndarray:
    """A dark upright plank with a light stripe that turns about the axis, standing on the disc."""
    middle, foot = (SCENE.width - 1) / 2, SCENE.rows * 0.585
    half = 20 + 70 * abs(np.cos(np.radians(turn_deg)))
    light = light.copy()
    cv2.rectangle(light, (round(middle - half), 90), (round(middle + half), round(foot)), 0.12, -1)
    stripe = middle + half * 0.7 * np.sin(np.radians(turn_deg + 30))
    cv2.rectangle(light, (round(stripe - 6), 110), (round(stripe + 6), round(foot) - 30), 0.5, -1)
    return light


@pytest.fixture(scope="module")
def spin(tmp_path_factory):
    folder = tmp_path_factory.mktemp("taped")
    for k in range(COUNT):
        light = with_boat(draw(SCENE, 40 + k * 360 / COUNT, seed=k, noise=0.003), k * 360 / COUNT)
        write_photo(
            folder / f"IMG_{k:04d}.jpg", to_codes(np.repeat(light[..., None], 3, axis=2).astype(np.float32)), quality=95
        )
    photos = find_photos(folder).photos
    return photos, measure_spin(photos, slug="plank", source="plank", widest=560)


def tape_mask(measures, plan, index: int) -> np.ndarray:
    """bool (h, w) of a finished frame: where the tape was."""
    outline = np.c_[np.array(measures.tape), np.ones(len(measures.tape))] @ np.array(plan.placement).T
    mask = np.zeros((plan.height, plan.width), np.uint8)
    cv2.fillPoly(mask, [np.rint(outline).astype(np.int32)], 1)
    return mask > 0


def test_the_tape_is_read_and_its_place_known(spin):
    photos, measures = spin
    assert measures.angle_sigma_deg < 0.1 and measures.turn == "clockwise"
    xs, ys = np.array(measures.tape).T
    # To where the sight grazes the rim
    away = np.sqrt(SCENE.distance**2 - (SCENE.radius * np.cos(np.radians(18))) ** 2)
    assert xs.max() - xs.min() == pytest.approx(2 * SCENE.radius / away * SCENE.focal_px, rel=0.05)
    assert ys.max() < SCENE.rows


def test_no_tape_is_left_on_white(spin):
    photos, measures = spin
    plan = plan_finish(photos, measures, FinishSettings(backdrop="white"))
    for index in (0, 5, 11):
        finished = finish_frame(plan, index)
        there = tape_mask(measures, plan, index)
        assert finished.matte is not None and not (finished.matte[there] > 0).any()
        if there.any():
            assert finished.pixels[there].min() >= 250
        assert (finished.matte > 127).sum() > 2000  # the plank is there


def test_a_kept_backdrop_stops_above_the_tape_or_says_it_cant(spin):
    photos, measures = spin
    plan = plan_finish(photos, measures, FinishSettings(backdrop="keep"))
    assert tape_mask(measures, plan, 0).sum() == 0 or any("tape stays" in note for note in plan.notes)


def test_raising_a_box():
    x, y = np.array([-50.0, 0.0, 50.0]), np.array([10.0, 30.0, 10.0])
    assert raised_above((80, 100, 60), x, y, Extent(20, 50, 5)) == (80, 100, 70)  # sides lie outside: 30 below the foot
    assert raised_above((200, 100, 60), x, y, Extent(20, 50, 5)) == (200, 100, 90)
    assert raised_above((200, 100, 60), x, y, Extent(20, 50, 15)) is None
    assert raised_above((80, 60, 40), x, y, Extent(20, 50, 5)) == (80, 60, 40)
