"""What somebody would do without Kickwheel: python -m tests.bench.script [FRAMES] [JOBS]

A shell script of ImageMagick and ffmpeg that makes the same kinds of files from the same photos: crop, level,
sharpen, resize to each width, WebP and AVIF at the qualities and the effort of the build, GIF, MP4. It measures
nothing and cuts no backdrop. Run with as many jobs as the build, and one frame at a time with both programs left
to use the whole machine; beside it the build from nothing. Bars: 1.6 times as fast with as many jobs, 3 times as
fast as one frame at a time. Default: 8 frames of 12 megapixels, 2 jobs.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.floor import timed_build, written_pictures
from tests.bench.large_spin import write_large_catalog

BAR_JOBS, BAR_ONE = 1.6, 3.0

# $1: photo, $2: number. Written with some care: one decode, one crop and one levelling serve all sizes.
FRAME = """#!/bin/sh
exec convert "$1" -auto-orient -crop {box} +repage -level 4%,92% {rungs} \\
  \\( +clone -resize 960x -write "{out}/film-$2.png" +delete \\) null:
"""
RUNG = (
    "\\( +clone -resize {width}x -unsharp 0x0.8+0.6+0.01 {effort} -quality {quality}"
    ' -write "{out}/{width}-$2.{name}" +delete \\)'
)
EFFORTS = {"avif": "-define heic:speed=8", "webp": "-define webp:method=4"}
BOX = "2600x2600+700+200"  # about the build's crop: a square, in pixels of the photo

FILMS = """#!/bin/sh
set -e
convert -delay 10 -loop 0 {out}/film-*.png -resize 560x -layers optimize {out}/preview.gif
ffmpeg -loglevel error -y -framerate 10 -pattern_type glob -i '{out}/film-*.png' -vf 'fps=30,format=yuv420p' \\
  -c:v libx264 -preset veryfast -crf 22 {threads} -movflags +faststart {out}/preview.mp4
"""


def scripts(folder: Path, out: Path, jobs: int) -> tuple[Path, Path]:
    _, pictures = written_pictures(folder)
    rungs = " ".join(
        RUNG.format(width=width, effort=EFFORTS[name], quality=quality, name=name, out=out)
        for name, width, quality, _ in pictures[0]
    )
    frame, films = out / "frame.sh", out / "films.sh"
    frame.write_text(FRAME.format(box=BOX, rungs=rungs, out=out))
    films.write_text(FILMS.format(out=out, threads="-threads 1" if jobs > 1 else ""))
    return frame, films


def timed_script(folder: Path, out: Path, jobs: int) -> tuple[float, float]:
    """(wall, CPU) seconds of the script with so many frames at once."""
    out.mkdir()
    frame, films = scripts(folder, out, jobs)
    photos, _ = written_pictures(folder)
    listed = "".join(f"{photo}\n{number:03d}\n" for number, photo in enumerate(photos))
    threads = {"MAGICK_THREAD_LIMIT": "1", "OMP_NUM_THREADS": "1"} if jobs > 1 else {}
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        ["xargs", "-P", str(jobs), "-n", "2", "sh", str(frame)], input=listed, text=True, check=True,
        env=os.environ | threads,
    )  # fmt: skip
    subprocess.run(["sh", str(films)], check=True, env=os.environ | threads)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.perf_counter() - began, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main(frames: int = 8, jobs: int = 2) -> None:
    missing = [name for name in ("convert", "ffmpeg", "xargs") if shutil.which(name) is None]
    if missing:
        print(f"not measured: {', '.join(missing)} not installed")
        return
    with tempfile.TemporaryDirectory(prefix="kickwheel-script-") as home:
        folder = write_large_catalog(Path(home) / "shop", frames)
        build = timed_build(folder, jobs)[:2]
        spin = json.loads((folder / "site" / "coffee-pot" / "spin.json").read_text())
        side = timed_script(folder, Path(home) / "side", jobs)
        one = timed_script(folder, Path(home) / "one", 1)
        made = {path.suffix for path in (Path(home) / "side").iterdir()}
        assert {".avif", ".webp", ".gif", ".mp4"} <= made, made
    print(f"{len(spin['frames'])} frames of 12 megapixels")
    print(f"{'':<40}{'wall s':>8}{'CPU s':>8}{'wall ÷ build':>14}{'CPU ÷ build':>13}")
    rows = ((f"build, {jobs} processes", build, ""), (f"script, {jobs} jobs", side, f"bar {BAR_JOBS}"),
            ("script, one frame at a time", one, f"bar {BAR_ONE}"))  # fmt: skip
    for name, (wall, cpu), bar in rows:
        print(f"{name:<40}{wall:>8.1f}{cpu:>8.1f}{wall / build[0]:>14.2f}{cpu / build[1]:>13.2f}  {bar}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
