"""Frames to numbers with units: what `check` says, and what `finish` and `build` start from.

Everything is measured on reduced copies, in one direction: light (exposure), the camera's own movement
(camera), the plate behind (backdrop), what turns and its axis (place), the turn (turntable), each frame
(sharpness, obstruction); then limits (noticed) and words (builder.findings). No source pixel is altered.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from builder.findings import Wording, verdict_of, worst_first
from builder.measured.abreast import granted
from builder.measured.copies import common_size, read_copies
from builder.measured.noticed import notice_files, notice_spin
from builder.measured.survey import Survey, source_affine, survey_spin
from builder.spin import FrameMeasure, Photo, SpinMeasures, Turn, TurnCamera, Unreadable

__all__ = ["measure_spin"]


def measure_spin(
    photos: Sequence[Photo],
    *,
    slug: str,
    source: str,
    closed: bool = True,
    turn: Turn | None = None,
    widest: int = 1600,
    unreadable: Sequence[Unreadable] = (),
    threads: int = 1,
) -> SpinMeasures:
    """Measure the frames of one spin, in turning order.

    closed: False for a part turn on purpose. turn: the direction, where it is known (None: measured).
    widest: px, the widest output; what can't be seen at that width is no fault. unreadable: files that failed
    already; files that fail while being decoded are added. Photos of another size than most are listed but not
    measured. threads: that may be at work at once. Never raises for what the pictures show.
    """
    words = Wording([photo.path.name for photo in photos])
    size = common_size(photos) if photos else None
    with granted(threads):
        copies, failed = read_copies(photos) if photos else (None, ())
        survey = survey_spin(copies, closed=closed, widest=widest) if copies else None
    findings = notice_files(photos, size, widest, [*unreadable, *failed], words)
    frames = [FrameMeasure(index, photo.path.name) for index, photo in enumerate(photos)]
    if survey is None:
        return _plain(slug, source, frames, findings, turn)
    findings += notice_spin(survey, widest, words)
    for copy, place in enumerate(copies.places):
        frames[place] = _frame(survey, copy, frames[place])
    axis, judged = survey.axis, survey.turn.sigma_deg is not None
    return SpinMeasures(
        slug=slug,
        source=source,
        frame_count=len(photos),
        frames=tuple(frames),
        findings=worst_first(findings),
        verdict=verdict_of(findings),
        axis_x=None if axis is None else float(copies.source_x(axis.column)),
        axis_tilt_deg=0.0 if axis is None else axis.tilt_deg,
        turn=turn or survey.turn.direction,
        angle_sigma_deg=float(survey.turn.sigma_deg) if judged else None,
        neutral_gain=survey.neutral.gain,
        camera=_camera(survey) if judged else None,
        tape=_tape_outline(survey),
    )


def _camera(survey: Survey) -> TurnCamera | None:
    """The fitted camera in source pixels."""
    fitted, copies = survey.turn.camera, survey.copies
    if fitted is None:
        return None
    x, y = (float(v) for v in fitted.centre)
    focal = fitted.focal_px * sum(copies.scale) / 2
    return TurnCamera(fitted.pan, fitted.tilt, fitted.roll, focal, (copies.source_x(x), copies.source_y(y)))


def _tape_outline(survey: Survey) -> tuple[tuple[float, float], ...]:
    """In source pixels."""
    if survey.tape is None:
        return ()
    scale = survey.copies.size[0] / survey.copies.detail.shape[2]
    return tuple((float(x), float(y)) for x, y in (survey.tape.outline() + 0.5) * scale - 0.5)


def _plain(slug: str, source: str, frames: list, findings: list, turn: Turn | None) -> SpinMeasures:
    """What can be said where no picture could be measured."""
    return SpinMeasures(
        slug, source, len(frames), tuple(frames), worst_first(findings), verdict_of(findings), turn=turn
    )


def _frame(survey: Survey, copy: int, blank: FrameMeasure) -> FrameMeasure:
    scale, exposure = survey.copies.scale, survey.exposure
    x, y, roll = survey.camera.motion[copy]
    fit, blind = survey.turn, bool(np.isnan(survey.sharpness.ratio[copy]))
    return FrameMeasure(
        index=blank.index,
        file=blank.file,
        angle_deg=fit.angles_deg[copy],
        step_deg=fit.steps_deg[copy],
        sharpness=None if blind else float(survey.sharpness.ratio[copy]),
        exposure_ev=float(exposure.exposure_ev[copy]) if exposure.known else None,
        cast=survey.neutral.ab_at(exposure.ev[copy]),
        shift_px=(float(x * scale[0]), float(y * scale[1])),
        roll_deg=float(np.degrees(roll)),
        gain=tuple(float(g) for g in exposure.gains[copy]),
        to_reference=source_affine(survey.camera.to_reference(copy), scale),
        blur_px=None if blind else float(survey.sharpness.extra_px[copy]),
    )
