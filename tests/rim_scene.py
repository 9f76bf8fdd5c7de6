"""Draws a disc with the coded tape as a camera sees it: rays against a cylinder, so no formula is shared with
the reader."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from builder.rim.code import BAND_SHARE, black_bars


@dataclass(frozen=True)
class Scene:
    """A camera looking at a disc's axis; lengths in mm, x of the axis in the middle of the picture plus
    offset_px.
    """

    radius: float = 165
    height: float = 15
    distance: float = 800
    elevation_deg: float = 12
    focal_px: float = 1900
    width: int = 1000
    rows: int = 400
    aim_mm: float = 0  # the camera looks at the axis this far above the disc top
    offset_px: float = 0
    roll_deg: float = 0


def draw(
    scene: Scene,
    angle_deg: float,
    *,
    blur_px: float = 0.8,
    noise: float = 0.01,
    seed: int = 0,
    ink: float = 0.06,
    paper: float = 0.85,
    disc: float = 0.8,
    table: float = 0.4,
    cover: tuple | None = None,
    coded: bool = True,
) -> np.ndarray:
    """Linear grey 0..1, (rows, width). angle_deg: the tape's place that faces the camera."""
    from scipy.ndimage import gaussian_filter

    fine = 2  # rays a pixel, squared
    rows, columns = np.mgrid[0 : scene.rows * fine, 0 : scene.width * fine].astype(np.float32)
    u = (columns + 0.5) / fine - 0.5 - (scene.width - 1) / 2 - scene.offset_px
    v = (rows + 0.5) / fine - 0.5 - (scene.rows - 1) / 2
    roll = np.radians(scene.roll_deg)
    u, v = u * np.cos(roll) + v * np.sin(roll), -u * np.sin(roll) + v * np.cos(roll)
    tilt = np.radians(scene.elevation_deg)
    # camera axes: x right, forward to the aim, down; the world: x right, y away from the camera, z up
    eye = np.array([0, -scene.distance * np.cos(tilt), scene.aim_mm + scene.distance * np.sin(tilt)])
    forward, down = np.array([0, np.cos(tilt), -np.sin(tilt)]), np.array([0, -np.sin(tilt), -np.cos(tilt)])
    ray_x = u
    ray_y = forward[1] * scene.focal_px + v * down[1]
    ray_z = forward[2] * scene.focal_px + v * down[2]
    picture = np.full(u.shape, table)
    # the rim: |(x, y)| = radius, nearest hit
    a, b = ray_x**2 + ray_y**2, eye[1] * ray_y
    root = b**2 - a * (eye[1] ** 2 - scene.radius**2)
    hit = root > 0
    t = np.where(hit, (-b - np.sqrt(np.where(hit, root, 0))) / a, 0)
    z = eye[2] + t * ray_z
    x, y = t * ray_x, eye[1] + t * ray_y
    on_rim = hit & (z <= 0) & (z >= -scene.height) & (t > 0)
    phi = np.degrees(np.arctan2(x, -y))
    place = ((phi + angle_deg) % 360) / 360
    bars = np.array(black_bars()).ravel()
    black = (np.searchsorted(bars, place, side="right") % 2 == 1) & (z > -scene.height * BAND_SHARE)
    picture[on_rim] = np.where(black[on_rim] & coded, ink, paper)
    # the disc's top: z = 0 inside the radius
    s = np.where(ray_z < 0, -eye[2] / np.where(ray_z < 0, ray_z, -1), 0)
    top = (ray_z < 0) & ((s * ray_x) ** 2 + (eye[1] + s * ray_y) ** 2 < scene.radius**2)
    picture[top] = disc
    picture = picture.reshape(scene.rows, fine, scene.width, fine).mean((1, 3))
    if cover:
        left, right, grey = cover
        picture[int(scene.rows * 0.2) :, int(left) : int(right)] = grey
    rng = np.random.default_rng(seed)
    light = 0.75 + 0.5 * np.linspace(0, 1, scene.width)  # a window at one side
    return np.clip(gaussian_filter(picture * light, blur_px) + rng.normal(0, noise, picture.shape), 0, 1)
