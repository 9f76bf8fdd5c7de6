"""The viewer as text: one classic script, the page's few rules for it, and a spin's data in its two forms."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from builder.errors import InputError
from builder.pages.slim import slim_script, slim_style
from builder.themes import themes_dir


def join_viewer() -> str:
    """All of themes/viewer as one classic script, in the order that its ORDER file states.

    The style of the shadow root is a string inside, so that a page of another origin needs one file only.
    """
    folder = themes_dir() / "viewer"
    style = slim_style((folder / "viewer.css").read_text("utf-8"))
    parts = [(folder / name).read_text("utf-8") for name in (folder / "ORDER").read_text("utf-8").split()]
    body = "\n".join([f"const STYLE = {json.dumps(style)};", *parts])
    return slim_script(f"(() => {{\n'use strict';\n{body}\n}})();\n", short=True)


def viewer_css() -> str:
    """Rules for a page that holds a <kick-spin>: they keep its place before the script is here."""
    return slim_style((themes_dir() / "viewer" / "page.css").read_text("utf-8"))


def viewer_languages() -> tuple[str, ...]:
    """Languages the viewer speaks: English, built in, and one file each in themes/viewer/labels."""
    return ("en", *sorted(file.stem for file in (themes_dir() / "viewer" / "labels").glob("*.json")))


def viewer_labels(language: str, *folders: Path) -> dict[str, str] | None:
    """The viewer's labels in a language ("de", "de-AT", …); None where English, built in, is all there is.

    `folders` may hold further files `de.json` …, of a theme or a catalogue: later ones win, label by label.
    A spin's data carries the result as `labels`, with `language` beside it. Raises InputError for a file that
    isn't a JSON object of texts.
    """
    spoken = language.lower().partition("-")[0]
    if not spoken.isalpha():
        return None
    labels: dict[str, str] = {}
    for file in (folder / f"{spoken}.json" for folder in (themes_dir() / "viewer" / "labels", *folders)):
        if file.is_file():
            labels |= _read_labels(file)
    return labels or None


def _read_labels(file: Path) -> dict[str, str]:
    try:
        labels = json.loads(file.read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise InputError.at(
            file, "", f"can't be read as JSON ({error})", "Compare it with the files in themes/viewer/labels."
        ) from None
    if not isinstance(labels, dict) or not all(isinstance(text, str) for text in labels.values()):
        raise InputError.at(
            file, "", "isn't a list of labels and texts", "Compare it with the files in themes/viewer/labels."
        )
    return labels


def render_spin_js(spin: Mapping[str, Any]) -> str:
    """spin.js: hands a spin to the viewer from any host, as a classic script; plain ASCII.

    The script's own address tells the viewer which element asked for it and where its paths begin.
    """
    return (
        "(window.kickSpin=window.kickSpin||[]).push({src:document.currentScript.src,spin:"
        + render_spin_block(spin)
        + "});\n"
    )


def render_spin_block(spin: Mapping[str, Any]) -> str:
    """A spin's data for a <script type="application/json"> block: nothing in it can end the block."""
    text = json.dumps(spin, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
