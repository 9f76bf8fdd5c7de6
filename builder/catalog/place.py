"""Where a catalogue lies; apart from its reading, so that a build with nothing to do loads nothing heavy."""

from __future__ import annotations

from pathlib import Path

from builder.errors import CatalogError


def catalog_file(path: Path) -> Path:
    """The catalogue file of a folder, or the file itself. Raises CatalogError when there is none."""
    file = path / "catalog.toml" if path.is_dir() else path
    if not file.is_file():
        raise CatalogError.at(file, "", "there is no catalogue", f"Start one with: kickwheel new {file.parent or '.'}")
    return file
