"""A zip for a client: one folder that opens from disk. Same files, same bytes, on any day and machine.

Format: PKWARE APPNOTE.TXT 6.3.10 (local headers 4.3.7, external attributes 4.4.15, archive comment 4.4.26).
"""

from __future__ import annotations

import os
import zipfile
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

from builder.errors import OutputError
from builder.site.output import check_path
from builder.site.whole import SiteFile, read_source
from builder.store.lock import WAIT_S, hold
from builder.store.writing import explain, sync_path

MARK = b"Kickwheel proof, version 1"  # the archive's comment tells a zip of ours from any other
STABLE_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest a zip can hold: no time of making, no time zone
UNIX, PLAIN_FILE = 3, 0o100644 << 16
PACKED_ENDINGS = frozenset("jpg jpeg png webp avif gif mp4 zip woff2".split())


def check_proof(zip_path: Path) -> None:
    """Refuse to replace anything but an earlier proof. Raises OutputError. Touches nothing."""
    advice = "Name another file with --out."
    if zip_path.is_dir():
        raise OutputError.at(zip_path, "", "this is a folder, and the proof is one zip file", advice)
    if not os.path.lexists(zip_path):
        return
    try:
        with zipfile.ZipFile(zip_path) as existing:
            is_ours = existing.comment == MARK
    except (OSError, ValueError, zipfile.BadZipFile):
        is_ours = False
    if not is_ours:
        raise OutputError.at(zip_path, "", "this file is there already and isn't a proof by Kickwheel", advice)


def write_proof(
    zip_path: Path,
    files: Iterable[SiteFile],
    *,
    top: str = "proofs",
    wait_s: float = WAIT_S,
    on_wait: Callable[[str], None] | None = None,
) -> int:
    """Write the zip aside, then put it in place of an earlier proof, if any. Returns its size in bytes.

    top: the one folder that the zip unpacks to. Raises OutputError, and what reading a source raises.
    """
    zip_path = Path(os.path.realpath(zip_path))
    work = zip_path.with_name(f".{zip_path.name}.kickwheel")
    try:
        with hold(work / "lock", wait_s=wait_s, on_wait=on_wait, remove=True):
            check_proof(zip_path)
            aside = work / "new.zip"
            try:
                _write_zip(aside, sorted(files, key=lambda file: file.path), top)
                sync_path(aside)
                os.replace(aside, zip_path)
            finally:
                with suppress(OSError):
                    aside.unlink()
        return zip_path.stat().st_size
    except OSError as error:
        raise explain(error, error.filename or zip_path) from error


def _write_zip(target: Path, files: list[SiteFile], top: str) -> None:
    seen: set[str] = set()
    with zipfile.ZipFile(target, "w") as archive:
        archive.comment = MARK
        for file in files:
            check_path(f"{top}/{file.path}")
            if file.path.casefold() in seen:
                raise OutputError.at(file.path, "", "two files of the proof need this name", "Rename one of the items.")
            seen.add(file.path.casefold())
            archive.writestr(_entry(f"{top}/{file.path}"), _content(file), compresslevel=6)


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, STABLE_DATE)
    entry.create_system = UNIX
    entry.external_attr = PLAIN_FILE
    packed = name.rpartition(".")[2].lower() in PACKED_ENDINGS
    entry.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
    return entry


def _content(file: SiteFile) -> bytes:
    if isinstance(file.source, bytes):
        return file.source
    return read_source(file.source) if isinstance(file.source, Path) else file.source.read()
