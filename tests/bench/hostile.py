"""What nothing may break, line by line with its figure and bar: python -m tests.bench.hostile [KILLS] [CASES]

Takes half an hour with the numbers of the bars (200 kills, 20 000 cases). Where pip can fetch source archives, the
broken pictures that Pillow and pillow-heif keep for their own tests are read too (kept in tests/.out).
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tarfile
import tempfile
import time
from pathlib import Path

from builder.errors import KickwheelError
from builder.frames.decode import probe_photo, read_photo
from builder.spin import Photo
from builder.terminal import hush_libraries
from tests.bench import fuzz
from tests.hostile_text import CLASSES, vectors
from tests.killing import Shop, kill_builds, kill_proofs

ROOT = Path(__file__).parents[2]
ARCHIVES = ("pillow==12.0.0", "pillow_heif==1.8.1")
PICTURES = {
    ".jpg",
    ".jpeg",
    ".png",
    ".webp",
    ".tif",
    ".tiff",
    ".avif",
    ".heic",
    ".heif",
    ".hif",
    ".mpo",
    ".gif",
    ".bmp",
}


def line(what: str, figure: str, bar: str) -> None:
    print(f"{what:44s} {figure:58s} {bar}", flush=True)


def kills(count: int) -> None:
    for name, kind in (("build, nothing cached", "fresh"), ("rebuild", "cached"), ("proof", "proof")):
        with tempfile.TemporaryDirectory() as folder:
            shop = Shop(Path(folder))
            met = (
                kill_proofs(shop, count, 11) if kind == "proof" else kill_builds(shop, count, 11, fresh=kind == "fresh")
            )
        figure = f"{met.count} kills: {met.old} old, {met.new} new, 0 mixed; {met.ended_first} came too late"
        line(f"kill -9, {name}", figure, "whole, sources untouched, next build goes through")


def cases(count: int) -> None:
    tallies = fuzz.run_fuzz(count, 1)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    line(
        "fuzz",
        f"{sum(t.cases for t in tallies)} cases, {sum(len(t.tracebacks) for t in tallies)} tracebacks",
        ">= 20000, 0",
    )
    line("  slowest, memory", f"{max(t.slowest_s for t in tallies):.2f} s, {peak:.0f} MB", "10 s, 1024 MB")
    for target in ("picture", "toml"):
        line(f"  guided by coverage, {target}", fuzz.run_guided(target, fuzz.ATHERIS_RUNS, 1), "no crash")


def corpora() -> None:
    """Every picture of the archives, each in a process that may be killed: read, or refused in words."""
    for archive in ARCHIVES:
        folder = fetch(archive)
        if folder is None:
            line(f"pictures of {archive}", "the archive can't be fetched here: left out", "")
            continue
        files = sorted(f for f in folder.rglob("*") if f.suffix.lower() in PICTURES and f.is_file())
        ran = subprocess.run(
            [sys.executable, "-m", "tests.bench.hostile", "--read", folder], capture_output=True, text=True, cwd=ROOT
        )
        last = ran.stdout.splitlines()[-1] if ran.stdout else ran.stderr[-60:]
        line(f"pictures of {archive}", f"{len(files)} files: {last}", "no traceback, 10 s, 1024 MB")


def fetch(archive: str) -> Path | None:
    folder = ROOT / "tests/.out" / archive.replace("==", "-")
    if not folder.is_dir():
        with tempfile.TemporaryDirectory() as held:
            words = [
                sys.executable,
                "-m",
                "pip",
                "download",
                "--quiet",
                "--no-deps",
                "--no-binary",
                archive.partition("==")[0],
                "-d",
                held,
                archive,
            ]
            if subprocess.run(words, capture_output=True).returncode or not list(Path(held).glob("*.tar.gz")):
                return None
            with tarfile.open(next(Path(held).glob("*.tar.gz"))) as packed:
                packed.extractall(folder, filter="data")
    return folder


def read_all(folder: Path) -> None:
    read = refused = 0
    slowest, where = 0.0, ""
    for file in sorted(folder.rglob("*")):
        if file.suffix.lower() not in PICTURES or not file.is_file():
            continue
        start = time.process_time()
        photo = probe_photo(file)
        ok = isinstance(photo, Photo)
        for side in (None, 200) if ok and photo.width * photo.height < 60_000_000 else (200,) if ok else ():
            try:
                read_photo(photo, long_side=side)
            except KickwheelError:
                ok = False
        read, refused = read + ok, refused + (not ok)
        took = time.process_time() - start
        slowest, where = max((slowest, where), (took, file.name))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{read} read, {refused} refused, slowest {slowest:.1f} s ({where}), {peak:.0f} MB")


def tests(what: str, bar: str, *words: str) -> None:
    """Lines whose figure is a test that passes."""
    ran = subprocess.run([sys.executable, "-m", "pytest", "-q", *words], capture_output=True, text=True, cwd=ROOT)
    line(what, ran.stdout.splitlines()[-1] if ran.stdout else "no answer", bar)


def main(kill_count: int = 200, case_count: int = 20_000) -> None:
    hush_libraries()
    line("what", "figure", "bar")
    kills(kill_count)
    tests("disk full at each write, injected and real", "old site or new", "tests/test_crash.py", "-k", "disk")
    tests(
        "photos gone, catalogue edited, two at once",
        "refused or whole",
        "tests/test_hostile_moments.py",
        "tests/test_crash.py",
        "-k",
        "away or edited or at_once or while_it_is_at_work",
    )
    tests(
        "cache: flipped, cut, emptied, other version",
        "same bytes",
        "tests/test_hostile_moments.py",
        "tests/test_crash.py",
        "-k",
        "spoilt or flipped",
    )
    cases(case_count)
    tests(
        "bombs, links, devices, names that are paths",
        "refused in words",
        "tests/test_hostile_input.py",
        "-k",
        "bomb or links or no_file or pipe or paths",
    )
    tests("zip entries that would leave the folder", "refused in words", "tests/test_proof.py", "-k", "leave")
    corpora()
    line("script vectors", f"{len(vectors())} in {len(CLASSES)} classes", ">= 120")
    tests("  in every text, in Chromium", "none runs", "tests/test_hostile_text.py", "-k", "not policy")
    tests("  each page's policy", "first in the page, blocks", "tests/test_hostile_text.py", "-k", "policy")
    tests("privacy: marks searched in every output", "none found", "tests/test_hostile_privacy.py")
    tests("serve: hosts, paths, nonsense, 200 slow clients", "answers others in 2 s", "tests/test_serve.py")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--read"]:
        read_all(Path(sys.argv[2]))
    else:
        main(*map(int, sys.argv[1:3]))
