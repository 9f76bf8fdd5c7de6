"""Surfaces that mirror the room: white glaze on white paper, gloss black, brass, clear glass, on the drawn turntable.

What a surface mirrors depends on which way it faces, not on which part of it faces there: on a round body the window's
picture stays where it is while the body turns. Reflection by Schlick's (1994) approximation of Fresnel's formulas.

    table = StudioTable("glaze", Scene(texture="plain", body_rgb=(0.75, 0.75, 0.73)), width=640, height=480)
    picture = table.photo(angle_deg)
"""

from __future__ import annotations

from functools import cached_property

import cv2
import numpy as np

from tests.turntable import Scene, Turntable, _Solid

HEAD_ON = {"glaze": 0.04, "black": 0.05, "brass": 0.65}  # share of light that a surface mirrors when seen head on
WINDOW = 5.0  # its light against a white sheet's
BRASS = np.array([0.95, 0.72, 0.36])


def room(way: np.ndarray) -> np.ndarray:
    """Light (m,) that comes from directions (m, 3): a window with a crossbar on the left, bright table, dim walls."""
    round_, up = np.degrees(np.arctan2(way[:, 1], way[:, 0])), np.degrees(np.arcsin(np.clip(way[:, 2], -1, 1)))
    light = np.where(up > 0, 0.22 + 0.004 * np.maximum(up, 0), 0.6)  # walls to ceiling; the paper below
    light = np.where((np.abs(round_) < 14) & (np.abs(up - 8) < 22), 0.05, light)  # the camera and who stands behind it
    pane = (np.abs(round_ + 62) < 22) & (np.abs(up - 10) < 34)  # low enough for an upright side to mirror it
    bar = (np.abs(round_ + 62) < 1.5) | (np.abs(up + 12) < 1.2)
    return np.where(pane & ~bar, WINDOW, light)


class StudioTable(Turntable):
    """surface: one of HEAD_ON, of what stands on the disc. glass: a clear chimney round the axis between two metal parts,
    in place of the scene's shape."""

    def __init__(self, surface: str, scene: Scene = Scene(), *, glass: bool = False, **options) -> None:
        super().__init__(scene, **options)
        self.surface, self.glass = surface, glass

    @cached_property
    def solids(self) -> list[_Solid]:
        if not self.glass:
            return super().solids
        r, (x, y), rgb = self.scene.size_mm, self.scene.offset_mm, self.scene.body_rgb
        parts = [
            ("cylinder", (0, 0, 0), (r, 0.8 * r, 0.9 * r)),
            ("cylinder", (0, 0, 2.5 * r), (0.7 * r, 0.5 * r, 0.3 * r)),
            ("cylinder", (1.15 * r, 0, 0.3 * r), (0.12 * r, 0.12 * r, 0.5 * r)),
            ("box", (0.95 * r, 0, 0.45 * r), (0.25 * r, 0.08 * r, 0.2 * r)),
            ("cylinder", (0.1 * r, 0.05 * r, 0.9 * r), (0.2 * r, 0.15 * r, 0.5 * r)),
            ("ball", (0.5 * r, 0.2 * r, 2.9 * r), (0.14 * r,) * 3),
        ]
        return [_Solid(kind, (x + at[0], y + at[1], at[2]), size, rgb, -1) for kind, at, size in parts]

    def _lit(self, rgb: np.ndarray, normal: np.ndarray, glance: np.ndarray) -> np.ndarray:
        facing = -(normal * glance).sum(1)
        way = glance + 2 * facing[:, None] * normal
        head_on = HEAD_ON[self.surface]
        mirrored = head_on + (1 - head_on) * (1 - np.clip(facing, 0, 1)) ** 5
        # A window's wide light
        soft = 0.55 + 0.35 * np.clip(normal @ np.array([0.42, -0.72, 0.55]), -0.5, 1) + 0.1 * normal[:, 2]
        if self.surface == "brass":
            return BRASS * ((1 - mirrored) * 0.3 * soft + mirrored * room(way))[:, None]
        return rgb * ((1 - mirrored) * soft)[:, None] + (mirrored * room(way))[:, None]

    def _turned_part(self, angle: float, rays: np.ndarray, behind: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        light, hit = super()._turned_part(angle, rays, behind)
        return self._through_glass(angle, rays, light, hit) if self.glass else (light, hit)

    def _through_glass(
        self, angle: float, rays: np.ndarray, light: np.ndarray, hit: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """A thin upright cylinder: what lies behind, drawn in towards its sides and darker there, and the room mirrored."""
        r, (ox, oy) = self.scene.size_mm, self.scene.offset_mm
        x, y = ox * np.cos(angle) - oy * np.sin(angle), ox * np.sin(angle) + oy * np.cos(angle)
        radius, low, high = 0.68 * r, 0.9 * r, 2.5 * r
        dx, dy, dz = np.moveaxis(rays.astype(float), -1, 0)
        arm = self.eye - [x, y, 0]
        a, b = dx * dx + dy * dy, dx * arm[0] + dy * arm[1]
        root = b * b - a * (arm[0] ** 2 + arm[1] ** 2 - radius**2)
        near = (-b - np.sqrt(np.maximum(root, 0))) / a
        up = self.eye[2] + near * dz
        seen = (root > 0) & (up > low) & (up < high)
        normal = np.stack([arm[0] + near * dx, arm[1] + near * dy, np.zeros_like(near)], -1) / radius
        glance = rays / np.linalg.norm(rays, axis=-1, keepdims=True)
        facing = np.clip(-(normal * glance).sum(-1), 0, 1)
        # a wall of a tenth of the radius bends the sight by about that, most near the sides
        aside = 0.12 * (1 - facing) * np.sign(normal[..., 1]) * radius * 2 * self.focal_px / np.hypot(*arm[:2])
        columns, rows = np.meshgrid(
            np.arange(rays.shape[1], dtype=np.float32), np.arange(rays.shape[0], dtype=np.float32)
        )
        through = cv2.remap(
            light, (columns - aside).astype(np.float32), rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        mirrored = 0.08 + 0.92 * (1 - facing) ** 5
        way = (glance + 2 * facing[..., None] * normal)[seen]
        light = light.copy()
        light[seen] = through[seen] * ((1 - mirrored) * 0.95)[seen][:, None] + (mirrored[seen] * room(way))[:, None]
        return light.astype(np.float32), np.where(seen, 1, hit)
