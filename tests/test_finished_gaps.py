"""Gaps in the subject, by what frames of a turn show at them: drawn patches with known truth, no pictures of things."""

from __future__ import annotations

import numpy as np

from builder.finished.gaps import Gaps

SIZE = 80
NOISE = 1.0  # codes, of a small neighbourhood's mean
PATCH = (slice(30, 50), slice(30, 50))
GUESS = np.full((SIZE, SIZE, 3), 200.0, np.float32)


def looked_through(shown: list[float | None]) -> tuple[np.ndarray, np.ndarray]:
    """Frames of a dark subject with a patch of the codes given, None: without one, in a way that was never seen clear."""
    seen, way = np.ones((SIZE, SIZE), bool), np.zeros((SIZE, SIZE), bool)
    way[10:70, 10:70], seen[20:60, 20:60] = True, False
    gaps, rng = Gaps(GUESS, seen, way, NOISE), np.random.default_rng(7)
    for codes in shown:
        frame = GUESS.copy()
        frame[20:60, 20:60] = 90.0
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
