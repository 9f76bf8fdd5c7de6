"""The turntable's disc in the picture: an ellipse about the axis, found by its edge in the clean plate."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

# The edge counts as seen where brightness changes across it at least this much, in sRGB codes; a stronger change counts
# no more, so that a long faint edge beats a short strong one.
_SEEN_CODES = 1.5
_STEEP = 12.0  # by which the codes are divided where the steepest place along a blurred edge is wanted
_LEAST_SEEN = 0.6  # share of the outline that must show an edge, or there is no disc
_CLEAR_LEAD = 0.03  # by which the disc must beat an ellipse of another size
_SECTORS = 8  # the outline is judged by its parts, and the worst counts for half: a disc has an edge all round
_ASPECTS = np.arange(0.12, 0.86, 0.02)  # sine of the camera's elevation, 7° to 58°


@dataclass(frozen=True, slots=True)
class Disc:
    """An ellipse in pixels of the picture it was found in; `lean_deg` as the axis leans, clockwise positive."""

    x: float
    y: float
    semi_x: float
    semi_y: float
    lean_deg: float


def find_disc(
    plate: np.ndarray, motion: np.ndarray, core: np.ndarray, axis_x: float, lean_deg: float
) -> Disc | None:
    """The disc in a clean plate.

    plate: float32 (h, w, 3) sRGB codes. motion: float32 (h, w), codes by which a pixel changes over the turn. core:
    bool (h, w), where the subject is never out of the way; it stands on the disc, and an edge there says nothing. axis_x: column of the axis at the disc. Returns None when no ellipse about the axis shows an
    edge along enough of its outline, or two of different size do.
    """
    base_y, base_half = _base(core)
    # The plate's own joints, and outlines of what passes, are no edges of the set.
    passing = cv2.morphologyEx((motion > 20).astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    known = cv2.dilate((core | (passing > 0)).astype(np.uint8), np.ones((9, 9), np.uint8)) == 0
    width = plate.shape[1]

    def judge(gradient, semi_x: float, rows: list[tuple[float, float]]) -> list[tuple[float, float, float, float]]:
        score = _edge_score(gradient, known, axis_x, np.array(rows), semi_x, lean_deg)
        best = np.argsort(-score, kind="stable")[:3]
        return [(float(score[k]), *rows[k], semi_x) for k in best]

    blurred, sharp = _edges(plate, 1.6), _edges(plate, 0.8)
    rough = []
    for semi_x in np.arange(max(0.08 * width, 1.1 * base_half), 0.75 * width, 2.0):
        tall = [float(semi_x * aspect) for aspect in _ASPECTS]
        rows = [(float(y), b) for b in tall for y in np.arange(base_y - b, base_y + 0.3 * b, 2.0)]
        rough += judge(blurred, float(semi_x), rows)[:1]
    fine = []
    for _, y, semi_y, semi_x in sorted(rough, reverse=True)[:12]:
        rows = [(v, b) for v in np.arange(y - 2, y + 2.1, 0.5) for b in np.arange(semi_y - 2, semi_y + 2.1, 0.5)]
        for wide in np.arange(semi_x - 2, semi_x + 2.1, 0.5):
            fine += judge(sharp, float(wide), rows)[:1]
    if not fine or max(fine)[0] < _LEAST_SEEN:
        return None
    score, y, semi_y, semi_x = max(fine)
    # All along a blurred edge it counts as seen: the ellipse belongs where the edge is steepest.
    rows = [(v, b) for v in np.arange(y - 3, y + 3.1, 0.5) for b in np.arange(semi_y - 3, semi_y + 3.1, 0.5)]
    steep = [judge(sharp / _STEEP, float(wide), rows)[0] for wide in np.arange(semi_x - 4, semi_x + 4.1, 0.5)]
    _, y, semi_y, semi_x = max(steep)
    rivals = [other for other, _, _, wide in fine if abs(wide / semi_x - 1) > 0.08]
    if rivals and max(rivals) > score - _CLEAR_LEAD:
        return None  # better no scale than a wrong one
    return Disc(float(axis_x), float(y), float(semi_x), float(semi_y), float(lean_deg))


def _edges(plate: np.ndarray, sigma: float) -> np.ndarray:
    """Gradient of brightness in codes a pixel, (2, h, w), without the slow change of soft shadows."""
    grey = cv2.GaussianBlur(plate, (0, 0), sigma).max(axis=2)
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


def _edge_score(gradient, known, x, candidates, semi_x, lean_deg, samples: int = 48) -> np.ndarray:
    """Share of each candidate's visible outline that shows an edge across it, (n,)."""
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
    share = np.minimum(across_edge / _SEEN_CODES, 1.0) * seen
    count = seen.reshape(-1, _SECTORS, samples // _SECTORS).sum(axis=2)
    total = share.reshape(-1, _SECTORS, samples // _SECTORS).sum(axis=2)
    sector = np.where(count >= 3, total / np.maximum(count, 1), np.nan)
    visible = seen.mean(axis=1)
    worst = np.nan_to_num(np.where(np.isfinite(sector), sector, np.inf).min(axis=1), posinf=0.0)
    mean = total.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    return np.where(visible >= 0.4, (mean + worst) / 2 * np.sqrt(visible), 0.0)
