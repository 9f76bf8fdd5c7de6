"""Where the themes lie: inside the installed package, or beside it in a checkout. No templates, no text."""

from __future__ import annotations

from pathlib import Path


def themes_dir() -> Path:
    """The folder that holds `viewer/` and one folder a theme."""
    package = Path(__file__).resolve().parent
    installed = package / "_themes"  # pyproject.toml packs themes/ there
    return installed if installed.is_dir() else package.parent / "themes"
