"""What `check` found, as lines for the terminal and as JSON. The page is made in `check_page`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from builder.spin import Finding, FrameMeasure, SpinMeasures

_VERDICTS = {"ready": "ready", "notes": "usable with notes", "reshoot": "reshoot"}


def check_lines(spins: Sequence[SpinMeasures]) -> list[str]:
    """Plain lines: for each spin its verdict, then one line a finding, worst first."""
    lines: list[str] = []
    for spin in spins:
        lines.append(verdict_line(spin))
        lines += [f"  {finding_line(finding)}" for finding in spin.findings]
    return lines


def verdict_line(spin: SpinMeasures) -> str:
    """One line a spin: 'coffee-pot: usable with notes. 24 frames, clockwise, steps known to 0.1°.'"""
    frames = "1 frame" if spin.frame_count == 1 else f"{spin.frame_count} frames"
    parts = [frames, spin.turn or "direction unknown", angles_phrase(spin)]
    return f"{spin.slug}: {_VERDICTS[spin.verdict]}. {', '.join(parts)}."


def angles_phrase(spin: SpinMeasures) -> str:
    """How sure the angles are, in words."""
    if spin.angle_sigma_deg is None:
        return "steps can't be judged"
    return f"steps known to {max(spin.angle_sigma_deg, 0.01):.2g}°"


def finding_line(finding: Finding) -> str:
    return f"{finding.severity}: {finding.message} {finding.advice}".rstrip()


def has_failed(spins: Sequence[SpinMeasures]) -> bool:
    """Whether `check` should exit with 1."""
    return any(finding.severity == "fail" for spin in spins for finding in spin.findings)


def check_json(spins: Sequence[SpinMeasures]) -> dict[str, Any]:
    """What `check --json` prints, version 1. Numbers are rounded to what can be known of them."""
    return {"version": 1, "items": [_item(spin) for spin in spins]}


def _item(spin: SpinMeasures) -> dict[str, Any]:
    return {
        "slug": spin.slug,
        "source": spin.source,
        "frame_count": spin.frame_count,
        "axis_x": _rounded(spin.axis_x, 2),
        "axis_tilt_deg": _rounded(spin.axis_tilt_deg, 3),
        "turn": spin.turn,
        "angle_sigma_deg": _rounded(spin.angle_sigma_deg, 4),
        "verdict": spin.verdict,
        "neutral_gain": [_rounded(gain, 4) for gain in spin.neutral_gain],
        "frames": [_frame(frame) for frame in spin.frames],
        "findings": [_finding(finding) for finding in spin.findings],
    }


def _frame(frame: FrameMeasure) -> dict[str, Any]:
    return {
        "index": frame.index,
        "file": frame.file,
        "angle_deg": _rounded(frame.angle_deg, 3),
        "step_deg": _rounded(frame.step_deg, 3),
        "sharpness": _rounded(frame.sharpness, 3),
        "blur_px": _rounded(frame.blur_px, 2),
        "exposure_ev": _rounded(frame.exposure_ev, 4),
        "cast": None if frame.cast is None else [_rounded(value, 2) for value in frame.cast],
        "shift_px": [_rounded(value, 3) for value in frame.shift_px],
        "roll_deg": _rounded(frame.roll_deg, 4),
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "frames": list(finding.frames),
        "severity": finding.severity,
        "measured": _rounded(finding.measured, 4),
        "limit": _rounded(finding.limit, 4),
        "message": finding.message,
        "advice": finding.advice,
    }


def _rounded(value: float | None, places: int) -> float | None:
    """Rounded, with no minus zero; None stays."""
    return None if value is None else round(float(value), places) + 0.0
