"""Repeats, skips and scatter from angles; repeats from pictures alone."""

from __future__ import annotations

import numpy as np
import pytest

from builder.measured.steps import find_repeats, judge_steps, look_alike
from tests.turntable import uneven_angles


def steps_of(angles: np.ndarray) -> np.ndarray:
    return np.diff(angles, prepend=angles[-1] - 360.0)


@pytest.mark.parametrize("seed", range(6))
def test_repeats_and_skips_are_found_among_uneven_steps(seed):
    angles = uneven_angles(30, seed=seed, sigma_deg=1.5, skipped=(19,), repeated=(11,))
    found = judge_steps(steps_of(angles), np.full(30, 0.2), closed=True)
    assert [frame for frame, *_ in found.duplicates] == [11]
    assert [frame for frame, *_ in found.skips] == [19]
    assert found.usual == pytest.approx(12.0, abs=0.8)
    assert 0.7 < found.sigma < 3.0
    assert found.seam == pytest.approx(12.0, abs=5)


@pytest.mark.parametrize("seed", range(6))
def test_an_uneven_turn_has_neither(seed):
    angles = uneven_angles(24, seed=seed, sigma_deg=2.0)
    found = judge_steps(steps_of(angles), np.full(24, 0.3), closed=True)
    assert not found.duplicates and not found.skips


def test_what_isnt_sure_isnt_claimed():
    angles = uneven_angles(24, repeated=(5,))
    found = judge_steps(steps_of(angles), np.full(24, 6.0), closed=True)
    assert not found.duplicates


def test_very_uneven_steps_are_no_skips():
    """Steps that scatter by a fifth: one in three hundred is longer than one and a half, one in thirty thousand than two."""
    turns = [steps_of(uneven_angles(300, seed=seed, sigma_deg=0.22)) for seed in range(8)]
    assert sum(np.count_nonzero(steps > 1.5 * np.median(steps)) for steps in turns) > 5
    assert sum(len(judge_steps(steps, np.full(300, 0.01), closed=True).skips) for steps in turns) <= 1


def test_a_skip_that_isnt_sure_is_a_likely_one():
    steps, rivals = np.full(24, 14.4), [()] * 24
    steps[7], rivals[7] = 28.8, ((14.4, 0.3),)
    found = judge_steps(steps, np.full(24, 0.1), True, rivals)
    assert not found.skips and [frame for frame, *_ in found.likely_skips] == [7]
    rivals[7] = ((14.4, 0.6),)
    assert not judge_steps(steps, np.full(24, 0.1), True, rivals).likely_skips


def test_a_skip_that_may_hide_in_an_ordinary_step_is_a_possible_one():
    steps, rivals = np.full(24, 14.4), [()] * 24
    rivals[7] = ((0.2, 0.1), (27.9, 0.25))
    found = judge_steps(steps, np.full(24, 0.1), True, rivals)
    assert not found.skips and not found.likely_skips and [one[:2] for one in found.possible_skips] == [(7, 27.9)]
    rivals[7] = ((27.9, 0.1),)
    assert not judge_steps(steps, np.full(24, 0.1), True, rivals).possible_skips


def test_a_part_turn_has_no_seam():
    angles = uneven_angles(12, sweep_deg=180.0)
    assert judge_steps(np.diff(angles, prepend=0.0), np.full(12, 0.1), closed=False).seam is None


def turning_bars(count: int, repeated: tuple[int, ...], noise: float = 1.5) -> tuple[np.ndarray, np.ndarray]:
    rng, frames, stop = np.random.default_rng(0), [], 0
    for index in range(count):
        stop += index not in repeated
        picture = np.full((120, 160, 3), 180.0)
        reach = int(10 + 40 * abs(np.cos(stop * np.pi / count)))
        picture[40:100, 80 - reach : 80 + reach] = 60
        picture[50:60, 80 - reach : 80 - reach + 6] = 200
        frames.append(np.clip(picture + rng.normal(0, noise, picture.shape), 0, 255))
    shares = np.zeros((120, 160), np.float32)
    shares[35:105, 25:135] = 0.5
    return np.array(frames).astype(np.uint8), shares


def test_repeats_show_in_the_pictures_alone():
    pictures, shares = turning_bars(20, (7, 15))
    assert find_repeats(pictures, shares) == (7, 15)


def test_a_repeat_by_angle_must_show_in_the_pictures():
    pictures, shares = turning_bars(20, (7,))
    alike = look_alike(pictures, shares)
    assert alike[7] and not alike[5] and not alike[8]


def test_no_repeats_where_every_frame_looks_alike():
    pictures, shares = turning_bars(12, tuple(range(1, 12)))
    assert find_repeats(pictures, shares) == ()
    assert find_repeats(pictures, np.zeros_like(shares)) == ()
    assert find_repeats(pictures[:2], shares) == ()


def test_a_step_measured_as_a_skip_is_worth_a_look_even_if_an_ordinary_one_is_likelier():
    steps, rivals = np.full(24, 14.4), [()] * 24
    steps[7], rivals[7] = 28.8, ((14.4, 0.7),)
    found = judge_steps(steps, np.full(24, 0.1), True, rivals)
    assert not found.skips and not found.likely_skips and [one[:2] for one in found.possible_skips] == [(7, 28.8)]
    rivals[7] = ((14.4, 0.9),)
    assert not judge_steps(steps, np.full(24, 0.1), True, rivals).possible_skips
