"""The colours that shade takes on a set, learnt from the turn: what no shade on it looks like is something else.

Shade keeps a share of each light that falls on a place. With two lights, a window and a lamp, what is left of the three
channels lies in a plane through black, whichever share of either is kept: over the plate the tint moves along one line,
between the two lights' colours, and hardly off it (light adds up; a coloured thing nearby adds a little of its own).
Which line that is, and how far off it real shade strays, the turn says: there is plenty of shade beyond doubt in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

WEIGHTS = np.float32([0.3, 0.5, 0.2])  # of the channels in a ratio's one number; a tint has none of that
_ENOUGH = 400  # samples; fewer say too little about the rare ones
_STRAY = 0.02  # least that may be off the line: rounding, and plates filled in by guess
_RARE = 0.98  # of the samples stray less than the limit


@dataclass(frozen=True, slots=True)
class ShadeTints:
    """off: unit vector (3,) across the line of the shade's tints; limit: how far off it shade is found."""

    off: tuple[float, float, float]
    limit: float


def learn_tints(tints: np.ndarray) -> ShadeTints | None:
    """tints: (n, 3), a shade's ratio of linear light to the plate's, over its mean (WEIGHTS), less 1.

    Returns None where there is too little shade to learn from.
    """
    level = WEIGHTS / np.linalg.norm(WEIGHTS)
    size = np.linalg.norm(tints, axis=1)
    kept = tints[size <= 3 * np.median(size)] if len(tints) else tints
    for _ in range(3):  # what strays farthest isn't shade, and must not turn the line
        if len(kept) < _ENOUGH:
            return None
        along = np.linalg.eigh(kept.T @ kept)[1][:, -1]
        off = np.cross(along, level)
        off /= np.linalg.norm(off)
        away = np.abs(tints @ off)
        kept = tints[away <= max(_STRAY, 4.5 * float(np.median(away)))]  # 4.5 medians: 3 σ
    return ShadeTints(tuple(float(v) for v in off), max(_STRAY, float(np.quantile(np.abs(kept @ off), _RARE))))
