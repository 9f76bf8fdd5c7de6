"""`build --explain`: pictures and numbers of how one frame of an item was finished."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

from builder.errors import OutputError
from builder.frames.gather import Spin
from builder.items.numbers import kept_frames, only_frames
from builder.items.work import Settings, plan_work
from builder.spin import SpinMeasures
from builder.store.writing import explain
from builder.workers import Workers

NUMBERS = "numbers.json"


def write_explanation(folder: Path, spin: Spin, measures: SpinMeasures, settings: Settings, workers: Workers) -> None:
    """A folder with plate, matte, before and after as PNG, and numbers.json; an older one is replaced."""
    kept = kept_frames(measures)
    photos = tuple(spin.photos[index] for index in kept)
    names = [photo.path.name for photo in photos]
    home = names.index(settings.start) if settings.start in names else 0
    plan = workers.submit(
        plan_work, photos, only_frames(measures, kept), settings.finish, spin.item.plate, spin.item.grey_card,
        settings.disc_mm, workers.jobs,
    ).result()  # fmt: skip
    if folder.exists() and not (folder / NUMBERS).is_file():
        raise OutputError.at(folder, "", "it is there already and wasn't written by --explain", "Move it away.")
    aside = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    try:
        aside.mkdir(parents=True)
        workers.submit(explain_work, plan, home, aside).result()
        if folder.exists():
            shutil.rmtree(folder)
        aside.rename(folder)
    except OSError as error:
        raise explain(error, folder) from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def explain_work(plan, index: int, folder: Path) -> None:
    """Runs in a worker process."""
    import numpy as np
    from PIL import Image

    from builder.finished import explain as explain_frame

    numbers = {}
    for name, value in explain_frame(plan, index).items():
        if isinstance(value, np.ndarray) and value.ndim >= 2:
            Image.fromarray(value).save(folder / f"{name}.png")
        else:
            numbers[name] = value
    (folder / NUMBERS).write_text(json.dumps(numbers, indent=1, default=float) + "\n", "utf-8")
