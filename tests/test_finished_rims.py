"""A faint rim beside a bright core is found, and an edge's own blur isn't taken for one: drawn bars with known sides."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from builder.finished.look import look_at
from builder.finished.rims import with_rims
from builder.finished.values import CleanSet

WALL = np.float32([92, 88, 82])
CORE = slice(60, 84)  # columns


def bar(rim: np.ndarray | None, blur: float) -> tuple[np.ndarray, CleanSet, np.ndarray]:
    """A bright upright bar before a grey wall, with a rim 4 px wide on its left or none; the cut is its bright core."""
    light = np.broadcast_to(WALL, (120, 160, 3)).copy()
    if rim is not None:
        light[:, CORE.start - 4 : CORE.start] = rim
    light[:, CORE] = (235, 225, 190)
    frame = cv2.GaussianBlur(light, (0, 0), blur) + np.random.default_rng(2).normal(0, 1.0, light.shape)
    every, none = np.ones((120, 160), bool), np.zeros((120, 160), np.float32)
    wall = np.broadcast_to(WALL, light.shape).copy()
    clean = CleanSet(
        colour=wall, seen=every, steady=every, spread=none + 1.5, stands=~every, lit=wall, way=every, clear=none
    )
    found = np.zeros((120, 160), bool)
    found[:, CORE] = True
    return with_rims(found, look_at(frame.astype(np.float32), clean), clean), clean, found


def test_a_brown_rim_no_brighter_than_the_wall_is_found():
    whole = bar(np.float32([112, 86, 48]), 0.7)[0]
    assert whole[10:-10, CORE.start - 2].mean() > 0.95 and whole[10:-10, CORE.start - 3].mean() > 0.8
    assert not whole[:, : CORE.start - 4].any() and not whole[:, CORE.stop + 1 :].any()


@pytest.mark.parametrize("blur", [0.6, 1.0, 2.0])
def test_an_edge_without_a_rim_stays_where_it_is(blur):
    whole, _, found = bar(None, blur)
    assert (whole & ~found).sum() <= 0.02 * 120 * 2  # of the two outlines' length
    assert (whole & found).sum() == found.sum()


def test_where_shade_may_fall_nothing_is_added():
    whole, clean, found = bar(np.float32([112, 86, 48]), 0.7)
    assert whole.sum() > found.sum()
    clean = replace(clean, steady=np.zeros_like(found))
    assert (with_rims(found, look_at(np.zeros((120, 160, 3), np.float32), clean), clean) == found).all()
