"""Blur: known amounts must come back, a plain side is no blur, and a real smeared photograph is told for one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from builder.measured.sharpness import (
    DIRECTIONS,
    SEEN_PX,
    compare_softness,
    measure_sharpness,
    smeared_across,
    softness_of,
    still_smear,
)  # fmt: skip

WHOLE = np.ones((300, 300), bool)


def drawn(seed: int, *, shapes: int = 14, contrast: float = 1.0) -> np.ndarray:
    """float32 (300, 300): overlapping discs and boards of random grey, edges a pixel soft."""
    rng = np.random.default_rng(seed)
    picture = np.full((300, 300), 150, np.float32)
    for _ in range(shapes):
        x, y = (int(v) for v in rng.integers(40, 260, 2))
        level = 150 + contrast * float(rng.uniform(-110, 90))
        if rng.random() < 0.5:
            cv2.circle(picture, (x, y), int(rng.integers(12, 45)), level, -1, cv2.LINE_AA)
        else:
            box = cv2.boxPoints(((x, y), tuple(rng.uniform(20, 80, 2)), float(rng.uniform(0, 90)))).astype(np.int32)
            cv2.fillPoly(picture, [box], level, cv2.LINE_AA)
    return picture


def shot(picture: np.ndarray, blur_px: float = 0.0, seed: int = 0) -> np.ndarray:
    soft = cv2.GaussianBlur(picture, (0, 0), float(np.hypot(0.7, blur_px)))
    return np.clip(soft + np.random.default_rng(seed).normal(0, 1.5, soft.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("blur_px", [0.6, 1.0, 1.5, 2.2])
def test_softness_is_the_square_of_the_blur(blur_px):
    ring = np.full((300, 300), 60, np.float32)
    cv2.circle(ring, (150, 150), 100, 190, -1, cv2.LINE_AA)
    soft = cv2.GaussianBlur(ring, (0, 0), blur_px)
    noisy = np.clip(soft + np.random.default_rng(0).normal(0, 1.5, soft.shape), 0, 255).astype(np.uint8)
    found = softness_of(noisy, WHOLE)
    assert np.all(np.isfinite(found))
    assert found == pytest.approx(np.full(4, blur_px**2), abs=0.12 + 0.08 * blur_px**2)


def test_a_part_is_told_beside_the_whole_as_by_itself():
    frame = shot(drawn(3), 1.2)
    whole, part = np.ones(frame.shape, bool), np.zeros(frame.shape, bool)
    part[60:240, 40:260] = True
    both = softness_of(frame, whole, part)
    assert np.array_equal(both[:DIRECTIONS], softness_of(frame, whole), equal_nan=True)
    # by itself its rim is blurred against what isn't there
    assert np.allclose(both[DIRECTIONS:], softness_of(frame, part), rtol=0.05, atol=0.02, equal_nan=True)
    assert np.isfinite(both).any()


def test_contrast_doesnt_matter():
    strong, faint = (softness_of(shot(drawn(3, contrast=c)), WHOLE) for c in (1.0, 0.35))
    assert np.nanmedian(np.abs(strong - faint)) < 0.15


@pytest.mark.parametrize("seed", range(3))
def test_the_blurred_frame_is_found_and_no_other(seed):
    frames = [shot(drawn(seed * 100 + k // 3, shapes=14), seed=k) for k in range(24)]
    frames[9] = shot(drawn(seed * 100 + 3), 1.6, seed=9)
    found = measure_sharpness(np.stack(frames), WHOLE, 1.0, closed=True)
    assert np.nonzero(found.blurred)[0].tolist() == [9]
    assert found.extra_px[9] == pytest.approx(1.6, rel=0.25)
    assert found.ratio[9] < 0.6


def test_motion_softens_across_it_only_and_is_found():
    frames = [shot(drawn(7 + k // 4), seed=k) for k in range(16)]
    smear = np.zeros((9, 9), np.float32)
    smear[4] = 1 / 9
    frames[5] = cv2.filter2D(frames[5], -1, smear)
    found = measure_sharpness(np.stack(frames), WHOLE, 1.0, closed=True)
    assert np.nonzero(found.blurred)[0].tolist() == [5]
    across, along = softness_of(frames[5], WHOLE)[[0, 2]]
    assert across > along + 2  # 9 px of smear: variance 9 * 9 / 12


def test_a_smear_is_told_from_defocus_and_seen_in_what_stands_still():
    frames = [shot(drawn(7 + k // 8), seed=k) for k in range(16)]
    smear = np.full((1, 9), 1 / 9, np.float32)
    frames[5] = cv2.filter2D(frames[5], -1, smear)
    frames[11] = cv2.GaussianBlur(frames[11], (0, 0), 1.8)
    stack = np.stack(frames)
    found = measure_sharpness(stack, WHOLE, 1.0, closed=True)
    assert found.way(5) == "sideways" and found.way(11) == "all"
    assert smeared_across(found.extra[5]) == 0 and smeared_across(found.extra[11]) is None
    assert still_smear(stack, WHOLE, 5, 0) > 2  # 9 px of smear: variance 9 * 9 / 12
    assert abs(still_smear(stack, WHOLE, 2, 0)) < 0.5


def test_a_pattern_behind_the_subject_doesnt_hide_its_smear():
    frames = [shot(drawn(7), seed=k) for k in range(12)]
    subject = np.zeros((300, 300), np.float32)
    subject[90:210, 90:210] = 1
    smear = cv2.filter2D(frames[5], -1, np.full((1, 9), 1 / 9, np.float32))
    frames[5] = np.where(subject > 0, smear, frames[5])
    covers = np.repeat(subject[None, ::3, ::3] > 0, 12, axis=0)
    found = measure_sharpness(np.stack(frames), WHOLE, 1.0, closed=True, covers=covers)
    assert np.nonzero(found.blurred)[0].tolist() == [5]


def test_a_side_with_little_detail_is_no_blur():
    frames = [shot(drawn(20, shapes=20), seed=k) for k in range(12)]
    frames += [shot(drawn(20, shapes=3, contrast=0.4), seed=k) for k in range(4)]
    frames += [shot(drawn(20, shapes=20), seed=k) for k in range(12)]
    assert not measure_sharpness(np.stack(frames), WHOLE, 1.0, closed=True).blurred.any()


def test_three_in_a_row_are_found():
    frames = [shot(drawn(31), 2.0 if k in (6, 7, 8) else 0.0, seed=k) for k in range(20)]
    found = measure_sharpness(np.stack(frames), WHOLE, 1.0, closed=True)
    assert np.nonzero(found.blurred)[0].tolist() == [6, 7, 8]


def test_what_cant_be_seen_at_the_output_is_no_fault():
    frames = [shot(drawn(40), 1.2 if k == 4 else 0.0, seed=k) for k in range(12)]
    stack = np.stack(frames)
    assert measure_sharpness(stack, WHOLE, 1.0, closed=True).blurred[4]
    assert not measure_sharpness(stack, WHOLE, 0.3, closed=True).blurred.any()


def test_nothing_to_go_by_is_said():
    plain = np.full((6, 300, 300), 128, np.uint8)
    found = measure_sharpness(plain, WHOLE, 1.0, closed=True)
    assert np.all(np.isnan(found.ratio)) and not found.blurred.any()
    assert not measure_sharpness(plain, np.zeros((300, 300), bool), 1.0, closed=True).blurred.any()


def test_a_photograph_smeared_by_motion():
    """scikit-image's clock_motion.png: a real photograph, the camera swung sideways (its documentation)."""
    moved = data.clock()
    softness = softness_of(moved, np.ones(moved.shape, bool))
    coins = data.coins()  # a sharp photograph of much the same size
    assert np.nanmax(softness) > np.nanmax(softness_of(coins, np.ones(coins.shape, bool))) + SEEN_PX**2


def test_limit_follows_the_scatter_of_the_views():
    rng = np.random.default_rng(0)
    steady = 0.5 + rng.normal(0, 0.02, (36, 4))
    restless = 0.5 + np.abs(rng.normal(0, 1.0, (36, 4)))
    assert compare_softness(steady, 1.0, True).limit_px.max() == pytest.approx(SEEN_PX)
    assert compare_softness(restless, 1.0, True).limit_px.min() > 1.5
