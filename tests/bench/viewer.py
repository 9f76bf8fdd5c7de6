"""Prints what the viewer costs a visitor: bytes, first turn against the plain way, frame times, memory.

    python -m tests.bench.viewer [SITE]     SITE: a built site; absent: the demo is built

The plain way: a page that loads every frame up front as a JPEG of quality 82, and turns when all are here. It is
timed at the width that the screen needs (the first rung of the ladder that covers it) and at the widest.
Both ways are timed in this run, in the same browser, under 1.6 Mbit/s, 150 ms and a CPU four times slower; a round
is one of each, and the median of three rounds is printed. Times depend on what else the machine does; nothing here
fails on time.
"""

from __future__ import annotations

import gzip
import sys
import tempfile
import threading
from pathlib import Path
from statistics import median

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "browser")]
from viewer_site import write_site, write_spin  # noqa: E402

from builder.pages.viewer import join_viewer  # noqa: E402
from tests.bench.built import built_site, slugs_of, spin_of  # noqa: E402
from tests.browsing import LAUNCH, Gzipped, Server, find_chromium  # noqa: E402

PHONE = {
    "viewport": {"width": 412, "height": 823},
    "device_scale_factor": 1.75,
    "has_touch": True,
    "is_mobile": True,
}
NEEDED_PX = 412 * 1.75
ROUNDS = 3
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
# What was asked for before it turned, and how large it was as sent; the icon is the browser's, not the page's.
ASKED = """() => [performance.getEntriesByType('navigation')[0], ...performance.getEntriesByType('resource')]
    .filter(one => one.responseEnd <= turns && !/icon/.test(one.name)).map(one => one.encodedBodySize)"""
WATCH = """addEventListener('ready', () => window.turns ||= performance.now(), true);
    new PerformanceObserver(list => window.lcp = list.getEntries().pop().startTime)
        .observe({type: 'largest-contentful-paint', buffered: true});"""


def open_phone(browser: Browser, *, slow_net: bool, slow_cpu: bool) -> Page:
    # The pages' own policy forbids what the test tool does to look into them.
    page = browser.new_context(bypass_csp=True, **PHONE).new_page()
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
    folder.mkdir(parents=True)
    for index, file in enumerate(frames):
        with Image.open(file) as image:
            image.convert("RGB").save(folder / f"{index}.jpg", quality=82)
    (folder / "index.html").write_text(
        "<!doctype html><meta name=viewport content='width=device-width'><img id=shown style='width:100%'>"
        f"<script>let left = {len(frames)}; for (let i = 0; i < {len(frames)}; i++) {{ const img = new Image;"
        "img.onload = () => { if (!--left) { shown.src = img.src; window.turns = performance.now() } };"
        "img.src = i + '.jpg' }</script>",
        "utf-8",
    )


def plain_widths(spin: dict) -> list[int]:
    widths = sorted({source["width"] for source in spin["sources"]})
    enough = next((width for width in widths if width >= NEEDED_PX * 0.9), widths[-1])
    return sorted({enough, widths[-1]})


def frames_of(spin: dict, width: int) -> list[str]:
    last = [source for source in spin["sources"] if source["width"] == width][-1]
    return last["files"]


def first_turn(browser: Browser, url: str) -> tuple[float, float, list[int]]:
    """ms to the first turn, ms to the largest paint, and the bytes of what was loaded by then."""
    page = open_phone(browser, slow_net=True, slow_cpu=True)
    page.add_init_script(WATCH)
    page.goto(url, wait_until="commit")
    page.wait_for_function("window.turns", timeout=180_000)
    page.wait_for_timeout(300)
    found = page.evaluate("turns"), page.evaluate("window.lcp || 0"), page.evaluate(ASKED)
    page.context.close()
    return found


def print_first_turn(browser: Browser, address: str, site: Path, slug: str, scratch: Path) -> None:
    spin = spin_of(site, slug)
    plain = {}
    for width in plain_widths(spin):
        write_plain(scratch / slug / str(width), [site / slug / file for file in frames_of(spin, width)])
        plain[width] = serve(scratch / slug / str(width)).url + "/"
    rounds = [
        (
            first_turn(browser, f"{address}/{slug}/"),
            {width: first_turn(browser, url)[0] for width, url in plain.items()},
        )
        for _ in range(ROUNDS)
    ]
    ours = median(one[0][0] for one in rounds)
    asked = rounds[-1][0][2]
    print(f"{slug}: turns after {sum(asked) / 1000:.1f} kB in {len(asked)} requests (bar: 120 kB)")
    print(
        f"  first turn {ours:.0f} ms, largest paint {median(one[0][1] for one in rounds):.0f} ms, at 1.6 Mbit/s, 150 ms, CPU / 4"
    )
    for width in plain:
        theirs = median(one[1][width] for one in rounds)
        size = sum(file.stat().st_size for file in (scratch / slug / str(width)).iterdir())
        print(
            f"  the plain way, {len(spin['frames'])} JPEGs at {width} px, {size / 1e6:.2f} MB: {theirs:.0f} ms,"
            f" {theirs / ours:.1f} times later (bar: 8)"
        )


def slow_share(times: list[float]) -> float:
    return sum(ms > 20 for ms in times) / len(times)


def print_dragging(browser: Browser, address: str, site: Path, slug: str) -> None:
    page = open_phone(browser, slow_net=False, slow_cpu=True)
    page.goto(f"{address}/{slug}/")
    count = len(spin_of(site, slug)["frames"])
    page.wait_for_function(f"{SPIN}.frames?.sharp.filter(Boolean).length == {count}", timeout=120_000)
    page.wait_for_timeout(1000)
    idle = slow_share(page.evaluate(IDLE))
    times = page.evaluate(DRAG)
    print(
        f"dragging {slug} fast, CPU / 4: {slow_share(times):.1%} of {len(times)} frames over 20 ms (bar: 5 %;"
        f" the same page at rest: {idle:.1%}); median {median(times):.1f} ms"
    )
    page.context.close()


def print_memory(browser: Browser, folder: Path) -> None:
    """36 frames drawn here at 1600 × 1200 px, on a screen that shows all of them."""
    spin = write_spin(folder, count=36, widths=[480, 1600], formats=["webp"])
    write_site(folder, spin | {"width": 1600, "height": 1200})
    (folder / "page.css").write_text("body{margin:0}kick-spin{display:block;width:1600px}", "utf-8")
    page = browser.new_page(viewport={"width": 1600, "height": 1200})
    page.add_init_script(COUNT_BITMAPS)
    page.goto(serve(folder).url)
    page.wait_for_function(f"{SPIN}.frames?.sharp.filter(Boolean).length == 36", timeout=120_000)
    for index in range(0, 36, 5):
        page.evaluate(f"{SPIN}.frame = {index}")
        page.wait_for_timeout(300)
    print(f"decoded pictures held at most, 36 frames at 1600 px: {page.evaluate('most') / 1e6:.0f} MB (bar: 120)")
    page.close()


def serve(folder: Path) -> Server:
    server = Server(folder, answer=Gzipped)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


def main(words: list[str]) -> None:
    script = len(gzip.compress(join_viewer().encode(), 9))
    print(f"viewer script, gzipped, style included: {script} bytes (bar: 9000)")
    with built_site(words) as site, tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=LAUNCH)
        address = serve(site).url
        for slug in slugs_of(site):
            print_first_turn(browser, address, site, slug, Path(scratch))
        print_dragging(browser, address, site, slugs_of(site)[0])
        print_memory(browser, Path(scratch) / "drawn")
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1:])
