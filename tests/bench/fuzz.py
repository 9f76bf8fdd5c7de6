"""Tens of thousands of broken inputs: python -m tests.bench.fuzz [CASES] [SEED]

Structure-aware changes of a catalogue, of Markdown, of file names and of small pictures in every format; then
coverage-guided ones by atheris (libFuzzer) over picture bytes and TOML, where it is installed. Prints cases,
exceptions that weren't ours, the slowest case and the most memory. Bars: 0, 10 s, 1 GB.
"""

from __future__ import annotations

import os
import random
import resource
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

from builder.terminal import hush_libraries
from tests import fuzzing

ATHERIS_RUNS = 4000  # of each target

GUIDED = """
import sys, tempfile, warnings, os
from pathlib import Path
import atheris
with atheris.instrument_imports(include=["builder", "tomllib", "PIL.JpegImagePlugin", "PIL.PngImagePlugin", "PIL.TiffImagePlugin", "PIL.WebPImagePlugin"]):
    from tests import fuzzing
target, corpus, folder = sys.argv[1], Path(sys.argv[2]), Path(tempfile.mkdtemp())
def one(content):
    if target == "toml":
        fuzzing.try_catalog(folder, content)
    else:
        fuzzing.try_photo(folder / "x.jpg", content)
atheris.Setup([sys.argv[0], f"-runs={sys.argv[3]}", "-max_len=20000", "-timeout=10", "-rss_limit_mb=1024", f"-seed={sys.argv[4]}", str(corpus)], one)
atheris.Fuzz()
"""


class Tally:
    """Cases of one kind of input, and the worst that came of them."""

    def __init__(self, name: str) -> None:
        self.name, self.cases, self.accepted, self.slowest_s = name, 0, 0, 0.0
        self.tracebacks: list[str] = []

    def run(self, case: Callable[[], bool], times: int) -> "Tally":
        for _ in range(times):
            start = time.process_time()
            try:
                self.accepted += case()
            except Exception:
                self.tracebacks.append(traceback.format_exc())
            self.slowest_s = max(self.slowest_s, time.process_time() - start)
            self.cases += 1
        return self

    def print(self) -> None:
        print(
            f"{self.name:24s} {self.cases:7d} cases  {self.accepted:6d} accepted  {len(self.tracebacks)} tracebacks  slowest {self.slowest_s:.2f} s"
        )
        for text in self.tracebacks[:3]:
            print(text)


def run_fuzz(cases: int, seed: int) -> list[Tally]:
    """Cases spread over all kinds; deterministic for a seed."""
    rng = random.Random(seed)
    tallies = []
    with tempfile.TemporaryDirectory() as name:
        folder, photos = Path(name), fuzzing.small_photos()
        grey = photos["grey.jpg"]
        kinds: dict[str, Callable[[], bool]] = {
            "catalogue text": lambda: fuzzing.try_catalog(
                folder, fuzzing.mutate_text(fuzzing.CATALOG, rng).encode("utf-8", "replace")
            ),
            "catalogue values": lambda: fuzzing.try_catalog(
                folder, fuzzing.mutate_value(rng).encode("utf-8", "replace")
            ),
            "Markdown": lambda: fuzzing.try_markdown(fuzzing.random_markdown(rng)),
            "file names": lambda: fuzzing.try_names(
                folder, [fuzzing.random_name(rng) for _ in range(rng.randint(1, 6))], grey, rng
            ),
        }
        for kind, case in kinds.items():
            tallies.append(Tally(kind).run(case, cases // 8))
            tallies[-1].print()
        for kind, content in photos.items():
            file = folder / f"x.{kind.rpartition('.')[2]}"
            tally = Tally(f"picture, {kind}")
            tally.run(
                lambda: fuzzing.try_photo(file, fuzzing.mutate_picture(content, rng)), cases // 2 // len(photos) + 1
            )
            tallies.append(tally)
            tally.print()
    return tallies


def run_guided(target: str, runs: int, seed: int) -> str:
    """One atheris run in a process of its own; its last words."""
    with tempfile.TemporaryDirectory() as name:
        corpus = Path(name) / "corpus"
        corpus.mkdir()
        seeds = {"a.toml": fuzzing.CATALOG.encode()} if target == "toml" else fuzzing.small_photos()
        for file, content in seeds.items():
            (corpus / file).write_bytes(content)
        ran = subprocess.run(
            [sys.executable, "-c", GUIDED, target, str(corpus), str(runs), str(seed)], capture_output=True, cwd=name,
            env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}, timeout=1800,
        )  # fmt: skip
    said = [line for line in ran.stderr.decode(errors="replace").splitlines() if line.strip()]
    if ran.returncode and any("No module named 'atheris'" in line for line in said):
        return "atheris isn't installed: left out"
    done = next((line for line in reversed(said) if line.startswith("Done ")), "")
    return f"{done or said[-1:]}, exit {ran.returncode}"


def main(cases: int = 20_000, seed: int = 1) -> list[Tally]:
    hush_libraries()
    tallies = run_fuzz(cases, seed)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    count, bad = sum(t.cases for t in tallies), sum(len(t.tracebacks) for t in tallies)
    print(
        f"\n{count} cases, {bad} tracebacks (bar 0), slowest {max(t.slowest_s for t in tallies):.2f} s of CPU (bar 10), peak memory {peak_mb:.0f} MB (bar 1024)"
    )
    for target in ("picture", "toml"):
        print(f"guided by coverage, {target}: {run_guided(target, ATHERIS_RUNS, seed)}")
    return tallies


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
