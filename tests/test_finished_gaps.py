"""Gaps in the subject, by what frames of a turn show at them: drawn patches with known truth, no pictures of things."""

from __future__ import annotations

import numpy as np

from builder.finished.gaps import Gaps

SIZE = 80
NOISE = 1.0  # codes, of a small neighbourhood's mean
PATCH = (slice(30, 50), slice(30, 50))
GUESS = np.full((SIZE, SIZE, 3), 200.0, np.float32)


def looked_through(shown: list[float | None], pale: float = 188.0) -> tuple[np.ndarray, np.ndarray]:
    """Frames of a dark subject with a patch of the codes given, None: without one, in a way that was never seen clear.

    pale: codes of another part of the subject.
    """
    seen, way = np.ones((SIZE, SIZE), bool), np.zeros((SIZE, SIZE), bool)
    way[10:70, 10:70], seen[20:60, 20:60] = True, False
    gaps, rng = Gaps(GUESS, seen, np.ones_like(seen), way, NOISE), np.random.default_rng(7)
    for codes in shown:
        frame = GUESS.copy()
        frame[20:60, 20:60] = 90.0
        frame[20:60, 20:26] = pale
        if codes is not None:
            frame[PATCH] = codes
        gaps.look_through(np.rint(frame + rng.normal(0, NOISE, frame.shape)).clip(0, 255).astype(np.uint8))
    return gaps.found()


def test_a_patch_of_one_colour_in_several_frames_is_a_gap_and_tells_the_backdrop():
    found, colour = looked_through([205.0] * 4 + [None] * 20)
    assert found[34:46, 34:46].mean() > 0.9
    assert np.abs(colour[found] - 205.0).mean() < NOISE
    assert not found[:28].any() and not found[52:].any()


def test_a_patch_that_catches_the_light_otherwise_as_it_turns_is_the_subject():
    found, _ = looked_through([194.0, 199.0, 204.0, 208.0] + [None] * 20)
    assert not found.any()


def test_what_most_frames_show_where_the_backdrop_never_was_seen_is_the_subject():
    found, _ = looked_through([203.0] * 18 + [None] * 6)
    assert not found.any()


def test_two_frames_are_too_few():
    found, _ = looked_through([203.0] * 2 + [None] * 22)
    assert not found.any()


def test_one_sight_is_enough_past_a_subject_without_a_colour_like_the_backdrops():
    found, colour = looked_through([200.5] + [None] * 23, pale=120.0)
    assert found[34:46, 34:46].mean() > 0.8
    assert np.abs(colour[found] - 200.5).mean() < 2 * NOISE
    assert not found[:28].any() and not found[52:].any()


def test_one_sight_is_not_enough_where_others_belie_it():
    found, _ = looked_through([194.0, 199.5, 205.0, 207.0] + [None] * 20, pale=120.0)
    assert not found.any()
