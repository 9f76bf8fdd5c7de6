"""What the finish stage hands on: the plan of a spin and a finished frame."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

import cv2
import numpy as np

from builder import colour
from builder.finished.hull import Hull
from builder.finished.tints import ShadeTints
from builder.spin import Affine, Finding, Photo

Rgb = tuple[float, float, float]


@dataclass(frozen=True, eq=False, slots=True)
class Finished:
    """One finished frame, before output sharpening."""

    pixels: np.ndarray  # uint8 (h, w, 3) sRGB; (h, w, 4) with straight alpha for a transparent backdrop
    matte: np.ndarray | None  # uint8 (h, w), coverage of the subject; None where no matte was made
    to_output: Affine  # source pixel of the upright photo -> pixel of `pixels`


HULL_SIDE = 320  # px, long side of the frames and the set from which a hull is carved


@dataclass(frozen=True, eq=False, slots=True)
class CleanSet:
    """The set with the subject gone, on a grid that covers the output's box. sRGB codes of evened frames, float16."""

    colour: np.ndarray  # (h, w, 3)
    seen: np.ndarray  # bool (h, w): some frames show the backdrop here
    steady: np.ndarray  # bool (h, w): too far behind the subject for its shade
    spread: np.ndarray  # (h, w): codes by which the backdrop itself varies
    stands: np.ndarray  # bool (h, w): the same thing that isn't backdrop stands here in most frames
    lit: np.ndarray  # (h, w, 3): colour without the subject's own shade
    way: np.ndarray  # bool (h, w): where the subject passes in any frame
    clear: np.ndarray  # (h, w): share of the frames that could show the backdrop here
    tints: ShadeTints | None = None  # what shade on it looks like; None: that isn't known

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the grid."""
        return self.way.shape[1], self.way.shape[0]

    def light(self) -> np.ndarray:
        """The plate in linear light, float32 (h, w, 3)."""
        return colour.to_light(np.rint(self.colour).astype(np.uint8))

    def as_float(self) -> "CleanSet":
        """The same as float32, for arithmetic."""
        return replace(
            self,
            colour=self.colour.astype(np.float32),
            spread=self.spread.astype(np.float32),
            lit=self.lit.astype(np.float32),
            clear=self.clear.astype(np.float32),
        )

    def reduced(self) -> "CleanSet":
        """The same, all of it averaged down to HULL_SIDE, as float32."""
        whole = self.as_float()
        arrays = {one.name: getattr(whole, one.name) for one in fields(CleanSet) if one.name != "tints"}
        return replace(whole, **{name: reduced(values) for name, values in arrays.items()})


def reduced(values: np.ndarray) -> np.ndarray:
    """An array (h, w, …) averaged down to HULL_SIDE unless it is as small; bool stays bool, by majority."""
    factor = HULL_SIDE / max(values.shape[:2])
    if factor >= 1:
        return values
    size = (max(1, round(factor * values.shape[1])), max(1, round(factor * values.shape[0])))
    if values.dtype == bool:
        return cv2.resize(values.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.5
    return cv2.resize(values, size, interpolation=cv2.INTER_AREA)


@dataclass(frozen=True, eq=False, slots=True)
class FinishPlan:
    """Everything about a turn that its frames share, worked out once. Picklable; some megabytes."""

    photos: tuple[Photo, ...]
    width: int  # full size, px
    height: int
    placement: Affine  # reference pixel -> output pixel at full size
    to_reference: tuple[Affine, ...]  # one a frame: source pixel -> reference pixel
    evening: tuple[Rgb, ...]  # one a frame: linear gains that even it to the turn
    balance: Rgb  # white balance × exposure, linear, for the whole turn
    across: np.ndarray | None  # gains (n, 3) at n even columns that even the light's colour; None: none
    axis_x: float  # of the turn, in output pixels at full size
    px_per_mm: float | None
    keep: bool  # geometry only
    backdrop: tuple[int, int, int] | None  # sRGB codes of the new backdrop; None: kept or transparent
    transparent: bool = False
    shadow: float = 0.0
    contrast: float = 0.0
    saturation: float = 0.0
    clean_set: CleanSet | None = None  # None: no matte can be made
    hull: Hull | None = None  # where the subject can be; None: angles or camera aren't known
    turned: tuple[float, ...] = ()  # with a hull, one a frame: radians, counter-clockwise seen from above
    notes: tuple[str, ...] = ()  # where a milder treatment was chosen, in words
    findings: tuple[Finding, ...] = ()  # why the old backdrop had to stay
    numbers: dict[str, float] = field(default_factory=dict)  # what was measured on the way, for `explain`

    @property
    def gains(self) -> tuple[Rgb, ...]:
        """One a frame: all its linear factors, evening × white balance × exposure."""
        return tuple(tuple(e * b for e, b in zip(even, self.balance)) for even in self.evening)

    def to_output(self, index: int) -> Affine:
        """Frame `index`: source pixel of the upright photo -> output pixel at full size."""
        square = [np.vstack([affine, [0, 0, 1]]) for affine in (self.placement, self.to_reference[index])]
        return tuple(tuple(map(float, row)) for row in (square[0] @ square[1])[:2])

    def reach(self, index: int) -> np.ndarray | None:
        """Where the subject can be in a frame: bool (h, w) on the clean set's grid; None where that isn't known."""
        return None if self.hull is None else self._wide(self.hull.outline(self.turned[index]))

    def agreed(self, index: int) -> np.ndarray | None:
        """Where the subject's room is filled as far as frames agree: as `reach`."""
        return None if self.hull is None else self._wide(self.hull.agreed_outline(self.turned[index]))

    def _wide(self, outline: np.ndarray) -> np.ndarray:
        """A hull's outline on the clean set's grid, clear of the edge, which is finer than the cells."""
        outline = cv2.resize(outline.astype(np.uint8), self.clean_set.size, interpolation=cv2.INTER_NEAREST)
        return cv2.dilate(outline, np.ones((5, 5), np.uint8)) > 0

    def column_gains(self, width: int) -> np.ndarray:
        """Gains (width, 3), float32, of the output's columns: balance, and the light's change of colour taken out."""
        balance = np.asarray(self.balance, np.float32)
        if self.across is None:
            return np.broadcast_to(balance, (width, 3))
        place = (np.arange(width) + 0.5) * len(self.across) / width - 0.5
        knots = np.arange(len(self.across))
        return np.stack([np.interp(place, knots, one) for one in self.across.T], axis=1).astype(np.float32) * balance

    def size_at(self, width: int | None) -> tuple[int, int]:
        """Size (w, h) of the finished frame at a width, px; never larger than full size."""
        if width is None or width >= self.width:
            return self.width, self.height
        return width, max(1, round(self.height * width / self.width))
