"""Finished results kept between builds: a key made of content and settings -> named blobs and facts.

An entry is two files, `KEY.pack` (its blobs end to end) and `KEY.json` (names, places, digests, and a check
over itself), each written whole by rename, the pack first. So a crash leaves an entry or none, and readers
and writers in other processes never meet a half one. Nothing is trusted: the index is told by its check, the
pack by its size, and each blob by its digest when read. Damaged, truncated or foreign entries count
as absent.

Trimming takes packs away but leaves small indexes: an item whose results still lie in the site as last
written needs no more than its index, so a shop larger than the cache doesn't thrash.
"""

from __future__ import annotations

import dataclasses
import enum
import json
import os
import shutil
import threading
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from builder.store.lock import WAIT_S, hold
from builder.store.stamps import Fingerprints, read_record, write_record
from builder.store.writing import content_digest, explain, link_or_copy, replace_whole

VERSION = 1
FOLDER_RECORD = "record.json"
LIMIT_BYTES = 5_000_000_000
INDEX_SHARE = 0.02  # of the limit, for indexes whose packs are gone
TRIM_EVERY = 0.1  # of the limit: a big build may be over it by so much for a while
USE_NOTED_EVERY_S = 3600  # how finely "oldest" is told
LEFTOVER_S = 3600  # a temporary file this old belongs to no living writer
TAG = "Signature: 8a477f597d28d172789f06886806bc55\n# This is a cache of Kickwheel; it may be deleted.\n"


def digest(*parts: Any) -> str:
    """A key that is the same for the same values in every run and on every machine.

    Takes None, bool, int, float, str, bytes, lists, tuples, sets, str-keyed mappings, dataclasses, enums and
    catalogue settings. Raises TypeError for anything else, paths above all: they differ between machines.
    """
    return content_digest(json.dumps(_plain(parts), sort_keys=True, separators=(",", ":"), allow_nan=False).encode())


def _plain(value: Any) -> Any:
    if isinstance(value, enum.Enum):
        return _plain(value.value)
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, bytes):
        return {"bytes": content_digest(value)}
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    if isinstance(value, (set, frozenset)):
        return {"set": sorted(json.dumps(_plain(part), sort_keys=True) for part in value)}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if hasattr(value, "model_dump"):
        return _plain(value.model_dump(mode="json"))
    if isinstance(value, Mapping) and all(isinstance(key, str) for key in value):
        return {key: _plain(part) for key, part in value.items()}
    raise TypeError(f"{type(value).__name__} can't be part of a cache key")


class DamagedEntry(LookupError):
    """A blob isn't what it was when stored. Its entry is already gone: compute it again."""


@dataclass(frozen=True, slots=True)
class Blob:
    """One piece of stored content; read() gives bytes that match the digest or raises DamagedEntry."""

    digest: str
    size: int
    offset: int
    index: Path

    def read(self) -> bytes:
        try:
            with open(self.index.with_suffix(".pack"), "rb") as pack:
                pack.seek(self.offset)
                content = pack.read(self.size)
        except OSError as error:
            raise DamagedEntry(str(self.index)) from error
        if content_digest(content) != self.digest:
            with suppress(OSError):
                self.index.unlink()
            raise DamagedEntry(str(self.index))
        return content


@dataclass(frozen=True, slots=True)
class Entry:
    """facts: the JSON value stored with the blobs. cost_s: seconds it took to make them."""

    blobs: Mapping[str, Blob]
    facts: Any = None
    cost_s: float = 0.0


class Cache:
    """The cache folder of a catalogue. Any number of processes may use it at once.

    stores: further cache folders, only read from, such as the shares of a build that other machines did. What is
    found there is taken into the cache.
    """

    def __init__(self, root: Path, *, limit_bytes: int | None = None, stores: Sequence[Path] = ()) -> None:
        self.root = root
        self.limit_bytes = LIMIT_BYTES if limit_bytes is None else limit_bytes
        self.fingerprints = Fingerprints(root / "sources")
        self.hit_count = 0
        self.miss_count = 0
        self.saved_s = 0.0
        self._places = [root, *stores]
        self._put_bytes = 0  # since the last trim
        self._in_use: set[str] = set()  # keys of entries whose content was given out, until `let_go`
        self._counting = threading.Lock()

    def get(self, key: str, *, lazy: bool = False, held: Callable[[str], object] | None = None) -> Entry | None:
        """The entry, or None when there is none that can be trusted.

        All content is verified before returning. lazy: leave that to `Blob.read`, for content that may not be
        needed. held: tells for a digest whether its content exists elsewhere (the site as last written);
        implies lazy, and an entry whose pack was trimmed will do when everything is held.
        """
        for place in self._places:
            entry = self._read(_index(place, key), key, lazy or held is not None, held)
            if entry is not None:
                self.hit_count += 1
                self.saved_s += entry.cost_s
                if entry.blobs:
                    self._use(key)
                return entry if place == self.root else self._taken_in(key, entry)
        self.miss_count += 1
        return None

    def put(self, key: str, blobs: Mapping[str, bytes], facts: Any = None, *, cost_s: float = 0.0) -> Entry:
        """Store, whole or not at all. facts: any JSON value. Raises OutputError: disk full, no permission."""
        index = _index(self.root, key)
        self._use(key)
        stored, offset = {}, 0
        for name, content in blobs.items():
            stored[name] = Blob(content_digest(content), len(content), offset, index)
            offset += len(content)
        try:
            self._prepare(index.parent)
            if blobs:
                replace_whole(index.with_suffix(".pack"), b"".join(blobs.values()))
            write_record(
                index,
                {
                    "version": VERSION,
                    "key": key,
                    "facts": facts,
                    "cost_s": round(cost_s, 3),
                    "size": offset,
                    "blobs": {name: [blob.digest, blob.size, blob.offset] for name, blob in stored.items()},
                },
            )
        except OSError as error:
            raise explain(error, self.root) from error
        self._note_put(offset)
        if not blobs:
            self._in_use.discard(key)  # nothing that a trim could take away
        # as they will be read: a result must not depend on whether it came from the cache
        return Entry(stored, json.loads(json.dumps(facts, sort_keys=True)), cost_s)

    def folder(self, key: str, make: Callable[[Path], Any], *, force: bool = False) -> tuple[Path, Any]:
        """A folder of files, too large to pass through memory, and the facts (JSON) that `make` returned when it
        wrote them into the folder it was given. Whole or absent, and made again when a file isn't as it was, or by force.
        Raises OutputError, and what make raises."""
        home = self.root / "folders" / key
        facts = None if force else self._folder_facts(home)
        if facts is not None:
            return home, facts[0]
        aside = home.with_name(f".{key}.{os.getpid()}.part")
        try:
            self._prepare(self.root)
            shutil.rmtree(aside, ignore_errors=True)
            aside.mkdir(parents=True)
            facts = make(aside)
            files = {file.name: content_digest(file.read_bytes()) for file in sorted(aside.iterdir())}
            write_record(aside / FOLDER_RECORD, {"facts": facts, "files": files})
            shutil.rmtree(home, ignore_errors=True)
            aside.rename(home)
        except OSError as error:
            raise explain(error, self.root) from error
        finally:
            shutil.rmtree(aside, ignore_errors=True)
        return home, json.loads(json.dumps(facts, sort_keys=True))

    def _folder_facts(self, home: Path) -> tuple[Any] | None:
        record = read_record(home / FOLDER_RECORD)
        if not isinstance(record, dict):
            return None
        try:
            whole = all(self.fingerprints.of(home / name) == found for name, found in record["files"].items())
        except OSError:
            return None
        _note_use(home / FOLDER_RECORD)
        return (record["facts"],) if whole else None

    def _taken_in(self, key: str, entry: Entry) -> Entry:
        """A store's entry, now in the cache too: the next build may do without the store."""
        index = _index(self.root, key)
        if not entry.blobs:
            return self.put(key, {}, entry.facts, cost_s=entry.cost_s)
        source = next(iter(entry.blobs.values())).index
        try:
            self._prepare(index.parent)
            aside = index.with_name(f"{key}.{os.getpid()}.{threading.get_ident()}.part")
            for ending in (".pack", ".json"):
                if source.with_suffix(ending).exists():
                    link_or_copy(source.with_suffix(ending), aside)
                    os.replace(aside, index.with_suffix(ending))
                    _unlink(aside)  # still there when both were the same file already
        except OSError as error:
            raise explain(error, self.root) from error
        self._note_put(_size_of(index.with_suffix(".pack")) or 0)
        blobs = {name: dataclasses.replace(blob, index=index) for name, blob in entry.blobs.items()}
        return dataclasses.replace(entry, blobs=blobs)

    def _note_put(self, size: int) -> None:
        with self._counting:
            self._put_bytes += size

    def _use(self, key: str) -> None:
        with self._counting:
            self._in_use.add(key)

    def let_go(self, blobs: Iterable[Blob]) -> None:
        """These were read for the last time: in a big build, trim what is too much already now."""
        with self._counting:
            self._in_use -= {blob.index.stem for blob in blobs}
            if self._put_bytes < self.limit_bytes * TRIM_EVERY:
                return
            self._put_bytes, kept = 0, frozenset(self._in_use)
        self.trim(kept, at_work=True)

    def trim(self, kept: Collection[str] = (), *, at_work: bool = False) -> int:
        """Bring the cache under its limit, what was used longest ago first. Returns the bytes removed.

        kept: keys of entries that are still to be read. at_work: folders may still be read, and stay.
        """
        used = sum(size for _, _, size in _folders(self.root)) + self._swept()
        bare = sum(size for _, _, size, alone in self._results(kept) if alone)
        if used <= self.limit_bytes and bare <= self.limit_bytes * INDEX_SHARE:
            return 0  # the usual case, in which of thousands of entries none need be in memory
        packs = [] if at_work else [(when, home, size) for home, when, size in _folders(self.root)]
        lone: list[tuple[float, Path, int]] = []
        for when, path, size, alone in self._results(kept):
            (lone if alone else packs).append((when, path, size))
        removed = _drop_oldest(packs, used - self.limit_bytes)
        return removed + _drop_oldest(lone, bare - int(self.limit_bytes * INDEX_SHARE))

    def _swept(self) -> int:
        """Bytes of all entries and what else lies beside them, less the remains of builds that were stopped."""
        used = 0
        for path, status in _files(self.root):
            used += status.st_size
            if path.suffix == ".part" or (path.suffix == ".pack" and not path.with_suffix(".json").exists()):
                if time.time() - status.st_mtime > LEFTOVER_S:
                    used -= status.st_size
                    _unlink(path)
        return used

    def _results(self, kept: Collection[str]) -> Iterator[tuple[float, Path, int, bool]]:
        """What may go: when it was last used, the file, its bytes, and whether it is an index without a pack."""
        for path, status in _files(self.root):
            if path.suffix == ".json" and path.parent.parent.name == "results" and path.stem not in kept:
                pack = path.with_suffix(".pack")
                size = _size_of(pack)
                alone = size is None
                yield status.st_mtime, path if alone else pack, size or status.st_size, alone

    @contextmanager
    def locked(self, *, wait_s: float = WAIT_S, on_wait: Callable[[str], None] | None = None) -> Iterator[None]:
        """One build of a catalogue at a time; see `lock.hold`."""
        try:
            self._prepare(self.root)
        except OSError as error:
            raise explain(error, self.root) from error
        with hold(self.root / "lock", wait_s=wait_s, on_wait=on_wait):
            for left in self.root.glob("work-*"):  # what a killed build was at: no other one is running
                shutil.rmtree(left, ignore_errors=True)
            yield

    def _read(self, index: Path, key: str, lazy: bool, held: Callable[[str], object] | None) -> Entry | None:
        record = read_record(index)
        if not isinstance(record, dict) or record.get("version") != VERSION or record.get("key") != key:
            return None
        blobs = {name: Blob(found, size, offset, index) for name, (found, size, offset) in record["blobs"].items()}
        whole = not blobs or _size_of(index.with_suffix(".pack")) == record["size"]
        if not whole and (held is None or not all(held(blob.digest) for blob in blobs.values())):
            return None
        if not lazy:
            try:
                for blob in blobs.values():
                    blob.read()
            except DamagedEntry:
                return None
        _note_use(index)
        return Entry(blobs, record["facts"], record["cost_s"])

    def _prepare(self, folder: Path) -> None:
        if folder.is_dir() and (self.root / "CACHEDIR.TAG").exists():
            return
        folder.mkdir(parents=True, exist_ok=True)
        # bford.info/cachedir: backup programs skip a folder that says so; and it isn't for version control
        for name, text in (("CACHEDIR.TAG", TAG), (".gitignore", "*\n")):
            if not (self.root / name).exists():
                replace_whole(self.root / name, text.encode())


def _index(root: Path, key: str) -> Path:
    return root / "results" / key[:2] / f"{key}.json"


def _size_of(path: Path) -> int | None:
    try:
        return os.stat(path).st_size
    except OSError:
        return None


def _note_use(index: Path) -> None:
    with suppress(OSError):  # a store may be read-only
        if time.time() - os.stat(index).st_mtime > USE_NOTED_EVERY_S:
            os.utime(index)


def _files(root: Path) -> Iterator[tuple[Path, os.stat_result]]:
    for folder in (root, root / "sources", *sorted(root.glob("results/*"))):
        with suppress(OSError), os.scandir(folder) as listing:
            for entry in listing:
                with suppress(FileNotFoundError):
                    if entry.is_file():
                        yield Path(entry.path), entry.stat()


def _folders(root: Path) -> Iterator[tuple[Path, float, int]]:
    """(folder, when it was last used, bytes) of the folders kept."""
    for home in sorted((root / "folders").glob("*")):
        with suppress(OSError):
            size = sum(file.stat().st_size for file in home.iterdir())
            record = home / FOLDER_RECORD
            yield home, (record if record.exists() else home).stat().st_mtime, size


def _drop_oldest(files: list[tuple[float, Path, int]], spare: int) -> int:
    removed = 0
    for _, path, size in sorted(files):
        if removed >= spare:
            break
        _unlink(path)
        removed += size
    return removed


def _unlink(path: Path) -> None:
    with suppress(OSError):
        shutil.rmtree(path) if path.is_dir() else path.unlink()
