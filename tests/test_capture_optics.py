"""Optics against published numbers and against a ray tracer of a few lines."""

from __future__ import annotations

import math

import numpy as np
import pytest

from builder.capture.camera import place_camera
from builder.capture.optics import (
    Lens,
    Subject,
    best_focus,
    diffraction_f_number,
    distance_to_fill,
    engraved,
    f_number_needed,
    filled,
    hyperfocal,
    lens_of,
    sharp_range,
    view_angle,
)

FULL_FRAME = Lens(50, 36, 24, math.hypot(36, 24) / 1500)


def test_hyperfocal_of_a_printed_course():
    """US Army correspondence course SS0507, learning event 10: a 2 in lens at f/8 with 0.002 in of confusion
    gives 20.8 ft, from f²/(N·c) without the + f; so ours is one focal length longer."""
    assert (hyperfocal(50.8, 8, 0.0508) - 50.8) / 304.8 == pytest.approx(20.8, abs=0.05)


@pytest.mark.parametrize(
    "focal, near_m, far_m",
    [(28, 1.80512, None), (35, 2.25122, 17.9225), (50, 2.90023, 6.4433), (85, 3.53967, 4.59796)],
)
def test_depth_of_field_of_a_reference_program(focal, near_m, far_m):
    """Euler Math Toolbox, reference page of dof.e: DOF(4m,[28mm,35mm,50mm,85mm],8) with c = 0.03 mm; its NAN
    is our infinity."""
    near, far = sharp_range(4000, focal, 8, 0.03)
    assert near / 1000 == pytest.approx(near_m, abs=6e-6)
    assert far == math.inf if far_m is None else far / 1000 == pytest.approx(far_m, abs=6e-5)


def test_depth_of_field_of_the_trade():
    """f 50, N 8, c 0.030: H 10 467 mm; at 3 m sharp from 2338 to 4185 mm (computed on the handbook formula,
    as in S. F. Ray, Applied Photographic Optics)."""
    assert hyperfocal(50, 8, 0.030) == pytest.approx(10467, abs=0.5)
    assert hyperfocal(50, 8, FULL_FRAME.blur_mm) == pytest.approx(10884, abs=1)
    near, far = sharp_range(3000, 50, 8, 0.030)
    assert (near, far) == (pytest.approx(2338, abs=0.5), pytest.approx(4185, abs=0.5))


@pytest.mark.parametrize("distance", [400.0, 900.0, 3000.0])
def test_blur_at_the_limits_is_the_circle_of_confusion(distance):
    """By rays through the lens, not by the formula: at both limits the blur disc is c across."""
    focal, stop, c = 50.0, 8.0, 0.03
    v = focal * distance / (distance - focal)
    for limit in sharp_range(distance, focal, stop, c):
        v_limit = focal * limit / (limit - focal)
        assert focal / stop * abs(v - v_limit) / v_limit == pytest.approx(c, rel=1e-9)


def test_f_number_needed_gives_exactly_the_range():
    needed = f_number_needed(800, 650, 950, 50, 0.03)
    near, far = sharp_range(800, 50, needed, 0.03)
    assert near == pytest.approx(650) and far > 950
    best = best_focus(650, 950, 50)
    less = f_number_needed(best, 650, 950, 50, 0.03)
    assert sharp_range(best, 50, less, 0.03) == (pytest.approx(650), pytest.approx(950))
    assert less < needed and 650 < best < 800


def test_engraved_f_numbers():
    assert [engraved(n) for n in (1.0, 4.01, 4.2, 7.2, 63)] == [1, 4, 4.5, 8, 64]
    assert engraved(80) is None


def test_diffraction_limit_of_a_full_frame():
    """Airy disc 2.44·λ·N: at 550 nm, c 0.0288 mm and far away, about f/21."""
    assert diffraction_f_number(1e9, FULL_FRAME) == pytest.approx(0.02885 / (2.44 * 0.00055), rel=1e-3)


def test_angle_of_view():
    """A 50 mm lens on 36 mm sees 39.6° across (the figure printed on any 50 mm lens's data sheet; here
    computed).
    """
    assert view_angle(36, 50) == pytest.approx(39.6, abs=0.05)
    lens = lens_of(None, 26, None, (4000, 3000))
    assert math.hypot(lens.width_mm, lens.height_mm) == pytest.approx(43.27, abs=0.005)
    assert lens.width_mm / lens.height_mm == pytest.approx(4 / 3)


def test_lens_from_any_sufficient_pair():
    """A phone: 6.8 mm true, 26 mm equivalent; the sensor follows, and back again."""
    phone = lens_of(6.8, 26, None, (4000, 3000))
    diagonal = math.hypot(phone.width_mm, phone.height_mm)
    assert diagonal == pytest.approx(43.2666 * 6.8 / 26, rel=1e-5)
    back = lens_of(None, 26, (phone.width_mm, phone.height_mm), (4000, 3000))
    assert back.focal_mm == pytest.approx(6.8)
    upright = lens_of(50, None, (36, 24), (4000, 6000))
    assert (upright.width_mm, upright.height_mm) == pytest.approx((24, 36))
    cropped = lens_of(50, None, (36, 24), (3000, 3000))
    assert (cropped.width_mm, cropped.height_mm) == pytest.approx((24, 24))
    with pytest.raises(ValueError):
        lens_of(50, None, None, None)


def test_from_far_away_the_distance_is_the_handbooks():
    """s = f·W/(q·w) + f for a flat thing: a thin rod standing on the axis has no near side."""
    rod = Subject(1e-6, 1e-6, 200)
    assert distance_to_fill(0.85, rod, FULL_FRAME, 0) == pytest.approx(50 * 200 / (0.85 * 24) + 50, rel=1e-6)
    long_lens = Lens(400, 36, 24, 0.03)
    flat = Subject(200, 1e-6, 1)
    assert distance_to_fill(0.85, flat, long_lens, 0) == pytest.approx(400 * 200 / (0.85 * 36) + 400, rel=0.002)


def test_near_by_the_tangent_counts():
    """A cylinder of radius R seen from s: its outline is tangent, R/√(s² − R²)."""
    subject = Subject(200 / math.sqrt(2), 200 / math.sqrt(2), 1)
    distance = 400.0
    v = 50 * distance / (distance - 50)
    wanted = 2 * v * 100 / math.sqrt(distance**2 - 100**2) / 36
    assert filled(distance, subject, FULL_FRAME, 0) == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize("elevation", [0, 10, 35])
def test_filled_against_a_projection_of_the_turning_box(elevation):
    """All eight corners of the box, turned through 360° in steps of 1°, through a pinhole."""
    subject, distance = Subject(250, 130, 235), 900.0
    v, tilt = 50 * distance / (distance - 50), math.radians(elevation)
    eye = distance * np.array([0, -math.cos(tilt), math.sin(tilt)])
    forward, up = -eye / distance, np.array([0, math.sin(tilt), math.cos(tilt)])
    worst = 0.0
    for turn in np.radians(np.arange(360)):
        for x in (-125, 125):
            for y in (-65, 65):
                for z in (-117.5, 117.5):
                    corner = (
                        np.array(
                            [
                                x * math.cos(turn) - y * math.sin(turn),
                                x * math.sin(turn) + y * math.cos(turn),
                                z,
                            ]
                        )
                        - eye
                    )
                    depth = corner @ forward
                    worst = max(worst, 2 * v * abs(corner[0]) / depth / 36, 2 * v * abs(corner @ up) / depth / 24)
    assert filled(distance, subject, FULL_FRAME, elevation) == pytest.approx(worst, rel=2e-3)


def _placed(**changes):
    wanted = (
        dict(
            step_deg=10,
            share=0.85,
            distance_mm=None,
            elevation_deg=10,
            f_number=8,
            picture_px=(6000, 4000),
            output_px=1600,
        )
        | changes
    )
    return place_camera(FULL_FRAME, Subject(250, 130, 235), **wanted)


def test_camera_placed_to_fill_the_picture():
    camera = _placed()
    assert camera.filled == pytest.approx(0.85, abs=1e-6)
    assert camera.nearest_mm == pytest.approx(camera.distance_mm - math.hypot(250, 130) / 2)
    field_mm = 36 * (camera.distance_mm - 50) / 50
    assert camera.px_per_mm == pytest.approx(6000 / field_mm)
    assert camera.edge_px_per_step == pytest.approx(math.hypot(250, 130) / 2 * math.radians(10) * camera.px_per_mm)
    near, far = sharp_range(camera.distance_mm, 50, 8, FULL_FRAME.blur_mm)
    assert (camera.near_mm, camera.far_mm) == (near, far)


def test_camera_says_what_is_wrong():
    assert any(note.startswith("f/8 does not keep the whole swing sharp") for note in _placed().notes)
    stopped = _placed(f_number=_placed().f_number_needed)
    assert stopped.all_sharp and not any("does not keep" in note for note in stopped.notes)
    assert any("less than the largest output of 1600 px" in note for note in _placed(picture_px=(900, 600)).notes)
    assert any("doesn’t fit the picture" in note for note in _placed(distance_mm=400).notes)
    assert not any("swells" in note for note in _placed(distance_mm=900).notes)
    with pytest.raises(ValueError, match="would meet the camera"):
        _placed(distance_mm=150)
