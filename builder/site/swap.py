"""A folder takes another's place as a whole, and what an interruption left behind is put right.

Beside a site `site` lies, only while something is written, a work folder `.site.kickwheel` with

    lock       held by the one process that writes
    new        the new site, being filled; after an exchange, the old one
    old        the old site, where the file system can't exchange two folders in one call
    swap.json  present from the moment `new` is complete until the old site is gone: inode of the new site

So at every moment the state on disk tells what to do: no swap.json, then `new` is unfinished and may go;
otherwise the swap is completed and the old site is cleared, keeping what isn't ours.
"""

from __future__ import annotations

import errno
import os
import shutil
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from builder.store.stamps import read_record, write_record
from builder.store.writing import sync_path

NOT_HERE = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOTTY, errno.EPERM)

Clear = Callable[[Path, Path], None]  # (old site, site now in place): remove the old one, lose nothing foreign


def work_folder(out: Path) -> Path:
    return out.with_name(f".{out.name}.kickwheel")


def lock_file(out: Path) -> Path:
    return work_folder(out) / "lock"


def new_folder(out: Path) -> Path:
    return work_folder(out) / "new"


def swap_in(out: Path, clear: Clear) -> None:
    """Put the finished `new` in out's place, then clear what was there. The lock is held.

    Raises OSError when out could not be replaced; clearing that fails is left to the next `repair`.
    """
    new = new_folder(out)
    write_record(_journal(out), {"new": os.stat(new).st_ino}, sync=True)
    sync_path(work_folder(out))
    _change_places(out)
    with suppress(OSError):
        sync_path(out.parent)
        _clear_old(out, clear)


def repair(out: Path, clear: Clear) -> bool:
    """Put right what an interrupted run left; True if there was any. The lock is held. Raises OSError."""
    work = work_folder(out)
    new, old = new_folder(out), work / "old"
    for half in work.glob(".*.part"):
        half.unlink(missing_ok=True)
    if not (os.path.lexists(new) or os.path.lexists(old) or os.path.lexists(_journal(out))):
        return False
    journal = read_record(_journal(out))
    if not out.exists():  # between the two renames: go on forward if possible, else back
        whole = new if journal and new.is_dir() else old
        if whole.is_dir():
            os.rename(whole, out)
            sync_path(out.parent)
    if journal and out.exists() and os.stat(out).st_ino == journal["new"]:
        _clear_old(out, clear)
    else:
        _journal(out).unlink(missing_ok=True)
        discard_new(out)
    return True


def discard_new(out: Path) -> None:
    """Throw an unfinished new site away; what it shares with the old one stays. Leave a finished one."""
    if not _journal(out).exists():
        shutil.rmtree(new_folder(out), ignore_errors=True)


def _journal(out: Path) -> Path:
    return work_folder(out) / "swap.json"


def _clear_old(out: Path, clear: Clear) -> None:
    for name in ("new", "old"):
        folder = work_folder(out) / name
        if folder.is_dir():
            clear(folder, out)
    _journal(out).unlink(missing_ok=True)


def _change_places(out: Path) -> None:
    new, old = new_folder(out), work_folder(out) / "old"
    if not out.exists():
        os.rename(new, out)
    elif not exchange(new, out):
        os.rename(out, old)
        try:
            os.rename(new, out)
        except OSError:
            os.rename(old, out)
            _journal(out).unlink(missing_ok=True)
            raise


def exchange(one: Path, other: Path) -> bool:
    """Two folders change places in one step (Linux renameat2 with RENAME_EXCHANGE, see renameat2(2)).

    False where the system or the file system can't. Raises OSError when it can but may not.
    """
    if not sys.platform.startswith("linux"):
        return False
    import ctypes

    libc = ctypes.CDLL(None, use_errno=True)
    if not hasattr(libc, "renameat2"):
        return False
    at_cwd, rename_exchange = -100, 2
    if libc.renameat2(at_cwd, os.fsencode(one), at_cwd, os.fsencode(other), rename_exchange) == 0:
        return True
    code = ctypes.get_errno()
    if code in NOT_HERE:
        return False
    raise OSError(code, os.strerror(code), str(other))
