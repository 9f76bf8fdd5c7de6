"""Has a file changed? Told from name, size, times and inode alone, without reading it; and small records.

A stamp is trusted only when the file had been left alone for a moment before it was looked at: a second
change within the same tick of the disk's clock would otherwise go unseen.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from builder.store.writing import content_digest, file_digest, replace_whole

# Linux stamps files with the timer tick, 10 ms at the slowest; exFAT stores 10 ms. A file system that
# stores whole seconds (FAT: two) shows itself by having no fraction.
FINE_TICK_NS = 50_000_000
COARSE_TICK_NS = 2_000_000_000

FOLDERS_HELD = 64  # whose fingerprints wait in memory: a few times as many items as are at work at once

Stamp = tuple[int, int, int, int]  # size, time of change, time of the inode's change, inode


def stamp_of(status: os.stat_result) -> Stamp:
    """ctime is part of it: it catches a change in place whose time was set back afterwards."""
    return (status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)


def is_settled(status: os.stat_result, now_ns: int) -> bool:
    """Whether the file's last change lies long enough before now_ns (time.time_ns) to trust its stamp."""
    tick = FINE_TICK_NS if status.st_mtime_ns % 1_000_000_000 else COARSE_TICK_NS
    return status.st_mtime_ns + tick < now_ns and status.st_ctime_ns + tick < now_ns


def walk(root: Path | str, under: str = "") -> Iterator[tuple[str, list[os.DirEntry[str]]]]:
    """(folder relative to root, its entries sorted by name), top down; symbolic links aren't followed."""
    with os.scandir(os.path.join(root, under)) as listing:
        entries = sorted(listing, key=lambda entry: entry.name)
    yield under, entries
    for entry in entries:
        if entry.is_dir(follow_symlinks=False):
            yield from walk(root, f"{under}/{entry.name}" if under else entry.name)


def listing_stamp(entries: list[os.DirEntry[str]], *, inode_times: bool = False) -> str:
    """One short text for a folder's listing; changes when any entry's stamp does. Folders count by name.

    inode_times: count ctime too (not for our own output: a hard link made or removed changes it).
    """
    parts = []
    for entry in entries:
        if entry.is_dir(follow_symlinks=False):
            parts.append((entry.name,))
            continue
        status = entry.stat(follow_symlinks=False)
        times = (status.st_mtime_ns, status.st_ctime_ns) if inode_times else (status.st_mtime_ns,)
        parts.append((entry.name, status.st_size, *times, entry.inode()))
    return content_digest(repr(parts).encode("utf-8", "surrogateescape"))


def read_record(path: Path) -> Any:
    """What write_record stored, or None when it is missing, damaged or not ours."""
    try:
        check, _, text = path.read_bytes().partition(b"\n")
        return json.loads(text) if check.decode("ascii") == content_digest(text) else None
    except (OSError, ValueError):
        return None


def write_record(path: Path, value: Any, *, sync: bool = False) -> None:
    """Store a JSON value with a check over its bytes, whole or not at all. Raises OSError."""
    text = json.dumps(value, separators=(",", ":"), sort_keys=True).encode()
    path.parent.mkdir(parents=True, exist_ok=True)
    replace_whole(path, content_digest(text).encode() + b"\n" + text, sync=sync)


class Fingerprints:
    """Content hashes of source files, remembered by stamp so that an unchanged file isn't read again.

    One record a source folder, in `root`; call `save()` when done. Used by one process, any number of threads.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.read_count = 0  # files whose content was read in this run
        self._folders: dict[Path, dict[str, list[Any]]] = {}  # those used last, in that order
        self._changed: set[Path] = set()  # of them
        self._turns = threading.Lock()

    def of(self, path: Path) -> str:
        """32 hex digits for the file's content. Raises OSError."""
        folder = path.parent
        with self._turns:
            remembered = self._known(folder).get(path.name)
        if remembered and tuple(remembered[1:]) == stamp_of(os.stat(path)):
            return remembered[0]
        digest, stamp = self._hash(path)
        if stamp:
            with self._turns:
                self._known(folder)[path.name] = [digest, *stamp]
                self._changed.add(folder)
        return digest

    def save(self) -> None:
        """Raises OSError."""
        with self._turns:
            for folder in sorted(self._changed):
                self._save(folder)

    def _known(self, folder: Path) -> dict[str, list[Any]]:
        known = self._folders.pop(folder, None)
        if known is None:
            known = self._read(folder)
            if len(self._folders) >= FOLDERS_HELD:
                oldest = next(iter(self._folders))
                self._save(oldest)
                del self._folders[oldest]
        self._folders[folder] = known
        return known

    def _save(self, folder: Path) -> None:
        if folder in self._changed:
            write_record(self._place(folder), self._folders[folder])
            self._changed.discard(folder)

    def _hash(self, path: Path) -> tuple[str, Stamp | None]:
        """The content's hash, and the stamp that stands for it if it may be trusted."""
        now_ns = time.time_ns()
        with open(path, "rb") as file:
            before = os.fstat(file.fileno())
            digest = file_digest(file)
            after = os.fstat(file.fileno())
        self.read_count += 1
        same = stamp_of(before) == stamp_of(after)
        return digest, stamp_of(after) if same and is_settled(after, now_ns) else None

    def _place(self, folder: Path) -> Path:
        return self.root / f"{content_digest(os.fsencode(folder.absolute()))}.json"

    def _read(self, folder: Path) -> dict[str, list[Any]]:
        record = read_record(self._place(folder))
        return record if isinstance(record, dict) else {}
