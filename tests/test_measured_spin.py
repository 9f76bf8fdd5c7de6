"""A whole spin from files: numbers, findings, and sensible answers to bad input."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from builder.colour import to_codes
from builder.frames.photos import find_photos
from builder.measured import measure_spin
from builder.spin import SpinMeasures, Unreadable
from tests.pictures import patchwork, write_photo
from tests.rendered import rendered_set
from tests.turntable import Scene, Turntable


def measured(folder: Path, **options) -> SpinMeasures:
    found = find_photos(folder)
    return measure_spin(found.photos, slug="jug", source=str(folder), unreadable=found.unreadable, **options)


def kinds(measures: SpinMeasures, *severities: str) -> list[tuple]:
    wanted = severities or ("note", "warn", "fail")
    return [(f.kind, f.frames) for f in measures.findings if f.severity in wanted]


def write_all(folder: Path, pictures) -> Path:
    for index, picture in enumerate(pictures):
        write_photo(folder / f"IMG_{index:04d}.jpg", picture, quality=93)
    return folder


@pytest.fixture(scope="module")
def faulty(tmp_path_factory) -> tuple[SpinMeasures, Turntable, np.ndarray]:
    """24 frames, clockwise: one repeated, one blurred, one with a hand, the camera bumped, light that flickers."""
    table = Turntable(Scene(shape="pot", clutter=True), width=480, height=360)
    stops = [-15.652 * (k - (k >= 9)) for k in range(24)]
    ev = np.random.default_rng(2).normal(0, 0.08, 24)
    pictures = [
        table.photo(
            stop, noise_seed=k, exposure=0.75 * 2 ** ev[k], white_gains=(1.12, 1.0, 0.88),
            blur_px=2.5 if k == 13 else 0.0, hand=k == 5,
            shift_px=(4.0, -2.5) if k >= 18 else (0.0, 0.0), roll_deg=0.4 if k >= 18 else 0.0,
        )
        for k, stop in enumerate(stops)
    ]  # fmt: skip
    folder = write_all(tmp_path_factory.mktemp("faulty"), pictures)
    return measured(folder, widest=480), table, ev


def test_every_fault_is_found_and_nothing_else(faulty):
    measures, _, _ = faulty
    found = kinds(measures, "warn", "fail")
    assert sorted(found) == [("blurred", (13,)), ("bumped", (18,)), ("duplicate", (9,)), ("obstructed", (5,))]
    assert "flicker" in {kind for kind, _ in kinds(measures, "note")}
    assert measures.verdict == "reshoot"


def test_numbers_are_those_of_the_drawing(faulty):
    measures, table, ev = faulty
    frames = measures.frames
    sound = [k for k in range(24) if k not in (5,)]
    error = np.array([frames[k].exposure_ev - ev[k] for k in sound])
    assert np.abs(error - np.median(error)).max() < 0.03
    gains = np.array([f.gain for f in frames]).prod(axis=1) ** (1 / 3) * 2.0 ** np.array(
        [f.exposure_ev for f in frames]
    )
    assert gains == pytest.approx(np.full(24, np.median(gains)), rel=0.02)
    shifts = np.array([f.shift_px for f in frames])
    assert np.abs(shifts[[k for k in range(18) if k not in (5, 13)]]).max() < 0.3
    assert np.abs(shifts[18:] - (4.0, -2.5)).max() < 0.3  # 1 px at 1600 px is 0.3 px at 480
    assert [f.roll_deg for f in frames[18:]] == pytest.approx([0.4] * 6, abs=0.1)
    assert frames[13].sharpness < 0.6 and frames[2].sharpness > 0.85
    assert measures.turn in ("clockwise", None)


def test_to_reference_lays_a_bumped_frame_back(faulty):
    measures, table, _ = faulty
    there = table.bump((4.0, -2.5), 0.4) @ [100.0, 300.0, 1.0]
    back = np.array(measures.frames[20].to_reference) @ [*there, 1.0]
    assert back == pytest.approx([100.0, 300.0], abs=0.4)


def test_neutral_gain_undoes_the_cast(faulty):
    measures, table, _ = faulty
    light = np.array(table.scene.disc_rgb) * (1.12, 1.0, 0.88)
    assert np.array(measures.neutral_gain) == pytest.approx(light[1] / light, rel=0.02)
    assert all(frame.cast[1] > 2 for frame in measures.frames)


def test_the_known_direction_wins(tmp_path):
    write_all(tmp_path, [patchwork(96, 72, seed=k) for k in range(3)])
    assert measured(tmp_path, turn="clockwise").turn == "clockwise"


def test_one_picture_and_two(tmp_path):
    write_all(tmp_path / "one", [patchwork(96, 72)])
    one = measured(tmp_path / "one", widest=96)
    assert kinds(one, "fail") == [("too-few-frames", ())] and one.angle_sigma_deg is None
    write_all(tmp_path / "two", [patchwork(96, 72), patchwork(96, 72, seed=2)])
    two = measured(tmp_path / "two", widest=96)
    assert two.frame_count == 2 and kinds(two, "warn", "fail") == [("too-few-frames", ())]


def test_no_picture_at_all():
    bad = (Unreadable(Path("IMG_1.jpg"), "the file is empty"),)
    none = measure_spin([], slug="jug", source="jug", unreadable=bad)
    assert none.verdict == "reshoot" and {kind for kind, _ in kinds(none)} == {"unreadable", "too-few-frames"}


def test_all_images_the_same(tmp_path):
    write_all(tmp_path, [patchwork(160, 120)] * 12)
    same = measured(tmp_path, widest=160)
    assert same.angle_sigma_deg is None and same.turn is None and same.axis_x is None
    assert kinds(same, "fail") == [("duplicate", ())]  # none named, or a build would leave out all but one
    rng = np.random.default_rng(0)
    noisy = [np.clip(patchwork(160, 120) + rng.normal(0, 2, (120, 160, 3)), 0, 255).astype(np.uint8) for _ in range(12)]
    write_all(tmp_path / "noisy", noisy)
    alike = measured(tmp_path / "noisy", widest=160)
    assert ("duplicate", ()) in kinds(alike, "warn") and not kinds(alike, "fail")


def test_other_sizes_and_broken_files_are_findings(tmp_path):
    table = Turntable(Scene(), width=160, height=120)
    write_all(tmp_path, [table.photo(k * 30.0, noise_seed=k) for k in range(12)])
    write_photo(tmp_path / "IMG_0004.jpg", table.photo(0.0)[:, :120])
    cut = (tmp_path / "IMG_0007.jpg").read_bytes()
    (tmp_path / "IMG_0007.jpg").write_bytes(cut[: len(cut) // 2])
    (tmp_path / "IMG_0099.jpg").write_bytes(b"not a picture")
    found = measured(tmp_path, widest=160)
    failed = kinds(found, "fail")
    assert ("size-mismatch", (4,)) in failed
    broken = [f.message for f in found.findings if f.kind == "unreadable"]
    assert len(broken) == 2 and any("IMG_0007.jpg" in text for text in broken)
    assert ("unreadable", (7,)) in failed and ("unreadable", ()) in failed  # damaged inside; never a photo
    assert found.frames[4].exposure_ev is None and found.frames[7].exposure_ev is None
    assert found.frames[5].exposure_ev is not None and len(found.frames) == 12


def test_grey_frames_and_a_backdrop_brighter_than_white(tmp_path):
    table = Turntable(Scene(), width=240, height=180)
    grey = [table.photo(k * 30.0, noise_seed=k).mean(axis=2).astype(np.uint8) for k in range(12)]
    write_all(tmp_path / "grey", grey)
    found = measured(tmp_path / "grey", widest=240)
    assert found.neutral_gain == pytest.approx((1.0, 1.0, 1.0), abs=0.01)
    assert not kinds(found, "fail")
    bright = [to_codes(np.maximum(table.linear(k * 30.0)[0] * 2.2, 0)) for k in range(12)]
    write_all(tmp_path / "bright", bright)
    found = measured(tmp_path / "bright", widest=240)
    assert all(np.isfinite(gain) for frame in found.frames for gain in frame.gain)


def test_same_input_same_numbers(tmp_path):
    table = Turntable(Scene(), width=200, height=150)
    write_all(tmp_path, [table.photo(k * 30.0, noise_seed=k) for k in range(12)])
    assert measured(tmp_path) == measured(tmp_path)


def test_the_rendered_lamp():
    """Black disc, dark backdrop, brass: one frame smeared, the camera bumped from frame 14 on."""
    lamp = rendered_set("desk-lamp")
    if lamp is None:
        pytest.skip("the rendered sequences aren't here: name their folder in KICKWHEEL_SETS")
    measures = measure_spin(lamp.photos, slug="desk-lamp", source="desk-lamp", widest=1200)
    assert ("blurred", (22,)) in kinds(measures) and ("bumped", (14,)) in kinds(measures)
    assert {frame for f in measures.findings if f.severity == "fail" for frame in f.frames} == {22}
    truth = lamp.truth["frames"]
    shift = np.array([f.shift_px for f in measures.frames]) - [f["camera_shift_px"] for f in truth]
    assert np.abs(shift - np.median(shift, axis=0)).max() < 1.0
    light = np.array(lamp.truth["illuminant_rgb_linear"])
    assert np.array(measures.neutral_gain) == pytest.approx(light[1] / light, rel=0.02)
