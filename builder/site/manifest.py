"""The manifest of a site: which files Kickwheel wrote, with their digests. Read and written line by line."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

from builder.errors import OutputError
from builder.store.writing import explain, write_pieces

MANIFEST = ".kickwheel-manifest.json"
HEAD = '{"version": 1, "files": {\n'


class Listing:
    """Path -> content digest (hex) of a site's files, in about 100 bytes a file.

    A shop of thousands of items has a hundred thousand files whose names repeat from folder to folder, so
    they are kept folder by folder, each name once, and digests as bytes.
    """

    def __init__(self) -> None:
        self._folders: dict[str, dict[str, bytes]] = {}
        self._names: dict[str, str] = {}
        self._count = 0
        self._places: dict[bytes, str] = {}  # digest -> folder, made when first asked for

    def __len__(self) -> int:
        return self._count

    def __contains__(self, path: str) -> bool:
        folder, _, name = path.rpartition("/")
        return name in self._folders.get(folder, ())

    def __iter__(self) -> Iterator[str]:
        """Paths, sorted by folder and name."""
        for folder in sorted(self._folders):
            for name in sorted(self._folders[folder]):
                yield f"{folder}/{name}" if folder else name

    def get(self, path: str) -> str | None:
        folder, _, name = path.rpartition("/")
        digest = self._folders.get(folder, {}).get(name)
        return None if digest is None else digest.hex()

    def add(self, path: str, digest: str) -> None:
        """Raises ValueError when digest isn't hex."""
        folder, _, name = path.rpartition("/")
        files = self._folders.setdefault(folder, {})
        self._count += name not in files
        files[self._names.setdefault(name, name)] = bytes.fromhex(digest)
        self._places.clear()

    def drop(self, path: str) -> None:
        """Raises KeyError."""
        folder, _, name = path.rpartition("/")
        del self._folders[folder][name]
        self._count -= 1
        self._places.clear()

    def folders(self) -> set[str]:
        """Every folder that holds a file, at any depth; without the root."""
        return ancestors_of(f"{folder}/" for folder in self._folders if folder)

    def find(self, digest: str) -> str | None:
        """The path of a file with this content."""
        if not self._places:
            self._places = {found: folder for folder, files in self._folders.items() for found in files.values()}
        wanted = bytes.fromhex(digest)
        folder = self._places.get(wanted)
        if folder is None:
            return None
        name = next(name for name, found in self._folders[folder].items() if found == wanted)
        return f"{folder}/{name}" if folder else name


def ancestors_of(paths: Iterator[str] | list[str] | set[str]) -> set[str]:
    """Every folder above these relative paths, without the root."""
    found: set[str] = set()
    for path in paths:
        folder = path.rpartition("/")[0]
        while folder and folder not in found:
            found.add(folder)
            folder = folder.rpartition("/")[0]
    return found


def write_manifest(path: Path, files: Listing) -> None:
    """One file a line, sorted, so that any tool can compare two sites. Raises OSError."""
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
