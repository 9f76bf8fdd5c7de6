"""Drawn turntable sequences with exact masks for the finish: white on white, gloss black, clear glass, odd backdrops.

`drawn_turn` writes photos as a phone would (noise, flicker, cast, JPEG) and returns them with what a faultless check
would measure and with the true mask of each frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from builder.frames.photos import find_photos
from builder.spin import FrameMeasure, Photo, SpinMeasures, TurnCamera
from tests.pictures import write_photo
from tests.turntable import Scene, Turntable, _srgb

CAST = (1.10, 1.0, 0.88)  # linear, of a warm room light
WHITE = (0.72, 0.71, 0.69)  # white glaze: as bright as the board it stands on
SCENES = {
    "pot": Scene(),
    "white pot": Scene(body_rgb=WHITE, texture="plain"),
    "white mug": Scene(shape="mug", body_rgb=(0.78, 0.78, 0.78), texture="label"),
    "centred mug": Scene(shape="mug", body_rgb=WHITE, texture="plain", offset_mm=(0.0, 0.0)),  # its body hardly changes
    "centred black mug": Scene(
        shape="mug",
        body_rgb=(0.03, 0.03, 0.03),
        texture="plain",
        offset_mm=(0.0, 0.0),
        disc_rgb=(0.05, 0.05, 0.05),
        backdrop_rgb=(0.06, 0.055, 0.05),
    ),
    "black pot": Scene(body_rgb=(0.02, 0.02, 0.02), texture="plain", gloss=0.5),
    "black on black": Scene(
        body_rgb=(0.02, 0.02, 0.02),
        texture="plain",
        disc_rgb=(0.05, 0.05, 0.05),
        backdrop_rgb=(0.06, 0.055, 0.05),
        gloss=0.5,
    ),
    "glass": Scene(shape="mug", body_rgb=(0.45, 0.30, 0.08), texture="plain"),
    "boat": Scene(shape="boat"),
    "mug on black": Scene(shape="mug", disc_rgb=(0.05, 0.05, 0.05), backdrop_rgb=(0.06, 0.055, 0.05)),
}


@dataclass(frozen=True, eq=False)
class DrawnTurn:
    """photos in turning order; their measures; masks, float32 (h, w) 0..1; the table they were drawn with."""

    photos: tuple[Photo, ...]
    measures: SpinMeasures
    masks: tuple[np.ndarray, ...]
    table: Turntable


def drawn_turn(name: str, folder: Path, *, count: int = 24, width: int = 640, flicker_ev: float = 0.05) -> DrawnTurn:
    """The sequence `name` of SCENES, written to `folder`. flicker_ev: spread of the exposures from frame to frame."""
    table = Turntable(SCENES[name], width=width, height=width * 3 // 4)
    rng = np.random.default_rng(5)
    gains = 0.8 * 2 ** rng.normal(0, flicker_ev, count)
    masks = []
    for k in range(count):
        light, mask = table.linear(360 * k / count)
        if name == "glass":
            light = _glazed(light, table)
            mask = np.maximum(mask, _body_mask(table))
        light = light * np.float32(gains[k]) * np.float32(CAST)
        light += rng.standard_normal(light.shape, np.float32) * 0.006 * np.sqrt(np.maximum(light, 0.02))
        write_photo(folder / f"IMG_{k:03d}.jpg", _srgb(light), quality=92)
        masks.append(mask)
    return DrawnTurn(find_photos(folder).photos, true_measures(table, gains, name), tuple(masks), table)


def true_measures(table: Turntable, gains: np.ndarray, name: str) -> SpinMeasures:
    middle = float(np.median(gains))
    frames = tuple(
        FrameMeasure(k, f"IMG_{k:03d}.jpg", angle_deg=360 * k / len(gains), gain=(middle / float(gain),) * 3)
        for k, gain in enumerate(gains)
    )
    board = np.array(table.scene.backdrop_rgb) * CAST
    return SpinMeasures(
        name, name, len(frames), frames, axis_x=table.axis_x, axis_tilt_deg=table.axis_tilt_deg, turn="counterclockwise",
        neutral_gain=tuple(float(board[1] / value) for value in board),
        camera=TurnCamera(0.0, float(np.arcsin(-table.matrix[2, 2])), 0.0, table.focal_px,
                          ((table.width - 1) / 2, (table.height - 1) / 2)),
    )  # fmt: skip


def _glazed(light: np.ndarray, table: Turntable) -> np.ndarray:
    """The body of the mug as clear glass: the set behind seen upside down through it, thick dark rims, a highlight.

    A full cylinder of index 1.5 inverts what stands behind it; towards the rim it reflects (Fresnel) and darkens.
    """
    empty = cv2.resize(empty_set(table), (table.width, table.height), interpolation=cv2.INTER_AREA)
    body = _body_mask(table)
    rows = np.nonzero(body.max(axis=1) > 0.5)[0]
    column = np.arange(table.width, dtype=np.float32)
    glass = light.copy()
    for row in rows:
        inside = np.nonzero(body[row] > 0.5)[0]
        middle, half = (inside[0] + inside[-1]) / 2, max(1.0, (inside[-1] - inside[0]) / 2)
        u = np.clip((column - middle) / half, -1, 1)
        behind = empty[row][np.clip(np.rint(middle - (column - middle) * 0.8), 0, table.width - 1).astype(int)]
        through = 0.92 * np.sqrt(np.sqrt(np.maximum(1 - u * u, 0)))[:, None]
        shine = 0.5 * np.exp(-(((u + 0.55) / 0.05) ** 2))[:, None]
        share = body[row][:, None]
        glass[row] = share * (behind * through + shine + 0.01) + (1 - share) * light[row]
    return glass


def empty_set(table: Turntable) -> np.ndarray:
    """Linear light of the set without the subject, at twice the size."""
    light = table._backdrop.copy()
    flat, depth = light.reshape(-1, 3), np.full(light.shape[0] * light.shape[1], np.inf, np.float32)
    table._draw_disc(table._rays.reshape(-1, 3), table.eye, table._rays.reshape(-1, 3), flat, depth)
    return flat.reshape(light.shape)


def _body_mask(table: Turntable) -> np.ndarray:
    """Coverage of the body alone, which is the same at every angle when it stands on the axis."""
    jar = Turntable(replace(table.scene, shape="jar"), width=table.width, height=table.height)
    return jar.linear(0.0)[1]
