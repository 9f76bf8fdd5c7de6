"""The templates of `themes/capture`, with auto-escape on. In a wheel the themes lie inside the package."""

from __future__ import annotations

from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[1]
FOLDERS = (PACKAGE / "_themes" / "capture", PACKAGE.parent / "themes" / "capture")


def render(name: str, **values: object) -> str:
    """A page from a template and plain values; a value that is missing is an error, not a blank."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader([str(folder) for folder in FOLDERS]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name).render(**values) + "\n"
