"""Plots over the turn for the check report: geometry and words; the template draws them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from builder.spin import FrameMeasure, SpinMeasures

WIDTH, HEIGHT = 720, 200  # px of the drawing
LEFT, RIGHT, TOP, BOTTOM = 56, 144, 12, 34  # room for the axes, and on the right for what the levels are
PLOT_BOX = {"width": WIDTH, "height": HEIGHT, "left": LEFT, "right": WIDTH - RIGHT, "bottom": HEIGHT - BOTTOM}
LABEL_HEIGHT = 13  # px between two labels of levels


@dataclass(frozen=True, slots=True)
class Dot:
    """A frame's value in the drawing. marked: a finding of the plot's kinds names this frame."""

    x: float
    y: float
    label: str
    marked: bool


@dataclass(frozen=True, slots=True)
class Tick:
    at: float
    label: str


@dataclass(frozen=True, slots=True)
class Line:
    """A level across the plot: what is usual, or a limit. label_y: row of its label, clear of the others'."""

    y: float
    label: str
    limit: bool
    label_y: float


@dataclass(frozen=True, slots=True)
class Plot:
    """One plot. paths: SVG path data, one for each series; text: the same in words."""

    key: str
    title: str
    unit: str
    paths: tuple[str, ...]
    dots: tuple[Dot, ...]
    lines: tuple[Line, ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    text: str


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What to plot: values by frame, the levels to draw, and which kinds of finding mark a frame."""

    key: str
    title: str
    unit: str
    value: Callable[[FrameMeasure], float | None]
    kinds: tuple[str, ...]
    levels: tuple[tuple[float, str, bool], ...]
    least_span: float  # so that noise isn't blown up to fill the plot


def plots_of(spin: SpinMeasures) -> tuple[Plot, ...]:
    """The plots of one spin; what wasn't measured is left out."""
    wanted = [_steps(spin), _exposure(), _blur(), _shift(), _roll()]
    plots = [_plot(one, spin) for one in wanted if one is not None]
    return tuple(plot for plot in plots if plot is not None)


def _steps(spin: SpinMeasures) -> _Wanted | None:
    from builder.measured.steps import REPEAT_STEPS, SKIP_STEPS

    if spin.angle_sigma_deg is None:
        return None
    steps = sorted(frame.step_deg for frame in spin.frames if frame.step_deg is not None)
    if not steps:
        return None
    usual = steps[len(steps) // 2]
    levels = (
        (usual, f"usual {usual:.1f}°", False),
        (REPEAT_STEPS * usual, f"repeat below {REPEAT_STEPS * usual:.1f}°", True),
        (SKIP_STEPS * usual, f"skip above {SKIP_STEPS * usual:.1f}°", True),
    )
    kinds = ("duplicate", "skipped-step", "open-loop", "uneven-steps")
    return _Wanted("step", "Step from the frame before", "°", lambda f: f.step_deg, kinds, levels, 2 * usual)


def _exposure() -> _Wanted:
    from builder.measured.noticed import SEEN_EV

    levels = ((0.0, "median", False), (SEEN_EV, f"seen from ±{SEEN_EV} EV", True), (-SEEN_EV, "", True))
    return _Wanted("exposure", "Exposure", " EV", lambda f: f.exposure_ev, ("flicker",), levels, 0.2)


def _blur() -> _Wanted:
    from builder.measured.sharpness import SEEN_PX

    levels = ((SEEN_PX, f"seen from {SEEN_PX} px", True),)
    title = "Blur beyond the frames beside it, in pixels of the widest output"
    return _Wanted("sharpness", title, " px", lambda f: f.blur_px, ("blurred",), levels, 2.0)


def _shift() -> _Wanted:
    def distance(frame: FrameMeasure) -> float:
        return math.hypot(*frame.shift_px)

    levels = ((0.0, "reference", False), (1.0, "seen from 1 px", True))
    return _Wanted("shift", "Movement of the picture's centre", " px", distance, ("bumped",), levels, 3.0)


def _roll() -> _Wanted:
    return _Wanted(
        "roll", "Roll of the picture", "°", lambda f: f.roll_deg, ("bumped",), ((0.0, "reference", False),), 0.2
    )


def _plot(wanted: _Wanted, spin: SpinMeasures) -> Plot | None:
    values = [wanted.value(frame) for frame in spin.frames]
    known = [value for value in values if value is not None and math.isfinite(value)]
    if not known:
        return None
    low, high = _span([*known, *(level for level, _, _ in wanted.levels)], wanted.least_span)
    x_at, y_at = _scales(len(values), low, high)
    marked = {i for finding in spin.findings if finding.kind in wanted.kinds for i in finding.frames}
    dots = tuple(
        Dot(x_at(i), y_at(value), f"frame {i + 1}: {_number(value, high - low)}{wanted.unit}", i in marked)
        for i, value in enumerate(values)
        if value is not None and math.isfinite(value)
    )
    path = "M" + "L".join(f"{dot.x:.1f},{dot.y:.1f}" for dot in dots)
    lines = _lines(wanted.levels, y_at)
    stride = _round_step(len(values) / 12, whole=True)
    first = [1, *range(int(stride), len(values) + 1, int(stride))]
    x_ticks = tuple(Tick(x_at(n - 1), str(n)) for n in dict.fromkeys(first))
    y_step = _round_step((high - low) / 4)
    rungs = range(math.ceil(low / y_step - 1e-9), math.floor(high / y_step + 1e-9) + 1)
    y_ticks = tuple(Tick(y_at(k * y_step), _number(k * y_step, high - low)) for k in rungs)
    return Plot(
        wanted.key, wanted.title, wanted.unit.strip(), (path,), dots, lines, x_ticks, y_ticks,
        _words(wanted, values, marked, high - low),
    )  # fmt: skip


def _span(values: Sequence[float], least: float) -> tuple[float, float]:
    low, high = min(values), max(values)
    short = max(0.0, least - (high - low)) / 2
    low, high = (low, high + 2 * short) if low >= 0 else (low - short, high + short)
    room = 0.06 * (high - low)
    return (low if low == 0 else low - room), high + room


def _lines(levels: Sequence[tuple[float, str, bool]], y_at: Callable[[float], float]) -> tuple[Line, ...]:
    """Levels with their labels, from the top down; a label that would run into the one above moves down."""
    lines: list[Line] = []
    lowest = -math.inf
    for level, label, limit in sorted(levels, key=lambda one: -one[0]):
        label_y = max(y_at(level) + 4, lowest + LABEL_HEIGHT)
        lowest = label_y if label else lowest
        lines.append(Line(y_at(level), label, limit, round(label_y, 2)))
    return tuple(lines)


def _scales(count: int, low: float, high: float) -> tuple[Callable[[int], float], Callable[[float], float]]:
    across = (WIDTH - LEFT - RIGHT) / max(1, count - 1)
    down = (HEIGHT - TOP - BOTTOM) / (high - low)
    return lambda i: round(LEFT + i * across, 2), lambda value: round(HEIGHT - BOTTOM - (value - low) * down, 2)


def _round_step(rough: float, *, whole: bool = False) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    if whole:
        rough = max(1.0, rough)
    power = 10.0 ** math.floor(math.log10(rough))
    return next(factor * power for factor in (1, 2, 5, 10) if factor * power >= rough * (1 - 1e-9))


def _number(value: float, span: float) -> str:
    places = max(0, 2 - math.floor(math.log10(span)))
    return f"{value + 0.0:.{min(places, 3)}f}".replace("-", "−")


def _words(wanted: _Wanted, values: Sequence[float | None], marked: set[int], span: float) -> str:
    """The plot in words: range, where, and what is marked."""
    known = [(value, index) for index, value in enumerate(values) if value is not None and math.isfinite(value)]
    least, most = min(known), max(known)

    def told(pair: tuple[float, int]) -> str:
        return f"{_number(pair[0], span)}{wanted.unit} (frame {pair[1] + 1})"

    text = f"From {told(least)} to {told(most)}."
    limits = [label for _, label, limit in wanted.levels if limit and label]
    if limits:
        text += f" Limits: {'; '.join(limits)}."
    if marked:
        text += f" Marked: frame {', '.join(str(i + 1) for i in sorted(marked))}."
    return text
