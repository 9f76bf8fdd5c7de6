"""Every page of the demo through the Nu HTML checker (validator.nu, as published on npm)."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

JAR = Path(__file__).parent / ".out" / "node_modules" / "vnu-jar" / "build" / "dist" / "vnu.jar"


def test_pages_are_valid_html(demo_site):
    if not shutil.which("java") or not JAR.is_file():
        pytest.skip("the Nu HTML checker needs Java and npm; tests/run brings both")
    pages = sorted(demo_site.rglob("*.html"))
    assert len(pages) >= 8
    done = subprocess.run(
        ["java", "-Xss2m", "-jar", JAR, "--format", "json", "--stdout", *pages], capture_output=True, text=True
    )
    messages = [m for m in json.loads(done.stdout)["messages"] if m["type"] != "info" or m.get("subType") == "warning"]
    assert not messages, [(m.get("url", "").rpartition("/site/")[2], m.get("lastLine"), m["message"]) for m in messages]


def test_pages_parse_strictly(demo_site):
    """html5lib in strict mode: the WHATWG tree construction without one parse error."""
    import html5lib

    for page in demo_site.rglob("*.html"):
        html5lib.HTMLParser(strict=True).parse(page.read_text("utf-8"))
