"""Makes README's before/after picture from the demo's pot: the photo as it came on the left, finished on the right.

.venv/bin/python -m tests.bench.before_after [FRAME]
"""

from __future__ import annotations

import io
import sys

import numpy as np
from PIL import Image

from builder.catalog.declaration import FinishSettings
from builder.finished import explain, plan_finish, sharpen
from builder.frames.photos import find_photos
from builder.measured import measure_spin
from tests.conftest import DEMO

SIDE = 640  # px, of each half
MOST_BYTES = 150_000


def main() -> None:
    frame = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    photos = find_photos(DEMO / "coffee-pot").photos
    plan = plan_finish(photos, measure_spin(photos, slug="coffee-pot", source="coffee-pot"), FinishSettings())
    shown = explain(plan, frame, width=SIDE)
    halves = np.hstack([shown["before"], sharpen(shown["after"], 0.5, SIDE)])
    for quality in range(90, 40, -5):
        file = io.BytesIO()
        Image.fromarray(halves).save(file, "JPEG", quality=quality, optimize=True)
        if file.tell() <= MOST_BYTES:
            break
    target = DEMO / "pictures" / "before-after.jpg"
    target.write_bytes(file.getvalue())
    print(f"{target}: {halves.shape[1]} × {halves.shape[0]} px, {file.tell() / 1000:.0f} kB, quality {quality}")


if __name__ == "__main__":
    main()
