"""Cost of writing sites as shops grow: python -m tests.bench.site_writing [FILES_AN_ITEM]

For 100, 1000 and 3000 items of small synthetic files, each in a process of its own: first writing, one page
changed, everything offered again unchanged, and the decision from stat calls alone that there is nothing to
do (12 photos an item watched); peak memory of the process; slope of time over items on log-log. The disk
counts in: on a busy one set TMPDIR to a file system in memory to see the cost of the code alone.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ITEMS = (100, 1000, 3000)
PHOTOS_AN_ITEM = 12


def offered(items: int, each: int, changed: int = 0) -> Iterator[object]:
    from builder.site.whole import SiteFile

    for item in range(items):
        for part in range(each):
            yield SiteFile(f"item-{item:04d}/frames/480/{part:04d}.avif", f"{item} {part}".encode() * 150)
        yield SiteFile(f"item-{item:04d}/index.html", f"{item} {changed if item == 7 else 0}".encode() * 800)


def measure(items: int, each: int) -> dict[str, float]:
    """Seconds of every kind of writing, and MB of peak memory before and after; runs in its own process."""
    import resource

    from builder.building.last_build import last_build, remember_build, take_stamps
    from builder.site.whole import write_site

    figures: dict[str, float] = {"start_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}
    with tempfile.TemporaryDirectory() as home:
        out, memory, record = Path(home, "site"), Path(home, "memory.json"), Path(home, "last.json")
        folders = [Path(home, "photos", str(item)) for item in range(items)]
        for folder in folders:
            folder.mkdir(parents=True)
            for photo in range(PHOTOS_AN_ITEM):
                (folder / f"{photo}.jpg").write_bytes(b"photo")
        time.sleep(0.1)
        stamps = take_stamps(folders)
        for name, changed in (("first", 0), ("one page changed", 1), ("offered again", 1)):
            start = time.perf_counter()
            write_site(out, offered(items, each, changed), memory=memory)
            figures[name] = time.perf_counter() - start
        remember_build(record, key="k", stamps=stamps)
        start = time.perf_counter()
        assert last_build(record, key="k", out=out, site_memory=memory) is not None
        figures["nothing to do"] = time.perf_counter() - start
    figures["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return figures


def main(each: int = 27) -> None:
    found = {}
    for items in ITEMS:
        command = [sys.executable, "-m", "tests.bench.site_writing", "--measure", str(items), str(each)]
        found[items] = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
        told = ", ".join(f"{name} {found[items][name]:.2f} s" for name in found[items] if not name.endswith("_mb"))
        print(f"{items:5} items, {items * (each + 1)} files: {told}; peak {found[items]['peak_mb']:.0f} MB "
              f"(bare process {found[items]['start_mb']:.0f} MB)")  # fmt: skip
    few, many = ITEMS[0], ITEMS[-1]
    for name in ("first", "one page changed", "offered again", "nothing to do"):
        slope = math.log(found[many][name] / found[few][name]) / math.log(many / few)
        print(f"slope of '{name}' from {few} to {many} items, log-log: {slope:.2f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--measure"]:
        print(json.dumps(measure(int(sys.argv[2]), int(sys.argv[3]))))
    else:
        main(*map(int, sys.argv[1:2]))
