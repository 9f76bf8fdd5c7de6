"""How a build grows with the shop: python -m tests.bench.growth [ITEMS…]   (default: 10 100 1000 3000)

Generated items of two tiny frames whose photos have the same bytes, so that measures and pictures come from the
cache, but for each item's contact sheet (it carries the title): what is measured is everything else, above all
reading the catalogue and writing the site. 'first' makes the sheets; 'again' writes the whole site from the cache
alone; 'one text' follows a changed description; 'nothing' follows no change. Each is a process of its own with one
job. CPU seconds, since wall time hangs on the disk and on what else the machine does. Slopes are log-log, fitted
to all numbers of items after the time of an empty start ('--help') is taken off.

The index page of the largest shop is then opened in Chromium: time to load, and the longest time that the filter
takes from a keystroke to the finished layout, over words that match many, few, none and, taken back, all.
"""

from __future__ import annotations

import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.browsing import LAUNCH, find_chromium
from tests.many_items import entry, write_entries, write_many

ITEMS = (10, 100, 1000, 3000)
SLOPE_BAR, MEMORY_BAR, FILTER_BAR_MS, NOTHING_BAR_S = 1.05, 1.15, 50, 0.6
WORDS = ("i", "it", "item 1", "item 29", "item 299", "nothing here", "brass", "shelf 3")
RUN = """
import json, os, resource, sys, time
sys.argv = ["kickwheel", *sys.argv[1:]]
from builder.cli import main
try: main()
except SystemExit as left: status = left.code
used = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps({"status": status, "cpu": used.ru_utime + used.ru_stime, "mb": used.ru_maxrss / 1024}), file=sys.stderr)
"""


def run(*words: object) -> dict[str, float]:
    """A command in a process of its own: CPU and wall seconds, MB of peak memory."""
    began = time.perf_counter()
    ran = subprocess.run([sys.executable, "-c", RUN, *map(str, words)], capture_output=True, text=True, check=True)
    found = json.loads(ran.stderr.splitlines()[-1])
    assert not found["status"], ran.stderr
    return found | {"wall": time.perf_counter() - began}


def figures(folder: Path, items: int) -> dict[str, dict[str, float]]:
    write_many(folder, items, frames=2)
    time.sleep(0.2)
    found = {"first": run("build", folder, "--jobs", 1, "--quiet")}
    shutil.rmtree(folder / "site")
    found["again"] = run("build", folder, "--jobs", 1, "--quiet")
    write_entries(
        folder, [entry(number, "New words." if number == 7 else "Cleaned and put right.") for number in range(items)]
    )
    time.sleep(0.2)
    found["one text"] = run("build", folder, "--jobs", 1, "--quiet")
    found["nothing"] = run("build", folder, "--jobs", 1, "--quiet")
    return found


def slope(points: list[tuple[float, float]]) -> float:
    """Of the straight line through the points' logarithms, by least squares."""
    logs = [(math.log(x), math.log(max(y, 1e-3))) for x, y in points]
    mean_x, mean_y = (sum(values) / len(logs) for values in zip(*logs))
    return sum((x - mean_x) * (y - mean_y) for x, y in logs) / sum((x - mean_x) ** 2 for x, _ in logs)


ANSWER = """word => {
    const field = document.getElementById('find');
    field.value = word; field.dispatchEvent(new Event('input')); document.body.offsetHeight;
}"""
WORKED = ("ScriptDuration", "RecalcStyleDuration", "LayoutDuration")


def index_page(site: Path) -> tuple[float, float, str]:
    """(ms to load the index from disk, longest ms of the filter, and for which word).

    The filter's time is the page's own thread's, of script, style and layout: what else the machine does isn't in it.
    """
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=LAUNCH)
        page = browser.new_page(viewport={"width": 390, "height": 844})
        link = page.context.new_cdp_session(page)
        link.send("Performance.enable", {"timeDomain": "threadTicks"})

        def worked() -> float:
            counted = {one["name"]: one["value"] for one in link.send("Performance.getMetrics")["metrics"]}
            return 1000 * sum(counted[name] for name in WORKED)

        began = time.perf_counter()
        page.goto((site / "index.html").as_uri())
        loaded = (time.perf_counter() - began) * 1000
        taken = {}
        for before, word in [*(("", word) for word in WORDS), (WORDS[-1], "")]:
            taken[word] = math.inf
            for _ in range(3):
                page.evaluate(ANSWER, before)
                page.wait_for_timeout(50)
                start = worked()
                page.evaluate(ANSWER, word)
                taken[word] = min(taken[word], worked() - start)
        browser.close()
    worst = max(taken, key=lambda word: taken[word])
    return loaded, taken[worst], worst


def main(counts: tuple[int, ...] = ITEMS) -> None:
    found = {}
    start = run("--help")["cpu"]
    print(f"start (--help): {start:.2f} s CPU")
    with tempfile.TemporaryDirectory(prefix="kickwheel-growth-") as home:
        for items in counts:
            folder = Path(home) / str(items)
            found[items] = figures(folder, items)
            told = ", ".join(
                f"{name} {one['cpu']:.2f} s CPU ({one['wall']:.2f} s wall), {one['mb']:.0f} MB"
                for name, one in found[items].items()
            )
            print(f"{items:5} items: {told}", flush=True)
        if find_chromium():
            loaded, filtered, word = index_page(folder / "site")
            print(f"index of {counts[-1]} items in Chromium: loads in {loaded:.0f} ms; filter answers in "
                  f"{filtered:.0f} ms of its thread at worst, for '{word}' (bar {FILTER_BAR_MS} ms)")  # fmt: skip
        else:
            print("no Chromium found: the index page isn't measured")
    for name in ("first", "again", "one text", "nothing"):
        fixed = found[counts[0]][name]["cpu"] - 1e-3  # what the smallest shop costs
        points = [(items, found[items][name]["cpu"] - start) for items in counts]
        above = [(items, found[items][name]["cpu"] - fixed) for items in counts[1:]]
        print(
            f"slope of '{name}': {slope(points):.2f} over all, {slope(above):.2f} of what items add (bar {SLOPE_BAR})"
        )
    many, few = counts[-1], 100 if 100 in counts else counts[0]
    for name in ("first", "again"):
        ratio = found[many][name]["mb"] / found[few][name]["mb"]
        print(f"peak memory of '{name}', {many} items to {few}: {ratio:.2f} (bar {MEMORY_BAR})")


if __name__ == "__main__":
    os.environ["PYTHONHASHSEED"] = "0"
    main(tuple(map(int, sys.argv[1:])) or ITEMS)
