"""Prints what the viewer costs: bytes, first turn against the plain way, frame times, memory.

    python tests/bench/viewer.py                 on a spin drawn here, 36 frames at 960 px
    python tests/bench/viewer.py SITE SLUG       on an item of a built site

The plain way: a page that loads every frame as a JPEG of quality 82, as wide as the spin goes, before
anything turns.
Both ways are timed in this run, in the same browser, under 1.6 Mbit/s, 150 ms and a CPU four times slower.
Times depend on what else the machine does; nothing here fails on time.
"""

from __future__ import annotations

import gzip
import json
import sys
import tempfile
import threading
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

sys.path[:0] = [
    str(Path(__file__).resolve().parents[1] / "browser"),
    str(Path(__file__).resolve().parents[2]),
]
from tests.browsing import LAUNCH, Gzipped, Server, find_chromium  # noqa: E402
from viewer_site import write_site, write_spin  # noqa: E402

from builder.viewer import join_viewer  # noqa: E402

PHONE = {
    "viewport": {"width": 412, "height": 823},
    "device_scale_factor": 1.75,
    "has_touch": True,
    "is_mobile": True,
}
SPIN = "document.querySelector('kick-spin')"
DRAG = """async () => {
    const canvas = document.querySelector('kick-spin').canvas, times = [];
    const send = (type, x) => canvas.dispatchEvent(
        new PointerEvent(type, {pointerId: 1, clientX: x, clientY: 300, buttons: 1}));
    let last;
    send('pointerdown', 60);
    for (let frame = 0; frame < 240; frame++) {
        const now = await new Promise(requestAnimationFrame);
        if (last) times.push(now - last);
        last = now;
        send('pointermove', 60 + 150 * (1 - Math.cos(frame / 8)));
    }
    send('pointerup', 60);
    return times }"""
IDLE = """async () => {
    const times = [];
    for (let frame = 0, last; frame < 240; frame++) {
        const now = await new Promise(requestAnimationFrame);
        if (last) times.push(now - last);
        last = now;
    }
    return times }"""
COUNT_BITMAPS = """
    window.held = window.most = 0;
    const make = createImageBitmap;
    window.createImageBitmap = async (...from) => {
        const bitmap = await make(...from), bytes = bitmap.width * bitmap.height * 4, close = bitmap.close;
        most = Math.max(most, held += bytes);
        bitmap.close = () => { held -= bytes; close.call(bitmap) };
        return bitmap;
    }"""


def open_phone(browser: Browser, *, slow_net: bool, slow_cpu: bool) -> Page:
    page = browser.new_context(**PHONE).new_page()
    link = page.context.new_cdp_session(page)
    if slow_net:
        link.send("Network.enable")
        link.send(
            "Network.emulateNetworkConditions",
            {
                "offline": False,
                "latency": 150,
                "downloadThroughput": 1.6e6 / 8,
                "uploadThroughput": 750e3 / 8,
            },
        )
    if slow_cpu:
        link.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    return page


def write_plain(folder: Path, frames: list[Path]) -> None:
    """A page that turns once all of its JPEGs are here."""
    for index, file in enumerate(frames):
        Image.open(file).convert("RGB").save(folder / f"{index}.jpg", quality=82)
    (folder / "index.html").write_text(
        "<!doctype html><meta name=viewport content='width=device-width'><img id=shown style='width:100%'>"
        f"<script>let left = {len(frames)}; for (let i = 0; i < {len(frames)}; i++) {{ const img = new Image;"
        "img.onload = () => { if (!--left) { shown.src = img.src; window.turns = performance.now() } };"
        "img.src = i + '.jpg' }</script>",
        "utf-8",
    )


def first_turn_ms(browser: Browser, url: str) -> float:
    page = open_phone(browser, slow_net=True, slow_cpu=True)
    page.add_init_script("addEventListener('ready', () => window.turns = performance.now(), true)")
    page.goto(url, wait_until="commit")
    page.wait_for_function("window.turns", timeout=180_000)
    turns = page.evaluate("turns")
    page.context.close()
    return turns


def slow_share(times: list[float]) -> float:
    return sum(ms > 20 for ms in times) / len(times)


def report(browser: Browser, site: str, spin: dict, plain: str, plain_folder: Path) -> None:
    script = join_viewer()
    print(
        f"viewer script, gzipped, style included: {len(gzip.compress(script.encode(), 9))} bytes (bar: 9000)"
    )
    plain_bytes = sum(file.stat().st_size for file in plain_folder.iterdir())
    ours, theirs = (sorted(first_turn_ms(browser, url) for _ in range(3))[1] for url in (site, plain))
    print(
        f"first turn at 1.6 Mbit/s, 150 ms, CPU / 4, median of 3: {ours:.0f} ms; the plain way, "
        f"{plain_bytes / 1e6:.1f} MB: {theirs:.0f} ms; {theirs / ours:.1f} times sooner (bar: 8)"
    )
    page = open_phone(browser, slow_net=False, slow_cpu=True)
    page.add_init_script(COUNT_BITMAPS)
    page.goto(site)
    page.wait_for_function(
        f"{SPIN}.frames?.sharp.filter(Boolean).length == {len(spin['frames'])}", timeout=120_000
    )
    page.wait_for_timeout(1000)
    idle = slow_share(page.evaluate(IDLE))
    times = page.evaluate(DRAG)
    slow = slow_share(times)
    print(
        f"dragging fast, CPU / 4: {slow:.1%} of {len(times)} frames over 20 ms (bar: 5 %; the same page at rest: {idle:.1%}); "
        f"median {sorted(times)[len(times) // 2]:.1f} ms"
    )
    print(f"decoded frames held at most: {page.evaluate('most') / 1e6:.0f} MB (bar: 120)")
    page.context.close()


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        folder, path = Path(scratch) / "site", ""
        if len(sys.argv) == 3:
            folder, path = Path(sys.argv[1]), sys.argv[2] + "/"
            spin = json.loads((folder / path / "spin.json").read_text("utf-8"))
        else:
            spin = write_spin(folder, count=36)
            write_site(
                folder, spin, head='<link rel="preload" as="image" href="strip.webp" fetchpriority="high">'
            )
        source = min(
            (one for one in spin["sources"] if one["format"] != "avif"), key=lambda one: -one["width"]
        )
        plain = Path(scratch) / "plain"
        plain.mkdir()
        write_plain(plain, [folder / path / file for file in source["files"]])
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=LAUNCH)
        servers = [Server(one, answer=Gzipped) for one in (folder, plain)]
        for server in servers:
            threading.Thread(target=server.serve_forever, daemon=True).start()
        report(browser, f"{servers[0].url}/{path}", spin, servers[1].url, plain)
        browser.close()


if __name__ == "__main__":
    main()
