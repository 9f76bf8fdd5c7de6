"""The site as it lies on disk: what of it is ours, what isn't, and clearing away only our own."""

from __future__ import annotations

import filecmp
import io
import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from builder.site.manifest import MANIFEST, Listing, ancestors_of, read_manifest
from builder.store.stamps import listing_stamp, read_record, walk, write_record
from builder.store.writing import content_digest

_STAMP = len(content_digest(b""))


@dataclass
class Previous:
    """The site before a build."""

    out: Path
    is_ours: bool = False
    files: Listing = field(default_factory=Listing)  # ours and still there
    gone: list[str] = field(default_factory=list)  # ours, but no longer there
    foreign: list[str] = field(default_factory=list)  # files and links that somebody else put here
    foreign_folders: set[str] = field(default_factory=set)  # folders of those, and foreign empty folders
    suspect: set[str] = field(default_factory=set)  # folders whose files may not be as we left them

    def holds(self, path: str, digest: str) -> bool:
        """Whether our file at path has this content, on disk, now."""
        if self.files.get(path) != digest:
            return False
        if path.rpartition("/")[0] not in self.suspect:
            return True
        with suppress(OSError):
            return content_digest((self.out / path).read_bytes()) == digest
        return False

    def find(self, digest: str) -> str | None:
        """A path of ours with this content, if any."""
        path = self.files.find(digest)
        return path if path is not None and self.holds(path, digest) else None


def read_previous(out: Path, memory: Path | None) -> Previous:
    """Look through out. memory: where the stamps of the last writing are kept (None: trust nothing unread).

    Raises OutputError for a damaged manifest, OSError when the folder can't be listed.
    """
    previous = Previous(out)
    if not out.is_dir():
        return previous
    listed = read_manifest(out)
    previous.is_ours = listed is not None
    previous.files = ours = listed or Listing()
    text = (memory and read_record(memory)) or ""
    remembered = {text[k : k + _STAMP] for k in range(0, len(text), _STAMP)} if isinstance(text, str) else ()
    seen = 0
    for folder, entries in walk(out):
        if _folder_stamp(folder, entries) not in remembered:
            previous.suspect.add(folder)
        seen += _sort_entries(previous, folder, entries)
        if not entries and folder and not ours.has_folder(folder):
            previous.foreign_folders.add(folder)
    if seen < len(ours):
        previous.gone = [path for path in ours if not _is_plain_file(out / path)]
        for path in previous.gone:
            ours.drop(path)
    previous.foreign_folders |= ancestors_of(previous.foreign) | ancestors_of(previous.foreign_folders)
    return previous


def _sort_entries(previous: Previous, folder: str, entries: Iterable[os.DirEntry[str]]) -> int:
    """Notes what is foreign; returns how many files are ours and still files."""
    seen = 0
    for entry in entries:
        if entry.is_dir(follow_symlinks=False):
            continue
        path = f"{folder}/{entry.name}" if folder else entry.name
        if path in previous.files:
            seen += entry.is_file(follow_symlinks=False)
        elif path != MANIFEST:
            previous.foreign.append(path)
    return seen


def _is_plain_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def remember_site(out: Path, memory: Path) -> None:
    """Keep the stamps of a site just written, so that the next build need not read it. Raises OSError."""
    write_record(memory, _stamps(out))


def site_untouched(out: Path, memory: Path) -> bool:
    """Whether nothing in out was added, taken away or changed since `remember_site`; by stat calls alone."""
    try:
        remembered = read_record(memory)
        return remembered is not None and remembered == _stamps(out)
    except OSError:
        return False


def _stamps(out: Path) -> str:
    """Of each folder, one after the other: a large site has tens of thousands, of which no more need be in memory."""
    text = io.StringIO()
    for folder, entries in walk(out):
        text.write(_folder_stamp(folder, entries))
    return text.getvalue()


def _folder_stamp(folder: str, entries: list[os.DirEntry[str]]) -> str:
    """_STAMP letters that change with a folder's name and its listing."""
    return content_digest(f"{folder}\n{listing_stamp(entries)}".encode("utf-8", "surrogateescape"))


def clear_site(old: Path, site: Path) -> None:
    """Remove an old site whose place `site` has taken. What isn't ours and isn't in `site` yet moves there.

    It was carried over before the swap; this catches what was saved into the folder in the meantime.
    Raises OSError, OutputError. May be interrupted and run again: the manifest goes last.
    """
    ours = read_manifest(old) or Listing()
    folders = []
    for folder, entries in walk(old):
        folders.append(folder)
        for entry in entries:
            path = f"{folder}/{entry.name}" if folder else entry.name
            if entry.is_dir(follow_symlinks=False) or path == MANIFEST:
                continue
            if path not in ours:
                _rescue(old / path, site, path)
            with suppress(FileNotFoundError):
                os.unlink(entry.path)
    for folder in reversed(folders[1:]):
        if not ours.has_folder(folder):
            (site / folder).mkdir(parents=True, exist_ok=True)
        os.rmdir(old / folder)
    (old / MANIFEST).unlink(missing_ok=True)
    os.rmdir(old)


def _rescue(late: Path, site: Path, path: str) -> None:
    """Move a foreign file to the new site unless it was carried there already."""
    place = site / path
    if not os.path.lexists(place):
        place.parent.mkdir(parents=True, exist_ok=True)
        os.rename(late, place)
    elif not _same(late, place):
        clashes = path in (read_manifest(site) or ())
        os.replace(late, place.with_name(f"{place.name}.kept") if clashes else place)


def _same(one: Path, other: Path) -> bool:
    if one.is_symlink() or other.is_symlink():
        return one.is_symlink() and other.is_symlink() and os.readlink(one) == os.readlink(other)
    return os.path.samefile(one, other) or (one.is_file() and filecmp.cmp(one, other, shallow=False))
