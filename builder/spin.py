"""Plain values that travel between the stages. No files, no arrays, no imports from the stages.

Coordinates are pixels of the upright source photo, x right, y down, a pixel's centre at .0.
Angles are degrees. A frame *index* counts from 0 (code); a frame *number* from 1 (printed).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

Turn = Literal["clockwise", "counterclockwise"]
Severity = Literal["note", "warn", "fail"]
Verdict = Literal["ready", "notes", "reshoot"]
Affine = tuple[tuple[float, float, float], tuple[float, float, float]]

KINDS = (
    "duplicate",
    "skipped-step",
    "uneven-steps",
    "blurred",
    "bumped",
    "obstructed",
    "flicker",
    "exposure-drift",
    "cast",
    "clipped",
    "cut-off",
    "off-axis",
    "open-loop",
    "size-mismatch",
    "unreadable",
    "too-few-frames",
    "small-frames",
)

FILM_ENDINGS = frozenset(".mov .mp4 .m4v .webm .avi .3gp".split())

IDENTITY: Affine = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo file as delivered; `frames.read_photo` is the only way to its pixels."""

    path: Path
    width: int  # upright, px
    height: int  # upright, px
    orientation: int = 1  # Exif orientation 1..8, CIPA DC-008
    taken_s: float | None = None  # Exif time of shooting, seconds; only differences mean anything
    focal35_mm: float | None = None  # 35 mm-equivalent focal length by Exif


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A file that should have been a photo and isn't."""

    path: Path
    why: str


@dataclass(frozen=True, slots=True)
class PhotoSet:
    """What a frames folder holds, in turning order as far as names or times tell."""

    photos: tuple[Photo, ...]
    unreadable: tuple[Unreadable, ...] = ()
    notes: tuple[str, ...] = ()  # what was skipped and why, in words


@dataclass(frozen=True, slots=True)
class FilmTake:
    """The frames taken from a film of the turn, in turning order, and what was noticed on the way."""

    names: tuple[str, ...]  # files, named by their time in the film
    angles_deg: tuple[float, ...]  # where they were taken; measured again afterwards, as for photos
    start_s: float  # of the turn used, in the film
    end_s: float
    turned_deg: float | None  # 360 for a whole turn; None: not known
    closed: bool  # whether the ends meet
    judged: bool  # whether the angles were measured
    turns: float  # whole turns the film holds, 0: not even one
    wanted: int  # frames asked for
    turned_sigma_deg: float = 0.0  # standard error of turned_deg; 0 where the ends are seen to meet or nearly so
    off_deg: float | None = None  # typical error of angles_deg in a closed turn; None: not known
    # Sigma by which edges are softer than at rest; 0: not to be seen; None: no rest in the film
    smear_px: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """Something noticed: what, where, and what to do about it."""

    kind: str  # one of KINDS
    frames: tuple[int, ...]  # indices
    severity: Severity
    measured: float
    limit: float
    message: str
    advice: str


@dataclass(frozen=True, slots=True)
class FrameMeasure:
    """Numbers about one frame. None: could not be measured."""

    index: int
    file: str
    angle_deg: float | None = None  # grows with the frame, 0 at frame 0
    step_deg: float | None = None  # turn from the frame before; frame 0: from the last, over the seam
    sharpness: float | None = None  # 1 = as sharp as its neighbours in angle
    exposure_ev: float | None = None  # log2 of the backdrop's light against the spin's median
    cast: tuple[float, float] | None = None  # CIELAB a*, b* of the backdrop
    shift_px: tuple[float, float] = (0.0, 0.0)  # of the picture's centre, from the spin's reference
    roll_deg: float = 0.0  # clockwise as seen is positive
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)  # linear r, g, b that evens this frame to the spin's median
    to_reference: Affine = IDENTITY  # source pixel of this frame -> pixel of the spin's reference
    blur_px: float | None = None  # sigma of blur beyond the neighbours', px of the widest output


@dataclass(frozen=True, slots=True)
class TurnCamera:
    """The camera over the turntable, as fitted with the turn. Lengths are in camera-to-axis distances.

    Angles in radians: pan away from the axis, tilt of the line of sight below the horizontal, roll about it.
    """

    pan: float
    tilt: float
    roll: float
    focal_px: float  # px of the upright source photo
    centre: tuple[float, float]  # principal point, px of the spin's reference, pixel centres at .0


@dataclass(frozen=True, slots=True)
class SpinMeasures:
    """Numbers about a turn as a whole, its frames, and the findings drawn from them."""

    slug: str
    source: str
    frame_count: int
    frames: tuple[FrameMeasure, ...]
    findings: tuple[Finding, ...] = ()
    verdict: Verdict = "ready"
    axis_x: float | None = None  # column where the rotation axis meets the disc top
    axis_tilt_deg: float = 0.0  # lean of the axis in the picture, clockwise as seen is positive
    turn: Turn | None = None
    angle_sigma_deg: float | None = None  # None: steps can't be judged
    neutral_gain: tuple[float, float, float] = (1.0, 1.0, 1.0)  # linear white-balance gains, g = 1
    camera: TurnCamera | None = None  # None: where steps can't be judged, no camera is known
    # Outline of the coded rim tape, px of the spin's reference; empty: none read
    tape: tuple[tuple[float, float], ...] = ()
