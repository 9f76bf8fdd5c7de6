"""Prints what a build of the demo costs and what a visitor pays, against the plain way, in one run.

    .venv/bin/python -m tests.bench.demo

The plain way: every finished frame as a full-width JPEG of quality 82, all of them loaded before anything turns.
"""

from __future__ import annotations

import gzip
import io
import json
import re
import shutil
import tempfile
import time
from pathlib import Path

from PIL import Image

from tests.command import kickwheel
from tests.conftest import DEMO


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "demo_catalog"
        shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("site", ".kickwheel"))
        cold_s, warm_s = timed_build(folder), timed_build(folder)
        frames = sum(len(spin_of(folder / "site", slug)["frames"]) for slug in slugs(folder / "site"))
        print(f"cold build: {cold_s:.1f} s, {cold_s / frames:.2f} s a frame ({frames} frames, 3 items)")
        print(f"no-op rebuild: {warm_s:.2f} s")
        print()
        print(f"{'item':<12} {'first turn':>22} {'plain way':>22} {'ratio':>7} {'sharp spin (AVIF, 960)':>24}")
        for slug in slugs(folder / "site"):
            print(row(folder / "site", slug))


def timed_build(folder: Path) -> float:
    began = time.monotonic()
    ran = kickwheel("build", folder, "--quiet", timeout=1200)
    assert ran.status == 0, ran.err
    return time.monotonic() - began


def slugs(site: Path) -> list[str]:
    return [item["slug"] for item in json.loads((site / "spins.json").read_text())["items"]]


def spin_of(site: Path, slug: str) -> dict:
    return json.loads((site / slug / "spin.json").read_text())


def row(site: Path, slug: str) -> str:
    spin = spin_of(site, slug)
    first, requests = first_turn(site, slug, spin)
    plain, plain_requests = plain_way(site, slug, spin)
    width = min(960, spin["width"])
    sharp = sum((site / slug / name).stat().st_size for source in spin["sources"]
                if source["format"] == "avif" and source["width"] == width for name in source["files"])  # fmt: skip
    return (
        f"{slug:<12} {first / 1000:>8.0f} kB,{requests:>3} requests {plain / 1000:>8.0f} kB,{plain_requests:>3} requests"
        f" {plain / first:>6.1f}x {sharp / 1000:>10.0f} kB at {width} px"
    )


def first_turn(site: Path, slug: str, spin: dict) -> tuple[int, int]:
    """Bytes and requests until the object turns: page, style, scripts (gzipped), poster as a phone of 412 px and density
    1.75 chooses it, strip. `python -m tests.bench.viewer` counts what a browser really asked for."""
    page = (site / slug / "index.html").read_bytes()
    linked = re.findall(rb'(?:src|href)="\.\./(assets/[^"]+\.(?:js|css))"', page)
    texts = [page] + [(site / name.decode()).read_bytes() for name in dict.fromkeys(linked)]
    avifs = sorted((s for s in spin["sources"] if s["format"] == "avif"), key=lambda s: s["width"])
    chosen = next((s for s in avifs if s["width"] >= 412 * 1.75), avifs[-1])
    poster = site / slug / chosen["files"][spin["home"]]
    size = sum(len(gzip.compress(text, 9)) for text in texts) + poster.stat().st_size
    return size + (site / slug / spin["strip"].get("avif", spin["strip"]["file"])).stat().st_size, len(texts) + 2


def plain_way(site: Path, slug: str, spin: dict) -> tuple[int, int]:
    page = len(gzip.compress((site / slug / "index.html").read_bytes(), 9))
    widest = max((s for s in spin["sources"] if s["format"] == "webp"), key=lambda s: s["width"])
    size = 0
    for name in widest["files"]:
        file = io.BytesIO()
        with Image.open(site / slug / name) as image:
            image.convert("RGB").save(file, "JPEG", quality=82)
        size += len(file.getvalue())
    return page + size, 1 + len(widest["files"])


if __name__ == "__main__":
    main()
