"""Draws spins whose pictures say what they are, and writes pages round them, for the viewer's tests.

Each picture carries two patches in its top corners, which survive lossy compression and can be read from a
screenshot: left, the frame (its index in steps of grey); right, which picture it is (COLOURS).
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Sequence
from pathlib import Path

from PIL import Image, ImageDraw

from builder.pages.viewer import join_viewer, render_spin_block, render_spin_js, viewer_css

COLOURS = {
    "strip": (200, 40, 40),
    "480": (40, 160, 40),
    "960": (40, 60, 200),
    "1600": (200, 40, 200),
    "poster": (220, 180, 20),
}
GREY_STEP = 6
GREY_FROM = 20
CELL = 120


def grey_of(index: int) -> int:
    return GREY_FROM + GREY_STEP * index


def draw_frame(index: int, angle_deg: float, turn: str, width: int, height: int, kind: str) -> Image.Image:
    """A banded pot with a handle, turned by `angle_deg`; counterclockwise moves its near side right."""
    picture = Image.new("RGB", (width, height), (246, 246, 244))
    pen = ImageDraw.Draw(picture)
    unit = min(width, height)
    centre, top, bottom, radius = width / 2, height * 0.24, height * 0.84, unit * 0.28
    phase = math.radians(angle_deg) * (1 if turn == "counterclockwise" else -1)
    handle = radius * 1.5 * math.sin(phase + 1)

    def draw_handle() -> None:
        left, right = sorted((centre, centre + handle))
        pen.rounded_rectangle(
            [left, top + unit * 0.1, right + 1, bottom - unit * 0.12],
            unit * 0.06,
            outline=(60, 66, 74),
            width=max(2, unit // 26),
        )

    if math.cos(phase + 1) <= 0:
        draw_handle()
    pen.ellipse(
        [centre - radius * 1.2, bottom - unit * 0.04, centre + radius * 1.2, bottom + unit * 0.05],
        fill=(226, 226, 222),
    )
    pen.rectangle([centre - radius, top, centre + radius, bottom], fill=(52, 110, 120))
    pen.ellipse([centre - radius, bottom - unit * 0.05, centre + radius, bottom + unit * 0.05], fill=(52, 110, 120))
    for stripe in range(12):
        edges = sorted(centre + radius * math.sin(phase + math.radians(30 * stripe + more)) for more in (-5, 5))
        if math.cos(phase + math.radians(30 * stripe)) > 0.1:
            pen.rectangle(
                [edges[0], top + unit * 0.12, edges[1], bottom - unit * 0.1],
                fill=(240, 180 - 10 * stripe, 60 + 15 * stripe),
            )
    pen.ellipse([centre - radius, top - unit * 0.05, centre + radius, top + unit * 0.05], fill=(38, 84, 92))
    if math.cos(phase + 1) > 0:
        draw_handle()
    patch = unit // 12
    pen.rectangle([0, 0, patch, patch], fill=(grey_of(index),) * 3)
    pen.rectangle([width - patch, 0, width, patch], fill=COLOURS[kind])
    return picture


def write_spin(
    folder: Path,
    *,
    count: int = 24,
    turn: str = "counterclockwise",
    closed: bool = True,
    home: int = 0,
    angles: Sequence[float] | None = None,
    widths: Sequence[int] = (480, 960),
    ratio: float = 3 / 4,
    hotspots: Sequence[dict] = (),
    formats: Sequence[str] = ("avif", "webp"),
    slug: str = "pot",
) -> dict:
    """Draws all files of a spin into `folder` and returns its spin.json."""
    folder.mkdir(parents=True, exist_ok=True)
    span = 360 if closed else 180
    angles = list(angles or (span * index / (count if closed else count - 1) for index in range(count)))
    sources = []
    for width in widths:
        size = (width, round(width * ratio))
        drawn = [draw_frame(index, angle, turn, *size, str(width)) for index, angle in enumerate(angles)]
        for format in formats:
            files = [f"{width}-{index:03}.{format}" for index in range(count)]
            for picture, file in zip(drawn, files):
                options = {"speed": 10, "max_threads": 1} if format == "avif" else {"method": 0}
                picture.save(folder / file, quality=70, **options)
            sources.append({"format": format, "width": width, "files": files})
    columns = math.ceil(math.sqrt(count))
    cell = (CELL, round(CELL * ratio))
    strip = Image.new("RGB", (cell[0] * columns, cell[1] * math.ceil(count / columns)))
    for index, angle in enumerate(angles):
        small = draw_frame(index, angle, turn, *cell, "strip")
        strip.paste(small, (index % columns * cell[0], index // columns * cell[1]))
    strip.save(folder / "strip.webp", quality=80)
    wide = (960, round(960 * ratio))
    draw_frame(home, angles[home], turn, *wide, "poster").save(folder / "poster.jpg", quality=85)
    spin = {
        "version": 1,
        "slug": slug,
        "title": "Enamel pot <with handle>",
        "width": wide[0],
        "height": wide[1],
        "home": home,
        "turn": turn,
        "closed": closed,
        "frames": [{"angle_deg": round(angle, 3)} for angle in angles],
        "sources": sources,
        "strip": {"file": "strip.webp", "columns": columns, "width": cell[0], "height": cell[1]},
        "hotspots": list(hotspots),
    }
    (folder / "spin.json").write_text(json.dumps(spin), "utf-8")
    (folder / "spin.js").write_text(render_spin_js(spin), "utf-8")
    return spin


def page_html(
    spin: dict,
    *,
    base: str = "",
    script: str = "viewer.js",
    attributes: str = "",
    head: str = "",
    lang: str = "en",
    dir: str = "ltr",
    below: str = "",
    poster: bool = True,
) -> str:
    """A page of a site: data in the page, poster inside the element, one classic script."""
    image = (
        f'<img class="kick-poster" src="{base}poster.jpg" width="{spin["width"]}" height="{spin["height"]}" '
        'alt="Enamel pot with a handle">'
        if poster
        else ""
    )
    return f"""<!doctype html>
<html lang="{lang}" dir="{dir}"><head><meta charset="utf-8"><title>Pot</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="icon" href="{base}poster.jpg">{head}
<link rel="stylesheet" href="{base}page.css"></head><body><main><h1>Enamel pot</h1>
<kick-spin data-spin="spin-data-pot" base="{base}" {attributes}>{image}
<noscript><p><a href="{base}preview.mp4">Film of the turn</a></p></noscript></kick-spin>{below}</main>
<script type="application/json" id="spin-data-pot">{render_spin_block(spin)}</script>
<script src="{script}" defer></script></body></html>"""


def write_site(folder: Path, spin: dict, **more: str) -> None:
    """viewer.js, page.css and an index.html round the spin that lies in the same folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "viewer.js").write_text(join_viewer(), "utf-8")
    css = (
        ":root{color-scheme:light dark}body{margin:0;font:16px/1.5 system-ui,sans-serif}"
        "main{max-width:640px;margin:auto;padding:16px}"
    )
    (folder / "page.css").write_text(css + viewer_css(), "utf-8")
    (folder / "index.html").write_text(page_html(spin, **more), "utf-8")


class Shown:
    """What a screenshot of the turning element shows."""

    def __init__(self, png: bytes, ratio: float = 3 / 4) -> None:
        picture = Image.open(io.BytesIO(png)).convert("RGB")
        unit = min(picture.width, picture.height)
        near = unit // 24
        left, right = picture.getpixel((near, near)), picture.getpixel((picture.width - near, near))
        self.grey = sum(left) / 3
        self.index = round((self.grey - GREY_FROM) / GREY_STEP)
        self.kind = min(COLOURS, key=lambda name: math.dist(COLOURS[name], right))
        self.far = math.dist(COLOURS[self.kind], right)
