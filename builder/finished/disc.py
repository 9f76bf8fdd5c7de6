"""The turntable's disc in the picture: an ellipse about the axis, found by its edge in the clean plate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from builder.finished.look import largest
from builder.measured.turn_camera import Camera, project
from builder.spin import TurnCamera

Flatness = Callable[[np.ndarray, float], np.ndarray]  # rows and half width of ellipses -> their half heights, px

# The edge counts as seen where brightness changes across it at least this much, in sRGB codes; a stronger change counts
# no more, so that a long faint edge beats a short strong one.
_SEEN_CODES = 1.5
_STEEP = 12.0  # by which the codes are divided where the steepest place along a blurred edge is wanted
_LEAST_SEEN = 0.6  # share of the outline that must show an edge, or there is no disc
_LEAST_SEEN_HIDDEN = 0.5  # the same of one that marks pass along
_SEEN_THROUGHOUT = 0.85  # the same of one without marks: the edges of shade and of a foot go round in part
_CLEAR_LEAD = 0.03  # by which the disc must beat an ellipse of another size
_MARKS = 0.15  # what marks that turn all along the inside of an outline are worth: half of what its edge can lack
_SECTORS = 8  # the outline is judged by its parts, and the worst counts for half: a disc has an edge all round
_CAMERA_UNSURE = 0.12  # of a flatness: a degree of tilt, which is as well as a turn tells it, at 10° of elevation
_ODD = 0.1  # what an ellipse as unlikely as that loses
_EDGE_ZONE = 0.8  # of the radius: what stands on a disc rarely reaches so far, and what turns farther out is marks
_ASPECTS = np.arange(0.12, 0.86, 0.02)  # sine of the camera's elevation, 7° to 58°


@dataclass(frozen=True, slots=True)
class Disc:
    """An ellipse in pixels of the picture it was found in; `lean_deg` as the axis leans, clockwise positive."""

    x: float
    y: float
    semi_x: float
    semi_y: float
    lean_deg: float


def flatness_seen_by(seen_by: TurnCamera, to_picture: np.ndarray) -> Flatness:
    """How flat the camera sees circles about the axis: of the ellipses' three numbers it leaves two free.

    to_picture: 3×3, reference pixel -> pixel of the picture.
    """
    camera = Camera(seen_by.pan, seen_by.tilt, seen_by.roll, seen_by.focal_px, seen_by.centre)
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    levels = np.linspace(-1.0, 0.1, 56)  # heights against the camera's own, in its distances to the axis
    radii = np.linspace(0.0, 0.8, 41)  # in the same: what a circle's picture measures is nearly straight in between
    flat = radii[:, None] * np.cos(angle), radii[:, None] * np.sin(angle)
    circles = np.stack(np.broadcast_arrays(*flat, levels[:, None, None]), axis=-1)
    seen = project(camera, circles) @ to_picture[:2, :2].T + to_picture[:2, 2]  # (levels, radii, angles, 2)
    half_widths, half_tall = np.moveaxis(np.ptp(seen, axis=2), -1, 0) / 2
    middles = (seen[..., 1].max(axis=2) + seen[..., 1].min(axis=2)) / 2

    def half_heights(rows: np.ndarray, semi_x: float) -> np.ndarray:
        tall, middle = (
            np.array([np.interp(semi_x, wide, of_level) for wide, of_level in zip(half_widths, values)])
            for values in (half_tall, middles)
        )
        order = np.argsort(middle)
        return np.interp(rows, middle[order], tall[order])

    return half_heights


def find_disc(
    plate: np.ndarray,
    motion: np.ndarray,
    core: np.ndarray,
    axis_x: float,
    lean_deg: float,
    flatness: Flatness | None = None,
    hidden: bool = False,
    marks: np.ndarray | None = None,
) -> Disc | None:
    """The disc in a clean plate.

    plate: float32 (h, w, 3) sRGB codes. motion: float32 (h, w), codes by which a pixel changes over the turn. core:
    bool (h, w), where the subject is never out of the way; it stands on the disc, and an edge there says nothing.
    axis_x: column of the axis at the disc. flatness: of circles about the axis as the camera sees them, where known.
    hidden: much of the outline may be hidden; then less of one that marks pass along is enough. marks: the motion with
    that of marks, where `motion` is without it.
    Returns None when no ellipse about the axis shows an edge along enough of its outline, or two of different size do.
    """
    base_y, base_half = _base(core)
    # The plate's own joints, and outlines of what passes, are no edges of the set.
    passing = cv2.morphologyEx((motion > 20).astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    known = cv2.dilate((core | (passing > 0)).astype(np.uint8), np.ones((9, 9), np.uint8)) == 0
    width = plate.shape[1]

    def judge(gradient, semi_x: float, ellipses: np.ndarray) -> list[tuple[float, float, float, float]]:
        odd = np.zeros(len(ellipses))
        if flatness is not None:
            odd = (ellipses[:, 1] / np.maximum(flatness(ellipses[:, 0], semi_x), 1e-3) - 1) / _CAMERA_UNSURE
            ellipses, odd = ellipses[np.abs(odd) <= 1], odd[np.abs(odd) <= 1]
        if not len(ellipses):
            return []
        score = _edge_score(gradient, known, axis_x, ellipses, semi_x, lean_deg, ending) - _ODD * odd * odd
        best = np.argsort(-score, kind="stable")[:3]
        return [(float(score[k]), *map(float, ellipses[k]), semi_x) for k in best]

    blurred, sharp = _edges(plate, 1.6), _edges(plate, 0.8)
    marks = motion if marks is None else marks
    ending = _edges(marks, 1.2) if hidden else None
    rough = []
    for semi_x in np.arange(max(0.08 * width, 1.1 * base_half), 0.75 * width, 2.0):
        tall = [float(semi_x * aspect) for aspect in _ASPECTS]
        rows = [np.arange(base_y - b, base_y, 2.0) for b in tall]
        ellipses = np.column_stack([np.concatenate(rows), np.repeat(tall, [len(one) for one in rows])])
        rough += judge(blurred, float(semi_x), ellipses)[:1]
    fine = []
    for _, y, semi_y, semi_x in sorted(rough, reverse=True)[:12]:
        ellipses = _around(y, semi_y, 2.0)
        for wide in np.arange(semi_x - 2, semi_x + 2.1, 0.5):
            fine += judge(sharp, float(wide), ellipses)[:1]
    good = []
    for seen, *ellipse in fine:
        marked = _marked(marks, axis_x, ellipse, lean_deg)
        score = seen + _MARKS * marked
        # Where much of it is hidden, marks pass along what is seen of it or that is an edge throughout.
        least = _LEAST_SEEN_HIDDEN if marked >= 0.5 else _SEEN_THROUGHOUT
        if seen >= least if hidden else score >= _LEAST_SEEN:
            good.append((score, *ellipse))
    if not good:
        return None
    score, y, semi_y, semi_x = max(good)
    # All along a blurred edge it counts as seen: the ellipse belongs where the edge is steepest.
    ellipses, widths = _around(y, semi_y, 3.0), np.arange(semi_x - 4, semi_x + 4.1, 0.5)
    sharp /= _STEEP
    _, y, semi_y, semi_x = max(one for wide in widths for one in judge(sharp, float(wide), ellipses)[:1])
    rivals = [other for other, _, _, wide in good if abs(wide / semi_x - 1) > 0.08]
    if rivals and max(rivals) > score - _CLEAR_LEAD:
        return None  # better no scale than a wrong one
    return Disc(float(axis_x), float(y), float(semi_x), float(semi_y), float(lean_deg))


def parts_about(disc: Disc, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """The disc's top, and what lies behind the disc; bool (h, w) each."""
    along, across = _of_disc(disc, shape)
    top = along * along + across * across <= 1
    return top, ~top & (across < 0)


def front_of(disc: Disc, shape: tuple[int, int], zone: float = _EDGE_ZONE) -> np.ndarray:
    """The disc's near edge, from `zone` of its radius on, where the marks are, and all that lies before and below it, bool
    (h, w).

    What stands there is seen to move: it is far off the axis. What doesn't move there is the disc's front, its shade and
    the table.
    """
    along, across = _of_disc(disc, shape)
    return (across > 0) & ((along * along + across * across > zone**2) | (np.abs(along) > 1))


def _of_disc(disc: Disc, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Each pixel's place in half widths and half heights of the ellipse, to the right and down of its middle."""
    row, column = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    turn = np.radians(disc.lean_deg)
    column -= disc.x
    row -= disc.y
    along = (column * np.cos(turn) + row * np.sin(turn)) / disc.semi_x
    return along, (row * np.cos(turn) - column * np.sin(turn)) / disc.semi_y


def _around(y: float, semi_y: float, reach: float) -> np.ndarray:
    """Rows and half heights (n, 2) up to `reach` px from one, in steps of half a pixel."""
    rows, tall = (np.arange(middle - reach, middle + reach + 0.1, 0.5) for middle in (y, semi_y))
    return np.column_stack([np.repeat(rows, len(tall)), np.tile(tall, len(rows))])


def _marked(motion: np.ndarray, x: float, ellipse: tuple[float, float, float], lean_deg: float) -> float:
    """Share of an outline (y, semi_y, semi_x) just inside which things pass and just outside which none do."""
    inner, outer = (
        np.max([_along(motion, x, *ellipse, lean_deg, share) for share in shares], axis=0)
        for shares in ((0.86, 0.89, 0.92, 0.95, 0.98), (1.04, 1.07, 1.1, 1.13))
    )
    return float((inner > 2 * outer + 4).mean())


def _along(picture, x: float, y: float, semi_y: float, semi_x: float, lean_deg: float, share: float) -> np.ndarray:
    """The picture's values along an ellipse shrunk or grown to a share of its size."""
    angle, turn = (np.arange(96) + 0.5) * 2 * np.pi / 96, np.radians(lean_deg)
    along, across = share * semi_x * np.cos(angle), share * semi_y * np.sin(angle)
    column = np.rint(x + along * np.cos(turn) - across * np.sin(turn)).astype(int).clip(0, picture.shape[1] - 1)
    row = np.rint(y + along * np.sin(turn) + across * np.cos(turn)).astype(int).clip(0, picture.shape[0] - 1)
    return picture[row, column]


def _edges(picture: np.ndarray, sigma: float) -> np.ndarray:
    """Gradient of brightness in codes a pixel, (2, h, w), without the slow change of soft shadows. picture: (h, w[, 3])."""
    grey = cv2.GaussianBlur(picture, (0, 0), sigma)
    grey = largest(grey) if grey.ndim == 3 else grey
    gradient = [cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 4), cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 4)]
    return np.stack([part - cv2.GaussianBlur(part, (0, 0), 3.0 * sigma) for part in gradient])


def _base(core: np.ndarray) -> tuple[float, float]:
    """Lowest row of the core's largest patch and half its width just above, px."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(core.astype(np.uint8))
    if count < 2:
        return 0.5 * core.shape[0], 0.0
    left, top, width, height, _ = stats[1 + stats[1:, 4].argmax()]
    foot = labels[top + height - max(3, height // 10) : top + height] == 1 + stats[1:, 4].argmax()
    columns = np.nonzero(foot.any(axis=0))[0]
    return float(top + height - 1), float(np.ptp(columns)) / 2


def _edge_score(gradient, known, x, candidates, semi_x, lean_deg, marks=None, samples: int = 48) -> np.ndarray:
    """Share of each candidate's visible outline that shows an edge across it, (n,), or where movement ends (marks)."""
    angle = (np.arange(samples) + 0.5) * 2 * np.pi / samples
    y, semi_y = candidates[:, :1], candidates[:, 1:]
    turn = np.radians(lean_deg)
    along, across = semi_x * np.cos(angle)[None, :], semi_y * np.sin(angle)[None, :]
    u = x + along * np.cos(turn) - across * np.sin(turn)
    v = y + along * np.sin(turn) + across * np.cos(turn)
    normal_x, normal_y = np.cos(angle)[None, :] / semi_x, np.sin(angle)[None, :] / semi_y
    length = np.hypot(normal_x, normal_y)
    column, row = np.rint(u).astype(int), np.rint(v).astype(int)
    inside = (column >= 0) & (column < known.shape[1]) & (row >= 0) & (row < known.shape[0])
    column, row = np.where(inside, column, 0), np.where(inside, row, 0)
    seen = inside & known[row, column]
    across_edge = np.abs(gradient[0][row, column] * normal_x + gradient[1][row, column] * normal_y) / length
    if marks is not None:
        ending = -(marks[0][row, column] * normal_x + marks[1][row, column] * normal_y) / length
        across_edge = np.maximum(across_edge, ending)
    share = np.minimum(across_edge / _SEEN_CODES, 1.0) * seen
    count = seen.reshape(-1, _SECTORS, samples // _SECTORS).sum(axis=2)
    total = share.reshape(-1, _SECTORS, samples // _SECTORS).sum(axis=2)
    sector = np.where(count >= 3, total / np.maximum(count, 1), np.nan)
    visible = seen.mean(axis=1)
    worst = np.nan_to_num(np.where(np.isfinite(sector), sector, np.inf).min(axis=1), posinf=0.0)
    mean = total.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    return np.where(visible >= 0.4, (mean + worst) / 2 * np.sqrt(visible), 0.0)
