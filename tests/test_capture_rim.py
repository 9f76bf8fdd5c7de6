"""The coded rim tape: the code's own claims, its print, and pictures of it read back."""

from __future__ import annotations

import math
import shutil

import numpy as np
import pytest

from builder.capture.coded_tape import coded_tape_sheets
from builder.capture.disc import Disc
from builder.capture.drawing import MARGIN_MM, PAPERS
from builder.capture.pdf import draw_pdf
from builder.capture.tape import tape_length
from builder.rim.code import (
    BAND_SHARE,
    CELL_DEG,
    CELLS,
    black_bars,
    half_cells,
    rim_bits,
)
from builder.rim.reader import FINE, STEP_DEG, match_profile, read_rim, sampled_angles
from builder.rim.view import find_rim
from tests.capture_reading import rasterised
from tests.rim_scene import Scene, draw

WITHIN_DEG = 0.3
ANGLES = (0.0, 101.1, 260.2)


def off(angle: float, truth: float) -> float:
    return (angle - truth + 180) % 360 - 180


def test_any_seven_cells_occur_once():
    ring = rim_bits() * 2
    windows = {ring[start : start + 7] for start in range(CELLS)}
    assert len(windows) == CELLS == len(rim_bits())


def test_the_code_agrees_with_itself_only_in_place():
    """A maximal-length sequence: every shift agrees in 63 of 127 places (Golomb, Shift Register
    Sequences).
    """
    bits = np.array(rim_bits())
    assert {int((bits == np.roll(bits, shift)).sum()) for shift in range(1, CELLS)} == {63}


def test_another_generator_gives_the_same_sequence():
    scipy_signal = pytest.importorskip("scipy.signal")
    sequence = tuple(int(bit) for bit in scipy_signal.max_len_seq(7, taps=[6])[0])
    ours = rim_bits()
    rings = {sequence[shift:] + sequence[:shift] for shift in range(CELLS)}
    assert ours in rings or ours[::-1] in rings


def test_bars_are_the_half_cells():
    covered = np.zeros(2 * CELLS)
    for start, end in black_bars():
        covered[round(start * 2 * CELLS) : round(end * 2 * CELLS)] = 1
        assert (end - start) * CELLS <= 1 + 1e-9  # no bar is wider than a cell
    assert np.array_equal(1 - 2 * covered, half_cells())


@pytest.mark.skipif(not shutil.which("pdftoppm"), reason="Poppler's pdftoppm isn't installed")
def test_print_read_back_from_the_picture(tmp_path):
    """300 dpi by Poppler: the strips' rows, laid end to end, are the code, cell by cell."""
    disc, height = Disc(330), 15.0
    (sheet,) = coded_tape_sheets(disc, 36, "clockwise", 0.1, height, PAPERS["a4"])
    pdf = tmp_path / "coded.pdf"
    pdf.write_bytes(draw_pdf([sheet], "coded"))
    picture, dpmm = rasterised(pdf, 300), 300 / 25.4
    half = tape_length(disc, 0.1) / CELLS / 2
    bits: list[int] = []
    for strip in range(4):
        row = picture[round((MARGIN_MM + 13 + strip * (height + 6) + height * BAND_SHARE / 2) * dpmm)]
        place = 0.0
        while len(bits) < 2 * CELLS:
            at = round((MARGIN_MM + (place + 0.5) * half) * dpmm)
            if (place + 1) * half > 267 or row[at] in range(225, 250):  # the tab is light grey
                break
            bits.append(1 if row[at] > 128 else -1)
            place += 1
    assert tuple(bits) == half_cells()


@pytest.mark.parametrize("elevation", [6, 12, 20])
@pytest.mark.parametrize(
    "state",
    [
        pytest.param({}, id="clear"),
        pytest.param({"blur_px": 2.0, "noise": 0.03}, id="blurred and noisy"),
        pytest.param({"cover": (520, 680, 0.3)}, id="partly covered"),
        pytest.param({"ink": 0.25, "paper": 0.5, "disc": 0.05, "noise": 0.02}, id="faint on a black disc"),
    ],
)
def test_pictures_read_with_nothing_known(elevation, state):
    """Three pictures of a turn: the view is found in them, and each angle is right within 0.3°, also from one
    picture to another (where a constant error of the front doesn't count) within 0.1°."""
    scene = Scene(elevation_deg=elevation, offset_px=11)
    pictures = [draw(scene, angle, seed=index, **state) for index, angle in enumerate(ANGLES)]
    view = find_rim(pictures)
    assert view is not None
    readings = [read_rim(picture, view) for picture in pictures]
    assert all(readings)
    errors = np.array([off(reading.angle_deg, angle) for reading, angle in zip(readings, ANGLES)])
    assert np.abs(errors).max() <= WITHIN_DEG
    assert np.abs(errors - errors.mean()).max() <= 0.1
    assert abs(view.axis_x - (499.5 + 11)) < 3


def test_one_picture_is_enough_and_8_bit_colour_is_fine():
    scene = Scene(roll_deg=0.7, offset_px=-20)
    picture = np.repeat((255 * draw(scene, 123.4))[..., None], 3, axis=2).astype(np.uint8)
    view = find_rim([picture])
    assert abs(off(read_rim(picture, view).angle_deg, 123.4)) <= WITHIN_DEG


def test_a_turn_the_other_way_counts_down():
    scene = Scene()
    view = find_rim([draw(scene, 50.0)])
    first, second = (read_rim(draw(scene, angle), view).angle_deg for angle in (50.0, 40.0))
    assert off(second, first) == pytest.approx(-10, abs=0.1)


def test_no_tape_no_view():
    scene = Scene()
    bare = draw(scene, 0, coded=False)
    rng = np.random.default_rng(5)
    grain = rng.random((300, 400)).repeat(2, 0).repeat(2, 1)
    stripes = np.tile((np.arange(1000) // 9 % 2).astype(float), (300, 1))
    assert find_rim([bare]) is None and find_rim([grain]) is None and find_rim([stripes]) is None


def test_covered_too_far_is_no_reading():
    scene = Scene()
    view = find_rim([draw(scene, 50.0)])
    assert read_rim(draw(scene, 50.0, cover=(300, 1000, 0.3)), view) is None
    assert read_rim(draw(scene, 50.0)[:200], view) is None  # the rim is outside the picture


def random_profiles(rng: np.random.Generator, count: int):
    """Patterns that aren't the code: grain of many widths, stripes, and other tapes of the same make, whose
    cells are right but whose bits are drawn by lot."""
    samples = len(sampled_angles())
    for trial in range(count):
        kind = trial % 4
        if kind == 0:
            width = rng.integers(1, 3 * FINE)
            yield np.convolve(rng.normal(size=samples + width), np.ones(width) / width, "valid")[:samples]
        elif kind == 1:
            period = rng.uniform(FINE / 4, 3 * FINE)
            yield np.sign(np.sin(2 * np.pi * (np.arange(samples) / period + rng.random()))) + rng.normal(
                0, 0.1, samples
            )
        elif kind == 2:
            bits = rng.integers(0, 2, CELLS)
            halves = np.stack([1 - 2 * bits, 2 * bits - 1], 1).ravel()
            yield (halves[((np.arange(samples) + rng.integers(0, FINE * CELLS)) // (FINE // 2)) % len(halves)] + 0.0)
        else:
            edges = np.sort(rng.integers(0, samples, rng.integers(4, 80)))
            yield (np.searchsorted(edges, np.arange(samples)) % 2) + rng.normal(0, 0.05, samples)


def test_no_false_reading_in_ten_thousand_random_patterns():
    rng = np.random.default_rng(20)
    read = [match_profile(profile) for profile in random_profiles(rng, 10_000)]
    assert [reading for reading in read if reading] == []


def test_no_wrong_reading_of_the_code_under_any_wear():
    """2000 profiles of the code, worn from clear to hopeless by noise, blur, shade and covers (plain or
    patterned): what is read is right within 0.3°, the rest is refused, and clear ones are read."""
    from scipy.ndimage import gaussian_filter1d

    rng = np.random.default_rng(21)
    phi, code = sampled_angles(), np.array(half_cells(), float)
    worn_read, clear_read, clear = 0, 0, 0
    for _ in range(2000):
        truth = rng.uniform(0, 360)
        profile = code[np.floor((phi + truth) / (CELL_DEG / 2)).astype(int) % len(code)]
        noise, blur = rng.choice([0.1, 0.4, 1.0, 3.0]), rng.uniform(0.5, 6)
        profile = gaussian_filter1d(profile, blur) * np.linspace(rng.uniform(0.4, 1), 1, len(phi))
        hidden = int(rng.choice([0, 0.2, 0.4, 0.7]) * len(phi))
        start = rng.integers(0, len(phi) - hidden + 1)
        profile[start : start + hidden] = rng.choice([0, 1]) * rng.normal(0, 1, hidden)
        profile += rng.normal(0, noise, len(phi))
        reading = match_profile(profile)
        easy = noise == 0.1 and blur < 4 and hidden == 0
        clear, clear_read, worn_read = (
            clear + easy,
            clear_read + bool(easy and reading),
            worn_read + bool(reading),
        )
        if reading:
            assert abs(off(reading.angle_deg, truth)) <= WITHIN_DEG
            assert reading.cells_right <= reading.cells_seen <= math.ceil(2 * 66 / CELL_DEG)
    assert clear_read == clear > 50
    assert 0.2 < worn_read / 2000 < 0.9


def test_samples_are_an_even_share_of_a_cell():
    assert STEP_DEG * FINE == pytest.approx(360 / 127)
    assert sampled_angles()[len(sampled_angles()) // 2] == 0
