"""Pictures kept in a file give what they would give from memory."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from builder.measured.light import quantiles
from builder.measured.stack import BAND_BYTES, Stack


def test_pictures_come_back_as_they_were_in_any_order():
    pictures = np.random.default_rng(1).integers(0, 256, (7, 33, 41, 3), np.uint8)
    stack = Stack.of(pictures)
    assert stack.shape == pictures.shape and len(stack) == 7
    assert np.array_equal(stack[5], pictures[5]) and np.array_equal(stack[-1], pictures[6])
    assert all(np.array_equal(one, other) for one, other in zip(stack, pictures, strict=True))
    with pytest.raises(IndexError):
        stack[7]
    with pytest.raises(ValueError, match="among pictures"):
        stack.append(pictures[0, 1:])


def test_several_threads_may_read():
    pictures = np.random.default_rng(4).integers(0, 256, (16, 120, 160), np.uint8)
    stack = Stack.of(pictures)
    with ThreadPoolExecutor(4) as pool:
        for place, picture in zip([*range(16)] * 20, pool.map(stack.__getitem__, [*range(16)] * 20), strict=True):
            assert np.array_equal(picture, pictures[place])


def test_quantiles_band_by_band_are_those_of_the_whole():
    shape = (5, 700, 900, 3)
    assert np.prod(shape) > BAND_BYTES  # more than one band
    pictures = np.random.default_rng(2).integers(0, 256, shape, np.uint8)
    found = Stack.of(pictures).quantiles((0.25, 0.5, 0.75))
    for one, other in zip(found, quantiles(pictures, (0.25, 0.5, 0.75)), strict=True):
        assert np.array_equal(one, other)
    assert np.array_equal(found[1], np.median(pictures, axis=0))
