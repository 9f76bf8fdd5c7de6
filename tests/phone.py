"""What a phone makes of a scene: lens, exposure and white balance of its own accord, noise, smoothing, halos, JPEG.

The drawn turntable's frames become photographs by this, with truth known; and real photographs that scikit-image
carries become the print on its subject and the wall behind it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from skimage import data

from builder.colour import to_codes, to_light
from tests.turntable import Scene, Turntable


@dataclass(frozen=True)
class Phone:
    """How a phone shoots. Typical of a mid-range phone indoors (common practice, no source).

    distortion: outward move of the picture's corner, share of its distance from the middle (barrel: negative).
    wander_ev, wander_colour: frame-to-frame scatter of exposure and of red and blue against green, EV.
    shake_px: largest smear by an unsteady hand or stand, each frame in a direction of its own; sway_px, sway_deg:
    scatter of its place. noise: standard deviation in linear light at white. smooth: strength of the noise
    filter, encoded levels; halo: share of the detail that sharpening adds; soft_px: the lens's own blur, sigma.
    """

    distortion: float = -0.015
    vignette: float = 0.25
    wander_ev: float = 0.04
    wander_colour: float = 0.02
    shake_px: float = 0.0
    sway_px: float = 0.0
    sway_deg: float = 0.0
    noise: float = 0.015
    smooth: float = 12.0
    halo: float = 0.8
    soft_px: float = 0.6
    gains: tuple[float, float, float] = (1.1, 1.0, 0.85)
    exposure: float = 0.8

    def shoot(self, light: np.ndarray, seed: int) -> np.ndarray:
        """uint8 (h, w, 3) sRGB of linear light (h, w, 3)."""
        rng = np.random.default_rng([seed, 77])
        light = self._through_lens(light, rng)
        colour = 2.0 ** rng.normal(0, self.wander_colour, 3) * 2.0 ** rng.normal(0, self.wander_ev)
        light = light * (self.exposure * colour * self.gains).astype(np.float32)
        light += rng.standard_normal(light.shape, dtype=np.float32) * self.noise * np.sqrt(np.maximum(light, 0.01))
        codes = to_codes(light)
        if self.smooth:
            codes = cv2.bilateralFilter(codes, 5, 2.5 * self.smooth, 2.0)
        wide = codes.astype(np.float32)
        return np.clip(wide + self.halo * (wide - cv2.GaussianBlur(wide, (0, 0), 1.2)), 0, 255).round().astype(np.uint8)

    def _through_lens(self, light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        height, width = light.shape[:2]
        x, y = np.meshgrid(np.arange(width) - (width - 1) / 2, np.arange(height) - (height - 1) / 2)
        square = (x * x + y * y) / (width * width + height * height) * 4  # 1 at the corners
        turn = np.radians(rng.normal(0, self.sway_deg)) if self.sway_deg else 0.0
        move = rng.normal(0, self.sway_px, 2) if self.sway_px else np.zeros(2)
        scale = 1 - self.distortion * square  # to where the light comes from
        at_x = scale * (x * np.cos(turn) + y * np.sin(turn)) - move[0] + (width - 1) / 2
        at_y = scale * (y * np.cos(turn) - x * np.sin(turn)) - move[1] + (height - 1) / 2
        light = cv2.remap(
            light, at_x.astype(np.float32), at_y.astype(np.float32), cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        light = np.maximum(light, 0) * (1 - self.vignette * square[..., None]).astype(np.float32)
        light = cv2.GaussianBlur(light, (0, 0), self.soft_px)
        if self.shake_px:
            length, angle = rng.uniform(0, self.shake_px), rng.uniform(0, np.pi)
            light = smeared(light, length, angle)
        return light


def smeared(light: np.ndarray, length_px: float, angle: float) -> np.ndarray:
    """Light moved evenly along a straight way of so many px in a direction (radians) while the shutter is open."""
    half = int(np.ceil(length_px / 2)) + 1
    steps = np.linspace(-0.5, 0.5, 33)[:, None] * length_px * np.array([np.cos(angle), np.sin(angle)])
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for x, y in steps:
        column, row = int(np.floor(x)), int(np.floor(y))
        for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
            weight = (1 - abs(x - column - dx)) * (1 - abs(y - row - dy))
            kernel[half + row + dy, half + column + dx] += weight / len(steps)
    return cv2.filter2D(light, -1, kernel, borderType=cv2.BORDER_REPLICATE)


class PhotographedTable(Turntable):
    """A drawn turntable whose subject wears a real photograph in its colours, before a wall that is one too where
    `wall` names it. Names are those of skimage.data."""

    def __init__(self, scene: Scene = Scene(), *, wears: str = "coffee", wall: str = "", **options) -> None:
        super().__init__(scene, **options)
        self.wears, self.wall = wears, wall

    @property
    def _atlas(self) -> np.ndarray:
        return self._print

    @cached_property
    def _print(self) -> np.ndarray:
        half = cv2.resize(_photograph(self.wears), (1024, 512), interpolation=cv2.INTER_AREA)
        both = np.concatenate([half, half[:, ::-1]], axis=1)  # joins up
        return np.ascontiguousarray(np.clip(both / half.mean(), 0.1, 3.0).astype(np.float32))

    @cached_property
    def _backdrop(self) -> np.ndarray:
        picture = Turntable._backdrop.func(self)
        if not self.wall:
            return picture
        height, width = picture.shape[:2]
        texture = cv2.resize(_photograph(self.wall), (width, height // 2), interpolation=cv2.INTER_AREA)
        picture = picture.copy()
        picture[: height // 2] *= np.clip(texture / texture.mean(), 0.3, 1.5) * np.float32(0.7)
        return picture


def _photograph(name: str) -> np.ndarray:
    """Linear light (h, w, 3) of a picture of skimage.data."""
    picture = getattr(data, name)()
    return to_light(picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, axis=2))
