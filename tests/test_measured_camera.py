"""The camera's movement: known shifts and rolls must come back, and nothing where there is nothing to see."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from builder.measured.camera import measure_camera, motion_matrix, still_parts
from builder.measured.nudges import read_course, unseen_moves
from tests.turntable import Scene, Turntable

HEIGHT, WIDTH = 300, 400


def table(seed: int = 0, *, clutter: bool = True) -> np.ndarray:
    """float32 (h, w): a sheet on a table before a wall; things at the sides."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)
    picture = 180 - 40 * x / WIDTH - 12 * (y < 0.45 * HEIGHT)
    picture[(y - 0.8 * HEIGHT) > 0.05 * (x - 200)] -= 25
    picture[(x - 60) + 0.5 * (y - 150) < -40] -= 20
    if clutter:
        for side in (0, WIDTH - 50):
            for _ in range(6):
                at = rng.integers(0, 40), rng.integers(0, HEIGHT - 30)
                picture[at[1] : at[1] + 20, side + at[0] : side + at[0] + 15] = rng.uniform(30, 220)
    return cv2.GaussianBlur(picture, (0, 0), 0.8)


def turning(count: int, motions: np.ndarray, *, seed: int = 0, clutter: bool = True, noise: float = 1.5) -> np.ndarray:
    """uint8 (count, h, w): a speckled bar turns before the table; the camera moves by (x, y, roll in degrees)."""
    rng = np.random.default_rng(seed + 1)
    behind, grain = table(seed, clutter=clutter), rng.uniform(20, 200, (30, 30)).astype(np.float32)
    frames = []
    for index in range(count):
        picture = behind.copy()
        reach = int(14 + 60 * abs(np.cos(2 * np.pi * index / count)))
        patch = cv2.resize(np.roll(grain, index, axis=1), (2 * reach, 110), interpolation=cv2.INTER_LINEAR)
        picture[100:210, 200 - reach : 200 + reach] = patch
        x, y, roll = motions[index]
        matrix = motion_matrix((x, y, np.radians(roll)), picture.shape)
        moved = cv2.warpAffine(picture, matrix, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        frames.append(np.clip(moved + rng.normal(0, noise, moved.shape), 0, 255).astype(np.uint8))
    return np.stack(frames)


@pytest.mark.parametrize(("seed", "at", "moved"), [
    (0, 9, (4.3, -2.6, 0.35)), (1, 12, (-7.8, 5.1, -0.6)), (2, 3, (1.1, 0.4, 0.0)), (3, 20, (14.0, 9.0, 1.0)),
])  # fmt: skip
def test_a_lasting_bump_comes_back(seed, at, moved):
    motions = np.zeros((24, 3))
    motions[at:] = moved
    camera = measure_camera(turning(24, motions, seed=seed))
    course = read_course(camera.motion, np.hypot(HEIGHT, WIDTH) / 2, 0.5)
    assert [(nudge.frame, nudge.lasting) for nudge in course.nudges] == [(at, True)]
    found = camera.seen_from(course.home).motion * [1, 1, np.degrees(1)]
    # asked for: 1 px at 1600 px (0.25 px here) and 0.1 degrees
    assert np.abs(found - motions)[:, :2].max() < 0.25
    assert np.abs(found - motions)[:, 2].max() < 0.06


@pytest.mark.parametrize(("seed", "clutter", "sway"), [(9, True, (3, 3, 0.4)), (8, False, (2, 2, 0.3))])
def test_held_by_hand_a_frame_that_went_astray_at_first_comes_back(seed, clutter, sway):
    """The median of frames that all stand elsewhere shows little: following by it may end in a wrong place."""
    motions = np.random.default_rng(seed).normal(0, 1, (24, 3)) * sway
    motions[0] = 0
    camera = measure_camera(turning(24, motions, seed=seed, clutter=clutter))
    found = camera.seen_from(camera.motion[0]).motion * [1, 1, np.degrees(1)]
    assert np.abs(found - motions)[:, :2].max() < 0.3
    assert np.abs(found - motions)[:, 2].max() < 0.06


def test_two_bumps_and_a_shake():
    motions = np.zeros((30, 3))
    motions[8:] += (5.0, 1.0, 0.2)
    motions[20:] += (-3.0, 4.0, 0.0)
    motions[14] += (0.0, 6.0, 0.0)
    camera = measure_camera(turning(30, motions))
    course = read_course(camera.motion, 250.0, 0.5)
    assert [(nudge.frame, nudge.lasting) for nudge in course.nudges] == [(8, True), (14, False), (20, True)]
    found = camera.seen_from(course.home).motion * [1, 1, np.degrees(1)]
    assert np.abs(found - motions)[:, :2].max() < 0.3


def disc_before_a_sheet(motions: np.ndarray, *, seed: int = 0, marks: int = 30) -> np.ndarray:
    """uint8 (n, h, w): a disc with marks on its rim turns by one of them and stops by hand, before nothing at all."""
    rng = np.random.default_rng(seed)
    stops = np.arange(len(motions)) * 360 / marks + rng.normal(0, 1.0, len(motions))
    y, x = np.mgrid[: 2 * HEIGHT, : 2 * WIDTH].astype(np.float32) / 2
    out = np.hypot((x - 200) / 150, (y - 190) / 60)
    round_ = np.degrees(np.arctan2((y - 190) / 60, (x - 200) / 150))
    frames = []
    for stop, (dx, dy, roll) in zip(stops, motions, strict=True):
        picture = np.where(out < 1, 200.0, 150.0)
        at = (round_ - stop) % (360 / marks)
        picture[(at < 1.5) & (out > 0.93) & (out < 1.0)] = 60
        side = np.abs(x - 200) < 20 + 40 * abs(np.cos(np.radians(stop)))
        picture[side & (np.abs(y - 110) < 70)] = 40 + 60 * np.sin(np.radians(2 * stop)) ** 2
        small = cv2.resize(
            cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.2), (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA
        )
        matrix = motion_matrix((dx, dy, np.radians(roll)), small.shape)
        moved = cv2.warpAffine(small, matrix, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        frames.append(np.clip(moved + rng.normal(0, 1.0, moved.shape), 0, 255).astype(np.uint8))
    return np.stack(frames)


@pytest.mark.parametrize(("seed", "at", "moved"), [(0, 20, (-3.5, 2.5, 0.3)), (1, 9, (4.0, 0.0, -0.4))])
def test_a_bump_before_a_plain_sheet_is_held_by_the_rim(seed, at, moved):
    motions = np.zeros((24, 3))
    motions[at:] = moved
    camera = measure_camera(disc_before_a_sheet(motions, seed=seed))
    course = read_course(camera.motion, np.hypot(HEIGHT, WIDTH) / 2, 0.5)
    assert [(nudge.frame, nudge.lasting) for nudge in course.nudges] == [(at, True)]
    found = camera.seen_from(course.home).motion * [1, 1, np.degrees(1)]
    assert np.abs(found - motions)[:, :2].max() < 0.25
    assert np.abs(found - motions)[:, 2].max() < 0.1
    assert not unseen_moves(course, camera.seen).any()


@pytest.mark.parametrize("seed", [2, 3])
def test_a_disc_that_stops_off_its_marks_is_no_movement(seed):
    camera = measure_camera(disc_before_a_sheet(np.zeros((24, 3)), seed=seed))
    assert np.abs(camera.motion[:, :2]).max() < 0.25
    assert not read_course(camera.motion, 250.0, 0.5).nudges


def test_what_isnt_seen_of_a_bump_is_as_likely_to_be_as_large():
    motion = np.zeros((10, 3))
    motion[6:, 1] = 4.0
    course = read_course(motion, 250.0, 0.5)
    seen = np.full(10, 2)
    assert unseen_moves(course, np.full(10, 3)).tolist() == [0.0] * 10
    moves = unseen_moves(course, seen)
    assert moves[6] == moves[0] == pytest.approx(4.0 / np.sqrt(2))  # and back again over the seam
    assert np.count_nonzero(moves) == 2


def test_a_subject_that_turns_is_no_movement():
    camera = measure_camera(turning(24, np.zeros((24, 3))))
    assert np.abs(camera.motion[:, :2]).max() < 0.1
    assert not read_course(camera.motion, 250.0, 0.5).nudges


@pytest.mark.parametrize("noise", [0.006, 0.002])
def test_a_pot_off_the_axis_before_a_sheet_whose_light_falls_off_is_no_movement(noise):
    # stored in whole levels the sheet is a map of steps, and little noise moves their borders far
    pot = Turntable(Scene(seed=1), width=640, height=480)
    pictures = [pot.photo(k * 15.0, noise_seed=k, noise=noise) for k in range(24)]
    camera = measure_camera(np.stack([cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) for picture in pictures]))
    moved = camera.motion - np.median(camera.motion, axis=0)
    # asked for: 1 px at 1600 px (0.4 px here) and 0.1 degrees
    assert np.abs(moved[:, :2]).max() < 0.2
    assert np.abs(np.degrees(moved[:, 2])).max() < 0.05


def test_noise_before_a_plain_sheet_is_no_movement():
    rng = np.random.default_rng(4)
    plain = np.clip(150 + rng.normal(0, 3, (12, HEIGHT, WIDTH)), 0, 255).astype(np.uint8)
    camera = measure_camera(plain)
    assert not camera.known and np.all(camera.motion == 0)


def test_along_a_single_edge_nothing_is_guessed():
    """One straight edge tells the movement across it, and not the one along it."""
    rng = np.random.default_rng(2)
    frames = []
    for index in range(12):
        picture = np.full((HEIGHT, WIDTH), 160, np.float32)
        picture[200 + (2 if index >= 6 else 0) :] = 120
        frames.append(cv2.GaussianBlur(picture, (0, 0), 1) + rng.normal(0, 1.5, picture.shape))
    camera = measure_camera(np.clip(frames, 0, 255).astype(np.uint8))
    assert np.abs(camera.motion[:, 0]).max() < 0.02
    assert np.median(camera.motion[6:, 1]) - np.median(camera.motion[:6, 1]) == pytest.approx(2.0, abs=0.1)
    assert camera.seen.max() == 2


def test_agrees_with_phase_correlation():
    """skimage.registration.phase_cross_correlation (Guizar-Sicairos 2008), where nothing turns."""
    rng, frames = np.random.default_rng(1), []
    for index in range(6):
        x, y = (3.25, -1.5) if index >= 3 else (0.0, 0.0)
        moved = cv2.warpAffine(table(), motion_matrix((x, y, 0.0), (HEIGHT, WIDTH)), (WIDTH, HEIGHT),
                               flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
        frames.append(np.clip(moved + rng.normal(0, 1, moved.shape), 0, 255).astype(np.uint8))
    frames = np.stack(frames)
    camera = measure_camera(frames)
    shift, _, _ = phase_cross_correlation(frames[0], frames[4], upsample_factor=50)
    found = camera.motion[4, :2] - camera.motion[0, :2]
    assert found == pytest.approx(-shift[::-1], abs=0.15)


def test_still_parts_leave_out_what_turns():
    still = still_parts(turning(24, np.zeros((24, 3))), often=0.1, reach_px=1.5)
    assert not still[110:200, 150:250].any()
    assert still[:60].mean() > 0.98


def test_a_motion_told_from_elsewhere_is_the_same_motion():
    motions = np.zeros((8, 3))
    motions[4:] = (6.0, -3.0, 0.8)
    camera = measure_camera(turning(8, motions))
    moved = camera.seen_from(camera.motion[6])
    assert np.abs(moved.motion[6]).max() < 1e-9
    point = np.array([20.0, 35.0, 1.0])
    here = camera.to_frame(2) @ [*(camera.to_reference(6) @ point), 1.0]
    assert moved.to_frame(2) @ point == pytest.approx(here, abs=1e-6)


def test_steady_hands_and_a_stand_that_sags():
    rng = np.random.default_rng(3)
    jitter = np.c_[rng.normal(0, 0.2, (36, 2)), np.zeros(36)]
    assert not read_course(jitter, 250.0, 0.6).nudges
    sag = np.c_[np.zeros(36), np.linspace(0, 6, 36), np.zeros(36)]
    assert not read_course(sag, 250.0, 0.6).nudges
