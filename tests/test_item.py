from __future__ import annotations

from dataclasses import replace

from builder.items.numbers import frame_angles, kept_frames, turning_order
from builder.spin import Finding, FrameMeasure, SpinMeasures

ANGLES = (0.0, 100.0, 190.0, 290.0)
SPIN = SpinMeasures(
    "jug", "jug", 4, tuple(FrameMeasure(i, f"{i}.jpg", angle_deg=a) for i, a in enumerate(ANGLES)), angle_sigma_deg=0.1
)


def test_measured_angles_are_used_and_guesses_are_not():
    assert frame_angles(SPIN, closed=True) == list(ANGLES)
    assert frame_angles(replace(SPIN, angle_sigma_deg=None), closed=True) == [0, 90, 180, 270]
    assert frame_angles(replace(SPIN, angle_sigma_deg=None), closed=False) == [0, 10, 20, 30]


def test_late_frames_are_sorted_in_only_when_angles_are_known():
    late = replace(SPIN, frames=(*SPIN.frames[:3], replace(SPIN.frames[3], angle_deg=410.0)))
    assert turning_order(late) == [0, 3, 1, 2]
    assert turning_order(replace(late, angle_sigma_deg=None)) == [0, 1, 2, 3]


def test_duplicates_are_left_out_unless_nothing_would_remain():
    def repeats(*frames: int) -> SpinMeasures:
        return replace(SPIN, findings=(Finding("duplicate", frames, "warn", 0, 1, "", ""),))

    assert kept_frames(repeats(2)) == [0, 1, 3]
    assert kept_frames(repeats(1, 2, 3)) == [0, 1, 2, 3]
