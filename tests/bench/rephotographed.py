"""The rendered sequences as other phones would have shot them, with their truth:

    python -m tests.bench.rephotographed MANNER --out DIR [SET]…

then KICKWHEEL_SETS=DIR python -m tests.bench.check (or …finish --measured). Manners: processed (noise filter, tone curve
and sharpening with halos, stronger compression), wandering (exposure 10 % and white balance 3 % of its own accord, each
frame), held (by hand: each frame 5 px and a quarter of a degree off, exposure 8 %).
Masks and camera truth are moved along; there are no clean references, for a phone's tones aren't linear.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageOps

from builder.colour import to_codes, to_light
from tests.phone import Phone
from tests.rendered import HALF, rendered_names, sets_folder

# The rendered photos have their own lens, noise and vignette already: a phone's processing alone.
PROCESSING = Phone(distortion=0, vignette=0, wander_ev=0, wander_colour=0, noise=0, gains=(1, 1, 1), exposure=1)


@dataclass(frozen=True, eq=False)
class Shot:
    """One frame: linear light (h, w, 3), mask uint8 (h, w), and what truth.json tells of it."""

    light: np.ndarray
    mask: np.ndarray
    told: dict


def processed(shot: Shot, index: int, rng: np.random.Generator) -> Shot:
    codes = PROCESSING.shoot(shot.light, index).astype(np.float32) / 255
    codes = 0.5 * codes + 0.5 * codes * codes * (3 - 2 * codes)  # half of a smooth step: a phone's contrast
    return replace(shot, light=to_light(np.rint(255 * codes).astype(np.uint8)))


def wandering(shot: Shot, index: int, rng: np.random.Generator) -> Shot:
    return _exposed(shot, np.exp(rng.normal(0, 0.1) + rng.normal(0, 0.03, 3)))


def held(shot: Shot, index: int, rng: np.random.Generator) -> Shot:
    """The first frame stays: truth.json tells the others' places from it."""
    height, width = shot.mask.shape
    right, down, turned = (0.0, 0.0, 0.0) if index == 0 else (*rng.normal(0, 5, 2), rng.normal(0, 0.25))
    moved = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), -turned, 1)
    moved[:, 2] += right, down
    border = {"borderMode": cv2.BORDER_REFLECT}
    light = cv2.warpAffine(shot.light, moved, (width, height), flags=cv2.INTER_CUBIC, **border).clip(0, 1)
    mask = cv2.warpAffine(shot.mask, moved, (width, height), flags=cv2.INTER_LINEAR)
    there = np.linalg.inv(HALF) @ np.vstack([moved, [0, 0, 1]]) @ HALF
    affine = (there @ np.vstack([shot.told["camera_affine"], [0, 0, 1]]))[:2]
    middle = np.array([width / 2, height / 2])
    told = shot.told | {
        "camera_affine": affine.tolist(),
        "camera_shift_px": (affine @ [*middle, 1] - middle).tolist(),
        "camera_rotation_deg": shot.told["camera_rotation_deg"] + turned,
    }
    return _exposed(Shot(light, mask, told), np.exp(rng.normal(0, 0.08)) * np.ones(3))


def _exposed(shot: Shot, gains: np.ndarray) -> Shot:
    balance = np.array(shot.told["wb_gains"]) * gains / gains[1]
    told = shot.told | {"exposure_gain": shot.told["exposure_gain"] * float(gains[1]), "wb_gains": balance.tolist()}
    return Shot((shot.light * gains.astype(np.float32)).clip(0, 1), shot.mask, told)


# And the quality of the JPEG files
MANNERS: dict[str, tuple[Callable[[Shot, int, np.random.Generator], Shot], int]] = {
    "processed": (processed, 82),
    "wandering": (wandering, 90),
    "held": (held, 90),
}


def rephotographed(name: str, manner: str, folder: Path) -> None:
    """One sequence: photos/, masks/ and truth.json in a new folder."""
    source = sets_folder() / name
    truth = json.loads((source / "truth.json").read_text())
    shoot, quality = MANNERS[manner]
    rng = np.random.default_rng(5)
    for part in ("photos", "masks"):
        (folder / part).mkdir(parents=True)
    frames = []
    for index, told in enumerate(truth["frames"]):
        with Image.open(source / told["file"]) as photo:
            exif = photo.getexif()
            exif.get_ifd(0x8769)  # read while the file is open
            codes = np.asarray(ImageOps.exif_transpose(photo).convert("RGB"))
        exif[0x0112] = 1  # upright now
        shot = shoot(Shot(to_light(codes), cv2.imread(str(source / told["mask"]), 0), told), index, rng)
        Image.fromarray(to_codes(shot.light)).save(folder / told["file"], quality=quality, exif=exif)
        cv2.imwrite(str(folder / told["mask"]), shot.mask)
        frames.append(shot.told)
    # One bump of some px is lost among a hand's own.
    defects = [one for one in truth["defects"] if manner != "held" or one["kind"] != "camera_bump"]
    (folder / "truth.json").write_text(
        json.dumps(truth | {"frames": frames, "defects": defects, "clean_references": []}, indent=1)
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("manner", choices=MANNERS)
    parser.add_argument("sets", nargs="*", help="names of sequences; none: all")
    parser.add_argument("--out", type=Path, required=True, help="a folder to be made")
    wanted = parser.parse_args()
    for name in wanted.sets or rendered_names():
        rephotographed(name, wanted.manner, wanted.out / name)
        print(wanted.out / name, flush=True)


if __name__ == "__main__":
    main()
