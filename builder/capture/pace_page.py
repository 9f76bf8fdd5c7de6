"""The pace page: one file for a second phone, which beats time with no network."""

from __future__ import annotations

from dataclasses import asdict

from builder.capture.lengths import plain
from builder.capture.pace import COUNTDOWN, SOUNDS
from builder.capture.plan import Plan
from builder.capture.templates import render


def render_pace_page(plan: Plan) -> str:
    """Self-contained HTML. The page gets the same beat and the same sounds as the track."""
    pace, marks = plan.pace, plan.marks
    beat = {
        "frames": marks.frames,
        "seconds": pace.seconds,
        "warn": pace.warn_s,
        "countdown": COUNTDOWN,
        "step": marks.step_deg,
        "quarters": [index for index, _ in pace.quarters],
        "turn": plan.wanted.turn,
        "sounds": {name: asdict(sound) for name, sound in SOUNDS.items()},
    }
    return render(
        "pace.html",
        beat=beat,
        frames=marks.frames,
        step=plain(marks.step_deg, 2),
        seconds=plain(pace.seconds, 2),
        total=plain(pace.total_s),
    )
