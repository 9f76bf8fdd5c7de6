"""One writer at a time. A lock belongs to a process and ends with it, however it ends.

Written here rather than taken from a library for two reasons: the lock file lies in a folder that goes away
when the work is done, so a waiter must notice that it locked a file nobody can see any more; and on POSIX
it must be a record lock (fcntl.lockf), which worker processes don't inherit, so that workers that outlive a
killed build can't keep the next one waiting.
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from builder.errors import OutputError
from builder.store.writing import explain

WAIT_S = 1800.0  # longer than any sensible build; then say who is in the way rather than wait for ever
POLL_S = 0.1

_held_here: set[str] = set()  # record locks don't hold between threads of one process


@contextmanager
def hold(
    path: Path, *, wait_s: float = WAIT_S, on_wait: Callable[[str], None] | None = None, remove: bool = False
) -> Iterator[None]:
    """Hold the lock file at path (its folder is made) while the block runs.

    wait_s: seconds to wait for another holder, 0 to give up at once. on_wait: told once, in words, when
    waiting starts. remove: take the lock file and its folder, if then empty, away afterwards.
    Raises OutputError when somebody else holds it for longer or the lock can't be written.
    """
    until = time.monotonic() + wait_s
    told = False
    while (handle := _try(path)) is None:
        if time.monotonic() >= until:
            raise OutputError.at(
                path.parent,
                "",
                f"another Kickwheel{_holder(path)} is writing here",
                "Wait until it is done, or stop it, then run the command again.",
            )
        if not told and on_wait:
            on_wait(f"Waiting for another Kickwheel{_holder(path)} to finish with {path.parent} ...")
        told = True
        time.sleep(POLL_S)
    try:
        yield
    finally:
        _release(path, handle, remove)


def _try(path: Path) -> int | None:
    """An open, locked handle, or None when somebody else has it."""
    key = os.path.abspath(path)
    if key in _held_here:
        return None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except FileNotFoundError:
        return None  # the folder went away between the two calls: its holder is just leaving
    except OSError as error:
        raise explain(error, path.parent) from error
    try:
        _lock(handle)
        if not os.path.samestat(os.fstat(handle), os.stat(path)):
            raise BlockingIOError  # locked a file that its holder has just removed
    except OSError as error:
        os.close(handle)
        if error.errno in (None, errno.EACCES, errno.EAGAIN, errno.EDEADLK, errno.ENOENT):
            return None
        raise explain(error, path) from error
    _held_here.add(key)
    with suppress(OSError):  # only to name the holder; a full disk is noticed where it matters
        os.ftruncate(handle, 0)
        os.write(handle, str(os.getpid()).encode())
    return handle


def _release(path: Path, handle: int, remove: bool) -> None:
    if remove:
        with suppress(OSError):  # Windows can't remove an open file: it stays, and does no harm
            os.unlink(path)
        with suppress(OSError):
            os.rmdir(path.parent)
    _held_here.discard(os.path.abspath(path))
    os.close(handle)


def _holder(path: Path) -> str:
    """Only called while somebody else holds the lock: closing the file would give up a lock of our own."""
    if os.path.abspath(path) in _held_here:
        return ""
    try:
        pid = path.read_text()
    except (OSError, ValueError):
        return ""
    return f" (process {pid})" if pid.isdecimal() else ""


if os.name == "nt":  # pragma: no cover

    def _lock(handle: int) -> None:
        import msvcrt

        os.lseek(handle, 1 << 30, os.SEEK_SET)  # far beyond the text, which stays readable for others
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        os.lseek(handle, 0, os.SEEK_SET)

else:

    def _lock(handle: int) -> None:
        import fcntl

        fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
