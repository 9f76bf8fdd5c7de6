"""A rebuild does what changed and no more; shares of a build join to the same site; nothing heavy without need."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from builder.building.build import build_site, share_of
from builder.building.job import BuildRequest, BuildResult, already_built
from builder.store.cache import Cache
from builder.store.shelf import Shelf
from builder.terminal import Terminal
from builder.workers import Workers, ask_for_large_pages, cores_granted
from tests.command import kickwheel, tree
from tests.many_items import HEAD, entry, write_entries, write_many

ITEMS, FRAMES = 3, 4
SETTLED_S = 0.1  # after which a file's stamp is trusted


def built(folder: Path, **request) -> BuildResult:
    asked = BuildRequest(folder, jobs=1, **request)
    return already_built(asked) or build_site(asked, Terminal(quiet=True))


def changed_files(before: dict[str, bytes], after: dict[str, bytes]) -> set[str]:
    return {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """A catalogue with its site and cache; copy it, so that each test has its own."""
    folder = write_many(tmp_path_factory.mktemp("made") / "shop", ITEMS, frames=FRAMES, alike=False)
    time.sleep(SETTLED_S)
    result = built(folder)
    assert result.done["frame"] == ITEMS * FRAMES and result.done["page"] == ITEMS == result.done["measure"]
    return folder


@pytest.fixture
def shop(made, tmp_path) -> Path:
    folder = Path(shutil.copytree(made, tmp_path / "shop"))
    time.sleep(SETTLED_S)
    return folder


ENTRIES = [entry(number) for number in range(ITEMS)]
OUR_LISTS = {"index.html", "spins.json", "sitemap.xml", ".kickwheel-manifest"}


def without_manifest(names: set[str]) -> set[str]:
    return {name for name in names if not name.rpartition("/")[2].startswith(".")}


class TestRebuild:
    def test_nothing_changed_does_nothing(self, made):
        before = tree(made / "site")
        result = built(made)
        assert not any(result.done.values()) and not result.changed
        assert "Nothing has changed" in result.notes[0]
        assert tree(made / "site") == before

    def test_the_same_content_under_a_new_date_is_read_and_found_the_same(self, shop):
        built(shop)  # a copy has new inodes: every photo is read once
        photo = shop / "item-1" / "IMG_0001.jpg"
        content = photo.read_bytes()
        photo.unlink()
        photo.write_bytes(content)
        time.sleep(SETTLED_S)
        result = built(shop)
        assert {kind: count for kind, count in result.done.items() if count} == {"photo": 1}
        assert not result.changed

    def test_one_description_makes_that_page_and_the_lists(self, shop):
        before = tree(shop / "site")
        write_entries(shop, [ENTRIES[0], entry(1, "Other words."), ENTRIES[2]])
        result = built(shop)
        work = {kind: count for kind, count in result.done.items() if count and kind != "photo"}
        assert work == {"page": 1}
        changed = without_manifest(changed_files(before, tree(shop / "site")))
        assert "item-1/index.html" in changed
        assert {name.partition("/")[0] for name in changed} <= {"item-1", "index.html", "spins.json", "sitemap.xml"}

    def test_one_frame_makes_that_item(self, shop):
        before = tree(shop / "site")
        photo = shop / "item-1" / "IMG_0002.jpg"
        photo.write_bytes((shop / "item-1" / "IMG_0003.jpg").read_bytes() + b"again")
        result = built(shop)
        assert result.done["measure"] == 1 == result.done["plan"]
        assert result.done["frame"] <= FRAMES
        changed = without_manifest(changed_files(before, tree(shop / "site")))
        assert "item-1" in {name.partition("/")[0] for name in changed}
        assert not {name for name in changed if name.startswith(("item-0/", "item-2/"))}

    @pytest.mark.parametrize(
        "setting, fed, left",
        [
            ("[output]\nmp4 = false", {"page"}, {"measure", "plan", "frame", "gif", "single", "sheet"}),
            ("[output]\nformats = ['webp']", {"frame", "page"}, {"measure"}),
            ("[finish]\nsharpen = 1.0\n[output]", {"frame", "gif", "page"}, {"measure"}),
            ("[shop]\ncredit = 'Photos: our own'", {"page"}, {"measure", "plan", "frame", "gif", "single", "sheet"}),
        ],
    )
    def test_one_setting_makes_what_it_feeds(self, shop, setting, fed, left):
        table = setting.partition("\n")[0] if not setting.startswith("[finish]") else "[output]"
        write_entries(shop, ENTRIES, HEAD.replace(table, setting, 1))
        result = built(shop)
        assert all(result.done[kind] >= ITEMS for kind in fed), result.done
        assert not any(result.done[kind] for kind in left), result.done

    def test_another_first_frame_encodes_no_frame_again(self, shop):
        write_entries(shop, [ENTRIES[0] + 'start = "IMG_0001.jpg"\n', *ENTRIES[1:]])
        result = built(shop)
        assert result.done["single"] == result.done["gif"] == result.done["mp4"] == 1
        assert result.done["frame"] == 0 == result.done["measure"]
        fresh = shop.parent / "fresh"
        shutil.copytree(shop, fresh, ignore=shutil.ignore_patterns("site", ".kickwheel"))
        built(fresh)
        assert tree(fresh / "site") == tree(shop / "site"), "pictures made again for films are the same"

    @pytest.mark.parametrize("jobs", [1, 2])
    def test_damaged_results_are_made_again_and_nothing_else(self, shop, jobs):
        before = tree(shop / "site")
        shutil.rmtree(shop / "site")
        indexes = sorted((shop / ".kickwheel").glob("results/*/*.json"))
        pack = next(file for file in indexes if b'"qualities"' in file.read_bytes()).with_suffix(".pack")
        content = bytearray(pack.read_bytes())
        content[len(content) // 2] ^= 4
        pack.write_bytes(content)
        result = build_site(BuildRequest(shop, jobs=jobs), Terminal(quiet=True))
        assert tree(shop / "site") == before
        assert result.done["frame"] == FRAMES and result.done["measure"] == 0


class TestShares:
    def test_every_item_is_in_one_share(self):
        items = Shelf(range(11))
        shares = [share_of(items, (share, 4)) for share in range(1, 5)]
        assert sorted(item for share in shares for item in share) == list(items)
        assert {len(share) for share in shares} == {2, 3}

    def test_joined_site_is_the_one_machine_site(self, made, tmp_path):
        """Each share in a process, a folder and a cache of its own, as on separate machines."""
        stores = []
        for share in (1, 2):
            machine = tmp_path / f"machine-{share}"
            shutil.copytree(made, machine, ignore=shutil.ignore_patterns("site", ".kickwheel"))
            store = tmp_path / f"store-{share}"
            ran = kickwheel("build", machine, "--shard", f"{share}/2", "--store", store, "--jobs", 1)
            assert ran.status == 0, ran.err
            assert not (machine / "site").exists() and "share" in ran.out
            stores.append(store)
        last = tmp_path / "last"
        shutil.copytree(made, last, ignore=shutil.ignore_patterns("site", ".kickwheel"))
        held = {store: sorted(store.rglob("*.pack")) for store in stores}
        result = built(last, stores=tuple(stores))
        assert not {kind for kind in result.done if result.done[kind]} - {"page", "photo"}, "no work done again"
        assert tree(last / "site") == tree(made / "site")
        assert held == {store: sorted(store.rglob("*.pack")) for store in stores}
        for store in stores:
            shutil.rmtree(store)
        shutil.rmtree(last / "site")
        again = built(last, force=False)
        assert not again.done["frame"] and tree(last / "site") == tree(made / "site"), "taken into its own cache"

    @pytest.mark.parametrize("share", ["0/4", "5/4", "3", "a/b", "1/0"])
    def test_what_isnt_a_share_is_refused(self, made, share):
        ran = kickwheel("build", made, "--shard", share)
        assert ran.status == 2
        assert "isn't a share such as 3/8" in ran.err


def test_a_shop_larger_than_its_cache_is_built_and_the_cache_stays_bounded(tmp_path, monkeypatch):
    def packs() -> int:
        return sum(file.stat().st_size for file in folder.glob(".kickwheel/results/*/*.pack"))

    limit, seen, trim = 60_000, [], Cache.trim  # bytes: some three items' results here
    monkeypatch.setattr("builder.store.cache.LIMIT_BYTES", limit)
    monkeypatch.setattr(Cache, "trim", lambda self, kept=(), **how: (trim(self, kept, **how), seen.append(packs())))
    folder = write_many(tmp_path / "shop", 8, frames=FRAMES, alike=False)
    result = built(folder)
    assert len(seen) > 3, "also in the middle of the build"
    assert max(seen) <= 1.5 * limit and seen[-1] <= limit
    written = sum(file.stat().st_size for file in (folder / "site").rglob("*"))
    assert written > 2 * limit, "else this says nothing"
    assert result.done["frame"] == 8 * FRAMES, "each made once"


class TestProcessors:
    def test_control_groups_and_affinity_are_kept_to(self, tmp_path, monkeypatch):
        monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(8)), raising=False)
        assert cores_granted(tmp_path) == 8
        (tmp_path / "cpu.max").write_text("max 100000\n")
        assert cores_granted(tmp_path) == 8
        (tmp_path / "cpu.max").write_text("350000 100000\n")
        assert cores_granted(tmp_path) == 3
        (tmp_path / "cpu.max").write_text("50000 100000\n")
        assert cores_granted(tmp_path) == 1

    def test_large_pages_are_asked_for_beside_what_the_user_has_set(self, monkeypatch):
        monkeypatch.setenv("GLIBC_TUNABLES", "glibc.malloc.check=3")
        ask_for_large_pages()
        ask_for_large_pages()
        assert os.environ["GLIBC_TUNABLES"] == "glibc.malloc.check=3:glibc.malloc.hugetlb=1"
        monkeypatch.setenv("GLIBC_TUNABLES", "glibc.malloc.hugetlb=0")  # the user's own word stands
        ask_for_large_pages()
        assert os.environ["GLIBC_TUNABLES"] == "glibc.malloc.hugetlb=0"

    def test_one_job_is_one_process(self):
        with Workers(1) as workers:
            assert workers.submit(os.getpid).result() == os.getpid()


@pytest.mark.parametrize("words", [("--help",), ("build", "SHOP")])
def test_a_start_loads_nothing_heavy(made, words):
    words = [str(made) if word == "SHOP" else word for word in words]
    code = (
        f"import sys; sys.argv = ['kickwheel', *{words!r}]\nfrom builder.cli import main\n"
        "try: main()\nexcept SystemExit: pass\n"
        "print(sorted({'numpy', 'cv2', 'scipy', 'PIL', 'pydantic', 'jinja2'} & set(sys.modules)))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.splitlines()[-1] == "[]"
