"""Was all of this built already? Decided from stat calls alone, without reading the catalogue or a photo."""

from __future__ import annotations

import os
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from builder.site.previous import site_untouched
from builder.store.stamps import is_settled, listing_stamp, read_record, stamp_of, write_record

MISSING = "missing"


def take_stamps(paths: Iterable[Path]) -> dict[str, str | None]:
    """Path -> a short text that changes with the file, or with the listing of the folder (one level).

    Take them before anything is read. None: changed a moment ago, so that a further change might not show.
    A path that doesn't exist has a stamp as well: a template that somebody may add.
    """
    now_ns = time.time_ns()
    return {os.path.abspath(path): _stamp(path, now_ns) for path in paths}


def _stamp(path: Path | str, now_ns: int) -> str | None:
    try:
        status = os.stat(path)
        if not os.path.isdir(path):
            return "-".join(map(str, stamp_of(status))) if is_settled(status, now_ns) else None
        with os.scandir(path) as listing:
            entries = sorted(listing, key=lambda entry: entry.name)
        if all(entry.is_dir() or is_settled(entry.stat(follow_symlinks=False), now_ns) for entry in entries):
            return listing_stamp(entries, inode_times=True)
        return None
    except OSError:
        return MISSING


def remember_build(record: Path, *, key: str, stamps: dict[str, str | None], summary: Any = None) -> None:
    """Note that what these stamps stand for is built. Not noted when something changed meanwhile.

    key: stands for version, options and output folder. summary: a JSON value to repeat when nothing has
    changed. Raises OSError.
    """
    now_ns = time.time_ns()
    if any(stamp is None or _stamp(path, now_ns) != stamp for path, stamp in stamps.items()):
        record.unlink(missing_ok=True)
        return
    write_record(record, {"key": key, "stamps": stamps, "summary": summary})


def last_build(record: Path, *, key: str, out: Path, site_memory: Path) -> dict[str, Any] | None:
    """{"summary": ...} when the build noted in record is what would be built now and is untouched in out."""
    noted = read_record(record)
    if not isinstance(noted, dict) or noted.get("key") != key:
        return None
    now_ns = time.time_ns()
    if any(_stamp(path, now_ns) != stamp for path, stamp in noted["stamps"].items()):
        return None
    return {"summary": noted["summary"]} if site_untouched(out, site_memory) else None


def changed_paths(record: Path) -> set[str] | None:
    """The paths that changed since the noted build; None when nothing is known."""
    noted = read_record(record)
    if not isinstance(noted, dict):
        return None
    now_ns = time.time_ns()
    return {path for path, stamp in noted["stamps"].items() if _stamp(path, now_ns) != stamp}
