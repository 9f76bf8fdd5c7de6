"""Nothing lost: killed at any moment, disk full at any write, two at once (more: tests/bench/crash.py)."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import textwrap
from contextlib import contextmanager
from pathlib import Path

import pytest

from builder.errors import OutputError
from builder.site import swap
from builder.site.swap import work_folder
from builder.site.whole import SiteFile, repair, write_site
from builder.store.cache import Cache
from builder.store.writing import content_digest
from tests.crashing import (
    assert_whole_site,
    kill_a_writer,
    kill_proof_writers,
    kill_site_writers,
    site_files,
    start_site,
)

posix = pytest.mark.skipif(os.name != "posix", reason="kills with SIGKILL")


@posix
@pytest.mark.parametrize("way", ["exchange", "two renames"])
def test_killed_while_writing_a_site(tmp_path, way):
    met = kill_site_writers(tmp_path, way, times=20, seed=1)
    assert met["left something behind"] >= 3, f"the kills missed the writing: {met}"
    assert met["versions seen"] >= 5, f"hardly any writing was done: {met}"


@posix
def test_killed_while_writing_a_proof(tmp_path):
    assert kill_proof_writers(tmp_path, times=8, seed=2) >= 4
    assert [path.name for path in tmp_path.iterdir() if path.suffix == ".part"] == []


@posix
def test_killed_while_writing_the_cache(tmp_path):
    cache, found = Cache(tmp_path / ".kickwheel"), 0
    for kill in range(8):
        kill_a_writer(tmp_path, "cache", kill * 100, kill, 0.001 * kill)
        for key in range(7):
            if entry := cache.get(f"{key:02d}"):
                found += 1
                contents = [blob.read() for blob in entry.blobs.values()]
                assert contents == [bytes([entry.facts % 256]) * 40_000] * 9 and entry.facts % 7 == key
    assert found > 10


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="renameat2 is a call of Linux")
def test_an_exchange_leaves_no_moment_without_a_site(tmp_path):
    (tmp_path / "probe").mkdir()
    (tmp_path / "other").mkdir()
    if not swap.exchange(tmp_path / "probe", tmp_path / "other"):
        pytest.skip("this file system can't exchange two folders")
    start_site(tmp_path)
    code = textwrap.dedent("""\
        import os, sys
        from pathlib import Path
        os.fsync = lambda handle: None
        from builder.site.whole import write_site
        from tests.crashing import site_files
        for version in range(1, 60):
            write_site(Path(sys.argv[1]), site_files(version))
    """)
    root = Path(__file__).parent.parent
    looks, versions = 0, set()
    with subprocess.Popen([sys.executable, "-c", code, tmp_path / "site"], cwd=root) as writer:
        while writer.poll() is None:
            versions.add((tmp_path / "site/version.txt").read_text())
            looks += 1
    assert writer.returncode == 0 and looks > 500 and len(versions) > 20


class DiskFull:
    """Lets the n-th call of any kind that needs space fail: that one only, or all that follow as well."""

    CALLS = ("write", "mkdir", "link", "fsync", "rename", "replace")

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.left, self.stays_full = sys.maxsize, True
        self.count = 0
        for name in self.CALLS:
            monkeypatch.setattr(os, name, self.failing(getattr(os, name)))

    def failing(self, call):
        def attempt(*arguments, **keywords):
            self.count += 1
            if self.count > self.left and (self.stays_full or self.count == self.left + 1):
                raise OSError(28, os.strerror(28))
            return call(*arguments, **keywords)

        return attempt


@pytest.mark.parametrize("stays_full", [True, False])
@pytest.mark.parametrize("way", ["exchange", "two renames"])
def test_disk_full_at_each_single_write(tmp_path, monkeypatch, way, stays_full):
    if way == "two renames":
        monkeypatch.setattr(swap, "exchange", lambda one, other: False)
    monkeypatch.setattr(os, "fsync", lambda handle: None)
    memory, site, count = tmp_path / ".kickwheel/site.json", tmp_path / "site", 8
    start_site(tmp_path, count)
    disk = DiskFull(monkeypatch)
    disk.stays_full = stays_full
    write_site(site, site_files(1, count), memory=memory)
    calls, version, refused, repaired = disk.count, 1, 0, 0
    for left in range(0, calls + 3):
        disk.count, disk.left = 0, left
        try:
            write_site(site, site_files(version + 1, count), memory=memory)
        except OutputError as error:
            assert "the disk is full" in str(error)
            refused += 1
        disk.left = sys.maxsize
        if not site.exists():
            assert way == "two renames"
            assert repair(site)
            repaired += 1
        version = assert_whole_site(site, count)
    assert refused > (20 if stays_full else 10), f"of {calls} calls"
    assert repaired == (1 if way == "two renames" and stays_full else 0)
    write_site(site, site_files(version + 1, count), memory=memory)
    assert not work_folder(site).exists()


@contextmanager
def small_disk(folder: Path, size: str):
    """A file system of its own. Skips where it can't be mounted."""
    folder.mkdir()
    mount = shutil.which("mount")
    if not mount or not sys.platform.startswith("linux") or os.geteuid() != 0:
        pytest.skip("mounting a small disk needs Linux and root")
    if subprocess.run([mount, "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder], capture_output=True).returncode:
        pytest.skip("a tmpfs can't be mounted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


def test_a_disk_that_is_really_full(tmp_path):
    with small_disk(tmp_path / "disk", "1200k") as disk:
        start_site(disk)
        before = assert_whole_site(disk / "site")
        with pytest.raises(OutputError, match="the disk is full. Free some space and run the command again; nothing"):
            write_site(disk / "site", [*site_files(1), SiteFile("film.mp4", b"x" * 1_500_000)])
        assert assert_whole_site(disk / "site") == before
        assert not work_folder(disk / "site").exists(), "the half-written site gave its space back"
        with pytest.raises(OutputError, match="the disk is full"):
            Cache(disk / ".kickwheel").put("ab12", {"film": b"x" * 1_500_000})
        write_site(disk / "site", site_files(2))
        assert assert_whole_site(disk / "site") == 2


def test_two_at_once_never_mix(tmp_path):
    start_site(tmp_path)
    code = textwrap.dedent("""\
        import os, sys
        from pathlib import Path
        os.fsync = lambda handle: None
        from builder.site.whole import write_site
        from tests.crashing import site_files
        for version in range(int(sys.argv[2]), int(sys.argv[2]) + 15):
            write_site(Path(sys.argv[1]), site_files(version))
    """)
    root = Path(__file__).parent.parent
    both = [
        subprocess.Popen([sys.executable, "-c", code, tmp_path / "site", str(start)], cwd=root) for start in (100, 200)
    ]
    assert [writer.wait(60) for writer in both] == [0, 0]
    assert assert_whole_site(tmp_path / "site") in (114, 214)
    assert not work_folder(tmp_path / "site").exists()


def test_flipped_bits_in_a_cache_never_reach_a_site(tmp_path):
    cache = Cache(tmp_path / "cache")
    content = b"turn" * 1000
    for place in range(0, 4000, 97):
        entry = cache.put("ab12", {"film": content})
        (pack,) = (tmp_path / "cache").glob("results/*/*.pack")
        bad = bytearray(pack.read_bytes())
        bad[place] ^= 0x10
        pack.write_bytes(bad)
        with pytest.raises(LookupError):
            write_site(tmp_path / "site", [SiteFile("a.mp4", entry.blobs["film"])])
        assert not (tmp_path / "site").exists() and cache.get("ab12", lazy=True) is None
    entry = cache.put("ab12", {"film": content})
    write_site(tmp_path / "site", [SiteFile("a.mp4", entry.blobs["film"])])
    assert content_digest((tmp_path / "site/a.mp4").read_bytes()) == entry.blobs["film"].digest
