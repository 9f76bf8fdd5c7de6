"""How near a build comes to the least that any program must do: python -m tests.bench.floor [FRAMES] [JOBS]

The floor, on the same photos in the same run with the same number of processes: decode each photo once, resize it
once for each picture that the build wrote, encode those very pictures (same size, quality and effort, one thread
an encode), and encode the same GIF, MP4, strip, poster, still, link picture and contact sheet (these from their own
pixels, at a middling quality, with no resizing). No measuring, no finishing. For decoding and resizing, and for each
encoder, the faster of Pillow and libvips is taken, tried beforehand. What the floor needs besides (starting
processes, reading back the pictures to encode) isn't counted, so the ratio is rather too high than too low.

Wall time suffers from whatever else the machine does; the ratio of CPU times hardly does. Both are printed.
Bars: build ÷ floor at most 1.6 with everything, 1.35 without the step angles; 0.9 s of wall time a frame with
2 processes on 36 frames of 12 megapixels; 350 MB a worker.
"""

from __future__ import annotations

import io
import json
import multiprocessing
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image

from builder.workers import ask_for_large_pages
from tests.bench.large_spin import write_large_catalog

BAR, BAR_WITHOUT_ANGLES, BAR_FRAME_S, BAR_MB = 1.6, 1.35, 0.9, 350
EFFORT = {"avif": "speed 8 at 1080 px and above, else 7", "webp": "method 4"}


# ---- the build ---------------------------------------------------------------------------------------------


def timed_build(folder: Path, jobs: int, *words: str) -> tuple[float, float, float]:
    """(wall, CPU) seconds of a build from nothing, and the peak MB of its largest process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    build = subprocess.Popen(
        [sys.executable, "-m", "builder", "build", folder, "--force", "--quiet", "--jobs", str(jobs), *words]
    )
    largest = 0.0
    while build.poll() is None:
        largest = max([largest, *map(peak_mb, tree_of(build.pid))])
        time.sleep(0.05)
    wall = time.perf_counter() - began
    assert build.returncode == 0
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, largest


def tree_of(pid: int) -> list[int]:
    """A process and all that it started."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return []
    return [pid, *(below for child in children for below in tree_of(int(child)))]


def peak_mb(pid: int) -> float:
    """The most memory it ever had resident. (The rusage of a child counts from before its exec: this program's own.)"""
    try:
        status = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0.0
    found = re.search(r"VmHWM:\s*(\d+) kB", status)
    return int(found[1]) / 1024 if found else 0.0


def angles_cpu_s(folder: Path) -> float:
    """CPU seconds that the step angles take, measured alone."""
    from builder import measured
    from builder.frames.photos import find_photos
    from builder.measured import survey

    spent = 0.0
    measure_turn = survey.measure_turn

    def timed(*args, **keys):
        nonlocal spent
        began = time.process_time()
        try:
            return measure_turn(*args, **keys)
        finally:
            spent += time.process_time() - began

    survey.measure_turn = timed
    try:
        photos = find_photos(folder / "coffee-pot").photos
        measured.measure_spin(photos, slug="coffee-pot", source="coffee-pot")
    finally:
        survey.measure_turn = measure_turn
    return spent


def written_pictures(folder: Path) -> tuple[list[Path], list[list[tuple[str, int, int, Path]]]]:
    """The photos shown, and for each the pictures made of it: (format, width, quality, file)."""
    spin = json.loads((folder / "site" / "coffee-pot" / "spin.json").read_text())
    qualities = {(name, width): quality for name, width, quality in _facts(folder)["qualities"]}
    photos = sorted((folder / "coffee-pot").glob("*.jpg"))[: len(spin["frames"])]
    pictures: list[list[tuple[str, int, int, Path]]] = [[] for _ in photos]
    for source in spin["sources"]:
        for index, name in enumerate(source["files"]):
            quality = qualities[source["format"], source["width"]]
            pictures[index].append((source["format"], source["width"], quality, folder / "site" / "coffee-pot" / name))
    return photos, pictures


def _facts(folder: Path) -> dict:
    """What the cache notes of the pictures just made."""
    found = []
    for file in (folder / ".kickwheel" / "results").glob("*/*.json"):
        record = json.loads(file.read_bytes().partition(b"\n")[2])
        if isinstance(record["facts"], dict) and "qualities" in record["facts"]:
            found.append((file.stat().st_mtime, record["facts"]))
    return max(found, key=lambda pair: pair[0])[1]


# ---- the floor ---------------------------------------------------------------------------------------------


def pillow_resized(photo: Path, sizes: list[tuple[int, int]]) -> None:
    with Image.open(photo) as image:
        widest = max(sizes)
        image.draft("RGB", widest)
        image.load()
        for size in sizes:
            np.asarray(image.resize(size, Image.Resampling.BOX))


def vips_resized(photo: Path, sizes: list[tuple[int, int]]) -> None:
    import pyvips

    for size in sizes:  # decoded for each, as its shrinking decoder is quickest
        pyvips.Image.thumbnail(str(photo), size[0], height=size[1], size="force").write_to_memory()


def pillow_encoded(pixels: np.ndarray, name: str, quality: int) -> bytes:
    from builder.derivatives.encoding import encode_picture

    return encode_picture(pixels, name, quality)


def vips_encoded(pixels: np.ndarray, name: str, quality: int) -> bytes:
    import pyvips

    image = pyvips.Image.new_from_array(np.ascontiguousarray(pixels))
    if name == "webp":
        return image.webpsave_buffer(Q=quality, effort=4)
    if name == "jpeg":
        return image.jpegsave_buffer(Q=quality, optimize_coding=True, interlace=True)
    speed = 8 if min(pixels.shape[:2]) >= 1080 else 7
    return image.heifsave_buffer(Q=quality, compression="av1", effort=9 - speed, subsample_mode="on")


RESIZERS = {"Pillow": pillow_resized, "libvips": vips_resized}
ENCODERS = {"Pillow": pillow_encoded, "libvips": vips_encoded}


def fastest(ways: dict[str, Callable], *args) -> tuple[str, str]:
    """(the faster way's name, what to print)."""
    taken = {}
    for name, way in ways.items():
        way(*args)
        began = time.process_time()
        way(*args)
        taken[name] = time.process_time() - began
    best = min(taken, key=taken.__getitem__)
    return best, ", ".join(f"{name} {seconds * 1000:.0f} ms" for name, seconds in taken.items())


def choose(photo: Path, pictures: list[tuple[str, int, int, Path]]) -> dict[str, str]:
    """The faster library for each step, by name of the step."""
    sizes = [Image.open(file).size for *_, file in pictures]
    chosen = {}
    chosen["resize"], said = fastest(RESIZERS, photo, sizes)
    print(f"  decode and resize a frame: {said}")
    for name, width, quality, file in pictures:
        key = f"{name} {width}"
        chosen[key], said = fastest(ENCODERS, np.asarray(Image.open(file).convert("RGB")), name, quality)
        print(f"  encode {key} px, quality {quality}: {said}")
    return chosen


def frames_floor(
    work: tuple[list[Path], list[list[tuple[str, int, int, Path]]], dict[str, str]],
) -> tuple[float, float]:
    """(wall, CPU) seconds of one process for its share of the frames."""
    photos, pictures, chosen = work
    clock = _Clock()
    for photo, wanted in zip(photos, pictures, strict=True):
        sizes = [Image.open(file).size for *_, file in wanted]
        with clock:
            RESIZERS[chosen["resize"]](photo, sizes)
        for name, width, quality, file in wanted:
            pixels = np.asarray(Image.open(file).convert("RGB"))
            with clock:
                ENCODERS[chosen[f"{name} {width}"]](pixels, name, quality)
    return clock.wall, clock.cpu


SINGLES = {
    "strip.avif": 40, "strip.webp": 57, "poster.jpg": 84, "still.jpg": 84, "link.jpg": 84, "contact.jpg": 84,
}  # fmt: skip


def film_floor(work: tuple[str, Path, list[Path]]) -> tuple[float, float]:
    """(wall, CPU) seconds for the GIF, the MP4 or all the single pictures, from pictures in memory."""
    from builder.derivatives import film

    kind, site, files = work
    clock = _Clock()
    if kind == "singles":
        for name, quality in SINGLES.items():
            with Image.open(site / name) as image:
                pixels = np.asarray(image.convert("RGB"))
            with clock:
                pillow_encoded(pixels, {"jpg": "jpeg"}.get(name[-3:], name[-4:]), quality)
        return clock.wall, clock.cpu
    if kind == "gif":
        with Image.open(site / "preview.gif") as image:
            size = image.size
        pictures = [Image.open(file).convert("RGB").resize(size) for file in files]
        with clock:
            palette = pictures[0].quantize(255)
            frames = [picture.quantize(palette=palette, dither=Image.Dither.FLOYDSTEINBERG) for picture in pictures]
            frames[0].save(io.BytesIO(), "GIF", save_all=True, append_images=frames[1:], duration=100, loop=0)
    else:
        pictures = [np.asarray(Image.open(file).convert("RGB")) for file in files]
        __import__("imageio.plugins.pyav")  # its loading is no part of the floor

        with clock:
            film.make_mp4(pictures, film.time_turn(len(pictures)))
    return clock.wall, clock.cpu


class _Clock:
    """Adds up what is done within it."""

    def __init__(self) -> None:
        self.wall = self.cpu = 0.0

    def __enter__(self) -> None:
        self._began = time.perf_counter(), time.process_time()

    def __exit__(self, *_) -> None:
        self.wall += time.perf_counter() - self._began[0]
        self.cpu += time.process_time() - self._began[1]


def floor(folder: Path, jobs: int) -> tuple[float, float]:
    """(wall, CPU) seconds of the least work for what the build wrote."""
    photos, pictures = written_pictures(folder)
    print(f"floor: {len(photos)} frames of {len(pictures[0])} pictures, the faster library for each step")
    chosen = choose(photos[0], pictures[0])
    site = folder / "site" / "coffee-pot"
    middle = [next(file for name, width, _, file in wanted if (name, width) == ("webp", 960)) for wanted in pictures]
    shares = [(photos[start::jobs], pictures[start::jobs], chosen) for start in range(jobs)]
    films = [("mp4", site, middle), ("gif", site, middle), ("singles", site, [])]
    ask_for_large_pages()  # as the build's own
    with multiprocessing.get_context("spawn").Pool(jobs, initializer=_start) as pool:
        pool.map(abs, range(jobs))
        frames = pool.map(frames_floor, shares, chunksize=1)
        turns = pool.map(film_floor, films, chunksize=1)
    walls = [wall for wall, _ in turns]
    wall = max(one for one, _ in frames) + max(max(walls), sum(walls) / jobs)
    return wall, sum(cpu for _, cpu in (*frames, *turns))


def _start() -> None:
    os.environ["VIPS_CONCURRENCY"] = "1"
    import cv2

    cv2.setNumThreads(1)


def main(frames: int = 36, jobs: int = 2) -> None:
    with tempfile.TemporaryDirectory(prefix="kickwheel-floor-") as home:
        folder = write_large_catalog(Path(os.environ.get("KICKWHEEL_LARGE", home)), frames)
        wall, cpu, largest = timed_build(folder, jobs)
        least_wall, least_cpu = floor(folder, jobs)
        angles = angles_cpu_s(folder)
    effort = "; ".join(f"{name} {how}" for name, how in EFFORT.items())
    print(f"effort, chosen by bytes saved a ms (python -m tests.bench.derivatives --effort): {effort}")
    print(f"{frames} frames of 12 megapixels, {jobs} processes")
    print(f"{'':<28}{'wall s':>9}{'CPU s':>9}")
    print(f"{'build':<28}{wall:>9.1f}{cpu:>9.1f}")
    print(f"{'floor':<28}{least_wall:>9.1f}{least_cpu:>9.1f}")
    print(f"{'build / floor':<28}{wall / least_wall:>9.2f}{cpu / least_cpu:>9.2f}   bar {BAR}")
    without = cpu - angles
    print(f"{'  without the step angles':<28}{'':>9}{without / least_cpu:>9.2f}   bar {BAR_WITHOUT_ANGLES}"
          f"  (they take {angles:.1f} s)")  # fmt: skip
    print(f"{'wall time a frame':<28}{wall / frames:>9.2f}{'':>9}   bar {BAR_FRAME_S} s with 2 processes")
    print(f"{'largest process':<28}{largest:>6.0f} MB{'':>9}   bar {BAR_MB} MB a worker")


if __name__ == "__main__":
    os.environ.setdefault("VIPS_CONCURRENCY", "1")
    main(*map(int, sys.argv[1:3]))
