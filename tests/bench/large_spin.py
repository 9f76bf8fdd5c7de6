"""A catalogue of one spin of 12 megapixel photos, for benches of speed: the demo's coffee pot enlarged.

Enlarging alone would give files that decode too quickly: noise of a phone's sensor at full size (1.5 codes, about
what the demo's own photos hold) brings them to the 2 MB or so that such photos weigh.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from PIL import Image

SOURCE = Path(__file__).parents[2] / "demo_catalog" / "coffee-pot"
SIZE = (4000, 3000)
NOISE_CODES = 1.5
CATALOG = '[shop]\nname = "Saltmarsh Bench"\n[[item]]\ntitle = "Coffee pot"\nframes = "coffee-pot"\n'


def write_large_catalog(folder: Path, frames: int = 36, size: tuple[int, int] = SIZE) -> Path:
    """Write the catalogue below folder unless it is there; returns folder. The same bytes in every run."""
    photos = sorted(SOURCE.glob("*.jpg"))
    chosen = [photos[index * len(photos) // frames] for index in range(min(frames, len(photos)))]
    place = folder / "coffee-pot"
    place.mkdir(parents=True, exist_ok=True)
    (folder / "catalog.toml").write_text(CATALOG, "utf-8")
    noise = np.random.default_rng(1).normal(0, NOISE_CODES, size[::-1]).astype(np.float32)
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda pair: _enlarge(pair[1], place / pair[1].name, size, noise, pair[0]), enumerate(chosen)))
    return folder


def _enlarge(photo: Path, target: Path, size: tuple[int, int], noise: np.ndarray, index: int) -> None:
    if target.exists():
        return
    with Image.open(photo) as image:
        large = np.asarray(image.convert("RGB").resize(size, Image.Resampling.BICUBIC)).astype(np.float32)
        large += np.roll(noise, (97 * index, 193 * index), (0, 1))[..., None]
        part = target.with_suffix(".part")
        Image.fromarray(large.clip(0, 255).round().astype(np.uint8)).save(
            part, "JPEG", quality=92, exif=image.getexif(), icc_profile=image.info.get("icc_profile")
        )
    part.rename(target)
