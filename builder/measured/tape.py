"""The coded rim tape, where it is in the picture: the angle of each frame, whatever stands on the disc.

Each frame is read by itself and either answers rightly or not at all (`builder.rim`). Frames in which the tape is
covered take their place between those that were read, from what the pictures say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from builder.measured.abreast import abreast
from builder.measured.turntable import TurnFit
from builder.rim.code import BAND_SHARE
from builder.rim.reader import RimView, read_rim
from builder.rim.view import find_rim

LOOKED_AT = 4  # frames in which the tape is looked for; a hand or sleeve may cover it in some
ENOUGH = 2 / 3  # of the frames must read, or the tape is left alone
READ_SIGMA_DEG = 0.05  # of one reading against another; tests/test_measured_tape.py holds it against drawn scenes
BACK_DEG = 45.0  # a turn from frame to frame lies between so much back and 315° on


@dataclass(frozen=True)
class Tape:
    """angles_deg: (n,) the tape's place that faces the camera, growing when the disc turns clockwise seen from
    above; NaN where it can't be read. view: how it lies in the reference, px of the pictures read."""

    angles_deg: np.ndarray
    view: RimView

    def outline(self) -> np.ndarray:
        """(k, 2) x, y round the whole tape, code and marks, with a little more: px of the pictures read."""
        phi = np.linspace(-88.0, 88.0, 45)
        x, y = self.view.at(phi)
        band = self.view.band * self.view.scale(phi)
        top, bottom = y - 0.65 * band, y + (1 / BAND_SHARE - 0.35) * band
        return np.concatenate([np.c_[x, top], np.c_[x, bottom][::-1]])


def read_tape(pictures: Sequence[np.ndarray], to_reference: Sequence[np.ndarray] | None = None) -> Tape | None:
    """Read the tape in brightness pictures (h, w) of one spin; None where there is none, or too little of it.

    to_reference: (2, 3) for each, from its pixels to the spin's reference, in these pixels.
    """
    count = len(pictures)
    if count < 2:
        return None
    looked_at = sorted({round(k) for k in np.linspace(0, count - 1, min(LOOKED_AT, count) + 1)[:-1]})
    affines = [np.eye(3)[:2]] * count if to_reference is None else list(to_reference)
    view = find_rim([_steadied(pictures[k], affines[k]) for k in looked_at])
    if view is None:
        return None
    readings = abreast(lambda k: read_rim(pictures[k], _seen_by(view, affines[k])), range(count))
    angles = np.array([np.nan if reading is None else reading.angle_deg for reading in readings])
    return Tape(angles, view) if np.isfinite(angles).mean() >= ENOUGH else None


def with_tape(fit: TurnFit, tape: Tape | None, closed: bool) -> TurnFit:
    """The fit with the tape's angles in place of its own, where a tape was read."""
    if tape is None:
        return fit
    read = np.flatnonzero(np.isfinite(tape.angles_deg))
    own = tape.angles_deg[read]
    turned = (np.diff(own) + 180.0) % 360.0 - 180.0
    sign = 1.0 if np.median(turned) >= 0 else -1.0
    steps = (sign * np.diff(own) + BACK_DEG) % 360.0 - BACK_DEG
    if closed and steps.sum() > 360.0 + BACK_DEG:  # frames out of order, or more than a turn: not for us to untangle
        return fit
    angles = _between(np.r_[0.0, np.cumsum(steps)], read, fit)
    found = np.diff(angles, prepend=angles[-1] - 360.0 if closed else 0.0)
    sigma = np.full(len(angles), READ_SIGMA_DEG * 2**0.5)
    usual = float(np.median(np.abs(found[1:])))
    for frame in np.flatnonzero(~np.isfinite(tape.angles_deg)):
        for step in (frame, (frame + 1) % len(angles)):
            own_sigma = fit.step_sigma_deg[step] if fit.sigma_deg is not None else np.inf
            sigma[step] = min(max(own_sigma, sigma[step]), 0.5 * usual)
    unread = ~np.isfinite(tape.angles_deg)
    # What the pictures alone say of a step stands only where the tape is silent
    open_steps = unread | np.roll(unread, 1)
    rivals = tuple(other if still_open else () for other, still_open in zip(fit.step_rivals, open_steps))
    judged = fit.sigma_deg is not None
    return replace(
        fit,
        angles_deg=tuple(map(float, angles)), steps_deg=tuple(map(float, found)), step_sigma_deg=tuple(map(float, sigma)),
        sigma_deg=READ_SIGMA_DEG * 2**0.5, direction="clockwise" if sign > 0 else "counterclockwise",
        axis_x=fit.axis_x if judged else None, axis_y=fit.axis_y if judged else None,
        closing_gap_deg=float(found[0]) if closed else None, seam_seen=closed, step_rivals=rivals, reason="",
    )  # fmt: skip


def _between(turned: np.ndarray, read: np.ndarray, fit: TurnFit) -> np.ndarray:
    """(n,) angles from frame 0: the tape's where read; between them as the pictures say, or evenly."""
    places = np.arange(len(fit.angles_deg))
    guess = np.array(fit.angles_deg) if fit.sigma_deg is not None else np.median(np.diff(turned)) * places
    angles = guess + np.interp(places, read, turned - guess[read])
    return angles - angles[0]


def _steadied(picture: np.ndarray, affine: np.ndarray) -> np.ndarray:
    """The picture as the reference camera saw it."""
    import cv2

    if np.allclose(affine, np.eye(3)[:2], atol=1e-3):
        return picture
    return cv2.warpAffine(picture, affine, picture.shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _seen_by(view: RimView, affine: np.ndarray) -> RimView:
    """The reference's view in the frame's own pixels: moved, and leaning by its roll."""
    own = np.linalg.inv(np.vstack([affine, [0, 0, 1]]))
    front = np.array([view.axis_x, view.level + view.drop / (1 - view.near), 1.0])
    moved = (own @ front)[:2] - front[:2]
    lean = view.lean + float(np.arctan2(own[1, 0], own[0, 0]))
    return replace(view, axis_x=view.axis_x + float(moved[0]), level=view.level + float(moved[1]), lean=lean)
