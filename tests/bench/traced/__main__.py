"""Draw turntable sequences by path tracing, with exact truth, as photos of a phone.

    python -m tests.bench.traced NAME… --out DIR [--size 1200x900] [--samples 32]

then KICKWHEEL_SETS=DIR python -m tests.bench.check (or …finish). Needs bpy and scipy, opencv-python-headless, Pillow in
an environment of its own: it is large, and a frame takes half a minute a core. Without a name, lists the names.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass
from pathlib import Path

import bpy
import cv2
import numpy as np
from PIL import Image

from tests.bench.traced.shapes import MM
from tests.bench.traced.shoots import SHOOTS, Shoot
from tests.bench.traced.table import DISC_RADIUS, TOP, View, clean_of, look, mask_of, set_table, show_hand, traced

FULL_WELL = 9000  # electrons at ISO 100 of a small sensor's pixel, and…
READ_NOISE = 2.5  # …its read noise, electrons; common practice, no source
VIGNETTE = 0.1  # loss of light in the corners, as a share
LENS_SIGMA = 0.55  # px: spread of a lens and its sensor
SHADED = (
    0.4  # share of the disc that the thing shades and its own far side, lit from one side; common practice, no source
)
CLEAN_AT = (1 / 12, 4 / 12, 7 / 12, 10 / 12)  # of the turn: frames with a clean reference


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", choices=[[], *SHOOTS], default=[])
    parser.add_argument("--out", type=Path)
    parser.add_argument("--size", default="1200x900")
    parser.add_argument("--samples", type=int, default=32)
    wanted = parser.parse_args()
    if not wanted.names or wanted.out is None:
        print("\n".join(f"{name}: {shoot.count} frames" for name, shoot in SHOOTS.items()))
        return
    width, height = map(int, wanted.size.split("x"))
    for name in wanted.names:
        size = (height, width) if SHOOTS[name].portrait else (width, height)
        draw(name, SHOOTS[name], wanted.out / name, size, wanted.samples)


@dataclass(frozen=True, eq=False)
class Truth:
    """What chance decides, per frame."""

    turns: np.ndarray  # degrees, growing, 0 at frame 0
    step: float
    exposure: np.ndarray  # linear gains
    balance: np.ndarray  # (n, 3)
    jitter: np.ndarray  # (n, 2) px


def chances(shoot: Shoot, rng: np.random.Generator) -> Truth:
    count = shoot.count
    step = 360 / (count + (shoot.skip is not None) - (shoot.duplicate is not None))
    steps = np.full(count, step)
    steps[0] = 0
    if shoot.skip is not None:
        steps[shoot.skip] *= 2
    uneven = rng.normal(0, shoot.step_sigma, count)
    uneven[0] = 0
    if shoot.duplicate is not None:
        steps[shoot.duplicate] = 0
        uneven[shoot.duplicate] = uneven[shoot.duplicate - 1]
    balance = np.exp(rng.normal(0, shoot.colour_flicker, (count, 3)))
    balance[:, 1] = 1
    exposure = np.exp(rng.normal(0, shoot.flicker, count)) * np.linspace(1, 1 + shoot.drift, count)
    return Truth(np.cumsum(steps) + uneven, step, exposure, balance, rng.normal(0, shoot.jitter, (count, 2)))


def draw(name: str, shoot: Shoot, folder: Path, size: tuple[int, int], samples: int) -> None:
    """One sequence: photos/, masks/, clean/ and truth.json."""
    for part in ("photos", "masks", "clean"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(shoot.seed)
    truth, table, scratch = chances(shoot, rng), set_table(shoot), folder / "scratch.exr"
    reference = look(table, shoot, size)
    corners = np.array([(x, y, z) for x in (-0.1, 0.1) for y in (-0.1, 0.1) for z in (0.03, 0.2)])
    middle = np.array(size) / 2
    references = {int(share * shoot.count) for share in CLEAN_AT} if shoot.thing != "bottle" else set()
    frames, clean, level, lit = [], [], None, None
    for k in range(shoot.count):
        bumped = shoot.bump is not None and k >= shoot.bump[0]
        _, right, down, roll = shoot.bump if bumped else (0, 0.0, 0.0, 0.0)
        view = look(table, shoot, size, (right + truth.jitter[k, 0], down + truth.jitter[k, 1]), roll)
        moved, _ = cv2.estimateAffinePartial2D(reference.project(corners), view.project(corners), method=cv2.LMEDS)
        table.turner.rotation_euler = (0, 0, math.radians(truth.turns[k]) * (-1 if shoot.clockwise else 1))
        bpy.context.view_layer.update()
        show_hand(table.hand, k == shoot.hand)
        seen = traced(table, size, samples, scratch, seed=k)[..., :3]
        show_hand(table.hand, False)
        if level is None:
            level = shoot.level / brightness(seen, view)
        taken = f"2026:04:13 10:{k * 3 // 120:02d}:{k * 3 // 2 % 60:02d}"
        stem = "IMG_" + taken.replace(":", "").replace(" ", "_")
        gains = np.array(shoot.light) * truth.exposure[k] * truth.balance[k]
        smear = shoot.blur[1] if shoot.blur and shoot.blur[0] == k else 0
        photo = photographed(seen * level * gains, smear, shoot.iso, rng)
        write_photo(folder / "photos" / f"{stem}.jpg", photo, taken, shoot.focal35 if shoot.told else None)
        mask = mask_of(table, size, scratch)
        if lit is None:
            lit = lit_colour(seen, mask, view, shoot)
        cv2.imwrite(str(folder / "masks" / f"{stem}.png"), np.rint(mask.clip(0, 1) * 255).astype(np.uint8))
        if k in references:
            alone = clean_of(table, size, samples, scratch)
            codes = srgb(alone[..., :3] * level + (1 - alone[..., 3:]))
            cv2.imwrite(str(folder / "clean" / f"{stem}_clean.png"), codes[..., ::-1])
            clean.append({"frame": k, "file": f"clean/{stem}_clean.png"})
        frames.append(
            {
                "index": k, "file": f"photos/{stem}.jpg", "mask": f"masks/{stem}.png", "turn_deg": float(truth.turns[k]),
                "exposure_gain": float(truth.exposure[k]), "wb_gains": truth.balance[k].tolist(),
                "camera_shift_px": (moved @ [*middle, 1] - middle).tolist(), "camera_rotation_deg": roll, "camera_affine": moved.tolist(),
            } | ({"geometry": geometry(view)} if bumped else {})
        )  # fmt: skip
        print(name, k, flush=True)
    told = {
        "set": name, "N": shoot.count, "image_size_upright": size, "nominal_step_deg": truth.step,
        "direction": "clockwise" if shoot.clockwise else "counter-clockwise", "turns_deg": truth.turns.tolist(),
        "geometry": geometry(reference), "illuminant_rgb_linear": lit, "nominal_exposure_gain": float(level),
        "camera": {
            "elevation_deg": shoot.elevation, "distance_mm": shoot.distance, "focal_px": reference.focal_px,
            "roll_deg": shoot.roll, "principal_point_px": [size[0] / 2, size[1] / 2],
        },
        "disc": {"diameter_mm": 2 * DISC_RADIUS}, "defects": defects(shoot),
        "frames": frames, "clean_references": clean,
    }  # fmt: skip
    (folder / "truth.json").write_text(json.dumps(told, indent=1))


def geometry(view: View) -> dict:
    foot, head = view.project([(0, 0, TOP * MM), (0, 0, (TOP + 170) * MM)]).tolist()
    return {"axis_column_px": foot[0], "axis_line_px": [foot, head], "disc_centre_px": foot}


def defects(shoot: Shoot) -> list[dict]:
    found = []
    if shoot.duplicate is not None:
        found.append({"frame": shoot.duplicate, "kind": "duplicate", "of": shoot.duplicate - 1})
    if shoot.skip is not None:
        found.append({"frame": shoot.skip, "kind": "skipped_step"})
    if shoot.bump is not None:
        frame, right, down, roll = shoot.bump
        found.append({"frame": frame, "kind": "camera_bump", "dx_px": right, "dy_px": down, "rotation_deg": roll})
    if shoot.blur is not None:
        found.append({"frame": shoot.blur[0], "kind": "blur"})
    if shoot.hand is not None:
        found.append({"frame": shoot.hand, "kind": "hand_in_shot"})
    return found


def brightness(seen: np.ndarray, view: View) -> float:
    """Of the disc's top near its rim, linear green."""
    row, column = ring_pixels(view, DISC_RADIUS - 25, seen.shape)
    return float(np.median(seen[row, column, 1]))


def lit_colour(seen: np.ndarray, mask: np.ndarray, view: View, shoot: Shoot) -> list[float]:
    """Mean colour of a neutral disc's lit part, linear, G = 1: lamp and what sheet, room and thing throw on it."""
    row, column = np.concatenate([ring_pixels(view, DISC_RADIUS - d, seen.shape) for d in (20, 30, 40, 50)], axis=1)
    free = mask[row, column] < 0.01
    light = seen[row[free], column[free]] / shoot.disc_rgb
    mean = light[light[:, 1] >= np.quantile(light[:, 1], SHADED)].mean(axis=0) * shoot.light
    return (mean / mean[1]).tolist()


def ring_pixels(view: View, radius_mm: float, shape: tuple[int, ...]) -> np.ndarray:
    """(2, n) rows and columns of a ring of the disc's top, as far as it is in the picture."""
    angle, radius = np.arange(48) * math.pi / 24, radius_mm * MM
    ring = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.full(48, TOP * MM)], axis=1)
    column, row = view.project(ring).astype(int).T
    inside = (column >= 0) & (column < shape[1]) & (row >= 0) & (row < shape[0])
    return np.stack([row[inside], column[inside]])


def photographed(light: np.ndarray, smear: int, iso: float, rng: np.random.Generator) -> np.ndarray:
    """What a phone makes of the light, uint8 sRGB codes: vignette, lens, smear, shot and read noise."""
    height, width = light.shape[:2]
    row, column = np.mgrid[:height, :width]
    away = ((column - width / 2) ** 2 + (row - height / 2) ** 2) / (np.hypot(width, height) / 2) ** 2
    light = cv2.GaussianBlur((light * (1 - VIGNETTE * away)[..., None]).astype(np.float32), (0, 0), LENS_SIGMA)
    if smear:
        trace = np.zeros((2 * smear + 1,) * 2, np.float32)
        cv2.line(trace, (smear - smear // 2, smear), (smear + smear // 2, smear + 2), 1.0, 1)
        light = cv2.filter2D(light, -1, trace / trace.sum())
    light = light.clip(0, None)
    full = FULL_WELL * 100 / iso
    return srgb(rng.normal(light, np.sqrt(light / full + (READ_NOISE / full) ** 2)))


def srgb(light: np.ndarray) -> np.ndarray:
    """Codes after IEC 61966-2-1, uint8."""
    light = light.clip(0, 1)
    curve = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(255 * curve).astype(np.uint8)


def write_photo(path: Path, codes: np.ndarray, taken: str, focal35: float | None) -> None:
    exif = Image.Exif()
    exif[0x0132] = taken
    exif.get_ifd(0x8769)[0x9003] = taken
    if focal35:
        exif.get_ifd(0x8769)[0xA405] = round(focal35)
    Image.fromarray(codes).save(path, quality=93, subsampling="4:2:0", exif=exif)


if __name__ == "__main__":
    main()
