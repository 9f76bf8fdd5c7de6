"""What may not be written: folders that aren't ours to replace, names that aren't safe. Touches nothing."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from builder.errors import OutputError
from builder.site.manifest import MANIFEST, read_manifest
from builder.store.writing import explain

DESKTOP_DROPPINGS = frozenset([".DS_Store", "Thumbs.db", "desktop.ini"])  # a folder that holds these is empty
ADVICE = "Name another folder with --out, for example site/ beside catalog.toml."
# Names that some system can't hold or that lead elsewhere: control and half characters, \ and : (Windows),
# empty and dotted parts, parts that end in a dot or a space, and Windows' device names.
# Source: Microsoft, "Naming Files, Paths, and Namespaces".
_UNSAFE = re.compile(
    r"[\x00-\x1f\x7f\\:\ud800-\udfff]"
    r"|(?:^|/)(?:\.{0,2}|(?i:con|prn|aux|nul|com\d|lpt\d)(?:\.[^/]*)?)(?:/|$)"
    r"|[. ](?:/|$)"
)


def check_path(path: str) -> None:
    """Raises OutputError for a name that isn't safe on every system, leads elsewhere or is the manifest's."""
    if path == MANIFEST or _UNSAFE.search(path):
        what = "isn't a safe name for a file of the site"
        raise OutputError.at(repr(path), "", what, "Choose a plainer slug.")


def check_output(out: Path, *, catalog_file: Path, inputs: Sequence[Path] = ()) -> None:
    """Refuse a folder that must not become the site.

    inputs: folders and files that photos and texts are read from. Raises OutputError.
    """
    real = Path(os.path.realpath(out))
    home = Path(os.path.realpath(catalog_file)).parent
    if _contains(real, home):
        raise OutputError.at(out, "", "the site would replace the folder that holds the catalogue", ADVICE)
    if _contains(home / ".kickwheel", real):
        what = "the site would lie in Kickwheel's cache, which may be deleted at any time"
        raise OutputError.at(out, "", what, ADVICE)
    for source in inputs:
        real_source = Path(os.path.realpath(source))
        if real_source != home and _contains(real_source, real):  # photos beside catalog.toml: site/ is fine
            raise OutputError.at(out, "", f"the site would lie inside {source}, where photos are", ADVICE)
        if _contains(real, real_source):
            raise OutputError.at(out, "", f"the site would replace {source}, which the catalogue reads", ADVICE)
    try:
        _check_folder(out, real)
    except OSError as error:
        raise explain(error, out) from error


def _check_folder(out: Path, real: Path) -> None:
    if os.path.lexists(real) and not os.path.isdir(real):
        raise OutputError.at(out, "", "this is a file, and the site needs a folder", ADVICE)
    if os.path.ismount(real):
        what = "this is a mounted folder or a whole disk, which can't be swapped for a new site in one step"
        raise OutputError.at(out, "", what, f"Name a folder inside it, for example --out {out / 'site'}.")
    if os.path.isdir(real) and read_manifest(real) is None and set(os.listdir(real)) - DESKTOP_DROPPINGS:
        what = f"this folder has files in it and wasn't written by Kickwheel (it has no {MANIFEST})"
        raise OutputError.at(out, "", what, "Name an empty or a new folder with --out.")
    above = real.parent
    while not os.path.lexists(above):
        above = above.parent
    for folder in (above, real):  # a folder that changes its parent must be writable itself
        if os.path.lexists(folder) and not _may_write(folder):
            raise OutputError.at(out, "", f"no permission to write in {folder}", ADVICE)


def _may_write(folder: Path) -> bool:
    effective = os.access in os.supports_effective_ids
    return os.path.isdir(folder) and os.access(folder, os.W_OK | os.X_OK, effective_ids=effective)


def _contains(folder: Path, path: Path) -> bool:
    """Whether path is folder or lies in it; by identity, so that spelling and letter case don't matter."""
    if path.is_relative_to(folder):
        return True
    with suppress(OSError):
        status = os.stat(folder)
        for place in (path, *path.parents):
            if os.path.exists(place) and os.path.samestat(os.stat(place), status):
                return True
    return False
