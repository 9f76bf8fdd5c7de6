"""A camera roll of several items, split into spins by the pauses between photos."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from builder.errors import PhotoError
from builder.frames.photos import name_key
from builder.spin import Photo

# A spin is shot at a steady pace by hand; changing the object takes far longer. Six times the usual pace is well
# beyond the hesitation before one frame, and never under ten seconds. Common practice, no source.
PAUSE_FACTOR = 6.0
SHORTEST_PAUSE_S = 10.0
FEWEST_FRAMES = 8  # fewer photos in a run are test shots, not a turn


@dataclass(frozen=True, slots=True)
class Run:
    """Photos shot in one go."""

    photos: tuple[Photo, ...]

    @property
    def is_spin(self) -> bool:
        return len(self.photos) >= FEWEST_FRAMES

    @property
    def seconds(self) -> float:
        return self.photos[-1].taken_s - self.photos[0].taken_s


def split_roll(photos: Sequence[Photo], *, pause_s: float | None = None) -> list[Run]:
    """Runs in order of time, split where more than `pause_s` seconds pass (None: judged from the usual pace).

    Raises PhotoError when photos carry no time of shooting.
    """
    timeless = [photo.path.name for photo in photos if photo.taken_s is None]
    if timeless:
        raise PhotoError.at(
            photos[0].path.parent,
            "",
            f"no Exif time of shooting in {len(timeless)} of {len(photos)} photos ({timeless[0]} …)",
            "Sort photos straight from the camera, or make one folder a spin by hand.",
        )
    ordered = sorted(photos, key=lambda photo: (photo.taken_s, name_key(photo.path.name)))
    gaps = [after.taken_s - before.taken_s for before, after in zip(ordered, ordered[1:])]
    limit = pause_s if pause_s is not None else usual_pause(gaps)
    runs: list[list[Photo]] = [ordered[:1]]
    for gap, photo in zip(gaps, ordered[1:]):
        if gap > limit:
            runs.append([])
        runs[-1].append(photo)
    return [Run(tuple(run)) for run in runs if run]


def usual_pause(gaps: Sequence[float]) -> float:
    """Seconds that part two spins."""
    return max(SHORTEST_PAUSE_S, PAUSE_FACTOR * statistics.median(gaps)) if gaps else SHORTEST_PAUSE_S


def by_name_is_by_time(run: Run) -> bool:
    names = [photo.path.name for photo in run.photos]
    return names == sorted(names, key=name_key)


def catalog_entry(run: Run, number: int, frames: str) -> str:
    """A `[[item]]` for a run, in TOML."""
    first, last = run.photos[0].path.name, run.photos[-1].path.name
    lines = [
        f"# {len(run.photos)} photos in {_span(run.seconds)}",
        "[[item]]",
        f'title = "Item {number}"',
        f"frames = {_quoted(frames)}",
        f"from = {_quoted(first)}",
        f"to = {_quoted(last)}",
    ]
    if not by_name_is_by_time(run):
        lines.append('order = "time"')
    return "\n".join(lines)


def _span(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _quoted(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)  # a JSON string is a TOML basic string
