"""Colour arithmetic against the standard, the paper and a reference library."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from builder import colour

# G. Sharma, W. Wu, E. N. Dalal, Color Research & Application 30 (2005) 21-30, table 1: L*1 a*1 b*1 L*2 a*2 b*2 ΔE00.
# Taken from the tests of the colour-science 0.4.7 wheel (difference/tests/test_delta_e.py); pair 14, which that
# file prints but leaves out, included.
SHARMA = """
50.0000 2.6772 -79.7751 50.0000 0.0000 -82.7485 2.0425
50.0000 3.1571 -77.2803 50.0000 0.0000 -82.7485 2.8615
50.0000 2.8361 -74.0200 50.0000 0.0000 -82.7485 3.4412
50.0000 -1.3802 -84.2814 50.0000 0.0000 -82.7485 1.0000
50.0000 -1.1848 -84.8006 50.0000 0.0000 -82.7485 1.0000
50.0000 -0.9009 -85.5211 50.0000 0.0000 -82.7485 1.0000
50.0000 0.0000 0.0000 50.0000 -1.0000 2.0000 2.3669
50.0000 -1.0000 2.0000 50.0000 0.0000 0.0000 2.3669
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0009 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0010 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0011 7.2195
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0012 7.2195
50.0000 -0.0010 2.4900 50.0000 0.0009 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0010 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0011 -2.4900 4.7461
50.0000 2.5000 0.0000 50.0000 0.0000 -2.5000 4.3065
50.0000 2.5000 0.0000 73.0000 25.0000 -18.0000 27.1492
50.0000 2.5000 0.0000 61.0000 -5.0000 29.0000 22.8977
50.0000 2.5000 0.0000 56.0000 -27.0000 -3.0000 31.9030
50.0000 2.5000 0.0000 58.0000 24.0000 15.0000 19.4535
50.0000 2.5000 0.0000 50.0000 3.1736 0.5854 1.0000
50.0000 2.5000 0.0000 50.0000 3.2972 0.0000 1.0000
50.0000 2.5000 0.0000 50.0000 1.8634 0.5757 1.0000
50.0000 2.5000 0.0000 50.0000 3.2592 0.3350 1.0000
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731
35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373
36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441
90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
"""


def test_ciede2000_pairs_of_sharma_wu_dalal():
    table = np.array([[float(value) for value in line.split()] for line in SHARMA.strip().splitlines()])
    assert table.shape == (34, 7)
    found = colour.ciede2000(table[:, :3], table[:, 3:6])
    np.testing.assert_allclose(found, table[:, 6], atol=1e-4)
    np.testing.assert_allclose(colour.ciede2000(table[:, 3:6], table[:, :3]), table[:, 6], atol=1e-4)


def test_srgb_curve_of_iec_61966_2_1():
    # IEC 61966-2-1:1999, 5.2: linear piece below 0.04045 with slope 1/12.92, power 2.4 above; both pieces meet.
    assert colour.decode(np.array(0.04045)) == pytest.approx(0.04045 / 12.92, abs=1e-12)
    assert colour.decode(np.array(0.5)) == pytest.approx(((0.5 + 0.055) / 1.055) ** 2.4, abs=1e-12)
    assert colour.decode(np.array(0.0404501)) == pytest.approx(0.0404499 / 12.92, abs=1e-6)
    assert colour.encode(np.array([0.0, 1.0, 2.0, -1.0])) == pytest.approx([0.0, 1.0, 1.0, 0.0], abs=1e-12)
    values = np.linspace(0, 1, 1001)
    np.testing.assert_allclose(colour.encode(colour.decode(values)), values, atol=1e-7)


def test_every_code_survives_linear_light():
    codes = np.arange(256, dtype=np.uint8).reshape(16, 16)
    np.testing.assert_array_equal(colour.to_codes(colour.to_light(codes)), codes)


def test_table_encoding_follows_the_formula():
    light = np.concatenate([np.linspace(0, 1, 20001), np.geomspace(1e-7, 1, 5001)]).astype(np.float32)
    wanted = 255 * colour.encode(light.astype(np.float64))
    assert np.abs(colour.to_codes(light) - wanted).max() < 0.5 + 1 / 80  # codes
    assert colour.to_codes(np.float32([[-1.0, 0.0], [1.0, 7.0]])).tolist() == [[0, 0], [255, 255]]
    for shape in [(1,), (1, 1), (4,), (4, 1), (0,), (2, 0, 3)]:  # few values are values all the same
        assert np.array_equal(colour.to_codes(np.full(shape, 0.5, np.float32)), np.full(shape, 188))


def test_lab_and_ciede2000_against_colour_science():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of optional plotting parts that are absent
        reference = pytest.importorskip("colour")
        codes = np.random.default_rng(3).integers(0, 256, (400, 3), dtype=np.uint8)
        light = colour.decode(codes / 255.0)
        xyz = light @ colour.TO_XYZ.T
        white = reference.XYZ_to_xy(colour.WHITE_XYZ)
        wanted = reference.XYZ_to_Lab(xyz, white)
        wanted_difference = reference.delta_E(wanted[:200], wanted[200:], method="CIE 2000")
    found = colour.lab_from_light(light)
    np.testing.assert_allclose(found, wanted, atol=1e-6)
    np.testing.assert_allclose(colour.lab_from_codes(codes), wanted, atol=1e-3)
    np.testing.assert_allclose(colour.ciede2000(found[:200], found[200:]), wanted_difference, atol=1e-6)


def test_luminance_weights_of_bt709():
    assert colour.luminance(np.ones(3)) == pytest.approx(1.0)
    np.testing.assert_allclose(colour.luminance(np.eye(3)), [0.2126, 0.7152, 0.0722], atol=1e-6)
