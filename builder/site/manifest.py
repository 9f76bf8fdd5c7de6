"""The manifest of a site: which files Kickwheel wrote, with their digests. Read and written line by line."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from pathlib import Path

from builder.errors import OutputError
from builder.store.writing import explain, write_pieces

MANIFEST = ".kickwheel-manifest.json"
HEAD = '{"version": 1, "files": {\n'


OPEN_FOLDERS = 8  # top folders of a listing that wait to be packed
DIGEST_BYTES = 16


class _Shape:
    """The names below a top folder, and the folders above them. One serves all folders alike."""

    def __init__(self, names: tuple[str, ...]) -> None:
        self.place_of = {name: place for place, name in enumerate(names)}
        self.folders = ancestors_of(names)


class Listing:
    """Path -> content digest (hex) of a site's files, in about 20 bytes a file.

    A shop of thousands of items has hundreds of thousands of files whose names repeat from item to item: below each
    top folder it is one of few shapes, and a row of digests. Those last added to are kept open.
    """

    def __init__(self) -> None:
        self._shapes: dict[tuple[str, ...], _Shape] = {}
        self._packed: dict[str, tuple[_Shape, bytes]] = {}
        self._open: dict[str, dict[str, bytes]] = {}
        self._open_folders: dict[str, set[str]] = {}
        self._count = 0
        self._places: dict[bytes, str] = {}  # digest -> top folder, made when first asked for

    def __len__(self) -> int:
        return self._count

    def __contains__(self, path: str) -> bool:
        return self._digest(path) is not None

    def __iter__(self) -> Iterator[str]:
        """Paths: those below one top folder together, by folder and name."""
        for top in self._tops():
            for name in self._below(top):
                yield f"{top}/{name}" if top else name

    def get(self, path: str) -> str | None:
        digest = self._digest(path)
        return None if digest is None else digest.hex()

    def add(self, path: str, digest: str) -> None:
        """Raises ValueError when digest isn't hex of 16 bytes."""
        found = bytes.fromhex(digest)
        if len(found) != DIGEST_BYTES:
            raise ValueError(f"a digest of {len(found)} bytes")
        top, name = _split(path)
        files = self._opened(top)
        if name not in files:
            self._count += 1
            self._open_folders[top] |= ancestors_of([name])
        files[name] = found
        self._places.clear()

    def drop(self, path: str) -> None:
        """Raises KeyError."""
        top, name = _split(path)
        files = self._opened(top)
        del files[name]
        self._open_folders[top] = ancestors_of(files)
        self._count -= 1
        self._places.clear()

    def has_folder(self, folder: str) -> bool:
        """Whether a file lies in it, at any depth."""
        top, _, inner = folder.partition("/")
        if top in self._open:
            return inner in self._open_folders[top] if inner else bool(self._open[top])
        shape, _ = self._packed.get(top, (None, b""))
        return shape is not None and (inner in shape.folders if inner else bool(shape.place_of))

    def under(self, top: str) -> list[str]:
        """The paths below one folder of the site's root."""
        return [f"{top}/{name}" for name in self._below(top)] if top else []

    def find(self, digest: str) -> str | None:
        """The path of a file with this content."""
        wanted = bytes.fromhex(digest)
        if not self._places:
            self._places = {found: top for top in self._tops() for found in self._below(top).values()}
        top = self._places.get(wanted)
        if top is None:
            return None
        name = next(name for name, found in self._below(top).items() if found == wanted)
        return f"{top}/{name}" if top else name

    def _tops(self) -> list[str]:
        return sorted(self._packed.keys() | self._open.keys())

    def _digest(self, path: str) -> bytes | None:
        top, name = _split(path)
        if top in self._open:
            return self._open[top].get(name)
        shape, digests = self._packed.get(top, (None, b""))
        place = shape.place_of.get(name) if shape else None
        return None if place is None else digests[place * DIGEST_BYTES : (place + 1) * DIGEST_BYTES]

    def _below(self, top: str) -> dict[str, bytes]:
        """name -> digest, by folder and name."""
        if top in self._open:
            files = self._open[top]
            return {name: files[name] for name in sorted(files, key=lambda name: name.rpartition("/")[::2])}
        shape, digests = self._packed.get(top, (None, b""))
        places = shape.place_of if shape else {}
        return {name: digests[place * DIGEST_BYTES : (place + 1) * DIGEST_BYTES] for name, place in places.items()}

    def _opened(self, top: str) -> dict[str, bytes]:
        if top not in self._open:
            if len(self._open) >= OPEN_FOLDERS:
                self._pack(next(iter(self._open)))
            self._open[top] = self._below(top)
            self._open_folders[top] = ancestors_of(self._open[top])
            self._packed.pop(top, None)
        return self._open[top]

    def _pack(self, top: str) -> None:
        files = self._below(top)
        names = tuple(files)
        shape = self._shapes.get(names)
        if shape is None:
            shape = self._shapes[names] = _Shape(names)
        self._packed[top] = shape, b"".join(files.values())
        del self._open[top], self._open_folders[top]


def _split(path: str) -> tuple[str, str]:
    """A path's top folder ("" for files at the root) and the rest."""
    top, slash, name = path.partition("/")
    return (top, name) if slash and top else ("", path)


def ancestors_of(paths: Iterable[str]) -> set[str]:
    """Every folder above these relative paths, without the root."""
    found: set[str] = set()
    for path in paths:
        folder = path.rpartition("/")[0]
        while folder and folder not in found:
            found.add(folder)
            folder = folder.rpartition("/")[0]
    return found


def write_manifest(path: Path, files: Listing) -> None:
    """One file a line, always in the same order, so that any tool can compare two sites. Raises OSError."""
    write_pieces(path, _lines(files))


def _lines(files: Listing) -> Iterator[bytes]:
    check = hashlib.blake2b(digest_size=16)
    yield HEAD.encode()
    for number, name in enumerate(files):
        digest = files.get(name)
        check.update(f"{name}\n{digest}\n".encode())
        yield f"{',' if number else ' '}{json.dumps(name)}: {json.dumps(digest)}\n".encode()
    yield _foot(check).encode()


def _foot(check: hashlib.blake2b) -> str:
    return f'}}, "check": "{check.hexdigest()}"}}\n'


def read_manifest(folder: Path) -> Listing | None:
    """What we wrote into folder; None when it holds no manifest of ours.

    Raises OutputError when there is one that can't be trusted: then nobody knows what may be removed.
    """
    path = folder / MANIFEST
    try:
        with open(path, encoding="ascii") as lines:
            return _read_lines(lines)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise explain(error, path) from error
    except (ValueError, StopIteration) as error:
        raise OutputError.at(
            path, "", "this list of what Kickwheel wrote is damaged or from a newer version",
            "Move what you want to keep out of the folder, delete the folder and build again.",
        ) from error  # fmt: skip


def _read_lines(lines: Iterator[str]) -> Listing:
    """Raises ValueError or StopIteration for anything but what write_manifest writes."""
    files, check = Listing(), hashlib.blake2b(digest_size=16)
    if next(lines) != HEAD:
        raise ValueError("not the head of a manifest")
    while (line := next(lines))[0] != "}":
        name, _, digest = line[1:].rpartition(": ")
        name, digest = json.loads(name), json.loads(digest)
        check.update(f"{name}\n{digest}\n".encode())
        files.add(name, digest)
    if line != _foot(check) or next(lines, None) is not None:
        raise ValueError("the check doesn't fit")
    return files
