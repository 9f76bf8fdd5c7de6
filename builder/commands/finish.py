"""`finish`: the finished frames of a spin as files, full size, with mattes and finish.json."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from builder.building.build import measure_all, opened, settings_of
from builder.errors import OutputError
from builder.frames.gather import Spin, chosen_items, gather_spins, refuse_unfit
from builder.items.numbers import frame_angles, kept_frames, only_frames, refuse_broken
from builder.items.work import plan_work
from builder.spin import SpinMeasures
from builder.store.writing import explain, write_new
from builder.terminal import Terminal
from builder.workers import Workers

if TYPE_CHECKING:
    from builder.finished import FinishPlan

FINISH_FILE = "finish.json"
OUR_NAMES = re.compile(r"\d{4,}\.(png|webp|jpg)|matte-\d{4,}\.png|finish\.json")
ENDINGS = {"png": "png", "webp": "webp", "jpeg": "jpg"}


def write_finished(
    catalog_path: Path, only: tuple[str, ...], out: Path, file_format: str, jobs: int | None, terminal: Terminal
) -> Iterator[str]:
    """Write DIR/SLUG/ for each item; yields a line an item. Raises KickwheelError."""
    with opened(catalog_path, jobs, terminal) as (catalog, cache, workers):
        spins = gather_spins(chosen_items(catalog, only, drafts=bool(only)))
        refuse_unfit(spins)
        for spin in spins:
            _check_folder(out, spin)
        measured = measure_all(catalog, spins, cache, workers, terminal)
        refuse_broken(measured)
        for spin, measures in measured:
            with terminal.progress(f"Finishing {spin.slug}", len(spin.photos)) as advance:
                work = _Work(spin, measures, settings_of(catalog, spin), file_format, workers, advance)
                try:
                    count = work.write(out / spin.slug)
                except OSError as error:
                    raise explain(error, out / spin.slug) from error
            yield f"{out / spin.slug}: {count} frames"


def _check_folder(out: Path, spin: Spin) -> None:
    folder = out / spin.slug
    if folder.resolve().is_relative_to(spin.item.frames_dir.resolve()):
        raise OutputError.at(folder, "", "it lies inside the folder of the photos", "Name another folder with --out.")
    strange = [] if not folder.exists() else ["it"] if not folder.is_dir() else [
        entry.name for entry in sorted(folder.iterdir()) if not OUR_NAMES.fullmatch(entry.name)
    ]  # fmt: skip
    if strange:
        raise OutputError.at(
            folder,
            "",
            f"there is something this command didn't write ({strange[0]})",
            "Name another folder with --out.",
        )


class _Work:
    def __init__(
        self, spin: Spin, measures: SpinMeasures, settings, file_format: str, workers: Workers, advance
    ) -> None:
        kept = kept_frames(measures)
        self.photos = tuple(spin.photos[index] for index in kept)
        self.measures = only_frames(measures, kept)
        self.spin, self.settings, self.format = spin, settings, file_format
        self.workers, self.advance = workers, advance

    def write(self, folder: Path) -> int:
        """Written aside, then put in place of what this command wrote there before."""
        plan = self.workers.submit(
            plan_work, self.photos, self.measures, self.settings.finish, self.spin.item.plate,
            self.spin.item.grey_card, self.settings.disc_mm, self.workers.jobs,
        ).result()  # fmt: skip
        aside = folder.with_name(f".{folder.name}.{os.getpid()}.part")
        aside.mkdir(parents=True)
        try:
            jobs = [
                self.workers.submit(finish_work, plan, index, aside, self.format) for index in range(len(self.photos))
            ]
            frames = []
            for job in jobs:
                frames.append(job.result())
                self.advance(1)
            write_new(aside / FINISH_FILE, (json.dumps(self._facts(plan, frames), indent=1) + "\n").encode())
            _replace(folder, aside)
        except BaseException:
            shutil.rmtree(aside, ignore_errors=True)
            raise
        return len(frames)

    def _facts(self, plan: "FinishPlan", frames: list[dict[str, Any]]) -> dict[str, Any]:
        """finish.json, as the contract has it."""
        angles = frame_angles(self.measures, closed=self.settings.closed)
        return {
            "version": 1, "width": plan.width, "height": plan.height, "axis_x": plan.axis_x,
            "px_per_mm": plan.px_per_mm, "backdrop": list(plan.backdrop) if plan.backdrop else None,
            "turn": self.measures.turn,
            "frames": [
                frame | {"source": photo.path.name, "angle_deg": angle, "gain": list(gain)}
                for frame, photo, angle, gain in zip(frames, self.photos, angles, plan.gains)
            ],
        }  # fmt: skip


def finish_work(plan: "FinishPlan", index: int, folder: Path, file_format: str) -> dict[str, Any]:
    """One frame and its matte to files; runs in a worker process."""
    from builder.finished import finish_frame

    finished = finish_frame(plan, index)
    name = f"{index:04d}.{ENDINGS[file_format]}"
    write_new(folder / name, _encoded(finished.pixels, file_format))
    matte = None
    if finished.matte is not None:
        matte = f"matte-{index:04d}.png"
        write_new(folder / matte, _encoded(finished.matte, "png"))
    return {"file": name, "matte": matte, "to_output": [list(row) for row in finished.to_output]}


def _encoded(pixels, file_format: str) -> bytes:
    from PIL import Image

    options = {
        "png": {"compress_level": 3},
        "webp": {"lossless": True, "method": 2},
        "jpeg": {"quality": 95, "subsampling": 0},
    }
    if file_format == "jpeg" and pixels.ndim == 3 and pixels.shape[2] == 4:
        from builder.derivatives.reducing import flatten

        pixels = flatten(pixels)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, file_format.upper(), **options[file_format])
    return file.getvalue()


def _replace(folder: Path, aside: Path) -> None:
    if folder.exists():
        old = folder.with_name(f".{folder.name}.{os.getpid()}.old")
        folder.rename(old)
        aside.rename(folder)
        shutil.rmtree(old)
    else:
        aside.rename(folder)
