"""The disc in the plate: an ellipse about the axis, found by its rim.

A circle about the axis is seen as an ellipse whose long side lies across the axis; its near half is hardly
ever hidden. The rim is the ellipse along which brightness steps the same way nearly all round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import minimize

from builder.measured.place import Axis

NEAR_ARC = np.radians(np.arange(-20.0, 201.0, 2.0))  # 90 degrees is nearest the camera
FLATTEST, ROUNDEST = 0.1, 0.65  # short by long side: camera 6 to 40 degrees above the disc
FINE = 0.037  # ln of the sizes tried: rims are seen from half as far off, softened as they are
LARGEST_STEP = 0.15  # log2 of light a px; a stronger edge counts no more than this
LEAST_STEP = 0.01
SAME_WAY = 0.75  # share of the arc that must step the same way
# A circle of radius R at distance d is seen with its middle (R / d) of its short half nearer the camera than the
# ellipse's; a camera stands two radii off or more. And a quarter as much again for the foot's own place.
MIDDLE_OFF = 0.75
ASIDE = 0.06  # of half its width: by which a shadow cast to one side leads the mirror line off


@dataclass(frozen=True)
class Disc:
    """An upright ellipse in copy px: centre, half its long and its short side.

    support: share of the near arc that steps the same way; step: how steeply (log2 of light a px), times its fourth power.
    """

    x: float
    y: float
    a: float
    b: float
    support: float
    step: float

    def stands_at(self, foot_y: float, foot_error: float) -> bool:
        """Whether the axis may meet it in that row, known to foot_error px."""
        return abs(self.y - foot_y) < MIDDLE_OFF * self.b + foot_error

    def is_about(self, axis: Axis) -> bool:
        """Whether its middle lies on the axis, to a hundredth of its width."""
        return abs(self.x - axis.at(self.y)) < 0.02 * self.a

    def within(self, shape: tuple[int, int], share: float) -> np.ndarray:
        """bool (h, w): inside the ellipse of `share` times its size."""
        rows, columns = np.ogrid[: shape[0], : shape[1]]
        return ((columns - self.x) / self.a) ** 2 + ((rows - self.y) / self.b) ** 2 < share**2


def find_disc(plate: np.ndarray, axis: Axis, foot_y: float, swing: float, foot_error: float = 0.0) -> Disc | None:
    """The rim about the axis; None where no ellipse stands out. Arguments as for `find_rounds`."""
    return rim_of(find_rounds(plate, axis, foot_y, swing, foot_error))


def rim_of(rounds: Sequence[Disc]) -> Disc | None:
    """The disc's rim among what is round about the axis; None of nothing."""
    clear = max((disc.step for disc in rounds), default=0.0) / 5
    rims = [disc for disc in rounds if disc.step > clear]
    # the subject's own round foot lies inside the disc: of the larger ones, the clearest
    largest = max((disc.a for disc in rims), default=0.0)
    return max((disc for disc in rims if disc.a > 0.85 * largest), key=lambda disc: disc.step, default=None)


def find_rounds(
    plate: np.ndarray,
    axis: Axis,
    foot_y: float,
    swing: float,
    foot_error: float = 0.0,
    reach: float = 0.0,
    *,
    aside: bool = False,
) -> list[Disc]:
    """Every ellipse about the axis that stands out: the rim, or a foot, or what is round on the disc. plate: uint8 (h, w, 3).

    foot_y: row where the axis meets the disc, px, known to foot_error; swing: half the width of what turns, px;
    reach: the same with what turns by itself further out, as marks on a disc do. aside: the axis may be off by ASIDE.
    """
    soft, fine = _log_slopes(plate, 4.0), _log_slopes(plate, 1.5)
    starts = _starts(soft, axis, (foot_y, foot_error), swing, max(swing, reach), plate.shape[1], aside)
    discs = [_settled(fine, _settled(soft, start, aside)) for start in starts]
    return [
        disc for disc in discs
        if disc.step >= LEAST_STEP and disc.support >= SAME_WAY and disc.stands_at(foot_y, foot_error)
    ]  # fmt: skip


def _starts(
    slopes: tuple[np.ndarray, np.ndarray],
    axis: Axis,
    foot: tuple[float, float],
    swing: float,
    reach: float,
    width: int,
    aside: bool,
) -> list[Disc]:
    """The best few ellipses of a coarse search, each of another size. foot: its row and how well that is known."""
    foot_y, foot_error = foot
    found = []
    smallest, largest = 0.6 * swing, max(0.7 * swing, min(2.5 * reach, 0.95 * width))
    for a in np.geomspace(smallest, largest, max(round(np.log(largest / smallest) / FINE) + 1, 2)):
        best = Disc(axis.column, foot_y, a, a / 3, 0.0, 0.0)
        for ratio in np.arange(FLATTEST, ROUNDEST, 0.04):
            off = MIDDLE_OFF * ratio * a + foot_error
            rows = foot_y + np.arange(-off, off, 0.04 * a)
            columns = np.array([axis.at(row) for row in rows])
            if aside:
                asides = a * ASIDE * np.linspace(-1, 1, 5)
                rows, columns = np.repeat(rows, 5), (columns[:, None] + asides).ravel()
            steps, support = _step_along(slopes, columns, rows, a, a * ratio)
            k = int(np.argmax(steps))
            if steps[k] > best.step:
                best = Disc(float(columns[k]), float(rows[k]), a, a * ratio, float(support[k]), float(steps[k]))
        found.append(best)
    peaks = [
        disc for k, disc in enumerate(found)
        if disc.step > 0 and all(disc.step >= other.step for other in found[max(0, k - 2) : k + 3])
    ]  # fmt: skip
    return sorted(peaks, key=lambda disc: -disc.step)[:5]


def _settled(slopes: tuple[np.ndarray, np.ndarray], disc: Disc, aside: bool = False) -> Disc:
    """The ellipse moved, up to a few pixels, to where the step along it is clearest."""
    # by its nearest row, for the near rim pins that: along it, long and short side trade against one another
    start = np.array([disc.x, disc.y + disc.b, disc.a, disc.b])
    scale = np.array([2.0 if aside else 0.5, 1.5, 3.0, 8.0]) * max(1.0, disc.a / 150)

    def loss(p: np.ndarray) -> float:
        x, front, a, b = start + p * scale
        y = front - b
        if not FLATTEST * a < b < ROUNDEST * a:
            return 0.0
        # the axis is known to a pixel or two: leaving it costs
        kept = 1.0 if aside else np.exp(-0.004 * p[0] ** 2)
        return -float(_step_along(slopes, np.array([x]), np.array([y]), a, b)[0][0]) * kept

    simplex = np.vstack([np.zeros(4), np.eye(4)]) - np.array([0, 0, 0, 0.5])
    found = minimize(
        loss, np.zeros(4), method="Nelder-Mead",
        options={"xatol": 0.02, "fatol": 1e-6, "maxiter": 250, "initial_simplex": simplex},
    )  # fmt: skip
    x, front, a, b = (float(v) for v in start + found.x * scale)
    y = front - b
    step, support = _step_along(slopes, np.array([x]), np.array([y]), a, b)
    return Disc(x, y, a, b, float(support[0]), float(step[0]))


def _log_slopes(plate: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    """Change of log2 brightness with x and y, a px: the same for a white disc and a black one."""
    grey = cv2.cvtColor(plate, cv2.COLOR_RGB2GRAY).astype(np.float32)
    soft = cv2.GaussianBlur(2.2 * np.log2(np.maximum(grey, 8.0)), (0, 0), sigma)
    return cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=0.125)


def _step_along(
    slopes: tuple[np.ndarray, np.ndarray], columns: np.ndarray, rows: np.ndarray, a: float, b: float
) -> tuple[np.ndarray, np.ndarray]:
    """Mean step across the ellipse at each centre, and the share of it that steps the same way."""
    height, width = slopes[0].shape
    cos, sin = np.cos(NEAR_ARC), np.sin(NEAR_ARC)
    x = columns[:, None] + a * cos
    y = rows[:, None] + b * sin
    inside = (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)
    at = x.astype(np.float32), y.astype(np.float32)
    gx, gy = (cv2.remap(s, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for s in slopes)
    long = np.hypot(cos / a, sin / b)
    across = np.clip((gx * cos / a + gy * sin / b) / long, -LARGEST_STEP, LARGEST_STEP)
    weight = inside.astype(float)
    total = np.maximum(weight.sum(axis=1), 1e-9)
    mean = (across * weight).sum(axis=1) / total
    same = ((across * np.sign(mean)[:, None] > LEAST_STEP / 4) * weight).sum(axis=1) / total
    reached = inside.mean(axis=1)
    return np.abs(mean) * (reached > 0.7) * same**4, same
