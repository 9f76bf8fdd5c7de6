"""The disc and its marks. Plane geometry of a circle, no more; lengths in mm, angles in degrees."""

from __future__ import annotations

import math
from dataclasses import dataclass

from builder.errors import Fault

MISREAD = 0.01  # two measures of one disc that differ by more than 1 %: one was misread


@dataclass(frozen=True, slots=True)
class Disc:
    diameter_mm: float

    @property
    def radius_mm(self) -> float:
        return self.diameter_mm / 2

    @property
    def rim_mm(self) -> float:
        """Circumference, πD."""
        return math.pi * self.diameter_mm


@dataclass(frozen=True, slots=True)
class Stepping:
    """What it costs to step one rounded spacing round the rim instead of measuring each mark from zero."""

    spacing_mm: float  # as rounded to the ruler
    last_gap_mm: float  # what is left between the last mark and the zero mark; may be below 0
    last_gap_ratio: float  # against the even spacing


@dataclass(frozen=True, slots=True)
class Marks:
    """Marks for one turn. `at_mm` are cumulative distances along the rim, from the zero mark."""

    frames: int
    ruler_mm: float
    step_deg: float
    arc_mm: float  # between neighbours, along the rim (tape measure)
    chord_mm: float  # between neighbours, straight across (ruler, callipers)
    at_mm: tuple[float, ...]
    worst_error_mm: float  # of a mark, from where it should be
    worst_error_deg: float
    worst_step_deg: float  # of a step between neighbours, from the even step
    stepping: Stepping


def measured_disc(
    diameter_mm: float | None, radius_mm: float | None, rim_mm: float | None
) -> tuple[Disc | None, list[Fault]]:
    """The disc from any of three measures. A measured rim wins: it is the length that gets divided.

    Two measures that differ by more than 1 % are a fault, as is no measure at all.
    """
    given = {
        name: value
        for name, value in (("rim", rim_mm), ("disc", diameter_mm), ("radius", radius_mm))
        if value is not None
    }
    if not given:
        return None, [
            Fault(
                "plan",
                "disc",
                "no size given",
                "Measure across the disc or round its rim: --disc 330mm, --radius 165mm or --rim 1037mm.",
            )
        ]
    faults = [
        Fault("plan", name, f"must be greater than 0, not {value:g} mm", "Measure the disc again.")
        for name, value in given.items()
        if not (math.isfinite(value) and value > 0)
    ]
    if faults:
        return None, faults
    diameters = {name: value * {"rim": 1 / math.pi, "disc": 1.0, "radius": 2.0}[name] for name, value in given.items()}
    first, *others = diameters
    for other in others:
        apart = abs(diameters[other] / diameters[first] - 1)
        if apart > MISREAD:
            faults.append(
                Fault(
                    "plan",
                    f"{other} and {first}",
                    f"{other} {given[other]:g} mm makes the rim {diameters[other] * math.pi:.1f} mm, but "
                    f"{first} "
                    f"{given[first]:g} mm makes it {diameters[first] * math.pi:.1f} mm: {apart:.1%} apart",
                    "One was misread. Measure again, or give only the one you trust.",
                )
            )
    return (None, faults) if faults else (Disc(diameters[first]), [])


def mark_disc(disc: Disc, frames: int, ruler_mm: float) -> Marks:
    """Each mark k lies k·πD/N from the zero mark, rounded to the ruler on its own, so nothing piles up.

    Raises no error; see `coincide` for marks too close for the ruler.
    """
    rim, arc = disc.rim_mm, disc.rim_mm / frames
    exact = [k * arc for k in range(frames)]
    at = tuple(to_ruler(position, ruler_mm) for position in exact)
    errors = [placed - wanted for placed, wanted in zip(at, exact)]
    steps = [b - a for a, b in zip(errors, [*errors[1:], 0.0])]
    worst = max(map(abs, errors))
    spacing = to_ruler(arc, ruler_mm)
    last_gap = rim - (frames - 1) * spacing
    return Marks(
        frames=frames,
        ruler_mm=ruler_mm,
        step_deg=360 / frames,
        arc_mm=arc,
        chord_mm=disc.diameter_mm * math.sin(math.pi / frames),
        at_mm=at,
        worst_error_mm=worst,
        worst_error_deg=worst / rim * 360,
        worst_step_deg=max(map(abs, steps)) / rim * 360,
        stepping=Stepping(spacing, last_gap, last_gap / arc),
    )


def to_ruler(length_mm: float, ruler_mm: float) -> float:
    """To the nearest division, halves up; trimmed of binary dust so that 28.8 is written as 28.8."""
    return round(math.floor(length_mm / ruler_mm + 0.5) * ruler_mm, 6)


def coincide(marks: Marks) -> bool:
    """True when the ruler is too coarse to tell two marks apart."""
    return len(set(marks.at_mm)) < marks.frames


def frames_for_step(max_step_deg: float) -> int:
    """The fewest frames whose even step is no larger than max_step_deg."""
    return math.ceil(360 / max_step_deg - 1e-9)
