"""The cache: what comes out is what went in, or nothing."""

from __future__ import annotations

import enum
import os
import random
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from builder.building.last_build import changed_paths, last_build, remember_build, take_stamps
from builder.errors import OutputError
from builder.site.whole import SiteFile, write_site
from builder.store.cache import Cache, DamagedEntry, digest
from builder.store.lock import hold

BLOBS = {"480.avif": b"small" * 40, "960.avif": b"large" * 90, "empty": b""}


@dataclass(frozen=True)
class Settings:
    widths: tuple[int, ...]
    margin: float = 0.075


class Backdrop(enum.Enum):
    WHITE = "white"


class TestDigest:
    def test_is_the_same_in_every_run(self):
        values = "digest('frame', 1, 2.5, None, True, b'x', {'b': 1, 'a': {3, 1, 2}}, (1, [2]))"
        code = f"from builder.store.cache import digest; print({values})"
        runs = {
            subprocess.run(
                [sys.executable, "-c", code],
                capture_output=True,
                text=True,
                check=True,
                env={**os.environ, "PYTHONHASHSEED": seed},
            ).stdout.strip()
            for seed in ("1", "2")
        }
        assert runs == {eval(values)}

    def test_every_difference_counts(self):
        values = [
            (),
            (1,),
            (1.0,),
            ("1",),
            (True,),
            (None,),
            (b"1",),
            ([1],),
            ({"a": 1},),
            ({"a": 2},),
            (1, 2),
            (12,),
            ("1", "2"),
            ("12",),
            (Settings((480,)),),
            (Settings((480, 960)),),
            ({1},),
            ("a", "b"),
            (["a", "b"],),
            (["ab"],),
        ]
        assert len({digest(*value) for value in values}) == len(values)

    def test_order_of_keys_and_kind_of_sequence_do_not(self):
        assert digest({"a": 1, "b": 2}) == digest({"b": 2, "a": 1})
        assert digest((1, 2)) == digest([1, 2])
        assert digest(Backdrop.WHITE) == digest("white")

    @pytest.mark.parametrize("value", [Path("/home/somebody/photo.jpg"), object(), {1: "a"}, Settings])
    def test_what_differs_between_machines_or_runs_is_refused(self, value):
        with pytest.raises(TypeError, match="can't be part of a cache key"):
            digest(value)

    def test_not_a_number_is_refused(self):
        with pytest.raises(ValueError):
            digest(float("nan"))


class TestEntries:
    def test_come_back_as_they_went_in(self, tmp_path):
        Cache(tmp_path).put("ab12", BLOBS, {"width": 960}, cost_s=1.5)
        cache = Cache(tmp_path)
        entry = cache.get("ab12")
        assert {name: blob.read() for name, blob in entry.blobs.items()} == BLOBS
        assert entry.facts == {"width": 960}
        assert (cache.hit_count, cache.miss_count, cache.saved_s) == (1, 0, 1.5)
        assert cache.get("cd34") is None and cache.miss_count == 1

    def test_facts_alone_and_a_second_put(self, tmp_path):
        cache = Cache(tmp_path)
        cache.put("ab12", {}, [1, 2])
        assert cache.get("ab12").facts == [1, 2]
        cache.put("ab12", BLOBS, 3)
        assert cache.get("ab12").facts == 3 and cache.get("ab12").blobs["960.avif"].read() == BLOBS["960.avif"]

    def test_blobs_can_be_site_files(self, tmp_path):
        entry = Cache(tmp_path / "cache").put("ab12", BLOBS)
        write_site(tmp_path / "site", [SiteFile(name, blob) for name, blob in entry.blobs.items()])
        assert all((tmp_path / "site" / name).read_bytes() == content for name, content in BLOBS.items())

    def test_any_flipped_bit_or_cut_is_noticed(self, tmp_path):
        cache = Cache(tmp_path)
        cache.put("ab12", BLOBS, "facts")
        numbers = random.Random(1)
        for file in sorted(tmp_path.glob("results/*/*")):
            good = file.read_bytes()
            assert good
            for _ in range(80):
                bad = bytearray(good)
                bad[numbers.randrange(len(bad))] ^= 1 << numbers.randrange(8)
                file.write_bytes(bad)
                assert cache.get("ab12") is None
                cache.put("ab12", BLOBS, "facts")
                file.write_bytes(good[: numbers.randrange(len(good))])
                assert cache.get("ab12") is None
                cache.put("ab12", BLOBS, "facts")
        assert cache.get("ab12").facts == "facts"

    def test_a_lazy_entry_is_verified_when_read(self, tmp_path):
        cache = Cache(tmp_path)
        cache.put("ab12", BLOBS)
        (pack,) = tmp_path.glob("results/*/*.pack")
        pack.write_bytes(b"?" * pack.stat().st_size)
        entry = cache.get("ab12", lazy=True)
        with pytest.raises(DamagedEntry):
            entry.blobs["480.avif"].read()
        assert cache.get("ab12", lazy=True) is None, "found out once, gone for good"

    def test_another_version_or_another_key_is_absent(self, tmp_path, monkeypatch):
        cache = Cache(tmp_path)
        cache.put("ab12", BLOBS)
        (index,) = tmp_path.glob("results/*/*.json")
        for path in (index, index.with_suffix(".pack")):
            (index.parent / path.name.replace("ab12", "ab99")).write_bytes(path.read_bytes())
        assert cache.get("ab99") is None
        monkeypatch.setattr("builder.store.cache.VERSION", 2)
        assert cache.get("ab12") is None

    def test_stores_are_read_but_not_written(self, tmp_path):
        Cache(tmp_path / "share").put("ab12", BLOBS, 1)
        before = sorted((tmp_path / "share").rglob("*"))
        joined = Cache(tmp_path / "own", stores=[tmp_path / "share"])
        assert joined.get("ab12").blobs["960.avif"].read() == BLOBS["960.avif"]
        joined.put("cd34", BLOBS)
        assert sorted((tmp_path / "share").rglob("*")) == before

    def test_a_full_disk_is_said_in_words_and_leaves_no_half_entry(self, tmp_path, monkeypatch):
        def full(handle, content):
            raise OSError(28, "No space left on device")

        cache = Cache(tmp_path)
        cache.put("ef56", {})
        monkeypatch.setattr(os, "write", full)
        with pytest.raises(OutputError, match="the disk is full. Free some space"):
            cache.put("ab12", BLOBS)
        monkeypatch.undo()
        assert cache.get("ab12") is None and not list(tmp_path.rglob("*.part"))

    def test_says_that_it_is_a_cache(self, tmp_path):
        Cache(tmp_path / "c").put("ab12", {})
        # Cache Directory Tagging Specification, https://bford.info/cachedir/: these first 43 octets
        assert (tmp_path / "c/CACHEDIR.TAG").read_bytes()[:43] == b"Signature: 8a477f597d28d172789f06886806bc55"


class TestTrim:
    def filled(self, root: Path, **settings) -> Cache:
        cache = Cache(root, **settings)
        for number in range(10):
            key = f"{number:02d}aa"
            cache.put(key, {"x": bytes([number]) * 10_000})
            (index,) = root.glob(f"results/*/{key}.json")
            os.utime(index, (1_000_000 + number, 1_000_000 + number))
        return cache

    def test_keeps_under_the_limit_oldest_out(self, tmp_path):
        cache = self.filled(tmp_path, limit_bytes=55_000)
        cache.get("00aa")  # used now, so no longer the oldest
        cache.trim()
        left = [number for number in range(10) if cache.get(f"{number:02d}aa")]
        assert sum(path.stat().st_size for path in tmp_path.rglob("*") if path.is_file()) <= 55_000
        assert left == [0, 6, 7, 8, 9]
        assert cache.trim() == 0

    def test_a_trimmed_entry_will_do_while_the_site_holds_its_content(self, tmp_path):
        cache = self.filled(tmp_path, limit_bytes=55_000)
        cache.trim()
        assert cache.get("01aa") is None
        assert cache.get("01aa", held=lambda found: False) is None
        assert cache.get("01aa", held=lambda found: True).blobs["x"].size == 10_000

    def test_indexes_without_packs_are_bounded_too(self, tmp_path):
        cache = self.filled(tmp_path, limit_bytes=1)
        cache.trim()
        cache.trim()
        assert not list(tmp_path.glob("results/*/*"))

    def test_what_a_killed_writer_left_goes_once_it_is_old(self, tmp_path):
        cache = self.filled(tmp_path)
        old, young = (tmp_path / f"results/00/.{name}.pack.1-1.part" for name in ("old", "young"))
        for path in (old, young):
            path.write_bytes(b"half")
        os.utime(old, (0, 0))
        cache.trim()
        assert not old.exists() and young.exists()


class TestLock:
    def test_a_second_process_waits_and_is_told_why(self, tmp_path):
        code = (
            "import sys, time; from pathlib import Path; from builder.store.lock import hold\n"
            "with hold(Path(sys.argv[1])): print('held', flush=True); time.sleep(0.6)"
        )
        with subprocess.Popen(
            [sys.executable, "-c", code, tmp_path / "lock"], stdout=subprocess.PIPE, text=True
        ) as other:
            assert other.stdout.readline() == "held\n"
            with pytest.raises(OutputError, match=rf"another Kickwheel \(process {other.pid}\) is writing here. Wait"):
                with hold(tmp_path / "lock", wait_s=0):
                    pass
            said: list[str] = []
            with hold(tmp_path / "lock", on_wait=said.append):
                assert other.wait(5) == 0
        assert said == [f"Waiting for another Kickwheel (process {other.pid}) to finish with {tmp_path} ..."]

    def test_a_killed_holder_is_no_hindrance_even_if_its_worker_lives_on(self, tmp_path):
        code = (
            "import os, sys, time; from pathlib import Path; from builder.store.lock import hold\n"
            "with hold(Path(sys.argv[1])):\n"
            "    worker = os.fork()\n"
            "    if worker == 0: time.sleep(60); os._exit(0)\n"
            "    print(worker, flush=True); time.sleep(60)"
        )
        with subprocess.Popen(
            [sys.executable, "-c", code, tmp_path / "lock"], stdout=subprocess.PIPE, text=True
        ) as other:
            worker = int(other.stdout.readline())
            other.kill()
            other.wait()
            try:
                os.kill(worker, 0)
                with hold(tmp_path / "lock", wait_s=0):
                    pass
            finally:
                os.kill(worker, 9)

    def test_within_one_process(self, tmp_path):
        with hold(tmp_path / "lock"):
            with pytest.raises(OutputError), hold(tmp_path / "lock", wait_s=0.2):
                pass
        with hold(tmp_path / "work/lock", remove=True):
            pass
        assert not (tmp_path / "work").exists()


class TestLastBuild:
    @pytest.fixture
    def built(self, tmp_path):
        photos = tmp_path / "photos"
        photos.mkdir()
        (tmp_path / "catalog.toml").write_text("title = 'Boat'")
        (photos / "1.jpg").write_bytes(b"1")
        time.sleep(0.06)
        memory = tmp_path / "memory.json"
        stamps = take_stamps([tmp_path / "catalog.toml", photos, tmp_path / "style.css"])
        write_site(tmp_path / "site", [SiteFile("index.html", b"page"), SiteFile("boat/1.jpg", b"1")], memory=memory)
        remember_build(tmp_path / "last.json", key="k", stamps=stamps, summary={"items": 1})
        return tmp_path

    def asked(self, root: Path, key: str = "k"):
        return last_build(root / "last.json", key=key, out=root / "site", site_memory=root / "memory.json")

    def test_nothing_changed(self, built):
        assert self.asked(built) == {"summary": {"items": 1}}
        assert changed_paths(built / "last.json") == set()

    @pytest.mark.parametrize(
        "change",
        [
            lambda root: (root / "catalog.toml").write_text("title = 'Loaf'"),
            lambda root: (root / "photos/1.jpg").write_bytes(b"2"),
            lambda root: (root / "photos/2.jpg").write_bytes(b"2"),
            lambda root: (root / "photos/1.jpg").rename(root / "photos/3.jpg"),
            lambda root: (root / "style.css").write_text("a{}"),
            lambda root: (root / "site/index.html").write_bytes(b"PAGE"),
            lambda root: (root / "site/boat/1.jpg").unlink(),
            lambda root: (root / "site/CNAME").write_text("x"),
            lambda root: (root / "memory.json").unlink(),
            lambda root: (root / "last.json").write_bytes((root / "last.json").read_bytes()[:-1]),
        ],
    )
    def test_any_change_is_noticed(self, built, change):
        change(built)
        assert self.asked(built) is None

    def test_other_options_are_another_build(self, built):
        assert self.asked(built, key="other") is None

    def test_the_changed_paths_are_named(self, built):
        (built / "photos/1.jpg").write_bytes(b"2")
        assert changed_paths(built / "last.json") == {str(built / "photos")}

    def test_a_change_during_the_build_is_not_taken_for_built(self, built):
        stamps = take_stamps([built / "catalog.toml", built / "photos"])
        (built / "photos/2.jpg").write_bytes(b"2")
        remember_build(built / "last.json", key="k", stamps=stamps)
        assert self.asked(built) is None
