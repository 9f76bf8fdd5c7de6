"""From a few measures to a whole plan of the shoot: checks the wishes and does the sums. Values only."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from builder.capture import advice, optics
from builder.capture.camera import Camera, place_camera
from builder.capture.disc import Disc, Marks, coincide, frames_for_step, mark_disc, measured_disc
from builder.capture.drawing import PAPERS, Paper
from builder.capture.lengths import plain, ruler_name, shown
from builder.capture.pace import Pace, pace_shots
from builder.capture.ring import MOST_SHEETS, largest_disc_mm, tile_disc
from builder.errors import Fault, InputError
from builder.spin import Turn

USUAL_FRAMES = 36
FEWEST_FRAMES, MOST_FRAMES = 2, 720  # 720: steps of 0.5°, finer than a hand can set
QUICKEST_S, SLOWEST_S = 0.5, 60.0
SMALLEST_RULER_MM, LARGEST_RULER_MM = 0.1, 25.4
LARGEST_SIZE = 100_000  # mm or px: past any tabletop and any camera
NO_PAPER = "none"


@dataclass(frozen=True, slots=True)
class PlanInput:
    """What the photographer measured and wants. None: not given."""

    diameter_mm: float | None = None
    radius_mm: float | None = None
    rim_mm: float | None = None  # measured circumference
    frames: int | None = None  # 36 unless max_step_deg says otherwise
    max_step_deg: float | None = None
    pace_s: float = 1.5  # a frame
    ruler_mm: float = 1.0  # its finest division
    subject_mm: tuple[float, float, float] | None = None  # width, depth, height
    focal35_mm: float | None = None  # 35 mm-equivalent
    focal_mm: float | None = None  # true
    sensor_mm: tuple[float, float] | None = None
    f_number: float | None = None
    picture_px: tuple[int, int] | None = None  # width, height
    mains_hz: float = 50.0
    paper: str = "a4"  # or another of drawing.PAPERS, or "none"
    turn: Turn = "clockwise"  # seen from above
    fill: float = 0.85  # share of the picture for the turning subject; common practice
    distance_mm: float | None = None  # lens to axis, when it can't be chosen
    elevation_deg: float = 10.0  # of the camera above the level of the subject's middle
    output_px: int = 1600  # the largest width the site shows
    paper_thickness_mm: float = 0.1  # office paper, 80 g/m²; common practice
    tape_height_mm: float = 15.0


@dataclass(frozen=True, slots=True)
class Plan:
    wanted: PlanInput
    disc: Disc
    marks: Marks
    pace: Pace
    camera: Camera | None
    paper: Paper | None
    notes: tuple[str, ...]  # what to think about before the shoot


def make_plan(wanted: PlanInput) -> Plan:
    """The whole plan. Raises InputError with every fault found, one message each."""
    disc, faults = measured_disc(wanted.diameter_mm, wanted.radius_mm, wanted.rim_mm)
    faults += _number_faults(wanted) + _camera_faults(wanted)
    frames, frame_faults = _frames(wanted)
    faults += frame_faults
    paper = PAPERS.get(wanted.paper.lower())
    if paper is None and wanted.paper.lower() != NO_PAPER:
        faults.append(
            Fault(
                "plan",
                "paper",
                f"“{wanted.paper}” is not a paper size known here",
                f"Use one of {', '.join(PAPERS)}, or none for no printables.",
            )
        )
    if faults or disc is None:
        raise InputError(*faults)
    if paper:
        _check_tiling(disc, paper)
    marks = mark_disc(disc, frames, wanted.ruler_mm)
    if coincide(marks):
        raise InputError.at(
            "plan",
            "frames",
            f"{frames} marks round this disc lie {marks.arc_mm:.2f} mm apart, too close for a ruler "
            f"divided in {ruler_name(wanted.ruler_mm)}",
            "Use fewer frames, a larger disc or a finer ruler.",
        )
    camera = _camera(wanted, marks)
    return Plan(
        wanted,
        disc,
        marks,
        pace_shots(frames, wanted.pace_s),
        camera,
        paper,
        tuple(_notes(wanted, disc, marks)),
    )


def _frames(wanted: PlanInput) -> tuple[int, list[Fault]]:
    """The number of frames, by wish or by the largest step allowed."""
    frames, step = wanted.frames, wanted.max_step_deg
    if step is not None and not 360 / MOST_FRAMES <= step <= 360 / FEWEST_FRAMES:
        return 0, [
            Fault(
                "plan",
                "max-step",
                f"must be {360 / MOST_FRAMES:g} to {360 / FEWEST_FRAMES:g} degrees, not {step:g}",
                "10 degrees make 36 frames.",
            )
        ]
    if frames is None:
        frames = USUAL_FRAMES if step is None else frames_for_step(step)
    if not FEWEST_FRAMES <= frames <= MOST_FRAMES:
        return 0, [
            Fault(
                "plan",
                "frames",
                f"a turn of {frames} frame{'' if frames == 1 else 's'} can't be planned",
                f"{FEWEST_FRAMES} to {MOST_FRAMES} can; {advice.FEW_FRAMES} to {advice.MANY_FRAMES} are usual.",
            )
        ]
    if step is not None and frames < frames_for_step(step):
        return 0, [
            Fault(
                "plan",
                "frames and max-step",
                f"{frames} frames make steps of {360 / frames:.2f}°, larger than {step:g}°",
                f"Use {frames_for_step(step)} frames or more, or give only one of the two.",
            )
        ]
    return frames, []


# place, attribute, what is allowed in words, test
_LIMITS: tuple[tuple[str, str, str, Callable[[float], bool]], ...] = (
    (
        "pace",
        "pace_s",
        f"must be {QUICKEST_S:g} to {SLOWEST_S:g} seconds a frame",
        lambda value: QUICKEST_S <= value <= SLOWEST_S,
    ),
    (
        "ruler",
        "ruler_mm",
        f"must be divided in {SMALLEST_RULER_MM:g} to {LARGEST_RULER_MM:g} mm",
        lambda value: SMALLEST_RULER_MM <= value <= LARGEST_RULER_MM,
    ),
    ("focal35", "focal35_mm", "must be 1 to 5000 mm", lambda value: 1 <= value <= 5000),
    ("focal", "focal_mm", "must be 0.5 to 5000 mm", lambda value: 0.5 <= value <= 5000),
    ("f-number", "f_number", "must be 0.5 to 128", lambda value: 0.5 <= value <= 128),
    ("mains", "mains_hz", "must be 16 to 400 Hz", lambda value: 16 <= value <= 400),
    ("fill", "fill", "must be a share of 0.05 to 1", lambda value: 0.05 <= value <= 1),
    ("distance", "distance_mm", "must be greater than 0 mm", lambda value: 0 < value <= LARGEST_SIZE),
    ("elevation", "elevation_deg", "must be 0 to 60 degrees", lambda value: 0 <= value <= 60),
    ("output", "output_px", "must be 16 to 20000 px", lambda value: 16 <= value <= 20000),
    ("paper-thickness", "paper_thickness_mm", "must be 0 to 2 mm", lambda value: 0 <= value <= 2),
    ("tape-height", "tape_height_mm", "must be 5 to 100 mm", lambda value: 5 <= value <= 100),
)
_HINTS = {
    "pace": "A second or two is usual by hand.",
    "ruler": "Use 1mm, 0.5mm, 1/16in or 1/8in.",
    "mains": "50 in most of the world, 60 in the Americas and parts of Asia.",
    "f-number": "Phones have about 1.8; cameras 2.8 to 22.",
}


def _number_faults(wanted: PlanInput) -> list[Fault]:
    faults = []
    for place, attribute, allowed, is_fine in _LIMITS:
        value = getattr(wanted, attribute)
        if value is not None and not (math.isfinite(value) and is_fine(value)):
            faults.append(Fault("plan", place, f"{allowed}, not {value:g}", _HINTS.get(place, "")))
    for place, sizes, example in (
        ("subject", wanted.subject_mm, "250x130x235mm"),
        ("sensor", wanted.sensor_mm, "36x24mm"),
        ("picture", wanted.picture_px, "4000x3000"),
    ):
        if sizes is not None and not all(0 < size <= LARGEST_SIZE for size in sizes):
            faults.append(
                Fault(
                    "plan",
                    place,
                    f"every size must be greater than 0 and at most {LARGEST_SIZE}, not "
                    + "x".join(f"{size:g}" for size in sizes),
                    f"Write it like {example}.",
                )
            )
    return faults


def _camera_faults(wanted: PlanInput) -> list[Fault]:
    if wanted.focal_mm is not None and wanted.sensor_mm is None and wanted.focal35_mm is None:
        return [
            Fault(
                "plan",
                "focal",
                "a true focal length says nothing without the sensor",
                "Add --sensor 36x24mm (its own size), or --focal35, which a phone's Exif holds too.",
            )
        ]
    if wanted.focal_mm and wanted.sensor_mm and wanted.focal35_mm and min(wanted.focal_mm, *wanted.sensor_mm) > 0:
        from_sensor = wanted.focal_mm * optics.FRAME35_DIAGONAL_MM / math.hypot(*wanted.sensor_mm)
        if abs(from_sensor / wanted.focal35_mm - 1) > 0.1:
            return [
                Fault(
                    "plan",
                    "focal35",
                    f"{wanted.focal_mm:g} mm on this sensor is like {from_sensor:.0f} mm on a "
                    f"35 mm frame, not {wanted.focal35_mm:g} mm",
                    "Give only two of focal, sensor and focal35.",
                )
            ]
    return []


def _check_tiling(disc: Disc, paper: Paper) -> None:
    tiling = tile_disc(disc, paper)
    if tiling.columns * tiling.rows > MOST_SHEETS:
        raise InputError.at(
            "plan",
            "disc",
            f"a disc of {plain(disc.diameter_mm)} mm needs more than {MOST_SHEETS} sheets of {paper.name}",
            f"Up to {plain(largest_disc_mm(paper))} mm fits. Use larger paper (--paper a3), or "
            "--paper none for the numbers without printables.",
        )


def _camera(wanted: PlanInput, marks: Marks) -> Camera | None:
    if wanted.subject_mm is None or (wanted.focal_mm is None and wanted.focal35_mm is None):
        return None
    lens = optics.lens_of(wanted.focal_mm, wanted.focal35_mm, wanted.sensor_mm, wanted.picture_px)
    try:
        return place_camera(
            lens,
            optics.Subject(*wanted.subject_mm),
            step_deg=marks.step_deg,
            share=wanted.fill,
            distance_mm=wanted.distance_mm,
            elevation_deg=wanted.elevation_deg,
            f_number=wanted.f_number,
            picture_px=wanted.picture_px,
            output_px=wanted.output_px,
        )
    except ValueError as error:
        raise InputError.at("plan", "distance", str(error), "Step back.") from error


def _notes(wanted: PlanInput, disc: Disc, marks: Marks) -> list[str]:
    notes = [advice.frames_advice(marks.frames)]
    if wanted.subject_mm:
        swing = optics.Subject(*wanted.subject_mm).swing_mm
        if swing > disc.diameter_mm:
            notes.append(
                f"The subject swings {shown(swing, wanted.ruler_mm)} across, more than the disc: see that it "
                "can't tip, and that marks stay in sight."
            )
    if wanted.focal_mm is None and wanted.focal35_mm is None:
        if wanted.subject_mm or wanted.f_number or wanted.picture_px or wanted.sensor_mm:
            notes.append("Add --focal35, or --focal with --sensor, to plan the camera.")
    elif wanted.subject_mm is None:
        notes.append("Add --subject WIDTHxDEPTHxHEIGHT to plan the camera.")
    elif wanted.focal_mm is None and wanted.sensor_mm is None:
        notes.append(
            "Depth of field is worked out for a 35 mm frame. A smaller sensor sees deeper: add --sensor, or "
            "--focal with the true focal length (a phone's Exif holds both)."
        )
    if marks.worst_error_deg > 0.5:
        notes.append(
            f"Marks off by up to {marks.worst_error_deg:.2f}° show as a stutter: use a finer ruler, the "
            "printed ring, or a larger disc."
        )
    return notes
