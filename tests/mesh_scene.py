"""Meshes that packages carry, on the drawn turntable: a small z-buffer, a solid texture, shading that doesn't turn.

The meshes are those of the npm packages bunny 1.0.1 and teapot 1.0.0 (both public domain), fetched by tests/run.

    table = MeshTable(read_mesh("bunny"), texture="noise", seed=1, width=640, height=480)
    picture = table.photo(angle_deg)
"""

from __future__ import annotations

import json
import re
from functools import cached_property
from pathlib import Path

import numpy as np
from scipy.ndimage import map_coordinates

from tests.turntable import Scene, Turntable

FILES = {"bunny": "bunny/index.js", "teapot": "teapot/teapot.js"}
MODULES = Path(__file__).parent / ".out" / "node_modules"
LAMP = np.array([0.55, -0.6, 0.58])


def read_mesh(name: str) -> tuple[np.ndarray, np.ndarray] | None:
    """Corners (v, 3), z up, and triangles (t, 3); None when the package isn't there."""
    path = MODULES / FILES[name]
    if not path.is_file():
        return None
    text = path.read_text()
    lists = {key: re.search(rf"exports\.{key}\s*=\s*(\[\[.*?\]\])", text, re.S) for key in ("positions", "cells")}
    corners, triangles = (np.array(json.loads(lists[key].group(1))) for key in ("positions", "cells"))
    return corners[:, [0, 2, 1]] * [1, -1, 1], triangles.astype(int)


class MeshTable(Turntable):
    """A mesh on the disc. texture: noise (mottled all over), spots (a few), plain. offset_mm: of the mesh from the axis."""

    def __init__(
        self,
        mesh: tuple[np.ndarray, np.ndarray],
        *,
        texture: str = "noise",
        seed: int = 0,
        radius_mm: float = 75.0,
        gloss: float = 0.2,
        offset_mm: tuple[float, float] = (6.0, -4.0),
        rgb=(0.30, 0.24, 0.16),
        marks: int = 30,
        **camera: float,
    ) -> None:
        # the scene's own body is shrunk to nothing, inside the mesh
        super().__init__(
            Scene(shape="jar", texture="plain", size_mm=0.1, offset_mm=offset_mm, seed=seed, marks=marks), **camera
        )
        corners, self.triangles = mesh
        corners = corners - (corners.min(0) + corners.max(0)) / 2
        corners = corners * (radius_mm / np.hypot(corners[:, 0], corners[:, 1]).max())
        self.corners = corners - [0, 0, corners[:, 2].min()] + [*offset_mm, 0]
        a, b, c = (self.corners[self.triangles[:, k]] for k in range(3))
        face = np.cross(b - a, c - a)
        normals = np.zeros_like(self.corners)
        for k in range(3):
            np.add.at(normals, self.triangles[:, k], face)
        self.normals = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
        self.texture, self.gloss, self.rgb, self.seed = texture, gloss, np.array(rgb), seed

    @cached_property
    def _box(self) -> tuple[tuple[int, int], tuple[int, int]]:
        return (0, 2 * self.height), (0, 2 * self.width)

    def _turned_part(self, angle: float, rays: np.ndarray, behind: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        light, hit = super()._turned_part(angle, rays, behind)
        turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
        world = self.corners @ turn.T
        triangle, share = self._nearest(world)
        rows, columns = np.nonzero(triangle >= 0)
        ends = self.triangles[triangle[rows, columns]]
        share = share[rows, columns][..., None]
        place = (share * self.corners[ends]).sum(1)
        normal = (share * self.normals[ends]).sum(1) @ turn.T
        glance = rays[rows, columns] / np.linalg.norm(rays[rows, columns], axis=1, keepdims=True)
        normal *= -np.sign((normal * glance).sum(1, keepdims=True))  # whichever way the mesh winds
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
        half = LAMP / np.linalg.norm(LAMP) - glance
        half /= np.linalg.norm(half, axis=1, keepdims=True)
        shade = 0.35 + 0.75 * np.maximum(normal @ LAMP, 0)
        shine = self.gloss * np.maximum((normal * half).sum(1), 0) ** 60
        light[rows, columns] = self.rgb * (shade * self._grain(place))[:, None] + shine[:, None]
        hit[rows, columns] = 1
        return light, hit

    def _nearest(self, world: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """For each pixel of the doubled picture the nearest triangle (−1: none) and the weights of its corners."""
        seen = (world - self.eye) @ self.matrix
        xy = 2 * (seen[:, :2] / seen[:, 2:] * self.focal_px + [(self.width - 1) / 2, (self.height - 1) / 2]) + 0.5
        shape = (2 * self.height, 2 * self.width)
        depth, which, share = np.full(shape, np.inf), np.full(shape, -1), np.zeros((*shape, 3))
        flat, inverse = xy[self.triangles], 1 / seen[self.triangles, 2]
        low = np.maximum(np.ceil(flat.min(1)), 0).astype(int)
        high = np.minimum(np.floor(flat.max(1)), [shape[1] - 1, shape[0] - 1]).astype(int)
        for k in np.flatnonzero((high >= low).all(1)):
            (x0, y0), (x1, y1) = low[k], high[k]
            p, q, r = flat[k]
            area = (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])
            if abs(area) < 1e-9:
                continue
            x, y = np.arange(x0, x1 + 1)[None], np.arange(y0, y1 + 1)[:, None]
            b = ((x - p[0]) * (r[1] - p[1]) - (y - p[1]) * (r[0] - p[0])) / area
            c = ((q[0] - p[0]) * (y - p[1]) - (q[1] - p[1]) * (x - p[0])) / area
            weight = np.stack([1 - b - c, b, c], -1) * inverse[k]  # weights straight in the picture are bent in space
            near = 1 / weight.sum(-1)
            here = depth[y0 : y1 + 1, x0 : x1 + 1]
            inside = (np.minimum(np.minimum(b, c), 1 - b - c) >= -1e-9) & (near < here)
            here[inside] = near[inside]
            which[y0 : y1 + 1, x0 : x1 + 1][inside] = k
            share[y0 : y1 + 1, x0 : x1 + 1][inside] = (weight * near[..., None])[inside]
        return which, share

    @cached_property
    def _lattice(self) -> np.ndarray:
        return np.random.default_rng(self.seed).uniform(0, 1, (32, 32, 32))

    def _grain(self, place: np.ndarray) -> np.ndarray:
        """Reflectance around 1 of places (m, 3) of the mesh, mm: the same stuff all through."""
        if self.texture == "plain":
            return np.ones(len(place))
        if self.texture == "spots":
            rng = np.random.default_rng(self.seed + 1)
            centres = self.corners[rng.integers(0, len(self.corners), 14)]
            nearest = np.linalg.norm(place[:, None] - centres, axis=2)
            return np.where((nearest < rng.uniform(3, 8, 14)).any(1), 0.25, 1.0)
        layers = [
            (map_coordinates(self._lattice, (place / size).T, order=1, mode="grid-wrap") - 0.5) * weight
            for size, weight in ((12.0, 0.9), (4.0, 0.9))
        ]
        return np.maximum(1.0 + sum(layers), 0.05)
