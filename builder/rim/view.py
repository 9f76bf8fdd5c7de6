"""Finds the coded rim tape in pictures of one spin, with nothing known beforehand. Needs numpy and scipy.

Three steps: rows of pixels that cross the tape's front are read like a bar code, edge by edge; the longest
stretch that fits the code gives a first view of the rim; the view is then fitted to the edges seen in all
pictures at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from builder.rim.code import CELL_DEG, CELLS, half_cells, rim_bits
from builder.rim.reader import (
    FINE,
    SIDE_DEG,
    RimView,
    evened,
    match_profile,
    rim_profile,
    sampled_angles,
)

FEWEST_BITS = 9  # in a row, to start from: a quarter of random stretches fit that well; the reading then decides
ROWS = 100  # read at once
STARTS_A_PICTURE, STARTS = 3, 12  # stretches tried
SIDES_DEG = (26.0, 34.0, 44.0, 55.0, SIDE_DEG)  # the view is fitted to ever more of the rim
USUAL_NEAR = (0.25, 0.08)  # radius·cos(elevation)/distance for a camera 1.5 to 3 discs away, and its spread
EDGE_NOISE = 3.0  # an edge stands out from its row by this many robust standard deviations of the slope…
EDGE_SPAN = 0.15  # …and by this share of the strongest edges nearby


@dataclass(frozen=True, slots=True)
class Stretch:
    """Edges of one row that spell a part of the code."""

    row: float
    x: np.ndarray  # px
    theta_deg: np.ndarray  # the tape's angle at each edge, growing rightwards, not wrapped
    bits: int


def find_rim(pictures: Sequence[np.ndarray], axis_x: float | None = None) -> RimView | None:
    """The view of the tape that most of the pictures share, or None when no picture holds a readable tape.

    pictures: (h, w) or (h, w, 3), one size, any range; a few well apart in angle do. axis_x: the axis'
    column, px, if it is known. A view is only returned when at least one picture reads through it.
    """
    greys = [picture if picture.ndim == 2 else picture.astype(float).mean(2) for picture in pictures]
    starts = []
    for grey in greys:
        stretches = sorted(read_rows(grey), key=lambda stretch: -stretch.bits)
        starts += [(stretch, grey) for stretch in stretches[:STARTS_A_PICTURE]]
    for stretch, grey in sorted(starts, key=lambda start: -start[0].bits)[:STARTS]:
        view = _grown(stretch, grey, axis_x)
        if view is not None:
            return _shared(view, greys, axis_x)
    return None


# ---- rows as bar codes ----


def read_rows(grey: np.ndarray) -> list[Stretch]:
    """Every row's longest stretch that fits the code, FEWEST_BITS or more; a row is the mean of three."""
    tops = range(0, grey.shape[0] - 2, 2 * ROWS)
    return [found for top in tops for found in _read_rows(grey[top : top + 2 * ROWS + 1], top)]


def _read_rows(grey: np.ndarray, top: int) -> list[Stretch]:
    """`read_rows` of a band that begins at row `top`."""
    from scipy.ndimage import gaussian_filter1d, maximum_filter1d

    grey = grey.astype(float)
    last = grey.shape[0] - 1
    slopes = gaussian_filter1d((grey[0 : last - 1 : 2] + grey[1:last:2] + grey[2 : last + 1 : 2]) / 3, 1.2, order=1)
    sizes = np.abs(slopes)
    noise = 1.4826 * np.median(sizes, axis=1, keepdims=True)
    limit = np.maximum(EDGE_NOISE * noise, EDGE_SPAN * maximum_filter1d(sizes, 101))
    middle = sizes[:, 1:-1]
    peaks = (middle >= sizes[:, :-2]) & (middle > sizes[:, 2:]) & (middle > limit[:, 1:-1])
    found = []
    for index in np.flatnonzero(np.count_nonzero(peaks, axis=1) >= FEWEST_BITS):
        edges, signs = _edges(slopes[index], np.flatnonzero(peaks[index]) + 1)
        best = _best_stretch(edges, signs)
        if best is not None:
            x, theta, bits = best
            found.append(Stretch(float(top + 1 + 2 * index), x, theta, bits))
    return found


def _edges(slope: np.ndarray, peaks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places (finer than a pixel) and signs of a row's edges, neighbours of one sign merged into the
    stronger.
    """
    size = np.abs(slope)
    kept: list[int] = []
    last = 0.0
    for peak, height in zip(peaks.tolist(), slope[peaks].tolist()):
        if kept and last * height > 0:
            if abs(height) > abs(last):
                kept[-1], last = peak, height
        else:
            kept.append(peak)
            last = height
    middle = np.array(kept, int)
    if not len(middle):
        return np.empty(0), np.empty(0)
    a, b, c = size[middle - 1], size[middle], size[middle + 1]
    bend = a - 2 * b + c
    offset = np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1), 0)
    return middle + offset, np.sign(slope[middle])


def _best_stretch(edges: np.ndarray, signs: np.ndarray) -> tuple[np.ndarray, np.ndarray, int] | None:
    """Cuts the edges into stretches whose gaps are one or two half cells, and fits each to the code."""
    if len(edges) < FEWEST_BITS:
        return None
    gaps = np.diff(edges).tolist()
    best = None
    start = 0
    while start + FEWEST_BITS <= len(gaps):
        longest = start
        for first in (1, 2):
            units = _units(gaps[start:], first)
            longest = max(longest, start + len(units))
            fitted = _fit_code(units, signs[start])
            if fitted and (best is None or fitted[2] > best[2]):
                skip, theta, bits = fitted
                count = len(theta)
                best = (edges[start + skip : start + skip + count], theta, bits)
        start = max(start + 1, longest - 1) if longest - start > FEWEST_BITS else start + 1
    return best


def _units(gaps: Sequence[float], first: int) -> list[int]:
    """Each gap as one or two half cells, the half cell's width followed as it slowly changes; up to the first
    gap that is neither."""
    half = gaps[0] / first
    units = []
    for gap in gaps:
        ratio = gap / half
        if not 0.6 < ratio < 2.6:
            break
        unit = 1 if ratio < 1.45 else 2
        units.append(unit)
        half = 0.7 * half + 0.3 * gap / unit
    return units


def _fit_code(units: list[int], first_sign: float) -> tuple[int, np.ndarray, int] | None:
    """(edges skipped, tape angle of each edge from there on, bits) for a run of gaps; None if it isn't the
    code.

    first_sign: +1 when the first edge goes from black to white, so that what follows is white.
    """
    if sum(units) < 2 * FEWEST_BITS:
        return None
    halves: list[int] = []
    colour = int(first_sign)
    for unit in units:
        halves += [colour] * unit
        colour = -colour
    line = np.array(halves)
    for phase in (0, 1):
        pairs = line[phase : phase + 2 * ((len(line) - phase) // 2)].reshape(-1, 2)
        valid = pairs[:, 0] != pairs[:, 1]
        count = len(valid) if valid.all() else int(np.argmin(valid))
        if count < FEWEST_BITS:
            continue
        bits = bytes(int(pair[0] < 0) for pair in pairs[:count])
        place = _ring().find(bits[:CELLS])
        if place < 0 or place >= CELLS:
            continue
        starts = np.concatenate([[0], np.cumsum(units)])  # of each edge, in half cells from the first
        inside = (starts >= phase) & (starts <= phase + 2 * count)
        theta = (2 * place + starts[inside] - phase) * CELL_DEG / 2
        return int(np.argmax(inside)), theta, count
    return None


@cache
def _ring() -> bytes:
    return bytes(rim_bits() * 2)


# ---- from a stretch to a view ----


def _grown(stretch: Stretch, grey: np.ndarray, axis_x: float | None) -> RimView | None:
    """A view that reads the stretch's own picture, fitted to more and more of the rim; None if it doesn't
    read.
    """
    first = _first_view(stretch, grey.shape[1], axis_x)
    if first is None:
        return None
    view, psi = first
    around = stretch.row
    for side in SIDES_DEG:
        levelled = _levelled(view, psi, grey, around, side)
        if levelled is None:
            return None
        view, (psi,) = _fit_edges(levelled, [(grey, psi)], axis_x, side)
        around = view.level + view.drop / (1 - view.near)
    return view if match_profile(rim_profile(grey, view)) else None


def _shared(view: RimView, greys: Sequence[np.ndarray], axis_x: float | None) -> RimView:
    """The view fitted to all the pictures that read through it."""
    for _ in range(2):
        read = [(grey, reading) for grey in greys if (reading := match_profile(rim_profile(grey, view)))]
        fitted, _ = _fit_edges(view, [(grey, reading.angle_deg) for grey, reading in read], axis_x, SIDE_DEG)
        grey, reading = max(read, key=lambda pair: pair[1].cells_right)
        levelled = _levelled(fitted, reading.angle_deg, grey, fitted.level + fitted.drop / (1 - fitted.near), SIDE_DEG)
        better = levelled or fitted
        if sum(match_profile(rim_profile(grey, better)) is not None for grey in greys) < len(read):
            break
        view = better
    return view


def _first_view(stretch: Stretch, width: int, axis_x: float | None) -> tuple[RimView, float] | None:
    """A flat view and the tape's angle at the front, from one row's edges: their slope fixes the reach, the
    rest leans on what is usual."""
    from scipy.optimize import least_squares

    x, theta = stretch.x, stretch.theta_deg
    slope = np.polyfit(theta, x, 1)[0] * 180 / np.pi  # px a radian
    axis, spread = (axis_x, 0.01 * width) if axis_x is not None else ((width - 1) / 2, 0.04 * width)
    front = np.interp(axis, x, theta) if x[0] < axis < x[-1] else np.polyval(np.polyfit(x, theta, 1), axis)

    def misfit(p):
        phi = np.radians(theta - p[3])
        model = p[2] * width + p[0] * slope * np.sin(phi) / (1 - p[1] * np.cos(phi))
        return np.concatenate([model - x, [(p[1] - USUAL_NEAR[0]) / USUAL_NEAR[1], (p[2] * width - axis) / spread]])

    reach, near, centre, psi = least_squares(
        misfit, [1 - USUAL_NEAR[0], USUAL_NEAR[0], axis / width, front], loss="soft_l1"
    ).x
    if not (0 <= near < 0.8 and reach * slope > 20):
        return None
    return RimView(float(centre * width), stretch.row, float(reach * slope), float(near), 0.0, 8.0), float(psi)


def _levelled(view: RimView, psi: float, grey: np.ndarray, around: float, side: float) -> RimView | None:
    """Adds where the tape lies up and down: for each part of the rim, the rows in which it shows its code."""
    from scipy.ndimage import uniform_filter1d

    phi = sampled_angles()
    x = view.at(phi)[0]
    inside = (x >= 0) & (x <= grey.shape[1] - 1) & (np.abs(phi) <= side)
    phi, x = phi[inside], x[inside]
    halves = np.array(half_cells())[np.floor((phi + psi) / (CELL_DEG / 2)).astype(int) % (2 * CELLS)]
    reach = view.reach / (1 - view.near)
    top, bottom = max(0, int(around - reach * 0.5)), min(grey.shape[0], int(around + reach * 0.5))
    columns = grey[top:bottom, np.clip(np.round(x).astype(int), 0, grey.shape[1] - 1)].astype(float)
    even = columns - uniform_filter1d(columns, 33, axis=1, mode="nearest")
    agree = even * halves
    part = 4 * FINE
    middles, rows, widths = [], [], []
    for first in range(0, len(phi) - part + 1, part // 2):
        profile = agree[:, first : first + part].mean(1)
        noise = 1.4826 * np.median(np.abs(profile - np.median(profile))) + 1e-12
        peak = int(np.argmax(profile))
        over = profile > profile[peak] / 2
        if profile[peak] < 6 * noise:
            continue
        start, end = peak, peak
        while start > 0 and over[start - 1]:
            start -= 1
        while end < len(over) - 1 and over[end + 1]:
            end += 1
        middles.append(phi[first : first + part].mean())
        rows.append(top + (start + end) / 2)
        widths.append(end - start + 1)
    if len(middles) < 3:
        return None
    return _curve_through(view, np.array(middles), np.array(rows), np.array(widths))


def _curve_through(view: RimView, phi: np.ndarray, rows: np.ndarray, widths: np.ndarray) -> RimView | None:
    """level, drop and lean by robust least squares."""
    from scipy.optimize import least_squares

    radians = np.radians(phi)
    shrink = 1 / (1 - view.near * np.cos(radians))
    x = view.at(phi)[0] - view.axis_x
    bow = np.cos(radians) * shrink
    band = float(np.median(widths / view.scale(phi)))

    def misfit(p):
        return np.concatenate([(p[0] + p[1] * bow + p[2] * x - rows) / max(1.0, 0.1 * band), [p[2] / 0.05]])

    start = [np.median(rows) - 0.2 * view.reach, 0.2 * view.reach, 0.0]
    level, drop, lean = least_squares(misfit, start, loss="soft_l1").x
    if drop < 0 or band < 2:
        return None
    return replace(view, level=float(level), drop=float(drop), lean=float(lean), band=band)


def _fit_edges(
    view: RimView, read: Sequence[tuple[np.ndarray, float]], axis_x: float | None, side: float
) -> tuple[RimView, list[float]]:
    """reach, near and axis, and one angle a picture, from where the code's edges are seen. read: (picture,
    angle).
    """
    from scipy.optimize import least_squares

    theta, x = [], []
    for grey, angle in read:
        edges, phi = _seen_edges(rim_profile(grey, view), angle, side)
        theta.append(edges)
        x.append(view.at(phi)[0])
    axis, spread = (axis_x, 2.0) if axis_x is not None else (view.axis_x, 0.02 * view.reach)

    def misfit(p):
        parts = []
        for edges, places, angle in zip(theta, x, p[3:]):
            phi = np.radians(edges - angle)
            parts.append(p[2] + p[0] * view.reach * np.sin(phi) / (1 - p[1] * np.cos(phi)) - places)
        return np.concatenate([*parts, [(p[1] - USUAL_NEAR[0]) / USUAL_NEAR[1], (p[2] - axis) / spread]])

    start = [1.0, view.near, view.axis_x, *(angle for _, angle in read)]
    fitted = least_squares(misfit, start, loss="soft_l1", x_scale=[0.01, 0.01, 1.0, *[0.1] * len(read)]).x
    near = float(np.clip(fitted[1], 0, 0.8))
    return (
        replace(view, reach=float(fitted[0] * view.reach), near=near, axis_x=float(fitted[2])),
        [float(angle) for angle in fitted[3:]],
    )


def _seen_edges(profile: np.ndarray, angle_deg: float, side: float) -> tuple[np.ndarray, np.ndarray]:
    """(tape angle, φ at which it is seen) of the code's edges that show as such in the profile, in
    degrees.
    """
    from scipy.ndimage import gaussian_filter1d

    phi = sampled_angles()
    slope = gaussian_filter1d(evened(profile), 2.0, order=1)
    code = np.array(half_cells())
    first = int(np.ceil((angle_deg - side) / (CELL_DEG / 2)))
    last = int(np.floor((angle_deg + side) / (CELL_DEG / 2)))
    theta, seen = [], []
    typical = np.percentile(np.abs(slope), 80)
    for place in range(first, last + 1):
        change = code[place % len(code)] - code[(place - 1) % len(code)]
        if not change:
            continue
        expected = place * CELL_DEG / 2
        at = (expected - angle_deg - phi[0]) / (phi[1] - phi[0])
        window = np.arange(int(round(at)) - 4, int(round(at)) + 5)
        if window[0] < 1 or window[-1] > len(slope) - 2:
            continue
        rise = slope[window] * np.sign(change)
        peak = int(np.argmax(rise))
        if 0 < peak < len(window) - 1 and rise[peak] > 0.4 * typical:
            a, b, c = rise[peak - 1 : peak + 2]
            offset = 0.5 * (a - c) / (a - 2 * b + c) if a - 2 * b + c < 0 else 0.0
            theta.append(expected)
            seen.append(phi[0] + (window[peak] + offset) * (phi[1] - phi[0]))
    return np.array(theta), np.array(seen)
