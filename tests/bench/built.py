"""The demo's site for benches: the one named on the command line, or built anew."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.command import kickwheel
from tests.conftest import DEMO


@contextmanager
def built_site(words: list[str]) -> Iterator[Path]:
    """words: of the command line; the first is a built site's folder, if there is one."""
    if words:
        yield Path(words[0])
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "demo_catalog"
        shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("site", ".kickwheel"))
        ran = kickwheel("build", folder, "--quiet", timeout=1800)
        assert ran.status == 0, ran.err
        yield folder / "site"


def slugs_of(site: Path) -> list[str]:
    return [item["slug"] for item in json.loads((site / "spins.json").read_text("utf-8"))["items"]]


def spin_of(site: Path, slug: str) -> dict:
    return json.loads((site / slug / "spin.json").read_text("utf-8"))
