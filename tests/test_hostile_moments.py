"""Whole commands interrupted: killed, their sources taken away or edited meanwhile, two at once, caches spoilt.

tests/bench/hostile.py does the same 200 times.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from builder.errors import PhotoError
from builder.store.writing import content_digest
from tests.command import kickwheel, tree
from tests.killing import Shop, kill_builds, kill_proofs, start
from tests.pictures import turning_bar, write_photo

posix = pytest.mark.skipif(os.name != "posix", reason="kills with SIGKILL")


@posix
def test_killed_builds_leave_the_old_site_or_the_new_one(tmp_path):
    met = kill_builds(Shop(tmp_path), times=3, seed=3, fresh=False)
    assert met.count == 3 and met.ended_first < 3


@posix
def test_killed_first_builds_leave_no_half_site(tmp_path):
    shop = Shop(tmp_path)
    for delay in (0.4, 1.2):
        process = start("build", shop.folder, "--jobs", "2")
        time.sleep(delay)
        process.kill()
        process.wait()
        assert shop.version_of_site() in (None, shop.version)
    assert kickwheel("build", shop.folder).status == 0
    assert shop.version_of_site() == shop.version


@posix
def test_killed_proofs_leave_the_old_zip_or_the_new_one(tmp_path):
    met = kill_proofs(Shop(tmp_path), times=2, seed=4)
    assert met.count == 2


def test_photos_taken_away_during_a_build(tmp_path):
    """One clear message, exit 2, and the site as it was; with the photos back, the next build goes through."""
    shop = Shop(tmp_path / "shop")
    assert kickwheel("build", shop.folder).status == 0
    for delay in (1.0,):
        before = tree(shop.site)
        shop.change()
        shutil.rmtree(shop.folder / ".kickwheel")
        process = start("build", shop.folder, "--jobs", "2")
        time.sleep(delay)
        shutil.move(shop.folder / "boat", tmp_path / "away")
        status = process.wait(60)
        assert status in (0, 2), status
        if status == 2:
            assert tree(shop.site) == before
        shutil.move(tmp_path / "away", shop.folder / "boat")
        assert kickwheel("build", shop.folder).status == 0
        assert shop.version_of_site() == shop.version


@pytest.mark.skipif(sys.platform != "linux", reason="finds the workers in /proc")
def test_a_worker_ended_by_the_system_is_one_clear_message(tmp_path):
    """As the kernel does when memory runs out."""
    shop = Shop(tmp_path)
    words = [sys.executable, "-m", "builder", "build", str(shop.folder), "--jobs", "2"]
    build = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    until = time.monotonic() + 30
    while time.monotonic() < until:
        found = (
            [int(p) for p in Path(f"/proc/{build.pid}/task/{build.pid}/children").read_text().split()]
            if build.poll() is None
            else []
        )
        workers = [pid for pid in found if "spawn_main" in Path(f"/proc/{pid}/cmdline").read_text()]
        if workers:
            time.sleep(0.2)
            os.kill(workers[0], signal.SIGKILL)
            break
        time.sleep(0.02)
    out, err = build.communicate(timeout=60)
    assert build.returncode == 2 and "memory ran out" in err and "Traceback" not in err, err
    assert not shop.site.exists()
    assert kickwheel("build", shop.folder).status == 0


def test_a_photo_that_changes_while_it_is_at_work_is_not_taken_for_the_old_one(tmp_path, monkeypatch):
    """The pixels read may be the new file's: kept under the old file's name they would come back with it."""
    from builder.building.build import BuildRequest, build_site
    from builder.items import numbers as item
    from builder.terminal import Terminal

    shop = Shop(tmp_path)
    photo = shop.folder / "boat/IMG_0002.jpg"
    old, real, calls = photo.read_bytes(), item.measure_work, []

    def measure_and_change(*words):
        calls.append(words)
        write_photo(photo, turning_bar(5 + len(calls), 11))
        return real(*words)

    monkeypatch.setattr(item, "measure_work", measure_and_change)
    request = BuildRequest(shop.folder, jobs=1)
    with pytest.raises(PhotoError, match="IMG_0002.jpg: it changed while it was at work"):
        build_site(request, Terminal(quiet=True))
    assert not shop.site.exists()
    monkeypatch.setattr(item, "measure_work", real)
    photo.write_bytes(old)
    build_site(request, Terminal(quiet=True))
    assert shop.version_of_site() == shop.version


def test_a_catalogue_edited_during_a_build_is_built_next_time(tmp_path):
    shop = Shop(tmp_path)
    process = start("build", shop.folder, "--jobs", "2")
    time.sleep(0.8)
    shop.change()
    assert process.wait(60) == 0
    assert shop.version_of_site() in (shop.version - 1, shop.version)
    ran = kickwheel("build", shop.folder)
    assert ran.status == 0
    assert shop.version_of_site() == shop.version, "what was saved during a build must not be taken for built"


def test_two_builds_at_once(tmp_path):
    shop = Shop(tmp_path)
    both = [start("build", shop.folder, "--jobs", "1"), start("build", shop.folder, "--jobs", "1")]
    assert [process.wait(120) for process in both] == [0, 0]
    assert shop.version_of_site() == shop.version


def test_a_spoilt_cache_is_never_trusted(tmp_path):
    """Bits flipped, cut short, emptied, made by another version: the site comes out the same, byte for byte."""
    shop = Shop(tmp_path)
    assert kickwheel("build", shop.folder).status == 0
    wanted = tree(shop.site)
    rng, spoilt = random.Random(5), set()
    for file in sorted((shop.folder / ".kickwheel").rglob("*")):
        if not file.is_file() or file.name in ("CACHEDIR.TAG", ".gitignore", "lock"):
            continue
        content = file.read_bytes()
        way = rng.choice(("flip", "cut", "empty") + (("version",) * 3 if b'"version":1' in content else ()))
        spoilt.add(way)
        if way == "flip":
            at = rng.randrange(len(content))
            content = content[:at] + bytes([content[at] ^ 1 << rng.randrange(8)]) + content[at + 1 :]
        elif way == "version":
            text = content.partition(b"\n")[2].replace(b'"version":1', b'"version":9')
            content = content_digest(text).encode() + b"\n" + text  # sound in itself
        else:
            content = content[: len(content) // 2] if way == "cut" else b""
        file.write_bytes(content)
    assert spoilt == {"flip", "cut", "empty", "version"}
    shutil.rmtree(shop.site)
    ran = kickwheel("build", shop.folder)
    assert ran.status == 0, ran.err
    assert tree(shop.site) == wanted
