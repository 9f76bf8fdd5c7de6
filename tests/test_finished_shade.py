"""What shade looks like on a set, how far the subject's way reaches, and nothing eaten from the rendered turns' subjects."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from builder.catalog.declaration import FinishSettings
from builder.finished import finish_frame, plan_finish
from builder.finished.over_turn import change, ever_changed, spread_of, subjects_way
from builder.finished.sample import matrix
from builder.finished.tints import WEIGHTS, learn_tints
from tests.rendered import rendered_set, truth_measures

WINDOW, LAMP = np.array([0.30, 0.36, 0.42]), np.array([0.34, 0.26, 0.16])  # linear light of two sources on a board


def tints_of(light: np.ndarray) -> np.ndarray:
    """Light on the board, (n, 3), as tints of its ratio to the full light of both."""
    ratio = light / (WINDOW + LAMP)
    return ratio / (ratio @ WEIGHTS)[:, None] - 1


def shade(count: int = 2000) -> np.ndarray:
    """Tints of shade that keeps any share of either light: additive light, no more."""
    shares = np.random.default_rng(3).uniform(0.1, 1.0, (count, 2))
    return tints_of(shares[:, :1] * WINDOW + shares[:, 1:] * LAMP)


def test_shade_of_two_lights_lies_on_a_line_and_a_green_thing_does_not():
    tints = learn_tints(shade().astype(np.float32))
    assert np.abs(shade(300) @ tints.off).max() < tints.limit
    green = tints_of((WINDOW + LAMP) * [[0.15, 0.30, 0.25]])
    assert np.abs(green @ tints.off).min() > 3 * tints.limit


def test_what_strays_does_not_turn_the_line():
    samples = np.concatenate([shade(), tints_of((WINDOW + LAMP) * np.tile([[0.6, 0.2, 0.2]], (100, 1)))])
    tints = learn_tints(samples.astype(np.float32))
    assert np.abs(shade(300) @ tints.off).max() < tints.limit


def test_too_little_shade_teaches_nothing():
    assert learn_tints(shade(50).astype(np.float32)) is None


def test_the_way_reaches_a_tip_that_two_frames_show():
    stack = np.full((24, 120, 160, 3), 180, np.uint8)
    stack[::2, 40:80, 60:101] = 60  # a body about column 80 that changes
    stack[3, 50:58, 20:62] = stack[15, 50:58, 100:141] = 60  # its spout, far left, and half a turn later far right
    stack[7, 20:30, 2:12] = 60  # a hand at the side, once
    way, _ = subjects_way(change(stack), 80.0, None, ever_changed(stack))
    assert way[54, 20] and way[54, 140]
    assert not way[25, 5]


@pytest.mark.parametrize("name, frames, least", [("coffee-pot", (0, 10), 0.001), ("desk-lamp", (0, 28), 0.002)])
def test_nothing_broad_is_eaten_from_the_subject(name, frames, least):
    """Of the true mask no spot 5 source pixels wide is missing that is more than this share of it."""
    one = rendered_set(name)
    if one is None:
        pytest.skip("the rendered sequences aren't there: set KICKWHEEL_SETS to their folder")
    plan = plan_finish(one.photos, truth_measures(one), FinishSettings(shadow=0.0))
    for index in frames:
        done, true = finish_frame(plan, index), one.mask(index) >= 0.5
        back = np.linalg.inv(matrix(done.to_output))[:2]
        have = cv2.warpAffine(done.matte.astype(np.float32), back, true.shape[::-1]) >= 127.5
        broad = cv2.morphologyEx((true & ~have).astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
        pieces = cv2.connectedComponentsWithStats(broad)[2][1:, 4]
        assert not len(pieces) or pieces.max() <= least * true.sum(), f"frame {index}"


def test_shade_that_reaches_a_row_in_two_frames_makes_it_unsteady():
    """A spout's shade reaches its farthest in few frames of a turn; in one it may be a passer-by's."""
    shape = 120, 160
    stack = np.random.default_rng(4).normal(200, 1, (24, *shape, 3)).clip(0, 255).astype(np.uint8)
    way, crossed = np.zeros(shape, bool), np.zeros(shape, bool)
    way[10:110, 40:120] = True
    plate = np.full((*shape, 3), 200, np.float32)
    stack[:, 90:, 60:100] -= 40  # falls there in every other frame
    stack[::2, 90:, 60:100] += 40
    stack[3, 60:90, 60:75] -= 30
    assert spread_of(stack, plate, crossed, way, 120.0)[1][66].all()
    stack[4, 60:90, 60:75] -= 30
    assert not spread_of(stack, plate, crossed, way, 120.0)[1][66].any()
    assert spread_of(stack, plate, crossed, way, 120.0)[1][40].all()
