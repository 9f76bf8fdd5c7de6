"""Links that would take a build out of the catalogue's folder, and into the site what nobody meant to show."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from builder.errors import Fault

ADVICE = "Put a copy of the file in its place, or set allow_outside = true in [shop]."


def outside_faults(paths: Iterable[Path], home: Path | None) -> list[Fault]:
    """A fault for each symbolic link among the paths that leads out of home; None: anywhere will do.

    The folders above the paths are taken as looked at already.
    """
    if home is None:
        return []
    real_home = home.resolve()
    leaving = [path for path in paths if os.path.islink(path) and not _is_inside(path, real_home)]
    return [Fault(str(path), "", "this link leads out of the catalogue's folder", ADVICE) for path in leaving]


def _is_inside(path: Path, real_home: Path) -> bool:
    try:
        return path.resolve().is_relative_to(real_home)
    except (OSError, RuntimeError):  # a link to itself
        return False
