"""Bytes to disk: whole or not at all, and every failure in words. Knows nothing of sites, caches or zips."""

from __future__ import annotations

import errno
import hashlib
import itertools
import os
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import BinaryIO

from builder.errors import OutputError

SYNC_ONE_BY_ONE = 32  # up to so many new files an fsync each beats flushing the whole file system

_serial = itertools.count()

_REASONS = {
    errno.ENOSPC: ("the disk is full", "Free some space and run the command again; nothing was changed."),
    errno.EDQUOT: (
        "your disk quota is used up",
        "Free some space and run the command again; nothing was changed.",
    ),
    errno.EROFS: ("the disk can only be read", "Choose a place that can be written to."),
    errno.EACCES: ("no permission to write here", "Change the folder's permissions or choose another place."),
    errno.EPERM: ("no permission to write here", "Change the folder's permissions or choose another place."),
    errno.ENAMETOOLONG: (
        "the name is too long for this disk",
        "Choose a shorter slug or a folder with a shorter path.",
    ),
    errno.EMFILE: ("too many files are open", "Close other programs or build with fewer --jobs."),
    errno.EIO: ("the disk reported an error", "Check the disk, then run the command again."),
}


def content_digest(content: bytes) -> str:
    """32 hex digits that stand for these bytes (BLAKE2b, RFC 7693, 128 bits)."""
    return hashlib.blake2b(content, digest_size=16).hexdigest()


def file_digest(file: BinaryIO) -> str:
    """`content_digest` of the rest of an open file, in constant memory (a source may be a long video)."""
    return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def explain(error: OSError, path: Path | str) -> OutputError:
    """What the operating system said, as a message for people."""
    plain = error.strerror or type(error).__name__
    what, advice = _REASONS.get(error.errno or 0, (f"can't be written ({plain})", "Check the folder and try again."))
    return OutputError.at(path, "", what, advice)


def write_new(path: Path | str, content: bytes) -> None:
    """Write a file that isn't there yet. Raises OSError (FileExistsError when it is there)."""
    write_pieces(path, (content,))


def write_pieces(path: Path | str, pieces: Iterable[bytes]) -> None:
    """`write_new` for content that comes piece by piece."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    try:
        for piece in pieces:
            rest = memoryview(piece)
            while rest:
                rest = rest[os.write(handle, rest) :]
    finally:
        os.close(handle)


def temporary_beside(path: Path) -> Path:
    """A dot-name of our own in the same folder, different for every process and call."""
    return path.with_name(f".{path.name}.{os.getpid()}-{next(_serial)}.part")


def replace_whole(path: Path, content: bytes, *, sync: bool = False) -> None:
    """Write aside, then rename: a reader sees the old file or the new one. Raises OSError.

    sync: also survive a loss of power; not needed for what is verified when read.
    """
    aside = temporary_beside(path)
    try:
        write_new(aside, content)
        if sync:
            sync_path(aside)
        os.replace(aside, path)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise


def link_or_copy(source: Path | str, target: Path | str) -> None:
    """Give a file of ours a second place: a hard link where the disk has them, else a copy with its times."""
    try:
        os.link(source, target, follow_symlinks=False)
    except (OSError, NotImplementedError):
        copy_file(source, target)


def copy_file(source: Path | str, target: Path | str) -> None:
    """Copy bytes, mode and times; a symbolic link stays one. Raises OSError."""
    import shutil

    shutil.copy2(source, target, follow_symlinks=False)


def sync_path(path: Path | str) -> None:
    """Ask the disk to keep one file or folder. Folders can't be synced on every system: then nothing."""
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    except (PermissionError, IsADirectoryError):
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.EBADF, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)


def sync_tree(root: Path, written: Sequence[str]) -> None:
    """Make new files under root survive a loss of power before anything points to them.

    written: the new files, relative. Folders and links to old files are metadata, which journalling file
    systems keep in order: if the swap that follows survives, so do they. Many files: one flush of the whole
    file system where Linux has it (syncfs), far cheaper than thousands of fsyncs.
    """
    if len(written) > SYNC_ONE_BY_ONE and _sync_file_system(root):
        return
    for name in (*written, ""):
        sync_path(root / name)


def _sync_file_system(root: Path) -> bool:
    if not sys.platform.startswith("linux"):
        return False
    import ctypes

    handle = os.open(root, os.O_RDONLY)
    try:
        return ctypes.CDLL(None).syncfs(handle) == 0
    except AttributeError:
        return False
    finally:
        os.close(handle)
