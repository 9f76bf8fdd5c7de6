"""What the angles say: frames that repeat, marks that were skipped, steps that differ, a turn left open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from builder.measured.abreast import abreast
from builder.measured.light import mad_sigma

SURE = 4.0  # standard errors a step must be from what is usual
FALSE_ALARM = 0.05  # chance that it is an ordinary step after all, from which a repeat or a skip isn't claimed
LIKELIER = 0.5  # and up to which a skip, the likelier of the two, is still worth a look while the set stands
POSSIBLE = (
    0.2  # chance of a skip from which it is worth one too, where an ordinary step is likelier: a glance at two frames
)
REPEAT_STEPS, SKIP_STEPS = 0.25, 1.5  # of the usual step: less repeats the frame before, more skips a mark


@dataclass(frozen=True)
class Steps:
    """duplicates: (frame, measured, limit). skips: (frame after, turn, limit). Degrees throughout.

    likely_skips: as skips, of which it isn't sure that they are no ordinary steps; possible_skips: likelier
    ordinary steps, with the turn that a skip would make them. regular: the frames that are neither. usual: the step most frames make. sigma: scatter of the steps round it, duplicates and skips left out.
    seam: turn from the last frame to the first, None for a part turn or an unseen seam.
    """

    usual: float
    sigma: float
    duplicates: tuple[tuple[int, float, float], ...]
    skips: tuple[tuple[int, float, float], ...]
    regular: tuple[int, ...]
    seam: float | None
    likely_skips: tuple[tuple[int, float, float], ...] = ()
    possible_skips: tuple[tuple[int, float, float], ...] = ()


def judge_steps(
    steps_deg: np.ndarray, sigma_deg: np.ndarray, closed: bool, rivals: Sequence[Sequence[tuple[float, float]]] = ()
) -> Steps:
    """steps_deg (n,): turn from the frame before, first over the seam; sigma_deg (n,): their standard errors; rivals:
    for each step what else it could be, degrees, and the chance of that (none: nothing).

    A repeat turned less than a quarter of the usual step, a skip more than one and a half: half-way to no step
    and to two, with a margin for a hand that stops near a mark; both must be clear of the measuring error.
    Steps that scatter by the share s about the usual one reach further: of two Gaussians at 1 and 2, and a mark
    skipped in every other turn, the second is the likelier from 3/2 + s² ln(2 n) on.
    """
    within = steps_deg[1:]
    usual = float(np.median(within[within > 0.25 * np.median(within)]))
    scatter = mad_sigma(within) / usual if len(within) > 4 and usual > 0 else 0.0
    least, most = usual * REPEAT_STEPS, usual * (SKIP_STEPS + scatter**2 * np.log(2 * len(steps_deg)))
    duplicates, skips, likely, possible = [], [], [], []
    for frame, (step, sigma) in enumerate(zip(steps_deg, sigma_deg, strict=True)):
        if frame == 0:
            continue
        others = rivals[frame] if rivals else ()
        if step < least and usual - step > SURE * sigma:
            if sum(chance for turn, chance in others if turn >= least) < FALSE_ALARM:
                duplicates.append((frame, float(step), least))
        elif step > most:
            ordinary = sum(chance for turn, chance in others if turn <= most)
            if step - usual > SURE * sigma and ordinary < FALSE_ALARM:
                skips.append((frame, float(step), float(most)))
            elif others and ordinary < LIKELIER:
                likely.append((frame, float(step), float(most)))
            elif others and 1.0 - ordinary >= POSSIBLE:
                possible.append((frame, float(step), float(most)))
        else:
            longer = [(chance, turn) for turn, chance in others if turn > most]
            if sum(chance for chance, _ in longer) >= POSSIBLE:
                possible.append((frame, float(max(longer)[1]), float(most)))
    odd = {frame for frame, *_ in duplicates + skips + likely}
    regular = tuple(frame for frame in range(1, len(steps_deg)) if frame not in odd)
    sigma = mad_sigma(steps_deg[list(regular)]) if len(regular) > 2 else 0.0
    seam = float(steps_deg[0]) if closed else None
    return Steps(usual, sigma, tuple(duplicates), tuple(skips), regular, seam, tuple(likely), tuple(possible))


REPEAT_SHARE = 0.02  # of the usual change: change grows with the square of the turn, so a seventh of a step
LEAST_CHANGE = 4.0  # times the noise: below, a turn doesn't show in the pictures at all


def seen_changes(pictures: Sequence[np.ndarray], shares: np.ndarray) -> tuple[np.ndarray, float] | None:
    """(n − 1,) mean squared change of what turns from each frame to the next, noise taken off; and the noise.

    None where nothing turns, or everything. Arguments as for `find_repeats`.
    """
    height, width = shares.shape
    size = max(1, width // 4), max(1, height // 4)
    moving = cv2.resize(shares, size, interpolation=cv2.INTER_AREA) > 0.02
    if not moving.any() or moving.all():
        return None
    small = np.stack(abreast(lambda k: _small_grey(pictures[k], size), range(len(pictures)))).astype(np.float32)
    change = np.diff(small, axis=0)  # [k]: from frame k to k + 1
    noise = np.array([np.mean(np.minimum(np.abs(c[~moving]), 4.0) ** 2) for c in change])
    return np.array([np.mean(c[moving] ** 2) for c in change]) - noise, float(np.median(noise))


def _small_grey(picture: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    return cv2.cvtColor(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)


def look_alike(pictures: Sequence[np.ndarray], shares: np.ndarray) -> np.ndarray:
    """bool (n,): whether a frame is so like the one before that it may repeat it; True where that can't be told.

    A quarter of a step, the most that counts as a repeat, changes a quarter to a half as much as a step, by amplitude.
    """
    found = seen_changes(pictures, shares) if len(pictures) > 1 else None
    if found is None:
        return np.ones(len(pictures), bool)
    return np.r_[False, found[0] < 0.6**2 * np.median(found[0])]


def find_repeats(pictures: Sequence[np.ndarray], shares: np.ndarray) -> tuple[int, ...]:
    """Frames that look like the frame before but for noise, whether or not angles can be measured.

    pictures: uint8, n of (h, w, 3), evened and registered. shares: (h, w), where something turns (0: nowhere).
    A repeat differs by noise alone, while its neighbours, whose view is nearly the same, change with their step.
    """
    changes = seen_changes(pictures, shares) if len(pictures) >= 4 else None
    if changes is None:
        return ()
    excess, noise = changes
    if np.median(excess) < LEAST_CHANGE * noise:
        return ()
    found = []
    for k, value in enumerate(excess):
        beside = [excess[j] for j in (k - 1, k + 1) if 0 <= j < len(excess)]
        if value < REPEAT_SHARE * np.median(excess) and value < 0.1 * min(beside):
            found.append(k + 1)
    return tuple(found)
