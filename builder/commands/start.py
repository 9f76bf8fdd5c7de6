"""`new` and `sort`: how a catalogue begins."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

from builder.catalog import SCHEMA_FILE, json_schema, starter_text
from builder.errors import InputError, OutputError
from builder.frames.photos import find_photos
from builder.frames.roll import catalog_entry, split_roll


def start_catalog(folder: Path) -> Path:
    """Write catalog.toml and its schema into a new or empty folder; returns the catalogue's path."""
    if folder.exists() and not folder.is_dir():
        raise OutputError.at(folder, "", "it is a file", "Name a new folder.")
    try:
        if folder.is_dir() and any(folder.iterdir()):
            raise OutputError.at(folder, "", "the folder isn't empty", "Name a new or an empty folder.")
        folder.mkdir(parents=True, exist_ok=True)
        schema = json.dumps(json_schema(), indent=1, ensure_ascii=False) + "\n"
        (folder / SCHEMA_FILE).write_text(schema, "utf-8")
        (folder / "catalog.toml").write_text(starter_text(), "utf-8")
    except OSError as error:
        raise OutputError.at(
            folder, "", f"it can't be written ({error.strerror})", "Check its permissions, or choose another place."
        ) from None
    return folder / "catalog.toml"


@dataclass(frozen=True, slots=True)
class SortedRoll:
    entries: tuple[str, ...]  # TOML
    notes: tuple[str, ...]


def sort_roll(folder: Path, pause_s: float | None) -> SortedRoll:
    """Spins proposed in a camera roll. Raises InputError when there is nothing to sort."""
    if not folder.is_dir():
        raise InputError.at(folder, "", "there is no such folder", "Name the folder of the camera roll.")
    found = find_photos(folder)
    notes = list(found.notes) + [f"left out {bad.path.name}: {bad.why}" for bad in found.unreadable]
    if not found.photos:
        raise InputError.at(folder, "", "it holds no photos", "Name the folder of the camera roll.")
    runs = split_roll(found.photos, pause_s=pause_s)
    spins = [run for run in runs if run.is_spin]
    stray = [run for run in runs if not run.is_spin]
    entries = [catalog_entry(run, number, _frames_value(folder)) for number, run in enumerate(spins, 1)]
    if stray:
        names = ", ".join(
            run.photos[0].path.name if len(run.photos) == 1
            else f"{run.photos[0].path.name} to {run.photos[-1].path.name}" for run in stray
        )  # fmt: skip
        notes.append(f"too few for a turn, left out: {names}")
    if not spins:
        raise InputError.at(
            folder, "", f"no spin found in {len(found.photos)} photos",
            "Frames of a turn lie seconds apart; try --pause with more seconds.",
        )  # fmt: skip
    count = "1 spin" if len(spins) == 1 else f"{len(spins)} spins"
    notes.append(f"{count} in {len(found.photos)} photos. Give each a title and append the entries to catalog.toml.")
    return SortedRoll(tuple(entries), tuple(notes))


def _frames_value(folder: Path) -> str:
    """The folder as a catalogue beside it would name it: relative to the working folder where that is possible."""
    relative = os.path.relpath(folder)
    return folder.resolve().as_posix() if relative.startswith("..") else Path(relative).as_posix()
