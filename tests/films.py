"""Films of a drawn turntable at a known, uneven speed, written as phones write them."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from tests.turntable import Scene, Turntable, _srgb

TICKS = 90_000  # a second, as MPEG containers have it


def drawn_poses(scene: Scene, step_deg: float, width: int = 480, height: int = 360) -> np.ndarray:
    """uint8 (360 / step, h, w, 3): the table drawn once every step_deg, to be strung together to any turn."""
    return drawn_at(scene, np.arange(round(360 / step_deg)) * step_deg, width, height)


def drawn_at(scene: Scene, angles_deg: np.ndarray, width: int = 480, height: int = 360) -> np.ndarray:
    """uint8 (n, h, w, 3): the table drawn at each angle.

    One ray a pixel, a little softened: a quarter of the work of a photo, and films are soft anyhow.
    """
    table = Turntable(scene, width=width // 2, height=height // 2)
    (top, bottom), (left, right) = table._box
    rng, poses = np.random.default_rng(scene.seed), []
    for angle in angles_deg:
        light = table._backdrop.copy()
        part = np.s_[top:bottom, left:right]
        light[part] = table._turned_part(np.radians(angle), table._rays[part], light[part])[0]
        light = cv2.GaussianBlur(light, (0, 0), 0.7)
        poses.append(_srgb(light + rng.standard_normal(light.shape, dtype=np.float32) * 0.004))
    return np.stack(poses)


def uneven_turn(
    seconds: float,
    turned_deg: float,
    *,
    rate: float = 30.0,
    still_s: float = 0.8,
    uneven: float = 0.5,
    seed: int = 0,
    jitter: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Times and angles of pictures: standstill, a turn whose speed wanders by `uneven` of itself, standstill.

    jitter: share of a picture's time by which each is early or late (variable frame rate).
    """
    rng = np.random.default_rng(seed)
    times = np.arange(round((seconds + 2 * still_s) * rate)) / rate
    times = times + rng.uniform(-jitter, jitter, len(times)) / rate * (np.arange(len(times)) > 0)
    knots = np.linspace(0, seconds, 8)
    speed = np.r_[0.0, 1 + uneven * rng.uniform(-1, 1, 6), 0.0]
    fine = np.linspace(0, seconds, 4001)
    pace = np.interp(fine, knots, speed)
    come = np.r_[0.0, np.cumsum((pace[1:] + pace[:-1]) / 2)]
    return times, np.interp(np.clip(times - still_s, 0, seconds), fine, come / come[-1] * turned_deg)


def write_turn(path: Path, poses: np.ndarray, times: np.ndarray, angles: np.ndarray, **options) -> np.ndarray:
    """A film of the poses nearest to the angles; returns the angles that are really in it, (n,) degrees."""
    step = 360 / len(poses)
    nearest = np.rint(angles / step).astype(int)
    rng = np.random.default_rng(5)
    grain = rng.normal(0, 1.2, (4, *poses.shape[1:])).astype(np.float32)  # or standstill would be stiller than any
    pictures = (
        np.clip(poses[place % len(poses)] + grain[k % 4], 0, 255).astype(np.uint8) for k, place in enumerate(nearest)
    )
    write_film(path, pictures, times, **options)
    return nearest * step


def write_film(
    path: Path,
    pictures,
    times: Sequence[float],
    *,
    codec: str = "libx264",
    rotation: int = 0,
    options: dict[str, str] | None = None,
    rate: int = 30,
) -> Path:
    """rotation: counter-clockwise degrees by which the pictures are to be turned to be upright; they are stored as given."""
    import av

    path.parent.mkdir(parents=True, exist_ok=True)
    with av.open(str(path), "w") as film:
        stream = None
        for picture, time in zip(pictures, times):
            if stream is None:
                stream = film.add_stream(codec, rate=rate, options=options or {"crf": "20", "preset": "veryfast"})
                stream.width, stream.height, stream.pix_fmt = picture.shape[1], picture.shape[0], "yuv420p"
                stream.codec_context.time_base = Fraction(1, TICKS)
                if rotation:
                    stream.set_display_rotation(rotation)
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="rgb24")
            frame.pts, frame.time_base = round(time * TICKS), Fraction(1, TICKS)
            film.mux(stream.encode(frame))
        film.mux(stream.encode(None))
    return path


def write_hdr(path: Path, levels: np.ndarray, curve: int) -> Path:
    """Two pictures of grey code values (h, w), 0 to 1, as a phone's high dynamic range: 10 bit, narrow range, tags of
    BT.2020 and of the curve (ITU-T H.273: 18 HLG, 16 PQ)."""
    import av

    with av.open(str(path), "w") as film:
        stream = film.add_stream("libx264", rate=30, options={"crf": "4", "profile": "high10"})
        stream.width, stream.height, stream.pix_fmt = levels.shape[1], levels.shape[0], "yuv420p10le"
        coded = stream.codec_context
        coded.color_trc, coded.color_primaries, coded.colorspace, coded.color_range = curve, 9, 9, 1
        for number in range(2):
            frame = av.VideoFrame(levels.shape[1], levels.shape[0], "yuv420p10le")
            for plane, colour in zip(frame.planes, (False, True, True)):
                values = np.full((plane.height, plane.line_size // 2), 512, "<u2")
                if not colour:
                    values[:, : levels.shape[1]] = np.rint(64 + levels * 876)
                plane.update(values.tobytes())
            frame.pts, frame.time_base = number, Fraction(1, 30)
            frame.color_trc, frame.color_primaries, frame.colorspace, frame.color_range = curve, 9, 9, 1
            film.mux(stream.encode(frame))
        film.mux(stream.encode(None))
    return path


def write_sound(path: Path, seconds: float = 1.0) -> Path:
    """A film's container with sound alone."""
    import av

    with av.open(str(path), "w") as film:
        stream = film.add_stream("aac", rate=44_100)
        for block in range(int(seconds * 44_100 / 1024)):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
            frame.sample_rate, frame.pts = 44_100, block * 1024
            film.mux(stream.encode(frame))
        film.mux(stream.encode(None))
    return path
