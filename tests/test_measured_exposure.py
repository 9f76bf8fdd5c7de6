"""Exposure of frames from the backdrop: known gains must come back."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from builder.colour import to_codes
from builder.measured.exposure import flicker_and_drift, measure_exposure


def turning_scene(count: int = 24, *, seed: int = 0, level: float = 0.6) -> np.ndarray:
    """Linear light (count, 90, 120, 3): a lit wall, a dark bar that turns, its shadow, its colour on the wall."""
    rng = np.random.default_rng(seed)
    across = np.linspace(1.1, 0.6, 120)[None, :, None] * np.array([1.1, 1.0, 0.88])
    wall = np.broadcast_to(level * across, (90, 120, 3))
    frames = []
    for index in range(count):
        picture = wall.copy()
        angle = 2 * np.pi * index / count
        shadow = np.zeros((90, 120))
        cv2.ellipse(shadow, (int(60 + 25 * np.sin(angle)), 70), (18, 8), 0, 0, 360, 1, -1)
        picture *= 1 - 0.5 * cv2.GaussianBlur(shadow, (0, 0), 3)[..., None]
        reach = int(6 + 20 * abs(np.cos(angle)))
        picture[20:70, 60 - reach : 60 + reach] = (0.05, 0.2, 0.25)
        picture[:, 30:90] *= 1 + 0.01 * np.sin(angle)
        frames.append(picture)
    return np.array(frames) + rng.normal(0, 0.004, (count, 90, 120, 3))


@pytest.mark.parametrize("seed", range(4))
def test_gains_come_back_for_each_channel(seed):
    rng = np.random.default_rng(seed)
    ev = rng.normal(0, 0.15, (24, 1)) + rng.normal(0, 0.03, (24, 3)) - 0.4 * np.arange(24)[:, None] / 24
    scene = turning_scene(seed=seed, level=0.4)
    measured = measure_exposure(to_codes(scene * 2.0 ** ev[:, None, None, :]))
    assert measured.known
    error = measured.ev - (ev - np.median(ev, axis=0))
    assert np.abs(error - np.median(error, axis=0)).max() < 0.015  # half of the 0.03 EV asked for
    assert np.abs(measured.gains * 2.0**measured.ev - 1).max() < 1e-9


def test_a_hand_in_one_frame_changes_nothing():
    scene = turning_scene()
    scene[7, 40:, 60:] = (0.5, 0.3, 0.2)
    measured = measure_exposure(to_codes(scene))
    assert np.abs(measured.exposure_ev).max() < 0.01


def test_nothing_is_claimed_where_nothing_can_be_read():
    white = np.full((8, 60, 80, 3), 255, np.uint8)
    assert not measure_exposure(white).known
    noise = np.random.default_rng(0).integers(20, 235, (8, 60, 80, 3), dtype=np.uint8)
    coarse = np.stack([cv2.resize(n[:6, :8], (80, 60), interpolation=cv2.INTER_NEAREST) for n in noise])
    changing = measure_exposure(coarse)
    assert not changing.known
    assert np.all(changing.ev == 0)


def test_a_clipped_part_isnt_read():
    scene = turning_scene()
    scene[:, :, :50] = 1.5
    ev = np.where(np.arange(24) % 2, 0.1, -0.1)
    measured = measure_exposure(to_codes(scene * 2.0 ** ev[:, None, None, None]))
    assert np.ptp(measured.exposure_ev) == pytest.approx(0.2, abs=0.01)


def test_two_frames_and_one():
    scene = turning_scene(2)
    scene[1] *= 2
    assert np.diff(measure_exposure(to_codes(scene * 0.5)).exposure_ev)[0] == pytest.approx(1.0, abs=0.05)
    assert measure_exposure(to_codes(scene[:1])).exposure_ev.tolist() == [0.0]


def test_flicker_and_drift_are_told_apart():
    rng = np.random.default_rng(5)
    flicker, drift, _ = flicker_and_drift(np.linspace(0.2, -0.2, 36))
    assert flicker < 0.005 and drift == pytest.approx(-0.4, abs=1e-6)
    found = [flicker_and_drift(rng.normal(0, 0.05, 36)) for _ in range(60)]
    assert np.median([f for f, _, _ in found]) == pytest.approx(0.05, rel=0.15)
    assert abs(np.median([d for _, d, _ in found])) < 0.02
    spike = np.zeros(24)
    spike[9] = 0.3
    flicker, drift, odd = flicker_and_drift(spike)
    assert flicker < 0.01 and abs(drift) < 0.01 and np.argmax(odd) == 9
