"""A turntable drawn with exactly known truth, for tests: perspective camera, turned shapes, noise, faults.

Every pixel is a ray, met with a few solids in closed form, twice over in each direction and averaged.
Lengths in mm, angles in degrees; the disc's top is z = 0 with the axis through (0, 0); the camera
stands at +x and turning counter-clockwise seen from above carries the near rim to the right. Pixel
centres are at .0. The same arguments give the same bytes.

    table = Turntable(Scene(shape="pot"), width=640, height=480)
    angles = uneven_angles(24, seed=1, sigma_deg=1.0, skipped=(7,), repeated=(12,))
    pictures = [table.photo(angle, noise_seed=k) for k, angle in enumerate(angles)]
    table.axis_x, table.axis_y      where the axis meets the disc top
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

LAMP = np.array([0.55, -0.6, 0.58])  # towards it, in the world


@dataclass(frozen=True)
class Scene:
    """What stands on the disc, and under which light."""

    shape: str = "pot"  # pot: off-centre jug with handle, spout and knob; boat: long boxes; mug; jar: turned body alone
    texture: str = "speckled"  # speckled, label (a few printed marks), plain
    size_mm: float = 60.0  # radius of the body
    offset_mm: tuple[float, float] = (3.0, -2.0)  # of the body from the axis
    body_rgb: tuple[float, float, float] = (0.10, 0.30, 0.32)  # linear reflectance
    gloss: float = 0.25  # strength of the highlight, which doesn't turn
    disc_radius_mm: float = 165.0
    disc_rgb: tuple[float, float, float] = (0.75, 0.73, 0.70)
    marks: int = 30  # dark (or, on a dark disc, light) lines at the rim; 0: none
    zero_mark: bool = False  # one of them longer
    backdrop_rgb: tuple[float, float, float] = (0.70, 0.68, 0.64)
    clutter: bool = False  # still things at the picture's sides
    seed: int = 0  # of all textures


@dataclass(frozen=True)
class _Solid:
    kind: str  # cylinder (upright), ball, box
    at: tuple[float, float, float]  # foot centre (cylinder, box) or centre (ball)
    size: tuple[float, float, float]  # radius, top radius, height / radius / half length, half width, height
    rgb: tuple[float, float, float]
    texture: int  # which picture of the atlas; -1: plain


def _solids(scene: Scene) -> list[_Solid]:
    r, (x, y) = scene.size_mm, scene.offset_mm
    body, dark = scene.body_rgb, tuple(0.25 * value for value in scene.body_rgb)
    texture = -1 if scene.texture == "plain" else 0

    def cylinder(
        at: tuple[float, float, float], radius: float, top: float, height: float, rgb: tuple = body, wears: int = -1
    ) -> _Solid:
        return _Solid("cylinder", (x + at[0], y + at[1], at[2]), (radius, top, height), rgb, wears)

    if scene.shape == "jar":
        return [cylinder((0, 0, 0), r, 0.8 * r, 2.4 * r, body, texture)]
    if scene.shape == "mug":
        return [
            cylinder((0, 0, 0), r, r, 1.9 * r, body, texture),
            cylinder((1.35 * r, 0, 0.4 * r), 0.1 * r, 0.1 * r, 1.1 * r),
            _Solid("box", (x + 1.15 * r, y, 0.4 * r), (0.25 * r, 0.1 * r, 0.18 * r), body, -1),
            _Solid("box", (x + 1.15 * r, y, 1.35 * r), (0.25 * r, 0.1 * r, 0.18 * r), body, -1),
        ]
    if scene.shape == "boat":
        return [
            _Solid("box", (x, y, 0), (2.2 * r, 0.6 * r, 0.9 * r), body, texture),
            _Solid("box", (x - 0.5 * r, y, 0.9 * r), (0.8 * r, 0.4 * r, 0.6 * r), (0.6, 0.55, 0.42), texture),
            cylinder((-0.5 * r, 0.0, 1.5 * r), 0.2 * r, 0.22 * r, 0.5 * r, (0.7, 0.4, 0.05)),
            cylinder((1.2 * r, 0.0, 0.9 * r), 0.06 * r, 0.05 * r, 1.8 * r, (0.25, 0.13, 0.06)),
        ]
    return [
        cylinder((0, 0, 0), r, 0.85 * r, 2.6 * r, body, texture),
        cylinder((0, 0, 2.6 * r), 0.85 * r, 0.2 * r, 0.45 * r),
        _Solid("ball", (x, y, 3.2 * r), (0.22 * r,) * 3, dark, -1),
        cylinder((1.6 * r, 0.15 * r, 0.8 * r), 0.12 * r, 0.12 * r, 1.3 * r, dark),
        _Solid("box", (x + 1.25 * r, y + 0.15 * r, 1.95 * r), (0.4 * r, 0.12 * r, 0.2 * r), dark, -1),
        _Solid("box", (x + 1.25 * r, y + 0.15 * r, 0.7 * r), (0.4 * r, 0.12 * r, 0.2 * r), dark, -1),
        cylinder((-1.4 * r, -0.2 * r, 0.6 * r), 0.2 * r, 0.12 * r, 1.7 * r, body, texture),
    ]


def uneven_angles(
    count: int,
    *,
    seed: int = 0,
    sigma_deg: float = 0.0,
    skipped: Sequence[int] = (),
    repeated: Sequence[int] = (),
    sweep_deg: float = 360.0,
) -> np.ndarray:
    """Growing angles (count,) from 0 of a turn by hand.

    Each stop is off its mark by sigma_deg / √2, so that steps scatter by sigma_deg. skipped: frames before which the table went two
    marks; repeated: frames for which it wasn't turned. sweep_deg: from the first mark round to it again.
    """
    marks = count + len(skipped) - len(repeated)
    turned = np.cumsum([0 if k == 0 or k in repeated else 2 if k in skipped else 1 for k in range(count)])
    off = np.random.default_rng(seed).normal(0, sigma_deg / np.sqrt(2), marks + 1)
    off[0] = 0
    return turned * sweep_deg / marks + off[turned]


class Turntable:
    """A scene before a camera.

    elevation_deg: of the camera's axis below the horizontal; distance_mm: from the aim point, which lies on the axis
    aim_mm above the disc; pan_px: how far right of the picture's middle the axis appears (about);
    focal35_mm: 35 mm-equivalent focal length, by the diagonal.
    """

    def __init__(
        self,
        scene: Scene = Scene(),
        *,
        width: int = 640,
        height: int = 480,
        focal35_mm: float = 28.0,
        distance_mm: float = 620.0,
        elevation_deg: float = 16.0,
        aim_mm: float = 70.0,
        pan_px: float = 0.0,
        roll_deg: float = 0.0,
    ) -> None:
        self.scene, self.width, self.height = scene, width, height
        self.focal_px = focal35_mm / 43.27 * float(np.hypot(width, height))
        tilt, roll, pan = np.radians(elevation_deg), np.radians(roll_deg), np.arctan(pan_px / self.focal_px)
        level = np.array([[0, np.sin(tilt), -np.cos(tilt)], [1, 0, 0], [0, -np.cos(tilt), -np.sin(tilt)]])
        about_z = np.array([[np.cos(-pan), -np.sin(-pan), 0], [np.sin(-pan), np.cos(-pan), 0], [0, 0, 1]])
        about_sight = np.array([[np.cos(roll), np.sin(roll), 0], [-np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
        self.matrix = about_z @ level @ about_sight  # columns: right, down, forward
        self.eye = np.array([distance_mm * np.cos(tilt), 0.0, aim_mm + distance_mm * np.sin(tilt)])

    def project(self, points: np.ndarray) -> np.ndarray:
        """Pixels (…, 2) of points (…, 3) in mm."""
        seen = (np.asarray(points, float) - self.eye) @ self.matrix
        return seen[..., :2] / seen[..., 2:] * self.focal_px + [(self.width - 1) / 2, (self.height - 1) / 2]

    @property
    def axis_x(self) -> float:
        return float(self.project([0, 0, 0])[0])

    @property
    def axis_y(self) -> float:
        return float(self.project([0, 0, 0])[1])

    @property
    def axis_tilt_deg(self) -> float:
        """Lean of the axis in the picture over 100 mm, clockwise as seen is positive."""
        foot, top = self.project([[0, 0, 0], [0, 0, 100]])
        return float(np.degrees(np.arctan2(top[0] - foot[0], foot[1] - top[1])))

    @cached_property
    def solids(self) -> list[_Solid]:
        return _solids(self.scene)

    # ---- still parts, once

    @cached_property
    def _rays(self) -> np.ndarray:
        x = (np.arange(2 * self.width) - 0.5) / 2 - (self.width - 1) / 2
        y = (np.arange(2 * self.height) - 0.5) / 2 - (self.height - 1) / 2
        flat = np.stack(np.broadcast_arrays(x[None, :] / self.focal_px, y[:, None] / self.focal_px, 1.0), -1)
        return (flat @ self.matrix.T).astype(np.float32)

    @cached_property
    def _backdrop(self) -> np.ndarray:
        """float32 (2h, 2w, 3) linear: floor and wall with a soft bend, fall-off to the right, clutter."""
        rows, columns = self._rays.shape[:2]
        fall = np.linspace(1.05, 0.75, columns, dtype=np.float32)[None, :, None]
        bend = 1.0 - 0.12 * np.exp(-(((np.arange(rows) / rows - 0.45) / 0.05) ** 2)).astype(np.float32)[:, None, None]
        picture = np.asarray(self.scene.backdrop_rgb, np.float32) * fall * bend
        if self.scene.clutter:
            rng = np.random.default_rng(self.scene.seed + 7)
            for _ in range(10):
                side = rng.choice([0.0, 0.88])
                x0, y0 = int((side + rng.uniform(0, 0.07)) * columns), int(rng.uniform(0.05, 0.9) * rows)
                picture[y0 : y0 + rows // 12, x0 : x0 + columns // 25] = rng.uniform(0.05, 0.6, 3)
        return np.ascontiguousarray(picture)

    @cached_property
    def _atlas(self) -> np.ndarray:
        """float32 (512, 2048) around 1: the print on the body; columns go once round (about 0.2 mm each)."""
        rng = np.random.default_rng(self.scene.seed)
        grain = np.ones((512, 2048), np.float32)
        count = 900 if self.scene.texture == "speckled" else 0
        for x, y, size, level in zip(
            rng.integers(0, 2048, count),
            rng.integers(0, 512, count),
            rng.integers(2, 7, count),
            rng.uniform(0.3, 3.0, count),
        ):
            cv2.circle(grain, (int(x), int(y)), int(size), float(level), -1)
        if self.scene.texture != "plain":
            print_ = np.zeros(grain.shape, np.uint8)
            for letter in "SALTMARSH":
                place = int(rng.integers(60, 1988)), int(rng.integers(60, 440))
                cv2.putText(print_, letter, place, cv2.FONT_HERSHEY_SIMPLEX, 2.2, 255, 8)
            grain[print_ > 127] = 2.6
        return cv2.GaussianBlur(grain, (0, 0), 1.5)

    @cached_property
    def _disc_atlas(self) -> np.ndarray:
        """float32 (128, 4096) around 1: rim marks by angle (columns) and radius (rows, rim at the bottom)."""
        face = np.ones((128, 4096), np.float32)
        ink = 4.0 if np.mean(self.scene.disc_rgb) < 0.2 else 0.15
        for k in range(self.scene.marks):
            column = round((k + 0.5) * 4096 / self.scene.marks)
            long = 2 if self.scene.zero_mark and k == 0 else 1
            face[128 - 10 * long :, column - 5 : column + 6] = ink
        return cv2.GaussianBlur(face, (0, 0), 1.2)

    # ---- one frame

    def linear(self, angle_deg: float) -> tuple[np.ndarray, np.ndarray]:
        """Light (h, w, 3) float32 of a frame turned counter-clockwise by angle_deg, and the subject's coverage (h, w)."""
        rows, columns = slice(*self._box[0]), slice(*self._box[1])
        light = self._backdrop.copy()
        cover = np.zeros(light.shape[:2], np.float32)
        part, hit = self._turned_part(np.radians(angle_deg), self._rays[rows, columns], light[rows, columns])
        light[rows, columns], cover[rows, columns] = part, hit
        size = (self.width, self.height)
        return cv2.resize(light, size, interpolation=cv2.INTER_AREA), cv2.resize(
            cover, size, interpolation=cv2.INTER_AREA
        )

    @cached_property
    def _box(self) -> tuple[tuple[int, int], tuple[int, int]]:
        """Rows and columns of the doubled picture that the disc and the subject's swing cover."""
        swing = max(
            [self.scene.disc_radius_mm]
            + [float(np.hypot(*solid.at[:2])) + float(max(solid.size[:2])) * 1.1 for solid in self.solids]
        )
        top = max(solid.at[2] + solid.size[2] for solid in self.solids)
        around = np.linspace(0, 2 * np.pi, 64)
        ring = np.stack([swing * np.cos(around), swing * np.sin(around)], -1)
        edge = self.project(np.concatenate([np.c_[ring, np.full(64, z)] for z in (-8.0, top)])) * 2
        low, high = np.floor(edge.min(0) - 4).astype(int), np.ceil(edge.max(0) + 4).astype(int)
        return ((max(low[1], 0), min(high[1], 2 * self.height)), (max(low[0], 0), min(high[0], 2 * self.width)))

    def _turned_part(self, angle: float, rays: np.ndarray, behind: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        shape = rays.shape[:2]
        turn = np.array([[np.cos(angle), np.sin(angle), 0], [-np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
        own = rays.reshape(-1, 3) @ turn.T.astype(np.float32)  # into the object's frame
        eye = turn @ self.eye
        light, depth, hit = (
            behind.reshape(-1, 3).copy(),
            np.full(len(own), np.inf, np.float32),
            np.zeros(len(own), np.float32),
        )
        self._draw_disc(own, eye, rays.reshape(-1, 3), light, depth)
        for solid in self.solids:
            around = self._around(solid, turn, shape)
            for where, near, normal, grain in _met(solid, own[around], eye, self._atlas):
                where = around[where]
                front = near < depth[where]
                where, near, normal = where[front], near[front], normal[front]
                glance = own[where] / np.linalg.norm(own[where], axis=1, keepdims=True)
                light[where] = self._lit(np.asarray(solid.rgb) * _columns(grain[front]), normal @ turn, glance @ turn)
                depth[where], hit[where] = near, 1
        return light.reshape(*shape, 3), hit.reshape(shape)

    def _lit(self, rgb: np.ndarray, normal: np.ndarray, glance: np.ndarray) -> np.ndarray:
        """Light (m, 3) from surfaces (m, 3) of that reflectance; normals and sight lines (m, 3) in the world, of length 1."""
        half = LAMP - glance
        half /= np.linalg.norm(half, axis=1, keepdims=True)
        shade = 0.35 + 0.75 * np.maximum(normal @ LAMP, 0)
        shine = self.scene.gloss * np.maximum((normal * half).sum(1), 0) ** 60
        return rgb * shade[:, None] + shine[:, None]

    def _around(self, solid: _Solid, turn: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
        """Indices of the rays of the box (h, w) that may meet a solid: those round its corners' places."""
        wide, deep, high = (solid.size[0],) * 3 if solid.kind == "ball" else solid.size
        if solid.kind == "cylinder":
            wide = deep = max(solid.size[:2])
        low = -high if solid.kind == "ball" else 0.0
        ends = np.array([[x, y, z] for x in (-wide, wide) for y in (-deep, deep) for z in (low, high)])
        corners = 2 * self.project((ends + solid.at) @ turn) + 0.5  # turn: from the world to the object
        corners -= [self._box[1][0], self._box[0][0]]
        (x0, y0), (x1, y1) = np.floor(corners.min(0)).astype(int) - 1, np.ceil(corners.max(0)).astype(int) + 2
        rows, columns = np.arange(max(y0, 0), min(y1, shape[0])), np.arange(max(x0, 0), min(x1, shape[1]))
        return (rows[:, None] * shape[1] + columns).ravel()

    def _draw_disc(
        self, own: np.ndarray, eye: np.ndarray, still: np.ndarray, light: np.ndarray, depth: np.ndarray
    ) -> None:
        radius = self.scene.disc_radius_mm
        with np.errstate(divide="ignore"):
            near = np.where(own[:, 2] < 0, -eye[2] / own[:, 2], np.inf).astype(np.float32)
            edge = np.where(own[:, 2] < 0, -(eye[2] + 6.0) / own[:, 2], np.inf).astype(np.float32)
        for along, level, factor in ((edge, -6.0, 0.55), (near, 0.0, 1.0)):
            where = np.flatnonzero(np.isfinite(along))
            place = eye[:2] + along[where, None] * own[where, :2]
            inside = (place**2).sum(1) < radius**2
            where, place = where[inside], place[inside]
            grain = np.ones(len(where), np.float32)
            if level == 0.0:
                column = (np.arctan2(place[:, 1], place[:, 0]) / (2 * np.pi) % 1.0) * 4096
                row = 128 - (radius - np.hypot(*place.T))
                grain = _lookup(self._disc_atlas, column, row)
                world = self.eye[:2] + along[where, None] * still[where, :2]  # the shadow stays where the lamp puts it
                blot = ((world[:, 0] + 25) / 70) ** 2 + ((world[:, 1] - 45) / 60) ** 2
                grain = grain * (1 - 0.3 * np.exp(-blot)).astype(np.float32)
            light[where] = np.asarray(self.scene.disc_rgb) * (factor * grain)[:, None]
            depth[where] = along[where]

    def photo(
        self,
        angle_deg: float,
        *,
        noise_seed: int = 0,
        noise: float = 0.006,
        exposure: float = 1.0,
        white_gains: tuple[float, float, float] = (1.0, 1.0, 1.0),
        blur_px: float = 0.0,
        shake_px: float = 0.0,
        shift_px: tuple[float, float] = (0.0, 0.0),
        roll_deg: float = 0.0,
        hand: bool = False,
    ) -> np.ndarray:
        """uint8 (h, w, 3) sRGB of the table turned counter-clockwise by angle_deg.

        noise: standard deviation in linear light at white, falling with its square root; blur_px: Gaussian defocus; shake_px: length
        of a sideways smear; shift_px, roll_deg: the camera moved, the picture's content goes by so much (roll clockwise as seen,
        about the middle); hand: a hand and sleeve reach in from the right.
        """
        light = self.linear(angle_deg)[0]
        if hand:
            light = self._with_hand(light)
        if shift_px != (0.0, 0.0) or roll_deg:
            light = cv2.warpAffine(
                light,
                self.bump(shift_px, roll_deg),
                (self.width, self.height),
                flags=cv2.INTER_CUBIC,
                borderMode=cv2.BORDER_REPLICATE,
            )
        if blur_px:
            light = cv2.GaussianBlur(light, (0, 0), blur_px)
        if shake_px:
            light = _smeared(light, shake_px)
        light = light * np.float32(exposure) * np.asarray(white_gains, np.float32)
        rng = np.random.default_rng([self.scene.seed, noise_seed])
        light = light + rng.standard_normal(light.shape, dtype=np.float32) * noise * np.sqrt(np.maximum(light, 0.02))
        return _srgb(light)

    def bump(self, shift_px: tuple[float, float], roll_deg: float) -> np.ndarray:
        """(2, 3): pixel of the unmoved camera -> pixel of the moved one."""
        middle = np.array([(self.width - 1) / 2, (self.height - 1) / 2])
        cos_r, sin_r = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
        turn = np.array([[cos_r, -sin_r], [sin_r, cos_r]])  # y down: clockwise as seen
        return np.c_[turn, middle - turn @ middle + shift_px]

    def _with_hand(self, light: np.ndarray) -> np.ndarray:
        light = light.copy()
        w, h = self.width, self.height
        cv2.ellipse(light, (int(0.62 * w), int(0.62 * h)), (w // 9, h // 14), 15, 0, 360, (0.55, 0.33, 0.24), -1)
        cv2.line(light, (int(0.68 * w), int(0.64 * h)), (w + 20, int(0.82 * h)), (0.06, 0.08, 0.16), h // 7)
        return light


def _met(solid: _Solid, rays: np.ndarray, eye: np.ndarray, atlas: np.ndarray):
    """Yields, for each face: indices of rays that meet it, depth along the ray, normals (m, 3), grain (m,)."""
    if solid.kind == "box":
        yield from _met_box(solid, rays, eye, atlas)
    elif solid.kind == "ball":
        yield from _met_ball(solid, rays, eye)
    else:
        yield from _met_cylinder(solid, rays, eye, atlas)


def _met_ball(solid: _Solid, rays: np.ndarray, eye: np.ndarray):
    arm = eye - np.asarray(solid.at)
    a, b = (rays**2).sum(1), rays @ arm.astype(np.float32)
    root = b * b - a * (arm @ arm - solid.size[0] ** 2)
    where = np.flatnonzero(root > 0)
    near = (-b[where] - np.sqrt(root[where])) / a[where]
    normal = (arm + near[:, None] * rays[where]) / solid.size[0]
    yield where, near, normal, np.ones(len(where), np.float32)


def _met_cylinder(solid: _Solid, rays: np.ndarray, eye: np.ndarray, atlas: np.ndarray):
    radius, top, height = solid.size
    slope = (top - radius) / height
    arm = (eye - np.asarray(solid.at)).astype(np.float64)
    dx, dy, dz = rays.T.astype(np.float64)
    wide = radius + slope * arm[2]
    a = dx * dx + dy * dy - (slope * dz) ** 2
    b = dx * arm[0] + dy * arm[1] - slope * dz * wide
    root = b * b - a * (arm[0] ** 2 + arm[1] ** 2 - wide**2)
    where = np.flatnonzero((root > 0) & (np.abs(a) > 1e-12))
    near = (-b[where] - np.sqrt(root[where])) / a[where]
    place = arm + near[:, None] * rays[where]
    on = (place[:, 2] > 0) & (place[:, 2] < height) & (near > 0)
    where, near, place = where[on], near[on], place[on]
    normal = np.c_[
        place[:, :2] / np.maximum(np.hypot(place[:, 0], place[:, 1]), 1e-9)[:, None], np.full(len(place), -slope)
    ]
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    grain = np.ones(len(where), np.float32)
    if solid.texture >= 0:
        around = np.arctan2(place[:, 1], place[:, 0]) / (2 * np.pi) % 1.0
        grain = _lookup(atlas, around * 2048, place[:, 2] / max(height, 1) * 511)
    yield where, near.astype(np.float32), normal, grain
    cap = np.where(dz < 0, (height - arm[2]) / np.minimum(dz, -1e-9), np.inf)
    lid = np.flatnonzero(np.isfinite(cap))
    place = arm[:2] + cap[lid, None] * rays[lid, :2]
    inside = (place**2).sum(1) < top**2
    lid = lid[inside]
    yield (
        lid,
        cap[lid].astype(np.float32),
        np.broadcast_to([0.0, 0.0, 1.0], (len(lid), 3)),
        np.ones(len(lid), np.float32),
    )


def _met_box(solid: _Solid, rays: np.ndarray, eye: np.ndarray, atlas: np.ndarray):
    half = np.array([solid.size[0], solid.size[1], solid.size[2] / 2])
    arm = eye - np.asarray(solid.at) - [0, 0, half[2]]
    safe = np.where(np.abs(rays) < 1e-9, 1e-9, rays).astype(np.float64)
    first = (-np.sign(safe) * half - arm) / safe
    last = (np.sign(safe) * half - arm) / safe
    near, side = first.max(1), first.argmax(1)
    where = np.flatnonzero((near < last.min(1)) & (near > 0))
    near, side = near[where], side[where]
    place = arm + near[:, None] * rays[where]
    normal = np.zeros((len(where), 3))
    normal[np.arange(len(where)), side] = -np.sign(safe[where, side])
    grain = np.ones(len(where), np.float32)
    if solid.texture >= 0:
        along = np.where(side == 0, place[:, 1], place[:, 0]) + 300 * side + 150 * (normal.sum(1) > 0)
        up = np.where(side == 2, place[:, 1], place[:, 2])
        grain = _lookup(atlas, along * 5.0 + 900, up * 5.0 + 256)
    yield where, near.astype(np.float32), normal, grain


def _lookup(atlas: np.ndarray, column: np.ndarray, row: np.ndarray) -> np.ndarray:
    """Bilinear values, (m,) or (m, 3) as the atlas has, of an atlas that joins up sideways; rows outside repeat the edge."""
    if not len(column):
        return np.zeros(0, np.float32)
    wide = np.concatenate([atlas, atlas[:, :2]], 1)
    step = 30_000
    parts = [
        cv2.remap(
            wide,
            (column[k : k + step] % atlas.shape[1]).astype(np.float32)[:, None],
            row[k : k + step].astype(np.float32)[:, None],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ).reshape(-1, *atlas.shape[2:])
        for k in range(0, len(column), step)
    ]
    return np.concatenate(parts)


def _columns(grain: np.ndarray) -> np.ndarray:
    return grain if grain.ndim == 2 else grain[:, None]


def _smeared(light: np.ndarray, length_px: float) -> np.ndarray:
    half = int(np.ceil(length_px / 2))
    weight = np.clip(length_px / 2 - np.abs(np.arange(-half, half + 1)) + 0.5, 0, 1).astype(np.float32)
    return cv2.filter2D(light, -1, (weight / weight.sum())[None, :], borderType=cv2.BORDER_REPLICATE)


def _srgb(light: np.ndarray) -> np.ndarray:
    """uint8 of linear light by the curve of IEC 61966-2-1."""
    light = np.clip(light, 0.0, 1.0)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055)
    return np.clip(np.rint(coded * 255), 0, 255).astype(np.uint8)
