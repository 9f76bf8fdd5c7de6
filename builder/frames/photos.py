"""Photos in: which files of a folder are frames, in what order, and their pixels.

The only module that opens source photos, and it opens them for reading only. It never judges or edits.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from natsort import natsort_keygen, ns

from builder.errors import Fault, InputError, PhotoError
from builder.frames.decode import PHOTO_ENDINGS, probe_photo, read_photo, read_photo_image
from builder.spin import FILM_ENDINGS, Photo, PhotoSet, Unreadable

__all__ = ["PHOTO_ENDINGS", "find_photos", "name_key", "read_photo", "read_photo_image", "single_photo"]

RAW_ENDINGS = frozenset(".dng .cr2 .cr3 .nef .arw .raf .rw2 .orf .pef .srw .raw".split())
ROW_FOLDER = re.compile(r"(row|level|tier)[ _-]?\w*", re.IGNORECASE)

name_key = natsort_keygen(key=lambda name: unicodedata.normalize("NFC", name), alg=ns.IGNORECASE)


def find_photos(
    folder: Path,
    *,
    order: str = "name",
    drop: Sequence[str] = (),
    replace: Mapping[str, str] | None = None,
    apart: Iterable[str] = (),
    first: str | None = None,
    last: str | None = None,
) -> PhotoSet:
    """The frames of a folder in shooting order.

    order: "name" (natural sort), "time" (Exif time of shooting); "angle" is sorted like "name" here
    and put into its place once the angles are measured. drop: file names to leave out. replace: a reshot
    frame takes the old one's place. apart: files in the folder that are never frames (a grey card).
    first, last: names of the spin's first and last photo in that order, where the folder holds more
    (a reshot frame named in replace may lie outside).
    Raises PhotoError when names in drop/replace don't exist or times are missing, InputError when the folder
    can't be read.
    """
    kept, notes = _photo_files(folder)
    apart_names = {_fold(name) for name in apart}
    kept = [path for path in kept if _fold(path.name) not in apart_names]
    if order == "time":
        kept = _by_time(folder, kept)
    kept = _without(folder, kept, drop, replace or {}, first, last)

    photos: list[Photo] = []
    unreadable: list[Unreadable] = []
    for path in kept:
        probed = probe_photo(path)
        (photos if isinstance(probed, Photo) else unreadable).append(probed)
    return PhotoSet(tuple(photos), tuple(unreadable), tuple(notes))


def single_photo(path: Path) -> Photo:
    """One photo by its path (a grey card, the empty set). Raises PhotoError when it can't be read."""
    probed = probe_photo(path)
    if isinstance(probed, Unreadable):
        raise PhotoError.at(path, "", probed.why, "Save the photo again or name another file.")
    return probed


def _fold(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _photo_files(folder: Path) -> tuple[list[Path], list[str]]:
    """Photo files of a folder, twins counted once, naturally sorted; and notes on what was passed over."""
    try:
        entries = [entry for entry in folder.iterdir() if not entry.name.startswith(".")]
    except OSError as error:
        raise InputError.at(
            folder, "", f"the folder can't be read ({error.strerror})", "Check the name and its permissions."
        ) from None
    files = sorted((e for e in entries if e.is_file()), key=lambda e: name_key(e.name))
    photos = [f for f in files if f.suffix.lower() in PHOTO_ENDINGS]
    rows = sorted(e.name for e in entries if e.is_dir() and ROW_FOLDER.fullmatch(e.name))
    if rows and not photos:
        raise PhotoError.at(
            folder,
            "",
            f"it holds rows ({', '.join(rows)}), and several rows are not supported yet",
            f'Name the folder of one row: frames = "{folder.name}/{rows[0]}".',
        )
    notes = [f"several rows are not supported yet: left out {', '.join(rows)}"] if rows else []
    kept, twins = _without_twins(photos)
    others = [f for f in files if f.suffix.lower() not in PHOTO_ENDINGS]
    stems = {_fold(f.stem) for f in kept}
    for_twins = RAW_ENDINGS | FILM_ENDINGS
    twins += [f for f in others if f.suffix.lower() in for_twins and _fold(f.stem) in stems]
    strangers = [f for f in others if f not in twins]
    no_files = [e for e in entries if e.suffix.lower() in PHOTO_ENDINGS and not e.is_file()]  # links to nothing, pipes
    strangers += sorted(no_files, key=lambda e: name_key(e.name))
    if twins:
        notes.append(f"twins of a photo, counted once: {_some(twins)}")
    if strangers:
        notes.append(f"not photos, left out: {_some(strangers)}")
    return kept, notes


def _without_twins(photos: list[Path]) -> tuple[list[Path], list[Path]]:
    """One file for each name without its ending; which one: the earliest ending in PHOTO_ENDINGS."""
    best: dict[str, Path] = {}
    for photo in photos:
        rival = best.get(_fold(photo.stem))
        if rival is None or PHOTO_ENDINGS[photo.suffix.lower()] < PHOTO_ENDINGS[rival.suffix.lower()]:
            best[_fold(photo.stem)] = photo
    kept = [photo for photo in photos if best[_fold(photo.stem)] is photo]
    return kept, [photo for photo in photos if best[_fold(photo.stem)] is not photo]


def _some(files: Sequence[Path], most: int = 4) -> str:
    names = ", ".join(f.name for f in files[:most])
    return names if len(files) <= most else f"{names} and {len(files) - most} more"


def _without(
    folder: Path,
    photos: list[Path],
    drop: Sequence[str],
    replace: Mapping[str, str],
    first: str | None,
    last: str | None,
) -> list[Path]:
    """Apply from, to, drop and replace by file name; every name that doesn't exist is a fault."""
    by_name = {_fold(photo.name): photo for photo in photos}
    faults = []

    def find(name: str, key: str) -> Path | None:
        photo = by_name.get(_fold(name))
        if photo is None:
            near = difflib.get_close_matches(name, [p.name for p in photos], n=1, cutoff=0.5)
            advice = f"Nearest: '{near[0]}'." if near else "Give a file name of that folder."
            faults.append(Fault(str(folder), key, f"there is no photo '{name}'", advice))
        return photo

    start = find(first, "from") if first else None
    end = find(last, "to") if last else None
    dropped = [find(name, "drop") for name in drop]
    reshot = [(find(old, "replace"), find(new, "replace")) for old, new in replace.items()]
    if faults:
        raise PhotoError(*faults)
    begin = photos.index(start) if start else 0
    stop = photos.index(end) + 1 if end else len(photos)
    if start and end and begin >= stop:
        raise PhotoError.at(folder, "from, to", f"'{first}' comes after '{last}'", "Swap the two names.")
    photos = photos[begin:stop]
    stand_ins = dict(reshot)
    moved = set(stand_ins.values())
    kept = [photo for photo in photos if photo not in dropped and photo not in moved]
    return [stand_ins.get(photo, photo) for photo in kept]


def _by_time(folder: Path, files: list[Path]) -> list[Path]:
    """Sorted by Exif time; a file that can't be read goes last, to be reported as unreadable."""
    times: dict[Path, float] = {}
    timeless = []
    for file in files:
        probed = probe_photo(file)
        if isinstance(probed, Photo) and probed.taken_s is None:
            timeless.append(file)
        times[file] = probed.taken_s or 0.0 if isinstance(probed, Photo) else float("inf")
    if timeless:
        raise PhotoError.at(
            folder,
            'order = "time"',
            f"no Exif time of shooting in {_some(timeless)}",
            'Use order = "name", or restore the photos from the camera.',
        )
    return sorted(files, key=lambda file: (times[file], name_key(file.name)))
