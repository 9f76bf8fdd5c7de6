"""White balance, exposure and lights of the finish against published colour values and their own promises."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from builder import colour as own
from builder.finished.light import balanced, exposure, neutral_of_card

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it says that it can't plot
    import colour

# The chart of 24 patches as D. Pascale's averages of thirty charts (BabelColor, 2012), CIE xyY under D50, as the package
# colour-science carries it.
CHART = colour.CCS_COLOURCHECKERS["BabelColor Average"]


def chart_light() -> dict[str, np.ndarray]:
    """Linear sRGB of the patches that sRGB can hold."""
    light = {}
    for name, value in CHART.data.items():
        xyz = colour.xyY_to_XYZ(value)
        rgb = colour.XYZ_to_RGB(xyz, "sRGB", illuminant=CHART.illuminant, chromatic_adaptation_transform="Bradford")
        if rgb.min() >= 0 and rgb.max() <= 1:
            light[name] = rgb
    return light


@pytest.mark.parametrize("cast", [(1.15, 1.0, 0.80), (0.85, 1.0, 1.12)])
def test_grey_card_brings_the_chart_back_to_its_published_values(cast):
    light = chart_light()
    assert len(light) >= 20
    room = 0.8 * np.array(cast)
    plate = np.full((120, 160, 3), 0.55) * room
    frame = plate.copy()
    frame[30:90, 50:110] = light["neutral 5 (.70 D)"] * room
    codes = [np.rint(255 * own.encode(part)).astype(np.float32) for part in (frame, plate)]
    gains = np.array(neutral_of_card(*codes))
    assert gains == pytest.approx(
        1 / (np.array(cast) * light["neutral 5 (.70 D)"] / light["neutral 5 (.70 D)"][1]), rel=0.02
    )
    shot = np.rint(255 * own.encode(np.array(list(light.values())) * room)).astype(np.uint8)
    back = own.to_light(shot[:, None])[:, 0] * gains / 0.8
    apart = own.ciede2000(own.lab_from_light(back), own.lab_from_light(np.array(list(light.values()))))
    assert np.median(apart) < 1.0
    assert apart.max() < 2.5


def test_no_grey_card_is_found_on_an_even_set():
    even = np.full((60, 80, 3), 180, np.float32)
    assert neutral_of_card(even, even) is None


def test_lights_are_pressed_below_white_and_keep_their_order_and_colour():
    grey = np.linspace(0, 0.95, 400, dtype=np.float32)[:, None] * np.float32([1.0, 0.98, 0.9])
    out = balanced(grey, np.float32([1.3, 1.3, 1.5]))
    assert not (own.to_codes(out[None])[0] == 255).all(axis=1).any()
    assert (np.diff(out.min(axis=1)) >= 0).all()
    low = (grey * [1.3, 1.3, 1.5]).min(axis=1) < 0.8
    assert out[low] == pytest.approx(grey[low] * [1.3, 1.3, 1.5], rel=1e-5)
    assert out[300] / out[300].min() == pytest.approx(
        grey[300] * [1.3, 1.3, 1.5] / (grey[300] * [1.3, 1.3, 1.5]).min(), rel=1e-4
    )


@pytest.mark.parametrize("gain, full", [((1.2, 1.0, 0.8), 1.0), ((0.8, 1.0, 1.2), 1.1), ((1.0, 1.0, 1.0), 0.9)])
def test_what_the_camera_clipped_stays_white(gain, full):
    clipped = np.full((1, 3), full, np.float32)
    assert (own.to_codes(balanced(clipped, np.float32(gain), full)[None]) == 255).all()


def test_exposure_brings_a_white_board_near_white_and_spares_the_subject():
    neutral = np.ones(3)
    dark = np.full((1000, 3), 0.1, np.float32)
    assert exposure(0.6, dark, neutral) * 0.6 == pytest.approx(0.9)
    bright = np.full((1000, 3), 0.9, np.float32)
    assert exposure(0.6, bright, neutral) * 0.9 < 1.0
    assert exposure(0.05, dark, neutral) == pytest.approx(1.0)  # a black board says nothing about the exposure


def test_exposure_leaves_a_bright_part_its_colour():
    """Pink that is lit to R = 0.66: clipped in red alone it would turn yellowish, and none of it would be burnt."""
    subject = np.full((1000, 3), 0.1, np.float32)
    subject[:100] = 0.66, 0.45, 0.38
    assert exposure(0.28, subject, np.ones(3)) * 0.66 <= 1.0
    subject[5:100] = 0.1  # a glint may clip
    assert exposure(0.28, subject, np.ones(3)) * 0.66 > 1.2
