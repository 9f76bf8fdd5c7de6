"""The room a subject can fill, carved by its own outlines over the turn (its visual hull), and its outline in a frame.

A stiff thing that turns on an axis under a still camera fills no place that any frame sees to be backdrop
(A. Laurentini, The visual hull concept for silhouette-based image understanding, PAMI 16 (1994) 150-162). So shade that
one frame takes for the subject is found out by the others. Needs the camera and the angles of the turn as measured.

World as in measured.turn_camera: the axis is z, the camera stands at (1, 0, 0), heights counted from its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.abreast import one_by_one
from builder.measured.turn_camera import Camera
from builder.spin import TurnCamera

COARSE, FINE = 128, 256  # cells across the turning circle: two to three pixels of the cuts' grid, and about one
_PINHOLE = 12  # px of the cuts' grid
_OPPOSITE = math.radians(20)  # a frame from the other side may be so far off: a full turn of 12 has one within 15
# Share of the frames, at most, that may have lost a place which no frame sees past from the other side
_ONE_SIDE = 1 / 3
_WRONG = 0.06  # share of the frames, and two at least, whose cut may have lost a place: blur, a highlight


@dataclass(frozen=True, eq=False, slots=True)
class Hull:
    """surface: float32 (n, 3), the outermost cells' middles at angle 0; agreed: of the cells that are filled as far
    as frames agree. to_grid: 3×3, seen direction -> grid pixel."""

    surface: np.ndarray
    agreed: np.ndarray
    camera: Camera
    to_grid: np.ndarray
    size: tuple[int, int]  # of the grid, w and h

    def outline(self, angle: float) -> np.ndarray:
        """Where the hull is seen when it has turned by `angle` (radians): bool (h, w) of the grid."""
        return self._seen(self.surface, angle)

    def agreed_outline(self, angle: float) -> np.ndarray:
        """The same of what is filled as far as frames agree."""
        return self._seen(self.agreed, angle)

    def _seen(self, cells: np.ndarray, angle: float) -> np.ndarray:
        width, height = self.size
        sin, cos = math.sin(angle), math.cos(angle)
        x, y, z = cells.T
        world = np.stack([cos * x - sin * y - 1, sin * x + cos * y, z], axis=1)
        seen = world @ (self.camera.matrix @ self.to_grid.T).astype(np.float32)
        place = np.rint(seen[:, :2] / seen[:, 2:]).astype(np.int32)
        place = place[((place >= 0) & (place < (width, height))).all(axis=1)]
        out = np.zeros((height, width), np.uint8)
        out[place[:, 1], place[:, 0]] = 1
        return _without_pinholes(cv2.morphologyEx(out, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)))


def _without_pinholes(mask: np.ndarray) -> np.ndarray:
    """Gaps between the cells of a face are no holes."""
    labels, stats = cv2.connectedComponentsWithStats(1 - mask, connectivity=4)[1:3]
    return (mask > 0) | (stats[:, 4] <= _PINHOLE)[labels]


def carve(
    cuts: Sequence[np.ndarray],
    angles: Sequence[float],
    seen_by: TurnCamera,
    to_grid: np.ndarray,
    rough: Hull | None = None,
) -> Hull | None:
    """The hull of a turn: cuts bool (h, w), one a frame; angles in radians, counter-clockwise seen from above.

    to_grid: 3×3, reference pixel -> pixel of the cuts. rough: a hull of the same turn that holds this one; with it cells
    are half as large, and only those in it are looked at. Returns None when nothing is left.
    """
    height, width = cuts[0].shape
    camera = Camera(seen_by.pan, seen_by.tilt, seen_by.roll, seen_by.focal_px, seen_by.centre)
    focal, (x, y) = camera.focal_px, camera.centre
    inner = to_grid @ np.array([[focal, 0, x], [0, focal, y], [0, 0, 1.0]])
    reach, low, high = _bounds(np.any(cuts, axis=0), camera, inner)
    if not 0 < reach < 0.9:  # the camera stands outside the turning circle
        return None
    cells = COARSE if rough is None else FINE
    step = 2 * reach / (cells - 1)
    across, heights = np.linspace(-reach, reach, cells), np.arange(low, high + step, step)
    masks = [cut.astype(np.uint8) for cut in cuts]
    least = len(cuts) - max(2, round(_WRONG * len(cuts)))
    solid, agreed = _Shell(across), _Shell(across)
    cell = np.array([[step, 0, -reach], [0, step, -reach], [0, 0, 1.0]])

    def level(z: float) -> tuple[slice, slice, np.ndarray, np.ndarray]:
        rows, columns = _part(rough, z, across)
        shape = rows.stop - rows.start, columns.stop - columns.start
        seen = np.zeros((len(cuts), *shape), np.uint8)
        votes = np.zeros(shape, np.uint8 if len(cuts) < 256 else np.uint16)
        start = np.array([[1, 0, columns.start], [0, 1, rows.start], [0, 0, 1.0]])
        for k, angle in enumerate(angles if seen.size else ()):
            sin, cos = math.sin(angle), math.cos(angle)
            plane = np.array([[cos, -sin, -1.0], [sin, cos, 0.0], [0.0, 0.0, z]])  # of the level, from the eye
            warp = inner @ camera.matrix.T @ plane @ cell @ start
            seen[k] = cv2.warpPerspective(masks[k], warp, shape[::-1], flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
            votes += seen[k]
        filled = _agreed(seen, votes, across[columns], across[rows], np.asarray(angles))
        return rows, columns, votes >= least, filled

    for z, (rows, columns, possible, filled) in zip(heights, one_by_one(level, heights)):
        solid.add(z, rows, columns, possible)
        agreed.add(z, rows, columns, filled)
    surface = solid.surface()
    return Hull(surface, agreed.surface(), camera, inner, (width, height)) if len(surface) else None


def _agreed(seen: np.ndarray, votes: np.ndarray, x: np.ndarray, y: np.ndarray, angles: np.ndarray) -> np.ndarray:
    """Cells of a level, bool (h, w), that all frames but one see filled, or that few frames see past, and from one side only.

    A line past the thing is free from either end, but where something hangs over it; shade that a frame takes for the
    backdrop lies on one side. A part turn has frames from one side only, and they agree on less. seen: uint8 (n, h, w), of which votes (h, w) are the sum; x (w,), y (h,): cells' places.
    """
    count = len(seen)
    agreed = votes >= count - 1
    row, column = np.nonzero(~agreed & (votes >= (1 - _ONE_SIDE) * count))
    if len(row):
        clear = seen[:, row, column] == 0
        frame, cell = np.nonzero(clear)
        # In the world that turns with the thing, cameras stand on a circle; the line from one through the cell meets it again.
        eye = np.float32([np.cos(angles), -np.sin(angles)])[:, frame]
        along = np.float32([x[column], y[row]])[:, cell] - eye
        end = eye - 2 * (eye * along).sum(axis=0) / (along**2).sum(axis=0) * along
        there, around = np.arctan2(end[1], end[0]), -angles % (2 * np.pi)
        order = np.argsort(around)
        after = np.searchsorted(around[order], there % (2 * np.pi))
        opposite = order[np.stack([after - 1, after % count])]
        away = np.abs((around[opposite] - there + np.pi) % (2 * np.pi) - np.pi)
        both = clear[opposite, cell].any(axis=0) | (away.min(axis=0) > _OPPOSITE)
        agreed[row, column] = np.bincount(cell[both], minlength=len(row)) == 0
    return agreed


class _Shell:
    """The outermost cells, those with a free side, of a solid that comes level by level; no more than three of its
    levels are in memory at once."""

    def __init__(self, across: np.ndarray) -> None:
        self._across = across
        self._below, self._own = self._empty(), self._empty()
        self._height = 0.0
        self._found: list[np.ndarray] = [np.zeros((0, 3), np.float32)]

    def _empty(self) -> np.ndarray:
        """A level without a filled cell, with a free cell more on each side: bool."""
        return np.zeros((len(self._across) + 2,) * 2, bool)

    def add(self, height: float, rows: slice, columns: slice, filled: np.ndarray) -> None:
        """The next level up: `filled`, bool, is the part of it that isn't free all over."""
        level = self._empty()
        level[1:-1, 1:-1][rows, columns] = filled
        self._close(level)
        self._below, self._own, self._height = self._own, level, height

    def surface(self) -> np.ndarray:
        """Their middles, float32 (n, 3), once all levels are in."""
        self._close(self._empty())
        return np.concatenate(self._found)

    def _close(self, above: np.ndarray) -> None:
        own = self._own
        core = own[1:-1, 1:-1]
        hidden = (self._below & above)[1:-1, 1:-1] & own[:-2, 1:-1] & own[2:, 1:-1] & own[1:-1, :-2] & own[1:-1, 2:]
        row, column = np.nonzero(core & ~hidden)
        height = np.full(len(row), self._height)
        self._found.append(np.stack([self._across[column], self._across[row], height], axis=1).astype(np.float32))


def _part(rough: Hull | None, level: float, across: np.ndarray) -> tuple[slice, slice]:
    """Rows (y) and columns (x) of a level that the rough hull reaches to, with a cell of it to spare."""
    if rough is None:
        return slice(0, len(across)), slice(0, len(across))
    spare = 2.5 * (across[1] - across[0])  # its cells are twice as large
    near = rough.surface[np.abs(rough.surface[:, 2] - level) <= spare]
    if not len(near):
        return slice(0, 0), slice(0, 0)
    edges = [np.searchsorted(across, [near[:, k].min() - spare, near[:, k].max() + spare]) for k in (1, 0)]
    return tuple(slice(int(first), int(last)) for first, last in edges)


def _bounds(seen: np.ndarray, camera: Camera, inner: np.ndarray) -> tuple[float, float, float]:
    """Reach from the axis, lowest and highest level of what can be seen in the mask, in camera-to-axis distances."""
    rows, columns = np.nonzero(seen.any(axis=1))[0], np.nonzero(seen.any(axis=0))[0]
    if not len(rows):
        return 0.0, 0.0, 0.0
    corners = np.array([[x, y, 1.0] for x in (columns[0] - 1, columns[-1] + 1) for y in (rows[0] - 1, rows[-1] + 1)])
    ray = corners @ np.linalg.inv(inner).T @ camera.matrix.T
    side, rise = ray[:, 1] / -ray[:, 0], ray[:, 2] / -ray[:, 0]  # for each unit of depth
    reach = float(np.abs(side).max())  # at the axis' depth; nearer it looks larger, so this is enough
    levels = [rise * (1 - reach), rise * (1 + reach)]
    return reach, float(np.min(levels)), float(np.max(levels))
