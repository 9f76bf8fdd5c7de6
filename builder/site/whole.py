"""The only writer of sites: {path: content} in, a folder that changes from old to new in one step.

Knows nothing of templates or pixels. The new site is filled aside, sharing unchanged files with the old one,
then takes its place as a whole (`swap`); files in the folder that Kickwheel didn't write are carried over.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from builder.errors import Fault, InputError, OutputError
from builder.site.manifest import MANIFEST, Listing, ancestors_of, write_manifest
from builder.site.output import check_output, check_path
from builder.site.previous import Previous, clear_site, read_previous, remember_site
from builder.site.swap import discard_new, lock_file, new_folder, swap_in, work_folder
from builder.site.swap import repair as repair_swap
from builder.store.lock import WAIT_S, hold
from builder.store.writing import SYNC_ONE_BY_ONE, content_digest, explain, link_or_copy, sync_tree, write_new

__all__ = [
    "SiteFile",
    "SiteWriter",
    "WrittenSite",
    "check_output",
    "hashed_name",
    "open_site",
    "repair",
    "write_site",
]

MOST_FAULTS = 20  # of one kind that are worth listing
FOLDERS_NOTED = 1000  # as made already: a few items' worth


class Stored(Protocol):
    """Content kept elsewhere whose digest is known without reading it; read() raises LookupError if lost."""

    digest: str

    def read(self) -> bytes: ...


@dataclass(frozen=True, slots=True)
class SiteFile:
    """One file of the site. path: relative, POSIX. source: its bytes, a file to copy, or stored content."""

    path: str
    source: bytes | Path | Stored


@dataclass(frozen=True, slots=True)
class WrittenSite:
    """Counts of files: new or changed, kept from the last build, not ours but kept, ours and now gone."""

    written: int
    reused: int
    carried: int
    removed: int

    @property
    def changed(self) -> bool:
        return bool(self.written or self.removed)


def hashed_name(logical: str, content: bytes | str) -> str:
    """'viewer.js' -> 'assets/viewer.1f0c9a3b5d7e.js': a new name whenever the content is new.

    content: the bytes, or their `content_digest`. 48 bits: among 100 000 versions of one name two would
    meet with a chance of 2 in 100 000.
    """
    digest = content if isinstance(content, str) else content_digest(content)
    stem, dot, ending = logical.rpartition(".")
    return f"assets/{stem}.{digest[:12]}.{ending}" if dot and stem else f"assets/{logical}.{digest[:12]}"


def repair(out: Path) -> bool:
    """Put right what an interrupted build left beside out; True if there was something.

    Leaves everything alone while another process is writing there. Raises OutputError when the disk fails.
    """
    real = Path(os.path.realpath(out))
    if not work_folder(real).is_dir():
        return False
    try:
        with hold(lock_file(real), wait_s=0, remove=True):
            return repair_swap(real, clear_site)
    except OSError as error:
        raise explain(error, error.filename or out) from error
    except OutputError:
        return False  # somebody is at work there; or the next build says what it can't put right


def write_site(
    out: Path,
    files: Iterable[SiteFile],
    *,
    memory: Path | None = None,
    wait_s: float = WAIT_S,
    on_wait: Callable[[str], None] | None = None,
) -> WrittenSite:
    """Write the site that consists of exactly these files. See `open_site`."""
    with open_site(out, memory=memory, wait_s=wait_s, on_wait=on_wait) as site:
        for file in files:
            site.add(file)
        return site.finish()


@contextmanager
def open_site(
    out: Path,
    *,
    memory: Path | None = None,
    wait_s: float = WAIT_S,
    on_wait: Callable[[str], None] | None = None,
) -> Iterator[SiteWriter]:
    """Lock, repair and look through out; what is added becomes the site with `finish()`, all of it or none.

    memory: a file in the catalogue's cache where the stamps of what was written are kept, so that the next
    build need not read the old site; one file an output folder. wait_s, on_wait: see `lock.hold`.
    Raises OutputError: locked, full, no permission, in the way of a foreign file, unsafe names.
    """
    real = Path(os.path.realpath(out))
    missing = [folder for folder in real.parents if not folder.exists()]
    try:
        with hold(lock_file(real), wait_s=wait_s, on_wait=on_wait, remove=True):
            repair_swap(real, clear_site)
            try:
                yield SiteWriter(real, read_previous(real, memory), memory)
            finally:
                discard_new(real)
    except OSError as error:
        raise explain(error, error.filename or out) from error
    finally:
        with suppress(OSError):
            for folder in missing:  # only those that stayed empty
                folder.rmdir()


class SiteWriter:
    """Collects one site. Files that the old site holds already are noted and shared with it at the end."""

    def __init__(self, out: Path, previous: Previous, memory: Path | None) -> None:
        self.previous = previous
        self._out = out
        self._memory = memory
        self._new = new_folder(out)
        self._files = Listing()
        self._made: set[str] = set()  # folders of the new site; only those of late, the disk knows the others
        self._new_files: list[str] = []  # for syncing; the first few tell that there are many
        self._written_count = 0
        self._odd_case: set[str] = set()  # lower-case forms of paths that aren't lower-case
        self._faults: list[Fault] = []
        self._foreign = set(previous.foreign)

    def add(self, file: SiteFile) -> None:
        """Raises OutputError, OSError, and whatever reading its source raises."""
        path, source = file.path, file.source
        check_path(path)
        if isinstance(source, Path):
            source = read_source(source)
        digest = content_digest(source) if isinstance(source, bytes) else source.digest
        if self._files.get(path) == digest or self._is_taken(path):
            return
        self._files.add(path, digest)
        if self.previous.holds(path, digest):
            return
        content = source if isinstance(source, bytes) else self._read_stored(source)
        if path in self._foreign and not self._adopt(path, content):
            return
        self._make_folder(path.rpartition("/")[0])
        write_new(self._new / path, content)
        self._written_count += 1
        if len(self._new_files) <= SYNC_ONE_BY_ONE:
            self._new_files.append(path)

    def keep(self, folder: str) -> int:
        """Take over all files of ours below a folder of the root ('toy-boat') as last built. Returns how many."""
        kept = [path for path in self.previous.files.under(folder) if path not in self._files]
        for path in kept:
            digest = self.previous.files.get(path)
            if digest and self.previous.holds(path, digest):
                check_path(path)
                self._files.add(path, digest)
        return len(kept)

    def finish(self) -> WrittenSite:
        """Make what was added the site. Nothing is touched when it is the site already."""
        if self._faults:
            raise OutputError(*self._faults[:MOST_FAULTS])
        old = (self.previous.files, self.previous.gone)
        removed = sum(path not in self._files for paths in old for path in paths)
        del old
        written, carried = self._written_count, len(self._foreign)
        reused = len(self._files) - written
        if written or removed or not self.previous.is_ours:
            self._share()
            self._carry()
            self._seal()
            self.previous = Previous(self._out)  # it is about to go; gives its memory back
            swap_in(self._out, clear_site)
        elif not self.previous.suspect:
            return WrittenSite(0, reused, carried, 0)
        if self._memory:
            with suppress(OSError):  # then the next build reads what it would otherwise only look at
                remember_site(self._out, self._memory)
        return WrittenSite(written, reused, carried, removed)

    def _share(self) -> None:
        """Give the unchanged files a place in the new site."""
        for path in self._files:
            folder = path.rpartition("/")[0]
            if self.previous.files.get(path) != self._files.get(path):
                continue
            if folder in self.previous.suspect and os.path.lexists(self._new / path):
                continue  # what lay in the old site was damaged, so it was written anew
            self._make_folder(folder)
            link_or_copy(f"{self._out}/{path}", f"{self._new}/{path}")

    def _carry(self) -> None:
        """Take what isn't ours along: files, links, and folders with their modes."""
        import shutil

        for folder in sorted(self.previous.foreign_folders):
            self._make_folder(folder)
        for path in self.previous.foreign:
            if path in self._foreign:
                link_or_copy(self._out / path, self._new / path)
        for folder in self.previous.foreign_folders:
            shutil.copystat(self._out / folder, self._new / folder)

    def _seal(self) -> None:
        self._make_folder("")
        write_manifest(self._new / MANIFEST, self._files)
        if self._out.is_dir():
            before = self._out.stat()
            os.chmod(self._new, before.st_mode & 0o7777)
            with suppress(OSError, AttributeError):
                os.chown(self._new, before.st_uid, before.st_gid)
        sync_tree(self._new, [*self._new_files, MANIFEST])

    def _make_folder(self, folder: str) -> None:
        if folder in self._made:
            return
        if folder:
            self._make_folder(folder.rpartition("/")[0])
        with suppress(FileExistsError):
            os.mkdir(self._new / folder)
        if len(self._made) >= FOLDERS_NOTED:
            self._made.clear()
        self._made.add(folder)

    def _read_stored(self, source: Stored) -> bytes:
        """Stored content; what the store has lost may still be in the old site."""
        try:
            return source.read()
        except LookupError:
            place = self.previous.find(source.digest)
            if place is None:
                raise
            return (self._out / place).read_bytes()

    def _adopt(self, path: str, content: bytes) -> bool:
        """A file that somebody else put where ours goes is fine if it is the same."""
        place = self._out / path
        if place.is_file() and not place.is_symlink() and place.read_bytes() == content:
            self._foreign.discard(path)
            return True
        self._refuse(path)
        return False

    def _is_taken(self, path: str) -> bool:
        """Whether path can't be one of our files; the reason is noted."""
        folder = path.rpartition("/")[0]
        lower = path.lower()
        if (
            path in self._files
            or self._files.has_folder(path)
            or lower in self._odd_case
            or (lower != path and lower in self._files)
        ):
            self._faults.append(Fault(path, "", "two files of the site need this name", "Rename one of the items."))
            return True
        if lower != path:
            self._odd_case.add(lower)
        if folder and not self._files.has_folder(folder):
            above = ancestors_of([path])
            if any(place in self._files for place in above):
                self._faults.append(
                    Fault(folder, "", "is both a file and a folder of the site", "Rename one of the items.")
                )
                return True
            blocked = above & self._foreign
            if blocked:
                self._refuse(blocked.pop())
                return True
        if path in self.previous.foreign_folders:
            self._refuse(path)
            return True
        return False

    def _refuse(self, path: str) -> None:
        self._faults.append(
            Fault(
                str(self._out / path),
                "",
                "wasn't written by Kickwheel, and the site needs this place",
                "Move it away, or give the item another slug.",
            )
        )


def read_source(path: Path) -> bytes:
    """A file to be copied into the site. Raises InputError."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError.at(path, "", f"can't be read ({error.strerror})", "Check the file and build again.") from error
