"""Whole commands killed at random moments: what must hold of the catalogue, the site and the proof after each kill."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from dataclasses import dataclass, field
from pathlib import Path

from builder.site.manifest import MANIFEST, read_manifest
from builder.store.writing import content_digest
from tests.command import kickwheel
from tests.pictures import turning_bar, write_catalog, write_photo

ROOT = Path(__file__).parent.parent
FRAMES = 6
TEXT = """\
[shop]
name = "Saltmarsh Bench"
url = "https://shop.example/"
[finish]
backdrop = "keep"
crop = "none"
align = false
[output]
widths = [48, 96]
formats = ["webp"]
[[item]]
title = "Jug {version}"
slug = "jug"
frames = "jug"
[[item]]
title = "Boat {version}"
slug = "boat"
frames = "boat"
description = "As of version {version}"
"""


@dataclass
class Kills:
    """What was met, so that a run shows that its kills hit something."""

    count: int = 0
    ended_first: int = 0  # the command was done before the kill
    old: int = 0  # the site was wholly as before
    new: int = 0  # … or wholly the new one
    none: int = 0  # … there was none yet, and none half made
    seconds: list[float] = field(default_factory=list)


class Shop:
    """A catalogue of two spins whose versions differ in texts, and every other time in a photo."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.version = folder, 0
        for name in ("jug", "boat"):
            for index in range(FRAMES):
                write_photo(folder / name / f"IMG_{index:04d}.jpg", turning_bar(index, FRAMES))
        self.change()

    @property
    def site(self) -> Path:
        return self.folder / "site"

    def change(self) -> None:
        self.version += 1
        write_catalog(self.folder, TEXT.format(version=self.version))
        if self.version % 2:
            write_photo(self.folder / "boat/IMG_0003.jpg", turning_bar(3 + self.version % 5, FRAMES + 5))

    def sources(self) -> dict[str, tuple]:
        """Hash, size and times of every file that is the shop's own."""
        return {
            path.relative_to(self.folder).as_posix(): (
                hashlib.sha256(path.read_bytes()).hexdigest(),
                path.stat().st_mtime_ns,
                path.stat().st_mode,
            )
            for path in [self.folder / "catalog.toml", *self.folder.glob("*/*.jpg")]
            if path.parent.name in ("jug", "boat") or path.name == "catalog.toml"
        }

    def version_of_site(self) -> int | None:
        """The version that the whole site is of; None when there is no site. AssertionError for a mixture."""
        if not self.site.exists():
            return None
        manifest = read_manifest(self.site)
        assert manifest is not None, "the site has no list of its files"
        found = {f.relative_to(self.site).as_posix() for f in self.site.rglob("*") if f.is_file()} - {MANIFEST}
        assert found == set(manifest), found ^ set(manifest)
        for path in manifest:
            assert manifest.get(path) == content_digest((self.site / path).read_bytes()), (
                f"{path} isn't what was written"
            )
        listed = json.loads((self.site / "spins.json").read_text())["items"]
        versions = {int(item["title"].rpartition(" ")[2]) for item in listed}
        versions |= {
            int(json.loads((self.site / s / "spin.json").read_text())["title"].rpartition(" ")[2])
            for s in ("jug", "boat")
        }
        assert len(versions) == 1, f"files of several versions: {versions}"
        return versions.pop()


def start(*words: str | Path) -> subprocess.Popen:
    """A command in a process group of its own, so that a kill can take its workers too."""
    return subprocess.Popen([sys.executable, "-m", "builder", *map(str, words)], cwd=ROOT, stdout=subprocess.DEVNULL,
                            stderr=subprocess.DEVNULL, start_new_session=True)  # fmt: skip


def kill_after(process: subprocess.Popen, delay_s: float, *, whole_group: bool) -> float | None:
    """SIGKILL after a while; the seconds it took where the process had ended before. Nothing of it is left running."""
    began = time.monotonic()
    try:
        process.wait(delay_s)
        return time.monotonic() - began
    except subprocess.TimeoutExpired:
        if whole_group:
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()  # its workers notice by themselves
        process.wait()
        return None


def length_of(*words: str | Path) -> float:
    """Seconds that the command takes when nobody disturbs it."""
    began = time.monotonic()
    ran = kickwheel(*words)
    assert ran.status == 0, ran.err
    return time.monotonic() - began


class Moments:
    """Random moments within one operation, over its length as measured of late: a change of texts is followed much
    sooner than one of a photo, and the machine has other things to do as well."""

    MEASURED_EVERY = 20

    def __init__(self, shop: Shop, words: tuple, seed: int, *, fresh: bool = False) -> None:
        self._shop, self._words, self._fresh = shop, words, fresh
        self.random = random.Random(seed)
        self._drawn = 0
        self._length_s: dict[int, float] = {}  # by kind of change
        length_of(*words)  # there is a site, or a proof, before anything is disturbed

    def change(self) -> None:
        self._shop.change()
        if self._fresh:
            shutil.rmtree(self._shop.folder / ".kickwheel", ignore_errors=True)

    def measure(self) -> None:
        """Now and then, with nothing else to lose: leaves the shop built."""
        if self._drawn % self.MEASURED_EVERY == 0:
            for _ in range(2):
                self.change()
                self._length_s[self._shop.version % 2] = length_of(*self._words)
        self._drawn += 1

    def draw(self) -> float:
        """Seconds after the start of what follows the last change."""
        return self.random.uniform(0.05, self._length_s[self._shop.version % 2])

    def too_late(self, took_s: float) -> None:
        kind = self._shop.version % 2
        self._length_s[kind] = min(self._length_s[kind], took_s)


def kill_builds(shop: Shop, times: int, seed: int, *, fresh: bool) -> Kills:
    """Change, build, kill, look; then and now let the next build go through. fresh: without a cache each time."""
    met, words = Kills(), ("build", shop.folder, "--jobs", "2", "--quiet")
    moments = Moments(shop, words, seed, fresh=fresh)
    for kill in range(times):
        moments.measure()
        before = shop.version_of_site()
        moments.change()
        sources, delay = shop.sources(), moments.draw()
        took_s = kill_after(start(*words), delay, whole_group=bool(kill % 2))
        if took_s is not None:
            moments.too_late(took_s)
        met.count += 1
        met.ended_first += took_s is not None
        assert shop.sources() == sources, "a source file was touched"
        now = shop.version_of_site()
        assert now in (before, shop.version), f"the site is of version {now}, neither {before} nor {shop.version}"
        met.old += now == before
        met.new += now == shop.version
        if moments.random.random() < 0.25 or kill == times - 1:
            met.seconds.append(length_of(*words))
            assert shop.version_of_site() == shop.version
            left = {path.name for path in shop.folder.iterdir()} - {"jug", "boat", "catalog.toml", "site", ".kickwheel"}
            left |= {path.name for path in (shop.folder / ".kickwheel").glob("work-*")}
            assert not left, f"left behind: {left}"
    return met


def kill_proofs(shop: Shop, times: int, seed: int) -> Kills:
    met, words = Kills(), ("proof", shop.folder, "--jobs", "2", "--quiet")
    zip_path = shop.folder / "proofs.zip"
    moments = Moments(shop, words, seed)
    for kill in range(times):
        moments.measure()
        before = zip_path.read_bytes()
        moments.change()
        sources, delay = shop.sources(), moments.draw()
        took_s = kill_after(start(*words), delay, whole_group=bool(kill % 2))
        if took_s is not None:
            moments.too_late(took_s)
        met.count += 1
        met.ended_first += took_s is not None
        assert shop.sources() == sources, "a source file was touched"
        with zipfile.ZipFile(zip_path) as archive:
            assert archive.testzip() is None
        now = zip_path.read_bytes()
        met.old += now == before
        met.new += now != before
    assert kickwheel(*words).status == 0
    left = {path.name for path in shop.folder.iterdir()}
    left -= {"jug", "boat", "catalog.toml", "site", ".kickwheel", "proofs.zip"}
    assert not left, f"left behind: {left}"
    return met
