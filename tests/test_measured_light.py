"""Readings of light and order statistics, against numpy and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from builder.measured.light import gain_table, mad_sigma, quantiles


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8, 11, 24, 37, 100])
def test_quantiles_are_those_of_a_full_sort(count):
    stack = np.random.default_rng(count).integers(0, 256, (count, 13, 7, 3), dtype=np.uint8)
    kept = stack.copy()
    low, middle, high = quantiles(stack, (0.0, 0.5, 1.0))
    ordered = np.sort(stack, axis=0)
    assert np.array_equal(low, ordered[0])
    assert np.array_equal(high, ordered[-1])
    assert np.array_equal(middle, ordered[int(0.5 * (count - 1) + 0.5)])
    assert np.array_equal(stack, kept)


def test_quantiles_work_in_slabs():
    stack = np.random.default_rng(0).normal(size=(9, 40_000)).astype(np.float32)
    (middle,) = quantiles(stack, (0.5,))
    assert np.array_equal(middle, np.median(stack, axis=0))


def test_mad_sigma_is_scipys():
    values = np.random.default_rng(1).normal(3.0, 2.0, 999)
    # scipy.stats.median_abs_deviation(scale="normal"): 1 / 0.67449
    assert mad_sigma(values) == pytest.approx(stats.median_abs_deviation(values, scale="normal"), rel=1e-4)
    assert mad_sigma(np.array([])) == 0.0


def test_gain_table_keeps_values_at_one_and_doubles_light():
    assert np.array_equal(gain_table(1.0), np.arange(256))
    # IEC 61966-2-1: code 100 is 0.12744 of full light, twice that is code 138.5
    assert gain_table(2.0)[100] in (138, 139)
    assert gain_table(2.0)[255] == 255
