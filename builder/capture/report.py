"""A plan as data, and as words for the terminal and the shoot sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from builder.capture import advice
from builder.capture.camera import Camera
from builder.capture.lengths import clock, on_ruler, plain, ruler_name, ruler_unit, shown
from builder.capture.plan import Plan


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with label–value rows and, below them, sentences."""

    title: str
    rows: tuple[tuple[str, str], ...] = ()
    sentences: tuple[str, ...] = ()


def plan_sections(plan: Plan) -> list[Section]:
    """Everything a plan says but the table of marks, the checklist and the cautions."""
    sections = [_disc_section(plan), _pace_section(plan)]
    if plan.camera:
        sections.append(_camera_section(plan, plan.camera))
    sections.append(Section("Before you start", (), plan.notes))
    return sections


def _disc_section(plan: Plan) -> Section:
    marks, ruler = plan.marks, plan.wanted.ruler_mm
    stepping = marks.stepping
    if stepping.last_gap_mm > 0:
        cost = (
            f"Measure each mark from the zero mark. Stepping {on_ruler(stepping.spacing_mm, ruler)} "
            f"{ruler_unit(ruler)} round the rim instead would leave a last gap of "
            f"{shown(stepping.last_gap_mm, ruler, 2)}, {stepping.last_gap_ratio:.2f} times the others."
        )
    else:
        cost = (
            f"Measure each mark from the zero mark. Stepping {on_ruler(stepping.spacing_mm, ruler)} "
            f"{ruler_unit(ruler)} round the rim instead would run past the zero mark by "
            f"{shown(-stepping.last_gap_mm, ruler, 2)}."
        )
    return Section(
        "Disc and marks",
        (
            (
                "Disc",
                f"{shown(plan.disc.diameter_mm, ruler)} across, {shown(plan.disc.rim_mm, ruler)} round the rim",
            ),
            ("Step", f"{plain(marks.step_deg, 3)}°, {marks.frames} frames"),
            (
                "Between marks",
                f"{shown(marks.arc_mm, ruler, 2)} along the rim, {shown(marks.chord_mm, ruler, 2)} straight",
            ),
            (
                "Worst mark",
                f"{plain(marks.worst_error_mm, 2)} mm ({plain(marks.worst_error_deg, 2)}°) off, "
                f"by a ruler in {ruler_name(ruler)}",
            ),
            ("Worst step", f"{plain(marks.worst_step_deg, 2)}° off"),
        ),
        (cost,),
    )


def _pace_section(plan: Plan) -> Section:
    pace = plan.pace
    quarters = ", ".join(f"frame {index + 1} at {clock(time)}" for index, time in pace.quarters)
    return Section(
        "Pace",
        (
            ("A frame", f"{plain(pace.seconds, 2)} s"),
            ("The turn", f"{clock(pace.total_s)} ({plain(pace.total_s)} s)"),
            ("Quarters", quarters),
        ),
    )


def _camera_section(plan: Plan, camera: Camera) -> Section:
    def far(length_mm: float) -> str:
        return shown(length_mm, plan.wanted.ruler_mm, 0) if math.isfinite(length_mm) else "infinity"

    stop = f"f/{plain(camera.f_number)}"
    rows = [
        (
            "Distance",
            f"{far(camera.distance_mm)} from lens to axis: the turning subject fills {camera.filled:.0%} "
            "of the picture at its largest",
        ),
        (
            "Angle of view",
            f"{plain(camera.horizontal_fov_deg)}° wide, {plain(camera.vertical_fov_deg)}° high",
        ),
        ("Must be sharp", f"{far(camera.nearest_mm)} to {far(camera.farthest_mm)}, the swing"),
        ("Is sharp", f"{far(camera.near_mm)} to {far(camera.far_mm)} at {stop}, focused on the axis"),
    ]
    if camera.f_number_needed:
        best = (
            f"; f/{plain(camera.f_number_best_focus)} when focused at {far(camera.best_focus_mm)}"
            if camera.f_number_best_focus and camera.f_number_best_focus < camera.f_number_needed
            else ""
        )
        rows.append(("f-number", f"f/{plain(camera.f_number_needed)} needed{best}"))
    if camera.px_per_mm:
        rows += [
            ("Scale", f"{plain(camera.px_per_mm, 2)} px a mm at the axis"),
            (
                "Near edge",
                f"moves {plain(camera.edge_px_per_step, 0)} px a step, {camera.edge_step_share:.1%} of the "
                "picture’s width",
            ),
            (
                "Finished frame",
                f"about {camera.finished_px} px; the largest output is {plan.wanted.output_px} px, so "
                f"zoom is sharp up to {camera.finished_px / plan.wanted.output_px:.1f} times",
            ),
        ]
    return Section("Camera", tuple(rows), camera.notes)


def marks_table(plan: Plan) -> list[tuple[str, str, str]]:
    """(frame number, angle, distance from the zero mark) a mark, as written on the sheet."""
    marks = plan.marks
    return [
        (str(index + 1), f"{plain(index * marks.step_deg, 2)}°", on_ruler(at, marks.ruler_mm))
        for index, at in enumerate(marks.at_mm)
    ]


def plan_lines(plan: Plan, files: Sequence[Path] = ()) -> list[str]:
    """The plan for a terminal, at most 78 columns."""
    lines: list[str] = []
    for section in plan_sections(plan):
        lines += [section.title]
        for label, value in section.rows:
            lines += _wrapped(value, f"  {label:<16}", 18)
        for sentence in section.sentences:
            lines += _wrapped(sentence, "  ", 2)
        lines.append("")
        if section.title == "Disc and marks":
            lines += [
                f"Marks from the zero mark, in {ruler_unit(plan.marks.ruler_mm)}",
                *_mark_columns(plan),
                "",
            ]
    lines.append("Light and exposure")
    for sentence in advice.light_advice(plan.wanted.mains_hz):
        lines += _wrapped(sentence, "  - ", 4)
    lines += ["", "Backdrop"]
    for sentence in advice.BACKDROP_ADVICE:
        lines += _wrapped(sentence, "  - ", 4)
    lines += ["", "Mind"]
    for sentence in advice.CAUTIONS:
        lines += _wrapped(sentence, "  - ", 4)
    if files:
        lines += ["", "Written", *(f"  {path}" for path in files)]
    return lines


def _wrapped(text: str, first: str, indent: int, width: int = 78) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=" " * indent, break_on_hyphens=False)


def _mark_columns(plan: Plan) -> list[str]:
    """Read down, then right."""
    cells = [f"{number:>4}  {at:<9}" for number, _, at in marks_table(plan)]
    columns = 5
    rows = -(-len(cells) // columns)
    return ["".join(cells[row::rows]).rstrip() for row in range(rows)]


def plan_json(plan: Plan, files: list[Path] | tuple[Path, ...] = ()) -> dict:
    """The plan as the documented JSON, version 1. Lengths in mm; an infinite far limit is null."""
    marks = plan.marks
    return {
        "version": 1,
        "disc": {
            "diameter_mm": _rounded(plan.disc.diameter_mm),
            "circumference_mm": _rounded(plan.disc.rim_mm),
        },
        "frames": marks.frames,
        "step_deg": _rounded(marks.step_deg),
        "arc_mm": _rounded(marks.arc_mm),
        "chord_mm": _rounded(marks.chord_mm),
        "marks_mm": list(marks.at_mm),
        "worst_error_mm": _rounded(marks.worst_error_mm),
        "worst_error_deg": _rounded(marks.worst_error_deg),
        "ruler_mm": marks.ruler_mm,
        "stepping": {
            "spacing_mm": marks.stepping.spacing_mm,
            "last_gap_mm": _rounded(marks.stepping.last_gap_mm),
            "last_gap_ratio": _rounded(marks.stepping.last_gap_ratio),
        },
        "pace_s": plan.pace.seconds,
        "total_s": _rounded(plan.pace.total_s),
        "quarters": [{"frame": index + 1, "time_s": _rounded(time)} for index, time in plan.pace.quarters],
        "camera": _camera_json(plan.camera) if plan.camera else None,
        "notes": list(plan.notes),
        "files": [path.as_posix() for path in files],
    }


def _camera_json(camera: Camera) -> dict:
    return {
        "distance_mm": _rounded(camera.distance_mm),
        "horizontal_fov_deg": _rounded(camera.horizontal_fov_deg),
        "near_mm": _rounded(camera.near_mm),
        "far_mm": _rounded(camera.far_mm),
        "f_number": camera.f_number,
        "px_per_mm": _rounded(camera.px_per_mm),
        "edge_px_per_step": _rounded(camera.edge_px_per_step),
        "filled": _rounded(camera.filled),
        "f_number_needed": camera.f_number_needed,
        "subject_near_mm": _rounded(camera.nearest_mm),
        "subject_far_mm": _rounded(camera.farthest_mm),
        "finished_px": camera.finished_px,
        "notes": list(camera.notes),
    }


def _rounded(value: float | None) -> float | None:
    """Six decimals; None for what is unknown or infinite, which JSON has no number for."""
    return None if value is None or not math.isfinite(value) else round(value, 6)
